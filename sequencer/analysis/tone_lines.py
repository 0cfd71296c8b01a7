"""The lines that a driven tone and its harmonics draw into a spectrum, taken out of it."""

from dataclasses import dataclass, replace

import numpy as np
import scipy

from sequencer.analysis.arrays import Spectral
from sequencer.analysis.noise_floor import DensitySpectrum

_LEAST_TONE_BINS = 11.0
_SERIES_GAP = 8
_CHANCE = 1e-4  # of noise alone carrying the series on by one order: too rare to make one of noise
_PLAIN_LINE = 3.0  # over the ground: from here a line's own level is known, not only its presence
_HILL = 2.0  # density beside a line, over the ground, from which it stands on something broader
_SKIRT = 1e3  # a line so much above what is beside it has the skirt of its window there, no hill
_LEAST_HILL_BINS = 12.0  # harmonics must be so far apart for eight bins beside one to be free
_LINE_BINS = 2
_OVER_HILL = 1.5  # below this a peak on a hill is as likely the hill's own scatter
_GUESSED_HILL = 0.13  # rms error of the parabola, relative, over 60 simulated spurs
_GUESSED_LINE = (
    0.4  # from one harmonic to the next, and the place of a line between two bins (1.4 dB)
)
_HANN_LINE = np.array([0.0, 0.25, 1.0, 0.25, 0.0])  # density of a line in the bins around it


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneLine:
    """One harmonic of the tone: frequency, level (V rms) and the noise's share in its doubt."""

    frequency_hz: float
    level_vrms: float
    level_doubt_vrms: float


def without_harmonics(
    spectrum: DensitySpectrum, tone_hz: float | None
) -> tuple[DensitySpectrum, list[ToneLine]]:
    """The spectrum with the lines of a driven tone levelled, and those lines.

    A frequency that fits isn't enough to call a line a harmonic, since every spur lies near some
    harmonic of 1 kHz: it must continue the series, so harmonics must have been found among the
    eight below it, and it may not stand more than 10 dB above where the series had fallen to.
    """
    if tone_hz is None or tone_hz < _LEAST_TONE_BINS * spectrum.step_hz:
        return spectrum, []
    tone_bins = _refined_tone(spectrum, tone_hz) / spectrum.step_hz
    faintest = float(scipy.special.gammainccinv(spectrum.averages, _CHANCE)) / spectrum.averages
    power = spectrum.power.copy()
    guessed = np.zeros(power.size)
    found: dict[int, float] = {}
    lowest = np.inf
    lines: list[ToneLine] = []
    for order in range(1, int((power.size - 1) / tone_bins) + 1):
        if order > 1:
            below = max(found.get(k, 0.0) for k in range(order - _SERIES_GAP, order))
            lowest = min(lowest, below)
        if not lowest:
            break
        line, ground = _line(spectrum, order * tone_bins, tone_bins)
        if not 1.3 * ground < line < 10.0 * lowest:
            continue
        hill = _hill(spectrum, order * tone_bins, ground, tone_bins)
        if hill is not None:
            found[order] = _off_the_hill(
                power, guessed, round(order * tone_bins), hill, found.get(order - 2, 0.0)
            )
            continue
        levelled = _levelled(power, order * tone_bins, tone_bins, spectrum.step_hz, ground)
        if line > faintest * ground:  # a series sinks into the noise line by line
            found[order] = line
        if line > _PLAIN_LINE * ground:
            lines.append(levelled)
    return replace(spectrum, power=power, guessed=guessed), lines


def _line(spectrum: DensitySpectrum, centre: float, tone_bins: float) -> tuple[float, float]:
    """Highest density power within two bins of centre, and the median around it, V^2/Hz."""
    middle = round(centre)
    around = spectrum.power[max(middle - 40, 4) : middle + 41]
    if tone_bins < 13.0:  # lines fill half of the bins there: the quietest tell the ground
        return float(np.max(spectrum.power[middle - 2 : middle + 3])), float(np.min(around))
    return float(np.max(spectrum.power[middle - 2 : middle + 3])), float(np.median(around))


def _hill(
    spectrum: DensitySpectrum, centre: float, ground: float, tone_bins: float
) -> Spectral | None:
    """Density of a smeared spur in the bins of a line that lies on its slope; None on flat ground.

    A line's own skirt is gone three bins off (Hann: 31 dB and more down). Where the density there
    still stands above the ground, it is the spur's, and its course below the line is a parabola of
    the logarithm through six bins on each side: levelling the line straight would eat the spur.
    """
    middle, bins = round(centre), np.r_[-8:-2, 3:9]
    if middle + int(bins[-1]) >= spectrum.power.size:
        return None  # next to half the sample rate a slope has no other side to be told by
    beside = spectrum.power[middle + bins]
    peak = float(np.max(spectrum.power[middle - 2 : middle + 3]))
    is_skirt = peak > _SKIRT * float(np.mean(beside))
    if tone_bins < _LEAST_HILL_BINS or is_skirt or float(np.mean(beside)) < _HILL * ground:
        return None
    # Above the ground a smeared spur is a parabola; where it sinks into the ground little is known.
    own = np.maximum(beside - ground, 0.1 * ground)
    course = np.polynomial.Polynomial.fit(bins, np.log(own), 2, w=own / (own + ground))
    inside = np.arange(-_LINE_BINS, _LINE_BINS + 1)
    return np.asarray(ground + np.exp(course(inside)), dtype=np.float64)


def _off_the_hill(
    power: Spectral, guessed: Spectral, middle: int, hill: Spectral, before: float
) -> float:
    """Take a line off a smeared spur, in power; its density, V^2/Hz. What that guesses goes to guessed.

    A line that stands out gives way to the hill as it is beside it. One that doesn't is as strong as
    the harmonic before of the same parity, whose density is given (0: there was none).
    """
    bins = slice(middle - _LINE_BINS, middle + _LINE_BINS + 1)
    line = float(np.max(power[bins]))
    if line > _OVER_HILL * float(hill.max()):
        power[bins], guessed[bins] = hill, _GUESSED_HILL * hill
        return line - float(hill[_LINE_BINS])
    hidden = before * _HANN_LINE
    power[bins] -= np.minimum(hidden, 0.5 * power[bins])
    guessed[bins] = _GUESSED_LINE * hidden
    return before


def _levelled(
    power: Spectral, centre: float, tone_bins: float, step_hz: float, ground: float
) -> ToneLine:
    """The line at centre (bins), which is replaced in power by the mean of what lies beside it.

    Next to half the sample rate that is what lies below it.
    """
    middle, end = round(centre), power.size
    peak = float(np.max(power[middle - 2 : middle + 3]))
    # side lobes fall as 0.1/k^6 of the peak: out to a third of the ground, not past the next line
    reach = int(np.clip((0.3 * peak / max(ground, 1e-300)) ** (1 / 6), 3, tone_bins / 2 - 2))
    beside = np.r_[middle - reach - 2 : middle - reach, middle + reach + 1 : middle + reach + 3]
    level = float(np.mean(power[beside[beside < end]]))
    bins = np.arange(middle - reach, min(middle + reach + 1, end))
    total = max(float(np.sum(power[bins] - level)), 0.0) * step_hz
    power[bins] = level
    return ToneLine(
        frequency_hz=centre * step_hz,
        level_vrms=float(np.sqrt(total)),
        level_doubt_vrms=float(np.sqrt(level * step_hz / 2.0)),
    )


def _refined_tone(spectrum: DensitySpectrum, tone_hz: float) -> float:
    """Centre of power of the line nearest to the commanded tone, Hz."""
    centre, end = tone_hz / spectrum.step_hz, spectrum.power.size
    reach = max(3, int(0.01 * centre))
    near = np.arange(max(int(centre) - reach, 1), min(int(centre) + reach + 2, end))
    peak = int(near[np.argmax(spectrum.power[near])])
    bins = np.arange(max(peak - 3, 0), min(peak + 4, end))
    power = spectrum.power[bins]
    return float(np.sum(bins * power) / np.sum(power)) * spectrum.step_hz
