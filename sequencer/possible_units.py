"""The unit as its data give it; where mistakes leave items open, the units that it may be.

What is wrong with each of two units that have nothing in common in the open items is wrong whatever
those items are meant to be.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from sequencer.unit_data import (
    EXTREMES,
    UNIT_ITEMS,
    OutputTopology,
    Polarity,
    UnitData,
    merged,
    missing_items,
    unit_data,
)

_EXTREMES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        **EXTREMES,
        "output": (OutputTopology.SINGLE_ENDED, OutputTopology.FLOATING),
        "polarity": (Polarity.NORMAL, Polarity.INVERTING),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitBlock:
    """The unit's data in one file: the sound items as written, and those that it leaves open."""

    sound: Mapping[str, str]
    open: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownUnit:
    """What is known of the unit: items as written, what is missing, and the units it may be."""

    texts: Mapping[str, str]
    missing: tuple[str, ...]
    possible: tuple[UnitData, ...]


def known_unit(blocks: Iterable[UnitBlock]) -> KnownUnit:
    """The unit of several blocks, the first that has an item deciding, mistaken or not."""
    sure: dict[str, str] = {}
    left_open: set[str] = set()
    for block in blocks:
        for item in UNIT_ITEMS:
            if item in sure or item in left_open:
                continue
            if item in block.sound:
                sure[item] = block.sound[item]
            elif item in block.open:
                left_open.add(item)
    texts = {item: text for item, text in merged(sure).items() if item not in left_open}
    missing = missing_items({*texts, *left_open})
    left_open |= {item for item in UNIT_ITEMS if item not in texts}
    return KnownUnit(texts=texts, missing=tuple(missing), possible=_possible(texts, left_open))


def _possible(texts: Mapping[str, str], left_open: Collection[str]) -> tuple[UnitData, ...]:
    sides = range(2) if left_open else range(1)
    return tuple(
        unit_data({**texts, **{item: _EXTREMES[item][side] for item in left_open}})
        for side in sides
    )
