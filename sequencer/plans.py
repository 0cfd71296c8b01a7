"""What a run will do, as it is known beforehand."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from sequencer.floor import Floor
from sequencer.procedure_model import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStep:
    """A step with what it will do, for how long, and why it is left out (None: it is not).

    step has no limit more on the readings that the bench can't give: limits_left_out says why, by name.
    mains_rest_s of its time the unit's mains rest before they come on. asks_for names a reading that
    the operator takes, unless the job ticket gives it.
    """

    step: Step
    does: str
    duration_s: float
    mains_rest_s: float = 0.0
    left_out: str | None
    limits_left_out: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    asks_for: str | None = None
    group: "tuple[PlannedStep, ...]" = ()

    def walk(self) -> "Iterator[PlannedStep]":
        """The step, then every step of its group."""
        yield self
        for step in self.group:
            yield from step.walk()


def carried_out(steps: Iterable[PlannedStep]) -> list[Step]:
    """The steps and those of their groups, in order, without those left out."""
    return [each.step for step in steps for each in step.walk() if not each.left_out]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a run will do, and what is known about it beforehand; floor is the bench's own.

    is_unit_shown: something in the run would show a unit that is off. cautions are accepted beside the
    standing ones. is_load_left_on: the load is connected before the DC check, as nobody is there after.
    """

    steps: tuple[PlannedStep, ...]
    remarks: tuple[str, ...]
    is_unit_shown: bool = True
    cautions: tuple[str, ...] = ()
    is_load_left_on: bool = False
    floor: Floor | None = None

    @property
    def estimate_s(self) -> float:
        """Expected length of the run in seconds."""
        return sum(step.duration_s for step in self.steps)
