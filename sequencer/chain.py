"""What was done to a journal's lines: changed, missing, too many, or in another order. Pure.

Theory of operation. Each line has a number and holds the hash of the line before, so a line is
confirmed by the one that goes on from it, the last one by the summary. Of several lines with one
number that one counts which is confirmed. The numbers then show what is missing and what stands
elsewhere, and the hashes which line was changed. A line that counts nowhere was changed where one is
missing just there, and is one too many else. Nothing is said of a line that can't be known.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from sequencer.journal import FIRST_PREV


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the journal as it stands: its place from 1, its bytes' hash, what it says."""

    place: int
    sha256: str
    says: Mapping[str, Any] | None

    @property
    def prev(self) -> object:
        """Hash of the line before, as this line has it."""
        return self.says.get("prev") if self.says else None

    @property
    def number(self) -> int:
        """The number this line was given when it was written, from 0; -1 where it has none."""
        number = self.says.get("seq") if self.says else None
        if not isinstance(number, int) or isinstance(number, bool):
            return -1
        return max(number, -1)


@dataclass(frozen=True, slots=True)
class End:
    """Where the journal ended, by the summary: how many lines, and the hash of the last one."""

    lines: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """The lines that count, in the order in which they were written, and what was done to the others.

    breaks are in words, in the order of the journal; sound are the lines not known to be changed.
    """

    lines: tuple[Line, ...]
    sound: tuple[Line, ...]
    breaks: tuple[str, ...]
    is_whole: bool


@dataclass(frozen=True, slots=True)
class _Break:
    """What was done at a place; is_loss: what the line said is not known any more."""

    place: int
    words: str
    is_loss: bool = True


def examined(lines: Sequence[Line], end: End | None = None) -> Chain:
    """The chain of these lines; end is where the summary, if there is one, says that it ended."""
    confirmed = {line.prev for line in lines} | ({end.sha256} if end else set())
    kept = _kept(lines, confirmed)
    anchors = _in_order(sorted(kept, key=lambda line: line.place))
    changed = _changed(kept, confirmed, end)
    breaks = [
        *changed.values(),
        *_moved(kept, anchors),
        *_strangers_and_gaps(lines, kept, anchors, end),
    ]
    breaks.sort(key=lambda each: each.place)
    return Chain(
        lines=tuple(kept),
        sound=tuple(line for line in kept if line.place not in changed),
        breaks=tuple(each.words for each in breaks),
        is_whole=not any(each.is_loss for each in breaks),
    )


def _kept(lines: Sequence[Line], confirmed: set[object]) -> list[Line]:
    """One line for each number, by numbers."""
    numbers = {line.sha256: line.number for line in lines}
    before = [FIRST_PREV, *(line.sha256 for line in lines)]
    found: dict[int, list[Line]] = defaultdict(list)
    for line in lines:
        follows = -1 if line.prev == FIRST_PREV else numbers.get(str(line.prev))
        if line.number >= 0 and follows in (None, line.number - 1):
            found[line.number].append(line)
    return [
        max(
            found[number],
            key=lambda line: (
                line.sha256 in confirmed,
                line.prev == before[line.place - 1],
                -line.place,
            ),
        )
        for number in sorted(found)
    ]


def _in_order(lines: Sequence[Line]) -> list[Line]:
    """As many of these lines as stand in the order of their numbers (patience sorting)."""
    ends: list[int] = []  # the lowest number that a row of each length ends in
    lengths = []
    for line in lines:
        at = bisect_left(ends, line.number)
        ends[at : at + 1] = [line.number]
        lengths.append(at + 1)
    row: list[Line] = []
    for line, length in zip(reversed(lines), reversed(lengths), strict=True):
        if length == len(ends) - len(row):
            row.append(line)
    return row[::-1]


def _moved(kept: Sequence[Line], anchors: Sequence[Line]) -> Iterator[_Break]:
    in_place = {line.place for line in anchors}
    for line in kept:
        if line.place not in in_place:
            written = f"it was written as line {line.number + 1}"
            words = f"line {line.place} stands in the wrong place: {written}"
            yield _Break(line.place, words, is_loss=False)


def _changed(kept: Sequence[Line], confirmed: set[object], end: End | None) -> Mapping[int, _Break]:
    """Lines that are not as they were, by their places; from the end, where the hashes lead to."""
    changed: dict[int, str] = {}
    last = kept[-1] if kept else None
    if last and end and last.number == end.lines - 1 and last.sha256 != end.sha256:
        changed[last.place] = "was changed (the summary holds another hash of it)"
    for before, line in reversed([*pairwise(kept)]):
        if line.number != before.number + 1 or line.prev == before.sha256:
            continue
        if line.sha256 in confirmed:
            changed[before.place] = f"was changed (line {line.place} holds another hash of it)"
        elif line.place not in changed:
            changed[before.place] = f"or line {line.place} was changed: they do not fit together"
    if kept and kept[0].number == 0 and kept[0].prev != FIRST_PREV:
        changed[kept[0].place] = "was changed"
    return {place: _Break(place, f"line {place} {words}") for place, words in changed.items()}


def _strangers_and_gaps(
    lines: Sequence[Line], kept: Sequence[Line], anchors: Sequence[Line], end: End | None
) -> Iterator[_Break]:
    """Lines that count nowhere, and numbers that no line has, each between the same two anchors."""
    counted = {line.place for line in kept}
    strangers: dict[int, list[Line]] = defaultdict(list)
    places = [line.place for line in anchors]
    for line in lines:
        if line.place not in counted:
            strangers[bisect_left(places, line.place)].append(line)
    gaps: dict[int, list[tuple[int, int]]] = defaultdict(list)
    numbers = [line.number for line in anchors]
    known = [-1, *(line.number for line in kept)]
    at_end = strangers.get(len(anchors), [])
    # Nobody knows where a journal without a summary ended: what is no line there was one.
    unreadable = sum(line.number < 0 for line in at_end)
    known.append(max(known[-1] + 1, end.lines if end else known[-1] + 1 + unreadable))
    for before, after in pairwise(known):
        if after > before + 1:
            gaps[bisect_left(numbers, before + 1)].append((before + 1, after - 1))
    originals = {line.sha256: line for line in kept}
    for index in sorted({*strangers, *gaps}):
        place = anchors[index - 1].place if index else 0
        yield from _between(place, strangers[index], gaps[index], originals)


def _between(
    place: int,
    strangers: Sequence[Line],
    gaps: Sequence[tuple[int, int]],
    originals: Mapping[str, Line],
) -> Iterator[_Break]:
    """What was done behind the line at this place."""
    missing = sum(last - first + 1 for first, last in gaps)
    likely = sorted(strangers, key=lambda line: line.sha256 in originals)
    for line in likely[:missing]:
        is_none = line.says is None
        how = "is no line of a journal any more: it was changed" if is_none else "was changed"
        yield _Break(line.place, f"line {line.place} {how}")
    for line in likely[missing:]:
        yield _Break(line.place, f"line {line.place} {_too_many(line, originals)}", is_loss=False)
    if strangers and missing > len(strangers):
        lost, span = missing - len(strangers), _span(gaps[0][0], gaps[-1][1])
        yield _Break(place, f"{lost} of {span} {'is' if lost == 1 else 'are'} missing")
    elif not strangers:
        for first, last in gaps:
            yield _Break(place, f"{_span(first, last)} {'is' if first == last else 'are'} missing")


def _too_many(line: Line, originals: Mapping[str, Line]) -> str:
    if original := originals.get(line.sha256):
        return f"is there twice (also line {original.place})"
    if line.says is None:
        return "is one too many: it is no line of a journal"
    return "is one too many: no line goes on from it"


def _span(first: int, last: int) -> str:
    if first == last:
        return f"the line written as line {first + 1}"
    return f"the lines written as lines {first + 1} to {last + 1}"
