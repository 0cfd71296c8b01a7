"""Goes on with a run that broke off: power cut, crash, signal, guard.

Finished steps are kept, the one that was cut is done again. Before that the unit is brought into the
state that the steps left rely on (restoring.py). Nothing is touched before the record is proved, and
nothing of it before the instruments are reserved: the watchkeeper of the run that broke off may still
be at work.
"""

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any

from sequencer import floor
from sequencer.clock import RealClock
from sequencer.engine import Job
from sequencer.errors import Interrupted, Refused, Stopped, printable
from sequencer.events import Outcome, Sink
from sequencer.interrupts import interruptible
from sequencer.journal import JOURNAL, Journal, read_tail
from sequencer.last_words import named_steps
from sequencer.operator import Operator
from sequencer.past import past_of
from sequencer.record import (
    BENCH,
    PROCEDURE,
    REPORT,
    SUMMARY,
    Json,
    Record,
    journal_lines,
    read_record,
)
from sequencer.reservation import record_address, refuse_held, reserved
from sequencer.session import (
    Carried,
    Prepared,
    Request,
    addresses_of,
    ask_cautions,
    conclude,
    operator_for,
    prepared,
    run_in,
    write_results,
)
from sequencer.simulated_bench import SIMULATED
from sequencer.verifying import refuse_running, verify

_ENDED = (Outcome.PASS.value, Outcome.FAIL.value)


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Resumption:
    """Which run somebody wants to go on with, and how. bench stands for the one used before."""

    folder: Path
    bench: str | None = None
    is_unattended: bool = False
    accepted_by: str | None = None


def resume(
    wanted: Resumption,
    *,
    person: Operator,
    sinks: Sequence[Sink],
    tell: Callable[[str], None],
) -> Carried:
    """Go on with a run; its folder then holds the whole of it.

    tell shows a line to whoever is there: which unit it is and what is left, before anything is asked.

    Raises Refused when there is nothing to go on with, it is still going on, or the record was altered.
    """
    folder = wanted.folder
    _refuse_pair(folder)
    refuse_running(folder, or_died=False)  # before anybody is asked anything
    record = _sound_record(folder)
    if record.outcome in _ENDED:
        return _only_written(record)
    request = _request(wanted, record)
    with interruptible(), prepared(request, RealClock().date().date()) as ready:
        if ready.procedure.sha256 != record.started.get("procedure_sha256"):
            raise Refused(f"{folder / PROCEDURE} is not the procedure that the run began with")
        operator = operator_for(request, ready.bench, person)
        refuse_held(addresses_of(ready.bench))
        tell(_what_is_left(record, ready))
        accepted = ask_cautions(operator, ready.plan.cautions)
        job = _job(record, request)
        addresses = [*addresses_of(ready.bench), record_address(folder)]
        with reserved(addresses, f"{ready.procedure.name} on {job.serial}, resumed") as locks:
            tail = read_tail(folder / JOURNAL)
            had_results = (folder / SUMMARY).exists()
            copy = _write_beginning(folder, ready, tail.lines)
            past = past_of(
                journal_lines(folder),
                steps={step.id for step in ready.procedure.all_steps()},
                away_s=_since_s(tail.at),
                torn=tail.torn_text,
                bench_copy=copy,
            )
            with _results_again(folder, had_results=had_results):
                ran = run_in(
                    folder,
                    Journal(folder, tail),
                    folder / copy,
                    ready,
                    locks=locks,
                    job=job,
                    operator=operator,
                    accepted=accepted,
                    sinks=sinks,
                    past=past,
                )
        return conclude(folder, ran)


def _what_is_left(record: Record, ready: Prepared) -> str:
    """The unit, and the steps that are left, in words; what was left out before stays so."""
    model = str(record.started.get("model") or "")
    unit = " ".join(filter(None, (model, "serial", str(record.started.get("serial")))))
    ended = {step.id for step in record.steps if step.verdict and not step.is_cut}
    left = [each.step.id for each in ready.plan.steps if each.step.id not in ended]
    steps = named_steps(left, "left") or "no step left"
    return printable(f"To go on with {ready.procedure.title}: {unit}; {steps}", 1000)


@contextmanager
def _results_again(folder: Path, *, had_results: bool) -> Iterator[None]:
    """What was taken away with the results of the part before comes again when nothing was begun."""
    try:
        yield
    except (Refused, Interrupted):
        if had_results:
            with suppress(Refused, Stopped):
                write_results(folder)
        raise


def _refuse_pair(folder: Path) -> None:
    """Runs are resumed one by one: the other unit may not even be on the bench.

    Raises Refused with the run that broke off, for the folder of a pair.
    """
    runs = sorted(each.parent for each in folder.glob(f"*/{JOURNAL}"))
    if (folder / JOURNAL).exists() or not runs:
        return
    broken = [each for each in runs if read_record(each).outcome not in _ENDED]
    which = f"resume {broken[0]}" if broken else "every run in it ended"
    raise Refused(f"{folder} holds the runs of a pair, and one run is resumed at a time: {which}")


def _sound_record(folder: Path) -> Record:
    """The record of the run.

    Raises Refused when it was altered, or does not tell how the run began.
    """
    found = verify(folder)
    if found.of_record:
        raise Refused(f"the record in {folder} was altered: {found.of_record[0]}")
    record = read_record(folder)
    if not record.started:
        raise Refused(f"{folder} does not tell how the run began; start it anew")
    return record


def _only_written(record: Record) -> Carried:
    """A run that ended, but died before its results were written, needs no more than that.

    Raises Refused when they are there.
    """
    if all((record.folder / name).exists() for name in (SUMMARY, REPORT)):
        raise Refused(
            f'the run in {record.folder} ended ("{record.outcome}"); nothing is left to do'
        )
    write_results(record.folder)
    return Carried(folder=record.folder, interruption=None)


def _request(wanted: Resumption, record: Record) -> Request:
    used = _bench_file(record)
    bench = wanted.bench or (
        SIMULATED if used == SIMULATED else str(wanted.folder / record.bench_copy)
    )
    ticket = _ticket(record)
    return Request(
        procedure=str(wanted.folder / PROCEDURE),
        bench=bench,
        out=wanted.folder.parent,
        is_unattended=wanted.is_unattended,
        accepted_by=wanted.accepted_by,
        given=_given(ticket) if ticket else {},
        done=frozenset(
            step.id
            for step in record.steps
            if step.verdict and not step.left_out and not step.is_cut
        ),
        floor_of=wanted.bench or used,
        is_floor=record.started.get("procedure") == floor.PROCEDURE,
    )


def _bench_file(record: Record) -> str:
    """The name under which the bench used last was given; empty where the record does not tell."""
    resumed: Json = record.resumed or {}
    return str(resumed.get("bench_file") or record.started.get("bench_file", ""))


def _ticket(record: Record) -> dict[str, Any] | None:
    ticket: Any = record.started.get("ticket")
    return ticket if isinstance(ticket, dict) else None


def _given(ticket: Json) -> Mapping[str, str]:
    """What the operator had read beforehand."""
    return MappingProxyType({str(k): str(text) for k, text in ticket.get("readings", {}).items()})


def _job(record: Record, request: Request) -> Job:
    started: Json = record.started
    return Job(
        serial=str(started["serial"]),
        model=str(started["model"]),
        stage=str(started["stage"]),
        position=int(started.get("position", 1)),
        ticket=_ticket(record),
        given=request.given,
        bench=request.floor_of,
    )


def _since_s(moment: datetime) -> float:
    return max((RealClock().date() - moment).total_seconds(), 0.0)


def _write_beginning(folder: Path, ready: Prepared, lines: int) -> str:
    """The bench as used from now on, in a file of its own where it differs; the file's name.

    What was made of the part before does not stand any more.
    Raises Refused when the folder can't be written.
    """
    try:
        copy = BENCH
        if (folder / BENCH).read_text(encoding="utf-8") != ready.bench.text:
            copy = f"bench_{lines}.yaml"
            (folder / copy).write_text(ready.bench.text, encoding="utf-8")
        for name in (REPORT, SUMMARY):  # no report without its summary, whenever this breaks off
            (folder / name).unlink(missing_ok=True)
    except OSError as error:
        raise Refused(
            f"the run's folder {printable(str(folder))} can't be written: {error.strerror}; "
            "nothing was switched on"
        ) from error
    return copy
