"""When a voltage that had settled leaves its band again: in what the trend left out as clicks.

A point of the trend that lies far off its neighbours is left out. What it was shows in the samples:
hum is taken off by the median of stretches whole mains cycles away, and their mean over a sixteenth of
a cycle is laid against the band. What is outside for less than a hundredth of a second, or
is a single sample, is a click. What lasts longer is a voltage.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import ROBUST, Samples
from sequencer.analysis.trend import Trend

_CLICK_S = 0.01
_TOGETHER = 11.5  # points: those of a click's median; the middle of a long pulse is none
_QUIET = 2  # stretches of the same length beside one
_AT_THE_END = 2  # points
_PIECES = 16  # of a mains cycle
_SURE = 5.0  # standard deviations


@dataclass(frozen=True, slots=True, kw_only=True)
class Excursion:
    """A stretch outside a band: its first and last moment, s from the record's start, its height.

    peak_v is the sample furthest out, hum taken off. time_doubt_s: standard uncertainty of the
    moments. reaches_end: the record ends with it.
    """

    start_s: float
    stop_s: float
    time_doubt_s: float
    peak_v: float
    is_click: bool
    reaches_end: bool


def find_excursions(
    samples: Samples,
    sample_rate_hz: float,
    *,
    points: Trend,
    trend: Trend,
    band_v: tuple[float, float],
    from_s: float,
) -> tuple[Excursion, ...]:
    """Each stretch outside the band after a time, among what a trend leaves out and at its end.

    Parameters
    ----------
    samples : the record, V, shape (n,)
    points, trend : all points, and those that were no clicks
    from_s : s from the record's start
    """
    is_left_out = ~np.isin(points.time_s, trend.time_s)
    is_left_out[-_AT_THE_END:] = True  # whose neighbours on one side are missing
    left_out = points.time_s[is_left_out & (points.time_s + points.kernel_s >= from_s)]
    if not left_out.size:
        return ()
    apart = np.flatnonzero(np.diff(left_out) > _TOGETHER * points.step_s) + 1
    reach_s = points.kernel_s or points.step_s / 2.0
    found: list[Excursion] = []
    for group in np.split(left_out, apart):
        first = max(int(np.ceil((max(group[0] - reach_s, from_s)) * sample_rate_hz)), 0)
        stop = min(int((group[-1] + reach_s) * sample_rate_hz) + 1, samples.size)
        if group[-1] == points.time_s[-1]:
            stop = samples.size
        if stop > first:
            found += _outside(samples, sample_rate_hz, trend, band_v, (first, stop))
    return tuple(found)


def _outside(
    samples: Samples,
    sample_rate_hz: float,
    trend: Trend,
    band_v: tuple[float, float],
    stretch: tuple[int, int],
) -> list[Excursion]:
    """What surely lies outside the band in a stretch of samples, in one piece or several."""
    place = np.arange(*stretch, dtype=np.float64)

    def beside(at: Samples) -> Samples:
        """The samples beside the trend, between two of them straight."""
        course_v = np.interp(at / sample_rate_hz, trend.time_s, trend.value_v)
        first = int(at[0])
        part = samples[first : int(at[-1]) + 2]
        return np.asarray(np.interp(at - first, np.arange(part.size), part) - course_v)

    rest, sd_v, width = beside(place), trend.noise_v, 1
    if trend.kernel_s:
        cycle = trend.kernel_s * sample_rate_hz
        away = np.ceil(place.size / cycle) * cycle * np.array([-3, -2, -1, 1, 2, 3])
        begins = trend.time_s[0] * sample_rate_hz
        fits = (place[0] + away > begins) & (place[-1] + away < samples.size - 1)
        if np.count_nonzero(fits) < _QUIET:
            return []
        quiet = np.stack([beside(place + a) for a in away[fits]])
        hum = np.median(quiet, axis=0)
        rest = rest - hum
        width = max(int(cycle / _PIECES), 1)
        scatter = [_smooth(one - hum, width) for one in quiet]
        # the median lies nearer to each of a few than their scatter
        sd_v = 2.0 * ROBUST * float(np.median(np.abs(scatter)))
    course_v = np.interp(place / sample_rate_hz, trend.time_s, trend.value_v)
    sure_v = _SURE * sd_v
    value = course_v + _smooth(rest, width)
    outside = np.flatnonzero((value > band_v[1] + sure_v) | (value < band_v[0] - sure_v))
    if not outside.size:
        return []
    raw = course_v + rest
    middle = (band_v[0] + band_v[1]) / 2.0
    click = max(2.0, _CLICK_S * sample_rate_hz)

    def excursion(piece: NDArray[np.intp]) -> Excursion:
        first, last = int(piece[0]), int(piece[-1])
        near = raw[max(first - width, 0) : last + width + 1]
        return Excursion(
            start_s=float(place[first]) / sample_rate_hz,
            stop_s=float(place[last] + 1) / sample_rate_hz,
            time_doubt_s=width / sample_rate_hz / float(np.sqrt(3.0)),
            peak_v=float(near[np.argmax(np.abs(near - middle))]),
            is_click=piece.size < click,
            reaches_end=last + 1 + width >= place.size and stretch[1] == samples.size,
        )

    return [excursion(p) for p in np.split(outside, np.flatnonzero(np.diff(outside) > click) + 1)]


def _smooth(value: Samples, width: int) -> Samples:
    """The mean over so many samples about each; towards the ends over fewer."""
    width = min(width, value.size)
    if width == 1:
        return value
    weight = np.ones(width)
    counted = np.convolve(np.ones_like(value), weight, mode="same")
    return np.asarray(np.convolve(value, weight, mode="same") / counted)
