"""Lines in a record that belong to nothing expected: a supply's whine, a second generator, slow hum.

Theory of operation. A line that a joint fit leaves out leaks into a fitted one d bins away with 1/(pi d)
of its amplitude, and in what is left it would count as noise, with the scatter of noise. So the
strongest of those that stand out are fitted as well, each at a frequency of its own.

What moves less than about a cycle and a half in the record (hum in a short one) has no frequency that
could be told. A fixed line of a little over half a cycle, with a drift term, follows it; beside that
the mean means nothing any more. What can't be fitted, too near the tone or too much of it, counts as
doubt by what it leaks.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.arrays import Spectral
from sequencer.analysis.spectrum import Periodogram, peak_position

_Bins = np.ndarray[tuple[int], np.dtype[np.intp]]

SLOW_BINS = 0.6  # where the slow line stands: its sine is a slope, its cosine a bend
_MOST = 8
_SEEN = 40.0  # over the median around; noise does that once in 10^12
_MOST_PEAKS = 400  # looked at, the strongest first; a hill of noise has as many
_AROUND = 40
_LOBE_BINS = 3
_NEIGHBOURS = np.r_[-_AROUND:-_LOBE_BINS, _LOBE_BINS + 1 : _AROUND + 1]
_APART_BINS = 1.3  # from other lines and from 0, for the frequency to be found
_SLOW_BELOW_HZ = 20.0  # below the audio band there is more drift and 1/f noise than lines
_FROM_TONE_BINS = 2.0  # nearer is the tone's own unrest


@dataclass(frozen=True, slots=True, kw_only=True)
class StrayLines:
    """Where lines stand out, Hz, to half a bin; and whether something slower than those is there."""

    lines_hz: tuple[float, ...] = ()
    is_slow: bool = False


def find_strays(
    rest: Periodogram, tone_hz: float, taken_hz: Iterable[float], *, least_v2: float
) -> StrayLines:
    """The strongest lines that stand out of what a fit leaves, at most eight.

    Parameters
    ----------
    rest : of the record without the fit's lines
    tone_hz : the tone; what lies right beside it isn't looked at
    taken_hz : the fit's lines
    least_v2 : mean square below which a line is the computation's own
    """
    power = rest.mean_square_v2
    high = _highest(rest, least_v2)
    peaks = high[(power[high] >= power[high - 1]) & (power[high] >= power[high + 1])]
    taken = np.fromiter(taken_hz, dtype=np.float64) / rest.bin_hz
    is_apart = np.abs(np.subtract.outer(peaks, taken)).min(axis=1) > _APART_BINS - 0.5
    is_apart &= np.abs(peaks - tone_hz / rest.bin_hz) >= _FROM_TONE_BINS
    slow_below = _SLOW_BELOW_HZ / rest.bin_hz
    found: list[float] = []
    is_slow = False
    for peak in _standing_out(power, peaks[is_apart], slow_below).tolist():
        at = peak_position(power, peak)
        if np.abs(taken - at).min() < _APART_BINS or any(
            abs(other - at) < _APART_BINS or abs(other - peak) <= 2 for other in found
        ):
            continue
        if at < _APART_BINS:
            is_slow = True
        else:
            found.append(at)
        if len(found) == _MOST:
            break
    return StrayLines(lines_hz=tuple(at * rest.bin_hz for at in found), is_slow=is_slow)


def leaked_v2(
    rest: Periodogram, lines_hz: Spectral, *, tone_hz: float, own_v2: float, least_v2: float
) -> Spectral:
    """|error|^2 of fitted lines, V^2, by the lines that still stand out of what the fit leaves.

    Parameters
    ----------
    rest, tone_hz, least_v2 : as for find_strays
    lines_hz : of the fit
    own_v2 : mean square that a last step of the tone's frequency, not taken, leaves beside the tone
    """
    high = _highest(rest, least_v2)
    is_beside = np.abs(high - tone_hz / rest.bin_hz) <= _FROM_TONE_BINS
    high = high[~is_beside | (rest.mean_square_v2[high] > own_v2)]
    away = np.maximum(np.abs(np.subtract.outer(lines_hz / rest.bin_hz, high)), 1.0)
    return np.asarray((2 * rest.mean_square_v2[high] / (np.pi * away) ** 2).sum(axis=1))


def _highest(rest: Periodogram, least_v2: float) -> _Bins:
    """The bins far over most others, the highest first."""
    power = rest.mean_square_v2
    high = np.flatnonzero(power > max(_SEEN * rest.median_v2(), least_v2))
    high = high[(high > 0) & (high < power.size - 2)]
    return high[np.argsort(power[high])[::-1]][:_MOST_PEAKS]


def _standing_out(power: Spectral, peaks: _Bins, slow_below: float) -> _Bins:
    """The peaks that are far over what lies around them; the first of them over 1/f noise, too."""
    at = np.add.outer(peaks, _NEIGHBOURS)
    is_there = (at >= 1) & (at < power.size)
    around = power[np.clip(at, 0, power.size - 1)]
    usual = _median(around, is_there)
    usual += np.where(peaks < slow_below, _median(around * at, is_there) / peaks, 0.0)
    is_clear = power[peaks] > _SEEN * usual
    return np.asarray(peaks[is_clear & (is_there.sum(axis=1) >= _LOBE_BINS)])


def _median(of: Spectral, is_there: "np.ndarray[tuple[int, int], np.dtype[np.bool_]]") -> Spectral:
    """The median of each row, by those that are there."""
    ordered = np.sort(np.where(is_there, of, np.inf), axis=1)
    count, row = is_there.sum(axis=1), np.arange(len(of))
    return np.asarray(ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2
