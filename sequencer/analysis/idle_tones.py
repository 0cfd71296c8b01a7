"""Tones beside the hum of a record: an oscillation, or a generator that was not silent.

Theory of operation. A line that is left out of a fit leaks into another that lies d bins away with
1/(pi d) of its amplitude, and would be read there as hum, or hide it. So the strongest lines that a
fit of the hum leaves are fitted with it; one that holds most of the power is taken off before the
hum is looked for at all.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sequencer.analysis.arrays import Samples
from sequencer.analysis.mains import SEARCHED_LINES, STRONG_MULTIPLES, HumLines, fit_hum
from sequencer.analysis.mains_nominals import SEARCH_REACH
from sequencer.analysis.sine_fit import LineFit, find_strongest_hz, refine_lines

_MOST_TONES = 4
_DOMINANT = 0.5
_ISLAND_REACH = 0.15  # a grid of its own, EN 50160 (from memory)
_LOWEST_HZ = 10.0  # slower is drift
_LOBE_BINS = 2
_NEAR_BINS = 4.0  # what the mains' wander leaves of a hum line lies nearer
_APART_BINS = 3.0


def dominant_tone(
    samples: Samples, sample_rate_hz: float, nominals_hz: Sequence[float]
) -> LineFit | None:
    """The tone that holds more than half of a record's AC power, unless hum may lie there."""
    start_hz = find_strongest_hz(samples, sample_rate_hz)
    if any(_may_be_hum(start_hz, nominal_hz) for nominal_hz in nominals_hz):
        return None
    fit = refine_lines(samples, sample_rate_hz, [start_hz], drifting=[0])
    share = float(abs(fit.amplitude[0])) ** 2 / 2 / float(np.var(samples))
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
    known: LineFit | None = None,
) -> HumLines:
    """fit_hum with the tones, at most four, that would show in the hum lines.

    known : a tone that was found before
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

    tones_hz: list[float] = [] if known is None else known.frequency_hz.tolist()
    hum = fitted(tones_hz)
    while len(tones_hz) < _MOST_TONES:
        tone_hz = _disturbing_hz(hum, tones_hz)
        if tone_hz is None:
            break
        hum = fitted([*tones_hz, tone_hz])
        tones_hz = tones_of(hum).frequency_hz.tolist()
    return hum


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


def _disturbing_hz(hum: HumLines, tones_hz: Sequence[float]) -> float | None:
    """The strongest line left, to half a bin, if it shows over the noise in a line of the fit.

    What is left near a hum line is that line's own, unless it is stronger.
    """
    power, bin_hz = hum.residual.mean_square_v2, hum.residual.bin_hz
    first = math.ceil(_LOWEST_HZ / bin_hz)
    if power.size < first + 8:
        return None
    peak = first + int(np.argmax(power[first:-_LOBE_BINS]))
    line_v2 = 2 * float(power[peak - _LOBE_BINS : peak + _LOBE_BINS + 1].sum())
    if any(abs(tone_hz / bin_hz - peak) < _APART_BINS for tone_hz in tones_hz):
        return None
    distance = np.abs(hum.fit.frequency_hz / bin_hz - peak)
    is_its_own = (distance < _NEAR_BINS) & (np.abs(hum.fit.amplitude) ** 2 > line_v2)
    leaked_v2 = line_v2 / (np.pi * np.maximum(distance, 1.0)) ** 2
    if is_its_own.any() or not (leaked_v2 > hum.noise_v2).any():
        return None
    return peak * bin_hz
