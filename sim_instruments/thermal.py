"""Heat and bias of one unit: tau dT/dt = Rth P - (T - Ta), with bias following the heatsink.

Undriven the equation is linear (loop gain g = gradient * 98 V * Rth; runaway where g > 1). Driven,
output and bias current share the devices: the mean current of a rail is taken as the root of the sum
of squares of mean load current and bias. Classical Runge-Kutta in steps of at most 20 s keeps the
error below a part in 10^7 of the rise and makes eight hours cost milliseconds.
"""

import math
from dataclasses import dataclass

from sim_instruments.parameters import SUPPLY_SPAN_V, Thermal

MAX_STEP_S = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Heat:
    """Temperatures of one unit: heatsink in degC, junctions above it in K."""

    sink_c: float
    junction_rise_k: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """What the load takes: mean of each rail's load current (A) and power at the output (W)."""

    rail_a: float = 0.0
    output_w: float = 0.0


def bias_a(thermal: Thermal, rise_k: float) -> float:
    """Bias current with the heatsink this far above ambient, A."""
    effective = rise_k
    if rise_k > thermal.knee_k:
        effective = thermal.knee_k + thermal.slope_above_knee * (rise_k - thermal.knee_k)
    return max(thermal.bias_cold_a + thermal.bias_a_per_k * effective + thermal.bias_extra_a, 1e-3)


def rail_current_a(thermal: Thermal, rise_k: float, drive: Drive) -> float:
    """Mean current of one rail, bias and load together, A."""
    return math.hypot(drive.rail_a, bias_a(thermal, rise_k))


def dissipation_w(thermal: Thermal, rise_k: float, drive: Drive) -> float:
    """Heat of the output stage, W."""
    return SUPPLY_SPAN_V * rail_current_a(thermal, rise_k, drive) - drive.output_w


def after(
    thermal: Thermal, heat: Heat, *, ambient_c: float, drive: Drive | None, seconds: float
) -> tuple[Heat, float]:
    """Temperatures after some time, and how long until then.

    drive is None while the unit is off. The time is shorter than seconds when the thermal cut-out
    acts before.
    """
    steps = max(1, math.ceil(seconds / MAX_STEP_S))
    step_s = seconds / steps
    rise, junction = heat.sink_c - ambient_c, heat.junction_rise_k
    cut_out = thermal.cut_out_c - ambient_c if drive is not None else math.inf
    for done in range(steps):
        ahead = _step(thermal, rise, drive, step_s)
        if rise < cut_out <= ahead:
            part = _time_to(thermal, rise, drive, step_s, cut_out)
            heat = Heat(sink_c=thermal.cut_out_c, junction_rise_k=junction)
            return heat, done * step_s + part
        rise = ahead
        junction = _junction(thermal, rise, junction, drive, step_s)
    return Heat(sink_c=ambient_c + rise, junction_rise_k=junction), seconds


def _step(thermal: Thermal, rise: float, drive: Drive | None, step_s: float) -> float:
    def slope(x: float) -> float:
        heat = 0.0 if drive is None else dissipation_w(thermal, x, drive)
        return (thermal.resistance_k_per_w * heat - x) / thermal.time_constant_s

    a = slope(rise)
    b = slope(rise + 0.5 * step_s * a)
    c = slope(rise + 0.5 * step_s * b)
    d = slope(rise + step_s * c)
    return rise + step_s * (a + 2.0 * b + 2.0 * c + d) / 6.0


def _time_to(
    thermal: Thermal, rise: float, drive: Drive | None, step_s: float, level: float
) -> float:
    low, high = 0.0, step_s
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        if _step(thermal, rise, drive, middle) < level:
            low = middle
        else:
            high = middle
    return high


def _junction(
    thermal: Thermal, rise: float, junction: float, drive: Drive | None, step_s: float
) -> float:
    heat = 0.0 if drive is None else dissipation_w(thermal, rise, drive)
    target = thermal.junction_k_per_w * heat
    return target + (junction - target) * math.exp(-step_s / thermal.junction_s)
