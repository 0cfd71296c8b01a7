"""Steps of the DC within a record: a relay, a contact that gives way, a range that was switched.

Theory of operation. The record, its lines taken off, is cut into cells of a quarter of a mains cycle,
and each replaced by its median, which no click moves. At a step the median of eight cells (two cycles:
what is left of the hum goes with it) differs from that of the eight before by far more than elsewhere;
elsewhere tells of 1/f noise too. A drift does that slowly: a step has half of its size within some
milliseconds, for any filter on its way makes its edge last, and beside them as few samples as its noise
lets it be seen in. Steps again and again are noise themselves (burst noise).
An edge that shows is taken off with its step: the record's mean course around it, over stretches that
widen with the distance as all that rings or decays does, so that little noise goes with it.
"""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import ROBUST, Samples

_CELLS_A_CYCLE = 4  # of the mains
_SIDE = 8  # cells before and after
_FEWEST_CELLS = 48
_SURE = 8.0  # standard deviations
_FEW_SIDES = 8.0  # as many independent sides make the scale half as sure again
_MOST_CODES = 2.0  # medians of a record of few codes toggle by one
_SHARP = 0.5
_ROUNDING = 1e-9  # of the record's largest value: the computation's own
_MOST_STEPS = 4
_TOGETHER_CYCLES = 0.5
_EDGE_S = 8e-3  # to either side of where it is half done
_EDGE_CELLS = 16  # the longest that is looked at, to either side
_EDGE_ROUNDS = 4  # a fit of lines takes some of what is left of an edge
_SINGLE = 48  # samples beside an edge, each by itself: filters ring at up to half the sample rate
_WIDENING = 0.04  # of the distance
_QUIET = 8  # stretches in a row, after which an edge is over
_SEEN, _STEEP = 4.0, 5.0  # standard deviations; of one of some, of one of some hundred
_MOST_WANDER = 0.02  # of the step, far from it
_LEVEL_SHARE = 4  # the outer quarter is the level beside


@dataclass(frozen=True, slots=True)
class Edge:
    """What a record does around a step beside the step itself: first sample, and shape (n,), volts."""

    first: int
    course_v: Samples


@dataclass(frozen=True, slots=True, kw_only=True)
class DcStep:
    """A step of the DC: when, s from the record's beginning, and by how much, V, with its sign.

    edges is empty where the edge doesn't show beside the noise.
    """

    at_s: float
    size_v: float
    edges: tuple[Edge, ...] = field(default=(), compare=False, repr=False)


def find_dc_steps(
    record: Samples,
    sample_rate_hz: float,
    mains_hz: float,
    rest: Samples,
    rest_of: Callable[[Samples], Samples],
    *,
    code_v: float,
) -> tuple[DcStep, ...]:
    """The steps of a record's DC in order of time; none where there are too many to be any.

    Parameters
    ----------
    record : shape (n,), volts
    rest : what is left of it without its lines
    rest_of : the same of any record of that shape
    code_v : what the samples were rounded to when they were taken, V
    """
    cell = max(round(sample_rate_hz / mains_hz / _CELLS_A_CYCLE), 1)
    if record.size // cell < _FEWEST_CELLS:
        return ()
    found: tuple[DcStep, ...] = ()
    for _ in range(2 * _MOST_STEPS):
        step = _largest(rest, sample_rate_hz, cell, _MOST_CODES * code_v)
        if step is None:
            break
        found = joined((*found, step), mains_hz)
        if len(found) > _MOST_STEPS:
            return ()
        found = _with_edges(found, record, sample_rate_hz, _EDGE_CELLS * cell, rest_of)
        rest = rest_of(record - course_of(found, sample_rate_hz, record.size))
    return found


def joined(steps: Sequence[DcStep], mains_hz: float) -> tuple[DcStep, ...]:
    """Steps in order of time; what was left of one when it was taken off is part of it.

    Lines and drift are fitted beside a step, and draw it smaller at first.
    """
    whole: list[DcStep] = []
    for step in steps:
        near = [k for k in whole if abs(k.at_s - step.at_s) * mains_hz <= _TOGETHER_CYCLES]
        if near:
            whole.remove(near[0])
            step = replace(
                near[0],
                size_v=near[0].size_v + step.size_v,
                edges=(*near[0].edges, *step.edges),
            )
        whole.append(step)
    return tuple(sorted(whole, key=lambda step: step.at_s))


def course_of(steps: Sequence[DcStep], sample_rate_hz: float, count: int) -> Samples:
    """What steps add to a record of so many samples, V, beside its mean."""
    course_v = np.zeros(count)
    for step in steps:
        course_v[round(step.at_s * sample_rate_hz) :] += step.size_v
        for edge in step.edges:
            course_v[edge.first : edge.first + edge.course_v.size] += edge.course_v
    return np.asarray(course_v - course_v.mean())


def _largest(rest: Samples, sample_rate_hz: float, cell: int, least_v: float) -> DcStep | None:
    """The largest step of a record without lines, over least_v; None for none."""
    cells = rest.size // cell
    middles = np.median(rest[: cells * cell].reshape(cells, cell), axis=1)
    sides = np.median(np.lib.stride_tricks.sliding_window_view(middles, _SIDE), axis=1)
    over = sides[_SIDE + 1 :] - sides[: -_SIDE - 1]  # of cell _SIDE, and on
    beside = np.pad(over, _SIDE + 1, mode="edge")
    over = over - (beside[: over.size] + beside[-over.size :]) / 2  # a drift goes on all the while
    usual_v = ROBUST * float(np.median(np.abs(over)))
    sure = _SURE * (1 + _FEW_SIDES * _SIDE / over.size)
    own_v = max(_ROUNDING * float(np.abs(rest).max()), least_v)
    k = int(np.argmax(np.abs(over)))
    size_v = float(over[k])
    if not abs(size_v) > max(sure * usual_v, own_v):
        return None
    # where the sum of what lies below half way is greatest, the other half begins
    first, end = k * cell, (k + 2 * _SIDE + 1) * cell
    half_v = float(sides[k]) + size_v / 2
    toward = np.cumsum(rest[first:end] - half_v) * math.copysign(1.0, size_v)
    at = first + 1 + int(np.argmin(toward))
    edge = round(_EDGE_S * sample_rate_hz)
    is_step = _is_sharp(rest, at, size_v, edge, _SIDE * cell)
    return DcStep(at_s=at / sample_rate_hz, size_v=size_v) if is_step else None


def _is_sharp(rest: Samples, at: int, size_v: float, edge: int, most: int) -> bool:
    """Whether a step shows between as few samples to both sides as the noise lets it.

    They may lie an edge of so many samples apart where both sides are calm.
    """
    noise_v = _noise_v(rest[max(at - most, 0) : at + most])
    few = math.ceil(2 * (_SURE * noise_v / (_SHARP * size_v)) ** 2)
    few = min(max(few, 1), most, at, rest.size - at)
    if few < 1:
        return False

    def shows(apart: int) -> bool:
        after, before = at + apart, at - apart
        if before < few or after + few > rest.size:
            return False
        moved_v = float(rest[after : after + few].mean() - rest[before - few : before].mean())
        return moved_v / size_v > _SHARP

    beside = (rest[max(at - edge - most, 0) : max(at - edge, 0)][::-1], rest[at + edge :][:most])
    return shows(0) or (
        shows(edge) and all(_is_calm(side, most // _SIDE, abs(size_v)) for side in beside)
    )


def _is_calm(side: Samples, cell: int, size_v: float) -> bool:
    """Whether what lies beside an edge moves by less than half of it: neither a drift nor hum."""
    means = side[: side.size // cell * cell].reshape(-1, cell).mean(axis=1)
    return means.size > 0 and float(np.ptp(means)) < _SHARP * size_v


def _noise_v(around: Samples) -> float:
    return ROBUST * float(np.median(np.abs(np.diff(around)))) / math.sqrt(2)


def _with_edges(
    steps: tuple[DcStep, ...],
    record: Samples,
    sample_rate_hz: float,
    most: int,
    rest_of: Callable[[Samples], Samples],
) -> tuple[DcStep, ...]:
    """Steps with their edges, of most samples to either side but for the half way to the next step."""
    at = [round(step.at_s * sample_rate_hz) for step in steps]
    near = round(_EDGE_S * sample_rate_hz)
    for _ in range(_EDGE_ROUNDS):
        course_v = course_of(steps, sample_rate_hz, record.size)
        whole = rest_of(record - course_v) + course_v
        bounds = [0, *((a + b) // 2 for a, b in itertools.pairwise(at)), record.size]
        steps = tuple(
            replace(
                step,
                edges=_edges(whole[: bounds[i + 1]], at[i], step.size_v, bounds[i], near, most),
            )
            for i, step in enumerate(steps)
        )
        if not any(step.edges for step in steps):
            break
    return steps


def _edges(
    whole: Samples, at: int, size_v: float, first: int, near: int, most: int
) -> tuple[Edge, ...]:
    """The edge of a step in a record without lines, from first on; none where it doesn't show.

    near : how far from where it is half done it may begin: there it is steepest, if that shows
    """
    first, end = max(first, at - most), min(whole.size, at + most)
    around = whole[first:end] - _slope_v(whole[first:end], at - first) * np.arange(end - first)
    low, high = max(at - near - first, 0), min(at + near, end) - first
    if high - low < 2:
        return ()
    noise_v = _noise_v(around)
    rises_v = np.abs(np.diff(around[low:high]))
    is_known = float(rises_v.max()) > _STEEP * math.sqrt(2) * noise_v
    middle = low + 1 + int(np.argmax(rises_v)) if is_known else at - first
    before, is_before, before_v = _one_side(around[:middle][::-1], noise_v, size_v)
    after, is_after, after_v = _one_side(around[middle:], noise_v, size_v)
    if not abs(after_v - before_v - size_v) < _SHARP * abs(size_v):  # no edge, but a pulse
        return ()
    middle += first
    if not (is_before or is_after):
        return ()
    begin, stop = min(middle - before.size, at), max(middle + after.size, at)
    course_v = np.concatenate(
        [
            np.full(middle - before.size - begin, before_v),
            before[::-1],
            after,
            np.full(stop - middle - after.size, after_v),
        ]
    )
    course_v[: at - begin] -= before_v
    course_v[at - begin :] -= after_v
    return (Edge(begin, course_v),)


def _slope_v(around: Samples, at: int) -> float:
    """What a drift does to both sides of a step, V a sample: the lesser of their slopes."""
    slopes = []
    for side in (around[:at], around[at:][::-1]):  # from the outside
        part = side.size // _LEVEL_SHARE
        if part == 0:
            return 0.0
        slopes.append(float(np.median(side[part : 2 * part]) - np.median(side[:part])) / part)
    before, after = slopes[0], -slopes[1]
    return min(before, after, key=abs) if before * after > 0.0 else 0.0


def _one_side(side: Samples, noise_v: float, size_v: float) -> tuple[Samples, bool, float]:
    """The mean course of what lies to one side of an edge, nearest first; whether it shows; the level.

    The course fades out over a few stretches after it was last seen, and is empty where it isn't over:
    what still moves then is no edge.
    """
    level_v = float(np.median(side[-max(side.size // _LEVEL_SHARE, 1) :]))
    starts = _stretches(side.size)
    widths = np.diff(np.append(starts, side.size))
    means = np.add.reduceat(side, starts) / widths
    off = np.abs(means - level_v)
    wander_v = ROBUST * float(np.median(off[starts >= side.size // 2]))  # 1/f noise, a drift
    if wander_v > max(_MOST_WANDER * abs(size_v), noise_v):
        return side[:0], False, level_v
    is_seen = off > _SEEN * np.maximum(noise_v / np.sqrt(widths), wander_v)
    seen_next = np.convolve(is_seen, np.ones(_QUIET))[_QUIET - 1 :]
    over = int(np.argmin(seen_next > 0.0))
    if seen_next[over] > 0.0:
        return side[:0], False, level_v
    count = starts[min(over + _QUIET, starts.size - 1)]
    at = np.arange(count)
    fading = np.interp(at, (starts[over], count), (1.0, 0.0))
    course_v = level_v + fading * np.interp(at, starts + (widths - 1) / 2, means - level_v)
    return course_v, over > 0, level_v


def _stretches(count: int) -> NDArray[np.intp]:
    """Where stretches begin that widen with the distance."""
    far = max(math.log(max(count, 1) / _SINGLE), 0.0) / math.log1p(_WIDENING)
    wide = np.rint(_SINGLE * (1 + _WIDENING) ** np.arange(1, math.ceil(far))).astype(np.intp)
    return np.unique(np.append(np.arange(min(_SINGLE, count)), wide[wide < count]))
