"""Quantities as settings hold them: pydantic types that take text with a unit and nothing else.

A settings model written with these types is check, editor schema and value in one: YAML gives the
text "20 mV", the model holds 0.02. The tools behind them (parse_quantity, Level, format_quantity)
are offered here too.
"""

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, WithJsonSchema

from sequencer.levels import Level, LevelKind, parse_level
from sequencer.quantity_text import format_quantity
from sequencer.units import (
    DBU_REFERENCE_V,
    DIMENSIONS,
    LONGEST_S,
    did_you_mean,
    example_of,
    nearest,
    parse_count,
    parse_number,
    parse_quantity,
    title_of,
    units_of,
)

__all__ = [
    "DBU_REFERENCE_V",
    "DIMENSIONS",
    "LONGEST_S",
    "NOT_NEGATIVE",
    "POSITIVE",
    "Capacitance",
    "Count",
    "Current",
    "Decibels",
    "Duration",
    "Flag",
    "Frequency",
    "Level",
    "LevelKind",
    "LevelQuantity",
    "Number",
    "Percentage",
    "PositiveCount",
    "PositiveDuration",
    "PositiveFrequency",
    "PositivePower",
    "PositiveResistance",
    "PositiveVoltage",
    "Power",
    "Ratio",
    "Resistance",
    "Temperature",
    "TemperatureDifference",
    "TemperatureRate",
    "Voltage",
    "at_least",
    "at_most",
    "did_you_mean",
    "format_quantity",
    "nearest",
    "parse_count",
    "parse_flag",
    "parse_level",
    "parse_number",
    "parse_quantity",
    "quantity_as_written",
]

_NUMBER_PATTERN = r"^\s*[+\-−]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+\-]?[0-9]{1,3})?"
_TRUE_WORDS = ("true", "yes", "on")
_FALSE_WORDS = ("false", "no", "off")


def parse_flag(text: str) -> bool:
    """true, yes, on or false, no, off.

    Raises ValueError for anything else.
    """
    word = text.strip().casefold()
    if word in _TRUE_WORDS:
        return True
    if word in _FALSE_WORDS:
        return False
    raise ValueError(f'"{text.strip()[:40]}" is neither yes nor no; write true or false')


def _text_only(parse: Callable[[str], Any], wanted: str) -> BeforeValidator:
    def from_text(value: object) -> Any:
        if isinstance(value, str):
            return parse(value)
        kind = "a list" if isinstance(value, list) else "keys with values"
        if isinstance(value, int | float):
            raise ValueError(f"{value} is not a text with a unit; {wanted} is wanted")
        raise ValueError(f"{wanted} is wanted here, not {kind}")

    return BeforeValidator(from_text)


def _quantity(dimension: str) -> BeforeValidator:
    return _text_only(
        lambda text: parse_quantity(text, dimension),
        f"{title_of(dimension)} such as {example_of(dimension)}",
    )


DIMENSION_KEY = "x-dimension"
"""Key under which a quantity's schema names its dimension, for whoever writes defaults as text."""


_UNIT_OF_DIMENSION = {
    "voltage": "V",
    "frequency": "Hz",
    "time": "s",
    "power": "W",
    "resistance": "ohm",
    "current": "A",
    "capacitance": "F",
}


def quantity_as_written(value: float, dimension: str) -> str | None:
    """An SI value as a file says it; None for a dimension that has no text of its own."""
    if dimension in ("ratio", "percentage"):
        return f"{100.0 * value:.9g} %"
    if dimension in ("decibel", "gain_db"):
        return f"{value:.9g} dB"
    unit = _UNIT_OF_DIMENSION.get(dimension)
    return None if unit is None else format_quantity(value, unit, digits=9)


def _schema(dimension: str) -> WithJsonSchema:
    units = "|".join(unit.replace("/", "\\/") for unit in units_of(dimension))
    example = example_of(dimension).split('"')[1]
    title = title_of(dimension)
    return WithJsonSchema(
        {
            "type": "string",
            "description": f"{title[0].upper()}{title[1:]} with its unit",
            "pattern": f"{_NUMBER_PATTERN}\\s*({units})\\s*$",
            "examples": [example],
            DIMENSION_KEY: dimension,
        }
    )


Voltage = Annotated[float, _quantity("voltage"), _schema("voltage")]
Frequency = Annotated[float, _quantity("frequency"), _schema("frequency")]
Duration = Annotated[float, _quantity("time"), _schema("time")]
Power = Annotated[float, _quantity("power"), _schema("power")]
Resistance = Annotated[float, _quantity("resistance"), _schema("resistance")]
Current = Annotated[float, _quantity("current"), _schema("current")]
Capacitance = Annotated[float, _quantity("capacitance"), _schema("capacitance")]
Ratio = Annotated[float, _quantity("ratio"), _schema("ratio")]
Percentage = Annotated[float, _quantity("percentage"), _schema("percentage")]
Decibels = Annotated[float, _quantity("decibel"), _schema("decibel")]
Temperature = Annotated[float, _quantity("temperature"), _schema("temperature")]
TemperatureDifference = Annotated[
    float, _quantity("temperature_difference"), _schema("temperature_difference")
]
TemperatureRate = Annotated[float, _quantity("temperature_rate"), _schema("temperature_rate")]


def _above_zero(level: Level) -> Level:
    if not level.value and level.kind not in (LevelKind.DBV, LevelKind.DBU, LevelKind.DBW):
        raise ValueError(
            f'"{level.text}" drives nothing; write a level above zero, such as "1 W", or leave the step '
            "to a kind that listens in silence, such as idle"
        )
    return level


LevelQuantity = Annotated[
    Level,
    _text_only(parse_level, 'a level such as "20 V", "+20 dBV" or "10 W"'),
    AfterValidator(_above_zero),
    WithJsonSchema(
        {
            "type": "string",
            "description": 'Level: V, dBV, dBu, W into the load, Vp, Vpp, "1/8 of rated power", or '
            '"10 W, at most 1/2 of rated power"',
            "examples": ["10 W"],
        }
    ),
]
Count = Annotated[
    int,
    _text_only(parse_count, "a whole number"),
    WithJsonSchema({"type": ["integer", "string"], "examples": [3]}),
]
Number = Annotated[
    float,
    _text_only(parse_number, "a plain number"),
    WithJsonSchema({"type": ["number", "string"], "examples": [1.5]}),
]
Flag = Annotated[
    bool,
    _text_only(parse_flag, "true or false"),
    WithJsonSchema({"enum": [True, False, "yes", "no", "on", "off"], "examples": [True]}),
]


def _positive(value: float) -> float:
    if not value > 0:
        raise ValueError("must be more than zero")
    return value


def _not_negative(value: float) -> float:
    if value < 0:
        raise ValueError("must be zero or more")
    return value


POSITIVE = AfterValidator(_positive)
NOT_NEGATIVE = AfterValidator(_not_negative)


def at_least(lowest: str, dimension: str) -> AfterValidator:
    """Constraint of a settings type: `Annotated[Frequency, at_least("1 Hz", "frequency")]`."""
    bound = parse_quantity(lowest, dimension)

    def check(value: float) -> float:
        if value < bound:
            raise ValueError(f"is too small; write {lowest} or more")
        return value

    return AfterValidator(check)


def at_most(highest: str, dimension: str) -> AfterValidator:
    """Constraint of a settings type: `Annotated[Duration, at_most("72 h", "time")]`."""
    bound = parse_quantity(highest, dimension)

    def check(value: float) -> float:
        if value > bound:
            raise ValueError(f"is too large; write {highest} or less")
        return value

    return AfterValidator(check)


PositiveVoltage = Annotated[Voltage, POSITIVE]
PositiveFrequency = Annotated[Frequency, POSITIVE]
PositiveDuration = Annotated[Duration, POSITIVE]
PositivePower = Annotated[Power, POSITIVE]
PositiveResistance = Annotated[Resistance, POSITIVE]
PositiveCount = Annotated[Count, POSITIVE]
