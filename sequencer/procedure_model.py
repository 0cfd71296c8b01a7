"""A checked procedure, and what the reader of procedures must know about a kind of step."""

import hashlib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Protocol

from pydantic import BaseModel, ConfigDict

from sequencer.errors import Place
from sequencer.limits import DecisionRule, Limit
from sequencer.located_yaml import Node
from sequencer.unit_data import UnitData


class StepKindInfo(Protocol):
    """A kind of step as seen from the procedure file.

    settings leaves out the common keys id, kind, title, required, must_pass and limits. A kind that
    holds a group of steps says so by a class variable `takes_steps = True` of its settings model; the
    group stands under `steps:` and arrives in Step.steps.
    """

    @property
    def name(self) -> str:
        """What `kind:` calls it."""
        ...

    @property
    def settings(self) -> type[BaseModel]:
        """The model of its settings: frozen, no unknown keys."""
        ...

    @property
    def known_readings(self) -> tuple[str, ...]:
        """Names of its readings, for hints."""
        ...

    @property
    def other_names(self) -> Mapping[str, str]:
        """Units of names under which a limit may mean a reading whose own name depends on the unit."""
        ...

    def reading_named(self, name: str, unit: UnitData, /) -> str:
        """The reading of this unit that a name in a limit means."""
        ...

    def unit_of(self, reading: str, /) -> str | None:
        """SI unit of a reading, None for one that it doesn't give."""
        ...

    def check(self, settings: Any, unit: UnitData, /) -> list[str]:
        """What is wrong beyond single values, in words."""
        ...

    def check_limits(self, settings: Any, limits: Mapping[str, Limit], /) -> list[str]:
        """What is wrong with the settings beside the step's limits, in words."""
        ...


class Unjudged(BaseModel):
    """Stands for the settings of a step with mistakes: nobody knows what it is meant to do."""

    model_config = ConfigDict(frozen=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step, ready to be carried out. steps holds the group of a kind that repeats others.

    must_pass: the run ends here unless its limits are met. required: a bench that can't carry it out is
    refused; else the step is left out. Not written (None), it is as must_pass.
    """

    id: str
    kind: str
    title: str
    settings: BaseModel
    limits: Mapping[str, Limit] = field(default_factory=lambda: MappingProxyType({}))
    required: bool | None = None
    must_pass: bool = False
    steps: "tuple[Step, ...]" = ()
    place: Place = field(compare=False)

    def without_limits(self, names: Collection[str]) -> "Step":
        """The step without its limits on these readings."""
        kept = {name: limit for name, limit in self.limits.items() if name not in names}
        return replace(self, limits=MappingProxyType(kept))

    def walk(self) -> "Iterator[Step]":
        """The step, then every step of its group."""
        yield self
        for step in self.steps:
            yield from step.walk()


@dataclass(frozen=True, slots=True, kw_only=True)
class Procedure:
    """A checked procedure with everything it includes.

    figures are those of its own file with their values as text; changed names those that were given
    another value than the file has, in words. unit_places tell where the items of the
    unit are written. guards are kept as read. sources
    holds the text of every file used, by the name shown. Two procedures are equal when they do the
    same.
    """

    name: str
    title: str
    about: str
    unit: UnitData
    decision: DecisionRule
    steps: tuple[Step, ...]
    figures: Mapping[str, str]
    guards: Mapping[str, Node]
    place: Place = field(compare=False)
    unit_places: Mapping[str, Place] = field(compare=False)
    sources: Mapping[str, str] = field(compare=False)
    flattened: str = field(compare=False, repr=False)
    changed: tuple[str, ...] = field(default=(), compare=False)

    def all_steps(self) -> tuple[Step, ...]:
        """Every step in the order written, groups included."""
        return tuple(inner for step in self.steps for inner in step.walk())

    def flattened_yaml(self) -> str:
        """The procedure as one file without includes and figures; reads back to the same procedure."""
        return self.flattened

    @property
    def sha256(self) -> str:
        """SHA-256 of flattened_yaml(), lower-case hex."""
        return hashlib.sha256(self.flattened.encode()).hexdigest()
