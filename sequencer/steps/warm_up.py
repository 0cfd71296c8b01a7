"""Kind `warm_up`: drive the unit at a fraction of rated power until it is warm."""

from collections.abc import Iterator, Mapping, Sequence
from typing import ClassVar

from pydantic import Field

from drivers.roles import Role
from sequencer.captures import Capture, named, single_reading
from sequencer.limits import rectangular
from sequencer.quantities import LevelQuantity, PositiveDuration, PositiveFrequency
from sequencer.steps import driving
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Leaves,
    Situation,
    StepKind,
    StepSettings,
    say,
)
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData


class WarmUpSettings(StepSettings):
    """Drive at a fraction of rated power until warm."""

    level: LevelQuantity = Field(description="output level, usually 1/8 of rated power")
    time: PositiveDuration = Field(description="how long")
    frequency: PositiveFrequency = Field(default=1000.0, description="frequency of the tone")


@register
class WarmUp(StepKind[WarmUpSettings]):
    """Drive at a fraction of rated power until warm."""

    name = "warm_up"
    settings = WarmUpSettings
    readings: ClassVar[Mapping[str, str]] = {"temperature": "degC"}

    def leaves(self, settings: WarmUpSettings) -> Leaves | None:
        """Warm."""
        return Leaves.WARM

    def demand(self, settings: WarmUpSettings, unit: UnitData) -> Demand:
        """Drive and a load that stands it; a thermometer helps."""
        level = settings.level.to_vrms(unit.load_ohm, unit.rated_power_w)
        return Demand(
            roles=frozenset({Role.GENERATOR, Role.ANALYSER}),
            helpful_roles=frozenset({Role.THERMOMETER}),
            top_frequency_hz=settings.frequency,
            generator_vrms=level / 10.0 ** (unit.gain_db / 20.0),
            load_w=level**2 / unit.load_ohm,
            load_s=settings.time,
            duration_s=settings.time,
        )

    def describe(self, settings: WarmUpSettings, unit: UnitData) -> str:
        """What happens, in words."""
        watts = settings.level.to_watts(unit.load_ohm, unit.rated_power_w)
        return f"drives {say(watts, 'W')} into the load for {say(settings.time, 's')}"

    def acquire(self, settings: WarmUpSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Reach the level, hold it, read the temperature, go back to silence."""
        drive = driving.reach_level(
            bench,
            frequency_hz=settings.frequency,
            target_vrms=settings.level.to_vrms(bench.unit.load_ohm, bench.unit.rated_power_w),
        )
        if drive.problem:
            bench.note(f"warming up below the wanted level: {drive.problem}")
        bench.wait(settings.time)
        driving.highest_range(bench.analyser)
        bench.generator.set_level(0.0)
        if bench.has(Role.THERMOMETER):
            celsius = bench.thermometer.read_celsius()
            yield single_reading("temperature", Role.THERMOMETER.value, celsius)

    def evaluate(
        self, settings: WarmUpSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """The temperature reached."""
        capture = named(captures, "temperature")
        if capture is None:
            return []
        doubt = rectangular(situation.of(Role.THERMOMETER).temperature_k)
        value = float(capture.first[0])
        return [Finding(name="temperature", unit="degC", value=value, standard_uncertainty=doubt)]
