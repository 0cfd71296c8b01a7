"""Procedure YAML to a checked Procedure; every mistake of all files at once, each at its place.

Three passes. The files are read with all they include (includes.py). Their steps are expanded into
one list, in which figures (`<warm_up>`) are put in and ids get the prefix of their include. Then
each step is checked against its kind, one by one, so that places stay exact.
"""

import importlib.resources
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from importlib.resources.abc import Traversable
from pathlib import Path
from types import MappingProxyType

import yaml
from pydantic import BaseModel

from sequencer.errors import FileError, Place, ProcedureError, in_file_order
from sequencer.expansion import COMMON_KEYS, Draft, Expander
from sequencer.guards import KINDS, GuardSettings, guard_settings
from sequencer.includes import (
    MAX_STEPS,
    Collector,
    Head,
    IncludeRefused,
    Loaded,
    Locator,
    all_included,
)
from sequencer.limit_grammar import parse_limits
from sequencer.located_yaml import Plain, validate
from sequencer.loosened_stops import loosened, loosened_guard
from sequencer.partial_settings import partial_settings, said_of
from sequencer.possible_units import UnitBlock, known_unit
from sequencer.procedure_model import Procedure, Step, StepKindInfo, Unjudged
from sequencer.quantities import did_you_mean
from sequencer.sound_values import in_all, open_names
from sequencer.ticket import Ticket
from sequencer.unit_data import UNIT_ITEMS, OutputTopology, Polarity, UnitData

__all__ = [
    "OutputTopology",
    "Polarity",
    "Procedure",
    "ReadProcedure",
    "Step",
    "StepKindInfo",
    "UnitData",
    "load_procedure",
    "read_procedure",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadProcedure:
    """What the files of a procedure give: every mistake, and what is sound in spite of them.

    possible holds the procedure. With mistakes, what they leave open is left out of it; there are
    several where they leave open what the unit is, and none where the file can't be read at all.
    """

    possible: tuple[Procedure, ...]
    errors: tuple[FileError, ...]


def load_procedure(
    name_or_path: str | Path,
    *,
    registry: Mapping[str, StepKindInfo],
    ticket: Ticket | None = None,
    figures: Mapping[str, str] | None = None,
    library: Traversable | None = None,
) -> Procedure:
    """The procedure in a file or of a built-in name, as read_procedure reads it.

    Raises ProcedureError with every mistake of all files.
    """
    read = read_procedure(
        name_or_path, registry=registry, ticket=ticket, figures=figures, library=library
    )
    if read.errors:
        raise ProcedureError(read.errors)
    return read.possible[0]


def read_procedure(
    name_or_path: str | Path,
    *,
    registry: Mapping[str, StepKindInfo],
    ticket: Ticket | None = None,
    figures: Mapping[str, str] | None = None,
    library: Traversable | None = None,
) -> ReadProcedure:
    """The procedure in a file or of a built-in name, and every mistake of all its files.

    figures change what the file declares under `figures:`; the ticket's unit data go before the
    procedure's. library is the folder of built-in procedures.
    """
    name = str(name_or_path)
    locator = Locator(library or importlib.resources.files("procedures"))
    collector = Collector(locator)
    try:
        loaded = collector.load(locator.first(name))
    except IncludeRefused as error:
        return ReadProcedure(
            possible=(), errors=(FileError(Place(name.strip() or "procedure"), str(error)),)
        )
    if loaded is None:
        return ReadProcedure(possible=(), errors=in_file_order(collector.errors))
    if loaded.steps > MAX_STEPS:
        place = loaded.source.root.key_place("steps")
        message = f"{loaded.steps} steps with all includes; at most {MAX_STEPS} are possible"
        errors = [*collector.errors, FileError(place, message)]
        return ReadProcedure(possible=(), errors=in_file_order(errors))
    checker = _Checker(registry, loaded, ticket or Ticket(), dict(figures or {}))
    return checker.checked(collector)


class _Checker:
    """Checks the steps of a procedure against their kinds."""

    def __init__(
        self,
        registry: Mapping[str, StepKindInfo],
        loaded: Loaded,
        ticket: Ticket,
        figures: Mapping[str, str],
    ) -> None:
        self._registry = registry
        self._loaded = loaded
        self._files = (loaded, *all_included(loaded))
        self._unit = known_unit([ticket.unit_block, *map(_unit_block, self._files)])
        self._unit_places = _unit_places(ticket, self._files)
        self._expander = Expander(loaded, self._unit.texts, figures)
        # The procedure without what the command line changes.
        self._own = Expander(loaded, self._unit.texts, {}) if figures else None
        self._errors: list[FileError] = []

    def checked(self, collector: Collector) -> ReadProcedure:
        """The procedure and the mistakes of all files."""
        place = self._loaded.source.root.key_place("unit")
        self._errors += [FileError(place, message) for message in self._unit.missing]
        self._errors += self._expander.expand()
        guards, mistakes = guard_settings(self._expander.guards)
        self._errors += mistakes
        if self._own is not None:
            self._own.expand()
            self._errors += self._loosened_guards(guards, self._own)
        steps = tuple(self._step(draft) for draft in self._expander.drafts)
        errors = [*collector.errors, *self._expander.sound(self._errors)]
        return ReadProcedure(
            possible=tuple(
                self._procedure(unit, steps, collector.sources) for unit in self._unit.possible
            ),
            errors=in_file_order(errors),
        )

    def _procedure(
        self, unit: UnitData, steps: tuple[Step, ...], sources: Mapping[str, str]
    ) -> Procedure:
        head = self._loaded.head or Head(procedure="unnamed")
        figures = {name: node.text for name, node in self._expander.figures.items()}
        guards = self._expander.guards
        tree: dict[str, Plain] = {
            "procedure": head.procedure,
            "title": head.title,
            "about": head.about,
            "decision": head.decision.value,
            "unit": dict(self._unit.texts),
            "figures": dict(figures),
            "steps": [_flat(draft) for draft in self._expander.drafts],
            "guards": {name: node.plain() for name, node in guards.items()},
        }
        return Procedure(
            name=head.procedure,
            title=head.title or head.procedure.replace("_", " "),
            about=head.about.strip(),
            unit=unit,
            decision=head.decision,
            steps=steps,
            figures=MappingProxyType(figures),
            changed=self._expander.changed(),
            guards=MappingProxyType(guards),
            place=self._loaded.source.root.place,
            unit_places=MappingProxyType(self._unit_places),
            sources=MappingProxyType(dict(sources)),
            flattened=_dump({key: value for key, value in tree.items() if value}),
        )

    def _step(self, draft: Draft) -> Step:
        children = tuple(self._step(child) for child in draft.children)
        kind = self._registry.get(draft.kind)
        settings: BaseModel | None = None
        if kind is not None:
            settings = self._settings(draft, kind)
            self._limits(draft, kind)
            if settings is not None and draft.is_sure:
                problems = kind.check_limits(settings, draft.limits)
                self._errors += [FileError(draft.node.place, each) for each in problems]
        elif not draft.is_unknown:
            place = (draft.node.get("kind") or draft.node).place
            hint = did_you_mean(draft.kind, self._registry)
            self._say(place, f'unknown kind of step "{draft.kind}"; {hint}')
        return Step(
            id=draft.id,
            kind=draft.kind,
            title=draft.title or draft.id.replace("_", " "),
            settings=settings if settings is not None and draft.is_sure else Unjudged(),
            limits=MappingProxyType(draft.limits),
            required=draft.required,
            must_pass=draft.must_pass,
            steps=children,
            place=draft.node.place,
        )

    def _settings(self, draft: Draft, kind: StepKindInfo) -> BaseModel | None:
        takes_steps = bool(getattr(kind.settings, "takes_steps", False))
        own = (*COMMON_KEYS, "steps") if takes_steps else COMMON_KEYS
        settings, errors = validate(kind.settings, draft.node.without(*own), also_known=own)
        if takes_steps and draft.node.get("steps") is None:
            message = f'"steps" is missing; {draft.kind} repeats the steps listed under it'
            errors = [*errors, FileError(draft.node.place, message)]
        known = settings or partial_settings(kind.settings, draft.node.without(*own))
        if draft.is_sure:
            units = self._unit.possible
            problems = in_all([said_of(partial(kind.check, known, unit)) for unit in units])
            errors = [*errors, *(FileError(draft.node.place, each) for each in problems)]
        self._errors += [*errors, *self._loosened_stops(draft, kind, known, own)]
        return settings

    def _loosened_stops(
        self, draft: Draft, kind: StepKindInfo, settings: BaseModel, common: Iterable[str]
    ) -> list[FileError]:
        """Stops that the command line moves too far; common are keys that are no settings."""
        before = self._own.by_id.get(draft.id) if self._own else None
        if before is None or before.kind != draft.kind:
            return []
        own = partial_settings(kind.settings, before.node.without(*common))
        return list(loosened(settings, own, draft.node, before.node))

    def _loosened_guards(self, guards: GuardSettings, own: Expander) -> list[FileError]:
        """Guards that the command line moves too far."""
        before, _ = guard_settings(own.guards)
        return [
            error
            for name, node in self._expander.guards.items()
            if name in KINDS
            for error in loosened_guard(
                name, guards.of(name), before.of(name), node, own.guards[name]
            )
        ]

    def _limits(self, draft: Draft, kind: StepKindInfo) -> None:
        block = draft.node.get("limits")
        if block is None:
            return
        draft.limits, errors = parse_limits(
            block,
            unit_of=lambda name: kind.unit_of(name) or kind.other_names.get(name),
            named=lambda name: self._reading_named(kind, name),
            known_readings=kind.known_readings,
            locate=lambda step, reading: self._locate(draft, step, reading),
        )
        self._errors += errors

    def _reading_named(self, kind: StepKindInfo, name: str) -> str:
        """The reading that a name means; the name itself while the unit is open."""
        meant = {kind.reading_named(name, unit) for unit in self._unit.possible}
        return meant.pop() if len(meant) == 1 else name

    def _locate(self, draft: Draft, step: str | None, reading: str) -> tuple[str, str]:
        """Full id and unit of another reading, for a limit of this step.

        Raises ValueError in words.
        """
        other = draft if step is None else self._named(draft, step)
        if other is not draft and other.order > draft.order:
            raise ValueError(f'step "{step}" comes later; refer to an earlier step')
        kind = self._registry.get(other.kind)
        if kind is None:
            raise ValueError(f'step "{step}" has a mistake of its own; mend it first')
        unit = kind.unit_of(reading)
        if unit is None:
            hint = did_you_mean(reading, kind.known_readings)
            raise ValueError(f'step {other.id} gives no reading "{reading}"; {hint}')
        return other.id, unit

    def _named(self, draft: Draft, step: str) -> Draft:
        """The step of that id in the same file, or else in the files around it."""
        for prefix in reversed(draft.prefixes):
            if (found := self._expander.by_id.get(f"{prefix}{step}")) is not None:
                return found
        raise ValueError(f'there is no step "{step}"; {did_you_mean(step, self._expander.by_id)}')

    def _say(self, place: Place, message: str) -> None:
        self._errors.append(FileError(place, message))


def _unit_block(file: Loaded) -> UnitBlock:
    """The unit's data in one file."""
    block = file.source.root.get("unit")
    return UnitBlock(sound=file.unit, open=open_names(block, UNIT_ITEMS, file.unit))


def _unit_places(ticket: Ticket, files: Iterable[Loaded]) -> dict[str, Place]:
    """Where each item of the unit is written, of several places the one that decides."""
    found: dict[str, Place] = {}
    for file in files:
        block = file.source.root.get("unit")
        for key, value in block.entries if block else ():
            found.setdefault(key.text, value.place)
    return {**found, **ticket.unit_places}


def _flat(draft: Draft) -> Plain:
    tree: dict[str, Plain] = {"id": draft.id, "kind": draft.kind}
    if draft.title:
        tree["title"] = draft.title
    if draft.required is not None:
        tree["required"] = "true" if draft.required else "false"
    if draft.must_pass:
        tree["must_pass"] = "true"
    for key, value in draft.node.without(*COMMON_KEYS, "steps").entries:
        tree[key.text] = value.plain()
    if draft.limits:
        tree["limits"] = {name: dict(limit.written) for name, limit in draft.limits.items()}
    if draft.children:
        tree["steps"] = [_flat(child) for child in draft.children]
    return tree


def _dump(tree: Mapping[str, Plain]) -> str:
    dumper = getattr(yaml, "CSafeDumper", yaml.SafeDumper)
    text = yaml.dump(dict(tree), Dumper=dumper, sort_keys=False, allow_unicode=True, width=100)
    return str(text)
