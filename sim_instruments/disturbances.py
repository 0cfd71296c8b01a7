"""Misbehaviour scripted for one instrument: which kinds there are, and how often each is still due.

| kind | what happens the next times |
| --- | --- |
| TIMEOUT | an answer is not sent |
| TRUNCATED | an answer (of the analyser: a block) is cut in the middle, then silence |
| WRONGLENGTH | a block's header claims more bytes than follow |
| NAN | a reading is 9.91E37; one sample of a record is not a number |
| STALE | the previous reading again; of the analyser: a start is ignored, the old record stays |
| WRONGRANGE | a range setting is ignored |
| HALFRATE | a record is taken at half the rate, silently |
| DROPPED | samples are missing in the middle of a record; later ones close up |
| GARBAGE | an answer is nonsense |
| ERROR | -310 is in the error queue |
| DISCONNECT | the connection is closed instead of an answer |
| STUCKRELAY | an output or relay command is ignored |
| LATE | an answer comes 1.5 s of real time later |
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum


class Disturbance(StrEnum):
    """The kinds; see the table above."""

    TIMEOUT = "TIMEOUT"
    TRUNCATED = "TRUNCATED"
    WRONGLENGTH = "WRONGLENGTH"
    NAN = "NAN"
    STALE = "STALE"
    WRONGRANGE = "WRONGRANGE"
    HALFRATE = "HALFRATE"
    DROPPED = "DROPPED"
    GARBAGE = "GARBAGE"
    ERROR = "ERROR"
    DISCONNECT = "DISCONNECT"
    STUCKRELAY = "STUCKRELAY"
    LATE = "LATE"


ANSWERS = frozenset(
    {
        Disturbance.TIMEOUT,
        Disturbance.TRUNCATED,
        Disturbance.GARBAGE,
        Disturbance.ERROR,
        Disturbance.DISCONNECT,
        Disturbance.LATE,
    }
)
"""The kinds every instrument can be given."""

READINGS = frozenset({Disturbance.NAN, Disturbance.STALE})
"""The kinds of instruments that give readings."""

RECORDS = frozenset({Disturbance.HALFRATE, Disturbance.DROPPED, Disturbance.WRONGLENGTH})
"""The kinds of instruments that take records."""


@dataclass(slots=True)
class Disturbances:
    """What is still due to one instrument that can show the kinds in possible."""

    possible: frozenset[Disturbance] = ANSWERS
    _due: dict[Disturbance, int] = field(default_factory=dict)

    def script(self, kind: Disturbance, count: int) -> None:
        """Make kind happen the next count times."""
        self._due[kind] = count

    def clear(self) -> None:
        """Behave from now on."""
        self._due.clear()

    def take(self, kind: Disturbance) -> bool:
        """Whether kind is due now; if so, one time less from here on."""
        left = self._due.get(kind, 0)
        if left:
            self._due[kind] = left - 1
        return left > 0

    def pending(self) -> dict[Disturbance, int]:
        """What is still due."""
        return {kind: count for kind, count in self._due.items() if count}


@dataclass(slots=True)
class DisturbedReadings:
    """Passes single readings on, unless one is due to be stale or not a number."""

    disturbances: Disturbances
    _previous: float | None = None

    def take(self, read: Callable[[], float]) -> float:
        """A fresh reading, the previous one, or not-a-number."""
        if self._previous is not None and self.disturbances.take(Disturbance.STALE):
            return self._previous
        if self.disturbances.take(Disturbance.NAN):
            return math.nan
        self._previous = read()
        return self._previous
