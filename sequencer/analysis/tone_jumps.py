"""Where the phase of a tone jumps: samples that were lost, or a tone that did not go on as it was.

The phase of a tone in parts of a record is a straight line, bent a little where its frequency drifts. A
block that is missing shows as a step in it, of what the tone turns by meanwhile: of a slow tone less
than a degree for a sample, which still leaves the frequency wrong by many of its doubts. So what the
joint fit of a record leaves of its phase is fitted with a bend and a step, the part in which the step
lies left out. A clear step by just what the tone turns in a number of samples, its level unmoved, is a
loss of so many. Any other is only counted: a tone may well wander.
"""

import math
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.arrays import Phasors
from sequencer.analysis.errors import CannotMeasure

__all__ = ["FEWEST_BENT", "PhaseJump", "find_phase_jump"]

_FEWEST_PARTS = 7
FEWEST_BENT = 9  # parts: of fewer, a bend and a step would be nearly all there is
_LEAST_ASIDE = 3  # parts before a loss of samples, and after it: a new frequency bends them
_COUNTED = 6.0  # standard deviations of a jump
# the same, to refuse it, or among few parts; white noise reaches 14 in 10 parts, a phase that wanders
# 18 in 64 (simulated)
_SURE = 20.0
_OFF_DEVIATIONS = 3.0  # that a jump may lie from a number of samples
_OFF_SAMPLES = 0.02  # the same where there is no noise
_LEVEL_SHARE = 0.2  # of the jump: a level that steps with it is no loss of samples


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseJump:
    """A jump of a tone's phase: when, s from the record's beginning, and by how much, rad.

    off_hz is how far it moves the frequency of a sine fitted to the record.
    """

    at_s: float
    size_rad: float
    off_hz: float


def find_phase_jump(
    moved: Phasors, count: int, sample_rate_hz: float, tone_hz: float, *, is_rough: bool = False
) -> PhaseJump | None:
    """The jump of a tone's phase within a record; None where there is no clear one.

    Parameters
    ----------
    moved : shape (parts,), what is left of the tone in parts of the record, over the fitted tone
    count : samples in the record
    tone_hz : as fitted
    is_rough : the parts show more than the tone, so that a jump must stand out as far as a sure one

    Raises
    ------
    CannotMeasure : dropout, where the jump is that of lost, or doubled, samples
    """
    parts = moved.size
    if parts < _FEWEST_PARTS:
        return None
    course = np.log(np.where(moved == -1, 1e-9, 1 + moved))  # level and phase
    turns = course.imag[2:] - course.imag[:-2]
    worst = 1 + int(np.abs(turns - np.median(turns)).argmax())
    part = np.linspace(-1.0, 1.0, parts)
    bend = [part**2] if parts >= FEWEST_BENT else []
    model = np.column_stack([np.sign(part - part[worst]) / 2, part, np.ones(parts), *bend])
    kept = np.arange(parts) != worst
    model, course = model[kept], course[kept]
    inverse = np.linalg.inv(model.T @ model)
    fitted = inverse @ (model.T @ course)
    rest = (course - model @ fitted).imag
    variance = float(inverse[0, 0] * (rest @ rest)) / (rest.size - model.shape[1])
    deviation_rad = math.sqrt(variance)
    size_rad, step_of_level = float(fitted[0].imag), float(fitted[0].real)
    if not abs(size_rad) > (_COUNTED if bend and not is_rough else _SURE) * deviation_rad:
        return None
    length = count // parts
    at = round((worst + 0.5) * length)
    if (
        abs(size_rad) > _SURE * deviation_rad
        and _LEAST_ASIDE <= worst < parts - _LEAST_ASIDE
        and bend
        and abs(step_of_level) < _LEVEL_SHARE * abs(size_rad)
    ):
        turn_rad = 2 * math.pi * tone_hz / sample_rate_hz
        _require_no_loss(size_rad / turn_rad, deviation_rad / turn_rad, size_rad, at)
    turn_of_part_rad = 2 * float(fitted[1].imag) / (parts - 1)
    return PhaseJump(
        at_s=at / sample_rate_hz,
        size_rad=size_rad,
        off_hz=turn_of_part_rad / (2 * math.pi) * sample_rate_hz / length,
    )


def _require_no_loss(samples: float, deviation: float, size_rad: float, at: int) -> None:
    """Refuse (dropout) a jump by what the tone turns in a whole number of samples.

    Parameters
    ----------
    samples, deviation : the jump and its standard deviation, in samples of the tone
    """
    lost = round(samples)
    if lost and abs(samples - lost) < max(_OFF_DEVIATIONS * deviation, _OFF_SAMPLES):
        what = "one sample" if abs(lost) == 1 else f"{abs(lost)} samples"
        raise CannotMeasure(
            "dropout",
            f"the phase of the tone steps by {math.degrees(size_rad):.2g} degrees near sample {at}, "
            f"by what it turns in {what}, {'missing' if lost > 0 else 'too many'} there",
            "record again; look for an overloaded connection to the analyser",
        )
