"""What a record's samples resolve, and the doubt of fitted lines that is left where no noise shows.

Theory of operation. Samples are rounded to a step: of a converter, of the decimals in a file, of the
arithmetic. Where noise of about a step or more lies over the signal the rounding is noise too, and is
seen as such in what a fit leaves. Where there is less, rounding repeats with the signal: its error
moves the lines themselves, hides in them, and no longer record averages it out. Where nothing of it is
seen it counts in full: half a step, rectangular (JCGM 100:2008, F.2.2.1: 0.29 of the step). A steady
voltage, or a sine that comes back to its samples after a few (1 kHz at 48 kHz: 48), leaves a part of
the rounding's power repeating under noise of sigma steps, sum over m of 6/(m pi)^2 exp(-(2 pi m
sigma)^2), spread over the lines of that period. A sine of A
steps that runs through all phases of the steps leaves them mostly as noise, but the error of line k is
still the sum over m of 2/(m pi) J_k(2 pi m A) exp(-2 (pi m sigma)^2) steps, sigma being the noise in
steps (the rounding error as a Fourier series, Bennett 1948, from memory; checked by simulation):
0.2/sqrt(A) without noise.
"""

from dataclasses import dataclass

import numpy as np
import scipy

from sequencer.analysis.arrays import Samples, Spectral
from sequencer.analysis.noise import noise_of_lines
from sequencer.analysis.sine_fit import LineFit
from sequencer.analysis.spectrum import Periodogram

_NEAR_PEAK = (
    0.9  # of floating-point samples and of rounded decimals the largest have the widest step
)
LOOKED_AT = 2**14
_FEWEST_GAPS, _MOST_GAPS = 4, 64
_FEWEST_DIFFERENCES = 2  # one value tells nothing of its step
_MOST_ERROR = 0.1  # of a step, that its whole multiples may be uncertain by
_FINEST = 2.0**-32  # of the peak: no converter, and no file of decimals, has so fine a step
_DITHERED = 0.1  # part of a step's own variance that the rest must hold to be taken for its noise
_ROUNDING = 1 / 12  # variance of rounding, in squares of the step
_SPAN = 8.0  # standard deviations from the least to the largest of some 10^4 samples
_ROUNDED_SPAN = 0.5  # steps that rounding adds to a span, from 0 to 1
_FEWEST_PERIODS = 8  # in fewer, the lines of the rounding lie so near each other that they are seen
_MOST_PHASES = 2**14
_FEW_PHASES = 2**10  # in more, most of what repeats scatters beside the lines
_UNSEEN_BINS = 50.0  # of the 120 beside a line in which its noise is read


@dataclass(frozen=True, slots=True, kw_only=True)
class Rounding:
    """What the samples' rounding does beside what shows as noise.

    share is the part of its power, step^2/12, that repeats with the signal; phases the samples after
    which it does so (infinite where it doesn't within the record), sine_steps the signal's amplitude in
    steps. is_dithered says whether noise, or rounding that looks like it, shows at all.
    """

    step_v: float
    share: float
    phases: float
    sine_steps: float
    is_dithered: bool

    @property
    def power_v2(self) -> float:
        """Of all that repeats."""
        return self.share * self.step_v**2 * _ROUNDING

    def lines_v2(self, noise_v2: Spectral) -> Spectral:
        """b of fitted lines from that of the noise seen around them."""
        if not self.is_dithered:  # a level's doubt is sqrt(b)/2 of peak volts
            return np.maximum(noise_v2, 4 * self.power_v2)
        repeating_v2 = 8 * self.power_v2 / self.phases
        return noise_v2 + max(repeating_v2, self._of_all_phases_v2(2 / np.pi**2))

    @property
    def in_rest_v2(self) -> float:
        """The power of all that repeats in few lines, where it does."""
        return self.power_v2 if self.phases <= _FEW_PHASES else 0.0

    @property
    def mean_v2(self) -> float:
        """Variance of the record's mean by it."""
        repeating_v2 = self.power_v2 * min(1.0, 4 / self.phases)
        # (1/pi) J_0(2 pi A) steps at most, the phase of the offset random
        return max(repeating_v2, self._of_all_phases_v2(1 / (np.sqrt(2) * np.pi**2)))

    def _of_all_phases_v2(self, amount: float) -> float:
        """Of a sine that runs through all phases of the steps: amount/sqrt(A) steps, squared."""
        if self.sine_steps < 1.0:
            return 0.0
        return float(amount**2 * self.step_v**2 * self.share / self.sine_steps)


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
    noise_v2 = seen_noise(samples, fit, residual, has_flicker=has_flicker)
    return rounding_of_fit(samples, fit, residual, noise_v2).lines_v2(noise_v2)


def seen_noise(
    samples: Samples, fit: LineFit, residual: Periodogram, *, has_flicker: bool = False
) -> Spectral:
    """The same by the noise alone that is seen around each line."""
    lines_hz = fit.frequency_hz
    noise_v2 = noise_of_lines(residual, lines_hz, taken_hz=lines_hz, has_flicker=has_flicker)
    return np.asarray(noise_v2 * fit.amplitude_gain * samples.size / 4)


def rounding_of_fit(
    samples: Samples,
    fit: LineFit,
    residual: Periodogram,
    noise_v2: Spectral,
    *,
    moved_v: float = 0.0,
) -> Rounding:
    """The rounding of a fitted record, by the least noise seen around its lines.

    moved_v : how far the record's voltage drifts beside the fit
    """
    scatter_v = float(np.sqrt(max(noise_v2.min(initial=np.inf), 0.0) * samples.size / 4))
    rate_hz = residual.bin_hz * scipy.fft.prev_fast_len(samples.size)
    return rounding_of(samples, rate_hz, fit, scatter_v, moved_v=moved_v)


def rounding_of(
    samples: Samples,
    sample_rate_hz: float,
    fit: LineFit,
    scatter_v: float,
    *,
    moved_v: float = 0.0,
) -> Rounding:
    """The rounding of a record that is a mean and lines, with noise.

    Parameters
    ----------
    scatter_v : rms of what the fit leaves, a sample: noise, and rounding as far as it doesn't repeat
    moved_v : as for rounding_of_fit
    """
    step_v = step_over(samples, scatter_v)
    scatter = scatter_v / step_v if step_v > 0.0 else np.inf
    size = np.abs(fit.amplitude)
    sine_steps = float(size.max(initial=0.0)) / max(step_v, np.finfo(np.float64).tiny)
    phases = 1.0
    if step_v > 0.0 and sine_steps >= 1.0:
        turn = float(fit.frequency_hz[int(np.argmax(size))]) / sample_rate_hz
        phases = _phases(turn, samples.size, sine_steps, moved_v / step_v)
    is_dithered = scatter >= np.sqrt(_DITHERED * _ROUNDING)
    if not is_dithered:
        share = 1.0
    elif sine_steps < 1.0:
        share = _share(_noise_of_steady(samples, step_v, sine_steps))
    elif phases <= _FEW_PHASES:
        share = _share(float(np.interp(scatter, _SCATTER, _NOISES, right=scatter)))
    else:
        share = _share(float(np.sqrt(max(scatter**2 - _ROUNDING, 0.0))))
    return Rounding(
        step_v=step_v,
        share=share,
        phases=phases,
        sine_steps=sine_steps,
        is_dithered=is_dithered,
    )


def rounding_at_rest(rest: Samples, step_v: float) -> tuple[float, float]:
    """The part of the rounding that stays in the mean of a steady voltage, 0 to 1; its variance, V^2.

    Parameters
    ----------
    rest : shape (n,), volts; what shows of the noise over the step (resolution of the record)
    step_v : as by step_over, of a longer record: a voltage at rest may show no step at all
    """
    share = _share(_noise_of_steady(rest, step_v, 0.0))
    return share, share * step_v**2 * _ROUNDING


def _noise_of_steady(samples: Samples, step_v: float, sine_steps: float) -> float:
    """Noise in steps over a voltage that is steady within a step, by how many steps the samples span.

    Their scatter tells nothing where two values alternate: it is half a step half way between them,
    however little noise there is.
    """
    return max((float(np.ptp(samples)) / step_v - _ROUNDED_SPAN - 2 * sine_steps) / _SPAN, 0.0)


def _phases(turn: float, count: int, sine_steps: float, moved_steps: float) -> float:
    """After how many samples a sine comes back, all record long, as far as it moves by a few steps.

    So do its crossings of the steps then, and the rounding. Infinite where that is seldom. Where it
    moves by some steps over the record, or the voltage under it does, each line of the rounding is
    spread over as many bins, too near to the sine's lines to be seen beside them, and counts as so
    many more phases.

    turn : of the sine in a sample, in turns
    """
    most = min(count // _FEWEST_PERIODS, _MOST_PHASES)
    period = np.arange(1, most + 1)
    drift = np.abs(turn * period - np.rint(turn * period)) * count / period
    bins = 2 * np.pi * sine_steps * drift + moved_steps
    phases = float(np.min((period * np.maximum(bins, 1.0))[bins < _UNSEEN_BINS], initial=np.inf))
    return phases if phases <= most else np.inf


def _share(noise: float) -> float:
    """The part of the rounding's power that repeats under noise of so many steps.

    Its Fourier series, 1/(m pi) sin(2 pi m x), each term damped by exp(-2 (pi m sigma)^2).
    """
    return float(_TERMS @ np.exp(-((2 * np.pi * _ORDERS * noise) ** 2)))


_ORDERS = np.arange(1, 65)
_TERMS = 6 / (np.pi * _ORDERS) ** 2
# Where rounding repeats, what scatters is the noise and the rest of the rounding's power.
_NOISES = np.linspace(0.0, 1.5, 301)
_SCATTER = np.sqrt(_NOISES**2 + _ROUNDING * (1 - np.array([_share(n) for n in _NOISES])))


def step_over(samples: Samples, least_v: float) -> float:
    """The step that samples near the record's peak are rounded to, V, if wider than least_v.

    Else, and where none is found, that of double precision at the peak.

    Parameters
    ----------
    samples : shape (n,), volts
    """
    looked_at = samples[:LOOKED_AT]
    size_v = np.abs(looked_at)
    peak_v = float(size_v.max(initial=0.0))
    finest_v = float(np.finfo(np.float64).eps) * peak_v
    gaps_v = _gaps(size_v[size_v >= _NEAR_PEAK * peak_v])
    if gaps_v.size < _FEWEST_GAPS:
        gaps_v = _differences(np.unique(size_v))  # few values, again and again
    if gaps_v.size < _FEWEST_DIFFERENCES:
        if not np.ptp(looked_at):
            looked_at = samples  # hardly ever another code
        values_v = np.unique(looked_at)
        # three values may be the phases of a tone that fits the rate: each comes twice in a cycle
        is_tone = values_v.size < 2 or _repeats_within(looked_at, 2 * values_v.size)
        # two that are met once each are two voltages, and no code and the next
        is_change = np.count_nonzero(np.diff(looked_at)) < 2
        gaps_v = gaps_v[:0] if is_tone or is_change else _differences(values_v)
    if gaps_v.size == 0 or gaps_v[0] <= least_v:
        return finest_v
    step_v = _common_step(gaps_v, max(_FINEST * peak_v, least_v), 4 * finest_v)
    return finest_v if step_v is None else step_v


def _repeats_within(samples: Samples, longest: int) -> bool:
    """Whether a record is the same few samples over and over."""
    return any(
        np.array_equal(samples[period:], samples[:-period])
        for period in range(1, min(longest, samples.size // 2) + 1)
    )


def _gaps(size_v: Samples) -> Samples:
    return np.sort(np.diff(np.unique(size_v)))[:_MOST_GAPS]


def _differences(values_v: Samples) -> Samples:
    """Between any two of the values nearest to zero, zero among them."""
    nearest_v = values_v[np.argsort(np.abs(values_v))]
    few_v = np.append(0.0, nearest_v[:_MOST_GAPS])
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
