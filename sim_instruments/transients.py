"""The signal path in samples: for sweeps, noise, and slow or double tones that the rails limit.

The same equations as amplifier.py. The linear part is exact at the rate of the drive; the error term
is taken on a grid several times finer, so that its harmonics don't fold into the wanted band; where
the rails limit, they are integrated in steps of 50 us. Rates change by padding or cutting spectra.
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
    """Time grids that share one length: wanted samples, the drive's, and the finest."""

    samples: int
    rate_hz: float
    drive_ratio: int
    fine_ratio: int

    @property
    def drive_samples(self) -> int:
        """Samples of the drive."""
        return self.samples * self.drive_ratio

    @property
    def drive_rate_hz(self) -> float:
        """Rate of the drive's samples."""
        return self.rate_hz * self.drive_ratio

    @property
    def fine_samples(self) -> int:
        """Samples of the finest grid."""
        return self.samples * self.fine_ratio

    @property
    def fine_rate_hz(self) -> float:
        """Rate of the finest grid."""
        return self.rate_hz * self.fine_ratio

    def frequencies(self, count: int) -> Samples:
        """Frequencies of the first bins, which all grids share."""
        return np.arange(count, dtype=np.float64) * (self.rate_hz / self.samples)


def grid_for(samples: int, rate_hz: float, highest_hz: float) -> Grid:
    """Grids for a drive that reaches up to highest_hz; samples must suit the transform."""
    fine_hz = max(2.0 * rate_hz, 8.0 * highest_hz, 192e3)
    if rate_hz < 500e3:
        fine_hz = max(fine_hz, 4.0 * rate_hz)
    return Grid(
        samples=samples,
        rate_hz=rate_hz,
        drive_ratio=_power_of_two(highest_hz / 0.48 / rate_hz),
        fine_ratio=_power_of_two(fine_hz / rate_hz),
    )


def _power_of_two(at_least: float) -> int:
    ratio = 1
    while ratio < 0.999 * at_least:
        ratio *= 2
    return ratio


def amplified(amplifier: Amplifier, drive: Complex, grid: Grid) -> Complex:
    """Spectrum of v, before error and limit, from the spectrum of the drive (drive's grid)."""
    spectrum = drive.copy()
    spectrum[1:] *= input_response(amplifier, grid.frequencies(drive.size)[1:])
    spectrum[0] = 0.0
    return spectrum


def response(
    amplifier: Amplifier, linear: Complex, grid: Grid, supply: Supply, mains: Mains, bias_a: float
) -> Samples:
    """Output at the wanted rate for the spectrum of v; the grid counts as periodic."""
    peak_v = supply.peak_v * mains.vrms / 230.0
    v = _refined(linear, grid.drive_samples, grid.fine_samples)
    might_limit = _might_limit(amplifier, v, supply, peak_v)
    if might_limit or amplifier.output.resistance_per_a:
        spectrum = linear * grid.fine_ratio / grid.drive_ratio
        whole = grid.fine_samples // 2 + 1
        spectrum = np.concatenate([spectrum, np.zeros(whole - spectrum.size)])
        spectrum += _error(amplifier, v, grid, whole)
        y = np.fft.irfft(spectrum, n=grid.fine_samples)
        if might_limit:
            y = _limited_by_rails(amplifier, y, grid, supply, mains, bias_a)
        after = np.fft.rfft(after_contact(y, amplifier))
        return _finished(amplifier, after, grid, grid.fine_ratio)
    # The error is some 50 dB down, so single precision gives it 200 dB below the output.
    count = min(linear.size, grid.samples // 2 + 1)
    spectrum = linear[:count] * (1.0 / grid.drive_ratio)
    spectrum += _error(amplifier, v.astype(np.float32), grid, count) / grid.fine_ratio
    return _finished(amplifier, spectrum, grid, 1)


def _might_limit(amplifier: Amplifier, v: Samples, supply: Supply, peak_v: float) -> bool:
    """Whether the peaks of v come near the rails, judged with twice the sag of its mean current."""
    mean_a = 0.5 * float(np.mean(np.abs(v))) / (amplifier.load_ohm + amplifier.resistance_ohm)
    smallest_f = min(supply.capacitance_positive_f, supply.capacitance_negative_f)
    ohm = 0.01 / smallest_f + 5.0 * supply.source_ohm + supply.series_ohm
    sagged_v = peak_v - 1.0 - 2.0 * mean_a * ohm
    return float(np.abs(v).max()) > headroom_v(amplifier, sagged_v)


def decimated(spectrum: Complex, grid: Grid, ratio: int) -> Samples:
    """Samples at the wanted rate of a spectrum on a grid of ratio times as many samples."""
    count = grid.samples // 2 + 1
    frequency = grid.frequencies(count)
    kept = spectrum[:count] * anti_alias(frequency, grid.rate_hz)
    return np.fft.irfft(kept, n=grid.samples) / ratio


def _refined(spectrum: Complex, samples: int, fine_samples: int) -> Samples:
    padded = np.zeros(fine_samples // 2 + 1, dtype=np.complex128)
    padded[: spectrum.size] = spectrum * (fine_samples / samples)
    return np.fft.irfft(padded, n=fine_samples)


def _error(amplifier: Amplifier, v: Samples, grid: Grid, count: int) -> Complex:
    """Spectrum of the error behind the loop, on the finest grid, first count bins."""
    path = amplifier.path
    frequency = grid.frequencies(count)
    error = np.fft.rfft(error_voltage(v, path, amplifier.crossover))[:count]
    lag = path.lagging_per_v / (1.0 + 1j * frequency / path.lagging_corner_hz)
    lagging = np.fft.rfft(v * v)[:count] * lag
    total: Complex = loop_on_error(path, frequency) * (error + lagging)
    return total


def _finished(amplifier: Amplifier, spectrum: Complex, grid: Grid, ratio: int) -> Samples:
    count = grid.samples // 2 + 1
    frequency = grid.frequencies(count)
    kept = spectrum[:count] * output_response(amplifier, frequency)
    kept *= servo_response(amplifier.servo, frequency)
    return decimated(kept, grid, ratio)


def _limited_by_rails(
    amplifier: Amplifier, y: Samples, grid: Grid, supply: Supply, mains: Mains, bias_a: float
) -> Samples:
    block = max(1, round(_RAIL_STEP_S * grid.fine_rate_hz))
    blocks = -(-y.size // block)
    step_s = block / grid.fine_rate_hz
    middle = np.arange(0.5, blocks, dtype=np.float64)
    cycles = mains.cycles + mains.frequency_hz * step_s * middle
    peak_v = supply.peak_v * mains.vrms / 230.0
    current = y / (amplifier.load_ohm + amplifier.resistance_ohm)
    ends = (np.arange(blocks) + 1.0) * block
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
        fine: Samples = np.interp(place, ends, trace)
        return fine

    positive = rail(1.0, supply.capacitance_positive_f)
    negative = rail(-1.0, supply.capacitance_negative_f)
    return limited(y, positive, negative, amplifier)
