"""SI numbers to text for people: 0.02 V is "20 mV", 6.3e-5 is "0.0063 % (-84.0 dB)"."""

import math
from collections.abc import Mapping
from decimal import ROUND_HALF_EVEN, Decimal
from types import MappingProxyType

_SCALES: Mapping[str, tuple[tuple[str, float], ...]] = MappingProxyType(
    {
        "V": (("nV", 1e-9), ("µV", 1e-6), ("mV", 1e-3), ("V", 1.0), ("kV", 1e3)),
        "W": (("µW", 1e-6), ("mW", 1e-3), ("W", 1.0), ("kW", 1e3)),
        "Hz": (("mHz", 1e-3), ("Hz", 1.0), ("kHz", 1e3), ("MHz", 1e6)),
        "s": (("µs", 1e-6), ("ms", 1e-3), ("s", 1.0), ("min", 60.0), ("h", 3600.0)),
        # No milliohm: beside megohms one is too easily taken for the other.
        "ohm": (("ohm", 1.0), ("kohm", 1e3), ("Mohm", 1e6), ("Gohm", 1e9)),
        "A": (("µA", 1e-6), ("mA", 1e-3), ("A", 1.0)),
        "F": (("nF", 1e-9), ("µF", 1e-6), ("mF", 1e-3), ("F", 1.0)),
        "V/rtHz": (("nV/rtHz", 1e-9), ("µV/rtHz", 1e-6), ("mV/rtHz", 1e-3), ("V/rtHz", 1.0)),
        "%": (("ppm", 1e-6), ("%", 0.01)),
        "degC": (("°C", 1.0),),
        "1": (("", 1.0),),
    }
)
# 90 s stays seconds, 90 min stays minutes; 0.0001 % stays per cent, less is ppm.
_STAY_BELOW = {"min": 2.0, "h": 2.0, "%": 1e-4}
_FIXED_DECIMALS = {"degC": 1, "dB": 2, "K": 1}


def format_quantity(
    value: float,
    unit: str,
    *,
    uncertainty: float | None = None,
    digits: int = 4,
) -> str:
    """A value in SI (unit "V", "Hz", "s", "ohm", "degC", "dB", "1", ...) as a person reads it.

    Unit "%" takes a plain fraction and shows it as per cent (very small ones as ppm) and as 20 lg in
    dB. With an
    uncertainty (the half-width to show, in the unit of the value) the digits follow it: two
    significant ones (JCGM 100 7.2.6) and the value to the same place.
    """
    if not math.isfinite(value):
        return "no number"
    has_doubt = uncertainty is not None and math.isfinite(uncertainty) and uncertainty > 0.0
    doubt = uncertainty if has_doubt and uncertainty is not None else 0.0
    size = max(abs(value), doubt)
    sign, scale = _scale_for(size, unit, digits)
    number = value / scale
    text = _with_doubt(number, doubt / scale) if doubt else _plain(number, unit, digits)
    shown = f"{text} {sign}".strip()
    return shown + _decibels(value) if unit == "%" else shown


def _scale_for(size: float, unit: str, digits: int) -> tuple[str, float]:
    scales = _SCALES.get(unit, ((unit, 1.0),))
    rounded = float(f"{size:.{max(digits - 1, 0)}e}")
    chosen = scales[0]
    for sign, scale in scales:
        if rounded >= scale * _STAY_BELOW.get(sign, 1.0) * (1.0 - 1e-12):
            chosen = (sign, scale)
    # Zero carries the plain unit.
    return chosen if rounded > 0.0 else next((s for s in scales if s[1] == 1.0), scales[-1])


def _plain(number: float, unit: str, digits: int) -> str:
    decimals = _FIXED_DECIMALS.get(unit)
    exact = Decimal(
        f"{number:.{max(digits - 1, 0)}e}" if decimals is None else f"{number:.{decimals}f}"
    )
    text = format(exact, "f")
    if decimals is None and "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if decimals is None and exact == 0 else text


def _with_doubt(number: float, doubt: float) -> str:
    place = Decimal(1).scaleb(Decimal(f"{doubt:.1e}").adjusted() - 1)
    half_width = Decimal(repr(doubt)).quantize(place, ROUND_HALF_EVEN)
    rounded = Decimal(repr(number)).quantize(place, ROUND_HALF_EVEN)
    return f"({rounded:f} ± {half_width:f})"


def _decibels(fraction: float) -> str:
    return f" ({20.0 * math.log10(fraction):.1f} dB)" if fraction > 0.0 else ""
