"""What the relay router does: which unit is on the bench, the load, and the measured points."""

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import TypeVar

from sim_instruments.device_generator import GeneratorDevice
from sim_instruments.disturbances import Disturbance, Disturbances
from sim_instruments.refusals import Reason, Refused
from sim_instruments.shared_bench import SharedBench

T = TypeVar("T")

UNITS = MappingProxyType({101: 1, 102: 2})
LOAD = 201
METER_POINTS = MappingProxyType(
    {
        301: "output",
        302: "bias",
        303: "rail_positive",
        304: "rail_negative",
        305: "low_positive",
        306: "low_negative",
        307: "chassis_positive",
        308: "chassis_negative",
        309: "load",
    }
)
ANALYSER_POINTS = MappingProxyType({401: "output", 402: "loop", 403: "tap"})
CHANNELS = (*UNITS, LOAD, *METER_POINTS, *ANALYSER_POINTS)
AT_START = frozenset({101, 201, 301, 401})

_GROUPS = (frozenset(UNITS), frozenset(METER_POINTS), frozenset(ANALYSER_POINTS))


class RouterDevice:
    """Relays in exclusive groups; units and load move only when the bench is quiet enough."""

    def __init__(
        self, bench: SharedBench, generator: GeneratorDevice, disturbances: Disturbances
    ) -> None:
        self._bench = bench
        self._generator = generator
        self._disturbances = disturbances
        self._closed = AT_START
        self._push()

    def _push(self) -> None:
        self._bench.world.select_unit(self._chosen(UNITS))
        self._bench.world.connect_load(LOAD in self._closed)

    def _chosen(self, points: Mapping[int, T]) -> T | None:
        return next((points[channel] for channel in self._closed if channel in points), None)

    @property
    def meter_point(self) -> str | None:
        """The point the multimeter is connected to."""
        return self._chosen(METER_POINTS)

    @property
    def analyser_point(self) -> str | None:
        """The point the analyser's channel 1 is connected to."""
        return self._chosen(ANALYSER_POINTS)

    def closed(self) -> list[int]:
        """The closed channels, ascending."""
        return sorted(self._closed)

    def is_closed(self, channel: int) -> bool:
        """State of one channel."""
        return channel in self._closed

    def reset(self) -> None:
        """Unit 1, load, and both instruments at the output terminals."""
        self._move(AT_START)

    def close(self, channels: list[int]) -> None:
        """Close channels in this order, each one opening the others of its group."""
        wanted = self._closed
        for channel in channels:
            group = next((group for group in _GROUPS if channel in group), frozenset())
            wanted = (wanted - group) | {channel}
        self._move(wanted)

    def open(self, channels: list[int]) -> None:
        """Open channels."""
        self._move(self._closed - frozenset(channels))

    def _move(self, wanted: frozenset[int]) -> None:
        """Take a new state as a whole. Raises Refused, with nothing moved, on a live bench."""
        moving = wanted ^ self._closed
        is_live = self._bench.world.mains_on or self._generator.is_output_on
        if moving & UNITS.keys() and is_live:
            raise Refused(Reason.CONFLICT)
        if LOAD in moving and self._generator.is_driving:
            raise Refused(Reason.CONFLICT)
        if moving and self._disturbances.take(Disturbance.STUCKRELAY):
            return
        self._closed = wanted
        if moving & UNITS.keys():
            self._bench.world.select_unit(self._chosen(UNITS))
        if LOAD in moving:
            self._bench.world.connect_load(LOAD in wanted)

    def busy_until_s(self) -> float:
        """Relays are ready at once."""
        return -math.inf
