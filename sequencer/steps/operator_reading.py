"""Kind `operator_reading`: a number the operator read on an instrument of his own."""

from collections.abc import Iterator, Mapping, Sequence
from typing import ClassVar, Literal

from pydantic import Field

from sequencer.captures import Capture, named, single_reading
from sequencer.quantities import Percentage, format_quantity, parse_quantity
from sequencer.steps.base import BenchAccess, Demand, Finding, Situation, StepKind, StepSettings
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData
from sequencer.wording import name_text

# Reading -> unit, dimension of the answer, example.
QUANTITIES: Mapping[str, tuple[str, str, str]] = {
    "earth_bond": ("ohm", "resistance", "0.12 ohm"),
    "insulation": ("ohm", "resistance", "20 Mohm"),
    "leakage_current": ("A", "current", "0.2 mA"),
    "reservoir_voltage": ("V", "voltage", "0.3 V"),
    "mains_voltage": ("V", "voltage", "231 V"),
    "bias": ("V", "voltage", "17.6 mV"),
    "temperature": ("degC", "temperature", "24 degC"),
    "load_resistance": ("ohm", "resistance", "8.02 ohm"),
}
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
TRIES = 3


class OperatorReadingSettings(StepSettings):
    """A number the operator read on an instrument of his own."""

    reading: Name = Field(description="what is read")
    text: str = Field(min_length=1, max_length=1000, description="what to do, in plain words")
    accuracy: Percentage = Field(
        default=0.0, ge=0, description="accuracy of the operator's instrument, of the reading"
    )


@register
class OperatorReading(StepKind[OperatorReadingSettings]):
    """A number the operator read on an instrument of his own."""

    name = "operator_reading"
    settings = OperatorReadingSettings
    readings: ClassVar[Mapping[str, str]] = {
        name: unit for name, (unit, _, _) in QUANTITIES.items()
    }

    def demand(self, settings: OperatorReadingSettings, unit: UnitData) -> Demand:
        """An operator, or the answer on the job ticket."""
        return Demand(asks_for=settings.reading, duration_s=60.0)

    def describe(self, settings: OperatorReadingSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return f"asks the operator: {settings.text}"

    def acquire(self, settings: OperatorReadingSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Ask until the answer is a quantity of the right kind, three times at most."""
        _, dimension, example = QUANTITIES[settings.reading]
        given = bench.given(settings.reading)
        for _ in range(TRIES):
            answer = given or bench.ask(f"{settings.text} (such as {example})")
            try:
                value = parse_quantity(answer, dimension)
            except ValueError as error:
                bench.note(str(error))
                given = None
                continue
            bench.note(
                f"{name_text(settings.reading)}: {format_quantity(value, dimension_unit(settings))}"
            )
            yield single_reading(settings.reading, "operator", value)
            return

    def evaluate(
        self, settings: OperatorReadingSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """The number as read."""
        capture = named(captures, settings.reading)
        if capture is None:
            return []
        value = float(capture.first[0])
        doubt = settings.accuracy / 3**0.5 * abs(value)
        return [
            Finding(
                name=settings.reading,
                unit=dimension_unit(settings),
                value=value,
                standard_uncertainty=doubt,
            )
        ]


def dimension_unit(settings: OperatorReadingSettings) -> str:
    """Unit of the reading asked for."""
    return QUANTITIES[settings.reading][0]
