"""Whether the bench's mains are those of the unit, as far as it is known before they come on.

The bench file may state their voltage; a power meter reads it when the time has come. Where neither is
there, the operator confirms it by its figure, as one more caution.
"""

from collections.abc import Iterable, Mapping

from drivers.roles import Role
from sequencer.bench_spec import BenchSpec
from sequencer.errors import FileError
from sequencer.procedure_model import Procedure, Step, Unjudged
from sequencer.quantities import format_quantity
from sequencer.steps.base import AnyStepKind, Leaves
from sequencer.unit_data import UnitData, suits_mains

_KEY = "mains_voltage"


def switches_on(
    carried_out: Iterable[Step], kinds: Mapping[str, AnyStepKind], unit: UnitData
) -> bool:
    """Whether one of these steps switches the unit's mains on; of one with mistakes nobody knows."""
    return any(
        kinds[step.kind].leaves(step.settings) is Leaves.ON
        or kinds[step.kind].demand(step.settings, unit).switches_on_and_off
        for step in carried_out
        if not isinstance(step.settings, Unjudged)
    )


def against_other_mains(procedure: Procedure, bench: BenchSpec) -> list[FileError]:
    """What stands against a unit for other mains than those that the bench file states."""
    there, wanted = bench.mains_vrms, procedure.unit.mains_vrms
    if there is None or suits_mains(there, wanted):
        return []
    place = procedure.unit_places.get(_KEY)
    unit_s = f"the unit is one for {_volts(wanted)}"
    if place is None:
        unit_s += f" where its {_KEY} is not written in procedure or ticket"
    if bench.is_built_in:
        words = (
            f"the simulated bench has mains of {_volts(there)}, but {unit_s}; test a unit for these "
            "mains, or take another bench"
        )
        return [FileError(place or procedure.place, words)]
    words = (
        f"{_KEY}: the bench has mains of {_volts(there)}, but {unit_s} ({place or procedure.place}); "
        "correct the one that is wrong, or feed the unit from a transformer and write here what it gives"
    )
    return [FileError(bench.place(_KEY), words)]


def is_voltage_unknown(bench: BenchSpec) -> bool:
    """Whether neither the bench file states the voltage of the mains nor a power meter reads it."""
    if bench.mains_vrms is not None:
        return False
    meter = bench.instruments.get(Role.POWER_METER)
    return meter is None or "read_voltage_vrms" in meter.missing_operations


def remark_on_unknown(unit: UnitData) -> str:
    """What `check` says where the voltage is unknown."""
    return (
        f"nothing states or reads the voltage of this bench's mains, and the unit is one for "
        f"{_volts(unit.mains_vrms)}: you are asked to confirm it before they come on; write {_KEY} in "
        "the bench file"
    )


def caution_on_unknown(unit: UnitData) -> str:
    """What the operator confirms, by its figure, where the voltage is unknown."""
    volts = _volts(unit.mains_vrms)
    return (
        f"The mains must be {volts}: the unit is one for {volts}, and on this bench nothing states or "
        f"reads their voltage. Accept only if you know that the unit's outlet gives {volts}; another "
        "voltage can destroy the unit and set it on fire."
    )


def _volts(vrms: float) -> str:
    return format_quantity(vrms, "V")
