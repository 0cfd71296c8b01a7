"""What a record's samples resolve, and the doubt of fitted lines that is left where no noise shows.

Theory of operation. Samples are rounded to a step: of a converter, of the decimals in a file, of the
arithmetic. Where noise of about a step or more lies over the signal the rounding is noise too, and is
seen as such in what a fit leaves. Where there is less, rounding repeats with the signal: its error
moves the lines themselves, hides in them, and no longer record averages it out. Where nothing of it is
seen it counts in full: half a step, rectangular (JCGM 100:2008, F.2.2.1: 0.29 of the step). A sine of A
steps that runs through all phases of the steps leaves them mostly as noise, but the error of line k is
still the sum over m of 2/(m pi) J_k(2 pi m A) exp(-2 (pi m sigma)^2) steps, sigma being the noise in
steps (the rounding error as a Fourier series, Bennett 1948, from memory; checked by simulation):
0.2/sqrt(A) without noise.
"""

import numpy as np

from sequencer.analysis.arrays import Samples, Spectral
from sequencer.analysis.noise import noise_of_lines
from sequencer.analysis.sine_fit import LineFit
from sequencer.analysis.spectrum import Periodogram

_NEAR_PEAK = (
    0.9  # of floating-point samples and of rounded decimals the largest have the widest step
)
_LOOKED_AT = 2**14
_FEWEST_GAPS, _MOST_GAPS = 4, 64
_FEWEST_DIFFERENCES = 2  # one value tells nothing of its step
_MOST_ERROR = 0.1  # of a step, that its whole multiples may be uncertain by
_FINEST = 2.0**-32  # of the peak: no converter, and no file of decimals, has so fine a step
_DITHERED = 0.1  # part of a step's own variance that the rest must hold to be taken for its noise
_ROUNDING = 1 / 12  # variance of rounding, in squares of the step


def noise_of_fit(
    samples: Samples, fit: LineFit, residual: Periodogram, *, has_flicker: bool = False
) -> Spectral:
    """b (E|error|^2 of the complex peak amplitude, V^2) of each line fitted to a record.

    The noise around the line in what the fit leaves, and never less than the samples resolve.

    Parameters
    ----------
    samples : shape (n,), volts; what was fitted
    residual : periodogram of the record without the fit's mean and lines
    has_flicker : as for noise_of_lines
    """
    lines_hz = fit.frequency_hz
    noise_v2 = noise_of_lines(residual, lines_hz, taken_hz=lines_hz, has_flicker=has_flicker)
    noise_v2 = noise_v2 * fit.amplitude_gain * samples.size / 4
    scatter_v = float(np.sqrt(max(noise_v2.min(initial=np.inf), 0.0) * samples.size / 4))
    step_v = step_over(samples, scatter_v)
    if scatter_v < step_v * np.sqrt(_DITHERED * _ROUNDING):
        # A level's doubt is sqrt(b)/2 of peak volts.
        return np.maximum(noise_v2, 4 * step_v**2 * _ROUNDING)
    return noise_v2 + _rounded_lines_v2(fit, step_v, scatter_v)


def _rounded_lines_v2(fit: LineFit, step_v: float, scatter_v: float) -> float:
    """Square of a line's amplitude, V^2, that a step below the noise and its rounding leaves in it."""
    steps = float(np.abs(fit.amplitude).max(initial=0.0)) / step_v
    if steps < 1.0:
        return 0.0
    noise = max((scatter_v / step_v) ** 2 - _ROUNDING, 0.0)
    return float((2 / np.pi**2 * step_v * np.exp(-2 * np.pi**2 * noise)) ** 2 / steps)


def step_over(samples: Samples, least_v: float) -> float:
    """The step that samples near the record's peak are rounded to, V, if wider than least_v.

    Else, and where none is found, that of double precision at the peak.

    Parameters
    ----------
    samples : shape (n,), volts
    """
    size_v = np.abs(samples[:_LOOKED_AT])
    peak_v = float(size_v.max(initial=0.0))
    finest_v = float(np.finfo(np.float64).eps) * peak_v
    gaps_v = _gaps(size_v[size_v >= _NEAR_PEAK * peak_v])
    if gaps_v.size < _FEWEST_GAPS:
        gaps_v = _differences(np.unique(size_v))  # few values, again and again
    if gaps_v.size < _FEWEST_DIFFERENCES or gaps_v[0] <= least_v:
        return finest_v
    step_v = _common_step(gaps_v, max(_FINEST * peak_v, least_v), 4 * finest_v)
    return finest_v if step_v is None else step_v


def _gaps(size_v: Samples) -> Samples:
    return np.sort(np.diff(np.unique(size_v)))[:_MOST_GAPS]


def _differences(values_v: Samples) -> Samples:
    """Between any two of the smallest values, zero among them."""
    few_v = np.append(0.0, values_v[:_MOST_GAPS])
    apart_v = np.abs(few_v[:, np.newaxis] - few_v)
    return np.unique(apart_v[apart_v > 0.0])


def _common_step(gaps_v: Samples, least_v: float, error_v: float) -> float | None:
    """What all gaps are whole multiples of, by Euclid's algorithm; None where that is below least_v.

    error_v : how far a gap may be off by the arithmetic's rounding
    """
    left, error = gaps_v, np.full(gaps_v.size, error_v)
    while True:
        at = int(np.argmin(left))
        step, step_error = float(left[at]), float(error[at])
        if step <= max(least_v, step_error / _MOST_ERROR):
            return None
        whole = np.rint(left / step)
        over, over_error = np.abs(left - whole * step), whole * step_error + error
        is_over = over > over_error
        if not is_over.any():
            return step
        left = np.append(over[is_over], step)
        error = np.append(over_error[is_over], step_error)
