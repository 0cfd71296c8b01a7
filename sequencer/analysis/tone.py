"""One sine and everything around it: level, frequency, distortion, noise, mains lines.

The joint fit of all lines is made in tone_fit; here its amplitudes and what it leaves become
readings.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from sequencer.analysis import checks
from sequencer.analysis.arrays import Samples, as_samples, sum_of_squares
from sequencer.analysis.dc import SlowRest, offset_variance_v2
from sequencer.analysis.drift import find_drift
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.estimates import Estimate, disturbed
from sequencer.analysis.flat_tops import FlatTops, find_flat_tops
from sequencer.analysis.mains import (
    HIGHEST_LINE_HZ,
    MainsFrequency,
    has_strong,
)
from sequencer.analysis.mains_nominals import NOMINALS_HZ
from sequencer.analysis.noise import (
    MeanSquare,
    band_mean_square,
    each_line_estimate,
    line_estimate,
    lines_mean_square,
)
from sequencer.analysis.sine_fit import (
    find_strongest_hz,
    fit_known_tones,
    fit_sine,
)
from sequencer.analysis.tone_fit import (
    HIGHEST_HARMONIC,
    LATE_HARMONIC,
    ToneLines,
    fit_harmonics,
    fit_tone,
)
from sequencer.analysis.tone_jumps import PhaseJump
from sequencer.analysis.tone_parts import tone_of_parts
from sequencer.analysis.tone_presence import require_presence
from sequencer.analysis.tone_unrest import (
    LONGEST_EDGE,
    Click,
    Movements,
    find_clicks,
    find_movements,
)

__all__ = [
    "Click",
    "ToneResult",
    "analyse_tone",
    "fit_known_tones",
    "measure_tone",
    "relative_phase_rad",
    "rough_thd",
    "sidebands",
]

_LEAST_CYCLES_FOR_DC = 1.5  # of the mains; in less, hum and an offset look alike
_MAINS_WANDER = 0.004  # of its frequency, 0.2 Hz of 50: most grids keep it (from memory)
_LEAST_SHARE = 0.5  # of the AC power that the fitted tone must hold
_STRETCHES = 16  # of a record: in one of them is a tone that was there for an eighth of it
_SECOND_TONE = 0.01  # of the tone's power that no other line may hold (-20 dB)
_PHASES_SEEN = 2**12  # samples: what lies between so many phases is below a millionth
_TRACE = 1e-3  # of a line, less than any analyser knows its level by


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneResult:
    """A tone's numbers, each with its doubt.

    level_vrms is that of the fundamental, phase_rad at mid-record (a cosine has phase 0). thd and
    harmonics are fractions of the fundamental; thd_plus_noise is everything in the band but
    fundamental and DC over everything in the band but DC (no value when the fundamental lies
    outside the band). harmonics_above lists the harmonics up to the tenth that lie above half the
    sample rate or the instrument's band. mains_frequency_hz has no value where no hum tells it;
    mains_sidebands is the root-sum-square of the lines at plus and minus twice the mains frequency,
    over the fundamental (no value in a record too short to tell them from the tone, below about
    0.08 s). hidden_hum_hz are the orders that hum may lie on by what other hum lines show, and where:
    their doubt, or bound, and that of thd, says how much of them hum may be. covered_hum_hz are the
    orders that lie on mains lines, and which, where a strong one of those lies under the tone's and
    no other hum is seen: hum that nothing tells of counts as the tone. dc_offset_v has no value in a
    record that is too short to tell it from hum; dc_moved_v is how far it moves at least, where it does.
    flat_tops is where something limits.
    clicks lie in the record, and level_range_db is how far the level moves, from least to most, where it
    does; phase_jump is where its phase does not go on as it was, or else frequency_range_hz how far its
    frequency moves. All are in the doubts, and disturbed
    holds the names of the numbers that they matter to ("h2" of a harmonic).
    """

    frequency_hz: Estimate
    level_vrms: Estimate
    phase_rad: Estimate
    dc_offset_v: Estimate
    dc_moved_v: float | None
    thd: Estimate
    thd_plus_noise: Estimate
    harmonics: Mapping[int, Estimate]
    harmonics_above: tuple[int, ...]
    crest_factor: Estimate
    mains_frequency_hz: Estimate
    mains_sidebands: Estimate
    hidden_hum_hz: Mapping[int, float]
    covered_hum_hz: Mapping[int, float]
    flat_tops: FlatTops | None
    clicks: tuple[Click, ...] = ()
    level_range_db: float | None = None
    frequency_range_hz: float | None = None
    phase_jump: PhaseJump | None = None
    disturbed: frozenset[str] = frozenset()


def analyse_tone(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    expected_frequency_hz: float | None = None,
    mains_frequency_hz: float | None = 50.0,
    band_hz: tuple[float, float] = (20.0, 20000.0),
    is_overrange: bool = False,
    range_peak_v: float | None = None,
    top_hz: float = math.inf,
) -> ToneResult:
    """Check a record of one sine and measure everything about it.

    Parameters
    ----------
    samples : shape (n,), volts; three cycles or more, ten or more for the best accuracy
    sample_rate_hz : samples a second
    expected_frequency_hz : what the generator was set to; a tone off by over 1 % is refused
    mains_frequency_hz : nominal, as said; None takes 50 or 60, whichever's hum is in the record
    band_hz : band of THD+N
    is_overrange : what the instrument itself says of the record
    range_peak_v : full scale of the converter, volts peak, where known
    top_hz : up to where the instrument is flat; a harmonic above counts neither by itself nor in thd

    Raises
    ------
    CannotMeasure : nonfinite, no_signal (also: more than one tone), overrange, dropout, too_short,
        wrong_frequency, band_too_narrow
    """
    record = checks.require_usable(samples, is_overrange=is_overrange, range_peak_v=range_peak_v)
    checks.require_band(band_hz, sample_rate_hz)
    if expected_frequency_hz is None:
        checks.require_tone_samples(record, sample_rate_hz)
    else:
        checks.require_tone_length(record, sample_rate_hz, expected_frequency_hz)
    tone_hz = find_strongest_hz(record, sample_rate_hz)
    checks.require_no_flat_run(record, sample_rate_hz=sample_rate_hz, frequency_hz=tone_hz)
    parts = tone_of_parts(record, sample_rate_hz, tone_hz)
    require_presence(record, sample_rate_hz, parts)
    checks.require_steady_phase(record, sample_rate_hz, tone_hz, parts)
    _require_share(record, sample_rate_hz, tone_hz)
    if expected_frequency_hz is not None:
        checks.require_frequency(tone_hz, expected_frequency_hz)
    checks.require_tone_length(record, sample_rate_hz, tone_hz)
    return _measure(record, sample_rate_hz, tone_hz, mains_frequency_hz, band_hz, top_hz)


def measure_tone(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    mains_frequency_hz: float = 50.0,
    band_hz: tuple[float, float] = (20.0, 20000.0),
) -> ToneResult:
    """The numbers of analyse_tone without the checks on the record, for records known to be good.

    Raises
    ------
    CannotMeasure : no_signal or band_too_narrow, where there is nothing to compute
    """
    record = as_samples(samples)
    tone_hz = find_strongest_hz(record, sample_rate_hz)
    return _measure(record, sample_rate_hz, tone_hz, mains_frequency_hz, band_hz)


def rough_thd(samples: ArrayLike, sample_rate_hz: float) -> float:
    """THD by a fit of the tone and its harmonics alone, with what noise and hum add to it.

    A tenth of the work of measure_tone, for a first look.

    Parameters
    ----------
    samples : shape (n,), volts

    Raises
    ------
    CannotMeasure : the record is unusable
    """
    record = checks.require_usable(samples)
    checks.require_tone_samples(record, sample_rate_hz)
    tone_hz = find_strongest_hz(record, sample_rate_hz)
    size = np.abs(fit_harmonics(record, sample_rate_hz, tone_hz).amplitude)
    return float(np.linalg.norm(size[1:]) / size[0])


def relative_phase_rad(
    a: ArrayLike, b: ArrayLike, sample_rate_hz: float, frequency_hz: float
) -> float:
    """Phase of the tone in b relative to that in a, rad, -pi to pi: near pi when b is inverted.

    Parameters
    ----------
    a, b : shape (n,), recorded at the same instants; the frequency is refined on a
    frequency_hz : of the tone, within half a bin (sample rate / n)
    """
    first, second = as_samples(a), as_samples(b)
    tone_hz = fit_sine(first, sample_rate_hz, start_hz=frequency_hz).frequency_hz
    turn = fit_known_tones(second, sample_rate_hz, [tone_hz])[0]
    return float(np.angle(turn / fit_known_tones(first, sample_rate_hz, [tone_hz])[0]))


def sidebands(
    samples: ArrayLike, sample_rate_hz: float, *, mains_frequency_hz: float = 50.0
) -> Estimate:
    """Sidebands of the record's tone at plus and minus twice the mains frequency, as a fraction.

    Root-sum-square of both over the fundamental. The mains frequency is taken from the hum in the
    record, else from the sidebands themselves.
    """
    return measure_tone(
        samples,
        sample_rate_hz,
        mains_frequency_hz=mains_frequency_hz,
        band_hz=(0.0, sample_rate_hz / 2),
    ).mains_sidebands


def _require_share(record: Samples, sample_rate_hz: float, tone_hz: float) -> None:
    """Refuse (no_signal) a record of which the strongest tone holds no more than half the power."""
    amplitude_v = abs(complex(fit_known_tones(record, sample_rate_hz, [tone_hz])[0]))
    share = amplitude_v**2 / 2 / float(np.var(record))
    if share <= _LEAST_SHARE * (1 + 1e-3):
        _require_elsewhere(record, sample_rate_hz)
        raise CannotMeasure(
            "no_signal",
            f"the strongest tone holds {100 * share:.0f} % of the power of the record; one tone "
            "with more than half of it was expected",
            "check that the generator drives one sine, of a steady frequency, and that the analyser "
            "is connected to it",
        )


def _require_elsewhere(record: Samples, sample_rate_hz: float) -> None:
    """Refuse (dropout) a record that is silent in its middle, where a tone is looked for."""
    length = max(record.size // _STRETCHES, checks.LEAST_TONE_SAMPLES)
    stretches = record[: record.size // length * length].reshape(-1, length)
    loudest = stretches[stretches.var(axis=1).argmax()]
    tone_hz = find_strongest_hz(loudest, sample_rate_hz)
    require_presence(record, sample_rate_hz, tone_of_parts(record, sample_rate_hz, tone_hz))


def _measure(
    record: Samples,
    sample_rate_hz: float,
    tone_hz: float,
    nominal_mains_hz: float | None,
    band_hz: tuple[float, float],
    top_hz: float = math.inf,
) -> ToneResult:
    """The numbers of a record; where something disturbs it, with what that does in their doubt."""

    def measured(of: Samples) -> tuple[ToneResult, Samples, ToneLines]:
        return _measure_as_is(
            of, record, sample_rate_hz, tone_hz, nominal_mains_hz, band_hz, top_hz
        )

    result, steady, lines = measured(record)
    clean, left = result, record
    clicks = find_clicks(steady, sample_rate_hz, lines)
    if clicks is not None:
        left = left - clicks.course_v
        clean, steady, lines = measured(left)
    moves = find_movements(steady, sample_rate_hz, lines)
    if moves.courses_v:
        left = left - np.sum(moves.courses_v, axis=0)
        clean, steady, lines = measured(left)
        # a step is faster than its course
        edges = find_clicks(steady, sample_rate_hz, lines, longest=LONGEST_EDGE)
        if edges is not None:
            clean, _, _ = measured(left - edges.course_v)
    if clean is result and moves.jump is None:
        return result
    is_drift = moves.phase is not None and moves.jump is None
    return replace(
        _with_doubt_of(result, clean, moves),
        clicks=() if clicks is None else clicks.found,
        level_range_db=moves.level.told_db if moves.level else None,
        frequency_range_hz=moves.phase.range_hz if moves.phase and is_drift else None,
        phase_jump=moves.jump,
    )


def _with_doubt_of(result: ToneResult, clean: ToneResult, moves: Movements) -> ToneResult:
    """The numbers of a disturbed record, doubted by how they differ from those of a clean one."""
    level, phase, jump = moves.level, moves.phase, moves.jump
    u_level_vrms = 0.0 if level is None else level.far_v / math.sqrt(6)
    u_frequency_hz, u_phase_rad = 0.0, 0.0
    if jump is not None:
        u_frequency_hz = abs(jump.off_hz) / math.sqrt(3)
        u_phase_rad = abs(jump.size_rad) / math.sqrt(3)
    elif phase is not None:
        u_frequency_hz, u_phase_rad = phase.far_hz / math.sqrt(3), phase.far_rad / math.sqrt(3)
    turn = (result.phase_rad.value or 0.0) - (clean.phase_rad.value or 0.0)
    clean_phase = replace(clean.phase_rad, value=math.remainder(turn, math.tau))
    turned, _ = disturbed(replace(result.phase_rad, value=0.0), clean_phase, u_phase_rad)
    pairs = {
        "frequency": disturbed(result.frequency_hz, clean.frequency_hz, u_frequency_hz),
        "level": disturbed(result.level_vrms, clean.level_vrms, u_level_vrms),
        "dc_offset": disturbed(result.dc_offset_v, clean.dc_offset_v),
        "thd": disturbed(result.thd, clean.thd),
        "thd_plus_noise": disturbed(result.thd_plus_noise, clean.thd_plus_noise),
        "crest_factor": disturbed(result.crest_factor, clean.crest_factor),
        "mains_frequency": disturbed(result.mains_frequency_hz, clean.mains_frequency_hz),
        "sidebands": disturbed(result.mains_sidebands, clean.mains_sidebands),
        **{
            f"h{k}": disturbed(line, clean.harmonics[k])
            for k, line in result.harmonics.items()
            if k in clean.harmonics
        },
    }
    return replace(
        result,
        frequency_hz=pairs["frequency"][0],
        level_vrms=pairs["level"][0],
        phase_rad=replace(result.phase_rad, standard_uncertainty=turned.standard_uncertainty),
        dc_offset_v=pairs["dc_offset"][0],
        dc_moved_v=clean.dc_moved_v,
        thd=pairs["thd"][0],
        thd_plus_noise=pairs["thd_plus_noise"][0],
        harmonics={k: pairs[f"h{k}"][0] for k in result.harmonics if f"h{k}" in pairs},
        crest_factor=pairs["crest_factor"][0],
        mains_frequency_hz=pairs["mains_frequency"][0],
        mains_sidebands=pairs["sidebands"][0],
        disturbed=frozenset(name for name, (_, is_moved) in pairs.items() if is_moved),
    )


def _measure_as_is(
    record: Samples,
    codes: Samples,
    sample_rate_hz: float,
    tone_hz: float,
    nominal_mains_hz: float | None,
    band_hz: tuple[float, float],
    top_hz: float,
) -> tuple[ToneResult, Samples, ToneLines]:
    """The numbers of a record, the record without its drift, and the fit of that.

    codes : the record as its samples were rounded, before anything was taken off it
    """

    def lines_of(steady: Samples, moved_v: float = 0.0) -> ToneLines:
        return fit_tone(
            steady, sample_rate_hz, tone_hz, nominal_mains_hz, codes=codes, moved_v=moved_v
        )

    lines = lines_of(record)
    slow = SlowRest.of(record, sample_rate_hz, lines.fit)
    drift = find_drift(
        record,
        sample_rate_hz,
        lines.fit,
        slow,
        lambda steady: lines_of(steady).fit,
        rounding_v2=lines.rounding.mean_v2,
    )
    if drift is not None:
        record = record - drift.course_v
        lines = lines_of(record, drift.moved_v)
        slow = SlowRest.of(record, sample_rate_hz, lines.fit)
    first_cycle = 1 if drift is None else drift.first_cycle
    orders = tuple(k for k in lines.comb.orders if k == 1 or k * lines.fundamental_hz <= top_hz)
    _require_one_tone(lines, sample_rate_hz)
    result = ToneResult(
        frequency_hz=_frequency(lines, record.size),
        level_vrms=_level(lines),
        phase_rad=_phase(lines),
        dc_offset_v=_offset(
            slow, first_cycle, record.size, sample_rate_hz, lines, nominal_mains_hz
        ),
        dc_moved_v=None if drift is None else drift.moved_v,
        thd=_fraction(lines, range(1, len(orders))),
        thd_plus_noise=_thd_plus_noise(lines, band_hz),
        harmonics=dict(zip(orders[1:], _each_fraction(lines, range(1, len(orders))), strict=True)),
        harmonics_above=tuple(range(orders[-1] + 1, HIGHEST_HARMONIC + 1)),
        crest_factor=_crest_factor(record, sample_rate_hz, lines),
        mains_frequency_hz=_mains_estimate(lines.mains),
        mains_sidebands=_fraction(lines, range(lines.comb.first_side, lines.comb.first_stray)),
        hidden_hum_hz={
            orders[line]: float(lines.fit.frequency_hz[line])
            for line, (_, error_v2) in lines.hidden_hum.items()
            if line < len(orders) and error_v2 > _least_told_v2(lines, line)
        },
        covered_hum_hz=_covered_hum_hz(
            lines,
            NOMINALS_HZ if nominal_mains_hz is None else (nominal_mains_hz,),
            sample_rate_hz / record.size,
        ),
        flat_tops=find_flat_tops(
            lines.fit.amplitude[: lines.comb.first_multiple],
            lines.doubt_v2[: lines.comb.first_multiple],
            lines.fit.offset_v,
        ),
    )
    return result, record, lines


def _least_told_v2(lines: ToneLines, line: int) -> float:
    """Square of the hum on a line that is worth a word: beyond its noise, and no mere trace of it."""
    trace_v = _TRACE * float(abs(lines.fit.amplitude[line]))
    return max(float(lines.noise_v2[line]), trace_v**2)


def _require_one_tone(lines: ToneLines, sample_rate_hz: float) -> None:
    """Refuse (no_signal) a second line of -20 dB or more that is no harmonic and no hum."""
    least_v2 = _SECOND_TONE * lines.amplitude_v**2 / 2
    for other_hz, line_v2 in _others(lines, least_v2):
        if line_v2 >= least_v2 and not _is_expected(lines, other_hz, sample_rate_hz):
            ratio_db = 10 * np.log10(line_v2 / (lines.amplitude_v**2 / 2))
            raise CannotMeasure(
                "no_signal",
                f"beside the tone at {lines.fundamental_hz:.6g} Hz there is another at "
                f"{other_hz:.6g} Hz, {ratio_db:.1f} dB from it; one tone was expected",
                "drive a single sine, or measure intermodulation instead",
            )


def _covered_hum_hz(
    lines: ToneLines, nominals_hz: Sequence[float], bin_hz: float
) -> dict[int, float]:
    """The orders that may lie on mains lines, and which, where nothing but they could tell of hum."""
    if lines.mains.is_seen or lines.hidden_hum:
        return {}
    orders = lines.comb.orders
    tone_hz = lines.fit.frequency_hz[: len(orders)]
    covered_hz: dict[int, float] = {}
    for nominal_hz in nominals_hz:
        mains_hz = nominal_hz * np.arange(1, int(HIGHEST_LINE_HZ // nominal_hz) + 1)
        away_hz = np.abs(np.subtract.outer(mains_hz, tone_hz))
        is_met = away_hz < bin_hz + _MAINS_WANDER * mains_hz[:, np.newaxis]
        if has_strong((np.flatnonzero(is_met.any(axis=1)) + 1).tolist()):
            nearest = away_hz.argmin(axis=0)
            for i in np.flatnonzero(is_met.any(axis=0)).tolist():
                covered_hz.setdefault(orders[i], float(mains_hz[nearest[i]]))
    return covered_hz


def _others(lines: ToneLines, least_v2: float) -> Iterator[tuple[float, float]]:
    """Frequency and mean square of each stray line, and of each peak of the rest near least_v2."""
    for line in lines.comb.strays:
        yield float(lines.fit.frequency_hz[line]), float(abs(lines.fit.amplitude[line])) ** 2 / 2
    power = lines.residual.mean_square_v2
    if power.max() >= least_v2 / 3:
        for peak in np.flatnonzero(power >= least_v2 / 3).tolist():
            line_v2 = float(power[max(peak - 2, 0) : peak + 3].sum())
            yield peak * lines.residual.bin_hz, line_v2


def _is_expected(lines: ToneLines, other_hz: float, sample_rate_hz: float) -> bool:
    """Whether a line is DC, a harmonic of the tone (folded or not), or of the mains."""
    near_hz = 5 * lines.residual.bin_hz
    multiple = np.arange(LATE_HARMONIC + 1) * lines.fundamental_hz
    folded = np.abs(multiple - np.rint(multiple / sample_rate_hz) * sample_rate_hz)
    mains_hz = lines.mains.value_hz
    hum_hz = mains_hz * min(round(other_hz / mains_hz), HIGHEST_LINE_HZ // mains_hz)
    return bool(np.abs(folded - other_hz).min() < near_hz or abs(hum_hz - other_hz) < near_hz)


def _frequency(lines: ToneLines, count: int) -> Estimate:
    variance = lines.fit.frequency_gain_hz2[0] * lines.doubt_v2[0]
    variance /= lines.fit.amplitude_gain[0]  # back to the variance a sample
    return Estimate(
        value=float(lines.fit.frequency_hz[0] + lines.fit.correction_hz[0]),
        standard_uncertainty=float(np.sqrt(variance)),
    )


def _level(lines: ToneLines) -> Estimate:
    """Level in V rms; half of the noise at the line changes its size, half its phase."""
    return Estimate(
        value=lines.amplitude_v / math.sqrt(2),
        standard_uncertainty=math.sqrt(float(lines.doubt_v2[0])) / 2,
    )


def _phase(lines: ToneLines) -> Estimate:
    return Estimate(
        value=float(np.angle(lines.fit.amplitude[0])),
        standard_uncertainty=float(np.sqrt(lines.doubt_v2[0] / 2)) / lines.amplitude_v,
    )


def _offset(
    slow: SlowRest,
    first_cycle: int,
    count: int,
    sample_rate_hz: float,
    lines: ToneLines,
    nominal_mains_hz: float | None,
) -> Estimate:
    """DC; no value in a record too short to tell it from hum."""
    cycles = count / sample_rate_hz * (nominal_mains_hz or NOMINALS_HZ[0])
    if lines.comb.slow_hz or cycles < _LEAST_CYCLES_FOR_DC:
        return Estimate(value=None)
    variance = offset_variance_v2(slow, lines.fit, first_cycle=first_cycle)
    variance *= max(lines.fit.offset_gain * count, 1.0)
    variance += lines.offset_leaked_v2 / 2 + lines.rounding.mean_v2
    return Estimate(value=lines.fit.offset_v, standard_uncertainty=float(np.sqrt(variance)))


def _each_fraction(lines: ToneLines, chosen: Sequence[int]) -> list[Estimate]:
    """Each of some lines over the fundamental."""
    index = list(chosen)
    return each_line_estimate(
        lines.fit.amplitude[index], lines.doubt_v2[index], scale=1 / lines.amplitude_v
    )


def _fraction(lines: ToneLines, chosen: Sequence[int]) -> Estimate:
    """Root-sum-square of some lines over the fundamental; no value when there are none."""
    if len(chosen) == 0:
        return Estimate(value=None)
    index = list(chosen)
    whole = line_estimate(
        lines.fit.amplitude[index], lines.doubt_v2[index], scale=1 / lines.amplitude_v
    )
    if whole.upper_bound is None or len(index) == 1 or not lines.has_more_than_seen(index):
        return whole
    # what rounding may do to each line it need not do to all: the sum is no less than its greatest part
    each = _each_fraction(lines, index)
    greatest = max(part.upper_bound or part.value or 0.0 for part in each)
    return replace(whole, upper_bound=max(whole.upper_bound, greatest))


def _thd_plus_noise(lines: ToneLines, band_hz: tuple[float, float]) -> Estimate:
    """Everything but fundamental and DC over everything but DC, both in the band.

    Rounding that repeats is in it as a whole, of any phase to the rest.
    """
    lines_hz = lines.fit.frequency_hz
    is_inside = (lines_hz >= band_hz[0]) & (lines_hz <= band_hz[1])
    # a tone driven at the edge of the band belongs to it, however its fit falls
    half_bin_hz = lines.residual.bin_hz / 2
    is_inside[0] = band_hz[0] - half_bin_hz <= lines_hz[0] <= band_hz[1] + half_bin_hz
    if not is_inside[0]:
        return Estimate(value=None)
    inside = is_inside.copy()
    inside[0] = False
    rest = band_mean_square(lines.residual, band_hz) + lines_mean_square(
        lines.fit.amplitude[inside], lines.seen_v2[inside]
    )
    repeating_v2 = lines.rounding.in_rest_v2
    rest += MeanSquare(value_v2=0.0, variance_v4=4 * rest.value_v2 * repeating_v2 + repeating_v2**2)
    total_v2 = rest.value_v2 + lines.amplitude_v**2 / 2
    relative = MeanSquare(
        value_v2=rest.value_v2 / total_v2, variance_v4=rest.variance_v4 / total_v2**2
    )
    return relative.root()


def _crest_factor(record: Samples, sample_rate_hz: float, lines: ToneLines) -> Estimate:
    """Largest excursion from the mean over the rms of all lines and the rest, noise peaks included.

    The noise on the crests, up to three of its standard deviations, is the doubt (rectangular).
    """
    mean = lines.fit.offset_v
    rest_v2 = float(lines.residual.mean_square_v2.sum())
    rms = math.sqrt(sum_of_squares(np.abs(lines.fit.amplitude)) / 2 + rest_v2)
    most_v = _most_between_v(record.size, sample_rate_hz, lines)
    tops = []
    for sign, at in ((1.0, int(record.argmax())), (-1.0, int(record.argmin()))):
        around = sign * (record[max(at - 2, 0) : at + 3] - mean)
        between_v = _rise(around) if around.size == 5 else 0.0
        tops.append(sign * (float(record[at]) - mean) + min(between_v, most_v))
    doubt = math.sqrt(3 * rest_v2) / rms
    return Estimate(value=max(tops) / rms, standard_uncertainty=doubt)


def _most_between_v(count: int, sample_rate_hz: float, lines: ToneLines) -> float:
    """How far the tone may rise above its highest sample, V, by the phases at which it is sampled.

    A tone that fits the sample rate has a few phases only, any other is soon sampled all along its
    crest, and its highest sample is the crest. Half the widest gap between phases is the farthest
    that a crest lies from a sample; there line k has fallen by A_k (1 - cos(k gap/2)).
    """
    tone = slice(0, lines.comb.first_multiple)
    orders = lines.fit.frequency_hz[tone] / lines.fundamental_hz
    turns = lines.fundamental_hz / sample_rate_hz * np.arange(min(count, _PHASES_SEEN)) % 1.0
    gap_rad = 2 * np.pi * float(np.diff(np.sort(turns), append=1.0).max())
    fallen = 1 - np.cos(np.minimum(orders * gap_rad / 2, np.pi))
    return float(np.abs(lines.fit.amplitude[tone]) @ fallen)


def _rise(around: Samples) -> float:
    """How far a sine through a highest sample and its higher neighbour rises above it.

    Parameters
    ----------
    around : shape (5,), about the mean, the highest in the middle, positive

    The sine turns by an angle a sample whose cosine is the mean of a sample's neighbours over it.
    Of the two samples' angles the smaller counts: at the end of a flat top the outer one is that of
    the flank. A pure sine has the same at both.
    """
    if around[1] > around[3]:
        around = around[::-1]
    outer, top, beside, beyond = (float(v) for v in around[1:])
    if beside <= 0:
        return 0.0
    cosine = max((outer + beside) / (2 * top), (top + beyond) / (2 * beside), 0.0)
    if beside <= top * cosine:
        return 0.0  # the crest lies on the sample, or there is no bend at all
    return math.sqrt((top**2 + beside**2 - 2 * top * beside * cosine) / (1 - cosine**2)) - top


def _mains_estimate(mains: MainsFrequency) -> Estimate:
    if not (mains.is_seen and mains.is_told):
        return Estimate(value=None, noise_limited=not mains.is_seen)
    return Estimate(value=mains.value_hz, standard_uncertainty=mains.standard_uncertainty_hz)
