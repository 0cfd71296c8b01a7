"""Kind `test_point`: a DC voltage inside the unit, read through the router."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from drivers.roles import Role
from sequencer.captures import Capture
from sequencer.limits import Limit
from sequencer.quantities import Count, PositiveVoltage
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
from sequencer.steps.power import dc_finding, dc_readings
from sequencer.steps.registry import register
from sequencer.steps.stops import FURTHEST, STOP, stop_mistakes
from sequencer.unit_data import UnitData

Point = Literal["bias", "rail_positive", "rail_negative", "low_positive", "low_negative"]
WORDS: Mapping[str, str] = {
    "bias": "the bias (drop across an emitter resistor)",
    "rail_positive": "the positive rail",
    "rail_negative": "the negative rail",
    "low_positive": "the positive low supply",
    "low_negative": "the negative low supply",
}
READING_S = 0.2


class InnerVoltageSettings(StepSettings):
    """A DC voltage inside the unit, read through the router."""

    point: Point = Field(description="which test point")
    count: Count = Field(default=5, ge=2, le=1000, description="how many meter readings")
    stop_above: Annotated[PositiveVoltage | None, STOP] = Field(
        default=None, description="a voltage beyond this, either way, stops the run"
    )


@register
class InnerVoltage(StepKind[InnerVoltageSettings]):
    """A DC voltage inside the unit, read through the router."""

    name = "test_point"
    settings = InnerVoltageSettings
    readings: ClassVar[Mapping[str, str]] = dict.fromkeys(WORDS, "V")

    def demand(self, settings: InnerVoltageSettings, unit: UnitData) -> Demand:
        """A meter that the router can put on the point."""
        return Demand(
            roles=frozenset({Role.DMM}),
            routes=frozenset({f"meter_{settings.point}"}),
            duration_s=settings.count * READING_S,
        )

    def check_limits(
        self, settings: InnerVoltageSettings, limits: Mapping[str, Limit]
    ) -> list[str]:
        """The stop lies beyond the limit, and not far."""
        if settings.stop_above is None:
            return []
        limit = limits.get(settings.point)
        return stop_mistakes("stop_above", settings.stop_above, limit, furthest=FURTHEST)

    def describe(self, settings: InnerVoltageSettings, unit: UnitData) -> str:
        """What happens, in words."""
        stop = settings.stop_above
        stops = f"; stops beyond {say(stop, 'V')}" if stop is not None else ""
        return f"reads {WORDS[settings.point]} through the router{stops}"

    def acquire(self, settings: InnerVoltageSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Readings at the point, the meter back at the output afterwards.

        Raises WiredWrong when one lies beyond stop_above.
        """
        bench.connect(f"meter_{settings.point}")
        values = dc_readings(bench, settings.count, settings.stop_above)
        if bench.has_route("meter_output"):
            bench.connect("meter_output")
        yield Capture(name=settings.point, role=Role.DMM.value, samples=np.array([values]))
        worst = abs(values[-1])
        if settings.stop_above is not None and worst > settings.stop_above:
            raise WiredWrong(
                f"{say(worst, 'V')} at {WORDS[settings.point]} exceeds "
                f"{say(settings.stop_above, 'V')}; find out why before the unit is driven"
            )

    def evaluate(
        self, settings: InnerVoltageSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Mean, scatter and the meter's accuracy."""
        return [dc_finding(capture, situation, capture.name) for capture in captures]
