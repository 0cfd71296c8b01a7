"""Noise that changes within a record: some stretch of it louder or quieter than chance allows.

Theory of operation. The record, all its lines taken off, is cut into up to sixteen parts; the noise in
the band is added up in each, but for what lies near the mains lines, where a wandering mains leaves
something. That power scatters as chi-square, with the degrees of freedom that the parts' mean spectrum
gives: few where 1/f noise rules. Each stretch of parts is laid against the mean of all.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples, Spectral
from sequencer.analysis.mains import HIGHEST_LINE_HZ
from sequencer.analysis.mains_nominals import SEARCH_REACH
from sequencer.analysis.power_stretches import (
    SURE,
    farthest_stretch,
    told_stretch,
)
from sequencer.analysis.resolution import step_over
from sequencer.analysis.spectrum import HANN_CORRELATION, periodogram
from sequencer.analysis.weighting import a_weighting_power

_LEAST_TOLD_DB = 0.1
_MOST_PARTS, _FEWEST_PARTS = 16, 4
_LEAST_PART_S = 0.1
_BESIDE_BINS, _BESIDE_HZ = 3.5, 17.0  # of a mains line, whichever is less
_FEWEST_BINS = 16
_LEAST_KEPT = 0.5  # of a part beside its clicks
_ROUNDING = 1e-7  # of the largest value: single precision


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseChange:
    """How noise changes within a record: the stretch that differs most from the rest, s and dB.

    Of two stretches that make up the record it is the shorter. of_plain and of_weighted are the powers
    of the parts over their mean, unweighted and A-weighted, without those that are mostly clicks.
    """

    start_s: float
    stop_s: float
    louder_db: float
    of_plain: Spectral
    of_weighted: Spectral


def find_noise_change(
    rests: NDArray[np.float64],
    sample_rate_hz: float,
    mains_hz: float,
    band_hz: tuple[float, float],
    *,
    record: Samples,
    clicks_v: Samples | None = None,
) -> NoiseChange | None:
    """Where the noise of a record changes; None where it scatters as steady noise does.

    Parameters
    ----------
    rests : shape (sections, n), volts; successive sections without their lines
    record : shape (n,), volts, as it was recorded
    clicks_v : shape (sections * n,), what clicks add to it, which is left out
    """
    section = rests.shape[1]
    most = max(_MOST_PARTS // len(rests), 1)
    in_section = max(min(most, int(section / sample_rate_hz / _LEAST_PART_S)), 1)
    length = section // in_section

    def parts_of(sections: NDArray[np.float64]) -> NDArray[np.float64]:
        # no part reaches over the end of a section, where lines were fitted anew
        return sections.reshape(rests.shape)[:, : in_section * length].reshape(-1, length)

    pieces = parts_of(rests)
    kept = np.ones(len(pieces))
    if clicks_v is not None:
        pieces = pieces - parts_of(clicks_v)
        kept = np.mean(parts_of(clicks_v) == 0.0, axis=1)
    compared = np.flatnonzero(kept >= _LEAST_KEPT)
    pieces, kept = pieces[compared], kept[compared]
    if len(pieces) < _FEWEST_PARTS or _is_as_rounding(pieces, record):
        return None
    parts = [periodogram(piece, sample_rate_hz) for piece in pieces]
    bins_hz: Spectral = np.arange(parts[0].mean_square_v2.size, dtype=np.float64)
    bins_hz *= parts[0].bin_hz
    chosen = (bins_hz >= band_hz[0]) & (bins_hz <= band_hz[1])
    chosen &= ~_is_near_mains(bins_hz, mains_hz)
    if np.count_nonzero(chosen) < _FEWEST_BINS:
        return None
    spectra = np.array([part.mean_square_v2[chosen] for part in parts]) / kept[:, np.newaxis]
    weight = a_weighting_power(bins_hz[chosen])
    peaked = _peakedness(pieces)
    plain, weighted = _over_mean(spectra), _over_mean(spectra * weight)
    found = (
        (plain, *farthest_stretch(plain, _freedom(spectra) / peaked)),
        (weighted, *farthest_stretch(weighted, _freedom(spectra * weight) / peaked)),
    )
    powers, first, end, deviate = max(found, key=lambda each: abs(each[3]))
    if abs(deviate) <= SURE:
        return None
    first, end, louder_db = told_stretch(powers, first, end, is_louder=deviate > 0.0)
    if abs(louder_db) < _LEAST_TOLD_DB:
        return None
    start_s, stop_s = (
        (part // in_section * section + part % in_section * length) / sample_rate_hz
        for part in (int(compared[first]), int(compared[end - 1]) + 1)
    )
    return NoiseChange(
        start_s=start_s,
        stop_s=stop_s,
        louder_db=louder_db,
        of_plain=plain,
        of_weighted=weighted,
    )


def _is_as_rounding(pieces: NDArray[np.float64], record: Samples) -> bool:
    """Whether the noise changes by no more than the rounding's own does.

    Where little noise lies over the code, a DC that moves by part of a code makes it a quarter of its
    square, half way between two, or nothing.
    """
    variance_v2 = pieces.var(axis=1)
    step_v = step_over(record, math.sqrt(float(variance_v2.mean())))
    own_v = _ROUNDING * float(np.abs(record).max())
    return float(np.ptp(variance_v2)) <= max(step_v / 2, own_v) ** 2


def _is_near_mains(bins_hz: Spectral, mains_hz: float) -> NDArray[np.bool_]:
    bin_hz = float(bins_hz[1])
    multiple = np.maximum(np.rint(bins_hz / mains_hz), 1.0)
    is_near = np.abs(bins_hz - multiple * mains_hz) <= min(_BESIDE_BINS * bin_hz, _BESIDE_HZ)
    return np.asarray(is_near & (bins_hz < HIGHEST_LINE_HZ * (1 + SEARCH_REACH) + _BESIDE_HZ))


def _over_mean(spectra: NDArray[np.float64]) -> Spectral:
    powers = spectra.sum(axis=1)
    return np.asarray(powers / powers.mean())


def _freedom(spectra: NDArray[np.float64]) -> float:
    """Degrees of freedom of the power of one part: twice its mean's square over its variance."""
    mean = spectra.mean(axis=0)
    # a mean of k exponentially distributed powers has a square of 1 + 1/k of its own mean's
    variance = HANN_CORRELATION * float(mean @ mean) / (1 + 1 / len(spectra))
    return 2 * float(mean.sum()) ** 2 / variance


def _peakedness(parts: NDArray[np.float64]) -> float:
    """How much more than that of normal noise the power of one part scatters, 1 at least.

    A mean square has the variance (k - 1)/2 times the normal one's, k being the kurtosis: noise of less
    than a code is seldom a code.
    """
    squares = np.square(parts - parts.mean(axis=1, keepdims=True))
    kurtosis = np.square(squares).mean(axis=1) / np.square(squares.mean(axis=1))
    return max((float(np.median(kurtosis)) - 1) / 2, 1.0)
