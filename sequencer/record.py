"""A run's record, read back: what reports, comparisons and summaries are made from.

Built from journal lines alone, so a run that broke off reads as far as it got.
"""

import contextlib
import errno
import itertools
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sequencer.captures import Capture
from sequencer.errors import Refused
from sequencer.events import Outcome
from sequencer.journal import JOURNAL, SCHEMA, capture_from_bytes, file_name, sha256_hex
from sequencer.last_words import limit_names
from sequencer.limits import Verdict

SUMMARY = "summary.json"
MATCH = "match.json"
REPORT = "report.html"
PROCEDURE = "procedure.yaml"
BENCH = "bench.yaml"

# A journal line or a reading as JSON holds it; the contract names its keys.
Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureEntry:
    """Where a capture of the run lies, and its hash."""

    name: str
    file: str
    sha256: str

    def load(self, folder: Path) -> Capture:
        """The capture itself."""
        return capture_from_bytes((folder / self.file).read_bytes())


@dataclass(slots=True, kw_only=True)
class StepRecord:
    """One step as recorded.

    bench_copy is the file of the run's folder that holds its bench. is_cut: it stopped the run, so
    that a resumed one does it again. unmet: the limits that it no longer met when it was carried out
    again after a break, in words.
    """

    id: str
    kind: str
    title: str = ""
    does: str = ""
    verdict: str | None = None
    left_out: str | None = None
    limits_left_out: Mapping[str, str] = field(default_factory=dict)
    readings: list[Json] = field(default_factory=list)
    captures: list[CaptureEntry] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    answers: list[tuple[str, str]] = field(default_factory=list)
    t_s: float = 0.0
    bench_copy: str = BENCH
    is_cut: bool = False
    unmet: str = ""

    def reading(self, name: str) -> Json | None:
        """The reading of this name; None when there is none."""
        return next((each for each in self.readings if each["name"] == name), None)

    def begin_again(self, t_s: float, bench_copy: str) -> None:
        """Forget what was recorded before the step was cut."""
        self.verdict, self.left_out, self.is_cut = None, None, False
        self.limits_left_out = {}
        self.t_s, self.bench_copy = t_s, bench_copy
        for part in (self.readings, self.captures, self.notes, self.answers):
            part.clear()


@dataclass(slots=True, kw_only=True)
class Record:
    """One run as recorded.

    restored are the steps that were carried out again after a break, apart from the steps of the run;
    restoring is the one of them that the lines read so far have not ended.
    """

    folder: Path
    started: Json = field(default_factory=dict)
    started_at: str = ""
    instruments: list[Json] = field(default_factory=list)
    cautions: list[Json] = field(default_factory=list)
    steps: list[StepRecord] = field(default_factory=list)
    safe_actions: list[Json] = field(default_factory=list)
    finished: Json | None = None
    resumed: Json | None = None
    duration_s: float = 0.0
    breaks: list[Json] = field(default_factory=list)
    warnings: list[Json] = field(default_factory=list)
    restored: list[StepRecord] = field(default_factory=list)
    journal: Mapping[str, object] | None = None
    restoring: StepRecord | None = field(default=None, repr=False)
    _by_id: dict[str, StepRecord] = field(default_factory=dict, repr=False)

    @property
    def outcome(self) -> str:
        """How the run ended; a run without an end was interrupted."""
        return str(self.finished["outcome"]) if self.finished else Outcome.INTERRUPTED.value

    @property
    def bench_copy(self) -> str:
        """The file of the run's folder that holds the bench as used last; by its name alone."""
        name = self.resumed.get("bench_copy") if self.resumed else None
        return file_name(str(name)) if name else BENCH

    @property
    def ended_early(self) -> bool:
        """Whether something ended the run before its last step."""
        return self.finished is None or self.finished.get("cause") is not None

    @property
    def not_reached(self) -> tuple[str, ...]:
        """Ids of the planned steps that the run did not come to."""
        planned = map(str, self.started.get("planned") or ())
        return tuple(step_id for step_id in planned if step_id not in self._by_id)

    @property
    def limits_left_out(self) -> tuple[str, ...]:
        """Limits on readings that the bench can't give, as STEP/READING, once for all rounds."""
        told = (limit_names(step.id, step.limits_left_out) for step in self.steps)
        return tuple(dict.fromkeys(itertools.chain.from_iterable(told)))

    @property
    def has_judged(self) -> bool:
        """Whether any reading has a limit."""
        return any(each["limits"] is not None for step in self.steps for each in step.readings)

    @property
    def unmet_again(self) -> tuple[StepRecord, ...]:
        """Steps that were met before a break and, carried out again after it, not any more.

        One that stopped the run so, and was carried out once more later, counts by its last time.
        """
        last = {step.id: step for step in self.restored}
        counted = (step for step in self.restored if not step.is_cut or step is last[step.id])
        return tuple({step.id: step for step in counted if step.unmet}.values())

    @property
    def is_whole(self) -> bool:
        """Whether every planned step was carried out, and judged by all of its limits."""
        is_partial = self.not_reached or self.limits_left_out
        return not is_partial and not any(step.left_out for step in self.steps)

    @property
    def is_unit_shown(self) -> bool:
        """Whether something showed that the unit was on; a record that doesn't tell counts as such."""
        told = self.resumed if self.resumed else self.started
        return bool(told.get("is_unit_shown", True))

    def instrument_names(self) -> tuple[str, ...]:
        """Who played each role: role, maker, model and serial."""
        return tuple(
            f"{each['role']}: {each['manufacturer']} {each['model']} {each['serial']}"
            for each in self.instruments
        )

    def step(self, step_id: str) -> StepRecord | None:
        """The step of this id."""
        return self._by_id.get(step_id)

    def add(self, step: StepRecord) -> None:
        """Add a step."""
        self.steps.append(step)
        self._by_id[step.id] = step

    def captures(self, step: StepRecord) -> list[Capture]:
        """The captures of a step."""
        return [entry.load(self.folder) for entry in step.captures]

    def summary(self) -> dict[str, object]:
        """The summary of the command-line contract."""
        started = self.started
        # Only where there is something to tell, so that summaries of older runs still verify.
        unshown = {} if self.is_unit_shown else {"is_unit_shown": False}
        return {
            "schema": SCHEMA,
            "outcome": self.outcome,
            **unshown,
            "cause": self.finished.get("cause") if self.finished else "the record breaks off",
            "procedure": started.get("procedure"),
            "serial": started.get("serial"),
            "model": started.get("model"),
            "stage": started.get("stage"),
            "started": self.started_at,
            "run": str(self.folder),
            "decision": started.get("decision"),
            "breaks": self.breaks,
            "warnings": self.warnings,
            "journal": self.journal,
            "not_reached": list(self.not_reached),
            "steps": [
                {
                    "id": step.id,
                    "kind": step.kind,
                    "verdict": step.verdict or Verdict.NO_READING.value,
                    "left_out": step.left_out,
                    **({"limits_left_out": each} if (each := step.limits_left_out) else {}),
                    "readings": step.readings,
                }
                for step in self.steps
            ],
        }


def journal_lines(folder: Path) -> list[Json]:
    """The whole lines of a run's journal.

    Raises Refused when the folder holds no journal, or one that is none of ours.
    """
    path = folder / JOURNAL
    return list(_parsed(_whole_lines(path), path))


def read_record(folder: Path) -> Record:
    """The record of a run's folder; a torn last line is passed over.

    Raises Refused when the folder holds no journal.
    """
    path = folder / JOURNAL
    lines = _whole_lines(path)
    record = build_record(folder, _parsed(lines, path))
    if lines:
        record.journal = {"lines": len(lines), "sha256": sha256_hex(lines[-1])}
    return record


def journal_ends(records: Iterable[Record]) -> list[str]:
    """The hashes of the last lines of these records' journals."""
    return [str(each.journal["sha256"]) for each in records if each.journal]


def _whole_lines(path: Path) -> list[bytes]:
    # What follows the last newline is torn, or empty.
    return journal_bytes(path.parent).split(b"\n")[:-1]


def journal_bytes(folder: Path) -> bytes:
    """The journal of a run's folder as it stands.

    Raises Refused when the folder holds none.
    """
    try:
        return plain_bytes(folder / JOURNAL)
    except OSError as error:
        raise Refused(
            f"{folder} holds no record of a run ({JOURNAL}: {error.strerror}); "
            "give the folder that a run printed"
        ) from error


def plain_bytes(path: Path) -> bytes:
    """What a file of a record holds. A pipe in its place would be read from for ever.

    Raises OSError where it can't be read, or is no plain file.
    """
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, "it is no plain file")
    return path.read_bytes()


def _parsed(lines: Iterable[bytes], path: Path) -> Iterable[Json]:
    for number, line in enumerate(lines, start=1):
        try:
            yield json.loads(line)
        except (ValueError, RecursionError) as error:
            raise _not_ours(path, number) from error


def write_summary(record: Record) -> None:
    """Write summary.json into the run's folder, whole or not at all.

    Raises OSError when it can't be written.
    """
    text = json.dumps(record.summary(), indent=2, allow_nan=False)
    part = record.folder / f"{SUMMARY}.part"
    try:
        part.write_text(text + "\n", encoding="utf-8")
        part.replace(record.folder / SUMMARY)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def build_record(folder: Path, lines: Iterable[Json]) -> Record:
    """The record that these journal lines tell.

    Raises Refused with the place of a line that is none of ours.
    """
    record = Record(folder=folder)
    for number, line in enumerate(lines, start=1):
        try:
            _feed(record, line)
            record.duration_s = max(record.duration_s, float(line["t"]))
        except (KeyError, TypeError, ValueError) as error:
            raise _not_ours(folder / JOURNAL, number) from error
    return record


def _not_ours(path: Path, number: int) -> Refused:
    return Refused(f"{path}:{number}:1: not a journal line; run verify on it")


def _feed(record: Record, line: Json) -> None:
    match line["event"]:
        case "run_started":
            record.started, record.started_at = line, str(line["at"])
        case "instrument_ready":
            record.instruments.append(line)
        case "caution_accepted":
            record.cautions.append(line)
        case "step_started":
            record.restoring = None
            _begin_step(record, line)
        case "step_restored":
            record.restoring = StepRecord(
                id=line["step"], kind=line["kind"], does=line["does"], t_s=line["t"]
            )
            record.restored.append(record.restoring)
        case "step_done_again":
            _end_restored(record, line)
        case "broken_off":
            record.breaks.append({"at": line["at"], "cause": line["cause"]})
        case "run_resumed":
            _go_on(record, line)
        case "guard_warned":
            record.warnings.append({"at": line["at"], "words": line["words"]})
        case "made_safe":
            record.safe_actions.extend(line["actions"])
        case "run_finished":
            Outcome(line["outcome"])  # ValueError where it is none
            record.finished = line
        case _ if "step" in line:
            _feed_step(_step_of(record, line), line)


def _begin_step(record: Record, line: Json) -> None:
    """A step begins, or begins again after it was cut."""
    if (before := record.step(line["step"])) is not None:
        before.begin_again(line["t"], record.bench_copy)
        return
    step = StepRecord(
        id=line["step"],
        kind=line["kind"],
        title=line["title"],
        does=line["does"],
        t_s=line["t"],
        bench_copy=record.bench_copy,
    )
    record.add(step)


def _go_on(record: Record, line: Json) -> None:
    """The run was taken up again: how it had ended, and on which bench, no longer counts."""
    if (ended := record.finished) is not None:
        cause = ended.get("cause") or str(ended["outcome"])
        record.breaks.append({"at": ended["at"], "cause": cause})
    record.finished, record.resumed, record.restoring = None, line, None
    for part in (record.safe_actions, record.instruments, record.cautions):
        part.clear()


def _end_restored(record: Record, line: Json) -> None:
    if (step := record.restoring) is not None:
        step.verdict, step.unmet = str(Verdict(line["verdict"])), str(line["unmet"])
        step.is_cut = bool(line["cut"])
    record.restoring = None


def _step_of(record: Record, line: Json) -> StepRecord:
    if record.restoring is not None and record.restoring.id == line["step"]:
        return record.restoring
    step = record.step(line["step"])
    if step is None:  # a step that was left out has no start
        step = StepRecord(id=line["step"], kind=line.get("kind", ""), t_s=line["t"])
        record.add(step)
    return step


def _whole_reading(reading: Json) -> Json:
    """A reading that has what everybody relies on; raises KeyError or ValueError else."""
    for key in ("name", "value", "unit", "limits"):
        reading[key]
    Verdict(reading["verdict"])
    return reading


def _feed_step(step: StepRecord, line: Json) -> None:
    match line["event"]:
        case "reading_taken":
            step.readings.append(_whole_reading(line["reading"]))
        case "capture_taken":
            step.captures.append(
                CaptureEntry(name=line["name"], file=line["file"], sha256=line["sha256"])
            )
        case "noted":
            step.notes.append(line["text"])
        case "answered":
            step.answers.append((line["question"], line["answer"]))
        case "step_finished":
            if line["left_out"]:  # on another bench than the one on which it was cut
                step.begin_again(line["t"], step.bench_copy)
            step.verdict, step.left_out = line["verdict"], line["left_out"]
            step.limits_left_out = dict(line.get("limits_left_out") or {})
            step.is_cut = bool(line.get("cut"))
