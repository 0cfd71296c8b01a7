"""Which of a stretch's lines are modes, how well each is known, and what breaks the stretch."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples
from sequencer.analysis.damped_modes import DampedLines, fit_damped_lines
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.ring_breaks import RingBreak, find_misfit
from sequencer.analysis.ring_lines import (
    WORST_DOUBT,
    decay_doubt,
    find_crowded,
    fit_lines,
    flaw_sizes,
)
from sequencer.analysis.ring_stretches import Search, Stretch, least_samples
from sequencer.analysis.tap_hits import APART_S, CONTACT_S
from sequencer.analysis.uneven_decay import find_unevenness, may_be_uneven

SHORTEST_TAU_S = 0.004  # less may be the contact; what fits its remains is as short
_LONGEST_TAU_RECORDS = 5.0
_WEAKEST = 0.005  # of the strongest
_MOST_HALVINGS = 4  # of the amplitude; compression goes with its square


@dataclass(frozen=True, slots=True, kw_only=True)
class Ringing:
    """A stretch with its lines; relative doubt of each decay, and the flaws' part of it; good are the
    modes, strongest first; is_later where the first part of what rings isn't in it, as it decays
    unevenly.
    """

    stretch: Stretch
    lines: DampedLines
    doubt: Samples
    flaw: Samples
    crowded: NDArray[np.bool_]
    good: list[int]
    is_later: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedStretch:
    """A stretch's modes, or why there are none, and the first sample of a hit that it holds."""

    stretch: Stretch
    ringing: Ringing | CannotMeasure
    further_hit: int | None = None


def fit_stretch(stretch: Stretch, search: Search, sample_rate_hz: float) -> FittedStretch:
    """The modes of a stretch, or why there are none; of its later part, where that tells them better."""
    whole = _fit(stretch, search, sample_rate_hz)
    if not isinstance(whole.ringing, Ringing) or whole.further_hit is not None:
        return whole
    if not may_be_uneven(whole.ringing.lines, whole.ringing.good):
        return whole
    uneven = find_unevenness(whole.ringing.lines, whole.ringing.good)
    if not np.any(uneven.is_sure):
        return whole
    # what bends one mode bends the others
    told = _widened(whole.ringing, uneven.shift)
    # what hum leaves near a weak mode may look like it there; the strongest bends by itself
    is_told = bool(uneven.is_sure[whole.ringing.good[0]])
    for later in _later_parts(whole.ringing):
        part = _fit(later, search, sample_rate_hz).ringing
        # a steady tone is larger beside the later part, and weak modes may be lost there
        if isinstance(part, Ringing) and len(part.good) >= len(told.good):
            left = find_unevenness(part.lines, part.good)
            part = replace(_widened(part, left.shift), is_later=is_told)
            if not part.crowded[part.good[0]]:
                told = min(told, part, key=_rank)
    return replace(whole, ringing=told)


def _later_parts(ringing: Ringing) -> list[Stretch]:
    """A stretch without what rings until its strongest mode has half the amplitude, a quarter, ..."""
    stretch = ringing.stretch
    half_s = float(np.log(2.0) / ringing.lines.rate[ringing.good[0]])
    parts = []
    for k in range(1, _MOST_HALVINGS + 1):
        first = int(k * half_s * stretch.rate_hz)
        if stretch.samples.size - first < least_samples(stretch):
            break
        start_s = stretch.start_s + first / stretch.rate_hz
        parts.append(replace(stretch, samples=stretch.samples[first:], start_s=start_s))
    return parts


def _widened(ringing: Ringing, shift: Samples) -> Ringing:
    """Ringing with what poles would move by counted as doubt."""
    flaw = np.hypot(ringing.flaw, shift)
    return replace(ringing, flaw=flaw, doubt=np.hypot(decay_doubt(ringing.lines), flaw))


def _rank(ringing: Ringing) -> tuple[bool, float]:
    """The lower, the better the decay of the strongest mode is told."""
    strongest = ringing.good[0]
    return bool(ringing.crowded[strongest]), float(ringing.doubt[strongest])


def _fit(stretch: Stretch, search: Search, sample_rate_hz: float) -> FittedStretch:
    further_hit = None
    try:
        lines, flaws = fit_lines(stretch, search.band_hz[1])
        factor = round(sample_rate_hz / stretch.rate_hz)
        misfit = find_misfit(_without_hum(stretch, lines), lines, factor)
        broken = misfit.broken or _break_beside_brief(stretch, lines, factor)
        if broken is not None:
            at_s = stretch.start_s + broken.sample / stretch.rate_hz
            if broken.is_loss and at_s - stretch.hit_s > APART_S:
                raise _samples_lost(at_s)
            further_hit = round(at_s * sample_rate_hz)
        crowded = find_crowded(lines, stretch)
        good = _accepted(lines, crowded, stretch, search)
    except CannotMeasure as refusal:
        return FittedStretch(stretch=stretch, ringing=refusal, further_hit=further_hit)
    flaw = np.maximum(flaw_sizes(lines, flaws), misfit.size)
    ringing = Ringing(
        stretch=stretch,
        lines=lines,
        doubt=np.hypot(decay_doubt(lines), flaw),
        flaw=flaw,
        crowded=crowded,
        good=good,
    )
    return FittedStretch(stretch=stretch, ringing=ringing, further_hit=further_hit)


def _break_beside_brief(stretch: Stretch, lines: DampedLines, factor: int) -> RingBreak | None:
    """A break that shows without the lines too brief to be modes, which may only have followed it."""
    is_slow = lines.rate < 1.0 / SHORTEST_TAU_S
    if np.all(is_slow) or not np.any(is_slow):
        return None
    ring = _without_hum(stretch, lines)
    slow = fit_damped_lines(ring, stretch.rate_hz, lines.pole[is_slow])
    return find_misfit(ring, slow, factor).broken


def _without_hum(stretch: Stretch, lines: DampedLines) -> Samples:
    return stretch.samples if lines.steady_v is None else stretch.samples - lines.steady_v


def _samples_lost(at_s: float) -> CannotMeasure:
    return CannotMeasure(
        "dropout",
        f"all modes step in phase {at_s:.4g} s after the record's start, as if samples were missing",
        "record again; look for an overloaded connection to the analyser",
    )


def best_told(fitted: list[FittedStretch]) -> Ringing:
    """The stretch that tells the decay of its strongest mode best.

    Raises
    ------
    CannotMeasure : that of the stretch of the most energy, where none can be used
    """
    told = [each.ringing for each in fitted if isinstance(each.ringing, Ringing)]
    if told:
        return min(told, key=lambda ringing: float(ringing.doubt[ringing.good[0]]))
    raise next(each.ringing for each in fitted if isinstance(each.ringing, CannotMeasure))


def _accepted(
    lines: DampedLines,
    crowded: NDArray[np.bool_],
    stretch: Stretch,
    search: Search,
) -> list[int]:
    """Indices of the lines that are modes, in the band and beyond it, strongest at the hit first.

    One at least lies in the band, and what is weak beside the strongest there is none.
    """
    duration_s = stretch.samples.size / stretch.rate_hz
    inside = are_inside(lines, search.band_hz)
    is_decaying = lines.rate * duration_s * _LONGEST_TAU_RECORDS > 1.0
    shortest_s, longest_s = search.tau_s
    is_long = lines.rate < 1.0 / shortest_s
    is_meant = is_long & (lines.rate * longest_s > 1.0)
    # a push that doesn't swing is no mode
    swings = lines.frequency_hz > lines.rate
    is_known = (decay_doubt(lines) < WORST_DOUBT) | crowded
    good = is_decaying & is_meant & swings & is_known
    if not np.any(good & inside):
        raise _no_mode(lines, inside, is_long, duration_s)
    strength = np.abs(lines.amplitude) * np.exp(lines.rate * (stretch.start_s - stretch.hit_s))
    good &= strength > _WEAKEST * float(np.max(strength[good & inside]))
    return [int(k) for k in np.argsort(-strength) if good[k]]


def are_inside(lines: DampedLines, search_hz: tuple[float, float]) -> NDArray[np.bool_]:
    """Whether each line lies in a band, its edges in it."""
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
            f"{1e3 / lines.rate[strongest]:.2g} ms, {1e3 * SHORTEST_TAU_S:g} ms are needed",
            "take off what damps the part (a hand, a clamp, what is mounted on it), or look with "
            "another search band for a mode that rings longer",
        )
    return CannotMeasure(
        "no_signal",
        f"nothing in the search band rings for more than {1e3 * SHORTEST_TAU_S:g} ms",
        "tap harder, or fix the sensor closer; look at the search band",
    )
