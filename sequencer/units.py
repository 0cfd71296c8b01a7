"""Text with a unit to an SI number: "20 mV" is 0.02 V.

Every unit belongs to one dimension here, and its case matters (mHz is not MHz). A linear unit is
an exact decimal factor, so that "20 mV" gives the float nearest to 0.02; a logarithmic one is a
reference and a factor before the lg.
"""

import difflib
import math
import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType

DBU_REFERENCE_V = math.sqrt(0.6)  # r.m.s. voltage of 1 mW in 600 ohm, by definition

LONGEST_S = 366 * 86400.0  # nothing on a bench takes longer than a year

_LONGEST = 80
_NUMBER = re.compile(r"[+\-−]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+\-−]?[0-9]{1,3})?(?![0-9.,:_])")
_COMMA = re.compile(r"[+\-−]?[0-9]+,[0-9]")
_CLOCK_TIME = re.compile(r"([0-9]{1,4}):([0-9]{1,2})(?::([0-9]{1,2}))?(?:\s*[a-z]+)?")


@dataclass(frozen=True, slots=True)
class _Log:
    """A level unit: value = reference * 10 ** (number / per_decade)."""

    per_decade: float
    reference: float


@dataclass(frozen=True, slots=True)
class _Dimension:
    title: str  # with its article: "a voltage"
    examples: tuple[str, str]  # units that are offered when none was written
    units: Mapping[str, Decimal | _Log]


def _decades(unit: str, prefixes: str) -> dict[str, Decimal | _Log]:
    powers = {"n": -9, "u": -6, "µ": -6, "m": -3, " ": 0, "k": 3, "M": 6, "G": 9}
    return {f"{p.strip()}{unit}": Decimal(1).scaleb(powers[p]) for p in prefixes}


_AMPLITUDE_DB = _Log(20.0, 1.0)

_DIMENSIONS: Mapping[str, _Dimension] = MappingProxyType(
    {
        "voltage": _Dimension(
            "a voltage",
            ("mV", "V"),
            _decades("V", "nuµm k") | {"dBV": _Log(20.0, 1.0), "dBu": _Log(20.0, DBU_REFERENCE_V)},
        ),
        "frequency": _Dimension("a frequency", ("Hz", "kHz"), _decades("Hz", "m kM")),
        "time": _Dimension(
            "a time",
            ("s", "min"),
            _decades("s", "nuµm ") | {"min": Decimal(60), "h": Decimal(3600), "d": Decimal(86400)},
        ),
        "power": _Dimension(
            "a power", ("mW", "W"), _decades("W", "uµm k") | {"dBW": _Log(10.0, 1.0)}
        ),
        "resistance": _Dimension(
            "a resistance", ("ohm", "kohm"), _decades("ohm", "um kMG") | _decades("Ω", "µm kMG")
        ),
        "temperature": _Dimension(
            "a temperature", ("degC", "°C"), {"degC": Decimal(1), "°C": Decimal(1)}
        ),
        "temperature_difference": _Dimension(
            "a temperature difference", ("K", "K"), {"K": Decimal(1)}
        ),
        "temperature_rate": _Dimension(
            "a rate of temperature",
            ("K/min", "K/s"),
            {"K/s": Decimal(1), "K/min": Decimal(1) / 60, "K/h": Decimal(1) / 3600},
        ),
        "current": _Dimension("a current", ("mA", "A"), _decades("A", "uµm ")),
        "ratio": _Dimension(
            "a ratio",
            ("%", "dB"),
            {
                "%": Decimal("0.01"),
                "ppm": Decimal("1e-6"),
                "dB": _AMPLITUDE_DB,
                "dBc": _AMPLITUDE_DB,
            },
        ),
        "percentage": _Dimension(
            "a percentage", ("%", "ppm"), {"%": Decimal("0.01"), "ppm": Decimal("1e-6")}
        ),
        "decibel": _Dimension("a ratio in decibels", ("dB", "dB"), {"dB": Decimal(1)}),
        "gain_db": _Dimension("a gain", ("dB", "dB"), {"dB": Decimal(1)}),
        "capacitance": _Dimension("a capacitance", ("uF", "nF"), _decades("F", "nuµm ")),
        "noise_density": _Dimension(
            "a noise density", ("nV/rtHz", "uV/rtHz"), _decades("V/rtHz", "nuµm ")
        ),
    }
)
DIMENSIONS: tuple[str, ...] = tuple(_DIMENSIONS)

# What people write for a unit that has another sign.
_SPELLED_OUT = MappingProxyType(
    {
        "volt": "V", "volts": "V", "vrms": "V", "millivolt": "mV", "millivolts": "mV",
        "watt": "W", "watts": "W", "ohms": "ohm", "r": "ohm", "hertz": "Hz", "cps": "Hz",
        "sec": "s", "secs": "s", "second": "s", "seconds": "s", "minute": "min", "minutes": "min",
        "mins": "min", "hour": "h", "hours": "h", "hr": "h", "hrs": "h", "day": "d", "days": "d",
        "percent": "%", "pct": "%", "per cent": "%", "c": "degC", "celsius": "degC",
        "deg c": "degC", "deg": "degC", "amp": "A", "amps": "A", "kelvin": "K", "k": "K",
    }
)  # fmt: skip


def units_of(dimension: str) -> tuple[str, ...]:
    """Every way to write a unit of this dimension."""
    return tuple(_DIMENSIONS[dimension].units)


def dimension_of(unit: str) -> str | None:
    """The first dimension with this unit, None for an unknown one."""
    return next((name for name, known in _DIMENSIONS.items() if unit in known.units), None)


def title_of(dimension: str) -> str:
    """The dimension in words, with its article: "a voltage"."""
    return _DIMENSIONS[dimension].title


def example_of(dimension: str, number: str = "20") -> str:
    """What a quantity of this dimension looks like: "20 mV" or "20 V", in quotes."""
    first, second = _DIMENSIONS[dimension].examples
    return f'"{number} {first}"' + ("" if first == second else f' or "{number} {second}"')


def nearest(name: str, known: Iterable[str], count: int = 1) -> list[str]:
    """The known names closest to a misspelt one, best first; empty when none is close."""
    by_folded = {candidate.casefold(): candidate for candidate in known}
    found = difflib.get_close_matches(name.casefold()[:_LONGEST], list(by_folded), count, 0.55)
    return [by_folded[folded] for folded in found]


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """The end of a sentence about an unknown name: the nearest known one, or else all of them."""
    names = sorted(known)
    close = nearest(name, names)
    if close:
        return f'did you mean "{close[0]}"?'
    if not names:
        return "there are none"
    return "known: " + ", ".join(names[:20]) + (", ..." if len(names) > 20 else "")


def split_quantity(text: str) -> tuple[str, str]:
    """Number and unit of a quantity as plain text; the unit may be empty.

    Raises ValueError when there is no number in front.
    """
    stripped = text.strip()
    if len(stripped) > _LONGEST:
        raise ValueError(f'"{stripped[:30]}..." is too long for a quantity')
    if _COMMA.match(stripped):
        point = stripped.replace(",", ".", 1)
        raise ValueError(f'"{stripped}" has a comma; write a decimal point, such as "{point}"')
    match = _NUMBER.match(stripped)
    if match is None:
        raise ValueError(f'"{stripped}" is not a number with a unit')
    number = match.group().replace("−", "-")
    return number, stripped[match.end() :].strip().replace("μ", "µ").replace("\u2126", "Ω")


def parse_quantity(text: str, dimension: str) -> float:
    """The SI value of text with a unit of the dimension; ratios come as plain fractions.

    Raises ValueError with a sentence that says what would be right; KeyError for an unknown
    dimension.
    """
    wanted = _DIMENSIONS[dimension]
    if dimension == "time":
        _refuse_clock_time(text.strip())
    try:
        number, unit = split_quantity(text)
    except ValueError as error:
        hint = (
            "" if ";" in str(error) else f"; write {wanted.title} such as {example_of(dimension)}"
        )
        raise ValueError(f"{error}{hint}") from None
    if not unit:
        raise ValueError(f"{number} has no unit; write {example_of(dimension, number)}")
    scale = wanted.units.get(unit)
    if scale is None:
        raise ValueError(_wrong_unit(number, unit, dimension))
    value = _scaled(number, scale, text)
    if dimension == "time" and abs(value) > LONGEST_S:
        raise ValueError(f'"{text.strip()}" is longer than a year; check number and unit')
    return value


def parse_number(text: str) -> float:
    """A plain number without a unit.

    Raises ValueError for anything else, also for infinity and a leading zero such as 010.
    """
    stripped = text.strip()
    number, unit = split_quantity(text)
    if unit:
        raise ValueError(f'"{stripped}" has a unit; a plain number is wanted, such as {number}')
    if re.match(r"[+\-]?0[0-9]", number):
        right = re.sub(r"^([+\-]?)0+(?=[0-9])", r"\1", number)
        raise ValueError(
            f"{number} begins with 0, which some readers take for octal; write {right}"
        )
    return _scaled(number, Decimal(1), text)


def parse_count(text: str) -> int:
    """A whole number without a unit; 1e3 is 1000.

    Raises ValueError for anything else.
    """
    value = parse_number(text)
    if value != int(value) or abs(value) > 1e15:
        raise ValueError(
            f'"{text.strip()}" is not a whole number; write for example {round(value)}'
        )
    return int(value)


def _scaled(number: str, scale: Decimal | _Log, text: str) -> float:
    shown = text.strip()
    if isinstance(scale, _Log):
        if abs(float(number)) > 1000:
            raise ValueError(f'"{shown}" is out of all proportion; write less than 1000 dB')
        return float(scale.reference * 10.0 ** (float(number) / scale.per_decade))
    exact = Decimal(number) * scale
    value = float(exact)
    if not math.isfinite(value) or (value == 0.0 and exact != 0):
        raise ValueError(f'"{shown}" is out of all proportion; check the exponent')
    return value


def _refuse_clock_time(text: str) -> None:
    match = _CLOCK_TIME.fullmatch(text)
    if match is None:
        return
    parts = [int(part) for part in match.groups() if part is not None]
    seconds = (
        parts[0] * 60 + parts[1] if len(parts) == 2 else parts[0] * 3600 + parts[1] * 60 + parts[2]
    )
    raise ValueError(f'{text} is not a time here; write "{seconds} s" or "{seconds / 60:g} min"')


def _wrong_unit(number: str, unit: str, dimension: str) -> str:
    wanted = _DIMENSIONS[dimension]
    if dimension == "temperature" and unit == "K":
        return f'K is for differences of temperature; write "{number} degC" for a temperature'
    if dimension == "temperature_difference" and unit in ("degC", "°C"):
        return f'{unit} is for a temperature; write "{number} K" for a difference'
    other = dimension_of(unit)
    if other is not None:
        return (
            f"{number} {unit} is {title_of(other)}; {wanted.title} is wanted, "
            f"such as {example_of(dimension, number)}"
        )
    close = likely_units(unit, wanted.units)
    if close:
        return f'unknown unit "{unit}"; write ' + " or ".join(
            f'"{number} {name}"' for name in close
        )
    return f'unknown unit "{unit}"; write {wanted.title} in ' + ", ".join(wanted.units)


def likely_units(unit: str, known: Collection[str]) -> list[str]:
    """The known units that a misspelt one probably means: by case, by word, by likeness."""
    folded = unit.casefold()
    same_letters = [name for name in known if name.casefold() == folded]
    spelled = _SPELLED_OUT.get(folded)
    if same_letters:
        return same_letters
    if folded == "m" and {"min", "ms"} <= set(known):
        return ["min", "ms"]
    if spelled in known:
        return [spelled] if spelled else []
    return nearest(unit, known)
