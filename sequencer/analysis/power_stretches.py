"""Powers of a record's parts: a stretch of them louder or quieter than chance allows.

A power that scatters as chi-square is laid against the mean of all by the normal deviate of
chi-square (E. B. Wilson, M. M. Hilferty, "The distribution of chi-square", Proc. Natl. Acad. Sci. 17,
1931).
"""

import math

import numpy as np

from sequencer.analysis.arrays import Spectral

SURE = 6.5  # standard deviations, of the farthest of some hundred stretches
_QUIETEST = 1e-12  # of the mean power


def farthest_stretch(powers: Spectral, freedom: float) -> tuple[int, int, float]:
    """First part, end and normal deviate of the stretch of parts farthest from the mean of all.

    Parameters
    ----------
    powers : shape (parts,), over their mean
    freedom : degrees of freedom of each
    """
    total = np.append(0.0, np.cumsum(powers))
    best = (0, powers.size, 0.0)
    for size in range(1, powers.size):
        means = (total[size:] - total[:-size]) / size
        spread = 2 / (9 * freedom * size)
        of_rest = 1 - size / powers.size  # the mean moves with the stretch
        deviates = (np.cbrt(means) - (1 - spread)) / math.sqrt(spread * of_rest)
        first = int(np.argmax(np.abs(deviates)))
        if abs(deviates[first]) > abs(best[2]):
            best = (first, first + size, float(deviates[first]))
    return best


def told_stretch(
    powers: Spectral, first: int, end: int, *, is_louder: bool, least: float = _QUIETEST
) -> tuple[int, int, float]:
    """The stretch to tell of: its first part, its end, and how many dB it is louder than the rest.

    Of two that make up the record it is the shorter, or else the louder.

    Parameters
    ----------
    powers : shape (parts,), over their mean
    least : what shows of one in noise
    """
    longer = 2 * (end - first) - powers.size
    if (first == 0 or end == powers.size) and (longer > 0 or (longer == 0 and not is_louder)):
        first, end = (end, powers.size) if first == 0 else (0, first)
    within, beside = powers[first:end], np.delete(powers, slice(first, end))
    # powers from which noise was taken off may come out below zero
    times = max(float(within.mean()), least) / max(float(beside.mean()), least)
    return first, end, 10 * math.log10(times)


def scatter_of_level(level_v: float, noise_v2: float, over_mean: Spectral) -> float:
    """How far a level goes from its mean, rms, V, where the noise in it changes.

    Parameters
    ----------
    noise_v2 : the part of its square that changes
    over_mean : shape (parts,), of the change
    """
    levels_v = np.sqrt(np.maximum(level_v**2 + noise_v2 * (over_mean - 1.0), 0.0))
    return float(np.sqrt(np.mean((levels_v - level_v) ** 2)))
