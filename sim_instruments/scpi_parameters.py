"""What a handler sees of its command: typed parameters in, answers in the standard formats out.

Sources: SCPI-1999 volume 1, 7 (parameters, MINimum and MAXimum, Boolean, special values) and
IEEE 488.2 clauses 7.7.3 (suffixes) and 8.7 (NR1, NR3, strings, blocks).
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from sim_instruments.scpi_errors import ScpiError
from sim_instruments.scpi_syntax import Kind, Token, parse_channel_list

NAN_TEXT = "+9.910000000E+37"
_INFINITY = 9.9e37

_MULTIPLIERS = MappingProxyType(
    {
        "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0,
        "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
    }
)  # fmt: skip

_NOT_ALLOWED = MappingProxyType(
    {
        Kind.NUMBER: -128,
        Kind.CHARACTER: -148,
        Kind.STRING: -158,
        Kind.BLOCK: -168,
        Kind.EXPRESSION: -178,
    }
)


def multiples(unit: str) -> dict[str, float]:
    """Every suffix of a unit with its factor: "V" gives MV 1e-3, UV 1e-6, KV 1e3 and so on.

    MHZ and MOHM are mega by the standard's exception (IEEE 488.2 7.7.3.3).
    """
    table = {prefix + unit: factor for prefix, factor in _MULTIPLIERS.items()}
    if unit in ("HZ", "OHM"):
        table["M" + unit] = 1e6
    return table


NO_UNIT: Mapping[str, float] = MappingProxyType({})
HERTZ: Mapping[str, float] = MappingProxyType(multiples("HZ"))
VOLT: Mapping[str, float] = MappingProxyType(multiples("V"))
SECOND: Mapping[str, float] = MappingProxyType(multiples("S") | {"SEC": 1.0})
OHM: Mapping[str, float] = MappingProxyType(multiples("OHM"))
SAMPLES_PER_SECOND: Mapping[str, float] = MappingProxyType(
    {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "SA/S": 1.0, "KSA/S": 1e3, "MSA/S": 1e6}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """What MINimum, MAXimum and DEFault stand for, in SI."""

    low: float
    high: float
    default: float

    def named(self, name: str) -> float | None:
        """The bound a character datum names; None where it names none."""
        if name in ("MIN", "MINIMUM"):
            return self.low
        if name in ("MAX", "MAXIMUM"):
            return self.high
        return self.default if name in ("DEF", "DEFAULT") else None


@dataclass(frozen=True, slots=True)
class Call:
    """One command as received: parameters, and the header's numeric suffix (1 if not written)."""

    tokens: tuple[Token, ...]
    suffix: int = 1
    has_suffix: bool = False

    def __len__(self) -> int:
        return len(self.tokens)

    def quantity(self, index: int, units: Mapping[str, float], bounds: Bounds) -> float:
        """A number in SI within its bounds, or a bound by name.

        Raises ScpiError -222 beyond the bounds, -131 or -138 for the suffix, -141 for a word.
        """
        token = self.tokens[index]
        if token.kind is Kind.CHARACTER:
            return self._named(token, bounds)
        value = self.number(index, units)
        if not bounds.low <= value <= bounds.high:
            raise ScpiError(-222)
        return value

    def _named(self, token: Token, bounds: Bounds) -> float:
        value = bounds.named(token.text)
        if value is None and token.text in ("INF", "INFINITY"):
            value = math.inf
        if value is None:
            raise ScpiError(-141)
        if not bounds.low <= value <= bounds.high:
            raise ScpiError(-222)
        return value

    def number(self, index: int, units: Mapping[str, float] = NO_UNIT) -> float:
        """A plain number, in SI where it carries a suffix.

        Raises ScpiError where another kind of parameter stands, or the suffix does not fit.
        """
        token = self._expect(index, Kind.NUMBER)
        if not token.suffix:
            return token.value
        if not units:
            raise ScpiError(-138)
        factor = units.get(token.suffix)
        if factor is None:
            raise ScpiError(-131)
        return token.value * factor

    def integer(self, index: int, low: int, high: int) -> int:
        """A number rounded to an integer within its bounds (IEEE 488.2 7.7.2.4 asks for rounding).

        Raises ScpiError -222 beyond them.
        """
        value = self.number(index)
        if not low - 0.5 <= value < high + 0.5:
            raise ScpiError(-222)
        return min(max(round(value), low), high)

    def boolean(self, index: int) -> bool:
        """ON, OFF, or a number: what rounds to 0 is off (SCPI-1999 volume 1, 7.3)."""
        token = self.tokens[index]
        if token.kind is Kind.CHARACTER:
            if token.text in ("ON", "OFF"):
                return token.text == "ON"
            raise ScpiError(-141)
        value = self.number(index)
        return not math.isfinite(value) or round(value) != 0

    def choice(self, index: int, *names: str) -> str:
        """The short form of one of names (printed as in manuals).

        Raises ScpiError -224 for another word.
        """
        word = self._expect(index, Kind.CHARACTER).text
        for name in names:
            short = "".join(character for character in name if not character.islower())
            if word in (short, name.upper()):
                return short
        raise ScpiError(-224)

    def text(self, index: int) -> str:
        """A quoted string, or a plain word as written in capitals."""
        token = self.tokens[index]
        if token.kind in (Kind.STRING, Kind.CHARACTER):
            return token.text
        raise ScpiError(_NOT_ALLOWED[token.kind])

    def channels(self, index: int, known: tuple[int, ...]) -> list[int]:
        """The channels of a list, in its order; a span holds those of it that exist.

        Raises ScpiError -222 for a channel, or a span, that does not exist.
        """
        chosen: list[int] = []
        for first, last in parse_channel_list(self._expect(index, Kind.EXPRESSION).text):
            low, high = min(first, last), max(first, last)
            span = [channel for channel in known if low <= channel <= high]
            if not span:
                raise ScpiError(-222)
            chosen += span if first <= last else span[::-1]
        if not chosen:
            raise ScpiError(-109)
        return chosen

    def _expect(self, index: int, kind: Kind) -> Token:
        token = self.tokens[index]
        if token.kind is not kind:
            raise ScpiError(_NOT_ALLOWED[token.kind])
        return token


class Block(bytes):
    """A definite-length arbitrary block, header and all, ready to be sent."""


def definite_block(payload: bytes) -> Block:
    """A payload behind its definite-length header (IEEE 488.2 clause 8.7.9)."""
    length = str(len(payload)).encode("ascii")
    return Block(b"#" + str(len(length)).encode("ascii") + length + payload)


def nr1(value: int) -> str:
    """An integer answer."""
    return str(int(value))


def nr3(value: float, digits: int = 9) -> str:
    """A number answer with exponent; not-a-number and the infinities as SCPI writes them."""
    if math.isnan(value):
        return NAN_TEXT
    if math.isinf(value):
        value = math.copysign(_INFINITY, value)
    return f"{value:+.{digits}E}"


def quoted(text: str) -> str:
    """A string answer."""
    return '"' + text.replace('"', '""') + '"'


def channel_list(channels: list[int]) -> str:
    """A channel list answer."""
    return "(@" + ",".join(map(str, channels)) + ")"


def bound_or(call: Call, index: int, bounds: Bounds, current: Callable[[], float]) -> float:
    """What a query asks for: the bound it names, or the current value.

    Raises ScpiError -141 for a word that names no bound.
    """
    if len(call) <= index:
        return current()
    token = call.tokens[index]
    if token.kind is not Kind.CHARACTER:
        raise ScpiError(_NOT_ALLOWED[token.kind])
    value = bounds.named(token.text)
    if value is None:
        raise ScpiError(-141)
    return value
