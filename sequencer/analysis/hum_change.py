"""Hum whose level changes within a record: a hum line that is stronger in some stretch than in the rest.

Theory of operation. The record is cut into some sixteen parts. In each, behind a Hann window, a line is
what the fit says and what the fit has left of it there. A line that turns far for the mains' wander is
left out. The powers scatter by the noise that the fit knows, or by what they are seen to; the stretch
of parts farthest from all is laid against that.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples, Spectral, scatter_about_course
from sequencer.analysis.line_sums import line_sums
from sequencer.analysis.mains import ROUNDING, HumLines
from sequencer.analysis.mains_wander import Wander
from sequencer.analysis.power_stretches import (
    SURE,
    farthest_stretch,
    told_stretch,
)
from sequencer.analysis.spectrum import hann

_MOST_PARTS, _FEWEST_IN_SECTION = 16, 4
_FEWEST_PARTS = 8  # of fewer, a step would hide in its own scatter
_LEAST_PART_S = 0.06
_HANN_VARIANCE = 1.5  # of an amplitude behind the window, over that without one
_MOST_LOST = 0.02  # of a line, in a fit to a mains that wanders
_LEAST_TOLD_DB = 0.2  # what is left of a mains that walks at random comes near half of it
_SEEN = 4.0  # standard deviations of the noise in a part


@dataclass(frozen=True, slots=True, kw_only=True)
class HumChange:
    """How the hum of a record changes: the line that shows it surest, a multiple of the mains.

    And the stretch in which that differs most from the rest, s and dB; of two stretches that make up
    the record it is the shorter. away_v is how far a line goes from its mean level, rms, V rms: beyond
    noise where it stands out in a part, or else, noise and all, from that stretch to the rest.
    power_v2 is the mean square in each part of those that stand out.
    mains_off_hz is how far the fits' mains frequency lies from what the phases of the parts say.
    is_whole: whether all lines that a section has could be followed through all of them.
    """

    multiple: int
    start_s: float
    stop_s: float
    louder_db: float
    away_v: Mapping[int, float]
    power_v2: Mapping[int, Spectral]
    mains_off_hz: float
    is_whole: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _LineCourse:
    """A line in all parts: b of it in one, V^2; its mean square, noise taken off; its turn, rad."""

    noise_v2: float
    power_v2: Spectral
    turn_rad: NDArray[np.float64]  # shape (sections, parts)

    @property
    def mean_v2(self) -> float:
        return float(self.power_v2.mean())

    @property
    def freedom(self) -> float:
        """Degrees of freedom of a chi-square that scatters as much as its power does in a part."""
        variance_v4 = max(
            # c of a line has b/2 along it: its mean square scatters by |c| sqrt(b/2)
            self.mean_v2 * self.noise_v2,
            scatter_about_course(self.power_v2) ** 2,
        )
        return 2 * self.mean_v2**2 / max(variance_v4, (ROUNDING * self.mean_v2) ** 2)

    @property
    def is_seen(self) -> bool:
        """Whether it stands out in a part on average."""
        return 2 * self.mean_v2 > _SEEN**2 * self.noise_v2 > 0.0

    @property
    def away_v(self) -> float:
        levels_v = np.sqrt(np.maximum(self.power_v2, 0.0))
        away_v2 = float(np.mean((levels_v - math.sqrt(self.mean_v2)) ** 2)) - self.noise_v2 / 4
        return math.sqrt(max(away_v2, 0.0))

    def apart_v(self, first: int, end: int) -> float:
        """How far its level goes from its mean, rms, between a stretch of parts and the rest, V rms."""
        sides = self.power_v2[first:end], np.delete(self.power_v2, slice(first, end))
        share = (end - first) / self.power_v2.size
        within_v, beside_v = (math.sqrt(max(float(side.mean()), 0.0)) for side in sides)
        return abs(within_v - beside_v) * math.sqrt(share * (1.0 - share))


def find_hum_change(
    rests: NDArray[np.float64],
    sample_rate_hz: float,
    fits: Sequence[HumLines],
    wanders: Sequence[Wander | None],
    *,
    clicks_v: Samples | None = None,
) -> HumChange | None:
    """Where the hum of a record changes; None where its lines keep their levels, or none is seen.

    Parameters
    ----------
    rests : shape (sections, n), volts; successive sections without their lines
    fits : the lines of each
    wanders : what the mains of each does beside them
    clicks_v : shape (sections * n,), what clicks add; parts that hold any are left out
    """
    sections, size = rests.shape
    most = max(_MOST_PARTS // sections, _FEWEST_IN_SECTION)
    in_section = min(most, int(size / sample_rate_hz / _LEAST_PART_S))
    if in_section * sections < _FEWEST_PARTS:
        return None
    length = size // in_section
    part_s = length / sample_rate_hz
    kept = np.arange(sections * in_section)
    if clicks_v is not None:
        cut = clicks_v.reshape(rests.shape)[:, : in_section * length].reshape(-1, length)
        kept = np.flatnonzero(~cut.any(axis=1))
    if kept.size < _FEWEST_PARTS:
        return None
    every = _courses(rests, sample_rate_hz, fits, wanders, in_section, kept)
    lines = {multiple: line for multiple, line in every.items() if line.is_seen}
    if not lines:
        return None
    found = {
        multiple: farthest_stretch(line.power_v2 / line.mean_v2, line.freedom)
        for multiple, line in lines.items()
    }
    surest = max(found, key=lambda multiple: abs(found[multiple][2]))
    first, end, deviate = found[surest]
    if abs(deviate) <= SURE:
        return None
    over_mean = lines[surest].power_v2 / lines[surest].mean_v2
    least = lines[surest].noise_v2 / lines[surest].mean_v2
    first, end, louder_db = told_stretch(
        over_mean, first, end, is_louder=deviate > 0.0, least=least
    )
    if abs(louder_db) < _LEAST_TOLD_DB:
        return None
    best = max(lines, key=lambda k: k**2 * lines[k].mean_v2 / lines[k].noise_v2)
    place_s = (np.arange(in_section) - (in_section - 1) / 2) * part_s
    slopes = lines[best].turn_rad @ place_s / float(place_s @ place_s)
    start_s, stop_s = (
        (part // in_section * size + part % in_section * length) / sample_rate_hz + after_s
        for part, after_s in ((int(kept[first]), 0.0), (int(kept[end - 1]), part_s))
    )
    return HumChange(
        multiple=surest,
        start_s=start_s,
        stop_s=stop_s,
        louder_db=louder_db,
        away_v={
            multiple: line.away_v if line.is_seen else line.apart_v(first, end)
            for multiple, line in every.items()
        },
        power_v2={multiple: line.power_v2 for multiple, line in lines.items()},
        mains_off_hz=float(np.abs(slopes).mean()) / best / math.tau,
        is_whole=all(set(fit.multiples) == set(fits[0].multiples) for fit in fits),
    )


def _courses(
    rests: NDArray[np.float64],
    sample_rate_hz: float,
    fits: Sequence[HumLines],
    wanders: Sequence[Wander | None],
    in_section: int,
    kept: NDArray[np.intp],
) -> dict[int, _LineCourse]:
    """The lines that all sections have, where the mains' wander leaves them whole."""
    wandering = [wander for wander in wanders if wander is not None]
    multiples = [
        multiple
        for multiple in sorted(set.intersection(*(set(fit.multiples) for fit in fits)))
        if all(wander.lost(multiple) < _MOST_LOST for wander in wandering)
    ]
    if not multiples:
        return {}
    length = rests.shape[1] // in_section
    phasors = []
    noise_v2 = []
    for rest, fit in zip(rests, fits, strict=True):
        chosen = [fit.multiples.index(multiple) for multiple in multiples]
        amplitude = np.abs(fit.fit.amplitude[chosen])
        noise_v2.append(fit.noise_v2[chosen] * in_section * _HANN_VARIANCE)
        left = _left_in_parts(rest, sample_rate_hz, fit.fit.frequency_hz[chosen], length)
        line = amplitude + left * np.exp(-1j * np.angle(fit.fit.amplitude[chosen]))
        phasors.append(line)
    seen = np.array(phasors)
    part_noise_v2 = np.median(noise_v2, axis=0)
    power_v2 = (np.square(np.abs(seen)).reshape(-1, len(multiples))[kept] - part_noise_v2) / 2
    return {
        multiple: _LineCourse(
            noise_v2=float(part_noise_v2[i]),
            power_v2=power_v2[:, i],
            turn_rad=np.unwrap(np.angle(seen[:, :, i]), axis=1),
        )
        for i, multiple in enumerate(multiples)
    }


def _left_in_parts(
    rest: Samples, sample_rate_hz: float, lines_hz: Spectral, length: int
) -> NDArray[np.complex128]:
    """What is left of lines in each part, complex peak amplitudes from mid-record: (parts, lines)."""
    parts = rest.size // length
    window = 2 * hann(length) / hann(length).sum()
    omega = 2 * np.pi * lines_hz / sample_rate_hz
    none_moves = np.zeros(0, dtype=np.intp)
    cut = rest[: parts * length].reshape(parts, length)
    cut = cut - cut.mean(axis=1, keepdims=True)  # DC, and what is slow, would leak into the first
    left = [line_sums(part * window, omega, none_moves)[0] for part in cut]
    middle = np.arange(parts) * length + (length - rest.size) / 2
    return np.asarray(left * np.exp(-1j * np.outer(middle, omega)))
