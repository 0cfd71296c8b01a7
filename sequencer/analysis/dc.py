"""DC offset under hum and 1/f noise."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sequencer.analysis.arrays import Samples, Spectral
from sequencer.analysis.checks import require_duration, require_no_flat_run, require_usable
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.mains import find_mains, multiples_below
from sequencer.analysis.sine_fit import fit_lines, residual_periodogram
from sequencer.analysis.spectrum import Periodogram, hann, periodogram

LEAST_MAINS_CYCLES = 5.0
_FIT_FROM_S = 0.4  # below, a mean over whole cycles with a Hann window does better than the fit
_LINES = 6
_FEWEST_SAMPLES = 16
_FEWEST_BINS = 12
_LOWEST_BINS = 200
_SAME_MODEL = 0.01  # change of the model that ends its iteration
_SLOWEST = 0.04  # noise slower than 1/25 of a cycle in the record is drift, not doubt


def dc_offset(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    nominal_mains_hz: float = 50.0,
    is_overrange: bool = False,
    range_peak_v: float | None = None,
) -> Estimate:
    """DC voltage of a record with hum on it, volts.

    From 0.4 s on: least squares of the mean with the first mains lines at the mains frequency
    found in the record (nominal where none is seen). Shorter records: mean with a Hann window
    over a whole number of nominal mains cycles. The standard uncertainty covers white and 1/f
    noise down to a 25th of a cycle in the record's length.

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
    record = require_usable(samples, is_overrange=is_overrange, range_peak_v=range_peak_v)
    least_s = LEAST_MAINS_CYCLES / nominal_mains_hz
    require_duration(record, sample_rate_hz, least_s, "five mains cycles")
    require_duration(
        record, sample_rate_hz, _FEWEST_SAMPLES / sample_rate_hz, "a mean with its doubt"
    )
    require_no_flat_run(record)
    if not multiples_below(1.01 * nominal_mains_hz, sample_rate_hz):
        return _plain_mean(record, sample_rate_hz)
    if record.size / sample_rate_hz < _FIT_FROM_S:
        return _windowed_mean(record, sample_rate_hz, nominal_mains_hz)
    return _fitted_mean(record, sample_rate_hz, nominal_mains_hz)


def offset_variance_v2(spectrum: Periodogram, taken_hz: Spectral) -> float:
    """Variance of the mean of a record with this noise spectrum, V^2.

    The lowest bins are described as w + g/k (bin number k). White noise of w a bin gives the mean a
    variance w/2; 1/f noise gives g times the integral of sinc^2(u)/u from 0.04 on, 2.30.

    Parameters
    ----------
    spectrum : of the record without its mean and lines
    taken_hz : the lines that were taken off
    """
    white, flicker = _white_and_flicker(spectrum, taken_hz)
    slow_part = 1.5 - np.euler_gamma - np.log(2 * np.pi) - np.log(_SLOWEST)
    return white / 2 + flicker * float(slow_part)


def _fitted_mean(record: Samples, sample_rate_hz: float, nominal_hz: float) -> Estimate:
    found = find_mains(record, sample_rate_hz, (nominal_hz,))
    mains_hz = found.value_hz if found is not None and found.is_seen else nominal_hz
    count = min(_LINES, len(multiples_below(mains_hz, sample_rate_hz)))
    lines_hz = mains_hz * np.arange(1, count + 1, dtype=np.float64)
    fit = fit_lines(record, sample_rate_hz, lines_hz)
    rest = residual_periodogram(record, sample_rate_hz, fit)
    variance = offset_variance_v2(rest, lines_hz)
    return Estimate(value=fit.offset_v, standard_uncertainty=float(np.sqrt(variance)))


def _plain_mean(record: Samples, sample_rate_hz: float) -> Estimate:
    """Mean of a record too slow to hold a hum line: readings of a meter, say, that averages itself."""
    mean = float(record.mean())
    variance = offset_variance_v2(periodogram(record - mean, sample_rate_hz), np.empty(0))
    return Estimate(value=mean, standard_uncertainty=float(np.sqrt(variance)))


def _windowed_mean(record: Samples, sample_rate_hz: float, nominal_hz: float) -> Estimate:
    """Mean with a Hann window; its doubt as if the noise between the hum lines were all of it.

    The window widens the mean's noise bandwidth by half. What hum it leaves, with the mains off
    nominal by up to 0.5 %, is added: the window's response there is below the hum by 1/50 of that.
    """
    cycles = int(record.size * nominal_hz / sample_rate_hz)
    used = record[: round(cycles * sample_rate_hz / nominal_hz)]
    window = hann(used.size)
    mean = float(window @ used / window.sum())
    lines_hz = nominal_hz * np.array(multiples_below(nominal_hz, sample_rate_hz))
    fit = fit_lines(used, sample_rate_hz, lines_hz[:_LINES])
    rest = residual_periodogram(used, sample_rate_hz, fit)
    noise_v2 = 1.5 * offset_variance_v2(rest, lines_hz[:_LINES])
    hum_v = float(np.abs(fit.amplitude).sum()) * _hann_leakage(cycles)
    return Estimate(value=mean, standard_uncertainty=float(np.sqrt(noise_v2 + hum_v**2 / 6)))


def _hann_leakage(cycles: int) -> float:
    """Response of the Hann window 0.5 % off its null at cycles bins: sinc(x) / (1 - x^2)."""
    off = cycles * (1 + 0.005)
    return float(abs(np.sinc(off) / (1 - off**2)))


def _white_and_flicker(spectrum: Periodogram, taken_hz: Spectral) -> tuple[float, float]:
    """w and g of the noise's lowest bins, w + g/k, by iterated weighted least squares.

    A periodogram's bin has a standard deviation equal to its mean, so the weights are the inverse
    square of the model (Whittle's likelihood to first order). Where few bins lie between lines the
    noise is taken for white.
    """
    number = _free_bins(spectrum, taken_hz)
    power = spectrum.mean_square_v2[number]
    if number.size < _FEWEST_BINS:
        return float(power.mean() if power.size else spectrum.mean_square_v2.mean()), 0.0
    power = np.minimum(power, 12 * np.median(power * number) / number + 12 * np.median(power))
    least = 1e-12 * float(power.max())
    if least == 0.0:
        return 0.0, 0.0  # a computed record without noise
    model = np.column_stack([np.ones(number.size), 1 / number])
    fitted = np.full(number.size, power.mean())
    white, flicker = float(power.mean()), 0.0
    for _ in range(12):
        weighted = model / np.maximum(fitted, least)[:, np.newaxis] ** 2
        white, flicker = np.linalg.solve(model.T @ weighted, weighted.T @ power)
        if flicker < 0:
            return float(power.mean()), 0.0
        if white < 0:
            white, flicker = 0.0, float(np.mean(power * number))
        before, fitted = fitted, white + flicker / number
        if np.abs(fitted - before).max() < _SAME_MODEL * fitted.min():
            break
    return float(white), float(flicker)


def _free_bins(spectrum: Periodogram, taken_hz: Spectral) -> NDArray[np.intp]:
    """The lowest bins beyond the lobe of the mean that no taken line touches, at most 200 or so."""
    taken = 7 * len(taken_hz)  # so many bins the lines can take, at most
    is_free = np.ones(min(spectrum.mean_square_v2.size, _LOWEST_BINS + taken), dtype=np.bool_)
    is_free[:3] = False
    for line_hz in taken_hz:
        middle = round(line_hz / spectrum.bin_hz)
        is_free[max(middle - 3, 0) : middle + 4] = False
    free = np.flatnonzero(is_free)
    low = free[free < _LOWEST_BINS]
    return low if low.size >= _FEWEST_BINS else free[:_LOWEST_BINS]
