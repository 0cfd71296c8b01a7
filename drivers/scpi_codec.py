"""Answers of instruments: bytes and text in, values out. No I/O, so every case is testable.

Two parts. LineAnswer and BlockAnswer collect the bytes of one answer, however they are cut into
pieces, and say how many bytes more they can take; they refuse what is too long as soon as that is
known, so that memory stays bounded. The functions below them turn the text of an answer into
numbers, identities and error reports; they raise ValueError for anything that is not exactly what
it should be, because a number guessed from a garbled answer is worse than none.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from drivers.roles import Identity

LONGEST_NUMBER = 64
"""Characters in the longest number that is taken for one."""

SPECIAL_VALUE = 9.89e37
"""From this magnitude on a number is a sign: 9.9E37 infinity or overload, 9.91E37 not a number.

SCPI-1999 volume 1, 7.2. A little below 9.9E37, because single precision rounds it down.
"""

_PIECE_BYTES = 65536
_BLOCK_INTRODUCER_BYTES = 2
# IEEE 488.2, 8.7.2 to 8.7.4: NR1, NR2 and NR3, in the wider form that instruments really send.
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?", re.ASCII)
# SCPI-1999 volume 2, SYSTem:ERRor: number, comma, text in quotes.
_ERROR_REPORT = re.compile(r'([+-]?[0-9]{1,6})\s*(?:,\s*(?:"((?:[^"]|"")*)"|([^"]*)))?', re.ASCII)


class GarbledAnswer(ValueError):
    """An answer that breaks the form it should have."""

    def __init__(self, problem: str, seen: bytes = b"") -> None:
        self.seen = seen
        super().__init__(problem)


class LineAnswer:
    """One line of text, collected piece by piece up to its termination."""

    def __init__(self, termination: bytes, longest_bytes: int) -> None:
        self._termination = termination
        self._longest_bytes = longest_bytes
        self._bytes = bytearray()
        self._searched = 0
        self._end = -1

    @property
    def is_complete(self) -> bool:
        """Whether the termination has come."""
        return self._end >= 0

    @property
    def is_text(self) -> bool:
        """Whether a termination character may end a read."""
        return True

    def room(self) -> int:
        """How many bytes may be read next."""
        left = self._longest_bytes + len(self._termination) - len(self._bytes)
        return max(1, min(left, _PIECE_BYTES))

    def feed(self, piece: bytes) -> None:
        """Take the next bytes.

        Raises GarbledAnswer when the line is too long or something follows it.
        """
        self._bytes += piece
        self._end = self._bytes.find(self._termination, self._searched)
        self._searched = max(0, len(self._bytes) - len(self._termination) + 1)
        if self._end < 0:
            self._refuse_if_too_long()
        elif surplus := len(self._bytes) - self._end - len(self._termination):
            raise GarbledAnswer(
                f"the answer is followed by {surplus} bytes nobody asked for", self.seen()
            )

    def end(self) -> None:
        """The transport says that the message ends here, with or without a termination."""
        if self._end < 0:
            self._end = len(self._bytes)

    def seen(self) -> bytes:
        """The first bytes that came, for an error message."""
        return bytes(self._bytes[:200])

    def text(self) -> str:
        """The line without termination and surrounding blanks.

        Raises GarbledAnswer for bytes that are not printable ASCII.
        """
        return printable_text(bytes(self._bytes[: self._end]))

    def _refuse_if_too_long(self) -> None:
        if len(self._bytes) >= self._longest_bytes + len(self._termination):
            raise GarbledAnswer(
                f"no end of the answer within {self._longest_bytes} bytes", self.seen()
            )


class BlockAnswer:
    """One definite-length block (IEEE 488.2, 8.7.9) and the termination behind it."""

    def __init__(
        self, termination: bytes, longest_bytes: int, expected_bytes: int | None = None
    ) -> None:
        self._termination = termination
        self._longest_bytes = longest_bytes
        self._expected_bytes = expected_bytes
        self._bytes = bytearray()
        self._payload_start = -1
        self._payload_end = -1

    @property
    def is_complete(self) -> bool:
        """Whether payload and termination are there."""
        return self._payload_end >= 0 and len(self._bytes) >= self._whole()

    @property
    def is_text(self) -> bool:
        """A block may hold any byte, so no character may end a read."""
        return False

    def room(self) -> int:
        """How many bytes may be read next without reading past the block."""
        if self._payload_end >= 0:
            wanted = self._whole()
        elif len(self._bytes) < _BLOCK_INTRODUCER_BYTES:
            wanted = _BLOCK_INTRODUCER_BYTES
        else:
            wanted = _BLOCK_INTRODUCER_BYTES + block_digit_count(bytes(self._bytes[:2]))
        return max(1, min(wanted - len(self._bytes), _PIECE_BYTES))

    def feed(self, piece: bytes) -> None:
        """Take the next bytes.

        Raises GarbledAnswer for a wrong header, length or termination.
        """
        self._bytes += piece
        if self._payload_end < 0:
            self._read_header()
        if self._payload_end >= 0 and len(self._bytes) > self._payload_end:
            self._check_termination()

    def end(self) -> None:
        """The transport says that the message ends here.

        Raises GarbledAnswer when the payload is not complete.
        """
        if self._payload_end < 0 or len(self._bytes) < self._payload_end:
            raise GarbledAnswer(f"the block ends after {len(self._bytes)} bytes", self.seen())
        self._termination = b""

    def seen(self) -> bytes:
        """The first bytes that came, for an error message."""
        return bytes(self._bytes[:40])

    def payload(self) -> bytes:
        """The bytes of the block."""
        return bytes(memoryview(self._bytes)[self._payload_start : self._payload_end])

    def _whole(self) -> int:
        return self._payload_end + len(self._termination)

    def _read_header(self) -> None:
        if len(self._bytes) < _BLOCK_INTRODUCER_BYTES:
            if self._bytes[:1] != b"#":
                raise GarbledAnswer(
                    "the answer is not a block: it does not begin with #", self.seen()
                )
            return
        start = _BLOCK_INTRODUCER_BYTES + block_digit_count(bytes(self._bytes[:2]))
        if len(self._bytes) < start:
            return
        length = block_length(bytes(self._bytes[2:start]))
        self._refuse_length(length)
        self._payload_start, self._payload_end = start, start + length

    def _refuse_length(self, length: int) -> None:
        if length > self._longest_bytes:
            raise GarbledAnswer(
                f"the block announces {length} bytes, at most {self._longest_bytes} are taken",
                self.seen(),
            )
        if self._expected_bytes is not None and length != self._expected_bytes:
            raise GarbledAnswer(
                f"the block announces {length} bytes, {self._expected_bytes} were expected",
                self.seen(),
            )

    def _check_termination(self) -> None:
        behind = bytes(self._bytes[self._payload_end :])
        if not self._termination.startswith(behind):
            raise GarbledAnswer(
                f"the block is followed by {behind[:20]!r} instead of {self._termination!r}",
                self.seen(),
            )


def block_digit_count(introducer: bytes) -> int:
    """How many digits of length follow "#" and one digit (IEEE 488.2, 8.7.9).

    The indefinite form "#0" has no end on a byte stream and is refused. Raises GarbledAnswer.
    """
    if introducer[:1] != b"#":
        raise GarbledAnswer("the answer is not a block: it does not begin with #", introducer)
    if introducer[1:] not in {b"1", b"2", b"3", b"4", b"5", b"6", b"7", b"8", b"9"}:
        raise GarbledAnswer(
            "the block has no definite length (# must be followed by 1 to 9)", introducer
        )
    return int(introducer[1:])


def block_length(digits: bytes) -> int:
    """Number of payload bytes that the digits of a block header announce. Raises GarbledAnswer."""
    if re.fullmatch(rb"[0-9]{1,9}", digits) is None:
        raise GarbledAnswer("the length of the block is not a number", digits)
    return int(digits)


def printable_text(answer: bytes) -> str:
    """The text of an answer, without blanks around it.

    Raises GarbledAnswer for anything but printable ASCII and blanks.
    """
    try:
        text = answer.decode("ascii").strip()
    except UnicodeDecodeError as error:
        raise GarbledAnswer("the answer holds bytes that are not ASCII", answer[:200]) from error
    if not text.replace("\t", " ").replace("\r", " ").replace("\n", " ").isprintable():
        raise GarbledAnswer("the answer holds control characters", answer[:200])
    return text


def parse_number(text: str) -> float:
    """A finite number as IEEE 488.2 writes it (NR1, NR2, NR3).

    Raises ValueError for anything else, the special values 9.9E37 and 9.91E37 among them.
    """
    value = _number(text)
    if abs(value) >= SPECIAL_VALUE:
        raise ValueError(f"{text.strip()} means overload or no reading, not a number")
    return value


def parse_number_or_infinity(text: str) -> float:
    """A number in which 9.9E37 or INF stands for infinity (SCPI-1999 volume 1, 7.2)."""
    if text.strip().upper() in {"INF", "INFINITY"}:
        return math.inf
    value = _number(text)
    return math.copysign(math.inf, value) if abs(value) >= SPECIAL_VALUE else value


def parse_reading(text: str, overload_answers: Sequence[str] = ()) -> float | None:
    """A measured value, or None where the instrument says that it could not measure.

    Raises ValueError for an answer that is neither.
    """
    if text.strip().upper() in {word.upper() for word in overload_answers}:
        return None
    value = _number(text)
    return None if abs(value) >= SPECIAL_VALUE else value


def parse_whole_number(text: str) -> int:
    """A number without a fraction, in any of the three forms. Raises ValueError."""
    value = parse_number(text)
    if not value.is_integer():
        raise ValueError(f"{text!r} is not a whole number")
    return int(value)


def parse_word(text: str, yes: Sequence[str], no: Sequence[str]) -> bool:
    """True or false by the words an instrument uses for them, whatever their case.

    Numbers compare as numbers, so that "+1" is "1". Raises ValueError for any other word.
    """
    word = _plain_word(text)
    if word in {_plain_word(known) for known in yes}:
        return True
    if word in {_plain_word(known) for known in no}:
        return False
    raise ValueError(f"{text!r} is none of {', '.join((*yes, *no))}")


def parse_identity(text: str) -> Identity:
    """The four fields of an identity (IEEE 488.2, 10.14); fields that are not there are empty.

    Raises ValueError for an empty answer.
    """
    if not text.strip():
        raise ValueError("the identity is empty")
    fields = [field.strip() for field in text.split(",", 3)]
    manufacturer, model, serial, firmware = (*fields, "", "", "")[:4]
    return Identity(manufacturer=manufacturer, model=model, serial=serial, firmware=firmware)


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorQueue:
    """How an instrument is asked for its errors.

    no_error is the text that means "none"; None stands for the form of SCPI, where number 0 does.
    """

    query: str
    no_error: str | None = None

    def parse(self, answer: str) -> tuple[int, str] | None:
        """Number and text of the error reported, None for no error. Raises ValueError."""
        if self.no_error is None:
            return parse_error_report(answer)
        if answer.strip().upper() == self.no_error.strip().upper():
            return None
        if not answer.strip():
            raise ValueError("the answer to the error query is empty")
        return first_number(answer), answer.strip()


def parse_error_report(answer: str) -> tuple[int, str] | None:
    """Number and text of an answer to SYSTem:ERRor?, None for no error.

    Only the number decides: texts vary between makers. Raises ValueError.
    """
    match = _ERROR_REPORT.fullmatch(answer.strip())
    if match is None:
        raise ValueError(f"{answer!r} is not an error report")
    code = int(match[1])
    text = (match[2] or match[3] or "").replace('""', '"').strip()
    return None if code == 0 else (code, text)


def split_list(text: str, separator: str) -> list[str]:
    """The parts of an answer, cut at a separator that stands outside quotes.

    Raises ValueError for a quote that is not closed.
    """
    if '"' not in text:
        return [part.strip() for part in text.split(separator)]
    parts, start, is_quoted = [], 0, False
    for position, character in enumerate(text):
        if character == '"':
            is_quoted = not is_quoted
        elif not is_quoted and text.startswith(separator, position) and position >= start:
            parts.append(text[start:position].strip())
            start = position + len(separator)
    if is_quoted:
        raise ValueError("a quote is opened and not closed")
    return [*parts, text[start:].strip()]


def channel_list(text: str, separator: str = ",") -> frozenset[int]:
    """Channel numbers of "(@101,201)", "(@101:103)" or a bare list (SCPI-1999 volume 1, 8.3.2).

    Raises ValueError.
    """
    inner = re.sub(r"^\(\s*@|\)$", "", text.strip()).strip()
    if not inner:
        return frozenset()
    numbers: set[int] = set()
    for part in inner.split(separator):
        first, _, last = part.partition(":")
        low = parse_whole_number(first)
        high = parse_whole_number(last) if last else low
        if not 0 <= high - low <= 10_000:
            raise ValueError(f"{part!r} is not a range of channels")
        numbers.update(range(low, high + 1))
    return frozenset(numbers)


def _number(text: str) -> float:
    stripped = text.strip()
    if len(stripped) > LONGEST_NUMBER or _NUMBER.fullmatch(stripped) is None:
        raise ValueError("the answer is not a number")
    return float(stripped)


def _plain_word(text: str) -> str:
    word = text.strip().strip('"').upper()
    try:
        return repr(_number(word))
    except ValueError:
        return word


def first_number(text: str) -> int:
    """The first whole number in a complaint, 0 if there is none."""
    match = re.search(r"[+-]?[0-9]{1,6}", text)
    return int(match[0]) if match else 0
