"""Clicks in the silence beside a recorded sweep: where they are, and what they are.

They count as part of the response as far as the response's window reaches: one up to 0.3 s after the
sweep's end in the gain of its highest frequencies. What linear prediction (sweep_breaks) leaves of
a silence is noise, in every cycle of the mains as much, be there a rectifier's spikes: so a stretch
of 20 ms that shows a multiple of the median is a click's. There it stands alone: what is seen is it.
"""

import numpy as np

from sequencer.analysis.arrays import Samples
from sequencer.analysis.checks import code_step
from sequencer.analysis.sweep_breaks import LEAST_NOISE, Fault, prediction_error

__all__ = ["find_clicks_beside"]

_CELL_S = 0.02  # a cycle of 50 Hz
_FEWEST_CELLS = 5
_EXCESS = 4.5  # times the median; as in the sweep
_AROUND_S = 0.001  # that belongs to a click, to each side of what stands out
_BEND_S = 0.005  # before a sweep, which may fade in from there, or begin with a bend
_CODES = 3.0  # a converter's, in a silence without noise
_ONSET = 0.2  # of the largest error in a cell
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
    size = round(_CELL_S * sample_rate_hz)
    sides = (_CONTEXT, swept[0] - round(_BEND_S * sample_rate_hz)), (swept[1], record.size)
    level = LEAST_NOISE * float(np.max(np.abs(record[max(swept[0], 0) : swept[1]])))
    errors = []
    for start, stop in sides:
        whole = (stop - start) // size * size
        if whole > 0:
            begin = stop - whole if start == _CONTEXT else start
            error = np.abs(prediction_error(record, begin, begin + whole, size))
            errors.append((begin, error.reshape(-1, size)))
    peaks = np.concatenate([cells.max(axis=1) for _, cells in errors] or [[]])
    if peaks.size < _FEWEST_CELLS:
        return []
    limit = max(_EXCESS * max(float(np.median(peaks)), level), _CODES * code_step(record))
    return [
        _seen(record, begin + k * size, cells[k], limit, sample_rate_hz)
        for begin, cells in errors
        for k in np.flatnonzero(cells.max(axis=1) > limit).tolist()
    ]


def _seen(
    record: Samples, first: int, error: Samples, limit: float, sample_rate_hz: float
) -> Fault:
    """What stands out in a cell, less a straight line from before to after."""
    # a click that fits its block's prediction badly stands out before it, too
    places = first + np.flatnonzero(error > max(limit, _ONSET * float(error.max())))
    around = round(_AROUND_S * sample_rate_hz)
    begin = max(int(places[0]) - around, 0)
    part = record[begin : int(places[-1]) + around]
    edge = max(around // 2, 1)
    line = np.linspace(np.mean(part[:edge]), np.mean(part[-edge:]), part.size)
    return Fault(at=int(places[0]), begin=begin, reach=part.size, click=part - line)
