"""The last time a settling voltage lies outside a band: by its course, or by its points."""

from collections.abc import Callable

import numpy as np
import scipy

from sequencer.analysis.arrays import Samples
from sequencer.analysis.estimates import COVER, Estimate
from sequencer.analysis.trend import Trend
from sequencer.analysis.trend_models import Course

CONTACT_S = 0.06  # after the event, in which a contact's ringing hides what happens
_GRID = 4000
_AT_STEP = 1e-6  # of a time: nearer than a root is found


def time_by_course(
    course: Course,
    band: tuple[float, float],
    horizon_s: float | None,
    zero_v: float,
    step: Estimate | None = None,
) -> Estimate:
    """Last time up to a horizon at which the course lies outside the band.

    Its doubt is what the doubt of the voltage makes of it: by the slope there, or by how far the time
    moves when the band is two standard deviations wider or narrower, which is more where a swing
    hardly reaches over the edge or hardly doesn't.
    """
    if horizon_s is None:
        return Estimate(value=None)
    if not horizon_s:
        return _never_outside()
    time = np.linspace(0.0, horizon_s, points_for(course, horizon_s))
    beyond, doubt_v = beyond_v(course.value_v(time), band), course.doubt_v(time)

    def last_exit(reaches: float) -> float | None:
        """When the band is left for the last time, narrowed by so many standard deviations."""

        def height(at_s: float) -> float:
            at = np.array([at_s])
            own_v = float(np.hypot(course.doubt_v(at)[0], zero_v))
            return float(beyond_v(course.value_v(at), band)[0]) + reaches * own_v

        heights = beyond + reaches * np.hypot(doubt_v, zero_v)
        return _last_above_zero(
            time, heights, lambda k: scipy.optimize.brentq(height, time[k], time[k + 1])
        )

    last, latest = last_exit(0.0), last_exit(COVER)
    if last is None:
        return _never_outside(latest or 0.0)
    if last == time[-1]:
        return Estimate(value=None)
    earliest = last_exit(-COVER)
    moved_s = max((latest or last) - last, last - (earliest or 0.0)) / COVER
    slope = max(abs(course.slope_v_per_s(last)), 1e-300)
    by_slope_s = float(np.hypot(course.doubt_v(np.array([last]))[0], zero_v)) / slope
    doubt_s = max(by_slope_s, moved_s)
    if step is not None and abs(last - (step.value or 0.0)) <= _AT_STEP * last:
        doubt_s = max(doubt_s, step.standard_uncertainty)
    return Estimate(value=last, standard_uncertainty=doubt_s)


def _last_above_zero(
    time: Samples, height: Samples, crossing: Callable[[int], float]
) -> float | None:
    """The last time at which heights are positive; None where none is.

    crossing tells the time of 0 between a point and the next.
    """
    above = np.flatnonzero(height > 0.0)
    if not above.size:
        return None
    k = int(above[-1])
    return float(time[k]) if k + 1 == time.size else float(crossing(k))


def points_for(course: Course, horizon_s: float) -> int:
    """Enough points that no swing of a ringing course slips between two of them."""
    cycles = horizon_s * float(course.nonlinear[1]) if course.rings else 0.0
    return int(max(_GRID, min(100.0 * cycles, 1e6)))


def beyond_v(value: Samples, band: tuple[float, float]) -> Samples:
    """How far values lie outside the band, negative inside."""
    return np.maximum(value - band[1], band[0] - value)


def _never_outside(latest_s: float = 0.0) -> Estimate:
    """Zero; what happens while the contact still rings can't be seen.

    latest_s: when it may have been outside after all, at two standard deviations.
    """
    unseen_s = CONTACT_S / float(np.sqrt(3.0))
    return Estimate(value=0.0, standard_uncertainty=max(unseen_s, latest_s / COVER))


def _last_between_points(time: Samples, height: Samples) -> float | None:
    """The last time at which points are positive, straight from one to the next."""

    def crossing(k: int) -> float:
        passed = float(height[k] / (height[k] - height[k + 1]))
        return float(time[k]) + passed * float(time[k + 1] - time[k])

    return _last_above_zero(time, height, crossing)


def time_by_points(
    trend: Trend, event_s: float, band: tuple[float, float], zero_v: float
) -> Estimate:
    """Last point outside the band, where no course describes the trend; its doubt as by a course."""
    time = trend.time_s - event_s
    beyond = beyond_v(trend.value_v, band)
    reach = COVER * float(np.hypot(trend.noise_v, zero_v))
    latest = _last_between_points(time, beyond + reach)
    last = _last_between_points(time, beyond)
    if last is None:
        return _never_outside(latest or 0.0)
    if last == time[-1]:
        return Estimate(value=None)
    earliest = _last_between_points(time, beyond - reach)
    moved_s = max((latest or last) - last, last - (earliest or 0.0)) / COVER
    # behind a pulse higher than the band a point shows what was over a kernel before it
    near = beyond[(time <= last) & (time > last - 3.0 * trend.step_s)]
    is_steep = bool(np.max(near, initial=0.0) > band[1] - band[0])
    reach_s = (trend.step_s + is_steep * trend.kernel_s) / float(np.sqrt(3.0))
    return Estimate(value=last, standard_uncertainty=float(np.hypot(reach_s, moved_s)))
