"""What the multimeter does at the point the router selects."""

import math
from enum import StrEnum

from sim_instruments.device_router import RouterDevice
from sim_instruments.disturbances import Disturbance, Disturbances, DisturbedReadings
from sim_instruments.refusals import Reason, Refused
from sim_instruments.shared_bench import SharedBench

CYCLES_LIMITS = (0.2, 100.0)
COUNT_LIMIT = 100000
RANGES_V = (0.1, 1.0, 10.0, 100.0, 1000.0)
RANGES_OHM = (100.0, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8)

_OVERRANGE = 1.2  # a range reads to 120 % of its name
_READING_S = 0.1  # at one power-line cycle
_CYCLE_S = 0.02


class Function(StrEnum):
    """What is measured."""

    DC = "dc"
    AC = "ac"
    RESISTANCE = "resistance"


class DmmDevice:
    """A multimeter; each reading takes 0.1 s times the number of power-line cycles."""

    def __init__(
        self, bench: SharedBench, router: RouterDevice, disturbances: Disturbances
    ) -> None:
        self._bench = bench
        self._router = router
        self._disturbances = disturbances
        self._disturbed = DisturbedReadings(disturbances)
        self._readings: list[float] | None = None
        self.reset()

    def reset(self) -> None:
        """DC, automatic range, one cycle, one reading."""
        self.function = Function.DC
        self.range: float | None = None
        self.cycles = 1.0
        self.count = 1
        self._readings = None

    def configure(self, function: Function, expected: float | None) -> None:
        """Choose the function and the range that holds what is expected; None is automatic."""
        chosen = None if expected is None else _range(function, expected)
        is_same = function is self.function
        if not (self._disturbances.take(Disturbance.WRONGRANGE) and is_same):
            self.range = chosen
        self.function = function
        self._readings = None

    def set_cycles(self, cycles: float) -> None:
        """Integration in power-line cycles."""
        if not CYCLES_LIMITS[0] <= cycles <= CYCLES_LIMITS[1]:
            raise Refused(Reason.OUT_OF_RANGE)
        self.cycles = cycles

    def set_count(self, count: int) -> None:
        """Readings a start."""
        if not 1 <= count <= COUNT_LIMIT:
            raise Refused(Reason.OUT_OF_RANGE)
        self.count = count

    def start(self) -> None:
        """Take the readings; time passes meanwhile."""
        self._readings = [self._read() for _ in range(self.count)]

    def fetch(self) -> list[float]:
        """The readings taken last; inf for overload. Raises Refused when there are none."""
        if self._readings is None:
            raise Refused(Reason.NOTHING_THERE)
        return self._readings

    def _read(self) -> float:
        self._bench.pass_time(_READING_S * self.cycles)
        return self._disturbed.take(self._convert)

    def _convert(self) -> float:
        value = self._measure(self._router.meter_point)
        limit = math.inf if self.range is None else self.range * _OVERRANGE
        return value if abs(value) <= limit else math.copysign(math.inf, value)

    def _measure(self, point: str | None) -> float:
        world, integration_s = self._bench.world, self.cycles * _CYCLE_S
        if point is None:  # open input
            return math.inf if self.function is Function.RESISTANCE else 0.0
        if self.function is Function.DC:
            return world.dmm_dc_v(point, integration_s)
        if self.function is Function.AC:
            return world.dmm_ac_vrms(point, integration_s)
        return world.dmm_resistance_ohm(point)

    def busy_until_s(self) -> float:
        """Readings are taken while the start command runs."""
        return -math.inf


def _range(function: Function, expected: float) -> float:
    ranges = RANGES_OHM if function is Function.RESISTANCE else RANGES_V
    for candidate in ranges:
        if abs(expected) <= candidate:
            return candidate
    raise Refused(Reason.OUT_OF_RANGE)
