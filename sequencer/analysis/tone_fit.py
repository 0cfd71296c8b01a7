"""The joint fit of a tone: harmonics, hum lines and mains sidebands, and what they leave.

Theory of operation. The record is described by least squares as offset, fundamental and harmonics 1
to 10 (those below half the sample rate) with one free frequency, and, once the mains frequency is
found in what that leaves, the mains lines to 1 kHz and the tone's sidebands at twice the mains
frequency; then whatever other lines still stand out (stray_lines), each at a frequency of its own. All
of these come from one joint fit, so none leaks into another. What remains after subtraction is noise:
its spectrum gives each line's doubt and the noise part of THD+N. There is no notch, no window in front
of a line, and the record need not hold whole cycles. Hum that no fit can tell from a harmonic counts
as that harmonic's doubt (hidden_hum).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from sequencer.analysis.arrays import Samples, Spectral
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.hidden_hum import SeenHum, hidden_hum, hum_among
from sequencer.analysis.mains import (
    FEWEST_CYCLES,
    ROUNDING,
    MainsFrequency,
    find_each_mains,
    multiples_below,
)
from sequencer.analysis.mains_choice import choose_hum
from sequencer.analysis.mains_nominals import NOMINALS_HZ, SEARCH_REACH
from sequencer.analysis.resolution import Rounding, rounding_of_fit, seen_noise
from sequencer.analysis.sine_fit import (
    LineFit,
    fit_lines,
    residual_and_peaks,
    residual_periodogram,
    shared_correction_hz,
)
from sequencer.analysis.spectrum import Periodogram, peak_position
from sequencer.analysis.stray_lines import SLOW_BINS, find_strays, leaked_v2

HIGHEST_HARMONIC = 10
LATE_HARMONIC = 40  # orders that a squared-off tone may show above -20 dB, with a margin
_LAST_HARMONIC = 80  # fitted where higher ones still stand out
# The fit is repeated until the fundamental turns by less than this over the record. What the last
# correction leaves in the residual is turn^2/30 of the fundamental, -162 dB.
_STEADY_RAD = 5e-4
_MOST_ROUNDS = 4
_MOST_STRAYS = 12
_STRAY_STEADY_RAD = 5e-3  # the same of a stray line, which is weaker
_MOST_STEPS = 8
_NEAR_BINS = 20.0
_FREE_HUM_LINES = 3
_LEAST_DISTANCE_BINS = 0.7
_SIDE_FROM_TONE_BINS = 8.0
_WEAK_FROM_TONE_BINS = 5.0
_STRONG_MULTIPLES = 10
_LEAST_OVER_MAINS = 6.0
_EVEN_BINS = 0.5
_NEAR_EVEN = 0.1
_PLACED_BINS = 0.02  # how well a line among others is placed between bins
_MORE = 1.1
_LEFT_SHARE = 0.3
_LEFT_OVER_NOISE = 1e3


@dataclass(frozen=True, slots=True, kw_only=True)
class Comb:
    """Which lines are fitted together: orders of the tone, multiples of the mains, sidebands."""

    orders: tuple[int, ...]
    multiples: tuple[int, ...] = ()
    sides: tuple[int, ...] = ()
    late_orders: tuple[int, ...] = ()
    strays_hz: tuple[float, ...] = ()
    slow_hz: tuple[float, ...] = ()

    def lines_hz(self, tone_hz: float, mains_hz: float) -> Spectral:
        """Their frequencies in this order: orders, late orders, multiples, sidebands, strays, slow."""
        return np.array(
            [
                *(k * tone_hz for k in self.orders),
                *(k * tone_hz for k in self.late_orders),
                *(h * mains_hz for h in self.multiples),
                *(tone_hz + 2 * side * mains_hz for side in self.sides),
                *self.strays_hz,
                *self.slow_hz,
            ]
        )

    @property
    def first_multiple(self) -> int:
        """Index of the first hum line."""
        return len(self.orders) + len(self.late_orders)

    @property
    def first_side(self) -> int:
        """Index of the first sideband."""
        return self.first_multiple + len(self.multiples)

    @property
    def first_stray(self) -> int:
        """Index of the first stray line; what is slow comes last."""
        return self.first_side + len(self.sides)

    @property
    def strays(self) -> range:
        """Indices of the stray lines."""
        return range(self.first_stray, self.first_stray + len(self.strays_hz))

    @property
    def unsteady(self) -> range:
        """The same with what is slow."""
        return range(self.first_stray, self.strays.stop + len(self.slow_hz))


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedLines:
    """The joint fit, which line is what, the spectrum of the rest and its largest excursions.

    peaks_v : of each successive Fold.columns samples of the rest, V
    """

    fit: LineFit
    comb: Comb
    mains: MainsFrequency
    residual: Periodogram
    peaks_v: Samples

    @property
    def least_v2(self) -> float:
        """Mean square below which a line is the computation's own."""
        return (ROUNDING * self.amplitude_v) ** 2

    @property
    def fundamental_hz(self) -> float:
        """Frequency of the fundamental, Hz."""
        return float(self.fit.frequency_hz[0])

    @property
    def amplitude_v(self) -> float:
        """Amplitude of the fundamental, V peak."""
        return float(abs(self.fit.amplitude[0]))


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneLines(FittedLines):
    """The last fit of a record, with the noise of each line.

    seen_v2, noise_v2 : b of each line by the noise around it, and with what rounding and leaks add
    offset_leaked_v2 : |error|^2 of the offset by what leaks into it
    hidden_hum : index of a line that hum may lie on -> multiple of the mains, |error|^2 by it, V^2
    """

    seen_v2: Spectral
    noise_v2: Spectral
    offset_leaked_v2: float
    rounding: Rounding
    hidden_hum: Mapping[int, tuple[int, float]] = field(
        default_factory=lambda: MappingProxyType({})
    )

    def has_more_than_seen(self, index: Sequence[int]) -> bool:
        """Whether rounding or leaks add to the noise that is seen around some of the lines."""
        return bool((self.noise_v2[index] > _MORE * self.seen_v2[index]).any())

    @property
    def doubt_v2(self) -> Spectral:
        """E|error|^2 of each line's amplitude as a line of the tone: noise, and hum that it may hold."""
        doubt = self.noise_v2.copy()
        for line, (_, error_v2) in self.hidden_hum.items():
            doubt[line] += error_v2
        return doubt


def fit_tone(
    record: Samples,
    sample_rate_hz: float,
    tone_hz: float,
    nominal_mains_hz: float | None,
    *,
    codes: Samples | None = None,
    moved_v: float = 0.0,
) -> ToneLines:
    """The joint fit of a record of one tone.

    Parameters
    ----------
    record : shape (n,), volts
    tone_hz : start of the fundamental's frequency, within half a bin (sample rate / n)
    nominal_mains_hz : as said; None takes 50 or 60 Hz, whichever's hum is in the record
    codes : the record as its samples were rounded, where something was taken off it since
    moved_v : how far that drifts

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
    fitted = _fit_with_mains(record, sample_rate_hz, tone_hz, orders, nominal_mains_hz)
    fitted = _with_strays(record, sample_rate_hz, fitted)
    lines = _with_noise(record if codes is None else codes, sample_rate_hz, fitted, moved_v)
    nominals_hz = NOMINALS_HZ if nominal_mains_hz is None else (nominal_mains_hz,)
    return replace(lines, hidden_hum=_hidden(lines, nominals_hz, sample_rate_hz / record.size))


def _hidden(
    lines: ToneLines, nominals_hz: Sequence[float], bin_hz: float
) -> dict[int, tuple[int, float]]:
    """The lines of the tone that hum may lie on: multiple of the mains, and |error|^2 by it, V^2."""
    comb, hum = lines.comb, None
    if lines.mains.is_seen and comb.multiples:
        hum = SeenHum(
            mains_hz=lines.mains.value_hz,
            doubt_hz=lines.mains.standard_uncertainty_hz,
            lines={
                multiple: comb.first_multiple + i
                for i, multiple in enumerate(comb.multiples)
                if not _is_sideband(lines, comb.first_multiple + i)
            },
        )
    elif comb.strays_hz:
        hum = hum_among(lines.fit, comb.strays, nominals_hz, bin_hz)
    if hum is None or not hum.lines:
        return {}
    asked = [*range(comb.first_multiple), *range(comb.first_side, comb.first_stray)]
    return hidden_hum(lines.fit, lines.noise_v2, asked, hum, bin_hz)


def _is_sideband(lines: ToneLines, line: int) -> bool:
    """Whether a hum line may be one of the tone's far sidebands, as rails that limit make them.

    They lie at all even multiples of the mains from the tone, the nearest two the strongest.
    """
    fit, comb = lines.fit, lines.comb
    away = abs(fit.frequency_hz[line] - lines.fundamental_hz) / (2 * lines.mains.value_hz)
    nearest_v = np.abs(fit.amplitude[comb.first_side : comb.first_stray])
    is_even = abs(away - round(away)) < _NEAR_EVEN
    return bool(is_even and nearest_v.size == 2 and abs(fit.amplitude[line]) < nearest_v.min())


def _fit_with_mains(
    record: Samples,
    sample_rate_hz: float,
    tone_hz: float,
    orders: tuple[int, ...],
    nominal_mains_hz: float | None,
) -> FittedLines:
    """The fit of the tone with the hum and the sidebands that are found beside it."""
    harmonic_fit = fit_harmonics(record, sample_rate_hz, tone_hz)
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


def _has_left_sidebands(lines: FittedLines, nominal_hz: float) -> bool:
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
    return max(_LEFT_OVER_NOISE * rest.median_v2(), (ROUNDING * amplitude_v) ** 2)


def _orders_below(tone_hz: float, sample_rate_hz: float, count: int) -> tuple[int, ...]:
    """1 and the harmonics that lie a bin or more below half the sample rate."""
    top_hz = sample_rate_hz / 2 - sample_rate_hz / count
    return (1, *(k for k in range(2, HIGHEST_HARMONIC + 1) if k * tone_hz < top_hz))


def fit_harmonics(record: Samples, sample_rate_hz: float, tone_hz: float) -> LineFit:
    """Fundamental and harmonics with one free frequency, iterated until the residual is steady.

    Parameters
    ----------
    record : shape (n,), volts
    tone_hz : as for fit_tone
    """
    orders = _orders_below(tone_hz, sample_rate_hz, record.size)
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
) -> FittedLines:
    """Joint fit of tone, hum and sidebands.

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


def _with_strays(record: Samples, sample_rate_hz: float, lines: FittedLines) -> FittedLines:
    """The fit again with what stands out of the rest; late harmonics among that all together.

    A line taken off may uncover others.
    """
    bin_hz = sample_rate_hz / record.size
    for _ in range(_MOST_ROUNDS):
        comb = _comb_with_strays(lines, sample_rate_hz, bin_hz)
        if comb == lines.comb:
            break
        lines = _fit_comb(record, sample_rate_hz, comb, lines.fundamental_hz, lines.mains)
    return lines


def _with_noise(
    codes: Samples, sample_rate_hz: float, lines: FittedLines, moved_v: float
) -> ToneLines:
    """The fit with the noise of each line: what is seen around it, what rounding and leaks add."""
    fit, residual = lines.fit, lines.residual
    seen_v2 = seen_noise(codes, fit, residual)
    rounding = rounding_of_fit(codes, fit, residual, seen_v2, moved_v=moved_v)
    leaked = _leaked_from_rest_v2(lines, sample_rate_hz / codes.size)
    return ToneLines(
        fit=fit,
        comb=lines.comb,
        mains=lines.mains,
        residual=residual,
        peaks_v=lines.peaks_v,
        seen_v2=seen_v2,
        noise_v2=rounding.lines_v2(seen_v2) + leaked[:-1],
        offset_leaked_v2=float(leaked[-1]),
        rounding=rounding,
    )


def _leaked_from_rest_v2(lines: FittedLines, bin_hz: float) -> Spectral:
    """|error|^2 of each line and the offset by what stands out of the rest without a line, V^2."""
    turn = 2 * np.pi * float(lines.fit.correction_hz[0]) / bin_hz
    return leaked_v2(
        lines.residual,
        np.append(lines.fit.frequency_hz, 0.0),
        tone_hz=lines.fundamental_hz,
        own_v2=lines.amplitude_v**2 / 2 * turn**2 / 12,
        least_v2=lines.least_v2,
    )


def _comb_with_strays(lines: FittedLines, sample_rate_hz: float, bin_hz: float) -> Comb:
    """The comb of a fit and the lines that stand out of what it leaves."""
    comb, tone_hz = lines.comb, lines.fundamental_hz
    found = find_strays(lines.residual, tone_hz, lines.fit.frequency_hz, least_v2=lines.least_v2)
    late = _late_orders(comb, tone_hz, sample_rate_hz, bin_hz, _LAST_HARMONIC)
    seen = [k for f in found.lines_hz for k in late if abs(k * tone_hz - f) < bin_hz]
    late = tuple(k for k in late if k <= max(LATE_HARMONIC, 2 * max(seen, default=0)))
    if seen and late != comb.late_orders:
        return replace(comb, late_orders=late, strays_hz=())  # many lines fewer to look at
    # in a longer one it is drift, or 1/f noise, which is known to lie in the offset's doubt
    is_short = bin_hz > NOMINALS_HZ[0] / FEWEST_CYCLES
    room = _MOST_STRAYS - len(comb.strays_hz)
    return replace(
        comb,
        strays_hz=(*comb.strays_hz, *found.lines_hz[:room]),
        slow_hz=(SLOW_BINS * bin_hz,) if found.is_slow and is_short else comb.slow_hz,
    )


def _fit_comb(
    record: Samples, sample_rate_hz: float, comb: Comb, tone_hz: float, mains: MainsFrequency
) -> FittedLines:
    """Fit with the tone's frequency free; and the mains frequency, where hum lies near the tone."""
    bin_hz = sample_rate_hz / record.size
    mains_hz = mains.value_hz
    hum = _moving_hum(comb, comb.lines_hz(tone_hz, mains_hz), bin_hz)
    for _ in range(_MOST_STEPS):
        all_hz = comb.lines_hz(tone_hz, mains_hz)
        fit = fit_lines(record, sample_rate_hz, all_hz, drifting=[0, *hum, *comb.unsteady])
        step_hz = _mains_step(fit, comb, hum)
        is_mains_steady = abs(step_hz) < mains.standard_uncertainty_hz
        is_tone_steady = abs(_turn(fit, record.size, sample_rate_hz)) < _STEADY_RAD
        moved = _strays_moved(fit, comb, bin_hz)
        if is_mains_steady and is_tone_steady and moved is comb:
            break
        tone_hz, comb = _moved(fit, bin_hz), moved
        moved_hz = mains_hz + float(np.clip(step_hz, -bin_hz / 4, bin_hz / 4))
        if not is_mains_steady and _are_apart(comb.lines_hz(tone_hz, moved_hz), bin_hz):
            mains_hz = moved_hz
    residual, peaks_v = residual_and_peaks(record, sample_rate_hz, fit)
    return FittedLines(
        fit=fit,
        comb=comb,
        mains=replace(mains, value_hz=mains_hz),
        residual=residual,
        peaks_v=peaks_v,
    )


def _strays_moved(fit: LineFit, comb: Comb, bin_hz: float) -> Comb:
    """The comb with each stray line where the fit wants it; the very comb once they are at rest.

    One that runs into another line belongs to that one, or is no line.
    """
    if not comb.strays_hz:
        return comb
    chosen = slice(comb.strays.start, comb.strays.stop)
    step_hz = fit.correction_hz[chosen]
    if np.abs(step_hz).max() < _STRAY_STEADY_RAD / (2 * np.pi) * bin_hz:
        return comb
    wanted_hz = fit.frequency_hz[chosen] + np.clip(step_hz, -bin_hz / 2, bin_hz / 2)
    kept_hz = np.append(np.delete(fit.frequency_hz, np.r_[chosen]), 0.0)
    apart: list[float] = []
    for line_hz in wanted_hz.tolist():
        nearest_hz = np.abs(np.append(kept_hz, apart) - line_hz).min()
        if nearest_hz > _LEAST_DISTANCE_BINS * bin_hz:
            apart.append(line_hz)
    return replace(comb, strays_hz=tuple(apart))


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


def _leaking_orders(lines: FittedLines, sample_rate_hz: float, count: int) -> tuple[int, ...]:
    """Harmonics above the tenth, if the strongest would show in its neighbours above the noise.

    A line left out leaks into another that lies d bins away with 1/(pi d) of its amplitude.
    """
    bin_hz = sample_rate_hz / count
    tone_hz = lines.fundamental_hz
    late = _late_orders(lines.comb, tone_hz, sample_rate_hz, bin_hz, LATE_HARMONIC)
    if not late:
        return ()
    power = lines.residual.mean_square_v2
    bins = np.rint(tone_hz * np.array(late) / lines.residual.bin_hz).astype(np.intp)
    strongest_v = math.sqrt(2 * float(power[np.minimum(bins, power.size - 1)].max()))
    leaked_v = strongest_v / (math.pi * tone_hz / bin_hz)
    noise_v2 = 2 * lines.residual.median_v2() / math.log(2)  # b of a line: powers of noise are
    return late if leaked_v > 0.3 * math.sqrt(noise_v2) else ()  # exponentially distributed


def _late_orders(
    comb: Comb, tone_hz: float, sample_rate_hz: float, bin_hz: float, highest: int
) -> tuple[int, ...]:
    """Orders above the tenth, up to the highest that is asked and below half the sample rate."""
    top = min(highest, math.ceil((sample_rate_hz / 2 - bin_hz) / tone_hz) - 1)
    return tuple(range(comb.orders[-1] + 1, top + 1))
