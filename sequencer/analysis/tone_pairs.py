"""Which pair of tones a record holds, of those that intermodulation is measured with.

A record says by itself which of the customary pairs it is. Any other pair is refused: two tones that a
wrong sample rate has moved (44.1 and 48 kHz mixed up) look like a pair that nobody played.
"""

from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import ArrayLike

from sequencer.analysis import checks
from sequencer.analysis.arrays import Spectral
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.spectrum import hann, peak_position

Pair = tuple[float, float]

# lower and upper tone, Hz; the first of each is taken where a record holds no two tones
# SMPTE RP 120; the same beside mains of 60 Hz; DIN 45403 (from memory)
MODULATION_PAIRS_HZ: tuple[Pair, ...] = ((60.0, 7000.0), (50.0, 7000.0), (250.0, 8000.0))
# IEC 60268-3 leaves the tones open; these are customary
DIFFERENCE_PAIRS_HZ: tuple[Pair, ...] = ((19e3, 20e3), (14e3, 15e3), (11e3, 12e3))

_LINE_BINS = 3  # half the main lobe of the window, and one more
LEAST_TONE = 3e-3  # of the AC power that each must hold: the small one of 4 to 1 holds 0.06
LEAST_SHARE = 0.5  # of the AC power that both must hold together


def choose_pair(samples: ArrayLike, sample_rate_hz: float, pairs_hz: Sequence[Pair]) -> Pair:
    """The pair of those given that the two strongest tones of a record are, Hz.

    The first of them where the record doesn't hold two tones, or none of the pairs at its rate: its
    analysis says what is wrong. So it does of a pair that lies, folded, below half the sample rate.

    Raises
    ------
    CannotMeasure : wrong_frequency, the two tones are no such pair; or the record is unusable
    """
    record = checks.require_finite(samples)
    power = np.abs(scipy.fft.rfft((record - record.mean()) * hann(record.size))) ** 2
    bin_hz = sample_rate_hz / record.size
    found = _two_strongest(power)
    if found is None:
        return pairs_hz[0]
    tones_hz = (found[0] * bin_hz, found[1] * bin_hz)
    for pair in pairs_hz:
        if _are(tones_hz, pair, bin_hz):
            return pair
    for pair in pairs_hz:  # a tone cut off has harmonics stronger than the other one
        if all(_share_at(power, f, bin_hz) > LEAST_TONE for f in pair):
            return pair
    for pair in pairs_hz:  # what the rate can't hold may have got in all the same
        folded = sorted(_folded_hz(f, sample_rate_hz) for f in pair)
        if _are(tones_hz, folded, bin_hz) or not any(
            _fits(each, sample_rate_hz) for each in pairs_hz
        ):
            return pair
    known = ", ".join(f"{lower:g} and {upper:g} Hz" for lower, upper in pairs_hz)
    raise CannotMeasure(
        "wrong_frequency",
        f"the two strongest tones lie at {tones_hz[0]:.6g} and {tones_hz[1]:.6g} Hz, expected one of "
        f"the pairs {known}",
        "play one of these, and check the sample rate of the record",
    )


def _are(tones_hz: Pair, wanted_hz: Sequence[float], bin_hz: float) -> bool:
    """Whether two tones lie where two are wanted, both in order."""
    pairs = zip(tones_hz, wanted_hz, strict=True)
    return all(abs(at - f) < _reach_hz(f, bin_hz) for at, f in pairs)


def _folded_hz(tone_hz: float, sample_rate_hz: float) -> float:
    return abs(tone_hz - round(tone_hz / sample_rate_hz) * sample_rate_hz)


def _fits(pair: Pair, sample_rate_hz: float) -> bool:
    return 2.0 * pair[1] < sample_rate_hz


def _reach_hz(tone_hz: float, bin_hz: float) -> float:
    return checks.FREQUENCY_TOLERANCE * tone_hz + bin_hz


def _share_at(power: Spectral, tone_hz: float, bin_hz: float) -> float:
    """Share of the power that lies as near a frequency as a tone may be off."""
    reach_hz = _reach_hz(tone_hz, bin_hz)
    near = slice(int((tone_hz - reach_hz) / bin_hz), int((tone_hz + reach_hz) / bin_hz) + 2)
    return float(power[near].sum()) / float(power.sum())


def _two_strongest(power: Spectral) -> Pair | None:
    """Places of the two strongest lines in order, in bins; None where no two hold most of the power."""
    total = float(power.sum())
    if power.size < 4 * _LINE_BINS or not total:
        return None
    left = power.copy()
    places, shares = [], []
    for _ in range(2):
        peak = 1 + int(np.argmax(left[1:-1]))
        line = slice(max(peak - _LINE_BINS, 0), peak + _LINE_BINS + 1)
        places.append(peak_position(power, peak))
        shares.append(float(left[line].sum()) / total)
        left[line] = 0.0
    if min(shares) < LEAST_TONE or sum(shares) < LEAST_SHARE:
        return None
    return min(places), max(places)
