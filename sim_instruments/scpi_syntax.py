"""IEEE 488.2 program messages on a byte stream: framing, message units, headers, parameters.

Pure functions. Bytes are read as Latin-1, one character a byte, so a block's payload passes
unharmed.

How a stream is cut into messages (IEEE 488.2 clauses 7.3 to 7.7; a raw socket has no END, so
newline alone terminates): a newline ends a message unless it is payload of a definite-length block.
A newline inside quotes does end it: a lost quotation mark must not swallow the conversation. A
block that claims more than the input buffer holds is no block, for the same reason.
"""

import re
from dataclasses import dataclass, field
from enum import Enum, auto

from sim_instruments.replies import Overrun
from sim_instruments.scpi_errors import ScpiError

INPUT_LIMIT = 65536
"""Longest program message taken, in bytes without its newline."""

_MNEMONIC_LIMIT = 12  # IEEE 488.2 7.6.1.4.1
_SUFFIX_LIMIT = 12  # SCPI-1999, text of error -134
_DIGIT_LIMIT = 255  # IEEE 488.2 7.7.2.4.1
_EXPONENT_LIMIT = 32000  # IEEE 488.2 7.7.2.4.1

_SPACE = "".join(chr(code) for code in range(33) if code != 10)

_FRAMING = re.compile(rb"[\n\"'#]")
_BLOCK_AHEAD = re.compile(rb"#([1-9])")
_HEADER = re.compile(r"(\*|:?)([A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\??)")
_NUMBER = re.compile(
    r"([+-]?)(\d+\.?\d*|\.\d+)(?:[\0- ]*[Ee][\0- ]*([+-]?\d+))?[\0- ]*(/?[A-Za-z][A-Za-z0-9/.\-]*)?"
)
_NUMBER_START = re.compile(r"[+\-.0-9]")
_CHARACTER = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_NON_DECIMAL = re.compile(r"#(?:[Hh]([0-9A-Fa-f]+)|[Qq]([0-7]+)|[Bb]([01]+))")
_BLOCK = re.compile(r"#([0-9])")


@dataclass(slots=True)
class Framer:
    """Cuts one client's byte stream into messages; keeps no more than the limit in memory."""

    limit: int = INPUT_LIMIT
    _pending: bytearray = field(default_factory=bytearray)
    _is_discarding: bool = False

    def feed(self, received: bytes) -> list[bytes | Overrun]:
        """Take what the socket gave; return the messages it completed, without their newline."""
        done: list[bytes | Overrun] = []
        start = 0
        self._pending += received
        while True:
            if self._is_discarding:
                newline = self._pending.find(b"\n", start)
                if newline < 0:
                    start = len(self._pending)
                    break
                start, self._is_discarding = newline + 1, False
            end = message_end(self._pending, start, self.limit)
            if end is not None:
                done.append(bytes(self._pending[start:end]))
                start = end + 1
            elif len(self._pending) - start > self.limit:
                done.append(Overrun())
                start, self._is_discarding = start + self.limit, True
            else:
                break
        del self._pending[:start]
        return done

    def leftover(self) -> bytes:
        """What has come of a message that was never ended."""
        return bytes(self._pending)


def message_end(buffer: bytes | bytearray, start: int = 0, limit: int = INPUT_LIMIT) -> int | None:
    """Index of the newline that ends the message beginning at start; None if it has not come.

    Only the first limit + 1 bytes are looked at.
    """
    quote = 0
    position, stop = start, start + limit + 1
    while (found := _FRAMING.search(buffer, position, stop)) is not None:
        position = found.end()
        mark = buffer[found.start()]
        if mark == 0x0A:
            return found.start()
        if mark == 0x23:
            payload = None if quote else _payload_end(buffer, start, found.start(), limit)
            position = payload if payload is not None else position
        elif quote in (0, mark):
            quote = mark if quote == 0 else 0
    return None


def _payload_end(buffer: bytes | bytearray, start: int, mark: int, limit: int) -> int | None:
    """Index after the block that may begin at mark; None where no block begins."""
    if mark == start or (buffer[mark - 1] > 0x20 and buffer[mark - 1] != 0x2C):
        return None
    if (ahead := _BLOCK_AHEAD.match(buffer, mark)) is None:
        return None
    first = ahead.end() + int(ahead.group(1))
    digits = bytes(buffer[ahead.end() : first])
    if not digits.isdigit():
        return None
    end = first + int(digits)
    return end if end - start <= limit else None


def split_units(message: bytes) -> list[str]:
    """The message units between the semicolons; empty ones are left out."""
    # Only the front is trimmed: what trails may be a block's payload.
    units = (unit.lstrip(_SPACE) for unit in _split(message.decode("latin-1"), ";"))
    return [unit for unit in units if unit]


def split_parameters(text: str) -> list[str]:
    """The parameters between the commas, trimmed; [] for none.

    Raises ScpiError -109 where nothing stands between two commas.
    """
    if not text.strip(_SPACE):
        return []
    # Trailing white space may be a block's payload, so it goes only where no block ends.
    parts = [part.lstrip(_SPACE) for part in _split(text, ",")]
    trimmed = [part if part[:1] == "#" else part.rstrip(_SPACE) for part in parts]
    if not all(trimmed):
        raise ScpiError(-109)
    return trimmed


def _split(text: str, separator: str) -> list[str]:
    """Cut at separators that stand outside strings, blocks and parentheses."""
    if not any(mark in text for mark in "\"'#("):
        return text.split(separator)
    parts: list[str] = []
    begin = position = 0
    while position < len(text):
        if text[position] == separator:
            parts.append(text[begin:position])
            begin = position = position + 1
        else:
            position = _skip_element(text, position)
    parts.append(text[begin:])
    return parts


def _skip_element(text: str, position: int) -> int:
    """Index after the character, or the whole string, block or expression, at position."""
    mark = text[position]
    if mark in "\"'":
        end = text.find(mark, position + 1)
    elif mark == "(":
        end = text.find(")", position)
    elif mark == "#" and position and (text[position - 1] in _SPACE or text[position - 1] == ","):
        return _skip_block(text, position)
    else:
        end = position
    return len(text) if end < 0 else end + 1


def _skip_block(text: str, position: int) -> int:
    header = _BLOCK.match(text, position)
    if header is None or header.group(1) == "0":
        return position + 1 if header is None else len(text)
    first = header.end() + int(header.group(1))
    digits = text[header.end() : first]
    if not (digits.isascii() and digits.isdigit()):
        return position + 1
    return min(first + int(digits), len(text))


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """The header of a message unit: its mnemonics in capitals and how it is written."""

    mnemonics: tuple[str, ...]
    is_common: bool
    is_absolute: bool
    is_query: bool


def parse_unit(unit: str) -> tuple[Header, str]:
    """Header of a message unit, and the text of its parameters.

    Raises ScpiError -101, -102, -103, -111 or -112 for what is no header.
    """
    found = _HEADER.match(unit)
    if found is None:
        raise ScpiError(-101 if not unit[:1].isascii() or unit[:1].isprintable() else -102)
    rest = unit[found.end() :]
    if rest and rest[0] not in _SPACE:
        raise ScpiError(_separator_error(rest[0]))
    mnemonics = tuple(found.group(2).upper().split(":"))
    if any(len(mnemonic) > _MNEMONIC_LIMIT for mnemonic in mnemonics):
        raise ScpiError(-112)
    if found.group(1) == "*" and len(mnemonics) > 1:
        raise ScpiError(-103)
    header = Header(
        mnemonics=mnemonics,
        is_common=found.group(1) == "*",
        is_absolute=found.group(1) == ":",
        is_query=found.group(3) == "?",
    )
    return header, rest


def _separator_error(character: str) -> int:
    if character == ":":
        return -102
    return -111 if character in ",\"'#(+-=?" or character.isdigit() else -101


class Kind(Enum):
    """What a parameter is (IEEE 488.2 clause 7.7)."""

    NUMBER = auto()
    CHARACTER = auto()
    STRING = auto()
    BLOCK = auto()
    EXPRESSION = auto()


@dataclass(frozen=True, slots=True, kw_only=True)
class Token:
    """One parameter: its kind, its text, and for a number its value and suffix in capitals."""

    kind: Kind
    text: str
    value: float = 0.0
    suffix: str = ""


def parse_parameter(text: str) -> Token:
    """Recognise one parameter.

    Raises ScpiError of the class -12x to -17x for a malformed one, -102 for what is nothing at all.
    """
    first = text[:1]
    if first in ("'", '"'):
        return Token(kind=Kind.STRING, text=_string(text))
    if first == "#":
        return _hash(text)
    if first == "(":
        return _expression(text)
    if _NUMBER_START.match(first):
        return _number(text)
    if first.isascii() and first.isalpha():
        return _character(text)
    raise ScpiError(-101 if first.isprintable() and first else -102)


def _string(text: str) -> str:
    quote = text[0]
    inner = text[1:-1]
    if len(text) < 2 or text[-1] != quote or quote in inner.replace(quote * 2, ""):
        raise ScpiError(-151)
    return inner.replace(quote * 2, quote)


def _hash(text: str) -> Token:
    """Non-decimal number or block."""
    if (found := _NON_DECIMAL.fullmatch(text.rstrip(_SPACE))) is not None:
        hexadecimal, octal, binary = found.groups()
        value = int(hexadecimal, 16) if hexadecimal else int(octal, 8) if octal else int(binary, 2)
        return Token(kind=Kind.NUMBER, text=text, value=_as_float(value))
    if text[1:2].upper() in ("H", "Q", "B"):
        raise ScpiError(-121)
    payload = _block(text)
    if payload is None:
        raise ScpiError(-161)
    return Token(kind=Kind.BLOCK, text=payload)


def _block(text: str) -> str | None:
    header = _BLOCK.match(text)
    if header is None:
        return None
    count = int(header.group(1))
    if count == 0:
        return text[2:]
    digits = text[2 : 2 + count]
    if not (len(digits) == count and digits.isascii() and digits.isdigit()):
        return None
    first = 2 + count
    end = first + int(digits)
    return text[first:end] if end <= len(text) and not text[end:].strip(_SPACE) else None


def _expression(text: str) -> Token:
    if text[-1] != ")" or "(" in text[1:] or ")" in text[:-1]:
        raise ScpiError(-171)
    return Token(kind=Kind.EXPRESSION, text=text[1:-1])


def _number(text: str) -> Token:
    found = _NUMBER.fullmatch(text)
    if found is None:
        raise ScpiError(_number_fault(text))
    sign, mantissa, exponent, suffix = found.groups()
    if len(mantissa.replace(".", "").lstrip("0")) > _DIGIT_LIMIT:
        raise ScpiError(-124)
    if exponent and (len(exponent.lstrip("+-0")) > 5 or abs(int(exponent)) > _EXPONENT_LIMIT):
        raise ScpiError(-123)
    if suffix and len(suffix) > _SUFFIX_LIMIT:
        raise ScpiError(-134)
    value = float(f"{sign}{mantissa}E{exponent or 0}")
    return Token(kind=Kind.NUMBER, text=text, value=value, suffix=(suffix or "").upper())


def _number_fault(text: str) -> int:
    """Why text, which begins like a number, is none: -103, -121 or -131."""
    lead = re.match(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]?\d+)?", text)
    if lead is None:
        return -121
    rest = text[lead.end() :]
    if rest[0] in _SPACE and not rest.lstrip(_SPACE)[0].isalpha():
        return -103
    return -131 if rest.lstrip(_SPACE)[0].isalpha() or rest[0] == "/" else -121


def _as_float(value: int) -> float:
    try:
        return float(value)
    except OverflowError:
        return float("inf")


def _character(text: str) -> Token:
    if _CHARACTER.fullmatch(text) is None:
        raise ScpiError(-103 if re.search(r"[\0- ]", text) else -141)
    if len(text) > _MNEMONIC_LIMIT:
        raise ScpiError(-144)
    return Token(kind=Kind.CHARACTER, text=text.upper())


def parse_channel_list(expression: str) -> list[tuple[int, int]]:
    """Spans (first, last) of a channel list's inside, such as "@101,201:203"; not expanded.

    Source: SCPI-1999 volume 1, 8.3.2. Raises ScpiError -171 for anything else.
    """
    text = "".join(expression.translate({ord(space): None for space in _SPACE}))
    if re.fullmatch(r"@(\d{1,9}(:\d{1,9})?(,\d{1,9}(:\d{1,9})?)*)?", text, re.ASCII) is None:
        raise ScpiError(-171)
    spans = (part.partition(":") for part in text[1:].split(",") if part)
    return [(int(first), int(last or first)) for first, _, last in spans]
