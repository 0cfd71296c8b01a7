"""What the mains switch does: power to the selected unit, and its standby command."""

import math

from sim_instruments.disturbances import Disturbance, Disturbances
from sim_instruments.shared_bench import SharedBench


class MainsSwitchDevice:
    """A switched mains outlet with a standby line."""

    def __init__(self, bench: SharedBench, disturbances: Disturbances) -> None:
        self._bench = bench
        self._disturbances = disturbances
        self.is_output_on = False
        self.is_standby = False

    def reset(self) -> None:
        """Mains off, operate."""
        self.set_output(False)
        self.set_standby(False)

    def set_output(self, on: bool) -> None:
        """Switch the mains."""
        if self._disturbances.take(Disturbance.STUCKRELAY):
            return
        self.is_output_on = on
        self._bench.world.set_mains(on)

    def set_standby(self, standby: bool) -> None:
        """Command the unit to standby (True) or to operate (False)."""
        if self._disturbances.take(Disturbance.STUCKRELAY):
            return
        self.is_standby = standby
        self._bench.world.set_standby(standby)

    def busy_until_s(self) -> float:
        """It switches at once."""
        return -math.inf
