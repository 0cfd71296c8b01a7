"""Kind `load_check`: the load's resistance, measured before any power."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, ClassVar

from pydantic import Field

from drivers.roles import Role
from sequencer.captures import Capture, named, single_reading
from sequencer.limits import rectangular
from sequencer.quantities import Percentage, Ratio
from sequencer.steps.asking import OPERATOR, ask_for, found_by_operator
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Situation,
    StepKind,
    StepSettings,
    WiredWrong,
    say,
)
from sequencer.steps.registry import register
from sequencer.steps.stops import STOP
from sequencer.unit_data import UnitData

ROUTE = "meter_load"
READING = "load_resistance"
_OHMS = "read_resistance_ohm"
_BY_HAND = (
    "Resistance of the load by a meter of your own, at the ends of the leads that go to the unit, the "
    "unit off and not connected to it, what the meter's leads have taken off"
)
_LEAVE_OFF = "; connect it to the unit only when you are asked to, after the DC check"


class LoadCheckSettings(StepSettings):
    """The load's resistance, measured before any power."""

    stop_beyond: Annotated[Ratio, STOP] = Field(
        default=0.1, gt=0, le=0.25, description="a load further off than this stops the run"
    )
    # A handheld meter at a few ohms, with what its leads leave (common practice, no source).
    accuracy: Percentage = Field(
        default=0.01,
        ge=0,
        le=0.5,
        description="accuracy of the operator's meter, of the reading, where the bench's can't do it",
    )


@register
class LoadCheck(StepKind[LoadCheckSettings]):
    """The load's resistance, measured before any power."""

    name = "load_check"
    settings = LoadCheckSettings
    readings: ClassVar[Mapping[str, str]] = {READING: "ohm"}

    def demand(self, settings: LoadCheckSettings, unit: UnitData) -> Demand:
        """A meter that the router can put across the load alone, or else the operator's own."""
        return Demand(
            roles=frozenset({Role.DMM}),
            operations=frozenset({(Role.DMM, _OHMS)}),
            routes=frozenset({ROUTE}),
            by_hand_without=Role.MAINS_SWITCH,
            duration_s=1.0,
            needs_mains_off=True,
            else_asks_for=READING,
        )

    def describe(self, settings: LoadCheckSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return f"measures the load (should be {say(unit.load_ohm, 'ohm')}), nothing energised"

    def acquire(self, settings: LoadCheckSettings, bench: BenchAccess) -> Iterator[Capture]:
        """One reading of ohms on a dead output, the meter back at the output afterwards."""
        capture = _measured(bench) if _can_measure(bench) else _asked(bench)
        if capture is None:
            return
        yield capture
        ohms = float(capture.first[0])
        if abs(ohms / bench.unit.load_ohm - 1.0) > settings.stop_beyond:
            raise WiredWrong(
                f"the load measures {say(ohms, 'ohm')} where {say(bench.unit.load_ohm, 'ohm')} "
                "is wanted; check the load and its leads"
            )

    def evaluate(
        self, settings: LoadCheckSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """The resistance with the meter's accuracy, the bench's or the operator's."""
        capture = named(captures, READING)
        if capture is None or capture.role == OPERATOR:
            return [found_by_operator(READING, capture, settings.accuracy)]
        ohms = float(capture.first[0])
        doubt = rectangular(situation.of(Role.DMM).resistance) * ohms
        return [Finding(name=READING, unit="ohm", value=ohms, standard_uncertainty=doubt)]


def _can_measure(bench: BenchAccess) -> bool:
    return bench.can(Role.DMM, _OHMS) and bench.has_route(ROUTE)


def _asked(bench: BenchAccess) -> Capture | None:
    """What the operator's own meter shows; the load stays off the unit until the DC was looked at."""
    leave_off = "" if bench.has_route("load") else _LEAVE_OFF
    return ask_for(bench, READING, _BY_HAND + leave_off)


def _measured(bench: BenchAccess) -> Capture:
    """What the bench's meter shows across the load alone."""
    bench.demand_mains_off("measuring the load's resistance")
    bench.connect(ROUTE)
    ohms = bench.dmm.read_resistance_ohm()
    if bench.has_route("meter_output"):
        bench.connect("meter_output")
    return single_reading(READING, Role.DMM.value, ohms)
