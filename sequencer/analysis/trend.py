"""The slow course of a voltage: hum averaged out, clicks left out, the moment of a step found.

A point is the mean over two mains cycles, which has zeros at the mains frequency and its harmonics
(mains 0.4 % off leaves 0.4 % of the hum) and passes sin(x)/x of a sine, x = 2 pi f times the cycle:
half of it at 0.3 of the mains frequency. Points lie a cycle apart, so on white noise they are
correlated by one half with their neighbours and not at all beyond.
"""

from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from sequencer.analysis.arrays import ROBUST, Samples, scatter_about_course

_MEDIAN_POINTS = 11
_CLICK_SD = 8.0
_LEAST_REST = 8
_LEAST_SCATTER = 4  # points
_CLEAR = 1.3  # times the threshold
_LONGEST_PULSE = 50  # points
_BESIDE_A_PULSE = 0.05  # of its height, a step that counts instead
_LEAST_AFTER = 20  # points; with fewer nothing can be said of what follows
_HELD_CYCLE = 30  # samples; with as many, a sample and its slope may stand for its interval
_LEAST_CYCLE = 20  # samples; with fewer, one rounded to whole samples leaves much of the hum


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Points of the trend: time_s from the record's start, value_v, clicks already left out.

    step_s is the distance of points; kernel_s the mains cycle, two of which a point averages, 0 where
    the record is so slow that its samples are the points. noise_v is the standard deviation of a
    point, from differences of neighbours. image_hz: where the points show what is left of hum whose
    cycle is no whole number of samples; image_v: more than its amplitude in volts peak. sample_s: the
    record's sample period.
    """

    time_s: Samples
    value_v: Samples
    step_s: float
    kernel_s: float
    noise_v: float
    sample_s: float
    image_hz: float = 0.0
    image_v: float = 0.0

    @property
    def neighbour_correlation(self) -> float:
        """Correlation of the noise of neighbouring points, white noise in the record supposed."""
        return 0.5 if self.kernel_s else 0.0


def find_trend(
    samples: Samples, sample_rate_hz: float, *, start_s: float, end_s: float, mains_hz: float
) -> Trend:
    """The trend between two times of the record; empty where less than two cycles lie between."""
    points = find_points(samples, sample_rate_hz, start_s=start_s, end_s=end_s, mains_hz=mains_hz)
    return without_clicks(points, np.zeros_like(points.value_v))


def find_points(
    samples: Samples, sample_rate_hz: float, *, start_s: float, end_s: float, mains_hz: float
) -> Trend:
    """The same, clicks still among the points."""
    cycle_s = 1.0 / mains_hz
    if sample_rate_hz < 2.0 * mains_hz:
        return _every_sample(samples, sample_rate_hz, start_s, end_s)
    is_coarse = cycle_s * sample_rate_hz < _HELD_CYCLE
    mean_over = _curve_means if is_coarse else interval_means
    means = mean_over(samples, sample_rate_hz, start_s, end_s, cycle_s)
    value = (means[1:] + means[:-1]) / 2.0
    image_hz, image_v = _image_of_hum(samples, sample_rate_hz, cycle_s)
    return Trend(
        time_s=np.asarray(start_s + cycle_s * np.arange(1, value.size + 1), dtype=np.float64),
        value_v=value,
        step_s=cycle_s,
        kernel_s=cycle_s,
        noise_v=_point_noise(value, 0.5),
        image_hz=image_hz,
        image_v=image_v,
        sample_s=1.0 / sample_rate_hz,
    )


def _image_of_hum(samples: Samples, sample_rate_hz: float, cycle_s: float) -> tuple[float, float]:
    """Frequency and greatest amplitude of what a cycle of no whole number of samples leaves of hum.

    A sample cut in two at an edge stands for a step, whose images lie about the sample rate, all hum
    lines' at one place of the points: 1/n of a line, of which the mean over n samples leaves 1/n.
    """
    count = sample_rate_hz * cycle_s
    last = samples[-max(round(count), 1) :]
    return abs(count - round(count)) / cycle_s, float(np.ptp(last)) / 2.0 / count**2


def _every_sample(samples: Samples, sample_rate_hz: float, start_s: float, end_s: float) -> Trend:
    first = max(int(np.ceil(start_s * sample_rate_hz - 1e-6)), 0)
    last = min(int(np.floor(end_s * sample_rate_hz + 1e-6)), samples.size)
    value = samples[first:last]
    return Trend(
        time_s=(first + np.arange(value.size)) / sample_rate_hz,
        value_v=value,
        step_s=1.0 / sample_rate_hz,
        kernel_s=0.0,
        sample_s=1.0 / sample_rate_hz,
        noise_v=_point_noise(value, 0.0),
    )


def without_clicks(points: Trend, course_v: Samples) -> Trend:
    """Points less those that are clicks beside a course, its value given for each point.

    Noise is that beside the course too. Fast ringing, its course not given, looks like clicks.
    """
    beside = points.value_v - course_v
    keep = ~clicks(beside)
    return replace(
        points,
        time_s=points.time_s[keep],
        value_v=points.value_v[keep],
        noise_v=_point_noise(beside[keep], points.neighbour_correlation),
    )


def interval_means(
    samples: Samples, sample_rate_hz: float, start_s: float, end_s: float, interval_s: float
) -> Samples:
    """Means over successive intervals; an interval needn't be a whole number of samples.

    A sample stands for the half interval before it and the half after. What that takes off the area
    under a smooth curve, its slope at an edge tells (Euler-Maclaurin formula, to the second power of
    frequency over rate): cut in the middle of a sample, else (pi f / rate)^2 / 3 of a sine is lost.
    """
    edges = _edges(samples, sample_rate_hz, start_s, end_s, interval_s)
    if edges.size < 2:
        return np.empty(0)
    first = int(edges[0])
    part, edges = samples[first : int(edges[-1]) + 1], edges - first
    # keeps the running sum small, and so exact; what lies outside mustn't add its rounding either
    middle = float(np.mean(part))
    area = np.concatenate(([0.0], np.cumsum(part - middle)))
    whole = np.minimum(edges.astype(np.int64), part.size - 1)
    cut = edges - whole
    at_edge = area[whole] + cut * (part[whole] - middle)
    at_edge += (1.0 / 24.0 - cut * (1.0 - cut) / 2.0) * _slopes(samples, first + whole)
    return np.asarray(np.diff(at_edge) / (interval_s * sample_rate_hz) + middle)


def _slopes(samples: Samples, at: NDArray[np.int64]) -> Samples:
    """Slope at some samples, V a sample, by the ones before and after."""
    before, after = np.maximum(at - 1, 0), np.minimum(at + 1, samples.size - 1)
    return np.asarray((samples[after] - samples[before]) / np.maximum(after - before, 1))


def _edges(
    samples: Samples, sample_rate_hz: float, start_s: float, end_s: float, interval_s: float
) -> Samples:
    """Ends of successive intervals, in samples; sample k reaches from k to k + 1."""
    count = max(int((end_s - start_s) / interval_s + 1e-9), 0)
    edges = (start_s + interval_s * np.arange(count + 1)) * sample_rate_hz + 0.5
    return np.asarray(edges[edges <= samples.size + 1e-6])


def _curve_means(
    samples: Samples, sample_rate_hz: float, start_s: float, end_s: float, interval_s: float
) -> Samples:
    """The same of a smooth curve (cubic spline) through the samples.

    With few samples a cycle what a slope tells is not enough: 2 parts in a thousand are lost at 15 Hz
    and 200 samples/s, by the spline 1 in ten thousand.
    """
    edges = _edges(samples, sample_rate_hz, start_s, end_s, interval_s)
    if edges.size < 2:
        return np.empty(0)
    first = max(int(edges[0]) - 1, 0)
    part = samples[first : int(edges[-1]) + 2]
    curve = scipy.interpolate.CubicSpline(first + np.arange(part.size) + 0.5, part)
    return np.asarray(np.diff(curve.antiderivative()(edges)) / (interval_s * sample_rate_hz))


def clicks(value: Samples) -> NDArray[np.bool_]:
    """Points more than 8 robust standard deviations from the median of the 11 around them.

    Towards the ends the median narrows, always centred, so that a steep start isn't a click.
    """
    if value.size < 5:
        return np.zeros(value.size, dtype=bool)
    away = np.abs(value - _running_median(value))
    # a smooth course leaves almost no deviation at all: scatter of neighbours is the scale then
    scale = max(ROBUST * float(np.median(away)), _point_noise(value, 0.5))
    return np.asarray(away > _CLICK_SD * scale) if scale else np.zeros(value.size, dtype=bool)


def _running_median(value: Samples) -> Samples:
    """Median of up to 11 points centred on each."""
    half = _MEDIAN_POINTS // 2
    median = value.copy()
    if value.size >= _MEDIAN_POINTS:
        windows = np.lib.stride_tricks.sliding_window_view(value, _MEDIAN_POINTS)
        median[half : value.size - half] = np.median(windows, axis=1)
    for k in range(1, min(half, (value.size - 1) // 2 + 1)):
        median[k] = np.median(value[: 2 * k + 1])
        median[-1 - k] = np.median(value[-2 * k - 1 :])
    return median


def _point_noise(value: Samples, neighbour_correlation: float) -> float:
    """Standard deviation of a point; 0 where there are too few to tell."""
    if value.size < _LEAST_SCATTER:
        return 0.0
    return scatter_about_course(value, neighbour_correlation)


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Where something was switched: time_s from the record's start; is_found, or the start taken.

    doubt_s: standard uncertainty of the time, where noise or hum are about as large as what happened.
    """

    time_s: float
    is_found: bool
    doubt_s: float = 0.0


def find_event(samples: Samples, sample_rate_hz: float, mains_hz: float) -> Event:
    """The moment of a relay's closure or a step: a lasting jump of the trend, else the first click.

    A record that starts on one exact value for over two cycles tells it at once. Otherwise a
    click alone comes back to where it was within a point or two, and a decay is as steep beside
    any of its points as at it; a step is neither. The moment itself is taken from the samples.
    """
    duration_s = samples.size / sample_rate_hz
    rest = rest_length(samples)
    rest_s = rest / sample_rate_hz
    if rest >= _LEAST_REST and 2.0 / mains_hz < rest_s < duration_s:
        return Event(time_s=rest_s, is_found=True)
    trend = find_trend(samples, sample_rate_hz, start_s=0.0, end_s=duration_s, mains_hz=mains_hz)
    raw = _raw_points(samples, sample_rate_hz, mains_hz, trend)
    coarse_s = _lasting_jump_s(raw, trend.step_s)
    if coarse_s is not None:
        return find_onset(samples, sample_rate_hz, coarse_s, trend.step_s, mains_hz)
    click_s = _first_click_s(samples, sample_rate_hz)
    return Event(time_s=click_s or 0.0, is_found=click_s is not None)


def rest_length(samples: Samples) -> int:
    """Number of samples, from the first, that equal the first."""
    moves = samples != samples[0]
    return int(np.argmax(moves)) if np.any(moves) else samples.size


def _raw_points(samples: Samples, sample_rate_hz: float, mains_hz: float, trend: Trend) -> Samples:
    """One-cycle means, clicks included, on a grid from the start of the record."""
    if not trend.kernel_s:
        return samples
    end_s = samples.size / sample_rate_hz
    return interval_means(samples, sample_rate_hz, 0.0, end_s, 1.0 / mains_hz)


def _lasting_jump_s(value: Samples, step_s: float) -> float | None:
    """Time of the largest jump that lasts, None where no jump stands out of the scatter."""
    if value.size < 12:
        return None
    windows = np.median(np.lib.stride_tricks.sliding_window_view(value, 3), axis=1)
    # jump[i]: between the medians of points i..i+2 and i+4..i+6, the point i+3 left out
    jump = np.abs(windows[4:] - windows[:-4])
    far = 4
    beside = np.maximum(
        np.concatenate((np.zeros(far), jump[:-far])), np.concatenate((jump[far:], np.zeros(far)))
    )
    sharp = jump - beside
    scatter = ROBUST * float(np.median(np.abs(jump - np.median(jump)))) + float(np.median(jump))

    def stands_out(at: int) -> bool:
        # at the very ends nothing tells a step from a steep start
        is_end = at < far or at >= jump.size - far
        if is_end and beside[at] > 0.25 * jump[at]:
            return False
        return bool(sharp[at] > 8.0 * scatter and sharp[at] >= 0.5 * jump[at])

    best = int(np.argmax(sharp))
    if not stands_out(best):
        return None
    latest = jump.size - _LEAST_AFTER
    if _is_pulse(windows, best) or best > latest:
        others = np.flatnonzero(sharp[: max(latest, 0)] > _BESIDE_A_PULSE * sharp[best])
        lasting = [k for k in others.tolist() if stands_out(k) and not _is_pulse(windows, k)]
        best = max(lasting, key=lambda k: float(sharp[k]), default=best)
    return (best + 3) * step_s


def _is_pulse(windows: Samples, at: int) -> bool:
    """Whether a jump, of running medians, is the edge of a pulse: level, then suddenly back."""
    edges = (windows[at], windows[at + 4 :]), (windows[at + 4], windows[at::-1])
    for outside, inside in edges:
        height = np.abs(inside[:_LONGEST_PULSE] - outside)
        is_back = height < 0.15 * height[0]
        back = int(np.argmax(is_back))
        is_level = height[1 : max(back - 1, 2)] > 0.5 * np.max(height[: back + 1])
        if back >= 2 and np.all(is_level) and np.all(is_back[back : back + 5]):
            return True
    return False


def find_onset(
    samples: Samples, sample_rate_hz: float, coarse_s: float, step_s: float, mains_hz: float
) -> Event:
    """First sample that leaves the quiet before a jump known to a few points."""
    coarse = Event(time_s=coarse_s, is_found=True, doubt_s=2.0 * step_s)
    quiet_end = int(max(coarse_s - 4.0 * step_s, 0.2 * coarse_s) * sample_rate_hz)
    cycle = round(sample_rate_hz / mains_hz)
    first = quiet_end - int(20 * step_s * sample_rate_hz)
    first = max(first, cycle if quiet_end >= 2 * cycle else 0)
    end = int((coarse_s + 5.0 * step_s) * sample_rate_hz) + 2
    near = samples[first:end]
    size = quiet_end - first
    if size < 3:
        return coarse
    level = float(np.median(near[:size]))
    lasting = abs(float(np.median(near[-max((near.size - size) // 4, 1) :])) - level)
    moved = np.abs(near - level)
    if cycle >= _LEAST_CYCLE and first >= cycle:
        # against the sample a mains cycle before, hum is next to nothing, noise 1.4 times as much
        against = np.abs(near - samples[first - cycle : first - cycle + near.size])
        if _crest(against[:size]) < _crest(moved[:size]):
            moved = against
    # five standard deviations of noise; the second term is for hum, which has long crests
    scatter = ROBUST * float(np.median(moved[:size]))
    threshold = max(5.0 * scatter, 1.5 * _crest(moved[:size]), 0.02 * lasting)
    away = moved[size:] > threshold
    if not np.any(away):
        return coarse
    time_s = (quiet_end + int(np.argmax(away))) / sample_rate_hz
    is_clear = lasting > _CLEAR * threshold  # else noise may hide its first milliseconds
    return Event(time_s=time_s, is_found=True, doubt_s=0.0 if is_clear else step_s / 2.0)


def _crest(size: Samples) -> float:
    """What one in fifty exceeds."""
    return float(np.quantile(size, 0.98))


def _first_click_s(samples: Samples, sample_rate_hz: float) -> float | None:
    """Time of the first sample far out of all others' scatter, None without one."""
    if sample_rate_hz < 1000.0:
        return None
    away = np.abs(samples - np.median(samples))
    highest = float(np.max(away))
    scatter = ROBUST * float(np.median(away))
    if highest <= 12.0 * scatter:
        return None
    return int(np.argmax(away > max(6.0 * scatter, 0.3 * highest))) / sample_rate_hz
