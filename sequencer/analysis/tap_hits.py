"""The hits in a record of a tapped part: where they begin, and when only ringing is left.

The first is found by its energy. A second one (the hammer bounced) is found by its broad spectrum,
which no ringing has: bursts above the band in which modes are looked for.
"""

from dataclasses import dataclass

import numpy as np
import scipy

from sequencer.analysis.arrays import Samples

_BLOCK_S = 1e-3
_CONTACT_BLOCKS = 5
_LONGEST_BLOCKS = 20
_ONSET_SHARE = 0.1
_BURST_SHARE = 0.03  # -15 dB of the first: a bounce has 0.4 of its amplitude, -8 dB
_BURST_OVER_QUIET = 20.0
_CALM_OVER_QUIET = 1.5
_TAPS = 161  # with this window 80 dB, which keeps the modes out
_HALF_TRANSITION = 0.016  # of the sample rate: from these 80 dB to the cutoff


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """A hit's first sample, and the first after its contact and thump, to a millisecond."""

    start: int
    calm: int


def find_hits(record: Samples, sample_rate_hz: float, highest_hz: float) -> tuple[Hit, ...]:
    """The hits in order of time; the first is the one with the most energy.

    Parameters
    ----------
    highest_hz : upper edge of the band of modes; where half the sample rate hardly lies above it,
        bursts can't be seen, and there is one hit, whose contact counts as 5 ms
    """
    block = max(int(_BLOCK_S * sample_rate_hz), 8)
    onset = _onset(record, block)
    # where the band ends far below the sample rate so few taps can't cut right above it, and more
    # would smear a hit over many milliseconds; a hit's spectrum reaches far enough to cut higher
    cutoff_hz = max(1.25 * highest_hz, highest_hz + _HALF_TRANSITION * sample_rate_hz)
    alone = (Hit(start=onset, calm=onset + _CONTACT_BLOCKS * block),)
    if cutoff_hz > 0.4 * sample_rate_hz:
        return alone
    taps = scipy.signal.firwin(
        _TAPS, cutoff_hz, fs=sample_rate_hz, pass_zero=False, window=("kaiser", 8.0)
    )
    burst = _block_energies(scipy.signal.oaconvolve(record, taps, mode="same")[onset:], block)
    if burst.size < 2 * _LONGEST_BLOCKS:
        return alone
    return tuple(
        Hit(start=onset + k * block, calm=onset + _calm(burst, k) * block) for k in _bursts(burst)
    )


def _onset(record: Samples, block: int) -> int:
    """First sample of the first millisecond with a tenth of the most energetic one's energy."""
    energy = _block_energies(record - np.median(record), block)
    return int(np.argmax(energy > _ONSET_SHARE * float(np.max(energy)))) * block


def _bursts(burst: Samples) -> list[int]:
    """Blocks in which hits begin; the first is block 0."""
    first = float(np.max(burst[:8]))
    level = max(_BURST_SHARE * first, _BURST_OVER_QUIET * float(np.median(burst)))
    begins = [0]
    for k in np.flatnonzero(burst > level):
        is_rise = k >= 8 and burst[k] > 4.0 * float(np.mean(burst[k - 4 : k - 1]))
        if is_rise and k - 1 - begins[-1] > 8:
            begins.append(int(k) - 1)
    return begins


def _calm(burst: Samples, begin: int) -> int:
    """Block in which a hit's thump has sunk into the noise, 5 to 20 after its begin."""
    earliest = begin + _CONTACT_BLOCKS
    quiet = float(np.median(burst))
    if float(np.max(burst[begin:earliest])) < _BURST_OVER_QUIET * quiet:
        return earliest
    for k in range(earliest, min(begin + _LONGEST_BLOCKS, burst.size - 3)):
        if float(np.mean(burst[k : k + 3])) < _CALM_OVER_QUIET * quiet:
            return k
    return earliest  # it isn't a thump that sinks so slowly


def _block_energies(values: Samples, block: int) -> Samples:
    whole = values[: values.size // block * block].reshape(-1, block)
    return np.asarray(np.einsum("ij,ij->i", whole, whole))
