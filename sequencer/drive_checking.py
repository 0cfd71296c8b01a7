"""Whether unit, analyser and generator stand the level that a step drives.

A level that the unit can't give clips it, and one that the analyser can't hold would be blamed on the
unit; both are known from the numbers alone.
"""

import math
from collections.abc import Collection, Iterable, Iterator, Mapping

from drivers.roles import Role
from sequencer.bench_spec import BenchSpec
from sequencer.procedure_model import Step, Unjudged
from sequencer.quantities import format_quantity
from sequencer.steps.base import AnyStepKind, Demand, Leaves
from sequencer.steps.connect import ConnectSettings
from sequencer.steps.repeat import RepeatSettings
from sequencer.unit_data import UnitData

# "28.3 V" is meant as 100 W into 8 ohm: levels are written to three digits.
_ROUNDING = 1.01
# DC, noise and the closing-in of the level lie on top of the peak of the tone.
_PEAK_MARGIN = 1.02
_DRIVES = "drives the unit, but no step before it has switched it on"
_DRIVES_AGAIN = "in its second round drives the unit, which the first one left switched off"
NOTHING_SHOWS_IT = (
    "no step drives the unit: nothing in this run shows that it is on (what it draws may be its own "
    "standby); look at its lamp yourself, or add a tone step"
)
_SWITCH_ON = "put a power_on (or servo_settling) before it"
_FINDS_ON = "needs the unit's mains off, but a step before it has switched them on"
_FINDS_ON_AGAIN = "in its second round needs the unit's mains off, which the first one left on"
_SWITCH_OFF = "put it before that, or a power_off before it"


def beyond_rated(demand: Demand, unit: UnitData) -> list[str]:
    """What stands against a level that is more than the unit is rated for.

    A step that searches for the end by itself, with its own stop, may go beyond.
    """
    if demand.stops_by_itself or demand.load_w <= _ROUNDING * unit.rated_power_w:
        return []
    words = (
        f"drives {format_quantity(demand.load_w, 'W')} into {format_quantity(unit.load_ohm, 'ohm')}, "
        f"but the unit is rated for {format_quantity(unit.rated_power_w, 'W')} and would clip; lower "
        "the level, mend rated_power, or search for the end with a level_sweep, which stops by itself"
    )
    return [words]


def beyond_bench(demand: Demand, bench: BenchSpec, unit: UnitData) -> list[str]:
    """What stands against a level that generator or analyser can't give or hold."""
    return [*_beyond_ceiling(demand, bench), *_beyond_ranges(demand, bench, unit)]


def _beyond_ceiling(demand: Demand, bench: BenchSpec) -> list[str]:
    if demand.generator_vrms <= bench.generator_ceiling_vrms:
        return []
    words = (
        f"needs about {format_quantity(demand.generator_vrms, 'V')} from the generator, above "
        f"the bench's ceiling of {format_quantity(bench.generator_ceiling_vrms, 'V')}"
    )
    return [words]


def _beyond_ranges(demand: Demand, bench: BenchSpec, unit: UnitData) -> list[str]:
    highest_v = max(bench.instruments[Role.ANALYSER].settings.ranges_peak_v)
    peak_v = math.sqrt(2.0 * demand.load_w * unit.load_ohm)
    if Role.ANALYSER not in demand.roles or _PEAK_MARGIN * peak_v <= highest_v:
        return []
    words = (
        f"puts {format_quantity(demand.load_w, 'W')} into {format_quantity(unit.load_ohm, 'ohm')}, "
        f"which is {format_quantity(peak_v, 'V')} peak, but the analyser's highest range is "
        f"{format_quantity(highest_v, 'V')} peak; lower the level, or list a higher range in the bench "
        "file if the analyser has one"
    )
    return [words]


def against_mains(
    steps: Iterable[Step],
    kinds: Mapping[str, AnyStepKind],
    unit: UnitData,
    *,
    is_switched: bool,
    left_out: Collection[str] = (),
) -> Iterator[tuple[Step, str]]:
    """The steps that find the unit's mains in the wrong state, and what to say.

    left_out are the ids of steps that will not be carried out and so leave all as it is. Only where
    the bench switches the mains is a unit surely off before a step has switched it on. With the
    analyser at the generator itself no unit is driven. What a step with mistakes leaves, nobody knows.
    Each step is told once, though it comes again.
    """
    is_on: bool | None = False if is_switched else None
    is_loop = False
    told: set[str] = set()
    for step, is_again in _in_order(steps):
        if step.id in left_out:
            continue
        if isinstance(step.settings, Unjudged):
            is_on, is_loop = None, True
            continue
        kind = kinds[step.kind]
        if isinstance(step.settings, ConnectSettings):
            is_loop = step.settings.analyser == "loop"
        leaves, demand = kind.leaves(step.settings), kind.demand(step.settings, unit)
        if leaves in (Leaves.ON, Leaves.OFF):
            is_on = leaves is Leaves.ON
            is_loop = is_loop and not is_on  # it is switched on with the analyser at its output
            continue
        words = ""
        if demand.load_w > 0.0 and is_on is False and is_switched and not is_loop:
            words = f"{_DRIVES_AGAIN if is_again else _DRIVES}; {_SWITCH_ON}"
        elif demand.needs_mains_off and is_on:
            words = f"{_FINDS_ON_AGAIN if is_again else _FINDS_ON}; {_SWITCH_OFF}"
        if words and step.id not in told:
            told.add(step.id)
            yield step, words


def is_unit_shown(
    carried_out: Iterable[Step], kinds: Mapping[str, AnyStepKind], unit: UnitData
) -> bool:
    """Whether a unit that is off would be found out: it has no DC, no hum and no noise, and passes.

    carried_out are the steps and those of their groups, in order, without those left out. Where nothing
    of the unit is measured, there is nothing to show. What it draws shows nothing: it may be in a
    standby of its own.
    """
    is_loop, is_measured = False, False
    for step in carried_out:
        kind = kinds[step.kind]
        if isinstance(step.settings, ConnectSettings):
            is_loop = step.settings.analyser == "loop"
            continue
        demand = kind.demand(step.settings, unit)
        is_switched_on = kind.leaves(step.settings) is Leaves.ON
        if demand.load_w > 0.0 and not is_loop:
            return True
        is_loop = is_loop and not is_switched_on
        looks_at_it = demand.roles & {Role.ANALYSER, Role.DMM} and not demand.needs_mains_off
        is_measured = is_measured or bool(looks_at_it and not is_loop)
    return not is_measured


def _in_order(steps: Iterable[Step], *, is_again: bool = False) -> Iterator[tuple[Step, bool]]:
    """Steps as they follow each other, a repeated group twice; whether each comes again.

    A third round finds the unit as the second one did.
    """
    for step in steps:
        yield step, is_again
        yield from _in_order(step.steps, is_again=is_again)
        if isinstance(step.settings, RepeatSettings) and step.settings.count != 1:
            yield from _in_order(step.steps, is_again=True)
