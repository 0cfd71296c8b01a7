"""The joint fit of a tone: harmonics, hum lines and mains sidebands, and what they leave.

Theory of operation. The record is described by least squares as offset, fundamental and harmonics 1
to 10 (those below half the sample rate) with one free frequency, and, once the mains frequency is
found in what that leaves, the mains lines to 1 kHz and the tone's sidebands at twice the mains
frequency. All of these come from one joint fit, so none leaks into another. What remains after
subtraction is noise: its spectrum gives each line's doubt and the noise part of THD+N. There is no
notch, no window in front of a line, and the record need not hold whole cycles.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sequencer.analysis.arrays import Samples, Spectral
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.mains import ROUNDING, MainsFrequency, find_each_mains, multiples_below
from sequencer.analysis.mains_choice import choose_hum
from sequencer.analysis.mains_nominals import NOMINALS_HZ, SEARCH_REACH
from sequencer.analysis.resolution import noise_of_fit
from sequencer.analysis.sine_fit import (
    LineFit,
    fit_lines,
    residual_periodogram,
    shared_correction_hz,
)
from sequencer.analysis.spectrum import Periodogram, peak_position

HIGHEST_HARMONIC = 10
LATE_HARMONIC = 40  # orders that a squared-off tone may show above -20 dB, with a margin
# The fit is repeated until the fundamental turns by less than this over the record. What the last
# correction leaves in the residual is turn^2/30 of the fundamental, -162 dB.
_STEADY_RAD = 5e-4
_MOST_STEPS = 8
_NEAR_BINS = 20.0
_FREE_HUM_LINES = 3
_LEAST_DISTANCE_BINS = 0.7
_SIDE_FROM_TONE_BINS = 8.0
_WEAK_FROM_TONE_BINS = 5.0
_STRONG_MULTIPLES = 10
_LEAST_OVER_MAINS = 6.0
_EVEN_BINS = 0.5
_PLACED_BINS = 0.02  # how well a line among others is placed between bins
_LEFT_SHARE = 0.3
_LEFT_OVER_NOISE = 1e3
_BINS_FOR_A_MEDIAN = 2048


@dataclass(frozen=True, slots=True, kw_only=True)
class Comb:
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
        """Index of the first hum line."""
        return len(self.orders) + len(self.late_orders)

    @property
    def first_side(self) -> int:
        """Index of the first sideband; they come last."""
        return self.first_multiple + len(self.multiples)


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneLines:
    """The joint fit, which line is what, the noise of each, and the spectrum of the rest."""

    fit: LineFit
    comb: Comb
    mains: MainsFrequency
    noise_v2: Spectral
    residual: Periodogram

    @property
    def fundamental_hz(self) -> float:
        """Frequency of the fundamental, Hz."""
        return float(self.fit.frequency_hz[0])

    @property
    def amplitude_v(self) -> float:
        """Amplitude of the fundamental, V peak."""
        return float(abs(self.fit.amplitude[0]))


def fit_tone(
    record: Samples, sample_rate_hz: float, tone_hz: float, nominal_mains_hz: float | None
) -> ToneLines:
    """The joint fit of a record of one tone.

    Parameters
    ----------
    record : shape (n,), volts
    tone_hz : start of the fundamental's frequency, within half a bin (sample rate / n)
    nominal_mains_hz : as said; None takes 50 or 60 Hz, whichever's hum is in the record

    Raises
    ------
    CannotMeasure : band_too_narrow when no harmonic lies below half the sample rate
    """
    orders = _orders_below(tone_hz, sample_rate_hz, record.size)
    if len(orders) < 2:
        raise CannotMeasure(
            "band_too_narrow",
            f"no harmonic of {tone_hz:.6g} Hz lies below half the sample rate",
            f"record at more than {4 * tone_hz:.6g} samples/s",
        )
    harmonic_fit = _fit_harmonics(record, sample_rate_hz, tone_hz, orders)
    nominals_hz = NOMINALS_HZ if nominal_mains_hz is None else (nominal_mains_hz,)
    found = find_each_mains(record, sample_rate_hz, nominals_hz, without=harmonic_fit)
    hum = choose_hum([found], nominals_hz)
    mains = hum.found[0]
    if mains is None or len(mains.seen) < 2:
        rest = residual_periodogram(record, sample_rate_hz, harmonic_fit)
        ripple = _ripple(rest, harmonic_fit, hum.nominal_hz)
        if mains is None or not mains.is_seen:
            mains = ripple
        elif ripple.is_told:
            # One line may be one of the many of a rippling tone; a pair of sidebands tells more.
            mains = replace(ripple, is_seen=True, standard_uncertainty_hz=_placed_hz(rest))
    lines = _fit_everything(record, sample_rate_hz, harmonic_fit, orders, mains)
    if not _has_left_sidebands(lines, hum.nominal_hz):
        return lines
    # A tone cut off by rippling rails has sidebands at all even multiples, down to where hum is
    # looked for, and hundreds of times stronger: they tell the mains frequency then.
    rest = residual_periodogram(record, sample_rate_hz, harmonic_fit)
    mains = replace(_ripple(rest, harmonic_fit, hum.nominal_hz), is_seen=True)
    if abs(mains.value_hz / hum.nominal_hz - 1) > SEARCH_REACH:
        return lines
    lines = _fit_everything(record, sample_rate_hz, harmonic_fit, orders, mains)
    return replace(lines, mains=replace(lines.mains, standard_uncertainty_hz=_placed_hz(rest)))


def _placed_hz(rest: Periodogram) -> float:
    """Doubt of a mains frequency that the tone's sidebands tell."""
    return _PLACED_BINS * rest.bin_hz / 2


def _has_left_sidebands(lines: ToneLines, nominal_hz: float) -> bool:
    """Whether what is left near the tone's sidebands is as strong as anything taken for mains."""
    rest = lines.residual
    if lines.fundamental_hz < _LEAST_OVER_MAINS * nominal_hz:
        return False  # the sidebands lie among the hum itself
    reach = math.ceil(2 * SEARCH_REACH * nominal_hz / rest.bin_hz) + 1
    left_v2 = 0.0
    for side in (-2, 2):
        middle = round(abs(lines.fundamental_hz + side * nominal_hz) / rest.bin_hz)
        near = rest.mean_square_v2[max(middle - reach, 1) : middle + reach + 1]
        left_v2 = max(left_v2, float(near.max(initial=0.0)))
    taken_v = np.abs(lines.fit.amplitude[lines.comb.first_multiple :]).max(initial=0.0)
    return left_v2 > max(_LEFT_SHARE * float(taken_v) ** 2 / 2, _least_v2(rest, lines.amplitude_v))


def _least_v2(rest: Periodogram, amplitude_v: float) -> float:
    """What a bin must hold to be a sideband: far over the noise, and over what rounding leaves."""
    # Two thousand bins tell the median to a few per cent.
    some = rest.mean_square_v2[:: 1 + rest.mean_square_v2.size // _BINS_FOR_A_MEDIAN]
    return max(_LEFT_OVER_NOISE * float(np.median(some)), (ROUNDING * amplitude_v) ** 2)


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


def _ripple(rest: Periodogram, tone: LineFit, nominal_hz: float) -> MainsFrequency:
    """Mains frequency from the tone's sidebands at twice that, where there is no hum to tell it.

    The distance of the highest bins near the sidebands from the tone, each placed between bins,
    weighted with their power. It is told where both stand out and lie equally far, as what modulates
    puts them; not where they lie among the hum.
    """
    tone_hz = float(tone.frequency_hz[0])
    power, top = rest.mean_square_v2, rest.mean_square_v2.size - 2
    reach = math.ceil(2 * SEARCH_REACH * nominal_hz / rest.bin_hz) + 1
    distance_hz, weight = [], []
    for side in (-2, 2):
        middle = round(abs(tone_hz + side * nominal_hz) / rest.bin_hz)
        first = min(max(middle - reach, 1), top)
        peak = first + int(np.argmax(power[first : min(middle + reach, top) + 1], keepdims=True)[0])
        distance_hz.append(abs(peak_position(power, peak) * rest.bin_hz - tone_hz))
        weight.append(float(power[peak]))
    ripple_hz = float(np.average(distance_hz, weights=weight)) / 2
    return MainsFrequency(
        value_hz=ripple_hz,
        standard_uncertainty_hz=math.inf,
        is_seen=False,
        is_told=abs(distance_hz[0] - distance_hz[1]) < _EVEN_BINS * rest.bin_hz
        and min(weight) > _least_v2(rest, float(abs(tone.amplitude[0])))
        and tone_hz > _LEAST_OVER_MAINS * nominal_hz
        and abs(ripple_hz / nominal_hz - 1) <= SEARCH_REACH,
    )


def _comb(
    orders: tuple[int, ...],
    tone_hz: float,
    mains_hz: float,
    bin_hz: float,
    sample_rate_hz: float,
    *,
    has_hum: bool,
) -> Comb:
    """The lines that can be told apart: a bin or more from one another, from 0 and half the rate.

    Where two meet, a harmonic goes before a sideband and that before a hum line. A line in the fit
    costs the fundamental some certainty, 3/(pi x)^2 of its frequency's variance at a distance of x
    bins; so near it there are no sidebands, and no hum lines that are weak as a rule.
    """

    def is_free(line_hz: float, taken_hz: Spectral, from_tone_bins: float) -> bool:
        inside = bin_hz < line_hz < sample_rate_hz / 2 - bin_hz
        is_far = abs(line_hz - tone_hz) > from_tone_bins * bin_hz
        return bool(inside and is_far and np.abs(taken_hz - line_hz).min() > bin_hz)

    taken_hz = tone_hz * np.array(orders)
    sides = tuple(
        s for s in (-1, 1) if is_free(tone_hz + 2 * s * mains_hz, taken_hz, _SIDE_FROM_TONE_BINS)
    )
    taken_hz = np.concatenate([taken_hz, tone_hz + 2 * mains_hz * np.array(sides)])
    multiples = multiples_below(mains_hz, sample_rate_hz) if has_hum else ()
    multiples = tuple(
        h
        for h in multiples
        if is_free(h * mains_hz, taken_hz, 1.0 if h <= _STRONG_MULTIPLES else _WEAK_FROM_TONE_BINS)
    )
    return Comb(orders=orders, multiples=multiples, sides=sides)


def _fit_everything(
    record: Samples,
    sample_rate_hz: float,
    start: LineFit,
    orders: tuple[int, ...],
    mains: MainsFrequency,
) -> ToneLines:
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
    record: Samples, sample_rate_hz: float, comb: Comb, tone_hz: float, mains: MainsFrequency
) -> ToneLines:
    """Fit with the tone's frequency free; and the mains frequency, where hum lies near the tone."""
    bin_hz = sample_rate_hz / record.size
    mains_hz = mains.value_hz
    moving = [0, *_moving_hum(comb, comb.lines_hz(tone_hz, mains_hz), bin_hz)]
    for _ in range(_MOST_STEPS):
        all_hz = comb.lines_hz(tone_hz, mains_hz)
        fit = fit_lines(record, sample_rate_hz, all_hz, drifting=moving)
        step_hz = _mains_step(fit, comb, moving[1:])
        is_mains_steady = abs(step_hz) < mains.standard_uncertainty_hz
        if is_mains_steady and abs(_turn(fit, record.size, sample_rate_hz)) < _STEADY_RAD:
            break
        tone_hz = _moved(fit, bin_hz)
        moved_hz = mains_hz + float(np.clip(step_hz, -bin_hz / 4, bin_hz / 4))
        if not is_mains_steady and _are_apart(comb.lines_hz(tone_hz, moved_hz), bin_hz):
            mains_hz = moved_hz
    residual = residual_periodogram(record, sample_rate_hz, fit)
    noise = noise_of_fit(record, fit, residual)
    return ToneLines(
        fit=fit,
        comb=comb,
        mains=replace(mains, value_hz=mains_hz),
        noise_v2=noise,
        residual=residual,
    )


def _moving_hum(comb: Comb, lines_hz: Spectral, bin_hz: float) -> range:
    """The first hum lines, if any lies so near to the tone's that the tone disturbed its search."""
    hum_hz = lines_hz[comb.first_multiple : comb.first_side]
    tone_hz = lines_hz[: comb.first_multiple]
    distance_hz = np.abs(np.subtract.outer(hum_hz, tone_hz)).min(initial=math.inf)
    count = _FREE_HUM_LINES if distance_hz < _NEAR_BINS * bin_hz else 0
    return range(comb.first_multiple, min(comb.first_multiple + count, comb.first_side))


def _are_apart(lines_hz: Spectral, bin_hz: float) -> bool:
    """Whether all lines stay so far apart that they can be told from one another."""
    return float(np.diff(np.sort(lines_hz)).min()) > _LEAST_DISTANCE_BINS * bin_hz


def _mains_step(fit: LineFit, comb: Comb, moving: Sequence[int]) -> float:
    """How far the mains frequency should move, from the lines let free, weighted by their power."""
    if not moving:
        return 0.0
    multiples = [comb.multiples[index - comb.first_multiple] for index in moving]
    return shared_correction_hz(fit, moving, multiples)


def _leaking_orders(lines: ToneLines, sample_rate_hz: float, count: int) -> tuple[int, ...]:
    """Harmonics above the tenth, if the strongest would show in its neighbours above the noise.

    A line left out leaks into another that lies d bins away with 1/(pi d) of its amplitude.
    """
    bin_hz = sample_rate_hz / count
    tone_hz = lines.fundamental_hz
    top = min(LATE_HARMONIC, math.ceil((sample_rate_hz / 2 - bin_hz) / tone_hz) - 1)
    late = tuple(range(lines.comb.orders[-1] + 1, top + 1))
    if not late:
        return ()
    power = lines.residual.mean_square_v2
    bins = np.rint(tone_hz * np.array(late) / lines.residual.bin_hz).astype(np.intp)
    strongest_v = math.sqrt(2 * float(power[np.minimum(bins, power.size - 1)].max()))
    leaked_v = strongest_v / (math.pi * tone_hz / bin_hz)
    return late if leaked_v > 0.3 * math.sqrt(float(lines.noise_v2.min())) else ()
