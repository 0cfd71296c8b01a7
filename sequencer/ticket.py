"""The job ticket: whose unit this is, what was wrong, what was done, and what the unit is."""

import re
from collections.abc import Container, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict

from sequencer.errors import FileError, Place, printable
from sequencer.located_yaml import Node, Unreadable, comma_hint, read_file, validate
from sequencer.operator_readings import ASKED, is_none, parse_answer
from sequencer.possible_units import UnitBlock
from sequencer.quantities import did_you_mean
from sequencer.sound_values import open_names, sound_values
from sequencer.unit_data import UNIT_ITEMS, UnitSettings, sound_items

LONGEST_LINE = 120
LONGEST_TEXT = 4000
_MOST_LINES = 50
_READINGS = ("readings", "readings_of")
_CONTROL = re.compile(
    "[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069]"
)


class Stage(StrEnum):
    """When in the repair the unit is measured."""

    AS_FOUND = "as_found"
    ADJUSTING = "adjusting"
    AS_LEFT = "as_left"
    BURN_IN = "burn_in"


def clean_line(text: str) -> str:
    """Text for one line of the record: trimmed, no control characters, at most 120 characters.

    Raises ValueError in words otherwise. Also meant for a serial given on the command line.
    """
    line = text.strip()
    if "\n" in line:
        raise ValueError("this is one line; write no line breaks")
    return _clean(line, LONGEST_LINE)


def clean_text(text: str) -> str:
    """Text of several lines for the record, at most 4000 characters.

    Raises ValueError in words otherwise.
    """
    return _clean(text.strip(), LONGEST_TEXT)


def _clean(text: str, longest: int) -> str:
    match = _CONTROL.search(text)
    if match is not None:
        sign = f"U+{ord(match.group()):04X}"
        raise ValueError(
            f'"{printable(text, 40)}" holds a control character ({sign}); leave it out'
        )
    if any("\ud800" <= sign <= "\udfff" for sign in text):
        raise ValueError("this is not readable as text; write it in UTF-8")
    if len(text) > longest:
        raise ValueError(f"{len(text)} characters are too many; write at most {longest}")
    return text


def _not_too_many(lines: list[str]) -> list[str]:
    if len(lines) > _MOST_LINES:
        raise ValueError(f"{len(lines)} lines are too many; write at most {_MOST_LINES}")
    return lines


Line = Annotated[str, AfterValidator(clean_line)]
Text = Annotated[str, AfterValidator(clean_text)]


class TicketSettings(BaseModel):
    """The ticket file; everything in it may be left out."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    ticket: Line = ""
    customer: Line = ""
    serial: Line = ""
    model: Line = ""
    stage: Stage = Stage.AS_LEFT
    operator: Line = ""
    fault: Text = ""
    work: Annotated[list[Text], AfterValidator(_not_too_many)] = []
    notes: Text = ""
    readings: dict[str, Line] = {}
    readings_of: dict[Line, dict[str, Line]] = {}
    unit: UnitSettings = UnitSettings()


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """A checked job ticket.

    unit holds its unit data as written ("load": "8 ohm"), readings what the operator read beforehand
    on instruments of his own ("earth_bond": "0.12 ohm"), readings_of the same by serial, for several
    units on one ticket. places and unit_places tell where its keys and those of its unit stand in the
    file. open_items of the unit, and open_readings, are those that mistakes in the file leave open.
    """

    ticket: str = ""
    customer: str = ""
    serial: str = ""
    model: str = ""
    stage: Stage = Stage.AS_LEFT
    operator: str = ""
    fault: str = ""
    work: tuple[str, ...] = ()
    notes: str = ""
    readings: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    readings_of: Mapping[str, Mapping[str, str]] = field(
        default_factory=lambda: MappingProxyType({})
    )
    unit: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    places: Mapping[str, Place] = field(
        default_factory=lambda: MappingProxyType({}), compare=False, repr=False
    )
    unit_places: Mapping[str, Place] = field(
        default_factory=lambda: MappingProxyType({}), compare=False, repr=False
    )

    open_items: frozenset[str] = field(default=frozenset(), compare=False, repr=False)
    open_readings: frozenset[str] = field(default=frozenset(), compare=False, repr=False)

    @property
    def unit_block(self) -> UnitBlock:
        """Its data of the unit."""
        return UnitBlock(sound=self.unit, open=self.open_items)

    @property
    def all_readings(self) -> Mapping[str, str]:
        """What was read on any unit of the ticket."""
        return {
            **self.readings,
            **{k: v for of in self.readings_of.values() for k, v in of.items()},
        }

    def for_unit(self, serial: str) -> "Ticket":
        """The ticket as it holds for this unit: what was read on another one is left out."""
        own = self.readings if self.serial in ("", serial) else {}
        readings = {**own, **self.readings_of.get(serial, {})}
        return replace(self, readings=MappingProxyType(readings), readings_of=MappingProxyType({}))

    def to_json(self) -> dict[str, object]:
        """The ticket for the record."""
        return {
            "ticket": self.ticket,
            "customer": self.customer,
            "serial": self.serial,
            "model": self.model,
            "stage": self.stage.value,
            "operator": self.operator,
            "fault": self.fault,
            "work": list(self.work),
            "notes": self.notes,
            "readings": dict(self.readings),
            "unit": dict(self.unit),
        }


def read_ticket(path: Path) -> tuple[Ticket, list[FileError]]:
    """The ticket in a YAML file, and every mistake in it; of a mistaken one only the sound unit data."""
    try:
        root = read_file(path).root
    except Unreadable as error:
        nothing = Ticket(open_items=frozenset(UNIT_ITEMS), open_readings=frozenset(ASKED))
        return nothing, list(error.errors)
    settings, errors = validate(TicketSettings, root)
    unit = root.get("unit")
    texts = sound_items(unit)[0] if unit else {}
    places, unit_places = _places(root), _places(unit)
    of_each = root.get("readings_of")
    for block in (
        root.get("readings"),
        *(value for _, value in (of_each.entries if of_each else ())),
    ):
        errors += _reading_mistakes(block, taken={error.place for error in errors})
    errors += _read_twice(root)
    errors.sort(key=lambda error: (error.place.line, error.place.column))
    if settings is None or errors:
        return _as_far_as_sound(root, texts, places, unit_places), errors
    ticket = Ticket(
        ticket=settings.ticket,
        customer=settings.customer,
        serial=settings.serial,
        model=settings.model,
        stage=settings.stage,
        operator=settings.operator,
        fault=settings.fault,
        work=tuple(settings.work),
        notes=settings.notes,
        readings=MappingProxyType(dict(settings.readings)),
        readings_of=MappingProxyType(settings.readings_of),
        unit=MappingProxyType(texts),
        places=places,
        unit_places=unit_places,
    )
    return ticket, []


def _read_twice(root: Node) -> list[FileError]:
    """Readings of the ticket's own unit that stand under both names: nobody knows which one holds."""
    serial, own, of_each = (root.get(name) for name in ("serial", *_READINGS))
    again = of_each.get(serial.text.strip()) if serial and of_each else None
    return [
        FileError(
            key.place,
            f"{key.text}: of this unit it stands under readings too "
            f"({own.key_place(key.text)}); keep one of them",
        )
        for key, _ in (again.entries if again else ())
        if own is not None and own.get(key.text) is not None
    ]


def _as_far_as_sound(
    root: Node,
    texts: Mapping[str, str],
    places: Mapping[str, Place],
    unit_places: Mapping[str, Place],
) -> Ticket:
    """What a ticket with mistakes says for sure."""
    sure = sound_values(TicketSettings, root)
    left_open = open_names(root.get("unit"), UNIT_ITEMS, texts)
    of_each = root.get("readings_of")
    blocks = {key.text: value for key, value in of_each.entries} if of_each else {}
    readings, open_readings = _sound_readings(root.get("readings"))
    readings_of = {serial: _sound_readings(block) for serial, block in blocks.items()}
    # A block of a misspelt name may hold any of them.
    is_open = any(root.get(name) is None and name not in sure for name in _READINGS)
    is_open = is_open or (of_each is not None and of_each.kind != "mapping")
    return Ticket(
        serial=sure.get("serial", ""),
        model=sure.get("model", ""),
        unit=MappingProxyType(dict(texts)),
        places=places,
        unit_places=unit_places,
        open_items=left_open if root.get("unit") or "unit" in sure else frozenset(UNIT_ITEMS),
        readings=MappingProxyType(readings),
        readings_of=MappingProxyType({name: sound for name, (sound, _) in readings_of.items()}),
        open_readings=frozenset(ASKED)
        if is_open
        else open_readings.union(*(left_open for _, left_open in readings_of.values())),
    )


def _sound_readings(block: Node | None) -> tuple[dict[str, str], frozenset[str]]:
    """The readings of a block that can be used, and those that it leaves open."""
    wrong = {error.place for error in _reading_mistakes(block, taken=())}
    sound = {
        key.text: value.text.strip()
        for key, value in (block.entries if block else ())
        if value.kind == "scalar"
        and not (value.is_empty or value.is_null_word)
        and not wrong & {key.place, value.place}
    }
    return sound, open_names(block, ASKED, sound)


def _places(block: Node | None) -> Mapping[str, Place]:
    return MappingProxyType(
        {key.text: value.place for key, value in block.entries} if block else {}
    )


def _reading_mistakes(block: Node | None, taken: Container[Place]) -> list[FileError]:
    """Readings that nobody will ask for by that name, and answers that are no such reading."""
    found = []
    for key, value in block.entries if block else ():
        if key.text not in ASKED:
            hint = comma_hint(key.text) or did_you_mean(key.text, ASKED)
            found.append(FileError(key.place, f'unknown reading "{key.text}"; {hint}'))
        elif value.kind == "scalar" and not (value.is_empty or is_none(value.text)):
            try:
                parse_answer(key.text, value.text)
            except ValueError as error:
                found.append(FileError(value.place, f"{key.text}: {error}"))
    return [error for error in found if error.place not in taken]
