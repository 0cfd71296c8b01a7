"""Readings that the operator takes on instruments of his own: which there are, how an answer is read."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from sequencer.errors import printable
from sequencer.quantities import format_quantity, parse_quantity
from sequencer.wording import name_text

_ABSOLUTE_ZERO_CELSIUS = -273.15
# What instruments show beyond their range, and people write for it.
_OVER_RANGE = re.compile(r"o\.?l\.?|ovl|ofl|over\W?(range|load|flow)?|inf\w*|∞|open", re.IGNORECASE)
_BOUND = re.compile(r"\s*(>=|=>|≥|>|<=|=<|≤|<)\s*(.*)", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A quantity that the operator reads: its unit and dimension, the least it can be, examples.

    bound_example is how its instruments show that it lies beyond their range.
    """

    unit: str
    dimension: str
    example: str
    bound_example: str | None = None
    least: float = -math.inf


ASKED: Mapping[str, Asked] = MappingProxyType(
    {
        "earth_bond": Asked(
            unit="ohm",
            dimension="resistance",
            example="0.12 ohm",
            bound_example="<0.01 ohm",
            least=0.0,
        ),
        "insulation": Asked(
            unit="ohm",
            dimension="resistance",
            example="20 Mohm",
            bound_example=">500 Mohm",
            least=0.0,
        ),
        "leakage_current": Asked(
            unit="A",
            dimension="current",
            example="0.2 mA",
            bound_example="<0.01 mA",
            least=0.0,
        ),
        "reservoir_voltage": Asked(unit="V", dimension="voltage", example="0.3 V"),
        "mains_voltage": Asked(unit="V", dimension="voltage", example="231 V", least=0.0),
        "bias": Asked(unit="V", dimension="voltage", example="17.6 mV"),
        "temperature": Asked(
            unit="degC",
            dimension="temperature",
            example="24 degC",
            least=_ABSOLUTE_ZERO_CELSIUS,
        ),
        "load_resistance": Asked(unit="ohm", dimension="resistance", example="8.02 ohm", least=0.0),
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
        example = asked.bound_example or f">{asked.example}"
        raise ValueError(
            f'"{printable(text.strip(), 40)}" says only that it lies beyond the instrument\'s range; '
            f'write where that range ends, such as "{example}"'
        )
    value = parse_quantity(number, asked.dimension)
    if value < asked.least:
        least = format_quantity(asked.least, asked.unit) if asked.least else "zero"
        raise ValueError(
            f"{name_text(reading)} can't be below {least}, but {number.strip()} is; "
            "look at the sign and read it again"
        )
    return Answer(
        value=value, is_least=">" in sign or sign == "≥", is_most="<" in sign or sign == "≤"
    )
