"""The steps of all files as one list: figures put in, ids with the prefix of their include.

A scalar that is exactly `<warm_up>` stands for the figure of that name in the file it is written
in, or for an item of the unit data. An include's `with` and the command line change figures, not
steps. A step marked `alone: true` belongs to its procedure only when that is run by itself, and falls
away where the procedure is included: switching the unit on and off, say.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from pydantic import BaseModel, ConfigDict

from sequencer.errors import FileError, Place
from sequencer.includes import LONGEST_ID, Entry, Identifier, Loaded, Title, all_included
from sequencer.limits import Limit
from sequencer.located_yaml import Node, validate
from sequencer.quantities import Flag, did_you_mean
from sequencer.sound_values import sound_values
from sequencer.unit_data import UNIT_ITEMS

COMMON_KEYS = ("id", "kind", "title", "required", "must_pass", "alone", "limits")
_PLACEHOLDER = re.compile(r"<([A-Za-z0-9_-]+)>")


class StepHead(BaseModel):
    """The keys that every step has."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    kind: str
    id: Identifier | None = None
    title: Title = ""
    required: Flag | None = None
    must_pass: Flag = False
    alone: Flag = False


class IncludeHead(BaseModel):
    """An include among the steps; must_pass holds for each of its steps that has limits."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    include: str
    id: Identifier | None = None
    must_pass: Flag = False


@dataclass(slots=True)
class Draft:
    """A step on its way: its full id, the prefixes of the includes around it, its node.

    is_sure: its settings are what they are meant to be, as far as names and figures go.
    """

    id: str
    kind: str
    title: str
    required: bool | None
    must_pass: bool
    node: Node
    prefixes: tuple[str, ...]
    include: Node | None
    children: "list[Draft]" = field(default_factory=list)
    order: int = 0
    limits: dict[str, Limit] = field(default_factory=dict)
    is_sure: bool = True

    @property
    def is_unknown(self) -> bool:
        """Whether it only stands for steps that can't be known."""
        return not self.kind

    def walk(self) -> "Iterator[Draft]":
        """The steps of its group, then the step itself: the order in which readings come."""
        for child in self.children:
            yield from child.walk()
        yield self


@dataclass(frozen=True, slots=True)
class _Scope:
    """What surrounds the steps of one file: values of its figures, prefixes of ids, its include.

    open are figures that a mistake leaves open: they may be meant to have another value. must_pass: an
    include around it says that its limits must be met.
    """

    values: Mapping[str, Node]
    prefixes: tuple[str, ...] = ("",)
    include: Node | None = None
    must_pass: bool = False
    open: frozenset[str] = frozenset()


class Expander:
    """Expands one procedure; by_id and drafts are complete after expand()."""

    def __init__(self, loaded: Loaded, unit: Mapping[str, str], figures: Mapping[str, str]) -> None:
        self._loaded = loaded
        self._unit = unit
        self._given = figures
        self._errors: list[FileError] = []
        self._unfilled: set[Place] = set()
        self._takes_open = False
        self.by_id: dict[str, Draft] = {}
        self.drafts: list[Draft] = []
        self.figures: dict[str, Node] = {}
        self.guards: dict[str, Node] = {}

    def expand(self) -> list[FileError]:
        """Fill drafts, by_id, figures and guards; returns the mistakes."""
        values, left_open = self._top_figures()
        scope = _Scope(values=values, open=left_open)
        self.drafts = self._expand(self._loaded.entries, scope)
        in_order = [inner for draft in self.drafts for inner in draft.walk()]
        for order, draft in enumerate(in_order):
            draft.order = order
        self.figures = {name: scope.values[name] for name in self._loaded.figures}
        self.guards = self._guards(scope)
        return self._errors

    def sound(self, errors: list[FileError]) -> list[FileError]:
        """The mistakes without those that follow from a figure that could not be filled in."""
        return [
            error
            for error in errors
            if error.place not in self._unfilled or error.message.startswith("unknown figure")
        ]

    def _top_figures(self) -> tuple[dict[str, Node], frozenset[str]]:
        """Values of the procedure's own figures, and which of them are open."""
        given, left_open = {}, frozenset[str]()
        for name, text in self._given.items():
            place = Place(f"--with {name}", 1, 1, f"{name}={text}")
            if name not in self._loaded.figures:
                hint = did_you_mean(name, self._loaded.figures)
                self._say(place, f'the procedure has no figure "{name}"; {hint}')
                left_open = frozenset(self._loaded.figures) - frozenset(self._given)
            given[name] = Node(kind="scalar", place=place, text=text.strip(), quoted=True)
        return {**self._loaded.figures, **given}, left_open

    def changed(self) -> tuple[str, ...]:
        """Figures that were given another value than the file has, each with both, in words."""
        return tuple(
            f"{name} {self.figures[name].text} (the procedure has {default.text})"
            for name, default in self._loaded.figures.items()
            if self.figures[name].text != default.text
        )

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
            self._takes_open |= name in scope.open
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
        for file in all_included(self._loaded):
            inner = _Scope(values=file.figures)
            for name, node in file.guards.items():
                if name not in found:
                    found[name] = self._filled(node, inner)
        return found

    def _expand(self, entries: tuple[Entry, ...], scope: _Scope) -> list[Draft]:
        drafts: list[Draft] = []
        for entry in entries:
            if entry.node.kind != "mapping":
                self._say(entry.node.place, 'a step is wanted here, such as "- kind: tone"')
                drafts.append(_unknown(entry.node, scope))
            elif entry.is_include:
                drafts += self._include(entry, scope)
            else:
                drafts += self._draft(entry, scope)
        return drafts

    def _include(self, entry: Entry, scope: _Scope) -> list[Draft]:
        own = entry.node.without("with", "kind")
        head, errors = validate(IncludeHead, own, also_known=("with",))
        if entry.node.get("kind") is not None:
            place = entry.node.key_place("kind")
            message = "kind: an include brings steps of its own; write either kind or include"
            errors = [*errors, FileError(place, message)]
        self._errors += errors
        if entry.file is None or head is None:
            return [_unknown(entry.node, scope)]
        changes, left_open = self._changes(entry, entry.file, scope)
        values = {**entry.file.figures, **changes}
        prefixes = scope.prefixes
        if head.id is not None:
            prefixes = (*prefixes, f"{prefixes[-1]}{head.id}.")
        inner = _Scope(
            values=values,
            prefixes=prefixes,
            include=entry.node,
            must_pass=head.must_pass or scope.must_pass,
            open=left_open,
        )
        drafts = self._expand(entry.file.entries, inner)
        inside = [step for draft in drafts for step in draft.walk()]
        has_to_meet = any(step.must_pass or step.is_unknown for step in inside)
        if head.must_pass and not has_to_meet:
            message = f"must_pass: no step of {entry.file.source.name} has limits to meet"
            self._say(entry.node.key_place("must_pass"), message)
        return drafts

    def _changes(
        self, entry: Entry, file: Loaded, scope: _Scope
    ) -> tuple[dict[str, Node], frozenset[str]]:
        """Figures that an include changes, and those that a mistake, or an open figure, leaves open."""
        block = entry.node.get("with")
        if block is None:
            return {}, frozenset()
        if block.kind != "mapping":
            self._say(entry.node.key_place("with"), "with: names and values are wanted under it")
            return {}, frozenset(file.figures)
        changes: dict[str, Node] = {}
        wrong: set[str] = set()
        for key, written in block.entries:
            self._takes_open = False
            value = self._filled(written, scope)
            if key.text not in file.figures:
                hint = did_you_mean(key.text, file.figures)
                self._say(key.place, f'{file.source.name} has no figure "{key.text}"; {hint}')
                wrong |= file.figures.keys() - {*block.keys()}
            elif value.kind != "scalar" or value.is_empty:
                self._say(key.place, f'{key.text}: a value is wanted, such as "10 W"')
                wrong.add(key.text)
            else:
                changes[key.text] = value
                wrong |= {key.text} if self._takes_open else set()
        return changes, frozenset(wrong)

    def _draft(self, entry: Entry, scope: _Scope) -> list[Draft]:
        self._takes_open = False
        node = self._filled(entry.node, scope)
        is_sure = not self._takes_open
        head, errors = validate(StepHead, node)
        if node.get("kind") is None and not entry.nested:
            errors = [*errors, *_unknown_without_kind(node)]
        limits = node.get("limits")
        if head is not None and head.must_pass and (limits is None or _is_nothing(limits)):
            message = 'must_pass: the step has no limits to meet; write them under "limits"'
            errors = [*errors, FileError(node.key_place("must_pass"), message)]
        self._errors += errors
        children = self._expand(entry.nested, scope)
        has_sure_id = head is not None
        head = head or _sure_head(node, is_included=scope.include is not None)
        if head is None:
            return [_unknown(node, scope), *children]
        if head.alone and scope.include is not None:
            return []
        draft = Draft(
            id=f"{scope.prefixes[-1]}{head.id or head.kind}",
            kind=head.kind,
            title=head.title,
            required=head.required,
            must_pass=head.must_pass
            or (scope.must_pass and limits is not None and not _is_nothing(limits)),
            node=node,
            prefixes=scope.prefixes,
            include=scope.include,
            children=children,
            is_sure=is_sure,
        )
        self._enter(draft, has_sure_id=has_sure_id)
        return [draft]

    def _enter(self, draft: Draft, *, has_sure_id: bool) -> None:
        place = (draft.node.get("id") or draft.node).place
        first = self.by_id.setdefault(draft.id, draft)
        if not has_sure_id:
            return
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

    def _say(self, place: Place, message: str) -> None:
        self._errors.append(FileError(place, message))


def _unknown(node: Node, scope: _Scope) -> Draft:
    """Stands for a step, or the steps of an include, that can't be known for its mistakes."""
    return Draft(
        id="",
        kind="",
        title="",
        required=None,
        must_pass=False,
        node=node,
        prefixes=scope.prefixes,
        include=scope.include,
        is_sure=False,
    )


def _is_nothing(block: Node) -> bool:
    """Whether a block is written, with nothing in it."""
    return block.kind == "mapping" and not block.entries


def _sure_head(node: Node, *, is_included: bool) -> StepHead | None:
    """The head of a step with mistakes in it, where these leave open neither its kind nor its place."""
    entries = tuple((key, value) for key, value in node.entries if key.text in COMMON_KEYS)
    own = Node(kind="mapping", place=node.place, entries=entries)
    sure = sound_values(StepHead, own)
    if "kind" not in sure or (is_included and "alone" not in sure):
        return None
    written = node.get("id")
    if "id" not in sure and written is not None:
        sure["id"] = written.text or None
    return StepHead.model_construct(**sure)


def _unknown_without_kind(node: Node) -> list[FileError]:
    """For a step without a kind: a misspelt `kind` or `include` is the likely reason."""
    for key in node.entries:
        name = key[0].text
        hint = did_you_mean(name, ("kind", "include"))
        if hint.startswith("did") and name not in COMMON_KEYS:
            return [FileError(key[0].place, f'unknown key "{name}"; {hint}')]
    return []
