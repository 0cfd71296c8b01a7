"""Kind `servo_settling`: how the DC at the output comes to rest.

From power-on, through the relay; or, for a DC-coupled unit, after a small DC step at its input.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from drivers.roles import Role
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.excursions import Excursion
from sequencer.analysis.settling import analyse_settling
from sequencer.analysis.settling_result import SettlingResult
from sequencer.captures import Capture, named
from sequencer.limits import rectangular
from sequencer.pictures import Curve, Picture
from sequencer.quantities import PositiveVoltage, at_most
from sequencer.steps import driving
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Leaves,
    Situation,
    StepSettings,
    found,
    not_found,
    say,
)
from sequencer.steps.bounds import SwitchOnTime
from sequencer.steps.one_record import OneRecordKind
from sequencer.steps.power import (
    LOAD_SETTLE_S,
    MAINS_READINGS,
    DcStop,
    load_after_dc,
    mains_captures,
    mains_findings,
    ready_for_mains,
)
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData

SAMPLE_RATE_HZ = 8000.0
BEFORE_S = 0.5
CONTACT_S = 0.02  # after this the click has rung out
# From the command to the contact of a mains switch: half a cycle where it waits for the zero crossing
# (common practice, no source), taken as a half-width.
SWITCHING_S = 0.01
_TOLD_TONE = 0.05  # of the band, peak, from which a tone left out is told
_STEADY_RING = "the record does not show it dying away; record longer"
_GROWING_RING = "it grows as long as the record lasts"
_RING_READINGS = (("ring_frequency", "Hz"), ("ring_time_constant", "s"), ("ring_amplitude", "V"))
BY_HAND = "the unit was switched on by hand, so nobody knows when"
_END_OPEN = (
    "the record is too short, or too noisy, to tell whether it ends inside the band: "
    "it still moves at its end; a longer one would tell"
)
_END_AT_EDGE = (
    "its final value lies nearer to the edge of the band than its doubt, so it may be inside or not; "
    "a longer record, or less noise, would tell"
)
NO_EVENT = "the record does not show the output coming on, so there is nothing to count from"


class ServoSettlingSettings(StepSettings):
    """How the DC at the output comes to rest."""

    within: Annotated[PositiveVoltage, at_most("1 V", "voltage")] = Field(
        default=0.010, description="half-width of the band around 0 V"
    )
    after: Literal["power_on", "input_step"] = Field(
        default="power_on", description="what moves the output"
    )
    record: SwitchOnTime = Field(default=20.0, le=300.0, description="length of the record")
    dc_stop: DcStop = Field(
        default=0.1, description="a DC beyond this stops the run before the load is connected"
    )
    step: Annotated[PositiveVoltage, at_most("100 mV", "voltage")] = Field(
        default=0.005, description="size of the DC step at the input"
    )


@register
class ServoSettling(OneRecordKind[ServoSettlingSettings, SettlingResult]):
    """How the DC at the output comes to rest."""

    name = "servo_settling"
    settings = ServoSettlingSettings
    capture_name = "settling"
    readings: ClassVar[Mapping[str, str]] = {
        "settling_time": "s",
        "time_constant": "s",
        "final_value": "V",
        "ring_frequency": "Hz",
        "ring_time_constant": "s",
        "ring_amplitude": "V",
        "relay_delay": "s",
        "click": "V",
        "mains_power": "W",
        "mains_voltage": "V",
    }

    def leaves(self, settings: ServoSettlingSettings) -> Leaves | None:
        """On, with its load, where it switches on."""
        return Leaves.ON if settings.after == "power_on" else None

    def demand(self, settings: ServoSettlingSettings, unit: UnitData) -> Demand:
        """Analyser to record, meter for the DC before the load."""
        is_power_on = settings.after == "power_on"
        timed = (name for name in self.readings if name not in MAINS_READINGS)
        switched = {name: (Role.MAINS_SWITCH, "set_output") for name in timed if is_power_on}
        return Demand(
            roles=frozenset({Role.GENERATOR, Role.ANALYSER, Role.DMM}),
            helpful_roles=frozenset({Role.MAINS_SWITCH, Role.POWER_METER}),
            by_hand_without=Role.MAINS_SWITCH if is_power_on else None,
            readings_by={**switched, **MAINS_READINGS},
            top_frequency_hz=unit.mains_frequency_hz * 4.0,
            duration_s=settings.record + BEFORE_S + LOAD_SETTLE_S,
        )

    def is_vital_for(self, settings: ServoSettlingSettings) -> bool:
        """As the power-on of the unit: without its DC check there is no load."""
        return settings.after == "power_on"

    def describe(self, settings: ServoSettlingSettings, unit: UnitData) -> str:
        """What happens, in words."""
        band = f"the output to stay within {say(settings.within, 'V')}"
        if settings.after == "power_on":
            return (
                f"switches the mains on with the load off, times {band}, stops if more than "
                f"{say(settings.dc_stop, 'V')} DC is left, then connects the load"
            )
        return f"steps the input by {say(settings.step, 'V')} DC and times {band}"

    def acquire(self, settings: ServoSettlingSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Record first, then move the output; the record is fetched when its time has passed.

        No record of a unit that is switched on by hand: it would be over before, or hold no such moment.
        """
        if settings.after == "power_on":
            ready_for_mains(bench)
            if not bench.has(Role.MAINS_SWITCH):
                bench.switch_mains(True)
                bench.wait(settings.record)
                yield from load_after_dc(bench, settings.dc_stop)
                yield from mains_captures(bench)
                return
        else:
            driving.silence(bench)
            bench.analyser.set_range(1.0)
        analyser = bench.analyser
        rate = driving.sample_rate_for(analyser, SAMPLE_RATE_HZ * 0.45)
        analyser.start(round((BEFORE_S + settings.record) * rate), rate)
        bench.wait(BEFORE_S)
        if settings.after == "power_on":
            bench.switch_mains(True)
        else:
            bench.energise("DC step at the input")
            bench.generator.set_sine(1000.0, 0.0, offset_v=settings.step)
        bench.wait(settings.record)
        yield driving.from_waveform("settling", analyser.fetch(), {"moved_s": BEFORE_S})
        if settings.after == "power_on":
            yield from load_after_dc(bench, settings.dc_stop)
            yield from mains_captures(bench)
        else:
            driving.highest_range(analyser)
            bench.generator.set_sine(1000.0, 0.0)

    def evaluate(
        self, settings: ServoSettlingSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Findings from the record, and what the unit draws from the mains."""
        found_in_record = super().evaluate(settings, captures, situation)
        if named(captures, self.capture_name) is None and named(captures, "dc") is not None:
            found_in_record = self._nothing(settings, BY_HAND)
        return [*found_in_record, *mains_findings(captures, situation)]

    def analyse(
        self, settings: ServoSettlingSettings, capture: Capture, situation: Situation
    ) -> SettlingResult:
        """The analysis of the record. Raises CannotMeasure."""
        return _analyse(settings, capture, situation)

    def findings(
        self,
        settings: ServoSettlingSettings,
        capture: Capture,
        result: SettlingResult,
        situation: Situation,
    ) -> list[Finding]:
        """Findings with the instruments' doubt joined in."""
        return _findings(settings, capture, result, situation)

    def drawn(
        self,
        settings: ServoSettlingSettings,
        capture: Capture,
        result: SettlingResult,
        situation: Situation,
    ) -> list[Picture]:
        """What the report shows of the record."""
        return [settling_picture(result)]

    def expected(self, settings: ServoSettlingSettings) -> tuple[str, ...]:
        """What every settling record should give."""
        return ("settling_time", "time_constant", "final_value")


def _analyse(
    settings: ServoSettlingSettings, capture: Capture, situation: Situation
) -> SettlingResult:
    return analyse_settling(
        capture.first,
        capture.sample_rate_hz,
        within_v=settings.within,
        event_s=None if settings.after == "power_on" else capture.facts["moved_s"],
        mains_hz=situation.unit.mains_frequency_hz,
        is_overrange=capture.is_overrange,
        range_peak_v=capture.range_peak_v,
        offset_doubt_v=rectangular(situation.of(Role.ANALYSER).dc_v),
    )


def _findings(
    settings: ServoSettlingSettings, capture: Capture, result: SettlingResult, situation: Situation
) -> list[Finding]:
    analyser = situation.of(Role.ANALYSER)
    final = final_finding(result, rectangular(analyser.dc_v))
    if not result.is_event_found:
        timed = {"settling_time": "s", "time_constant": "s", "relay_delay": "s", "click": "V"}
        return [*(not_found(name, unit, NO_EVENT) for name, unit in timed.items()), final]
    event_doubt_s = rectangular(1.0 / capture.sample_rate_hz)  # the event lies between two samples
    findings = [_settling_time(result, event_doubt_s)]
    if result.time_constant_s is not None:
        findings.append(time_constant_finding(result.time_constant_s, result))
    findings += [*ring_findings(result, event_doubt_s), final]
    if settings.after == "power_on":
        delay = Estimate(
            value=result.event_s - capture.facts["moved_s"],
            standard_uncertainty=math.hypot(event_doubt_s, result.event_doubt_s),
        )
        clock_s = rectangular(analyser.frequency) * result.event_s
        findings += [
            found("relay_delay", "s", delay, rectangular(SWITCHING_S), clock_s),
            _click(capture, result, rectangular(analyser.level)),
        ]
    return findings


def ring_findings(result: SettlingResult, event_doubt_s: float) -> list[Finding]:
    """Frequency, time constant and amplitude of what rings, or why there are none; empty if nothing.

    A decaying ring's amplitude, that at the event, is as uncertain as the event's time makes it.
    """
    if not result.is_oscillating:
        return []
    values = (result.ring_frequency_hz, result.ring_time_constant_s, result.ring_amplitude_v)
    why = _rings_on(result) if result.too_fast_hz is None else _rings_too_fast(result)
    findings = [
        not_found(name, unit, why) if value is None else found(name, unit, value)
        for (name, unit), value in zip(_RING_READINGS, values, strict=True)
    ]
    tau, amplitude = result.ring_time_constant_s, result.ring_amplitude_v
    if tau is not None and tau.value and amplitude is not None and amplitude.value is not None:
        begin_doubt_s = math.hypot(event_doubt_s, result.event_doubt_s, result.begin_doubt_s)
        own_v = begin_doubt_s * amplitude.value / tau.value
        findings[-1] = found("ring_amplitude", "V", amplitude, own_v)
    if result.is_growing:
        findings[-1] = replace(findings[-1], remarks=("at the end of the record: it grows",))
    return findings


def excursion_remarks(result: SettlingResult) -> list[str]:
    """Where the band is left after the course has entered it: what counts, and clicks that don't."""
    lasting = [excursion for excursion in result.excursions if not excursion.is_click]
    clicks = [excursion for excursion in result.excursions if excursion.is_click]
    remarks = []
    if lasting:
        remarks.append(f"it leaves the band again: {_excursions(lasting, result.event_s)}")
    if clicks:
        remarks.append(f"left out as a click: {_excursions(clicks, result.event_s)}")
    return remarks


def left_out_remarks(result: SettlingResult) -> list[str]:
    """What was left out while the voltage was still on its way, clicks and longer pulses."""
    clicks = [each for each in result.left_out if each.is_click]
    pulses = [each for each in result.left_out if not each.is_click]
    return [
        f"left out as a {what}, beside its course: {_excursions(those, result.event_s)}"
        for what, those in (("click", clicks), ("pulse", pulses))
        if those
    ]


def settling_remarks(result: SettlingResult) -> list[str]:
    """What a settling time has to be read with: clicks, a step, a late begin, a ring, a tone."""
    remarks = [*left_out_remarks(result), *_on_its_way_remarks(result)]
    if result.begins_s:
        remarks.append(f"the voltage moves only {say(result.begins_s, 's')} after that")
    if result.is_settled and result.is_oscillating:
        remarks.append("it rings on then, but inside the band")
    if result.steady_tones:
        tone = max(result.steady_tones, key=lambda each: each.amplitude_v)
        if tone.amplitude_v > _TOLD_TONE * (result.band_v[1] - result.band_v[0]):
            what = f"{say(tone.amplitude_v, 'V')} peak at {say(tone.frequency_hz, 'Hz')}"
            remarks.append(f"left out as hum is: a steady tone of {what}")
    return remarks


def _excursions(excursions: Sequence[Excursion], event_s: float) -> str:
    """When, for how long and how far the furthest of some excursions goes, and how many they are."""
    furthest = max(excursions, key=lambda excursion: abs(excursion.peak_v))
    duration = say(furthest.stop_s - furthest.start_s, "s")
    told = f"{say(furthest.peak_v, 'V')} at {say(furthest.start_s - event_s, 's')} for {duration}"
    return told if len(excursions) == 1 else f"{told}, the furthest of {len(excursions)}"


def _step_remarks(result: SettlingResult) -> list[str]:
    """By how much it steps, and when."""
    if result.step_s is None or result.step_v is None:
        return []
    step, at = result.step_v.value or 0.0, result.step_s.value or 0.0
    return [f"it steps by {say(step, 'V')} at {say(at, 's')}"]


def _on_its_way_remarks(result: SettlingResult) -> list[str]:
    """The same where it comes before it has settled: lost samples look like a step there."""
    step_s, settled_s = result.step_s, result.settling_time_s.value
    if step_s is None or (settled_s is not None and (step_s.value or 0.0) > settled_s):
        return []
    lost = "if samples are lost there, this is off by more than its doubt"
    return [f"{remark}; {lost}" for remark in _step_remarks(result)]


def time_constant_finding(time_constant: Estimate, result: SettlingResult) -> Finding:
    """The decay's time constant, with what was left out of the decay."""
    remarks = [*left_out_remarks(result), *_on_its_way_remarks(result)]
    return found("time_constant", "s", time_constant, remarks=remarks)


def final_finding(result: SettlingResult, *own_doubts: float) -> Finding:
    """Where the voltage ends; where it drifts on that is the end of the record."""
    remarks = []
    if result.is_drifting:
        slope = result.slope_v_per_s
        rate = "" if slope is None else f", by {say(slope.value or 0.0, 'V')} a second"
        remarks.append(f"at the end of the record: it drifts on{rate}")
    remarks += _step_remarks(result)
    return found("final_value", "V", result.final_value_v, *own_doubts, remarks=remarks)


def _rings_on(result: SettlingResult) -> str:
    return _GROWING_RING if result.is_growing else _STEADY_RING


def _settling_time(result: SettlingResult, event_doubt_s: float) -> Finding:
    """The time only where it settles within the record; else the reason why it doesn't."""
    if result.is_settled:
        remarks = [*excursion_remarks(result), *settling_remarks(result)]
        return found("settling_time", "s", result.settling_time_s, event_doubt_s, remarks=remarks)
    return not_found("settling_time", "s", why_not_settled(result))


def why_not_settled(result: SettlingResult) -> str:
    """Why there is no settling time within the record, in words."""
    if result.is_extrapolated and result.settling_time_s.value is not None:
        when = say(result.settling_time_s.value, "s")
        return f"not settled within the record (by its course after {when})"
    if result.too_fast_hz is not None:
        return _rings_too_fast(result)
    if any(not excursion.is_click for excursion in result.excursions):
        return f"{excursion_remarks(result)[0]}, up to the end of the record"
    if result.is_oscillating and result.ring_time_constant_s is None:
        return f"it oscillates; {_rings_on(result)}"
    if result.is_end_open:
        return _END_OPEN if result.is_drifting or result.is_oscillating else _END_AT_EDGE
    if result.is_drifting:
        return "it drifts on at the end of the record"
    final = say(result.final_value_v.value or 0.0, "V")
    return f"it does not settle within the record, at whose end it is about {final}"


def _rings_too_fast(result: SettlingResult) -> str:
    """Why ringing as fast as too_fast_hz gives no reading."""
    if result.is_too_fast_late:
        return (
            "a pulse, or a tone that begins later, swings as fast as at about "
            f"{say(result.too_fast_hz or 0.0, 'Hz')}, where means over mains cycles tell no course; "
            "record again without it"
        )
    if result.may_be_hum:
        return (
            f"what dies away at about {say(result.too_fast_hz or 0.0, 'Hz')} may be ringing or hum "
            "that changes; it can be told with less hum, or at another mains frequency"
        )
    return (
        f"it rings at about {say(result.too_fast_hz or 0.0, 'Hz')}, faster than the "
        f"{say(result.fastest_hz, 'Hz')} that can be followed while hum is averaged out"
    )


def _click(capture: Capture, result: SettlingResult, relative: float) -> Finding:
    """Largest excursion from the course of the DC in the first 20 ms after the relay, V peak.

    A contact closes between two samples, and the click falls from its first moment on. Carried back
    by one sample at the rate at which it falls, its peak lies between the largest sample and that
    value: the middle is given, with half the distance as half-width (JCGM 100:2008, 4.3.7).
    """
    first = max(round(result.event_s * capture.sample_rate_hz) - 2, 0)
    span = capture.first[first : first + round(CONTACT_S * capture.sample_rate_hz)]
    course_v = float(result.trend_v[0])
    # Samples from before the contact lie at 0 V, off the course by all of it, and are no click.
    away = np.where(np.abs(span) > 0.5 * abs(course_v), np.abs(span - course_v), 0.0)
    at = int(np.argmax(away))
    largest, after = float(away[at]), float(away[min(at + 1, away.size - 1)])
    half = 0.5 * largest * (min(largest / max(after, 1e-12), 2.0) - 1.0)
    click = Estimate(value=largest + half, standard_uncertainty=rectangular(half))
    return found("click", "V", click, relative * largest)


def settling_picture(result: SettlingResult) -> Picture:
    """The trend with its band and its course."""
    curves = [Curve(label="output", x=result.trend_time_s, y=1e3 * result.trend_v)]
    if result.course_v is not None:
        curves.append(Curve(label="fitted course", x=result.trend_time_s, y=1e3 * result.course_v))
    low_v, high_v = result.band_v
    return Picture(
        name="settling",
        title="DC at the output coming to rest",
        x_label="time in s",
        y_label="output in mV",
        curves=curves,
        band=(1e3 * low_v, 1e3 * high_v),
        caption="Hum and clicks are averaged out; the band is shaded.",
    )
