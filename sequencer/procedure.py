"""Procedure YAML to a checked Procedure; every mistake of all files at once, each at its place.

Three passes. The files are read with all they include (includes.py). Their steps are expanded into
one list, in which figures (`<warm_up>`) are put in and ids get the prefix of their include. Then
each step is checked against its kind, one by one, so that places stay exact.
"""

import importlib.resources
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib.resources.abc import Traversable
from pathlib import Path
from types import MappingProxyType

import yaml
from pydantic import BaseModel, ConfigDict

from sequencer.errors import FileError, Place, ProcedureError
from sequencer.includes import (
    LONGEST_ID,
    MAX_STEPS,
    Collector,
    Entry,
    Identifier,
    IncludeRefused,
    Loaded,
    Locator,
    Title,
)
from sequencer.limit_grammar import parse_limits
from sequencer.limits import Limit
from sequencer.located_yaml import Node, Plain, validate
from sequencer.procedure_model import Procedure, Step, StepKindInfo
from sequencer.quantities import Flag, did_you_mean
from sequencer.ticket import Ticket
from sequencer.unit_data import (
    UNIT_ITEMS,
    OutputTopology,
    Polarity,
    UnitData,
    merged,
    missing_items,
    unit_data,
)

__all__ = [
    "OutputTopology",
    "Polarity",
    "Procedure",
    "Step",
    "StepKindInfo",
    "UnitData",
    "load_procedure",
]

_COMMON = ("id", "kind", "title", "required", "limits")
_PLACEHOLDER = re.compile(r"<([A-Za-z0-9_-]+)>")


class _StepHead(BaseModel):
    """The keys that every step has."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    kind: str
    id: Identifier | None = None
    title: Title = ""
    required: Flag = False


class _IncludeHead(BaseModel):
    """An include among the steps."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    include: str
    id: Identifier | None = None


def load_procedure(
    name_or_path: str | Path,
    *,
    registry: Mapping[str, StepKindInfo],
    ticket: Ticket | None = None,
    figures: Mapping[str, str] | None = None,
    library: Traversable | None = None,
) -> Procedure:
    """The procedure in a file or of a built-in name.

    figures change what the file declares under `figures:`; the ticket's unit data go before the
    procedure's. library is the folder of built-in procedures.
    Raises ProcedureError with every mistake of all files.
    """
    name = str(name_or_path)
    locator = Locator(library or importlib.resources.files("procedures"))
    collector = Collector(locator)
    try:
        loaded = collector.load(locator.first(name))
    except IncludeRefused as error:
        raise ProcedureError([FileError(Place(name), str(error))]) from error
    if loaded is None or loaded.head is None:
        raise _refusal(collector.errors)
    if loaded.steps > MAX_STEPS:
        place = loaded.source.root.key_place("steps")
        message = f"{loaded.steps} steps with all includes; at most {MAX_STEPS} are possible"
        raise _refusal([*collector.errors, FileError(place, message)])
    builder = _Builder(registry, loaded, dict(ticket.unit) if ticket else {}, dict(figures or {}))
    return builder.build(collector)


def _refusal(errors: list[FileError]) -> ProcedureError:
    """All mistakes, each once; those of one file together, in the order of its lines."""
    files = {error.place.file: rank for rank, error in reversed([*enumerate(errors)])}
    once = dict.fromkeys(errors)
    ordered = sorted(once, key=lambda e: (files[e.place.file], e.place.line, e.place.column))
    return ProcedureError(ordered)


@dataclass(slots=True)
class _Draft:
    """A step on its way: its full id, the prefixes of the includes around it, its node."""

    id: str
    kind: str
    title: str
    required: bool
    node: Node
    prefixes: tuple[str, ...]
    include: Node | None
    children: "list[_Draft]" = field(default_factory=list)
    order: int = 0
    limits: dict[str, Limit] = field(default_factory=dict)

    def walk(self) -> "Iterator[_Draft]":
        for child in self.children:
            yield from child.walk()
        yield self


@dataclass(frozen=True, slots=True)
class _Scope:
    """What surrounds the steps of one file: values of its figures, prefixes of ids, its include."""

    values: Mapping[str, Node]
    prefixes: tuple[str, ...] = ("",)
    include: Node | None = None


class _Builder:
    """Expands the files into steps and checks them."""

    def __init__(
        self,
        registry: Mapping[str, StepKindInfo],
        loaded: Loaded,
        ticket_unit: Mapping[str, str],
        figures: Mapping[str, str],
    ) -> None:
        self._registry = registry
        self._loaded = loaded
        self._given = figures
        self._unit = merged(ticket_unit, *_unit_blocks(loaded))
        self._errors: list[FileError] = []
        self._by_id: dict[str, _Draft] = {}
        self._unfilled: set[Place] = set()

    def build(self, collector: Collector) -> Procedure:
        """The procedure.

        Raises ProcedureError with the mistakes of all files.
        """
        root = self._loaded.source.root
        files = (self._loaded, *_included(self._loaded))
        lacking = missing_items({*self._unit}.union(*(file.unit_items for file in files)))
        place = root.key_place("unit")
        self._errors += [FileError(place, message) for message in lacking]
        unit = None if missing_items(self._unit) else unit_data(self._unit)
        scope = _Scope(values=self._top_figures())
        drafts = self._expand(self._loaded.entries, scope)
        in_order = [inner for draft in drafts for inner in draft.walk()]
        for order, draft in enumerate(in_order):
            draft.order = order
        steps = tuple(self._step(draft, unit) for draft in drafts)
        guards = self._guards(scope)
        if collector.errors or self._errors or unit is None:
            raise _refusal([*collector.errors, *self._sound_errors()])
        return self._procedure(unit, scope, drafts, steps, guards, collector.sources)

    def _procedure(
        self,
        unit: UnitData,
        scope: _Scope,
        drafts: list[_Draft],
        steps: tuple[Step | None, ...],
        guards: Mapping[str, Node],
        sources: Mapping[str, str],
    ) -> Procedure:
        head = self._loaded.head
        if head is None:
            raise ValueError("loaded: a file without a head can't be built")
        figures = {name: scope.values[name].text for name in self._loaded.figures}
        tree: dict[str, Plain] = {
            "procedure": head.procedure,
            "title": head.title,
            "about": head.about,
            "decision": head.decision.value,
            "unit": dict(self._unit),
            "figures": dict(figures),
            "steps": [_flat(draft) for draft in drafts],
            "guards": {name: node.plain() for name, node in guards.items()},
        }
        return Procedure(
            name=head.procedure,
            title=head.title or head.procedure.replace("_", " "),
            about=head.about.strip(),
            unit=unit,
            decision=head.decision,
            steps=tuple(step for step in steps if step is not None),
            figures=MappingProxyType(figures),
            guards=MappingProxyType(dict(guards)),
            place=self._loaded.source.root.place,
            sources=MappingProxyType(dict(sources)),
            flattened=_dump({key: value for key, value in tree.items() if value}),
        )

    # --- figures ---

    def _top_figures(self) -> dict[str, Node]:
        given = {}
        for name, text in self._given.items():
            place = Place("--with", 1, 1, f"{name}={text}")
            if name not in self._loaded.figures:
                hint = did_you_mean(name, self._loaded.figures)
                self._say(place, f'the procedure has no figure "{name}"; {hint}')
            given[name] = Node(kind="scalar", place=place, text=text.strip(), quoted=True)
        return {**self._loaded.figures, **given}

    def _filled(self, node: Node, scope: _Scope) -> Node:
        """The node with every `<name>` replaced by the figure or unit item of that name."""
        if node.kind == "mapping":
            entries = tuple((key, self._filled(value, scope)) for key, value in node.entries)
            return Node(kind="mapping", place=node.place, entries=entries)
        if node.kind == "sequence":
            items = tuple(self._filled(item, scope) for item in node.items)
            return Node(kind="sequence", place=node.place, items=items)
        match = _PLACEHOLDER.fullmatch(node.text)
        return node if match is None else self._figure(match.group(1), node, scope)

    def _figure(self, name: str, node: Node, scope: _Scope) -> Node:
        if name in scope.values:
            value = scope.values[name]
            if _PLACEHOLDER.fullmatch(value.text):
                self._say(value.place, f"{name}: a figure is a value, not another figure")
            return value
        if name in self._unit:
            return Node(kind="scalar", place=node.place, text=self._unit[name], quoted=True)
        if name not in UNIT_ITEMS:
            known = [*scope.values, *self._unit]
            self._say(node.place, f'unknown figure "<{name}>"; {did_you_mean(name, known)}')
            self._unfilled.add(node.place)
        return node

    def _guards(self, scope: _Scope) -> dict[str, Node]:
        """The guards of all files; the including file's go before those of what it includes."""
        found = {name: self._filled(node, scope) for name, node in self._loaded.guards.items()}
        for file in _included(self._loaded):
            inner = _Scope(values=file.figures)
            for name, node in file.guards.items():
                if name not in found:
                    found[name] = self._filled(node, inner)
        return found

    # --- expanding ---

    def _expand(self, entries: tuple[Entry, ...], scope: _Scope) -> list[_Draft]:
        drafts: list[_Draft] = []
        for entry in entries:
            if entry.node.kind != "mapping":
                self._say(entry.node.place, 'a step is wanted here, such as "- kind: tone"')
            elif entry.is_include:
                drafts += self._include(entry, scope)
            else:
                drafts += self._draft(entry, scope)
        return drafts

    def _include(self, entry: Entry, scope: _Scope) -> list[_Draft]:
        head, errors = validate(_IncludeHead, entry.node.without("with"), also_known=("with",))
        self._errors += errors
        if entry.file is None or head is None:
            return []
        values = {**entry.file.figures, **self._changes(entry, entry.file, scope)}
        prefixes = scope.prefixes
        if head.id is not None:
            prefixes = (*prefixes, f"{prefixes[-1]}{head.id}.")
        inner = _Scope(values=values, prefixes=prefixes, include=entry.node)
        return self._expand(entry.file.entries, inner)

    def _changes(self, entry: Entry, file: Loaded, scope: _Scope) -> dict[str, Node]:
        block = entry.node.get("with")
        if block is None:
            return {}
        if block.kind != "mapping":
            self._say(entry.node.key_place("with"), "with: names and values are wanted under it")
            return {}
        changes = {}
        for key, value in self._filled(block, scope).entries:
            if key.text not in file.figures:
                hint = did_you_mean(key.text, file.figures)
                self._say(key.place, f'{file.source.name} has no figure "{key.text}"; {hint}')
            elif value.kind != "scalar" or value.is_empty:
                self._say(key.place, f'{key.text}: a value is wanted, such as "10 W"')
            else:
                changes[key.text] = value
        return changes

    def _draft(self, entry: Entry, scope: _Scope) -> list[_Draft]:
        node = self._filled(entry.node, scope)
        head, errors = validate(_StepHead, node)
        if node.get("kind") is None and not entry.nested:
            errors = [*errors, *_unknown_without_kind(node)]
        self._errors += errors
        children = self._expand(entry.nested, scope)
        if head is None:
            return children
        draft = _Draft(
            id=f"{scope.prefixes[-1]}{head.id or head.kind}",
            kind=head.kind,
            title=head.title,
            required=head.required,
            node=node,
            prefixes=scope.prefixes,
            include=scope.include,
            children=children,
        )
        self._enter(draft)
        return [draft]

    def _enter(self, draft: _Draft) -> None:
        place = (draft.node.get("id") or draft.node).place
        first = self._by_id.setdefault(draft.id, draft)
        if first is not draft:
            there, what = first.node.place, "step"
            if draft.include is not None and first.include is not draft.include:
                place, what = (draft.include.get("include") or draft.include).place, "include"
            self._say(
                place,
                f'the id "{draft.id}" is taken by the step at {there.file}:{there.line}; give this '
                f"{what} an id of its own",
            )
        if len(draft.id) > LONGEST_ID:
            self._say(place, f'"{draft.id}" is too long with its include; at most {LONGEST_ID}')

    # --- checking ---

    def _step(self, draft: _Draft, unit: UnitData | None) -> Step | None:
        children = tuple(self._step(child, unit) for child in draft.children)
        kind = self._registry.get(draft.kind)
        if kind is None:
            place = (draft.node.get("kind") or draft.node).place
            hint = did_you_mean(draft.kind, self._registry)
            self._say(place, f'unknown kind of step "{draft.kind}"; {hint}')
            return None
        settings = self._settings(draft, kind)
        self._limits(draft, kind)
        if settings is None:
            return None
        if unit is not None:
            problems = kind.check(settings, unit)
            self._errors += [FileError(draft.node.place, problem) for problem in problems]
        return Step(
            id=draft.id,
            kind=draft.kind,
            title=draft.title or draft.id.replace("_", " "),
            settings=settings,
            limits=MappingProxyType(draft.limits),
            required=draft.required,
            steps=tuple(child for child in children if child is not None),
            place=draft.node.place,
        )

    def _settings(self, draft: _Draft, kind: StepKindInfo) -> BaseModel | None:
        takes_steps = bool(getattr(kind.settings, "takes_steps", False))
        own = (*_COMMON, "steps") if takes_steps else _COMMON
        settings, errors = validate(kind.settings, draft.node.without(*own), also_known=own)
        if takes_steps and draft.node.get("steps") is None:
            message = f'"steps" is missing; {draft.kind} repeats the steps listed under it'
            errors = [*errors, FileError(draft.node.place, message)]
        self._errors += errors
        return settings

    def _limits(self, draft: _Draft, kind: StepKindInfo) -> None:
        block = draft.node.get("limits")
        if block is None:
            return
        draft.limits, errors = parse_limits(
            block,
            unit_of=kind.unit_of,
            known_readings=kind.known_readings,
            locate=lambda step, reading: self._locate(draft, step, reading),
        )
        self._errors += errors

    def _locate(self, draft: _Draft, step: str | None, reading: str) -> tuple[str, str]:
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

    def _named(self, draft: _Draft, step: str) -> _Draft:
        """The step of that id in the same file, or else in the files around it."""
        for prefix in reversed(draft.prefixes):
            if (found := self._by_id.get(f"{prefix}{step}")) is not None:
                return found
        raise ValueError(f'there is no step "{step}"; {did_you_mean(step, self._by_id)}')

    def _sound_errors(self) -> list[FileError]:
        """The mistakes without those that follow from a figure that could not be filled in."""
        return [
            error
            for error in self._errors
            if error.place not in self._unfilled or error.message.startswith("unknown figure")
        ]

    def _say(self, place: Place, message: str) -> None:
        self._errors.append(FileError(place, message))


def _unknown_without_kind(node: Node) -> list[FileError]:
    """For a step without a kind: a misspelt `kind` or `include` is the likely reason."""
    for key in node.entries:
        name = key[0].text
        hint = did_you_mean(name, ("kind", "include"))
        if hint.startswith("did") and name not in _COMMON:
            return [FileError(key[0].place, f'unknown key "{name}"; {hint}')]
    return []


def _unit_blocks(loaded: Loaded) -> Iterator[Mapping[str, str]]:
    yield loaded.unit
    for file in _included(loaded):
        yield file.unit


def _included(loaded: Loaded) -> list[Loaded]:
    """Every file included, each once, in the order in which they are met."""
    found: dict[int, Loaded] = {}
    waiting = [*loaded.entries]
    while waiting:
        entry = waiting.pop(0)
        waiting = [*entry.nested, *waiting]
        if entry.file is not None and id(entry.file) not in found:
            found[id(entry.file)] = entry.file
            waiting = [*entry.file.entries, *waiting]
    return [*found.values()]


def _flat(draft: _Draft) -> Plain:
    tree: dict[str, Plain] = {"id": draft.id, "kind": draft.kind}
    if draft.title:
        tree["title"] = draft.title
    if draft.required:
        tree["required"] = "true"
    for key, value in draft.node.without(*_COMMON, "steps").entries:
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
