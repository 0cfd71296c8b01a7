"""What the bench recorded: the raw material every reading is computed from."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """One record of one instrument, with what evaluation must know about how it was taken.

    name is unique within its step. samples has shape (channels, n), in volts unless facts say
    otherwise; sample_rate_hz is 0 for single readings of a meter. facts are numbers in SI units by
    name (commanded frequency, drive level ...); a truth is 1.0 or 0.0.
    """

    name: str
    role: str
    samples: Samples
    sample_rate_hz: float = 0.0
    range_peak_v: float | None = None
    is_overrange: bool = False
    facts: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def first(self) -> Samples:
        """The first channel, shape (n,)."""
        channel: Samples = self.samples[0]
        return channel

    @property
    def duration_s(self) -> float:
        """Length of the record in seconds; 0 for single readings."""
        return self.samples.shape[-1] / self.sample_rate_hz if self.sample_rate_hz else 0.0


def single_reading(
    name: str, role: str, value: float, facts: Mapping[str, float] | None = None
) -> Capture:
    """A capture that holds one reading of a meter, or one answer of the operator."""
    samples = np.array([[value]], dtype=np.float64)
    return Capture(name=name, role=role, samples=samples, facts=MappingProxyType(dict(facts or {})))


def named(captures: Iterable[Capture], name: str) -> Capture | None:
    """The capture of this name, or None."""
    return next((capture for capture in captures if capture.name == name), None)
