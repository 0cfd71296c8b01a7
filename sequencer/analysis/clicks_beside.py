"""Clicks beside the lines of a record: short excursions that neither noise nor what recurs repeats.

The record, its lines taken off, is cut into cells that hold all that comes back: a rectifier's spikes
with the mains, crossover with the tones. A cell that swings far more than most others holds a click.
"""

import math

import numpy as np

from sequencer.analysis.arrays import Samples
from sequencer.analysis.tone_unrest import AROUND, EXCESS, Click, Clicks, usual_peak_v

_CELL_CYCLES = 1.25  # of what recurs
_FEWEST_CELLS = 8
_MOST = 0.1  # of the cells: more are no clicks but the noise itself
_ROUNDING = 1e-9  # of the record's largest value: the computation's own


def find_clicks_beside(
    rest: Samples, sample_rate_hz: float, recurring_hz: float, *, peak_v: float
) -> Clicks | None:
    """The clicks of a record; None where there are none.

    Parameters
    ----------
    rest : shape (n,), V, the record without its lines
    recurring_hz : how often all comes back, at least
    peak_v : the largest value of the record with them
    """
    size = math.ceil(_CELL_CYCLES * sample_rate_hz / recurring_hz)
    cells = rest.size // size
    if cells < _FEWEST_CELLS:
        return None
    parts = rest[: cells * size].reshape(cells, size)
    middles = np.median(parts, axis=1)
    peaks_v = np.abs(parts - middles[:, np.newaxis]).max(axis=1)
    usual_v = usual_peak_v(peaks_v)
    own_v = _ROUNDING * peak_v
    over = np.flatnonzero(peaks_v > max(EXCESS * usual_v, own_v))
    if not over.size or over.size > max(_MOST * cells, 1):
        return None
    course_v = np.zeros(rest.size)
    found = []
    for cell in over.tolist():
        away = parts[cell] - middles[cell]
        loud = np.flatnonzero(np.abs(away) > usual_v) + cell * size
        at = int(np.argmax(np.abs(away))) + cell * size
        found.append(Click(at_s=at / sample_rate_hz, size_v=float(peaks_v[cell])))
        around = slice(max(int(loud[0]) - AROUND, 0), int(loud[-1]) + 1 + AROUND)
        course_v[around] = rest[around] - middles[cell]
    return Clicks(found=tuple(found), course_v=course_v)
