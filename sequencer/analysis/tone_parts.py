"""A tone in each part of a record: how its phase and its level go on."""

import numpy as np

from sequencer.analysis.arrays import Phasors, Samples
from sequencer.analysis.spectrum import hann

_MOST = 64
_SHORTEST = 64


def tone_of_parts(
    samples: Samples,
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    least: int = _SHORTEST,
    least_cycles: float = 3.0,
) -> Phasors:
    """Complex amplitude of a tone at the middle of each of up to 64 equal parts of a record.

    By a Hann-weighted mean. The few samples that are left over are those at
    the end; empty where there is no room for a part.

    Parameters
    ----------
    samples : shape (n,), volts
    least : samples in a part
    least_cycles : in a part; in fewer than three the tone's mirror image shows, by a hundredth and more
    """
    # its mirror image at the negative frequency must stay as far from the tone as DC
    cycles = samples.size * min(frequency_hz, sample_rate_hz / 2 - frequency_hz) / sample_rate_hz
    count = max(min(_MOST, int(cycles / least_cycles), samples.size // least), 0)
    if not count:
        return np.zeros(0, dtype=np.complex128)
    length = samples.size // count
    parts = samples[: count * length].reshape(count, length)
    window = hann(length) / hann(length).sum()
    omega = 2 * np.pi * frequency_hz / sample_rate_hz
    turn = omega * (np.arange(length) - (length - 1) / 2)
    table = np.column_stack([window * np.cos(turn), -window * np.sin(turn), window])
    both = parts @ table
    response = complex(window @ np.exp(-1j * turn))
    tone: Phasors = 2 * (both[:, 0] + 1j * both[:, 1] - both[:, 2] * response)
    return tone


def middles_of_parts(count: int, parts: int) -> Samples:
    """Middle of each part that tone_of_parts makes of a record, in samples from mid-record."""
    number = np.arange(parts, dtype=np.float64)
    return np.asarray((number + 0.5) * (count // max(parts, 1)) - count / 2)
