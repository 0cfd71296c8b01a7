"""The quasi-peak meter of ITU-R BS.468-4 behind its weighting network.

The Recommendation gives no circuit but the meter's answer to bursts of 5 kHz. Two detectors in
series meet it: each charges quickly towards an input above its own level and discharges slowly. The
four time constants were fitted to the mid-points of the two burst tables.
"""

import math
from collections.abc import Iterable

import numpy as np
import scipy
from numpy.typing import ArrayLike

from sequencer.analysis.arrays import Samples, as_samples
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.spectrum import hann
from sequencer.analysis.weighting import bs468_response

_CHARGE_S = (1.7e-3, 0.257)
_DISCHARGE_S = (0.269, 0.205)
_GROUP = 16  # samples at 97 kHz over which the second detector sees the first one's mean
# No whole number of samples in a period of the usual test tones: of 16 kHz at 96 kHz the same six points
# would be looked at again and again, the peak never among them, and the reading be off by 0.2 dB.
_METER_RATE_HZ = 96731.0
_FADE_S = 0.02
_MEMORY_S = 1.5  # after this the meter has forgotten how it started
# The network departs from the table of the Recommendation by up to 0.050 dB (at 100 Hz), which is that
# table's rounding; as a rectangular doubt, relative.
_NETWORK_DOUBT = (10 ** (0.05 / 20) - 1) / math.sqrt(3)


def noise_468(samples: Samples, sample_rate_hz: float) -> Estimate:
    """Quasi-peak reading of a record behind the BS.468-4 network, volts: its mean deflection.

    A steady sine of 1 kHz reads its rms value. The first and last 20 ms are faded and not read; the
    meter is brought to its deflection by the end of the record first, by a short one again and again.
    The doubt is that of the mean and of the network's response; that meters within the limits
    for bursts read noise differently is none of it.

    Parameters
    ----------
    samples : shape (n,), volts; 0.1 s or more
    """
    weighted, rate_hz = weighted_468(samples, sample_rate_hz)
    skipped = math.ceil(_FADE_S * rate_hz)
    inner = weighted[skipped : weighted.size - skipped]
    before = inner[-math.ceil(_MEMORY_S * rate_hz) :]
    state = (0.0, 0.0)
    for _ in range(math.ceil(_MEMORY_S * rate_hz / before.size)):
        _, state = _deflect(before, rate_hz, state)
    shown, _ = _deflect(inner, rate_hz, state)
    seconds = inner.size / rate_hz
    independent = max(seconds / (2 * _DISCHARGE_S[1]), 1.0)
    reading = float(shown.mean())
    scatter = float(shown.std()) / math.sqrt(independent)
    return Estimate(
        value=reading, standard_uncertainty=math.hypot(scatter, _NETWORK_DOUBT * reading)
    )


def weighted_468(samples: Samples, sample_rate_hz: float) -> tuple[Samples, float]:
    """A record behind the BS.468-4 network, faded in and out over 20 ms, and its rate, about 97 kHz.

    The network is applied to the spectrum, exactly; the record comes back at about 97 kHz, enough
    for what the network passes and for the rectifier behind it.
    """
    fade = min(math.ceil(_FADE_S * sample_rate_hz), samples.size // 2)
    ramp = hann(2 * fade)[:fade]
    record = samples - samples.mean()
    record[:fade] *= ramp
    record[record.size - fade :] *= ramp[::-1]
    padded = scipy.fft.next_fast_len(record.size, real=True)
    spectrum = scipy.fft.rfft(record, n=padded)
    spectrum *= bs468_response(np.arange(spectrum.size) * (sample_rate_hz / padded))
    out = scipy.fft.next_fast_len(round(padded * _METER_RATE_HZ / sample_rate_hz), real=True)
    kept = spectrum[: min(spectrum.size, out // 2 + 1)]
    rate_hz = sample_rate_hz * out / padded
    weighted = scipy.fft.irfft(kept, n=out) * (out / padded)
    return weighted[: math.floor(samples.size * out / padded)], rate_hz


def meter_deflection(weighted: ArrayLike, sample_rate_hz: float) -> Samples:
    """Deflection of the meter from rest, volts, one value for every 16 samples.

    A steady sine of U volts rms brings it to U.

    Parameters
    ----------
    weighted : shape (n,), volts, behind the network (or a plain 5 kHz burst); about 97 kHz

    Raises
    ------
    ValueError : fewer than 16 samples, of which there is no mean for the second detector
    """
    levels = as_samples(weighted)
    if levels.size < _GROUP:
        raise ValueError(f"weighted: {levels.size} samples; the meter needs at least {_GROUP}")
    shown, _ = _deflect(levels, sample_rate_hz, (0.0, 0.0))
    return shown


def _deflect(
    weighted: Samples, sample_rate_hz: float, state: tuple[float, float]
) -> tuple[Samples, tuple[float, float]]:
    """Deflection of the second detector, and both detectors' levels at the end.

    The second is so slow that it may look at means of the first over a sixth of a millisecond.
    """
    means, first = _first_detector(np.abs(weighted), sample_rate_hz, state[0])
    second = _detector(means, *_steps(1, sample_rate_hz / _GROUP), state[1])
    shown = np.array(second) * (math.sqrt(0.5) / _steady_deflection())
    return shown, (first, second[-1])


def _first_detector(levels: Samples, rate_hz: float, start: float) -> tuple[list[float], float]:
    """Means of the first detector's level over groups of inputs, and its level at their end.

    In most groups no input rises above the level: it discharges, which needs no look at each.
    """
    keep, charge = _steps(0, rate_hz)
    kept = keep**_GROUP
    kept_mean = sum(keep**at for at in range(1, _GROUP + 1)) / _GROUP
    groups = levels[: levels.size - levels.size % _GROUP].reshape(-1, _GROUP)
    level, means = start, []
    for peak, group in zip(groups.max(axis=1).tolist(), groups, strict=True):
        if peak <= level * kept:
            means.append(level * kept_mean)
            level *= kept
        else:
            inside = _detector(group.tolist(), keep, charge, level)
            means.append(sum(inside) / _GROUP)
            level = inside[-1]
    return means, level


def _steps(which: int, rate_hz: float) -> tuple[float, float]:
    """What a detector keeps from one input to the next, and how far it charges towards a higher one."""
    keep = math.exp(-1 / (_DISCHARGE_S[which] * rate_hz))
    return keep, -math.expm1(-1 / (_CHARGE_S[which] * rate_hz))


def _detector(levels: Iterable[float], keep: float, charge: float, level: float) -> list[float]:
    """Level of one detector after each input: it discharges, and charges from a higher input."""
    out = []
    for given in levels:
        level *= keep
        if given > level:
            level += charge * (given - level)
        out.append(level)
    return out


def _steady_deflection() -> float:
    """Deflection of the second detector for a steady sine of peak 1.

    The first settles where the charge of a period, (2/pi)(sqrt(1 - v^2) - v acos v) over its
    charging time, equals its discharge; the second where charge and discharge of a constant input
    balance.
    """
    low, high = 0.0, 1.0
    for _ in range(60):
        v = (low + high) / 2
        charged = 2 / math.pi * (math.sqrt(1 - v * v) - v * math.acos(v)) / _CHARGE_S[0]
        low, high = (v, high) if charged > v / _DISCHARGE_S[0] else (low, v)
    return low / (1 + _CHARGE_S[1] / _DISCHARGE_S[1])
