"""Everything that can be known before anything is energised: procedure against bench."""

import itertools
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType

from drivers.roles import Role
from sequencer.addresses import canonical
from sequencer.bench_spec import BenchSpec
from sequencer.drive_checking import (
    beyond_bench,
    beyond_rated,
    driven_while_off,
    nothing_shows_it_on,
)
from sequencer.errors import CapabilityMissing, FileError, Place
from sequencer.floor import Floor
from sequencer.procedure import Procedure, Step
from sequencer.quantities import format_quantity
from sequencer.steps.base import AnyStepKind, Demand, Load
from sequencer.steps.repeat import RepeatSettings
from sequencer.watching import can_see_level

LOAD_MISMATCH = 0.02
NOTHING_INDEPENDENT = "nothing switches the unit off if this computer itself fails"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStep:
    """A step with what it will do, for how long, and why it is left out (None: it is not)."""

    step: Step
    does: str
    duration_s: float
    left_out: str | None
    group: "tuple[PlannedStep, ...]" = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a run will do, and what is known about it beforehand; floor is the bench's own."""

    steps: tuple[PlannedStep, ...]
    remarks: tuple[str, ...]
    floor: Floor | None = None

    @property
    def estimate_s(self) -> float:
        """Expected length of the run in seconds."""
        return sum(step.duration_s for step in self.steps)


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
    steps = tuple(planner.planned(step) for step in procedure.steps)
    planner.warm_load(steps)
    planner.refuse_driven_while_off()
    if is_unattended and any(_energises(step, kinds, procedure) for step in steps):
        planner.errors += _unattended_errors(bench)
    if planner.errors:
        reason = "this bench can't carry the procedure out"
        raise CapabilityMissing(reason, errors=tuple(planner.errors))
    unshown = nothing_shows_it_on(procedure.steps, bench, kinds, procedure.unit)
    planner.remarks += [unshown] if unshown else []
    remarks = (*planner.remarks, *_remarks(bench, today, is_unattended=is_unattended))
    return Plan(steps=steps, remarks=remarks)


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
        self._hot_s = 0.0
        self._too_hot: set[str] = set()
        self.errors = [
            *_load_errors(procedure, bench),
            *_acceptance_errors(bench, today),
            *_switch_errors(bench),
        ]
        self.remarks: list[str] = []

    def planned(self, step: Step) -> PlannedStep:
        """One step, its group included."""
        kind = self._kinds[step.kind]
        unit = self._procedure.unit
        group = tuple(self.planned(inner) for inner in step.steps)
        demand = kind.demand(step.settings, unit)
        unanswered = None if step.id in self._done else self._unanswered(demand)
        left_out = _missing(demand, self._bench) or unanswered
        problems = [] if left_out else self._problems(demand)
        if left_out and step.required:
            problems = [f"{left_out}, and the step is required"]
        elif left_out and step.must_pass:
            problems = self._left_out_but_needed(step, left_out, is_asked=unanswered is not None)
        self.errors += [FileError(step.place, f"step {step.id}: {each}") for each in problems]
        round_s = sum(inner.duration_s for inner in group)
        duration_s = _group_s(step, round_s) if group else demand.duration_s
        return PlannedStep(
            step=step,
            does=kind.describe(step.settings, unit) + _by_hand(demand, self._bench),
            duration_s=0.0 if left_out else duration_s,
            left_out=left_out,
            group=group,
        )

    def _unanswered(self, demand: Demand) -> str | None:
        """Why nobody will give the reading that a step asks for, or None."""
        asked = demand.asks_for
        if asked is None or not self._is_unattended or asked in self._given:
            return None
        return f"nobody is there to read it, and the job ticket gives no {asked}"

    def _left_out_but_needed(self, step: Step, left_out: str, *, is_asked: bool) -> list[str]:
        """What stands against a run that would go on without a step that must be met.

        A bench that can't carry it out leaves it out, which is said. Where only nobody is there to
        answer, the run is refused; but a simulated unit hurts nobody, so there it is only said.
        """
        if is_asked and self._bench.clock != "simulated":
            advice = (
                'write it under "readings" in the ticket, or stay at the bench (no --unattended)'
            )
            return [f"{left_out}, and it must be met before the run goes on; {advice}"]
        self.remarks.append(
            f"step {step.id}, which must be met before the run goes on, is left out: {left_out}"
        )
        return []

    def _problems(self, demand: Demand) -> list[str]:
        return _problems(demand, self._bench, self._procedure, self._is_unattended)

    def refuse_driven_while_off(self) -> None:
        """Refuse steps that drive a unit which is surely off: the bench switches its mains."""
        if not self._bench.has(Role.MAINS_SWITCH):
            return
        steps, unit = self._procedure.steps, self._procedure.unit
        told = set()
        for step, words in driven_while_off(steps, self._kinds, unit):
            if step.id not in told:
                told.add(step.id)
                self.errors.append(FileError(step.place, f"step {step.id}: {words}"))

    def warm_load(self, steps: Sequence[PlannedStep]) -> None:
        """Whether the load stands these steps, each warm from those before it, round after round.

        Beyond its continuous power a load gathers time; below, it is taken to cool as fast.
        """
        for planned in steps:
            if planned.group:
                self._warm_by_rounds(planned)
            elif not planned.left_out:
                self._warm_by(planned.step)

    def _warm_by_rounds(self, planned: PlannedStep) -> None:
        """A repeated group, until the load gets too hot or a round leaves it no warmer."""
        settings = planned.step.settings
        assert isinstance(settings, RepeatSettings), "only a repeat holds a group"
        round_s = sum(inner.duration_s for inner in planned.group)
        idle_s = max(0.0, (settings.period or 0.0) - round_s)
        for _ in range(settings.rounds(round_s)):
            before_s, told = self._hot_s, len(self._too_hot)
            self.warm_load(planned.group)
            self._hot_s = max(0.0, self._hot_s - idle_s)
            # A round takes a cooler load to a cooler end, so that from here on it only gets better.
            if self._hot_s <= before_s or len(self._too_hot) > told:
                return

    def _warm_by(self, step: Step) -> None:
        demand = self._kinds[step.kind].demand(step.settings, self._procedure.unit)
        limit_s = self._bench.load.time_limit_s(demand.load_w)
        if limit_s == math.inf:
            self._hot_s = max(0.0, self._hot_s - demand.duration_s)
            return
        self._hot_s += demand.load_s
        if self._hot_s > limit_s and step.id not in self._too_hot:
            self._too_hot.add(step.id)
            words = _too_much(demand, self._hot_s, limit_s, self._bench.load)
            self.errors.append(FileError(step.place, f"step {step.id}: {words}"))


def _too_much(demand: Demand, hot_s: float, limit_s: float, load: Load) -> str:
    """What a step asks of a load that does not stand it."""
    with_others = " with the steps before it" if hot_s > demand.load_s else ""
    return (
        f"puts {format_quantity(demand.load_w, 'W')} into the load for "
        f"{format_quantity(hot_s, 's')}{with_others}, but the load {_stands(load, limit_s)}"
    )


def _stands(load: Load, limit_s: float) -> str:
    """What a load takes: for how long, or else how much."""
    if limit_s:
        return f"stands that for {format_quantity(limit_s, 's')}"
    takes = f"takes {format_quantity(load.continuous_w, 'W')} at most"
    if load.short_term_w > load.continuous_w:
        seconds = format_quantity(load.short_term_s, "s")
        return f"{takes}, or {format_quantity(load.short_term_w, 'W')} for {seconds}"
    return takes


def _group_s(step: Step, round_s: float) -> float:
    """How long a repeated group takes, in seconds."""
    settings = step.settings
    assert isinstance(settings, RepeatSettings), "only a repeat holds a group"
    return settings.rounds(round_s) * max(round_s, settings.period or 0.0)


def _load_errors(procedure: Procedure, bench: BenchSpec) -> list[FileError]:
    wanted, there = procedure.unit.load_ohm, bench.load.resistance_ohm
    if abs(there / wanted - 1.0) <= LOAD_MISMATCH:
        return []
    return [
        FileError(
            bench.place("load", "resistance"),
            (
                f"the bench has a load of {format_quantity(there, 'ohm')}, but the unit wants "
                f"{format_quantity(wanted, 'ohm')} ({procedure.unit_places['load']}); connect the right "
                "load and say so here, or mend that of the unit"
            ),
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
    routes = sorted(demand.routes - set(bench.routes))
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


def _energises(
    planned: PlannedStep, kinds: Mapping[str, AnyStepKind], procedure: Procedure
) -> bool:
    """Whether a step, or one of its group, drives the unit or switches its mains."""
    step = planned.step
    demand = kinds[step.kind].demand(step.settings, procedure.unit)
    roles = demand.roles | demand.helpful_roles
    is_energising = bool(roles & {Role.GENERATOR, Role.MAINS_SWITCH}) and not planned.left_out
    return is_energising or any(_energises(inner, kinds, procedure) for inner in planned.group)


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
            "the multimeter has no AC reading (read_ac), so the guards output_level and load_power "
            "see nothing"
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
