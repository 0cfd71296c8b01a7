"""What moves the voltage of a record more slowly than anything that is read in it: found, and taken off.

Theory of operation. A DC that drifts, or still comes to rest, leaks into every fitted line: a step of
d volts from a record's end to its beginning is worth d/(pi k) in a line of k cycles, which may be far
over the noise. What a fit leaves of the record, averaged over a few hundred groups, shows it. Where it
moves beyond what noise, 1/f noise too, does to a mean, a polynomial follows it: Legendre's, up to a
degree that bends no faster than 10 Hz, and a decay of a fiftieth of the record or slower. The noise is
read in what that leaves, for a drift looks like 1/f noise in the slowest components. The lines
were fitted beside the drift and it beside what they left, so both are found again until they rest.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial import legendre

from sequencer.analysis.arrays import Samples
from sequencer.analysis.dc import SlowRest, offset_variance_v2
from sequencer.analysis.sine_fit import LineFit

_MOST_ROUNDS = 20
_AT_REST = 0.1  # of the doubt of a mean by white noise, that a last step may move by
_MOST_DEGREES = 30  # twice the root of the points: more would swing between them
_DEGREES_A_SECOND = 20.0
LEAST_TONE_HZ = 20.0  # twice as fast as any drift that is followed


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """How a record's voltage moves about its mean, V, and how far at least.

    first_cycle is the slowest noise, in cycles in the record, that is left without the drift.
    """

    course_v: Samples
    moved_v: float
    first_cycle: int


def find_drift(
    record: Samples,
    sample_rate_hz: float,
    fit: LineFit,
    slow: SlowRest,
    refit: Callable[[Samples], LineFit],
    *,
    rounding_v2: float = 0.0,
) -> Drift | None:
    """The drift of a record beside its offset and lines; None where it only scatters.

    Parameters
    ----------
    record : shape (n,), volts
    fit, slow : of offset and lines, and what it leaves of the record
    refit : makes the fit again for a record without the drift
    rounding_v2 : variance of a mean by the samples' rounding, which may wander with the tone's phase
    """
    degrees = min(_MOST_DEGREES, int(_DEGREES_A_SECOND * record.size / sample_rate_hz))
    scatter_v = float(np.std(np.diff(slow.value_v))) / np.sqrt(2 * slow.value_v.size)
    # beside the doubt of 1/f noise, which takes longer to find, it moves even less
    if degrees < 1 or slow.moved_v(math.hypot(scatter_v, math.sqrt(rounding_v2))) is None:
        return None
    means = _means_of_degrees(slow, record.size, sample_rate_hz, degrees)
    step = np.linalg.lstsq(means, slow.value_v, rcond=None)[0]
    left = replace(slow, value_v=slow.value_v - means @ step)
    first_cycle = degrees // 2 + 1
    noise_v2 = offset_variance_v2(left, fit, first_cycle=first_cycle)
    # a line that is not in the fit, folded into the means, scatters much and moves little
    scatter_v2 = float(np.var(left.value_v)) / left.value_v.size
    moved_v = slow.moved_v(math.sqrt(max(noise_v2, scatter_v2) + rounding_v2))
    if moved_v is None:
        return None
    at = np.linspace(-1.0, 1.0, 2 * record.size + 1)[1::2]  # the middle of each sample
    weights = np.zeros(degrees + 1)
    for _ in range(_MOST_ROUNDS):
        step[0] = 0.0  # the mean stays
        weights += step
        course_v = np.asarray(legendre.legval(at, weights), dtype=np.float64)
        if float(np.ptp(means @ step)) < _AT_REST * scatter_v:
            break
        steady = record - course_v
        slow = SlowRest.of(steady, sample_rate_hz, refit(steady))
        step = np.linalg.lstsq(means, slow.value_v, rcond=None)[0]
    return Drift(course_v=course_v, moved_v=moved_v, first_cycle=first_cycle)


def _means_of_degrees(
    slow: SlowRest, count: int, sample_rate_hz: float, degrees: int
) -> "np.ndarray[tuple[int, int], np.dtype[np.float64]]":
    """Each degree's mean over each group, from its integral: shape (groups, degrees + 1)."""
    group = sample_rate_hz / slow.rate_hz
    edges = 2 * np.arange(slow.value_v.size + 1) * group / count - 1
    integrals = legendre.legint(np.eye(degrees + 1), axis=0)
    of_edges = legendre.legvander(edges, degrees + 1) @ integrals
    return np.asarray(np.diff(of_edges, axis=0) * count / (2 * group))
