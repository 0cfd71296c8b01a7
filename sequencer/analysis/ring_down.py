"""Ring-down of a tapped part (a heatsink's fin): modes with frequency, decay and Q.

What rings after a hit (see tap_hits), up to the next, is taken with contact and thump left out, brought
down to a rate that suits the band, and all modes are fitted to it jointly. Of several such stretches the
one that tells the decay best is used. The stated uncertainty is that of the fit: real fins are slightly
non-linear, so the spread of three taps says more about a fin than the uncertainty of one.

Time constants are those of the amplitude (the energy's is half of it); decay_time is to 60 dB,
ln(1000) = 6.908 time constants; Q = pi f tau.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from sequencer.analysis.arrays import Samples
from sequencer.analysis.checks import require_band, require_finite
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.ring_hum import RingHum, find_ring_hum
from sequencer.analysis.ring_lines import decay_doubt, width_hz
from sequencer.analysis.ring_modes import (
    SHORTEST_TAU_S,
    FittedStretch,
    Ringing,
    are_inside,
    best_told,
    fit_stretch,
)
from sequencer.analysis.ring_stretches import (
    LONG_TAU_S,
    Search,
    ring_stretches,
    times_of,
)
from sequencer.analysis.tap_hits import Hit, with_hit
from sequencer.analysis.usable_hits import usable_hits, with_earlier_hits

_MOST_BREAKS = 4
_BRIEF_S = 0.1
_DECAY_60_DB = float(np.log(1000.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One mode: decay_time_s to 60 dB; time_constant_s to 1/e.

    Where is_resolved is false another mode lies within two half-power widths: the frequency is
    about right, decay and Q can't be told (estimates without a value). misfit is the part of the decay's
    standard uncertainty that is due to what no mode explains, over the part that is due to noise.
    """

    ring_frequency_hz: Estimate
    decay_time_s: Estimate
    time_constant_s: Estimate
    q_factor: Estimate
    is_resolved: bool
    misfit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RingDownResult:
    """Modes, strongest first; the stretch they were fitted to (from the record's start), for a plot.

    outside_hz are frequencies, strongest first, of what rings as clearly beyond the edges of the
    search band, as far as it was let through. hit_s lists the hits found, but for those after which
    nothing rings; used_hit_s is the one before the stretch, cut_off_hit_s those that were cut off at
    the range's end, or came too soon after one that was. is_later_part: what rings at first was left
    out, as the strongest mode decays unevenly there. time_s, ring_v and fit_v are the stretch
    in the search band and the fitted modes with steady lines, shape (n,).
    """

    modes: tuple[Mode, ...]
    outside_hz: tuple[float, ...]
    hit_s: tuple[float, ...]
    used_hit_s: float
    cut_off_hit_s: tuple[float, ...]
    is_later_part: bool
    time_s: Samples
    ring_v: Samples
    fit_v: Samples


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
    hum = find_ring_hum(record, sample_rate_hz)
    hits, cut_off = usable_hits(
        record,
        sample_rate_hz,
        search_hz[1],
        hum=hum,
        is_overrange=is_overrange,
        range_peak_v=range_peak_v,
    )
    with_earlier = partial(
        with_earlier_hits,
        record,
        sample_rate_hz,
        highest_hz=search_hz[1],
        hum=hum,
        is_cut_off=cut_off is not None,
        range_peak_v=range_peak_v,
    )
    try:
        hits, fitted, ringing = _told(record, sample_rate_hz, hits, search_hz, hum, with_earlier)
    except CannotMeasure as refusal:
        raise (cut_off or refusal) from None
    silent = [
        each.stretch.hit_s
        for each in fitted
        if isinstance(each.ringing, CannotMeasure) and each.ringing.code == "no_signal"
    ]
    stretch, lines = ringing.stretch, ringing.lines
    inside = are_inside(lines, search_hz)
    return RingDownResult(
        modes=tuple(_mode(ringing, k) for k in [k for k in ringing.good if inside[k]][:modes]),
        outside_hz=tuple(float(lines.frequency_hz[k]) for k in ringing.good if not inside[k]),
        hit_s=tuple(s for s in (h.start / sample_rate_hz for h in hits) if s not in silent),
        used_hit_s=stretch.hit_s,
        cut_off_hit_s=tuple(h.start / sample_rate_hz for h in hits if not h.is_clean),
        is_later_part=ringing.is_later,
        time_s=times_of(stretch),
        ring_v=stretch.samples,
        fit_v=stretch.samples - lines.rest,
    )


def _told(
    record: Samples,
    sample_rate_hz: float,
    hits: tuple[Hit, ...],
    band_hz: tuple[float, float],
    hum: RingHum | None,
    with_earlier: Callable[[tuple[Hit, ...]], tuple[Hit, ...]],
) -> tuple[tuple[Hit, ...], list[FittedStretch], Ringing]:
    """The hits, what is fitted after each and the best of it.

    Where nothing rings for long, what rings briefly is looked for in so short a stretch that the noise
    doesn't bury it. Where the record ends with its hardest hit, those before are looked for.

    Raises
    ------
    CannotMeasure : no mode
    """
    long = Search(band_hz=band_hz)
    try:
        hits, fitted = _fitted(record, sample_rate_hz, hits, long, hum)
        return hits, fitted, best_told(fitted)
    except CannotMeasure as refusal:
        search = long
        if refusal.code == "no_signal":
            search = replace(long, tau_s=(SHORTEST_TAU_S, LONG_TAU_S), stretch_s=_BRIEF_S)
        elif refusal.code == "too_short":
            found = with_earlier(hits)
            if len(found) == len(hits):
                raise
            hits = found
        else:
            raise
        try:
            hits, fitted = _fitted(record, sample_rate_hz, hits, search, hum)
            return hits, fitted, best_told(fitted)
        except CannotMeasure as again:
            raise (again if again.code == "no_signal" == refusal.code else refusal) from None


def _fitted(
    record: Samples,
    sample_rate_hz: float,
    hits: tuple[Hit, ...],
    search: Search,
    hum: RingHum | None,
) -> tuple[tuple[Hit, ...], list[FittedStretch]]:
    """The hits, with those that only a fit shows, and the modes of the stretches between them."""
    fitted: list[FittedStretch] = []
    for is_last in [*[False] * _MOST_BREAKS, True]:
        known = {(each.stretch.start_s, each.stretch.samples.size): each for each in fitted}
        stretches = ring_stretches(record, sample_rate_hz, hits, search, hum)
        fitted = [
            known.get((each.start_s, each.samples.size))
            or fit_stretch(each, search, sample_rate_hz)
            for each in stretches
        ]
        further = [each.further_hit for each in fitted if each.further_hit is not None]
        if is_last or not further:
            break
        for start in further:
            hits = with_hit(hits, start, sample_rate_hz)
    return hits, fitted


def _mode(ringing: Ringing, k: int) -> Mode:
    lines = ringing.lines
    relative, is_resolved = float(ringing.doubt[k]), not ringing.crowded[k]
    tau = 1.0 / float(lines.rate[k])
    frequency = float(lines.frequency_hz[k])
    return Mode(
        ring_frequency_hz=Estimate(
            value=frequency,
            standard_uncertainty=_frequency_doubt_hz(ringing, k),
        ),
        decay_time_s=_if_known(_DECAY_60_DB * tau, relative, known=is_resolved),
        time_constant_s=_if_known(tau, relative, known=is_resolved),
        q_factor=_if_known(np.pi * frequency * tau, relative, known=is_resolved),
        is_resolved=is_resolved,
        misfit=float(ringing.flaw[k] / decay_doubt(lines)[k]),
    )


def _frequency_doubt_hz(ringing: Ringing, k: int) -> float:
    """Standard uncertainty of a frequency, with what is left beside the line.

    In white noise that of omega is that of 1/tau, and what isn't noise bends both alike. Beside
    another mode that can't be told apart the frequency lies somewhere within the half-power width.
    """
    lines = ringing.lines
    fitted = float(np.sqrt(lines.frequency_variance_hz2[k]))
    left = float(ringing.flaw[k] * np.abs(lines.rate[k])) / (2.0 * np.pi)
    if not ringing.crowded[k]:
        return float(np.hypot(fitted, left))
    width = float(width_hz(lines, ringing.stretch)[k])
    return float(np.hypot(np.hypot(fitted, left), width / np.sqrt(12.0)))


def _if_known(value: float, relative: float, *, known: bool) -> Estimate:
    if not known:
        return Estimate(value=None)
    return Estimate(value=float(value), standard_uncertainty=float(value) * relative)
