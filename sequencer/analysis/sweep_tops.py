"""Are the tops of a recorded sweep whole, or cut off, be it below noise?

Theory of operation. For x = Re exp(i phi) (1 + h3 exp(2 i phi) + h5 exp(4 i phi)) the logarithm of the
analytic signal is i phi + h3 exp(2 i phi) + h5 exp(4 i phi) for small h: so the logarithm of the
envelope holds each odd harmonic as a line over the phase, however fast the frequency moves. What
is cut off a crest is a train of narrow pulses: it takes about as much of every odd harmonic as of the
fundamental, all of one sign. A gentle curve makes a third but hardly a fifth.
"""

import numpy as np

from sequencer.analysis.arrays import Samples
from sequencer.analysis.errors import CannotMeasure

__all__ = ["require_whole_tops"]

_CYCLES = 8.0  # in a block at least
_MOST_BLOCKS = 100
_STEADY = 0.35  # of its cycles in a block's first half; where fewer are, the envelope is rough
_LEVEL = 0.1  # by which the logarithms of a block's halves differ at most
_LEAST_A_CYCLE = 12.0  # samples: the fifth harmonic must lie below half the rate
_ENOUGH = 512  # samples of a block
_FADES = 0.04  # of the sweep, at each end
# Of the fundamental: so much off the drive is 0.004 dB of gain, two of the method's own doubts.
_LEAST_CUT = 5e-4
_OVER_SCATTER = 6.0  # standard deviations, from block to block
_SMOOTHED = 3  # blocks, of which one may hold a break


def require_whole_tops(phase: Samples, envelope: Samples, sample_rate_hz: float) -> None:
    """Refuse (overrange) a drive whose tops are cut off; above a twelfth of the rate nobody can tell.

    Parameters
    ----------
    phase, envelope : shape (n,), rad and V, of the analytic signal of the sweep
    """
    cuts = _cuts(phase, envelope)
    if cuts.size < _SMOOTHED:
        return
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(cuts, _SMOOTHED), axis=1)
    scatter = float(np.median(np.abs(np.diff(cuts)))) / 0.95  # of a normal difference: 0.954 sigma
    cut = float(np.max(smooth))
    if cut > max(_LEAST_CUT, _OVER_SCATTER * scatter):
        raise CannotMeasure(
            "overrange",
            f"the drive's tops are cut off: they lack {100 * cut:.2g} % of the fundamental or more",
            "lower the generator's level, or use a higher range of whatever recorded the drive",
        )


def _cuts(phase: Samples, envelope: Samples) -> Samples:
    """How much every odd harmonic lacks at the crests, relative to the fundamental, block by block."""
    trim = int(_FADES * phase.size)
    turns = np.maximum.accumulate(phase[trim : phase.size - trim]) / (2 * np.pi)
    cuts: list[float] = []
    first = _end_of_block(turns, 0)  # the envelope is rough at the sweep's beginning
    end = _end_of_block(turns, min(first, turns.size - 1))
    while end < turns.size:
        whole, half = turns[[end, (first + end) // 2]] - turns[first]
        chosen = slice(trim + first, trim + end, max((end - first) // _ENOUGH, 1))
        if end - first >= _LEAST_A_CYCLE * whole and half >= _STEADY * whole:
            cuts += _cut(phase[chosen], envelope[chosen])
        first, end = end, _end_of_block(turns, end)
    return np.array(cuts)


def _end_of_block(turns: Samples, first: int) -> int:
    by_cycles = int(np.searchsorted(turns, turns[first] + _CYCLES))
    return max(by_cycles, first + turns.size // _MOST_BLOCKS + 1)


def _cut(phase: Samples, envelope: Samples) -> list[float]:
    """What every odd harmonic lacks; nothing where a fade or a mute bends the envelope as well."""
    halves = np.array_split(envelope, 2)
    if abs(float(np.log(np.mean(halves[0]) / np.mean(halves[1])))) > _LEVEL:
        return []
    place = np.linspace(-1.0, 1.0, phase.size)
    columns = np.column_stack(
        [np.ones_like(place), place, place**2]
        + [wave(k * phase) for k in (2, 4) for wave in (np.cos, np.sin)]
    )
    fit = np.linalg.lstsq(columns, np.log(np.maximum(envelope, 1e-300)), rcond=None)[0]
    return [-max(float(fit[3]), float(fit[5]))]
