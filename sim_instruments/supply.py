"""Rails: capacitor-input rectifier, ripple, and what of it reaches the output.

Per rail C dV/dt = max(V0 |sin| - V, 0)/R - I. Between the kinks the equation is linear, so each
small step is taken exactly (an exponential while the diodes conduct, a straight line otherwise).
The capacitor's series resistance adds (charging current - load current) * ESR to the terminals.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sim_instruments.lines import Lines, Samples
from sim_instruments.parameters import Supply

STEPS = 128
"""Steps in half a mains cycle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RailCycle:
    """One rail over half a mains cycle in the steady state, magnitudes, shape (STEPS,).

    Index 0 is the zero crossing of the mains.
    """

    capacitor_v: Samples
    charging_a: Samples
    load_a: float
    series_ohm: float
    capacitance_f: float

    @property
    def terminal_v(self) -> Samples:
        """Voltage at the rail, with the mean load current in the series resistance."""
        return self.capacitor_v + self.series_ohm * (self.charging_a - self.load_a)

    @property
    def mean_v(self) -> float:
        """Mean rail voltage."""
        return float(np.mean(self.capacitor_v))


@dataclass(frozen=True, slots=True, kw_only=True)
class RailPair:
    """Both rails in the steady state."""

    positive: RailCycle
    negative: RailCycle
    mains_hz: float

    def ripple_lines(self, supply: Supply, half_cycles: float) -> Lines:
        """Ripple coupled into the output; half_cycles is the rectified phase at t = 0."""
        mean = 0.5 * (self.positive.capacitor_v + self.negative.capacitor_v)
        order = np.arange(1, 25)
        frequency = np.asarray(order * (2.0 * self.mains_hz), dtype=np.float64)
        amplitude = np.fft.rfft(mean)[order] * (2.0 / STEPS) * coupling(supply, frequency)
        # A step's voltage is the mean of its ends, which weakens a line by cos(pi order/steps).
        amplitude /= np.cos(np.pi * order / STEPS)
        return Lines(
            frequency_hz=frequency,
            amplitude=amplitude * np.exp(2j * np.pi * order * half_cycles),
        )


def coupling(supply: Supply, frequency_hz: Samples) -> Samples:
    """Share of a rail's ripple that appears at the output, as a ratio."""
    flat = 10.0 ** (supply.coupling_db / 20.0)
    ratio: Samples = flat * np.maximum(1.0, frequency_hz / supply.coupling_corner_hz)
    return ratio


def steady_rails(
    supply: Supply,
    *,
    mains_vrms: float,
    mains_hz: float,
    quiescent_a: float,
    load_positive_a: float,
    load_negative_a: float,
) -> RailPair:
    """Both rails with constant mean load currents, in the periodic steady state."""
    peak_v = supply.peak_v * mains_vrms / 230.0

    def rail(capacitance_f: float, load_a: float) -> RailCycle:
        return rail_cycle(
            peak_v=peak_v,
            source_ohm=supply.source_ohm,
            capacitance_f=capacitance_f,
            series_ohm=supply.series_ohm,
            load_a=load_a + quiescent_a,
            mains_hz=mains_hz,
        )

    positive = rail(supply.capacitance_positive_f, load_positive_a)
    negative = rail(supply.capacitance_negative_f, load_negative_a)
    return RailPair(positive=positive, negative=negative, mains_hz=mains_hz)


def rail_cycle(
    *,
    peak_v: float,
    source_ohm: float,
    capacitance_f: float,
    series_ohm: float,
    load_a: float,
    mains_hz: float,
) -> RailCycle:
    """Steady state of one rail with a constant load current."""
    step_s = 1.0 / (2.0 * mains_hz * STEPS)
    phase = (np.arange(STEPS) + 0.5) / STEPS
    source = (peak_v * np.sin(np.pi * phase)).tolist()

    def half_cycle(start_v: float) -> list[float]:
        loads = [load_a] * STEPS
        return _march(source, loads, start_v, step_s, source_ohm, capacitance_f)

    start = _fixed_point(lambda v: half_cycle(v)[-1], 0.95 * peak_v)
    ends = np.array(half_cycle(start))
    voltage = 0.5 * (ends + np.concatenate([[start], ends[:-1]]))
    charging = np.maximum(np.array(source) - voltage, 0.0) / source_ohm
    return RailCycle(
        capacitor_v=voltage,
        charging_a=charging,
        load_a=load_a,
        series_ohm=series_ohm,
        capacitance_f=capacitance_f,
    )


def _fixed_point(step: Callable[[float], float], start: float) -> float:
    """Solve step(v) = v for a contraction, by the secant method."""
    a, fa = start, step(start)
    b = fa
    for _ in range(30):
        fb = step(b)
        if abs(fb - b) < 1e-9 or fa == fb:
            return fb
        slope = (fb - fa) / (b - a) if b != a else 0.0
        a, fa = b, fb
        b = (fb - slope * b) / (1.0 - slope)
    return b


def _march(
    source_v: list[float],
    load_a: list[float],
    start_v: float,
    step_s: float,
    source_ohm: float,
    capacitance_f: float,
) -> list[float]:
    """Capacitor voltage at the end of each step."""
    decay = 1.0 - math.exp(-step_s / (source_ohm * capacitance_f))
    fall = step_s / capacitance_f
    voltage = start_v
    ends = []
    for source, load in zip(source_v, load_a, strict=True):
        if source > voltage:
            target = source - source_ohm * load
            voltage += (target - voltage) * decay
        else:
            voltage -= fall * load
        if voltage < 0.0:
            voltage = 0.0
        ends.append(voltage)
    return ends


def rail_trace(
    supply: Supply,
    capacitance_f: float,
    *,
    peak_v: float,
    half_cycles: Samples,
    load_a: Samples,
    step_s: float,
    start_v: float,
) -> Samples:
    """Terminal voltage of one rail at the end of each step, magnitudes, for any load current.

    half_cycles is the rectified mains phase at the middle of each step, load_a the mean current in
    the step; start_v the capacitor's voltage before the first.
    """
    source = peak_v * np.abs(np.sin(np.pi * half_cycles))
    ends = np.array(
        _march(source.tolist(), load_a.tolist(), start_v, step_s, supply.source_ohm, capacitance_f)
    )
    charging = np.maximum(source - ends, 0.0) / supply.source_ohm
    terminal: Samples = ends + supply.series_ohm * (charging - load_a)
    return terminal
