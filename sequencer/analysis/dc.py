"""DC offset under hum and 1/f noise.

Theory of operation. The mean is fitted jointly with all mains lines to 2 kHz at the frequency found in
the record, so it is as good as the mean of the noise alone. Its doubt is that of noise of density
w + g/k (k cycles in the record): white noise of w a bin gives the mean a variance w/2; 1/f noise gives
g times the integral of sinc^2(u)/u from the slowest noise that counts on. w and g are the most likely
ones, given the lowest components of what the fit leaves. A short record has few of them between its
lines, so each component counts by the part of it that the fit has not taken (one less its leverage),
and what that leaves uncertain about w and g widens the doubt. What rounding does to the mean where too
little noise lies over the samples' step joins it (resolution).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sequencer.analysis.arrays import Phasors, Samples, Spectral
from sequencer.analysis.checks import (
    is_of_few_codes,
    require_duration,
    require_no_flat_run,
    require_usable,
)
from sequencer.analysis.dc_steps import DcStep, find_dc_steps
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.flicker import doubted, usual_power, white_and_flicker
from sequencer.analysis.mains import find_mains, multiples_below
from sequencer.analysis.resolution import rounding_of, step_over
from sequencer.analysis.sine_fit import (
    LineFit,
    fit_lines,
    group_means,
    remove_lines,
    shared_correction_hz,
)

LEAST_MAINS_CYCLES = 5.0
_HIGHEST_LINE_HZ = 2000.0  # twice as far as the noise of the shortest record is read
_FEWEST_SAMPLES = 16
_SLOW_SAMPLES = 240  # of the copy that the noise is read in, or up to twice as many
_MOST_CYCLES = 60  # of a component in the record
_HIGHEST_SHARE = 0.4  # of the copy's rate, for the same
_HIGHEST_TAKEN = 0.45  # and of a line
_LEAST_LEFT = 0.3  # of a component's variance; with less, what is left tells more of the fit
_FEWEST_COMPONENTS = 6
_OUTLIER = 30.0  # medians; noise does that once in some thousand components
_SLOWEST = 0.05  # noise slower than 1/20 of a cycle in the record is drift, not doubt
_PARTS = 5  # of a record, whose means show how it moved
_MOVED = 14.0  # doubts; the range of five means of white noise is beyond 12 once in 10^4
# Variance of the mean over w and over g.
_OF_MEAN = np.array([0.5, 1.5 - np.euler_gamma - np.log(2 * np.pi) - np.log(_SLOWEST)])


@dataclass(frozen=True, slots=True, kw_only=True)
class DcResult:
    """The DC of a record, and where it is seen to move how far it does at least, V.

    moved_v is between the means of fifths of the record: 4/5 of a steady drift. offset_v is the mean
    before and after steps, which widen its doubt.
    """

    offset_v: Estimate
    moved_v: float | None
    steps: tuple[DcStep, ...] = ()


def analyse_dc(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    nominal_mains_hz: float = 50.0,
    is_overrange: bool = False,
    range_peak_v: float | None = None,
) -> DcResult:
    """DC voltage of a record with hum on it.

    Least squares of the mean with the mains lines at the mains frequency found in the record
    (nominal where none is seen), or the mean of a record too slow to hold a mains line: readings of
    a meter, say, that averages itself. The standard uncertainty covers white and 1/f noise down to
    a 20th of a cycle in the record's length; what moves slower than that does so on top of it.

    Parameters
    ----------
    samples : shape (n,), volts
    nominal_mains_hz : 50 or 60
    is_overrange : what the instrument itself says of the record
    range_peak_v : full scale of the converter, where known

    Raises
    ------
    CannotMeasure : nonfinite, no_signal, overrange, dropout; too_short below five mains cycles or
        16 samples
    """
    record = require_usable(
        samples, is_overrange=is_overrange, range_peak_v=range_peak_v, is_live=True
    )
    least_s = LEAST_MAINS_CYCLES / nominal_mains_hz
    require_duration(record, sample_rate_hz, least_s, "five mains cycles")
    require_duration(
        record, sample_rate_hz, _FEWEST_SAMPLES / sample_rate_hz, "a mean with its doubt"
    )
    if not is_of_few_codes(record):
        require_no_flat_run(record)
    fit = fit_with_mains(record, sample_rate_hz, nominal_mains_hz)
    rest = remove_lines(record, sample_rate_hz, fit)
    # hum left, or a drift, scatters but dithers less than white noise does
    scatter_v = min(float(np.std(rest)), float(np.std(np.diff(rest))) / np.sqrt(2))
    slow = SlowRest.of(record, sample_rate_hz, fit)
    variance = offset_variance_v2(slow, fit)
    variance += rounding_of(record, sample_rate_hz, fit, scatter_v).mean_v2
    doubt_v = float(np.sqrt(variance))

    def rest_of(left: Samples) -> Samples:
        return remove_lines(
            left, sample_rate_hz, fit_with_mains(left, sample_rate_hz, nominal_mains_hz)
        )

    return DcResult(
        offset_v=Estimate(value=fit.offset_v, standard_uncertainty=doubt_v),
        moved_v=slow.moved_v(doubt_v),
        steps=find_dc_steps(
            record, sample_rate_hz, nominal_mains_hz, rest, rest_of, code_v=step_over(record, 0.0)
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowRest:
    """What a fit leaves of a record, as some 240 to 480 means of groups, V, and their rate."""

    value_v: Samples
    rate_hz: float

    @classmethod
    def of(cls, record: Samples, sample_rate_hz: float, fit: LineFit) -> "SlowRest":
        """Of a record, shape (n,), volts."""
        group = max(1, record.size // _SLOW_SAMPLES)
        value_v, rate_hz = group_means(record, sample_rate_hz, group, without=fit)
        return cls(value_v=value_v, rate_hz=rate_hz)

    def moved_v(self, doubt_v: float) -> float | None:
        """How far it moves at least, V, where that is beyond what such a doubt of the mean explains."""
        length = max(self.value_v.size // _PARTS, 1)
        whole = self.value_v.size // length * length
        far_v = float(np.ptp(self.value_v[:whole].reshape(-1, length).mean(axis=1)))
        return far_v if far_v > _MOVED * doubt_v else None


def offset_variance_v2(rest: SlowRest, fit: LineFit, *, first_cycle: int = 1) -> float:
    """Variance of a fit's offset, V^2, by the noise in what it leaves of the record.

    first_cycle : of the noise that is looked at; what is slower may be no noise
    """
    slow, rate_hz = rest.value_v, rest.rate_hz
    power, cycles, weight = _components(slow, rate_hz, fit.frequency_hz, first_cycle)
    if cycles.size < _FEWEST_COMPONENTS or not power.any():
        left = max(slow.size - 2 * fit.frequency_hz.size - 1, 1)
        return float(slow @ slow) / left / slow.size
    noise, spread = white_and_flicker(power, cycles, weight)
    return doubted(float(_OF_MEAN @ noise), float(_OF_MEAN @ spread @ _OF_MEAN))


def fit_with_mains(record: Samples, sample_rate_hz: float, nominal_hz: float) -> LineFit:
    """The mean with the mains lines that the record can hold."""
    if not multiples_below(1.01 * nominal_hz, sample_rate_hz):
        return fit_lines(record, sample_rate_hz, ())
    found = find_mains(record, sample_rate_hz, (nominal_hz,))
    mains_hz = found.value_hz if found is not None and found.is_seen else nominal_hz
    multiples = multiples_below(mains_hz, sample_rate_hz, _HIGHEST_LINE_HZ)
    if found is not None and found.is_seen:
        # The frequency was found from the first lines alone; in a short record the others pulled at it.
        moving = range(len(multiples))
        fit = fit_lines(record, sample_rate_hz, mains_hz * np.array(multiples), drifting=moving)
        mains_hz += shared_correction_hz(fit, moving, multiples)
    return fit_lines(record, sample_rate_hz, mains_hz * np.array(multiples))


def _components(
    rest: Samples, rate_hz: float, taken_hz: Spectral, first_cycle: int
) -> tuple[Spectral, Spectral, Spectral]:
    """The lowest cosines and sines of what a fit leaves: power a bin, V^2; cycles; part left by the fit.

    A drift over the record is taken off too: it would show in all of them.
    """
    count = rest.size
    cycles = np.arange(first_cycle, min(_MOST_CYCLES, int(_HIGHEST_SHARE * count)) + 1)
    m = np.arange(count) - (count - 1) / 2
    angle = np.outer(m, 2 * np.pi * taken_hz[taken_hz < _HIGHEST_TAKEN * rate_hz] / rate_hz)
    even = np.linalg.qr(np.column_stack([np.ones(count), np.cos(angle)])).Q
    odd = np.linalg.qr(np.column_stack([m, np.sin(angle)])).Q
    left_over = rest - even @ (even.T @ rest) - odd @ (odd.T @ rest)

    def products(of: NDArray[np.float64]) -> Phasors:
        turned = np.exp(1j * np.pi * (count - 1) / count * cycles)  # to mid-record
        return np.asarray(np.fft.rfft(of.T)[..., cycles] * turned)

    cosine_left = count / 2 - np.square(products(even).real).sum(axis=0)
    sine_left = count / 2 - np.square(products(odd).imag).sum(axis=0)
    found = products(left_over)
    left = np.append(cosine_left, sine_left) * (2 / count)
    chosen = left > _LEAST_LEFT
    known = np.tile(cycles.astype(np.float64), 2)[chosen]
    power = (np.append(found.real, found.imag)[chosen] * 2 / count) ** 2 / left[chosen]
    return np.minimum(power, _OUTLIER * usual_power(power, known)), known, left[chosen]
