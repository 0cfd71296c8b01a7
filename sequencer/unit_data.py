"""What the unit under test is: rated power, load, gain, mains, output topology, polarity.

Every item may stand in a procedure, in a procedure it includes, and in the job ticket; the ticket
goes before the procedure, the procedure before what it includes.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict

from sequencer.errors import FileError
from sequencer.located_yaml import Node, validate
from sequencer.quantities import (
    Decibels,
    Frequency,
    Power,
    Resistance,
    Voltage,
    at_least,
    at_most,
)

# A unit in standby may draw this much (Commission Regulation (EU) 2023/826, off and standby mode); one
# that is on draws more.
OFF_W = 0.5
# At worst, supplies lie 10 % above or 15 % below the nominal voltage (EN 50160, from memory).
MAINS_TOLERANCE = 0.15
REVERSED = (
    "the power meter reads negative: its current or voltage leads are the wrong way round, so no power "
    "it reads can be trusted"
)


def is_off(watts: float) -> bool:
    """Whether a unit that draws this from the mains is off, or in standby."""
    return abs(watts) < OFF_W


def is_reversed(watts: float) -> bool:
    """Whether a power from the mains is clearly negative, which no unit draws."""
    return watts <= -OFF_W


def suits_mains(volts: float, wanted_v: float) -> bool:
    """Whether mains of this voltage, V r.m.s., can be those of a unit for wanted_v."""
    return abs(volts - wanted_v) <= MAINS_TOLERANCE * wanted_v


class OutputTopology(StrEnum):
    """How the output is referred to earth; a grounded analyser would short the other two."""

    SINGLE_ENDED = "single_ended"
    BRIDGED = "bridged"
    FLOATING = "floating"


class Polarity(StrEnum):
    """Whether a rise at the input is a rise at the output."""

    NORMAL = "normal"
    INVERTING = "inverting"


# The least and the most that an item with a number may be.
EXTREMES = MappingProxyType(
    {
        "rated_power": ("10 mW", "20 kW"),
        "load": ("0.5 ohm", "100 kohm"),
        "gain": ("-40 dB", "100 dB"),
        "mains_frequency": ("15 Hz", "450 Hz"),
        "mains_voltage": ("10 V", "500 V"),
    }
)


def _least(item: str, dimension: str) -> AfterValidator:
    return at_least(EXTREMES[item][0], dimension)


def _most(item: str, dimension: str) -> AfterValidator:
    return at_most(EXTREMES[item][1], dimension)


MainsVoltage = Annotated[
    Voltage, _least("mains_voltage", "voltage"), _most("mains_voltage", "voltage")
]


class UnitSettings(BaseModel):
    """The `unit:` block of a procedure or ticket; every item may be left to another file."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    rated_power: (
        Annotated[Power, _least("rated_power", "power"), _most("rated_power", "power")] | None
    ) = None
    load: (
        Annotated[Resistance, _least("load", "resistance"), _most("load", "resistance")] | None
    ) = None
    gain: Annotated[Decibels, _least("gain", "gain_db"), _most("gain", "gain_db")] | None = None
    mains_frequency: (
        Annotated[
            Frequency, _least("mains_frequency", "frequency"), _most("mains_frequency", "frequency")
        ]
        | None
    ) = None
    mains_voltage: MainsVoltage | None = None
    output: OutputTopology | None = None
    polarity: Polarity | None = None


UNIT_ITEMS: tuple[str, ...] = tuple(UnitSettings.model_fields)

# Without these a level or a power would be a guess, so they have no default.
_NEEDED = MappingProxyType({"rated_power": "100 W", "load": "8 ohm", "gain": "29 dB"})
_DEFAULTS = MappingProxyType(
    {
        "mains_frequency": "50 Hz",
        "mains_voltage": "230 V",
        "output": "single_ended",
        "polarity": "normal",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitData:
    """The unit under test in SI."""

    rated_power_w: float
    load_ohm: float
    gain_db: float
    mains_frequency_hz: float = 50.0
    mains_vrms: float = 230.0
    output: OutputTopology = OutputTopology.SINGLE_ENDED
    polarity: Polarity = Polarity.NORMAL

    @property
    def is_inverting(self) -> bool:
        """Whether the output is expected to be the input turned over."""
        return self.polarity is Polarity.INVERTING


def merged(*texts: Mapping[str, str]) -> dict[str, str]:
    """The items of several unit blocks, the first that has one deciding, then the defaults."""
    return {
        item: next(block[item] for block in (*texts, _DEFAULTS) if item in block)
        for item in UNIT_ITEMS
        if any(item in block for block in (*texts, _DEFAULTS))
    }


def sound_items(block: Node) -> tuple[dict[str, str], list[FileError]]:
    """The items of a unit block that can be used, as written, and the mistakes in the others."""
    _, errors = validate(UnitSettings, block)
    wrong = {error.place for error in errors}
    sound = {
        key.text: value.text.strip()
        for key, value in block.entries
        if key.text in UNIT_ITEMS
        and value.kind == "scalar"
        and not wrong & {key.place, value.place}
    }
    return sound, errors


def missing_items(written: Collection[str]) -> list[str]:
    """What to say about a unit block that lacks something needed."""
    return [
        f'unit: "{item}" is missing; write for example "{item}: {example}" in the procedure or ticket'
        for item, example in _NEEDED.items()
        if item not in written
    ]


def unit_data(texts: Mapping[str, str]) -> UnitData:
    """The unit from a complete, checked block of texts."""
    settings = UnitSettings.model_validate(dict(texts))
    numbers = (settings.rated_power, settings.load, settings.gain)
    rated_power, load, gain = _all_there(numbers)
    mains_frequency, mains_voltage = _all_there((settings.mains_frequency, settings.mains_voltage))
    return UnitData(
        rated_power_w=rated_power,
        load_ohm=load,
        gain_db=gain,
        mains_frequency_hz=mains_frequency,
        mains_vrms=mains_voltage,
        output=settings.output or OutputTopology.SINGLE_ENDED,
        polarity=settings.polarity or Polarity.NORMAL,
    )


def _all_there(values: Iterable[float | None]) -> list[float]:
    there = [value for value in values if value is not None]
    if len(there) != len(list(values)):
        raise ValueError("texts: the unit block is not complete")
    return there
