"""Which course explains a trend, and which of its points are clicks beside that course.

A further part has to earn its place: what it explains is counted in units of the noise that is left
at the same frequency, so that neither a slow wander, which can always be followed a little, nor
noise elsewhere decides.
"""

import numpy as np

from sequencer.analysis.arrays import Samples
from sequencer.analysis.estimates import COVER
from sequencer.analysis.trend import Trend, clicks, without_clicks
from sequencer.analysis.trend_models import Course, Kind, fit_course, ringing_share_v2
from sequencer.analysis.trend_noise import READ_SHARE

_EARNED = 40.0  # less than half of it is what the best of all rings explains of mere noise
_QUIETER = 0.5
_FOLLOWED_POINTS = 4  # more than a click that a course happens to follow has
_LEAST_QUALITY = 0.3  # hardly more than the double pole of two equal decays
_BESIDE = 3.5  # standard deviations, of a slope or step and of the decay before it
_NEARLY = 0.5  # of what makes a slope sure, by a decay's straight part
_GONE = 3.0  # nepers in the record, of that decay
_SAME_CYCLES = 0.25  # in the record; frequencies nearer than this are hardly told apart
_ROUNDING = 1e-9  # of the largest value
_AS_NOISE = 1.3  # times a point's noise, what a course leaves that describes the others
_PASSES = 3
_MOST_CLICKS = 0.1  # of the points


def choose_course(trend: Trend, event_s: float, mixed: Course | None = None) -> Course:
    """The simplest course that explains the trend; mixed, if given, is fitted already."""
    steady = fit_course("steady", trend, event_s)
    if _is_constant(trend):
        return steady
    decaying = fit_course("decaying", trend, event_s)
    noise_v2 = max(trend.noise_v, _rounding_v(trend)) ** 2
    decays = steady.squares_v2 - decaying.squares_v2 >= _EARNED * noise_v2
    plain = decaying if decays else steady
    sloping = _sloping(trend, event_s, decaying) if decays else None
    plain = sloping or plain
    if not _rings_beside(trend, plain):
        return plain
    kinds: tuple[Kind, ...] = ("two-stage", "ringing", "stepped")
    fitted = [fit_course(kind, trend, event_s) for kind in kinds]
    fitted.append(mixed or fit_course("mixed", trend, event_s))
    further = [course for course in fitted if _is_offered(course, trend)]
    simple = [decaying] if sloping is None else [decaying, sloping]
    chosen = _simplest(trend, [*simple, *further])
    if _is_told(trend, chosen, event_s):
        return chosen
    told = [course for course in further if _is_told(trend, course, event_s)]
    return _simplest(trend, [plain, *told])


def _sloping(trend: Trend, event_s: float, decaying: Course) -> Course | None:
    """The decay with a slope beside it, where the slope is surely there.

    The noise at low frequencies is found too small in a few records; so beside that of the course's
    own doubt the slope has to show in white noise of all that the course leaves, correlated as it is.
    """
    sure = _BESIDE**2 * (1.0 + 2.0 * trend.neighbour_correlation)
    time = trend.time_s - event_s
    fall = np.exp(-decaying.nonlinear[0] * time)
    columns = np.column_stack([np.ones_like(time), fall, time * fall, time])
    moved = columns @ np.linalg.lstsq(columns, decaying.rest_v, rcond=None)[0]
    left_v2 = float(np.sum((decaying.rest_v - moved) ** 2))
    if decaying.squares_v2 - left_v2 < _NEARLY * sure * left_v2 / time.size:
        return None  # spares the fit
    sloping = fit_course("sloping", trend, event_s)
    shows = decaying.squares_v2 - sloping.squares_v2 > sure * sloping.rms_v**2
    return sloping if shows and _is_sure(sloping, trend) else None


def _is_offered(course: Course, trend: Trend) -> bool:
    """Whether a course is more than a simpler one that happens to look like it."""
    if course.rings:
        return course.quality > _LEAST_QUALITY
    return course.kind != "stepped" or _is_sure(course, trend)


def _is_sure(course: Course, trend: Trend) -> bool:
    """Whether both the decay, over well before the record is, and what goes on beside it are there."""
    span_s = float(trend.time_s[-1] - trend.time_s[0])
    estimates = (course.linear_estimate(k) for k in (1, 2))
    return bool(course.nonlinear[0] * span_s > _GONE) and all(
        abs(e.value or 0.0) > _BESIDE * e.standard_uncertainty for e in estimates
    )


def _is_told(trend: Trend, course: Course, event_s: float) -> bool:
    """Whether a course has no ring, or one that is surely there and is no hum."""
    return not course.rings or (
        _ring_is_sure(trend, course, event_s) and not _is_image(trend, course)
    )


def _ring_is_sure(trend: Trend, course: Course, event_s: float) -> bool:
    """Whether a ring's amplitude, where it is largest, and frequency are more than their doubt."""
    end_s = float(trend.time_s[-1]) - event_s
    amplitude = course.ring_amplitude_v(end_s if course.nonlinear[0] < 0.0 else 0.0)
    frequency = course.nonlinear_estimate(1)
    return all(
        estimate.value is not None and estimate.value > COVER * estimate.standard_uncertainty
        for estimate in (amplitude, frequency)
    )


def _is_image(trend: Trend, course: Course) -> bool:
    """Whether a ring is what the averaging leaves of hum: steady, at its place and no larger."""
    rate, frequency = course.nonlinear_estimate(0), course.nonlinear_estimate(1)
    if rate.value is None or frequency.value is None or not trend.image_v:
        return False
    span_s = float(trend.time_s[-1] - trend.time_s[0])
    reach_hz = max(COVER * frequency.standard_uncertainty, _SAME_CYCLES / span_s)
    return (
        abs(frequency.value - trend.image_hz) < reach_hz
        and abs(rate.value) < COVER * rate.standard_uncertainty
        and (course.ring_amplitude_v().value or 0.0) < trend.image_v
    )


def _simplest(trend: Trend, courses: list[Course]) -> Course:
    """The course of the fewest parts that explains a trend about as well as the best of them."""
    best = min(courses, key=lambda course: course.squares_v2)
    density = _density_v2_per_hz(trend, best)
    enough = _misfit(trend, best, density) + _EARNED
    by_parts = sorted(
        courses,
        key=lambda course: (_parts(course), _misfit(trend, course, density)),
    )
    return next(course for course in by_parts if _misfit(trend, course, density) < enough)


def _parts(course: Course) -> int:
    """How many numbers describe a course; the place of a step is the best of all places, as two."""
    return course.linear.size + course.nonlinear.size + (course.kind == "stepped")


def with_ringing(points: Trend, trend: Trend, event_s: float) -> tuple[Trend, Course | None]:
    """The trend with the points that were left out as clicks but are fast ringing.

    And its mixed course, where that came by the way.
    """
    if _is_constant(trend):
        return trend, None
    left_out = points.time_s.size - trend.time_s.size
    decaying = fit_course("decaying", trend, event_s)
    if left_out < _FOLLOWED_POINTS and not _rings_beside(trend, decaying):
        return trend, None
    followed = points
    for _ in range(2):  # the second time without the true clicks
        fitted = followed
        mixed = fit_course("mixed", fitted, event_s)
        course_v = mixed.averaged_v(points.time_s - event_s, points.kernel_s)
        followed = without_clicks(points, course_v)
        if np.array_equal(followed.time_s, fitted.time_s):
            break
    chosen = followed if _is_better(followed, trend, mixed) else trend
    return chosen, mixed if np.array_equal(chosen.time_s, fitted.time_s) else None


def beside_clicks(trend: Trend, course: Course, event_s: float) -> tuple[Trend, Course]:
    """The trend without clicks that show only beside its course, and the course of what is left.

    Where it falls steeply a click is no further from the median of its neighbours than they are. They
    are left out only where a course describes all the others: else what is no click may look like it.
    """
    found = course
    for _ in range(_PASSES):  # the click bends the first course
        course_v = found.averaged_v(trend.time_s - event_s, trend.kernel_s)
        quiet = without_clicks(trend, course_v)
        left_out = trend.time_s.size - quiet.time_s.size
        if not 0 < left_out <= _MOST_CLICKS * trend.time_s.size:
            break
        found = choose_course(quiet, event_s)
        if not np.any(clicks(found.rest_v)) and found.rms_v < _AS_NOISE * quiet.noise_v:
            return quiet, found
    return trend, course


def _is_better(followed: Trend, trend: Trend, mixed: Course) -> bool:
    """Whether the points beside a mixed course are more, or far quieter, than those of a trend."""
    kept_more = followed.time_s.size - trend.time_s.size
    lasts = mixed.nonlinear[0] * trend.step_s < 1.0 / _FOLLOWED_POINTS
    if kept_more >= (1 if lasts else _FOLLOWED_POINTS):
        return True
    return kept_more >= 0 and followed.noise_v < _QUIETER * trend.noise_v


def _rings_beside(trend: Trend, course: Course) -> bool:
    """Whether a course leaves more than noise; slow parts of any shape count too.

    Lasting ringing looks like noise of the points, so what it leaves is their noise where that is less.
    """
    explained, left = ringing_share_v2(trend, course.rest_v)
    noise_v2 = min(trend.noise_v**2, left / course.rest_v.size)
    return explained > _EARNED * max(noise_v2, _rounding_v(trend) ** 2)


def _is_constant(trend: Trend) -> bool:
    """Whether the trend holds nothing but the computation's rounding, of which no course is made."""
    return float(np.ptp(trend.value_v)) <= _rounding_v(trend)


def _rounding_v(trend: Trend) -> float:
    """The least scatter of a point that is more than the computation's own."""
    return _ROUNDING * float(np.max(np.abs(trend.value_v)))


def _density_v2_per_hz(trend: Trend, course: Course) -> Samples:
    """Density of the noise beside a course at the frequencies of the trend's transform."""
    size = course.rest_v.size
    frequency = np.arange(1, size // 2 + 1) / (size * trend.step_s)
    least = 2.0 * trend.step_s * _rounding_v(trend) ** 2
    return np.maximum(course.noise.density(frequency), max(least, 1e-300))


def _misfit(trend: Trend, course: Course, density: Samples) -> float:
    """What a course leaves, in variances of the noise: 1 for each point of mere noise."""
    size = course.rest_v.size
    power = np.abs(np.fft.rfft(course.rest_v)[1:]) ** 2 * (2.0 * trend.step_s / size)
    read = max(round(READ_SHARE * power.size), 1)
    return float(2.0 * np.sum(power[:read] / density[:read]))
