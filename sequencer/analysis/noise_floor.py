"""An averaged spectrum and the noise floor in it, with the spurs looked through.

The floor is a running median over 91 kHz, wider than any spur.

References
----------
P. D. Welch, "The use of fast Fourier transform for the estimation of power spectra", IEEE Trans.
Audio Electroacoust. AU-15, 1967 (averaging, and the variance of half-overlapped segments).
G. Heinzel, A. Ruediger, R. Schilling, "Spectrum and spectral density estimation by the DFT", 2002.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples, Spectral
from sequencer.analysis.spectrum import hann

FLOOR_WINDOW_HZ = 91e3

_BIN_HZ = 76.3
# Two successive half-overlapped Hann segments: correlation of power 1/36 (Welch 1967).
_OVERLAP_CORRELATION = 1.056


@dataclass(frozen=True, slots=True, kw_only=True)
class DensitySpectrum:
    """Averaged one-sided density power, V^2/Hz; bin k lies at k * step_hz.

    averages is the number of independent periodograms that would scatter as little. guessed is
    the doubt of bins whose power was put in from elsewhere, in the same unit; None for none.
    """

    power: Spectral
    step_hz: float
    averages: float
    guessed: Spectral | None = None

    @property
    def frequency_hz(self) -> Spectral:
        """Frequency of each bin."""
        return np.arange(self.power.size, dtype=np.float64) * self.step_hz


def averaged_spectrum(samples: Samples, sample_rate_hz: float) -> DensitySpectrum:
    """One-sided density power of half-overlapped Hann segments, averaged."""
    length = 2 ** round(np.log2(sample_rate_hz / _BIN_HZ))
    window = hann(length)
    level = samples - np.mean(samples)
    segments = np.lib.stride_tricks.sliding_window_view(level, length)[:: length // 2]
    total = np.zeros(length // 2 + 1)
    for start in range(0, len(segments), 32):  # in parts: the working set stays in the cache
        lines = scipy.fft.rfft(segments[start : start + 32] * window, axis=1)
        total += np.einsum("ij,ij->j", lines.real, lines.real)
        total += np.einsum("ij,ij->j", lines.imag, lines.imag)
    scale = 2.0 / (sample_rate_hz * float(np.sum(window**2)) * len(segments))
    return DensitySpectrum(
        power=total * scale,
        step_hz=sample_rate_hz / length,
        averages=len(segments) / _OVERLAP_CORRELATION,
    )


def least_density(samples: Samples, sample_rate_hz: float) -> float:
    """Density below which nothing is looked for, V^2/Hz.

    Quantisation noise of a 24-bit converter whose range is just filled: no digitiser does better,
    but a computed record without noise would show the rounding of its own arithmetic.
    """
    step = 2.0 * float(np.max(np.abs(samples))) / 2.0**24
    return step * step / 12.0 / (sample_rate_hz / 2.0)


def floor_under_spurs(
    spectrum: DensitySpectrum, band: tuple[int, int], taken: NDArray[np.bool_]
) -> Spectral:
    """Noise density power under the spurs at every bin, V^2/Hz, but for bins marked as taken."""
    bins = np.arange(*band)
    bins = bins[~taken[bins]]
    log_power = np.log(np.maximum(spectrum.power[bins], np.finfo(np.float64).tiny))
    half = max(int(FLOOR_WINDOW_HZ / spectrum.step_hz) // 2, 32)
    known, floor = [], []
    for node in np.arange(band[0], band[1] + half // 6, max(half // 6, 1)):
        level = _local_floor(bins, log_power, int(node), half)
        if level is not None:
            known.append(float(node))
            floor.append(level)
    median_over_mean = 1.0 - 1.0 / (3.0 * spectrum.averages)  # of a gamma distribution
    everywhere = np.arange(spectrum.power.size, dtype=np.float64)
    return np.exp(np.interp(everywhere, known, floor)) / median_over_mean


def _local_floor(
    bins: NDArray[np.int64], log_power: Spectral, node: int, half: int
) -> float | None:
    """Logarithm of the floor at a bin; None where too few bins are left around it.

    The median of a window centred on the bin is right on any slope. Near the ends of the band the
    window has to become narrow, and a spur could fill it, so a wide window that looks to one side
    is taken as well, along the slope of the noise there; the higher of the two counts.
    """
    to_end = min(node - int(bins[0]), int(bins[-1]) - node)
    centred = _window(bins, node, int(np.clip(to_end, half // 4, half)))
    near, wide = _window(bins, node, half), _window(bins, node, 2 * half)
    if near.stop - near.start < 16:
        return None
    few = centred if centred.stop - centred.start >= 16 else near
    level = float(np.median(log_power[few]))
    if to_end >= half:
        return level
    slope = _slope(np.log(bins[wide]), log_power[wide])
    along = log_power[near] - slope * (np.log(bins[near]) - np.log(node))
    return max(level, float(np.median(along)))


def _window(bins: NDArray[np.int64], node: int, half: int) -> slice:
    """Where bins lie within half of node."""
    first, last = np.searchsorted(bins, (node - half, node + half))
    return slice(int(first), int(last))


def _slope(x: Spectral, y: Spectral) -> float:
    """Slope that a third of the points can't bend: median slope between medians of 12 blocks.

    P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", J. Am. Stat. Assoc.
    63, 1968.
    """
    edges = np.linspace(0, x.size, 13).astype(int)
    middle = np.array([np.mean(x[a:b]) for a, b in pairwise(edges)])
    level = np.array([np.median(y[a:b]) for a, b in pairwise(edges)])
    first, second = np.triu_indices(12, 1)
    slopes = (level[second] - level[first]) / (middle[second] - middle[first])
    return float(np.median(slopes))


def leakage_of_lines(
    measured: DensitySpectrum, spectrum: DensitySpectrum, floor: Spectral
) -> Spectral:
    """Power that strong lines spill beyond three bins through the Hann window, V^2/Hz.

    Side lobes of the Hann window stay below 1/(pi k^3) of the peak at k bins (from its transform
    sinc(k)/(1 - k^2)); doubled for lines between bins. Where a line has been levelled, its place
    was filled from the side lobes nearest to it, so they count there too.
    """
    reach = min(512, (floor.size - 1) // 2)
    distance = np.abs(np.arange(-reach, reach + 1))
    lobes = 4.0 / (np.pi**2 * np.maximum(distance, 4) ** 6.0)
    beside = np.where(distance > 3, lobes, 0.0)
    strong = np.where(measured.power > 1e4 * floor, measured.power, 0.0)
    is_left = spectrum.power == measured.power
    left = np.convolve(np.where(is_left, strong, 0.0), beside, mode="same")
    return np.asarray(left + np.convolve(np.where(is_left, 0.0, strong), lobes, mode="same"))
