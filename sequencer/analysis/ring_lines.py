"""The lines of a stretch of ringing, fitted jointly, and what may be wrong with each.

A line is crowded where another lies too near for their decays to be told apart, and has a flaw where
something is left beside it that is no mode of its own.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples, sum_of_squares
from sequencer.analysis.damped_modes import (
    Candidate,
    DampedLines,
    damped_waves,
    find_candidate,
    fit_damped_lines,
    noise_around,
    tangent_columns,
    without_columns,
)
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.ring_hum import AT_REST_RAD, RingHum
from sequencer.analysis.ring_stretches import Stretch, times_of

WORST_DOUBT = 0.3
_MOST_LINES = 12
_MOST_FLAWS = 4
_MOST_CORRECTIONS = 4
_BESIDE_HUM = 4.0  # bins of the stretch
# Time constants in the stretch: a mode that the record was made for dies away further.
_LASTING = 1.5
_MOST_TURN_RAD = 12.0  # of the highest line; more is due to modes that aren't fitted yet
_LEAST_HUM = 30.0  # of noise's variance, beside what noise does in each column on average, twice
_IMPERFECTION = 0.1  # of its neighbour: a fin's own non-linearity, not a second mode
_RESOLVED_WIDTHS = 2.0
# The low-pass lets through what rings somewhat above the band; not fitted it would bend the others.
_FITTED_ABOVE = 1.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Flaw:
    """Something left beside a mode that is no mode of its own: where, and its size over the mode's.

    A fin that is slightly non-linear leaves such a rest, and so do two modes too near to be told
    apart; either way the mode's decay is only known as well.
    """

    low_hz: float
    high_hz: float
    size: float


def fit_lines(stretch: Stretch, highest_hz: float) -> tuple[DampedLines, list[Flaw]]:
    """All lines that stand out, fitted jointly with the hum that is there, and what they leave."""
    if stretch.hum is not None:
        hum, lines, flaws = _fitted(stretch, highest_hz, stretch.hum)
        if hum is not None and _is_there(hum, lines, times_of(stretch)):
            return lines, flaws
    _, lines, flaws = _fitted(stretch, highest_hz, None)
    return lines, flaws


def _is_there(hum: RingHum, lines: DampedLines, time: Samples) -> bool:
    """Whether hum explains more than noise would have it do, of what the lines can't follow."""
    if lines.steady_v is None:
        return False
    tangent = tangent_columns(damped_waves(time - time[0], lines.pole), time - time[0])
    followed = np.linalg.qr(tangent / np.sqrt(np.sum(tangent * tangent, axis=0)))[0]
    explained = sum_of_squares(np.asarray(without_columns(lines.steady_v, followed)))
    lines_hz = hum.poles.imag / (2.0 * np.pi)
    noise_v2 = float(np.max(noise_around(lines.rest, lines.rate_hz, lines_hz)))
    return explained > noise_v2 * (_LEAST_HUM + 2.0 * (2 * hum.amplitude.size + 1))


def _fitted(
    stretch: Stretch, highest_hz: float, hum: RingHum | None
) -> tuple[RingHum | None, DampedLines, list[Flaw]]:
    """The hum as the fit corrects it, lines and flaws."""
    lines: DampedLines | None = None
    flaws: list[Flaw] = []
    time = times_of(stretch)
    steady = None if hum is None else hum.span(time)
    rest = without_columns(stretch.samples - np.mean(stretch.samples), steady)
    fitted_hz = min(_FITTED_ABOVE * highest_hz, 0.49 * stretch.rate_hz)
    while len(flaws) < _MOST_FLAWS and (lines is None or lines.pole.size < _MOST_LINES):
        avoid = np.reshape([(f.low_hz, f.high_hz) for f in flaws], (-1, 2))
        found = find_candidate(rest, stretch.rate_hz, fitted_hz, avoid)
        if found is None:
            break
        poles = np.empty(0, dtype=np.complex128) if lines is None else lines.pole
        trial = fit_damped_lines(
            stretch.samples, stretch.rate_hz, np.append(poles, found.pole), steady
        )
        flaw = None if lines is None else _flaw(trial, lines, found, stretch)
        if flaw is not None:
            flaws.append(flaw)
            continue
        if hum is not None and not _is_left_of_hum(hum, trial):
            hum, trial = _with_better_hum(stretch, time, hum, trial)
            steady = hum.span(time)
        lines, rest = trial, trial.rest
    if lines is None:
        raise CannotMeasure(
            "no_signal",
            "nothing in the record rings",
            "tap harder, or fix the sensor closer; look at the search band",
        )
    return hum, lines, flaws


def _is_left_of_hum(hum: RingHum, lines: DampedLines) -> bool:
    """Whether the newest line is what a mains that wanders leaves beside hum: no one frequency helps.

    Such lines are many, and to correct the hum after each takes many times as long as all else.
    """
    line_hz = float(lines.frequency_hz[-1])
    multiple = min(max(round(line_hz / hum.frequency_hz), 1), hum.amplitude.size)
    duration_s = lines.rest.size / lines.rate_hz
    is_near = abs(line_hz - multiple * hum.frequency_hz) * duration_s < _BESIDE_HUM
    return is_near and float(lines.rate[-1]) * duration_s < _LASTING


def _with_better_hum(
    stretch: Stretch, time: Samples, hum: RingHum, lines: DampedLines
) -> tuple[RingHum, DampedLines]:
    """Hum as the lines' fit corrects it, and the lines fitted again with that, as long as it helps."""
    for _ in range(_MOST_CORRECTIONS):
        if lines.steady_v is None or stretch.hum is None:
            break
        better = hum.corrected(time, lines.steady_v)
        is_farther = better.turned_from(stretch.hum, time) > _MOST_TURN_RAD
        if is_farther or better.turned_from(hum, time) < AT_REST_RAD:
            break
        trial = fit_damped_lines(stretch.samples, stretch.rate_hz, lines.pole, better.span(time))
        if sum_of_squares(trial.rest) > sum_of_squares(lines.rest):
            break
        hum, lines = better, trial
    return hum, lines


def _flaw(
    trial: DampedLines, before: DampedLines, found: Candidate, stretch: Stretch
) -> Flaw | None:
    """The flaw of an earlier line that the newest line of a trial only follows, else None."""
    width = width_hz(trial, stretch)
    apart = np.abs(trial.frequency_hz[:-1] - trial.frequency_hz[-1])
    near = apart < 3.0 * np.maximum(width[:-1], width[-1])
    if not np.any(near):
        return None
    amplitude = np.abs(trial.amplitude)
    is_strong = amplitude[-1] > _IMPERFECTION * float(np.max(amplitude[:-1][near]))
    if is_strong and decay_doubt(trial)[-1] < WORST_DOUBT:
        return None
    k = int(np.argmin(np.abs(before.pole - found.pole)))
    reach = 4.0 * float(width_hz(before, stretch)[k]) + 2.0 * stretch.rate_hz / before.rest.size
    centre = float(before.frequency_hz[k])
    return Flaw(
        low_hz=centre - reach,
        high_hz=centre + reach,
        size=float(np.sqrt(found.energy_v2 / before.energy_v2[k])),
    )


def flaw_sizes(lines: DampedLines, flaws: list[Flaw]) -> Samples:
    """What is left beside each line, over it."""
    size = np.zeros(lines.pole.size)
    for flaw in flaws:
        inside = (lines.frequency_hz > flaw.low_hz) & (lines.frequency_hz < flaw.high_hz)
        size = np.where(inside, np.hypot(size, flaw.size), size)
    return size


def decay_doubt(lines: DampedLines) -> Samples:
    """Relative standard uncertainty of each decay."""
    return np.asarray(np.sqrt(lines.rate_variance) / np.maximum(np.abs(lines.rate), 1e-12))


def width_hz(lines: DampedLines, stretch: Stretch) -> Samples:
    """Half-power width 1/(pi tau) of each line; not below what the record resolves."""
    duration_s = stretch.samples.size / stretch.rate_hz
    return np.asarray(np.maximum(lines.rate / np.pi, 0.5 / duration_s))


def find_crowded(lines: DampedLines, stretch: Stretch) -> NDArray[np.bool_]:
    """Whether another line of some strength lies within two half-power widths of each."""
    width = width_hz(lines, stretch)
    frequency, amplitude = lines.frequency_hz, np.abs(lines.amplitude)
    apart = np.abs(frequency[:, np.newaxis] - frequency)
    reach = _RESOLVED_WIDTHS * np.maximum(width[:, np.newaxis], width)
    strong = amplitude > _IMPERFECTION * amplitude[:, np.newaxis]
    near = (apart < reach) & strong & ~np.eye(frequency.size, dtype=bool)
    return np.asarray(np.any(near, axis=1))
