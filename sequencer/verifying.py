"""Proves that a run's record is as it was written: the chain, the captures, the summary.

Theory of operation. Each line holds the hash of the line before, so a line is confirmed by its
successor, and the last one by the summary, which holds its hash. Where a hash does not fit, the
numbers of the lines and a search for the line that would fit tell what was done: changed, missing, or
in another order. What a break leaves behind (no summary, a torn last line, a capture that no line
names) is told and is no alteration. Somebody who writes all of it anew, summary included, is not
found out: there is no key in this.
"""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from sequencer.errors import Refused, printable
from sequencer.events import Outcome
from sequencer.journal import CAPTURES, FIRST_PREV, JOURNAL, file_name, sha256_hex
from sequencer.limits import Verdict
from sequencer.matching import match
from sequencer.pair_words import pair_outcome
from sequencer.record import (
    BENCH,
    MATCH,
    PROCEDURE,
    SUMMARY,
    build_record,
    journal_bytes,
    journal_lines,
)
from sequencer.reservation import holder_of, record_address

# Told one by one up to here: a journal of another run would differ in every line.
_MOST_TOLD = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What was found: alterations, and what is worth knowing but no alteration."""

    folder: Path
    lines: int
    captures: int
    alterations: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def is_intact(self) -> bool:
        """Whether nothing was altered."""
        return not self.alterations

    def to_json(self) -> dict[str, object]:
        """For programs."""
        return {
            "run": str(self.folder),
            "intact": self.is_intact,
            "lines": self.lines,
            "captures": self.captures,
            "alterations": list(self.alterations),
            "remarks": list(self.remarks),
        }

    def text(self) -> str:
        """For people."""
        verdict = "intact" if self.is_intact else "ALTERED"
        head = f"{self.folder}: {verdict} ({self.lines} lines, {self.captures} captures)"
        return "\n".join(
            [head, *(f"  {each}" for each in self.alterations), *(f"  {e}" for e in self.remarks)]
        )


@dataclass(frozen=True, slots=True)
class _Line:
    """A line of the journal as it stands: its place from 1, its bytes' hash, what it says."""

    place: int
    sha256: str
    says: Mapping[str, Any] | None

    @property
    def prev(self) -> object:
        """Hash of the line before, as this line has it."""
        return self.says.get("prev") if self.says else None

    @property
    def number(self) -> int | None:
        """The number this line was given when it was written, from 0."""
        number = self.says.get("seq") if self.says else None
        is_number = isinstance(number, int) and not isinstance(number, bool) and number >= 0
        return number if is_number else None


def altered_text(alterations: Sequence[str]) -> str:
    """What was altered, for people; empty when nothing was."""
    if not alterations:
        return ""
    return "\n".join(
        ("THE RECORD WAS ALTERED after it was written:", *(f"  {each}" for each in alterations))
    )


def verify(folder: Path) -> Verification:
    """Check the record of one run.

    Raises Refused when the folder holds none.
    """
    running = still_running(folder)  # asked first: the run may end while its record is read
    *whole, torn = journal_bytes(folder).split(b"\n")
    lines = [_line(place, each) for place, each in enumerate(whole, start=1)]
    told = [line.says for line in lines if line.says is not None]
    captures = [says for says in told if says.get("event") == "capture_taken"]
    of_chain = [*_chain(lines)]
    alterations = [
        *of_chain,
        *_captures(folder, captures),
        *_files(folder, told),
        *(() if running else _summary(folder, lines, of_chain)),
    ]
    return Verification(
        folder=folder,
        lines=len(lines),
        captures=len(captures),
        alterations=_shortened(alterations),
        remarks=tuple(_remarks(folder, lines, torn, captures, running)),
    )


def verify_all(folder: Path) -> list[Verification]:
    """Check a run's folder, or every run in a pair's folder and what the pair says of them.

    Raises Refused when there is no record.
    """
    runs = sorted(each.parent for each in folder.glob(f"*/{JOURNAL}"))
    is_pair = (folder / MATCH).exists() or runs
    if (folder / JOURNAL).exists() or not is_pair:
        return [verify(folder)]
    pair = _pair(folder)
    found = [verify(each) for each in runs]
    return [pair, *found] if pair.alterations or pair.remarks else found


def _pair(folder: Path) -> Verification:
    """What a pair's own result says, beside the records of its runs."""
    running = still_running(folder)
    remarks: tuple[str, ...] = ()
    alterations: tuple[str, ...] = ()
    if (folder / MATCH).exists():
        alterations = _shortened([*_match(folder)])
    else:
        remarks = (running or f"there is no {MATCH}: a pair was broken off",)
    return Verification(
        folder=folder, lines=0, captures=0, alterations=alterations, remarks=remarks
    )


def _match(folder: Path) -> Iterator[str]:
    try:
        stored = json.loads((folder / MATCH).read_text(encoding="utf-8"))
        runs, table, outcome = stored["runs"], stored["match"], stored["outcome"]
        if not runs:
            yield f"{MATCH} was changed: it names no run"
        for run in runs:
            yield from _run_of_pair(folder / Path(str(run["run"])).name, run)
        again = match(runs) if len(runs) > 1 else []
        if json.loads(json.dumps([each.to_json() for each in again])) != table:
            yield f"{MATCH} was changed: its differences are not those of the runs"
        outcomes = [Outcome(run["outcome"]) for run in runs]
        due = pair_outcome(outcomes, [Verdict(row["verdict"]) for row in table])
        if "cause" not in stored and outcome != due:
            yield f"{MATCH} was changed: its outcome is not that of the runs"
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        yield f"{MATCH} was changed: it can't be read as the result of a pair"


def _run_of_pair(run: Path, stored: Mapping[str, Any]) -> Iterator[str]:
    """Whether a run was, when the pair's result was written, what that says of it."""
    if not (run / JOURNAL).exists():
        yield f"the run {printable(run.name, 120)} is missing"
        return
    try:
        # A run that was resumed since has more lines by now.
        told = build_record(run, journal_lines(run)[: int(stored["journal"]["lines"])])
    except Refused:
        return  # told by the run's own chain
    again = json.loads(json.dumps(told.summary()))
    if any(again[key] != stored.get(key) for key in again if key not in ("run", "journal")):
        yield f"{MATCH} was changed: of {printable(run.name, 120)} the journal tells otherwise"


def _shortened(alterations: Sequence[str]) -> tuple[str, ...]:
    told = tuple(dict.fromkeys(alterations))
    if len(told) <= _MOST_TOLD:
        return told
    return (*told[:_MOST_TOLD], f"and {len(told) - _MOST_TOLD} more")


def _line(place: int, content: bytes) -> _Line:
    try:
        says = json.loads(content)
    except (ValueError, RecursionError):
        says = None
    return _Line(place, sha256_hex(content), says if isinstance(says, dict) else None)


# The chain.


def _chain(lines: Sequence[_Line]) -> Iterator[str]:
    for line in lines:
        if line.says is None:
            yield f"line {line.place} is no line of a journal any more: it was changed"
    yield from _order(lines)
    by_hash = {line.sha256: line for line in lines}
    for index, line in enumerate(lines):
        expected = lines[index - 1].sha256 if index else FIRST_PREV
        if line.says is None or line.prev == expected:
            continue
        if not _is_in_order(lines, index):
            continue  # told by the numbers already
        yield _break(lines, index, by_hash)


def _break(lines: Sequence[_Line], index: int, by_hash: Mapping[str, _Line]) -> str:
    """Why a line does not follow the one before, though the numbers do."""
    line = lines[index]
    if (before := by_hash.get(str(line.prev))) is not None:
        return f"line {line.place} was written after line {before.place}: the order was changed"
    follower = lines[index + 1] if index + 1 < len(lines) else None
    is_confirmed = follower is not None and follower.prev == line.sha256
    if index and (is_confirmed or follower is None):
        return f"line {line.place - 1} was changed (line {line.place} holds another hash of it)"
    return f"line {line.place} was changed"


def _is_in_order(lines: Sequence[_Line], index: int) -> bool:
    number = lines[index].number
    if index == 0:
        return number in (0, None)
    before = lines[index - 1].number
    return number is None or before is None or number == before + 1


def _order(lines: Sequence[_Line]) -> Iterator[str]:
    """What the numbers alone show: lines that are missing, twice there or in another order."""
    numbered = [(line.number, line.place) for line in lines if line.number is not None]
    there: dict[int, int] = {}
    for number, place in numbered:
        if number in there:
            yield f"line {place} is there twice (also line {there[number]})"
        there.setdefault(number, place)
    highest = -1
    for number, place in numbered:
        if number < highest and there[number] == place:
            yield f"line {place} stands in the wrong place: it was written as line {number + 1}"
        highest = max(highest, number)
    unreadable = sum(line.number is None for line in lines)
    gaps = [
        (before + 1, after - 1)
        for before, after in pairwise([-1, *sorted(there)])
        if after > before + 1
    ]
    if sum(last - first + 1 for first, last in gaps) > unreadable:
        yield from (f"{_span(first, last)} missing" for first, last in gaps)


def _span(first: int, last: int) -> str:
    if first == last:
        return f"the line written as line {first + 1} is"
    return f"the lines written as lines {first + 1} to {last + 1} are"


# What the lines name.


def _captures(folder: Path, lines: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    for line in lines:
        name = str(line.get("file"))
        path = folder / name
        shown = printable(name, 120)
        if path.parent != folder / CAPTURES or path.is_symlink():
            yield f"a capture is said to lie at {shown}, outside {CAPTURES}"
            continue
        try:
            content = path.read_bytes()
        except OSError as error:
            yield f"the capture {shown} can't be read: {error.strerror}"
            continue
        if sha256_hex(content) != line.get("sha256"):
            yield f"the capture {shown} was changed"


def _files(folder: Path, lines: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """The procedure and the bench as used, as far as the journal holds their hashes."""
    for line in lines:
        match line.get("event"):
            case "run_started":
                yield from _file(folder, PROCEDURE, line.get("procedure_sha256"))
                yield from _file(folder, BENCH, line.get("bench_sha256"))
            case "run_resumed":
                name = str(line.get("bench_copy"))
                yield from _file(folder, file_name(name), line.get("bench_sha256"))
            case _:
                pass


def _file(folder: Path, name: str, sha256: object) -> Iterator[str]:
    if not sha256:
        return
    try:
        content = (folder / name).read_bytes()
    except OSError as error:
        yield f"{name} can't be read: {error.strerror}"
        return
    if sha256_hex(content) != sha256:
        yield f"{name} was changed"


def _summary(folder: Path, lines: Sequence[_Line], of_chain: Sequence[str]) -> Iterator[str]:
    """What the summary shows; a line that the chain has told of already is not told again."""
    try:
        text = (folder / SUMMARY).read_text(encoding="utf-8")
    except FileNotFoundError:
        return
    except (OSError, ValueError) as error:
        yield f"{SUMMARY} can't be read: {error}"
        return
    try:
        stored = json.loads(text)
        end = stored["journal"]
        count, sha256 = int(end["lines"]), str(end["sha256"])
    except (ValueError, TypeError, KeyError, RecursionError):
        yield f"{SUMMARY} was changed: it does not say where the journal ended"
        return
    if not 0 < count <= len(lines):
        yield f"the summary knows {count} lines, the journal has {len(lines)}: lines are missing"
        return
    is_told = any(each.startswith(f"line {count} ") for each in of_chain)
    if lines[count - 1].sha256 != sha256 and not is_told:
        yield f"line {count} was changed (the summary holds another hash of it)"
    yield from _summary_differences(folder, stored, lines[:count])


def _summary_differences(
    folder: Path, stored: Mapping[str, Any], lines: Sequence[_Line]
) -> Iterator[str]:
    try:
        told = build_record(folder, [line.says or {} for line in lines])
    except Refused:
        return  # the line is told by the chain
    # Through JSON, so that tuples and lists, and numbers, are alike.
    again = json.loads(json.dumps(told.summary()))
    for key in dict.fromkeys([*again, *stored]):
        if key in ("run", "journal"):  # the folder may have been moved
            continue
        if again.get(key) != stored.get(key):
            yield f"{SUMMARY} was changed: {printable(key, 40)} is not what the journal tells"


def still_running(folder: Path) -> str | None:
    """That a run (or pair) is still going on in its folder, in words; None when none is."""
    holder = holder_of(record_address(folder))
    return holder.words() if holder else None


def refuse_running(folder: Path, *, or_died: bool = True) -> None:
    """Refuse what only a record that is written to its end can be used for.

    or_died: also while the watchkeeper of a run that died still writes there.
    Raises Refused (code "held") while a run (or pair) is still going on in this folder.
    """
    holder = holder_of(record_address(folder))
    if holder and (holder.is_alive or or_died):
        where = printable(str(folder), 200)
        raise Refused(f"{where} is {holder.words()}; wait for that run to end", code="held")


def _has_end(events: Sequence[str]) -> bool:
    """Whether the run's end is told, after it was taken up again for the last time."""
    since = [each for each in events if each in ("run_resumed", "run_finished")]
    return bool(since) and since[-1] == "run_finished"


def _remarks(
    folder: Path,
    lines: Sequence[_Line],
    torn: bytes,
    captures: Iterable[Mapping[str, Any]],
    running: str | None,
) -> Iterator[str]:
    events = [str(line.says.get("event")) for line in lines if line.says]
    if running:
        yield f"{running}; this is the record so far"
        if (folder / SUMMARY).exists():
            yield f"{SUMMARY} was not checked: it may be written anew until that run has ended"
        return
    if torn:
        yield f"the last line is torn ({len(torn)} bytes): the record was broken off while writing"
    if not _has_end(events):
        yield "the record was broken off: it does not tell how the run ended"
    if not (folder / SUMMARY).exists():
        yield "there is no summary"
    for line in lines:
        if line.says and line.says.get("event") == "broken_off":
            yield f"broken off before line {line.place}: {printable(str(line.says.get('cause')))}"
    named = {str(each.get("file")) for each in captures}
    there = {f"{CAPTURES}/{each.name}" for each in (folder / CAPTURES).glob("*")}
    for name in sorted(there - named):
        yield f"no line names {printable(name, 120)}"
