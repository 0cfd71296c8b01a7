"""The array types of the analysis and how a caller's record becomes one."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

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
