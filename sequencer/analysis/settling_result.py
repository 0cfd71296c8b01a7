"""How a voltage settled, in numbers: what follows from the course that describes its trend."""

from dataclasses import dataclass, replace

import numpy as np

from sequencer.analysis.arrays import Samples
from sequencer.analysis.estimates import COVER, Estimate
from sequencer.analysis.excursions import Excursion
from sequencer.analysis.fast_ringing import FastRinging
from sequencer.analysis.settling_end import (
    drifts,
    end_is_unknown,
    end_may_leave,
    may_leave,
    mean_of_end,
    outlasts,
    over_at_s,
    touches_edge,
)
from sequencer.analysis.settling_time import time_by_course, time_by_points
from sequencer.analysis.steady_tones import SteadyTone
from sequencer.analysis.trend import Event, Trend
from sequencer.analysis.trend_models import Course

_HALF_PASSED = 0.60335  # sin(pi x)/(pi x) is one half; x in cycles within the two mains cycles


@dataclass(frozen=True, slots=True, kw_only=True)
class SettlingResult:
    """How a voltage settled. Times of estimates are counted from event_s; voltages are DC.

    settling_time_s is the last time the trend lies outside band_v, without value where it stays
    outside or nothing can be said. final_value_v is where the course ends; where it has no end in sight
    (is_drifting) what it has at the end of the record, without its ring; where no course describes the
    trend the mean of the record's last tenth. step_s: when the course steps, step_v: by how much.
    slope_v_per_s: with what slope it drifts on beside its decay. ring_amplitude_v is that at the event,
    or, where it surely grows (is_growing), at the end of the record. is_drifting: the trend moves
    on at the end of the record, with no end in sight. is_end_open: the record doesn't tell whether it
    ends inside the band. too_fast_hz: it rings at this frequency, faster than fastest_hz and so than
    can be followed, and only final_value_v is known; may_be_hum: or hum dies away there, which nothing
    tells from ringing; is_too_fast_late: or a pulse or a tone that begins later looks like it.
    trend_time_s (from the event), trend_v and course_v are for a plot; course_v is None where no course
    describes the trend. excursions: where the band is left after the course entered it; one that is no
    click moves settling_time_s to its end. left_out: what lies off the course before it settles, heights
    beside the course, and moves nothing. steady_tones were taken off. begins_s: so long after the
    event given the voltage moves at all, known to begin_doubt_s; the course and its ring are counted
    from then.
    """

    settling_time_s: Estimate
    time_constant_s: Estimate | None
    final_value_v: Estimate
    ring_frequency_hz: Estimate | None
    ring_time_constant_s: Estimate | None
    ring_amplitude_v: Estimate | None
    is_settled: bool
    is_oscillating: bool
    is_growing: bool
    is_extrapolated: bool
    is_drifting: bool
    is_end_open: bool
    step_s: Estimate | None
    step_v: Estimate | None
    slope_v_per_s: Estimate | None
    too_fast_hz: float | None
    may_be_hum: bool
    is_too_fast_late: bool
    fastest_hz: float
    event_s: float
    event_doubt_s: float
    is_event_found: bool
    band_v: tuple[float, float]
    trend_time_s: Samples
    trend_v: Samples
    course_v: Samples | None
    excursions: tuple[Excursion, ...] = ()
    left_out: tuple[Excursion, ...] = ()
    steady_tones: tuple[SteadyTone, ...] = ()
    begins_s: float = 0.0
    begin_doubt_s: float = 0.0


def result_of(
    trend: Trend,
    course: Course,
    event: Event,
    end_s: float,
    band: tuple[float, float],
    zero_v: float,
    rounding_v2: float,
) -> SettlingResult:
    """What follows from the course of a trend.

    Parameters
    ----------
    end_s : the record's end after the event
    band : lower and upper edge, V
    zero_v : standard uncertainty of the voltages' zero; it moves when the band is entered
    rounding_v2 : variance of the final value by the samples' rounding
    """
    record_s = float(trend.time_s[-1]) - event.time_s
    is_described = course.rms_v < max(8.0 * trend.noise_v, 0.1 * (band[1] - band[0]) / 2.0)
    # a pulse that no course describes bends one as if it went on, and then it isn't believed alone
    is_believed = is_described or course.rings or end_may_leave(trend, band)
    is_endless = is_believed and (
        course.kind == "sloping"
        or outlasts(course.rates, record_s)
        or end_is_unknown(course, band, record_s)
    )
    has_end = is_described and not is_endless
    is_drifting = is_believed and drifts(course, band, record_s)
    if course.kind in ("steady", "ringing") or (is_described and not is_drifting):
        final = course.end_estimate()
    elif is_described:
        final = course.slow_estimate(end_s)
    else:
        final = mean_of_end(trend)
    final = _with_variance(final, rounding_v2)
    if has_end:
        horizon_s = over_at_s(course, band, record_s, zero_v)
        time = time_by_course(course, band, horizon_s, zero_v, _step(course, trend))
    elif is_described:
        time = time_by_course(course, band, record_s, zero_v)
    else:
        time = time_by_points(trend, event.time_s, band, zero_v)
    is_inside = final.value is not None and band[0] < final.value < band[1]
    is_open = touches_edge(final, band) or (is_endless and may_leave(course, band, record_s))
    is_given = is_inside and time.value is not None and not is_open
    is_beyond = time.value is not None and time.value > record_s
    ringing = course.rings
    is_growing = ringing and _grows(course)
    return SettlingResult(
        settling_time_s=_with_variance(time, event.doubt_s**2)
        if is_given
        else Estimate(value=None),
        time_constant_s=None
        if ringing or outlasts(course.rates, record_s)
        else _time_constant(course),
        step_s=_step(course, trend) if is_described else None,
        step_v=course.step_v if is_described else None,
        slope_v_per_s=course.slope_estimate if is_described else None,
        final_value_v=final,
        ring_frequency_hz=course.nonlinear_estimate(1) if ringing else None,
        ring_time_constant_s=_time_constant(course) if ringing else None,
        ring_amplitude_v=course.ring_amplitude_v(end_s if is_growing else 0.0) if ringing else None,
        is_settled=is_given and not is_beyond,
        is_oscillating=ringing,
        is_growing=is_growing,
        is_extrapolated=is_given and is_beyond,
        is_drifting=is_drifting,
        is_end_open=is_open,
        too_fast_hz=None,
        may_be_hum=False,
        is_too_fast_late=False,
        fastest_hz=fastest_followed_hz(trend),
        event_s=event.time_s,
        event_doubt_s=event.doubt_s,
        is_event_found=event.is_found,
        band_v=band,
        trend_time_s=trend.time_s - event.time_s,
        trend_v=trend.value_v,
        course_v=course.value_v(trend.time_s - event.time_s) if is_described else None,
    )


def unfollowed(result: SettlingResult, ringing: FastRinging) -> SettlingResult:
    """The result without what ringing too fast to be followed makes unknown."""
    return replace(
        result,
        settling_time_s=Estimate(value=None),
        time_constant_s=None,
        ring_frequency_hz=None,
        ring_time_constant_s=None,
        ring_amplitude_v=None,
        is_settled=False,
        is_oscillating=True,
        is_growing=False,
        is_extrapolated=False,
        is_drifting=False,
        is_end_open=False,
        too_fast_hz=ringing.frequency_hz,
        may_be_hum=ringing.may_be_hum,
        is_too_fast_late=ringing.is_late,
        step_s=None,
        step_v=None,
        slope_v_per_s=None,
        course_v=None,
    )


def counted_from(
    event: Event, later: SettlingResult, begin_doubt_s: float, rest_v: float
) -> SettlingResult:
    """A result with its times counted from an event before the one at which the voltage moves.

    Before it moves the voltage rests at rest_v, V.
    """
    delay_s = later.event_s - event.time_s

    def shifted(time: Estimate) -> Estimate:
        return time if time.value is None else replace(time, value=time.value + delay_s)

    never_left = later.settling_time_s.value == 0.0 and later.band_v[0] < rest_v < later.band_v[1]
    return replace(
        later,
        settling_time_s=later.settling_time_s if never_left else shifted(later.settling_time_s),
        step_s=None if later.step_s is None else shifted(later.step_s),
        event_s=event.time_s,
        begins_s=delay_s + later.begins_s,
        begin_doubt_s=later.begin_doubt_s if later.begins_s else begin_doubt_s,
        trend_time_s=later.trend_time_s + delay_s,
    )


def left_again(result: SettlingResult, excursions: tuple[Excursion, ...]) -> SettlingResult:
    """The result where the band is left after the course has entered it: clicks alone move no time."""
    lasting = [excursion for excursion in excursions if not excursion.is_click]
    result = replace(result, excursions=excursions)
    if not lasting:
        return result
    if lasting[-1].reaches_end:
        return replace(result, settling_time_s=Estimate(value=None), is_settled=False)
    time = Estimate(
        value=lasting[-1].stop_s - result.event_s,
        standard_uncertainty=float(np.hypot(lasting[-1].time_doubt_s, result.event_doubt_s)),
    )
    return replace(result, settling_time_s=time)


def fastest_followed_hz(trend: Trend) -> float:
    """The fastest ringing that is followed: half of it passes; four points a cycle of a slow meter."""
    return _HALF_PASSED / (2.0 * trend.kernel_s) if trend.kernel_s else 0.25 / trend.step_s


def _step(course: Course, trend: Trend) -> Estimate | None:
    """When a course steps; a sample doesn't tell when in its interval (JCGM 100, 4.3.7)."""
    return None if course.step_s is None else _with_variance(course.step_s, trend.sample_s**2 / 12)


def _with_variance(estimate: Estimate, variance: float) -> Estimate:
    """An estimate with one more variance, in its unit squared, joined in its doubt."""
    doubt = float(np.hypot(estimate.standard_uncertainty, np.sqrt(variance)))
    return replace(estimate, standard_uncertainty=doubt)


def _grows(course: Course) -> bool:
    """Whether the ring of a course surely grows."""
    rate = course.nonlinear_estimate(0)
    return rate.value is not None and rate.value < -COVER * rate.standard_uncertainty


def _time_constant(course: Course) -> Estimate | None:
    """Time constant of the slowest decay, s; None where nothing, or no ring for sure, decays."""
    if course.kind == "steady":
        return None
    count = 1 if course.rings else course.rates.size
    rate = course.nonlinear_estimate(int(np.argmin(course.nonlinear[:count])))
    least = COVER * (rate.standard_uncertainty or 0.0) if course.rings else 0.0
    if rate.value is None or rate.value <= least:
        return None
    tau = 1.0 / rate.value
    return Estimate(value=tau, standard_uncertainty=rate.standard_uncertainty * tau * tau)
