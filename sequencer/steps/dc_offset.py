"""Kind `dc_offset`: the DC at the output, with no signal."""

from collections.abc import Iterator, Mapping, Sequence
from typing import ClassVar

import numpy as np
from pydantic import Field

from drivers.roles import Role
from sequencer.captures import Capture
from sequencer.limits import Limit
from sequencer.quantities import Count
from sequencer.steps import driving
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Situation,
    StepKind,
    StepSettings,
    WiredWrong,
    say,
)
from sequencer.steps.bounds import SettleTime
from sequencer.steps.power import DcStop, dc_finding, dc_readings
from sequencer.steps.registry import register
from sequencer.steps.stops import stop_mistakes
from sequencer.unit_data import UnitData

READING_S = 0.2
# Route of the meter and the reading it gives; the chassis ones matter where both terminals move.
ACROSS = ("meter_output", "dc_offset")
TO_CHASSIS = (
    ("meter_chassis_positive", "dc_offset_positive"),
    ("meter_chassis_negative", "dc_offset_negative"),
)


class DcOffsetSettings(StepSettings):
    """The DC at the output, with no signal."""

    settle: SettleTime = Field(default=2.0, description="silence before the first reading")
    count: Count = Field(default=10, ge=2, le=1000, description="how many meter readings")
    dc_stop: DcStop = Field(default=0.5, description="a DC beyond this stops the run")


@register
class DcOffset(StepKind[DcOffsetSettings]):
    """The DC across the output and, where both terminals move, of each terminal to chassis."""

    name = "dc_offset"
    settings = DcOffsetSettings
    readings: ClassVar[Mapping[str, str]] = {
        "dc_offset": "V",
        "dc_offset_positive": "V",
        "dc_offset_negative": "V",
    }

    def demand(self, settings: DcOffsetSettings, unit: UnitData) -> Demand:
        """A generator to be silent and a meter; routes to chassis for a bridged output."""
        points = _points(unit)
        return Demand(
            roles=frozenset({Role.GENERATOR, Role.DMM}),
            routes=frozenset(route for route, _ in points[1:]),
            duration_s=settings.settle + settings.count * READING_S * len(points),
        )

    def check_limits(self, settings: DcOffsetSettings, limits: Mapping[str, Limit]) -> list[str]:
        """The stop lies beyond the limits."""
        found = (stop_mistakes("dc_stop", settings.dc_stop, each) for each in limits.values())
        return list(dict.fromkeys(words for mistakes in found for words in mistakes))

    def describe(self, settings: DcOffsetSettings, unit: UnitData) -> str:
        """What happens, in words."""
        where = " and of each terminal to chassis" if len(_points(unit)) > 1 else ""
        return f"reads the DC across the output{where} {settings.count} times, input silent"

    def acquire(self, settings: DcOffsetSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Silence, then readings at each point."""
        driving.silence(bench)
        bench.wait(settings.settle)
        for route, name in _points(bench.unit):
            if bench.has_route(route):
                bench.connect(route)
            values = dc_readings(bench, settings.count, settings.dc_stop)
            yield Capture(name=name, role=Role.DMM.value, samples=np.array([values]))
            if (worst := abs(values[-1])) > settings.dc_stop:
                raise WiredWrong(
                    f"{say(worst, 'V')} DC at the output exceeds {say(settings.dc_stop, 'V')}"
                )
        if bench.has_route(ACROSS[0]):
            bench.connect(ACROSS[0])

    def evaluate(
        self, settings: DcOffsetSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Mean, scatter and the meter's accuracy."""
        return [dc_finding(capture, situation, capture.name) for capture in captures]


def _points(unit: UnitData) -> tuple[tuple[str, str], ...]:
    """Where to read: across the output, and to chassis unless one terminal is earthed."""
    return (ACROSS,) if unit.output == "single_ended" else (ACROSS, *TO_CHASSIS)
