"""Kind `connect`: what the analyser listens to."""

from collections.abc import Iterator, Sequence
from typing import Literal

from pydantic import Field

from drivers.roles import Role
from sequencer.captures import Capture
from sequencer.steps import driving
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Leaves,
    Situation,
    StepKind,
    StepSettings,
)
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData

WORDS = {
    "output": "the unit's output terminals",
    "loop": "the generator, straight and without any unit between",
    "tap": "the sensor on the heatsink",
}


class ConnectSettings(StepSettings):
    """What the analyser listens to."""

    analyser: Literal["output", "loop", "tap"] = Field(description="where the analyser is put")


@register
class Connect(StepKind[ConnectSettings]):
    """Puts the analyser where it is wanted: by the router, or by the operator's hand."""

    name = "connect"
    settings = ConnectSettings

    def leaves(self, settings: ConnectSettings) -> Leaves | None:
        """The analyser where it is wanted."""
        return Leaves.LISTENING

    def demand(self, settings: ConnectSettings, unit: UnitData) -> Demand:
        """A generator to be silent and an analyser to be connected."""
        return Demand(
            roles=frozenset({Role.GENERATOR, Role.ANALYSER}),
            by_hand_without=f"analyser_{settings.analyser}",
            duration_s=1.0,
        )

    def describe(self, settings: ConnectSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return f"connects the analyser to {WORDS[settings.analyser]}"

    def acquire(self, settings: ConnectSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Undriven, on the highest range; by hand where the router has no such channel."""
        driving.highest_range(bench.analyser)
        driving.silence(bench)
        route = f"analyser_{settings.analyser}"
        if bench.has_route(route):
            bench.connect(route)
        else:
            bench.by_hand(f"Connect the analyser to {WORDS[settings.analyser]} now.")
        yield from ()

    def evaluate(
        self, settings: ConnectSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Nothing to find."""
        return []
