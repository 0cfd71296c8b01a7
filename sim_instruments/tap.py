"""The sensor on a heatsink fin while somebody taps it: decaying bending modes and a thump."""

from dataclasses import dataclass

import numpy as np

from sim_instruments.lines import Lines, Samples, lines_of, synthesise
from sim_instruments.noise import anti_alias
from sim_instruments.parameters import FinMode

CONTACT_S = 0.4e-3
THUMP_S = 1.5e-3
NOISE_V = 2e-3
MAINS_PICKUP_V = 2e-3
DOUBLE_HIT_SHARE = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """One hit: seconds after the record's start, and strength (1 is nominal)."""

    after_s: float
    strength: float


def random_hits(rng: np.random.Generator, duration_s: float) -> tuple[Hit, ...]:
    """One hit early in the record; one time in twenty the hammer bounces."""
    first = min(float(rng.uniform(0.15, 0.35)), 0.25 * duration_s)
    strength = float(np.exp(rng.normal(0.0, 0.15)))
    bounce = float(rng.uniform(0.060, 0.150))
    is_double = rng.uniform() < DOUBLE_HIT_SHARE
    hits = [Hit(after_s=first, strength=strength)]
    if is_double:
        hits.append(Hit(after_s=first + bounce, strength=0.4 * strength))
    return tuple(hits)


def tap_waveform(
    rng: np.random.Generator,
    modes: tuple[FinMode, ...],
    *,
    is_padded: bool,
    hits: tuple[Hit, ...],
    samples: int,
    sample_rate_hz: float,
) -> Samples:
    """What the sensor gives, V: noise and the answer of every mode to every hit."""
    wave = NOISE_V * rng.standard_normal(samples)
    for hit in hits:
        first = min(samples, int(np.ceil(hit.after_s * sample_rate_hz)))
        t = np.arange(samples - first) / sample_rate_hz + (first / sample_rate_hz - hit.after_s)
        ringing = _thump(rng, t, sample_rate_hz)
        for mode in modes:
            ringing += _mode(mode, is_padded, t, sample_rate_hz)
        wave[first:] += hit.strength * ringing
    return wave


def hum_of_sensor(mains_hz: float, mains_cycles: float, buzz_v: float) -> Lines:
    """Mains pick-up of the sensor and the transformer's mechanical buzz."""
    turn = np.exp(2j * np.pi * mains_cycles)
    pairs = [(mains_hz, np.sqrt(2.0) * MAINS_PICKUP_V * turn)]
    if buzz_v:
        for order, share in ((1, 0.35), (2, 0.75), (4, 0.45), (6, 0.3)):
            pairs.append((order * mains_hz, np.sqrt(2.0) * buzz_v * share * turn**order))
    return lines_of(*pairs)


def _mode(mode: FinMode, is_padded: bool, t: Samples, sample_rate_hz: float) -> Samples:
    frequency = mode.frequency_hz * (0.99 if is_padded else 1.0)
    t60 = mode.padded_t60_s if is_padded else mode.bare_t60_s
    tau = t60 / np.log(1e3)
    share = float(anti_alias(np.array([frequency]), sample_rate_hz)[0])
    if frequency > 0.6 * sample_rate_hz:
        return np.zeros(t.size)
    start = t[0] if t.size else 0.0
    carrier = lines_of((frequency, complex(-1j * np.exp(2j * np.pi * frequency * start))))
    wave = synthesise(carrier, t.size, sample_rate_hz)
    wave *= mode.amplitude_v * share * np.exp(-t / tau)
    rising = t < CONTACT_S
    wave[rising] *= 0.5 - 0.5 * np.cos(np.pi * t[rising] / CONTACT_S)
    return wave


def _thump(rng: np.random.Generator, t: Samples, sample_rate_hz: float) -> Samples:
    burst = np.zeros(t.size)
    count = min(t.size, int(12.0 * THUMP_S * sample_rate_hz))
    burst[:count] = 0.3 * rng.standard_normal(count) * np.exp(-t[:count] / THUMP_S)
    return burst
