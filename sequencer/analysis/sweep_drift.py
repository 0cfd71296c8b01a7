"""A slow course beside a recorded sweep's response, a drift or a DC that comes to rest: found.

Theory of operation. What moves slowly leaks into the gain of the lowest frequencies swept, as a step of
d volts from a record's end to its beginning is worth d/(2 pi f) at f. It shows in what the response's
parts leave of the record; but they take some of it, as if it were response. So each polynomial of a
course is taken apart as the record was, at a low rate, and what is left of it is fitted to what is left
of the record. The low rate is a little in error: so all is repeated until it rests. A course
bends no faster than a quarter of the first frequency; whether it would need to, the difference
to one with fewer degrees shows.
"""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples
from sequencer.analysis.sine_fit import group_means
from sequencer.analysis.sweep_parts import Deconvolution, Part, parts_at, rest_of, take_apart
from sequencer.analysis.sweep_signal import ExponentialSweep

__all__ = ["Course", "find_course"]

# Of the response's peak. What a high-pass at 0.3 to 1 Hz leaves beyond the window looks like a course of
# a little less, and isn't one; in a sweep of 1 s or more as much moves the gain by some 0.02 dB.
_LEAST = 0.02
_SLOWER = 4.0  # than the first frequency
_MOST_DEGREES = 30
_FEWER = 2  # degrees, one even and one odd, for the doubt
_GROUP_S = 0.01
_GROUPS = 10  # averaged: whole cycles of 50 and 60 Hz, that hum is no course
_TOP = 16.0  # times the first frequency, that the low rate holds
_MOST_ROUNDS = 8
_AT_REST = 1e-3  # of the response's peak, the last step; the next would be a tenth of it or less


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """A slow course, V, shape (n,), its doubt likewise, and how far it moves about its middle, V."""

    volts: Samples
    doubt_v: Samples
    moved_v: float


def find_course(
    tool: Deconvolution, record: Samples, made: Samples, linear: Part, sweep: ExponentialSweep
) -> Course | None:
    """The slow course of a record beside its response; None where it hardly matters.

    Parameters
    ----------
    record : shape (n,), V
    made : what the response's parts make of the drive, of which linear is one
    """
    span_s = record.size / tool.rate_hz
    degrees = min(_MOST_DEGREES, int(2 * span_s * sweep.start_hz / _SLOWER))
    group = max(round(_GROUP_S * tool.rate_hz), 1)
    left, rate_hz = group_means(record - made, tool.rate_hz, group)
    if left.size < _GROUPS:
        return None  # in less than 0.1 s hum isn't told from a course
    left, middles_s = _smoothed(left), _middles_s(left.size, rate_hz)
    plain = _smoothed(_polynomials(middles_s, span_s, degrees))
    level = float(np.max(np.abs(made)))
    if float(np.max(np.abs(plain @ _fitted(plain, left)))) < _LEAST * level:
        return None
    at = _places(_middles_s(record.size, tool.rate_hz), span_s)
    slow = tool.slowed(min(_TOP * sweep.start_hz, tool.rate_hz / 2))
    weights = np.zeros(degrees + 1)
    seen = plain
    for _ in range(_MOST_ROUNDS):
        delay_s = linear.shift / tool.rate_hz
        seen = _left_of_polynomials(slow, sweep, degrees, delay_s, span_s, middles_s)
        step = _fitted(seen, left)
        weights += step
        if float(np.max(np.abs(plain @ step))) < _AT_REST * level:
            break
        steady = record - _course(at, weights)
        linear, harmonics = take_apart(tool, steady, sweep)
        rest = rest_of(tool, steady, linear, harmonics)
        left = _smoothed(group_means(rest, tool.rate_hz, group)[0])
    # none with 0 or 1 degrees: nothing shows what such a course is worth, so the whole is in doubt
    fewer = seen[:, : max(degrees + 1 - _FEWER, 0)]
    doubt = weights.copy()
    doubt[: fewer.shape[1]] -= _fitted(fewer, seen @ weights)
    volts = _course(at, weights)
    return Course(
        volts=volts,
        doubt_v=_course(at, doubt),
        moved_v=float(np.ptp(volts)) / 2,
    )


def _left_of_polynomials(
    slow: Deconvolution,
    sweep: ExponentialSweep,
    degrees: int,
    delay_s: float,
    span_s: float,
    places_s: Samples,
) -> NDArray[np.float64]:
    """What taking apart leaves of each polynomial: shape (places, degrees + 1)."""
    times_s = _middles_s(round(span_s * slow.rate_hz), slow.rate_hz)
    columns = []
    for each in _polynomials(times_s, span_s, degrees).T:
        rest = rest_of(slow, each, *parts_at(slow, slow.impulse(each), sweep, delay_s))
        columns.append(np.interp(places_s, times_s, rest))
    return _smoothed(np.column_stack(columns))


def _smoothed(groups: NDArray[np.float64]) -> NDArray[np.float64]:
    """Means over neighbours, along the first axis, as far as they reach."""
    sums = np.cumsum(np.concatenate([np.zeros_like(groups[:1]), groups]), axis=0)
    return np.asarray((sums[_GROUPS:] - sums[:-_GROUPS]) / _GROUPS)


def _fitted(columns: NDArray[np.float64], values: Samples) -> Samples:
    return np.asarray(np.linalg.lstsq(columns, values, rcond=None)[0], dtype=np.float64)


def _polynomials(times_s: Samples, span_s: float, degrees: int) -> NDArray[np.float64]:
    return np.asarray(legendre.legvander(_places(times_s, span_s), degrees), dtype=np.float64)


def _places(times_s: Samples, span_s: float) -> Samples:
    """A record's times from -1 to 1."""
    return 2 * times_s / span_s - 1


def _course(places: Samples, weights: Samples) -> Samples:
    return np.asarray(legendre.legval(places, weights), dtype=np.float64)


def _middles_s(count: int, rate_hz: float) -> Samples:
    return np.asarray((np.arange(count) + 0.5) / rate_hz, dtype=np.float64)
