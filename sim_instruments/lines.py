"""Sums of sines: the exact way to render whatever repeats.

A line spectrum is x(t) = Re sum c_k exp(2 pi i f_k t). It is rendered as one matrix product:
exp(i w (aK + b)) separates into a factor of a and a factor of b, so n samples of L lines cost
4 L n multiply-adds in the matrix library and only 2 L sqrt(n) exponentials. Where there are very
many lines (rippling rails that limit) a non-uniform transform is cheaper: each line is spread over
a few bins of a twice longer spectrum, one inverse transform, and the spreading is divided out
(A. Dutt, V. Rokhlin, "Fast Fourier transforms for nonequispaced data", 1993; Kaiser-Bessel kernel).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]
Complex = NDArray[np.complex128]

_MANY_LINES = 300
_KERNEL_BINS = 14
_KERNEL_BETA = 0.98 * math.pi * _KERNEL_BINS * 0.75
"""Kernel for a spectrum of twice the length: relative error below 1e-10."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Frequencies in Hz (either sign, 0 for DC) and complex peak amplitudes in V at t = 0."""

    frequency_hz: Samples
    amplitude: Complex

    def __add__(self, other: "Lines") -> "Lines":
        return Lines(
            frequency_hz=np.concatenate([self.frequency_hz, other.frequency_hz]),
            amplitude=np.concatenate([self.amplitude, other.amplitude]),
        )

    def scaled(self, factor: Complex | Samples | float) -> "Lines":
        """The same lines, each multiplied by its factor."""
        return Lines(frequency_hz=self.frequency_hz, amplitude=self.amplitude * factor)

    def above(self, floor_v: float) -> "Lines":
        """Only the lines of more than floor_v peak."""
        keep = np.abs(self.amplitude) > floor_v
        return Lines(frequency_hz=self.frequency_hz[keep], amplitude=self.amplitude[keep])

    def rms_ac(self) -> float:
        """Root mean square of all lines but DC, V."""
        amplitude = self.amplitude[self.frequency_hz != 0.0]
        return float(np.sqrt(0.5 * np.sum(np.abs(amplitude) ** 2)))

    def mean_over(self, seconds: float) -> float:
        """Average over an interval of this length that begins at t = 0, V."""
        x = self.frequency_hz * seconds
        return float(np.sum((self.amplitude * np.sinc(x) * np.exp(1j * np.pi * x)).real))


def imaginary(x: Samples) -> Complex:
    """The array times i."""
    return np.asarray(1j * x, dtype=np.complex128)


def no_lines() -> Lines:
    """Silence."""
    return Lines(frequency_hz=np.empty(0), amplitude=np.empty(0, dtype=np.complex128))


def lines_of(*pairs: tuple[float, complex]) -> Lines:
    """Lines from (frequency in Hz, complex peak amplitude in V) pairs."""
    return Lines(
        frequency_hz=np.array([f for f, _ in pairs], dtype=np.float64),
        amplitude=np.array([a for _, a in pairs], dtype=np.complex128),
    )


def synthesise(lines: Lines, samples: int, sample_rate_hz: float) -> Samples:
    """Samples of a line spectrum from t = 0 on, shape (samples,), V."""
    if lines.frequency_hz.size == 0 or samples == 0:
        return np.zeros(samples)
    if lines.frequency_hz.size > _MANY_LINES and samples > _KERNEL_BINS**2:
        return _synthesise_many(lines, samples, sample_rate_hz)
    return _synthesise_few(lines, samples, sample_rate_hz)


def _synthesise_few(lines: Lines, samples: int, sample_rate_hz: float) -> Samples:
    width = max(1, math.isqrt(samples))
    rows = -(-samples // width)
    step = 2.0 * np.pi * lines.frequency_hz / sample_rate_hz
    inner = _rotations(step, width)
    outer = _rotations(step * width, rows) * lines.amplitude[:, None]
    left = np.concatenate([outer.real, -outer.imag])
    right = np.concatenate([inner.real, inner.imag])
    product: Samples = left.T @ right
    return product.reshape(-1)[:samples]


def _synthesise_many(lines: Lines, samples: int, sample_rate_hz: float) -> Samples:
    half = fast_length(samples)
    size = 2 * half
    position = np.mod(lines.frequency_hz / sample_rate_hz, 1.0) * size
    centre = half // 2
    amplitude = lines.amplitude * np.exp(2j * np.pi * position * (centre / size))
    first = np.ceil(position - 0.5 * _KERNEL_BINS).astype(np.intp)
    bins = first[:, None] + np.arange(_KERNEL_BINS)
    weight = _kernel(bins - position[:, None]) * amplitude[:, None]
    index = np.mod(bins, size).ravel()
    grid = np.bincount(index, weight.real.ravel(), size) + 1j * np.bincount(
        index, weight.imag.ravel(), size
    )
    folded = grid[: half + 1].copy()
    folded[1:] += np.conj(grid[: half - 1 : -1])
    folded[0] += np.conj(grid[0])
    x = np.fft.irfft(folded, n=size) * (0.5 * size)
    x = np.concatenate([x[-centre:], x[: samples - centre]])[:samples]
    return x / _kernel_transform((np.arange(samples) - centre) / size)


def _kernel(offset: Samples) -> Samples:
    inside = np.maximum(0.0, 1.0 - (2.0 * offset / _KERNEL_BINS) ** 2)
    weight: Samples = np.i0(_KERNEL_BETA * np.sqrt(inside))
    return weight


def _kernel_transform(time: Samples) -> Samples:
    root = np.sqrt(_KERNEL_BETA**2 - (np.pi * _KERNEL_BINS * time) ** 2)
    transform: Samples = _KERNEL_BINS * np.sinh(root) / root
    return transform


def fast_length(at_least: int) -> int:
    """Smallest even length of factors 2, 3 and 5 that is not below at_least."""
    best = 1 << max(1, (at_least - 1).bit_length())
    for threes in (1, 3, 9, 27, 81):
        for fives in (1, 5, 25, 125):
            odd = threes * fives
            twos = max(1, (-(-at_least // odd) - 1).bit_length())
            best = min(best, odd << twos)
    return best


def _rotations(step: Samples, count: int) -> Complex:
    """exp(i step n), n < count, by two short tables instead of count exponentials a line."""
    short = math.isqrt(count) + 1
    fine = np.exp(1j * step[:, None] * np.arange(short))
    coarse = np.exp(1j * (step * short)[:, None] * np.arange(-(-count // short)))
    table = coarse[:, :, None] * fine[:, None, :]
    flat: Complex = table.reshape(step.size, -1)[:, :count]
    return flat


def grid_frequencies(shape: tuple[int, int], first_hz: float, last_hz: float) -> Samples:
    """Frequency of each element of rfft2 over a grid of two phases, first axis first_hz."""
    rows, columns = shape
    first = np.fft.fftfreq(rows, 1.0 / rows) * first_hz
    last = np.arange(columns // 2 + 1) * last_hz
    frequency: Samples = first[:, None] + last[None, :]
    return frequency


def grid_amplitudes(spectrum: Complex, shape: tuple[int, int]) -> Complex:
    """Amplitudes of an rfft2 such that x(t) = Re sum a exp(2 pi i f t), f of grid_frequencies."""
    amplitude = spectrum * (2.0 / (shape[0] * shape[1]))
    amplitude[:, 0] *= 0.5
    return amplitude
