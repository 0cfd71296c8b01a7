"""Finding the files of a procedure: its own, and those it includes.

An include names a file relative to the including one, or a built-in procedure. It can't leave the
folder of the first file, neither by `..` nor through a link. Every file is read once, whatever
includes it; circles, depth and the total number of steps are bounded before anything is expanded.
"""

import os
import posixpath
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict

from sequencer.errors import FileError, Place
from sequencer.limits import DecisionRule
from sequencer.located_yaml import Node, SourceFile, Unreadable, read_file, validate
from sequencer.quantities import did_you_mean, nearest
from sequencer.unit_data import UNIT_ITEMS, sound_items

MAX_DEPTH = 8
MAX_STEPS = 1000
LONGEST_ID = 64
_ID = re.compile(r"[A-Za-z0-9_-]+(?:\.[A-Za-z0-9_-]+)*")
_BARE_NAME = re.compile(r"[A-Za-z0-9_-]+")
_BLOCKS = ("unit", "figures", "steps", "guards")


def checked_id(text: str) -> str:
    """An id: letters, digits, _ and -; a dot only between an include's id and a step's.

    Raises ValueError in words otherwise.
    """
    if len(text) > LONGEST_ID:
        raise ValueError(f"an id of {len(text)} characters is too long; write at most {LONGEST_ID}")
    if _ID.fullmatch(text) is None:
        raise ValueError(f'"{text}" can\'t be an id; write letters, digits, _ and - only')
    return text


def _short(text: str) -> str:
    if len(text) > 200:
        raise ValueError(f"{len(text)} characters are too many for a title; write at most 200")
    return " ".join(text.split())


Identifier = Annotated[str, AfterValidator(checked_id)]
Title = Annotated[str, AfterValidator(_short)]


class Head(BaseModel):
    """The plain keys of a procedure file."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    procedure: Identifier
    title: Title = ""
    about: str = ""
    decision: DecisionRule = DecisionRule.PLAIN


@dataclass(frozen=True, slots=True)
class Entry:
    """One item of a list of steps: a step, or an include with the file it leads to."""

    node: Node
    file: "Loaded | None" = None
    nested: "tuple[Entry, ...]" = ()

    @property
    def is_include(self) -> bool:
        """Whether it stands for the steps of another file."""
        return self.node.get("include") is not None


@dataclass(frozen=True, slots=True)
class Loaded:
    """One file with its includes; steps and height count through all of them.

    unit holds the sound items of its unit block.
    """

    source: SourceFile
    head: Head | None
    unit: Mapping[str, str]
    figures: Mapping[str, Node]
    guards: Mapping[str, Node]
    entries: tuple[Entry, ...]
    steps: int
    height: int


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a file lies: in a folder (path), or in the library of built-in procedures (name)."""

    path: Path | None
    name: str
    shown: str

    @property
    def key(self) -> str:
        """The same for the same file, however it was reached."""
        return f"library:{self.name}" if self.path is None else os.path.realpath(self.path)


class IncludeRefused(Exception):
    """An include that leads nowhere or where it may not; the message is for people."""


class Locator:
    """Turns names into origins, within one library and one folder."""

    def __init__(self, library: Traversable) -> None:
        self._library = library
        self._root: str | None = None

    def first(self, name: str) -> Origin:
        """The origin of the procedure itself: a file, or else a built-in name.

        Raises IncludeRefused when neither is there.
        """
        if not name.strip():
            raise IncludeRefused("no procedure is named; name a file or a built-in procedure")
        path = Path(name)
        bare = _BARE_NAME.fullmatch(name) is not None
        if bare and not _is_file(path):
            return self._built_in(name)
        if not _exists(path):
            close = nearest(path.stem, self.built_in_names())
            hint = f'; did you mean the built-in procedure "{close[0]}"?' if close else ""
            raise IncludeRefused(f"there is no such file{hint or '; check its path'}")
        self._root = os.path.realpath(path.parent)
        return Origin(path=path, name=path.stem, shown=name)

    def include(self, name: str, parent: Origin) -> Origin:
        """The origin of an include in the parent's file.

        Raises IncludeRefused in words.
        """
        if not name or "\\" in name or name.startswith(("/", "~")) or re.match(r"[A-Za-z]:", name):
            raise IncludeRefused(
                f'"{name}" is no relative path; write a file beside this one or a built-in name'
            )
        if parent.path is None:
            return self._built_in(name.removesuffix(".yaml"))
        found = self._beside(name, parent.path, parent.shown)
        if found is not None:
            return found
        if _BARE_NAME.fullmatch(name) is None:
            raise IncludeRefused(f'there is no file "{name}" beside this one; {self._hint(name)}')
        return self._own_version(name, parent) or self._built_in(name)

    def built_in_names(self) -> list[str]:
        """Names of the built-in procedures."""
        entries = (entry.name for entry in self._library.iterdir())
        return sorted(name.removesuffix(".yaml") for name in entries if name.endswith(".yaml"))

    def read(self, origin: Origin) -> SourceFile:
        """The file's text and tree.

        Raises Unreadable.
        """
        if origin.path is not None:
            return read_file(origin.path, name=origin.shown)
        return read_file(self._library.joinpath(f"{origin.name}.yaml"), name=origin.shown)

    def _built_in(self, name: str) -> Origin:
        if _BARE_NAME.fullmatch(name) is None or name not in self.built_in_names():
            raise IncludeRefused(
                f'there is no file and no built-in procedure "{name}"; {self._hint(name)}'
            )
        return Origin(path=None, name=name, shown=f"procedures/{name}.yaml")

    def _hint(self, name: str) -> str:
        return did_you_mean(name.removesuffix(".yaml"), self.built_in_names())

    def _own_version(self, name: str, parent: Origin) -> Origin | None:
        """NAME.yaml beside the including file; a file that carries a built-in's name may include it."""
        if parent.path is None:
            return None
        found = self._beside(f"{name}.yaml", parent.path, parent.shown)
        return None if found is None or found.key == parent.key else found

    def _beside(self, name: str, parent: Path, parent_shown: str) -> Origin | None:
        path = parent.parent / name
        real = os.path.realpath(path)
        root = self._root or os.path.realpath(parent.parent)
        if os.path.commonpath([root, real]) != root:
            way = "a link" if ".." not in Path(name).parts else '".."'
            raise IncludeRefused(
                f'"{name}" leads out of the procedure\'s folder through {way}; keep files together'
            )
        if not _is_file(path) and (_BARE_NAME.fullmatch(name) or not _exists(path)):
            return None
        shown = posixpath.normpath(posixpath.join(posixpath.dirname(parent_shown), name))
        return Origin(path=path, name=path.stem, shown=shown)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _exists(path: Path) -> bool:
    try:
        return os.path.lexists(path)
    except (OSError, ValueError):
        return False


@dataclass(slots=True)
class Collector:
    """Reads a file and all it includes; collects every mistake on the way."""

    locator: Locator
    errors: list[FileError] = field(default_factory=list)
    sources: dict[str, str] = field(default_factory=dict)
    _read: dict[str, Loaded | None] = field(default_factory=dict)

    def load(self, origin: Origin, chain: tuple[Origin, ...] = ()) -> Loaded | None:
        """The file at the origin, None when it can't be read."""
        if origin.key not in self._read:
            self._read[origin.key] = None
            self._read[origin.key] = self._load(origin, (*chain, origin))
        return self._read[origin.key]

    def _load(self, origin: Origin, chain: tuple[Origin, ...]) -> Loaded | None:
        try:
            source = self.locator.read(origin)
        except Unreadable as error:
            self.errors += error.errors
            return None
        self.sources[source.name] = source.text
        root = source.root
        head, errors = validate(Head, root.without(*_BLOCKS), also_known=_BLOCKS)
        if root.kind != "mapping":
            message = (
                'a procedure is wanted here, with lines such as "procedure: NAME" and "steps:"'
            )
            self.errors.append(FileError(root.place, message))
            return None
        self.errors += errors
        entries = self._entries(root, "steps", chain, needed=True)
        return Loaded(
            source=source,
            head=head,
            unit=self._unit(root),
            figures=self._figures(root),
            guards=self._guards(root),
            entries=entries,
            steps=sum(map(_count, entries)),
            height=max(map(_height, entries), default=0),
        )

    def _unit(self, root: Node) -> dict[str, str]:
        block = root.get("unit")
        if block is None:
            return {}
        if block.is_empty:
            self._say(root.key_place("unit"), "unit: nothing is written here; leave the line out")
            return {}
        sound, errors = sound_items(block)
        self.errors += errors
        return sound

    def _figures(self, root: Node) -> dict[str, Node]:
        figures = {}
        for key, value in self._block(root, "figures").entries:
            if _BARE_NAME.fullmatch(key.text) is None:
                self._say(
                    key.place, f"\"{key.text}\" can't be a figure's name; write letters and _"
                )
            elif key.text in UNIT_ITEMS:
                self._say(key.place, f"{key.text} belongs under unit:, where <{key.text}> finds it")
            elif value.kind != "scalar" or value.is_empty:
                self._say(key.place, f'{key.text}: a quantity is wanted, such as "20 min"')
            figures[key.text] = value
        return figures

    def _guards(self, root: Node) -> dict[str, Node]:
        return {key.text: value for key, value in self._block(root, "guards").entries}

    def _block(self, root: Node, name: str) -> Node:
        block = root.get(name)
        if block is None:
            return Node(kind="mapping", place=root.place)
        if block.kind != "mapping" and name != "unit":
            self._say(root.key_place(name), f"{name}: lines of name: value are wanted under it")
        return block

    def _entries(
        self, owner: Node, key: str, chain: tuple[Origin, ...], *, needed: bool
    ) -> tuple[Entry, ...]:
        steps = owner.get(key)
        if steps is None:
            if needed:
                self._say(owner.place, '"steps" is missing; a procedure without steps does nothing')
            return ()
        if steps.kind != "sequence" or not steps.items:
            place = owner.key_place(key)
            self._say(place, 'steps: a list of steps is wanted, each beginning with "- id: NAME"')
            return ()
        return tuple(self._entry(node, chain) for node in steps.items)

    def _entry(self, node: Node, chain: tuple[Origin, ...]) -> Entry:
        if node.kind != "mapping":
            return Entry(node=node)
        name = node.get("include")
        if name is None:
            nested = self._entries(node, "steps", chain, needed=False)
            return Entry(node=node, nested=nested)
        if name.kind != "scalar" or not name.text:
            self._say(node.key_place("include"), "include: a file or a built-in name is wanted")
            return Entry(node=node)
        return Entry(node=node, file=self._included(name, chain))

    def _included(self, name: Node, chain: tuple[Origin, ...]) -> Loaded | None:
        try:
            origin = self.locator.include(name.text.strip(), chain[-1])
        except (IncludeRefused, ValueError) as error:
            reason = str(error) if isinstance(error, IncludeRefused) else "this is no possible path"
            self._say(name.place, f"include: {reason}")
            return None
        circle = [step.shown for step in chain if step.key == origin.key]
        if circle:
            way = " -> ".join([*(step.shown for step in chain), origin.shown])
            self._say(name.place, f"include: the files include each other in a circle: {way}")
            return None
        if len(chain) > MAX_DEPTH:
            self._say(name.place, f"include: more than {MAX_DEPTH} files deep; include less deeply")
            return None
        found = self.load(origin, chain)
        if found is not None and len(chain) + found.height > MAX_DEPTH:
            self._say(name.place, f"include: more than {MAX_DEPTH} files deep; include less deeply")
        return found

    def _say(self, place: Place, message: str) -> None:
        self.errors.append(FileError(place, message))


def _count(entry: Entry) -> int:
    if entry.file is not None:
        return max(entry.file.steps, 1)
    return 1 + sum(map(_count, entry.nested))


def _height(entry: Entry) -> int:
    below = max(map(_height, entry.nested), default=0)
    return below if entry.file is None else 1 + entry.file.height


def all_included(loaded: Loaded) -> list[Loaded]:
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
