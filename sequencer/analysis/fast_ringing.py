"""Ringing too fast to be followed behind the averaging over mains cycles.

Looked for in means over an eighth of a mains cycle, as damped sines beside those of the hum: what
lies at the mains frequency or a harmonic of it, as wide as its own decay makes it, is hum or a
change of hum, and no ringing.
"""

import numpy as np

from sequencer.analysis.arrays import Samples
from sequencer.analysis.damped_modes import DampedLines, find_candidate, fit_damped_lines
from sequencer.analysis.trend import interval_means

_PIECES = 8  # of a mains cycle
_LONGEST_S = 10.0
_MOST_LINES = 8
_LEAST_POINTS = 64
_HUM_REACH = 0.06  # of the mains frequency, for mains off its nominal frequency
_HUM_WIDTHS = 2.0
_SURE = 4.0  # standard deviations


def find_fast_ringing(
    rest: Samples,
    sample_rate_hz: float,
    *,
    start_s: float,
    mains_hz: float,
    above_hz: float,
    least_v: float,
    steady_v: float,
) -> float | None:
    """Frequency in Hz of the strongest ringing above a frequency; None where there is none.

    Parameters
    ----------
    rest : the record less the slow course of its voltage, V, shape (n,)
    start_s : where to look from, for up to ten seconds
    least_v : amplitude at start_s that counts, V peak, of what decays
    steady_v : the same of what can't be told from a steady oscillation
    """
    pieces = min(_PIECES, int(sample_rate_hz / mains_hz))
    end_s = min(rest.size / sample_rate_hz, start_s + _LONGEST_S)
    rate_hz = pieces * mains_hz
    means = interval_means(rest, sample_rate_hz, start_s, end_s, 1.0 / rate_hz)
    lines = _lines(means, rate_hz) if means.size >= _LEAST_POINTS else None
    if lines is None:
        return None
    frequency = lines.frequency_hz
    reach = _HUM_REACH * mains_hz + _HUM_WIDTHS * np.abs(lines.rate) / (2.0 * np.pi)
    is_hum = np.abs(frequency - mains_hz * np.rint(frequency / mains_hz)) < reach
    # a mean over a piece passes the sinc of a sine
    amplitude = np.abs(lines.amplitude) / np.sinc(frequency / rate_hz)
    is_decaying = lines.rate > _SURE * np.sqrt(np.maximum(lines.rate_variance, 0.0))
    counts = amplitude - _SURE * np.sqrt(np.maximum(lines.amplitude_variance_v2, 0.0)) > np.where(
        is_decaying, least_v, steady_v
    )
    ringing = counts & ~is_hum & (frequency > above_hz)
    if not np.any(ringing):
        return None
    return float(frequency[np.argmax(np.where(ringing, amplitude, 0.0))])


def _lines(means: Samples, rate_hz: float) -> DampedLines | None:
    """The damped and steady sines of a record, found one by one, fitted jointly."""
    lines: DampedLines | None = None
    rest = means - np.mean(means)
    poles: list[complex] = []
    for _ in range(_MOST_LINES):
        candidate = find_candidate(rest, rate_hz, 0.45 * rate_hz, np.empty((0, 2)))
        if candidate is None:
            break
        poles.append(candidate.pole)
        lines = fit_damped_lines(means, rate_hz, np.array(poles))
        poles = list(lines.pole)
        rest = lines.rest
    return lines
