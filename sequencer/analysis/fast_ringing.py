"""Ringing too fast to be followed behind the averaging over mains cycles.

Looked for in means over an eighth of a mains cycle, as damped sines beside those of the hum. Near a
mains line a steady sine is hum. One that decays there is ringing, or may be hum that changes where it
lies so near that nothing tells them apart; but a mains frequency that wanders looks like decaying
sines to a joint fit too, so the hum's amplitude, read cycle by cycle, has to show it as well.
"""

from dataclasses import dataclass

import numpy as np

from sequencer.analysis.arrays import Samples
from sequencer.analysis.damped_modes import DampedLines, find_candidate, fit_damped_lines
from sequencer.analysis.trend import interval_means

_PIECES = 8  # of a mains cycle
_LONGEST_S = 10.0
_MOST_LINES = 8
_LEAST_POINTS = 64
_HUM_REACH = (
    0.06  # of the mains frequency: where a steady sine is hum, and a decaying one asked twice
)
_HUM_WIDTHS = 2.0
_TOLD, _UNTOLD = (
    0.003,
    0.012,
)  # of the frequency: what a mains frequency wanders; may be off nominal
_LEAST_DECAY = 0.5  # nepers in the record, near a mains line; hum itself changes by less
_SHOWN = 0.15  # of what a decaying sine loses; it turns against the hum meanwhile
_SMOOTHED_CYCLES = 3
_THERE = 0.3  # of its amplitude
_SURE = 4.0  # standard deviations


@dataclass(frozen=True, slots=True, kw_only=True)
class FastRinging:
    """A damped sine: amplitude_v, peak, at the time looked from; rate 1/tau, 1/s, 0 where it's steady.

    may_be_hum: it lies so near a mains line that it may be hum that changes. is_late: it isn't there at
    first, so it is a pulse, or something else that begins later.
    """

    frequency_hz: float
    amplitude_v: float
    rate: float
    may_be_hum: bool
    is_late: bool = False

    def swing_v(self, after_s: float) -> float:
        """Its amplitude later, V peak."""
        return self.amplitude_v * float(np.exp(-self.rate * max(after_s, 0.0)))


def find_fast_ringing(
    rest: Samples,
    sample_rate_hz: float,
    *,
    start_s: float,
    mains_hz: float,
    is_told: bool,
    above_hz: float,
) -> list[FastRinging]:
    """All ringing above a frequency that is surely there, and no hum.

    Parameters
    ----------
    rest : the record less the slow course of its voltage, V, shape (n,)
    start_s : where to look from, for up to ten seconds
    mains_hz : the mains frequency; is_told: by the record itself, else its nominal value
    """
    pieces = min(_PIECES, int(sample_rate_hz / mains_hz))
    end_s = min(rest.size / sample_rate_hz, start_s + _LONGEST_S)
    rate_hz = pieces * mains_hz
    means = interval_means(rest, sample_rate_hz, start_s, end_s, 1.0 / rate_hz)
    lines = _lines(means, rate_hz) if means.size >= _LEAST_POINTS else None
    if lines is None:
        return []
    frequency = lines.frequency_hz
    # a mean over a piece passes the sinc of a sine
    amplitude = np.abs(lines.amplitude) / np.sinc(frequency / rate_hz)
    doubt_v = np.sqrt(np.maximum(lines.amplitude_variance_v2, 0.0))
    is_decaying = lines.rate > _SURE * np.sqrt(np.maximum(lines.rate_variance, 0.0))
    multiple = np.rint(frequency / mains_hz).astype(np.intp)
    off_hz = np.abs(frequency - mains_hz * multiple)
    width_hz = _HUM_WIDTHS * np.abs(lines.rate) / (2.0 * np.pi)
    is_near = (multiple > 0) & (off_hz < _HUM_REACH * mains_hz + width_hz)
    may_be_hum = is_near & (off_hz < (_TOLD if is_told else _UNTOLD) * frequency + width_hz)
    lost = -np.expm1(-np.maximum(lines.rate, 0.0) * means.size / rate_hz)
    shown_v = np.array([_change_of_hum_v(means, pieces, k) for k in range(pieces // 2 + 1)])
    is_shown = shown_v[np.minimum(multiple, pieces // 2)] > _SHOWN * lost * amplitude
    is_shown &= lost > -np.expm1(-_LEAST_DECAY)
    counts = (amplitude > _SURE * doubt_v) & (frequency > above_hz)
    counts &= ~is_near | (is_decaying & is_shown)
    return [
        FastRinging(
            frequency_hz=float(frequency[i]),
            amplitude_v=float(amplitude[i]),
            rate=float(lines.rate[i]) if is_decaying[i] else 0.0,
            may_be_hum=bool(may_be_hum[i]),
            is_late=_is_late(means, lines.pole[i] / rate_hz, abs(lines.amplitude[i])),
        )
        for i in np.flatnonzero(counts)
    ]


def _is_late(means: Samples, pole: complex, amplitude_v: float) -> bool:
    """Whether a damped sine of a fit is missing in the first third, where it should be as strong.

    pole: of a step from a mean to the next. Sines that cancel each other there are how a fit describes a
    pulse, or what begins later.
    """
    at = np.arange(means.size // 3)
    wave = np.exp(pole * at)
    columns = np.column_stack([np.ones(at.size), at, wave.real, wave.imag])
    solved = np.linalg.lstsq(columns, means[: at.size], rcond=None)[0]
    return float(np.hypot(solved[2], solved[3])) < _THERE * amplitude_v


def _change_of_hum_v(means: Samples, pieces: int, multiple: int) -> float:
    """How far the amplitude of a mains line lies off that of the last third, at most, V peak.

    Whatever its phase: a frequency that is off or wanders turns the phase only.
    """
    cycles = means.size // pieces
    spectrum = np.fft.rfft(means[: cycles * pieces].reshape(cycles, pieces), axis=1)
    each = 2.0 / pieces * np.abs(spectrum[:, multiple]) / np.sinc(multiple / pieces)
    smooth = np.convolve(each, np.full(_SMOOTHED_CYCLES, 1.0 / _SMOOTHED_CYCLES), mode="valid")
    return float(np.max(np.abs(smooth - np.median(smooth[-max(smooth.size // 3, 1) :]))))


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
