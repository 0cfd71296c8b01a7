"""What disturbs a record of a tone for a while: clicks, drop-outs, a level that moves.

Theory of operation. What a fit leaves of a steady tone is noise, and whatever comes back: crossover and
clipping in every cycle of the tone, a rectifier's spikes in every cycle of the mains. So the record is
cut into cells that hold either; an excursion far over those of most cells is a disturbance. One that
leaves hardly a voltage where the tone should swing is a loss of samples. Any other is taken out, by what
the fit says there; what it did to a reading is the difference to the record's own, and counts as doubt.

Of a level or a phase that moves (tone_levels, tone_turns) nothing in the rest returns to zero; its
course is taken off likewise. tone_jumps tells where the phase jumps.
"""

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from sequencer.analysis.arrays import Phasors, Samples
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.line_sums import Fold
from sequencer.analysis.sine_fit import remove_lines
from sequencer.analysis.tone_fit import ToneLines
from sequencer.analysis.tone_jumps import FEWEST_BENT, PhaseJump, find_phase_jump
from sequencer.analysis.tone_levels import (
    BESIDE_BINS,
    GROUP_S,
    SHORT_CYCLES,
    LevelCourse,
    course_of,
    is_course,
    is_raised,
    lines_v,
    moved_of_line,
    step_of_line,
)
from sequencer.analysis.tone_turns import PhaseCourse, is_turning, phase_course_of

__all__ = [
    "AROUND",
    "EXCESS",
    "LONGEST_EDGE",
    "Click",
    "Clicks",
    "Movements",
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
_MIRROR_BINS = 0.6
_ALIKE = 2.0


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Movements:
    """How a tone's level and phase move within a record, and where the phase jumps; None: it doesn't."""

    level: LevelCourse | None = None
    phase: PhaseCourse | None = None
    jump: PhaseJump | None = None

    @property
    def courses_v(self) -> list[Samples]:
        """What they add to the record, each of shape (n,), V."""
        return [each.course_v for each in (self.level, self.phase) if each is not None]


def find_movements(record: Samples, sample_rate_hz: float, lines: ToneLines) -> Movements:
    """How a tone moves within a record.

    Parameters
    ----------
    record : shape (n,), volts; what was fitted

    Raises
    ------
    CannotMeasure : dropout, where the phase shows that samples were lost
    """
    found = _beside_the_tone(record, sample_rate_hz, lines)
    if found.level is not None:
        return found
    return replace(found, level=_step_of_level(record, sample_rate_hz, lines))


def _beside_the_tone(record: Samples, sample_rate_hz: float, lines: ToneLines) -> Movements:
    """The same where the spectrum beside the tone rises, or lines beside it were fitted."""
    noise_v2 = float(lines.seen_v2[0])
    sidebands = _sidebands(lines, sample_rate_hz / record.size)
    rises = is_raised(lines.residual, lines.fundamental_hz, noise_v2, lines.least_v2)
    if not (rises or sidebands):
        return Movements()

    def jump_in(moved: Phasors, left_in: list[int]) -> PhaseJump | None:
        is_short = moved.size < FEWEST_BENT
        if is_short:
            moved = moved_of_line(
                record, sample_rate_hz, lines.fit, 0, left_in, least_cycles=SHORT_CYCLES
            )
        return find_phase_jump(
            moved, record.size, sample_rate_hz, lines.fundamental_hz, is_rough=is_short
        )

    seconds = record.size / sample_rate_hz
    moved = moved_of_line(record, sample_rate_hz, lines.fit, 0, sidebands)
    jump = jump_in(moved, sidebands) if rises else None  # lines that are fitted beat with the tone
    if rises and sidebands and not (is_course(moved, seconds) or is_turning(moved, seconds)):
        moved = moved_of_line(record, sample_rate_hz, lines.fit, 0, [])
        jump = jump or jump_in(moved, [])
    level, phase = None, None
    if is_course(moved, seconds):
        tone_v = _tone_v(record.size, sample_rate_hz, lines)
        level = course_of(moved, tone_v, lines.amplitude_v)
    if jump is not None or is_turning(moved, seconds):
        orders = slice(lines.comb.first_multiple)
        phase = phase_course_of(moved, lines.fit, orders, record.size, sample_rate_hz)
    return Movements(level=level, phase=phase, jump=jump)


def _step_of_level(record: Samples, sample_rate_hz: float, lines: ToneLines) -> LevelCourse | None:
    """The step of the tone's level in a short record."""
    fit = lines.fit
    strays = np.r_[lines.comb.strays].astype(np.intp)
    away_hz = np.abs(fit.frequency_hz[strays] - lines.fundamental_hz)
    beside: list[int] = strays[away_hz < BESIDE_BINS * sample_rate_hz / record.size].tolist()
    tone_v = partial(_tone_v, record.size, sample_rate_hz, lines)
    return step_of_line(record, sample_rate_hz, fit, 0, beside, tone_v)


def _tone_v(count: int, sample_rate_hz: float, lines: ToneLines) -> Samples:
    """The tone with its harmonics as fitted, V: all of it moves with the level."""
    return lines_v(lines.fit, count, sample_rate_hz, slice(lines.comb.first_multiple))


def _sidebands(lines: ToneLines, bin_hz: float) -> list[int]:
    """The stray lines that may be a moving level's: right beside the tone, and pairs about it."""
    strays = np.r_[lines.comb.strays].astype(np.intp)
    away = (lines.fit.frequency_hz[strays] - lines.fundamental_hz) / bin_hz
    size = np.abs(lines.fit.amplitude[strays])
    is_mirror = np.abs(np.add.outer(away, away)) < _MIRROR_BINS
    is_mirror &= np.maximum.outer(size, size) < _ALIKE * np.minimum.outer(size, size)
    is_slow = np.abs(away) * bin_hz < 1 / GROUP_S / 2
    is_chosen = is_slow & ((np.abs(away) < BESIDE_BINS) | is_mirror.any(axis=1))
    chosen: list[int] = strays[is_chosen].tolist()
    return chosen


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
