"""From a request to a finished run's folder: loads, checks, asks, opens, runs, writes.

Joins what the layers below keep apart. Knows no command-line arguments and no exit codes.
"""

import contextlib
import importlib
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from types import MappingProxyType

from sequencer import cautions, engine, floor, record
from sequencer.beforehand import decided_beforehand, shared_readings
from sequencer.bench import open_bench
from sequencer.bench_spec import BENCH_UNUSABLE, BenchSpec, ReadBench, load_bench, read_bench
from sequencer.checking import Plan, PlannedStep, plan, reasons_against
from sequencer.clock import RealClock
from sequencer.emitter import Emitter
from sequencer.engine import Job
from sequencer.errors import (
    BenchError,
    CapabilityMissing,
    FileError,
    Interrupted,
    Place,
    ProcedureError,
    Refused,
    Stopped,
    TicketError,
    in_file_order,
    together,
)
from sequencer.events import CautionAccepted, Outcome, RunFinished, Sink
from sequencer.guards import Action, Disk, guard_settings
from sequencer.journal import CAPTURES, JOURNAL, Journal, new_folder
from sequencer.keeping import Attended, Watchkeeper
from sequencer.operator import (
    AcceptedBeforehand,
    Declined,
    Meanwhile,
    NobodyThere,
    Operator,
    nothing,
)
from sequencer.past import Past
from sequencer.procedure import Procedure, ReadProcedure, read_procedure
from sequencer.report.run_report import write_run_report
from sequencer.reservation import record_address, reserved
from sequencer.simulated_bench import SIMULATED, Undertaker, simulated_bench
from sequencer.steps.registry import kinds
from sequencer.ticket import Ticket, read_ticket

NO_BENCH = f"no bench is named; --bench takes a bench file, or {SIMULATED}"
# Noted on a signal that comes when all is measured.
NO_REPORT = (
    "all is recorded, the report is not written yet; write it with: steadybench report {folder}"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What somebody wants run.

    serials are those of the units. given are readings that the operator took beforehand, besides those
    of the ticket, done the ids of steps that a resumed run has behind it. floor_of names the bench whose
    own floor counts, where bench is a copy of its file. is_floor: it is the bench itself that is
    measured, not a unit.
    """

    procedure: str
    bench: str
    out: Path
    serials: tuple[str, ...] = ()
    model: str = ""
    ticket: Path | None = None
    figures: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    is_unattended: bool = False
    accepted_by: str | None = None
    bench_options: tuple[str, ...] = ()
    given: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    done: frozenset[str] = frozenset()
    floor_of: str = ""
    is_floor: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A request that can be carried out: everything checked, nothing opened."""

    procedure: Procedure
    bench: BenchSpec
    plan: Plan
    ticket: Ticket | None
    keeper: Watchkeeper


@contextlib.contextmanager
def bench_file(
    name: str, options: Sequence[str] = (), undertaker: Undertaker | None = None
) -> Iterator[Path]:
    """The path of a bench file; `sim` starts the simulated bench for as long as it is used."""
    if not name.strip():
        raise Refused(NO_BENCH)
    if name == SIMULATED:
        with simulated_bench(options, undertaker) as path:
            yield path
    elif name.lower() == SIMULATED and not Path(name).exists():
        problem = f'there is no such file; did you mean the simulated bench "{SIMULATED}"?'
        raise BenchError([FileError(Place(name), problem)])
    else:
        yield Path(name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Files:
    """The files of a request, checked; bench None where it is not a file."""

    procedure: Procedure
    ticket: Ticket | None
    bench: BenchSpec | None


def load(request: Request, today: date) -> Files:
    """The files of a request.

    Raises Refused with every mistake of all of them, each at its place, and all that stands against
    them whatever the mistaken pieces were meant to be.
    """
    ticket, mistakes = read_ticket(request.ticket) if request.ticket else (None, [])
    mistakes += _of_another_unit(request, ticket) if ticket else []
    read = read_procedure(
        request.procedure, registry=kinds(), ticket=ticket, figures=request.figures
    )
    if ticket and read.possible:
        mistakes += shared_readings(
            read.possible[0], kinds(), ticket, request.serials, is_unattended=request.is_unattended
        )
    refusals: list[Refused] = [TicketError(in_file_order(mistakes))] if mistakes else []
    refusals += [ProcedureError(read.errors)] if read.errors else []
    bench = None
    try:
        bench = _written_bench(request.bench)
    except BenchError as refusal:
        refusals.append(refusal)
    refusals += [BenchError(BENCH_UNUSABLE, errors=bench.errors)] if bench and bench.errors else []
    if refusals:
        conflicts = _conflicts(request, read, bench, ticket, today)
        raise together([*refusals, *([CapabilityMissing(conflicts)] if conflicts else [])])
    return Files(
        procedure=read.possible[0], ticket=ticket, bench=bench.possible[0] if bench else None
    )


def _of_another_unit(request: Request, ticket: Ticket) -> list[FileError]:
    """Refuse a unit that is not the ticket's: its report would show another unit's repair."""
    given = {"serial": request.serials, "model": (request.model,) if request.model else ()}
    own = {"serial": ticket.serial, "model": ticket.model}
    return [
        FileError(
            ticket.places[name],
            f'{name}: the ticket is for "{own[name]}", but --{name} says '
            f'"{" and ".join(said)}"; take the ticket of this unit, or mend one of the two',
        )
        for name, said in given.items()
        if own[name] and said and own[name] not in said
    ]


def _conflicts(
    request: Request,
    procedure: ReadProcedure,
    bench: ReadBench | None,
    ticket: Ticket | None,
    today: date,
) -> list[FileError]:
    """What stands between files with mistakes, whatever the mistaken pieces were meant to be."""
    benches = bench.possible if bench else ()
    if request.bench == SIMULATED and procedure.possible:
        with bench_file(SIMULATED, request.bench_options) as path:
            benches = (load_bench(path, name=SIMULATED),)
    return reasons_against(
        procedure.possible,
        benches,
        kinds(),
        today=today,
        is_unattended=request.is_unattended,
        given=_givens(request, ticket),
        done=request.done,
    )


def _givens(request: Request, ticket: Ticket | None) -> dict[str, str]:
    """The readings that the operator took beforehand; those that a mistake leaves open are empty."""
    on_ticket = {**dict.fromkeys(ticket.open_readings, ""), **ticket.all_readings} if ticket else {}
    return {**request.given, **on_ticket}


def _written_bench(name: str) -> ReadBench | None:
    """The bench of a file; None where there is none to read before the simulated bench is started."""
    if name in ("", SIMULATED):
        return None
    with bench_file(name) as path:
        return read_bench(path)


def ticket_decides(files: Files, request: Request, steps: Sequence[PlannedStep]) -> list[str]:
    """What the ticket's readings decide before anything is energised, in words."""
    ahead = [each for step in steps for each in step.walk() if each.step.id not in request.done]
    ticket = files.ticket or Ticket()
    return decided_beforehand(files.procedure, ahead, kinds(), ticket, request.serials)


def plan_on(bench: BenchSpec, files: Files, request: Request, today: date) -> Plan:
    """The plan of a request on its bench.

    Raises CapabilityMissing with every reason why the bench can't carry it out.
    """
    return plan(
        files.procedure,
        bench,
        kinds(),
        today=today,
        is_unattended=request.is_unattended,
        given=_givens(request, files.ticket),
        done=request.done,
    )


@contextlib.contextmanager
def prepared(request: Request, today: date) -> Iterator[Prepared]:
    """Everything that can be known before anything is energised.

    Raises Refused with every reason against it.
    """
    files = load(request, today)
    procedure = files.procedure
    if procedure.name == floor.PROCEDURE and not request.is_floor:
        raise Refused(
            f"{floor.PROCEDURE} measures the bench and no unit, so it says nothing of one; take it "
            f"with steadybench floor --bench {request.bench}"
        )
    _demand_room(request.out, guard_settings(procedure.guards)[0].disk)
    # Started first: it takes a moment, and it ends a simulated bench that is left alone.
    with (
        Watchkeeper() as keeper,
        bench_file(request.bench, request.bench_options, keeper) as path,
    ):
        _load_computation()
        bench = files.bench or load_bench(path, name=SIMULATED)
        steps = plan_on(bench, files, request, today)
        told = ticket_decides(files, request, steps.steps)
        steps = replace(steps, remarks=(*told, *steps.remarks))
        yield Prepared(
            procedure=procedure,
            bench=bench,
            plan=_beside_floor(steps, request.floor_of or request.bench, procedure.name),
            ticket=files.ticket,
            keeper=keeper,
        )


def _demand_room(out: Path, guard: Disk) -> None:
    """Refuse a run that the guard of the disk would stop at its first look."""
    whole = out.absolute()
    place = next(each for each in (whole, *whole.parents) if each.exists())
    try:
        free = shutil.disk_usage(place).free
    except OSError:
        return  # whether the folder can be made is told when it is
    if guard.action is Action.STOP and free < guard.limit:
        raise Refused(
            f"{place} has room for {free / 1e6:.3g} MB, less than the {guard.limit / 1e6:.3g} MB that "
            "guard disk keeps free for the record; make room, or give another place with --out"
        )


def _load_computation() -> None:
    """Load what steps compute with, which otherwise loads when first used.

    One that is broken shows before anything is energised, and no step waits for it; the watchkeeper
    starts meanwhile.
    """
    for part in ("fft", "interpolate", "optimize", "special"):
        importlib.import_module(f"scipy.{part}")


def _beside_floor(steps: Plan, bench: str, procedure: str) -> Plan:
    """The plan with the bench's own floor, where it is known, and a word where it isn't."""
    if procedure == floor.PROCEDURE:
        return steps
    own = floor.load_floor(floor.floor_path(bench))
    remark = floor.floor_remark(own, RealClock().date())
    return replace(steps, floor=own, remarks=(*steps.remarks, *([remark] if remark else [])))


def operator_for(request: Request, bench: BenchSpec, person: Operator) -> Operator:
    """Who answers during the run.

    Raises Refused (code "cautions") when it is unattended and nobody accepted the cautions.
    """
    by = request.accepted_by or (bench.acceptance.accepted_by if bench.acceptance else None)
    if request.is_unattended:
        if by is None:
            raise Refused(
                "an unattended run needs the cautions accepted: add --accept-cautions, or "
                "cautions_accepted to the bench file, once you have read them",
                code="cautions",
            )
        return AcceptedBeforehand(by)
    return person if by is None else _Accepted(by, person)


class _Accepted:
    """The standing cautions are accepted beforehand; a person of this name is there for the rest."""

    def __init__(self, accepted_by: str, person: Operator) -> None:
        self.name = person.name
        self.accepted_by = accepted_by
        self._person = person

    def accept(self, caution: str, meanwhile: Meanwhile = nothing) -> None:
        """The standing cautions are accepted; any other is shown to the person."""
        if caution not in cautions.CAUTIONS:
            self._person.accept(caution, meanwhile)

    def answer(self, question: str, meanwhile: Meanwhile = nothing) -> str:
        """The person's answer."""
        return self._person.answer(question, meanwhile)


def ask_cautions(operator: Operator, of_plan: Sequence[str] = ()) -> list[CautionAccepted]:
    """Every standing caution, accepted, and those of the plan.

    Raises Refused (code "cautions") when one is not.
    """
    accepted = []
    for caution in (*cautions.CAUTIONS, *of_plan):
        try:
            operator.accept(caution)
        except (Declined, NobodyThere) as error:
            why = f" ({error})" if isinstance(error, NobodyThere) else ""
            raise Refused(
                f"the cautions were not accepted{why}, so nothing was switched on", code="cautions"
            ) from error
        name = operator.name
        if isinstance(operator, _Accepted) and caution in cautions.CAUTIONS:
            name = operator.accepted_by
        accepted.append(CautionAccepted(caution=caution, accepted_by=name))
    return accepted


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """A run that was begun: its folder, and the signal that cut it short, if one did."""

    folder: Path
    interruption: Interrupted | None


def carry_out(
    ready: Prepared,
    *,
    job: Job,
    parent: Path,
    operator: Operator,
    accepted: Sequence[CautionAccepted],
    sinks: Sequence[Sink],
) -> Carried:
    """Run one unit; its folder then holds journal, captures, summary and report.

    Raises Refused when the run can't begin, Interrupted by a signal before it did (nothing was
    energised).
    """
    if ready.ticket:
        ticket = ready.ticket.for_unit(job.serial)
        job = replace(job, ticket=ticket.to_json(), given=ticket.readings)
    what_for = f"{ready.procedure.name} on {job.serial}"
    with reserved(addresses_of(ready.bench), what_for) as locks:
        folder = new_folder(
            parent, at=RealClock().date(), serial=job.serial, procedure=ready.procedure.name
        )
        with reserved([record_address(folder)], what_for) as own:
            _write_beginning(folder, ready)
            try:
                ran = run_in(
                    folder,
                    Journal(folder),
                    folder / record.BENCH,
                    ready,
                    locks=(*locks, *own),
                    job=job,
                    operator=operator,
                    accepted=accepted,
                    sinks=sinks,
                )
            except Interrupted:
                _discard_beginning(folder)
                raise
    return conclude(folder, ran)


def _discard_beginning(folder: Path) -> None:
    """Remove the folder of a run that never began; one with anything in its journal stays."""
    journal = folder / JOURNAL
    with contextlib.suppress(OSError):
        if journal.exists() and journal.stat().st_size:
            return
        for name in (JOURNAL, record.PROCEDURE, record.BENCH):
            (folder / name).unlink(missing_ok=True)
        for empty in (folder / CAPTURES, folder):
            if empty.exists():
                empty.rmdir()


def addresses_of(bench: BenchSpec) -> list[str]:
    """What a run must reserve."""
    return [instrument.address for instrument in bench.instruments.values()]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """How a run ended; the signal that cut it short, if one did."""

    finished: RunFinished
    interruption: Interrupted | None


def run_in(
    folder: Path,
    journal: Journal,
    bench_copy: Path,
    ready: Prepared,
    *,
    locks: Sequence[int],
    job: Job,
    operator: Operator,
    accepted: Sequence[CautionAccepted],
    sinks: Sequence[Sink],
    past: Past | None = None,
) -> Ran:
    """Run one unit under the watchkeeper, its record going into this folder.

    bench_copy is the bench file that the watchkeeper goes by.

    Raises Refused when the run can't begin, Interrupted by a signal before it did (nothing was
    energised).
    """
    spec, emitter = ready.bench, Emitter()
    has_begun = False
    try:
        with (
            ready.keeper.watching(folder, bench_copy, locks, spec.longest_timeout_s),
            journal,
            open_bench(spec, emitter.exchanged, emitter.energising) as bench,
        ):
            t_s = past.t_s if past else 0.0
            emitter.begin(bench.clock, (journal, ready.keeper, *sinks), t_s=t_s)
            has_begun = True
            finished = engine.run(
                ready.procedure,
                bench,
                ready.plan,
                job=job,
                kinds=kinds(),
                operator=Attended(operator, ready.keeper),
                cautions=accepted,
                emitter=emitter,
                free_bytes=lambda: shutil.disk_usage(folder).free,
                past=past,
            )
    except Interrupted as signal:
        if not has_begun:
            raise
        return Ran(finished=RunFinished(outcome=Outcome.INTERRUPTED), interruption=signal)
    return Ran(finished=finished, interruption=None)


def conclude(folder: Path, ran: Ran) -> Carried:
    """Write summary and report; a signal goes before what hinders that.

    Raises Stopped when they can't be written, Interrupted by a signal in the midst of it.
    """
    try:
        write_results(folder)
    except Interrupted as interruption:
        interruption.add_note(NO_REPORT.format(folder=folder))
        raise
    except (Refused, Stopped) as error:
        if ran.interruption:
            raise ran.interruption from error
        if isinstance(error, Stopped):
            raise
        raise Stopped(f"{ran.finished.cause or error}; {error}") from error
    return Carried(folder=folder, interruption=ran.interruption)


def _write_beginning(folder: Path, ready: Prepared) -> None:
    """The procedure and the bench as used.

    Raises Refused when they can't be written.
    """
    try:
        (folder / record.PROCEDURE).write_text(ready.procedure.flattened_yaml(), encoding="utf-8")
        (folder / record.BENCH).write_text(ready.bench.text, encoding="utf-8")
    except OSError as error:
        raise Refused(
            f"the run's folder {folder} can't be written: {error.strerror}; nothing was switched on"
        ) from error


def write_results(folder: Path) -> None:
    """Summary and report from the record, as far as it goes.

    Raises Stopped when they can't be written; the journal has the run all the same.
    """
    told = record.read_record(folder)
    try:
        record.write_summary(told)
        write_run_report(told)
    except OSError as error:
        raise Stopped(
            f"the summary and the report could not be written ({error}); the run ended as "
            f'"{told.outcome}", its record lies in {folder}: make room, then "steadybench report" it'
        ) from error
