"""A fitted tone whose phase moves within a record: its frequency drifts, steps or wanders.

Theory of operation. As for a level that moves (tone_levels), by what the fit leaves of the tone in parts
of the record; here it is the phase that goes its own way, beyond what neighbouring parts differ by,
and beyond what the level does. Order k of the tone is ahead by k times as much, and a fit of steady
lines reads it low by the mean of what turns.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Legendre

from sequencer.analysis.arrays import Phasors, Samples
from sequencer.analysis.sine_fit import LineFit
from sequencer.analysis.tone_levels import FEWEST_PARTS, stands_out, turn_of
from sequencer.analysis.tone_parts import middles_of_parts

_MOST_DEGREES, _PARTS_A_DEGREE = 5, 4
_LEAST_READ = 0.2  # of an order's amplitude; of one that turns so far, nothing is known
_LEAST_TOLD = 1e-7  # of the frequency: no generator is steadier


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseCourse:
    """How a tone's phase moves about a straight line: course_v is what that adds to the record, V.

    far_rad is the farthest that it goes; far_hz the same of the frequency from its mean, range_hz from
    least to most.
    """

    course_v: Samples
    far_rad: float
    far_hz: float
    range_hz: float


def is_turning(moved: Phasors, seconds: float) -> bool:
    """Whether it is the tone's phase that moves: beyond the scatter of its parts, and its level."""
    if moved.size < FEWEST_PARTS:
        return False
    return stands_out(turn_of(moved, 1), np.abs(1.0 + moved), seconds)


def phase_course_of(
    moved: Phasors, fit: LineFit, orders: slice, count: int, sample_rate_hz: float
) -> PhaseCourse | None:
    """The course of the phase that a tone in parts of the record shows; None if it isn't worth a word.

    Parameters
    ----------
    moved : shape (parts,), of moved_of_line
    orders : which lines of the fit are the tone and its harmonics, the tone first
    count : samples in the record
    """
    turn_rad = turn_of(moved, 1)
    middles = middles_of_parts(count, moved.size)
    degree = min(_MOST_DEGREES, max(moved.size // _PARTS_A_DEGREE, 2))
    tone_hz = float(fit.frequency_hz[orders][0])
    off_hz = Legendre.fit(middles, turn_rad, degree).deriv()(middles) * sample_rate_hz / math.tau
    if float(np.ptp(off_hz)) < _LEAST_TOLD * tone_hz:
        return None
    m = np.arange(count) - (count - 1) / 2
    turn = np.exp(1j * np.interp(m, middles, turn_rad))
    course_v = np.zeros(count)
    for hz, amplitude in zip(fit.frequency_hz[orders], fit.amplitude[orders], strict=True):
        ahead = turn ** round(float(hz) / tone_hz)
        read = complex(np.mean(ahead))
        if abs(read) > _LEAST_READ:
            carrier = np.exp(2j * np.pi * float(hz) / sample_rate_hz * m)
            course_v += (amplitude / read * carrier * (ahead - 1.0)).real
    return PhaseCourse(
        course_v=course_v,
        far_rad=float(np.abs(turn_rad).max()),
        far_hz=float(np.abs(off_hz).max()),
        range_hz=float(np.ptp(off_hz)),
    )
