"""Noise beside a course that is fitted to a trend, from what the fit leaves.

Described as white and 1/f noise behind the averaging: an offset's wander is slow, and counts far more
for a time constant than its r.m.s. says.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples

Matrix = NDArray[np.float64]

READ_SHARE = 0.75  # of the points' bandwidth; beyond, averaging leaves nothing to read noise by
_PADDING = 8  # records
_FEWEST_BINS = 13
_LEAST_LEFT = 0.1
_RATIOS = 81


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendNoise:
    """Noise of a trend's points, one-sided: white and 1/f noise behind the averaging, V^2/Hz."""

    white: float
    flicker: float
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
        level = float(np.mean(power[read]))
        if not level:
            return cls(white=0.0, flicker=0.0, step_s=step_s, kernel_s=kernel_s)
        one = cls(white=1.0, flicker=1.0, step_s=step_s, kernel_s=kernel_s)
        padded = padded_frequency(rest.size, step_s)
        basis = np.ascontiguousarray(np.linalg.qr(jacobian)[0].T)
        densities = one._white(padded), one._flicker(padded)
        white, flicker = (
            _expected_power(basis, density / (2.0 * step_s))[read] for density in densities
        )
        frequency = np.arange(1, white.size + 1) / (rest.size * step_s)
        kept = white > _LEAST_LEFT * np.max(white)
        shares = _likely_noise(power[read][kept] / level, white[kept], flicker[kept], frequency)
        return cls(
            white=level * shares[0], flicker=level * shares[1], step_s=step_s, kernel_s=kernel_s
        )

    def density(self, frequency_hz: Samples) -> Samples:
        """One-sided density of the points, V^2/Hz."""
        white, flicker = self._white(frequency_hz), self._flicker(frequency_hz)
        return np.asarray(self.white * white + self.flicker * flicker)

    def _white(self, frequency_hz: Samples) -> Samples:
        """White noise: two successive means, each of its own noise, make cos^2."""
        if not self.kernel_s:
            return np.ones_like(frequency_hz)
        return np.asarray(np.cos(np.pi * frequency_hz * self.step_s) ** 2)

    def _flicker(self, frequency_hz: Samples) -> Samples:
        inside = np.sinc(frequency_hz * self.kernel_s) ** 2
        return np.asarray(self._white(frequency_hz) * inside / frequency_hz)


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


def _likely_noise(
    power: Samples, white: Samples, flicker: Samples, frequency: Samples
) -> tuple[float, float]:
    """White and 1/f noise in units of the expected powers given, as they count for a doubt.

    A bin's power is exponentially distributed about its mean (P. Whittle, Arkiv foer Matematik 2, 1953).
    A few slow bins tell 1/f noise poorly, so all that may be is averaged: beforehand none is as
    likely as some, of any corner from the slowest bin to beyond the fastest (uniform in its
    logarithm). Each corner weighs by its square too, for an uncertain variance counts for more than
    its mean (JCGM 101:2008, 6.4.9); by it two standard deviations cover 95 % (Monte Carlo).

    Parameters
    ----------
    power, white, flicker : of each bin, shape (n,); frequency : Hz, of all bins
    """
    corner = np.geomspace(frequency[0], 10.0 * frequency[-1], _RATIOS)
    corner = np.concatenate(([0.0], corner))
    model = white + corner[:, np.newaxis] * flicker
    level = np.mean(power / model, axis=1)
    # the level's own prior, uniform in its logarithm, is integrated over
    fit = -np.sum(np.log(model), axis=1) - power.size * np.log(level)
    weight = np.exp(fit - np.max(fit))
    weight[0] *= _RATIOS
    weight /= np.sum(weight)
    counted = weight * np.where(corner > 0.0, corner**2, 1.0)
    counted[1:] *= np.sum(weight[1:]) / np.sum(counted[1:])
    level *= power.size / (power.size - 1.0)
    return float(counted @ level), float(counted @ (level * corner))
