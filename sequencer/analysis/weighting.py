"""Frequency weightings A and C (IEC 61672-1) and the network of ITU-R BS.468-4, as responses.

All are in dB relative to 1 kHz, at the frequencies asked for. A and C follow the formulas of IEC
61672-1 clause 5.4; 468 is computed from the element values of the passive network in ITU-R
BS.468-4 figure 1a. The levels a meter shows at a nominal frequency (31.5 Hz) belong to the exact
base-10 frequency (31.6228 Hz).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sequencer.analysis.arrays import Phasors, Spectral

# Pole frequencies in Hz, IEC 61672-1 annex E.
_F1 = 20.598997
_F2 = 107.65265
_F3 = 737.86223
_F4 = 12194.217

# ITU-R BS.468-4 figure 1a, from source to load: ohm, henry, farad.
_SOURCE_OHM = 600.0
_LOAD_OHM = 600.0
_LADDER = (
    ("shunt_c", 13.85e-9),
    ("series_l", 12.88e-3),
    ("shunt_c", 26.82e-9),
    ("series_c", 33.06e-9),
    ("shunt_c", 9.21e-9),
    ("series_l", 26.49e-3),
    ("shunt_c", 31.47e-9),
)


def a_weighting_db(frequency_hz: ArrayLike) -> Spectral:
    """A-weighting in dB re 1 kHz (minus infinity at 0 Hz)."""
    return _decibels(_a_magnitude(frequency_hz) / _a_magnitude(1000.0))


def c_weighting_db(frequency_hz: ArrayLike) -> Spectral:
    """C-weighting in dB re 1 kHz (minus infinity at 0 Hz)."""
    return _decibels(_c_magnitude(frequency_hz) / _c_magnitude(1000.0))


def bs468_weighting_db(frequency_hz: ArrayLike) -> Spectral:
    """Response of the ITU-R BS.468-4 network in dB re 1 kHz (minus infinity at 0 Hz)."""
    return _decibels(np.abs(bs468_response(frequency_hz)))


def a_weighting_power(frequency_hz: ArrayLike) -> Spectral:
    """Squared magnitude of the A-weighting re 1 kHz, for mean squares."""
    ratio: Spectral = (_a_magnitude(frequency_hz) / _a_magnitude(1000.0)) ** 2
    return ratio


def bs468_response(frequency_hz: ArrayLike) -> Phasors:
    """Complex response of the ITU-R BS.468-4 network, magnitude 1 at 1 kHz, 0 at 0 Hz."""
    gain = abs(complex(_bs468_transfer(np.array([1000.0]))[0]))
    return _bs468_transfer(np.asarray(frequency_hz, dtype=np.float64)) / gain


def _a_magnitude(frequency_hz: ArrayLike) -> Spectral:
    f2 = np.asarray(frequency_hz, dtype=np.float64) ** 2
    poles = (f2 + _F1**2) * (f2 + _F4**2) * np.sqrt((f2 + _F2**2) * (f2 + _F3**2))
    magnitude: Spectral = _F4**2 * f2**2 / poles
    return magnitude


def _c_magnitude(frequency_hz: ArrayLike) -> Spectral:
    f2 = np.asarray(frequency_hz, dtype=np.float64) ** 2
    magnitude: Spectral = _F4**2 * f2 / ((f2 + _F1**2) * (f2 + _F4**2))
    return magnitude


def _bs468_transfer(frequency_hz: NDArray[np.float64]) -> Phasors:
    """Voltage at the load over that of the source, by the chain matrix of the ladder.

    The matrix's second column is not needed: with voltage and current at the load 1 and 1/R, each
    element is passed from the load back to the source. The series capacitor's admittance is 0 at
    0 Hz, where nothing passes.
    """
    s = 2j * np.pi * np.where(frequency_hz > 0, frequency_hz, 1.0)
    voltage = np.ones(s.shape, dtype=np.complex128)
    current = voltage / _LOAD_OHM
    for kind, value in reversed(_LADDER):
        if kind == "shunt_c":
            current = current + s * value * voltage
        elif kind == "series_l":
            voltage = voltage + s * value * current
        else:
            voltage = voltage + current / (s * value)
    source = voltage + _SOURCE_OHM * current
    return np.where(frequency_hz > 0, 1 / source, 0.0)


def _decibels(magnitude: Spectral) -> Spectral:
    with np.errstate(divide="ignore"):
        decibels: Spectral = 20 * np.log10(magnitude)
    return decibels
