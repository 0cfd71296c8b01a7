"""Kinds `power_on` and `power_off`: the unit's mains, switched the careful way.

Order of the bench (common practice, no source): nothing drives the input, the load is off, mains on, the
DC at the output is looked at, and only then comes the load, by its relay or by the operator's hand.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from drivers.roles import Role
from sequencer.analysis.estimates import Estimate
from sequencer.captures import Capture, named, single_reading
from sequencer.limits import Limit, rectangular
from sequencer.quantities import Duration, PositiveVoltage, at_most
from sequencer.steps import driving
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Leaves,
    Situation,
    StepKind,
    StepSettings,
    WiredWrong,
    found,
    not_found,
    say,
)
from sequencer.steps.bounds import SwitchOnTime
from sequencer.steps.registry import register
from sequencer.steps.stops import STOP, stop_mistakes
from sequencer.unit_data import REVERSED, UnitData, is_off, is_reversed

DC_READINGS = 5
LOAD_SETTLE_S = 1.0


# What only a power meter shows.
MAINS_READINGS: Mapping[str, tuple[Role, str]] = {
    "mains_power": (Role.POWER_METER, "read_power_w"),
    "mains_voltage": (Role.POWER_METER, "read_voltage_vrms"),
}

# Units cut their own output off at this or less (common practice, no source).
DcStop = Annotated[PositiveVoltage, at_most("5 V", "voltage"), STOP]


class PowerOnSettings(StepSettings):
    """Mains on, with the DC at the output checked before the load is connected."""

    settle: SwitchOnTime = Field(default=10.0, description="time from mains on to the DC check")
    dc_stop: DcStop = Field(
        default=0.1, description="a DC beyond this stops the run before the load is connected"
    )


@register
class PowerOn(StepKind[PowerOnSettings]):
    """Mains on, with the DC at the output checked before the load is connected."""

    name = "power_on"
    settings = PowerOnSettings
    is_vital = True  # without the DC check there is no load, and powers would be wrong numbers
    readings: ClassVar[Mapping[str, str]] = {
        "dc_offset": "V",
        "mains_power": "W",
        "mains_voltage": "V",
    }

    def leaves(self, settings: PowerOnSettings) -> Leaves | None:
        """On, with its load."""
        return Leaves.ON

    def demand(self, settings: PowerOnSettings, unit: UnitData) -> Demand:
        """A meter for the DC; mains switch, power meter and load relay where there are."""
        return Demand(
            roles=frozenset({Role.GENERATOR, Role.ANALYSER, Role.DMM}),
            helpful_roles=frozenset({Role.MAINS_SWITCH, Role.POWER_METER}),
            by_hand_without=Role.MAINS_SWITCH,
            readings_by=MAINS_READINGS,
            duration_s=settings.settle + LOAD_SETTLE_S,
        )

    def check_limits(self, settings: PowerOnSettings, limits: Mapping[str, Limit]) -> list[str]:
        """The stop lies beyond the limit."""
        return stop_mistakes("dc_stop", settings.dc_stop, limits.get("dc_offset"))

    def describe(self, settings: PowerOnSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return (
            f"switches the mains on with the input silent, waits {say(settings.settle, 's')}, "
            f"stops if the DC at the output exceeds {say(settings.dc_stop, 'V')}, "
            "then connects the load"
        )

    def acquire(self, settings: PowerOnSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Silence, load off, mains on, DC check, load on."""
        ready_for_mains(bench)
        bench.switch_mains(True)
        bench.wait(settings.settle)
        yield from load_after_dc(bench, settings.dc_stop)
        yield from mains_captures(bench)

    def evaluate(
        self, settings: PowerOnSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """The DC at the unloaded output, and what the unit draws."""
        findings = []
        if dc := named(captures, "dc"):
            findings.append(dc_finding(dc, situation))
        return [*findings, *mains_findings(captures, situation)]


class PowerOffSettings(StepSettings):
    """Drive to zero, then mains off."""

    rest: Duration = Field(default=0.0, ge=0, description="time to wait after mains off")


@register
class PowerOff(StepKind[PowerOffSettings]):
    """Drive to zero, then mains off."""

    name = "power_off"
    settings = PowerOffSettings
    is_vital = True  # what follows relies on a dead unit

    def leaves(self, settings: PowerOffSettings) -> Leaves | None:
        """Off."""
        return Leaves.OFF

    def demand(self, settings: PowerOffSettings, unit: UnitData) -> Demand:
        """A generator to silence; the mains switch where there is one."""
        return Demand(
            roles=frozenset({Role.GENERATOR, Role.ANALYSER}),
            helpful_roles=frozenset({Role.MAINS_SWITCH}),
            by_hand_without=Role.MAINS_SWITCH,
            duration_s=settings.rest,
        )

    def describe(self, settings: PowerOffSettings, unit: UnitData) -> str:
        """What happens, in words."""
        rest = f", then rests for {say(settings.rest, 's')}" if settings.rest else ""
        return f"takes the drive to zero and switches the mains off{rest}"

    def acquire(self, settings: PowerOffSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Silence, mains off, rest."""
        driving.highest_range(bench.analyser)
        bench.generator.set_level(0.0)
        bench.switch_mains(False)
        bench.wait(settings.rest)
        yield from ()

    def evaluate(
        self, settings: PowerOffSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Nothing to find."""
        return []


def ready_for_mains(bench: BenchAccess) -> None:
    """Input silent, analyser on its highest range, meters at the output, load off."""
    bench.await_mains_rest()
    driving.silence(bench)
    driving.highest_range(bench.analyser)
    _meters_at_output(bench)
    bench.remove_load()


def dc_readings(bench: BenchAccess, count: int, stop_v: float | None = None) -> list[float]:
    """Readings of the meter, the guards looking in between; the last is the first beyond stop_v."""
    values: list[float] = []
    while len(values) < count:
        values.append(bench.dmm.read_dc_v())
        if stop_v is not None and abs(values[-1]) > stop_v:
            break
        bench.look()
    return values


def load_after_dc(bench: BenchAccess, dc_stop_v: float) -> Iterator[Capture]:
    """Readings of the DC at the unloaded output; then the load.

    Raises WiredWrong when the DC exceeds dc_stop_v: the load stays off.
    """
    dc = np.array([[bench.dmm.read_dc_v() for _ in range(DC_READINGS)]])
    yield Capture(name="dc", role=Role.DMM.value, samples=dc)
    if (worst := float(np.max(np.abs(dc)))) > dc_stop_v:
        load = "the load stays off" if bench.has_route("load") else "no load may stay connected"
        raise WiredWrong(
            f"{say(worst, 'V')} DC at the output exceeds {say(dc_stop_v, 'V')}; "
            f"{load}; look for a fault in the unit before going on"
        )
    _meters_at_output(bench)
    bench.connect_load()
    bench.wait(LOAD_SETTLE_S)


def mains_captures(bench: BenchAccess) -> Iterator[Capture]:
    """What the unit draws and the voltage it draws it from, where the bench has a power meter.

    Raises WiredWrong when it draws nothing: a unit that is off has no DC, no hum and no noise either;
    and when the meter reads negative.
    """
    if not bench.has(Role.POWER_METER):
        return
    meter, role = bench.power_meter, Role.POWER_METER.value
    watts = meter.read_power_w()
    yield single_reading("mains_power", role, watts)
    if bench.can(Role.POWER_METER, "read_voltage_vrms"):
        yield single_reading("mains_voltage", role, meter.read_voltage_vrms())
    if is_reversed(watts):
        raise WiredWrong(REVERSED)
    if is_off(watts):
        raise WiredWrong(
            f"the unit draws {say(watts, 'W')} from the mains, so it is not on: its switch, standby "
            "or a blown fuse; look (mains unplugged, capacitors discharged) before going on"
        )


def mains_findings(captures: Sequence[Capture], situation: Situation) -> list[Finding]:
    """Power and voltage of the mains with the meter's doubt, as far as they were captured."""
    accuracy = situation.of(Role.POWER_METER)
    findings = []
    for name, unit, relative in (
        ("mains_power", "W", accuracy.power),
        ("mains_voltage", "V", accuracy.voltage),
    ):
        if capture := named(captures, name):
            value = float(capture.first[0])
            if name == "mains_power" and is_reversed(value):
                findings.append(not_found(name, unit, REVERSED))
                continue
            doubt = rectangular(relative) * abs(value)
            findings.append(Finding(name=name, unit=unit, value=value, standard_uncertainty=doubt))
    return findings


def dc_finding(capture: Capture, situation: Situation, name: str = "dc_offset") -> Finding:
    """DC offset from readings of the meter: mean, scatter and the meter's accuracy.

    Standard uncertainty of the mean after JCGM 100:2008, 4.2.3; accuracy as rectangular half-width,
    4.3.7.
    """
    values = capture.first
    mean = float(np.mean(values))
    scatter = float(np.std(values, ddof=1) / np.sqrt(values.size)) if values.size > 1 else 0.0
    meter = situation.of(Role.DMM)
    return found(
        name,
        "V",
        Estimate(value=mean, standard_uncertainty=scatter),
        rectangular(meter.dc_v),
        rectangular(meter.dc_relative) * abs(mean),
    )


def _meters_at_output(bench: BenchAccess) -> None:
    """Meter and analyser at the output, where the router puts them there."""
    for route in ("meter_output", "analyser_output"):
        if bench.has_route(route):
            bench.connect(route)
