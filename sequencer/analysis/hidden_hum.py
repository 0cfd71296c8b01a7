"""Hum that lies on a line of the tone, where no fit can tell the two apart.

Theory of operation. A hum line less than a bin from a harmonic has no place in a joint fit: the
harmonic reads both. How strong it may be, the hum lines beside it show, as if the lines of hum fell
with 1/k (common practice, no source), with a margin of two. That counts as doubt of random phase, so a
harmonic far above it keeps its number and one that may be all hum becomes a bound; twice what is read
is the most that hum counts for, for the two seldom cancel further. Where too few hum lines have room
beside the tone's for the mains frequency to be found, lines that stand out near its multiples show that
hum is there.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.arrays import Spectral
from sequencer.analysis.mains import SEARCHED_LINES
from sequencer.analysis.mains_nominals import SEARCH_REACH
from sequencer.analysis.sine_fit import LineFit

_MARGIN = 2.0
_CANCELLED = 2.0  # times what is read, that hum under it may be: two of one size do so once in six
_NEIGHBOURS = 2  # on each side
_FARTHEST_BINS = 5.0
_NOISE = 5.0  # times b that a neighbour's own noise seldom reaches
_FALLEN = 2.5  # times as high a multiple, a line tells nothing of the hum there any more
_PLACED_BINS = 0.1  # how well a line that stands out is placed


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenHum:
    """The mains frequency, its standard uncertainty, and the fit's hum lines: multiple -> index."""

    mains_hz: float
    doubt_hz: float
    lines: Mapping[int, int]


def hum_among(
    fit: LineFit, strays: Iterable[int], nominals_hz: Sequence[float], bin_hz: float
) -> SeenHum | None:
    """The hum that stray lines show, of the nominal frequency with the most power; None without.

    Two cycles or more are needed, else any line lies near a multiple; so does any above the tenth.

    Parameters
    ----------
    strays : their indices in the fit
    bin_hz : sample rate / n
    """
    best, most_v2 = None, 0.0
    for nominal_hz in nominals_hz:
        lines: dict[int, int] = {}
        for line in strays if bin_hz <= nominal_hz / 2 else ():
            line_hz = float(fit.frequency_hz[line])
            multiple = max(round(line_hz / nominal_hz), 1)
            off_hz = abs(line_hz - multiple * nominal_hz)
            if multiple > SEARCHED_LINES:
                continue
            if off_hz <= SEARCH_REACH * multiple * nominal_hz + _PLACED_BINS * bin_hz:
                lines.setdefault(multiple, line)
        index = list(lines.values())
        power_v2 = np.abs(fit.amplitude[index]) ** 2
        if power_v2.sum() > most_v2:
            multiples = np.array(list(lines))
            weight = power_v2 * multiples**2
            mains_hz = float(np.average(fit.frequency_hz[index] / multiples, weights=weight))
            doubt_hz = (
                _PLACED_BINS * bin_hz / float(np.sqrt(np.average(multiples**2, weights=power_v2)))
            )
            best = SeenHum(mains_hz=mains_hz, doubt_hz=doubt_hz, lines=lines)
            most_v2 = float(power_v2.sum())
    return best


def hidden_hum(
    fit: LineFit, noise_v2: Spectral, asked: Iterable[int], hum: SeenHum, bin_hz: float
) -> dict[int, tuple[int, float]]:
    """For each line that hum may lie on: the multiple of the mains, and |error|^2 by it, V^2.

    Parameters
    ----------
    fit, noise_v2 : the joint fit, and b of each of its lines
    asked : indices of those asked for
    bin_hz : sample rate / n
    """
    multiples = np.array(sorted(hum.lines))
    index = [hum.lines[multiple] for multiple in sorted(hum.lines)]
    power_v2 = np.maximum(np.abs(fit.amplitude[index]) ** 2 - _NOISE * noise_v2[index], 0.0)
    found = {}
    for line in asked:
        line_hz = float(fit.frequency_hz[line])
        multiple = max(round(line_hz / hum.mains_hz), 1)
        away_hz = abs(line_hz - multiple * hum.mains_hz)
        away = max(away_hz - 2 * multiple * hum.doubt_hz, 0.0) / bin_hz
        if multiple in hum.lines or away > _FARTHEST_BINS:
            continue
        leak = 1.0 if away < 1.0 else 1 / (np.pi * away)
        split = int(np.searchsorted(multiples, multiple))
        near = slice(max(split - _NEIGHBOURS, 0), split + _NEIGHBOURS)
        is_near = multiple <= _FALLEN * multiples[near]
        suggested_v2 = is_near * power_v2[near] * (_MARGIN * leak * multiples[near] / multiple) ** 2
        read_v2 = float(abs(fit.amplitude[line]) ** 2)
        error_v2 = min(float(suggested_v2.max()), _CANCELLED**2 * read_v2)
        if error_v2 > 0.0:
            found[line] = (multiple, error_v2)
    return found
