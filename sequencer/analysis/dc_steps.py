"""Steps of the DC within a record: a relay, a contact that gives way, a range that was switched.

Theory of operation. The record, its lines taken off, is cut into cells of a quarter of a mains cycle,
and each replaced by its median, which no click moves. At a step the median of eight cells (two cycles:
what is left of the hum goes with it) differs from that of the eight before by far more than elsewhere;
elsewhere tells of 1/f noise too. A drift does that slowly: a step has half of its size within as few
samples as its noise lets it be seen in. Steps again and again are noise themselves (burst noise).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

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


@dataclass(frozen=True, slots=True, kw_only=True)
class DcStep:
    """A step of the DC: when, s from the record's beginning, and by how much, V, with its sign."""

    at_s: float
    size_v: float


def find_dc_steps(
    record: Samples,
    sample_rate_hz: float,
    mains_hz: float,
    rest_of: Callable[[Samples], Samples],
    *,
    code_v: float,
) -> tuple[DcStep, ...]:
    """The steps of a record's DC in order of time; none where there are too many to be any.

    Parameters
    ----------
    record : shape (n,), volts
    rest_of : what is left of a record of that shape without its lines
    code_v : what the samples were rounded to when they were taken, V
    """
    cell = max(round(sample_rate_hz / mains_hz / _CELLS_A_CYCLE), 1)
    if record.size // cell < _FEWEST_CELLS:
        return ()
    found: tuple[DcStep, ...] = ()
    left = record
    for _ in range(2 * _MOST_STEPS):
        step = _largest(rest_of(left), sample_rate_hz, cell, _MOST_CODES * code_v)
        if step is None:
            break
        found = joined((*found, step), mains_hz)
        if len(found) > _MOST_STEPS:
            return ()
        left = record - course_of(found, sample_rate_hz, record.size)
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
            step = replace(near[0], size_v=near[0].size_v + step.size_v)
        whole.append(step)
    return tuple(sorted(whole, key=lambda step: step.at_s))


def course_of(steps: Sequence[DcStep], sample_rate_hz: float, count: int) -> Samples:
    """What steps add to a record of so many samples, V, beside its mean."""
    course_v = np.zeros(count)
    for step in steps:
        course_v[round(step.at_s * sample_rate_hz) :] += step.size_v
    return np.asarray(course_v - course_v.mean())


def _largest(rest: Samples, sample_rate_hz: float, cell: int, least_v: float) -> DcStep | None:
    """The largest step of a record without lines, over least_v; None for none."""
    cells = rest.size // cell
    middles = np.median(rest[: cells * cell].reshape(cells, cell), axis=1)
    sides = np.median(np.lib.stride_tricks.sliding_window_view(middles, _SIDE), axis=1)
    over = sides[_SIDE + 1 :] - sides[: -_SIDE - 1]  # of cell _SIDE, and on
    beside = np.pad(over, _SIDE + 1, mode="edge")
    over = (
        over - (beside[: over.size] + beside[-over.size :]) / 2
    )  # what a drift does all the while
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
    is_step = _is_sharp(rest, at, size_v, _SIDE * cell)
    return DcStep(at_s=at / sample_rate_hz, size_v=size_v) if is_step else None


def _is_sharp(rest: Samples, at: int, size_v: float, most: int) -> bool:
    """Whether a step shows between as few samples to both sides as the noise lets it."""
    around = rest[max(at - most, 0) : at + most]
    noise_v = ROBUST * float(np.median(np.abs(np.diff(around)))) / math.sqrt(2)
    few = math.ceil(2 * (_SURE * noise_v / (_SHARP * size_v)) ** 2)
    few = min(max(few, 1), most, at, rest.size - at)
    if few < 1:
        return False
    moved_v = float(rest[at : at + few].mean() - rest[at - few : at].mean())
    return moved_v / size_v > _SHARP
