"""The digitiser's own errors: gain, offset, 24-bit codes, saturation."""

import numpy as np

from sim_instruments.lines import Samples
from sim_instruments.parameters import RANGES_PEAK_V, BenchParameters

_HALF_CODES = 2.0**23


def noise_vrms(bench: BenchParameters, range_peak_v: float) -> float:
    """Input noise over the full band, V r.m.s.; it scales with the range."""
    return bench.digitiser_noise_v * range_peak_v


def digitised(volts: Samples, bench: BenchParameters, range_peak_v: float) -> tuple[Samples, bool]:
    """What the digitiser reports for the voltage at its input, and whether it saturated.

    The array is overwritten.
    """
    error_db = dict(bench.range_gain_db).get(range_peak_v, 0.0)
    volts *= (10.0 ** (error_db / 20.0)) * _HALF_CODES / range_peak_v
    volts += bench.digitiser_offset_v * _HALF_CODES / range_peak_v
    np.rint(volts, out=volts)
    is_overrange = bool(volts.max() > _HALF_CODES - 1.0 or volts.min() < -_HALF_CODES)
    if is_overrange:
        np.clip(volts, -_HALF_CODES, _HALF_CODES - 1.0, out=volts)
    volts *= range_peak_v / _HALF_CODES
    return volts, is_overrange


def range_for(peak_v: float) -> float:
    """Smallest range that holds a peak voltage."""
    return next((r for r in RANGES_PEAK_V if r >= peak_v), RANGES_PEAK_V[-1])
