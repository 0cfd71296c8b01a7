"""One sine and everything around it: level, frequency, distortion, noise, mains lines.

Theory of operation. The record is described by least squares as offset, fundamental and harmonics 1
to 10 (those below half the sample rate) with one free frequency, and, once the mains frequency is
found in what that leaves, the mains lines to 1 kHz and the tone's sidebands at twice the mains
frequency. All of these come from one joint fit, so none leaks into another. What remains after
subtraction is noise: its spectrum gives each line's doubt and the noise part of THD+N. There is no
notch, no window in front of a line, and the record need not hold whole cycles.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from sequencer.analysis import checks
from sequencer.analysis.arrays import Samples, Spectral, as_samples, sum_of_squares
from sequencer.analysis.dc import offset_variance_v2
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.mains import (
    HIGHEST_LINE_HZ,
    SEARCH_REACH,
    MainsFrequency,
    find_mains,
    multiples_below,
)
from sequencer.analysis.noise import (
    MeanSquare,
    band_mean_square,
    line_estimate,
    lines_mean_square,
    noise_of_lines,
)
from sequencer.analysis.sine_fit import (
    LineFit,
    find_strongest_hz,
    fit_known_tones,
    fit_lines,
    fit_sine,
    residual_periodogram,
)
from sequencer.analysis.spectrum import Periodogram

__all__ = [
    "ToneResult",
    "analyse_tone",
    "fit_known_tones",
    "measure_tone",
    "relative_phase_rad",
    "sidebands",
]

HIGHEST_HARMONIC = 10
_LATE_HARMONIC = 40  # orders that a squared-off tone may show above -20 dB, with a margin
_LEAST_SHARE = 0.5  # of the AC power that the fitted tone must hold
_SECOND_TONE = 0.01  # of the tone's power that no other line may hold (-20 dB)
# The fit is repeated until the fundamental turns by less than this over the record. What the last
# correction leaves in the residual is turn^2/30 of the fundamental, -162 dB.
_STEADY_RAD = 5e-4
_MOST_STEPS = 8
_NEAR_BINS = 20.0
_FREE_HUM_LINES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneResult:
    """A tone's numbers, each with its doubt.

    level_vrms is that of the fundamental, phase_rad at mid-record (a cosine has phase 0). thd and
    harmonics are fractions of the fundamental; thd_plus_noise is everything in the band but
    fundamental and DC over everything in the band but DC (no value when the fundamental lies
    outside the band). harmonics_above lists the harmonics up to the tenth that are not below half
    the sample rate. mains_frequency_hz has no value where no hum is seen; mains_sidebands is the
    root-sum-square of the lines at plus and minus twice the mains frequency, over the fundamental.
    """

    frequency_hz: Estimate
    level_vrms: Estimate
    phase_rad: Estimate
    dc_offset_v: Estimate
    thd: Estimate
    thd_plus_noise: Estimate
    harmonics: Mapping[int, Estimate]
    harmonics_above: tuple[int, ...]
    crest_factor: Estimate
    mains_frequency_hz: Estimate
    mains_sidebands: Estimate


def analyse_tone(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    expected_frequency_hz: float | None = None,
    mains_frequency_hz: float = 50.0,
    band_hz: tuple[float, float] = (20.0, 20000.0),
    is_overrange: bool = False,
    range_peak_v: float | None = None,
) -> ToneResult:
    """Check a record of one sine and measure everything about it.

    Parameters
    ----------
    samples : shape (n,), volts; three cycles or more, ten or more for the best accuracy
    sample_rate_hz : samples a second
    expected_frequency_hz : what the generator was set to; a tone off by over 1 % is refused
    mains_frequency_hz : nominal, 50 or 60
    band_hz : band of THD+N
    is_overrange : what the instrument itself says of the record
    range_peak_v : full scale of the converter, volts peak, where known

    Raises
    ------
    CannotMeasure : nonfinite, no_signal (also: more than one tone), overrange, dropout, too_short,
        wrong_frequency, band_too_narrow
    """
    record = checks.require_usable(samples, is_overrange=is_overrange, range_peak_v=range_peak_v)
    checks.require_band(band_hz, sample_rate_hz)
    longest_hz = sample_rate_hz / 4 if expected_frequency_hz is None else expected_frequency_hz
    checks.require_tone_length(record, sample_rate_hz, longest_hz)
    tone_hz = find_strongest_hz(record, sample_rate_hz)
    checks.require_no_flat_run(record, sample_rate_hz=sample_rate_hz, frequency_hz=tone_hz)
    checks.require_steady_phase(record, sample_rate_hz, tone_hz)
    _require_share(record, sample_rate_hz, tone_hz)
    if expected_frequency_hz is not None:
        checks.require_frequency(tone_hz, expected_frequency_hz)
    checks.require_tone_length(record, sample_rate_hz, tone_hz)
    return _measure(record, sample_rate_hz, tone_hz, mains_frequency_hz, band_hz)


def measure_tone(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    mains_frequency_hz: float = 50.0,
    band_hz: tuple[float, float] = (20.0, 20000.0),
) -> ToneResult:
    """The numbers of analyse_tone without the checks on the record, for records known to be good.

    Raises
    ------
    CannotMeasure : no_signal or band_too_narrow, where there is nothing to compute
    """
    record = as_samples(samples)
    tone_hz = find_strongest_hz(record, sample_rate_hz)
    return _measure(record, sample_rate_hz, tone_hz, mains_frequency_hz, band_hz)


def relative_phase_rad(
    a: ArrayLike, b: ArrayLike, sample_rate_hz: float, frequency_hz: float
) -> float:
    """Phase of the tone in b relative to that in a, rad, -pi to pi: near pi when b is inverted.

    Parameters
    ----------
    a, b : shape (n,), recorded at the same instants; the frequency is refined on a
    frequency_hz : of the tone, within half a bin (sample rate / n)
    """
    first, second = as_samples(a), as_samples(b)
    tone_hz = fit_sine(first, sample_rate_hz, start_hz=frequency_hz).frequency_hz
    turn = fit_known_tones(second, sample_rate_hz, [tone_hz])[0]
    return float(np.angle(turn / fit_known_tones(first, sample_rate_hz, [tone_hz])[0]))


def sidebands(
    samples: ArrayLike, sample_rate_hz: float, *, mains_frequency_hz: float = 50.0
) -> Estimate:
    """Sidebands of the record's tone at plus and minus twice the mains frequency, as a fraction.

    Root-sum-square of both over the fundamental. The mains frequency is taken from the hum in the
    record, else from the sidebands themselves.
    """
    return measure_tone(
        samples,
        sample_rate_hz,
        mains_frequency_hz=mains_frequency_hz,
        band_hz=(0.0, sample_rate_hz / 2),
    ).mains_sidebands


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lines:
    """The joint fit, which line is what, the noise of each, and the spectrum of the rest."""

    fit: LineFit
    comb: "_Comb"
    mains: MainsFrequency
    noise_v2: Spectral
    residual: Periodogram

    @property
    def fundamental_hz(self) -> float:
        return float(self.fit.frequency_hz[0])

    @property
    def amplitude_v(self) -> float:
        return float(abs(self.fit.amplitude[0]))


def _require_share(record: Samples, sample_rate_hz: float, tone_hz: float) -> None:
    """Refuse (no_signal) a record of which the strongest tone holds no more than half the power."""
    amplitude_v = abs(complex(fit_known_tones(record, sample_rate_hz, [tone_hz])[0]))
    share = amplitude_v**2 / 2 / float(np.var(record))
    if share <= _LEAST_SHARE * (1 + 1e-3):
        raise CannotMeasure(
            "no_signal",
            f"the strongest tone holds {100 * share:.0f} % of the power of the record; one tone "
            "with more than half of it was expected",
            "check that the generator drives one sine and that the analyser is connected to it",
        )


def _measure(
    record: Samples,
    sample_rate_hz: float,
    tone_hz: float,
    nominal_mains_hz: float,
    band_hz: tuple[float, float],
) -> ToneResult:
    orders = _orders_below(tone_hz, sample_rate_hz, record.size)
    if len(orders) < 2:
        raise CannotMeasure(
            "band_too_narrow",
            f"no harmonic of {tone_hz:.6g} Hz lies below half the sample rate",
            f"record at more than {4 * tone_hz:.6g} samples/s",
        )
    harmonic_fit = _fit_harmonics(record, sample_rate_hz, tone_hz, orders)
    mains = find_mains(record, sample_rate_hz, (nominal_mains_hz,), without=harmonic_fit)
    if mains is None or not mains.is_seen:
        rest = residual_periodogram(record, sample_rate_hz, harmonic_fit)
        ripple_hz = _ripple_frequency_hz(rest, harmonic_fit.frequency_hz[0], nominal_mains_hz)
        mains = MainsFrequency(value_hz=ripple_hz, standard_uncertainty_hz=math.inf, is_seen=False)
    lines = _fit_everything(record, sample_rate_hz, harmonic_fit, orders, mains)
    _require_one_tone(lines, sample_rate_hz, mains.value_hz)
    return ToneResult(
        frequency_hz=_frequency(lines, record.size),
        level_vrms=_level(lines),
        phase_rad=_phase(lines),
        dc_offset_v=_offset(lines),
        thd=_fraction(lines, range(1, len(orders))),
        thd_plus_noise=_thd_plus_noise(lines, band_hz),
        harmonics={k: _fraction(lines, [i]) for i, k in enumerate(orders) if k > 1},
        harmonics_above=tuple(range(orders[-1] + 1, HIGHEST_HARMONIC + 1)),
        crest_factor=_crest_factor(record, lines),
        mains_frequency_hz=_mains_estimate(lines.mains),
        mains_sidebands=_fraction(lines, range(lines.comb.first_side, lines.fit.frequency_hz.size)),
    )


def _orders_below(tone_hz: float, sample_rate_hz: float, count: int) -> tuple[int, ...]:
    """1 and the harmonics that lie a bin or more below half the sample rate."""
    top_hz = sample_rate_hz / 2 - sample_rate_hz / count
    return (1, *(k for k in range(2, HIGHEST_HARMONIC + 1) if k * tone_hz < top_hz))


def _fit_harmonics(
    record: Samples, sample_rate_hz: float, tone_hz: float, orders: tuple[int, ...]
) -> LineFit:
    """Fundamental and harmonics with one free frequency, iterated until the residual is steady."""
    for _ in range(_MOST_STEPS):
        fit = fit_lines(record, sample_rate_hz, tone_hz * np.array(orders), drifting=[0])
        if abs(_turn(fit, record.size, sample_rate_hz)) < _STEADY_RAD:
            break
        tone_hz = _moved(fit, sample_rate_hz / record.size)
    return fit


def _turn(fit: LineFit, count: int, sample_rate_hz: float) -> float:
    """Phase over the whole record, rad, that the fundamental still has to move by."""
    return float(2 * np.pi * fit.correction_hz[0] * count / sample_rate_hz)


def _moved(fit: LineFit, bin_hz: float) -> float:
    """The fundamental's frequency after its correction, at most half a bin."""
    return float(fit.frequency_hz[0] + np.clip(fit.correction_hz[0], -bin_hz / 2, bin_hz / 2))


def _ripple_frequency_hz(rest: Periodogram, tone_hz: float, nominal_hz: float) -> float:
    """Mains frequency from the tone's sidebands at twice that, where there is no hum to tell it.

    The distance of the highest bins near the sidebands from the tone, each placed by a parabola
    through logarithms, weighted with their power.
    """
    power, top = rest.mean_square_v2, rest.mean_square_v2.size - 2
    reach = math.ceil(2 * SEARCH_REACH * nominal_hz / rest.bin_hz) + 1
    distance_hz, weight = [], []
    for side in (-2, 2):
        middle = round(abs(tone_hz + side * nominal_hz) / rest.bin_hz)
        first = min(max(middle - reach, 1), top)
        peak = first + int(np.argmax(power[first : min(middle + reach, top) + 1], keepdims=True)[0])
        distance_hz.append(abs(_peak_position(power, peak) * rest.bin_hz - tone_hz))
        weight.append(float(power[peak]))
    return float(np.average(distance_hz, weights=weight)) / 2


def _peak_position(power: Spectral, peak: int) -> float:
    """Position of a line between bins: a parabola through the logarithms around its highest bin."""
    left, middle, right = np.log(np.maximum(power[peak - 1 : peak + 2], np.finfo(float).tiny))
    bend = left - 2 * middle + right
    return peak + (float(np.clip((left - right) / (2 * bend), -0.5, 0.5)) if bend < 0 else 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Comb:
    """Which lines are fitted together: orders of the tone, multiples of the mains, sidebands."""

    orders: tuple[int, ...]
    multiples: tuple[int, ...] = ()
    sides: tuple[int, ...] = ()
    late_orders: tuple[int, ...] = ()

    def lines_hz(self, tone_hz: float, mains_hz: float) -> Spectral:
        """Their frequencies in this order: orders, late orders, multiples, sidebands."""
        return np.array(
            [
                *(k * tone_hz for k in self.orders),
                *(k * tone_hz for k in self.late_orders),
                *(h * mains_hz for h in self.multiples),
                *(tone_hz + 2 * side * mains_hz for side in self.sides),
            ]
        )

    @property
    def first_multiple(self) -> int:
        return len(self.orders) + len(self.late_orders)

    @property
    def first_side(self) -> int:
        return self.first_multiple + len(self.multiples)


def _comb(
    orders: tuple[int, ...],
    tone_hz: float,
    mains_hz: float,
    bin_hz: float,
    sample_rate_hz: float,
    *,
    has_hum: bool,
) -> _Comb:
    """The lines that can be told apart: a bin or more from one another, from 0 and half the rate.

    Where two meet, a harmonic goes before a sideband and that before a hum line.
    """

    def is_free(line_hz: float, taken_hz: Spectral) -> bool:
        inside = bin_hz < line_hz < sample_rate_hz / 2 - bin_hz
        return bool(inside and np.abs(taken_hz - line_hz).min() > bin_hz)

    taken_hz = tone_hz * np.array(orders)
    sides = tuple(s for s in (-1, 1) if is_free(tone_hz + 2 * s * mains_hz, taken_hz))
    taken_hz = np.concatenate([taken_hz, tone_hz + 2 * mains_hz * np.array(sides)])
    multiples = multiples_below(mains_hz, sample_rate_hz) if has_hum else ()
    multiples = tuple(h for h in multiples if is_free(h * mains_hz, taken_hz))
    return _Comb(orders=orders, multiples=multiples, sides=sides)


def _fit_everything(
    record: Samples,
    sample_rate_hz: float,
    start: LineFit,
    orders: tuple[int, ...],
    mains: MainsFrequency,
) -> _Lines:
    """Joint fit of tone, hum and sidebands; the noise around each line from what that leaves.

    A tone so distorted that harmonics above the tenth would leak into the others is fitted again
    with those.
    """
    bin_hz = sample_rate_hz / record.size
    tone_hz, mains_hz = _moved(start, bin_hz), mains.value_hz
    comb = _comb(orders, tone_hz, mains_hz, bin_hz, sample_rate_hz, has_hum=mains.is_seen)
    lines = _fit_comb(record, sample_rate_hz, comb, tone_hz, mains)
    late = _leaking_orders(lines, sample_rate_hz, record.size)
    if not late:
        return lines
    comb = replace(comb, late_orders=late)
    return _fit_comb(record, sample_rate_hz, comb, lines.fundamental_hz, mains)


def _fit_comb(
    record: Samples, sample_rate_hz: float, comb: _Comb, tone_hz: float, mains: MainsFrequency
) -> _Lines:
    """Fit with the tone's frequency free; and the mains frequency, where hum lies near the tone."""
    bin_hz = sample_rate_hz / record.size
    mains_hz = mains.value_hz
    moving = [0, *_moving_hum(comb, comb.lines_hz(tone_hz, mains_hz), bin_hz)]
    for _ in range(_MOST_STEPS):
        all_hz = comb.lines_hz(tone_hz, mains_hz)
        fit = fit_lines(record, sample_rate_hz, all_hz, drifting=moving)
        step_hz = _mains_step(fit, comb, moving[1:])
        is_mains_steady = abs(step_hz) < 0.3 * mains.standard_uncertainty_hz
        if is_mains_steady and abs(_turn(fit, record.size, sample_rate_hz)) < _STEADY_RAD:
            break
        tone_hz = _moved(fit, bin_hz)
        if not is_mains_steady:
            mains_hz += float(np.clip(step_hz, -bin_hz / 4, bin_hz / 4))
    residual = residual_periodogram(record, sample_rate_hz, fit)
    noise = noise_of_lines(residual, all_hz, taken_hz=all_hz) * fit.amplitude_gain * record.size / 4
    return _Lines(
        fit=fit,
        comb=comb,
        mains=replace(mains, value_hz=mains_hz),
        noise_v2=noise,
        residual=residual,
    )


def _moving_hum(comb: _Comb, lines_hz: Spectral, bin_hz: float) -> range:
    """The first hum lines, if any lies so near to the tone's that the tone disturbed its search."""
    hum_hz = lines_hz[comb.first_multiple : comb.first_side]
    tone_hz = np.concatenate([lines_hz[: comb.first_multiple], lines_hz[comb.first_side :]])
    distance_hz = np.abs(np.subtract.outer(hum_hz, tone_hz)).min(initial=math.inf)
    count = _FREE_HUM_LINES if distance_hz < _NEAR_BINS * bin_hz else 0
    return range(comb.first_multiple, min(comb.first_multiple + count, comb.first_side))


def _mains_step(fit: LineFit, comb: _Comb, moving: Sequence[int]) -> float:
    """How far the mains frequency should move, from the lines let free, weighted by their power."""
    if not moving:
        return 0.0
    index = np.array(moving)
    multiple = np.array(comb.multiples, dtype=np.float64)[index - comb.first_multiple]
    weight = multiple * np.abs(fit.amplitude[index]) ** 2
    return float(weight @ fit.correction_hz[index] / (weight @ multiple))


def _leaking_orders(lines: _Lines, sample_rate_hz: float, count: int) -> tuple[int, ...]:
    """Harmonics above the tenth, if the strongest would show in its neighbours above the noise.

    A line left out leaks into another that lies d bins away with 1/(pi d) of its amplitude.
    """
    bin_hz = sample_rate_hz / count
    tone_hz = lines.fundamental_hz
    top = min(_LATE_HARMONIC, math.ceil((sample_rate_hz / 2 - bin_hz) / tone_hz) - 1)
    late = tuple(range(lines.comb.orders[-1] + 1, top + 1))
    if not late:
        return ()
    power = lines.residual.mean_square_v2
    bins = np.rint(tone_hz * np.array(late) / lines.residual.bin_hz).astype(np.intp)
    strongest_v = math.sqrt(2 * float(power[np.minimum(bins, power.size - 1)].max()))
    leaked_v = strongest_v / (math.pi * tone_hz / bin_hz)
    return late if leaked_v > 0.3 * math.sqrt(float(lines.noise_v2.min())) else ()


def _require_one_tone(lines: _Lines, sample_rate_hz: float, mains_hz: float) -> None:
    """Refuse (no_signal) a second line of -20 dB or more that is no harmonic and no hum."""
    power, bin_hz = lines.residual.mean_square_v2, lines.residual.bin_hz
    least_v2 = _SECOND_TONE * lines.amplitude_v**2 / 2
    if power.max() < least_v2 / 3:
        return
    for peak in np.flatnonzero(power >= least_v2 / 3):
        line_v2 = float(power[max(peak - 2, 0) : peak + 3].sum())
        other_hz = float(peak * bin_hz)
        if line_v2 >= least_v2 and not _is_expected(lines, other_hz, sample_rate_hz, mains_hz):
            ratio_db = 10 * np.log10(line_v2 / (lines.amplitude_v**2 / 2))
            raise CannotMeasure(
                "no_signal",
                f"beside the tone at {lines.fundamental_hz:.6g} Hz there is another at "
                f"{other_hz:.6g} Hz, {ratio_db:.1f} dB from it; one tone was expected",
                "drive a single sine, or measure intermodulation instead",
            )


def _is_expected(lines: _Lines, other_hz: float, sample_rate_hz: float, mains_hz: float) -> bool:
    """Whether a line is DC, a harmonic of the tone (folded or not), or of the mains."""
    near_hz = 5 * lines.residual.bin_hz
    multiple = np.arange(_LATE_HARMONIC + 1) * lines.fundamental_hz
    folded = np.abs(multiple - np.rint(multiple / sample_rate_hz) * sample_rate_hz)
    hum_hz = mains_hz * min(round(other_hz / mains_hz), HIGHEST_LINE_HZ // mains_hz)
    return bool(np.abs(folded - other_hz).min() < near_hz or abs(hum_hz - other_hz) < near_hz)


def _frequency(lines: _Lines, count: int) -> Estimate:
    variance = lines.fit.frequency_gain_hz2[0] * lines.noise_v2[0]
    variance /= lines.fit.amplitude_gain[0]  # back to the variance a sample
    return Estimate(
        value=float(lines.fit.frequency_hz[0] + lines.fit.correction_hz[0]),
        standard_uncertainty=float(np.sqrt(variance)),
    )


def _level(lines: _Lines) -> Estimate:
    """Level in V rms; half of the noise at the line changes its size, half its phase."""
    return Estimate(
        value=lines.amplitude_v / math.sqrt(2),
        standard_uncertainty=math.sqrt(float(lines.noise_v2[0])) / 2,
    )


def _phase(lines: _Lines) -> Estimate:
    return Estimate(
        value=float(np.angle(lines.fit.amplitude[0])),
        standard_uncertainty=float(np.sqrt(lines.noise_v2[0] / 2)) / lines.amplitude_v,
    )


def _offset(lines: _Lines) -> Estimate:
    variance = offset_variance_v2(lines.residual, lines.fit.frequency_hz)
    return Estimate(value=lines.fit.offset_v, standard_uncertainty=float(np.sqrt(variance)))


def _fraction(lines: _Lines, chosen: Sequence[int]) -> Estimate:
    """Root-sum-square of some lines over the fundamental; no value when there are none."""
    if len(chosen) == 0:
        return Estimate(value=None)
    index = list(chosen)
    return line_estimate(
        lines.fit.amplitude[index], lines.noise_v2[index], scale=1 / lines.amplitude_v
    )


def _thd_plus_noise(lines: _Lines, band_hz: tuple[float, float]) -> Estimate:
    """Everything but fundamental and DC over everything but DC, both in the band."""
    is_inside = (lines.fit.frequency_hz >= band_hz[0]) & (lines.fit.frequency_hz <= band_hz[1])
    if not is_inside[0]:
        return Estimate(value=None)
    inside = is_inside.copy()
    inside[0] = False
    rest = band_mean_square(lines.residual, band_hz) + lines_mean_square(
        lines.fit.amplitude[inside], lines.noise_v2[inside]
    )
    total_v2 = rest.value_v2 + lines.amplitude_v**2 / 2
    relative = MeanSquare(
        value_v2=rest.value_v2 / total_v2, variance_v4=rest.variance_v4 / total_v2**2
    )
    return relative.root()


def _crest_factor(record: Samples, lines: _Lines) -> Estimate:
    """Largest excursion from the mean over the rms of all lines and the rest, noise peaks included.

    The noise on the crests, up to three of its standard deviations, is the doubt (rectangular).
    """
    mean = lines.fit.offset_v
    rest_v2 = float(lines.residual.mean_square_v2.sum())
    rms = math.sqrt(sum_of_squares(np.abs(lines.fit.amplitude)) / 2 + rest_v2)
    top = _vertex(record, int(record.argmax())) - mean
    bottom = mean - _vertex(record, int(record.argmin()))
    doubt = math.sqrt(3 * rest_v2) / rms
    return Estimate(value=max(top, bottom) / rms, standard_uncertainty=doubt)


def _vertex(record: Samples, at: int) -> float:
    """Height of the parabola through an extreme and its neighbours."""
    if not 0 < at < record.size - 1:
        return float(record[at])
    left, middle, right = record[at - 1 : at + 2]
    bend = left - 2 * middle + right
    return float(middle - (right - left) ** 2 / (8 * bend)) if bend else float(middle)


def _mains_estimate(mains: MainsFrequency) -> Estimate:
    if not mains.is_seen:
        return Estimate(value=None, noise_limited=True)
    return Estimate(value=mains.value_hz, standard_uncertainty=mains.standard_uncertainty_hz)
