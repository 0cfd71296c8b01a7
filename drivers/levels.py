"""Levels in the units that instruments use, to and from V rms of a sine.

dBV is relative to 1 V rms; dBu to sqrt(0.6) V rms, the voltage of 1 mW in 600 ohm (IEC 60268-2).
"""

import math

# How many of the unit make 1 V rms of a sine.
_LINEAR = {
    "vrms": 1.0,
    "mvrms": 1e3,
    "vpk": math.sqrt(2.0),
    "mvpk": 1e3 * math.sqrt(2.0),
    "vpp": 2.0 * math.sqrt(2.0),
    "mvpp": 2e3 * math.sqrt(2.0),
}
# V rms at 0 dB.
_DECIBEL = {"dbv": 1.0, "dbmv": 1e-3, "dbu": math.sqrt(0.6)}

LEVEL_UNITS = (*_LINEAR, *_DECIBEL)
"""Every unit of level that a command map may name."""

RMS_UNITS = ("vrms", "mvrms", *_DECIBEL)
"""Those that need no waveform to be defined, so that they hold for noise too."""


def is_decibel(unit: str) -> bool:
    """Whether a unit is logarithmic, so that silence has no value in it."""
    return unit in _DECIBEL


def level_in_unit(level_vrms: float, unit: str) -> float:
    """A level of V rms in the unit.

    Raises ValueError for a level that the unit can't express (silence in dB).
    """
    if unit in _LINEAR:
        return level_vrms * _LINEAR[unit]
    if level_vrms <= 0:
        raise ValueError(f"level_vrms is {level_vrms}, must be above 0 to be given in {unit}")
    return 20.0 * math.log10(level_vrms / _DECIBEL[unit])


def level_from_unit(value: float, unit: str) -> float:
    """V rms of a level that is given in the unit. Raises ValueError where it can't be held."""
    if unit in _LINEAR:
        return value / _LINEAR[unit]
    if value > 400:
        raise ValueError(f"{value} {unit} is no level")
    return float(_DECIBEL[unit] * 10.0 ** (value / 20.0))


def peak_in_unit(peak_v: float, unit: str) -> float:
    """A range of V peak in the unit, for instruments that name ranges by a sine's level."""
    return level_in_unit(peak_v / math.sqrt(2.0), unit)


def peak_from_unit(value: float, unit: str) -> float:
    """V peak of a range that is given in the unit."""
    return level_from_unit(value, unit) * math.sqrt(2.0)
