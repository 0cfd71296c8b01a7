"""Where what rings is broken: by a further hit too soft to be seen as one, or by lost samples.

A hit that pushes rather than knocks surprises no prediction from sample to sample, but after it the
modes have other amplitudes. So what the fit of a stretch leaves is searched for the moment from which on
a change of amplitude would explain most of it (generalised likelihood ratio). What is slightly
non-linear, or lies near a steady tone, leaves something, too: a break is only what the modes, with
amplitudes that change evenly, can't follow even for some milliseconds, and with one set of amplitudes
for each side of the moment can.

Lost samples turn each mode by its frequency times the time lost, and leave its strength.

References
----------
S. M. Kay, "Fundamentals of Statistical Signal Processing: Detection Theory", 1998 (generalised
likelihood ratio, linear model with unknown parameters).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Phasors, Samples
from sequencer.analysis.damped_modes import DampedLines, damped_waves, tangent_columns
from sequencer.analysis.tap_hits import FILTER_SAMPLES

_BLOCK_S = 0.25e-3
_TRIED_LINES = 3  # the strongest; a hit strikes those
_LEAST_RATIO = 200.0  # of likelihoods, twice the logarithm; noise alone reaches 40 in 10^6 moments
_FOLLOWED = 0.1
_LEAST_SHARE = 1e-8  # of a mode's energy
_SIDE_S = 0.012
_LEAST_SIDE_S = 0.004
_BROKEN = 2.0  # squares left by amplitudes that change evenly over those by two sets
_MOST_LOST = 8  # samples; more is like a hit, which may turn a single mode by any angle
_AS_GOOD = 4.0  # squares left by a turn over those by two sets
_TURNED = 0.1  # of what one set leaves, by a turn
_FOREIGN = 30.0  # mean square beside what the ringing was by what it is, over its own rest
_RANK = 1e-3  # lines that can't be told apart within a side count as one


@dataclass(frozen=True, slots=True, kw_only=True)
class RingBreak:
    """The sample of a stretch with which something else begins; whether samples are missing there."""

    sample: int
    is_loss: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfit:
    """What a fit leaves that is no noise: the break that explains it, None where there is no such one.

    size : shape (modes,), what a change of each line would explain at most, over the line; 0 where that
        may be noise
    """

    broken: RingBreak | None
    size: Samples


def find_misfit(samples: Samples, lines: DampedLines, factor: int) -> Misfit:
    """The most likely break within a stretch, and how much its modes are disturbed.

    Parameters
    ----------
    samples : shape (n,), V, the stretch that the lines were fitted to
    factor : samples of the record for each of these
    """
    block = max(int(_BLOCK_S * lines.rate_hz), 2)
    squares = _squares_explained(lines, block)
    ratio = squares / np.maximum(lines.noise_v2, 1e-300)
    strongest = np.argsort(-lines.energy_v2)[:_TRIED_LINES]
    likely, most = np.max(ratio[:, strongest], axis=1), np.max(ratio, axis=0)
    # a line's energy is half the sum of its squares
    size = np.sqrt(np.max(squares, axis=0) / (2.0 * np.maximum(lines.energy_v2, 1e-300)))
    size = np.where(most > _LEAST_RATIO, size, 0.0)
    broken = None
    if np.max(likely) > _LEAST_RATIO:
        broken = _break_at(samples, lines, block, int(np.argmax(likely)) * block, factor)
    return Misfit(broken=broken, size=size)


def _break_at(
    samples: Samples, lines: DampedLines, block: int, at: int, factor: int
) -> RingBreak | None:
    """The break at a sample, if that is what the rest is due to."""
    guard = FILTER_SAMPLES // 2 + block
    after = np.arange(at + guard, min(at + guard + int(_SIDE_S * lines.rate_hz), samples.size))
    if after.size < max(_LEAST_SIDE_S * lines.rate_hz, 2 * _unknowns(lines)):
        return None
    before = np.arange(max(at - guard - int(_SIDE_S * lines.rate_hz), 0), max(at - guard, 0))
    if before.size < max(_LEAST_SIDE_S * lines.rate_hz, 2 * _unknowns(lines)):
        return _at_contact(samples, lines, at, after)
    return _within(samples, lines, at, before, after, factor)


def _squares_explained(lines: DampedLines, block: int) -> Samples:
    """Squares of the rest that other amplitudes of each line from each block on would explain.

    Shape (blocks, modes); zeros where they can't be enough.
    """
    count = lines.rest.size // block
    time = np.arange(count * block) / lines.rate_hz
    waves = damped_waves(time, lines.pole)
    rest = lines.rest[: time.size]
    squares = np.zeros((count, lines.pole.size))
    if not _may_be_broken(waves, rest, lines.noise_v2, block):
        return squares
    tangent = tangent_columns(waves, time)
    tangent /= np.sqrt(np.sum(tangent * tangent, axis=0))
    inverse = np.linalg.pinv(tangent.T @ tangent, rcond=1e-9, hermitian=True)
    blocks = tangent.reshape(count, block, -1)
    for k, wave in enumerate(waves.T):
        inside = np.column_stack([wave.real, wave.imag]).reshape(count, block, 2)
        turned = inside.transpose(0, 2, 1)
        left = _from_each_on((turned @ rest.reshape(count, block, 1))[:, :, 0])
        shared = _from_each_on(turned @ blocks)
        own = _from_each_on(turned @ inside)
        free = own - shared @ inverse @ shared.transpose(0, 2, 1)
        squares[:, k] = _explained(free, own, left)
    return squares


def _may_be_broken(waves: Phasors, rest: Samples, noise: Samples, block: int) -> bool:
    """Whether any change might explain enough: what the fit follows of it by itself left uncounted."""
    together = np.conj(waves) * rest[:, np.newaxis]
    left = np.abs(np.cumsum(together.reshape(-1, block, noise.size).sum(axis=1), axis=0)) ** 2
    power = waves.real**2 + waves.imag**2
    before = np.cumsum(power.reshape(-1, block, noise.size).sum(axis=1), axis=0) / 2.0
    shorter = np.minimum(before, before[-1] - before)[:-1]
    is_there = shorter > _LEAST_SHARE * before[-1]
    return bool(np.any(is_there & (left[:-1] > _FOLLOWED * _LEAST_RATIO * noise * shorter)))


def _from_each_on(sums: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sums from each block on to the end."""
    return np.asarray(np.cumsum(sums[::-1], axis=0)[::-1])


def _explained(free: NDArray[np.float64], own: NDArray[np.float64], left: Samples) -> Samples:
    """Squares of the rest that a change explains; 0 where the fit follows the change by itself."""
    a, b, d = free[:, 0, 0], free[:, 0, 1], free[:, 1, 1]
    determinant = a * d - b * b
    whole = own[:, 0, 0] * own[:, 1, 1]
    u, v = left[:, 0], left[:, 1]
    usable = (determinant > _LEAST_SHARE * whole) & (a > 0.0) & (d > 0.0)
    squares = d * u * u - 2.0 * b * u * v + a * v * v
    return np.where(usable, squares / np.where(usable, determinant, 1.0), 0.0)


def _unknowns(lines: DampedLines) -> int:
    return 2 * lines.pole.size + 1


def _at_contact(
    samples: Samples, lines: DampedLines, at: int, after: NDArray[np.intp]
) -> RingBreak | None:
    """A break near the stretch's start, if what lies before is no part of what rings after it.

    That may be the hit itself.
    """
    if at == 0:  # nothing lies before
        return None
    columns = _columns(lines, np.append(np.arange(at), after), at, 0.0)
    solved = _solved(columns[at:], samples[after])
    off = np.append(samples[:at], samples[after]) - columns @ solved
    if np.mean(np.square(off[:at])) < _FOREIGN * np.mean(np.square(off[at:])):
        return None
    return RingBreak(sample=at, is_loss=False)


def _within(
    samples: Samples,
    lines: DampedLines,
    at: int,
    before: NDArray[np.intp],
    after: NDArray[np.intp],
    factor: int,
) -> RingBreak | None:
    """A break with ringing on both sides, if no even change of amplitudes will do for them."""
    two = sum(_left(samples[part], _columns(lines, part, at, 0.0)) for part in (before, after))
    both = np.append(before, after)
    volts = samples[both]
    single = _left(volts, _columns(lines, both, at, 0.0))
    drifting = _left(volts, _drifting(_columns(lines, both, at, 0.0), both - at))
    if drifting < _BROKEN * two:
        return None
    lost = min(
        _left(volts, _columns(lines, both, at, missing / factor))
        for missing in range(-_MOST_LOST, _MOST_LOST + 1)
    )
    is_loss = lost < _AS_GOOD * two and lost - two < _TURNED * (single - two)
    return RingBreak(sample=at, is_loss=is_loss)


def _columns(lines: DampedLines, sample: NDArray[np.intp], at: int, missing: float) -> Samples:
    """Both quadratures of all lines, and a constant; from a sample on, later by what is missing."""
    time = (sample - at + np.where(sample >= at, missing, 0.0)) / lines.rate_hz
    waves: Phasors = np.exp(np.outer(time, lines.pole))
    return np.column_stack([waves.real, waves.imag, np.ones(time.size)])


def _drifting(columns: Samples, since: NDArray[np.intp]) -> Samples:
    """The columns, and the same growing with time: amplitudes that change, but evenly."""
    share = since[:, np.newaxis] / float(np.max(np.abs(since)))
    return np.hstack([columns, share * columns])


def _solved(columns: Samples, volts: Samples) -> Samples:
    return np.asarray(np.linalg.lstsq(columns, volts, rcond=_RANK)[0])


def _left(volts: Samples, columns: Samples) -> float:
    """Squares that a least-squares fit of the columns leaves."""
    return float(np.sum(np.square(volts - columns @ _solved(columns, volts))))
