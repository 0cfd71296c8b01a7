"""Noise from a periodogram, and what noise does to the lines in it.

Conventions: b is E|error|^2 of a line's complex peak amplitude. White noise of variance s^2 a
sample gives b = 4 s^2/N; the mean square of one bin of the periodogram is 2 s^2/N, so b is twice
that.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from sequencer.analysis.arrays import Phasors, Spectral, sum_of_squares
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.flicker import doubted, usual_power, white_and_flicker
from sequencer.analysis.spectrum import HANN_CORRELATION, Periodogram

_FALSE_LINE = 1e-4  # chance that noise alone passes for a line
# One-sided coverage of a bound by itself. A line is given as a bound below a threshold and with a
# two-sided 95 % interval above it. Near the threshold both can fail, at most one in 33 and one in
# 40 times: 97 % here makes 94.5 to 97 % together.
_BOUND_COVERAGE = 0.97
_ONE_SIDED_97 = 1.8808  # the same of a normal variable
_LOBE_BINS = 3  # half-width of the hole a removed line leaves in a Hann spectrum
_NEIGHBOURS = 120  # bins each side of a line in which its noise is read, at most
_NEAR = 0.4  # and not further than this part of its frequency, for the sake of 1/f noise
_FEWEST = 24
_OUTLIER = 8.0  # medians; what lies above is no noise
_OF_KEPT = 1 - 8 * math.log(2) / (2**8 - 1)  # mean of exponentially distributed powers below that


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquare:
    """A mean square in V^2 and its variance in V^4, of noise, lines, or both."""

    value_v2: float
    variance_v4: float

    def __add__(self, other: "MeanSquare") -> "MeanSquare":
        return MeanSquare(
            value_v2=self.value_v2 + other.value_v2,
            variance_v4=self.variance_v4 + other.variance_v4,
        )

    def root(self) -> Estimate:
        """The rms value in volts with its standard uncertainty."""
        rms = float(np.sqrt(max(self.value_v2, 0.0)))
        doubt = float(np.sqrt(self.variance_v4)) / (2 * rms) if rms > 0 else 0.0
        return Estimate(value=rms, standard_uncertainty=doubt)


def band_mean_square(
    spectrum: Periodogram, band_hz: tuple[float, float], *, power_weight: Spectral | None = None
) -> MeanSquare:
    """Mean square in a band: the bins added up, those at the edges by the part inside the band.

    Parameters
    ----------
    band_hz : lower and upper edge; a bin reaches half a bin to each side of its centre
    power_weight : squared magnitude of a weighting at each bin, shape of the spectrum
    """
    first, share = _shares(spectrum, band_hz)
    bins = slice(first, first + share.size)
    power = spectrum.mean_square_v2[bins] * share
    if power_weight is not None:
        power = power * power_weight[bins]
    # a bin of noise has the standard deviation of its mean, so E(P^2) is twice its variance
    variance = HANN_CORRELATION * sum_of_squares(power) / 2
    return MeanSquare(value_v2=float(power.sum()), variance_v4=variance)


def lines_mean_square(
    amplitude: ArrayLike, noise_v2: Spectral, *, power_weight: ArrayLike = 1.0
) -> MeanSquare:
    """Mean square of fitted lines (peak amplitudes), weighted, with its variance.

    The noise that a fitted line takes with it is not subtracted: it is missing from the residual.
    """
    power = np.abs(np.asarray(amplitude)) ** 2
    weight = np.broadcast_to(np.asarray(power_weight, dtype=np.float64), power.shape) / 2
    spread = 2 * np.maximum(power - noise_v2, 0.0) * noise_v2 + noise_v2**2
    return MeanSquare(
        value_v2=float((weight * power).sum()), variance_v4=float((weight**2 * spread).sum())
    )


def noise_of_lines(
    spectrum: Periodogram,
    frequencies_hz: Iterable[float],
    *,
    taken_hz: Iterable[float],
    has_flicker: bool = False,
) -> Spectral:
    """b of lines at these frequencies: twice the mean noise of the bins around each, V^2.

    Bins near the lines that were taken off the record hold too little, bins far above the others a
    line that was not; neither counts. Where few bins remain the window widens.

    Parameters
    ----------
    spectrum : of the record without the taken lines
    taken_hz : all the lines that were taken off
    has_flicker : tell 1/f noise from white where a window reaches far, as it must at the lowest bins;
        it costs sureness in records of few cycles
    """
    power = spectrum.mean_square_v2
    is_free = np.ones(power.size, dtype=np.bool_)
    is_free[:_LOBE_BINS] = False
    is_free[-2:] = False
    for frequency in taken_hz:
        middle = round(frequency / spectrum.bin_hz)
        is_free[max(middle - _LOBE_BINS, 0) : middle + _LOBE_BINS + 1] = False
    bins_at = np.fromiter(frequencies_hz, dtype=np.float64) / spectrum.bin_hz
    floor = _floors_among_many(power, is_free, bins_at)
    for i in np.flatnonzero(np.isnan(floor)).tolist():
        floor[i] = _floor_at(power, is_free, float(bins_at[i]), has_flicker=has_flicker)
    return 2 * floor


def line_estimate(amplitude: ArrayLike, noise_v2: ArrayLike, *, scale: float = 1.0) -> Estimate:
    """Root of the summed squares of lines, times scale; or its 95 % bound if noise could be it.

    The sum of |c_k|^2 over noise follows a non-central chi-square distribution. Noise alone is
    taken off, such that the root has no bias. Where noise alone would reach the sum once in 10^4
    captures or more often, there is no value but an upper bound, by inversion of that
    distribution.

    Parameters
    ----------
    amplitude : complex peak amplitudes of one or more lines, V
    noise_v2 : their b
    scale : factor from peak volts to the unit wanted
    """
    power = np.abs(np.atleast_1d(np.asarray(amplitude))) ** 2
    noise = np.broadcast_to(np.asarray(noise_v2, dtype=np.float64), power.shape)
    return power_estimate(float(power.sum()), power - noise, noise, scale=scale)


def each_line_estimate(
    amplitude: Phasors, noise_v2: Spectral, *, scale: float = 1.0
) -> list[Estimate]:
    """line_estimate of each line by itself.

    Parameters
    ----------
    amplitude, noise_v2 : as for line_estimate, shape (lines,) both
    """
    power = np.square(np.abs(amplitude)).tolist()
    return [
        _estimate(v2, b, b * b, max(v2 - b, 0.0) * b, scale=scale, records=1, is_bound=False)
        for v2, b in zip(power, noise_v2.tolist(), strict=True)
    ]


def power_estimate(
    total_v2: float,
    net_v2: Spectral,
    noise_v2: Spectral,
    *,
    scale: float,
    records: int = 1,
    is_bound: bool = False,
) -> Estimate:
    """As line_estimate, from the summed |c|^2, each line's |c|^2 less noise, and each line's b.

    records : how many independent records total and net are the mean of
    is_bound : give the bound in any case
    """
    return _estimate(
        total_v2,
        float(noise_v2.sum()),
        float((noise_v2**2).sum()),
        float((np.maximum(net_v2, 0.0) * noise_v2).sum()),
        scale=scale,
        records=records,
        is_bound=is_bound,
    )


def _estimate(
    total_v2: float,
    total_noise: float,
    square_noise: float,
    net_by_noise: float,
    *,
    scale: float,
    records: int,
    is_bound: bool,
) -> Estimate:
    """power_estimate by the sums over its lines: |c|^2, b, b^2, and (|c|^2 less noise) b."""
    if total_noise <= 0:
        return Estimate(value=scale * math.sqrt(total_v2))
    # sum of noise powers ~ unit x chi-square(freedom): same mean and variance (Satterthwaite)
    unit = square_noise / total_noise / 2 / records
    freedom = total_noise / unit
    if is_bound or total_v2 < unit * float(scipy.special.chdtri(freedom, _FALSE_LINE)):
        return _bound(total_v2 / unit, freedom, scale * math.sqrt(unit))
    level = math.sqrt(total_v2 - (freedom - 1) * unit)
    doubt = math.sqrt((square_noise + 2 * net_by_noise) / records) / (2 * level)
    return Estimate(value=scale * level, standard_uncertainty=scale * doubt)


def _bound(statistic: float, freedom: float, scale: float) -> Estimate:
    """Upper bound on the root of the non-centrality.

    A sum that fell by chance into the lowest tenth of what noise gives is not believed: the bound
    does not go below that of the tenth (a bound of nothing would say more than was measured).
    """
    believed = max(statistic, float(scipy.special.chdtri(freedom, 0.9)))
    centre = float(scipy.special.chndtrinc(believed, freedom, 1 - _BOUND_COVERAGE))
    if not math.isfinite(centre):  # far out of the noise the root is normal with variance 1
        centre = (math.sqrt(believed) + _ONE_SIDED_97) ** 2
    return Estimate(
        value=None, noise_limited=True, upper_bound=scale * float(np.sqrt(max(centre, 0.0)))
    )


def _floor_at(
    power: Spectral,
    is_free: "np.ndarray[tuple[int], np.dtype[np.bool_]]",
    at: float,
    *,
    has_flicker: bool,
) -> float:
    """Mean power that noise has at a bin position, by the free bins around it."""
    middle, near = round(at), min(_NEIGHBOURS, int(_NEAR * at))
    reach = max(_FEWEST, near)
    while True:
        low, high = max(middle - reach, 0), middle + reach + 1
        bins = low + np.flatnonzero(is_free[low:high])
        if bins.size >= _FEWEST:
            is_far = has_flicker and reach > near
            return _mean_at(at, power[bins], bins) if is_far else _clipped_mean(power[bins])
        if reach >= power.size:
            return _clipped_mean(power[bins] if bins.size >= 4 else power)
        reach *= 2


def _floors_among_many(
    power: Spectral, is_free: "np.ndarray[tuple[int], np.dtype[np.bool_]]", bins_at: Spectral
) -> Spectral:
    """What _floor_at gives where the widest window fits and holds enough; not a number elsewhere.

    All at once: for a tone's thirty lines a tenth of the time.
    """
    middle = np.rint(bins_at).astype(np.intp)
    fits = (_NEAR * bins_at >= _NEIGHBOURS) & (middle + _NEIGHBOURS < power.size)
    at = np.add.outer(middle[fits], np.arange(-_NEIGHBOURS, _NEIGHBOURS + 1))
    has_enough = is_free[at].sum(axis=1) >= _FEWEST
    at = at[has_enough]
    floor = np.full(bins_at.size, np.nan)
    floor[np.flatnonzero(fits)[has_enough]] = _clipped_means(power[at], is_free[at])
    return floor


def _clipped_mean(power: Spectral) -> float:
    """That of one row, all of it free."""
    row = power[np.newaxis]
    return float(_clipped_means(row, np.ones(row.shape, dtype=np.bool_))[0])


def _clipped_means(power: NDArray[np.float64], is_free: NDArray[np.bool_]) -> Spectral:
    """Mean of each row's free powers, exponentially distributed, without those above 8 medians.

    The part cut off noise (2^-8 of it) takes 2.2 % of the mean with it, which is put back. A mean of
    few bins counts for more: two degrees of freedom a bin, less what the window makes them share.

    Parameters
    ----------
    power, is_free : shape (rows, bins), one bin or more of each row free
    """
    count = is_free.sum(axis=1, keepdims=True)
    ordered = np.sort(np.where(is_free, power, np.inf), axis=1)
    most = _OUTLIER * np.take_along_axis(ordered, count // 2, axis=1)
    is_kept = (ordered <= most) & (np.arange(ordered.shape[1]) < count)
    kept = is_kept.sum(axis=1)
    means = np.where(is_kept, ordered, 0.0).sum(axis=1) / kept / _OF_KEPT
    spreads = means**2 * HANN_CORRELATION / kept
    return np.array([doubted(*each) for each in zip(means.tolist(), spreads.tolist(), strict=True)])


def _mean_at(
    at: float, power: Spectral, bins: "np.ndarray[tuple[int], np.dtype[np.intp]]"
) -> float:
    """The same at one bin position of white and 1/f noise together."""
    cycles = bins.astype(np.float64)
    kept = power <= _OUTLIER * usual_power(power, cycles)
    weight = np.full(int(kept.sum()), 2 / HANN_CORRELATION)
    noise, spread = white_and_flicker(power[kept], cycles[kept], weight)
    gain = np.array([1.0, 1 / at])
    return doubted(float(gain @ noise), float(gain @ spread @ gain))


def _shares(spectrum: Periodogram, band_hz: tuple[float, float]) -> tuple[int, Spectral]:
    """First bin that touches a band, and the part of each bin from there on that lies inside."""
    low, high = band_hz[0] / spectrum.bin_hz, band_hz[1] / spectrum.bin_hz
    first = max(int(np.floor(low + 0.5)), 0)
    last = min(int(np.floor(high + 0.5)), spectrum.mean_square_v2.size - 1)
    share = np.ones(max(last - first + 1, 0))
    if share.size:
        share[-1] -= max(last + 0.5 - high, 0.0)
        share[0] -= max(low - (first - 0.5), 0.0)
    return first, share
