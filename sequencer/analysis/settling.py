"""When a voltage has settled: the last time its trend lies outside a band, and how it gets there.

Made for the DC offset of an amplifier whose servo works while a relay still mutes the output, and
for any step. The record begins before the event or at it; the event is found by itself unless
given. The first 60 ms after it belong to the contact (a click with its ringing) and are left out.
The trend is then described by the simplest course that explains it, which gives the time with a
better resolution than the noise allows to any single point, and reaches beyond the record where it
has to (said by is_extrapolated, and then the voltage doesn't count as settled).

Ringing is followed up to where the mean over two mains cycles leaves half of it (15 Hz beside 50 Hz
mains); where it is faster there is no time, since no point shows when its swings stay inside the band.

The time of first entry into the band would flatter a servo that rings; the last exit doesn't.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples
from sequencer.analysis.checks import (
    code_step,
    require_finite,
    require_no_held_sample,
    require_usable,
)
from sequencer.analysis.course_choice import beside_clicks, choose_course, with_ringing
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.excursions import Excursion, find_excursions
from sequencer.analysis.fast_ringing import FastRinging, find_fast_ringing
from sequencer.analysis.mains import bends_of, find_mains
from sequencer.analysis.mains_nominals import SEARCH_REACH
from sequencer.analysis.resolution import LOOKED_AT, rounding_at_rest, step_over
from sequencer.analysis.settling_end import last_tenth
from sequencer.analysis.settling_result import (
    SettlingResult,
    counted_from,
    fastest_followed_hz,
    left_again,
    result_of,
    unfollowed,
)
from sequencer.analysis.settling_time import CONTACT_S
from sequencer.analysis.steady_tones import SteadyTone, find_steady_tones, lasting_tones
from sequencer.analysis.trend import (
    Event,
    Trend,
    find_event,
    find_onset,
    find_points,
    rest_length,
    without_clicks,
)
from sequencer.analysis.trend_models import Course

_LEAST_POINTS = 25
_LEAST_SLOW_POINTS = 15
_REST_POINTS, _JUMP_POINTS, _STAYS_POINTS = 6, 3, 14  # the crest of a ring that jumps so is shorter
_AT_REST, _SHARE, _COME_BACK = 0.02, 0.3, 0.1  # of how far the voltage goes in all
_SURE = 5.0  # standard deviations
_PLAIN = 4.0  # times that: a curve that begins flat rises less in _JUMP_POINTS, once it shows
_TOLD_MAINS = 3.6  # mains frequencies; a steady sine up to there is ringing, above it a tone
_RINGING_SHARE = 0.1  # of the band's half-width


def analyse_settling(
    samples: Samples,
    sample_rate_hz: float,
    *,
    within_v: float,
    event_s: float | None = None,
    around_v: float = 0.0,
    mains_hz: float = 50.0,
    is_overrange: bool = False,
    range_peak_v: float | None = None,
    offset_doubt_v: float = 0.0,
) -> SettlingResult:
    """Settling time to around_v +- within_v, with time constant and final value.

    Parameters
    ----------
    samples : shape (n,), V; should reach 3 time constants beyond the event, better 5
    within_v : half-width of the band, > 0
    event_s : time of the relay or step from the start of the record; None: found in the record, or
        its start where nothing is found
    around_v : centre of the band
    range_peak_v : full scale of the converter, volts peak, where known
    offset_doubt_v : standard uncertainty of the instrument's zero: divided by the slope with which
        the voltage enters the band it is doubt of the settling time (JCGM 100, 5.1.3)

    Raises
    ------
    CannotMeasure : the capture is unusable, or less than half a second of it follows the event
    ValueError : within_v isn't positive
    """
    if not within_v > 0.0:
        raise ValueError(f"within_v must be positive, got {within_v}")
    record = require_finite(samples)
    require_usable(
        record, is_overrange=is_overrange, range_peak_v=range_peak_v, at_rest=_rests(record)
    )
    event = _event(record, sample_rate_hz, event_s, mains_hz)
    after = min(int(event.time_s * sample_rate_hz), record.size)
    require_no_held_sample(record, after, record.size)
    asked = _Asked(
        band_v=(around_v - within_v, around_v + within_v),
        mains_hz=mains_hz,
        zero_v=offset_doubt_v,
        may_begin_later=event_s is not None,
    )
    return _settled(record, sample_rate_hz, event, asked)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What is asked of a record: the band, V; the nominal mains frequency; the zero's doubt, V.

    may_begin_later: whether the event was given, and the voltage may move only after it.
    """

    band_v: tuple[float, float]
    mains_hz: float
    zero_v: float
    may_begin_later: bool

    @property
    def within_v(self) -> float:
        """Half-width of the band."""
        return (self.band_v[1] - self.band_v[0]) / 2.0


def _settled(record: Samples, sample_rate_hz: float, event: Event, asked: _Asked) -> SettlingResult:
    """The result for a usable record."""
    after = min(int(event.time_s * sample_rate_hz), record.size)
    mains = _mains_after(record, sample_rate_hz, event.time_s, asked.mains_hz)
    tones, passing = lasting_tones(
        find_steady_tones(
            record,
            sample_rate_hz,
            start_s=event.time_s,
            mains_hz=mains.frequency_hz,
            is_told=mains.is_told,
            above_hz=mains.frequency_hz / 2.0,  # below, points a cycle apart show what is there
        ),
        record,
        sample_rate_hz,
        after,
    )
    slow = _without(tones, record, sample_rate_hz, after)
    points, trend, mixed = _trend_after(slow, sample_rate_hz, event.time_s, mains.frequency_hz)
    end_s = record.size / sample_rate_hz
    begins_s = None
    if asked.may_begin_later:  # what begins steeply is left out as clicks; a click may hide it
        begins_s = _begins_later(points) or _begins_later(trend)
    if begins_s is not None:
        begin = find_onset(record, sample_rate_hz, begins_s, trend.step_s, mains.frequency_hz)
        room_s = end_s - begin.time_s
        if begin.time_s > event.time_s + CONTACT_S and room_s > _least_s(trend):
            # where it begins the ring and the course are counted from; the times are not
            at_begin = Event(time_s=begin.time_s, is_found=True)
            later = _settled(record, sample_rate_hz, at_begin, asked)
            return counted_from(event, later, begin.doubt_s, _rest_v(trend))
    trend, course = beside_clicks(trend, choose_course(trend, event.time_s, mixed), event.time_s)
    rounding_share, rounding_v2 = _rounding(record, slow, after)
    if tones:  # their rounding changes as the voltage comes to rest: else errors of 1.3 doubts
        course = course.doubted(1.0 + rounding_share)

    def result_with(zero_v: float) -> SettlingResult:
        found = result_of(
            trend, course, event, end_s - event.time_s, asked.band_v, zero_v, rounding_v2
        )
        return replace(found, steady_tones=tuple(tones))

    result = result_with(asked.zero_v)
    ringing = _fast_ringing(slow, sample_rate_hz, trend, course, event.time_s, mains)
    slow_tones = [tone for tone in tones if tone.frequency_hz < _TOLD_MAINS * asked.mains_hz]
    if passing:  # what of it is in the points looks like a ring that grows
        ringing = [replace(r, is_late=r.is_late or np.isinf(r.amplitude_v)) for r in ringing]
    ringing += [_as_ringing(tone) for tone in slow_tones]
    ringing += [replace(_as_ringing(tone), is_late=True) for tone in passing]
    after_s = (result.settling_time_s.value or 0.0) - CONTACT_S
    too_fast = [r for r in ringing if _counts(r, after_s, asked.within_v, trend.kernel_s)]
    if too_fast:
        return unfollowed(result, max(too_fast, key=lambda r: r.amplitude_v))
    swing_v = sum(r.swing_v(after_s) for r in ringing if r.rate > 0.0)
    if swing_v:
        result = result_with(float(np.hypot(asked.zero_v, swing_v)))
    left_out = _left_out(slow, sample_rate_hz, points, trend, course, event.time_s)
    settled_s = result.settling_time_s.value
    if not result.is_settled or settled_s is None:
        return replace(result, left_out=left_out)
    before = tuple(each for each in left_out if each.start_s < event.time_s + settled_s)
    result = replace(result, left_out=before)
    excursions = find_excursions(
        slow,
        sample_rate_hz,
        points=points,
        trend=trend,
        band_v=asked.band_v,
        from_s=event.time_s + max(settled_s, CONTACT_S),
    )
    return left_again(result, excursions) if excursions else result


def _without(
    tones: list[SteadyTone], record: Samples, sample_rate_hz: float, after: int
) -> Samples:
    """The record less tones from a sample on."""
    if not tones:
        return record
    time = np.arange(after, record.size) / sample_rate_hz
    left = record.copy()
    left[after:] -= np.sum([tone.value_v(time) for tone in tones], axis=0)
    return left


def _as_ringing(tone: SteadyTone) -> FastRinging:
    return FastRinging(
        frequency_hz=tone.frequency_hz,
        amplitude_v=tone.amplitude_v,
        rate=0.0,
        may_be_hum=False,
    )


def _left_out(
    record: Samples,
    sample_rate_hz: float,
    points: Trend,
    trend: Trend,
    course: Course,
    event_s: float,
) -> tuple[Excursion, ...]:
    """What was left out of a trend and lies beside its course, up to the record's last points."""
    if points.time_s.size == trend.time_s.size:
        return ()
    after = int(event_s * sample_rate_hz)
    beside = record.copy()
    beside[after:] -= course.value_v(np.arange(after, record.size) / sample_rate_hz - event_s)
    course_v = course.averaged_v(trend.time_s - event_s, trend.kernel_s)
    found = find_excursions(
        beside,
        sample_rate_hz,
        points=points,
        trend=replace(trend, value_v=trend.value_v - course_v),
        band_v=(0.0, 0.0),
        from_s=event_s + CONTACT_S,
    )
    last_s = float(points.time_s[-1]) - points.kernel_s
    return tuple(each for each in found if each.stop_s < last_s)


def _rest_v(trend: Trend) -> float:
    """Where a trend begins."""
    return float(np.median(trend.value_v[:_REST_POINTS]))


def _begins_later(trend: Trend) -> float | None:
    """When a voltage that rests at first jumps and doesn't come back at once, roughly; else None."""
    away = np.abs(trend.value_v - _rest_v(trend))
    highest = float(np.max(away))
    first = int(np.argmax(away > max(_AT_REST * highest, _SURE * trend.noise_v)))
    after = away[first + 2 : first + _STAYS_POINTS]
    jump = max(_SHARE * highest, _PLAIN * _SURE * trend.noise_v)
    if first < _REST_POINTS or not after.size:
        return None
    if float(np.max(away[first : first + _JUMP_POINTS])) < jump:
        return None
    # what is left out as a click may be its beginning
    at_s = float(trend.time_s[first - 1]) + 2.0 * trend.step_s
    return at_s if float(np.median(after)) > _COME_BACK * highest else None


def _rests(record: Samples) -> NDArray[np.bool_]:
    """Samples of a first stretch of equal ones, at 0 V or before a jump, and of a last within a code.

    A muted output may rest on one exact code, and a coarse meter comes to rest on one, or on two:
    that isn't a converter at its limit.
    """
    at_rest = np.zeros(record.size, dtype=bool)
    first = rest_length(record)
    if first < record.size - 1:
        is_jump = abs(record[first] - record[0]) > 0.05 * float(np.ptp(record))
        at_rest[:first] = is_jump or record[0] == 0.0
    end_v = float(np.median(last_tenth(record)))
    away = np.flatnonzero(np.abs(record - end_v) > 1.5 * code_step(record))
    at_rest[away[-1] + 1 if away.size else 0 :] = True
    return at_rest


def _event(record: Samples, sample_rate_hz: float, event_s: float | None, mains_hz: float) -> Event:
    if event_s is None:
        return find_event(record, sample_rate_hz, mains_hz)
    if event_s < 0.0:
        raise ValueError(f"event_s must not be negative, got {event_s}")
    return Event(time_s=event_s, is_found=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mains:
    """The mains frequency, is_told by the record; else that of a line near it, or the nominal one."""

    frequency_hz: float
    is_told: bool


def _mains_after(
    record: Samples, sample_rate_hz: float, event_s: float, nominal_hz: float
) -> _Mains:
    """The mains frequency by the hum in the last half of what follows the event, or by a stray line.

    Means over cycles of 0.3 % too little leave 0.3 % of the hum, as a beat slow enough for a course.
    """
    half = record[int((event_s * sample_rate_hz + record.size) / 2.0) :]
    found = find_mains(*bends_of(half, sample_rate_hz), (nominal_hz,))
    if found is not None and found.is_seen:
        return _Mains(frequency_hz=found.value_hz, is_told=True)
    stray_hz = None if found is None else found.stray_hz
    is_near = stray_hz is not None and abs(stray_hz - nominal_hz) < SEARCH_REACH * nominal_hz
    hz = stray_hz if stray_hz is not None and is_near else nominal_hz
    return _Mains(frequency_hz=hz, is_told=False)


def _trend_after(
    record: Samples, sample_rate_hz: float, event_s: float, mains_hz: float
) -> tuple[Trend, Trend, Course | None]:
    """All points from the end of the contact's ringing to the end of the record; as with_ringing."""
    end_s = record.size / sample_rate_hz
    points = find_points(
        record, sample_rate_hz, start_s=event_s + CONTACT_S, end_s=end_s, mains_hz=mains_hz
    )
    trend = without_clicks(points, np.zeros_like(points.value_v))
    if trend.time_s.size < _least_points(trend):
        raise CannotMeasure(
            "too_short",
            f"{max(end_s - event_s, 0.0):.3g} s of record follow the event at {event_s:.3g} s",
            f"record at least {_least_s(trend):.2g} s after the event, better five time constants",
        )
    return points, *with_ringing(points, trend, event_s)


def _least_points(trend: Trend) -> int:
    return _LEAST_POINTS if trend.kernel_s else _LEAST_SLOW_POINTS


def _least_s(trend: Trend) -> float:
    """How much of a record has to follow an event."""
    return CONTACT_S + (_least_points(trend) + 1) * trend.step_s


def _fast_ringing(
    record: Samples,
    sample_rate_hz: float,
    trend: Trend,
    course: Course,
    event_s: float,
    mains: _Mains,
) -> list[FastRinging]:
    """Ringing too fast to be followed, from the end of the contact's own on."""
    fastest_hz = fastest_followed_hz(trend)
    is_beyond = course.rings and bool(course.nonlinear[1] > fastest_hz)
    found = []
    if trend.kernel_s:
        start_s = event_s + CONTACT_S
        first = max(int(start_s * sample_rate_hz) - 1, 0)
        time = np.arange(first, record.size) / sample_rate_hz - event_s
        known_v = course.slow_v(time) if is_beyond else course.value_v(time)
        found = find_fast_ringing(
            record[first:] - known_v,
            sample_rate_hz,
            start_s=start_s - first / sample_rate_hz,
            mains_hz=mains.frequency_hz,
            is_told=mains.is_told,
            above_hz=fastest_hz,
        )
    if is_beyond and not found:
        found = [
            FastRinging(
                frequency_hz=float(course.nonlinear[1]),
                amplitude_v=np.inf,  # of which the averaging leaves too little to tell
                rate=0.0,
                may_be_hum=False,
            )
        ]
    return found


def _counts(ringing: FastRinging, after_s: float, within_v: float, kernel_s: float) -> bool:
    """Whether ringing makes a time unknown: by its swing then, or by what of it is in the trend."""
    if not ringing.rate:
        return ringing.amplitude_v > within_v
    passed_v = ringing.amplitude_v * abs(float(np.sinc(2.0 * ringing.frequency_hz * kernel_s)))
    return max(ringing.swing_v(after_s), passed_v) > _RINGING_SHARE * within_v


def _rounding(record: Samples, slow: Samples, after: int) -> tuple[float, float]:
    """By rounding of where a record ends, part and variance; it averages out where the voltage moves.

    The step shows in the whole record, for the end may lie on one code. slow: it without its tones,
    with which rounding repeats as it does at rest.
    """
    thin = record[:: -(-record.size // LOOKED_AT)]
    return rounding_at_rest(last_tenth(slow[after:]), step_over(thin, 0.0))
