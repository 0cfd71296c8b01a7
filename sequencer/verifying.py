"""Proves that a run's record is as it was written: the chain, the captures, the summary, the report.

Each line of the journal holds the hash of the line before (chain.py), the summary that of the last
line, the lines those of the captures, of the procedure and of the bench, the report its own (seal.py).
What a break leaves behind (no summary, a torn last line, a capture that no line names) is told and is
no alteration. Somebody who writes all of it anew is not found out: there is no key in this. A last
line's hash that is kept elsewhere finds out that too.
"""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sequencer.chain import Chain, End, Line, examined
from sequencer.errors import Refused, printable
from sequencer.events import Outcome
from sequencer.journal import CAPTURES, JOURNAL, file_name, sha256_hex
from sequencer.limits import Verdict
from sequencer.matching import match
from sequencer.pair_words import pair_outcome
from sequencer.record import (
    BENCH,
    MATCH,
    PROCEDURE,
    REPORT,
    SUMMARY,
    build_record,
    journal_bytes,
    plain_bytes,
)
from sequencer.reservation import holder_of, record_address
from sequencer.seal import read_seal

# Told one by one up to here: a journal of another run would differ in every line.
_MOST_TOLD = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What was found: alterations, and what is worth knowing but no alteration.

    of_report are alterations of the report, which can be made anew from the record. last_sha256 is the
    hash of the journal's last line.
    """

    folder: Path
    lines: int = 0
    captures: int = 0
    last_sha256: str = ""
    of_record: tuple[str, ...] = ()
    of_report: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def alterations(self) -> tuple[str, ...]:
        """What was altered, in words."""
        return (*self.of_record, *self.of_report)

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
            "last_sha256": self.last_sha256,
            "alterations": list(self.alterations),
            "remarks": list(self.remarks),
        }

    def text(self) -> str:
        """For people."""
        verdict = "intact" if self.is_intact else "ALTERED"
        head = f"{self.folder}: {verdict} ({self.lines} lines, {self.captures} captures)"
        end = [f"the last line's SHA-256 is {self.last_sha256}"] if self.last_sha256 else []
        return "\n  ".join([head, *self.alterations, *self.remarks, *end])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Checked:
    """A run's verification and the lines of its journal that it went by."""

    found: Verification
    chain: Chain

    @property
    def is_whole(self) -> bool:
        """Whether the journal has every line, to its end."""
        return not self.found.of_record


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
    return _checked(folder).found


def _checked(folder: Path) -> _Checked:
    running = still_running(folder)  # asked first: the run may end while its record is read
    *whole, torn = journal_bytes(folder).split(b"\n")
    lines = [_line(place, each) for place, each in enumerate(whole, start=1)]
    has_report = (folder / REPORT).exists()  # before the summary, which is written before it
    stored = None if running else _stored(folder)
    chain = examined(lines, _end(stored))
    of_record = [
        *chain.breaks,
        *_captures(folder, _taken(chain.sound)),
        *_files(folder, chain.sound),
        *(() if running else _summary(folder, chain, stored, has_report=has_report)),
    ]
    is_whole = chain.is_whole and not running
    found = Verification(
        folder=folder,
        lines=len(lines),
        captures=len(_taken(chain.lines)),
        last_sha256=lines[-1].sha256 if lines else "",
        of_record=_shortened(of_record),
        of_report=tuple(_report(folder, [chain.lines] if is_whole else None)),
        remarks=tuple(_remarks(folder, lines, chain, torn, running)),
    )
    return _Checked(found=found, chain=chain)


def verify_all(folder: Path) -> list[Verification]:
    """Check a run's folder, or every run in a pair's folder and what the pair says of them.

    Raises Refused when there is no record.
    """
    runs = sorted(each.parent for each in folder.glob(f"*/{JOURNAL}"))
    is_pair = (folder / MATCH).exists() or runs
    if (folder / JOURNAL).exists() or not is_pair:
        return [verify(folder)]
    checked = {each.name: _checked(each) for each in runs}
    pair, found = _pair(folder, checked), [each.found for each in checked.values()]
    return [pair, *found] if pair.alterations or pair.remarks else found


# A pair.


def _pair(folder: Path, checked: Mapping[str, _Checked]) -> Verification:
    """What a pair's own result says, beside the records of its runs."""
    running = still_running(folder)
    remarks: tuple[str, ...] = ()
    of_record: list[str] = []
    if (folder / MATCH).exists():
        of_record = [*_match(folder, checked)]
    elif (folder / REPORT).exists() and not running:
        of_record = [_gone(MATCH)]
    else:
        remarks = (running or f"there is no {MATCH}: a pair was broken off",)
    is_whole = not of_record and not running and all(each.is_whole for each in checked.values())
    chains = [each.chain.lines for each in checked.values()] if is_whole else None
    return Verification(
        folder=folder,
        of_record=_shortened(of_record),
        of_report=tuple(_report(folder, chains)),
        remarks=remarks,
    )


def _match(folder: Path, checked: Mapping[str, _Checked]) -> Iterator[str]:
    try:
        stored = json.loads(plain_bytes(folder / MATCH))
        runs, table, outcome = stored["runs"], stored["match"], stored["outcome"]
        if not runs:
            yield f"{MATCH} was changed: it names no run"
        for run in runs:
            yield from _run_of_pair(Path(str(run["run"])).name, checked, run)
        again = match(runs) if len(runs) > 1 else []
        if json.loads(json.dumps([each.to_json() for each in again])) != table:
            yield f"{MATCH} was changed: its differences are not those of the runs"
        outcomes = [Outcome(run["outcome"]) for run in runs]
        due = pair_outcome(outcomes, [Verdict(row["verdict"]) for row in table])
        if "cause" not in stored and outcome != due:
            yield f"{MATCH} was changed: its outcome is not that of the runs"
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        yield f"{MATCH} was changed: it can't be read as the result of a pair"


def _run_of_pair(
    name: str, checked: Mapping[str, _Checked], stored: Mapping[str, Any]
) -> Iterator[str]:
    """Whether a run was, when the pair's result was written, what that says of it."""
    if (run := checked.get(name)) is None:
        yield f"the run {printable(name, 120)} is missing"
        return
    if not run.chain.is_whole:
        return  # told by the run's own chain
    # A run that was resumed since has more lines by now.
    then = run.chain.lines[: int(stored["journal"]["lines"])]
    try:
        told = build_record(run.found.folder, [line.says or {} for line in then])
    except Refused:
        return
    again = json.loads(json.dumps(told.summary()))
    if any(again[key] != stored.get(key) for key in again if key not in ("run", "journal")):
        yield f"{MATCH} was changed: of {printable(name, 120)} the journal tells otherwise"


def _shortened(alterations: Sequence[str]) -> tuple[str, ...]:
    told = tuple(dict.fromkeys(alterations))
    if len(told) <= _MOST_TOLD:
        return told
    return (*told[:_MOST_TOLD], f"and {len(told) - _MOST_TOLD} more")


def _line(place: int, content: bytes) -> Line:
    try:
        says = json.loads(content)
    except (ValueError, RecursionError):
        says = None
    return Line(place, sha256_hex(content), says if isinstance(says, dict) else None)


# What the lines name.


def _taken(lines: Iterable[Line]) -> list[Mapping[str, Any]]:
    """What the lines say that tell of a capture."""
    told = [line.says for line in lines if line.says]
    return [says for says in told if says.get("event") == "capture_taken"]


def _captures(folder: Path, taken: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    for says in taken:
        name = str(says.get("file"))
        path = folder / name
        shown = printable(name, 120)
        if path.parent != folder / CAPTURES:
            yield f"a capture is said to lie at {shown}, outside {CAPTURES}"
            continue
        if path.is_symlink():
            yield f"a link lies in the place of the capture {shown}"
            continue
        try:
            content = plain_bytes(path)
        except OSError as error:
            yield f"the capture {shown} can't be read: {error.strerror}"
            continue
        if sha256_hex(content) != says.get("sha256"):
            yield f"the capture {shown} was changed"


def _files(folder: Path, lines: Sequence[Line]) -> Iterator[str]:
    """The procedure and the bench as used, as far as the journal holds their hashes."""
    for says in (line.says or {} for line in lines):
        match says.get("event"):
            case "run_started":
                yield from _file(folder, PROCEDURE, says.get("procedure_sha256"))
                yield from _file(folder, BENCH, says.get("bench_sha256"))
            case "run_resumed":
                name = str(says.get("bench_copy"))
                yield from _file(folder, file_name(name), says.get("bench_sha256"))
            case _:
                pass


def _file(folder: Path, name: str, sha256: object) -> Iterator[str]:
    if not sha256:
        return
    try:
        content = plain_bytes(folder / name)
    except OSError as error:
        yield f"{name} can't be read: {error.strerror}"
        return
    if sha256_hex(content) != sha256:
        yield f"{name} was changed"


def _gone(name: str) -> str:
    return f"{name} is missing: it was there before {REPORT} was written"


def _stored(folder: Path) -> Mapping[str, Any] | str | None:
    """The summary; why it can't be one, in words; None where there is none."""
    try:
        stored = json.loads(plain_bytes(folder / SUMMARY))
    except FileNotFoundError:
        return None
    except OSError as error:
        return f"{SUMMARY} can't be read: {error.strerror}"
    except (ValueError, RecursionError):
        return f"{SUMMARY} was changed: it is not JSON any more"
    if isinstance(stored, dict) and _end(stored):
        return stored
    return f"{SUMMARY} was changed, or made of an empty journal: it does not say where that ended"


def _end(stored: Mapping[str, Any] | str | None) -> End | None:
    """Where the journal ended by the summary."""
    match stored:
        case {"journal": {"lines": int(lines), "sha256": str(sha256)}} if lines > 0:
            return End(lines, sha256)
        case _:
            return None


def _summary(
    folder: Path,
    chain: Chain,
    stored: Mapping[str, Any] | str | None,
    *,
    has_report: bool,
) -> Iterator[str]:
    """What the summary shows, beside what the chain has told by it."""
    if isinstance(stored, str):
        yield stored
        return
    if stored is None:
        if has_report:
            yield _gone(SUMMARY)
        return
    count = int(stored["journal"]["lines"])
    if count < len(chain.lines):
        yield (
            f"{SUMMARY} knows {count} lines, the journal has {len(chain.lines)}: lines were put in "
            f"behind the end, or {SUMMARY} was changed"
        )
    elif chain.is_whole:
        yield from _summary_differences(folder, stored, chain.lines)


def _summary_differences(
    folder: Path, stored: Mapping[str, Any], lines: Sequence[Line]
) -> Iterator[str]:
    try:
        told = build_record(folder, [line.says or {} for line in lines])
    except Refused:
        yield "the journal's lines are none of ours, though their hashes fit"
        return
    # Through JSON, so that tuples and lists, and numbers, are alike.
    again = json.loads(json.dumps(told.summary()))
    for key in dict.fromkeys([*again, *stored]):
        if key in ("run", "journal"):  # the folder may have been moved
            continue
        if again.get(key) != stored.get(key):
            yield f"{SUMMARY} was changed: {printable(key, 40)} is not what the journal tells"


def _report(folder: Path, journals: Sequence[Sequence[Line]] | None) -> Iterator[str]:
    """Whether the report is as it was written, and of these journals; None: not all is known of them.

    A run that was resumed, or its pair's report not written anew since, has more lines by now.
    """
    try:
        seal = read_seal(plain_bytes(folder / REPORT))
    except FileNotFoundError:
        return
    except OSError as error:
        yield f"{REPORT} can't be read: {error.strerror}"
        return
    again = "steadybench report writes it anew"
    if seal is None or not seal.is_whole:
        yield f"{REPORT} was changed; {again}"
    elif journals is not None:
        known = {line.sha256 for journal in journals for line in journal}
        if not set(seal.journals) <= known:
            yield f"{REPORT} tells of lines that no journal here has: of another run, or cut off since"


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
    lines: Sequence[Line],
    chain: Chain,
    torn: bytes,
    running: str | None,
) -> Iterator[str]:
    events = [str(line.says.get("event")) for line in chain.lines if line.says]
    if running:
        yield f"{running}; this is the record so far"
        if (folder / SUMMARY).exists():
            yield f"{SUMMARY} was not checked: it may be written anew until that run has ended"
        return
    if torn:
        yield f"the last line is torn ({len(torn)} bytes): the record was broken off while writing"
    if not _has_end(events):
        yield "the record was broken off: it does not tell how the run ended"
    if not (folder / SUMMARY).exists() and not (folder / REPORT).exists():
        yield "there is no summary, so nothing proves the last line; steadybench report writes one"
    for line in chain.lines:
        if line.says and line.says.get("event") == "broken_off":
            yield f"broken off before line {line.place}: {printable(str(line.says.get('cause')))}"
    named = {str(each.get("file")) for each in _taken(lines)}
    there = {f"{CAPTURES}/{each.name}" for each in (folder / CAPTURES).glob("*")}
    for name in sorted(there - named):
        yield f"no line names {printable(name, 120)}"
