"""What a run has commanded so far, noted on the way through: the guards must know it to judge.

DC at the output means something else before the load is connected, and a level at the output is an
alarm only while nothing drives the unit. The notes are taken before whatever raises and after whatever
lowers, so that in doubt the unit counts as driven.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

from drivers.roles import Analyser, Generator, Identity, MainsSwitch, Waveform


@dataclass(slots=True)
class BenchState:
    """Commanded state; None where nothing was commanded yet.

    drive_marks counts what changed the drive, mains_marks what changed the mains: equal counts mean
    that nothing happened in between.
    """

    emf_vrms: float = 0.0
    offset_v: float = 0.0
    lowest_hz: float = 1000.0
    is_output_on: bool | None = None
    is_mains_on: bool | None = None
    is_standby: bool = False
    is_recording: bool = False
    drive_marks: int = 0
    mains_marks: int = 0

    @property
    def is_driving(self) -> bool:
        """Whether the generator drives the unit."""
        return self.is_output_on is not False and (self.emf_vrms > 0.0 or self.offset_v != 0.0)

    def mains_are(self, on: bool) -> None:
        """The mains were switched."""
        self.mains_marks += 1
        self.is_mains_on = on


class NotedGenerator:
    """A generator whose commands are noted."""

    def __init__(self, inner: Generator, state: BenchState) -> None:
        self._inner = inner
        self._state = state

    def prepare(self) -> Identity:
        """Check who answers."""
        return self._inner.prepare()

    def set_sine(self, frequency_hz: float, level_vrms: float, *, offset_v: float = 0.0) -> None:
        """Set a sine."""
        self._rises(level_vrms, frequency_hz, offset_v)
        self._inner.set_sine(frequency_hz, level_vrms, offset_v=offset_v)
        self._is(level_vrms, frequency_hz, offset_v)

    def set_level(self, level_vrms: float) -> None:
        """Change the level."""
        state = self._state
        self._rises(level_vrms, state.lowest_hz, state.offset_v)
        self._inner.set_level(level_vrms)
        self._is(level_vrms, state.lowest_hz, state.offset_v)

    def set_two_tone(
        self, lower_hz: float, lower_vrms: float, upper_hz: float, upper_vrms: float
    ) -> None:
        """Set two tones."""
        level_vrms = math.hypot(lower_vrms, upper_vrms)
        self._rises(level_vrms, lower_hz, 0.0)
        self._inner.set_two_tone(lower_hz, lower_vrms, upper_hz, upper_vrms)
        self._is(level_vrms, lower_hz, 0.0)

    def set_sweep(
        self, start_hz: float, stop_hz: float, duration_s: float, level_vrms: float
    ) -> None:
        """Set a sweep."""
        lowest_hz = min(start_hz, stop_hz)
        self._rises(level_vrms, lowest_hz, 0.0)
        self._inner.set_sweep(start_hz, stop_hz, duration_s, level_vrms)
        self._is(level_vrms, lowest_hz, 0.0)

    def start_sweep(self) -> None:
        """Play the sweep."""
        self._state.drive_marks += 1
        self._inner.start_sweep()

    def set_programme_noise(self, level_vrms: float) -> None:
        """Set programme noise; its spectrum begins at about 20 Hz."""
        self._rises(level_vrms, 20.0, 0.0)
        self._inner.set_programme_noise(level_vrms)
        self._is(level_vrms, 20.0, 0.0)

    def set_output(self, on: bool) -> None:
        """Switch the output."""
        self._state.drive_marks += 1
        if on:
            self._state.is_output_on = True
        self._inner.set_output(on)
        self._state.is_output_on = on

    def is_output_on(self) -> bool:
        """State of the output."""
        return self._inner.is_output_on()

    def source_impedance_ohm(self) -> float:
        """Output impedance."""
        return self._inner.source_impedance_ohm()

    def assumed_load_ohm(self) -> float:
        """Load its display assumes."""
        return self._inner.assumed_load_ohm()

    def _rises(self, level_vrms: float, lowest_hz: float, offset_v: float) -> None:
        state = self._state
        state.drive_marks += 1
        state.emf_vrms = max(state.emf_vrms, level_vrms)
        state.lowest_hz = min(state.lowest_hz, lowest_hz) if state.emf_vrms else lowest_hz
        state.offset_v = offset_v or state.offset_v

    def _is(self, level_vrms: float, lowest_hz: float, offset_v: float) -> None:
        state = self._state
        state.emf_vrms, state.lowest_hz, state.offset_v = level_vrms, lowest_hz, offset_v


class NotedMainsSwitch:
    """A mains switch whose commands are noted."""

    def __init__(self, inner: MainsSwitch, state: BenchState) -> None:
        self._inner = inner
        self._state = state

    def prepare(self) -> Identity:
        """Check who answers."""
        return self._inner.prepare()

    def set_output(self, on: bool) -> None:
        """Switch the mains."""
        self._state.mains_marks += 1
        if on:
            self._state.is_mains_on = True
        self._inner.set_output(on)
        self._state.is_mains_on = on

    def is_output_on(self) -> bool:
        """State of the mains."""
        return self._inner.is_output_on()

    def set_standby(self, standby: bool) -> None:
        """Standby or operate."""
        self._state.mains_marks += 1
        self._state.is_standby = True
        self._inner.set_standby(standby)
        self._state.is_standby = standby

    def withdraw_standby(self) -> bool:
        """Operate, where the unit is in standby."""
        was_found = self._inner.withdraw_standby()
        self._state.mains_marks += was_found
        self._state.is_standby = False
        return was_found


class NotedAnalyser:
    """An analyser of which is noted whether a record runs.

    on_start hears of a record's length, s, once it has begun; on_wait is called before the fetch.
    """

    def __init__(
        self,
        inner: Analyser,
        state: BenchState,
        on_start: Callable[[float], None],
        on_wait: Callable[[], None],
    ) -> None:
        self._inner = inner
        self._state = state
        self._on_start = on_start
        self._on_wait = on_wait

    def prepare(self) -> Identity:
        """Check who answers."""
        return self._inner.prepare()

    def ranges_peak_v(self) -> tuple[float, ...]:
        """Input ranges."""
        return self._inner.ranges_peak_v()

    def sample_rates_hz(self) -> tuple[float, ...]:
        """Sample rates."""
        return self._inner.sample_rates_hz()

    def channel_count(self) -> int:
        """Channels."""
        return self._inner.channel_count()

    def set_range(self, peak_v: float) -> float:
        """Take a range."""
        return self._inner.set_range(peak_v)

    def start(self, samples: int, sample_rate_hz: float) -> None:
        """Begin a record."""
        self._state.is_recording = True
        try:
            self._inner.start(samples, sample_rate_hz)
        except Exception:
            self._state.is_recording = False
            raise
        self._on_start(samples / sample_rate_hz)

    def fetch(self, *, channels: int = 1) -> Waveform:
        """Wait for the record that was started."""
        try:
            self._on_wait()
            return self._inner.fetch(channels=channels)
        finally:
            self._state.is_recording = False
