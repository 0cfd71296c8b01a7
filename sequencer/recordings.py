"""What a capture's file holds, whatever its format."""

from dataclasses import dataclass

from sequencer.captures import Samples

MOST_SAMPLES = 2**25
"""A channel's longest record: 27 s at 1.25 MS/s, 11 min at 48 kS/s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """Samples of shape (channels, n), V, and how they were taken.

    range_peak_v is the converter's full scale: None where it isn't known, infinite where the file
    shows by its codes that it wasn't reached. overrange has one text a channel that says how it was
    exceeded, empty where it wasn't. drive is the channel that holds what drove the unit, where the
    record has two. rate_uncertainty is the standard uncertainty of the sample rate over the rate, as
    far as the file's own digits leave one. remarks tell what was odd about the file.
    """

    samples: Samples
    sample_rate_hz: float
    range_peak_v: float | None = None
    overrange: tuple[str, ...] = ()
    drive: int = 0
    rate_uncertainty: float = 0.0
    remarks: tuple[str, ...] = ()

    @property
    def channels(self) -> int:
        """How many channels."""
        return int(self.samples.shape[0])

    @property
    def size(self) -> int:
        """Samples a channel."""
        return int(self.samples.shape[1])

    @property
    def duration_s(self) -> float:
        """Length of the record in seconds."""
        return self.size / self.sample_rate_hz

    def overrange_of(self, channel: int) -> str:
        """How a channel exceeded its range, in words; empty when it didn't."""
        return self.overrange[channel] if self.overrange else ""
