"""Whether modes decay as fast while the ringing is strong as later on, when it is weak.

A sensor or input that compresses, or a joint that rubs, makes the decay depend on the amplitude. To
third order an envelope exp(-t/tau) then has shares beside it that sink as exp(-2 t/tau), with the mode's
own tau and with the strongest's (the fundamental of a cube of a sine is 3/4 of its amplitude cubed).
What the fit leaves is searched for them: most of it the fit follows, with poles that are wrong by far
more than the noise makes them.

References
----------
S. M. Kay, "Fundamentals of Statistical Signal Processing: Detection Theory", 1998 (generalised
likelihood ratio, linear model with unknown parameters).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples
from sequencer.analysis.damped_modes import (
    DampedLines,
    damped_waves,
    scaled_inverse,
    tangent_columns,
)

_LEAST_RATIO = (
    25.0  # of likelihoods, twice the logarithm; noise alone reaches it once in 3 10^5 modes
)
_LEAST_SHARE = 1e-6  # of a share's energy that the fit doesn't follow
_FOLLOWED = 0.02  # is left of a share's energy; of one line's own 1/16


@dataclass(frozen=True, slots=True, kw_only=True)
class Unevenness:
    """How far poles would move if their lines might decay unevenly, over 1/tau; and whether they do.

    shift : shape (modes,), for both the relative change of 1/tau and that of omega tau; 0 where the
        record can't tell
    is_sure : shape (modes,), whether the share stands out of the noise
    """

    shift: Samples
    is_sure: NDArray[np.bool_]


def may_be_uneven(lines: DampedLines, modes: list[int]) -> bool:
    """Whether the search can find any of the lines that are modes uneven; takes less time than that."""
    time = np.arange(lines.rest.size) / lines.rate_hz
    strongest = _strongest(lines, modes)
    line, by = np.array(sorted({(k, by) for k in modes for by in (k, strongest)})).T
    pole = lines.pole[line] - 2.0 * lines.rate[by]
    squares = np.abs(lines.rest @ damped_waves(time, pole)) ** 2
    energy = -0.5 / np.expm1(2.0 * pole.real / lines.rate_hz)
    least = _FOLLOWED * _LEAST_RATIO * lines.noise_v2[line] * energy
    return bool(np.any(squares > least))


def _strongest(lines: DampedLines, modes: list[int]) -> int:
    return max(modes, key=lambda k: float(np.abs(lines.amplitude[k])))


def find_unevenness(lines: DampedLines, modes: list[int]) -> Unevenness:
    """The unevenness of some of the lines; the others' is 0.

    Parameters
    ----------
    modes : indices of the lines that are modes, one at least
    """
    count = lines.pole.size
    shift, is_sure = np.zeros(count), np.zeros(count, dtype=bool)
    time = np.arange(lines.rest.size) / lines.rate_hz
    waves = damped_waves(time, lines.pole)
    tangent = tangent_columns(waves, time)
    scale = np.sqrt(np.sum(tangent * tangent, axis=0))
    inverse = scaled_inverse(tangent.T @ tangent, scale, 1e-9)
    strongest = _strongest(lines, modes)
    for k in modes:
        wave = np.column_stack([waves[:, k].real, waves[:, k].imag])
        for by in {k, strongest}:
            share = wave * np.exp(-2.0 * lines.rate[by] * time)[:, np.newaxis]
            crossed = tangent.T @ share
            followed = inverse @ crossed
            own = share.T @ share
            free = own - crossed.T @ followed
            if np.linalg.det(free) < _LEAST_SHARE * np.linalg.det(own):
                continue
            left = share.T @ lines.rest
            size = np.linalg.solve(free, left)
            # what t Re(w) and t Im(w) have followed of it, over the amplitude
            turned = followed[[2 * count + k, 3 * count + k]] @ size
            moved_by = float(np.hypot(*turned) / np.abs(lines.amplitude[k] * lines.rate[k]))
            shift[k] = max(shift[k], moved_by)
            is_sure[k] |= float(left @ size) > _LEAST_RATIO * lines.noise_v2[k]
    return Unevenness(shift=shift, is_sure=is_sure)
