"""What rings between the hits of a record, and what that asks of the record.

A stretch begins after a hit's contact and thump and ends before the next hit, brought down to a rate
that suits the band in which modes are looked for.
"""

from dataclasses import dataclass

import numpy as np

from sequencer.analysis.arrays import Samples
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.ring_hum import RingHum
from sequencer.analysis.tap_hits import Hit, low_passed, rate_factor

BEFORE_HIT_S = 3e-3  # a soft contact begins slowly
_MOST_STRETCHES = 4  # each takes as long as a record of one tap
LEAST_S = 0.05
_LEAST_SAMPLES = 200  # at the lower rate; with fewer the stated doubts grow too small (simulated)
LONG_TAU_S = 0.01
LONG_ENOUGH = "tap once and record 8 s of a bare fin, 1.5 s of a damped one"


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """For what modes: where, of which time constants, in how much of what follows a hit."""

    band_hz: tuple[float, float]
    tau_s: tuple[float, float] = (LONG_TAU_S, np.inf)
    stretch_s: float = np.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Part of the record at a lower rate: samples, their rate, start, the hit before it, hum beside."""

    samples: Samples
    rate_hz: float
    start_s: float
    hit_s: float
    hum: RingHum | None


def times_of(stretch: Stretch) -> Samples:
    """Seconds from the record's start of each sample."""
    return np.asarray(stretch.start_s + np.arange(stretch.samples.size) / stretch.rate_hz)


def least_duration_s(sample_rate_hz: float) -> float:
    """Seconds that a record must have at least."""
    return max(LEAST_S, _LEAST_SAMPLES / sample_rate_hz)


def least_samples(stretch: Stretch) -> float:
    """Samples that a stretch must have at least."""
    return max(LEAST_S * stretch.rate_hz, _LEAST_SAMPLES)


def ring_stretches(
    record: Samples,
    sample_rate_hz: float,
    hits: tuple[Hit, ...],
    search: Search,
    hum: RingHum | None,
) -> list[Stretch]:
    """What rings between hits, in the band; those of the most energy first, none too short.

    Raises
    ------
    CannotMeasure : too_short, where all of them are
    """
    highest_hz = search.band_hz[1]
    factor, filtered = rate_factor(sample_rate_hz, highest_hz)
    before = max(int(BEFORE_HIT_S * sample_rate_hz), 2 * factor)
    ends = [*(h.start - before for h in hits[1:]), record.size]
    least_s = max(LEAST_S, (_LEAST_SAMPLES * factor + filtered) / sample_rate_hz)
    longest = int(min(search.stretch_s * sample_rate_hz, record.size))
    parts = [
        (hit, record[hit.calm : min(end, hit.calm + longest)])
        for hit, end in zip(hits, ends, strict=True)
        if hit.is_clean
    ]
    usable = [p for p in parts if p[1].size >= least_s * sample_rate_hz]
    if not usable:
        longest_s = max(part.size for _, part in parts) / sample_rate_hz
        where = "the hit" if len(hits) == 1 else f"one of {len(hits)} hits before the next"
        raise CannotMeasure(
            "too_short",
            f"{longest_s:.3g} s of ringing follow {where}, "
            f"{least_s:.3g} s are needed for modes up to {highest_hz:g} Hz",
            f"{LONG_ENOUGH}, or search further up",
        )
    usable.sort(key=lambda p: -p[1].size * float(np.var(p[1])))
    stretches = []
    for hit, part in usable[:_MOST_STRETCHES]:
        low = low_passed(part, sample_rate_hz, highest_hz)
        stretches.append(
            Stretch(
                samples=low.samples,
                rate_hz=sample_rate_hz / low.factor,
                start_s=(hit.calm + low.first) / sample_rate_hz,
                hit_s=hit.start / sample_rate_hz,
                hum=hum,
            )
        )
    return stretches
