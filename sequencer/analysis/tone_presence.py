"""Is the tone there throughout the record? One that starts late, ends early, fades or pauses is not."""

from math import sqrt

import numpy as np

from sequencer.analysis.arrays import Phasors, Samples
from sequencer.analysis.errors import CannotMeasure

_FEWEST_PARTS = 4
_USUAL = 0.95  # of the parts hold no stronger tone
_WEAK = 0.5  # of the usual
_OVER_NOISE = 6.0
_FULL = 0.97  # of the usual: neither edge of a fade is offered
_FULL_OVER_NOISE = 3.0
_MOST_PIECES = 3  # between weak stretches; in more, it beats with another tone


def require_presence(samples: Samples, sample_rate_hz: float, tone: Phasors) -> None:
    """Refuse (dropout) a record that holds the tone for part of its length only.

    A part of the record is weak where the tone has less than half of what is
    usual, by over six standard deviations of the noise. Many pieces are no matter of when the record
    was started, and left to other checks.

    Parameters
    ----------
    samples : shape (n,), volts
    tone : in each part of the record, by tone_of_parts
    """
    size = np.abs(tone)
    if size.size < _FEWEST_PARTS:
        return
    usual_v = float(np.sort(size)[int(_USUAL * (size.size - 1))])
    length = samples.size // size.size
    is_there = size >= _WEAK * usual_v
    if is_there.all():
        return
    edges = np.flatnonzero(np.diff(is_there, prepend=False, append=False))
    pieces = edges.reshape(-1, 2)  # first part and end of each
    is_full = size >= _FULL * usual_v
    first, end = max(pieces.tolist(), key=lambda piece: np.count_nonzero(is_full[slice(*piece)]))
    held = samples[first * length : end * length]
    noise_v = sqrt(2 * 3 * max(float(np.var(held)) - usual_v**2 / 2, 0.0) / length)
    if len(pieces) > _MOST_PIECES or usual_v - float(size.min()) < _OVER_NOISE * noise_v:
        return
    is_full |= size >= _FULL * usual_v - _FULL_OVER_NOISE * noise_v
    full = np.flatnonzero(is_full[first:end])
    # one that holds little of an edge is as good as full, but not steady
    whole = np.array([full[0] + bool(first), full[-1] + 1 - (end < size.size)])
    begins_s, ends_s = (first + whole) * length / sample_rate_hz
    spans = [
        f"from {a * length / sample_rate_hz:.3g} s to {b * length / sample_rate_hz:.3g} s"
        for a, b in pieces
    ]
    cut = f", or cut the record to {begins_s:.3g} s to {ends_s:.3g} s" if begins_s < ends_s else ""
    raise CannotMeasure(
        "dropout",
        f"the tone has its level {' and '.join(spans)} only, of {samples.size / sample_rate_hz:.3g} "
        "s, and less than half of it elsewhere: it starts late, ends early, fades or pauses",
        f"record while it plays steadily{cut}",
    )
