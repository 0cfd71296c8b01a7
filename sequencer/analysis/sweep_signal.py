"""Exponential sweeps: their formulas, their samples, and how one is recognised in a record.

x(t) = sin(2 pi f1 L (exp(t/L) - 1)) runs from f1 to f2 in T with L = T / ln(f2/f1). A system that
makes harmonic n of it answers with the same sweep, L ln(n) earlier: so one deconvolution takes the
harmonics apart in time. If f1 L is a whole number, the harmonics' phases agree as well.

References
----------
A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine
technique", 108th AES Convention, 2000.
A. Novak, P. Lotton, L. Simon, "Synchronized swept-sine: theory, application and implementation",
J. Audio Eng. Soc. 63, 2015 (and the rounding of f1 L in their work of 2010).
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples, sum_of_squares
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.mains import find_mains, fit_hum
from sequencer.analysis.sine_fit import remove_lines
from sequencer.analysis.sweep_tops import require_whole_tops

__all__ = [
    "AT_BORDER",
    "ExponentialSweep",
    "begins_up",
    "begins_within",
    "ends_of_sweep",
    "fades_of_sweep",
    "find_sweep",
    "interrupted",
    "is_chosen",
    "require_whole_record",
    "steady_end",
]

_GRID = 2000
_TRIM = 0.04  # of the sweep at each end, where it fades and the analytic signal is rough
_LEAST_S = 0.2
_LEAST_SAMPLES = 256
_LEAST_RATIO = 3.0
_STRAY_RAD = 0.4
# A band edge in the drive's way turns its phase by so much at most, and never from one point of the grid
# to the next as a loss does; what is lost where the sweep is slow, sweep_breaks finds.
_BENT_RAD = 1.6
_BENT_A_POINT_RAD = 0.01
_STEPS = 30
_PADDED = 8
_UP = 0.5  # of the median envelope: below, a muted drive has no phase
_HELD_S = 0.005  # in which what is part of a sweep, and no click beside it, is up
_HELD = 0.125  # of that time at least
_LOW, _HIGH = 0.05, 0.7  # of the peak, between which a fade is timed; half of a sine is above
_STEP_S = 0.001  # in which a sweep that doesn't fade out is still up before its end
_FADED = 0.3  # of its peak at most in that time, where it does
AT_BORDER = 0.1
"""Of a cycle: what of a sine lies below a twentieth of it, and more for an offset."""
_OVER_NOISE = 5.0  # standard deviations
_CHOSEN = 1e-3
_LEAST_QUIET = 32  # samples, for a mean and a deviation
_SILENT = 1e-3  # of its peak
_RING_S = 0.005  # of filters, after a step
_LONGEST_FADE_S = 0.1  # below a twentieth of the peak
_LAGS = 8  # samples
_BESIDE_HUM = 0.3  # of the drive: noise, where it is nothing but hum
_UNRELATED = 0.1  # correlation with the samples before, at most: noise
_BREAK_POINTS = 20  # of the grid, from one trial to the next
_ROUGH_CYCLES = 3.0  # about a break, where the analytic signal rings
_FEWEST_CYCLES = 2 * _ROUGH_CYCLES  # to each side; with fewer left two pieces fit any chirp
_BREAK_STEPS = 4  # of Gauss-Newton, from an L that the loss has moved little


@dataclass(frozen=True, slots=True, kw_only=True)
class ExponentialSweep:
    """A sweep by its first and last frequency and its duration."""

    start_hz: float
    stop_hz: float
    duration_s: float

    def __post_init__(self) -> None:
        """Refuse frequencies out of order and a duration that isn't positive."""
        if not (0.0 < self.start_hz < self.stop_hz and self.duration_s > 0.0):
            raise ValueError(
                f"sweep from {self.start_hz:g} Hz to {self.stop_hz:g} Hz in {self.duration_s:g} s: "
                "expected rising frequencies and a positive duration"
            )

    @classmethod
    def synchronised(
        cls, *, start_hz: float, stop_hz: float, duration_s: float
    ) -> "ExponentialSweep":
        """The sweep nearest in duration with a whole number f1 L (Novak 2010)."""
        plain = cls(start_hz=start_hz, stop_hz=stop_hz, duration_s=duration_s)
        growth_s = max(round(start_hz * plain.growth_s), 1) / start_hz
        exact_s = growth_s * float(np.log(stop_hz / start_hz))
        return cls(start_hz=start_hz, stop_hz=stop_hz, duration_s=exact_s)

    @property
    def growth_s(self) -> float:
        """L, the time in which the frequency grows by e, s."""
        return self.duration_s / float(np.log(self.stop_hz / self.start_hz))

    @property
    def cycles(self) -> float:
        """Cycles in the whole sweep."""
        return self.growth_s * (self.stop_hz - self.start_hz)

    def harmonic_advance_s(self, order: int) -> float:
        """How much earlier than the linear response a harmonic's response appears, L ln(n), s."""
        return self.growth_s * float(np.log(order))

    def samples(self, sample_rate_hz: float, *, peak_v: float = 1.0, fade: float = 0.02) -> Samples:
        """The sweep's samples, peak_v high, faded in and out over a part of its duration.

        Raises
        ------
        ValueError : the sweep ends above half the sample rate, or fade isn't within 0 to 0.5
        """
        if self.stop_hz > sample_rate_hz / 2:
            raise ValueError(
                f"stop_hz {self.stop_hz:g} Hz lies above half of {sample_rate_hz:g} samples/s"
            )
        if not 0.0 <= fade <= 0.5:
            raise ValueError(f"fade must lie between 0 and 0.5, got {fade:g}")
        count = round(self.duration_s * sample_rate_hz)
        time = np.arange(count) / sample_rate_hz
        phase = 2 * np.pi * self.start_hz * self.growth_s * np.expm1(time / self.growth_s)
        to_end = np.minimum(time, self.duration_s - time) / max(fade * self.duration_s, 1e-12)
        weight = np.where(to_end < 1.0, 0.5 - 0.5 * np.cos(np.pi * np.clip(to_end, 0, 1)), 1.0)
        return np.asarray(peak_v * weight * np.sin(phase))


def find_sweep(drive: Samples, sample_rate_hz: float) -> ExponentialSweep:
    """The exponential sweep that a record holds, by the phase of its analytic signal.

    Its ends are where the drive passes a twentieth of its peak.

    The phase of a sweep is a + b exp(t/L): fitted by least squares where the envelope is up.

    Raises
    ------
    CannotMeasure : no_signal (nothing but noise), too_short, wrong_frequency (something else than
        such a sweep), dropout (the phase steps somewhere), overrange (its tops are cut off)
    """
    first, phase, envelope = _phase(drive, sample_rate_hz)
    _require_more_than_noise(drive)
    trim = int(_TRIM * phase.size)
    step = max((phase.size - 2 * trim) // _GRID, 1)
    chosen = phase[trim : phase.size - trim : step]
    time = (trim + step * np.arange(chosen.size)) / sample_rate_hz
    is_up = envelope[trim : phase.size - trim : step] > _UP * float(np.median(envelope))
    try:
        growth_s = _first_growth(time, chosen, is_up)
    except CannotMeasure:
        _require_more_than_hum(drive, sample_rate_hz)
        raise
    to_end, whole = time - time[-1], np.ones((time.size, 1))
    growth_s, rest = _fitted_growth(to_end, chosen, growth_s, whole, _STEPS)
    stray_rad = float(np.max(np.abs(rest - np.median(rest))))
    steepest_rad = float(np.max(np.abs(np.diff(rest))))
    is_bent = stray_rad < _BENT_RAD and steepest_rad < _BENT_A_POINT_RAD
    strays = stray_rad >= _STRAY_RAD and not is_bent
    if strays:
        _require_unbroken(time, chosen, rest, is_up, growth_s, first / sample_rate_hz)
    require_whole_tops(phase, envelope, sample_rate_hz)
    if strays:
        raise _no_sweep(f"its phase strays by {stray_rad:.2g} rad from that of one")
    scale = np.exp(time / growth_s)
    slope = float(np.polyfit(scale, chosen, 1)[0]) / (2 * np.pi * growth_s)
    begin, last = ends_of_sweep(drive, sample_rate_hz)
    earlier_s = (first - begin) / sample_rate_hz
    duration_s = (last + 1 - begin) / sample_rate_hz
    start_hz = slope * float(np.exp(-earlier_s / growth_s))
    return ExponentialSweep(
        start_hz=start_hz,
        stop_hz=start_hz * float(np.exp(duration_s / growth_s)),
        duration_s=duration_s,
    )


def ends_of_sweep(drive: Samples, sample_rate_hz: float) -> tuple[int, int]:
    """First and last sample of a drive above a twentieth of its peak, clicks beside it left out."""
    size = np.abs(drive)
    return _held_ends(size > _LOW * _held_peak(size, sample_rate_hz), sample_rate_hz)


def fades_of_sweep(
    drive: Samples, sample_rate_hz: float, ends: tuple[int, int], steady: int
) -> tuple[float, float]:
    """Samples over which a drive fades in and out, as halves of a Hann window; infinite: it doesn't.

    Parameters
    ----------
    ends : first and last sample above a twentieth of its peak
    steady : last sample before a step, if one ends it
    """
    size = np.abs(drive)
    first, last = _held_ends(size > _HIGH * _held_peak(size, sample_rate_hz), sample_rate_hz)
    share = (np.arccos(1.0 - 2.0 * _HIGH) - np.arccos(1.0 - 2.0 * _LOW)) / np.pi
    fade_out = (ends[1] - last) / share if steady >= ends[1] else np.inf
    return float((first - ends[0]) / share), float(fade_out)


def steady_end(
    drive: Samples, sample_rate_hz: float, sweep: ExponentialSweep, last: int
) -> tuple[int, int]:
    """Last sample of a sweep that goes on without a step, and first sample of the silence after it.

    One that fades out goes on beyond its last sample above a twentieth of its peak; one that doesn't
    ends with a step, which rings for a few ms in whatever it passes.

    Parameters
    ----------
    last : the last sample above a twentieth of the peak
    """
    near = round(max(_STEP_S, 1.0 / sweep.stop_hz) * sample_rate_hz)
    before = np.abs(drive[max(last + 1 - near, 0) : last + 1])
    peak = float(np.quantile(np.abs(drive[: last + 1]), 0.9))
    if float(np.median(before)) > _FADED * peak:
        return last - 2 * near, last + round(_RING_S * sample_rate_hz)
    after = drive[last + 1 :]
    steps = after[: after.size // near * near].reshape(-1, near)
    levels = np.std(steps, axis=1)
    most = max(2.0 * float(np.median(levels)), _SILENT * peak) if levels.size else 0.0
    quiet = np.flatnonzero(levels[: round(_LONGEST_FADE_S / _STEP_S)] <= most)
    end = last + 1 + (int(quiet[0]) + 1) * near if quiet.size else last + 1
    return end - 1, end


def require_whole_record(
    drive: Samples, sample_rate_hz: float, sweep: ExponentialSweep, ends: tuple[int, int]
) -> None:
    """Refuse (too_short) a record that begins within its sweep.

    The response goes on with what came before. A sweep begins at 0 V, or fades in; what is a step at
    once isn't a beginning, but where it begins at a frequency that people choose (a cosine). At the
    other end a sweep may well stop with a step, and with the record.

    Parameters
    ----------
    ends : first and last sample above a twentieth of the peak
    """
    first, last = ends
    grown = float(np.exp((last + 1 - first) / sample_rate_hz / sweep.growth_s))
    at_hz = sweep.stop_hz / grown
    if first == 0 and begins_up(drive, sample_rate_hz, last) and not is_chosen(at_hz):
        raise begins_within(at_hz)


def is_chosen(frequency_hz: float) -> bool:
    """Whether it is a number of two digits, as people choose them, within 0.1 %."""
    return abs(float(f"{frequency_hz:.1e}") / frequency_hz - 1.0) < _CHOSEN


def begins_up(volts: Samples, sample_rate_hz: float, last: int) -> bool:
    """Whether a channel's first sample differs from its rest by more than noise or a beginning does.

    Parameters
    ----------
    last : last sample of the sweep in it, after which it is at rest
    """
    after = volts[last + 1 + round(_RING_S * sample_rate_hz) :]
    is_known = after.size >= _LEAST_QUIET
    rest_v, noise_v = (float(np.mean(after)), float(np.std(after))) if is_known else (0.0, 0.0)
    up_v = max(_LOW * _held_peak(np.abs(volts), sample_rate_hz), _OVER_NOISE * noise_v)
    return abs(float(volts[0]) - rest_v) > up_v


def begins_within(at_hz: float) -> CannotMeasure:
    """The refusal of a record that begins after its sweep does."""
    return CannotMeasure(
        "too_short",
        f"the record begins within the sweep, at {at_hz:.4g} Hz",
        "start recording before the sweep begins",
    )


def _held_ends(is_up: NDArray[np.bool_], sample_rate_hz: float) -> tuple[int, int]:
    """First and last sample that is up and beside which enough others are."""
    reach = max(int(_HELD_S * sample_rate_hz), 1)
    before = np.concatenate([np.zeros(reach + 1, np.int32), np.cumsum(is_up, dtype=np.int32)])
    before = np.concatenate([before, np.full(reach, before[-1])])
    count = before[reach:] - before[:-reach]  # in the samples before each
    is_held = count >= _held_samples(sample_rate_hz)
    firsts = np.flatnonzero(is_up & is_held[reach:][: is_up.size])
    lasts = np.flatnonzero(is_up & is_held[1:][: is_up.size])
    if not (firsts.size and lasts.size):
        firsts = lasts = np.flatnonzero(is_up)
    return int(firsts[0]), int(lasts[-1])


def _held_peak(size: Samples, sample_rate_hz: float) -> float:
    """What as many samples reach as are up in a sweep, and no click's."""
    few = min(_held_samples(sample_rate_hz), size.size)
    return float(np.partition(size, -few)[-few])


def _held_samples(sample_rate_hz: float) -> int:
    return max(int(_HELD * _HELD_S * sample_rate_hz), 1)


def interrupted(what: str, at_s: float) -> CannotMeasure:
    """The refusal of a channel with a break at this time of the record; what it is that breaks off."""
    return CannotMeasure(
        "dropout",
        f"{what} {at_s:.4g} s into the record: samples are missing there, muted or disturbed",
        "record again; look for an overloaded connection to the analyser, or a loose one",
    )


def _require_more_than_noise(drive: Samples) -> None:
    """Refuse (no_signal) samples that have nothing to do with those before: a silent channel's."""
    part = drive - np.mean(drive)
    power = sum_of_squares(part)
    shares = [float(part[lag:] @ part[:-lag]) / power for lag in range(1, _LAGS + 1)]
    if max(map(abs, shares)) < _UNRELATED:
        raise CannotMeasure(
            "no_signal",
            f"the drive channel holds nothing but noise, {np.sqrt(power / drive.size):.2g} V",
            "check the connection of the drive channel and that the generator is on",
        )


def _require_more_than_hum(drive: Samples, sample_rate_hz: float) -> None:
    """Refuse (no_signal) a drive of hum and noise."""
    mains = find_mains(drive, sample_rate_hz)
    if mains is None or not mains.is_seen:
        return
    hum = fit_hum(drive, sample_rate_hz, mains.value_hz).fit
    if np.std(remove_lines(drive, sample_rate_hz, hum)) < _BESIDE_HUM * np.std(drive):
        raise CannotMeasure(
            "no_signal",
            f"the drive channel holds nothing but hum of {mains.value_hz:.4g} Hz",
            "check the connection of the drive channel and that the generator is on",
        )


def _phase(drive: Samples, sample_rate_hz: float) -> tuple[int, Samples, Samples]:
    """First sample, unwrapped phase and envelope of the stretch in which the drive is up."""
    # zeros behind it, or a sweep that ends with the record rings at its beginning
    length = scipy.fft.next_fast_len(drive.size + drive.size // _PADDED)
    spectrum = scipy.fft.fft(drive - np.mean(drive), length)
    spectrum[length // 2 + 1 :] = 0.0
    spectrum[1 : (length + 1) // 2] *= 2.0
    analytic = scipy.fft.ifft(spectrum)[: drive.size]
    envelope = np.abs(analytic)
    is_up = envelope > 0.5 * float(np.quantile(envelope, 0.9))
    first, last = _held_ends(is_up, sample_rate_hz)
    last += 1
    if last - first < max(_LEAST_S * sample_rate_hz, _LEAST_SAMPLES):
        raise CannotMeasure(
            "too_short",
            f"the drive channel is up for {(last - first) / sample_rate_hz * 1e3:.3g} ms only",
            "sweep for 2 s or more",
        )
    return first, np.unwrap(np.angle(analytic[first:last])), envelope[first:last]


def _first_growth(time: Samples, phase: Samples, is_up: NDArray[np.bool_]) -> float:
    """L from a straight line through the logarithm of the frequency, s.

    Between equidistant points the mean frequency is the same multiple of the one in the middle.
    """
    both = is_up[1:] & is_up[:-1]
    frequency = np.diff(phase)[both]
    if not frequency.size or np.median(frequency) <= 0.0 or np.mean(frequency > 0.0) < 0.98:
        raise _no_sweep("its frequency doesn't rise steadily")
    rising = frequency > 0.0
    middle = (time[1:] + time[:-1])[both][rising] / 2.0
    slope = float(np.polyfit(middle, np.log(frequency[rising]), 1)[0])
    if slope * (time[-1] - time[0]) < np.log(_LEAST_RATIO):
        raise _no_sweep("its frequency hardly rises")
    return 1.0 / slope


def _fitted_growth(
    time: Samples, phase: Samples, growth_s: float, pieces: Samples, steps: int
) -> tuple[float, Samples]:
    """L by Gauss-Newton on a + b exp(t/L), and the phase left over, rad.

    Parameters
    ----------
    time : 0 near the end, or the exponential overflows
    pieces : shape (times, pieces), of which each has an a and a b of its own; L is common to all
    """
    rest = phase
    for _ in range(steps):
        scale = np.exp(time / growth_s)
        columns = np.hstack([pieces, pieces * scale[:, np.newaxis]])
        linear = np.linalg.lstsq(columns, phase, rcond=None)[0]
        rest = phase - columns @ linear
        by_growth = -(pieces @ linear[pieces.shape[1] :]) * scale * time / growth_s
        full = np.column_stack([columns, by_growth])
        change = float(np.linalg.lstsq(full, rest, rcond=None)[0][-1])
        growth_s *= float(np.exp(np.clip(change, -0.2, 0.2)))
        if abs(change) < 1e-12:
            break
    return growth_s, rest


def _require_unbroken(
    time: Samples,
    phase: Samples,
    rest: Samples,
    is_up: NDArray[np.bool_],
    growth_s: float,
    begin_s: float,
) -> None:
    """Refuse (dropout) a phase that strays from the fit because it jumps at one place."""
    farthest = int(np.argmax(np.abs(rest - np.median(rest))))
    broken = _break(time, phase, is_up, growth_s, farthest)
    if broken is not None:
        raise interrupted("the phase of the drive jumps", begin_s + float(time[broken]))


def _break(
    time: Samples, phase: Samples, is_up: NDArray[np.bool_], growth_s: float, farthest: int
) -> int | None:
    """Where a sweep is continued as it would have gone on later; None where no such place explains it.

    After a loss the phase is again a + b exp(t/L), with the same L: searched for coarsely, then point
    by point. A click strays by itself, at the farthest point.
    """
    ends = _BREAK_POINTS, time.size - _BREAK_POINTS
    if ends[0] >= ends[1]:
        return None

    def worse(at: int) -> float:
        return sum_of_squares(_two_pieces(time, phase, is_up, growth_s, at))

    near = min([*range(*ends, _BREAK_POINTS), min(max(farthest, ends[0]), ends[1] - 1)], key=worse)
    at = min(range(near - _BREAK_POINTS + 2, near + _BREAK_POINTS - 1), key=worse)
    stray = float(np.max(np.abs(_two_pieces(time, phase, is_up, growth_s, at)), initial=0.0))
    return at if stray < _STRAY_RAD else None


def _two_pieces(
    time: Samples, phase: Samples, is_up: NDArray[np.bool_], growth_s: float, at: int
) -> Samples:
    """The phase less a + b exp(t/L) with other a and b from one place on, but for about it, rad.

    Infinite where too few cycles lie on a side to tell.
    """
    cycles = (phase - phase[at]) / (2 * np.pi)
    if min(-cycles[0], cycles[-1]) < _FEWEST_CYCLES:
        return np.full(time.size, np.inf)
    beside = is_up & (np.abs(cycles) > _ROUGH_CYCLES)
    pieces = np.column_stack([np.ones_like(time), np.arange(time.size) >= at])[beside]
    to_end = (time - time[-1])[beside]
    return _fitted_growth(to_end, phase[beside], growth_s, pieces, _BREAK_STEPS)[1]


def _no_sweep(why: str) -> CannotMeasure:
    return CannotMeasure(
        "wrong_frequency",
        f"the drive channel holds no exponential sweep: {why}",
        "record the generator's exponential sweep on the first channel, or swap the channels",
    )
