"""Intermodulation of two tones: modulation distortion (60 Hz and 7 kHz, 4 to 1) and difference
frequency distortion (19 and 20 kHz, 1 to 1).

Both tones are found in the spectrum, refined jointly, and then everything that can be in the record
is fitted in one linear least squares at frequencies that follow from the two: the tones, their
harmonics, all products, the mains lines and what mains does to the upper tone. So no line leaks into
a product, and the record needn't hold whole cycles. The noise around each product gives its doubt;
a product that noise alone could be comes back as a bound.

Definitions (IEC 60268-3, from memory; the product set and the reference seen in transcriptions):
amplitudes of one order are added arithmetically. Modulation distortion refers to the upper tone,
difference frequency distortion to the sum of the tones.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike

from sequencer.analysis import checks
from sequencer.analysis.arrays import Samples, Spectral, sum_of_squares
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.mains import find_mains, multiples_below
from sequencer.analysis.noise import line_estimate
from sequencer.analysis.resolution import noise_of_fit
from sequencer.analysis.sine_fit import (
    LineFit,
    fit_lines,
    refine_lines,
    remove_lines,
    residual_periodogram,
)
from sequencer.analysis.spectrum import hann

_SEARCH_REACH = 0.12  # as far as 44.1 and 48 kHz mixed up put a tone
_LEAST_CYCLES = 10.0
_LEAST_SHARE = 0.5  # of the AC power that both tones must hold together
_LEAST_TONE = 3e-3  # of the AC power that each must hold: the small one of 4 to 1 holds 0.06
_HARMONICS = 10
_APART_BINS = 0.75


@dataclass(frozen=True, slots=True, kw_only=True)
class ImdSmpteResult:
    """Modulation distortion, fractions of the upper tone (1), and the tones, V rms and Hz.

    imd_modulation_2 = (U(f2-f1) + U(f2+f1)) / U(f2), _3 the same with 2 f1; imd_modulation_rss is
    the root-sum-square of all four over U(f2), which is how SMPTE RP 120 counts them.
    """

    imd_modulation_2: Estimate
    imd_modulation_3: Estimate
    imd_modulation_rss: Estimate
    level_1_vrms: Estimate
    level_2_vrms: Estimate
    frequency_1_hz: float
    frequency_2_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ImdDifferenceResult:
    """Difference frequency distortion, fractions of U1 + U2 (1), and the tones, V rms and Hz.

    imd_difference_2 = U(f2-f1) / (U1+U2), imd_difference_3 = (U(2f1-f2) + U(2f2-f1)) / (U1+U2).
    """

    imd_difference_2: Estimate
    imd_difference_3: Estimate
    level_1_vrms: Estimate
    level_2_vrms: Estimate
    frequency_1_hz: float
    frequency_2_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lines:
    """The joint fit: lines 0 and 1 are the tones, then the products in the order asked for."""

    fit: LineFit
    noise_v2: Spectral

    def level_v(self, k: int) -> float:
        return float(abs(self.fit.amplitude[k]))

    def frequency_hz(self, k: int) -> float:
        return float(self.fit.frequency_hz[k])


def analyse_imd_smpte(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    lower_hz: float = 60.0,
    upper_hz: float = 7000.0,
    is_overrange: bool = False,
    range_peak_v: float | None = None,
) -> ImdSmpteResult:
    """Modulation distortion of a large low and a small high tone.

    Parameters
    ----------
    samples : shape (n,), V; at least ten cycles of the lower tone
    lower_hz, upper_hz : the tones as commanded; 250 Hz and 8 kHz after DIN 45403
    range_peak_v : full scale of the converter, volts peak, where known

    Raises
    ------
    CannotMeasure : the capture is unusable or too short, a tone is missing or elsewhere, or a
        product lies above half the sample rate
    ValueError : the tones aren't positive and in order
    """
    orders = [(-1, 1), (1, 1), (-2, 1), (2, 1)]
    record = checks.require_usable(samples, is_overrange=is_overrange, range_peak_v=range_peak_v)
    lines = _analyse(record, sample_rate_hz, (lower_hz, upper_hz), orders)
    upper_v = lines.level_v(1)
    return ImdSmpteResult(
        imd_modulation_2=_sum_of_lines(lines, [2, 3], upper_v),
        imd_modulation_3=_sum_of_lines(lines, [4, 5], upper_v),
        imd_modulation_rss=line_estimate(
            lines.fit.amplitude[2:6], lines.noise_v2[2:6], scale=1.0 / upper_v
        ),
        level_1_vrms=_level(lines, 0),
        level_2_vrms=_level(lines, 1),
        frequency_1_hz=lines.frequency_hz(0),
        frequency_2_hz=lines.frequency_hz(1),
    )


def analyse_imd_difference(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    lower_hz: float = 19000.0,
    upper_hz: float = 20000.0,
    is_overrange: bool = False,
    range_peak_v: float | None = None,
) -> ImdDifferenceResult:
    """Difference frequency distortion of two high tones of equal level.

    Parameters and refusals as analyse_imd_smpte; at least ten cycles of the difference.
    """
    orders = [(-1, 1), (2, -1), (-1, 2)]
    record = checks.require_usable(samples, is_overrange=is_overrange, range_peak_v=range_peak_v)
    lines = _analyse(record, sample_rate_hz, (lower_hz, upper_hz), orders)
    both_v = lines.level_v(0) + lines.level_v(1)
    return ImdDifferenceResult(
        imd_difference_2=_sum_of_lines(lines, [2], both_v),
        imd_difference_3=_sum_of_lines(lines, [3, 4], both_v),
        level_1_vrms=_level(lines, 0),
        level_2_vrms=_level(lines, 1),
        frequency_1_hz=lines.frequency_hz(0),
        frequency_2_hz=lines.frequency_hz(1),
    )


def _analyse(
    record: Samples,
    sample_rate_hz: float,
    tones_hz: tuple[float, float],
    orders: Sequence[tuple[int, int]],
) -> _Lines:
    """Tones and products (a f1 + b f2 for each (a, b)) of a checked record."""
    lower_hz, upper_hz = tones_hz
    if not 0.0 < lower_hz < upper_hz:
        raise ValueError(f"lower_hz {lower_hz:g} and upper_hz {upper_hz:g} must be in order")
    checks.require_no_flat_run(record)
    highest_hz = max(a * lower_hz + b * upper_hz for a, b in orders)
    checks.require_band((0.0, highest_hz * 1.01), sample_rate_hz)
    least_s = _LEAST_CYCLES / min(lower_hz, upper_hz - lower_hz)
    checks.require_duration(record, sample_rate_hz, least_s, "the products to be told apart")
    found = _find_tones(record, sample_rate_hz, tones_hz)
    tones = refine_lines(record, sample_rate_hz, found, drifting=[0, 1])
    _require_steady_phase(record, sample_rate_hz, tones)
    _require_tones(record, tones, tones_hz)
    return _fit_everything(record, sample_rate_hz, tones.frequency_hz, orders)


def _find_tones(
    record: Samples, sample_rate_hz: float, tones_hz: tuple[float, float]
) -> list[float]:
    """Peak of the spectrum near each commanded tone, to a tenth of a bin, Hz."""
    window = hann(record.size)
    spectrum = np.abs(scipy.fft.rfft((record - record.mean()) * window))
    bin_hz = sample_rate_hz / record.size
    middle = float(np.sqrt(tones_hz[0] * tones_hz[1])) / bin_hz
    found = []
    for tone_hz, low, high in (
        (tones_hz[0], 3.0, middle),
        (tones_hz[1], middle, float(spectrum.size - 3)),
    ):
        first = int(max(tone_hz * (1 - _SEARCH_REACH) / bin_hz, low))
        last = int(min(tone_hz * (1 + _SEARCH_REACH) / bin_hz, high)) + 1
        peak = first + int(np.argmax(spectrum[first:last]))
        found.append(_vertex(spectrum, peak) * bin_hz)
    return found


def _vertex(spectrum: Spectral, peak: int) -> float:
    """Position of a Hann peak: with the larger neighbour's ratio r, (2r - 1)/(1 + r) beside it.

    M. Grandke, "Interpolation algorithms for discrete Fourier transforms of weighted signals",
    IEEE Trans. Instrum. Meas. IM-32, 1983.
    """
    before, after = float(spectrum[peak - 1]), float(spectrum[peak + 1])
    ratio = max(before, after) / max(float(spectrum[peak]), 1e-300)
    offset = float(np.clip((2 * ratio - 1) / (1 + ratio), 0.0, 0.5))
    return peak + (offset if after > before else -offset)


def _require_steady_phase(record: Samples, sample_rate_hz: float, tones: LineFit) -> None:
    """Refuse a record with a block missing: the upper tone's phase steps, the lower taken off."""
    amplitude = tones.amplitude.copy()
    amplitude[1] = 0.0
    alone = remove_lines(record, sample_rate_hz, replace(tones, amplitude=amplitude))
    checks.require_steady_phase(alone, sample_rate_hz, float(tones.frequency_hz[1]))


def _require_tones(record: Samples, tones: LineFit, tones_hz: tuple[float, float]) -> None:
    """Refuse a record without both tones (no_signal), or with one elsewhere (wrong_frequency)."""
    power = np.abs(tones.amplitude) ** 2 / 2
    ac_power = sum_of_squares(record - record.mean()) / record.size
    for k, tone_hz in enumerate(tones_hz):
        if power[k] < _LEAST_TONE * ac_power:
            raise CannotMeasure(
                "no_signal",
                f"the tone at {tone_hz:g} Hz is missing: {power[k] / ac_power:.2g} of the power",
                "check that the generator plays both tones, and their frequencies",
            )
        checks.require_frequency(float(tones.frequency_hz[k]), tone_hz)
    if float(power.sum()) < _LEAST_SHARE * ac_power:
        raise CannotMeasure(
            "no_signal",
            f"the two tones hold only {float(power.sum()) / ac_power:.2g} of the record's power",
            "look for a third tone, an oscillation or an open cable",
        )


def _fit_everything(
    record: Samples,
    sample_rate_hz: float,
    tones_hz: Spectral,
    orders: Sequence[tuple[int, int]],
) -> _Lines:
    """One joint fit of tones, products, harmonics and, once seen, mains lines."""
    lower, upper = (float(f) for f in tones_hz)
    lines = [lower, upper, *(a * lower + b * upper for a, b in orders)]
    others = [k * lower for k in range(2, _HARMONICS + 1)]
    others += [2 * upper, 3 * upper, upper + lower, upper - lower, 2 * lower - upper]
    others += [2 * upper - lower, 2 * upper + lower, 2 * lower + upper]
    lines = _with_others(lines, others, sample_rate_hz, record.size)
    fit = fit_lines(record, sample_rate_hz, lines, drifting=[0, 1])
    mains = find_mains(remove_lines(record, sample_rate_hz, fit), sample_rate_hz)
    if mains is not None and mains.is_seen:
        at = mains.value_hz
        hum = [k * at for k in multiples_below(at, sample_rate_hz)]
        beside = [upper + k * at for k in (-2, -1, 1, 2)]
        lines = _with_others(lines, hum + beside, sample_rate_hz, record.size)
        fit = fit_lines(record, sample_rate_hz, lines, drifting=[0, 1])
    rest = residual_periodogram(record, sample_rate_hz, fit)
    return _Lines(fit=fit, noise_v2=noise_of_fit(record, fit, rest))


def _with_others(
    lines: list[float], others: list[float], sample_rate_hz: float, count: int
) -> list[float]:
    """Lines and those others that the record can tell from each of them."""
    bin_hz = sample_rate_hz / count
    kept = list(lines)
    for other in others:
        inside = 2 * bin_hz < other < 0.49 * sample_rate_hz
        if inside and all(abs(other - line) > _APART_BINS * bin_hz for line in kept):
            kept.append(other)
    return kept


def _level(lines: _Lines, k: int) -> Estimate:
    """Level of a tone, V rms; radial variance of an amplitude is half of b."""
    return Estimate(
        value=lines.level_v(k) / float(np.sqrt(2)),
        standard_uncertainty=float(np.sqrt(lines.noise_v2[k] / 2) / np.sqrt(2)),
    )


def _sum_of_lines(lines: _Lines, chosen: list[int], reference_v: float) -> Estimate:
    """Arithmetic sum of the lines' amplitudes over a reference, or its bound.

    A sum of n amplitudes is at most sqrt(n) times their root-sum-square, whose bound is known.
    """
    amplitude, noise = lines.fit.amplitude[chosen], lines.noise_v2[chosen]
    together = line_estimate(amplitude, noise, scale=1.0 / reference_v)
    if together.value is None:
        bound = (together.upper_bound or 0.0) * float(np.sqrt(len(chosen)))
        return Estimate(value=None, noise_limited=True, upper_bound=bound)
    # mean of abs(c) is A + b/(4A): half of b off its square takes that away
    level = np.sqrt(np.maximum(np.abs(amplitude) ** 2 - noise / 2, 0.0))
    return Estimate(
        value=float(level.sum()) / reference_v,
        standard_uncertainty=float(np.sqrt(noise.sum() / 2)) / reference_v,
    )
