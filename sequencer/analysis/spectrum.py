"""Windows and spectra: one for plots, one whose bins add up to the mean square.

Two scalings that must not be mixed (Heinzel, Ruediger, Schilling 2002): an amplitude spectrum reads
the level of a line at its peak; a periodogram spreads the mean square of the record over its bins,
so that noise and lines are had by adding bins, without a correction for the window's bandwidth.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from sequencer.analysis.arrays import Samples, Spectral, as_samples, median

# Terms c0, c1, ... of w[n] = c0 - c1 cos(2 pi n/N) + c2 cos(4 pi n/N) - ...
# F. J. Harris, "On the use of windows for harmonic analysis with the DFT", Proc. IEEE 66, 1978.
_HANN = (0.5, 0.5)
_BLACKMAN_HARRIS = (0.35875, 0.48829, 0.14128, 0.01168)

# Powers of neighbouring Hann bins of noise correlate by (2/3)^2, of the next but one by (1/6)^2: a sum
# of bins has this many times the variance of as many independent ones.
HANN_CORRELATION = 1 + 2 * (4 / 9 + 1 / 36)

_LONGEST_KEPT = 2**16
_SOME_BINS = 2048
_CACHED_BINS = 2**14  # bins that stay in the cache from one pass over them to the next

WindowName = Literal["hann", "blackman_harris"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectrum:
    """One-sided amplitude spectrum: a line of U volts rms peaks at U (less the scalloping loss).

    enbw_hz is the equivalent noise bandwidth of a bin: white noise of density e V/sqrt(Hz) reads
    e sqrt(enbw_hz) volts rms in each.
    """

    frequency_hz: Spectral
    level_vrms: Spectral
    enbw_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Periodogram:
    """Mean square of a record in each bin of width bin_hz, V^2; bin k is centred on k bin_hz.

    Taken with a Hann window. The sum over all bins is the mean square of the record (as the window
    weighs it).
    """

    mean_square_v2: Spectral
    bin_hz: float

    def median_v2(self) -> float:
        """The median of the bins, by some two thousand of them: they tell it to a few per cent."""
        return median(self.mean_square_v2[:: 1 + self.mean_square_v2.size // _SOME_BINS])


def hann(count: int) -> Samples:
    """Hann window in periodic form, shape (count,), peak 1; not to be written to."""
    return _kept_hann(count) if count <= _LONGEST_KEPT else _cosine_sum(count, _HANN)


@lru_cache(maxsize=16)
def _kept_hann(count: int) -> Samples:
    """A short window, wanted again with every record of the same length."""
    window = _cosine_sum(count, _HANN)
    window.flags.writeable = False
    return window


def blackman_harris(count: int) -> Samples:
    """Blackman-Harris window, 4 terms, 92 dB, in periodic form, shape (count,), peak 1."""
    return _cosine_sum(count, _BLACKMAN_HARRIS)


def noise_bandwidth(window: Samples, sample_rate_hz: float) -> float:
    """Equivalent noise bandwidth of a window, in Hz.

    Width of the ideal filter that passes as much white noise as one DFT bin taken with this window:
    sample_rate_hz sum(w^2) / sum(w)^2.

    Raises
    ------
    ValueError : the window is empty or sums to zero

    References
    ----------
    G. Heinzel, A. Ruediger, R. Schilling, "Spectrum and spectral density estimation by the DFT",
    2002, equation 22.
    """
    total = float(window.sum())
    if total == 0:
        raise ValueError("window: empty or sums to zero; expected a positive sum")
    return sample_rate_hz * float(window @ window) / total**2


def amplitude_spectrum(
    samples: ArrayLike, sample_rate_hz: float, *, window: WindowName = "blackman_harris"
) -> Spectrum:
    """Amplitude spectrum of a record for plots, volts rms.

    The level at 0 Hz is the mean. Up to 2 % of the record's end may be left off to reach a length
    that transforms quickly.

    Parameters
    ----------
    samples : shape (n,), volts
    sample_rate_hz : samples a second
    window : hann (finer, skirts to -31 dB) or blackman_harris (coarser, skirts below -92 dB)
    """
    record = _quick_length(as_samples(samples))
    weights = hann(record.size) if window == "hann" else blackman_harris(record.size)
    level = np.abs(np.fft.rfft(record * weights)) * (np.sqrt(2) / weights.sum())
    level[0] /= np.sqrt(2)
    if record.size % 2 == 0:
        level[-1] /= np.sqrt(2)
    return Spectrum(
        frequency_hz=np.arange(level.size) * (sample_rate_hz / record.size),
        level_vrms=level,
        enbw_hz=noise_bandwidth(weights, sample_rate_hz),
    )


def periodogram(samples: NDArray[np.floating], sample_rate_hz: float) -> Periodogram:
    """Periodogram with a Hann window, V^2 a bin.

    Meant for what is left of a record after its lines are taken off. It is computed in single
    precision, twice as fast, whose rounding lies 130 dB and more below the rms of the record. The
    window is applied as the sum of three bins. Up to 2 % of the record's end may be left off to
    reach a length that transforms quickly.
    """
    count = scipy.fft.prev_fast_len(samples.size)
    bins = scipy.fft.rfft(samples[:count].astype(np.float32, copy=False))
    mean_square = np.empty(bins.size)
    for first in range(1, bins.size - 1, _CACHED_BINS):
        inner = slice(first, min(first + _CACHED_BINS, bins.size - 1))
        part = bins[first - 1 : inner.stop + 1]
        windowed = part[1:-1] + part[1:-1]
        windowed -= part[:-2]
        windowed -= part[2:]
        power = np.square(windowed.real)
        power += np.square(windowed.imag)
        mean_square[inner] = power
    # the bin before the first mirrors the second, the bin after the last one before it
    after = bins[-2] if count % 2 == 0 else bins[-1]
    mean_square[0] = np.abs(2 * (bins[0] - bins[1].real)) ** 2 / 2
    mean_square[-1] = np.abs(2 * bins[-1] - bins[-2] - after.conj()) ** 2
    if count % 2 == 0:
        mean_square[-1] /= 2
    # 2 |X|^2 / (N sum w^2), sum w^2 = 3 N / 8, X a quarter of the sum of three bins
    mean_square *= 2 / 16 / (0.375 * count**2)
    return Periodogram(mean_square_v2=mean_square, bin_hz=sample_rate_hz / count)


def peak_position(power: Spectral, peak: int) -> float:
    """Position of a line between bins, from its two highest bins behind a Hann window.

    (2 a - 1)/(a + 1) towards the higher neighbour, a the ratio of amplitudes (T. Grandke,
    "Interpolation algorithms for discrete Fourier transforms of weighted signals", 1983).
    """
    side = 1 if power[peak + 1] >= power[peak - 1] else -1
    ratio = math.sqrt(float(power[peak + side]) / max(float(power[peak]), np.finfo(float).tiny))
    return peak + side * float(np.clip((2 * ratio - 1) / (ratio + 1), 0.0, 0.5))


def _cosine_sum(count: int, terms: tuple[float, ...]) -> Samples:
    z = (2 * np.pi / count) * np.arange(count)
    window = np.full(count, terms[0])
    for order, term in enumerate(terms[1:], start=1):
        window += (-1) ** order * term * np.cos(order * z)
    return window


def _quick_length(samples: Samples) -> Samples:
    """The record up to the longest length with small prime factors."""
    return samples[: scipy.fft.prev_fast_len(samples.size)]
