"""Machinery of the plain tongue: one word a message, answered in each instrument's own manner.

The vocabulary is in plain_words.py.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import Enum, auto

from sim_instruments.disturbances import Disturbance, Disturbances
from sim_instruments.refusals import Reason, Refused
from sim_instruments.replies import Overrun, Reply, disturbed_reply

LINE_LIMIT = 4096
"""Longest message taken, in bytes without its end."""

_MESSAGE = re.compile(r"([A-Za-z]+[0-9]?)(\?)?(?:[ \t]+(.*))?", re.DOTALL)

Handler = Callable[[list[str]], str | bytes | None]


class Trouble(Enum):
    """Why a message is not carried out, as far as this tongue tells troubles apart."""

    UNKNOWN = auto()
    VALUE = auto()
    STATE = auto()
    INTERNAL = auto()


_TROUBLES = {
    Reason.OUT_OF_RANGE: Trouble.VALUE,
    Reason.ILLEGAL_VALUE: Trouble.VALUE,
    Reason.CONFLICT: Trouble.STATE,
    Reason.TRIGGER_IGNORED: Trouble.STATE,
    Reason.START_IGNORED: Trouble.STATE,
    Reason.NOTHING_THERE: Trouble.STATE,
}


class Misunderstood(Exception):
    """A message that can't be carried out, and why."""

    def __init__(self, trouble: Trouble) -> None:
        self.trouble = trouble
        super().__init__(trouble.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """One word: its handler and how many arguments it takes; None is any number."""

    handler: Handler
    arguments: int | None = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How an instrument ends lines, acknowledges settings and complains.

    acknowledgement None leaves a setting unanswered, complain returning None a trouble.
    """

    message_end: bytes
    answer_end: bytes
    acknowledgement: str | None
    complain: Callable[[Trouble], str | None]


@dataclass(slots=True)
class LineCutter:
    """Cuts one client's byte stream into lines; keeps no more than the limit in memory."""

    end: bytes
    limit: int = LINE_LIMIT
    _pending: bytearray = field(default_factory=bytearray)
    _is_discarding: bool = False

    def feed(self, received: bytes) -> list[bytes | Overrun]:
        """The lines these bytes complete, without their ends."""
        done: list[bytes | Overrun] = []
        self._pending += received
        while (found := self._pending.find(self.end)) >= 0:
            line = bytes(self._pending[:found])
            del self._pending[: found + len(self.end)]
            is_lost = self._is_discarding or len(line) > self.limit
            done.append(Overrun() if is_lost else line)
            self._is_discarding = False
        if len(self._pending) > self.limit + len(self.end):
            # What may be the beginning of the end stays.
            del self._pending[: -len(self.end)]
            self._is_discarding = True
        return done

    def leftover(self) -> bytes:
        """What has come of a line that was never ended."""
        return bytes(self._pending)


class PlainInstrument:
    """An instrument that takes one word a message, with arguments between semicolons."""

    def __init__(
        self, *, manner: Manner, words: Mapping[str, Word], disturbances: Disturbances
    ) -> None:
        self._manner = manner
        self._words = words
        self._disturbances = disturbances

    def framer(self) -> LineCutter:
        """A fresh cutter of lines for one client."""
        return LineCutter(self._manner.message_end)

    def respond(self, message: bytes | Overrun) -> Reply:
        """Carry out one message; the caller holds the bench's lock."""
        if isinstance(message, bytes) and not message.strip():
            return Reply()
        try:
            answer = self._carry_out(message)
        except Misunderstood as error:
            answer = self._manner.complain(error.trouble)
        except Refused as refusal:
            answer = self._manner.complain(_TROUBLES[refusal.reason])
        if answer is None:
            return Reply()
        has_block = isinstance(answer, bytes)
        line = answer if isinstance(answer, bytes) else answer.encode("ascii")
        end = self._manner.answer_end
        return disturbed_reply(line + end, self._disturbances, has_block=has_block, terminator=end)

    def hung_up(self, leftover: bytes) -> None:
        """A client left; this tongue does not care."""

    def interrupted(self) -> None:
        """An answer could not be sent; this tongue does not care."""

    def words(self) -> list[str]:
        """Every word it knows; queries end in a question mark."""
        return sorted(self._words)

    def _carry_out(self, message: bytes | Overrun) -> str | bytes | None:
        if self._disturbances.take(Disturbance.ERROR):
            raise Misunderstood(Trouble.INTERNAL)
        if isinstance(message, Overrun):
            raise Misunderstood(Trouble.UNKNOWN)
        found = _MESSAGE.fullmatch(message.decode("latin-1").strip())
        if found is None:
            raise Misunderstood(Trouble.UNKNOWN)
        name, mark, rest = found.group(1).upper(), found.group(2) or "", found.group(3) or ""
        if rest.strip() == "?" and not mark:
            mark, rest = "?", ""
        word = self._words.get(name + mark)
        if word is None:
            raise Misunderstood(Trouble.UNKNOWN)
        arguments = [part.strip() for part in rest.split(";")] if rest.strip() else []
        if word.arguments is not None and len(arguments) != word.arguments:
            raise Misunderstood(Trouble.VALUE)
        answer = word.handler(arguments)
        return self._manner.acknowledgement if answer is None else answer


def number(text: str) -> float:
    """A number in an argument. Raises Misunderstood for anything else."""
    if re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", text, re.ASCII) is None:
        raise Misunderstood(Trouble.VALUE)
    return float(text)


def whole(text: str) -> int:
    """A whole number in an argument. Raises Misunderstood for anything else."""
    if re.fullmatch(r"\d{1,9}", text, re.ASCII) is None:
        raise Misunderstood(Trouble.VALUE)
    return int(text)


def one_of(text: str, names: Mapping[str, str]) -> str:
    """What a name in an argument stands for. Raises Misunderstood for another one."""
    found = names.get(text.upper())
    if found is None:
        raise Misunderstood(Trouble.VALUE)
    return found


def switch(text: str, on: str, off: str) -> bool:
    """One of two names in an argument. Raises Misunderstood for another one."""
    if text.upper() not in (on, off):
        raise Misunderstood(Trouble.VALUE)
    return text.upper() == on
