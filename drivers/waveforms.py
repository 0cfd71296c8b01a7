"""Records as instruments send them, to arrays of numbers. Pure functions."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from drivers.scpi_codec import SPECIAL_VALUE

_SAMPLE_TYPES: Mapping[str, str] = {
    "real32": "f4",
    "real64": "f8",
    "int8": "i1",
    "int16": "i2",
    "int32": "i4",
    "uint8": "u1",
    "uint16": "u2",
}


def sample_bytes(form: str) -> int:
    """Bytes of one sample of a binary form."""
    return np.dtype(_SAMPLE_TYPES[form]).itemsize


def decoded_block(payload: bytes, form: str, byte_order: str) -> NDArray[np.float64]:
    """Samples of a block as numbers, without scale; shape (n,).

    Raises ValueError when the payload is not a whole number of samples.
    """
    order = ">" if byte_order == "big" else "<"
    sample_type = np.dtype(order + _SAMPLE_TYPES[form])
    if len(payload) % sample_type.itemsize:
        raise ValueError(f"{len(payload)} bytes are no whole number of {form} samples")
    return np.frombuffer(payload, dtype=sample_type).astype(np.float64)


def decoded_text(text: str, separator: str) -> NDArray[np.float64]:
    """Samples of an ASCII record as numbers, without scale; shape (n,).

    Raises ValueError for anything between the separators that is not a number.
    """
    # Some versions of numpy stop at the first bad token instead of raising, so the count decides.
    expected = text.count(separator.strip() or separator) + 1
    samples = np.fromstring(text, dtype=np.float64, sep=separator.strip() or " ")
    if len(samples) != expected:
        raise ValueError(f"{len(samples)} numbers stand where {expected} were expected")
    return samples


def has_special_values(samples: NDArray[np.float64]) -> bool:
    """Whether a sample is not a number, or the sign for overload or no reading."""
    return bool(len(samples)) and not bool(np.max(np.abs(samples)) < SPECIAL_VALUE)
