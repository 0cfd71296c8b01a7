"""What disturbs a record of a tone for a while: clicks, drop-outs, a level that moves.

Theory of operation. What a fit leaves of a steady tone is noise, and whatever comes back: crossover and
clipping in every cycle of the tone, a rectifier's spikes in every cycle of the mains. So the record is
cut into cells that hold either; an excursion far over those of most cells is a disturbance. One that
leaves hardly a voltage where the tone should swing is a loss of samples. Any other is taken out, by what
the fit says there; what it did to a reading is the difference to the record's own, and counts as doubt.

A level that moves puts lines so near to the tone that no fit tells them from it, and nothing in the rest
returns to zero. Where the spectrum beside the tone rises, the tone is demodulated in parts; a course
beyond what neighbouring parts differ by is taken off likewise. tone_jumps tells what its phase does.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from sequencer.analysis.arrays import Phasors, Samples, scatter_about_course
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.line_sums import Fold
from sequencer.analysis.sine_fit import remove_lines
from sequencer.analysis.tone_fit import ToneLines
from sequencer.analysis.tone_jumps import FEWEST_BENT, PhaseJump, find_phase_jump
from sequencer.analysis.tone_parts import middles_of_parts, tone_of_parts

__all__ = [
    "AROUND",
    "EXCESS",
    "LONGEST_EDGE",
    "Click",
    "Clicks",
    "LevelCourse",
    "find_clicks",
    "find_movements",
    "usual_peak_v",
]

_CELL_CYCLES = 1.25  # of the tone, and of the mains where there is room: what recurs is in each
_CELL_S = 0.025  # the same of 50 Hz
_CELLS_WANTED, _FEWEST_CELLS = 8, 4
_USUAL = 0.75  # of the cells hold no greater excursion
EXCESS = 2.0  # times that: seven standard deviations of noise, and more in long records
LONGEST_CLICK = 0.01  # of the record
LONGEST_EDGE = 0.05  # of the record, that the step of a level is blurred over: three parts
AROUND = 8  # samples that are taken out with it to each side, at least: its tails
_LULL = 0.6  # of a cycle: a tone that is gone, or too large, goes through zero
_FEWEST_LOST = 4  # samples: fewer may lie near a voltage by chance
_LOST = 0.1  # of the tone's swing, that is left where samples were lost
_BESIDE_BINS = 8
_RAISED = 15.0  # times the noise, which does that once in 10^5
_MOVED = 6.0  # doubts of a group's middle
_MOST_GROUPS, _FEWEST_GROUPS, _FEWEST_PARTS = 8, 3, 5
_GROUP_S = 0.025  # over a cycle of the mains: rippling rails hardly move it
_MIRROR_BINS = 0.6
_ALIKE = 2.0
_OVER_TURN = 2.0
_SHORT_CYCLES = 1.5  # in a part, where there would be too few parts to see a jump in


@dataclass(frozen=True, slots=True, kw_only=True)
class Click:
    """A click in a record: when, s from its beginning, and its largest excursion, V."""

    at_s: float
    size_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Clicks:
    """The clicks of a record, in order, and what they add to it, V."""

    found: tuple[Click, ...]
    course_v: Samples


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelCourse:
    """How a tone's amplitude moves about its mean: course_v is what that adds to the record, V.

    far_v is the farthest that the amplitude goes from its mean, V peak; range_db from least to most.
    """

    course_v: Samples
    far_v: float
    range_db: float


def find_clicks(
    record: Samples, sample_rate_hz: float, lines: ToneLines, *, longest: float = LONGEST_CLICK
) -> Clicks | None:
    """The short disturbances of a record of a tone; None where there are none.

    Parameters
    ----------
    record : shape (n,), volts; what was fitted
    longest : part of the record; what lasts longer is no click

    Raises
    ------
    CannotMeasure : dropout, where samples were lost
    """
    usual_v = _usual_peak_v(lines, sample_rate_hz, record.size)
    limit_v = max(EXCESS * usual_v, math.sqrt(lines.least_v2))
    if not lines.peaks_v.max() > limit_v:
        return None
    rest = remove_lines(record, sample_rate_hz, lines.fit)
    gap = max(2.0 * AROUND, _LULL * sample_rate_hz / lines.fundamental_hz)
    course_v = np.zeros(record.size)
    found = []
    for first, end in _stretches(rest, limit_v, usual_v, gap):
        if end - first > longest * record.size:
            continue
        _require_swing(record[first:end], rest[first:end], first, sample_rate_hz)
        size_v = float(np.abs(rest[first:end]).max())
        found.append(Click(at_s=first / sample_rate_hz, size_v=size_v))
        margin = max(AROUND, end - first)
        around = slice(max(first - margin, 0), end + margin)
        course_v[around] = rest[around]
    return Clicks(found=tuple(found), course_v=course_v) if found else None


def find_movements(
    record: Samples, sample_rate_hz: float, lines: ToneLines
) -> tuple[LevelCourse | None, PhaseJump | None]:
    """How the tone's level moves within a record, and where its phase jumps; None where neither does.

    Parameters
    ----------
    record : shape (n,), volts; what was fitted

    Raises
    ------
    CannotMeasure : dropout, where the phase shows that samples were lost
    """
    if not _is_raised(lines):
        return None, None

    def jump_in(moved: Phasors, left_in: list[int]) -> PhaseJump | None:
        is_short = moved.size < FEWEST_BENT
        if is_short:
            moved = _moved(record, sample_rate_hz, lines, left_in, least_cycles=_SHORT_CYCLES)
        return find_phase_jump(
            moved, record.size, sample_rate_hz, lines.fundamental_hz, is_rough=is_short
        )

    groups = min(_MOST_GROUPS, int(record.size / sample_rate_hz / _GROUP_S))
    sidebands = _sidebands(lines, sample_rate_hz / record.size)
    moved = _moved(record, sample_rate_hz, lines, sidebands)
    jump = jump_in(moved, sidebands)
    if sidebands and not _is_course(moved, groups):
        moved = _moved(record, sample_rate_hz, lines, [])
        jump = jump or jump_in(moved, [])
    if not _is_course(moved, groups):
        return None, jump
    along = moved.real - moved.real.mean()
    m = np.arange(record.size) - (record.size - 1) / 2
    course = np.interp(m, middles_of_parts(record.size, along.size), along)
    least, most = max(1 + float(along.min()), 1e-6), 1 + float(along.max())
    level = LevelCourse(
        course_v=course * _tone_v(record.size, sample_rate_hz, lines),
        far_v=float(np.abs(along).max()) * lines.amplitude_v,
        range_db=20 * math.log10(most / least),
    )
    return level, jump


def _is_course(moved: Phasors, groups: int) -> bool:
    """Whether it is the tone's level that moves: beyond the scatter of its parts, and its phase.

    A line beside the tone moves both alike. Of the phase, what a frequency that drifts does is left out.
    """
    if groups < _FEWEST_GROUPS or moved.size < max(groups, _FEWEST_PARTS):
        return False
    number = np.arange(moved.size) - (moved.size - 1) / 2
    turn = moved.imag - np.polyval(np.polyfit(number, moved.imag, 2), number)
    size = moved.size // groups
    # medians: a rectifier's spike falls into some parts only
    along, across = (
        float(np.ptp(np.median(of[: groups * size].reshape(groups, size), axis=1)))
        for of in (moved.real, turn)
    )
    scatter = scatter_about_course(moved.real)
    return along > max(_MOVED * scatter / math.sqrt(size), _OVER_TURN * across)


def _tone_v(count: int, sample_rate_hz: float, lines: ToneLines) -> Samples:
    """The tone with its harmonics as fitted, V: all of it moves with the level."""
    amplitude = lines.fit.amplitude.copy()
    amplitude[lines.comb.first_multiple :] = 0.0
    alone = replace(lines.fit, amplitude=amplitude, offset_v=0.0)
    return -remove_lines(np.zeros(count), sample_rate_hz, alone)


def _sidebands(lines: ToneLines, bin_hz: float) -> list[int]:
    """The stray lines that may be a moving level's: right beside the tone, and pairs about it."""
    strays = np.r_[lines.comb.strays].astype(np.intp)
    away = (lines.fit.frequency_hz[strays] - lines.fundamental_hz) / bin_hz
    size = np.abs(lines.fit.amplitude[strays])
    is_mirror = np.abs(np.add.outer(away, away)) < _MIRROR_BINS
    is_mirror &= np.maximum.outer(size, size) < _ALIKE * np.minimum.outer(size, size)
    is_slow = np.abs(away) * bin_hz < 1 / _GROUP_S / 2
    is_chosen = is_slow & ((np.abs(away) < _BESIDE_BINS) | is_mirror.any(axis=1))
    chosen: list[int] = strays[is_chosen].tolist()
    return chosen


def _moved(
    record: Samples,
    sample_rate_hz: float,
    lines: ToneLines,
    left_in: list[int],
    *,
    least_cycles: float = 3.0,
) -> Phasors:
    """The tone in parts of the record less the fit's, over that; some of the stray lines left in."""
    amplitude = lines.fit.amplitude.copy()
    amplitude[left_in] = 0.0
    rest = remove_lines(record, sample_rate_hz, replace(lines.fit, amplitude=amplitude))
    parts = tone_of_parts(rest, sample_rate_hz, lines.fundamental_hz, least_cycles=least_cycles)
    omega = 2 * math.pi * lines.fundamental_hz / sample_rate_hz
    turn = np.exp(1j * omega * middles_of_parts(record.size, parts.size))
    relative: Phasors = parts / (turn * lines.fit.amplitude[0])
    return relative


def _usual_peak_v(lines: ToneLines, sample_rate_hz: float, count: int) -> float:
    """The largest excursion of three quarters of the cells, V; infinite where there are too few."""
    columns, rows = Fold.of(count).columns, lines.peaks_v.size
    least = math.ceil(_CELL_CYCLES * sample_rate_hz / lines.fundamental_hz / columns)
    wanted = math.ceil(_CELL_S * sample_rate_hz / columns)
    size = max(least, min(wanted, rows // _CELLS_WANTED), 1)
    cells = rows // size
    if cells < _FEWEST_CELLS:
        return math.inf
    peaks_v = lines.peaks_v[: cells * size].reshape(cells, size).max(axis=1)
    return usual_peak_v(peaks_v)


def usual_peak_v(peaks_v: Samples) -> float:
    """What three quarters of the cells' largest excursions don't exceed, V; shape (cells,)."""
    return float(np.sort(peaks_v)[int(_USUAL * (peaks_v.size - 1))])


def _stretches(rest: Samples, limit_v: float, usual_v: float, gap: float) -> list[tuple[int, int]]:
    """First sample and end of what goes over the usual, where some of it goes over the limit.

    gap : samples below the usual, at most, that are still of one stretch
    """
    over = np.flatnonzero(np.abs(rest) > usual_v)
    runs = np.split(over, np.flatnonzero(np.diff(over) > gap) + 1)
    return [(int(run[0]), int(run[-1]) + 1) for run in runs if np.abs(rest[run]).max() > limit_v]


def _require_swing(part: Samples, rest: Samples, first: int, sample_rate_hz: float) -> None:
    """Refuse (dropout) a stretch in which the record stands nearly still, though the tone does not."""
    swing_v = float(np.ptp(part - rest))
    if part.size >= _FEWEST_LOST and float(np.ptp(part)) < _LOST * swing_v:
        raise CannotMeasure(
            "dropout",
            f"the tone is gone for {part.size} samples, from {first / sample_rate_hz:.6g} s on "
            f"(sample {first})",
            "record again; look for an interrupted connection or a full buffer",
        )


def _is_raised(lines: ToneLines) -> bool:
    """Whether the spectrum right beside the tone rises far over the noise around it."""
    power, middle = lines.residual.mean_square_v2, lines.fundamental_hz / lines.residual.bin_hz
    near = power[max(round(middle) - _BESIDE_BINS, 0) : round(middle) + _BESIDE_BINS + 1]
    return float(near.max()) > max(_RAISED * float(lines.seen_v2[0]) / 2, lines.least_v2)
