"""Readings that the operator takes on instruments of his own: which there are, how an answer is read."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from sequencer.errors import printable
from sequencer.quantities import format_quantity, parse_quantity
from sequencer.wording import name_text

NONE = "none"
_ABSOLUTE_ZERO_CELSIUS = -273.15
# What instruments show beyond their range, and people write for it.
_OVER_RANGE = re.compile(r"o\.?l\.?|ovl|ofl|over\W?(range|load|flow)?|inf\w*|∞|open", re.IGNORECASE)
_BOUND = re.compile(r"\s*(>=|=>|≥|>|<=|=<|≤|<)\s*(.*)", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A quantity that the operator reads: its unit and dimension, the least it can be, examples.

    over_range is an example of what to write when it lies beyond the instrument's range, under_range
    when the instrument shows nothing of it. never_zero: it is always more, however little. smallest and
    largest are sizes beyond which no workshop's instrument shows it (common practice, no source).
    """

    unit: str
    dimension: str
    example: str
    over_range: str
    largest: float
    smallest: float = 0.0
    least: float = -math.inf
    never_zero: bool = False
    under_range: str = ""


ASKED: Mapping[str, Asked] = MappingProxyType(
    {
        "earth_bond": Asked(
            unit="ohm",
            dimension="resistance",
            example="0.12 ohm",
            over_range=">20 ohm",
            least=0.0,
            never_zero=True,
            under_range="<0.01 ohm",
            largest=1e6,
            smallest=1e-3,
        ),
        "insulation": Asked(
            unit="ohm",
            dimension="resistance",
            example="20 Mohm",
            over_range=">500 Mohm",
            least=0.0,
            never_zero=True,
            under_range="<0.1 Mohm",
            largest=1e14,
            smallest=1e-2,
        ),
        "leakage_current": Asked(
            unit="A",
            dimension="current",
            example="0.2 mA",
            over_range=">20 mA",
            least=0.0,
            never_zero=True,
            under_range="<0.01 mA",
            largest=100.0,
            smallest=1e-9,
        ),
        "reservoir_voltage": Asked(
            unit="V",
            dimension="voltage",
            example="0.3 V",
            over_range=">200 V",
            largest=5e3,
        ),
        "mains_voltage": Asked(
            unit="V",
            dimension="voltage",
            example="231 V",
            over_range=">750 V",
            least=0.0,
            largest=1e3,
        ),
        "bias": Asked(
            unit="V", dimension="voltage", example="17.6 mV", over_range=">200 mV", largest=1e3
        ),
        "temperature": Asked(
            unit="degC",
            dimension="temperature",
            example="24 degC",
            over_range=">100 degC",
            least=_ABSOLUTE_ZERO_CELSIUS,
            largest=500.0,
        ),
        "load_resistance": Asked(
            unit="ohm",
            dimension="resistance",
            example="8.02 ohm",
            over_range=">200 ohm",
            least=0.0,
            never_zero=True,
            under_range="<0.1 ohm",
            largest=1e9,
            smallest=1e-3,
        ),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """An answer in SI: a value, or what the quantity is at least or at most."""

    value: float
    is_least: bool = False
    is_most: bool = False


def parse_answer(reading: str, text: str) -> Answer:
    """The answer in a text such as "0.12 ohm", ">500 Mohm" or "<0.01 ohm".

    Raises ValueError with a sentence that says what would be right.
    """
    asked = ASKED[reading]
    sign, number = "", text
    if match := _BOUND.fullmatch(text):
        sign, number = match.groups()
    if _OVER_RANGE.fullmatch(number.strip()):
        raise ValueError(
            f'"{printable(text.strip(), 40)}" says only that it lies beyond the instrument\'s range; '
            f'write where that range ends, such as "{asked.over_range}"'
        )
    is_most = "<" in sign or sign == "≤"
    value = parse_quantity(number, asked.dimension)
    if value < asked.least:
        raise ValueError(
            f"{name_text(reading)} can't be below {_least_text(asked)}, but {number.strip()} is; "
            "look at the sign and read it again"
        )
    if value == asked.least and asked.never_zero:
        raise ValueError(
            f"{name_text(reading)} is never exactly zero: look whether the tester is connected and read "
            "it again; where it shows nothing but zeros, write its last digit, such as "
            f'"{asked.under_range}"'
        )
    if value == asked.least and is_most:
        raise ValueError(
            f"{name_text(reading)} can't be below {_least_text(asked)}; write what the instrument shows"
        )
    if not asked.smallest <= abs(value) <= asked.largest:
        raise ValueError(
            f"{name_text(reading)} of {number.strip()} is {_beyond_belief(asked, value)}; look at its "
            "unit and read it again"
        )
    return Answer(value=value, is_least=">" in sign or sign == "≥", is_most=is_most)


def is_none(text: str) -> bool:
    """Whether an answer says that the quantity can't be read."""
    return text.strip().lower() == NONE


def is_given(readings: Mapping[str, str], name: str) -> bool:
    """Whether a reading is among those taken beforehand; one that could not be taken is not."""
    return name in readings and not is_none(readings[name])


def _beyond_belief(asked: Asked, value: float) -> str:
    if abs(value) > asked.largest:
        return f"more than can be read ({format_quantity(asked.largest, asked.unit)} at most)"
    return f"less than can be read ({format_quantity(asked.smallest, asked.unit)} at least)"


def _least_text(asked: Asked) -> str:
    return format_quantity(asked.least, asked.unit) if asked.least else "zero"
