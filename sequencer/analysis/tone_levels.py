"""A fitted tone whose level moves within a record: beside one tone, or two.

Theory of operation. A level that moves puts lines so near to the tone that no fit tells them from it.
Where the spectrum beside the tone rises, what the fit leaves of it is demodulated in parts; a course
beyond what neighbouring parts differ by, and beyond what the phase does, is the level's.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from sequencer.analysis.arrays import Phasors, Samples, scatter_about_course
from sequencer.analysis.sine_fit import LineFit, remove_lines
from sequencer.analysis.spectrum import Periodogram
from sequencer.analysis.tone_parts import middles_of_parts, tone_of_parts
from sequencer.analysis.tone_steps import find_level_step

__all__ = [
    "BESIDE_BINS",
    "FEWEST_PARTS",
    "GROUP_S",
    "SHORT_CYCLES",
    "LevelCourse",
    "course_of",
    "is_course",
    "is_raised",
    "lines_v",
    "moved_of_line",
    "stands_out",
    "step_of_line",
    "turn_of",
]

BESIDE_BINS = 8
_RAISED = 15.0  # times the noise, which does that once in 10^5
_MOVED = 6.0  # doubts of a group's middle
_MOST_GROUPS, _FEWEST_GROUPS, FEWEST_PARTS = 8, 3, 5
GROUP_S = 0.025  # over a cycle of the mains: rippling rails hardly move it
_OVER_OTHER = 2.0
_MOST_CYCLES = 200.0  # a longer record shows a step beside its tone, but for its ends
_STEP_PARTS = 16
SHORT_CYCLES = 1.5  # in a part, where there would be too few parts to see a step or a jump in
_LEAST_TOLD_DB = 5e-4  # less is worth no word; in the doubt it is all the same


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelCourse:
    """How a tone's amplitude moves about its mean: course_v is what that adds to the record, V.

    far_v is the farthest that the amplitude goes from its mean, V peak; range_db from least to most.
    """

    course_v: Samples
    far_v: float
    range_db: float

    @classmethod
    def of(cls, level: Samples, tone_v: Samples, amplitude_v: float) -> "LevelCourse":
        """By how the level moves, over its mean, in each sample: shape (n,); mean 0 over time or parts.

        tone_v : shape (n,), what moves with the level, V
        amplitude_v : of the line, V peak
        """
        least, most = max(1 + float(level.min()), 1e-6), 1 + float(level.max())
        return cls(
            course_v=level * tone_v,
            far_v=float(np.abs(level).max()) * amplitude_v,
            range_db=20 * math.log10(most / least),
        )

    @property
    def told_db(self) -> float | None:
        """The range, where it is worth a word."""
        return self.range_db if self.range_db > _LEAST_TOLD_DB else None


def is_raised(rest: Periodogram, line_hz: float, noise_v2: float, least_v2: float) -> bool:
    """Whether the spectrum right beside a line rises far over the noise around it.

    Parameters
    ----------
    rest : of the record without its lines
    noise_v2 : b of the line by that noise
    least_v2 : mean square below which a bin is the computation's own
    """
    power, middle = rest.mean_square_v2, line_hz / rest.bin_hz
    near = power[max(round(middle) - BESIDE_BINS, 0) : round(middle) + BESIDE_BINS + 1]
    return float(near.max()) > max(_RAISED * noise_v2 / 2, least_v2)


def moved_of_line(
    record: Samples,
    sample_rate_hz: float,
    fit: LineFit,
    line: int,
    left_in: list[int],
    *,
    least_cycles: float = 3.0,
) -> Phasors:
    """A line in parts of the record less the fit's, over that; some of the other lines left in."""
    amplitude = fit.amplitude.copy()
    amplitude[left_in] = 0.0
    rest = remove_lines(record, sample_rate_hz, replace(fit, amplitude=amplitude))
    line_hz = float(fit.frequency_hz[line])
    parts = tone_of_parts(rest, sample_rate_hz, line_hz, least_cycles=least_cycles)
    omega = 2 * math.pi * line_hz / sample_rate_hz
    turn = np.exp(1j * omega * middles_of_parts(record.size, parts.size))
    relative: Phasors = parts / (turn * fit.amplitude[line])
    return relative


def lines_v(fit: LineFit, count: int, sample_rate_hz: float, chosen: slice) -> Samples:
    """The chosen ones of the fitted lines, V, shape (count,)."""
    amplitude = np.zeros_like(fit.amplitude)
    amplitude[chosen] = fit.amplitude[chosen]
    alone = replace(fit, amplitude=amplitude, offset_v=0.0)
    return -remove_lines(np.zeros(count), sample_rate_hz, alone)


def course_of(moved: Phasors, tone_v: Samples, amplitude_v: float) -> LevelCourse:
    """The course of the level that a line in parts of the record shows.

    Parameters
    ----------
    moved : of moved_of_line
    tone_v : shape (n,), what moves with the level, V
    amplitude_v : of the line, V peak
    """
    along = np.abs(1.0 + moved)
    along -= along.mean()
    m = np.arange(tone_v.size) - (tone_v.size - 1) / 2
    course = np.interp(m, middles_of_parts(tone_v.size, along.size), along)
    return LevelCourse.of(course, tone_v, amplitude_v)


def step_of_line(
    record: Samples,
    sample_rate_hz: float,
    fit: LineFit,
    line: int,
    left_in: list[int],
    tone_v: Callable[[], Samples],
) -> LevelCourse | None:
    """The step of a line's level in a record of few cycles; None where there is no sure one.

    left_in : as for moved_of_line; tone_v : what moves with the level, V, asked for if it does
    """
    cycles = record.size / sample_rate_hz * float(fit.frequency_hz[line])
    if cycles > _MOST_CYCLES:
        return None
    least_cycles = max(SHORT_CYCLES, cycles / _STEP_PARTS)
    moved = moved_of_line(record, sample_rate_hz, fit, line, left_in, least_cycles=least_cycles)
    step = find_level_step(np.abs(1.0 + moved))
    if step is None:
        return None
    level = step.course(record.size)
    return LevelCourse.of(level - level.mean(), tone_v(), float(np.abs(fit.amplitude[line])))


def is_course(moved: Phasors, seconds: float) -> bool:
    """Whether it is the tone's level that moves: beyond the scatter of its parts, and its phase.

    Of the phase, what a frequency that drifts does is left out.
    """
    if moved.size < FEWEST_PARTS:
        return False
    return stands_out(np.abs(1.0 + moved), turn_of(moved, 2), seconds)


def turn_of(moved: Phasors, degree: int) -> Samples:
    """The phase of each part, rad, ahead of a polynomial of that degree, shape (parts,)."""
    turn = np.unwrap(np.angle(1.0 + moved))
    number = np.arange(moved.size) - (moved.size - 1) / 2
    return np.asarray(turn - np.polyval(np.polyfit(number, turn, degree), number))


def stands_out(along: Samples, across: Samples, seconds: float) -> bool:
    """Whether something moves in parts of a record beyond its scatter, and twice as far as another does.

    A line beside the tone moves its level and its phase alike.

    Parameters
    ----------
    along, across : shape (parts,), the level over its mean or the phase, rad, and the other one
    seconds : length of the record
    """
    groups = min(_MOST_GROUPS, int(seconds / GROUP_S))
    if groups < _FEWEST_GROUPS or along.size < max(groups, FEWEST_PARTS):
        return False
    size = along.size // groups
    # medians: a rectifier's spike falls into some parts only
    far, other = (
        float(np.ptp(np.median(of[: groups * size].reshape(groups, size), axis=1)))
        for of in (along, across)
    )
    scatter = scatter_about_course(along)
    return far > max(_MOVED * scatter / math.sqrt(size), _OVER_OTHER * other)
