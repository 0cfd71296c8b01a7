"""Steady tones in a record that comes to rest: found in its end, to be taken off.

Means over mains cycles leave a little of every tone that is no harmonic of the mains, and lying a cycle
apart they show it at another, lower frequency: 997 Hz look like a ring of 3 Hz beside 50 Hz mains. A
tone that is a pure sine in the second half of the record is therefore fitted there and, where it is
in all of it, taken off.
"""

from dataclasses import dataclass

import numpy as np
import scipy

from sequencer.analysis.arrays import ROBUST, Samples
from sequencer.analysis.tone_parts import middles_of_parts, tone_of_parts

_MOST = 8
_MOST_SAMPLES = 2**18
_LEAST_SAMPLES = 256
_BLOCK = 64  # bins of the spectrum with one noise level
_CLEAR = 60.0  # times the median power: a bin of noise has 14 times in 16,000
_PURE = 1e-3  # of its power, what may be left about a tone's line
_HUM_BINS, _LINE_BINS = 6.0, 6  # the window's line is 8 bins wide, 92 dB above all else
_HUM_LINES = 10
_ROUNDS = 4
_FEWEST_PARTS = 8
_MISSING = 0.5  # of a tone, in a part
_SURE = 6.0  # standard deviations


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyTone:
    """amplitude_v cos(2 pi frequency_hz t + phase), t from the record's start, V peak, Hz, rad."""

    frequency_hz: float
    amplitude_v: float
    phase: float

    def value_v(self, time_s: Samples) -> Samples:
        """The tone at times from the record's start."""
        turned = 2.0 * np.pi * self.frequency_hz * time_s + self.phase
        return np.asarray(self.amplitude_v * np.cos(turned))


def find_steady_tones(
    samples: Samples,
    sample_rate_hz: float,
    *,
    start_s: float,
    mains_hz: float,
    is_told: bool,
    above_hz: float,
) -> list[SteadyTone]:
    """Tones above a frequency, hum apart, that last through the second half of what follows start_s.

    mains_hz: the mains frequency; is_told: by the record itself. If not, its hum is too weak to have
    strong harmonics beyond the tenth.
    """
    first = int((start_s * sample_rate_hz + samples.size) / 2.0)
    first = max(first, samples.size - _MOST_SAMPLES)
    count = (samples.size - first) // _LEAST_SAMPLES * _LEAST_SAMPLES
    first = samples.size - count
    if count < _LEAST_SAMPLES:
        return []
    time = np.arange(first, samples.size) / sample_rate_hz
    at = np.linspace(-1.0, 1.0, count)
    rest = samples[first:] - np.polynomial.Polynomial.fit(at, samples[first:], 1)(at)
    window = np.asarray(scipy.signal.windows.blackmanharris(count, sym=False))
    bin_hz = sample_rate_hz / count
    power = _power(rest, window)
    frequency = np.arange(power.size) * bin_hz
    looked_at = (frequency > above_hz) & (frequency < sample_rate_hz / 2.0 - _LINE_BINS * bin_hz)
    multiple = np.rint(frequency / mains_hz)
    is_hum = np.abs(frequency - mains_hz * multiple) <= _HUM_BINS * bin_hz
    # far up a line that is stronger than all others of the mains is none of them
    lowest = is_hum & (multiple >= 1) & (multiple <= _HUM_LINES)
    strongest = float(np.max(power[lowest], initial=0.0)) if is_told else 0.0
    is_hum &= (multiple <= _HUM_LINES) | (power < strongest)
    looked_at &= ~is_hum | (multiple < 1)
    found: list[SteadyTone] = []
    for _ in range(_MOST):
        clear = np.where(looked_at, power / _level(power), 0.0)
        peak = int(np.argmax(np.where(clear > _CLEAR, power, 0.0)))
        if not clear[peak] > _CLEAR:
            break
        near = slice(max(peak - _LINE_BINS, 0), peak + _LINE_BINS + 1)
        tone = _fitted(rest, time, window, peak * bin_hz)
        left = rest - tone.value_v(time)
        left_power = _power(left, window)
        is_there = abs(tone.frequency_hz - peak * bin_hz) < bin_hz
        if is_there and np.max(left_power[near]) < _PURE * power[peak]:
            found.append(tone)
            rest, power = left, left_power
        looked_at[near] = False
    return found


def lasting_tones(
    tones: list[SteadyTone], samples: Samples, sample_rate_hz: float, first: int
) -> tuple[list[SteadyTone], list[SteadyTone]]:
    """Tones that are there from a sample on, and those that come later: to be taken off, and not."""
    later = [
        tone for tone in tones if not _is_throughout(tone, samples[first:], sample_rate_hz, first)
    ]
    return [tone for tone in tones if tone not in later], later


def _is_throughout(tone: SteadyTone, part: Samples, sample_rate_hz: float, first: int) -> bool:
    """Whether every part of a record but the first, where a contact rings, surely holds the tone."""
    shown = tone_of_parts(part, sample_rate_hz, tone.frequency_hz)
    if shown.size < _FEWEST_PARTS:
        return True
    middle = first + part.size / 2.0 + middles_of_parts(part.size, shown.size) - 0.5
    turned = 2.0 * np.pi * tone.frequency_hz * middle / sample_rate_hz + tone.phase
    share = (shown / (tone.amplitude_v * np.exp(1j * turned))).real
    half = share[shown.size // 2 :]
    scatter = ROBUST * float(np.median(np.abs(half - np.median(half))))
    return bool(np.all(np.abs(share[1:] - 1.0) < max(_MISSING, _SURE * scatter)))


def _power(value: Samples, window: Samples) -> Samples:
    return np.asarray(np.abs(scipy.fft.rfft(value * window)) ** 2)


def _level(power: Samples) -> Samples:
    """The median power about each bin, of blocks."""
    blocks = max(power.size // _BLOCK, 1)
    size = power.size // blocks
    medians = np.median(power[: blocks * size].reshape(blocks, size), axis=1)
    level = np.interp(np.arange(power.size), (np.arange(blocks) + 0.5) * size, medians)
    return np.maximum(level, 1e-300)


def _fitted(rest: Samples, time: Samples, window: Samples, near_hz: float) -> SteadyTone:
    """The sine that fits best under a window, from a frequency known to a bin."""
    middle = float(time[0] + time[-1]) / 2.0
    since, frequency = time - middle, near_hz
    wave: Samples = np.zeros(2)
    for _ in range(_ROUNDS):
        turned = 2.0 * np.pi * frequency * since
        cos, sin = np.cos(turned) * window, np.sin(turned) * window
        columns = np.column_stack([cos, sin, since * cos, since * sin])
        solved = np.linalg.solve(columns.T @ columns, columns.T @ (rest * window))
        wave = np.asarray(solved[:2], dtype=np.float64)
        # of t (b cos - a sin) times the frequency's error
        turn = (wave[1] * solved[2] - wave[0] * solved[3]) / max(float(wave @ wave), 1e-300)
        frequency += float(turn) / (2.0 * np.pi)
    phase = float(np.arctan2(-wave[1], wave[0])) - 2.0 * np.pi * frequency * middle
    return SteadyTone(
        frequency_hz=frequency, amplitude_v=float(np.hypot(*wave)), phase=phase % (2.0 * np.pi)
    )
