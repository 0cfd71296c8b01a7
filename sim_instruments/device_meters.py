"""What thermometer and power meter do: readings at once, which take no time on the clock."""

import math

from sim_instruments.disturbances import Disturbances, DisturbedReadings
from sim_instruments.refusals import Reason, Refused
from sim_instruments.shared_bench import SharedBench

SENSORS = (1, 2, 3)
"""1 heatsink of the selected unit, 2 ambient, 3 load."""


class ThermometerDevice:
    """A thermometer with three sensors."""

    def __init__(self, bench: SharedBench, disturbances: Disturbances) -> None:
        self._bench = bench
        self._readings = DisturbedReadings(disturbances)

    def reset(self) -> None:
        """It has no settings."""

    def read_celsius(self, sensor: int) -> float:
        """One reading in degrees Celsius."""
        if sensor not in SENSORS:
            raise Refused(Reason.OUT_OF_RANGE)
        return self._readings.take(lambda: self._bench.world.temperature_c(sensor))

    def busy_until_s(self) -> float:
        """It reads at once."""
        return -math.inf


class PowerMeterDevice:
    """A power meter in the mains lead."""

    def __init__(self, bench: SharedBench, disturbances: Disturbances) -> None:
        self._bench = bench
        self._readings = DisturbedReadings(disturbances)

    def reset(self) -> None:
        """It has no settings."""

    def read_power_w(self) -> float:
        """Active power in watts."""
        return self._readings.take(self._bench.world.mains_power_w)

    def read_voltage_vrms(self) -> float:
        """Mains voltage in V rms."""
        return self._readings.take(self._bench.world.mains_voltage_vrms)

    def read_current_a(self) -> float:
        """R.m.s. current in amperes."""
        return self._readings.take(self._bench.world.mains_current_a)

    def read_frequency_hz(self) -> float:
        """Mains frequency in hertz."""
        return self._readings.take(self._bench.world.mains_frequency_hz)

    def busy_until_s(self) -> float:
        """It reads at once."""
        return -math.inf
