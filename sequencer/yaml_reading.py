"""YAML text to a tree of nodes in which every scalar stays text and everything has its place.

YAML guesses types (`off` becomes false, 1:30 becomes 90, 010 becomes 8) and lets a small file
unfold into a huge one. Here nothing is guessed, aliases and tags are refused, and size, depth and
number of entries are bounded. The tree is built from the parser's events with a stack of our own:
PyYAML's composer recurses and would fall over 5,000 levels.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal, Protocol

import yaml

from sequencer.errors import FileError, Place

MAX_BYTES = 1_000_000
MAX_DEPTH = 50
MAX_NODES = 100_000
_MAX_ERRORS = 50

# YAML 1.1 takes NEL, LS and PS for line ends, which would shift every later place.
_FORBIDDEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f"
    "\u202a-\u202e\u2066-\u2069\ufeff\ufffe\uffff]"
)
_UTF16_OR_32 = (b"\xff\xfe", b"\xfe\xff", b"\x00\x00\xfe\xff")

_PLAIN_WORDS = {
    "mapping values are not allowed": (
        'a second ":" stands here, or the indentation is wrong; put text with a colon in quotes'
    ),
    "could not find expected ':'": 'the ":" after a name is missing; write "name: value"',
    "unexpected end of stream": "a quote that is opened here is never closed; close it",
    "cannot start any token": "text can't begin with this sign; put it in quotes",
    "did not find expected ',' or": (
        "a bracket is not closed, or a comma is missing; write {name: value, name: value}"
    ),
    "did not find expected key": (
        "this doesn't fit to the ones above, or a bracket is too many; indent the entries of "
        "one block equally"
    ),
    "did not find expected '-'": (
        'this line doesn\'t fit to the list above; begin it with "- " or indent it further'
    ),
    "found unexpected ':'": "a value is missing after the colon, or a space; write name: value",
    "block sequence entries are not allowed": 'a "- " can\'t stand here; begin a new line',
    "maximum nesting depth": f"nested more than {MAX_DEPTH} levels deep; flatten it",
    "unknown escape": "this backslash begins no known escape; put the text in single quotes",
}


class Unreadable(Exception):
    """A file that can't be read as ours; errors says why and where."""

    def __init__(self, errors: list[FileError]) -> None:
        self.errors = tuple(errors[:_MAX_ERRORS])
        super().__init__("; ".join(str(error) for error in self.errors[:3]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """One scalar (text), mapping (entries of key and value) or sequence (items) with its place.

    Places don't count when nodes are compared.
    """

    kind: Literal["scalar", "mapping", "sequence"]
    place: Place = field(compare=False)
    text: str = ""
    quoted: bool = field(default=False, compare=False)
    entries: "tuple[tuple[Node, Node], ...]" = ()
    items: "tuple[Node, ...]" = ()

    @property
    def value(self) -> "str | tuple[tuple[Node, Node], ...] | tuple[Node, ...]":
        """The content, whatever the kind."""
        if self.kind == "scalar":
            return self.text
        return self.entries if self.kind == "mapping" else self.items

    @property
    def is_empty(self) -> bool:
        """Whether nothing was written: a key without a value."""
        return self.kind == "scalar" and not self.text and not self.quoted

    @property
    def is_null_word(self) -> bool:
        """Whether it is written as YAML's "nothing": null or ~, without quotes."""
        return self.kind == "scalar" and not self.quoted and self.text.casefold() in ("null", "~")

    def keys(self) -> tuple[str, ...]:
        """The names of a mapping's entries."""
        return tuple(key.text for key, _ in self.entries)

    def get(self, key: str) -> "Node | None":
        """The value under a key, None when it isn't there."""
        return next((value for name, value in self.entries if name.text == key), None)

    def key_place(self, key: str) -> Place:
        """Where a key stands; the mapping itself when it isn't there."""
        return next((name.place for name, _ in self.entries if name.text == key), self.place)

    def without(self, *keys: str) -> "Node":
        """The same mapping without some of its entries."""
        kept = tuple((name, value) for name, value in self.entries if name.text not in keys)
        return Node(kind="mapping", place=self.place, entries=kept)

    def plain(self) -> "Plain":
        """Nested dicts and lists of text."""
        if self.kind == "mapping":
            return {key.text: value.plain() for key, value in self.entries}
        if self.kind == "sequence":
            return [item.plain() for item in self.items]
        return self.text


Plain = str | list["Plain"] | dict[str, "Plain"]


def decode(content: bytes, file: str) -> str:
    """The text of a file: UTF-8, with or without a byte order mark, line ends made equal.

    Raises Unreadable for any other encoding and for more than MAX_BYTES.
    """
    start = Place(file)
    if len(content) > MAX_BYTES:
        raise Unreadable(
            [FileError(start, "the file is larger than 1 MB; a file of this kind is a few kB")]
        )
    if content.startswith(_UTF16_OR_32) or b"\x00" in content[:4]:
        message = "the file is written in UTF-16 or UTF-32; save it as UTF-8"
        raise Unreadable([FileError(start, message)])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        column = error.start - (content.rfind(b"\n", 0, error.start) + 1) + 1
        raise Unreadable(
            [FileError(Place(file, line, column), "this is not UTF-8 text; save the file as UTF-8")]
        ) from None
    return text.replace("\r\n", "\n").replace("\r", "\n")


def compose(text: str, file: str) -> Node:
    """The tree of one YAML document.

    Raises Unreadable with every mistake that can be told before the tree is whole.
    """
    lines = text.split("\n")
    found = [*_forbidden_signs(lines, file), *_tabs(lines, file)]
    if found:
        raise Unreadable(found)
    builder = _Builder(file, lines)
    try:
        root = builder.build(_without_tabs(lines))
    except yaml.MarkedYAMLError as error:
        raise Unreadable([*builder.errors, builder.syntax_error(error)]) from None
    except (yaml.YAMLError, UnicodeError, ValueError):
        raise Unreadable([FileError(Place(file), "the file can't be read as YAML text")]) from None
    if builder.errors:
        raise Unreadable(builder.errors)
    if root is None or root.is_empty:
        raise Unreadable([FileError(Place(file), "the file is empty; nothing is described in it")])
    return root


def _forbidden_signs(lines: list[str], file: str) -> Iterator[FileError]:
    for number, line in enumerate(lines, 1):
        match = _FORBIDDEN.search(line)
        if match is not None:
            place = Place(file, number, match.start() + 1, line)
            sign = f"U+{ord(match.group()):04X}"
            yield FileError(place, f"an invisible sign ({sign}) stands here; delete it")


def _tabs(lines: list[str], file: str) -> Iterator[FileError]:
    for number, line in enumerate(lines, 1):
        content = line.strip()
        if "\t" in line and content and not content.startswith("#"):
            place = Place(file, number, line.index("\t") + 1, line)
            yield FileError(place, "a tab stands here; use spaces")


def _without_tabs(lines: list[str]) -> str:
    """Only blank and comment lines still hold tabs; there they mean nothing."""
    return "\n".join(line.replace("\t", " ") for line in lines)


class _Mark(Protocol):
    """Where the parser stands; PyYAML's two parsers have a class each."""

    @property
    def line(self) -> int: ...

    @property
    def column(self) -> int: ...


class _TooMuch(Exception):
    """The document goes beyond a bound; the rest of it isn't looked at."""


@dataclass(slots=True)
class _Open:
    """A mapping or sequence whose end has not come yet; key waits for its value."""

    kind: Literal["mapping", "sequence"]
    place: Place
    entries: list[tuple[Node, Node]] = field(default_factory=list)
    items: list[Node] = field(default_factory=list)
    seen: dict[str, Place] = field(default_factory=dict)
    key: Node | None = None

    def closed(self) -> Node:
        return Node(
            kind=self.kind,
            place=self.place,
            entries=tuple(self.entries),
            items=tuple(self.items),
        )


class _Builder:
    """Builds the tree from the parser's events."""

    def __init__(self, file: str, lines: list[str]) -> None:
        self._file = file
        self._lines = lines
        self._open: list[_Open] = []
        self._root: Node | None = None
        self._documents = 0
        self._nodes = 0
        self.errors: list[FileError] = []

    def build(self, text: str) -> Node | None:
        """The root of the document, None for an empty stream."""
        loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
        try:
            for event in yaml.parse(text, Loader=loader):
                self._take(event)
        except _TooMuch:
            pass
        return self._root

    def syntax_error(self, error: yaml.MarkedYAMLError) -> FileError:
        """The parser's complaint in plain words."""
        problem = str(error.problem or error.context or "")
        mark = error.problem_mark or error.context_mark
        if error.context_mark is not None and (
            "expected ':'" in problem or self._is_at_the_end(mark)
        ):
            # What is never closed is noticed late; the person looks for where it begins.
            mark = error.context_mark
        words = next((words for part, words in _PLAIN_WORDS.items() if part in problem), None)
        message = words or f"this can't be read as YAML ({problem}); check quotes and brackets"
        return FileError(self._place(mark), message)

    def _is_at_the_end(self, mark: _Mark | None) -> bool:
        return (
            mark is not None
            and not any(line.strip() for line in self._lines[mark.line + 1 :])
            and (mark.line >= len(self._lines) or not self._lines[mark.line][mark.column :].strip())
        )

    def _take(self, event: yaml.Event) -> None:
        if isinstance(event, yaml.AliasEvent):
            self._refuse(event, "aliases (*name) are not used in these files; write the value out")
            self._add(Node(kind="scalar", place=self._place(event.start_mark)))
        elif isinstance(event, yaml.DocumentStartEvent):
            self._begin_document(event)
        elif isinstance(event, yaml.CollectionStartEvent):
            self._begin(event)
        elif isinstance(event, yaml.CollectionEndEvent):
            self._add(self._open.pop().closed())
        elif isinstance(event, yaml.ScalarEvent):
            self._check_marks(event)
            self._add(self._scalar(event))

    def _begin_document(self, event: yaml.DocumentStartEvent) -> None:
        self._documents += 1
        if self._documents > 1:
            self._refuse(event, 'a second document ("---") begins here; write one file for each')
            raise _TooMuch

    def _begin(self, event: yaml.CollectionStartEvent) -> None:
        self._check_marks(event)
        if len(self._open) >= MAX_DEPTH:
            self._refuse(event, f"nested more than {MAX_DEPTH} levels deep; flatten it")
            raise _TooMuch
        mapping = isinstance(event, yaml.MappingStartEvent)
        self._open.append(
            _Open(kind="mapping" if mapping else "sequence", place=self._place(event.start_mark))
        )

    def _check_marks(self, event: yaml.ScalarEvent | yaml.CollectionStartEvent) -> None:
        if event.anchor is not None:
            self._refuse(event, "anchors (&name) are not used in these files; leave it out")
        if event.tag is not None and event.tag != "!":
            self._refuse(event, "tags (!name) are not used in these files; leave it out")

    def _scalar(self, event: yaml.ScalarEvent) -> Node:
        place = self._place(event.start_mark)
        value = str(event.value)
        match = _FORBIDDEN.search(value.replace("\x85", "\n"))
        if match is not None or "\t" in value:
            message = (
                "an escape gives an invisible control character here; leave it out, or where a "
                "command map wants one write its name: CR, LF, CR LF or TAB"
            )
            self.errors.append(FileError(place, message))
        # style None or "" is plain; quotes and block text are meant as text
        return Node(kind="scalar", place=place, text=value, quoted=event.style not in (None, ""))

    def _add(self, node: Node) -> None:
        self._nodes += 1
        if self._nodes > MAX_NODES:
            message = f"more than {MAX_NODES} entries; split the file"
            self.errors.append(FileError(node.place, message))
            raise _TooMuch
        if not self._open:
            self._root = node
            return
        parent = self._open[-1]
        if parent.kind == "sequence":
            parent.items.append(node)
        elif parent.key is None:
            parent.key = self._checked_key(node)
        else:
            parent.entries.append((parent.key, node))
            parent.key = None

    def _checked_key(self, key: Node) -> Node:
        if key.kind != "scalar":
            message = "brackets can't be a name; put text that begins with { or [ in quotes"
            self.errors.append(FileError(key.place, message))
            return Node(kind="scalar", place=key.place, text="?")
        seen = self._open[-1].seen
        if key.text in seen:
            first = seen[key.text].line
            message = f'"{key.text}" is written twice here, first in line {first}; keep one of them'
            self.errors.append(FileError(key.place, message))
        seen.setdefault(key.text, key.place)
        return key

    def _refuse(self, event: yaml.Event, message: str) -> None:
        self.errors.append(FileError(self._place(event.start_mark), message))

    def _place(self, mark: _Mark | None) -> Place:
        if mark is None:
            return Place(self._file)
        line = self._lines[mark.line] if mark.line < len(self._lines) else ""
        return Place(self._file, mark.line + 1, mark.column + 1, line)
