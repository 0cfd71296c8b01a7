"""Are the tops of a tone flat, as where an amplifier, or whatever recorded it, limits?

Theory of operation. One cycle of the tone is drawn from its fitted harmonics, so noise, hum and the
place of the samples on the crests don't matter. A smooth crest is a parabola at its top: within 4 d of
its highest point it is twice as long as within d. A flat one is as long, but for its flanks. A third
harmonic alone leaves 0.53 where it is 5 % of the fundamental, 0.63 where it is 10 %. A gentle bend
before the limit, or a tone of few harmonics below half the sample rate, is not seen.
"""

import math
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.arrays import Phasors, Samples, Spectral

__all__ = ["FlatTops", "find_flat_tops"]

_GRID = 4096  # points of the cycle
_BELOW = (0.003, 0.01, 0.03)  # of the fundamental's amplitude
_FLAT = 0.62
_OVER_NOISE = 6.0
_LEAST_BEND = 0.3  # of the fundamental's, at a crest: without that much no top is flat


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatTops:
    """The voltages at which a tone's tops are flat, and for which part of the time, together."""

    at_v: tuple[float, ...]
    share: float


def find_flat_tops(amplitude: Phasors, noise_v2: Spectral, offset_v: float) -> FlatTops | None:
    """Where a tone's upper, or lower, tops are flat; None where neither are.

    Parameters
    ----------
    amplitude : shape (orders,), V peak, of the harmonics from the fundamental on
    noise_v2 : shape (orders,), E|error|^2 of each
    """
    order = np.arange(1, amplitude.size + 1)
    size_v = np.abs(amplitude)
    if float(order[1:] ** 2 @ size_v[1:]) < _LEAST_BEND * size_v[0]:
        return None
    spectrum = np.zeros(_GRID // 2 + 1, dtype=np.complex128)
    spectrum[1 : order.size + 1] = amplitude * (_GRID / 2)
    cycle_v = np.fft.irfft(spectrum, _GRID)
    least_v = _OVER_NOISE * math.sqrt(float(noise_v2.sum()) / 2)
    below_v = [part * float(size_v[0]) for part in _BELOW if part * size_v[0] > least_v]
    shares = {sign: _flat_share(sign * cycle_v, below_v) for sign in (1.0, -1.0)}
    at_v = tuple(
        offset_v + sign * float((sign * cycle_v).max()) for sign, share in shares.items() if share
    )
    return FlatTops(at_v=at_v, share=sum(shares.values())) if at_v else None


def _flat_share(cycle_v: Samples, below_v: list[float]) -> float:
    """The part of a cycle that its flat top takes; 0 where it has none.

    From end to end: what few harmonics leave of a flat top ripples.
    """
    top = int(cycle_v.argmax())
    under_v = cycle_v[top] - np.roll(cycle_v, cycle_v.size // 2 - top)
    for far_v in below_v:
        within = np.flatnonzero(under_v < far_v)
        if within.size > _FLAT * np.count_nonzero(under_v < 4 * far_v):
            return float(within[-1] - within[0] + 1) / cycle_v.size
    return 0.0
