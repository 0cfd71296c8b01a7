"""Why a run does not start, why one stops, and where in a file a mistake stands.

Refused: nothing was energised. Stopped: something was, and the bench was made safe. The command
line alone turns these into exit codes and words; exit_code says which code belongs to which family.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

# Control characters, line separators and direction marks: none may reach a terminal, a report or a
# log.
_UNPRINTABLE = re.compile(
    "[\x00-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]"
)
_LONGEST_MESSAGE = 600
_LONGEST_SOURCE_LINE = 200


def printable(text: str, longest: int = _LONGEST_MESSAGE) -> str:
    """Text on one line that is safe to show: control characters escaped, overlong text cut."""
    shown = _UNPRINTABLE.sub(lambda match: ascii(match.group())[1:-1], text)
    shown = shown.encode("utf-8", "backslashreplace").decode("utf-8")
    return shown if len(shown) <= longest else shown[: longest - 3] + "..."


@dataclass(frozen=True, slots=True)
class Place:
    """A point in a file: line and column count from 1."""

    file: str
    line: int = 1
    column: int = 1
    source_line: str = field(default="", compare=False, repr=False)

    def __str__(self) -> str:
        return f"{printable(self.file)}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True)
class FileError:
    """One mistake in a file: `FILE:LINE:COLUMN: what is wrong; what would be right`."""

    place: Place
    message: str
    source_line: str = ""

    def __post_init__(self) -> None:
        line = self.source_line or self.place.source_line
        object.__setattr__(self, "message", printable(self.message))
        object.__setattr__(self, "source_line", printable(line, _LONGEST_SOURCE_LINE).rstrip())

    def __str__(self) -> str:
        return f"{self.place}: {self.message}"

    def lines(self) -> tuple[str, ...]:
        """The error for people: its line, then the source line where there is one."""
        return (str(self), f"    {self.source_line}") if self.source_line else (str(self),)

    def to_json(self) -> dict[str, str | int]:
        """The error as an entry of a refusal's "errors"."""
        return {
            "file": printable(self.place.file),
            "line": self.place.line,
            "column": self.place.column,
            "message": self.message,
        }


def _summary(errors: Sequence[FileError]) -> str:
    if len(errors) == 1:
        return str(errors[0])
    files = sorted({error.place.file for error in errors})
    return f"{len(errors)} mistakes in {', '.join(files)}"


def in_file_order(errors: Iterable[FileError]) -> tuple[FileError, ...]:
    """All mistakes, each once; those of one file together, in the order of its lines."""
    once = [*dict.fromkeys(errors)]
    files = {error.place.file: rank for rank, error in reversed([*enumerate(once)])}
    return tuple(sorted(once, key=lambda e: (files[e.place.file], e.place.line, e.place.column)))


class Refused(Exception):
    """Refused before anything was energised.

    code is the short name for programs ("argument", "held", "cautions", ...), reason one sentence
    for people, errors every mistake found, each with its place. Errors alone make their own reason.
    """

    exit_code: ClassVar[int] = 2
    default_code: ClassVar[str] = "argument"

    def __init__(
        self,
        reason: str | Sequence[FileError],
        *,
        errors: Sequence[FileError] = (),
        code: str | None = None,
    ) -> None:
        found = errors if isinstance(reason, str) else reason
        self.reason = printable(reason if isinstance(reason, str) else _summary(reason))
        self.errors = tuple(found)
        self.code = code or self.default_code
        super().__init__(self.reason)

    def lines(self) -> tuple[str, ...]:
        """What a person reads: the mistakes with their source lines, or else the reason."""
        found = tuple(line for error in self.errors for line in error.lines())
        return found or (self.reason,)

    def to_json(self) -> dict[str, object]:
        """The refusal of the command-line contract."""
        return {
            "refused": self.code,
            "reason": self.reason,
            "errors": [error.to_json() for error in self.errors],
        }


class ProcedureError(Refused):
    """The procedure, or a file it includes, can't be used as written."""

    default_code = "procedure"


class TicketError(Refused):
    """The job ticket can't be used as written."""

    default_code = "ticket"


class BenchError(Refused):
    """The bench file can't be used as written, or the bench isn't as it says."""

    default_code = "bench"


class CapabilityMissing(Refused):
    """The procedure asks for something the bench doesn't have or can't do."""

    default_code = "capability"


def together(refusals: Sequence[Refused]) -> Refused:
    """Several refusals as one: the kind of the first, the mistakes of all."""
    first, *others = refusals
    if not others:
        return first
    return type(first)(in_file_order(e for refusal in refusals for e in refusal.errors))


class Stopped(Exception):
    """A run that had begun was stopped; cause says in one sentence by what."""

    exit_code: ClassVar[int] = 3

    def __init__(self, cause: str) -> None:
        self.cause = printable(cause)
        super().__init__(self.cause)


class GuardTripped(Stopped):
    """A watched quantity left its bounds."""


class InstrumentLost(Stopped):
    """An instrument failed or no longer answers."""


# By number, since not every system has all of their names.
_SIGNAL_WORDS = {
    1: "the terminal was closed (SIGHUP)",
    2: "stopped by you (Ctrl-C)",
    15: "told to end by the system or another program (SIGTERM)",
}


class Interrupted(BaseException):
    """A signal asked the run to end. Not an Exception: no step may swallow it."""

    def __init__(self, signal_number: int) -> None:
        self.signal_number = signal_number
        super().__init__(_SIGNAL_WORDS.get(signal_number, f"ended by signal {signal_number}"))

    @property
    def exit_code(self) -> int:
        """128 plus the signal's number: 130 for SIGINT, 143 for SIGTERM."""
        return 128 + self.signal_number


def interruption_behind(
    error: BaseException, *, handled: BaseException | None
) -> Interrupted | None:
    """The signal that was on its way when this error came between (a clean-up that failed), if any.

    Not one that was handled already when all that began, nor any before.
    """
    behind: BaseException | None = error
    while behind is not None and behind is not handled:
        if isinstance(behind, Interrupted):
            return behind
        behind = behind.__context__
    return None
