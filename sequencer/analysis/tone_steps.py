"""A step of a tone's level in a short record, by the tone in its parts.

Theory of operation. A window hides what happens near the ends of a record from its spectrum, and a
record of few cycles has no spectrum beside the tone that would show it; a step leaks into all lines all
the same. So the levels of parts are compared with two constants, the part where they change left out. A
step is one whose two constants explain a hundred times as much as each of the parts is off by: a level
that ripples with the mains, or drifts, or dips and comes back, is not explained so.
"""

import math
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.arrays import Samples

_FEWEST_FREE = 5  # parts, beyond what a step is fitted by
_SURE = 100.0  # times what each part is off by
_BY_CHANCE = 1e-6  # how often noise may do so


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelStep:
    """A step from one level to another, at_parts from the record's beginning, in parts of it."""

    parts: int
    at_parts: float
    before: float
    after: float

    def course(self, count: int) -> Samples:
        """The level in each sample of a record, shape (count,)."""
        part = (np.arange(count) + 0.5) / (count // self.parts)
        return np.where(part < self.at_parts, self.before, self.after)


def find_level_step(levels: Samples) -> LevelStep | None:
    """The step in the levels of a record's parts, shape (parts,); None where there is no sure one."""
    freedom = levels.size - 3
    if freedom < _FEWEST_FREE:
        return None

    def left(part: int) -> float:
        sides = levels[:part], levels[part + 1 :]
        return sum(float(np.sum((side - side.mean()) ** 2)) for side in sides)

    part = min(range(1, levels.size - 1), key=left)
    off = left(part) / freedom
    before, after = float(levels[:part].mean()), float(levels[part + 1 :].mean())
    explained = (before - after) ** 2 * part * (levels.size - 1 - part) / (levels.size - 1)
    # both constants explain no more than twice F(2, freedom); the part is the best of all but two
    chance = freedom * (math.pow(_BY_CHANCE / (levels.size - 2), -2 / freedom) - 1)
    if not explained > max(_SURE, chance) * off:
        return None
    share = (float(levels[part]) - after) / (before - after)
    at_parts = part + float(np.interp(share, _WEIGHTS, _SHARES))
    return LevelStep(parts=levels.size, at_parts=at_parts, before=before, after=after)


# of a part before the step, and what a Hann-weighted mean over the part makes of that
_SHARES = np.linspace(0.0, 1.0, 201)
_WEIGHTS = _SHARES - np.sin(2 * np.pi * _SHARES) / (2 * np.pi)
