"""A finished run judged again from its captures alone: evaluation and judging, nothing else.

With the run's own procedure this shows whether today's program finds what was found then; with another
one, what its limits would have said. What the bench did can't be done again: a step that was left out
or broke off stays so, and a run that was stopped does not pass by being judged again.
"""

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sequencer.bench_spec import load_bench
from sequencer.captures import Capture
from sequencer.errors import Refused, printable
from sequencer.events import Outcome
from sequencer.journal import capture_from_bytes, sha256_hex
from sequencer.judging import judge_findings, outcome
from sequencer.last_words import (
    RunVerdict,
    changed_figures_text,
    named_steps,
    run_verdict,
    without_round,
)
from sequencer.limits import Reading, Verdict, step_verdict, worst
from sequencer.past import reading_of
from sequencer.procedure import Procedure, Step, load_procedure
from sequencer.quantities import format_quantity
from sequencer.record import PROCEDURE, Json, Record, StepRecord, read_record
from sequencer.step_names import step_id_of
from sequencer.steps.base import AnyStepKind, Finding, Situation
from sequencer.steps.registry import kinds
from sequencer.steps.repeat import RepeatSettings
from sequencer.ticket import Ticket
from sequencer.verifying import altered_text, refuse_running, verify

SCHEMA = 1
_BROKEN_OFF = "broken off: "
_NEAR_FLOOR = "within 10 dB of the bench's own"
# Another version of a numerical library may round otherwise; nobody means that by a change.
_SAME = 1e-6
_ENDED_EARLY = (Outcome.STOPPED.value, Outcome.INTERRUPTED.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A reading that came out otherwise; None where there was, or is, none."""

    step: str
    reading: str
    before: Json | None
    after: Json | None

    def to_json(self) -> dict[str, object]:
        """The change for programs."""
        return {
            "step": self.step,
            "reading": self.reading,
            "before": self.before,
            "after": self.after,
        }

    @property
    def is_visible(self) -> bool:
        """Whether a person sees a difference; else further digits or the doubt differ."""
        return _shown(self.before) != _shown(self.after)

    def text(self) -> str:
        """The change for people, one line."""
        return f"{self.step}/{self.reading}: {_shown(self.before)} -> {_shown(self.after)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class StepAgain:
    """One step judged again."""

    id: str
    kind: str
    verdict: Verdict
    left_out: str | None
    readings: tuple[Reading, ...] = ()

    def to_json(self) -> dict[str, object]:
        """The step as a summary has it."""
        return {
            "id": self.id,
            "kind": self.kind,
            "verdict": self.verdict.value,
            "left_out": self.left_out,
            "readings": [reading.to_json() for reading in self.readings],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejudged:
    """A run judged again: its steps, what changed, and what could not be done.

    remarks tell of captures that were taken otherwise than the procedure asks. alterations are what was
    done to the record after it was written: then all of this may not be what was measured.

    outcome is pass or fail, or how the run ended when it was stopped or interrupted.
    """

    record: Record
    procedure: str
    outcome: str
    steps: tuple[StepAgain, ...]
    changes: tuple[Change, ...]
    problems: tuple[str, ...]
    remarks: tuple[str, ...] = ()
    alterations: tuple[str, ...] = ()

    @property
    def is_passed(self) -> bool:
        """Whether every limit is met, in a run that reached its end."""
        return self.outcome == Outcome.PASS.value

    def to_json(self) -> dict[str, object]:
        """The result for programs."""
        return {
            "schema": SCHEMA,
            "outcome": self.outcome,
            "recorded_outcome": self.record.outcome,
            "procedure": self.procedure,
            "serial": self.record.started.get("serial"),
            "run": str(self.record.folder),
            "alterations": list(self.alterations),
            "changes": [change.to_json() for change in self.changes],
            "problems": list(self.problems),
            "remarks": list(self.remarks),
            "steps": [step.to_json() for step in self.steps],
        }

    def text(self) -> str:
        """The result for people, several lines."""
        folder = printable(str(self.record.folder))
        count = sum(len(step.readings) for step in self.steps)
        lines = [altered_text(self.alterations)] if self.alterations else []
        lines.append(f"{folder}: {count} readings judged again by {printable(self.procedure)}")
        lines += [f"  {each}" for each in (*self.problems, *self.remarks)]
        visible = [change for change in self.changes if change.is_visible]
        lines += [f"  {change.text()}" for change in visible]
        if more := len(self.changes) - len(visible):
            lines.append(f"  {more} readings differ only in further digits or in their doubt")
        if not self.changes:
            lines.append("  no reading and no verdict changed")
        return "\n".join([*lines, self._last_line()])

    def _last_line(self) -> str:
        """The outcome, and what it does not say: what was not tested, and by which figures it was."""
        left_out = dict.fromkeys(without_round(step.id) for step in self.steps if step.left_out)
        limits = self.record.limits_left_out
        not_reached = self.record.not_reached
        verdict = run_verdict(
            Outcome(self.outcome),
            has_judged=any(each.limits for step in self.steps for each in step.readings),
            is_whole=not (left_out or limits or not_reached),
            is_unit_shown=self.record.is_unit_shown,
        )
        is_plain = not self.is_passed or verdict == RunVerdict(first="passed")
        told = (
            "" if is_plain else verdict.sentence_case().lower(),
            named_steps([*left_out], "left out"),
            named_steps(limits, "left out", noun="limit"),
            named_steps(not_reached, "not reached"),
            changed_figures_text([*map(str, self.record.started.get("changed_figures") or ())]),
        )
        line = "; ".join(filter(None, told))
        return printable(
            f"{self.outcome} (recorded: {self.record.outcome})" + (f": {line}" if line else "")
        )


def rejudge(folder: Path, procedure: str | None = None) -> Rejudged:
    """Judge a finished run again, with its own procedure or another one.

    Raises Refused when the record, the procedure or the bench file can't be read, or the run is still
    going on.
    """
    refuse_running(folder)
    alterations = verify(folder).of_record
    record = read_record(folder)
    judge = _Judge(record, _procedure(record, procedure))
    if procedure is None:
        judge.require_own_procedure()
    else:
        judge.remark_what_was_recorded_otherwise()
    return replace(judge.judged(), alterations=alterations)


def write_rejudged(result: Rejudged, parent: Path) -> Path:
    """Write the result as JSON into a folder; returns the file.

    Raises Refused when it can't be written.
    """
    path = parent / f"{result.record.folder.resolve().name}_rejudged.json"
    try:
        parent.mkdir(parents=True, exist_ok=True)
        text = json.dumps(result.to_json(), indent=2, allow_nan=False)
        path.write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        raise Refused(
            f"--out: {printable(str(path))} can't be written: {error.strerror}"
        ) from error
    return path


def _procedure(record: Record, other: str | None) -> Procedure:
    if other is None:
        return load_procedure(record.folder / PROCEDURE, registry=kinds())
    return load_procedure(other, registry=kinds(), ticket=_ticket(record))


def _ticket(record: Record) -> Ticket | None:
    """The ticket of the run: its unit data go before those of any procedure."""
    stored = record.started.get("ticket")
    return Ticket(unit=dict(stored.get("unit") or {})) if stored else None


class _Judge:
    """Judges the steps of one record in their order; limits may refer to earlier ones."""

    def __init__(self, record: Record, procedure: Procedure) -> None:
        self._record = record
        self._procedure = procedure
        copies = {record.bench_copy, *(step.bench_copy for step in record.steps)}
        self._situations = {name: self._situation(name) for name in sorted(copies)}
        self._by_id = {step.id: step for step in procedure.all_steps()}
        self._so_far: dict[tuple[str, str], Reading] = {}
        self._problems: list[str] = []
        self._remarks: list[str] = []

    def _situation(self, bench_copy: str) -> Situation:
        """What evaluation must know of a bench that the run was made on."""
        bench = load_bench(self._record.folder / bench_copy)
        return Situation(unit=self._procedure.unit, load=bench.load, accuracy=bench.accuracy)

    def remark_what_was_recorded_otherwise(self) -> None:
        """Say which steps the procedure would carry out otherwise: captures stay what they are."""
        for recorded in self._record.steps:
            step = self._planned(recorded.id)
            if step is None or recorded.left_out or not self._is_as_planned(recorded):
                continue
            does = kinds()[step.kind].describe(step.settings, self._procedure.unit)
            if does != recorded.does:
                was, wanted = printable(recorded.does, 200), printable(does, 200)
                self._remarks.append(
                    f"step {recorded.id} was recorded otherwise than {self._procedure.name} asks: "
                    f'"{was}", not "{wanted}"'
                )

    def require_own_procedure(self) -> None:
        """Say so when the procedure in the folder is not the one that was run."""
        expected = self._record.started.get("procedure_sha256")
        if expected and sha256_hex((self._record.folder / PROCEDURE).read_bytes()) != expected:
            self._problems.append(f"{PROCEDURE} is not the file the run was made with; run verify")

    def judged(self) -> Rejudged:
        """All steps of the record, then those that the record lacks."""
        steps = [self._again(recorded) for recorded in self._record.steps]
        steps += self._missing()
        steps = [self._with_group(step, steps) for step in steps]
        if self._record.finished is not None and self._record.ended_early:
            cause = printable(str(self._record.finished["cause"]))
            self._remarks.append(f"the run did not reach its end, so it can't pass: {cause}")
        self._remarks += [
            f"step {again.id} was met before a break and not after it: {printable(again.unmet)}"
            for again in self._record.unmet_again
        ]
        return Rejudged(
            record=self._record,
            procedure=self._procedure.name,
            outcome=self._outcome(),
            steps=tuple(steps),
            changes=tuple(self._changes(steps)),
            problems=tuple(self._problems),
            remarks=tuple(self._remarks),
        )

    def _planned(self, step_id: str) -> Step | None:
        """The procedure's step; in a repeated group it is recorded as ID.1, ID.2 and so on."""
        known = step_id_of(step_id, self._by_id)
        return self._by_id[known] if known else None

    def _is_as_planned(self, recorded: StepRecord) -> bool:
        step = self._planned(recorded.id)
        return step is not None and step.kind == recorded.kind

    def _again(self, recorded: StepRecord) -> StepAgain:
        step = self._planned(recorded.id)
        left_out = recorded.left_out
        if left_out is None and recorded.verdict is None:
            has_end = self._record.finished is not None
            left_out = f"{'the run ended' if has_end else 'the record breaks off'} in this step"
        elif not self._is_as_planned(recorded):
            left_out = f"{self._procedure.name} has no such step of kind {recorded.kind}"
            self._problems.append(f"step {recorded.id}: {left_out}")
        readings: tuple[Reading, ...] = ()
        if left_out is None and step is not None:
            judged_by = step.without_limits(recorded.limits_left_out)
            readings = tuple(self._readings(judged_by, recorded))
        return StepAgain(
            id=recorded.id,
            kind=recorded.kind,
            verdict=step_verdict(readings),
            left_out=left_out,
            readings=readings,
        )

    def _with_group(self, again: StepAgain, steps: Sequence[StepAgain]) -> StepAgain:
        """A repeated group has the worst verdict of its rounds."""
        step = self._planned(again.id)
        if again.left_out or step is None or not isinstance(step.settings, RepeatSettings):
            return again
        rounds = again.id.removeprefix(step.id)
        inner = tuple(f"{each.id}{rounds}." for each in step.walk() if each.id != step.id)
        return replace(again, verdict=worst(s.verdict for s in steps if s.id.startswith(inner)))

    def _readings(self, step: Step, recorded: StepRecord) -> list[Reading]:
        kind = kinds()[step.kind]
        captures, problem = self._captures(recorded)
        findings, fault = (
            ([], problem)
            if problem
            else self._findings(kind, step, captures, self._situations[recorded.bench_copy])
        )
        if fault:
            self._problems.append(f"step {recorded.id}: {fault}")
        readings = judge_findings(
            step,
            kind,
            findings,
            recorded_as=recorded.id,
            rule=self._procedure.decision,
            so_far=self._so_far,
            broken_off=fault or self._broken_off(recorded),
        )
        return [_beside_floor(reading, recorded) for reading in readings]

    def _findings(
        self,
        kind: AnyStepKind,
        step: Step,
        captures: Sequence[Capture],
        situation: Situation,
    ) -> tuple[list[Finding], str | None]:
        try:
            return kind.evaluate(step.settings, captures, situation), None
        except Exception as error:  # noqa: BLE001 - kinds may be a user's own, captures another version's
            return [], f"its captures can't be evaluated: {type(error).__name__}: {error}"

    def _captures(self, recorded: StepRecord) -> tuple[list[Capture], str | None]:
        """The captures as recorded, or why they can't be used."""
        found: list[Capture] = []
        for entry in recorded.captures:
            try:
                content = (self._record.folder / entry.file).read_bytes()
                if sha256_hex(content) != entry.sha256:
                    return [], f"the capture {entry.file} is not the one recorded"
                found.append(capture_from_bytes(content))
            except OSError as error:
                return [], f"the capture {entry.file} is missing ({error.strerror})"
            except ValueError as error:
                return [], f"the capture {entry.file} can't be read: {error}"
        return found, None

    def _broken_off(self, recorded: StepRecord) -> str | None:
        """Why the step broke off, as it said itself or as the end of the run says."""
        for note in reversed(recorded.notes):
            if note.startswith(_BROKEN_OFF):
                return note.removeprefix(_BROKEN_OFF)
        cause = str((self._record.finished or {}).get("cause") or "")
        begins = f"step {recorded.id}: "
        return cause.removeprefix(begins) if cause.startswith(begins) else None

    def _missing(self) -> Iterator[StepAgain]:
        """Steps with limits that the record of a whole run lacks: nothing shows that they are met."""
        if self._record.ended_early:
            return
        recorded = (step for step in self._record.steps if self._is_as_planned(step))
        there = {step_id_of(step.id, self._by_id) for step in recorded}
        for step in self._procedure.all_steps():
            if step.id in there or not step.limits:
                continue
            reason = "the run has no such step"
            self._problems.append(f"step {step.id}: {reason}")
            readings = tuple(
                judge_findings(
                    step,
                    kinds()[step.kind],
                    [],
                    recorded_as=step.id,
                    rule=self._procedure.decision,
                    so_far=self._so_far,
                    broken_off=reason,
                )
            )
            yield StepAgain(
                id=step.id,
                kind=step.kind,
                verdict=step_verdict(readings),
                left_out=None,
                readings=readings,
            )

    def _outcome(self) -> str:
        if self._record.outcome in _ENDED_EARLY:
            return self._record.outcome
        if self._record.ended_early or self._record.unmet_again:
            return Outcome.FAIL.value
        return outcome(self._procedure, self._so_far.values()).value

    def _changes(self, steps: Sequence[StepAgain]) -> Iterator[Change]:
        recorded = {step.id: step for step in self._record.steps}
        for step in steps:
            before_step = recorded.get(step.id)
            stored = before_step.readings if before_step else []
            before = {str(reading["name"]): reading for reading in stored}
            after = {reading.name: reading.to_json() for reading in step.readings}
            for name in dict.fromkeys([*before, *after]):
                if not _is_same(before.get(name), after.get(name)):
                    yield Change(
                        step=step.id, reading=name, before=before.get(name), after=after.get(name)
                    )


def _beside_floor(reading: Reading, recorded: StepRecord) -> Reading:
    """The bench's own floor isn't in the record; what was said of it holds for the same value."""
    stored = recorded.reading(reading.name)
    if stored is None or not stored.get("near_floor") or not _is_close(stored, reading.to_json()):
        return reading
    said = (text for text in stored.get("remarks") or () if str(text).startswith(_NEAR_FLOOR))
    return replace(reading, near_floor=True, remarks=(*reading.remarks, *map(str, said)))


def _is_same(before: Json | None, after: Json | None) -> bool:
    """Whether number, doubt, limits and verdict are the same."""
    if before is None or after is None:
        return before is after
    return (
        before.get("verdict") == after.get("verdict")
        and _bounds(before) == _bounds(after)
        and _is_close(before, after)
    )


def _bounds(reading: Json) -> tuple[object, object] | None:
    limits: Mapping[str, object] | None = reading.get("limits")
    return (limits.get("min"), limits.get("max")) if limits else None


def _is_close(before: Json, after: Json) -> bool:
    return all(
        _are_close(before.get(key), after.get(key))
        for key in ("value", "uncertainty", "upper_bound", "lower_bound")
    )


def _are_close(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return math.isclose(one, other, rel_tol=_SAME, abs_tol=1e-15)


def _shown(reading: Json | None) -> str:
    """A reading in a few words: "0.0032 %, pass"."""
    if reading is None:
        return "nothing"
    known = reading_of(reading)
    if known.value is not None:
        value = format_quantity(known.value, known.shown_unit)
    else:
        value = known.bound_text() or "no value"
    verdict = str(reading["verdict"]).replace("_", " ")
    limits = (reading.get("limits") or {}).get("text")
    return f"{value}, {verdict}" + (f" ({printable(str(limits), 80)})" if limits else "")
