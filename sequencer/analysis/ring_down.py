"""Ring-down of a tapped part (a heatsink's fin): modes with frequency, decay and Q.

What rings after a hit (see tap_hits), up to the next, is taken with contact and thump left out, brought
down to a rate that suits the band, and all modes are fitted to it jointly. Of several such stretches the
one that tells the decay best is used. The stated uncertainty is that of the fit: real fins are slightly
non-linear, so the spread of three taps says more about a fin than the uncertainty of one.

Time constants are those of the amplitude (the energy's is half of it); decay_time is to 60 dB,
ln(1000) = 6.908 time constants; Q = pi f tau.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples
from sequencer.analysis.checks import (
    require_band,
    require_duration,
    require_finite,
    require_no_held_sample,
    require_usable,
)
from sequencer.analysis.damped_modes import (
    Candidate,
    DampedLines,
    find_candidate,
    fit_damped_lines,
)
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.ring_breaks import RingBreak, find_misfit
from sequencer.analysis.tap_hits import (
    APART_S,
    CONTACT_S,
    Hit,
    find_hits,
    low_passed,
    rate_factor,
    with_hit,
)

_BEFORE_HIT_S = 3e-3  # a soft contact begins slowly
_MOST_BREAKS = 4
_MOST_STRETCHES = 4  # each takes as long as a record of one tap
_LEAST_S = 0.05
_LEAST_SAMPLES = 200  # at the lower rate; with fewer the stated doubts grow too small (simulated)
_LONG_TAU_S = 0.01
_SHORTEST_TAU_S = 0.004  # less may be the contact; what fits its remains is as short
_BRIEF_S = 0.1
_CLEAR_S = 0.05  # after what was cut off
_WORST_DOUBT = 0.3
_LONGEST_TAU_RECORDS = 5.0
_MOST_LINES = 12
_MOST_FLAWS = 4
_WEAKEST = 0.005  # of the strongest
_IMPERFECTION = 0.1  # of its neighbour: a fin's own non-linearity, not a second mode
_RESOLVED_WIDTHS = 2.0
# The low-pass lets through what rings somewhat above the band; not fitted it would bend the others.
_FITTED_ABOVE = 1.3
_LONG_ENOUGH = "tap once and record 8 s of a bare fin, 1.5 s of a damped one"
_DECAY_60_DB = float(np.log(1000.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One mode: amplitude_v is peak at the hit; decay_time_s to 60 dB; time_constant_s to 1/e.

    Where is_resolved is false another mode lies within two half-power widths: the frequency is
    about right, decay and Q can't be told (estimates without a value).
    """

    ring_frequency_hz: Estimate
    decay_time_s: Estimate
    time_constant_s: Estimate
    q_factor: Estimate
    amplitude_v: Estimate
    is_resolved: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RingDownResult:
    """Modes, strongest first; the stretch they were fitted to (from the record's start), for a plot.

    outside_hz are frequencies, strongest first, of what rings as clearly beyond the edges of the
    search band, as far as it was let through. hit_s lists the hits found, but for those after which
    nothing rings; used_hit_s is the one before the stretch, cut_off_hit_s those that were too hard for
    the range. time_s, ring_v and fit_v are the stretch in
    the search band and the fitted modes with steady lines, shape (n,).
    """

    modes: tuple[Mode, ...]
    outside_hz: tuple[float, ...]
    hit_s: tuple[float, ...]
    used_hit_s: float
    cut_off_hit_s: tuple[float, ...]
    time_s: Samples
    ring_v: Samples
    fit_v: Samples


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretch:
    """Part of the record at a lower rate: samples, their rate, start and the hit before it."""

    samples: Samples
    rate_hz: float
    start_s: float
    hit_s: float


def analyse_ring_down(
    samples: Samples,
    sample_rate_hz: float,
    *,
    modes: int | None = None,
    search_hz: tuple[float, float] = (100.0, 5000.0),
    is_overrange: bool = False,
    range_peak_v: float | None = None,
) -> RingDownResult:
    """Modes of a struck part between the edges of search_hz.

    Parameters
    ----------
    samples : shape (n,), V; 8 s for a bare fin, 1.5 s for a damped one
    modes : how many to report, None for all that stand out
    range_peak_v : full scale of the converter, volts peak, where known

    Raises
    ------
    CannotMeasure : the capture is unusable, holds no ringing, or ends too early for its decay
    ValueError : modes isn't positive, or search_hz not in order
    """
    if modes is not None and modes < 1:
        raise ValueError(f"modes must be positive, got {modes}")
    require_band(search_hz, sample_rate_hz)
    record = require_finite(samples)
    cut_off: CannotMeasure | None = None
    try:
        require_usable(record, is_overrange=is_overrange, range_peak_v=range_peak_v)
        require_usable(record)  # tops cut off inside the range are no ringing either
    except CannotMeasure as refusal:
        if refusal.code != "overrange" or is_overrange:
            raise
        cut_off = refusal
    least_s = max(_LEAST_S, _LEAST_SAMPLES / sample_rate_hz)
    what = "a hit and its ringing"
    require_duration(record, sample_rate_hz, least_s, what, remedy=_LONG_ENOUGH)
    hits = find_hits(record, sample_rate_hz, search_hz[1])
    try:
        if cut_off is None:
            require_no_held_sample(record, hits[0].start, record.size)
    except CannotMeasure as refusal:
        if refusal.code != "overrange":
            raise
        cut_off = refusal
    if cut_off is not None:
        hits = _clean_ones_marked(record, sample_rate_hz, hits, cut_off, range_peak_v)
    hits, fitted, ringing = _told(record, sample_rate_hz, hits, search_hz)
    silent = [
        each.stretch.hit_s
        for each in fitted
        if isinstance(each.ringing, CannotMeasure) and each.ringing.code == "no_signal"
    ]
    stretch, lines = ringing.stretch, ringing.lines
    inside = _inside(lines, search_hz)
    time = stretch.start_s + np.arange(stretch.samples.size) / stretch.rate_hz
    return RingDownResult(
        modes=tuple(_mode(ringing, k) for k in [k for k in ringing.good if inside[k]][:modes]),
        outside_hz=tuple(float(lines.frequency_hz[k]) for k in ringing.good if not inside[k]),
        hit_s=tuple(s for s in (h.start / sample_rate_hz for h in hits) if s not in silent),
        used_hit_s=stretch.hit_s,
        cut_off_hit_s=tuple(h.start / sample_rate_hz for h in hits if not h.is_clean),
        time_s=time,
        ring_v=stretch.samples,
        fit_v=stretch.samples - lines.rest,
    )


def _clean_ones_marked(
    record: Samples,
    sample_rate_hz: float,
    hits: tuple[Hit, ...],
    cut_off: CannotMeasure,
    range_peak_v: float | None,
) -> tuple[Hit, ...]:
    """The hits of a record that is cut off somewhere, with those marked that it doesn't concern.

    Raises
    ------
    CannotMeasure : the given one, where it concerns all; dropout
    """
    at_limit = (record == record.min()) | (record == record.max())
    clear = int(_CLEAR_S * sample_rate_hz)
    ends = [*(hit.start - int(_BEFORE_HIT_S * sample_rate_hz) for hit in hits[1:]), record.size]
    marked = []
    for hit, end in zip(hits, ends, strict=True):
        is_clean = not np.any(at_limit[max(hit.start - clear, 0) : end])
        if is_clean:
            try:
                require_usable(record[hit.start : end], range_peak_v=range_peak_v)
                require_usable(record[hit.start : end])
                require_no_held_sample(record, hit.start, end)
            except CannotMeasure as refusal:
                if refusal.code == "dropout":
                    raise
                is_clean = False
        marked.append(replace(hit, is_clean=is_clean))
    if not any(hit.is_clean for hit in marked):
        raise cut_off
    return tuple(marked)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Search:
    """For what modes: where, of which time constants, in how much of what follows a hit."""

    band_hz: tuple[float, float]
    tau_s: tuple[float, float] = (_LONG_TAU_S, np.inf)
    stretch_s: float = np.inf


def _told(
    record: Samples, sample_rate_hz: float, hits: tuple[Hit, ...], band_hz: tuple[float, float]
) -> tuple[tuple[Hit, ...], list["_Fitted"], "_Ringing"]:
    """The hits, what is fitted after each and the best of it.

    Where nothing rings for long, what rings briefly is looked for in so short a stretch that the noise
    doesn't bury it. Where the record ends with its hardest hit, those before are looked for.

    Raises
    ------
    CannotMeasure : no mode
    """
    long = _Search(band_hz=band_hz)
    try:
        hits, fitted = _fitted(record, sample_rate_hz, hits, long)
        return hits, fitted, _best(fitted)
    except CannotMeasure as refusal:
        search = long
        if refusal.code == "no_signal":
            search = replace(long, tau_s=(_SHORTEST_TAU_S, _LONG_TAU_S), stretch_s=_BRIEF_S)
        elif refusal.code == "too_short":
            end = hits[0].start - int(_BEFORE_HIT_S * sample_rate_hz)
            if end < _LEAST_S * sample_rate_hz:
                raise
            hits = (*find_hits(record[:end], sample_rate_hz, band_hz[1]), *hits)
        else:
            raise
        try:
            hits, fitted = _fitted(record, sample_rate_hz, hits, search)
            return hits, fitted, _best(fitted)
        except CannotMeasure as again:
            raise (again if again.code == "no_signal" == refusal.code else refusal) from None


def _fitted(
    record: Samples, sample_rate_hz: float, hits: tuple[Hit, ...], search: _Search
) -> tuple[tuple[Hit, ...], list["_Fitted"]]:
    """The hits, with those that only a fit shows, and the modes of the stretches between them."""
    fitted: list[_Fitted] = []
    for is_last in [*[False] * _MOST_BREAKS, True]:
        known = {(each.stretch.start_s, each.stretch.samples.size): each for each in fitted}
        stretches = _stretches(record, sample_rate_hz, hits, search)
        fitted = [
            known.get((each.start_s, each.samples.size)) or _fit(each, search, sample_rate_hz)
            for each in stretches
        ]
        further = [each.further_hit for each in fitted if each.further_hit is not None]
        if is_last or not further:
            break
        for start in further:
            hits = with_hit(hits, start, sample_rate_hz)
    return hits, fitted


def _stretches(
    record: Samples, sample_rate_hz: float, hits: tuple[Hit, ...], search: _Search
) -> list[_Stretch]:
    """What rings between hits, in the band; those of the most energy first, none too short.

    Raises
    ------
    CannotMeasure : too_short, where all of them are
    """
    highest_hz = search.band_hz[1]
    factor, filtered = rate_factor(sample_rate_hz, highest_hz)
    before = max(int(_BEFORE_HIT_S * sample_rate_hz), 2 * factor)
    ends = [*(h.start - before for h in hits[1:]), record.size]
    least_s = max(_LEAST_S, (_LEAST_SAMPLES * factor + filtered) / sample_rate_hz)
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
            f"{_LONG_ENOUGH}, or search further up",
        )
    usable.sort(key=lambda p: -p[1].size * float(np.var(p[1])))
    stretches = []
    for hit, part in usable[:_MOST_STRETCHES]:
        low = low_passed(part, sample_rate_hz, highest_hz)
        stretches.append(
            _Stretch(
                samples=low.samples,
                rate_hz=sample_rate_hz / low.factor,
                start_s=(hit.calm + low.first) / sample_rate_hz,
                hit_s=hit.start / sample_rate_hz,
            )
        )
    return stretches


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ringing:
    """A stretch with its lines; relative doubt of each decay, and the flaws' part of it; good are the
    modes, strongest first."""

    stretch: _Stretch
    lines: DampedLines
    doubt: Samples
    flaw: Samples
    crowded: NDArray[np.bool_]
    good: list[int]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fitted:
    """A stretch's modes, or why there are none, and the first sample of a hit that it holds."""

    stretch: _Stretch
    ringing: _Ringing | CannotMeasure
    further_hit: int | None = None


def _fit(stretch: _Stretch, search: _Search, sample_rate_hz: float) -> _Fitted:
    """The modes of a stretch, or why there are none."""
    further_hit = None
    try:
        lines, flaws = _fit_all(stretch, search.band_hz[1])
        factor = round(sample_rate_hz / stretch.rate_hz)
        misfit = find_misfit(stretch.samples, lines, factor)
        broken = misfit.broken or _break_beside_brief(stretch, lines, factor)
        if broken is not None:
            at_s = stretch.start_s + broken.sample / stretch.rate_hz
            if broken.is_loss and at_s - stretch.hit_s > APART_S:
                raise _samples_lost(at_s)
            further_hit = round(at_s * sample_rate_hz)
        crowded = _crowded(lines, stretch)
        good = _accepted(lines, crowded, stretch, search)
    except CannotMeasure as refusal:
        return _Fitted(stretch=stretch, ringing=refusal, further_hit=further_hit)
    flaw = np.maximum(_flaw_sizes(lines, flaws), misfit.size)
    ringing = _Ringing(
        stretch=stretch,
        lines=lines,
        doubt=np.hypot(_doubt(lines), flaw),
        flaw=flaw,
        crowded=crowded,
        good=good,
    )
    return _Fitted(stretch=stretch, ringing=ringing, further_hit=further_hit)


def _break_beside_brief(stretch: _Stretch, lines: DampedLines, factor: int) -> RingBreak | None:
    """A break that shows without the lines too brief to be modes, which may only have followed it."""
    is_slow = lines.rate < 1.0 / _SHORTEST_TAU_S
    if np.all(is_slow) or not np.any(is_slow):
        return None
    slow = fit_damped_lines(stretch.samples, stretch.rate_hz, lines.pole[is_slow])
    return find_misfit(stretch.samples, slow, factor).broken


def _samples_lost(at_s: float) -> CannotMeasure:
    return CannotMeasure(
        "dropout",
        f"all modes step in phase {at_s:.4g} s after the record's start, as if samples were missing",
        "record again; look for an overloaded connection to the analyser",
    )


def _best(fitted: list[_Fitted]) -> _Ringing:
    """The stretch that tells the decay of its strongest mode best.

    Raises
    ------
    CannotMeasure : that of the stretch of the most energy, where none can be used
    """
    told = [each.ringing for each in fitted if isinstance(each.ringing, _Ringing)]
    if told:
        return min(told, key=lambda ringing: float(ringing.doubt[ringing.good[0]]))
    raise next(each.ringing for each in fitted if isinstance(each.ringing, CannotMeasure))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Flaw:
    """Something left beside a mode that is no mode of its own: where, and its size over the mode's.

    A fin that is slightly non-linear leaves such a rest, and so do two modes too near to be told
    apart; either way the mode's decay is only known as well.
    """

    low_hz: float
    high_hz: float
    size: float


def _fit_all(stretch: _Stretch, highest_hz: float) -> tuple[DampedLines, list[_Flaw]]:
    """All lines that stand out, fitted jointly, and what they leave."""
    lines: DampedLines | None = None
    flaws: list[_Flaw] = []
    rest = stretch.samples - np.mean(stretch.samples)
    fitted_hz = min(_FITTED_ABOVE * highest_hz, 0.49 * stretch.rate_hz)
    while len(flaws) < _MOST_FLAWS and (lines is None or lines.pole.size < _MOST_LINES):
        avoid = np.reshape([(f.low_hz, f.high_hz) for f in flaws], (-1, 2))
        found = find_candidate(rest, stretch.rate_hz, fitted_hz, avoid)
        if found is None:
            break
        poles = np.empty(0, dtype=np.complex128) if lines is None else lines.pole
        trial = fit_damped_lines(stretch.samples, stretch.rate_hz, np.append(poles, found.pole))
        flaw = None if lines is None else _flaw(trial, lines, found, stretch)
        if flaw is not None:
            flaws.append(flaw)
        else:
            lines, rest = trial, trial.rest
    if lines is None:
        raise CannotMeasure(
            "no_signal",
            "nothing in the record rings",
            "tap harder, or fix the sensor closer; look at the search band",
        )
    return lines, flaws


def _flaw(
    trial: DampedLines, before: DampedLines, found: Candidate, stretch: _Stretch
) -> _Flaw | None:
    """The flaw of an earlier line that the newest line of a trial only follows, else None."""
    width = _width_hz(trial, stretch)
    apart = np.abs(trial.frequency_hz[:-1] - trial.frequency_hz[-1])
    near = apart < 3.0 * np.maximum(width[:-1], width[-1])
    if not np.any(near):
        return None
    amplitude = np.abs(trial.amplitude)
    is_strong = amplitude[-1] > _IMPERFECTION * float(np.max(amplitude[:-1][near]))
    if is_strong and _doubt(trial)[-1] < _WORST_DOUBT:
        return None
    k = int(np.argmin(np.abs(before.pole - found.pole)))
    reach = 4.0 * float(_width_hz(before, stretch)[k]) + 2.0 * stretch.rate_hz / before.rest.size
    centre = float(before.frequency_hz[k])
    return _Flaw(
        low_hz=centre - reach,
        high_hz=centre + reach,
        size=float(np.sqrt(found.energy_v2 / before.energy_v2[k])),
    )


def _doubt(lines: DampedLines) -> Samples:
    """Relative standard uncertainty of each decay."""
    return np.asarray(np.sqrt(lines.rate_variance) / np.maximum(np.abs(lines.rate), 1e-12))


def _width_hz(lines: DampedLines, stretch: _Stretch) -> Samples:
    """Half-power width 1/(pi tau) of each line; not below what the record resolves."""
    duration_s = stretch.samples.size / stretch.rate_hz
    return np.asarray(np.maximum(lines.rate / np.pi, 0.5 / duration_s))


def _crowded(lines: DampedLines, stretch: _Stretch) -> NDArray[np.bool_]:
    """Whether another line of some strength lies within two half-power widths of each."""
    width = _width_hz(lines, stretch)
    frequency, amplitude = lines.frequency_hz, np.abs(lines.amplitude)
    apart = np.abs(frequency[:, np.newaxis] - frequency)
    reach = _RESOLVED_WIDTHS * np.maximum(width[:, np.newaxis], width)
    strong = amplitude > _IMPERFECTION * amplitude[:, np.newaxis]
    near = (apart < reach) & strong & ~np.eye(frequency.size, dtype=bool)
    return np.asarray(np.any(near, axis=1))


def _flaw_sizes(lines: DampedLines, flaws: list[_Flaw]) -> Samples:
    """What is left beside each line, over it."""
    size = np.zeros(lines.pole.size)
    for flaw in flaws:
        inside = (lines.frequency_hz > flaw.low_hz) & (lines.frequency_hz < flaw.high_hz)
        size = np.where(inside, np.hypot(size, flaw.size), size)
    return size


def _accepted(
    lines: DampedLines,
    crowded: NDArray[np.bool_],
    stretch: _Stretch,
    search: _Search,
) -> list[int]:
    """Indices of the lines that are modes, in the band and beyond it, strongest at the hit first.

    One at least lies in the band, and what is weak beside the strongest there is none.
    """
    duration_s = stretch.samples.size / stretch.rate_hz
    inside = _inside(lines, search.band_hz)
    is_decaying = lines.rate * duration_s * _LONGEST_TAU_RECORDS > 1.0
    shortest_s, longest_s = search.tau_s
    is_long = lines.rate < 1.0 / shortest_s
    is_meant = is_long & (lines.rate * longest_s > 1.0)
    # a push that doesn't swing is no mode
    swings = lines.frequency_hz > lines.rate
    is_known = (_doubt(lines) < _WORST_DOUBT) | crowded
    good = is_decaying & is_meant & swings & is_known
    if not np.any(good & inside):
        raise _no_mode(lines, inside, is_long, duration_s)
    strength = np.abs(lines.amplitude) * np.exp(lines.rate * (stretch.start_s - stretch.hit_s))
    good &= strength > _WEAKEST * float(np.max(strength[good & inside]))
    return [int(k) for k in np.argsort(-strength) if good[k]]


def _inside(lines: DampedLines, search_hz: tuple[float, float]) -> NDArray[np.bool_]:
    frequency = lines.frequency_hz
    return np.asarray((frequency >= search_hz[0]) & (frequency <= search_hz[1]))


def _no_mode(
    lines: DampedLines, inside: NDArray[np.bool_], is_long: NDArray[np.bool_], duration_s: float
) -> CannotMeasure:
    strength = np.abs(lines.amplitude)
    if np.any(inside & is_long):
        strongest = int(np.argmax(np.where(inside & is_long, strength, 0.0)))
        return CannotMeasure(
            "too_short",
            f"the line at {lines.frequency_hz[strongest]:.4g} Hz hardly decays within the "
            f"{duration_s:.3g} s of record after the hit",
            "record several times as long, and check that it isn't a steady tone",
        )
    if np.any(inside):
        strongest = int(np.argmax(np.where(inside, strength, 0.0)))
        return CannotMeasure(
            "no_signal",
            f"what rings at about {lines.frequency_hz[strongest]:.0f} Hz decays too fast to be told "
            f"from the tap itself, which counts as {1e3 * CONTACT_S:g} ms: to 1/e in "
            f"{1e3 / lines.rate[strongest]:.2g} ms, {1e3 * _SHORTEST_TAU_S:g} ms are needed",
            "take off what damps the part (a hand, a clamp, what is mounted on it), or look with "
            "another search band for a mode that rings longer",
        )
    return CannotMeasure(
        "no_signal",
        f"nothing in the search band rings for more than {1e3 * _SHORTEST_TAU_S:g} ms",
        "tap harder, or fix the sensor closer; look at the search band",
    )


def _mode(ringing: _Ringing, k: int) -> Mode:
    lines, stretch = ringing.lines, ringing.stretch
    relative, is_resolved = float(ringing.doubt[k]), not ringing.crowded[k]
    tau = 1.0 / float(lines.rate[k])
    frequency = float(lines.frequency_hz[k])
    growth = float(np.exp(lines.rate[k] * (stretch.start_s - stretch.hit_s)))
    return Mode(
        ring_frequency_hz=Estimate(
            value=frequency,
            standard_uncertainty=_frequency_doubt_hz(ringing, k),
        ),
        decay_time_s=_if_known(_DECAY_60_DB * tau, relative, known=is_resolved),
        time_constant_s=_if_known(tau, relative, known=is_resolved),
        q_factor=_if_known(np.pi * frequency * tau, relative, known=is_resolved),
        amplitude_v=Estimate(
            value=float(np.abs(lines.amplitude[k])) * growth,
            standard_uncertainty=float(np.sqrt(lines.amplitude_variance_v2[k])) * growth,
        ),
        is_resolved=is_resolved,
    )


def _frequency_doubt_hz(ringing: _Ringing, k: int) -> float:
    """Standard uncertainty of a frequency, with what is left beside the line.

    In white noise that of omega is that of 1/tau, and what isn't noise bends both alike. Beside
    another mode that can't be told apart the frequency lies somewhere within the half-power width.
    """
    lines = ringing.lines
    fitted = float(np.sqrt(lines.frequency_variance_hz2[k]))
    left = float(ringing.flaw[k] * np.abs(lines.rate[k])) / (2.0 * np.pi)
    if not ringing.crowded[k]:
        return float(np.hypot(fitted, left))
    width_hz = float(_width_hz(lines, ringing.stretch)[k])
    return float(np.hypot(np.hypot(fitted, left), width_hz / np.sqrt(12.0)))


def _if_known(value: float, relative: float, *, known: bool) -> Estimate:
    if not known:
        return Estimate(value=None)
    return Estimate(value=float(value), standard_uncertainty=float(value) * relative)
