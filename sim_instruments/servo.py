"""Offset at the output and the servo that removes it, in closed form.

tau tau2 x'' + tau x' + (1 + tau/leak) x = (tau/leak) raw + residual, x the offset. The raw offset
moves with temperature so slowly that it counts as constant between two changes of state.
"""

import cmath
from dataclasses import dataclass

import numpy as np

from sim_instruments.lines import Samples
from sim_instruments.parameters import Servo


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetState:
    """Offset in V and its slope in V/s."""

    offset_v: float
    slope_v_per_s: float


def final_offset(servo: Servo, raw_v: float) -> float:
    """Offset that remains once the servo has settled, V."""
    if not servo.is_alive:
        return raw_v
    leak = servo.tau_s / servo.leak_s
    return (leak * raw_v + servo.residual_v) / (1.0 + leak)


def offset_at_relay(servo: Servo, raw_v: float) -> OffsetState:
    """State when the mute relay closes and the start-up clamp lets the servo go.

    An overdamped servo leaves the clamp along its slower root, a ringing one from rest.
    """
    final = final_offset(servo, raw_v)
    if not servo.is_alive:
        return OffsetState(offset_v=final, slope_v_per_s=0.0)
    slow, _ = _roots(servo)
    away = servo.offset_at_relay_v
    slope = slow.real * away if slow.imag == 0.0 else 0.0
    return OffsetState(offset_v=final + away, slope_v_per_s=slope)


def offset_after(servo: Servo, raw_v: float, start: OffsetState, seconds: Samples) -> Samples:
    """Offset this long after the start state, V."""
    final = final_offset(servo, raw_v)
    if not servo.is_alive:
        return np.full(seconds.shape, final)
    slow, fast, a, b = _modes(servo, final, start)
    trace: Samples = final + (a * np.exp(slow * seconds) + b * np.exp(fast * seconds)).real
    return trace


def state_after(servo: Servo, raw_v: float, start: OffsetState, seconds: float) -> OffsetState:
    """Offset and slope this long after the start state."""
    final = final_offset(servo, raw_v)
    if not servo.is_alive:
        return OffsetState(offset_v=final, slope_v_per_s=0.0)
    slow, fast, a, b = _modes(servo, final, start)
    one, two = a * cmath.exp(slow * seconds), b * cmath.exp(fast * seconds)
    return OffsetState(
        offset_v=final + (one + two).real, slope_v_per_s=(slow * one + fast * two).real
    )


def _modes(
    servo: Servo, final: float, start: OffsetState
) -> tuple[complex, complex, complex, complex]:
    slow, fast = _roots(servo)
    away = start.offset_v - final
    a = (start.slope_v_per_s - fast * away) / (slow - fast)
    return slow, fast, a, away - a


def _roots(servo: Servo) -> tuple[complex, complex]:
    """Roots of tau tau2 s^2 + tau s + 1 + tau/leak, the slower first."""
    stiffness = (1.0 + servo.tau_s / servo.leak_s) / servo.tau_s
    root = cmath.sqrt(1.0 - 4.0 * servo.filter_s * stiffness) or 1e-9
    return (-1.0 + root) / (2.0 * servo.filter_s), (-1.0 - root) / (2.0 * servo.filter_s)
