"""Kind `repeat`: a group of steps again and again, for a time or a count, with a period.

The engine carries the group out; each round's steps are recorded as ID.1, ID.2 and so on.
"""

from collections.abc import Iterator, Sequence
from typing import ClassVar

from pydantic import Field, model_validator

from sequencer.captures import Capture
from sequencer.quantities import Count, PositiveDuration
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Situation,
    StepKind,
    StepSettings,
    say,
)
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData


class RepeatSettings(StepSettings):
    """A group of steps again and again."""

    takes_steps: ClassVar[bool] = True

    time: PositiveDuration | None = Field(default=None, description="go on for this long")
    count: Count | None = Field(default=None, ge=1, le=100_000, description="or this often")
    period: PositiveDuration | None = Field(
        default=None, description="time from the beginning of one round to that of the next"
    )

    @model_validator(mode="after")
    def _one_of_both(self) -> "RepeatSettings":
        if (self.time is None) == (self.count is None):
            raise ValueError("give either time or count: how long, or how often")
        return self

    def rounds(self, round_s: float) -> int:
        """How many rounds of this length there will be."""
        length_s = max(round_s, self.period or 0.0, 1e-9)
        if self.count is not None:
            return self.count
        return max(1, round((self.time or 0.0) / length_s))


@register
class Repeat(StepKind[RepeatSettings]):
    """A group of steps again and again; the engine knows how."""

    name = "repeat"
    settings = RepeatSettings

    def demand(self, settings: RepeatSettings, unit: UnitData) -> Demand:
        """What the group asks for is added by the plan."""
        return Demand()

    def describe(self, settings: RepeatSettings, unit: UnitData) -> str:
        """What happens, in words."""
        how = f"for {say(settings.time, 's')}" if settings.time else f"{settings.count} times"
        period = f", every {say(settings.period, 's')}" if settings.period else ""
        return f"repeats its steps {how}{period}"

    def acquire(self, settings: RepeatSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Nothing of its own."""
        yield from ()

    def evaluate(
        self, settings: RepeatSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Nothing of its own."""
        return []
