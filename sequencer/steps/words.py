"""Kinds `wait`, `caution` and `question`: time, warnings and answers."""

from collections.abc import Iterator, Sequence

from pydantic import Field

from sequencer.captures import Capture
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Situation,
    StepKind,
    StepSettings,
    say,
)
from sequencer.steps.bounds import SettleTime
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData


class WaitSettings(StepSettings):
    """Let time pass."""

    time: SettleTime = Field(description="how long to wait")


@register
class Wait(StepKind[WaitSettings]):
    """Let time pass, with the guards watching."""

    name = "wait"
    settings = WaitSettings

    def demand(self, settings: WaitSettings, unit: UnitData) -> Demand:
        """Nothing but time."""
        return Demand(duration_s=settings.time)

    def describe(self, settings: WaitSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return f"waits {say(settings.time, 's')}"

    def acquire(self, settings: WaitSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Wait."""
        bench.wait(settings.time)
        yield from ()

    def evaluate(
        self, settings: WaitSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Nothing to find."""
        return []


class CautionSettings(StepSettings):
    """A warning that must be accepted."""

    text: str = Field(min_length=1, max_length=1000, description="the warning, in plain words")


@register
class Caution(StepKind[CautionSettings]):
    """A warning at the moment it matters; the run goes on when it is accepted."""

    name = "caution"
    settings = CautionSettings

    def demand(self, settings: CautionSettings, unit: UnitData) -> Demand:
        """An operator, or an acceptance given beforehand."""
        return Demand()

    def describe(self, settings: CautionSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return f"asks to accept: {settings.text}"

    def acquire(self, settings: CautionSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Show and wait for acceptance."""
        bench.acknowledge(settings.text)
        yield from ()

    def evaluate(
        self, settings: CautionSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Nothing to find."""
        return []


class QuestionSettings(StepSettings):
    """A question to the operator."""

    text: str = Field(min_length=1, max_length=1000, description="the question")


@register
class Question(StepKind[QuestionSettings]):
    """A question to the operator; the answer goes into the record."""

    name = "question"
    settings = QuestionSettings

    def demand(self, settings: QuestionSettings, unit: UnitData) -> Demand:
        """An operator."""
        return Demand(asks_operator=True)

    def describe(self, settings: QuestionSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return f"asks the operator: {settings.text}"

    def acquire(self, settings: QuestionSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Ask; the answer is recorded as an event."""
        bench.ask(settings.text)
        yield from ()

    def evaluate(
        self, settings: QuestionSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Nothing to find."""
        return []
