"""The signal path in samples: for sweeps, noise, and slow or double tones that the rails limit.

The same equations as amplifier.py at two to many times the wanted rate; linear parts in the
frequency domain, limiting against rails that are integrated in steps of a few tens of microseconds,
and decimation by cutting the spectrum at the anti-alias filter.
"""

from dataclasses import dataclass

import numpy as np

from sim_instruments.amplifier import (
    Amplifier,
    after_contact,
    error_voltage,
    headroom_v,
    input_response,
    limited,
    loop_on_error,
    output_response,
    servo_response,
)
from sim_instruments.lines import Complex, Samples
from sim_instruments.noise import anti_alias
from sim_instruments.parameters import Supply
from sim_instruments.supply import rail_trace

_RAIL_STEP_S = 50e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Mains:
    """Mains at the first sample: voltage, frequency, and cycles since the last even one."""

    vrms: float
    frequency_hz: float
    cycles: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A fine time grid: samples at rate_hz, ratio of them to each wanted sample."""

    samples: int
    rate_hz: float
    ratio: int

    @property
    def frequency_hz(self) -> Samples:
        """Frequencies of its real transform."""
        bins: Samples = np.arange(self.samples // 2 + 1, dtype=np.float64)
        return bins * (self.rate_hz / self.samples)


def oversampling(sample_rate_hz: float, highest_hz: float) -> int:
    """Ratio that keeps the harmonics of the error term from folding into the wanted band."""
    wanted = max(2.0 * sample_rate_hz, 8.0 * highest_hz, 192e3)
    if sample_rate_hz < 500e3:
        wanted = max(wanted, 4.0 * sample_rate_hz)
    ratio = 2
    while ratio * sample_rate_hz < wanted * 0.999:
        ratio *= 2
    return ratio


def response_to_drive(
    amplifier: Amplifier, drive_v: Samples, grid: Grid, supply: Supply, mains: Mains, bias_a: float
) -> Samples:
    """Output for a drive at the input, at the wanted rate; the grid counts as periodic."""
    spectrum = np.fft.rfft(drive_v)
    spectrum[1:] *= input_response(amplifier, grid.frequency_hz[1:])
    spectrum[0] = 0.0
    v = np.fft.irfft(spectrum, n=grid.samples)
    return _output(amplifier, v, spectrum, grid, supply, mains, bias_a)


def response_to_amplified(
    amplifier: Amplifier, v: Samples, grid: Grid, supply: Supply, mains: Mains, bias_a: float
) -> Samples:
    """Output for the voltage v that the gain would give without error or limit."""
    return _output(amplifier, v, np.fft.rfft(v), grid, supply, mains, bias_a)


def decimated(spectrum: Complex, grid: Grid) -> Samples:
    """Samples at the wanted rate of a spectrum on the fine grid."""
    count = grid.samples // grid.ratio
    kept = spectrum[: count // 2 + 1] * anti_alias(
        grid.frequency_hz[: count // 2 + 1], grid.rate_hz / grid.ratio
    )
    kept[-1] = kept[-1].real
    return np.fft.irfft(kept, n=count) / grid.ratio


def _output(
    amplifier: Amplifier,
    v: Samples,
    linear: Complex,
    grid: Grid,
    supply: Supply,
    mains: Mains,
    bias_a: float,
) -> Samples:
    path = amplifier.path
    peak_v = supply.peak_v * mains.vrms / 230.0
    might_limit = float(np.abs(v).max()) > 0.7 * headroom_v(amplifier, peak_v)
    is_memoryless_after = might_limit or bool(amplifier.output.resistance_per_a)
    # Unless something non-linear follows, only the band that survives decimation is needed.
    keep = grid.samples // 2 + 1 if is_memoryless_after else grid.samples // grid.ratio // 2 + 1
    frequency = grid.frequency_hz[:keep]
    error = np.fft.rfft(error_voltage(v, path, amplifier.crossover))[:keep]
    lag = path.lagging_per_v / (1.0 + 1j * frequency / path.lagging_corner_hz)
    error += lag * np.fft.rfft(v * v)[:keep]
    spectrum = linear[:keep] + loop_on_error(path, frequency) * error
    if is_memoryless_after:
        y = np.fft.irfft(spectrum, n=grid.samples)
        if might_limit:
            y = _limited_by_rails(amplifier, y, grid, supply, mains, bias_a)
        spectrum = np.fft.rfft(after_contact(y, amplifier))
    count = grid.samples // grid.ratio // 2 + 1
    spectrum = spectrum[:count]
    spectrum *= output_response(amplifier, grid.frequency_hz[:count])
    spectrum *= servo_response(amplifier.servo, grid.frequency_hz[:count])
    return decimated(spectrum, grid)


def _limited_by_rails(
    amplifier: Amplifier, y: Samples, grid: Grid, supply: Supply, mains: Mains, bias_a: float
) -> Samples:
    block = max(1, round(_RAIL_STEP_S * grid.rate_hz))
    blocks = -(-y.size // block)
    step_s = block / grid.rate_hz
    middle = np.arange(0.5, blocks, dtype=np.float64)
    cycles = mains.cycles + mains.frequency_hz * step_s * middle
    peak_v = supply.peak_v * mains.vrms / 230.0
    current = y / (amplifier.load_ohm + amplifier.resistance_ohm)
    centre = (np.arange(blocks) + 1.0) * block
    place = np.arange(y.size) + 0.5

    def rail(sign: float, capacitance_f: float) -> Samples:
        drawn = np.zeros(blocks * block)
        drawn[: y.size] = np.maximum(sign * current, 0.0)
        load = drawn.reshape(blocks, block).mean(axis=1) + bias_a
        trace = rail_trace(
            supply,
            capacitance_f,
            peak_v=peak_v,
            half_cycles=2.0 * cycles,
            load_a=load,
            step_s=step_s,
            start_v=0.95 * peak_v,
        )
        fine: Samples = np.interp(place, centre, trace)
        return fine

    positive = rail(1.0, supply.capacitance_positive_f)
    negative = rail(-1.0, supply.capacitance_negative_f)
    return limited(y, positive, negative, amplifier)
