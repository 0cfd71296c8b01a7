"""The command tree: which headers an instrument knows and what each one calls.

A command is declared by its header as manuals print it: capitals are the short form, `[...]` an
optional node, `|` a choice of spellings, `{2}` a numeric suffix 1..2, a closing `?` a query:
`[SOURce{2}:]FREQuency[:CW|:FIXed]?`. Source: SCPI-1999 volume 1, 6.2 and 5.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from sim_instruments.scpi_errors import ScpiError
from sim_instruments.scpi_parameters import Call
from sim_instruments.scpi_syntax import Header

Answer = bytes | str | None
Handler = Callable[[Call], Answer]


@dataclass(frozen=True, slots=True)
class Command:
    """One header, its handler, and how many parameters it takes at least and at most."""

    pattern: str
    handler: Handler
    least: int = 0
    most: int = 0


@dataclass(frozen=True, slots=True)
class _Node:
    """One mnemonic of a spelling; suffix_limit 0 where no numeric suffix is declared."""

    name: str
    suffix_limit: int


@dataclass(frozen=True, slots=True)
class _Entry:
    command: Command
    nodes: tuple[_Node, ...]


@dataclass(frozen=True, slots=True)
class Match:
    """A header found in the tree: its command, and the numeric suffix (1 where none is written)."""

    command: Command
    suffix: int
    has_suffix: bool
    path: tuple[str, ...]


_PART = re.compile(r"\[([^\]]*)\]|([^\[\]]+)")
_NODE = re.compile(r"([A-Za-z]+)(?:\{(\d+)\})?")


class CommandTree:
    """All headers of one instrument."""

    def __init__(self, commands: Iterable[Command]) -> None:
        self._entries: dict[tuple[tuple[str, ...], bool], _Entry] = {}
        for command in commands:
            for nodes in _spellings(command.pattern):
                self._add(command, nodes)

    def _add(self, command: Command, nodes: tuple[_Node, ...]) -> None:
        key = (tuple(node.name for node in nodes), command.pattern.endswith("?"))
        other = self._entries.setdefault(key, _Entry(command, nodes))
        if other.command is not command:
            raise ValueError(f"{command.pattern} and {other.command.pattern} are spelled alike")

    def find(self, header: Header, path: tuple[str, ...]) -> Match:
        """Look a header up, from the position the previous unit left.

        Raises ScpiError -113 for an undefined header, -114 for a numeric suffix out of range.
        """
        written = header.mnemonics if header.is_absolute else (*path, *header.mnemonics)
        names, suffixes = zip(*map(_cut_suffix, written), strict=True)
        entry = self._entries.get((names, header.is_query))
        if entry is None:
            raise ScpiError(-113)
        suffix = _check_suffixes(entry.nodes, suffixes)
        return Match(entry.command, suffix or 1, suffix is not None, written[:-1])

    def headers(self) -> list[str]:
        """Every declared header, as manuals print it."""
        return sorted({entry.command.pattern for entry in self._entries.values()})


def _cut_suffix(mnemonic: str) -> tuple[str, str]:
    name = mnemonic.rstrip("0123456789")
    return name, mnemonic[len(name) :]


def _check_suffixes(nodes: Sequence[_Node], suffixes: Sequence[str]) -> int | None:
    """The suffix written at the declared node; SCPI implies 1 at every other one."""
    found: int | None = None
    for node, suffix in zip(nodes, suffixes, strict=True):
        if not suffix:
            continue
        if len(suffix) > 9 or not 1 <= int(suffix) <= max(node.suffix_limit, 1):
            raise ScpiError(-114)
        found = int(suffix) if node.suffix_limit else found
    return found


def short_form(mnemonic: str) -> str:
    """The short form of a mnemonic printed as in a manual: its capitals."""
    return "".join(character for character in mnemonic if not character.islower())


def _spellings(pattern: str) -> Iterator[tuple[_Node, ...]]:
    """Every way to write a header: optional nodes there or not, each node short or long."""
    rows: list[tuple[_Node, ...]] = [()]
    for optional, fixed in _PART.findall(pattern.removesuffix("?")):
        if optional:
            rows = [row + more for row in rows for more in [(), *_choices(optional)]]
        else:
            for node in fixed.strip(":").split(":"):
                rows = [row + more for row in rows for more in _choices(node)]
    return iter(dict.fromkeys(rows))


def _choices(node: str) -> Iterator[tuple[_Node, ...]]:
    for spelling in node.split("|"):
        found = _NODE.fullmatch(spelling.strip(":"))
        if found is None:
            raise ValueError(f"not a node of a header: {spelling!r}")
        name, limit = found.group(1), int(found.group(2) or 0)
        for form in dict.fromkeys((short_form(name), name.upper())):
            yield (_Node(form, limit),)
