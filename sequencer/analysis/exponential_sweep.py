"""Response and harmonic responses from one exponential sweep, drive and response recorded together.

Theory of operation. The response's spectrum divided by the drive's (regularised outside the swept
band) is an impulse response in which harmonic n stands L ln(n) before the linear part; windows take
them apart. A window smooths the spectrum, also across the ends of the swept band, where there is
nothing on the other side. So the drive is divided by itself, windowed the same way, and each result
divided by that: what the window does to a flat response cancels, down to the first swept frequency.

What linear part and harmonics don't explain is noise, hum and drift (sweep_drift). Drift and hum are
fitted there, taken off the response, and all repeated; the rest's spectrum gives the uncertainty: noise
of density s^2 a sample leaves s^2 sum(w^2) / abs(S)^2 in a windowed quotient, whatever the length of
the record.

Neither would show that samples are missing, muted or clicks: the response of what was recorded is a
response, too. So both channels are first looked through for breaks (sweep_breaks).

A harmonic's level refers to the fundamental at the same input frequency: harmonic n of an input at
f is read at n f, over the linear response at f.

References: see sweep_signal.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import ArrayLike

from sequencer.analysis import checks
from sequencer.analysis.arrays import Samples, Spectral, sum_of_squares
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.mains import find_mains, fit_hum
from sequencer.analysis.mains_nominals import NOMINALS_HZ
from sequencer.analysis.response import SAME, ResponsePoint, ResponseResult, analyse_response
from sequencer.analysis.sine_fit import remove_lines
from sequencer.analysis.spectrum import hann
from sequencer.analysis.sweep_breaks import Fault, find_faults
from sequencer.analysis.sweep_drift import Course, find_course
from sequencer.analysis.sweep_parts import (
    LONGEST_AFTER_S,
    Deconvolution,
    Part,
    linear_at,
    parts_at,
    read,
    rest_of,
    take_apart,
)
from sequencer.analysis.sweep_signal import (
    AT_BORDER,
    ExponentialSweep,
    begins_up,
    begins_within,
    ends_of_sweep,
    fades_of_sweep,
    find_sweep,
    interrupted,
    is_chosen,
    require_whole_record,
    steady_end,
)
from sequencer.analysis.sweep_silence import find_clicks_beside
from sequencer.analysis.tone_unrest import Click

__all__ = [
    "ExponentialSweep",
    "HarmonicResponse",
    "SweepResult",
    "analyse_exponential_sweep",
]

_LEAST_QUIET_S = 0.04
# By which it may come before: what converters differ by, and a band that ends shifts a peak.
_LEAST_LEAD_S = 2e-4
_LEAD_CYCLES = 0.5  # of the last frequency
_LEAST_ADVANCE_S = 0.03  # of the second harmonic: below, its window can't hold a low frequency
_STEPS_AN_OCTAVE = 24
_CLEAR_OF_END = 0.8  # of the last frequency
_DIES_AWAY_S = 0.1  # the longest that a response may take to, where none is seen
_CLEAR_OF_CUT = 0.8  # of the frequency that the record ends at
_LEAST_SHARE = 0.5  # of the response's AC power that the sweep must explain
_SURE_SHARE = 0.05  # of it: less may be noise
_PLACES = 3  # of clicks, named in a refusal
# By which clicks may move the gain, counted in its doubt: a tenth of the finest limits set for it
# (common practice, no source).
_SMALL_DB = 0.01
_FALSE_LINE = 9.21  # |c|^2 over its noise that noise exceeds once in 10^4: -ln(10^-4)
_NOISE_SEGMENT = 2**14
# What windows and regularisation do to a response that isn't flat: within 0.003 dB from 20 Hz to
# 20 kHz in simulations of 0.5 to 10 s (first-order corners at 1.6 Hz and 95 kHz), as a rectangle.
_METHOD_DB = 0.003 / float(np.sqrt(3))


@dataclass(frozen=True, slots=True, kw_only=True)
class HarmonicResponse:
    """One harmonic over input frequency, as a fraction of the fundamental (1).

    ratio is NaN where noise could be it; upper_bound (95 %, one-sided) is given everywhere.
    """

    order: int
    frequency_hz: Spectral
    ratio: Spectral
    uncertainty: Spectral
    upper_bound: Spectral


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepResult:
    """Linear response, phase (rad, response relative to drive), harmonics by order, and the sweep.

    response holds gain, flatness and band edges at 24 points an octave; phase_rad belongs to its
    frequencies. Where is_band_cut the sweep does not cover the band whose flatness was asked for:
    response has that of the rest, and the whole is at least as uneven. drift_v is how far a slow course
    beside the response, which was taken off, moved about its middle; None without one. clicks, by
    channel, are too small to spoil the gain, and in its doubt and the harmonics'. Where is_end_missing
    the record ends before the response has died away; what that does to the gain is in its doubt.
    """

    response: ResponseResult
    phase_rad: Spectral
    harmonics: Mapping[int, HarmonicResponse]
    sweep: ExponentialSweep
    is_band_cut: bool
    drift_v: float | None
    clicks: Mapping[str, tuple[Click, ...]]
    is_end_missing: bool = False

    def worst_distortion(self) -> tuple[float, float]:
        """Largest root sum of squares of the harmonics seen (1), and the frequency where, Hz.

        Each as far as it lies clear of the end of the sweep, where nothing beside it steadies it.
        """
        frequency_hz = max((h.frequency_hz for h in self.harmonics.values()), key=np.size)
        if not frequency_hz.size:
            return 0.0, self.sweep.start_hz
        squares = np.zeros(frequency_hz.size)
        for harmonic in self.harmonics.values():  # each begins with the first frequency
            clear = (
                harmonic.order * harmonic.frequency_hz
                < _CLEAR_OF_END * self.response.frequency_hz[-1]
            )
            squares[: clear.size] += np.where(clear, np.nan_to_num(harmonic.ratio), 0.0) ** 2
        worst = int(np.argmax(squares))
        return float(np.sqrt(squares[worst])), float(frequency_hz[worst])


def analyse_exponential_sweep(
    drive: ArrayLike,
    response: ArrayLike,
    sample_rate_hz: float,
    *,
    sweep: ExponentialSweep | None = None,
    reference_hz: float = 1000.0,
    band_hz: tuple[float, float] = (20.0, 20000.0),
    mains_hz: float | None = 50.0,
    is_overrange: bool = False,
    range_peak_v: float | None = None,
) -> SweepResult:
    """Gain over frequency with harmonics 2 to 5 from a recorded sweep.

    Parameters
    ----------
    drive, response : shape (n,) each, V, sampled together; silence of 0.3 s after the sweep
    sweep : as played, found in the drive by default; both forms (plain, synchronised) will do
    reference_hz : what the relative gain refers to, if it was swept, else the middle of the sweep
    band_hz : where flatness is judged, as far as it was swept
    mains_hz : nominal, as said; None takes 50 or 60, whichever's hum is in the response
    range_peak_v : full scale of both channels, volts peak, where known

    Raises
    ------
    CannotMeasure : a channel is unusable or interrupted, a click moves the gain by more than 0.01 dB
        and twice its doubt, the drive holds no exponential sweep, the record begins within it, it is too
        fast for its lowest frequency, or the response doesn't follow it
    ValueError : channels of different length
    """
    checks.require_band(band_hz, sample_rate_hz)
    source = checks.require_usable(drive, range_peak_v=range_peak_v)
    record = checks.require_usable(response, is_overrange=is_overrange, range_peak_v=range_peak_v)
    if source.size != record.size:
        raise ValueError(f"drive has {source.size} samples, response {record.size}")
    first, last = ends_of_sweep(source, sample_rate_hz)
    if first == 0 and last == source.size - 1:  # up all the time: an offset may be what is up
        source = source - np.median(source)
        first, last = ends_of_sweep(source, sample_rate_hz)
    checks.require_no_held_sample(source, first, last + 1)
    checks.require_no_held_sample(record, first, last + 1)
    known = find_sweep(source, sample_rate_hz) if sweep is None else sweep
    _require_slow(known)
    require_whole_record(source, sample_rate_hz, known, (first, last))
    steady, silent = steady_end(source, sample_rate_hz, known, last)
    fades = fades_of_sweep(source, sample_rate_hz, (first, last), steady)
    drive_faults = find_faults(source, sample_rate_hz, known, (first, steady), fades)
    _require_unbroken(drive_faults, "drive", sample_rate_hz)
    source, record = _without_offsets(source, record, sample_rate_hz, (first, last))
    tool = Deconvolution(source, sample_rate_hz, known)
    apart = _take_apart(tool, record, known, mains_hz)
    linear, noise = apart.linear, apart.noise
    begun = [record]  # with and without a course: either may be off at the beginning
    if apart.course is not None:
        record = record - apart.course.volts
        begun.append(record)
    delay = linear.shift
    swept = tool.swept_band(known)
    held_s = (record.size - first - delay) / sample_rate_hz
    held_hz = known.start_hz * float(np.exp(held_s / known.growth_s))  # the response comes to that
    swept = swept[0], _top_held(held_hz, swept[1])
    # a sweep cut off where it passes 0 V looks like a beginning; the response to it isn't at rest then
    if (
        first < AT_BORDER * sample_rate_hz / known.start_hz
        and not is_chosen(known.start_hz)
        and all(begins_up(volts, sample_rate_hz, last + delay) for volts in begun)
    ):
        raise begins_within(known.start_hz)
    ends = first + delay, steady + delay
    faults = find_faults(record, sample_rate_hz, known, ends, fades)
    _require_unbroken(faults, "response", sample_rate_hz)
    _require_effect(delay / sample_rate_hz, known)
    grid = _grid(swept, reference_hz, band_hz)
    gain, doubt = read(tool, linear, noise, grid)
    level = 20 * np.log10(np.abs(gain))
    doubt_db = np.hypot(20 / np.log(10) * doubt / np.sqrt(2) / np.abs(gain), _METHOD_DB)
    if apart.course is not None:
        moved = _moved_by(tool, apart.course.doubt_v, known, grid, delay) / np.abs(gain)
        doubt_db = np.hypot(doubt_db, 20 * np.log10(1.0 + moved))
    is_end_missing = record.size - (last + delay) < _DIES_AWAY_S * sample_rate_hz
    if is_end_missing:
        missing = tool.replay(linear)
        missing[: record.size] = 0.0
        moved = _moved_by(tool, missing, known, grid, delay) / np.abs(gain)
        doubt_db = np.hypot(doubt_db, 20 * np.log10(1.0 + moved))
        doubt_db = np.hypot(doubt_db, _of_cut_db(grid / min(known.stop_hz, held_hz)))
    drive_faults += find_clicks_beside(source, sample_rate_hz, (first, silent))
    faults += find_clicks_beside(record, sample_rate_hz, (first + delay, silent + delay))
    strays: Mapping[int, Part] = {}
    if drive_faults:
        moved = _moved_by(tool, _clicks_of(drive_faults, record.size), known, grid, 0)
        doubt_db = _with_clicks(drive_faults, "drive", sample_rate_hz, grid, moved, doubt_db)
    if faults:
        moved = _moved_by(tool, _clicks_of(faults, record.size), known, grid, delay) / np.abs(gain)
        doubt_db = _with_clicks(faults, "response", sample_rate_hz, grid, moved, doubt_db)
    if drive_faults or faults:
        stray = _clicks_of(faults, record.size)
        stray -= tool.passed(linear, _clicks_of(drive_faults, record.size))
        strays = parts_at(tool, tool.impulse(stray), known, delay / sample_rate_hz)[1]
    points = [
        ResponsePoint(frequency_hz=float(f), gain_db=float(g), uncertainty_db=float(u))
        for f, g, u in zip(grid, level, doubt_db, strict=True)
    ]
    middle = reference_hz if grid[0] <= reference_hz <= grid[-1] else float(grid[grid.size // 2])
    judged = (max(band_hz[0], float(grid[0])), min(band_hz[1], float(grid[-1])))
    if judged[0] >= judged[1]:
        raise CannotMeasure(
            "band_too_narrow",
            f"the sweep covers {grid[0]:.4g} to {grid[-1]:.5g} Hz and nothing of the band "
            f"{band_hz[0]:g} to {band_hz[1]:g} Hz",
            "sweep the band that is asked for, from an octave below it",
        )
    return SweepResult(
        response=analyse_response(points, reference_hz=middle, band_hz=judged),
        phase_rad=np.unwrap(np.angle(gain) - 2 * np.pi * grid * delay / sample_rate_hz),
        harmonics={
            k: _harmonic(tool, p, linear, noise, grid, k, strays.get(k))
            for k, p in apart.harmonics.items()
        },
        sweep=known,
        is_band_cut=judged[0] > band_hz[0] * (1.0 + SAME) or judged[1] < band_hz[1] * (1.0 - SAME),
        drift_v=None if apart.course is None else apart.course.moved_v,
        clicks={
            "drive": _clicks_in(drive_faults, sample_rate_hz),
            "response": _clicks_in(faults, sample_rate_hz),
        },
        is_end_missing=is_end_missing,
    )


def _without_offsets(
    drive: Samples, response: Samples, sample_rate_hz: float, ends: tuple[int, int]
) -> tuple[Samples, Samples]:
    """Both channels less what they show before the sweep, or at the end where it starts at once.

    Not less their means: the mean of a sweep isn't 0, and what passes an amplifier's high-pass isn't
    the same as what doesn't.
    """
    first, last = ends
    least = int(_LEAST_QUIET_S * sample_rate_hz)
    settled = last + int(LONGEST_AFTER_S * sample_rate_hz)
    margin = least // 4  # where it fades in
    if first - margin >= least:
        quiet = slice(0, first - margin)
    elif drive.size - settled >= least:
        quiet = slice(settled, drive.size)
    else:
        return drive, response
    return drive - np.mean(drive[quiet]), response - np.mean(response[quiet])


def _require_slow(sweep: ExponentialSweep) -> None:
    advance_s = sweep.harmonic_advance_s(2)
    if advance_s < _LEAST_ADVANCE_S:
        least_s = sweep.duration_s * _LEAST_ADVANCE_S / advance_s
        raise CannotMeasure(
            "too_short",
            f"in a sweep of {sweep.duration_s:.3g} s the second harmonic lies only "
            f"{advance_s * 1e3:.3g} ms before the response and can't be told from it",
            f"sweep for {least_s:.2g} s at least, better 2 s or more",
        )


def _require_unbroken(faults: Sequence[Fault], channel: str, sample_rate_hz: float) -> None:
    for fault in faults:
        if fault.click is None:
            raise interrupted(f"the {channel} is interrupted", fault.at / sample_rate_hz)


def _moved_by(
    tool: Deconvolution, volts: Samples, sweep: ExponentialSweep, grid: Spectral, shift: int
) -> Spectral:
    """What something in a channel, worth as much as a response, would be as part of the gain."""
    part = linear_at(tool, tool.impulse(volts), sweep, shift / tool.rate_hz)
    return np.abs(read(tool, part, np.zeros(part.spectrum.size), grid)[0])


def _clicks_in(faults: Sequence[Fault], sample_rate_hz: float) -> tuple[Click, ...]:
    return tuple(
        Click(at_s=fault.at / sample_rate_hz, size_v=float(np.max(np.abs(fault.click))))
        for fault in faults
        if fault.click is not None
    )


def _clicks_of(faults: Sequence[Fault], count: int) -> Samples:
    """A record of clicks alone, V."""
    clicks = np.zeros(count)
    for fault in faults:
        if fault.click is not None:
            clicks[fault.begin : fault.begin + fault.click.size] += fault.click
    return clicks


def _with_clicks(
    faults: Sequence[Fault],
    channel: str,
    sample_rate_hz: float,
    grid: Spectral,
    moved: Spectral,
    doubt_db: Spectral,
) -> Spectral:
    """The doubt with clicks in it; refused where they move the gain by a lot, and twice that without.

    Parameters
    ----------
    moved : relative to the gain, at the frequencies of the grid
    """
    moved_db = 20 * np.log10(1.0 + moved)
    excess = moved_db / np.maximum(2.0 * doubt_db, _SMALL_DB)
    worst = int(np.argmax(excess))
    if excess[worst] > 1.0:
        places = ", ".join(f"{fault.at / sample_rate_hz:.4g} s" for fault in faults[:_PLACES])
        more = ", ..." if len(faults) > _PLACES else ""
        raise CannotMeasure(
            "dropout",
            f"the {channel} has a click at {places}{more} of the record, which moves the gain at "
            f"{grid[worst]:.4g} Hz by {moved_db[worst]:.2g} dB",
            "record again; look for a loose connection, or for what is switched nearby",
        )
    return np.asarray(np.hypot(doubt_db, moved_db))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Apart:
    """A response's parts, the density of what is left, and what was taken off before.

    noise is in V^2 a sample, at the tool's bins.
    """

    linear: Part
    harmonics: Mapping[int, Part]
    noise: Spectral
    course: Course | None


def _take_apart(
    tool: Deconvolution, record: Samples, sweep: ExponentialSweep, mains_hz: float | None
) -> _Apart:
    """A response less its slow course and hum, taken apart."""
    linear, harmonics = take_apart(tool, record, sweep)
    rest = rest_of(tool, record, linear, harmonics)
    course = find_course(tool, record, record - rest, linear, sweep)
    if course is not None:
        record = record - course.volts
        linear, harmonics = take_apart(tool, record, sweep)
        rest = rest_of(tool, record, linear, harmonics)
    _require_following(tool, record, rest, sweep)
    mains = find_mains(rest, tool.rate_hz, NOMINALS_HZ if mains_hz is None else [mains_hz])
    if mains is not None and mains.is_seen:
        hum = fit_hum(rest, tool.rate_hz, mains.value_hz).fit
        quiet = remove_lines(record, tool.rate_hz, replace(hum, offset_v=0.0))
        linear, harmonics = take_apart(tool, quiet, sweep)
        rest = rest_of(tool, quiet, linear, harmonics)
    return _Apart(linear=linear, harmonics=harmonics, noise=_density(tool, rest), course=course)


def _require_following(
    tool: Deconvolution, record: Samples, rest: Samples, sweep: ExponentialSweep
) -> None:
    """Refuse (no_signal) a response most of which is not made of the drive."""
    share = _share_without(record, rest)
    if share < _LEAST_SHARE:
        # The parts hold so much of any noise: of the same one backwards, which follows no drive.
        backwards = np.ascontiguousarray(record[::-1])
        by_chance = _share_without(
            backwards, rest_of(tool, backwards, *take_apart(tool, backwards, sweep))
        )
        share = (share - by_chance) / max(1.0 - by_chance, 1e-300)
        follows = f"follows the drive with {share:.2g} of its power only"
        raise CannotMeasure(
            "no_signal",
            f"the response {follows if share > _SURE_SHARE else 'does not follow the drive'}",
            "check the connection of the second channel, or raise the level",
        )


def _share_without(record: Samples, rest: Samples) -> float:
    """How much of a record's power is not in the rest of it."""
    return max(1.0 - sum_of_squares(rest) / max(sum_of_squares(record), 1e-300), 0.0)


def _require_effect(delay_s: float, sweep: ExponentialSweep) -> None:
    """Refuse (wrong_frequency) a response before its cause."""
    if -delay_s > max(_LEAST_LEAD_S, _LEAD_CYCLES / sweep.stop_hz):
        raise CannotMeasure(
            "wrong_frequency",
            f"the response comes {-delay_s * 1e3:.3g} ms before the drive: are the channels swapped?",
            "swap the channels; if they aren't, record both with one converter",
        )


def _top_held(held_hz: float, top_hz: float) -> float:
    """The last frequency that can be read, Hz, where a record may end before the response to it does.

    Parameters
    ----------
    held_hz : where the response has come to at the end of the record
    """
    return top_hz if held_hz >= top_hz * (1.0 - SAME) else _CLEAR_OF_CUT * held_hz


def _of_cut_db(share: Spectral) -> Spectral:
    """What isn't known of the gain where the response is cut off, by the share of the last frequency.

    By simulation of first-order filters at 15 to 42 kHz with 0 to 10 ms of latency.
    """
    return np.select([share > 0.55, share > 0.1], [0.1, 0.03], 0.0)


def _density(tool: Deconvolution, rest: Samples) -> Spectral:
    """Variance a sample of noise as dense as the rest is at each bin of the tool, V^2.

    From Hann segments, half overlapped; two of them at least.
    """
    length = min(_NOISE_SEGMENT, max(rest.size // 2, 16))
    window = hann(length)
    segments = np.lib.stride_tricks.sliding_window_view(rest, length)[:: max(length // 2, 1)]
    lines = scipy.fft.rfft(segments * window, axis=1)
    power = np.mean(lines.real**2 + lines.imag**2, axis=0) / sum_of_squares(window)
    bins = np.arange(power.size) * tool.rate_hz / length
    return np.asarray(np.interp(tool.frequency_hz, bins, power))


def _grid(
    swept: tuple[float, float], reference_hz: float, band_hz: tuple[float, float]
) -> Spectral:
    """24 points an octave around the reference, with the ends of the sweep and of the band."""
    low, high = swept
    first = int(np.ceil(_STEPS_AN_OCTAVE * np.log2(low / reference_hz)))
    last = int(np.floor(_STEPS_AN_OCTAVE * np.log2(high / reference_hz)))
    points = reference_hz * 2.0 ** (np.arange(first, last + 1) / _STEPS_AN_OCTAVE)
    ends = [f for f in (low, high, *band_hz) if low <= f <= high]
    return np.unique(np.concatenate([points, ends]))


def _harmonic(
    tool: Deconvolution,
    part: Part,
    linear: Part,
    noise: Spectral,
    grid: Spectral,
    order: int,
    stray: Part | None,
) -> HarmonicResponse:
    """A harmonic at those input frequencies whose multiple was swept too; stray is what clicks add."""
    chosen = grid[grid * order <= grid[-1]]
    line, doubt = read(tool, part, noise, order * chosen)
    base = np.abs(read(tool, linear, noise, chosen)[0])
    power = np.abs(line) ** 2
    level = np.sqrt(np.maximum(power - doubt**2 / 2, 0.0)) / base
    added = np.zeros(chosen.size)
    if stray is not None:
        added = np.abs(read(tool, stray, np.zeros(noise.size), order * chosen)[0])
    spread = np.hypot(doubt / np.sqrt(2), added) / base
    return HarmonicResponse(
        order=order,
        frequency_hz=chosen,
        ratio=np.where(power > _FALSE_LINE * (doubt**2 + added**2), level, np.nan),
        uncertainty=spread,
        upper_bound=level + 1.645 * spread + np.where(level < 2 * spread, spread, 0.0),
    )
