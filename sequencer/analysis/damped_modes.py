"""Damped sines fitted jointly to a record: several modes that ring down at the same time.

The record is x[n] = c + sum_m Re(a_m exp(s_m t)) + white noise, with s_m = -1/tau_m + 2 pi i f_m.
Modes are found one by one, each where what is left by those before holds the most energy of a
damped sine (a spectrum of the rest for each of ten trial decays: the matched filter), and after each
all of them are fitted jointly by Gauss-Newton iteration, so that neighbours and beats don't disturb
one another. Steady lines (hum) are found and fitted the same way and told apart by their decay.

References
----------
S. M. Kay, "Fundamentals of Statistical Signal Processing: Estimation Theory", 1993 (covariance from
the inverse of the normal matrix, which is the bound in white noise).
"""

from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from sequencer.analysis.arrays import Phasors, Samples, Spectral

_TRIAL_DECAYS = 10
_SHORTEST_TAU_S = 5e-3
_SEEN = 30.0  # energy over that of noise; noise alone does that once in 10^6 records
_STEPS = 15
_SETTLED = 1e-5  # rad, or nepers, at the end of the record
_LEAST_HZ = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DampedLines:
    """Fitted damped sines, in the order found.

    amplitude is complex, peak volts at the record's start; pole is s in 1/s. amplitude_variance_v2,
    rate_variance (1/s^2) and frequency_variance_hz2 are those of abs(amplitude), of 1/tau and of f;
    noise_v2 is the noise around each, as the variance a sample of white noise as dense.
    rest is the residual, V, at rate_hz samples a second; steady_v is what was fitted beside the lines,
    None where nothing was.
    """

    amplitude: Phasors
    pole: Phasors
    amplitude_variance_v2: Spectral
    rate_variance: Spectral
    frequency_variance_hz2: Spectral
    noise_v2: Spectral
    rest: Samples
    rate_hz: float
    steady_v: Samples | None = None

    @property
    def rate(self) -> Spectral:
        """Decay rate 1/tau of each, 1/s; near 0 for a steady line."""
        return -self.pole.real

    @property
    def energy_v2(self) -> Spectral:
        """Energy of each, as in Candidate."""
        span = self.rest.size
        step = self.rate / self.rate_hz  # nepers a sample
        step = np.where(step == 0.0, 1e-12, step)  # an exactly steady line: the limit is its span
        waves = np.expm1(-2.0 * step * span) / np.expm1(-2.0 * step)
        return np.asarray(np.abs(self.amplitude) ** 2 / 4.0 * waves)

    @property
    def frequency_hz(self) -> Spectral:
        """Frequency of each."""
        return self.pole.imag / (2.0 * np.pi)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """Where the most energy is left: the pole, and how much.

    energy_v2 is abs(sum x w)^2 / sum abs(w)^2 for the wave w = exp(pole t): a damped sine of
    amplitude a has about abs(a)^2/4 sum abs(w)^2.
    """

    pole: complex
    energy_v2: float


def find_candidate(
    rest: Samples, rate_hz: float, highest_hz: float, avoid: NDArray[np.float64]
) -> Candidate | None:
    """The damped sine that would explain most of a residual; None where nothing stands out.

    avoid lists (lower, upper) frequencies not to look at, shape (n, 2).
    """
    count = rest.size
    length = scipy.fft.next_fast_len(count, real=True)
    time = np.arange(count) / rate_hz
    frequency = np.arange(length // 2 + 1) * rate_hz / length
    allowed = (frequency >= _LEAST_HZ) & (frequency <= highest_hz)
    for low, high in avoid:
        allowed &= (frequency < low) | (frequency > high)
    best: Candidate | None = None
    most = 0.0
    for tau in np.geomspace(_SHORTEST_TAU_S, 3.0 * time[-1], _TRIAL_DECAYS):
        window = np.exp(-time / tau)
        weight = float(np.sum(window * window))
        line = scipy.fft.rfft(rest * window, length)
        energy = (line.real**2 + line.imag**2) * (allowed / weight)
        k = int(np.argmax(energy))
        noise = _local_median(energy, k, max(int(8.0 * length / count), 64)) / np.log(2.0)
        if energy[k] > most and energy[k] > _SEEN * noise:
            most = float(energy[k])
            pole = complex(-1.0 / tau, 2.0 * np.pi * frequency[k])
            best = Candidate(pole=pole, energy_v2=most)
    return best


def _local_median(energy: Spectral, centre: int, guard: int) -> float:
    """Median of the energies to both sides of a bin, guard left out, zeros (not looked at) too."""
    reach = 12 * guard
    near = np.r_[
        energy[max(centre - reach, 0) : max(centre - guard, 0)],
        energy[centre + guard : centre + reach],
    ]
    near = near[near > 0.0]
    return float(np.median(near)) if near.size else 0.0


def fit_damped_lines(
    samples: Samples, rate_hz: float, poles: Phasors, steady: NDArray[np.float64] | None = None
) -> DampedLines:
    """Damped sines from starting poles by Gauss-Newton iteration, all jointly, and a constant.

    Parameters
    ----------
    poles : starts, each within about a half-power width of its truth; shape (modes,)
    steady : orthonormal columns, shape (n, columns), any sum of which is fitted as well (hum)
    """
    time = np.arange(samples.size) / rate_hz
    centred = without_columns(samples - np.mean(samples), steady)
    at = _normal_equations(centred, time, poles.astype(np.complex128), steady)
    damping = 0.0
    for _ in range(_STEPS):
        trial = _bounded(at.pole + _step(at, damping), time, rate_hz)
        moved = float(np.max(np.abs(trial - at.pole)) * time[-1])
        if moved < _SETTLED:
            break
        there = _normal_equations(centred, time, trial, steady)
        if there.squares > at.squares * (1.0 + 1e-9):
            if damping > 1e4:
                break
            damping = max(10.0 * damping, 1e-2)
            continue
        at = there
        damping = 0.0 if damping < 1e-3 else damping / 10.0
    fitted = _with_variances(centred, rate_hz, time, at, steady)
    if steady is None:
        return fitted
    lines = at.constant + (damped_waves(time, at.pole) @ at.amplitude).real
    beside = steady @ (steady.T @ (samples - np.mean(samples) - lines))
    return replace(fitted, steady_v=beside)


def without_columns(
    values: NDArray[np.float64], steady: NDArray[np.float64] | None
) -> NDArray[np.float64]:
    """What orthonormal columns leave of values, along the first axis."""
    return values if steady is None else np.asarray(values - steady @ (steady.T @ values))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Normal:
    """Everything of one iteration that the record is needed for.

    gram and product belong to the columns (Re w, Im w, t Re w, t Im w, 1) of all waves
    w = exp(pole t); the derivatives by amplitudes and poles are sums of these columns, so the long
    record is gone through once an iteration.
    """

    pole: Phasors
    amplitude: Phasors
    constant: float
    gram: NDArray[np.float64]
    product: Samples
    squares: float


def _normal_equations(
    samples: Samples, time: Samples, pole: Phasors, steady: NDArray[np.float64] | None
) -> _Normal:
    columns = without_columns(tangent_columns(damped_waves(time, pole), time), steady)
    gram, product = columns.T @ columns, columns.T @ samples
    count = pole.size
    linear = np.r_[0 : 2 * count, 4 * count]
    solved = _solve(gram[np.ix_(linear, linear)], product[linear])
    squares = float(np.sum(samples * samples)) - float(solved @ product[linear])
    return _Normal(
        pole=pole,
        amplitude=solved[:count] - 1j * solved[count : 2 * count],
        constant=float(solved[-1]),
        gram=gram,
        product=product,
        squares=squares,
    )


def _derivatives(at: _Normal) -> NDArray[np.float64]:
    """The Jacobian as sums of the columns: by Re a, Im a, Re s, Im s of each wave, the constant.

    d/d(Re a) = Re w, d/d(Im a) = -Im w, d/d(Re s) = Re(a t w), d/d(Im s) = -Im(a t w).
    """
    count = at.pole.size
    real, imaginary = np.diag(at.amplitude.real), np.diag(at.amplitude.imag)
    sums = np.zeros((4 * count + 1, 4 * count + 1))
    a, b, c, d = (slice(k * count, (k + 1) * count) for k in range(4))
    sums[a, a], sums[b, b] = np.eye(count), -np.eye(count)
    sums[c, c], sums[d, c] = real, -imaginary
    sums[d, d], sums[c, d] = -real, -imaginary
    sums[-1, -1] = 1.0
    return sums


def _step(at: _Normal, damping: float) -> Phasors:
    """Change of the poles that the linearised fit asks for."""
    count = at.pole.size
    sums = _derivatives(at)
    fitted = np.concatenate(
        [at.amplitude.real, -at.amplitude.imag, np.zeros(2 * count), [at.constant]]
    )
    downhill = sums.T @ (at.product - at.gram @ fitted)
    solved = _solve(sums.T @ at.gram @ sums, downhill, damping)
    return np.asarray(solved[2 * count : 3 * count] + 1j * solved[3 * count : 4 * count])


def _solve(gram: NDArray[np.float64], product: Samples, damping: float = 0.0) -> Samples:
    """Solution of scaled normal equations; a hair of damping keeps twins solvable."""
    scale = np.sqrt(np.maximum(np.diag(gram), 1e-300))
    scaled = gram / np.outer(scale, scale)
    scaled[np.diag_indices_from(scaled)] += 1e-13 + damping
    return np.asarray(np.linalg.solve(scaled, product / scale) / scale)


def damped_waves(time: Samples, pole: Phasors) -> NDArray[np.complex128]:
    """exp(pole t) for each pole, shape (times, poles), by products of two short tables."""
    columns = int(np.sqrt(time.size)) + 1
    rows = -(-time.size // columns)
    step = time[1] - time[0]
    fine = np.exp(np.outer(np.arange(columns) * step, pole))
    coarse = np.exp(np.outer(np.arange(rows) * (columns * step), pole))
    both = coarse[:, np.newaxis, :] * fine[np.newaxis, :, :]
    return np.asarray(both.reshape(rows * columns, pole.size)[: time.size])


def tangent_columns(waves: NDArray[np.complex128], time: Samples) -> NDArray[np.float64]:
    """What a fit of waves w, amplitudes and poles free, can follow: Re w, Im w, t Re w, t Im w, and 1.

    Shape (times, 4 waves + 1).
    """
    moved = waves * time[:, np.newaxis]
    one = np.ones((time.size, 1))
    return np.hstack([waves.real, waves.imag, moved.real, moved.imag, one])


def scaled_inverse(gram: NDArray[np.float64], scale: Samples, least: float) -> NDArray[np.float64]:
    """Pseudo-inverse of normal equations, each column over its scale.

    Eigenvalues below least, over the largest, are left out.
    """
    both = np.outer(scale, scale)
    return np.asarray(np.linalg.pinv(gram / both, rcond=least, hermitian=True) / both)


def _bounded(pole: Phasors, time: Samples, rate_hz: float) -> Phasors:
    """Poles kept inside what the record can show: no growth beyond e, below half the rate."""
    rate = np.clip(-pole.real, -1.0 / time[-1], 1.0 / (0.2 * _SHORTEST_TAU_S))
    omega = np.clip(pole.imag, 1.0, np.pi * rate_hz * 0.999)
    return np.asarray(-rate + 1j * omega)


def _with_variances(
    samples: Samples,
    rate_hz: float,
    time: Samples,
    at: _Normal,
    steady: NDArray[np.float64] | None,
) -> DampedLines:
    """The fit with its covariance, scaled by the density of the residual around each mode."""
    count = at.pole.size
    rest = samples - at.constant - (damped_waves(time, at.pole) @ at.amplitude).real
    rest = without_columns(rest, steady)
    sums = _derivatives(at)
    gram = sums.T @ at.gram @ sums
    scale = np.sqrt(np.maximum(np.diag(gram), 1e-300))
    inverse = scaled_inverse(gram, scale, 1e-13)
    noise = noise_around(rest, rate_hz, at.pole.imag / (2.0 * np.pi))
    direction = at.amplitude / np.maximum(np.abs(at.amplitude), 1e-300)
    k = np.arange(count)
    radial = (
        direction.real**2 * inverse[k, k]
        + direction.imag**2 * inverse[count + k, count + k]
        + 2.0 * direction.real * direction.imag * inverse[k, count + k]
    )
    decay, turn = inverse[2 * count + k, 2 * count + k], inverse[3 * count + k, 3 * count + k]
    return DampedLines(
        amplitude=at.amplitude,
        pole=at.pole,
        amplitude_variance_v2=noise * radial,
        rate_variance=noise * decay,
        frequency_variance_hz2=noise * turn / (2.0 * np.pi) ** 2,
        noise_v2=noise,
        rest=rest,
        rate_hz=rate_hz,
    )


def noise_around(rest: Samples, rate_hz: float, frequency_hz: Spectral) -> Spectral:
    """Variance a sample of white noise as dense as the residual within 15 % of each frequency.

    The filter before decimation leaves the residual less dense near half the rate, so its plain
    variance would be too small.
    """
    energy = np.abs(scipy.fft.rfft(rest)) ** 2 / rest.size
    bins = np.arange(energy.size) * rate_hz / rest.size
    level = []
    for frequency in frequency_hz:
        reach = max(0.15 * frequency, 40.0 * rate_hz / rest.size)
        near = energy[(np.abs(bins - frequency) < reach) & (bins > 0.0)]
        level.append(float(np.median(near)) / np.log(2.0) if near.size else 0.0)
    return np.asarray(level)
