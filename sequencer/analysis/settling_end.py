"""Where a settling voltage comes to, and whether it stays there: by its course or its last points."""

import numpy as np

from sequencer.analysis.arrays import Samples
from sequencer.analysis.estimates import COVER, Estimate
from sequencer.analysis.settling_time import beyond_v, points_for
from sequencer.analysis.trend import Trend
from sequencer.analysis.trend_models import Course

_LONGEST_TAU_RECORDS = 5.0


def last_tenth(values: Samples) -> Samples:
    """The end of a record, or of a trend's points; three of them at least."""
    return values[-max(values.size // 10, 3) :]


def mean_of_end(trend: Trend) -> Estimate:
    """Mean of the last tenth of the record, V."""
    return _mean_of(last_tenth(trend.value_v), trend.neighbour_correlation)


def end_may_leave(trend: Trend, band: tuple[float, float]) -> bool:
    """Whether the last two tenths, straight on for another record's time, may leave the band."""
    last = last_tenth(trend.value_v)
    before = trend.value_v[-2 * last.size : -last.size]
    was, ends = (_mean_of(tenth, trend.neighbour_correlation) for tenth in (before, last))
    doubt_v = float(np.hypot(was.standard_uncertainty, ends.standard_uncertainty))
    moved_v = (ends.value or 0.0) - (was.value or 0.0)
    tenths = trend.value_v.size / last.size
    later_v = (ends.value or 0.0) + tenths * (moved_v + COVER * doubt_v * np.array([-1.0, 1.0]))
    return bool(np.any(beyond_v(later_v, band) > 0.0))


def _mean_of(values: Samples, neighbour_correlation: float) -> Estimate:
    """Mean of points, with the doubt that their scatter leaves."""
    points = values.size / (1.0 + 2.0 * neighbour_correlation)
    scatter = float(np.std(values, ddof=1) / np.sqrt(max(points, 1.0)))
    return Estimate(value=float(np.mean(values)), standard_uncertainty=scatter)


def touches_edge(final: Estimate, band: tuple[float, float]) -> bool:
    """Whether the doubt of the final value reaches over an edge of the band."""
    reach = COVER * final.standard_uncertainty
    return final.value is not None and any(abs(final.value - edge) < reach for edge in band)


def may_leave(course: Course, band: tuple[float, float], record_s: float) -> bool:
    """Whether a course that has no end in sight may leave the band in another record's time."""
    time = np.linspace(record_s, 2.0 * record_s, points_for(course, record_s))
    highest = beyond_v(course.value_v(time), band) + COVER * course.doubt_v(time)
    return bool(np.any(highest > 0.0))


def outlasts(rates: Samples, record_s: float) -> bool:
    """Whether the slowest of some parts outlasts the record by so much that its end can't be told."""
    return bool(np.any(rates * record_s * _LONGEST_TAU_RECORDS < 1.0))


def drifts(course: Course, band: tuple[float, float], record_s: float) -> bool:
    """Whether a course moves on without an end in sight, its ring apart."""
    if course.kind in ("steady", "ringing"):
        return False
    if course.kind == "sloping":
        return True
    slow = course.rates[1:] if course.rings else course.rates
    return outlasts(slow, record_s) or end_is_unknown(course, band, record_s)


def end_is_unknown(course: Course, band: tuple[float, float], record_s: float) -> bool:
    """Whether a course moves at the record's end and the doubt of its end is as wide as the band."""
    doubt_v = course.end_estimate().standard_uncertainty
    if 2.0 * COVER * doubt_v <= band[1] - band[0] or course.kind == "steady":
        return False
    moving = course.linear[1:2] if course.kind == "stepped" else course.linear[1:]
    left_v = float(np.sum(np.abs(moving)) * np.exp(-np.min(course.rates) * record_s))
    return left_v > doubt_v


def over_at_s(
    course: Course, band: tuple[float, float], record_s: float, zero_v: float
) -> float | None:
    """When all swings of a course are over, with two standard deviations to spare; None if never."""
    final = float(course.linear[0])
    doubt_v = float(np.hypot(course.end_estimate().standard_uncertainty, zero_v))
    room = min(band[1] - final, final - band[0]) - COVER * doubt_v
    if room <= 0.0:
        return None
    if course.kind == "steady":
        return 0.0
    swing = float(np.sum(np.abs(course.linear[1:])))
    slowest = 1.0 / float(np.min(course.rates))
    over_s = slowest * max(np.log(max(swing, room) / room), 0.0)
    step_s = 0.0 if course.step_s is None else course.step_s.value or 0.0
    return float(max(over_s, step_s) + 0.01 * record_s)
