"""The job ticket: whose unit this is, what was wrong, what was done, and what the unit is."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict

from sequencer.errors import TicketError, printable
from sequencer.located_yaml import Unreadable, read_file, validate
from sequencer.unit_data import UnitSettings

LONGEST_LINE = 120
LONGEST_TEXT = 4000
_MOST_LINES = 50
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
    unit: UnitSettings = UnitSettings()


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """A checked job ticket.

    unit holds its unit data as written ("load": "8 ohm"), readings what the operator read beforehand
    on instruments of his own ("earth_bond": "0.12 ohm").
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
    unit: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

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


def load_ticket(path: Path) -> Ticket:
    """The ticket in a YAML file.

    Raises TicketError with every mistake at its place.
    """
    try:
        source = read_file(path)
    except Unreadable as error:
        raise TicketError(error.errors) from error
    settings, errors = validate(TicketSettings, source.root)
    if settings is None:
        raise TicketError(errors)
    unit = source.root.get("unit")
    texts = {} if unit is None else {key.text: value.text.strip() for key, value in unit.entries}
    return Ticket(
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
        unit=MappingProxyType(texts),
    )
