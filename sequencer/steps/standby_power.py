"""Kind `standby_power`: what the unit draws while it is commanded to standby."""

from collections.abc import Iterator, Mapping, Sequence
from typing import ClassVar

from pydantic import Field

from drivers.roles import Role
from sequencer.captures import Capture, named, single_reading
from sequencer.limits import rectangular
from sequencer.steps import driving
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Situation,
    StepKind,
    StepSettings,
    WiredWrong,
    not_found,
    say,
)
from sequencer.steps.bounds import SwitchOnTime
from sequencer.steps.registry import register
from sequencer.unit_data import REVERSED, UnitData, is_reversed

# A power meter's own offset may be as much (common practice, no source; IEC 62301 allows a meter 0.02 W
# of doubt here, from memory).
LEAST_W = 0.05


class StandbyPowerSettings(StepSettings):
    """What the unit draws while it is commanded to standby."""

    settle: SwitchOnTime = Field(default=10.0, description="time in standby before reading")


@register
class StandbyPower(StepKind[StandbyPowerSettings]):
    """Mains power in standby; the unit is commanded back to operation afterwards, mains off."""

    name = "standby_power"
    is_vital = True  # broken off, it leaves the unit in standby or the mains on
    settings = StandbyPowerSettings
    readings: ClassVar[Mapping[str, str]] = {"standby_power": "W"}

    def demand(self, settings: StandbyPowerSettings, unit: UnitData) -> Demand:
        """A power meter and a mains switch that carries the standby command."""
        return Demand(
            roles=frozenset({Role.POWER_METER, Role.MAINS_SWITCH, Role.GENERATOR}),
            operations=frozenset({(Role.MAINS_SWITCH, "set_standby")}),
            duration_s=settings.settle,
            switches_on_and_off=True,
        )

    def describe(self, settings: StandbyPowerSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return (
            f"commands standby, mains on, reads the mains power after {say(settings.settle, 's')}"
        )

    def acquire(self, settings: StandbyPowerSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Standby before mains comes on, so that nothing is energised that need not be.

        However it ends before the command is taken back, making the bench safe takes it back.
        Raises WiredWrong when the meter reads negative. That the unit draws nothing ends nothing: what
        switches it on next sees whether it is fed.
        """
        driving.silence(bench)
        was_on = bench.mains_switch.is_output_on()
        bench.mains_switch.set_standby(True)
        if not was_on:
            bench.switch_mains(True)
        bench.wait(settings.settle)
        watts = bench.power_meter.read_power_w()
        if not was_on:
            bench.switch_mains(False)
        yield single_reading("standby_power", Role.POWER_METER.value, watts)
        if is_reversed(watts):
            raise WiredWrong(REVERSED)
        bench.energise("unit out of standby")
        bench.mains_switch.set_standby(False)

    def evaluate(
        self, settings: StandbyPowerSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """The power with the meter's accuracy."""
        capture = named(captures, "standby_power")
        if capture is None:
            return []
        watts = float(capture.first[0])
        if (why := _nothing_shown(watts)) is not None:
            return [not_found("standby_power", "W", why)]
        doubt = rectangular(situation.of(Role.POWER_METER).power) * abs(watts)
        return [Finding(name="standby_power", unit="W", value=watts, standard_uncertainty=doubt)]


def _nothing_shown(watts: float) -> str | None:
    """Why a power says nothing of the unit's standby; None where it does."""
    if is_reversed(watts):
        return REVERSED
    if watts >= LEAST_W:
        return None
    return (
        f"{say(watts, 'W')} in standby can't be told from nothing: a plug that is out or a blown fuse "
        "shows the same"
    )
