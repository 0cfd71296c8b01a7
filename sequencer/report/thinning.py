"""Fewer points for the same picture: no printer and no screen shows a million of them."""

import numpy as np
from numpy.typing import NDArray

from sequencer.captures import Samples
from sequencer.pictures import Curve, Scale

COLUMNS = 900

Indices = NDArray[np.int64]


def thinned(
    curve: Curve,
    *,
    x_scale: Scale = "linear",
    x_limits: tuple[float, float] | None = None,
    columns: int = COLUMNS,
    is_upper_only: bool = False,
) -> tuple[Samples, Samples]:
    """x and y of a curve with at most two points a column: the lowest and the highest.

    is_upper_only keeps the highest alone: the upper edge, for curves that would cover each other.

    Nothing sticks out of a curve that is missing in the thinned one, within half a column. Points
    outside x_limits are dropped but for one neighbour each side. Values that aren't finite stay as
    gaps only where the curve is short enough to be kept whole.
    """
    x, y = _drawable(curve, x_scale)
    if x.size and bool(np.all(np.diff(x) >= 0.0)):
        x, y = _within(x, y, x_limits)
        place = np.log10(x) if x_scale == "log" else x
    else:  # a curve that turns back, such as a loop, is thinned along its length
        place = np.arange(x.size, dtype=np.float64)
    if x.size <= 2 * columns:
        return x, y
    keep = _envelope(_columns(place, columns), y, is_upper_only)
    return x[keep], y[keep]


def _drawable(curve: Curve, x_scale: Scale) -> tuple[Samples, Samples]:
    x = np.asarray(curve.x, dtype=np.float64)
    y = np.asarray(curve.y, dtype=np.float64)
    usable = np.isfinite(x)
    if x_scale == "log":
        usable &= x > 0.0
    return x[usable], y[usable]


def _within(
    x: Samples, y: Samples, x_limits: tuple[float, float] | None
) -> tuple[Samples, Samples]:
    if x_limits is None:
        return x, y
    first = max(int(np.searchsorted(x, x_limits[0], side="left")) - 1, 0)
    last = int(np.searchsorted(x, x_limits[1], side="right")) + 1
    return x[first:last], y[first:last]


def _columns(place: Samples, columns: int) -> Indices:
    span = place[-1] - place[0]
    if span <= 0.0:
        return np.zeros(place.size, dtype=np.int64)
    number: Indices = np.minimum((place - place[0]) / span * columns, columns - 1).astype(np.int64)
    return number


def _envelope(column: Indices, y: Samples, is_upper_only: bool) -> Indices:
    """Indices of the lowest and highest point of each column in their order (and both ends)."""
    finite = np.flatnonzero(np.isfinite(y))
    if finite.size == 0:
        return finite
    order = finite[np.lexsort((y[finite], column[finite]))]
    edges = np.flatnonzero(np.diff(column[order])) + 1
    highest = order[np.concatenate((edges - 1, [order.size - 1]))]
    if is_upper_only:
        return np.sort(highest)
    lowest = order[np.concatenate(([0], edges))]
    return np.unique(np.concatenate((lowest, highest, finite[[0, -1]])))
