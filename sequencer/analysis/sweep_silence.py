"""Clicks in the silence beside a recorded sweep: where they are, and what they are.

They count as part of the response as far as the response's window reaches: one up to 0.3 s after the
sweep's end in the gain of its highest frequencies. What linear prediction (sweep_breaks) leaves of
a silence is noise, in every cycle of the mains as much, be there a rectifier's spikes: so a stretch
of 20 ms that shows a multiple of the median is a click's. There it stands alone: what is seen is it.
"""

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples
from sequencer.analysis.checks import code_step
from sequencer.analysis.sweep_breaks import EXCESS, LEAST_NOISE, ONSET, Fault, prediction_error

__all__ = ["find_clicks_beside"]

_CELL_S = 0.02  # a cycle of 50 Hz
_FEWEST_CELLS = 5
_AROUND_S = 0.001  # that belongs to a click, to each side of what stands out
_LEAST_AROUND = 2  # samples: a line needs some
_BEND_S = 0.005  # before a sweep, which may fade in from there, or begin with a bend
_LEAST_BEND = (
    24  # samples, below a twentieth of the peak in a fade of 170; longer ones are predicted
)
_CODES = 3.0  # a converter's, in a silence without noise
_LEAST_CELL = 48  # samples: in fewer, prediction follows anything
_CONTEXT = 48  # samples before the first, for prediction


def find_clicks_beside(
    record: Samples, sample_rate_hz: float, swept: tuple[int, int]
) -> list[Fault]:
    """Clicks before and after a sweep, in order, each with its samples in volts.

    Parameters
    ----------
    record : shape (n,), V
    swept : first sample of the sweep in the record, and first of the silence after it
    """
    size = max(round(_CELL_S * sample_rate_hz), _LEAST_CELL)
    bend = max(round(_BEND_S * sample_rate_hz), _LEAST_BEND)
    before = _CONTEXT, swept[0] - bend
    after = max(swept[1], _CONTEXT), record.size
    level = LEAST_NOISE * float(np.max(np.abs(record[max(swept[0], 0) : swept[1]]), initial=0.0))
    errors = []
    for start, stop in (before, after):
        whole = (stop - start) // size * size
        if whole > 0:
            begin = stop - whole if stop == before[1] else start
            error = np.abs(prediction_error(record, begin, begin + whole, size))
            errors.append((begin, error.reshape(-1, size)))
    peaks = np.concatenate([cells.max(axis=1) for _, cells in errors] or [[]])
    if peaks.size < _FEWEST_CELLS:
        return []
    limit = max(EXCESS * max(float(np.median(peaks)), level), _CODES * code_step(record))
    around = max(round(_AROUND_S * sample_rate_hz), _LEAST_AROUND)
    return [
        _seen(record, first, last, around)
        for begin, cells in errors
        for first, last in _stretches(begin, cells, limit, max(2 * around, _CONTEXT))
    ]


def _stretches(
    begin: int, cells: NDArray[np.float64], limit: float, apart: int
) -> list[tuple[int, int]]:
    """First and last sample of each stretch that stands out; those less than so many apart are one.

    Parameters
    ----------
    cells : errors, V, shape (cells, samples), the first that of sample begin
    """
    found: list[tuple[int, int]] = []
    for k in np.flatnonzero(cells.max(axis=1) > limit).tolist():
        # a click that fits its block's prediction badly stands out before it, too
        is_out = cells[k] > max(limit, ONSET * float(cells[k].max()))
        places = begin + k * cells.shape[1] + np.flatnonzero(is_out)
        first, last = int(places[0]), int(places[-1])
        if found and first - found[-1][1] < apart:  # across the border of two cells
            first = found.pop()[0]
        found.append((first, last))
    return found


def _seen(record: Samples, first: int, last: int, around: int) -> Fault:
    """A stretch and what is about it, less a straight line from before to after."""
    begin = max(first - around, 0)
    part = record[begin : last + around]
    edge = max(around // 2, 1)
    line = np.linspace(np.mean(part[:edge]), np.mean(part[-edge:]), part.size)
    return Fault(at=first, begin=begin, reach=part.size, click=part - line)
