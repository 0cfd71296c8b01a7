"""Least-squares fit of sines to a record: frequencies given, or found by iteration.

Theory of operation
-------------------
A record x[n] of N samples is described as

    x[n] = offset + sum_k Re(c_k exp(i w_k m)) + sum_j Re(d_j m exp(i w_j m)),   m = n - (N - 1)/2,

with one complex amplitude c_k (peak, phase at mid-record) a line and, for lines whose frequency is
not known exactly, a drift term d_j: to first order a line at w + dw has d = i dw c. Solving for the
drift terms as well and moving w by dw = Im(d/c) is the Gauss-Newton iteration of the four-parameter
fit of IEEE Std 1057; the real part of d/c is a slope of the amplitude, which comes for free.

The inner products this takes are computed in line_sums.

References
----------
IEEE Std 1057, sine fit with three and four parameters.
S. M. Kay, "Fundamentals of Statistical Signal Processing: Estimation Theory", 1993, example 3.14
(the bound that the fit reaches).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sequencer.analysis.arrays import (
    Phasors,
    Samples,
    Spectral,
    as_samples,
    sum_of_squares,
)
from sequencer.analysis.line_sums import Fold, line_grams, line_sums
from sequencer.analysis.spectrum import Periodogram, hann, peak_position, periodogram

# samples: enough for a start inside the main lobe of a record 200 times longer
_FIRST_STAGE = 2**14
_CYCLES_OF_FIRST_STAGE = 8.0
_CACHED = 2**15  # samples that stay in the cache between two passes
_MOST_STEPS = 12
_LEAST_APART_BINS = 0.5  # of two drifting lines: nearer, no fit can tell them from one


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """Lines fitted jointly to a record, beside its mean.

    amplitude is complex, peak volts, with the phase at mid-record (a cosine has phase 0).
    frequency_hz is what the amplitudes were fitted at; correction_hz says how far the drifting
    lines should move (0 for the others). The gains turn a noise variance (volts squared a sample,
    white) into E|error|^2 of each amplitude, and into variances of offset and of each corrected
    frequency.
    """

    frequency_hz: Spectral
    amplitude: Phasors
    offset_v: float
    correction_hz: Spectral
    amplitude_gain: Spectral
    offset_gain: float
    frequency_gain_hz2: Spectral


@dataclass(frozen=True, slots=True, kw_only=True)
class SineFit:
    """One sine fitted to a record with its frequency free.

    amplitude_v is peak, phase_rad at mid-record. noise_v2 is the mean square of the residual over
    the degrees of freedom; the variances are those of the fit in white noise of that size.
    """

    frequency_hz: float
    amplitude_v: float
    phase_rad: float
    offset_v: float
    noise_v2: float
    amplitude_variance_v2: float
    phase_variance_rad2: float
    frequency_variance_hz2: float


def fit_sine(samples: Samples, sample_rate_hz: float, *, start_hz: float | None = None) -> SineFit:
    """The sine that fits a record best, frequency included (IEEE Std 1057, four parameters).

    Parameters
    ----------
    samples : shape (n,), volts, at least two cycles of the sine
    sample_rate_hz : samples a second
    start_hz : where the iteration starts, within half a bin (sample rate / n) of the truth; without
        it the strongest line of the record

    Raises
    ------
    ValueError : fewer than 8 samples
    """
    if samples.size < 8:
        raise ValueError(f"samples: {samples.size} of them; a sine fit needs at least 8")
    start = find_strongest_hz(samples, sample_rate_hz) if start_hz is None else start_hz
    fit = refine_lines(samples, sample_rate_hz, [start], drifting=[0])
    line = complex(fit.amplitude[0])
    rest = remove_lines(samples, sample_rate_hz, fit)
    noise_v2 = sum_of_squares(rest) / max(samples.size - 4, 1)
    radial_v2 = noise_v2 * float(fit.amplitude_gain[0]) / 2
    return SineFit(
        frequency_hz=float(fit.frequency_hz[0]),
        amplitude_v=abs(line),
        phase_rad=float(np.angle(line)),
        offset_v=fit.offset_v,
        noise_v2=noise_v2,
        amplitude_variance_v2=radial_v2,
        phase_variance_rad2=radial_v2 / max(abs(line) ** 2, np.finfo(float).tiny),
        frequency_variance_hz2=noise_v2 * float(fit.frequency_gain_hz2[0]),
    )


def find_strongest_hz(samples: Samples, sample_rate_hz: float) -> float:
    """Frequency of the strongest line, good to a few hundredths of a bin of the record's middle.

    Taken from the Hann spectrum of up to 2^14 middle samples (more where that holds fewer than
    eight cycles), between its two highest bins, then
    sharpened by a fit over those samples, so that a start for the whole record lies well inside
    its main lobe.
    """
    length = min(samples.size, _FIRST_STAGE)
    while True:
        part = _middle(samples, length)
        start_hz = _peak_of_spectrum_hz(part, sample_rate_hz)
        if length == samples.size or start_hz * length >= _CYCLES_OF_FIRST_STAGE * sample_rate_hz:
            break
        length = min(samples.size, 8 * length)
    fit = refine_lines(part, sample_rate_hz, [start_hz], drifting=[0], tolerance_rad=0.1)
    found = float(fit.frequency_hz[0])
    bin_hz = sample_rate_hz / length
    return found if abs(found - start_hz) < bin_hz else start_hz


def refine_lines(
    samples: Samples,
    sample_rate_hz: float,
    frequencies_hz: Sequence[float] | Spectral,
    *,
    drifting: Sequence[int],
    tolerance_rad: float = 1e-5,
) -> LineFit:
    """Lines fitted jointly, the frequencies of the drifting ones found by Gauss-Newton iteration.

    Two drifting lines that run into one, half a bin apart or less, end it: the frequencies show it,
    and the amplitudes are those of the step before.

    Parameters
    ----------
    frequencies_hz : starts; a drifting one within half a bin (sample rate / n) of its truth
    drifting : indices of the lines whose frequency is free
    tolerance_rad : the iteration ends when no line's phase moves by more than this over the record;
        the last move is applied to the frequency, which leaves its error of the order of the cube,
        but not to the amplitudes, whose relative error is then below tolerance_rad^2 / 24
    """
    frequency = np.array(frequencies_hz, dtype=np.float64)
    bin_hz = sample_rate_hz / samples.size
    fit = fit_lines(samples, sample_rate_hz, frequency, drifting=drifting)
    for _ in range(_MOST_STEPS):
        step = np.clip(fit.correction_hz, -0.5 * bin_hz, 0.5 * bin_hz)
        frequency = np.clip(frequency + step, 0.1 * bin_hz, sample_rate_hz / 2 - 0.1 * bin_hz)
        if float(np.max(np.abs(step), initial=0.0)) < tolerance_rad / (2 * np.pi) * bin_hz:
            break
        apart_hz = np.diff(np.sort(frequency[list(drifting)]))
        if float(np.min(apart_hz, initial=np.inf)) < _LEAST_APART_BINS * bin_hz:
            break
        fit = fit_lines(samples, sample_rate_hz, frequency, drifting=drifting)
    return replace(fit, frequency_hz=frequency)


def fit_lines(
    samples: Samples,
    sample_rate_hz: float,
    frequencies_hz: Sequence[float] | Spectral,
    *,
    drifting: Sequence[int] = (),
) -> LineFit:
    """Offset and lines at given frequencies by linear least squares, in one pass over the record.

    Parameters
    ----------
    frequencies_hz : above 0, below half the sample rate, at least about half a bin apart
    drifting : indices of the lines that also get a drift term, see the module's theory

    Raises
    ------
    ValueError : a frequency outside (0, half the sample rate)
    """
    frequency = np.array(frequencies_hz, dtype=np.float64)
    if frequency.size and not 0 < frequency.min() <= frequency.max() < sample_rate_hz / 2:
        raise ValueError(
            f"frequencies_hz: {frequency}; expected between 0 and half the sample rate"
        )
    # the offset is a line at 0 Hz, without a sine
    omega = np.append(0.0, 2 * np.pi * frequency / sample_rate_hz)
    moving = np.array(drifting, dtype=np.intp)
    count, lines = samples.size, frequency.size
    sums, moments = line_sums(samples, omega, moving + 1)
    even_gram, odd_gram = line_grams(count, omega, omega[moving + 1])
    even, even_variance = _solve(even_gram, np.concatenate([sums.real, -moments.imag]))
    odd, odd_variance = _solve(odd_gram[1:, 1:], np.concatenate([-sums[1:].imag, moments.real]))
    amplitude = even[1 : lines + 1] - 1j * odd[:lines]
    drift = odd[lines:] - 1j * even[lines + 1 :]
    correction, frequency_gain = np.zeros(lines), np.zeros(lines)
    for j, line in enumerate(moving):
        rotation, gain = _rotation(
            amplitude[line], drift[j], even_variance[lines + 1 + j], odd_variance[lines + j]
        )
        correction[line] = rotation * sample_rate_hz / (2 * np.pi)
        frequency_gain[line] = gain * (sample_rate_hz / (2 * np.pi)) ** 2
    return LineFit(
        frequency_hz=frequency,
        amplitude=amplitude,
        offset_v=float(even[0]),
        correction_hz=correction,
        amplitude_gain=even_variance[1 : lines + 1] + odd_variance[:lines],
        offset_gain=float(even_variance[0]),
        frequency_gain_hz2=frequency_gain,
    )


def shared_correction_hz(fit: LineFit, moving: Sequence[int], multiples: Sequence[int]) -> float:
    """How far a frequency should move whose multiples are drifting lines, weighted by their power."""
    index, multiple = np.array(moving), np.array(multiples, dtype=np.float64)
    weight = multiple * np.abs(fit.amplitude[index]) ** 2
    return float(weight @ fit.correction_hz[index] / (weight @ multiple))


def remove_lines(samples: Samples, sample_rate_hz: float, fit: LineFit) -> Samples:
    """What is left of a record after taking off a fit's offset and lines (drift terms not used)."""
    rest = np.empty(samples.size)
    _subtract_lines(samples, sample_rate_hz, fit, rest)
    return rest


def residual_periodogram(samples: Samples, sample_rate_hz: float, fit: LineFit) -> Periodogram:
    """Periodogram of what a fit leaves of a record, which is stored in single precision only."""
    rest = np.empty(samples.size, dtype=np.float32)
    _subtract_lines(samples, sample_rate_hz, fit, rest)
    return periodogram(rest, sample_rate_hz)


def residual_and_peaks(
    samples: Samples, sample_rate_hz: float, fit: LineFit
) -> tuple[Periodogram, Samples]:
    """The same, and the largest excursion, V, of each successive Fold.columns samples of the rest.

    What is left over at the record's end counts with the last of them.
    """
    rest = np.empty(samples.size, dtype=np.float32)
    _subtract_lines(samples, sample_rate_hz, fit, rest)
    fold = Fold.of(samples.size)
    rows = fold.body(rest)
    peaks = np.maximum(rows.max(axis=1), -rows.min(axis=1))
    peaks[-1] = max(peaks[-1], np.abs(fold.tail(rest)).max(initial=0.0))
    return periodogram(rest, sample_rate_hz), peaks.astype(np.float64)


def _subtract_lines(
    samples: Samples, sample_rate_hz: float, fit: LineFit, rest: NDArray[np.floating]
) -> None:
    """Write into rest what a fit leaves, a group of rows at a time to stay in the cache.

    The offset is a line at 0 Hz; Re(u v) of a row's and a column's turn is the inner product of
    (Re u, Im u) with (Re v, -Im v).
    """
    omega = 2 * np.pi * np.append(fit.frequency_hz, 0.0) / sample_rate_hz
    amplitude = np.append(fit.amplitude, fit.offset_v)
    fold = Fold.of(samples.size)
    left = (fold.row_turns(omega) * amplitude).view(np.float64)
    right = fold.column_turns(-omega).view(np.float64).T
    body, body_rest = fold.body(samples), fold.body(rest)
    group = max(1, _CACHED // fold.columns)
    model = np.empty((group, fold.columns))
    for first in range(0, fold.rows, group):
        rows = slice(first, min(first + group, fold.rows))
        part = np.matmul(left[rows], right, out=model[: rows.stop - first])
        np.subtract(body[rows], part, out=body_rest[rows], casting="same_kind")
    tail = fold.tail(rest)
    if tail.size:
        tail[:] = fold.tail(samples) - (fold.tail_turns(omega) @ amplitude).real


def group_means(
    samples: Samples, sample_rate_hz: float, group: int, *, without: LineFit | None = None
) -> tuple[Samples, float]:
    """Means of groups of samples, without a fit's offset and lines, and their rate in Hz.

    A copy at a lower rate that keeps the signal-to-noise ratio of what lies far below that rate.
    The lines are subtracted after averaging (a line passes as its value in the middle of the
    group times the group's response), which costs little.
    """
    whole = samples.size // group
    grouped = samples[: whole * group].reshape(whole, group)
    slow = np.einsum("ij->i", grouped) / group
    if without is None:
        return slow, sample_rate_hz / group
    omega = 2 * np.pi * without.frequency_hz / sample_rate_hz
    response = np.sin(group * omega / 2) / (group * np.sin(omega / 2))
    to_middle = np.exp(1j * omega * (whole * group - samples.size) / 2)
    averaged = replace(without, amplitude=without.amplitude * response * to_middle)
    return remove_lines(slow, sample_rate_hz / group, averaged), sample_rate_hz / group


def _rotation(
    line: complex, drift: complex, sine_variance: float, cosine_variance: float
) -> tuple[float, float]:
    """Frequency correction Im(d/c) in rad a sample, and its variance over that of the noise.

    The drift is q - i p with p before m sin and q before m cos; Im(d/c) weights q by -sin and p by
    -cos of the line's phase.
    """
    power = abs(line) ** 2
    if power == 0:
        return 0.0, float("inf")
    c, s = line.real**2 / power, line.imag**2 / power
    return (drift / line).imag, (c * sine_variance + s * cosine_variance) / power


def _solve(gram: NDArray[np.float64], products: NDArray[np.float64]) -> tuple[Samples, Samples]:
    """Solution of the normal equations and the diagonal of the inverse (variances, unit noise)."""
    scale = 1 / np.sqrt(gram.diagonal())
    inverse = np.linalg.inv(scale[:, np.newaxis] * gram * scale)
    return scale * (inverse @ (scale * products)), scale**2 * inverse.diagonal()


def _middle(samples: Samples, length: int) -> Samples:
    first = (samples.size - length) // 2
    return samples[first : first + length]


def _peak_of_spectrum_hz(samples: Samples, sample_rate_hz: float) -> float:
    """Frequency of the highest peak of the Hann spectrum, placed between bins."""
    bins = np.fft.rfft((samples - samples.mean()) * hann(samples.size))
    power = np.square(bins.real) + np.square(bins.imag)
    peak = 1 + int(np.argmax(power[1:-1]))
    return peak_position(power, peak) * sample_rate_hz / samples.size


def fit_known_tones(
    samples: ArrayLike, sample_rate_hz: float, frequencies_hz: Sequence[float]
) -> Phasors:
    """Complex amplitudes of tones of known frequency, fitted jointly with the mean.

    Peak volts, phase at mid-record (a cosine has phase 0), in the order of the frequencies. The
    frequencies must be known to a small part of sample rate / n, else amplitudes read low by
    (pi times the error in bins)^2 / 6.

    Parameters
    ----------
    samples : shape (n,), volts
    frequencies_hz : above 0, below half the sample rate, at least about half a bin apart

    Raises
    ------
    ValueError : a frequency outside (0, half the sample rate)
    """
    return fit_lines(as_samples(samples), sample_rate_hz, frequencies_hz).amplitude
