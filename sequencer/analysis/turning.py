"""A fitted tone whose frequency drifts: how its phase goes on, and what that takes from its level.

Theory of operation. A fit at one frequency takes the mean of an amplitude that turns, which is less
than the tone's, and leaves the rest beside it, most of it at the record's ends. A polynomial through
what is left of the tone in parts follows a drift closely, but no step and no noise.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre

from sequencer.analysis.arrays import Phasors, Samples
from sequencer.analysis.sine_fit import LineFit
from sequencer.analysis.tone_levels import moved_of_line
from sequencer.analysis.tone_parts import middles_of_parts

_MOST_DEGREES, _FEWEST_PARTS = 12, 14
_CLOSELY = 0.05  # of the course, that it may miss the parts by, rms


@dataclass(frozen=True, slots=True, kw_only=True)
class Turning:
    """What a tone that turns does beside the line that was fitted to it.

    course_v : shape (n,), V, what it adds to the record beside that line
    lost : share of its level by which the fit's is lower
    stray_rad : from least to most, how its phase strays from that of a steady frequency
    range_hz : from least to most, how its frequency moves
    """

    course_v: Samples
    lost: float
    stray_rad: float
    range_hz: float


def turning_of(record: Samples, sample_rate_hz: float, fit: LineFit, line: int) -> Turning | None:
    """How a line of a record turns; None where no smooth course follows it closely.

    record : shape (n,), volts, with the lines
    """
    moved = moved_of_line(record, sample_rate_hz, fit, line, [])
    if moved.size < _FEWEST_PARTS:
        return None
    half = record.size / 2
    at = middles_of_parts(record.size, moved.size) / half
    weights = legendre.legfit(at, moved, min(_MOST_DEGREES, moved.size // 2 - 1))
    through: Phasors = np.asarray(legendre.legval(at, weights), dtype=np.complex128)
    missed = float(np.sqrt(np.mean(np.abs(moved - through) ** 2)))
    if missed > _CLOSELY * float(np.std(through)):
        return None
    m = np.arange(record.size) - (record.size - 1) / 2
    omega = 2 * math.pi * float(fit.frequency_hz[line]) / sample_rate_hz
    beside = fit.amplitude[line] * legendre.legval(m / half, weights) * np.exp(1j * omega * m)
    tone = 1 + through
    phase = np.unwrap(np.angle(tone))
    return Turning(
        course_v=np.asarray(beside.real, dtype=np.float64),
        lost=max(1 - float(np.abs(tone.mean()) / np.abs(tone).mean()), 0.0),
        range_hz=float(np.ptp(np.gradient(phase, at * half))) * sample_rate_hz / math.tau,
        stray_rad=float(np.ptp(phase - np.polyval(np.polyfit(at, phase, 1), at))),
    )
