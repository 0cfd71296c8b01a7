"""Where the words of marks go, so that they cover neither each other nor the curve.

Greedy: marks from the highest to the lowest, each takes the best of a few places around it; one that
finds none keeps its ring and goes without words. All in points of the drawing, y upwards.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.captures import Samples

_GAP = 4.0
_RING = 2.6  # radius of a mark's ring with its edge
_STEPS_UP = (0.0, 11.0, 22.0, 33.0)
_COST_OVERLAP = 10_000.0
_COST_OUTSIDE = 100_000.0
_COST_COVERED = 3.0
_COST_MARK = 400.0


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle: left, bottom, right, top."""

    left: float
    bottom: float
    right: float
    top: float

    def overlap(self, other: "Box") -> float:
        """The area both share."""
        width = min(self.right, other.right) - max(self.left, other.left)
        height = min(self.top, other.top) - max(self.bottom, other.bottom)
        return max(width, 0.0) * max(height, 0.0)

    def is_within(self, other: "Box") -> bool:
        """Whether it lies wholly inside the other."""
        return (
            self.left >= other.left
            and self.right <= other.right
            and self.bottom >= other.bottom
            and self.top <= other.top
        )

    def grown(self, by: float) -> "Box":
        """The box with this much more on every side."""
        return Box(self.left - by, self.bottom - by, self.right + by, self.top + by)

    def holds(self, x: Samples, y: Samples) -> int:
        """How many of the points lie inside."""
        inside = (x >= self.left) & (x <= self.right) & (y >= self.bottom) & (y <= self.top)
        return int(np.count_nonzero(inside))


def place_labels(
    points: Sequence[tuple[float, float]],
    sizes: Sequence[tuple[float, float]],
    frame: Box,
    curve: tuple[Samples, Samples],
) -> list[Box | None]:
    """A box for the label of each point; sizes are (width, height) of the labels.

    None where a label would cover another one or leave the frame, wherever it went.
    """
    marks = np.array(points, dtype=np.float64).reshape(-1, 2)
    placed: dict[int, Box] = {}
    for index in sorted(range(len(points)), key=lambda i: (-points[i][1], points[i][0])):
        boxes = _candidates(points[index], sizes[index])
        costs = [
            _cost(box, frame, list(placed.values()), curve, marks) + 0.4 * rank
            for rank, box in enumerate(boxes)
        ]
        if min(costs) < _COST_OVERLAP:
            placed[index] = boxes[int(np.argmin(costs))]
    return [placed.get(index) for index in range(len(points))]


def _candidates(point: tuple[float, float], size: tuple[float, float]) -> list[Box]:
    """Places around a point, the most natural first."""
    x, y = point
    width, height = size
    above = y + _GAP
    places = [(x - width / 2.0, above)]
    for up in _STEPS_UP:
        places += [
            (x - width / 2.0, above + up),
            (x + _GAP, above + up - 1.0),
            (x - width - _GAP, above + up - 1.0),
        ]
    places += [
        (x + _GAP + 1.0, y - height / 2.0),
        (x - width - _GAP - 1.0, y - height / 2.0),
        (x - width / 2.0, y - _GAP - height),
        (x + _GAP, y - _GAP - height),
        (x - width - _GAP, y - _GAP - height),
    ]
    return [Box(left, bottom, left + width, bottom + height) for left, bottom in places]


def _cost(
    box: Box,
    frame: Box,
    placed: Sequence[Box],
    curve: tuple[Samples, Samples],
    marks: Samples,
) -> float:
    cost = 0.0 if box.is_within(frame) else _COST_OUTSIDE
    cost += sum(_COST_OVERLAP + box.overlap(other) for other in placed if box.overlap(other) > 0.0)
    cost += min(_COST_COVERED * box.holds(*curve), 0.5 * _COST_OVERLAP)
    rings = box.grown(_RING).holds(marks[:, 0], marks[:, 1])
    return cost + min(_COST_MARK * rings, 0.4 * _COST_OVERLAP)
