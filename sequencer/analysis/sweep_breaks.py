"""Is a recorded sweep whole? Missing samples, mutes and clicks, found without a model of the unit.

Theory of operation. A swept sine, its harmonics, hum and a resonance that rings are all but known from
the samples before: linear prediction, fitted to short blocks, leaves noise of them. Where samples are
missing, a mute begins or ends, or a click lies, it fails for a moment: a burst of errors. What an
amplifier does of its own fails it in every cycle of the sweep (crossover, clipping) or of the mains
(rectifiers): so a burst counts as a fault only where it exceeds all but two of those near it.

A click, unlike a break, lies between samples that go on as before. So a few samples are taken out at a
burst and put back as prediction wants them (A. J. E. M. Janssen, R. N. J. Veldhuis, L. B. Vries,
"Adaptive interpolation of discrete-time signals that can be modeled as autoregressive processes", IEEE
Trans. ASSP 34, 1986): if the burst is gone, it was a click, and the difference is the click itself;
what that does to the readings can then be computed.
"""

from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples, sum_of_squares
from sequencer.analysis.sweep_signal import ExponentialSweep

__all__ = ["EXCESS", "LEAST_NOISE", "ONSET", "Fault", "find_faults", "prediction_error"]

# Samples averaged: of a step in a slow part of the sweep, more shows over noise.
_FACTORS = (1, 4, 16)
_SLOW = 8.0  # samples a cycle at least, or averaging takes off some of it
# Of the prediction: two each for the sweep, four harmonics, hum, ringing; the rest for noise's colour.
_ORDER = 24
_BLOCKS_A_GROWTH = 16.0  # the sweep is as good as steady in a block: its frequency grows by 6 %
_LONGEST_BLOCK = 2048  # samples: noise leaves little in the weights of so many, and hum is steady
_SHORTEST_BLOCK = 8 * _ORDER  # so that the fit doesn't follow what it shall miss
# Noise taken for granted, of the block's RMS: below -80 dB a burst does nothing to any reading, and
# without noise the prediction would see the bends of a fade.
LEAST_NOISE = 1e-4
_CYCLES_A_CELL = 1.25  # over one, so that every cell holds what comes back in every cycle
_CELL_S = 1e-3
_LEAST_CELL = 48  # samples: about as large a maximum of noise in every cell
_NEAR_CELLS = 6  # to each side
_NEAR_S = 0.08  # four cycles of 50 Hz: four spikes of a rectifier at least
_OTHERS = 2  # a mute's other end may reach over two cells
EXCESS = 4.5  # times the third largest near it; good sweeps reach 2.6 (250 simulated)
_HUSH = 5.0  # times less error, and level, in a mute: maxima of noise in two cells never differ so
_QUIET_CELLS = 3  # the outer two may hold some of the signal
_QUIETER = 0.25  # of the cells near it, so that a mute may be a good part of them
_SAME_LEVEL = 2.0  # before and after a click; after a mute's edge it is another
ONSET = 0.2  # of a burst's peak: a block that holds it is fitted less well before it, too
_GONE = 1.5 / EXCESS  # of what a burst exceeds: as small as the errors near it, chance apart
# A straight fade's bends fail the prediction by up to 0.009 of the level; so does a loss of a few
# samples at the slow end, or a click that moves the gain by less than 0.001 dB (simulated).
_SLIGHT = 0.01
_FADE = 0.1  # of the sweep at each end
# A short fade's, times its peak curvature, (pi / samples)^2 / 2 of the level: clean ones of 20 to 240
# samples, which no block follows, reach 5.
_SHORT_BEND = 8.0
_MARGIN = 0.01  # of the sweep at its beginning, where one that doesn't fade in echoes
_CLICK_SAMPLES = (1, 2, 4, 8)  # more would bridge a loss as well


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A break or a click: first sample, how many about it, and the click, if it is one.

    at, reach and begin are in samples of the record; the click, V, shape (samples,), begins at begin.
    """

    at: int
    reach: int
    click: Samples | None = None
    begin: int = 0


def find_faults(
    record: Samples,
    sample_rate_hz: float,
    sweep: ExponentialSweep,
    ends: tuple[int, int],
    fades: tuple[float, float] = (np.inf, np.inf),
) -> list[Fault]:
    """The moments of a recorded sweep that nothing before and after them explains, in order.

    Not looked at are the first 1 % of the sweep and the silence around it (sweep_silence). Not seen is a
    loss of whole cycles in a response alone (the drive's phase shows one), or of less than a fiftieth
    of a cycle in noise.

    Parameters
    ----------
    record : shape (n,), V; what made of the sweep, or the sweep itself
    ends : first and last sample of the sweep in the record, without a step at its end
    fades : samples over which it fades in and out; their bends are no faults
    """
    found: list[Fault] = []
    growth = sweep.growth_s * sample_rate_hz
    for factor in _FACTORS:
        if factor > 1 and growth < factor * _BLOCKS_A_GROWTH * _SHORTEST_BLOCK:
            break
        mean = record[: record.size // factor * factor].reshape(-1, factor).mean(axis=1)
        scaled = ends[0] // factor, ends[1] // factor
        bent = fades[0] / factor, fades[1] / factor
        for fault in _faults_at(
            mean, sample_rate_hz / factor, sweep, scaled, bent, is_all=factor == 1
        ):
            at, reach = fault.at * factor, fault.reach * factor
            if not any(abs(at - other.at) < reach + other.reach for other in found):
                found.append(replace(fault, at=at, reach=reach))
    return sorted(found, key=lambda fault: fault.at)


def _faults_at(
    record: Samples,
    sample_rate_hz: float,
    sweep: ExponentialSweep,
    ends: tuple[int, int],
    fades: tuple[float, float],
    *,
    is_all: bool,
) -> list[Fault]:
    """The faults that one rate shows; in the whole sweep, or where it is slow against that rate."""
    top_hz = np.inf if is_all else sample_rate_hz / _SLOW
    edges = _cells(sweep, sample_rate_hz, (ends[0], min(ends[1], record.size - 1)), top_hz)
    if edges.size < 2 * _NEAR_CELLS + 1:
        return []
    start, stop = int(edges[0]), int(edges[-1])
    cells, lengths = edges[:-1] - start, np.diff(edges)
    growth = sweep.growth_s * sample_rate_hz
    block = int(np.clip(growth / _BLOCKS_A_GROWTH, _SHORTEST_BLOCK, _LONGEST_BLOCK))
    error = np.abs(prediction_error(record, start, stop, block))
    swing = np.abs(record[start:stop] - np.mean(record[start:stop]))
    swings = np.maximum.reduceat(swing, cells)
    peaks = np.maximum(np.maximum.reduceat(error, cells), LEAST_NOISE * swings)
    near = np.maximum(np.ceil(_NEAR_S * sample_rate_hz / lengths), _NEAR_CELLS).astype(np.intp)
    usual = scipy.ndimage.median_filter(peaks, size=2 * _NEAR_CELLS + 1, mode="mirror")
    levels = _levels(record[start:stop], cells)
    found = [
        Fault(at=int(edges[first]), reach=int(edges[last + 1] - edges[first]))
        for first, last in _quiet(peaks, levels, near)
    ]
    limits = np.maximum(_limits(peaks, usual, near), _bends(edges, swings, block, ends, fades))
    slight, fade = _SLIGHT * float(np.std(record[start:stop])), _FADE * (ends[1] - ends[0])
    for first, last in _groups(np.flatnonzero(peaks > limits)):
        inside = error[edges[first] - start : edges[last + 1] - start]
        limit = float(np.min(limits[first : last + 1]))
        at = int(edges[first]) + int(np.argmax(inside > max(limit, ONSET * float(inside.max()))))
        if float(inside.max()) < slight and min(at - ends[0], ends[1] - at) < fade:
            continue
        reach = max(inside.size, block)
        is_click = is_all and _goes_on(levels, first, last)
        click = _click(record, at, block, _GONE * limit) if is_click else None
        begin = 0 if click is None else at - click.size // 4
        found.append(Fault(at=at, reach=reach, click=click, begin=begin))
    return found


def _cells(
    sweep: ExponentialSweep, sample_rate_hz: float, ends: tuple[int, int], top_hz: float
) -> NDArray[np.intp]:
    """First samples of the cells in which bursts are looked for, and the end of the last."""
    first, last = ends
    growth = sweep.growth_s * sample_rate_hz
    least = max(_CELL_S * sample_rate_hz, _LEAST_CELL)
    place = first + _MARGIN * (last - first)
    edges = []
    while place <= last:
        frequency_hz = sweep.start_hz * np.exp((place - first) / growth)
        if frequency_hz > top_hz:
            break
        if place >= 2 * _ORDER:
            edges.append(int(place))
        place += max(_CYCLES_A_CELL * sample_rate_hz / frequency_hz, least)
    else:
        edges[-1:] = [last + 1]  # and what is left of the last
    return np.array(edges, dtype=np.intp)


def _levels(part: Samples, cells: NDArray[np.intp]) -> Samples:
    """RMS of each cell about its mean."""
    counts = np.diff(cells, append=part.size)
    means = np.add.reduceat(part, cells) / counts
    squares = np.add.reduceat((part - np.repeat(means, counts)) ** 2, cells)
    return np.asarray(np.sqrt(squares / counts))


def _goes_on(levels: Samples, first: int, last: int) -> bool:
    """Whether the levels before and after some cells are about the same."""
    before = levels[max(first - 2, 0) : max(first, 1)].max()
    after = levels[last + 1 : last + 3].max(initial=0.0)
    return bool(before < _SAME_LEVEL * after and after < _SAME_LEVEL * before)


def _groups(cells: NDArray[np.intp]) -> list[tuple[int, int]]:
    """First and last of each run of neighbours."""
    if not cells.size:
        return []
    runs = np.split(cells, np.flatnonzero(np.diff(cells) > 1) + 1)
    return [(int(run[0]), int(run[-1])) for run in runs]


def prediction_error(record: Samples, start: int, stop: int, block: int) -> Samples:
    """Each sample of a stretch less what prediction, fitted to its block, makes of those before."""
    rows = np.lib.stride_tricks.sliding_window_view(record, _ORDER)
    error = np.empty(stop - start)
    for begin in range(start, stop, block):
        end = min(begin + block, stop)
        low = max(min(begin, end - block), start)  # the last block reaches back
        before, now = rows[low - _ORDER : end - _ORDER], record[low:end]
        middle = float(np.mean(now))
        now, before = now - middle, before - middle
        left = now - before @ _prediction(before, now)
        error[begin - start : end - start] = left[begin - low :]
    return error


def _prediction(before: Samples, now: Samples) -> Samples:
    """Weights that predict samples from those before each, by least squares (covariance method)."""
    normal = before.T @ before
    power = max(sum_of_squares(now), float(np.trace(normal)) / _ORDER)  # now may be at rest
    normal[np.diag_indices(_ORDER)] += LEAST_NOISE**2 * power + 1e-300
    return np.asarray(scipy.linalg.solve(normal, before.T @ now, assume_a="pos"))


def _limits(peaks: Samples, usual: Samples, near: NDArray[np.intp]) -> Samples:
    """What a cell's peak exceeds only in a burst: a multiple of the third largest near it.

    To each side alone, and the larger of both: what an amplifier does may begin or end anywhere.
    """
    limits = np.full(peaks.size, np.inf)
    for cell in np.flatnonzero(peaks > EXCESS * usual).tolist():
        reach = int(near[cell])
        sides = peaks[max(cell - 1 - reach, 0) : max(cell - 1, 0)], peaks[cell + 2 :][:reach]
        limits[cell] = EXCESS * max(
            float(np.sort(side)[-1 - _OTHERS]) for side in sides if side.size > 2 * _OTHERS
        )
    return limits


def _bends(
    edges: NDArray[np.intp],
    swings: Samples,
    block: int,
    ends: tuple[int, int],
    fades: tuple[float, float],
) -> Samples:
    """What the bends of short fades may come to in each cell, V; less in the rest of their blocks."""
    level = scipy.ndimage.maximum_filter1d(swings, 2 * _NEAR_CELLS + 1)
    bends = np.zeros(swings.size)
    for away, fade in zip((edges[:-1] - ends[0], ends[1] - edges[1:]), fades, strict=True):
        beyond = away - 1.5 * fade - _ORDER
        share = np.where(beyond < 0, 1.0, np.where(beyond < block, ONSET, 0.0))
        bends += share * _SHORT_BEND / 2 * (np.pi / max(fade, 1.0)) ** 2 * level
    return bends


def _quiet(peaks: Samples, levels: Samples, near: NDArray[np.intp]) -> list[tuple[int, int]]:
    """First and last cells of stretches where the signal is gone and even its noise falls silent."""
    found = []
    # over so many cells that a mute of any length to be told is less than half of them
    usual = scipy.ndimage.median_filter(peaks, size=2 * int(near.max()) + 1, mode="mirror")
    for first, last in _groups(np.flatnonzero(peaks < usual / _HUSH)):
        reach = int(near[first])
        sides = peaks[max(first - reach, 0) : first], peaks[last + 1 :][:reach]
        if last - first + 1 < _QUIET_CELLS or min(side.size for side in sides) < _NEAR_CELLS:
            continue
        noise = min(float(np.quantile(side, _QUIETER)) for side in sides)
        signal = min(levels[first - 2 : first].max(), levels[last + 1 : last + 3].max())
        is_gone = float(levels[first + 1 : last].max()) < signal / _HUSH
        if is_gone and float(peaks[first : last + 1].max()) < noise / _HUSH:
            found.append((first, last))
    return found


def _click(record: Samples, at: int, block: int, limit: float) -> Samples | None:
    """What must be taken off the record, from sample at - size/4 on, that the burst be gone."""
    low, high = max(at - block, 0), min(at + block, record.size)
    part = record[low:high] - np.mean(record[low:high])
    rows = np.lib.stride_tricks.sliding_window_view(part, _ORDER + 1)
    for size in _CLICK_SAMPLES:
        gap = slice(at - low - size // 4, at - low - size // 4 + size)
        if gap.start < 2 * _ORDER or gap.stop > part.size - 2 * _ORDER:
            return None
        row = np.arange(rows.shape[0])
        is_clear = (row + _ORDER < gap.start) | (row >= gap.stop)
        weights = _prediction(rows[is_clear, :-1], rows[is_clear, -1])
        error_filter = np.append(-weights, 1.0)
        touched = rows[gap.start - _ORDER : gap.stop]  # every prediction that the gap has part in
        by_sample = np.zeros((touched.shape[0], size))
        for k in range(touched.shape[0]):
            places = gap.start - (gap.start - _ORDER + k) + np.arange(size)
            inside = (places >= 0) & (places <= _ORDER)
            by_sample[k, inside] = error_filter[places[inside]]
        error = touched @ error_filter
        click = np.linalg.lstsq(by_sample, error, rcond=None)[0]
        if float(np.max(np.abs(error - by_sample @ click))) <= limit:
            return np.asarray(click)
    return None
