"""What all instruments of the simulated bench share: the world behind them, its clock, one lock.

Every exchange runs with the lock held. In simulated time the clock moves only by requests; in real
time it follows the monotonic clock, caught up with at each request, and whoever waits gives the
lock away meanwhile.
"""

import threading
import time
from collections.abc import Callable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sim_instruments.refusals import Reason, Refused


class RecordLike(Protocol):
    """A record of the world; its channels can be had once the clock has reached end_s."""

    @property
    def end_s(self) -> float:
        """Simulated time at which the last sample is taken."""
        ...

    @property
    def is_overrange(self) -> bool:
        """Whether channel 1 was driven beyond its range."""
        ...

    def channel(self, number: int) -> NDArray[np.float64]:
        """Volts at the input; 1 the measured point, 2 the generator's terminals."""
        ...


class WorldLike(Protocol):
    """What the instruments need of the signal world (units in the names; see its own module)."""

    @property
    def now_s(self) -> float:
        """Simulated seconds since start."""
        ...

    @property
    def mains_on(self) -> bool:
        """Whether the selected unit has mains."""
        ...

    def advance(self, seconds: float) -> None:
        """Let simulated time pass."""
        ...

    def set_fault(self, fault: str | None, unit: int | None = None) -> None:
        """Give both units, or one, a service fault; ValueError names the known ones."""
        ...

    def set_generator(
        self,
        *,
        shape: str | None = None,
        frequency_hz: float | None = None,
        level_vrms: float | None = None,
        second_frequency_hz: float | None = None,
        second_level_vrms: float | None = None,
        offset_v: float | None = None,
        output_on: bool | None = None,
        start_hz: float | None = None,
        stop_hz: float | None = None,
        sweep_s: float | None = None,
    ) -> None:
        """Change any of the generator's settings, as e.m.f."""
        ...

    def play_sweep(self) -> None:
        """Play the sweep once from now."""
        ...

    def set_mains(self, on: bool) -> None:
        """Switch the selected unit's mains."""
        ...

    def set_standby(self, standby: bool) -> None:
        """Command the unit to standby, or out of it."""
        ...

    def select_unit(self, unit: int | None) -> None:
        """Connect a unit to the bench."""
        ...

    def connect_load(self, connected: bool) -> None:
        """Connect the load to the output terminals."""
        ...

    def start_record(
        self,
        *,
        point: str | None,
        samples: int,
        sample_rate_hz: float,
        range_peak_v: float,
        ac_coupled: bool = False,
    ) -> RecordLike:
        """Begin a record at the current simulated time."""
        ...

    def dmm_dc_v(self, point: str, integration_s: float) -> float:
        """Mean voltage at a point."""
        ...

    def dmm_ac_vrms(self, point: str, integration_s: float) -> float:
        """True r.m.s. voltage at a point, DC excluded."""
        ...

    def dmm_resistance_ohm(self, point: str) -> float:
        """Resistance at a point; inf for overload and on a live circuit."""
        ...

    def temperature_c(self, sensor: int) -> float:
        """Temperature of a sensor."""
        ...

    def mains_power_w(self) -> float:
        """Active power the unit draws."""
        ...

    def mains_voltage_vrms(self) -> float:
        """Mains voltage."""
        ...

    def mains_current_a(self) -> float:
        """R.m.s. current the unit draws."""
        ...

    def mains_frequency_hz(self) -> float:
        """Mains frequency."""
        ...


class SharedBench:
    """The world, its clock and the lock around both."""

    def __init__(
        self,
        world: WorldLike,
        *,
        real_time: bool = False,
        monotonic: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.world = world
        self.lock = threading.Lock()
        self.is_real_time = real_time
        self._monotonic = monotonic
        self._sleep = sleep
        self._origin_s = monotonic() - world.now_s

    def catch_up(self) -> None:
        """In real time, bring the world to the present; in simulated time nothing."""
        if self.is_real_time:
            elapsed_s = self._monotonic() - self._origin_s - self.world.now_s
            if elapsed_s > 0:
                self.world.advance(elapsed_s)

    def advance(self, seconds: float) -> None:
        """Move the simulated clock. Raises Refused in real time, which nobody can move."""
        if self.is_real_time:
            raise Refused(Reason.CONFLICT)
        self.world.advance(seconds)

    def wait_until(self, end_s: float) -> None:
        """Let time pass until end_s; the lock, held by the caller, is free during a real wait."""
        if not self.is_real_time:
            if end_s > self.world.now_s:
                self.world.advance(end_s - self.world.now_s)
            return
        while (left_s := end_s - (self._monotonic() - self._origin_s)) > 0:
            self.lock.release()
            try:
                self._sleep(left_s)
            finally:
                self.lock.acquire()
        self.catch_up()

    def pass_time(self, seconds: float) -> None:
        """Let this much time pass, as wait_until does."""
        self.wait_until(self.world.now_s + seconds)
