"""Tones beside the hum of a record: an oscillation, or a generator that was not silent.

Theory of operation. A line that is left out of a fit leaks into another that lies d bins away with
1/(pi d) of its amplitude, and would be read there as hum, or hide it. So the strongest lines that a
fit of the hum leaves are fitted with it; one that holds most of the power is taken off before the
hum is looked for at all. What stands out and is not fitted, since there is too much of it or it lies too
near to what is, makes the lines' doubt.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sequencer.analysis.arrays import Samples, Spectral
from sequencer.analysis.mains import SEARCHED_LINES, STRONG_MULTIPLES, HumLines, fit_hum
from sequencer.analysis.mains_nominals import SEARCH_REACH
from sequencer.analysis.sine_fit import LineFit, find_strongest_hz, refine_lines

_MOST_TONES = 12
_DOMINANT = 0.5
_ISLAND_REACH = 0.15  # a grid of its own, EN 50160 (from memory)
_LOWEST_HZ = 10.0  # slower is drift
_LOBE_BINS = 2
_NEAR_BINS = 4.0  # what the mains' wander leaves of a hum line lies nearer
_ONE_SIDED = 10.0  # power to one side of a hum line over that to the other
_SEEN = 15.0  # power over the noise's; a bin of noise does that once in 10^6
_APART_BINS = 3.0


def dominant_tone(
    samples: Samples, sample_rate_hz: float, nominals_hz: Sequence[float]
) -> LineFit | None:
    """The tone that holds more than half of a record's AC power, unless hum may lie there."""
    power_v2 = float(np.var(samples))
    if not power_v2:  # noiseless hum was taken off
        return None
    start_hz = find_strongest_hz(samples, sample_rate_hz)
    if any(_may_be_hum(start_hz, nominal_hz) for nominal_hz in nominals_hz):
        return None
    fit = refine_lines(samples, sample_rate_hz, [start_hz], drifting=[0])
    share = float(abs(fit.amplitude[0])) ** 2 / 2 / power_v2
    return fit if share > _DOMINANT else None


def _may_be_hum(line_hz: float, nominal_hz: float) -> bool:
    """Whether a line lies where one of the ten that tell the mains is looked for."""
    multiple = max(round(line_hz / nominal_hz), 1)
    reach = _ISLAND_REACH if multiple in STRONG_MULTIPLES else SEARCH_REACH
    return multiple <= SEARCHED_LINES and abs(line_hz / nominal_hz / multiple - 1) <= reach


def fit_with_tones(
    samples: Samples,
    sample_rate_hz: float,
    mains_hz: float,
    *,
    nominal_hz: float,
    doubt_hz: float,
    known_hz: Sequence[float] = (),
) -> HumLines:
    """fit_hum with the tones, at most twelve, that would show in the hum lines; what is left is doubt.

    known_hz : tones that were found before, each to half a bin (sample rate / n)
    """

    def fitted(tones_hz: Sequence[float]) -> HumLines:
        return fit_hum(
            samples,
            sample_rate_hz,
            mains_hz,
            nominal_hz=nominal_hz,
            tones_hz=tones_hz,
            doubt_hz=doubt_hz,
        )

    tones_hz = list(known_hz)
    hum = fitted(tones_hz)
    while len(tones_hz) < _MOST_TONES and (tone_hz := _disturbing_hz(hum)) is not None:
        hum = fitted([*tones_hz, tone_hz])
        tones_hz = tones_of(hum).frequency_hz.tolist()
    return _doubted(hum)


def tones_of(hum: HumLines) -> LineFit:
    """The tones of a fit by themselves, as a fit to be left out of a record."""
    tones = slice(len(hum.multiples), None)
    return replace(
        hum.fit,
        frequency_hz=hum.fit.frequency_hz[tones],
        amplitude=hum.fit.amplitude[tones],
        correction_hz=hum.fit.correction_hz[tones],
        amplitude_gain=hum.fit.amplitude_gain[tones],
        frequency_gain_hz2=hum.fit.frequency_gain_hz2[tones],
    )


def _disturbing_hz(hum: HumLines) -> float | None:
    """The strongest line left, to half a bin, if it shows over the noise in a line of the fit."""
    power, bin_hz = _foreign_power(hum), hum.residual.bin_hz
    if power.size == 0:
        return None
    peak = int(np.argmax(power))
    line_v2 = 2 * float(power[max(peak - _LOBE_BINS, 0) : peak + _LOBE_BINS + 1].sum())
    distance = np.abs(hum.fit.frequency_hz / bin_hz - peak)
    is_shown = _leaked(line_v2, distance) > hum.noise_v2
    return peak * bin_hz if is_shown.any() else None


def _foreign_power(hum: HumLines) -> Spectral:
    """The spectrum that a fit leaves, without drift and without what lies at its lines and is theirs.

    A tone that was fitted has all that lies within three bins. Beside a hum line the mains' wander
    leaves power to both sides alike, a tone of another origin to one side only.
    """
    power, bin_hz = hum.residual.mean_square_v2.copy(), hum.residual.bin_hz
    first = math.ceil(_LOWEST_HZ / bin_hz)
    if power.size < first + 8:
        return power[:0]
    power[:first], power[-_LOBE_BINS:] = 0.0, 0.0
    bins = np.arange(power.size)
    doubt_v2 = _doubt_v2(hum, np.zeros_like(power))
    for i, at in enumerate(hum.fit.frequency_hz / bin_hz):
        if i >= len(hum.multiples):
            power[np.abs(bins - at) < _APART_BINS] = 0.0
            continue
        near = bins[max(math.ceil(at - _NEAR_BINS), 0) : math.floor(at + _NEAR_BINS) + 1]
        least_v2, most_v2 = sorted(
            float(power[side].max(initial=0.0))
            for side in (near[near < at - 0.5], near[near > at + 0.5])
        )
        is_stronger = 2 * power[near].sum() > abs(hum.fit.amplitude[i]) ** 2
        is_seen = most_v2 > _SEEN * doubt_v2[i] / 2
        if not (is_seen and (is_stronger or most_v2 > _ONE_SIDED * least_v2)):
            power[near] = 0.0
    return power


def _leaked(line_v2: Spectral | float, distance: Spectral) -> Spectral:
    """Square of the amplitude that lines left out have in a fitted one so many bins away."""
    return np.asarray(line_v2 / (np.pi * np.maximum(distance, 1.0)) ** 2)


def _doubted(hum: HumLines) -> HumLines:
    """With all that stands out of the noise and was not fitted as doubt of every line."""
    foreign_v2 = _foreign_power(hum)
    return hum if foreign_v2.size == 0 else replace(hum, noise_v2=_doubt_v2(hum, foreign_v2))


def _doubt_v2(hum: HumLines, foreign_v2: Spectral) -> Spectral:
    """b of each line with what leaks into it; of what lies beside it only what is foreign.

    What the wander of a line leaves beside it is none of its own doubt.
    """
    bin_hz, left_v2 = hum.residual.bin_hz, hum.residual.mean_square_v2
    first = math.ceil(_LOWEST_HZ / bin_hz)
    doubt_v2 = hum.noise_v2.copy()
    for i, at in enumerate(hum.fit.frequency_hz / bin_hz):
        seen = first + np.flatnonzero(left_v2[first:] > _SEEN * hum.noise_v2[i] / 2)
        distance = np.abs(seen - at)
        power = np.where(distance > _NEAR_BINS, left_v2[seen], foreign_v2[seen])
        doubt_v2[i] += float(_leaked(2 * power, distance).sum())
    return doubt_v2
