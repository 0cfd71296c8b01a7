"""The array types of the analysis, how a caller's record becomes one, and what is told from many values.

Sums keep to one thread. BLAS libraries share a large product out to threads that wait for one
another in a loop; on a busy machine the wait is ten times the work, and these products are too
small to gain from sharing.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

ROBUST = 1.4826  # standard deviation over median absolute deviation, normal distribution

Samples = NDArray[np.float64]
"""One record, shape (n,), volts."""

Spectral = NDArray[np.float64]
"""One value a frequency bin, shape (bins,)."""

Phasors = NDArray[np.complex128]
"""Complex amplitudes, one a line."""


def as_samples(samples: ArrayLike) -> Samples:
    """The record as a contiguous float64 vector.

    Raises
    ------
    ValueError : the record has more than one dimension, or no sample at all
    """
    record = np.ascontiguousarray(samples, dtype=np.float64)
    if record.ndim != 1 or record.size == 0:
        raise ValueError(f"samples: shape {np.shape(samples)}; expected one channel, shape (n,)")
    return record


def median(values: NDArray[np.float64]) -> float:
    """Median of a few thousand values at most, one or more, in a seventh of np.median's time."""
    ordered = np.sort(values, axis=None)
    middle = ordered.size // 2
    if ordered.size % 2:
        return float(ordered[middle])
    return 0.5 * (float(ordered[middle - 1]) + float(ordered[middle]))


def scatter_about_course(values: NDArray[np.float64], neighbour_correlation: float = 0.0) -> float:
    """Standard deviation of three values or more about a course that bends slowly, robust.

    By second differences, whose variance is 6 - 8 rho times that of values which are correlated by rho
    with their neighbours and not beyond.
    """
    spread = math.sqrt(6 - 8 * neighbour_correlation)
    return ROBUST * median(np.abs(np.diff(values, 2))) / spread


def sum_of_squares(record: Samples) -> float:
    """Sum of the squares of a record."""
    return float(np.einsum("i,i->", record, record))
