"""Standard and expanded uncertainty, after JCGM 100:2008 (the GUM)."""

import math

COVERAGE_FACTOR = 2.0  # about 95 % for a normal distribution, JCGM 100 6.3.3


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value known to lie within +-half_width (JCGM 100 4.3.7)."""
    return abs(half_width) / math.sqrt(3.0)


def triangular(half_width: float) -> float:
    """Standard uncertainty of a value that is likelier near the middle (JCGM 100 4.3.9)."""
    return abs(half_width) / math.sqrt(6.0)


def arcsine(half_width: float) -> float:
    """Standard uncertainty of a sinusoidally varying quantity (U-shaped distribution)."""
    return abs(half_width) / math.sqrt(2.0)


def resolution(step: float) -> float:
    """Standard uncertainty from a display or converter step: half a step, rectangular."""
    return rectangular(0.5 * step)


def combined(*standard: float) -> float:
    """Root sum of squares of uncorrelated standard uncertainties (JCGM 100 5.1.2)."""
    return math.hypot(*standard)


def expanded(standard: float, coverage_factor: float = COVERAGE_FACTOR) -> float:
    """Expanded uncertainty U = k * u (JCGM 100 6.2.1)."""
    return coverage_factor * standard


def relative_from_db(half_width_db: float) -> float:
    """Half-width of an amplitude's relative tolerance that is stated in dB: 10**(a/20) - 1.

    The upper side is the wider one and is taken for both.
    """
    return float(10.0 ** (abs(half_width_db) / 20.0)) - 1.0
