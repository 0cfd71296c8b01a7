"""Kind `warm_up`: drive the unit at a fraction of rated power until it is warm."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import ClassVar

from pydantic import Field

from drivers.roles import Role
from sequencer.captures import Capture, named, single_reading
from sequencer.limits import rectangular
from sequencer.quantities import LevelQuantity
from sequencer.steps import driving
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Leaves,
    Situation,
    StepKind,
    StepSettings,
    driven,
    not_found,
    say,
)
from sequencer.steps.bounds import WarmUpFrequency, WarmUpTime
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData

# How far the level may have fallen by the end: a tenth of the power (common practice, no source).
LOWEST_DB = 0.46


class WarmUpSettings(StepSettings):
    """Drive at a fraction of rated power until warm."""

    level: LevelQuantity = Field(description="output level, usually 1/8 of rated power")
    time: WarmUpTime = Field(description="how long")
    frequency: WarmUpFrequency = Field(default=1000.0, description="frequency of the tone")


@register
class WarmUp(StepKind[WarmUpSettings]):
    """Drive at a fraction of rated power until warm."""

    name = "warm_up"
    settings = WarmUpSettings
    readings: ClassVar[Mapping[str, str]] = {"power": "W", "temperature": "degC"}

    def leaves(self, settings: WarmUpSettings) -> Leaves | None:
        """Warm."""
        return Leaves.WARM

    def demand(self, settings: WarmUpSettings, unit: UnitData) -> Demand:
        """Drive and a load that stands it; a thermometer helps."""
        drive = driven(
            settings.level, unit, top_frequency_hz=settings.frequency, seconds=settings.time
        )
        return replace(
            drive,
            helpful_roles=frozenset({Role.THERMOMETER}),
            readings_by={"temperature": (Role.THERMOMETER, "read_celsius")},
        )

    def describe(self, settings: WarmUpSettings, unit: UnitData) -> str:
        """What happens, in words."""
        watts = settings.level.to_watts(unit.load_ohm, unit.rated_power_w)
        return f"drives {say(watts, 'W')} into the load for {say(settings.time, 's')}"

    def acquire(self, settings: WarmUpSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Reach the level, hold it, see that it still stands; in silence read the temperature."""
        drive = driving.reach_level(
            bench,
            frequency_hz=settings.frequency,
            target_vrms=settings.level.to_vrms(bench.unit.load_ohm, bench.unit.rated_power_w),
        )
        if drive.problem:
            bench.note(f"warming up below the wanted level: {drive.problem}")
        bench.wait(settings.time)
        yield driving.record(
            bench,
            "output",
            peak_v=max(drive.output_vrms, drive.target_vrms) * math.sqrt(2.0) * driving.HEADROOM,
            seconds=max(driving.PROBE_S, driving.PROBE_CYCLES / settings.frequency),
            sample_rate_hz=driving.sample_rate_for(bench.analyser, 4.0 * settings.frequency, 192e3),
            facts=drive.facts(),
        )
        driving.highest_range(bench.analyser)
        bench.generator.set_level(0.0)
        if bench.has(Role.THERMOMETER):
            celsius = bench.thermometer.read_celsius()
            yield single_reading("temperature", Role.THERMOMETER.value, celsius)

    def evaluate(
        self, settings: WarmUpSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """The power that was driven to the end, where it is the wanted one; the temperature reached."""
        findings = [_power(settings, named(captures, "output"), situation)]
        if (capture := named(captures, "temperature")) is not None:
            doubt = rectangular(situation.of(Role.THERMOMETER).temperature_k)
            value = float(capture.first[0])
            findings.append(
                Finding(name="temperature", unit="degC", value=value, standard_uncertainty=doubt)
            )
        return findings


def _power(settings: WarmUpSettings, capture: Capture | None, situation: Situation) -> Finding:
    """The power at the end; none where it was not the wanted one, since the unit is then not warm."""
    if capture is None:
        return not_found("power", "W", "the warm-up did not come to its end")
    if capture.is_overrange:
        return not_found("power", "W", "at the end the analyser's highest range was overloaded")
    level_v = driving.tone_vrms(capture.first, capture.sample_rate_hz, settings.frequency)
    power_w, doubt = driving.watts(level_v, situation)
    wanted_v = capture.facts["target_vrms"]
    if not capture.facts["is_locked"] or level_v < wanted_v * 10.0 ** (-LOWEST_DB / 20.0):
        wanted_w = wanted_v**2 / situation.load.resistance_ohm
        return not_found(
            "power",
            "W",
            f"not warmed up as wanted: {say(power_w, 'W')} were driven at the end, "
            f"{say(wanted_w, 'W')} were wanted",
        )
    return Finding(name="power", unit="W", value=power_w, standard_uncertainty=doubt)
