"""Gain over frequency: relative gain, flatness, band edges and a mask.

Works on points, wherever they come from: steps of a sine or an exponential sweep. Between points the
gain is a monotone cubic in log f (Fritsch and Carlson, no overshoot), so a band edge isn't put where
a wiggle of an interpolation crosses. An edge that the points don't reach isn't made up: it comes
back without a value and with the frequency beyond which it must lie.

Definitions after IEC 60268-3 (from memory): gain frequency response is relative to the gain at the
reference frequency, 1 kHz; the gain-limited effective frequency range ends where it has fallen by
3 dB; power bandwidth is the range in which half the stated power is had within the stated distortion.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from sequencer.analysis.arrays import Spectral
from sequencer.analysis.estimates import Estimate

POWER_SHARE = 0.5
"""Of the stated power, which a power bandwidth asks for (IEC 60268-3, from memory)."""

_FALL_DB = 3.0
_SURELY_BELOW = 4.0  # standard uncertainties
_CLEAR = 10.0  # of them from one point to the next: the curve's own slope there, not noise's
SAME = 1e-3
"""A commanded 20 Hz that comes out as 19.9996 Hz belongs to the band, relative."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponsePoint:
    """Gain at one frequency, dB with one standard uncertainty."""

    frequency_hz: float
    gain_db: float
    uncertainty_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerPoint:
    """Output power and distortion at one frequency, each with one standard uncertainty.

    thd is a fraction, or the bound on one that noise hides; None where too few harmonics are seen.
    """

    frequency_hz: float
    power_w: float
    thd: float | None
    power_uncertainty_db: float = 0.0
    thd_uncertainty: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BandEdge:
    """Where the gain has fallen by the stated amount, or a power bandwidth ends.

    frequency_hz has no value where the points don't reach that far down; beyond_hz is then the
    outermost frequency measured: the lower edge lies below it, the upper edge above.
    """

    frequency_hz: Estimate
    beyond_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MaskPoint:
    """Corner of a mask: least and most gain relative to the reference, dB; None for no limit."""

    frequency_hz: float
    min_db: float | None
    max_db: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MaskExcess:
    """A point outside the mask: its gain relative to the reference, and the limit it breaks, dB."""

    frequency_hz: float
    relative_db: float
    limit_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MaskVerdict:
    """Points against a mask. margin_db is the least distance to a limit, negative outside.

    margin_uncertainty_db belongs to that point; compared is the number of points that a limit
    covers (a mask that covers none passes nothing: is_within is false).
    """

    is_within: bool
    margin_db: float
    margin_uncertainty_db: float
    worst_hz: float
    compared: int
    outside: tuple[MaskExcess, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseResult:
    """A response, points in order of frequency.

    gain_db is as measured, relative_db refers to the gain at reference_hz, uncertainty_db is that of
    the relative gain. flatness_db is the largest deviation from the reference gain within the band,
    worst_hz where it is.
    """

    frequency_hz: Spectral
    gain_db: Spectral
    relative_db: Spectral
    uncertainty_db: Spectral
    reference_hz: float
    reference_gain_db: Estimate
    flatness_db: Estimate
    worst_hz: float
    flatness_band_hz: tuple[float, float]
    bandwidth_low: BandEdge
    bandwidth_high: BandEdge


def analyse_response(
    points: Sequence[ResponsePoint],
    *,
    reference_hz: float = 1000.0,
    band_hz: tuple[float, float] = (20.0, 20000.0),
    fall_db: float = _FALL_DB,
) -> ResponseResult:
    """Relative gain, flatness in a band and the edges of the effective frequency range.

    Parameters
    ----------
    points : two or more, any order, no frequency twice
    reference_hz : inside the range of the points; between two of them the gain is interpolated
    band_hz : where flatness is judged, as far as the points reach
    fall_db : what ends the effective range, > 0

    Raises
    ------
    ValueError : too few points, a frequency twice, the reference outside, no point in the band
    """
    frequency, gain, doubt = _columns(points)
    reference = _at(frequency, gain, doubt, reference_hz)
    relative = gain - _known(reference)
    spread = np.where(
        frequency == reference_hz, 0.0, np.hypot(doubt, reference.standard_uncertainty)
    )
    flatness, worst_hz = _flatness(frequency, relative, spread, band_hz)
    return ResponseResult(
        frequency_hz=frequency,
        gain_db=gain,
        relative_db=relative,
        uncertainty_db=spread,
        reference_hz=reference_hz,
        reference_gain_db=reference,
        flatness_db=flatness,
        worst_hz=worst_hz,
        flatness_band_hz=band_hz,
        bandwidth_low=_edge(frequency, relative, spread, reference_hz, -fall_db, upwards=False),
        bandwidth_high=_edge(frequency, relative, spread, reference_hz, -fall_db, upwards=True),
    )


def check_mask(response: ResponseResult, mask: Sequence[MaskPoint]) -> MaskVerdict:
    """The measured points against a mask, straight in log f between its corners.

    Raises
    ------
    ValueError : fewer than two corners, or corners not in order of frequency
    """
    if len(mask) < 2 or any(b.frequency_hz <= a.frequency_hz for a, b in itertools.pairwise(mask)):
        raise ValueError("mask: expected two or more corners in order of frequency")
    low = _limit(mask, [p.min_db for p in mask], response.frequency_hz)
    high = _limit(mask, [p.max_db for p in mask], response.frequency_hz)
    room = np.fmin(high - response.relative_db, response.relative_db - low)
    covered = np.flatnonzero(np.isfinite(room))
    if not covered.size:
        return MaskVerdict(
            is_within=False,
            margin_db=float("nan"),
            margin_uncertainty_db=0.0,
            worst_hz=float("nan"),
            compared=0,
            outside=(),
        )
    worst = int(covered[np.argmin(room[covered])])
    return MaskVerdict(
        is_within=bool(room[worst] >= 0.0),
        margin_db=float(room[worst]),
        margin_uncertainty_db=float(response.uncertainty_db[worst]),
        worst_hz=float(response.frequency_hz[worst]),
        compared=int(covered.size),
        outside=tuple(
            MaskExcess(
                frequency_hz=float(response.frequency_hz[k]),
                relative_db=float(response.relative_db[k]),
                limit_db=float(high[k] if response.relative_db[k] > high[k] else low[k]),
            )
            for k in covered
            if room[k] < 0.0
        ),
    )


def power_bandwidth(
    points: Sequence[PowerPoint],
    *,
    stated_power_w: float,
    stated_thd: float,
    reference_hz: float = 1000.0,
) -> tuple[BandEdge, BandEdge]:
    """Lower and upper edge of the range in which half the stated power is had within the stated THD.

    Outwards from the reference it ends where the power falls below the half or the distortion rises
    above what is stated, whichever comes first; and it is known no further than the distortion is.

    Parameters
    ----------
    points : two or more, any order, no frequency twice; the reference with its distortion
    stated_power_w, stated_thd : > 0; the distortion as a fraction
    reference_hz : within them

    Raises
    ------
    ValueError : a power or a distortion isn't positive, or as analyse_response
    """
    if min(stated_power_w, stated_thd, *(p.power_w for p in points)) <= 0.0:
        raise ValueError("points: powers and what is stated must be positive")
    power = [
        ResponsePoint(
            frequency_hz=p.frequency_hz,
            gain_db=10.0 * math.log10(p.power_w / (POWER_SHARE * stated_power_w)),
            uncertainty_db=p.power_uncertainty_db,
        )
        for p in points
    ]
    purity = [
        ResponsePoint(
            frequency_hz=p.frequency_hz,
            gain_db=20.0 * math.log10(stated_thd / p.thd),
            uncertainty_db=20.0 / math.log(10.0) * p.thd_uncertainty / p.thd,
        )
        for p in _up_to_unknown(points, reference_hz)
        if p.thd
    ]
    return (
        _nearest(power, purity, reference_hz, upwards=False),
        _nearest(power, purity, reference_hz, upwards=True),
    )


def _up_to_unknown(points: Sequence[PowerPoint], reference_hz: float) -> list[PowerPoint]:
    """The points about the reference, to both sides up to the first whose distortion isn't known."""
    unknown_hz = [p.frequency_hz for p in points if p.thd is None]
    low_hz = max((f for f in unknown_hz if f <= reference_hz), default=0.0)
    high_hz = min((f for f in unknown_hz if f > reference_hz), default=math.inf)
    return [p for p in points if low_hz < p.frequency_hz < high_hz]


def _nearest(
    power: Sequence[ResponsePoint],
    purity: Sequence[ResponsePoint],
    reference_hz: float,
    *,
    upwards: bool,
) -> BandEdge:
    """The edge that comes first on the way from the reference, one of the points' end among them."""

    def edge(points: Sequence[ResponsePoint]) -> BandEdge:
        if len(points) < 2:
            return BandEdge(frequency_hz=Estimate(value=None), beyond_hz=reference_hz)
        return _edge(*_columns(points), reference_hz, 0.0, upwards=upwards)

    def place_hz(of: BandEdge) -> float:
        return of.frequency_hz.value or of.beyond_hz or 0.0

    return (min if upwards else max)(edge(power), edge(purity), key=place_hz)


def _columns(points: Sequence[ResponsePoint]) -> tuple[Spectral, Spectral, Spectral]:
    """Frequency, gain and doubt of the points, in order of frequency."""
    ordered = sorted(points, key=lambda p: p.frequency_hz)
    if len(ordered) < 2:
        raise ValueError(f"points: {len(ordered)} of them; expected two or more")
    if ordered[0].frequency_hz <= 0.0:
        raise ValueError(f"points: frequency {ordered[0].frequency_hz:g} Hz isn't positive")
    for a, b in itertools.pairwise(ordered):
        if a.frequency_hz == b.frequency_hz:
            raise ValueError(f"points: {a.frequency_hz:g} Hz comes twice")
    return (
        np.array([p.frequency_hz for p in ordered]),
        np.array([p.gain_db for p in ordered]),
        np.array([p.uncertainty_db for p in ordered]),
    )


def _known(estimate: Estimate) -> float:
    return estimate.value if estimate.value is not None else 0.0


def _at(frequency: Spectral, gain: Spectral, doubt: Spectral, wanted_hz: float) -> Estimate:
    """Gain at a frequency inside the range of the points, dB."""
    if not frequency[0] <= wanted_hz <= frequency[-1]:
        raise ValueError(
            f"reference_hz {wanted_hz:g} lies outside the points, {frequency[0]:g} to "
            f"{frequency[-1]:g} Hz"
        )
    curve = scipy.interpolate.PchipInterpolator(np.log(frequency), gain)
    nearest = int(np.argmin(np.abs(np.log(frequency / wanted_hz))))
    return Estimate(
        value=float(curve(np.log(wanted_hz))), standard_uncertainty=float(doubt[nearest])
    )


def _flatness(
    frequency: Spectral, relative: Spectral, spread: Spectral, band_hz: tuple[float, float]
) -> tuple[Estimate, float]:
    """Largest deviation from the reference in the band, dB, and its frequency."""
    inside = (frequency >= band_hz[0] * (1 - SAME)) & (frequency <= band_hz[1] * (1 + SAME))
    if not np.any(inside):
        raise ValueError(f"points: none within {band_hz[0]:g} to {band_hz[1]:g} Hz")
    worst = int(np.argmax(np.where(inside, np.abs(relative), -1.0)))
    flatness = Estimate(
        value=abs(float(relative[worst])), standard_uncertainty=float(spread[worst])
    )
    return flatness, float(frequency[worst])


def _edge(
    frequency: Spectral,
    relative: Spectral,
    spread: Spectral,
    reference_hz: float,
    level_db: float,
    *,
    upwards: bool,
) -> BandEdge:
    """Crossing of level_db on the way from the reference outwards.

    The first one; where noise lets the points cross again before they lie below it for certain, the
    middle between that and the last.
    """
    x = np.log(frequency)
    beyond = frequency >= reference_hz if upwards else frequency <= reference_hz
    outwards = np.flatnonzero(beyond) if upwards else np.flatnonzero(beyond)[::-1]
    is_below = relative[outwards] < level_db
    if not is_below.any():
        outermost = float(frequency[-1] if upwards else frequency[0])
        return BandEdge(frequency_hz=Estimate(value=None), beyond_hz=outermost)
    first = int(np.argmax(is_below))
    if first == 0 and not 0 <= outwards[0] + (-1 if upwards else 1) < x.size:
        return BandEdge(frequency_hz=Estimate(value=None), beyond_hz=float(frequency[outwards[0]]))
    is_sure = relative[outwards] < level_db - _SURELY_BELOW * spread[outwards]
    sure = int(np.argmax(is_sure)) if is_sure.any() else outwards.size
    again = first + np.flatnonzero(~is_below[first:sure])
    curve = scipy.interpolate.PchipInterpolator(x, relative)

    def place(outer: int) -> float:
        """Where the curve crosses between a point below and the one before it."""
        k = int(outwards[outer])
        low, high = sorted((x[k], x[k - 1 if upwards else k + 1]))
        roots = np.asarray(curve.solve(level_db, extrapolate=False), dtype=np.float64)
        inside = roots[(roots >= low) & (roots <= high)]
        return float(inside[0]) if inside.size else float(x[k])

    begin = place(first)
    end = place(min(int(again[-1]) + 1, outwards.size - 1)) if again.size else begin
    k = int(outwards[first])
    inner = k - 1 if upwards else k + 1
    scatter = max(float(spread[k]), float(spread[inner]))
    if abs(float(relative[k] - relative[inner])) >= _CLEAR * scatter:
        slope = abs(float(curve(begin, 1)))
    else:
        slope = _slope(x, relative, scatter, k)
    doubt = scatter / max(slope, 1e-12)
    edge_hz = math.exp((begin + end) / 2)
    return BandEdge(
        frequency_hz=Estimate(
            value=edge_hz,
            standard_uncertainty=edge_hz * math.hypot(doubt, (end - begin) / math.sqrt(12)),
        )
    )


def _slope(x: Spectral, relative: Spectral, scatter: float, at: int) -> float:
    """Slope about a point, dB per unit of x, over so many points that it is not made by noise."""
    for reach in range(1, x.size):
        low, high = max(at - reach, 0), min(at + reach, x.size - 1)
        change = abs(float(relative[high] - relative[low]))
        if change >= _SURELY_BELOW * scatter or (low == 0 and high == x.size - 1):
            break
    return change / float(x[high] - x[low])


def _limit(
    mask: Sequence[MaskPoint], values: Sequence[float | None], frequency: Spectral
) -> Spectral:
    """One side of a mask at given frequencies, NaN where it sets no limit."""
    x = np.log([p.frequency_hz for p in mask])
    y = np.array([np.nan if v is None else v for v in values])
    at = np.log(frequency)
    within = np.interp(at, x, y)
    # a limit ends at a corner that still has it: interpolation towards NaN would eat the corner
    for corner, value in zip(x, y, strict=True):
        within = np.where(np.abs(at - corner) < SAME, value, within)
    outside = (at < x[0] - SAME) | (at > x[-1] + SAME)
    return np.where(outside, np.nan, within)
