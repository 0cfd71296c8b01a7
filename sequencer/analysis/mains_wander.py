"""How the mains frequency wanders within a record, by the phase of its best hum line.

Theory of operation. All hum lines turn together: where the mains is ahead by an angle theta, line h is
by h theta. A fit of steady lines reads the mean of what turns, so line h low by 1 - |mean of exp(i h
theta)|, and a frequency that is the slope of a straight line through theta. So the best line is
demodulated in parts, and a polynomial laid through its phase; it counts if it bends beyond noise.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial import Legendre

from sequencer.analysis.arrays import Samples, scatter_about_course
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.mains import HumLines, MainsFrequency
from sequencer.analysis.sine_fit import remove_lines
from sequencer.analysis.tone_parts import middles_of_parts, tone_of_parts

_HIGHEST_LINE = 4  # it turns by a good part of a cycle only where higher ones are lost
_PART_CYCLES = 3.0
_FEWEST_PARTS = 8
_MOST_DEGREES, _PARTS_A_DEGREE = 4, 4
_SURE = 6.0  # standard deviations
_MOST_NOISE_RAD = 0.3  # of the line's phase in a part: with more, a turn may be lost
_ABSENT = 0.2  # of the line's amplitude
_LEAST_HZ = 2e-4  # no grid is so steady, and it does nothing to any line
_LEAST_V2 = 1e-300  # where there is no noise at all
_HANN_VARIANCE = 1.5  # of an amplitude behind the window, over that without one


@dataclass(frozen=True, slots=True, kw_only=True)
class Wander:
    """What a section's mains does beside a steady frequency.

    turn_rad is the phase that the mains is ahead by, off_hz by how much its frequency is higher
    than that of the fit, both in some 50 places.
    """

    turn_rad: Samples
    off_hz: Samples

    def lost(self, multiple: int) -> float:
        """Part of a line's amplitude that a fit of steady lines misses, 0 to 1."""
        return 1.0 - float(abs(np.mean(np.exp(1j * multiple * self.turn_rad))))


def find_wander(section: Samples, sample_rate_hz: float, hum: HumLines) -> Wander | None:
    """The wander of the mains in what hum lines were fitted to; None where it is steady.

    Parameters
    ----------
    section : shape (n,), V
    hum : the fit, one line or more; lines of no amplitude, and without noise, may be among them
    """
    fit = hum.fit
    chosen = [
        i
        for i, multiple in enumerate(hum.multiples)
        if multiple <= _HIGHEST_LINE and fit.amplitude[i]
    ]
    if not chosen:
        return None
    sureness = [
        hum.multiples[i] * float(abs(fit.amplitude[i])) / math.sqrt(max(hum.noise_v2[i], _LEAST_V2))
        for i in chosen
    ]
    line = chosen[int(np.argmax(sureness))]
    multiple, line_hz = hum.multiples[line], float(fit.frequency_hz[line])
    amplitude = fit.amplitude.copy()
    amplitude[line] = 0.0
    alone = remove_lines(section, sample_rate_hz, replace(fit, amplitude=amplitude))
    least = math.ceil(_PART_CYCLES * multiple / line_hz * sample_rate_hz)
    parts = tone_of_parts(alone, sample_rate_hz, line_hz, least=least)
    noise_v2 = float(hum.noise_v2[line]) * parts.size * _HANN_VARIANCE / 2
    noise_rad = math.sqrt(noise_v2) / float(abs(fit.amplitude[line])) / multiple
    if parts.size < _FEWEST_PARTS or noise_rad * multiple > _MOST_NOISE_RAD:
        return None
    if float(np.abs(parts).min()) <= _ABSENT * float(abs(fit.amplitude[line])):
        return None  # hum that begins or ends: what is there then has no phase of it
    middle_s = middles_of_parts(section.size, parts.size) / sample_rate_hz
    steady = fit.amplitude[line] * np.exp(2j * np.pi * line_hz * middle_s)
    turn_rad = np.unwrap(np.angle(parts / steady)) / multiple
    degree = min(_MOST_DEGREES, parts.size // _PARTS_A_DEGREE)
    course = Legendre.fit(middle_s, turn_rad, degree)
    bend = Legendre(course.coef * (np.arange(degree + 1) > 1), domain=course.domain)
    seen_rad = scatter_about_course(turn_rad)
    doubt_rad = max(noise_rad, seen_rad) * math.sqrt((degree - 1) / parts.size)
    if float(np.sqrt(np.mean(bend(middle_s) ** 2))) <= _SURE * doubt_rad:
        return None
    at_s = np.linspace(middle_s[0], middle_s[-1], middle_s.size)
    return Wander(turn_rad=course(at_s), off_hz=course.deriv()(at_s) / (2 * np.pi))


def wandering_line(level: Estimate, multiple: int, wanders: Sequence[Wander | None]) -> Estimate:
    """A hum line's level, or bound, with what it is read low by in its doubt.

    Rectangular (JCGM 100:2008, 4.3.7).
    """
    lost = float(np.mean([0.0 if wander is None else wander.lost(multiple) for wander in wanders]))
    if not lost:
        return level
    part = lost / max(1.0 - lost, 1e-3)
    if level.value is None:
        bound = level.upper_bound
        return level if bound is None else replace(level, upper_bound=bound * (1.0 + part))
    doubt = math.hypot(level.standard_uncertainty, part * level.value / math.sqrt(3))
    return replace(level, standard_uncertainty=doubt)


def wandering_frequency(
    mean: Estimate,
    found: Sequence[MainsFrequency | None],
    wanders: Sequence[Wander | None],
) -> tuple[Estimate, float | None]:
    """The mean mains frequency, how far it goes from that in its doubt; and its range where it wanders.

    Parameters
    ----------
    found : in each section of the record, None or unseen where there was nothing
    """
    if mean.value is None:
        return mean, None
    course_hz: list[float] = []
    is_wandering = False
    for section, wander in zip(found, wanders, strict=True):
        if section is None or not section.is_seen:
            continue
        away_hz = section.value_hz - mean.value
        is_wandering |= wander is not None
        is_wandering |= abs(away_hz) > _SURE * section.standard_uncertainty_hz
        course_hz += [away_hz] if wander is None else (away_hz + wander.off_hz).tolist()
    if not is_wandering or np.ptp(course_hz) < _LEAST_HZ:
        return mean, None
    far_hz = float(np.abs(course_hz).max())
    doubt = math.hypot(mean.standard_uncertainty, far_hz / math.sqrt(3))
    return replace(mean, standard_uncertainty=doubt), float(np.ptp(course_hz))
