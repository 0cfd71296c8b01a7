"""A record without signal: noise in three measures, the mains frequency, and the hum lines.

Theory of operation. The mains frequency is found from all hum lines together; mean and lines to 1
kHz are fitted jointly and taken off; the periodogram of the rest is integrated over the band,
plain and A-weighted, and the lines' power is added back. So no window's skirt carries the hum
into the noise, and the noise under a line is known and taken off it. A strong tone that is no hum is
fitted with it, for it would leak into the lines. The mains wanders, by some
millihertz in ten seconds: at 1 kHz a line then turns by a good part of a cycle and would be read low.
A record longer than 4 s is treated in sections of about 3 s, whose powers are averaged.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sequencer.analysis.arrays import Samples, Spectral
from sequencer.analysis.checks import (
    require_band,
    require_duration,
    require_no_flat_run,
    require_usable,
)
from sequencer.analysis.clicks_beside import find_clicks_beside
from sequencer.analysis.dc import SlowRest, fit_with_mains
from sequencer.analysis.dc_steps import DcStep, course_of, find_dc_steps, joined
from sequencer.analysis.drift import LEAST_TONE_HZ, Drift, find_drift
from sequencer.analysis.estimates import Estimate, disturbed
from sequencer.analysis.hum_change import HumChange, find_hum_change
from sequencer.analysis.hum_course import hum_course
from sequencer.analysis.hum_jumps import HumJump, find_hum_jumps, longest_between
from sequencer.analysis.idle_tones import dominant_tone, fit_with_tones, tones_of
from sequencer.analysis.mains import HumLines, find_each_mains
from sequencer.analysis.mains_choice import Hum, choose_hum
from sequencer.analysis.mains_nominals import SEARCH_REACH, nominals_with
from sequencer.analysis.mains_wander import (
    Wander,
    find_wander,
    wandering_frequency,
    wandering_line,
)
from sequencer.analysis.noise import (
    MeanSquare,
    band_mean_square,
    lines_mean_square,
    power_estimate,
)
from sequencer.analysis.noise_change import NoiseChange, find_noise_change
from sequencer.analysis.power_stretches import scatter_of_level
from sequencer.analysis.quasi_peak import noise_468
from sequencer.analysis.resolution import step_over
from sequencer.analysis.sine_fit import LineFit, remove_lines
from sequencer.analysis.tone_unrest import Click
from sequencer.analysis.weighting import a_weighting_power

LEAST_S = 0.2
# Of white noise behind the network of BS.468-4, 0.005 dB lie above 16 kHz, 0.38 dB above 10 kHz.
LEAST_468_RATE_HZ = 32e3
_LEAST_CYCLES = 10.0
_WHOLE_UP_TO_S = 4.0
_SECTION_S = 3.0
_MOST_ROUNDS = 6
_PARTS_OF_ALL = 16
_BESIDE_HUM = 0.2  # of the mains: what its course follows


@dataclass(frozen=True, slots=True, kw_only=True)
class IdleResult:
    """Noise and hum of a record without signal, V rms at the point of measurement.

    The unweighted and the A-weighted noise include the hum lines inside the band. noise_468_weighted_v
    is the quasi-peak reading of ITU-R BS.468-4 over all that its network passes, calibrated to read a
    sine of 1 kHz as its rms value; it has no value below 32000 samples a second.
    hum_lines holds the level at each multiple of the mains frequency up to 1 kHz, the noise under
    it taken off; the multiples count nominal_mains_hz. mains_frequency_hz has no value where the lines
    that stand out (lone_hum_hz, where they should lie) don't tell it; where none does, hum_lines are
    bounds at the best guess. Where the lines are those of another mains than was said, other_mains_hz
    is its nominal frequency; where the only one lies too far from any (stray_hz), it may be hum or
    not. In both cases hum_lines is empty: all of it would be read beside what is there. hidden_lines
    are multiples too near to a tone of another origin, and its frequency in Hz. mains_range_hz is from
    where to where the mains frequency wanders within the record, where it does: that is in its doubt,
    and what it does to the hum lines in theirs. clicks: what they do is in every doubt.
    steps of the DC are taken off, and are in no reading; noise_change is in the doubt of the noise,
    hum_change in that of the lines, the mains frequency and the noise (the unweighted and the A-weighted
    only where is_hum_change_in_band says so).
    Where all hum lines turn at once (hum_jumps), all is read from the longest stretch between, read_s.
    """

    noise_unweighted_vrms: Estimate
    noise_a_weighted_vrms: Estimate
    noise_468_weighted_v: Estimate
    mains_frequency_hz: Estimate
    hum_lines: Mapping[int, Estimate]
    nominal_mains_hz: float
    other_mains_hz: float | None = None
    lone_hum_hz: tuple[float, ...] = ()
    stray_hz: tuple[float, ...] = ()
    mains_range_hz: float | None = None
    clicks: tuple[Click, ...] = ()
    steps: tuple[DcStep, ...] = ()
    noise_change: NoiseChange | None = None
    hum_change: HumChange | None = None
    is_hum_change_in_band: bool = False
    hum_jumps: tuple[HumJump, ...] = ()
    read_s: tuple[float, float] | None = None
    hidden_lines: Mapping[int, float] = field(default_factory=lambda: MappingProxyType({}))


def analyse_idle(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    nominal_mains_hz: float | None = 50.0,
    band_hz: tuple[float, float] = (20.0, 20000.0),
    is_overrange: bool = False,
    range_peak_v: float | None = None,
) -> IdleResult:
    """Noise and hum of a record taken with the generator silent.

    Parameters
    ----------
    samples : shape (n,), volts; 0.2 s and ten mains cycles or more, 5 s for the accuracy of weak lines
    sample_rate_hz : samples a second
    nominal_mains_hz : as said; None takes 50 or 60 Hz, whichever's hum is in the record
    band_hz : band of the unweighted and of the A-weighted noise
    is_overrange : what the instrument itself says of the record
    range_peak_v : full scale of the converter, volts peak, where known

    Raises
    ------
    CannotMeasure : nonfinite, no_signal (all samples equal), overrange, dropout, too_short,
        band_too_narrow
    """
    record = require_usable(
        samples, is_overrange=is_overrange, range_peak_v=range_peak_v, is_live=True
    )
    require_band(band_hz, sample_rate_hz)
    nominals_hz = nominals_with(nominal_mains_hz)
    require_duration(record, sample_rate_hz, _least_s(nominals_hz[0]), "the hum lines")
    require_no_flat_run(record)
    return _analysed(record, sample_rate_hz, nominal_mains_hz, band_hz)


def _analysed(
    record: Samples,
    sample_rate_hz: float,
    nominal_mains_hz: float | None,
    band_hz: tuple[float, float],
) -> IdleResult:
    """The numbers of a usable record, with what disturbs it in their doubt."""
    nominals_hz = nominals_with(nominal_mains_hz)
    code_v = step_over(record, 0.0)

    def measured(steady: Samples) -> _Measured:
        return _measured(steady, sample_rate_hz, nominal_mains_hz, band_hz)

    steady, steps = _without_moves(record, sample_rate_hz, nominals_hz, code_v=code_v)
    seen = measured(steady)
    mains_hz = seen.result.other_mains_hz or seen.result.nominal_mains_hz
    jumps = find_hum_jumps(steady, sample_rate_hz, seen.result.mains_frequency_hz.value or mains_hz)
    if jumps:
        read_s = longest_between(jumps, record.size / sample_rate_hz, _least_s(mains_hz))
        first, end = (round(at_s * sample_rate_hz) for at_s in read_s)
        part = _analysed(record[first:end], sample_rate_hz, nominal_mains_hz, band_hz)
        return _of_stretch(part, jumps, read_s)
    found = _with_disturbances(record, steady, seen, measured, band_hz)
    if found.hum_change is not None:
        # in what steady lines leave of it there seem to be clicks, steps and louder noise
        hum_v = seen.hum_course(record)
        if hum_v is not None:
            quiet = record - hum_v - seen.tones_v(record.size)
            calm, steps_beside = _without_moves(quiet, sample_rate_hz, nominals_hz, code_v=code_v)
            steady = record - (quiet - calm)
            beside = _with_disturbances(
                record, steady, measured(steady), measured, band_hz, hum_v=hum_v
            )
            if beside.hum_change is not None:
                found, steps = beside, steps_beside
    return replace(found, steps=steps)


def _with_disturbances(
    record: Samples,
    steady: Samples,
    seen: "_Measured",
    measured: Callable[[Samples], "_Measured"],
    band_hz: tuple[float, float],
    *,
    hum_v: Samples | None = None,
) -> IdleResult:
    """The numbers of a record whose DC is steady, with clicks and what changes in their doubt.

    Parameters
    ----------
    record : as it was recorded
    seen : what is measured of steady
    hum_v : the course of the hum, if it was followed; else what its steady lines leave counts as noise
    """
    result, rate_hz = seen.result, seen.sample_rate_hz
    mains_hz = result.other_mains_hz or result.nominal_mains_hz

    def rests(*, has_tones: bool) -> NDArray[np.float64]:
        if hum_v is None:
            return seen.rests(has_tones=has_tones)
        return seen.beside(steady - hum_v, has_tones=has_tones)

    bare = rests(has_tones=False)
    # with what steady lines leave of hum that changes
    left = bare if hum_v is None else seen.rests(has_tones=False)
    peak_v = float(np.abs(steady).max())
    clicks = find_clicks_beside(bare.ravel(), rate_hz, mains_hz, peak_v=peak_v)
    clicks_v = None if clicks is None else clicks.course_v
    if clicks_v is not None:
        quiet = steady - np.pad(clicks_v, (0, steady.size - bare.size))
        result = _with_doubt_of(result, measured(quiet).result)
    hum_change = None
    if not result.stray_hz:  # else nobody knows where its lines lie
        hum_change = find_hum_change(left, rate_hz, seen.fits, seen.wanders, clicks_v=clicks_v)
    if hum_change is not None:
        result = _with_doubt_of_hum_change(result, hum_change, band_hz, seen.sections)
    noisy = bare
    if any(fit.fit.frequency_hz.size > len(fit.multiples) for fit in seen.fits):
        noisy = rests(has_tones=True)  # not each section without other ones
    noise_change = find_noise_change(
        noisy, rate_hz, mains_hz, band_hz, record=record, clicks_v=clicks_v
    )
    if noise_change is not None:
        result = _with_doubt_of_change(result, noise_change, seen.fits, band_hz)
    return replace(
        result,
        clicks=() if clicks is None else clicks.found,
        noise_change=noise_change,
        hum_change=hum_change,
    )


def _least_s(mains_hz: float) -> float:
    return max(LEAST_S, _LEAST_CYCLES / mains_hz)


def _of_stretch(
    part: IdleResult, jumps: Sequence[HumJump], read_s: tuple[float, float]
) -> IdleResult:
    """The numbers of a stretch of a record, its times counted from the record's beginning."""
    begin_s = read_s[0]
    inner_s = part.read_s or (0.0, read_s[1] - begin_s)
    noise, hum = part.noise_change, part.hum_change
    return replace(
        part,
        clicks=tuple(replace(click, at_s=begin_s + click.at_s) for click in part.clicks),
        steps=tuple(replace(step, at_s=begin_s + step.at_s) for step in part.steps),
        noise_change=noise
        and replace(noise, start_s=begin_s + noise.start_s, stop_s=begin_s + noise.stop_s),
        hum_change=hum and replace(hum, start_s=begin_s + hum.start_s, stop_s=begin_s + hum.stop_s),
        hum_jumps=(*jumps, *(jump.after(begin_s) for jump in part.hum_jumps)),
        read_s=(begin_s + inner_s[0], begin_s + inner_s[1]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measured:
    """The numbers of a record whose DC is steady; its sections, and the lines and wander of each."""

    result: IdleResult
    sample_rate_hz: float
    sections: list[Samples]
    fits: list[HumLines]
    wanders: list[Wander | None]

    def rests(self, *, has_tones: bool) -> NDArray[np.float64]:
        """Shape (sections, n), V: without the hum lines, and without the tones unless has_tones."""
        each = zip(self.sections, self.fits, strict=True)
        return np.array(
            [
                _without_lines(section, self.sample_rate_hz, fit, has_tones=has_tones)
                for section, fit in each
            ]
        )

    def hum_course(self, record: Samples) -> Samples | None:
        """What the hum adds to a record of the same length, its level as it goes."""
        mains_hz = float(
            np.mean(
                [fit.fit.frequency_hz[0] / fit.multiples[0] for fit in self.fits if fit.multiples]
            )
        )
        multiples = sorted({k for fit in self.fits for k in (*fit.multiples, *fit.hidden_hz)})
        quiet = record - self.tones_v(record.size)
        return hum_course(
            quiet, self.sample_rate_hz, mains_hz, np.array(multiples, dtype=np.float64)
        )

    def tones_v(self, count: int) -> Samples:
        """The tones of each section but those beside hum, V; shape (count,), 0 in its tail."""
        none_v = np.zeros_like(self.sections[0])
        tones_v = np.concatenate(
            [-remove_lines(none_v, self.sample_rate_hz, _tones_beside(fit)) for fit in self.fits]
        )
        return np.pad(tones_v, (0, count - tones_v.size))

    def beside(self, record: Samples, *, has_tones: bool) -> NDArray[np.float64]:
        """Shape (sections, n), V, of a record without hum: without the tones too unless has_tones."""
        rest = record if has_tones else record - self.tones_v(record.size)
        return rest[: len(self.sections) * self.sections[0].size].reshape(len(self.sections), -1)


def _tones_beside(hum: HumLines) -> LineFit:
    """The tones of a fit but slow ones and those near the mains: hum that changes makes such lines."""
    tones = tones_of(hum)
    is_away = tones.frequency_hz >= LEAST_TONE_HZ
    if hum.multiples:
        mains_hz = float(hum.fit.frequency_hz[0]) / hum.multiples[0]
        off_hz = tones.frequency_hz - mains_hz * np.rint(tones.frequency_hz / mains_hz)
        is_away &= np.abs(off_hz) > _BESIDE_HUM * mains_hz
    return replace(tones, amplitude=np.where(is_away, tones.amplitude, 0.0), offset_v=0.0)


def _measured(
    record: Samples,
    sample_rate_hz: float,
    nominal_mains_hz: float | None,
    band_hz: tuple[float, float],
) -> _Measured:
    nominals_hz = nominals_with(nominal_mains_hz)
    sections = _sections(record, sample_rate_hz)
    hum, fits = _hum_and_fits(sections, sample_rate_hz, nominals_hz)
    is_other = nominal_mains_hz not in (None, hum.nominal_hz)
    levels = {} if is_other or hum.stray_hz else _hum_levels(fits, is_bound=not hum.lines)
    frequency, range_hz = Estimate(value=None) if is_other else hum.frequency(), None
    wanders: list[Wander | None] = [None] * len(sections)
    if frequency.value is not None:
        wanders = [
            find_wander(section, sample_rate_hz, fit)
            for section, fit in zip(sections, fits, strict=True)
        ]
        frequency, range_hz = wandering_frequency(frequency, hum.found, wanders)
        levels = {k: wandering_line(level, k, wanders) for k, level in levels.items()}
    result = IdleResult(
        noise_unweighted_vrms=_noise(fits, band_hz, is_weighted=False),
        noise_a_weighted_vrms=_noise(fits, band_hz, is_weighted=True),
        noise_468_weighted_v=(
            noise_468(record, sample_rate_hz)
            if sample_rate_hz >= LEAST_468_RATE_HZ
            else Estimate(value=None)
        ),
        mains_frequency_hz=frequency,
        mains_range_hz=range_hz,
        hum_lines=levels,
        nominal_mains_hz=nominal_mains_hz or hum.nominal_hz,
        other_mains_hz=hum.nominal_hz if is_other else None,
        lone_hum_hz=() if hum.is_told else tuple(k * hum.nominal_hz for k in hum.lines),
        stray_hz=hum.stray_hz,
        hidden_lines={k: f for fit in fits for k, f in fit.hidden_hz.items()} if levels else {},
    )
    return _Measured(
        result=result,
        sample_rate_hz=sample_rate_hz,
        sections=sections,
        fits=fits,
        wanders=wanders,
    )


def _with_doubt_of(result: IdleResult, clean: IdleResult) -> IdleResult:
    """The numbers of a record with clicks, doubted by how they differ from those without them."""

    def doubted(as_is: Estimate, without: Estimate) -> Estimate:
        return disturbed(as_is, without)[0]

    return replace(
        result,
        noise_unweighted_vrms=doubted(result.noise_unweighted_vrms, clean.noise_unweighted_vrms),
        noise_a_weighted_vrms=doubted(result.noise_a_weighted_vrms, clean.noise_a_weighted_vrms),
        noise_468_weighted_v=doubted(result.noise_468_weighted_v, clean.noise_468_weighted_v),
        mains_frequency_hz=doubted(result.mains_frequency_hz, clean.mains_frequency_hz),
        hum_lines={
            k: doubted(line, clean.hum_lines[k]) if k in clean.hum_lines else line
            for k, line in result.hum_lines.items()
        },
    )


def _without_lines(
    section: Samples, sample_rate_hz: float, hum: HumLines, *, has_tones: bool
) -> Samples:
    """A section without its lines; what is slow stays, for it goes on from section to section."""
    fit = hum.fit
    amplitude = np.where(fit.frequency_hz < LEAST_TONE_HZ, 0.0, fit.amplitude)
    if has_tones:
        amplitude[len(hum.multiples) :] = 0.0
    return remove_lines(section, sample_rate_hz, replace(fit, amplitude=amplitude, offset_v=0.0))


def _with_doubt_of_change(
    result: IdleResult,
    change: NoiseChange,
    fits: Sequence[HumLines],
    band_hz: tuple[float, float],
) -> IdleResult:
    """The noise of a record in which it changes, doubted by how far it goes from that within it."""

    def doubted(noise: Estimate, rest_v2: float, over_mean: Spectral) -> Estimate:
        if not noise.value:
            return noise
        scatter_v = scatter_of_level(noise.value, rest_v2, over_mean)
        doubt_v = math.hypot(noise.standard_uncertainty, scatter_v)
        return replace(noise, standard_uncertainty=doubt_v)

    plain_v2, weighted_v2 = (
        float(np.mean([_rest(fit, band_hz, is_weighted=weighted).value_v2 for fit in fits]))
        for weighted in (False, True)
    )
    quasi_peak = result.noise_468_weighted_v
    return replace(
        result,
        noise_unweighted_vrms=doubted(result.noise_unweighted_vrms, plain_v2, change.of_plain),
        noise_a_weighted_vrms=doubted(
            result.noise_a_weighted_vrms, weighted_v2, change.of_weighted
        ),
        # its network hardly passes the hum
        noise_468_weighted_v=doubted(
            quasi_peak, (quasi_peak.value or 0.0) ** 2, change.of_weighted
        ),
    )


def _with_doubt_of_hum_change(
    result: IdleResult,
    change: HumChange,
    band_hz: tuple[float, float],
    sections: Sequence[Samples],
) -> IdleResult:
    """The numbers of a record whose hum changes, doubted by how far it goes from that within it.

    Where a line can't be followed, all of the noise is taken to change as much as the whole record does.
    """
    mains_hz = result.other_mains_hz or result.nominal_mains_hz
    lines_hz = (result.mains_frequency_hz.value or mains_hz) * np.array(list(change.power_v2))
    power_v2 = np.array(list(change.power_v2.values()))
    weight = a_weighting_power(lines_hz)
    inside = (lines_hz >= band_hz[0]) & (lines_hz <= band_hz[1])

    def wider(as_is: Estimate, doubt: float) -> Estimate:
        if as_is.value is None:
            return as_is
        both = math.hypot(as_is.standard_uncertainty, doubt)
        return replace(as_is, standard_uncertainty=both)

    def doubted(noise: Estimate, hum_v2: Spectral) -> Estimate:
        if not change.is_whole:
            hum_v2 = (noise.value or 0.0) ** 2 * _over_mean(sections)
        mean_v2 = float(hum_v2.mean())
        if not noise.value or not mean_v2:
            return noise
        return wider(noise, scatter_of_level(noise.value, mean_v2, hum_v2 / mean_v2))

    return replace(
        result,
        noise_unweighted_vrms=doubted(result.noise_unweighted_vrms, inside @ power_v2),
        noise_a_weighted_vrms=doubted(result.noise_a_weighted_vrms, (inside * weight) @ power_v2),
        # its network passes lines up to 1 kHz about as the A-weighting does, whatever the band
        noise_468_weighted_v=doubted(result.noise_468_weighted_v, weight @ power_v2),
        is_hum_change_in_band=bool(inside.any()),
        mains_frequency_hz=wider(result.mains_frequency_hz, change.mains_off_hz / math.sqrt(3)),
        hum_lines={
            multiple: wider(line, change.away_v.get(multiple, 0.0))
            for multiple, line in result.hum_lines.items()
        },
    )


def _over_mean(sections: Sequence[Samples]) -> Spectral:
    """Mean square in parts of sections beside their offset, over the mean of all."""
    cut = np.array(sections)
    length = max(cut.shape[1] * len(sections) // _PARTS_OF_ALL, 1)
    parts = cut[:, : cut.shape[1] // length * length].reshape(-1, length)
    power_v2 = parts.var(axis=1)
    return np.asarray(power_v2 / power_v2.mean())


def _without_moves(
    record: Samples, sample_rate_hz: float, nominals_hz: Sequence[float], *, code_v: float
) -> tuple[Samples, tuple[DcStep, ...]]:
    """The record without what moves its DC, which is looked for beside hum and a strong tone.

    A drift does not follow a step, and a small step hides beside a drift: both are found again until no
    more step shows. code_v is what the samples were rounded to when they were taken.
    """
    tone = dominant_tone(record, sample_rate_hz, nominals_hz)
    quiet = record
    if tone is not None and tone.frequency_hz[0] > LEAST_TONE_HZ:
        quiet = remove_lines(record, sample_rate_hz, replace(tone, offset_v=0.0))

    def fit_of(steady: Samples) -> LineFit:
        return fit_with_mains(steady, sample_rate_hz, nominals_hz[0])

    def rest_of(steady: Samples) -> Samples:
        return remove_lines(steady, sample_rate_hz, fit_of(steady))

    steps: tuple[DcStep, ...] = ()
    drift: Drift | None = None
    steady, fit = quiet, fit_of(quiet)
    for is_first in (True, *[False] * (_MOST_ROUNDS - 1)):
        if drift is None:
            left, rest = steady, remove_lines(steady, sample_rate_hz, fit)
        else:
            left = steady - drift.course_v
            rest = rest_of(left)
        more = find_dc_steps(left, sample_rate_hz, nominals_hz[0], rest, rest_of, code_v=code_v)
        if more:
            steps = joined((*steps, *more), nominals_hz[0])
            steady = quiet - course_of(steps, sample_rate_hz, record.size)
            fit = fit_of(steady)
        elif not is_first:
            break
        drift = find_drift(
            steady, sample_rate_hz, fit, SlowRest.of(steady, sample_rate_hz, fit), fit_of
        )
        if drift is None:
            break
    if steps:
        record = record - course_of(steps, sample_rate_hz, record.size)
    return record if drift is None else record - drift.course_v, steps


def _hum_and_fits(
    sections: Sequence[Samples], sample_rate_hz: float, nominals_hz: Sequence[float]
) -> tuple[Hum, list[HumLines]]:
    """The mains and the lines of each section; looked for again without the tones that lie over it."""

    def found(tones: Sequence[LineFit | None]) -> Hum:
        each = [
            find_each_mains(section, sample_rate_hz, nominals_hz, without=tone)
            for section, tone in zip(sections, tones, strict=True)
        ]
        return choose_hum(each, nominals_hz)

    dominant = [dominant_tone(section, sample_rate_hz, nominals_hz) for section in sections]
    hum = found(dominant)
    known_hz = [
        [*([] if tone is None else tone.frequency_hz), *tones_hz]
        for tone, tones_hz in zip(dominant, hum.tones_hz(), strict=True)
    ]
    fits = _fits(sections, sample_rate_hz, hum, known_hz)
    tones = [tones_of(fit) for fit in fits]
    if hum.stray_hz or not any(tone.frequency_hz.size for tone in tones):
        return hum, fits
    hum = found(tones)
    return hum, _fits(sections, sample_rate_hz, hum, known_hz)


def _fits(
    sections: Sequence[Samples],
    sample_rate_hz: float,
    hum: Hum,
    known_hz: Sequence[Sequence[float]],
) -> list[HumLines]:
    return [
        fit_with_tones(
            section,
            sample_rate_hz,
            mains_hz,
            nominal_hz=hum.nominal_hz,
            doubt_hz=0.0 if hum.lines else SEARCH_REACH * hum.nominal_hz,
            known_hz=tones_hz,
        )
        for section, mains_hz, tones_hz in zip(sections, hum.section_hz(), known_hz, strict=True)
    ]


def _sections(record: Samples, sample_rate_hz: float) -> list[Samples]:
    """The record, or if it is long equal sections of about 3 s."""
    seconds = record.size / sample_rate_hz
    if seconds <= _WHOLE_UP_TO_S:
        return [record]
    count = round(seconds / _SECTION_S)
    length = record.size // count
    return [record[i * length : (i + 1) * length] for i in range(count)]


def _noise(hum: Sequence[HumLines], band_hz: tuple[float, float], *, is_weighted: bool) -> Estimate:
    """Rms of everything but DC in the band, weighted or not, averaged over the sections' powers."""
    total = MeanSquare(value_v2=0.0, variance_v4=0.0)
    for section in hum:
        total = total + _section_noise(section, band_hz, is_weighted=is_weighted)
    mean = MeanSquare(
        value_v2=total.value_v2 / len(hum), variance_v4=total.variance_v4 / len(hum) ** 2
    )
    return mean.root()


def _section_noise(
    section: HumLines, band_hz: tuple[float, float], *, is_weighted: bool
) -> MeanSquare:
    lines_hz = section.fit.frequency_hz
    inside = (lines_hz >= band_hz[0]) & (lines_hz <= band_hz[1])
    lines = lines_mean_square(
        section.fit.amplitude[inside],
        section.noise_v2[inside],
        power_weight=a_weighting_power(lines_hz[inside]) if is_weighted else 1.0,
    )
    return _rest(section, band_hz, is_weighted=is_weighted) + lines


def _rest(section: HumLines, band_hz: tuple[float, float], *, is_weighted: bool) -> MeanSquare:
    """Of what is no line."""
    bins_hz = np.arange(section.residual.mean_square_v2.size) * section.residual.bin_hz
    weight = a_weighting_power(bins_hz) if is_weighted else None
    return band_mean_square(section.residual, band_hz, power_weight=weight)


def _hum_levels(hum: Sequence[HumLines], *, is_bound: bool) -> dict[int, Estimate]:
    """Level or bound of each multiple that all sections hold, V rms."""
    multiples = set.intersection(*(set(section.multiples) for section in hum))
    return {multiple: _hum_level(hum, multiple, is_bound) for multiple in sorted(multiples)}


def _hum_level(hum: Sequence[HumLines], multiple: int, is_bound: bool) -> Estimate:
    at = [section.multiples.index(multiple) for section in hum]
    power = np.array([abs(s.fit.amplitude[i]) ** 2 for s, i in zip(hum, at, strict=True)])
    noise = np.array([s.noise_v2[i] for s, i in zip(hum, at, strict=True)]).mean(keepdims=True)
    total = float(power.mean())
    return power_estimate(
        total,
        total - noise,
        noise,
        scale=math.sqrt(0.5),
        records=len(hum),
        is_bound=is_bound,
    )
