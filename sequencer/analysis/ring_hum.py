"""Hum beside what rings: its frequency, and the lines that a fit of the modes takes with it.

Theory of operation. Mains lines are steady before the hit and after the decay, at multiples of one
frequency. So they are looked for in the record with each moment weighted by what is strong there:
the ringing, which would hide them, counts little while it is strong. What the ringing still bends in
these amplitudes does no harm: they are fitted again with the modes, jointly, so that a mode's doubt
holds what hum beside it costs. Only the frequency is taken over, and the fit may correct it.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Phasors, Samples
from sequencer.analysis.damped_modes import damped_waves
from sequencer.analysis.mains import HIGHEST_LINE_HZ, find_mains
from sequencer.analysis.tap_hits import low_passed, rate_factor

_BLOCK_S = 0.02  # a cycle of 50 Hz
_FEWEST_BLOCKS = 5
_FEWEST_LINES = 10  # as a mode may hide some
_FURTHER_LINES = 2  # beyond the highest seen, likewise
_TOP = 0.49  # of the rate
_MOST_STEPS = 10
AT_REST_RAD = 1e-3  # that the highest line turns


@dataclass(frozen=True, slots=True, kw_only=True)
class RingHum:
    """Hum: its frequency, and its lines at the multiples 1, 2, ..., peak volts at the record's start."""

    frequency_hz: float
    amplitude: Phasors

    @property
    def poles(self) -> Phasors:
        """2 pi i f of each line."""
        omega = 2 * np.pi * self.frequency_hz * np.arange(1, self.amplitude.size + 1)
        return np.asarray(1j * omega)

    def volts(self, time: Samples) -> Samples:
        """The hum at evenly spaced times from the record's start, V."""
        at_start = self.amplitude * np.exp(self.poles * time[0])
        return np.asarray((damped_waves(time - time[0], self.poles) @ at_start).real)

    def span(self, time: Samples) -> NDArray[np.float64]:
        """Orthonormal columns of whatever hum of these multiples may be, at evenly spaced times.

        Shape (times, columns); its frequency a little off is one of them.
        """
        return np.asarray(np.linalg.qr(self._columns(time))[0])

    def corrected(self, time: Samples, volts: Samples, weight: Samples | float = 1.0) -> "RingHum":
        """The hum nearest to volts by least squares, linear in a change of its frequency.

        Parameters
        ----------
        time, volts : shape (n,), evenly spaced, from the record's start
        weight : of each moment
        """
        columns = (self._columns(time).T * weight).T
        solved = np.linalg.lstsq(columns, volts * weight, rcond=None)[0]
        count = solved.size // 2
        corrected = replace(self, frequency_hz=self.frequency_hz * (1.0 + float(solved[-1])))
        # in the middle of the times the phases stay
        earlier = np.exp((self.poles - corrected.poles)[:count] * (np.mean(time) - time[0]))
        at_start = (solved[:count] + 1j * solved[count:-1]) * earlier
        lines = at_start * np.exp(-corrected.poles[:count] * time[0])
        return replace(corrected, amplitude=np.append(lines, self.amplitude[count:]))

    def turned_from(self, other: "RingHum", time: Samples) -> float:
        """By how much the highest line turns against another hum's over the times, rad."""
        span_s = float(time[-1] - time[0])
        return float(np.abs(self.poles[-1] - other.poles[-1])) * span_s

    def _columns(self, time: Samples) -> NDArray[np.float64]:
        """By Re a, Im a of each line below half the rate, and the logarithm of the frequency."""
        count = int(_TOP / ((time[1] - time[0]) * self.frequency_hz))
        waves = damped_waves(time - time[0], self.poles[:count])
        by_growth = self.amplitude * self.poles * np.exp(self.poles * time[0])
        turned = (time - np.mean(time)) * (waves @ by_growth[:count]).real
        return np.column_stack([waves.real, -waves.imag, turned])


def find_ring_hum(record: Samples, sample_rate_hz: float) -> RingHum | None:
    """The hum beside what rings; None where its lines don't tell a mains frequency.

    Parameters
    ----------
    record : shape (n,), V
    """
    _, filtered = rate_factor(sample_rate_hz, HIGHEST_LINE_HZ)
    if record.size <= filtered + _FEWEST_BLOCKS * _BLOCK_S * sample_rate_hz:
        return None
    low = low_passed(record - np.median(record), sample_rate_hz, HIGHEST_LINE_HZ)
    rate_hz = sample_rate_hz / low.factor
    weight = _weight(low.samples, rate_hz)
    mains = find_mains(low.samples * weight, rate_hz)
    if mains is None or not mains.is_told:
        return None
    top_hz = min(HIGHEST_LINE_HZ, _TOP * rate_hz)
    count = max(max(mains.seen) + _FURTHER_LINES, _FEWEST_LINES)
    count = min(count, int(top_hz / mains.value_hz))
    time = low.first / sample_rate_hz + np.arange(low.samples.size) / rate_hz
    hum = RingHum(frequency_hz=mains.value_hz, amplitude=np.zeros(count, dtype=np.complex128))
    for step in range(_MOST_STEPS):
        before, hum = hum, hum.corrected(time, low.samples, weight)
        if step and hum.turned_from(before, time) < AT_REST_RAD:
            break
    return hum


def _weight(samples: Samples, rate_hz: float) -> Samples:
    """One over the level about each moment."""
    block = max(int(_BLOCK_S * rate_hz), 1)
    blocks = samples[: samples.size // block * block].reshape(-1, block)
    level = np.sqrt(np.mean(np.square(blocks), axis=1))
    middles = (np.arange(level.size) + 0.5) * block
    level = np.interp(np.arange(samples.size), middles, level)
    return np.asarray(1.0 / np.maximum(level, 1e-9 * float(np.max(level)) + 1e-300))
