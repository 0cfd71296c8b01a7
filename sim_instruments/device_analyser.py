"""What the analyser does: ranges, records, and how a record can go wrong."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim_instruments.device_router import RouterDevice
from sim_instruments.disturbances import Disturbance, Disturbances
from sim_instruments.refusals import Reason, Refused
from sim_instruments.shared_bench import RecordLike, SharedBench

RANGES_PEAK_V = (1.0, 3.0, 10.0, 30.0, 100.0)
SAMPLE_RATES_HZ = (1e3, 8e3, 48e3, 96e3, 192e3, 1.25e6)
SAMPLE_LIMITS = (16, 4194304)
CHANNELS = (1, 2)

_DROPPED_SHARE = 50  # one fiftieth of the samples is lost


@dataclass(frozen=True, slots=True, kw_only=True)
class _Taken:
    """A record as the instrument knows it; dropped samples were lost in its middle."""

    record: RecordLike
    samples: int
    sample_rate_hz: float
    range_peak_v: float
    dropped: int
    has_nan: bool


class AnalyserDevice:
    """A two-channel digitiser: channel 1 where the router puts it, 2 at the generator."""

    def __init__(
        self, bench: SharedBench, router: RouterDevice, disturbances: Disturbances
    ) -> None:
        self._bench = bench
        self._router = router
        self._disturbances = disturbances
        self.count = 0
        self._defaults()

    def _defaults(self) -> None:
        self.range_peak_v = RANGES_PEAK_V[-1]
        self.samples = 4096
        self.sample_rate_hz = 96e3
        self.is_ac_coupled = False
        self._taken: _Taken | None = None

    def reset(self) -> None:
        """Widest range, 4096 samples at 96 kHz, DC coupled; a running record is given up."""
        self._defaults()

    def set_range(self, peak_v: float) -> None:
        """Take the next range that holds peak_v. Raises Refused above the widest."""
        chosen = next((candidate for candidate in RANGES_PEAK_V if candidate >= abs(peak_v)), None)
        if chosen is None:
            raise Refused(Reason.OUT_OF_RANGE)
        if not self._disturbances.take(Disturbance.WRONGRANGE):
            self.range_peak_v = chosen

    def set_samples(self, samples: int) -> None:
        """Length of the next record."""
        if not SAMPLE_LIMITS[0] <= samples <= SAMPLE_LIMITS[1]:
            raise Refused(Reason.OUT_OF_RANGE)
        self.samples = samples

    def set_sample_rate(self, sample_rate_hz: float) -> None:
        """One of SAMPLE_RATES_HZ. Raises Refused for another."""
        if sample_rate_hz not in SAMPLE_RATES_HZ:
            raise Refused(Reason.ILLEGAL_VALUE)
        self.sample_rate_hz = sample_rate_hz

    def set_ac_coupled(self, is_ac_coupled: bool) -> None:
        """Input coupling of channel 1."""
        self.is_ac_coupled = is_ac_coupled

    def start(self) -> None:
        """Begin a record now. Raises Refused while one is running."""
        if self.is_running():
            raise Refused(Reason.START_IGNORED)
        if self._taken is not None and self._disturbances.take(Disturbance.STALE):
            return
        is_half = self._disturbances.take(Disturbance.HALFRATE)
        is_dropping = self._disturbances.take(Disturbance.DROPPED)
        dropped = max(1, self.samples // _DROPPED_SHARE) if is_dropping else 0
        record = self._bench.world.start_record(
            point=self._router.analyser_point,
            samples=self.samples + dropped,
            sample_rate_hz=self.sample_rate_hz / 2 if is_half else self.sample_rate_hz,
            range_peak_v=self.range_peak_v,
            ac_coupled=self.is_ac_coupled,
        )
        self._taken = _Taken(
            record=record,
            samples=self.samples,
            sample_rate_hz=self.sample_rate_hz,
            range_peak_v=self.range_peak_v,
            dropped=dropped,
            has_nan=self._disturbances.take(Disturbance.NAN),
        )
        self.count += 1

    def abort(self) -> None:
        """Give up a running record; a finished one stays."""
        if self.is_running():
            self._taken = None

    def is_running(self) -> bool:
        """Whether a record is being taken."""
        return self._bench.world.now_s < self.busy_until_s()

    def busy_until_s(self) -> float:
        """When the record that was started ends."""
        return -math.inf if self._taken is None else self._taken.record.end_s

    def recorded(self) -> tuple[int, float]:
        """Samples and sample rate of the last record, as commanded when it was started."""
        taken = self._last()
        return taken.samples, taken.sample_rate_hz

    def recorded_range_peak_v(self) -> float:
        """Input range of the last record, in V peak."""
        return self._last().range_peak_v

    def is_overrange(self) -> bool:
        """Whether the last finished record was driven beyond its range."""
        if self._taken is None or self.is_running():
            return False
        return self._taken.record.is_overrange

    def waveform(self, channel: int) -> NDArray[np.float64]:
        """Volts of the last record, waiting for its end; shape (samples,)."""
        taken = self._last()
        self._bench.wait_until(taken.record.end_s)
        volts = taken.record.channel(channel)
        if taken.dropped:
            first = taken.samples // 2
            volts = np.concatenate((volts[:first], volts[first + taken.dropped :]))
        if taken.has_nan:
            volts = volts.copy()
            volts[len(volts) // 3] = np.nan
        return volts

    def _last(self) -> _Taken:
        if self._taken is None:
            raise Refused(Reason.NOTHING_THERE)
        return self._taken
