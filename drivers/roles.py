"""What each instrument of the bench can do: role protocols, SI in and SI out.

Steps and the engine know these protocols only. A driver fills one role; whether it talks SCPI-1999,
another tongue through a command map, or something else entirely is the driver's own affair.
Levels of the generator are e.m.f. in V rms (open-circuit voltage), whatever unit the instrument
itself uses.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray


class Role(StrEnum):
    """The parts an instrument can play on the bench."""

    GENERATOR = "generator"
    ANALYSER = "analyser"
    DMM = "dmm"
    ROUTER = "router"
    MAINS_SWITCH = "mains_switch"
    THERMOMETER = "thermometer"
    POWER_METER = "power_meter"


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Who an instrument says it is (the four fields of IEEE 488.2 *IDN?)."""

    manufacturer: str
    model: str
    serial: str
    firmware: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Waveform:
    """One record of the analyser, in volts at its input.

    samples has shape (channels, n): channel 0 the measured point, channel 1 (where the analyser has
    one and it was asked for) the generator's drive, sampled at the same instants.
    """

    samples: NDArray[np.float64]
    sample_rate_hz: float
    range_peak_v: float
    is_overrange: bool


class Instrument(Protocol):
    """What every driver offers, whatever its role."""

    def prepare(self) -> Identity:
        """Check who answers, clear its state and error queue, leave outputs as they are.

        Raises WrongInstrument when another instrument than the expected one answers.
        """
        ...


@runtime_checkable
class Generator(Instrument, Protocol):
    """A signal source. Setting a waveform never switches the output; set_output alone does."""

    def set_sine(self, frequency_hz: float, level_vrms: float, *, offset_v: float = 0.0) -> None:
        """Set a sine of this e.m.f.; level 0 is silence with the source impedance in place."""
        ...

    def set_level(self, level_vrms: float) -> None:
        """Change the level of the waveform that is set."""
        ...

    def set_two_tone(
        self, lower_hz: float, lower_vrms: float, upper_hz: float, upper_vrms: float
    ) -> None:
        """Set the sum of two sines, each with its own e.m.f."""
        ...

    def set_sweep(
        self, start_hz: float, stop_hz: float, duration_s: float, level_vrms: float
    ) -> None:
        """Set one exponential sweep, played once by start_sweep; silence before and after."""
        ...

    def start_sweep(self) -> None:
        """Play the sweep that is set, once, from its start."""
        ...

    def set_programme_noise(self, level_vrms: float) -> None:
        """Set stationary noise with the spectrum of IEC 60268-1 clause 7."""
        ...

    def set_output(self, on: bool) -> None:
        """Switch the output and read back that it obeyed. Switching on is never repeated."""
        ...

    def is_output_on(self) -> bool:
        """State of the output as the instrument reports it."""
        ...

    def source_impedance_ohm(self) -> float:
        """Output impedance as the instrument reports it."""
        ...

    def assumed_load_ohm(self) -> float:
        """Load for which its level display is calibrated; inf for e.m.f. (high impedance)."""
        ...


@runtime_checkable
class Analyser(Instrument, Protocol):
    """A digitiser: records the waveform at its input."""

    def ranges_peak_v(self) -> tuple[float, ...]:
        """Input ranges, volts peak, ascending."""
        ...

    def sample_rates_hz(self) -> tuple[float, ...]:
        """Sample rates on offer, ascending."""
        ...

    def channel_count(self) -> int:
        """1, or 2 when the second channel records the generator's drive."""
        ...

    def set_range(self, peak_v: float) -> float:
        """Take the smallest range that holds peak_v; returns the range taken, read back, V peak.

        Raises ValueError when no range holds it.
        """
        ...

    def start(self, samples: int, sample_rate_hz: float) -> None:
        """Begin a record now and return at once; both settings are read back."""
        ...

    def fetch(self, *, channels: int = 1) -> Waveform:
        """Wait for the record that was started and return it.

        A record that is short, stale (not the one started) or at another rate is UnusableAnswer.
        """
        ...


@runtime_checkable
class Dmm(Instrument, Protocol):
    """A multimeter at the point the router selects."""

    def read_dc_v(self) -> float:
        """One DC reading, volts."""
        ...

    def read_ac_vrms(self) -> float:
        """One AC reading, true r.m.s. volts."""
        ...

    def read_resistance_ohm(self) -> float:
        """One resistance reading; the circuit must be dead."""
        ...


@runtime_checkable
class Router(Instrument, Protocol):
    """Relays, named by channel numbers of the bench file."""

    def close(self, channel: int) -> None:
        """Close one channel and read back that it obeyed."""
        ...

    def open(self, channel: int) -> None:
        """Open one channel and read back that it obeyed."""
        ...

    def is_closed(self, channel: int) -> bool:
        """State of one channel as the router reports it."""
        ...


@runtime_checkable
class MainsSwitch(Instrument, Protocol):
    """Switches the unit's mains, and its standby command where wired."""

    def set_output(self, on: bool) -> None:
        """Switch the mains and read back that it obeyed. Switching on is never repeated."""
        ...

    def is_output_on(self) -> bool:
        """State of the mains output as the instrument reports it."""
        ...

    def set_standby(self, standby: bool) -> None:
        """Command the unit to standby (True) or to operate (False)."""
        ...

    def withdraw_standby(self) -> bool:
        """Command the unit to operate where it is not; whether it was found in standby.

        Where the state can't be asked the command is sent all the same, and False returned. Raises
        OperationMissing where there is no such command.
        """
        ...


@runtime_checkable
class Thermometer(Instrument, Protocol):
    """Temperature at the heatsink."""

    def read_celsius(self) -> float:
        """One reading, degrees Celsius."""
        ...


@runtime_checkable
class PowerMeter(Instrument, Protocol):
    """What the unit draws from the mains."""

    def read_power_w(self) -> float:
        """Active power, watts."""
        ...

    def read_voltage_vrms(self) -> float:
        """Mains voltage, volts r.m.s."""
        ...
