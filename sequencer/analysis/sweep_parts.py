"""A recorded response taken apart by deconvolution: its linear part, its harmonics, and the rest.

Theory of operation: see exponential_sweep, which reads the parts; and sweep_signal for references.
"""

import copy
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import scipy

from sequencer.analysis.arrays import Phasors, Samples, Spectral, sum_of_squares
from sequencer.analysis.sweep_signal import ExponentialSweep

__all__ = [
    "LONGEST_AFTER_S",
    "Deconvolution",
    "Part",
    "linear_at",
    "parts_at",
    "read",
    "rest_of",
    "take_apart",
]

LONGEST_AFTER_S = 0.3
"""How far the linear response's window reaches after it."""

_ORDERS = (2, 3, 4, 5)
_PADDING_S = 1.0
_REGULARISATION = 1e-6  # of the drive's power spectrum in the band
_EDGE_POWER = 0.2  # of the drive's spectrum, relative to the middle of the sweep: within the band
_LONGEST_BEFORE_S = 0.3
_LONGEST_HARMONIC_S = 0.15
_GAP_SHARE = 0.45  # of the distance to the neighbouring harmonic
_MOST_EARLY_S = 0.3  # by which the response is looked for before the drive


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A windowed quotient: complex spectrum, the drive's over itself, the window's sum of squares.

    The window's centre has been moved to lag 0, or the spectrum would turn from bin to bin; shift
    is the number of samples it was moved by.
    """

    spectrum: Phasors
    unit: Phasors
    energy: float
    shift: int


class Deconvolution:
    """The drive's spectrum and what follows from it alone."""

    def __init__(self, drive: Samples, rate_hz: float, sweep: ExponentialSweep) -> None:
        self.count = scipy.fft.next_fast_len(drive.size + int(_PADDING_S * rate_hz), real=True)
        self.rate_hz = rate_hz
        self.drive = scipy.fft.rfft(drive, self.count)
        self.frequency_hz = np.arange(self.drive.size) * rate_hz / self.count
        self.power = self.drive.real**2 + self.drive.imag**2
        # power of a sweep falls as 1/f: 0.25 L/f for unit amplitude (Farina 2000)
        inside = (self.frequency_hz > sweep.start_hz) & (self.frequency_hz < sweep.stop_hz)
        pink = self.power[inside] * self.frequency_hz[inside]
        self._level = float(np.median(pink)) if pink.size else 0.0
        self._floor = _REGULARISATION * self._level / np.maximum(self.frequency_hz, sweep.start_hz)
        self._set_unit()

    def slowed(self, top_hz: float) -> "Deconvolution":
        """The same at a rate of twice a frequency: for what moves far more slowly than that."""
        slow = copy.copy(self)
        bins = int(top_hz * self.count / self.rate_hz) + 1
        slow.count = 2 * (bins - 1)
        slow.rate_hz = self.rate_hz * slow.count / self.count
        share = slow.count / self.count  # of the samples over which a spectrum adds up
        slow.drive = self.drive[:bins] * share
        slow.frequency_hz = self.frequency_hz[:bins]
        slow.power = self.power[:bins] * share**2
        slow._floor = self._floor[:bins] * share**2
        slow._set_unit()
        return slow

    def impulse(self, response: Samples) -> Samples:
        """Impulse response with the harmonics before it; lag 0 first, negative lags at the end."""
        spectrum = scipy.fft.rfft(response, self.count)
        quotient = spectrum * np.conj(self.drive) / (self.power + self._floor)
        return np.asarray(scipy.fft.irfft(quotient, self.count))

    def swept_band(self, sweep: ExponentialSweep) -> tuple[float, float]:
        """First and last frequency that the drive really excites, Hz."""
        width = max(int(0.02 * sweep.start_hz * self.count / self.rate_hz), 1)
        smooth = np.convolve(self.power, np.ones(width) / width, mode="same")
        strong = smooth * self.frequency_hz > _EDGE_POWER * self._level
        near = (self.frequency_hz > 0.9 * sweep.start_hz) & (
            self.frequency_hz < 1.1 * sweep.stop_hz
        )
        bins = np.flatnonzero(strong & near)
        return float(self.frequency_hz[bins[0]]), float(self.frequency_hz[bins[-1]])

    def part(self, impulse: Samples, lag_s: float, before_s: float, after_s: float) -> Part:
        """The quotient around a lag, through a window that reaches so far before and after it."""
        window = self._window(before_s, after_s)
        shift = round(lag_s * self.rate_hz)
        return Part(
            spectrum=scipy.fft.rfft(np.roll(impulse, -shift) * window),
            unit=scipy.fft.rfft(self.unit * window),
            energy=sum_of_squares(window),
            shift=shift,
        )

    def replay(self, part: Part) -> Samples:
        """What a part makes of the drive."""
        return np.roll(scipy.fft.irfft(part.spectrum * self.drive, self.count), part.shift)

    def passed(self, part: Part, volts: Samples) -> Samples:
        """What a part makes of something else than the drive, shape (n,) as that."""
        spectrum = part.spectrum * scipy.fft.rfft(volts, self.count)
        return np.roll(scipy.fft.irfft(spectrum, self.count), part.shift)[: volts.size]

    def _set_unit(self) -> None:
        """The drive's own impulse response."""
        self.unit = scipy.fft.irfft(self.power / (self.power + self._floor), self.count)

    def _window(self, before_s: float, after_s: float) -> Samples:
        """Flat over the inner half to each side of lag 0, then a half cosine to 0."""
        time = np.arange(self.count) / self.rate_hz
        span = self.count / self.rate_hz
        time = np.where(time > span / 2, time - span, time)
        outwards = np.where(time < 0.0, -time / before_s, time / after_s)
        return np.asarray(0.5 + 0.5 * np.cos(np.pi * np.clip(2 * outwards - 1, 0.0, 1.0)))


def take_apart(
    tool: Deconvolution, record: Samples, sweep: ExponentialSweep
) -> tuple[Part, dict[int, Part]]:
    """The linear part of a response, which lies where it is strongest, and the harmonics by order."""
    impulse = tool.impulse(record)
    return parts_at(tool, impulse, sweep, _lag(tool, record, impulse, sweep) / tool.rate_hz)


def parts_at(
    tool: Deconvolution, impulse: Samples, sweep: ExponentialSweep, delay_s: float
) -> tuple[Part, dict[int, Part]]:
    """The parts that an impulse response has where the linear one comes after so many seconds."""
    harmonics = {}
    for k in _ORDERS:
        to_next = sweep.growth_s * np.log((k + 1) / k)
        to_last = sweep.growth_s * np.log(k / (k - 1))
        harmonics[k] = tool.part(
            impulse,
            delay_s - sweep.harmonic_advance_s(k),
            float(min(_GAP_SHARE * to_next, _LONGEST_HARMONIC_S)),
            float(min(_GAP_SHARE * to_last, _LONGEST_HARMONIC_S)),
        )
    return linear_at(tool, impulse, sweep, delay_s), harmonics


def linear_at(
    tool: Deconvolution, impulse: Samples, sweep: ExponentialSweep, delay_s: float
) -> Part:
    """The linear one alone."""
    return tool.part(impulse, delay_s, _before_s(sweep), LONGEST_AFTER_S)


def _before_s(sweep: ExponentialSweep) -> float:
    """How far the linear response's window reaches before it, clear of the second harmonic, s."""
    return min(_GAP_SHARE * sweep.harmonic_advance_s(2), _LONGEST_BEFORE_S)


def _lag(tool: Deconvolution, record: Samples, impulse: Samples, sweep: ExponentialSweep) -> int:
    """Samples by which the response comes after the drive, from the peak of its impulse response.

    A strong harmonic's may be higher, where little of the sweep is divided by less: so a peak as
    early as one must follow the drive as well.
    """
    early, clear = int(_MOST_EARLY_S * tool.rate_hz), int(_before_s(sweep) * tool.rate_hz)
    late = int(LONGEST_AFTER_S * tool.rate_hz)
    size = np.abs(np.concatenate([impulse[-early:], impulse[:late]]))
    peaks = {int(np.argmax(size)) - early, int(np.argmax(size[early - clear :])) - clear}
    if len(peaks) == 1:
        return peaks.pop()
    drive = scipy.fft.irfft(tool.drive, tool.count)
    return max(peaks, key=lambda lag: abs(float(record @ np.roll(drive, lag)[: record.size])))


def rest_of(
    tool: Deconvolution, record: Samples, linear: Part, harmonics: Mapping[int, Part]
) -> Samples:
    """The record without what the parts make of the drive."""
    made = tool.replay(linear)
    for part in harmonics.values():
        made += tool.replay(part)
    return np.asarray(record - made[: record.size])


def read(
    tool: Deconvolution, part: Part, noise: Spectral, frequency_hz: Spectral
) -> tuple[Phasors, Spectral]:
    """Complex gain of a part at frequencies, and the standard deviation noise leaves in it."""
    bins = np.asarray(frequency_hz) * tool.count / tool.rate_hz
    whole = np.clip(bins.astype(np.int64), 0, part.spectrum.size - 2)
    share = bins - whole
    quotient = part.spectrum / part.unit
    gain = quotient[whole] * (1 - share) + quotient[whole + 1] * share
    power = tool.power[whole] * (1 - share) + tool.power[whole + 1] * share
    density = noise[whole] * (1 - share) + noise[whole + 1] * share
    size = np.abs(part.unit[whole]) / np.sqrt(part.energy)
    return gain, np.sqrt(density / np.maximum(power, 1e-300)) / np.maximum(size, 1e-300)
