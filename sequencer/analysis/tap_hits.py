"""The hits in a record of a tapped part: where they begin, and when only ringing is left.

The first is found by its energy. Whatever rings, in however many modes that beat, says by its past how
it goes on; a hit is what that doesn't foresee. So every later one (a bounce of the hammer, a second
tap) is found in what a linear prediction leaves of the record. The contact's thump is what lies above
the band in which modes are looked for.

References
----------
J. Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63, 1975 (autocorrelation method).
"""

from dataclasses import dataclass, replace

import numpy as np
import scipy

from sequencer.analysis.arrays import Samples
from sequencer.analysis.checks import code_step

_BLOCK_S = 1e-3
_CONTACT_BLOCKS = 5
CONTACT_S = _CONTACT_BLOCKS * _BLOCK_S
_LONGEST_BLOCKS = 20
_ONSET_SHARE = 0.1
_BURST_OVER_QUIET = 20.0
_CALM_OVER_QUIET = 1.5
_TAPS = 161  # with this window 80 dB, which keeps the modes out
_HALF_TRANSITION = 0.016  # of the sample rate: from these 80 dB to the cutoff
FILTER_SAMPLES = 20  # at the lower rate, of the low-pass before it
_FORESEEN_FROM = 64  # samples at the lower rate; from 32 nine modes are at times foreseen too badly
_LEAST_NOISE = 1e-9  # of the energy: the prediction stays computable
_LOWER_BAND = 8.0  # low modes begin too slowly to be a surprise from sample to sample
_LEAST_SURPRISES = 8  # samples in a block
_SURPRISE_OVER_QUIET = 20.0  # of noise alone no block of 10^5 has 5 times the median (simulated)
_SURPRISE_OF_STRONGEST = (
    1e-4  # of the record's strongest millisecond: crackle at -40 dB isn't a hit
)
_SURPRISE_OF_RING = 0.01  # what was foreseen of many modes is as good (simulated)
_RISE = 4.0
APART_S = 0.012  # a bounce as near belongs to the contact
_BOUNCE_S = 0.005  # what comes before is the contact itself


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """A hit's first sample, and the first after its contact and thump, to a millisecond.

    Where the band is low, both are known to a sample at the rate that suits it. What rings after a
    hit that isn't clean is not to be used.
    """

    start: int
    calm: int
    is_clean: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class LowPassed:
    """A part of a record in the band of modes, at a rate that suits it.

    One of its samples stands for factor samples of the record, the first for the one at first.
    """

    samples: Samples
    factor: int
    first: int


def rate_factor(sample_rate_hz: float, highest_hz: float) -> tuple[int, int]:
    """By how much a rate can be lowered for a band up to highest_hz; samples that the filter takes."""
    factor = max(int(sample_rate_hz / (2.7 * highest_hz)), 1)
    return factor, FILTER_SAMPLES * factor if factor > 1 else 0


def low_passed(
    part: Samples, sample_rate_hz: float, highest_hz: float, *, is_steep: bool = True
) -> LowPassed:
    """A part of a record, which must be longer than the filter, at the lower rate.

    A steep filter lets all of the band through, and leaves up to 1/400 of what lies above half the
    rate; the other one begins to cut within the band and leaves 1/10000.
    """
    factor, filtered = rate_factor(sample_rate_hz, highest_hz)
    if filtered:
        share, window = (1.12, "hamming") if is_steep else (0.8, ("kaiser", 8.0))
        taps = scipy.signal.firwin(
            filtered + 1, share * highest_hz, fs=sample_rate_hz, window=window
        )
        part = scipy.signal.oaconvolve(part, taps, mode="valid")[::factor]
    return LowPassed(samples=np.ascontiguousarray(part), factor=factor, first=filtered // 2)


def find_hits(record: Samples, sample_rate_hz: float, highest_hz: float) -> tuple[Hit, ...]:
    """The hits in order of time.

    The first begins with the first millisecond of a tenth of the most energetic one's energy.

    Parameters
    ----------
    highest_hz : upper edge of the band of modes; where half the sample rate hardly lies above it, a
        thump can't be seen, and a contact counts as 5 ms
    """
    block = max(int(_BLOCK_S * sample_rate_hz), 8)
    centred = record - np.median(record)
    energy = _block_energies(centred, block)
    strongest = float(np.max(energy))
    onset = int(np.argmax(energy > _ONSET_SHARE * strongest)) * block
    factor, _ = rate_factor(sample_rate_hz, highest_hz)
    burst = _bursts(record[onset:], sample_rate_hz, highest_hz, block)
    hits = [Hit(start=onset, calm=onset + _calm(burst, 0) * block)]
    near = APART_S * sample_rate_hz
    after = centred[onset:]
    # what the filter leaves of strong modes above the band is foreseen badly: so of the whole record
    least_v2 = max(_SURPRISE_OF_STRONGEST * strongest / block, code_step(after) ** 2)
    later = _later_hits(after, sample_rate_hz, highest_hz, least_v2, is_steep=True)
    slow = _later_hits(after, sample_rate_hz, highest_hz / _LOWER_BAND, least_v2, is_steep=False)
    later += [s for s in slow if s > near and all(abs(s - start) > near for start in later)]
    for start in sorted(later):
        at = start // block
        calm = onset + start + factor + (_calm(burst, at) - at) * block
        hits = _joined(hits, Hit(start=onset + start, calm=calm), near)
    return tuple(hits)


def with_hit(hits: tuple[Hit, ...], start: int, sample_rate_hz: float) -> tuple[Hit, ...]:
    """The hits and one that only a fit shows: it has no thump."""
    calm = start + _CONTACT_BLOCKS * max(int(_BLOCK_S * sample_rate_hz), 8)
    near = APART_S * sample_rate_hz
    before = [hit for hit in hits if hit.start < start]
    return (*_joined(before, Hit(start=start, calm=calm), near), *hits[len(before) :])


def _joined(hits: list[Hit], later: Hit, near: float) -> list[Hit]:
    """The hits and a later one; the contact of a near one lasts until after it."""
    if later.start - hits[-1].start > near:
        return [*hits, later]
    return [*hits[:-1], replace(hits[-1], calm=max(hits[-1].calm, later.calm))]


def _later_hits(
    record: Samples, sample_rate_hz: float, highest_hz: float, least_v2: float, *, is_steep: bool
) -> list[int]:
    """First samples of the hits in a record that begins with one, that one left out.

    least_v2 is the mean square below which a surprise is no hit.
    """
    factor, filtered = rate_factor(sample_rate_hz, highest_hz)
    if record.size <= filtered + 4 * _FORESEEN_FROM * factor:
        return []
    low = low_passed(record, sample_rate_hz, highest_hz, is_steep=is_steep)
    block = max(int(_BLOCK_S * sample_rate_hz / factor), _LEAST_SURPRISES)
    surprise = _surprise(low.samples)
    energy, ring = _block_energies(surprise, block), _block_energies(low.samples, block)
    least = max(_SURPRISE_OVER_QUIET * float(np.median(energy)), block * least_v2)
    starts = [0]
    # what neighbouring blocks find is one
    apart = max(_BOUNCE_S * sample_rate_hz, 3 * block * factor)
    for k in np.flatnonzero(energy > least).tolist():
        before = slice(max(k - 4, 0), k - 1)
        if k < 2 or k * block * factor - starts[-1] <= apart:
            continue
        rises = energy[k] > _RISE * float(np.mean(energy[before]))
        if rises and energy[k] > _SURPRISE_OF_RING * float(np.mean(ring[before])):
            first = (k - 1) * block
            around = np.square(surprise[first : first + 3 * block])
            begin = first + int(np.argmax(around > _ONSET_SHARE * float(np.max(around))))
            starts.append(low.first + begin * factor)
    return starts[1:]


def _surprise(samples: Samples) -> Samples:
    """What a linear prediction from the samples before leaves of each."""
    size = scipy.fft.next_fast_len(2 * samples.size, real=True)
    power = np.abs(scipy.fft.rfft(samples, size)) ** 2
    correlation = scipy.fft.irfft(power, size)[: _FORESEEN_FROM + 1]
    correlation[0] *= 1.0 + _LEAST_NOISE
    try:
        weights = scipy.linalg.solve_toeplitz(correlation[:-1], correlation[1:])
    except np.linalg.LinAlgError:  # a lone step: each sample is the one before
        weights = np.eye(1, _FORESEEN_FROM)[0]
    foreseen = scipy.signal.oaconvolve(samples, weights)[: samples.size - 1]
    return np.asarray(samples - np.append(0.0, foreseen))


def _bursts(
    record: Samples, sample_rate_hz: float, highest_hz: float, block: int
) -> Samples | None:
    """Energies, block by block, of what lies above the band; None where nothing can be seen there."""
    # where the band ends far below the sample rate so few taps can't cut right above it, and more
    # would smear a hit over many milliseconds; a hit's spectrum reaches far enough to cut higher
    cutoff_hz = max(1.25 * highest_hz, highest_hz + _HALF_TRANSITION * sample_rate_hz)
    if cutoff_hz > 0.4 * sample_rate_hz or record.size < 2 * _LONGEST_BLOCKS * block:
        return None
    taps = scipy.signal.firwin(
        _TAPS, cutoff_hz, fs=sample_rate_hz, pass_zero=False, window=("kaiser", 8.0)
    )
    return _block_energies(scipy.signal.oaconvolve(record, taps, mode="same"), block)


def _calm(burst: Samples | None, begin: int) -> int:
    """Block in which a hit's thump has sunk into the noise, 5 to 20 after its begin."""
    earliest = begin + _CONTACT_BLOCKS
    if burst is None:
        return earliest
    quiet = float(np.median(burst))
    if float(np.max(burst[begin:earliest], initial=0.0)) < _BURST_OVER_QUIET * quiet:
        return earliest
    for k in range(earliest, min(begin + _LONGEST_BLOCKS, burst.size - 3)):
        if float(np.mean(burst[k : k + 3])) < _CALM_OVER_QUIET * quiet:
            return k
    return earliest  # it isn't a thump that sinks so slowly


def _block_energies(values: Samples, block: int) -> Samples:
    whole = values[: values.size // block * block].reshape(-1, block)
    return np.asarray(np.einsum("ij,ij->i", whole, whole))
