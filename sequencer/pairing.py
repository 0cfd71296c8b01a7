"""One unit or several, one after the other, on one bench; and how a pair's results are put together."""

import contextlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from drivers.roles import Role
from sequencer.bench_spec import BenchSpec
from sequencer.clock import RealClock
from sequencer.engine import Job
from sequencer.errors import Interrupted, Refused, Stopped, printable
from sequencer.events import Outcome, Sink
from sequencer.interrupts import interruptible
from sequencer.journal import new_folder
from sequencer.last_words import run_verdict
from sequencer.limits import Verdict
from sequencer.matching import Match, match
from sequencer.operator import Declined, NobodyThere, Operator
from sequencer.pair_words import UnitVerdict, pair_outcome, pair_verdict
from sequencer.quantities import format_quantity
from sequencer.record import MATCH, Record, read_record
from sequencer.report.pair_report import write_pair_report
from sequencer.report.reading_view import reading_of
from sequencer.reservation import record_address, refuse_held, reserved
from sequencer.session import (
    NO_REPORT,
    Prepared,
    Request,
    addresses_of,
    ask_cautions,
    carry_out,
    operator_for,
    prepared,
)
from sequencer.wording import name_text, short_text, verdict_text

_SWAP = "Take the tested unit off the bench, discharged and cool, and connect unit {serial} now."

# The router's relays must not switch a live unit; a run that ended early leaves it on by hand.
_OFF = "Switch unit {serial} off at its mains now; the relays take it off the bench next."


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitsResult:
    """Runs of one request, in order; what cut them short: a signal, or why a unit was not run."""

    records: tuple[Record, ...]
    interruption: Interrupted | None
    cause: str | None = None

    @property
    def summaries(self) -> list[dict[str, object]]:
        """Summary of each run."""
        return [each.summary() for each in self.records]


@dataclass(frozen=True, slots=True, kw_only=True)
class PairResult:
    """Runs of a pair and how alike the units are."""

    folder: Path
    outcome: str
    units: UnitsResult
    matches: tuple[Match, ...]

    @property
    def interruption(self) -> Interrupted | None:
        """The signal that cut the pair short."""
        return self.units.interruption

    def to_json(self) -> dict[str, object]:
        """The pair's result of the command-line contract."""
        return {
            "outcome": self.outcome,
            **({"cause": self.units.cause} if self.units.cause else {}),
            "runs": self.units.summaries,
            "match": [each.to_json() for each in self.matches],
            "pair": str(self.folder),
        }


def run_units(
    request: Request, serials: Sequence[str], *, person: Operator, sinks: Sequence[Sink]
) -> UnitsResult:
    """Run the procedure on each unit; a run that is stopped ends the series.

    Raises Refused before anything is energised.
    """
    request = replace(request, serials=tuple(serials))
    with interruptible(), prepared(request, RealClock().date().date()) as ready:
        return _run_each(ready, request, serials, request.out, person, sinks)


def run_pair(
    request: Request, serials: Sequence[str], *, person: Operator, sinks: Sequence[Sink]
) -> PairResult:
    """Run the procedure on each unit of a pair and compare them.

    Raises Refused before anything is energised, Stopped when the result can't be written.
    """
    clock = RealClock()
    request = replace(request, serials=tuple(serials))
    with interruptible(), prepared(request, clock.date().date()) as ready:
        folder = new_folder(
            request.out,
            at=clock.date(),
            serial=" and ".join(serials),
            procedure=f"{ready.procedure.name}_pair",
        )
        what_for = f"{ready.procedure.name} on {' and '.join(serials)}"
        try:
            with reserved([record_address(folder)], what_for):
                units = _run_each(ready, request, serials, folder, person, sinks)
        except (Refused, Interrupted):
            with contextlib.suppress(OSError):
                folder.rmdir()  # only while nothing is in it
            raise
    result = _pair_result(folder, units)
    with interruptible():
        _write_pair(result)
    return result


def _run_each(
    ready: Prepared,
    request: Request,
    serials: Sequence[str],
    parent: Path,
    person: Operator,
    sinks: Sequence[Sink],
) -> UnitsResult:
    _demand_room_for(serials, request, ready)
    operator = operator_for(request, ready.bench, person)
    refuse_held(addresses_of(ready.bench))
    accepted = ask_cautions(operator, ready.plan.cautions)
    records: list[Record] = []
    for position, serial in enumerate(serials, start=1):
        try:
            if position > 1:
                _change_units(ready.bench, person, position, serials)
            job = _job(request, ready, serial, position)
            carried = carry_out(
                ready, job=job, parent=parent, operator=operator, accepted=accepted, sinks=sinks
            )
            records.append(read_record(carried.folder))
        except (Refused, Stopped, Interrupted) as error:
            if not records:
                raise
            return _cut_short(records, serial, error)
        has_end = records[-1].outcome in (Outcome.PASS, Outcome.FAIL)
        if carried.interruption or not has_end:
            return UnitsResult(
                records=tuple(records),
                interruption=carried.interruption,
                cause=f"interrupted when unit {serial} had been tested" if has_end else None,
            )
    return UnitsResult(records=tuple(records), interruption=None)


def _job(request: Request, ready: Prepared, serial: str, position: int) -> Job:
    return Job(
        serial=serial,
        model=request.model or (ready.ticket.model if ready.ticket else ""),
        stage=ready.ticket.stage if ready.ticket else "as_left",
        position=position,
        bench=request.bench,
    )


def _cut_short(
    records: Sequence[Record], serial: str, error: Refused | Stopped | Interrupted
) -> UnitsResult:
    """The runs there are; those of the units before were energised, so this is no refusal."""
    if isinstance(error, Interrupted):
        # A note tells that the unit was measured to its end.
        when = (
            "while the report was written of" if hasattr(error, "__notes__") else "before testing"
        )
        cause = f"interrupted {when} unit {serial}"
        return UnitsResult(records=tuple(records), interruption=error, cause=cause)
    why = error.reason if isinstance(error, Refused) else error.cause
    return UnitsResult(records=tuple(records), interruption=None, cause=f"unit {serial}: {why}")


def _demand_room_for(serials: Sequence[str], request: Request, ready: Prepared) -> None:
    """Refuse a series that would come to a unit which nobody is there to connect."""
    has_room = all(f"unit_{n}" in ready.bench.routes for n in range(2, len(serials) + 1))
    if request.is_unattended and not has_room:
        raise Refused(
            "this bench has no router channel for a second unit, and nobody is there to change "
            "units; run the pair attended, or each unit by itself",
            code="capability",
        )


def _change_units(
    bench: BenchSpec, person: Operator, position: int, serials: Sequence[str]
) -> None:
    """Have done by hand what this bench can't: connect the unit, or switch the one before it off."""
    if f"unit_{position}" not in bench.routes:
        request = _SWAP.format(serial=serials[position - 1])
    elif not bench.has(Role.MAINS_SWITCH):
        request = _OFF.format(serial=serials[position - 2])
    else:
        return
    try:
        person.accept(request)
    except (Declined, NobodyThere) as error:
        raise Stopped("it was not connected, so it was not tested") from error


def _pair_result(folder: Path, units: UnitsResult) -> PairResult:
    summaries = units.summaries
    matches = match(summaries) if len(summaries) > 1 else []
    outcomes = [Outcome(each.outcome) for each in units.records]
    if units.interruption:
        outcomes.append(Outcome.INTERRUPTED)
    elif units.cause:
        outcomes.append(Outcome.STOPPED)
    outcome = pair_outcome(outcomes, [each.verdict for each in matches])
    return PairResult(folder=folder, outcome=outcome.value, units=units, matches=tuple(matches))


def _write_pair(result: PairResult) -> None:
    """Match table and report, each whole or not at all.

    Raises Stopped when they can't be written; the runs have their own records all the same.
    """
    text = json.dumps(result.to_json(), indent=2, allow_nan=False)
    matches = [each.to_json() for each in result.matches]
    try:
        _write_whole(result.folder / MATCH, text + "\n")
        write_pair_report(result.folder, result.units.records, matches)
    except Interrupted as interruption:
        interruption.add_note(NO_REPORT.format(folder=result.folder))
        raise
    except OSError as error:
        if result.interruption:
            raise result.interruption from error
        told = f"{result.units.cause}; " if result.units.cause else ""
        raise Stopped(
            f"{told}the pair's result could not be written ({error}); the units ran to the outcome "
            f'"{result.outcome}", their records lie in {result.folder}'
        ) from error


def _write_whole(path: Path, text: str) -> None:
    part = path.with_name(f"{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def verdict_line(result: PairResult) -> str:
    """The last line of a pair: its verdict, what was compared, and what was not."""
    records = result.units.records
    units = [
        UnitVerdict(
            name=str(each.started.get("serial")),
            outcome=Outcome(each.outcome),
            verdict=run_verdict(
                Outcome(each.outcome),
                has_judged=each.has_judged,
                is_whole=each.is_whole,
                is_unit_shown=each.is_unit_shown,
            ),
        )
        for each in records
    ]
    verdict = pair_verdict(units, [(f"{e.step}/{e.name}", e.verdict) for e in result.matches])
    words = f"{verdict.words[0].lower()}{verdict.words[1:]}"
    if cause := result.units.cause:
        words = f"{result.outcome}, {cause}"
    return printable(f"The pair: {words}. {verdict.sentence}", 1000)


def match_rows(result: PairResult) -> list[tuple[Sequence[str], Verdict]]:
    """The match table's rows, cell by cell in words, each with its verdict."""
    return [
        (
            (
                each.step,
                *_name_and_values(each, result.units.records),
                "no comparison"
                if each.difference is None
                else f"differ by {format_quantity(each.difference, each.unit)}",
                each.limit_text(),
                verdict_text(each.verdict),
            ),
            each.verdict,
        )
        for each in result.matches
    ]


def _name_and_values(each: Match, records: Sequence[Record]) -> Iterator[str]:
    steps = [record.step(each.step) for record in records]
    yield name_text(each.name, next((step.kind for step in steps if step), ""))
    for stored in (step.reading(each.name) if step else None for step in steps):
        yield "not taken" if stored is None else short_text(reading_of(stored))
