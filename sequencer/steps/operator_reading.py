"""Kind `operator_reading`: a number the operator read on an instrument of his own."""

from collections.abc import Iterator, Mapping, Sequence
from typing import ClassVar, Literal

from pydantic import Field

from sequencer.captures import Capture, named
from sequencer.operator_readings import ASKED
from sequencer.quantities import Percentage
from sequencer.steps.asking import ask_for, found_by_operator
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Situation,
    StepKind,
    StepSettings,
)
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData

Name = Literal[
    "earth_bond",
    "insulation",
    "leakage_current",
    "reservoir_voltage",
    "mains_voltage",
    "bias",
    "temperature",
    "load_resistance",
]


class OperatorReadingSettings(StepSettings):
    """A number the operator read on an instrument of his own."""

    reading: Name = Field(description="what is read")
    text: str = Field(min_length=1, max_length=1000, description="what to do, in plain words")
    accuracy: Percentage = Field(
        default=0.0,
        ge=0,
        le=0.5,
        description="accuracy of the operator's instrument, of the reading",
    )


@register
class OperatorReading(StepKind[OperatorReadingSettings]):
    """A number the operator read on an instrument of his own."""

    name = "operator_reading"
    settings = OperatorReadingSettings
    readings: ClassVar[Mapping[str, str]] = {name: asked.unit for name, asked in ASKED.items()}

    def demand(self, settings: OperatorReadingSettings, unit: UnitData) -> Demand:
        """An operator, or the answer on the job ticket."""
        return Demand(asks_for=settings.reading, duration_s=60.0)

    def describe(self, settings: OperatorReadingSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return f"asks the operator: {settings.text}"

    def acquire(self, settings: OperatorReadingSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Ask until the answer is a quantity of the right kind, or that there is none."""
        capture = ask_for(bench, settings.reading, settings.text)
        if capture is not None:
            yield capture

    def evaluate(
        self, settings: OperatorReadingSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """The number as read, or the bound, widened by the instrument's accuracy."""
        name = settings.reading
        return [found_by_operator(name, named(captures, name), settings.accuracy)]
