"""The amplifier's signal path: from the e.m.f. at its input to the voltage at its terminals.

Theory of operation. The drive u passes the input filters and the gain (giving v), an open-loop error
e(v) is added after the loop has acted on it (y0 = v + F e), the result is limited by the rails and
passes output resistance and inductor. All of it is memoryless or linear, so a steady drive of one or
two tones is computed exactly: on a grid of the tones' phases (and of the mains phase once the rails
limit), transformed, filtered line by line. No sample rate enters, so nothing aliases. Other drives
(sweep, noise, slow tones that the rails limit) take the time-domain path of transients.py with the
same functions.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sim_instruments.lines import (
    Complex,
    Lines,
    Samples,
    grid_amplitudes,
    grid_frequencies,
    imaginary,
)
from sim_instruments.parameters import OutputStage, Servo, SignalPath
from sim_instruments.supply import STEPS, RailCycle, RailPair

MAINS_PHASES = 64
TONE_PHASES = 4096
LIMITED_TONE_PHASES = 2048


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossover:
    """Depth and width of the crossover term at the present bias, V."""

    depth_v: float
    width_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Amplifier:
    """One unit's signal path at its present temperature, bias and load."""

    path: SignalPath
    output: OutputStage
    servo: Servo
    crossover: Crossover
    gain: float
    load_ohm: float
    contact_factor: float = 1.0

    @property
    def resistance_ohm(self) -> float:
        """Output resistance at small current."""
        return self.output.resistance_ohm * self.contact_factor


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """A sine at the input: true frequency and complex peak amplitude at t = 0, V."""

    frequency_hz: float
    amplitude: complex


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyOutput:
    """Line spectrum at the terminals, and the rails behind it."""

    lines: Lines
    rails: RailPair
    is_limited: bool


RailsFor = Callable[[float, float], RailPair]
"""Rails for the mean load currents of the positive and the negative one, A."""


def crossover_at(bias_a: float, nominal_a: float, path: SignalPath) -> Crossover:
    """Crossover term at a bias; nominal_a is the unit's own bias when warm and as adjusted.

    Below nominal the dead zone opens by 53 mV/mA and narrows; above, it closes slowly.
    """
    missing_ma = (nominal_a - bias_a) * 1e3
    if missing_ma <= 0.0:
        return Crossover(
            depth_v=path.crossover_v * nominal_a / bias_a, width_v=path.crossover_width_v
        )
    width = path.crossover_width_v - 0.25 * missing_ma / 41.0
    return Crossover(depth_v=path.crossover_v + 0.053 * missing_ma, width_v=max(width, 0.3))


def input_response(amplifier: Amplifier, frequency_hz: Samples) -> Complex:
    """Linear transfer from the input to v: coupling high-pass, filters, gain."""
    path = amplifier.path
    s = imaginary(frequency_hz)
    high = s / (path.input_corner_hz + s)
    low = 1.0 / ((1.0 + s / path.rf_corner_hz) * (1.0 + s / path.closed_loop_corner_hz))
    return amplifier.gain * high * low


def loop_on_error(path: SignalPath, frequency_hz: Samples) -> Complex:
    """F = (1 + s/wp)/(1 + T0 + s/wp): what the loop leaves of the open-loop error."""
    s = imaginary(frequency_hz) / path.loop_corner_hz
    return (1.0 + s) / (1.0 + path.loop_gain + s)


def servo_response(servo: Servo, frequency_hz: Samples) -> Complex:
    """High-pass that the servo makes of the whole amplifier (0.13 Hz when healthy)."""
    if not servo.is_alive:
        return np.ones(frequency_hz.shape, dtype=np.complex128)
    s = imaginary(2.0 * np.pi * frequency_hz)
    leak = servo.tau_s / servo.leak_s
    path = s * servo.tau_s * (1.0 + s * servo.filter_s) + leak
    return path / (path + 1.0)


def output_response(amplifier: Amplifier, frequency_hz: Samples) -> Complex:
    """Divider of inductor, resistance and load; the resistance is left to the contact if worn."""
    load = amplifier.load_ohm
    if np.isinf(load):
        return np.ones(frequency_hz.shape, dtype=np.complex128)
    output = amplifier.output
    coil = imaginary(2.0 * np.pi * output.inductance_h * frequency_hz)
    series = coil * output.inductor_damping_ohm / (coil + output.inductor_damping_ohm)
    if not output.resistance_per_a:
        series = series + amplifier.resistance_ohm
    return load / (load + series)


def error_voltage(v: Samples, path: SignalPath, crossover: Crossover) -> Samples:
    """Memoryless part of the open-loop error for the voltage v."""
    square = v * v
    error = (path.square_per_v + path.trim_per_v) * square
    error += path.cubic_per_v2 * (square * v)
    error -= crossover.depth_v * np.tanh(v / crossover.width_v)
    if path.oscillation_square_per_v:
        error += path.oscillation_square_per_v * oscillation_gate(v, path) * square
    return error


def oscillation_gate(v: Samples, path: SignalPath) -> Samples:
    """Where the parasitic oscillation bursts: 0 to 1, smooth within a volt of its threshold."""
    gate: Samples = 0.5 * (1.0 + np.tanh(2.0 * (v - path.oscillation_threshold_v)))
    return gate


def limited(v: Samples, positive_v: Samples, negative_v: Samples, amplifier: Amplifier) -> Samples:
    """v limited softly by both rails (magnitudes at the rail terminals, broadcast)."""
    corner = amplifier.output.soft_corner_v
    upper, lower = _ceiling(amplifier, positive_v), _ceiling(amplifier, negative_v)
    capped = upper - corner * _softplus((upper - v) / corner)
    result: Samples = corner * _softplus((capped + lower) / corner) - lower
    return result


def _softplus(x: Samples) -> Samples:
    """ln(1 + exp(x)), far from overflow."""
    soft: Samples = np.maximum(x, 0.0) + np.log1p(np.exp(-np.abs(x)))
    return soft


def _ceiling(amplifier: Amplifier, rail_v: Samples) -> Samples:
    """Output at which a rail saturates: V - 2.2 V - 0.22 ohm i, solved for the voltage."""
    output = amplifier.output
    give = 1.0 + output.saturation_ohm / (amplifier.load_ohm + amplifier.resistance_ohm)
    ceiling: Samples = (rail_v - output.saturation_v) / give
    return ceiling


def headroom_v(amplifier: Amplifier, rail_v: float) -> float:
    """Peak that passes below a rail voltage without a trace of limiting (12 soft corners)."""
    output = amplifier.output
    give = 1.0 + output.saturation_ohm / (amplifier.load_ohm + amplifier.resistance_ohm)
    return (rail_v - output.saturation_v) / give - 12.0 * output.soft_corner_v


def after_contact(v: Samples, amplifier: Amplifier) -> Samples:
    """v behind a worn contact whose resistance grows with current: R (1 + a |i|)."""
    growth = amplifier.output.resistance_per_a
    if not growth or np.isinf(amplifier.load_ohm):
        return v
    contact = amplifier.resistance_ohm
    linear = amplifier.load_ohm + contact
    quadratic = contact * growth
    root = np.sqrt(linear * linear + 4.0 * quadratic * np.abs(v))
    current = np.sign(v) * 2.0 * np.abs(v) / (linear + root)
    return current * amplifier.load_ohm


def unlimited(
    amplifier: Amplifier, tones: tuple[Tone, ...], columns: int
) -> tuple[Complex, Samples, tuple[int, int]]:
    """Grid transform of y0 = v + F e, its frequencies, and the grid's shape.

    One tone runs along the last axis; a second one along the first.
    """
    tone_hz = np.array([tone.frequency_hz for tone in tones])
    peak = input_response(amplifier, tone_hz) * np.array([tone.amplitude for tone in tones])
    rows = columns if len(tones) > 1 else 1
    phase_last = 2.0 * np.pi * np.arange(columns) / columns
    v = (peak[-1] * np.exp(1j * phase_last)).real[None, :]
    first_hz = 0.0
    if len(tones) > 1:
        v = v + (peak[0] * np.exp(1j * phase_last)).real[:, None]
        first_hz = float(tone_hz[0])
    path = amplifier.path
    shape = (rows, columns)
    error = np.fft.rfft2(error_voltage(v, path, amplifier.crossover))
    frequency = grid_frequencies(shape, first_hz, float(tone_hz[-1]))
    lag = 1.0 / (1.0 + 1j * frequency / path.lagging_corner_hz)
    error += path.lagging_per_v * lag * np.fft.rfft2(v * v)
    total = np.fft.rfft2(v) + loop_on_error(path, frequency) * error
    return total, frequency, shape


def steady_output(
    amplifier: Amplifier, tones: tuple[Tone, ...], rails_for: RailsFor, half_cycles: float
) -> SteadyOutput:
    """Output of a steady drive of one or two tones, without hum and noise.

    rails_for gives the rails for two mean load currents (A, positive and negative); half_cycles is
    the rectified mains phase at t = 0. Two tones are not limited here.
    """
    columns = _columns(amplifier, tones)
    spectrum, frequency, shape = unlimited(amplifier, tones, columns)
    y0 = np.fft.irfft2(spectrum, s=shape)
    rails = rails_for(*_loads(amplifier, y0))
    lowest = float(min(rails.positive.terminal_v.min(), rails.negative.terminal_v.min()))
    is_limited = bool(np.abs(y0).max() > headroom_v(amplifier, lowest - _fast_sag(rails)))
    if is_limited and len(tones) == 1:
        return _limited_output(amplifier, tones[0], y0[0], rails_for, half_cycles)
    if amplifier.output.resistance_per_a:
        y0 = after_contact(y0, amplifier)
        spectrum = np.fft.rfft2(y0)
    lines = _lines(amplifier, spectrum, frequency, shape)
    return SteadyOutput(lines=lines, rails=rails, is_limited=is_limited)


def _loads(amplifier: Amplifier, y: Samples) -> tuple[float, float]:
    current = y / (amplifier.load_ohm + amplifier.resistance_ohm)
    return float(np.mean(np.maximum(current, 0.0))), float(np.mean(np.maximum(-current, 0.0)))


def _columns(amplifier: Amplifier, tones: tuple[Tone, ...]) -> int:
    if len(tones) == 1:
        return TONE_PHASES
    largest = max(abs(tone.amplitude) for tone in tones) * amplifier.gain
    return 256 if largest < 14.0 * amplifier.crossover.width_v else 512


def _fast_sag(rails: RailPair) -> float:
    """Allowance for the signal-rate sag on top of the mains ripple, V."""
    load = max(rails.positive.load_a, rails.negative.load_a)
    return 1.0 + 2.0 * load * rails.positive.series_ohm


def _lines(
    amplifier: Amplifier, spectrum: Complex, frequency: Samples, shape: tuple[int, int]
) -> Lines:
    amplitude = grid_amplitudes(spectrum, shape)
    keep = np.abs(amplitude) > 1e-9
    hz = frequency[keep]
    response = output_response(amplifier, hz) * servo_response(amplifier.servo, hz)
    return Lines(frequency_hz=hz, amplitude=amplitude[keep] * response)


def _limited_output(
    amplifier: Amplifier, tone: Tone, y0: Samples, rails_for: RailsFor, half_cycles: float
) -> SteadyOutput:
    """One tone against rippling rails: the mains phase is the grid's first axis."""
    y0 = y0[:: y0.size // LIMITED_TONE_PHASES]
    y = y0[None, :]
    rails = rails_for(*_loads(amplifier, y))
    for _ in range(2):
        positive, negative = _rail_grids(amplifier, tone, y, rails)
        y = np.clip(y0, -_ceiling(amplifier, negative), _ceiling(amplifier, positive))
        rails = rails_for(*_loads(amplifier, y))
    positive, negative = _rail_grids(amplifier, tone, y, rails)
    y = after_contact(limited(y0[None, :], positive, negative, amplifier), amplifier)
    spectrum = np.fft.rfft2(y)
    order = np.fft.fftfreq(MAINS_PHASES, 1.0 / MAINS_PHASES)
    spectrum *= np.exp(2j * np.pi * order * half_cycles)[:, None]
    shape = (MAINS_PHASES, y0.size)
    frequency = grid_frequencies(shape, 2.0 * rails.mains_hz, tone.frequency_hz)
    lines = _lines(amplifier, spectrum, frequency, shape)
    return SteadyOutput(lines=lines, rails=rails, is_limited=True)


def _rail_grids(
    amplifier: Amplifier, tone: Tone, y: Samples, rails: RailPair
) -> tuple[Samples, Samples]:
    """Both rails over mains phase and tone phase, for the output y."""
    stride = STEPS // MAINS_PHASES
    current = np.mean(y, axis=0) / (amplifier.load_ohm + amplifier.resistance_ohm)

    def grid(rail: RailCycle, load_a: Samples) -> Samples:
        fast = _fast_ripple(rail, load_a, tone.frequency_hz)
        both: Samples = rail.terminal_v[::stride, None] + fast[None, :]
        return both

    return (
        grid(rails.positive, np.maximum(current, 0.0)),
        grid(rails.negative, np.maximum(-current, 0.0)),
    )


def _fast_ripple(rail: RailCycle, load_a: Samples, tone_hz: float) -> Samples:
    """Signal-rate deviation of one rail from its mains-rate mean over a period of the tone."""
    spectrum = np.fft.rfft(load_a)
    spectrum[0] = 0.0
    s = 2j * np.pi * tone_hz * np.arange(spectrum.size)
    s[0] = 1.0
    impedance = 1.0 / (s * rail.capacitance_f) + rail.series_ohm
    return -np.fft.irfft(spectrum * impedance, n=load_a.size)
