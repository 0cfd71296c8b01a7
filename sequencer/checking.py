"""Everything that can be known before anything is energised: procedure against bench."""

import itertools
import math
from collections.abc import Collection, Mapping, Sequence
from datetime import date
from types import MappingProxyType

from drivers.roles import Role
from drivers.settings import InstrumentSettings
from sequencer import load_by_hand
from sequencer.addresses import canonical
from sequencer.bench_spec import BenchSpec
from sequencer.drive_checking import (
    NOTHING_SHOWS_IT,
    against_mains,
    beyond_bench,
    beyond_rated,
    is_unit_shown,
)
from sequencer.errors import CapabilityMissing, FileError, Place, in_file_order
from sequencer.guards import guard_settings, loosened_guards
from sequencer.load_checking import LoadWarmth
from sequencer.mains_checking import (
    against_other_mains,
    caution_on_unknown,
    is_voltage_unknown,
    remark_on_unknown,
    switches_on,
)
from sequencer.mains_rest import MainsRest
from sequencer.operator_readings import is_given
from sequencer.plans import Plan, PlannedStep, carried_out
from sequencer.procedure_model import Procedure, Step, Unjudged
from sequencer.quantities import format_quantity
from sequencer.sound_values import in_all
from sequencer.steps.base import AnyStepKind, Demand
from sequencer.steps.driving import lowest_rate
from sequencer.steps.repeat import RepeatSettings
from sequencer.time_checking import against_times, periods_not_kept, too_long_together
from sequencer.watching import can_see_level
from sequencer.wording import name_text

__all__ = ["Plan", "PlannedStep", "plan", "reasons_against"]

LOAD_MISMATCH = 0.02
_READING_S = 60.0
_WRITE_IT = 'write it under "readings" in the ticket, or stay at the bench (no --unattended)'
_FIT_IT = (
    'fit what is missing and name it in the bench file, or write "required: false" at the step where '
    "the run may go on without it"
)
NOTHING_INDEPENDENT = "nothing switches the unit off if this computer itself fails"


def plan(
    procedure: Procedure,
    bench: BenchSpec,
    kinds: Mapping[str, AnyStepKind],
    *,
    today: date,
    is_unattended: bool = False,
    given: Mapping[str, str] = MappingProxyType({}),
    done: Collection[str] = (),
) -> Plan:
    """The plan of a run on this bench. given are readings that the job ticket gives.

    done are the ids of steps that a resumed run has behind it; nobody is asked for them again.
    Raises CapabilityMissing with every reason why the bench can't carry the procedure out.
    """
    planner = _Planner(procedure, bench, kinds, today, is_unattended, given, done)
    steps = planner.plan()
    if planner.errors:
        reason = "this bench can't carry the procedure out"
        raise CapabilityMissing(reason, errors=in_file_order(planner.errors))
    ahead, unit = carried_out(steps), procedure.unit
    is_shown = is_unit_shown(ahead, kinds, unit)
    planner.remarks += [] if is_shown else [NOTHING_SHOWS_IT]
    is_confirmed = is_voltage_unknown(bench) and switches_on(ahead, kinds, unit)
    planner.remarks += [remark_on_unknown(unit)] if is_confirmed else []
    is_load_left_on = load_by_hand.is_left_connected(
        ahead, kinds, bench, is_unattended=is_unattended
    )
    planner.remarks += [load_by_hand.REMARK] if is_load_left_on else []
    remarks = (*planner.remarks, *_remarks(bench, today, is_unattended=is_unattended))
    cautions = [caution_on_unknown(unit)] if is_confirmed else []
    cautions += [load_by_hand.CAUTION] if is_load_left_on else []
    return Plan(
        steps=steps,
        remarks=remarks,
        cautions=tuple(cautions),
        is_unit_shown=is_shown,
        is_load_left_on=is_load_left_on,
    )


def reasons_against(
    procedures: Sequence[Procedure],
    benches: Sequence[BenchSpec],
    kinds: Mapping[str, AnyStepKind],
    *,
    today: date,
    is_unattended: bool = False,
    given: Mapping[str, str] = MappingProxyType({}),
    done: Collection[str] = (),
) -> list[FileError]:
    """What stands against a plan whichever procedure and bench of these are the ones meant.

    Without a bench, what stands against the procedure on every bench.
    """
    if not procedures:
        return in_all([_bench_errors(bench, today) for bench in benches])
    if not benches:
        return in_all([_errors_anywhere(procedure, kinds) for procedure in procedures])
    found = []
    for procedure, bench in itertools.product(procedures, benches):
        planner = _Planner(procedure, bench, kinds, today, is_unattended, given, done)
        planner.plan()
        found.append(planner.errors)
    return in_all(found)


def _errors_anywhere(procedure: Procedure, kinds: Mapping[str, AnyStepKind]) -> list[FileError]:
    """What stands against a procedure on every bench."""
    unit = procedure.unit
    judged = [s for s in procedure.all_steps() if not isinstance(s.settings, Unjudged)]
    found = [
        (step, words)
        for step in judged
        for words in beyond_rated(kinds[step.kind].demand(step.settings, unit), unit)
    ]
    found += against_mains(procedure.steps, kinds, unit, is_switched=False)
    return [_at(step, words) for step, words in found]


def _bench_errors(bench: BenchSpec, today: date) -> list[FileError]:
    """What stands against a bench for every procedure."""
    return [*_acceptance_errors(bench, today), *_switch_errors(bench)]


def _at(step: Step, words: str) -> FileError:
    return FileError(step.place, f"step {step.id}: {words}")


class _Planner:
    """Plans step by step and gathers what stands against it."""

    def __init__(
        self,
        procedure: Procedure,
        bench: BenchSpec,
        kinds: Mapping[str, AnyStepKind],
        today: date,
        is_unattended: bool,
        given: Mapping[str, str],
        done: Collection[str],
    ) -> None:
        self._procedure = procedure
        self._bench = bench
        self._kinds = kinds
        self._is_unattended = is_unattended
        self._given = given
        self._done = done
        self.errors = [*_load_errors(procedure, bench), *_bench_errors(bench, today)]
        self.remarks: list[str] = []

    def plan(self) -> tuple[PlannedStep, ...]:
        """Every step; errors then hold what stands against them."""
        steps = tuple(self._planned(step) for step in self._procedure.steps)
        warmth = LoadWarmth(self._bench.load, self._kinds, self._procedure.unit)
        self.errors += [_at(step, words) for step, words in warmth.too_much(steps)]
        self._refuse_against_mains(steps)
        if switches_on(carried_out(steps), self._kinds, self._procedure.unit):
            self.errors += against_other_mains(self._procedure, self._bench)
        is_switched = self._bench.has(Role.MAINS_SWITCH)
        rests = MainsRest(self._kinds, self._procedure.unit, is_switched=is_switched)
        steps = rests.with_rests(steps)
        self._judge_times(steps)
        self.errors += _guard_errors(self._procedure, self._bench)
        self.remarks += loosened_guards(self._procedure.guards)
        if self._is_unattended and any(map(self._energises, steps)):
            self.errors += _unattended_errors(self._bench)
        return steps

    def _planned(self, step: Step) -> PlannedStep:
        """One step, its group included."""
        group = tuple(self._planned(inner) for inner in step.steps)
        if isinstance(step.settings, Unjudged):
            return PlannedStep(step=step, does="", duration_s=0.0, left_out=None, group=group)
        kind = self._kinds[step.kind]
        unit = self._procedure.unit
        demand = kind.demand(step.settings, unit)
        missing = _missing(demand, self._bench)
        is_asked_instead = bool(missing and demand.else_asks_for)
        if is_asked_instead:
            demand = Demand(asks_for=demand.else_asks_for, duration_s=_READING_S)
        unanswered = None if step.id in self._done else self._unanswered(demand)
        reasons = [unanswered] if unanswered else []
        if missing and (unanswered or not is_asked_instead):
            reasons.insert(0, missing)
        left_out = "; ".join(reasons) or None
        problems = [] if left_out else self._problems(demand)
        if left_out:
            problems = self._against_leaving_out(step, left_out, is_asked=unanswered is not None)
            if step.must_pass and not problems:
                must = "which must be met before the run goes on"
                self.remarks.append(f"step {step.id}, {must}, is left out: {left_out}")
        limits_left_out = {} if left_out else self._limits_left_out(step, demand)
        for name, why in limits_left_out.items():
            words = f"{why}, so the limit on {name_text(name, step.kind)} is left out"
            problems += self._against_leaving_out(step, words, is_asked=False)
            self.remarks.append(f"step {step.id}: {words}")
        round_s = sum(inner.duration_s for inner in group)
        duration_s = _group_s(step, round_s) if group else demand.duration_s
        if demand.asks_for in self._given:
            duration_s = 0.0  # nobody is asked
        self.errors += [_at(step, each) for each in problems]
        by_hand = _by_hand(demand, self._bench)
        by_hand += load_by_hand.words_for(
            step, self._kinds, self._bench, is_unattended=self._is_unattended
        )
        if demand.asks_for in self._given:
            by_hand = " (the job ticket has it)"
        elif is_asked_instead:
            by_hand = f" ({missing}: you are asked what a meter of your own shows)"
        return PlannedStep(
            step=step.without_limits(limits_left_out),
            does=kind.describe(step.settings, unit) + by_hand,
            duration_s=0.0 if left_out else duration_s,
            left_out=left_out,
            limits_left_out=limits_left_out,
            asks_for=demand.asks_for,
            group=group,
        )

    def _limits_left_out(self, step: Step, demand: Demand) -> dict[str, str]:
        """Limits on readings that the bench can't give, each with the reason."""
        lacking = {
            name: _missing(
                Demand(roles=frozenset({role}), operations=frozenset({(role, method)})), self._bench
            )
            for name, (role, method) in demand.readings_by.items()
            if name in step.limits
        }
        return {name: why for name, why in lacking.items() if why}

    def _unanswered(self, demand: Demand) -> str | None:
        """Why nobody will give the reading that a step asks for, or None."""
        asked = demand.asks_for
        if asked is None or not self._is_unattended or is_given(self._given, asked):
            return None
        return f"nobody is there to read it, and the job ticket gives no {asked}"

    def _against_leaving_out(self, step: Step, left_out: str, *, is_asked: bool) -> list[str]:
        """What stands against a run that would go on without a step, or one of its limits.

        One that must be met guards what follows; but a simulated unit hurts nobody, so there it is only
        said. is_asked: only nobody is there to answer.
        """
        if step.required:
            return [f"{left_out}, and the step is required"]
        if not step.must_pass:
            return []
        is_accepted = step.required is False and not is_asked
        if self._bench.clock != "simulated" and not is_accepted:
            advice = _WRITE_IT if is_asked else _FIT_IT
            return [f"{left_out}, and it must be met before the run goes on; {advice}"]
        return []

    def _problems(self, demand: Demand) -> list[str]:
        return _problems(demand, self._bench, self._procedure, self._is_unattended)

    def _judge_times(self, steps: Sequence[PlannedStep]) -> None:
        """Refuse times that can't be meant; say which periods are not kept."""
        self.errors += [_at(step, words) for step, words in against_times(steps)]
        if words := too_long_together(steps):
            self.errors.append(FileError(self._procedure.place, words))
        self.remarks += periods_not_kept(steps)

    def _refuse_against_mains(self, steps: Sequence[PlannedStep]) -> None:
        """Refuse steps that find the unit's mains in the wrong state."""
        left_out = {each.step.id for step in steps for each in step.walk() if each.left_out}
        found = against_mains(
            self._procedure.steps,
            self._kinds,
            self._procedure.unit,
            is_switched=self._bench.has(Role.MAINS_SWITCH),
            left_out=left_out,
        )
        self.errors += [_at(step, words) for step, words in found]

    def _energises(self, planned: PlannedStep) -> bool:
        """Whether a step, or one of its group, drives the unit or switches its mains."""
        step = planned.step
        if not (planned.left_out or isinstance(step.settings, Unjudged)):
            demand = self._kinds[step.kind].demand(step.settings, self._procedure.unit)
            if (demand.roles | demand.helpful_roles) & {Role.GENERATOR, Role.MAINS_SWITCH}:
                return True
        return any(map(self._energises, planned.group))


def _group_s(step: Step, round_s: float) -> float:
    """How long a repeated group takes, in seconds."""
    settings = step.settings
    assert isinstance(settings, RepeatSettings), "only a repeat holds a group"
    return settings.rounds(round_s) * max(round_s, settings.period or 0.0)


def _load_errors(procedure: Procedure, bench: BenchSpec) -> list[FileError]:
    wanted, there = procedure.unit.load_ohm, bench.load.resistance_ohm
    if abs(there / wanted - 1.0) <= LOAD_MISMATCH:
        return []
    place = procedure.unit_places.get("load", procedure.place)
    if bench.is_built_in:
        words = (
            f"the simulated bench has a load of {format_quantity(there, 'ohm')}, but the unit "
            f"wants {format_quantity(wanted, 'ohm')}; test a unit for that load, or take another bench"
        )
        return [FileError(place, words)]
    return [
        FileError(
            bench.place("load", "resistance"),
            (
                f"the bench has a load of {format_quantity(there, 'ohm')}, but the unit wants "
                f"{format_quantity(wanted, 'ohm')} ({place}); connect the right "
                "load and say so here, or mend that of the unit"
            ),
        )
    ]


def _guard_errors(procedure: Procedure, bench: BenchSpec) -> list[FileError]:
    """A guard of the load that would let pass more than the load stands."""
    node = procedure.guards.get("load_power")
    limit_w = guard_settings(procedure.guards)[0].load_power.limit
    if node is None or limit_w is None or limit_w <= bench.load.short_term_w:
        return []
    written = node.get("limit") or node
    return [
        FileError(
            written.place,
            f"limit: {written.text} is more than the bench's load ever stands "
            f"({format_quantity(bench.load.short_term_w, 'W')}); lower it, or leave it out",
        )
    ]


def _acceptance_errors(bench: BenchSpec, today: date) -> list[FileError]:
    """What was accepted on a day that has not come yet was not accepted."""
    written = {"cautions_accepted": bench.acceptance, "unattended_accepted": bench.unattended}
    return [
        FileError(
            bench.place(key, "when"),
            f"{key}: {accepted.accepted_on} is still to come (today is {today}); write the day on which "
            "it was accepted",
        )
        for key, accepted in written.items()
        if accepted and accepted.accepted_on > today
    ]


def _switch_errors(bench: BenchSpec) -> list[FileError]:
    """A mains switch that is the generator too would switch the one for the other."""
    pair = (Role.GENERATOR, Role.MAINS_SWITCH)
    return [
        FileError(
            bench.place("instruments", second.value, "address"),
            f"{first.value} and {second.value} can't share an address: switching the one would switch "
            "the other; write that of each",
        )
        for first, second in _sharing(bench)
        if {first, second} == {*pair}
    ]


def _sharing(bench: BenchSpec) -> list[tuple[Role, Role]]:
    """Pairs of roles that have the same address."""
    roles = [(role, canonical(spec.address)) for role, spec in bench.instruments.items()]
    return [
        (first, second)
        for (first, one), (second, other) in itertools.combinations(roles, 2)
        if one == other
    ]


def _missing(demand: Demand, bench: BenchSpec) -> str | None:
    """Which role or route the bench lacks for this step, in words."""
    roles = sorted(role.value for role in demand.roles if not bench.has(role))
    routes = sorted(name for name in demand.routes if name not in bench.routes)
    lacking = [f"no {name.replace('_', ' ')}" for name in roles]
    channels = bench.instruments[Role.ANALYSER].settings.channels
    if demand.analyser_channels > channels:
        lacking.append("an analyser that does not record the drive (channels: 2)")
    lacking += [
        f"a {role.value} without {method}"
        for role, method in sorted(demand.operations)
        if bench.has(role) and method in bench.instruments[role].missing_operations
    ]
    lacking += [f"no router channel {name}" for name in routes]
    return f"the bench has {' and '.join(lacking)}" if lacking else None


def _beyond_memory(demand: Demand, analyser: InstrumentSettings) -> list[str]:
    """What stands against a record longer than the analyser can take."""
    limits = [
        (demand.record_most, "the step takes {} at most"),
        (analyser.most_samples, "the analyser takes {} at most (most_samples in the bench file)"),
    ]
    known = [(most, words) for most, words in limits if most is not None]
    if not known or demand.record_s <= 0.0:
        return []
    most, who = min(known)
    rate_hz = lowest_rate(analyser.sample_rates_hz, demand.record_top_hz, demand.record_ceiling_hz)
    wanted = round(demand.record_s * rate_hz)
    if wanted <= most:
        return []
    words = (
        f"wants a record of {format_quantity(demand.record_s, 's')}, {wanted} samples at "
        f"{format_quantity(rate_hz, 'Hz')}, but {who.format(most)}; "
        f"{format_quantity(math.floor(100 * most / rate_hz) / 100, 's')} is the longest"
    )
    return [words]


def _problems(
    demand: Demand, bench: BenchSpec, procedure: Procedure, is_unattended: bool
) -> list[str]:
    unit = procedure.unit
    problems = [*beyond_rated(demand, unit), *beyond_bench(demand, bench, unit)]
    analyser = bench.instruments[Role.ANALYSER].settings
    top_rate = max(analyser.sample_rates_hz)
    if demand.top_frequency_hz > 0.5 * top_rate:
        problems.append(
            f"wants to see up to {format_quantity(demand.top_frequency_hz, 'Hz')}, but the analyser "
            f"samples at {format_quantity(top_rate, 'Hz')} at most (half of that can be seen)"
        )
    problems += _beyond_memory(demand, analyser)
    hand = demand.by_hand_without
    if is_unattended and hand is not None and not _is_there(hand, bench):
        problems.append(
            f"needs a hand, because the bench has no {str(hand).replace('_', ' ')}, but the run is "
            "unattended"
        )
    if demand.asks_operator and is_unattended:
        problems.append("asks the operator a question, but the run is unattended")
    is_grounded = bench.instruments[Role.ANALYSER].has_grounded_input
    if procedure.unit.output != "single_ended" and Role.ANALYSER in demand.roles and is_grounded:
        problems.append(
            f"the output is {procedure.unit.output.replace('_', ' ')}: a grounded analyser input "
            "would short one side to earth"
        )
    return problems


def _unattended_errors(bench: BenchSpec) -> list[FileError]:
    """Why nobody may leave the room: the watchkeeper can't cover this computer itself failing."""
    if bench.independent_means or bench.unattended:
        return []
    return [
        FileError(
            Place(bench.file),
            f"{NOTHING_INDEPENDENT}: stay at the bench (leave out --unattended), name what does "
            "(independent_means: [mains relay that drops without its heartbeat]), or accept the "
            "risk in writing (unattended_accepted: {by: YOUR NAME, when: DATE})",
        )
    ]


def _by_hand(demand: Demand, bench: BenchSpec) -> str:
    """What a step leaves to the operator on this bench, in words; empty for nothing."""
    hand = demand.by_hand_without
    if hand is None or _is_there(hand, bench):
        return ""
    lacking = str(hand).replace("_", " ")
    return f" (the bench has no {lacking}: you are asked to see to that part by hand)"


def _is_there(name: Role | str, bench: BenchSpec) -> bool:
    return bench.has(name) if isinstance(name, Role) else name in bench.routes


def _remarks(bench: BenchSpec, today: date, *, is_unattended: bool) -> tuple[str, ...]:
    overdue = [
        f"{role.value}: "
        + (
            f"calibration ran out on {spec.calibration_due}"
            if spec.calibration_due
            else "no calibration date"
        )
        for role, spec in bench.instruments.items()
        if role in _MEASURING and spec.is_overdue(today)
    ]
    remarks = [f"{words}; results are indicative" for words in overdue]
    remarks += [
        f"{first.value} and {second.value} share the address at "
        f"{bench.place('instruments', second.value, 'address')}, which is right only where one "
        "instrument is both"
        for first, second in _sharing(bench)
    ]
    if not can_see_level(bench):
        remarks.append(
            "the multimeter has no AC reading (read_ac), so the guards output_level, load_power and "
            "power_balance see nothing"
        )
    if not bench.independent_means:
        accepted = bench.unattended if is_unattended else None
        remarks.append(
            f"{NOTHING_INDEPENDENT}; "
            + (
                f"accepted by {accepted.accepted_by} on {accepted.accepted_on}"
                if accepted
                else "stay at the bench"
            )
        )
    return tuple(remarks)


_MEASURING = (
    Role.GENERATOR,
    Role.ANALYSER,
    Role.DMM,
    Role.POWER_METER,
    Role.THERMOMETER,
)
