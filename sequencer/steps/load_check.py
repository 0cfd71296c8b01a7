"""Kind `load_check`: the load's resistance, measured before any power."""

from collections.abc import Iterator, Mapping, Sequence
from typing import ClassVar

from pydantic import Field

from drivers.roles import Role
from sequencer.captures import Capture, named, single_reading
from sequencer.limits import rectangular
from sequencer.quantities import Ratio
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
from sequencer.unit_data import UnitData

ROUTE = "meter_load"


class LoadCheckSettings(StepSettings):
    """The load's resistance, measured before any power."""

    stop_beyond: Ratio = Field(
        default=0.1, gt=0, lt=1, description="a load further off than this stops the run"
    )


@register
class LoadCheck(StepKind[LoadCheckSettings]):
    """The load's resistance, measured before any power."""

    name = "load_check"
    settings = LoadCheckSettings
    readings: ClassVar[Mapping[str, str]] = {"load_resistance": "ohm"}

    def demand(self, settings: LoadCheckSettings, unit: UnitData) -> Demand:
        """A meter that the router can put across the load alone."""
        return Demand(
            roles=frozenset({Role.DMM}),
            operations=frozenset({(Role.DMM, "read_resistance_ohm")}),
            routes=frozenset({ROUTE}),
            by_hand_without=Role.MAINS_SWITCH,
            duration_s=1.0,
            needs_mains_off=True,
        )

    def describe(self, settings: LoadCheckSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return f"measures the load (should be {say(unit.load_ohm, 'ohm')}), nothing energised"

    def acquire(self, settings: LoadCheckSettings, bench: BenchAccess) -> Iterator[Capture]:
        """One reading of ohms on a dead output, the meter back at the output afterwards."""
        bench.demand_mains_off("measuring the load's resistance")
        bench.connect(ROUTE)
        ohms = bench.dmm.read_resistance_ohm()
        if bench.has_route("meter_output"):
            bench.connect("meter_output")
        yield single_reading("load_resistance", Role.DMM.value, ohms)
        if abs(ohms / bench.unit.load_ohm - 1.0) > settings.stop_beyond:
            raise WiredWrong(
                f"the load measures {say(ohms, 'ohm')} where {say(bench.unit.load_ohm, 'ohm')} "
                "is wanted; check the load and its leads"
            )

    def evaluate(
        self, settings: LoadCheckSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """The resistance with the meter's accuracy."""
        capture = named(captures, "load_resistance")
        if capture is None:
            return []
        ohms = float(capture.first[0])
        doubt = rectangular(situation.of(Role.DMM).resistance) * ohms
        return [Finding(name="load_resistance", unit="ohm", value=ohms, standard_uncertainty=doubt)]
