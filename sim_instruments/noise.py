"""Gaussian noise of a given spectral density, one transform a record.

The spectrum is drawn (one normal number a sample) and transformed once, so white noise, 1/f noise
and the digitiser's own add as power for nothing. The result repeats with a period of at least the
record, which no record is long enough to see.
"""

import math
from collections.abc import Callable

import numpy as np

from sim_instruments.lines import Samples, fast_length
from sim_instruments.parameters import Noise, Spur


def shaped_noise(
    rng: np.random.Generator,
    samples: int,
    sample_rate_hz: float,
    density: Callable[[Samples], Samples],
) -> Samples:
    """Noise of shape (samples,) whose one-sided density in V^2/Hz is density(frequencies).

    Single precision serves: its rounding lies 140 dB below the noise itself.
    """
    size = fast_length(max(samples, 2))
    frequency = np.arange(size // 2 + 1, dtype=np.float64) * (sample_rate_hz / size)
    frequency[0] = 0.5 * frequency[1]
    scale = np.sqrt(density(frequency) * (sample_rate_hz * size / 4.0))
    normal = rng.standard_normal(2 * frequency.size, dtype=np.float32).view(np.complex64)
    normal *= scale.astype(np.float32)
    normal[0] = normal[0].real * np.sqrt(2.0)
    noise = np.fft.irfft(normal, n=size)[:samples]
    return np.asarray(noise, dtype=np.float64)


def output_density(noise: Noise, frequency_hz: Samples, corner_hz: float) -> Samples:
    """Density of a unit's noise at its output, V^2/Hz; corner_hz is its closed-loop bandwidth.

    frequency_hz ascends. The wander of the offset ends at 10 Hz (second order).
    """
    white = noise.white_v_per_rthz**2
    density: Samples = white + (white * noise.corner_hz) / frequency_hz
    density /= 1.0 + frequency_hz * frequency_hz * corner_hz**-2.0
    low = frequency_hz[: int(np.searchsorted(frequency_hz, 2e3))]
    wander = noise.drift_vrms**2 / math.log(100.0) / (low * (1.0 + (low / 10.0) ** 4))
    density[: low.size] += wander
    return density


def anti_alias(frequency_hz: Samples, sample_rate_hz: float) -> Samples:
    """Magnitude of the digitiser's anti-alias filter: -3 dB at 0.45 fs, -120 dB at 0.55 fs."""
    exponent = (np.abs(frequency_hz) / sample_rate_hz - 0.45) * 120.0
    magnitude: Samples = 1.0 / np.sqrt(1.0 + 10.0 ** np.minimum(exponent, 30.0))
    return magnitude


def apply_anti_alias(power: Samples, frequency_hz: Samples, sample_rate_hz: float) -> None:
    """Multiply a density by the square of the filter, in place; frequencies ascend."""
    first = int(np.searchsorted(frequency_hz, 0.38 * sample_rate_hz))
    power[first:] *= anti_alias(frequency_hz[first:], sample_rate_hz) ** 2


_JITTER_RATE_HZ = 25e3


def spur_waveform(
    rng: np.random.Generator,
    spur: Spur,
    *,
    frequency_hz: float,
    level_vrms: float,
    samples: int,
    sample_rate_hz: float,
) -> Samples:
    """The standby supply's line, its frequency jittering, behind the anti-alias filter."""
    orders = np.array([1.0, 2.0, 3.0])
    ratios = np.array([1.0, spur.second, spur.third])
    peaks = ratios * np.sqrt(2.0) * level_vrms
    peaks = peaks * anti_alias(orders * frequency_hz, sample_rate_hz)
    peaks[orders * frequency_hz > 0.6 * sample_rate_hz] = 0.0
    if np.max(peaks) < 1e-8:
        return np.zeros(samples)
    cycles = _jitter_cycles(rng, spur, samples, sample_rate_hz)
    cycles += np.arange(samples) * (frequency_hz / sample_rate_hz) + rng.uniform()
    cycles -= np.rint(cycles)
    # Single precision: the line's own rounding then lies 130 dB below it.
    c = np.cos((2.0 * np.pi * cycles).astype(np.float32)).astype(np.float64)
    wave: Samples = peaks[0] * c
    if peaks[1] > 1e-8:
        wave += peaks[1] * (2.0 * c * c - 1.0)
    if peaks[2] > 1e-8:
        wave += peaks[2] * (4.0 * c**3 - 3.0 * c)
    return wave


def _jitter_cycles(
    rng: np.random.Generator, spur: Spur, samples: int, sample_rate_hz: float
) -> Samples:
    """Phase wander in cycles: integrated Gaussian frequency noise, third-order low-passed."""
    hold = max(1, round(sample_rate_hz / _JITTER_RATE_HZ))
    coarse = -(-samples // hold) + 1
    rate_hz = sample_rate_hz / hold
    corner = spur.jitter_corner_hz

    def shape(frequency: Samples) -> Samples:
        density: Samples = 1.0 / (1.0 + (frequency / corner) ** 6)
        return density

    # The integral of 1/(1 + x^6) from 0 to infinity is pi/3.
    deviation = shaped_noise(rng, coarse, rate_hz, shape)
    deviation *= spur.jitter_hz / np.sqrt(corner * np.pi / 3.0)
    wander = np.cumsum(deviation) / rate_hz
    between = np.arange(hold) / hold
    fine: Samples = wander[:-1, None] + np.diff(wander)[:, None] * between
    return fine.reshape(-1)[:samples]
