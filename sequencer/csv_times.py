"""What the times of a text file's column say: the sample rate, and the line at which they say none.

Times are printed with so many digits; what rounding leaves of an even grid is told from what a sample
too few, a record begun anew, or an uneven clock leaves.
"""

import math

import numpy as np

from sequencer.analysis.checks import require_even_steps
from sequencer.analysis.errors import CannotMeasure
from sequencer.captures import Samples
from sequencer.uncertainty import combined, triangular

_FITTING = 1.5  # times as far as they stray from their own rate, times may stray from another
_PART_OF_STEP = (
    0.7  # of a sample, clearly less than the whole one by which a missing one moves the rest
)
_TELLING_HZ = 0.1  # a rate known as well as this hits a whole number seldom by chance
_MOST_DIGITS = 9
_UNEVEN = 1.3  # samples: twice a unit of 0.7, less the arithmetic
_WHOLE = 1e-3  # of a unit, that arithmetic may be off a whole one by
_FEWEST_STEPS = (
    16  # of the last digit that a record's times must go through, to agree with anything
)
_LONG_STEP = 1.5  # times the usual one
_FEW_DIGITS = 0.1  # of all times: where so many repeat, it's their digits


def are_even(column: Samples) -> bool:
    """Whether a column may be times: it rises in even steps."""
    try:
        require_even_steps(column)
    except CannotMeasure:
        return False
    return True


def first_fault(times_s: Samples) -> tuple[int, str] | None:
    """Row and words of the first time that is no even step after the one before; None without one."""
    if not np.all(np.isfinite(times_s)):
        row = int(np.argmin(np.isfinite(times_s)))
        return (
            row,
            "the time is missing; write it, or state the sample rate and leave out all times",
        )
    steps_s = np.diff(times_s)
    usual_s = float(np.median(steps_s))
    if not steps_s.size:
        return None
    if np.all(steps_s == 0.0):
        return 1, (
            f"all times are {times_s[0]:.9g} s; export the record with more digits, or leave its times "
            "out and state the sample rate"
        )
    if np.all(steps_s < 0.0):
        return 1, "the times run backwards; sort the lines by time"
    repeats = float(np.mean(steps_s == 0.0))
    is_coarse = repeats > _FEW_DIGITS and bool(np.all(steps_s >= 0.0))
    rows = np.flatnonzero((steps_s <= 0.0) | (steps_s >= _LONG_STEP * usual_s)) + 1
    if not rows.size:
        return None
    row = int(rows[0])
    before_s, now_s, step_s = float(times_s[row - 1]), float(times_s[row]), float(steps_s[row - 1])
    if is_coarse:
        return int(np.argmax(steps_s == 0.0)) + 1, (
            f"{repeats:.0%} of the times repeat the one before: they have too few digits to tell "
            "samples apart; export the record with more, or state the sample rate as well"
        )
    if step_s == 0.0:
        return row, (
            f"the time {now_s:.9g} s stands twice; take the second line out if it is a copy, or export "
            "the record with more digits"
        )
    if step_s < 0.0:
        return row, (
            f"the time goes back from {before_s:.9g} s to {now_s:.9g} s; export one record a file, its "
            "lines in the order of time"
        )
    return row, (
        f"the time column does not advance in even steps: by {step_s:.4g} s here, by {usual_s:.4g} s "
        "mostly; export the record again with every sample, and if its times only lack digits, state "
        "the sample rate as well"
    )


def rate_of(times_s: Samples, stated_hz: float | None) -> tuple[float, float]:
    """Sample rate of even times, and its relative standard uncertainty.

    The stated rate where the times' digits allow for it, else a whole number where they do; that is
    exact if they would not have allowed for any. Else from the first and the last time, each of which
    was rounded: the span is off by the difference of two roundings, whose step shows in how far the
    times stray from the even grid that fits them best.
    """
    if times_s.size < 2:
        return 1.0, 0.0  # too short for anything, whatever the rate
    if stated_hz is not None and _are_rounded(times_s, stated_hz):
        return stated_hz, 0.0
    rate_hz = require_even_steps(times_s)
    allowed_s, whole_hz = _FITTING * _stray(times_s, rate_hz), float(round(rate_hz))
    if stated_hz is not None and _stray(times_s, stated_hz) <= allowed_s:
        return stated_hz, 0.0
    number = np.arange(times_s.size)
    best_hz = 1.0 / float(np.polyfit(number, times_s, 1)[0])
    doubt = triangular(_stray(times_s, best_hz)) / float(times_s[-1] - times_s[0])
    if not whole_hz or _stray(times_s, whole_hz) > allowed_s:
        return rate_hz, doubt
    if rate_hz * doubt < _TELLING_HZ:
        return whole_hz, 0.0
    return whole_hz, combined(doubt, whole_hz / rate_hz - 1.0)


def _are_rounded(times_s: Samples, rate_hz: float) -> bool:
    """Whether times are those of this rate, written with too few digits for even steps.

    Rounded to less than a sample they still tell that none is missing: that would move the others by
    a whole one. The steps differ by a unit of the last digit, the coarsest where their digits vary.
    """
    if not np.all(np.isfinite(times_s)):
        return False
    steps_s = np.unique(np.diff(times_s))
    digit_s = 10.0 ** round(math.log10(max(float(np.diff(steps_s).max(initial=0.0)), 1e-15)))
    # no more than a digit, but for the arithmetic: each of two times is off by half of one
    return _stray(times_s, rate_hz) < 1.01 * digit_s < _PART_OF_STEP / rate_hz


def are_coarse(times_s: Samples, rate_hz: float) -> bool:
    """Whether times step by more than a sample, and are those of this rate as far as their digits go.

    A number of decimals, or of significant digits, tells them all: each lies within half a unit of its
    last digit from an even grid.
    """
    steps_s = np.diff(times_s)
    if not (np.all(np.isfinite(times_s)) and np.all(steps_s >= 0.0)):
        return False
    if float(steps_s.max(initial=0.0)) < _UNEVEN / rate_hz:
        return False
    decade = np.floor(np.log10(np.maximum(np.abs(times_s), 1e-12)))
    for digits in range(_MOST_DIGITS):
        for place in (np.full_like(decade, -digits), decade - digits):
            unit_s = 10.0**place
            in_units = times_s / unit_s
            if np.abs(in_units - np.rint(in_units)).max() < _WHOLE and _are_near(
                times_s - np.arange(times_s.size) / rate_hz, 0.505 * unit_s
            ):
                is_fine = float(unit_s.max()) < _PART_OF_STEP / rate_hz
                return not is_fine and float(np.ptp(in_units)) >= _FEWEST_STEPS
    return False


def _are_near(away_s: Samples, reach_s: Samples) -> bool:
    """Whether some constant lies within reach of all of them."""
    return bool(np.max(away_s - reach_s) <= np.min(away_s + reach_s))


def _stray(times_s: Samples, rate_hz: float) -> float:
    """Farthest that a time lies from an even grid, the grid's start fitted too, s."""
    away = times_s - np.arange(times_s.size) / rate_hz
    return float(np.ptp(away)) + 1e-15 * abs(float(times_s[-1]))
