"""Hum and noise of a record without signal, as findings and as a picture."""

import math

from sequencer.analysis.estimates import Estimate
from sequencer.analysis.hum_change import HumChange
from sequencer.analysis.idle import LEAST_468_RATE_HZ, IdleResult
from sequencer.analysis.mains_nominals import SEARCH_REACH
from sequencer.analysis.noise_change import NoiseChange
from sequencer.captures import Capture
from sequencer.pictures import Mark, Picture
from sequencer.steps.base import Finding, found, not_found, say
from sequencer.steps.disturbances import click_remarks, step_remarks
from sequencer.steps.spectra import spectrum_of

_TOP_HUM_HZ = 1000.0


def hum_name(line_hz: float) -> str:
    """Name of the reading of the hum line that should lie there: hum_50, hum_100 ..."""
    return f"hum_{line_hz:.0f}"


def noise_findings(result: IdleResult, level_doubt: float = 0.0) -> list[Finding]:
    """Noise unweighted, A-weighted and quasi-peak; level_doubt is the instrument's, relative."""

    def volts(name: str, reading: Estimate, *, has_hum: bool) -> Finding:
        words = (
            *click_remarks(result.clicks),
            *step_remarks(result.steps, "which is taken off"),
            *_changes(result.noise_change),
            *(_hum_changes(result) if has_hum else ()),
            *_jumps(result),
        )
        return found(name, "V", reading, level_doubt * (reading.value or 0.0), remarks=words)

    has_hum = result.is_hum_change_in_band
    findings = [
        volts("noise_unweighted", result.noise_unweighted_vrms, has_hum=has_hum),
        volts("noise_a_weighted", result.noise_a_weighted_vrms, has_hum=has_hum),
    ]
    if result.noise_468_weighted_v.value is None:
        why = (
            f"its network passes up to 16 kHz; record at {LEAST_468_RATE_HZ:.0f} samples/s or more"
        )
        return [*findings, not_found("noise_468_weighted", "V", why)]
    return [*findings, volts("noise_468_weighted", result.noise_468_weighted_v, has_hum=True)]


def _jumps(result: IdleResult) -> tuple[str, ...]:
    if not result.hum_jumps or result.read_s is None:
        return ()
    jump = result.hum_jumps[0]
    times = "" if len(result.hum_jumps) == 1 else f" and {len(result.hum_jumps)} times in all"
    where = f"near {say((jump.from_s + jump.to_s) / 2, 's')}{times}"
    begin, end = (say(at_s, "s") for at_s in result.read_s)
    return (
        f"all hum lines turn at once {where}, as samples missing make them; read from {begin} to {end}",
    )


def _changes(change: NoiseChange | None) -> tuple[str, ...]:
    if change is None:
        return ()
    return (f"it changes within the record: {_how_far(change)}, counted in its doubt",)


def _hum_changes(result: IdleResult) -> tuple[str, ...]:
    change = result.hum_change
    if change is None:
        return ()
    mains_hz = result.other_mains_hz or result.nominal_mains_hz
    line = f"its line at {say(change.multiple * mains_hz, 'Hz')} is {_how_far(change)}"
    return (f"the hum changes within the record: {line}, counted in its doubt",)


def _how_far(change: NoiseChange | HumChange) -> str:
    side = "louder" if change.louder_db > 0.0 else "quieter"
    stretch = f"from {say(change.start_s, 's')} to {say(change.stop_s, 's')}"
    return f"{abs(change.louder_db):.1f} dB {side} {stretch} than in the rest"


def hum_findings(
    result: IdleResult, *, said_by: str, level_doubt: float = 0.0, frequency_doubt: float = 0.0
) -> list[Finding]:
    """Mains frequency and hum lines; none of them where what stands out lies beside every line.

    said_by : what names the mains frequency the lines were looked for at; level_doubt and
        frequency_doubt are the instrument's, relative
    """
    nominal_hz = result.nominal_mains_hz
    mains, why = result.mains_frequency_hz, _why_no_mains(result, said_by)
    if mains.value is None:
        frequency = not_found("mains_frequency", "Hz", why)
    else:
        remarks = (
            *_far_off(mains.value, nominal_hz),
            *_wander(result.mains_range_hz),
            *_hum_changes(result),
            *_jumps(result),
        )
        frequency = found(
            "mains_frequency", "Hz", mains, frequency_doubt * mains.value, remarks=remarks
        )
    if not result.hum_lines:
        multiples = range(1, int(_TOP_HUM_HZ // nominal_hz) + 1)
        return [frequency, *(not_found(hum_name(k * nominal_hz), "V", why) for k in multiples)]
    changed = () if result.hum_change is None else result.hum_change.away_v
    hum = {
        k: found(
            hum_name(k * nominal_hz),
            "V",
            line,
            level_doubt * (line.value or 0.0),
            remarks=(*(_hum_changes(result) if k in changed else ()), *_jumps(result)),
        )
        for k, line in result.hum_lines.items()
    } | {
        k: not_found(hum_name(k * nominal_hz), "V", _hidden_by(tone_hz, result))
        for k, tone_hz in result.hidden_lines.items()
    }
    return [frequency, *(hum[k] for k in sorted(hum) if k * nominal_hz <= _TOP_HUM_HZ)]


def _hidden_by(tone_hz: float, result: IdleResult) -> str:
    if result.hum_change is None:
        return f"a tone at {say(tone_hz, 'Hz')} hides it"
    # what changes has lines of its own beside it, which no tone need have made
    return f"hum that changes within the record hides it, or a tone at {say(tone_hz, 'Hz')}"


def _far_off(mains_hz: float, nominal_hz: float) -> tuple[str, ...]:
    off = mains_hz / nominal_hz - 1.0
    if abs(off) <= SEARCH_REACH:
        return ()
    side = "above" if off > 0.0 else "below"
    return (f"{100.0 * abs(off):.1f} % {side} the nominal {say(nominal_hz, 'Hz')}",)


def _wander(range_hz: float | None) -> tuple[str, ...]:
    if range_hz is None:
        return ()
    return (
        f"it wanders by {say(range_hz, 'Hz')} within the record, counted in the doubts of the lines too",
    )


def _why_no_mains(result: IdleResult, said_by: str) -> str:
    nominal = say(result.nominal_mains_hz, "Hz")
    if result.stray_hz:
        return (
            f"a line near {_listed(result.stray_hz)} stands out, which may be hum or a stray tone, "
            f"and too few others tell where {nominal} mains has its hum"
        )
    lone = _listed(result.lone_hum_hz)
    if result.other_mains_hz is None:
        if not lone:
            return "no hum line stands out of the noise"
        return f"of the hum lines only {lone} stands out, which may be a stray tone"
    other = say(result.other_mains_hz, "Hz")
    if not lone:
        return f"the mains here is {other}, {said_by} says {nominal}"
    return (
        f"of the hum lines only {lone} stands out, a line of {other} mains or a stray tone; "
        f"{said_by} says {nominal}"
    )


def _listed(lines_hz: tuple[float, ...]) -> str:
    return " and ".join(say(line_hz, "Hz") for line_hz in lines_hz)


def idle_picture(capture: Capture, result: IdleResult, *, top_hz: float) -> Picture:
    """The spectrum with no signal up to top_hz, the hum lines marked."""
    nominal_hz = result.nominal_mains_hz
    mains_hz = result.mains_frequency_hz.value or nominal_hz
    marks = [
        Mark(
            x=multiple * mains_hz,
            y=20.0 * math.log10(line.value),
            label=f"{multiple * nominal_hz:.0f} Hz",
        )
        for multiple, line in sorted(result.hum_lines.items())
        if line.value and multiple * mains_hz <= _TOP_HUM_HZ
    ]
    return spectrum_of(
        capture,
        name="idle_spectrum",
        title="Spectrum with no signal",
        limits_hz=(10.0, top_hz),
        marks=marks,
        marked="hum lines are marked",
    )
