"""What the headings above columns of numbers say of them: names, units, and what is no voltage.

The last line of headings counts, or the last that has a name for each column. A unit stands in brackets,
behind a slash, "in" or a blank, or alone ("time in ms", "CH1 (mV)", "CH1 mV", "mV"), or in a line of
its own above the names.
"""

import re
from collections.abc import Sequence
from types import MappingProxyType

_TIME_WORD = re.compile(r"\W*(t|time|zeit|second|x)", re.IGNORECASE)
_SECOND_TIME = re.compile(r"\W*time(\s*[\[(]\w*[\])])?", re.IGNORECASE)
_COUNT_WORD = re.compile(
    r"\W*((samples?|index|nr|no|numbers?|points?|counts?|rows?|[nik])\b(?!.*\b(time|rate))|#)",
    re.IGNORECASE,
)
_FREQUENCY_WORD = re.compile(r"\W*(freq|frequency|frequenz)\b", re.IGNORECASE)
_UNIT = re.compile(
    r"(?:^|[\[(/_,]|\bin\b)\s*"
    r"(ns|us|µs|μs|ms|s|min|h|kv|mv|uv|µv|μv|nv|v"
    r"|[mun]sec|(?:milli|micro|nano)?sec(?:ond)?s?|minutes?|hours?|(?:kilo|milli|micro|nano)v|(?:kilo|milli|micro|nano|[kmuµμn])?volts?)"
    r"\s*(?:[\])]|$)"
    # the letters' case counts here, and a lone letter is a channel's name
    r"|[^\W\d_].*\s(?-i:(ns|us|µs|μs|ms|kV|mV|uV|µV|μV|nV))\s*$",
    re.IGNORECASE,
)
# What is no voltage at an instant. The letters' case counts, and a lone letter only where it is no
# channel's name or phase's: "CH (A)", "W".
_OTHER_UNIT = (
    r"dB(?:[A-Zµμum]\w*|\(A\))?(?: (?:rms|RMS|SPL))?|[numkµμ]A|[numkµμ]?V ?(?:rms|RMS|pp|pk|\^2|²)"
    r"|rms|RMS|[numk]W|[kM]?Hz|[kM]?VA|Pa|[kM]?(?:Ω|[oO]hms?)|deg|degC|%|°C?|LSB|counts|mV/div|V/div"
    r"|(?:[Mm]illi|[Mm]icro|[Kk]ilo)?(?:[Aa]mp(?:[eè]re)?s?|[Ww]atts?)"
)
_OTHER_QUANTITY = re.compile(
    rf"(?:^|[\[(/_,]|\bin\b)\s*({_OTHER_UNIT})\s*(?:[\])]|$)"
    r"|(?:[\[/]|\bin )\s*([AW])\s*(?:\]|$)"
    r"|^\W*(?:[iIpP]|[Cc]urrent|[Pp]ower)\b.*\(\s*([AW])\s*\)"
    r"|[^\W\d_].*\s(dB[A-Zµμum]\w*|counts|[numkµμ]A|[numkµμ]?V(?:rms|RMS|pp|pk)|[numk]W|[kM]?Hz)\s*$"
)
# A voltage times something: no unit, though it looks like one.
_MULTIPLE = re.compile(
    r"[\[(][^\])]*(?:\d[^\])]*V|V[^\])]*\d|(?:ln|log)\b)[^\])]*[\])]|\b(?:ln|log\w*)\s?\(|\bx\s?10+\b",
    re.IGNORECASE,
)
_UNITS_LINE = re.compile(r"\bunits?\b", re.IGNORECASE)
_WORDS = re.compile(r"[^\W\d_]+")
_EXTREMES = tuple(
    re.compile(rf"\b{least}(imum)?\b(?!\s*[\])])", re.IGNORECASE) for least in ("min", "max")
)
_SCALES = MappingProxyType(
    {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0}
    | {"kv": 1e3, "v": 1.0, "mv": 1e-3, "uv": 1e-6, "nv": 1e-9}
)
_PREFIXES = MappingProxyType({"kilo": "k", "milli": "m", "micro": "u", "nano": "n"})
# Blanks set columns apart, but not a name from its bracket.
_WIDE_BLANKS = re.compile(r"\s{2,}|\t")
_BLANKS = re.compile(r"\s+(?![\[(])")
_MARKS = "#%;/ \t"  # of a comment


def names_of(line: str, separator: str | None, columns: int) -> tuple[str, ...]:
    """The names that a line of headings has for so many columns; empty where it has another number.

    separator: what sets the columns apart; None for blanks.
    """
    names = cells_of(line, separator)
    while separator is not None and len(names) > columns and not names[-1]:
        names.pop()
    if separator is None and len(names) != columns:
        names = _WIDE_BLANKS.split(line.strip(_MARKS))
    return tuple(names) if len(names) == columns else ()


def cells_of(line: str, separator: str | None) -> list[str]:
    """What a line of headings holds, set apart by a separator or (None) by blanks."""
    if separator is None:
        return _BLANKS.split(line.strip(_MARKS))
    return [cell.strip() for cell in line.split(separator)]


def is_time(heading: str) -> bool:
    """Whether a heading says that its column is a time."""
    return bool(_TIME_WORD.match(heading))


def is_count(heading: str) -> bool:
    """Whether a heading says that its column numbers the samples."""
    return bool(_COUNT_WORD.match(heading)) and not _UNIT.search(heading)


def factor_of(heading: str) -> float:
    """Seconds or volts of one unit of a column; 1 where its heading names no unit."""
    unit = _unit_of(heading)
    return _SCALES[unit] if unit else 1.0


def second_time(headings: Sequence[str]) -> tuple[str, str] | None:
    """Heading and unit of a time that isn't the first column."""
    found = next((each for each in headings[1:] if _SECOND_TIME.fullmatch(each)), None)
    return None if found is None else (found, _unit_of(found) or "s")


def with_units_of(names: Sequence[str], above: Sequence[str]) -> tuple[str, ...]:
    """The names, each without a unit with that of a line above which has nothing else in its place."""

    def with_unit(column: int, name: str, unit: str) -> str:
        """A time's unit belongs to a time, a voltage's to what is none."""
        known = _plain(unit)
        belongs = known in _SCALES and known.endswith("v") != (column == 0 and is_time(name))
        return f"{name} ({unit})" if belongs and not _UNIT.search(name) else name

    cells = [cell.strip("[]() ") for cell in above]
    return tuple(
        with_unit(column, name, unit)
        for column, (name, unit) in enumerate(zip(names, cells, strict=True))
    )


def names_other_units(line: str, names: Sequence[str]) -> bool:
    """Whether a line about units has one, not s or V, of a kind of which no name has any."""
    if not _UNITS_LINE.search(line):
        return False
    told = {_plain(word) for word in _WORDS.findall(line)}
    told -= {"min", "h"}  # of a unit under test, say
    has = {_unit_of(name).endswith("v") for name in names if _unit_of(name)}
    return any(_SCALES.get(unit, 1.0) != 1.0 and unit.endswith("v") not in has for unit in told)


def are_extremes(headings: Sequence[str]) -> bool:
    """Whether columns are the least and the most of each interval, and no samples."""
    return all(any(of.search(heading) for heading in headings) for of in _EXTREMES)


def _plain(unit: str) -> str:
    """A unit without capitals, and with u for micro."""
    return unit.casefold().replace("µ", "u").replace("μ", "u")


def _unit_of(heading: str) -> str:
    """The unit in a heading, without capitals, prefixes as letters; empty where there is none."""
    match = _UNIT.search(heading)
    if match is None:
        return ""
    unit = _plain(match[1] or match[2])
    if unit in _SCALES:
        return str(unit)
    if unit.endswith("sec") and unit[0] in "mun":
        return f"{unit[0]}s"
    prefix = next((each for each in _PREFIXES if unit.startswith(each)), "")
    base = unit.removeprefix(prefix)
    if base.endswith(("volt", "volts")):
        return f"{_PREFIXES.get(prefix, '')}{base.split('volt')[0]}v"
    letter = {"v": "v", "s": "s", "m": "min", "h": "h"}[base[0]]
    return _PREFIXES.get(prefix, "") + letter


def other_quantity(headings: Sequence[str]) -> tuple[str, str] | None:
    """Heading and unit of the first column that is neither a time nor a voltage at an instant."""
    for heading in headings:
        if other := _OTHER_QUANTITY.search(heading):
            return heading, other[other.lastindex or 0]
        if multiple := _MULTIPLE.search(heading):
            return heading, multiple[0].strip("[]() ")
    if headings and _FREQUENCY_WORD.match(headings[0]):
        return headings[0], "Hz"
    for heading in headings[1:]:
        unit = _unit_of(heading)
        if len(unit) > 1 and not unit.endswith("v"):  # "channel(s)" is a plural
            return heading, unit
    return None
