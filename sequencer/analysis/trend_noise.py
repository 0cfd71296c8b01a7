"""Noise beside a course that is fitted to a trend, from what the fit leaves.

Described as white and 1/f noise behind the averaging: an offset's wander is slow, and counts far more
for a time constant than its r.m.s. says.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples
from sequencer.analysis.likely_noise import LikelyNoise

Matrix = NDArray[np.float64]

READ_SHARE = 0.75  # of the points' bandwidth; beyond, averaging leaves nothing to read noise by
_PADDING = 8  # records
_FEWEST_BINS = 13
_LEAST_LEFT = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendNoise:
    """Noise of a trend's points, one-sided: white and 1/f noise behind the averaging, V^2/Hz."""

    likely: LikelyNoise
    step_s: float
    kernel_s: float

    @classmethod
    def of(cls, rest: Samples, jacobian: Matrix, step_s: float, kernel_s: float) -> "TrendNoise":
        """The noise of a residual, by the likelihood of its periodogram up to a share of the bandwidth.

        What is expected of a bin is exact: the fitted course has taken some of it, and slow noise
        leaks. Bins of which hardly anything is left aren't read.
        """
        power = np.abs(np.fft.rfft(rest)) ** 2
        read = slice(1, max(_FEWEST_BINS, round(READ_SHARE * power.size)))
        padded = padded_frequency(rest.size, step_s)
        basis = np.ascontiguousarray(np.linalg.qr(jacobian)[0].T)
        white, flicker = (
            _expected_power(basis, density / (2.0 * step_s))[read]
            for density in _shapes(padded, step_s, kernel_s)
        )
        kept = white > _LEAST_LEFT * np.max(white)
        likely = LikelyNoise.of(
            power[read][kept],
            white=white[kept],
            flicker=flicker[kept],
            weight=np.full(np.count_nonzero(kept), 2.0),
            span=(1.0 / (rest.size * step_s), white.size / (rest.size * step_s)),
        )
        return cls(likely=likely, step_s=step_s, kernel_s=kernel_s)

    def density(self, frequency_hz: Samples) -> Samples:
        """One-sided density of the points on average over what may be, V^2/Hz."""
        return self.likely.mean @ self.shapes(frequency_hz)

    def shapes(self, frequency_hz: Samples) -> Matrix:
        """What a density of 1 V^2/Hz of white noise, and of 1/f noise at 1 Hz, makes of the points."""
        return _shapes(frequency_hz, self.step_s, self.kernel_s)


def _shapes(frequency_hz: Samples, step_s: float, kernel_s: float) -> Matrix:
    """Of white noise two successive means, each of its own noise, make cos^2."""
    white = np.ones_like(frequency_hz)
    if kernel_s:
        white = np.cos(np.pi * frequency_hz * step_s) ** 2
    inside = np.sinc(frequency_hz * kernel_s) ** 2
    return np.array([white, white * inside / frequency_hz])


def padded_size(points: int) -> int:
    """Of a transform that looks at frequencies down to an eighth of a cycle in so many points."""
    return int(scipy.fft.next_fast_len(_PADDING * points, real=True))


def padded_frequency(points: int, step_s: float) -> Samples:
    """Frequencies of that transform, Hz, without 0."""
    size = padded_size(points)
    return np.arange(1, size // 2 + 1) / (size * step_s)


def _expected_power(basis: Matrix, density: Samples) -> Samples:
    """Mean |rfft|^2 of what is left of noise beside columns that are fitted to it.

    The diagonal of F P C P F', with F the transform, P = 1 - Q Q' the projection beside the columns
    and C the noise's covariance, a circulant of the padded length.

    Parameters
    ----------
    basis : Q', orthonormal rows, shape (parameters, points)
    density : of the noise at each padded frequency; 1 everywhere has a variance of 1 a point
    """
    points = basis.shape[1]
    size = padded_size(points)
    whole = np.concatenate(([0.0], density))
    lags = np.fft.irfft(whole, n=size)[:points] * np.arange(points, 0, -1)
    of_noise = 2.0 * np.fft.rfft(lags).real - lags[0]
    passed = np.fft.irfft(np.fft.rfft(basis, n=size) * whole, n=size)[:, :points]
    taken, beside = np.fft.rfft(basis), np.fft.rfft(passed)
    both = ((basis @ passed.T) @ taken - 2.0 * beside) * np.conj(taken)
    return np.asarray(of_noise + np.sum(both, axis=0).real)
