"""Levels at the unit's output: volts, dBV, dBu, watts into the load, or a part of rated power.

A fixed level may end at a part of rated power, so that it suits small units too: "10 W, at most 1/2 of
rated power". Level is kept as it was written, because watts mean a voltage only once the load is known.
Watts, peak and peak-to-peak volts are those of a sine: U = sqrt(P * R), U = peak / sqrt(2).
"""

import math
import re
from dataclasses import dataclass, replace
from enum import StrEnum

from sequencer.units import (
    DBU_REFERENCE_V,
    dimension_of,
    likely_units,
    parse_quantity,
    split_quantity,
    title_of,
    units_of,
)

_RATED = re.compile(
    r"(?:(?P<percent>.*%)\s*of\s+|(?P<top>[0-9]{1,3})\s*/\s*(?P<bottom>[0-9]{1,3})\s+of\s+)?"
    r"rated[ _]power"
)
_AT_MOST = re.compile(r"(?P<level>.*?)\s*,?\s*\bat most\b\s*(?P<most>.*)")
_HINT = 'write "20 V", "+20 dBV", "22 dBu", "10 W" or "1/8 of rated power"'


class LevelKind(StrEnum):
    """What the number of a level counts."""

    VOLTS = "V"
    DBV = "dBV"
    DBU = "dBu"
    WATTS = "W"
    DBW = "dBW"
    PEAK = "Vp"
    PEAK_TO_PEAK = "Vpp"
    RATED = "of rated power"


_VOLT_FACTOR = {
    LevelKind.VOLTS: 1.0,
    LevelKind.PEAK: 1.0 / math.sqrt(2.0),
    LevelKind.PEAK_TO_PEAK: 0.5 / math.sqrt(2.0),
}
_DB_REFERENCE_V = {LevelKind.DBV: 1.0, LevelKind.DBU: DBU_REFERENCE_V}


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A level as written: value in the unit of its kind (V, dBV, W, part of rated power, ...).

    most_of_rated is the part of rated power that it never exceeds.
    """

    value: float
    kind: LevelKind
    text: str = ""
    most_of_rated: float | None = None

    @property
    def needs_load(self) -> bool:
        """Whether the load must be known to turn it into volts."""
        is_power = self.kind in (LevelKind.WATTS, LevelKind.DBW, LevelKind.RATED)
        return is_power or self.most_of_rated is not None

    def to_vrms(self, load_ohm: float, rated_power_w: float | None = None) -> float:
        """The level across the load, V r.m.s.

        Raises ValueError when it is a part of rated power and that is not given, or the load isn't
        positive.
        """
        if not self.needs_load:
            return self._volts()
        if not load_ohm > 0.0:
            raise ValueError(f"load_ohm must be more than zero, is {load_ohm}")
        return math.sqrt(self.to_watts(load_ohm, rated_power_w) * load_ohm)

    def to_watts(self, load_ohm: float, rated_power_w: float | None = None) -> float:
        """The power of the level into the load, W."""
        watts = self._watts(load_ohm, rated_power_w)
        if self.most_of_rated is None:
            return watts
        return min(watts, _part_of(rated_power_w, self.most_of_rated))

    def _volts(self) -> float:
        if self.kind in _VOLT_FACTOR:
            return self.value * _VOLT_FACTOR[self.kind]
        return float(_DB_REFERENCE_V[self.kind] * 10.0 ** (self.value / 20.0))

    def _watts(self, load_ohm: float, rated_power_w: float | None) -> float:
        """Its power, were it not limited."""
        if self.kind is LevelKind.WATTS:
            return self.value
        if self.kind is LevelKind.DBW:
            return float(10.0 ** (self.value / 10.0))
        if self.kind is LevelKind.RATED:
            return _part_of(rated_power_w, self.value)
        return self._volts() ** 2 / load_ohm

    def __str__(self) -> str:
        return self.text or f"{self.value:g} {self.kind}"


def _part_of(rated_power_w: float | None, part: float) -> float:
    if rated_power_w is None:
        raise ValueError("rated_power_w is needed for a level that is a part of rated power")
    return part * rated_power_w


def parse_level(text: str) -> Level:
    """A level from its text: "20 V", "+20 dBV", "22.2 dBu", "10 W", "28 Vpp", "1/8 of rated power".

    Raises ValueError with a sentence that says what would be right.
    """
    stripped = " ".join(text.split())
    limited = _AT_MOST.fullmatch(stripped)
    if limited is None:
        return _plain_level(stripped)
    most = _RATED.fullmatch(limited["most"])
    if most is None:
        raise ValueError(
            f'"{limited["most"]}" is no part of rated power; write for example '
            '"10 W, at most 1/2 of rated power"'
        )
    level = _plain_level(limited["level"])
    return replace(level, text=stripped, most_of_rated=_rated_fraction(most))


def _plain_level(stripped: str) -> Level:
    """A level without an end."""
    rated = _RATED.fullmatch(stripped)
    if rated is not None:
        return Level(value=_rated_fraction(rated), kind=LevelKind.RATED, text=stripped)
    try:
        number, unit = split_quantity(stripped)
    except ValueError as error:
        raise ValueError(str(error) if ";" in str(error) else f"{error}; {_HINT}") from None
    if not unit:
        raise ValueError(
            f'{number} has no unit; write "{number} V", "{number} dBV" or "{number} W"'
        )
    value, kind = _kind_and_value(number, unit)
    if value < 0.0 and kind not in (LevelKind.DBV, LevelKind.DBU, LevelKind.DBW):
        raise ValueError(f'"{stripped}" is below zero; a level is zero or more; {_HINT}')
    return Level(value=value, kind=kind, text=stripped)


def _kind_and_value(number: str, unit: str) -> tuple[float, LevelKind]:
    if unit in ("dBV", "dBu", "dBW"):
        parse_quantity(f"{number} {unit}", "power" if unit == "dBW" else "voltage")  # its bounds
        return float(number), LevelKind(unit)
    if unit == "dBm":
        raise ValueError(f'dBm needs a line impedance; write "{number} dBu" for 600 ohm, or volts')
    for suffix, kind in (("pp", LevelKind.PEAK_TO_PEAK), ("p", LevelKind.PEAK)):
        volts = unit.removesuffix(suffix)
        if volts != unit and volts in units_of("voltage") and not volts.startswith("dB"):
            return parse_quantity(f"{number} {volts}", "voltage"), kind
    if unit in units_of("power"):
        return parse_quantity(f"{number} {unit}", "power"), LevelKind.WATTS
    if unit in units_of("voltage"):
        return parse_quantity(f"{number} {unit}", "voltage"), LevelKind.VOLTS
    raise ValueError(_wrong_unit(number, unit))


def _wrong_unit(number: str, unit: str) -> str:
    dimension = dimension_of(unit)
    if dimension is not None:
        return f"{number} {unit} is {title_of(dimension)}; a level is wanted; {_HINT}"
    close = likely_units(unit, (*units_of("voltage"), *units_of("power"), "Vp", "Vpp"))
    if close:
        return f'unknown unit "{unit}"; write ' + " or ".join(
            f'"{number} {name}"' for name in close
        )
    return f'unknown unit "{unit}"; {_HINT}'


def _rated_fraction(match: re.Match[str]) -> float:
    if match["percent"] is not None:
        fraction = parse_quantity(match["percent"], "percentage")
    elif match["top"] is not None:
        if int(match["bottom"]) == 0:
            raise ValueError(f'"{match.group()}" divides by zero; write "1/8 of rated power"')
        fraction = int(match["top"]) / int(match["bottom"])
    else:
        fraction = 1.0
    if not 0.0 < fraction <= 1.5:
        raise ValueError(
            f'"{match.group()}" is out of proportion; write up to "150 % of rated power"'
        )
    return fraction
