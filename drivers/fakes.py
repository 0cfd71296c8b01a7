"""Instruments in memory for tests of what stands above the drivers: no socket, no tongue, no time.

Each fills its role, remembers every call, and fails where a test tells it to. The analyser gets its
waveform from a function that the test provides, so the truth stays in the test.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drivers.roles import Identity, Role, Waveform

Render = Callable[[int, float], NDArray[np.float64]]
"""Samples and sample rate to volts, shape (channels, samples)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One call of a role method; arguments in the order of the role."""

    method: str
    arguments: tuple[object, ...] = ()


class FakeInstrument:
    """What every fake can do: remember calls and fail on demand."""

    role: Role

    def __init__(self, *, calls: list[Call] | None = None) -> None:
        self.calls: list[Call] = [] if calls is None else calls
        self._failures: dict[str, list[BaseException | None]] = {}

    def fail(self, method: str, *errors: BaseException | None) -> None:
        """Let the next calls of a method raise these errors in turn; None lets one succeed."""
        self._failures.setdefault(method, []).extend(errors)

    def prepare(self) -> Identity:
        """Say who this is."""
        self._called("prepare")
        return Identity(
            manufacturer="Steadybench Simulated",
            model=f"Fake {self.role}",
            serial="0",
            firmware="0",
        )

    def called(self, method: str) -> list[tuple[object, ...]]:
        """Arguments of every call of one method so far."""
        return [call.arguments for call in self.calls if call.method == method]

    def _called(self, method: str, *arguments: object) -> None:
        self.calls.append(Call(method=method, arguments=arguments))
        waiting = self._failures.get(method)
        error = waiting.pop(0) if waiting else None
        if error is not None:
            raise error


@dataclass(frozen=True, slots=True, kw_only=True)
class FakeSignal:
    """What a fake generator is set to; kind is sine, two_tone, sweep or noise."""

    kind: str = "sine"
    level_vrms: float = 0.0
    frequencies_hz: tuple[float, ...] = (1000.0,)
    levels_vrms: tuple[float, ...] = (0.0,)
    offset_v: float = 0.0
    duration_s: float = 0.0


class FakeGenerator(FakeInstrument):
    """A generator in memory; signal and is_on show its state."""

    role = Role.GENERATOR

    def __init__(
        self,
        *,
        source_ohm: float = 50.0,
        load_ohm: float = np.inf,
        calls: list[Call] | None = None,
    ) -> None:
        super().__init__(calls=calls)
        self.signal = FakeSignal()
        self.is_on = False
        self.sweeps_played = 0
        self._source_ohm = source_ohm
        self._load_ohm = load_ohm

    def set_sine(self, frequency_hz: float, level_vrms: float, *, offset_v: float = 0.0) -> None:
        """Set a sine of this e.m.f."""
        self._called("set_sine", frequency_hz, level_vrms, offset_v)
        self.signal = FakeSignal(
            level_vrms=level_vrms,
            frequencies_hz=(frequency_hz,),
            levels_vrms=(level_vrms,),
            offset_v=offset_v,
        )

    def set_level(self, level_vrms: float) -> None:
        """Change the level; of two tones, the r.m.s. of their sum."""
        self._called("set_level", level_vrms)
        before = self.signal
        share = np.array(before.levels_vrms) / before.level_vrms if before.level_vrms else None
        even = 1.0 / np.sqrt(len(before.levels_vrms))
        levels = [even] * len(before.levels_vrms) if share is None else share.tolist()
        self.signal = FakeSignal(
            kind=before.kind,
            level_vrms=level_vrms,
            frequencies_hz=before.frequencies_hz,
            levels_vrms=tuple(level_vrms * each for each in levels),
            offset_v=before.offset_v,
            duration_s=before.duration_s,
        )

    def set_two_tone(
        self, lower_hz: float, lower_vrms: float, upper_hz: float, upper_vrms: float
    ) -> None:
        """Set the sum of two sines."""
        self._called("set_two_tone", lower_hz, lower_vrms, upper_hz, upper_vrms)
        self.signal = FakeSignal(
            kind="two_tone",
            level_vrms=float(np.hypot(lower_vrms, upper_vrms)),
            frequencies_hz=(lower_hz, upper_hz),
            levels_vrms=(lower_vrms, upper_vrms),
        )

    def set_sweep(
        self, start_hz: float, stop_hz: float, duration_s: float, level_vrms: float
    ) -> None:
        """Set one exponential sweep."""
        self._called("set_sweep", start_hz, stop_hz, duration_s, level_vrms)
        self.signal = FakeSignal(
            kind="sweep",
            level_vrms=level_vrms,
            frequencies_hz=(start_hz, stop_hz),
            levels_vrms=(level_vrms,),
            duration_s=duration_s,
        )

    def start_sweep(self) -> None:
        """Play the sweep once."""
        self._called("start_sweep")
        self.sweeps_played += 1

    def set_programme_noise(self, level_vrms: float) -> None:
        """Set programme noise."""
        self._called("set_programme_noise", level_vrms)
        self.signal = FakeSignal(
            kind="noise", level_vrms=level_vrms, frequencies_hz=(), levels_vrms=(level_vrms,)
        )

    def set_output(self, on: bool) -> None:
        """Switch the output."""
        self._called("set_output", on)
        self.is_on = on

    def is_output_on(self) -> bool:
        """State of the output."""
        self._called("is_output_on")
        return self.is_on

    def source_impedance_ohm(self) -> float:
        """Output impedance."""
        self._called("source_impedance_ohm")
        return self._source_ohm

    def assumed_load_ohm(self) -> float:
        """Load for which its level display is calibrated."""
        self._called("assumed_load_ohm")
        return self._load_ohm


class FakeAnalyser(FakeInstrument):
    """An analyser in memory; render gives the volts at its inputs, clipped to the range.

    on_record gets the duration of each record when it is fetched, to move a test's clock.
    """

    role = Role.ANALYSER

    def __init__(
        self,
        render: Render,
        *,
        ranges_peak_v: Iterable[float] = (1.0, 3.0, 10.0, 30.0, 100.0),
        sample_rates_hz: Iterable[float] = (1e3, 8e3, 48e3, 96e3, 192e3, 1.25e6),
        channels: int = 2,
        on_record: Callable[[float], None] | None = None,
        calls: list[Call] | None = None,
    ) -> None:
        super().__init__(calls=calls)
        self.range_peak_v = max(ranges_peak_v := tuple(ranges_peak_v))
        self._render = render
        self._ranges_peak_v = tuple(sorted(ranges_peak_v))
        self._sample_rates_hz = tuple(sorted(sample_rates_hz))
        self._channels = channels
        self._on_record = on_record
        self._record: tuple[NDArray[np.float64], float] | None = None

    def ranges_peak_v(self) -> tuple[float, ...]:
        """Input ranges, volts peak, ascending."""
        return self._ranges_peak_v

    def sample_rates_hz(self) -> tuple[float, ...]:
        """Sample rates on offer, ascending."""
        return self._sample_rates_hz

    def channel_count(self) -> int:
        """Number of channels."""
        return self._channels

    def set_range(self, peak_v: float) -> float:
        """Take the smallest range that holds peak_v. Raises ValueError when none does."""
        self._called("set_range", peak_v)
        holding = [each for each in self._ranges_peak_v if each >= peak_v * (1 - 1e-9)]
        if not holding:
            raise ValueError(f"peak_v is {peak_v}, no range holds it")
        self.range_peak_v = holding[0]
        return self.range_peak_v

    def start(self, samples: int, sample_rate_hz: float) -> None:
        """Render the record at once."""
        self._called("start", samples, sample_rate_hz)
        if samples < 1:
            raise ValueError(f"samples is {samples}, must be 1 or more")
        self._record = np.atleast_2d(self._render(samples, sample_rate_hz)), sample_rate_hz

    def fetch(self, *, channels: int = 1) -> Waveform:
        """Return the record that was started."""
        self._called("fetch", channels)
        if self._record is None:
            raise ValueError("no record was started")
        if not 1 <= channels <= self._channels:
            raise ValueError(f"channels is {channels}, must be 1 to {self._channels}")
        volts, sample_rate_hz = self._record
        if self._on_record is not None:
            self._on_record(volts.shape[1] / sample_rate_hz)
        return Waveform(
            samples=np.clip(volts[:channels], -self.range_peak_v, self.range_peak_v),
            sample_rate_hz=sample_rate_hz,
            range_peak_v=self.range_peak_v,
            is_overrange=bool(np.max(np.abs(volts[0])) > self.range_peak_v),
        )


@dataclass(slots=True, kw_only=True)
class FakeReadings:
    """What fake meters show; change it as the test goes on."""

    dc_v: float = 0.0
    ac_vrms: float = 0.0
    resistance_ohm: float = 8.0
    celsius: float = 25.0
    power_w: float = 30.0
    mains_vrms: float = 230.0


class FakeDmm(FakeInstrument):
    """A multimeter in memory; readings holds what it shows."""

    role = Role.DMM

    def __init__(
        self, readings: FakeReadings | None = None, *, calls: list[Call] | None = None
    ) -> None:
        super().__init__(calls=calls)
        self.readings = readings or FakeReadings()

    def read_dc_v(self) -> float:
        """One DC reading."""
        self._called("read_dc_v")
        return self.readings.dc_v

    def read_ac_vrms(self) -> float:
        """One AC reading."""
        self._called("read_ac_vrms")
        return self.readings.ac_vrms

    def read_resistance_ohm(self) -> float:
        """One resistance reading."""
        self._called("read_resistance_ohm")
        return self.readings.resistance_ohm


@dataclass(slots=True)
class _Relays:
    closed: set[int] = field(default_factory=set)
    exclusive: tuple[frozenset[int], ...] = ()


class FakeRouter(FakeInstrument):
    """Relays in memory; closing one of an exclusive group opens its others."""

    role = Role.ROUTER

    def __init__(
        self,
        *,
        closed: Iterable[int] = (),
        exclusive: Iterable[Iterable[int]] = (),
        calls: list[Call] | None = None,
    ) -> None:
        super().__init__(calls=calls)
        groups = tuple(frozenset(group) for group in exclusive)
        self._relays = _Relays(closed=set(closed), exclusive=groups)

    @property
    def closed(self) -> frozenset[int]:
        """Channels that are closed."""
        return frozenset(self._relays.closed)

    def close(self, channel: int) -> None:
        """Close one channel."""
        self._called("close", channel)
        for group in self._relays.exclusive:
            if channel in group:
                self._relays.closed -= group
        self._relays.closed.add(channel)

    def open(self, channel: int) -> None:
        """Open one channel."""
        self._called("open", channel)
        self._relays.closed.discard(channel)

    def is_closed(self, channel: int) -> bool:
        """State of one channel."""
        self._called("is_closed", channel)
        return channel in self._relays.closed


class FakeMainsSwitch(FakeInstrument):
    """A mains switch in memory."""

    role = Role.MAINS_SWITCH

    def __init__(self, *, calls: list[Call] | None = None) -> None:
        super().__init__(calls=calls)
        self.is_on = False
        self.is_standby = False

    def set_output(self, on: bool) -> None:
        """Switch the mains."""
        self._called("set_output", on)
        self.is_on = on

    def is_output_on(self) -> bool:
        """State of the mains."""
        self._called("is_output_on")
        return self.is_on

    def set_standby(self, standby: bool) -> None:
        """Command the unit to standby or to operate."""
        self._called("set_standby", standby)
        self.is_standby = standby

    def withdraw_standby(self) -> bool:
        """Command the unit to operate; whether it was in standby."""
        self._called("withdraw_standby")
        was, self.is_standby = self.is_standby, False
        return was


class FakeThermometer(FakeInstrument):
    """A thermometer in memory."""

    role = Role.THERMOMETER

    def __init__(
        self, readings: FakeReadings | None = None, *, calls: list[Call] | None = None
    ) -> None:
        super().__init__(calls=calls)
        self.readings = readings or FakeReadings()

    def read_celsius(self) -> float:
        """One reading."""
        self._called("read_celsius")
        return self.readings.celsius


class FakePowerMeter(FakeInstrument):
    """A power meter in memory."""

    role = Role.POWER_METER

    def __init__(
        self, readings: FakeReadings | None = None, *, calls: list[Call] | None = None
    ) -> None:
        super().__init__(calls=calls)
        self.readings = readings or FakeReadings()

    def read_power_w(self) -> float:
        """Active power."""
        self._called("read_power_w")
        return self.readings.power_w

    def read_voltage_vrms(self) -> float:
        """Mains voltage."""
        self._called("read_voltage_vrms")
        return self.readings.mains_vrms
