"""Kind `operator_reading`: a number the operator read on an instrument of his own."""

from collections.abc import Iterator, Mapping, Sequence
from typing import ClassVar, Literal

from pydantic import Field

from sequencer.captures import Capture, named, single_reading
from sequencer.limits import rectangular
from sequencer.operator import TRIES
from sequencer.operator_readings import ASKED, NONE, Answer, is_none, parse_answer
from sequencer.quantities import Percentage, format_quantity
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Situation,
    StepKind,
    StepSettings,
    not_found,
)
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData
from sequencer.wording import name_text

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
_LEAST, _MOST = "is_least", "is_most"


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
    readings: ClassVar[Mapping[str, str]] = {name: asked.unit for name, asked in ASKED.items()}

    def demand(self, settings: OperatorReadingSettings, unit: UnitData) -> Demand:
        """An operator, or the answer on the job ticket."""
        return Demand(asks_for=settings.reading, duration_s=60.0)

    def describe(self, settings: OperatorReadingSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return f"asks the operator: {settings.text}"

    def acquire(self, settings: OperatorReadingSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Ask until the answer is a quantity of the right kind, or that there is none."""
        question = _question(settings)
        given = bench.given(settings.reading)
        for _ in range(TRIES):
            text = given or bench.ask(question)
            if is_none(text):
                return
            try:
                answer = parse_answer(settings.reading, text)
            except ValueError as error:
                where = "the job ticket's reading: " if given else ""
                bench.note(f"{where}{error}")
                given = None
                continue
            capture = single_reading(settings.reading, "operator", answer.value, _facts(answer))
            bench.note(f"{name_text(settings.reading)}: {_words(settings, answer)}")
            yield capture
            return

    def evaluate(
        self, settings: OperatorReadingSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """The number as read, or the bound, widened by the instrument's accuracy."""
        name, unit = settings.reading, ASKED[settings.reading].unit
        capture = named(captures, name)
        if capture is None:
            return [not_found(name, unit, "the operator gave no reading")]
        value = float(capture.first[0])
        tolerance = settings.accuracy * abs(value)
        if capture.facts.get(_LEAST):
            return [Finding(name=name, unit=unit, value=None, lower_bound=value - tolerance)]
        if capture.facts.get(_MOST):
            return [Finding(name=name, unit=unit, value=None, upper_bound=value + tolerance)]
        doubt = rectangular(tolerance)
        return [Finding(name=name, unit=unit, value=value, standard_uncertainty=doubt)]


def _question(settings: OperatorReadingSettings) -> str:
    asked = ASKED[settings.reading]
    return (
        f"{settings.text} (such as {asked.example}, or {asked.over_range} when it is over range; "
        f"{NONE} if it can't be read)"
    )


def _facts(answer: Answer) -> dict[str, float]:
    """What the record must keep of an answer besides its number."""
    return {
        name: 1.0 for name, holds in ((_LEAST, answer.is_least), (_MOST, answer.is_most)) if holds
    }


def _words(settings: OperatorReadingSettings, answer: Answer) -> str:
    bound = "at least " if answer.is_least else "at most " if answer.is_most else ""
    return bound + format_quantity(answer.value, ASKED[settings.reading].unit)
