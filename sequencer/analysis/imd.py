"""Intermodulation of two tones: modulation distortion (60 Hz and 7 kHz, 4 to 1) and difference
frequency distortion (19 and 20 kHz, 1 to 1).

Both tones are found in the spectrum, refined jointly, and then everything that can be in the record
is fitted in one least squares at frequencies that follow from the two: the tones, their harmonics, all
products, the mains lines and what mains does to the upper tone; the two frequencies are refined once
more with all of these beside. So no line leaks into a product or pulls a tone, and the record needn't
hold whole cycles. The noise around each product gives its doubt; a product that noise alone could be
comes back as a bound. Hum that lies on a product or on the lower tone, which is often that of the
mains, counts as its doubt (hidden_hum), and so does what a click does, or a tone whose level moves.

Definitions (IEC 60268-3, from memory; the product set and the reference seen in transcriptions):
amplitudes of one order are added arithmetically. Modulation distortion refers to the upper tone,
difference frequency distortion to the sum of the tones.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Any, TypeVar

import numpy as np
import scipy
from numpy.typing import ArrayLike

from sequencer.analysis import checks
from sequencer.analysis.arrays import Samples, Spectral, sum_of_squares
from sequencer.analysis.clicks_beside import find_clicks_beside
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.estimates import Estimate, disturbed
from sequencer.analysis.hidden_hum import SeenHum, hidden_hum
from sequencer.analysis.mains import ROUNDING, find_mains, multiples_below
from sequencer.analysis.mains_nominals import NOMINALS_HZ, SEARCH_REACH
from sequencer.analysis.noise import line_estimate
from sequencer.analysis.resolution import rounding_of_fit, seen_noise
from sequencer.analysis.sine_fit import (
    LineFit,
    fit_lines,
    refine_lines,
    remove_lines,
    residual_periodogram,
)
from sequencer.analysis.spectrum import Periodogram, hann, peak_position
from sequencer.analysis.stray_lines import leaked_v2
from sequencer.analysis.tone_levels import (
    course_of,
    is_course,
    is_raised,
    lines_v,
    moved_of_line,
    step_of_line,
)
from sequencer.analysis.tone_pairs import LEAST_SHARE, LEAST_TONE
from sequencer.analysis.tone_parts import tone_of_parts
from sequencer.analysis.tone_turns import is_turning, phase_course_of
from sequencer.analysis.tone_unrest import Click, Clicks, Movements

_SEARCH_REACH = 0.12  # as far as 44.1 and 48 kHz mixed up put a tone
_LEAST_CYCLES = 10.0
_HARMONICS = 10
_APART_BINS = 0.75
_TONES_APART_BINS = 1.5  # nearer, both searches have found the same line
_WEAK = 3.0  # times b: a line of noise alone is stronger once in 20 times
_MOST_STEPS = 6
_STEADY_RAD = 1e-6  # over the record: what a tone leaves beside it is then below any noise
_FIRST_HARMONICS = (2, 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class ImdSmpteResult:
    """Modulation distortion, fractions of the upper tone (1), and the tones, V rms and Hz.

    imd_modulation_2 = (U(f2-f1) + U(f2+f1)) / U(f2), _3 the same with 2 f1; imd_modulation_rss is
    the root-sum-square of all four over U(f2), which is how SMPTE RP 120 counts them.
    is_lower_on_mains says that the lower tone can't be told from hum, which is in its doubt as far as
    its harmonics may be hum too. clicks lie in the record, and level_range_db is how far the
    level of a tone moves, from least to most, where one does; frequency_range_hz is the same of
    the frequency of one that drifts. All are in the doubts; disturbed are the names of those they
    matter to.
    """

    imd_modulation_2: Estimate
    imd_modulation_3: Estimate
    imd_modulation_rss: Estimate
    level_1_vrms: Estimate
    level_2_vrms: Estimate
    frequency_1_hz: float
    frequency_2_hz: float
    is_lower_on_mains: bool
    clicks: tuple[Click, ...] = ()
    level_range_db: float | None = None
    frequency_range_hz: float | None = None
    disturbed: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class ImdDifferenceResult:
    """Difference frequency distortion, fractions of U1 + U2 (1), and the tones, V rms and Hz.

    imd_difference_2 = U(f2-f1) / (U1+U2), imd_difference_3 = (U(2f1-f2) + U(2f2-f1)) / (U1+U2).
    clicks, level_range_db, frequency_range_hz and disturbed as in ImdSmpteResult.
    """

    imd_difference_2: Estimate
    imd_difference_3: Estimate
    level_1_vrms: Estimate
    level_2_vrms: Estimate
    frequency_1_hz: float
    frequency_2_hz: float
    clicks: tuple[Click, ...] = ()
    level_range_db: float | None = None
    frequency_range_hz: float | None = None
    disturbed: frozenset[str] = frozenset()


_Result = TypeVar("_Result", ImdSmpteResult, ImdDifferenceResult)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lines:
    """The joint fit: lines 0 and 1 are the tones, then the products in the order asked for.

    rest : periodogram of what it leaves; seen_v2, noise_v2 : b by the noise in that, and by all
    """

    fit: LineFit
    rest: Periodogram
    seen_v2: Spectral
    noise_v2: Spectral
    is_lower_on_mains: bool

    def level_v(self, k: int) -> float:
        return float(abs(self.fit.amplitude[k]))

    def frequency_hz(self, k: int) -> float:
        return float(self.fit.frequency_hz[k])


def analyse_imd_smpte(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    lower_hz: float = 60.0,
    upper_hz: float = 7000.0,
    mains_frequency_hz: float | None = None,
    is_overrange: bool = False,
    range_peak_v: float | None = None,
) -> ImdSmpteResult:
    """Modulation distortion of a large low and a small high tone.

    Parameters
    ----------
    samples : shape (n,), V; at least ten cycles of the lower tone
    lower_hz, upper_hz : the tones as commanded; 250 Hz and 8 kHz after DIN 45403
    mains_frequency_hz : nominal, as said; None takes 50 and 60
    range_peak_v : full scale of the converter, volts peak, where known

    Raises
    ------
    CannotMeasure : the capture is unusable or too short, a tone is missing or elsewhere, or a
        product lies above half the sample rate
    ValueError : the tones aren't positive and in order
    """
    orders = [(-1, 1), (1, 1), (-2, 1), (2, 1)]
    record = checks.require_usable(samples, is_overrange=is_overrange, range_peak_v=range_peak_v)
    lines_of = partial(
        _analyse,
        sample_rate_hz=sample_rate_hz,
        tones_hz=(lower_hz, upper_hz),
        orders=orders,
        mains_hz=mains_frequency_hz,
    )

    def result_of(lines: _Lines) -> ImdSmpteResult:
        upper_v = lines.level_v(1)
        return ImdSmpteResult(
            imd_modulation_2=_sum_of_lines(lines, [2, 3], upper_v),
            imd_modulation_3=_sum_of_lines(lines, [4, 5], upper_v),
            imd_modulation_rss=line_estimate(
                lines.fit.amplitude[2:6], lines.noise_v2[2:6], scale=1.0 / upper_v
            ),
            level_1_vrms=_level(lines, 0),
            level_2_vrms=_level(lines, 1),
            frequency_1_hz=lines.frequency_hz(0),
            frequency_2_hz=lines.frequency_hz(1),
            is_lower_on_mains=lines.is_lower_on_mains,
        )

    return _with_disturbances_in_doubt(record, sample_rate_hz, lines_of, result_of)


def analyse_imd_difference(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    lower_hz: float = 19000.0,
    upper_hz: float = 20000.0,
    mains_frequency_hz: float | None = None,
    is_overrange: bool = False,
    range_peak_v: float | None = None,
) -> ImdDifferenceResult:
    """Difference frequency distortion of two high tones of equal level.

    Parameters and refusals as analyse_imd_smpte; at least ten cycles of the difference.
    """
    orders = [(-1, 1), (2, -1), (-1, 2)]
    record = checks.require_usable(samples, is_overrange=is_overrange, range_peak_v=range_peak_v)
    lines_of = partial(
        _analyse,
        sample_rate_hz=sample_rate_hz,
        tones_hz=(lower_hz, upper_hz),
        orders=orders,
        mains_hz=mains_frequency_hz,
    )

    def result_of(lines: _Lines) -> ImdDifferenceResult:
        both_v = lines.level_v(0) + lines.level_v(1)
        return ImdDifferenceResult(
            imd_difference_2=_sum_of_lines(lines, [2], both_v),
            imd_difference_3=_sum_of_lines(lines, [3, 4], both_v),
            level_1_vrms=_level(lines, 0),
            level_2_vrms=_level(lines, 1),
            frequency_1_hz=lines.frequency_hz(0),
            frequency_2_hz=lines.frequency_hz(1),
        )

    return _with_disturbances_in_doubt(record, sample_rate_hz, lines_of, result_of)


def _with_disturbances_in_doubt(
    record: Samples,
    sample_rate_hz: float,
    lines_of: Callable[[Samples], _Lines],
    result_of: Callable[[_Lines], _Result],
) -> _Result:
    """The numbers of a record, doubted by how those without clicks, of steady tones, differ."""
    lines = lines_of(record)
    # what is taken off below may turn a part of the record
    _require_steady_phase(record, sample_rate_hz, lines.fit)
    result = clean = result_of(lines)
    left = record
    moves = [_movements(record, sample_rate_hz, lines, k) for k in range(2)]
    courses_v = [course_v for each in moves for course_v in each.courses_v]
    if courses_v:
        left = left - np.sum(courses_v, axis=0)
        lines = lines_of(left)
        clean = result_of(lines)
    clicks = _find_clicks(left, sample_rate_hz, lines)
    if clicks is not None:
        clean = result_of(lines_of(left - clicks.course_v))
    if clean is result:
        return result
    levels = [each.level for each in moves]
    far_vrms = {
        f"level_{k + 1}_vrms": 0.0 if level is None else level.far_v / float(np.sqrt(6))
        for k, level in enumerate(levels)
    }
    doubted: dict[str, Any] = {}
    moved = []
    for each in fields(result):
        as_is, without = getattr(result, each.name), getattr(clean, each.name)
        if not isinstance(as_is, Estimate):
            continue
        doubted[each.name], is_moved = disturbed(as_is, without, far_vrms.get(each.name, 0.0))
        # a click that is taken for noise has widened the doubt already
        if is_moved or disturbed(without, as_is)[1]:
            moved.append(each.name)
    return replace(
        result,
        **doubted,
        # a step is faster than its course, and its edge no click
        clicks=() if clicks is None or courses_v else clicks.found,
        level_range_db=max(
            (each.told_db for each in levels if each and each.told_db), default=None
        ),
        frequency_range_hz=max((each.phase.range_hz for each in moves if each.phase), default=None),
        disturbed=frozenset(moved),
    )


def _find_clicks(record: Samples, sample_rate_hz: float, lines: _Lines) -> Clicks | None:
    lower_hz, upper_hz = lines.frequency_hz(0), lines.frequency_hz(1)
    return find_clicks_beside(
        remove_lines(record, sample_rate_hz, lines.fit),
        sample_rate_hz,
        min(lower_hz, upper_hz - lower_hz, NOMINALS_HZ[0]),  # distortion comes back with these
        peak_v=float(np.abs(record).max()),
    )


def _movements(record: Samples, sample_rate_hz: float, lines: _Lines, k: int) -> Movements:
    """How a tone moves within a record, where it surely does."""
    fit, seconds, tone = lines.fit, record.size / sample_rate_hz, slice(k, k + 1)
    tone_v = partial(lines_v, fit, record.size, sample_rate_hz, tone)
    level, phase = None, None
    seen_v2 = float(lines.seen_v2[k])
    if is_raised(lines.rest, lines.frequency_hz(k), seen_v2, _least_v2(fit)):
        moved = moved_of_line(record, sample_rate_hz, fit, k, [])
        if is_course(moved, seconds):
            level = course_of(moved, tone_v(), lines.level_v(k))
        if is_turning(moved, seconds):
            phase = phase_course_of(moved, fit, tone, record.size, sample_rate_hz)
    if level is None:
        level = step_of_line(record, sample_rate_hz, fit, k, [], tone_v)
    return Movements(level=level, phase=phase)


def _least_v2(fit: LineFit) -> float:
    """Mean square of a bin, below which it is the computation's own."""
    return (ROUNDING * float(np.abs(fit.amplitude).max())) ** 2


def _analyse(
    record: Samples,
    sample_rate_hz: float,
    tones_hz: tuple[float, float],
    orders: Sequence[tuple[int, int]],
    mains_hz: float | None,
) -> _Lines:
    """Tones and products (a f1 + b f2 for each (a, b)) of a checked record."""
    lower_hz, upper_hz = tones_hz
    if not 0.0 < lower_hz < upper_hz:
        raise ValueError(f"lower_hz {lower_hz:g} and upper_hz {upper_hz:g} must be in order")
    checks.require_no_flat_run(record)
    highest_hz = max(a * lower_hz + b * upper_hz for a, b in orders)
    what = f"intermodulation of {lower_hz:g} and {upper_hz:g} Hz, up to {highest_hz:g} Hz,"
    checks.require_sample_rate(sample_rate_hz, 2 * 1.01 * highest_hz, what)
    least_s = _LEAST_CYCLES / min(lower_hz, upper_hz - lower_hz)
    checks.require_duration(record, sample_rate_hz, least_s, "the products to be told apart")
    found = _find_tones(record, sample_rate_hz, tones_hz)
    _require_apart(found, sample_rate_hz / record.size)
    tones = refine_lines(record, sample_rate_hz, found, drifting=[0, 1])
    _require_apart(tones.frequency_hz, sample_rate_hz / record.size)
    _require_tones(record, tones, tones_hz)
    nominals_hz = NOMINALS_HZ if mains_hz is None else (mains_hz,)
    return _fit_everything(record, sample_rate_hz, tones.frequency_hz, orders, nominals_hz)


def _find_tones(
    record: Samples, sample_rate_hz: float, tones_hz: tuple[float, float]
) -> list[float]:
    """Peak of the spectrum near each commanded tone, to a tenth of a bin, Hz."""
    window = hann(record.size)
    power = np.abs(scipy.fft.rfft((record - record.mean()) * window)) ** 2
    bin_hz = sample_rate_hz / record.size
    middle = float(np.sqrt(tones_hz[0] * tones_hz[1])) / bin_hz
    found = []
    for tone_hz, low, high in (
        (tones_hz[0], 3.0, middle),
        (tones_hz[1], middle, float(power.size - 3)),
    ):
        first = int(max(tone_hz * (1 - _SEARCH_REACH) / bin_hz, low))
        last = int(min(tone_hz * (1 + _SEARCH_REACH) / bin_hz, high)) + 1
        peak = first + int(np.argmax(power[first:last]))
        found.append(peak_position(power, peak) * bin_hz)
    return found


def _require_steady_phase(record: Samples, sample_rate_hz: float, fit: LineFit) -> None:
    """Refuse a record with a block missing: a tone's phase steps, all other lines taken off.

    A product beside a tone turns its phase as well, which is no fault of the record. Either tone is
    looked at: a block may hold whole cycles of one.
    """
    for k in range(2):
        amplitude = fit.amplitude.copy()
        amplitude[k] = 0.0
        alone = remove_lines(record, sample_rate_hz, replace(fit, amplitude=amplitude))
        hz = float(fit.frequency_hz[k])
        checks.require_steady_phase(
            alone, sample_rate_hz, hz, tone_of_parts(alone, sample_rate_hz, hz)
        )


def _require_apart(found_hz: Sequence[float] | Spectral, bin_hz: float) -> None:
    """Refuse (no_signal) a record in which both tones come out as one line."""
    lower_hz, upper_hz = found_hz
    if abs(upper_hz - lower_hz) < _TONES_APART_BINS * bin_hz:
        raise CannotMeasure(
            "no_signal",
            f"where two tones were expected there is one, near {(lower_hz + upper_hz) / 2:.6g} Hz",
            "check that the generator plays both tones, and their frequencies",
        )


def _require_tones(record: Samples, tones: LineFit, tones_hz: tuple[float, float]) -> None:
    """Refuse a record without both tones (no_signal), or with one elsewhere (wrong_frequency)."""
    power = np.abs(tones.amplitude) ** 2 / 2
    ac_power = sum_of_squares(record - record.mean()) / record.size
    for k, tone_hz in enumerate(tones_hz):
        if power[k] < LEAST_TONE * ac_power:
            raise CannotMeasure(
                "no_signal",
                f"the tone at {tone_hz:g} Hz is missing: {power[k] / ac_power:.2g} of the power",
                "check that the generator plays both tones, and their frequencies",
            )
        checks.require_frequency(float(tones.frequency_hz[k]), tone_hz)
    if float(power.sum()) < LEAST_SHARE * ac_power:
        raise CannotMeasure(
            "no_signal",
            f"the two tones hold only {float(power.sum()) / ac_power:.2g} of the record's power",
            "look for a third tone, an oscillation or an open cable",
        )


def _fit_everything(
    record: Samples,
    sample_rate_hz: float,
    tones_hz: Spectral,
    orders: Sequence[tuple[int, int]],
    nominals_hz: Sequence[float],
) -> _Lines:
    """One joint fit of tones, products, harmonics and, once seen, mains lines."""
    bin_hz = sample_rate_hz / record.size
    lower_hz, upper_hz, fit = _fit_jointly(record, sample_rate_hz, tones_hz, orders, ())
    mains = find_mains(remove_lines(record, sample_rate_hz, fit), sample_rate_hz, nominals_hz)
    hum: dict[int, int] = {}
    if mains is not None and mains.is_seen:
        at = mains.value_hz
        multiples = multiples_below(at, sample_rate_hz)
        beside = [upper_hz + k * at for k in (-2, -1, 1, 2)]
        hum_hz = [k * at for k in multiples]
        lower_hz, upper_hz, fit = _fit_jointly(
            record, sample_rate_hz, (lower_hz, upper_hz), orders, hum_hz + beside
        )
        place = {float(f): line for line, f in enumerate(fit.frequency_hz)}
        hum = {k: place[f] for k, f in zip(multiples, hum_hz, strict=True) if f in place}
    rest = residual_periodogram(record, sample_rate_hz, fit)
    seen_v2 = seen_noise(record, fit, rest)
    noise = rounding_of_fit(record, fit, rest, seen_v2).lines_v2(seen_v2)
    least_v2 = _least_v2(fit)
    noise = noise + leaked_v2(
        rest, fit.frequency_hz, tone_hz=upper_hz, own_v2=0.0, least_v2=least_v2
    )
    asked = range(2 + len(orders))
    hidden: dict[int, tuple[int, float]] = {}
    if hum and mains is not None:
        seen = SeenHum(mains_hz=mains.value_hz, doubt_hz=mains.standard_uncertainty_hz, lines=hum)
        hidden = hidden_hum(fit, noise, asked, seen, bin_hz)
    is_on_mains = any(
        abs(lower_hz - nominal_hz) < SEARCH_REACH * nominal_hz + bin_hz
        for nominal_hz in nominals_hz
    ) and not (hum and 1 in hum)
    if is_on_mains:
        # Hum would show in the tone's harmonics as well.
        own = {k: _nearest(fit.frequency_hz, k * lower_hz) for k in _FIRST_HARMONICS}
        seen = SeenHum(mains_hz=lower_hz, doubt_hz=0.0, lines=own)
        hidden |= hidden_hum(fit, noise, [0], seen, bin_hz)
    doubt = noise.copy()
    for line, (_, error_v2) in hidden.items():
        doubt[line] += error_v2
    return _Lines(
        fit=fit, rest=rest, seen_v2=seen_v2, noise_v2=doubt, is_lower_on_mains=is_on_mains
    )


def _nearest(lines_hz: Spectral, hz: float) -> int:
    return int(np.argmin(np.abs(lines_hz - hz)))


def _fit_jointly(
    record: Samples,
    sample_rate_hz: float,
    tones_hz: Sequence[float] | Spectral,
    orders: Sequence[tuple[int, int]],
    mains_hz: Sequence[float],
) -> tuple[float, float, LineFit]:
    """Both tones' frequencies, and the fit of all lines at what follows from them.

    The fit is repeated until no tone turns by more over the record than the noise lets it.
    """
    lower, upper = (float(f) for f in tones_hz)
    bin_hz = sample_rate_hz / record.size
    for _ in range(_MOST_STEPS):
        lines = [lower, upper, *(a * lower + b * upper for a, b in orders)]
        others = [k * lower for k in range(2, _HARMONICS + 1)]
        others += [2 * upper, 3 * upper, upper + lower, upper - lower, 2 * lower - upper]
        others += [2 * upper - lower, 2 * upper + lower, 2 * lower + upper]
        others += mains_hz
        lines = _with_others(lines, others, sample_rate_hz, record.size)
        fit = fit_lines(record, sample_rate_hz, lines, drifting=[0, 1])
        step = np.clip(fit.correction_hz[:2], -bin_hz / 2, bin_hz / 2)
        if np.abs(step).max() < _STEADY_RAD / (2 * np.pi) * bin_hz:
            break
        lower, upper = lower + float(step[0]), upper + float(step[1])
    return lower, upper, fit


def _with_others(
    lines: list[float], others: list[float], sample_rate_hz: float, count: int
) -> list[float]:
    """Lines and those others that the record can tell from each of them."""
    bin_hz = sample_rate_hz / count
    kept = list(lines)
    for other in others:
        inside = 2 * bin_hz < other < 0.49 * sample_rate_hz
        if inside and all(abs(other - line) > _APART_BINS * bin_hz for line in kept):
            kept.append(other)
    return kept


def _level(lines: _Lines, k: int) -> Estimate:
    """Level of a tone, V rms; radial variance of an amplitude is half of b."""
    return Estimate(
        value=lines.level_v(k) / float(np.sqrt(2)),
        standard_uncertainty=float(np.sqrt(lines.noise_v2[k] / 2) / np.sqrt(2)),
    )


def _sum_of_lines(lines: _Lines, chosen: list[int], reference_v: float) -> Estimate:
    """Arithmetic sum of the lines' amplitudes over a reference, or its bound.

    A sum of n amplitudes is at most sqrt(n) times their root-sum-square, whose bound is known.
    """
    amplitude, noise = lines.fit.amplitude[chosen], lines.noise_v2[chosen]
    together = line_estimate(amplitude, noise, scale=1.0 / reference_v)
    if together.value is None:
        bound = (together.upper_bound or 0.0) * float(np.sqrt(len(chosen)))
        return Estimate(value=None, noise_limited=True, upper_bound=bound)
    # mean of abs(c) is A + b/(4A): half of b off its square takes that away; of noise alone all is
    power = np.abs(amplitude) ** 2
    level = np.sqrt(np.maximum(power - noise * np.where(power < _WEAK * noise, 1.0, 0.5), 0.0))
    return Estimate(
        value=float(level.sum()) / reference_v,
        standard_uncertainty=float(np.sqrt(noise.sum() / 2)) / reference_v,
    )
