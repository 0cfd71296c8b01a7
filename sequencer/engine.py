"""Runs a procedure on a bench and tells what happens as events. Knows no file and no screen.

Rules: nothing is energised before the plan stands and the cautions are accepted; whatever ends the
run, the bench is made safe before anything else is said or written; an interruption passes through
every step; a number that could not be measured is a reading without a value, not a guess.
"""

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

from drivers.errors import InstrumentError, UnusableAnswer, WrongInstrument
from drivers.roles import Role
from sequencer import __version__
from sequencer.access import StepAccess
from sequencer.bench import Bench
from sequencer.bench_state import BenchState
from sequencer.captures import Capture
from sequencer.emitter import Emitter
from sequencer.errors import BenchError, GuardTripped, InstrumentLost, Interrupted, Stopped
from sequencer.events import (
    CaptureTaken,
    CautionAccepted,
    Event,
    GuardWarned,
    InstrumentReady,
    MadeSafe,
    MakingSafe,
    Outcome,
    ReadingTaken,
    RunFinished,
    RunResumed,
    RunStarted,
    SafeAction,
    StepDoneAgain,
    StepFinished,
    StepRestored,
    StepStarted,
)
from sequencer.guards import FreeBytes, guard_settings
from sequencer.interrupts import shielded
from sequencer.judging import judge_findings, outcome
from sequencer.limits import Reading, Verdict, counts_as_passed, step_verdict, worst
from sequencer.mains_checking import switches_on
from sequencer.make_safe import MAINS_LEFT, make_safe
from sequencer.operator import Declined, NobodyThere, Operator
from sequencer.past import Past
from sequencer.plans import Plan, PlannedStep, carried_out
from sequencer.procedure import Procedure, Step
from sequencer.restoring import to_restore
from sequencer.step_names import step_id_of
from sequencer.steps.base import AnyStepKind, Situation, WiredWrong
from sequencer.steps.repeat import RepeatSettings
from sequencer.watching import Watch
from sequencer.wording import unmet_text

# The bench's clock need not hit the end of a repeated group to the last digit.
_MOMENT_S = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Which unit, and why it is on the bench. position is its place at the router, from 1.

    given are readings that the operator took beforehand, as written on the job ticket. bench is what
    the bench was called when the run was asked for.
    """

    serial: str
    model: str = ""
    stage: str = "as_left"
    position: int = 1
    ticket: Mapping[str, object] | None = None
    given: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    bench: str = ""


def run(
    procedure: Procedure,
    bench: Bench,
    plan: Plan,
    *,
    job: Job,
    kinds: Mapping[str, AnyStepKind],
    operator: Operator,
    cautions: Sequence[CautionAccepted],
    emitter: Emitter,
    free_bytes: FreeBytes = lambda: None,
    past: Past | None = None,
) -> RunFinished:
    """Carry out the plan and make the bench safe, whatever happens; returns how it ended.

    free_bytes says how much room is left for the record, None where there is none to fill. past is
    what a run had done that broke off and now goes on.

    Raises BenchError when another instrument than the expected one answers (nothing is energised),
    and Interrupted, after the bench is safe, when a signal ended the run.
    """
    engine = _Engine(procedure, bench, plan, job, kinds, operator, emitter, free_bytes, past)
    try:
        try:
            engine.begin(cautions)
            engine.carry_out()
            finished = RunFinished(outcome=engine.outcome())
        except (BenchError, Interrupted):
            raise
        except BaseException as error:  # noqa: BLE001 - the outermost edge: the run ends here
            finished = _ending(error)
        engine.end(finished)
    except BenchError as error:
        # Somebody else's instrument answers: nothing was energised, and it is not ours to command.
        engine.say(_ending(error))
        raise
    except Interrupted as signal:
        # Also a signal that came on the way to the safe end; a second one is not heard any more.
        engine.end(_ending(signal))
        raise
    return finished


class _NotMet(Exception):
    """A step that must be met before the run goes on was not; says which, and which limit."""


def _unmet(readings: Iterable[Reading]) -> str:
    """The limits that these readings do not keep, in words; empty where they keep all."""
    return "; ".join(
        unmet_text(reading)
        for reading in readings
        if reading.limits and not counts_as_passed(reading.verdict, has_limit=True)
    )


def _ending(error: BaseException) -> RunFinished:
    """How a run ended that did not reach its end, in words."""
    match error:
        case Interrupted():
            return RunFinished(outcome=Outcome.INTERRUPTED, cause=str(error))
        case Stopped() | BenchError():
            return RunFinished(outcome=Outcome.STOPPED, cause=str(error))
        case InstrumentError():
            return RunFinished(outcome=Outcome.STOPPED, cause=str(error))
        case _NotMet():
            return RunFinished(outcome=Outcome.FAIL, cause=str(error))
        case Declined() | NobodyThere():
            return RunFinished(outcome=Outcome.STOPPED, cause=str(error))
        case OSError():
            return RunFinished(
                outcome=Outcome.STOPPED, cause=f"the record could not be written: {error}"
            )
        case _:
            return RunFinished(
                outcome=Outcome.STOPPED,
                cause=f"a fault in the program itself: {type(error).__name__}: {error}",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Progress:
    """Which step of the plan this is, from 1, and the time that is left from its start.

    rounds holds the round of each repeat around it, outermost first, and of how many.
    """

    number: int
    left_s: float
    rounds: tuple[tuple[int, int], ...] = ()

    @property
    def suffix(self) -> str:
        """What a step's name has behind its id: ".2.1"."""
        return "".join(f".{number}" for number, _ in self.rounds)


class _Engine:
    """One run: begin, carry out, end."""

    def __init__(
        self,
        procedure: Procedure,
        bench: Bench,
        plan: Plan,
        job: Job,
        kinds: Mapping[str, AnyStepKind],
        operator: Operator,
        emitter: Emitter,
        free_bytes: FreeBytes,
        past: Past | None,
    ) -> None:
        self._procedure = procedure
        self._bench = bench
        self._plan = plan
        self._job = job
        self._kinds = kinds
        self._emitter = emitter
        self._past = past or Past()
        self._is_resumed = past is not None
        self._readings: dict[tuple[str, str], Reading] = dict(self._past.readings)
        # One list of verdicts for each repeat that is being carried out, the innermost last.
        self._verdicts: list[list[Verdict]] = []
        self._unmet_again = [*self._past.unmet_again]
        self._has_ended = False
        self._safe_actions: tuple[SafeAction, ...] | None = None
        state = BenchState()
        self._watch = Watch(
            guard_settings(procedure.guards)[0],
            bench,
            procedure.unit,
            state,
            estimate_s=plan.estimate_s,
            tell=emitter.emit,
            free_bytes=free_bytes,
        )
        self._access = StepAccess(
            bench,
            procedure.unit,
            operator,
            emitter.emit,
            self._watch,
            state,
            job.given,
            serial=job.serial,
            is_load_left_on=plan.is_load_left_on,
        )
        # A run that never switches the unit on may find it on; what a resumed one left on is not known.
        if not self._is_resumed and switches_on(carried_out(plan.steps), kinds, procedure.unit):
            self._access.mains_not_switched_on_yet()
        self._situation = Situation(
            unit=procedure.unit, load=bench.spec.load, accuracy=bench.spec.accuracy
        )

    def begin(self, cautions: Sequence[CautionAccepted]) -> None:
        """Say what is to be done, meet the instruments, put the unit on the bench."""
        emit = self._emitter.emit
        for event in self._opening():
            emit(event)
        for caution in cautions:
            emit(caution)
        for ready in self._meet_instruments():
            emit(ready)
        self._bring_to_rest()
        self._put_unit_on_bench()

    def _bring_to_rest(self) -> None:
        """Switch off what was left on by whoever used the bench before.

        Raises InstrumentLost when that can't be confirmed.
        """
        switches = {Role.GENERATOR: "the generator's output", Role.MAINS_SWITCH: "the mains"}
        on = [
            words
            for role, words in switches.items()
            if self._access.has(role) and self._is_on(role)
        ]
        if on:
            found = f"found switched on before the run began: {' and '.join(on)}"
            with shielded():
                self._emitter.emit_now(MakingSafe())
                actions = self._made_safe()
                self._emitter.emit_now(MakingSafe(is_over=True))
            # Without a mains switch the unit's mains are the operator's; the steps ask him.
            doubts = [
                each.problem or each.action
                for each in actions
                if not each.is_confirmed and each.action != MAINS_LEFT
            ]
            if doubts:
                raise InstrumentLost(f"{found}; {'; '.join(doubts)}")
            words = f"{found}; the bench was made safe first, each switch read back"
            self._emitter.emit(GuardWarned(guard="left_on", words=words))
        if self._access.has(Role.MAINS_SWITCH):
            self._access.mains_found_off()

    def _is_on(self, role: Role) -> bool:
        if role is Role.GENERATOR:
            return self._bench.generator.is_output_on()
        return self._bench.mains_switch.is_output_on()

    def _put_unit_on_bench(self) -> None:
        """Connect this unit, and no other; nothing drives and the mains are off."""
        routes, ours = self._bench.spec.routes, f"unit_{self._job.position}"
        if ours not in routes:
            return
        for name, channel in routes.items():
            is_other = name.startswith("unit_") and name != ours
            if is_other and self._bench.router.is_closed(channel):
                self._access.disconnect(name)
        self._access.connect(ours)

    def _opening(self) -> list[Event]:
        """What begins the record, or goes on with it."""
        spec, job = self._bench.spec, self._job
        if self._is_resumed:
            resumed = RunResumed(
                title=self._procedure.title,
                serial=job.serial,
                model=job.model,
                bench=spec.name,
                bench_sha256=spec.sha256,
                bench_copy=self._past.bench_copy,
                version=__version__,
                away_s=self._past.away_s,
                bench_file=job.bench or spec.file,
                planned=tuple(
                    planned.step.id
                    for planned in self._plan.steps
                    if planned.step.id not in self._past.done
                ),
                left_out=self._past.left_out,
                limits_left_out=self._past.limits_left_out,
                unmet_again=self._past.unmet_again,
                has_judged=self._past.has_judged,
                changed_figures=self._past.changed_figures,
                is_unit_shown=self._plan.is_unit_shown,
            )
            return [*([self._past.broken] if self._past.broken else []), resumed]
        return [
            RunStarted(
                procedure=self._procedure.name,
                title=self._procedure.title,
                procedure_sha256=self._procedure.sha256,
                serial=job.serial,
                model=job.model,
                stage=job.stage,
                bench=spec.name,
                decision=self._procedure.decision.value,
                steps=len(self._plan.steps),
                estimate_s=self._plan.estimate_s,
                version=__version__,
                planned=tuple(planned.step.id for planned in self._plan.steps),
                bench_sha256=spec.sha256,
                bench_file=job.bench or spec.file,
                position=job.position,
                remarks=self._plan.remarks,
                ticket=job.ticket,
                changed_figures=self._procedure.changed,
                is_unit_shown=self._plan.is_unit_shown,
            )
        ]

    def _meet_instruments(self) -> list[InstrumentReady]:
        today = self._bench.clock.date().date()
        met = []
        for role, spec in self._bench.spec.instruments.items():
            try:
                identity = self._bench.instruments[role].prepare()
            except WrongInstrument as error:
                words = "nothing was switched: a generator or a unit that was on before still is"
                raise BenchError(f"{error}; {words}") from error
            met.append(
                InstrumentReady(
                    role=role.value,
                    address=spec.address,
                    driver=spec.driver,
                    manufacturer=identity.manufacturer,
                    model=identity.model,
                    serial=identity.serial,
                    firmware=identity.firmware,
                    calibration_due=spec.calibration_due.isoformat()
                    if spec.calibration_due
                    else None,
                    certificate=spec.certificate or None,
                    is_overdue=spec.is_overdue(today),
                )
            )
        return met

    def carry_out(self) -> None:
        """Every step of the plan, in order; of a resumed run those that are left."""
        if self._is_resumed:
            for name, verdict in self._past.done.items():
                self._demand_met(self._step_named(name), name, verdict)
            self._restore()
        left_s = self._plan.estimate_s
        for number, planned in enumerate(self._plan.steps, start=1):
            self._step(planned, _Progress(number=number, left_s=left_s), planned.step.id)
            left_s -= planned.duration_s

    def _restore(self) -> None:
        """Bring the unit into the state that the next step relies on."""
        past = self._past
        again = to_restore(self._plan.steps, past.done, self._kinds)
        left_s = sum(planned.duration_s for planned, _ in again) + sum(
            max(planned.duration_s - past.elapsed_s.get(planned.step.id, 0.0), 0.0)
            for planned in self._plan.steps
            if planned.step.id not in past.done
        )
        for planned, name in again:
            self._restore_by(planned, name, left_s)
            left_s -= planned.duration_s

    def _restore_by(self, planned: PlannedStep, name: str, left_s: float) -> None:
        """Carry a finished step out again, for what it does to the unit and what it demands.

        What it shows now is told beside the readings it was judged by, which stand.

        Raises _NotMet where what had to be met is met no more: the unit or the bench changed.
        """
        step = planned.step
        self._emitter.emit(
            StepRestored(step=name, kind=step.kind, does=planned.does, left_s=left_s)
        )
        self._access.begin(name)
        self._watch.look()
        captures: list[Capture] = []
        try:
            self._acquire(step, name, captures, restored=True)
        except WiredWrong as error:
            raise GuardTripped(f"step {name}: {error}") from error
        except UnusableAnswer as error:
            raise InstrumentLost(f"step {name}: {error}") from error
        readings = self._judged(step, name, captures, None, so_far=dict(self._readings))
        for reading in readings:
            self._emitter.emit(ReadingTaken(step=name, reading=reading, restored=True))
        was_met = counts_as_passed(self._past.done[name], has_limit=True)
        unmet = _unmet(readings) if was_met else ""
        self._emitter.emit(
            StepDoneAgain(
                step=name,
                kind=step.kind,
                verdict=step_verdict(readings),
                unmet=unmet,
                cut=bool(unmet) and step.must_pass,
            )
        )
        if unmet:
            words = f"step {name}, met before the break, is not met any more: {unmet}"
            if step.must_pass:
                raise _NotMet(words)
            self._unmet_again.append(name)
            self._emitter.emit(GuardWarned(guard="restored", words=words))

    def _step(self, planned: PlannedStep, progress: "_Progress", name: str) -> None:
        """One step, recorded under this name; one that is done already is only counted."""
        step = planned.step
        if (verdict := self._past.done.get(name)) is not None:
            self._count(verdict)
        elif planned.left_out:
            self._finish(planned, name, Verdict.INFO)
        else:
            self._emitter.emit(
                StepStarted(
                    step=name,
                    kind=step.kind,
                    title=step.title,
                    number=progress.number,
                    of=len(self._plan.steps),
                    does=planned.does,
                    estimate_s=planned.duration_s,
                    left_s=progress.left_s,
                    round=progress.rounds[-1][0] if progress.rounds else None,
                    rounds=progress.rounds[-1][1] if progress.rounds else None,
                )
            )
            if isinstance(step.settings, RepeatSettings):
                verdict = self._rounds(planned, name, step.settings, progress)
                self._finish(planned, name, verdict)
            else:
                self._carry_out_one(planned, name)

    def _rounds(
        self, planned: PlannedStep, name: str, settings: RepeatSettings, progress: "_Progress"
    ) -> Verdict:
        """The group of a repeat, round after round; returns the worst verdict of all."""
        begun_s = self._access.now_s() - self._past.elapsed_s.get(name, 0.0)
        expected = settings.rounds(sum(inner.duration_s for inner in planned.group))
        self._verdicts.append([])
        for number in itertools.count(1):
            round_s = self._access.now_s()
            now = _Progress(
                number=progress.number,
                left_s=progress.left_s - (round_s - begun_s),
                rounds=(*progress.rounds, (number, max(number, expected))),
            )
            for inner in planned.group:
                self._step(inner, now, f"{inner.step.id}{now.suffix}")
            spent_s = self._access.now_s() - round_s
            is_last = number == settings.count
            if self._is_past(planned, now.suffix) and not is_last:
                continue
            if settings.period and not is_last:
                self._access.wait(settings.period - spent_s)
            elapsed_s = self._access.now_s() - begun_s
            if is_last or (settings.time is not None and elapsed_s >= settings.time - _MOMENT_S):
                break
        return worst(self._verdicts.pop())

    def _is_past(self, planned: PlannedStep, suffix: str) -> bool:
        """Whether a whole round was done before the break; nothing is waited for then."""
        return all(f"{inner.step.id}{suffix}" in self._past.done for inner in planned.group)

    def _finish(
        self, planned: PlannedStep, name: str, verdict: Verdict, *, cut: bool = False
    ) -> None:
        self._emitter.emit(
            StepFinished(
                step=name,
                kind=planned.step.kind,
                verdict=verdict,
                left_out=planned.left_out,
                limits_left_out=planned.limits_left_out,
                cut=cut,
            )
        )
        self._count(verdict)

    def _count(self, verdict: Verdict) -> None:
        """Let the group around a step know its verdict."""
        if self._verdicts:
            self._verdicts[-1].append(verdict)

    def _carry_out_one(self, planned: PlannedStep, name: str) -> None:
        step = planned.step
        self._access.begin(name)
        self._watch.look()
        captures: list[Capture] = []
        stopped: Stopped | None = None
        reason: str | None = None
        try:
            self._acquire(step, name, captures)
        except WiredWrong as error:
            stopped, reason = GuardTripped(f"step {name}: {error}"), str(error)
        except UnusableAnswer as error:
            reason = str(error)
            self._access.note(f"broken off: {reason}")
            if self._kinds[step.kind].is_vital_for(step.settings):
                stopped = InstrumentLost(f"step {name}: {reason}")
            else:
                self._access.back_to_rest()
        if stopped:
            self._secure()  # before anything is computed or written
            self._emitter.emit_now(MakingSafe(is_over=True))
        verdict = self._judge(step, name, captures, reason)
        self._finish(planned, name, verdict, cut=stopped is not None)
        if stopped:
            raise stopped
        self._demand_met(step, name, verdict)

    def _step_named(self, name: str) -> Step | None:
        """The step recorded under this name."""
        step_id = step_id_of(name, {step.id for step in self._procedure.all_steps()})
        return next((step for step in self._procedure.all_steps() if step.id == step_id), None)

    def _demand_met(self, step: Step | None, name: str, verdict: Verdict) -> None:
        """Go on only if a step that must be met is; what was left out was allowed to by the plan.

        Raises _NotMet.
        """
        if step is None or not step.must_pass or counts_as_passed(verdict, has_limit=True):
            return
        unmet = _unmet(reading for (at, _), reading in self._readings.items() if at == name)
        raise _NotMet(f"the run ends at step {name}, which must be met before it goes on: {unmet}")

    def _acquire(
        self, step: Step, name: str, captures: list[Capture], *, restored: bool = False
    ) -> None:
        """Drive the bench; what was recorded is told and kept even when the step breaks off."""
        for capture in self._kinds[step.kind].acquire(step.settings, self._access):
            captures.append(capture)
            self._emitter.emit(CaptureTaken(step=name, capture=capture, restored=restored))

    def _judge(
        self, step: Step, name: str, captures: Sequence[Capture], reason: str | None
    ) -> Verdict:
        readings = self._judged(step, name, captures, reason, so_far=self._readings)
        for reading in readings:
            self._emitter.emit(ReadingTaken(step=name, reading=reading))
        return step_verdict(readings)

    def _judged(
        self,
        step: Step,
        name: str,
        captures: Sequence[Capture],
        reason: str | None,
        *,
        so_far: dict[tuple[str, str], Reading],
    ) -> list[Reading]:
        """What the captures of a step say; so_far learns it."""
        kind = self._kinds[step.kind]
        return judge_findings(
            step,
            kind,
            kind.evaluate(step.settings, captures, self._situation),
            recorded_as=name,
            rule=self._procedure.decision,
            so_far=so_far,
            broken_off=reason,
            floor=self._plan.floor,
        )

    def outcome(self) -> Outcome:
        """Whether the unit passed; not where it did not, be it after a break, keep to a limit."""
        if self._unmet_again:
            return Outcome.FAIL
        return outcome(self._procedure, self._readings.values())

    def end(self, finished: RunFinished) -> None:
        """Safe first, then say so. Nothing that goes wrong here hides why the run ended."""
        with shielded():
            if self._has_ended:
                return
            actions = self._secure()
            self.say(MadeSafe(actions=actions))
            self.say(finished)
            self._has_ended = True

    def _secure(self) -> tuple[SafeAction, ...]:
        """Make the bench safe, once; what was done is told at the end."""
        if self._safe_actions is None:
            with shielded():
                self._emitter.end()
                self._emitter.emit_now(MakingSafe())
                self._safe_actions = self._made_safe()
        return self._safe_actions

    def _made_safe(self) -> tuple[SafeAction, ...]:
        return make_safe(
            self._bench.instruments,
            self._bench.spec.routes,
            mains_by_hand=self._access.mains_by_hand,
            hurry=self._bench.hurried,
        )

    def say(self, event: Event) -> None:
        """Tell what can still be told; a record that can't be written is not worth an end unsafe."""
        self._emitter.end()
        self._emitter.emit(event)
