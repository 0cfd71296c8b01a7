"""Columns of numbers as volts: time and volts, or volts alone with a stated sample rate.

Lines before the first line of numbers are headings; a unit in the heading's last line counts ("time
in ms", "CH1 (mV)"). Columns are set apart by comma, semicolon or tab. What can't be read as a number
stands in the refusal with its line; a value that is missing stays missing (NaN), so that the
analysis refuses it: a gap is never filled in.
"""

import io
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from sequencer.analysis.checks import require_even_steps
from sequencer.analysis.errors import CannotMeasure
from sequencer.captures import Samples
from sequencer.errors import FileError, Place, Refused
from sequencer.recordings import MOST_SAMPLES, Recording
from sequencer.uncertainty import combined, triangular

FILE_CODE = "file"
_MOST_HEADINGS = 100
_MOST_ERRORS = 10
_MOST_COLUMNS = 3
_FITTING = 1.5  # times as far as they stray from their own rate, times may stray from another
_PART_OF_STEP = (
    0.7  # of a sample, clearly less than the whole one by which a missing one moves the rest
)
_TELLING_HZ = 0.1  # a rate known as well as this hits a whole number seldom by chance
_MISSING = frozenset({"", "-", "--", "n/a", "#n/a", "na", "null", "none"})
_NO_NUMBER = 9.9e37  # SCPI 1999 vol. 1, 7.2.1.4: 9.9E37 is infinity, 9.91E37 not a number
_DECIMAL_COMMA = re.compile(r"\s*-?\d+,\d+\s*[;\t]")
_TIME_WORD = re.compile(r"\W*(t|time|zeit|second|x)", re.IGNORECASE)
_COUNT_WORD = re.compile(
    r"\W*((samples?|index|nr|no|numbers?|points?|counts?|rows?|[nik])\b(?!.*\b(time|rate))|#)",
    re.IGNORECASE,
)
_COUNTED = (
    "its first column counts by 1, taken for seconds; if it numbers the samples, state --rate"
)
_COARSE = (
    "its times have too few digits to tell samples apart; they agree with the stated rate as far as "
    "they go"
)
_MOST_DIGITS = 9
_UNEVEN = 1.3  # samples: twice a unit of 0.7, less the arithmetic
_WHOLE = 1e-3  # of a unit, that arithmetic may be off a whole one by
_FEWEST_STEPS = (
    16  # of the last digit that a record's times must go through, to agree with anything
)
_UNIT = re.compile(
    r"(?:^|[\[(/_,]|\bin\b)\s*(ns|us|µs|μs|ms|s|min|h|kv|mv|uv|µv|μv|nv|v)\s*(?:[\])]|$)",
    re.IGNORECASE,
)
# What is no voltage at an instant. The letters' case counts, and a lone letter only where it is no
# channel's name or phase's: "CH (A)", "W".
_OTHER_QUANTITY = re.compile(
    r"(?:^|[\[(/_,]|\bin\b)\s*"
    r"(dB(?:[A-Zµμum]\w*|\(A\))?|[numkµμ]A|[numkµμ]?V ?(?:rms|RMS|pp|pk|\^2|²)|rms|RMS|[numk]W|[kM]?Hz"
    r"|Pa|[kM]?(?:Ω|ohm)|deg|degC|%|°C?)\s*(?:[\])]|$)"
    r"|(?:[\[/]|\bin )\s*([AW])\s*(?:\]|$)"
    r"|^\W*(?:[iIpP]|[Cc]urrent|[Pp]ower)\b.*\(\s*([AW])\s*\)"
)
_SCALES = MappingProxyType(
    {
        "s": 1.0,
        "ms": 1e-3,
        "us": 1e-6,
        "ns": 1e-9,
        "min": 60.0,
        "h": 3600.0,
        "kv": 1e3,
        "v": 1.0,
        "mv": 1e-3,
        "uv": 1e-6,
        "nv": 1e-9,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    """Numbers of shape (rows, columns), and the heading of each column (may be empty)."""

    name: str
    values: Samples
    headings: tuple[str, ...]


def read_csv(content: bytes, name: str, *, rate_hz: float | None, wants_pair: bool) -> Recording:
    """The recording in a text file of columns.

    rate_hz is the stated sample rate: what a file without times needs, and what even times, or times
    of few digits, are taken for. wants_pair: two columns may be two channels.

    Raises Refused for a file that can't be read, CannotMeasure (time_base) for uneven times.
    """
    table = _without_count(_scaled(_table(_text(content, name), name)), rate_hz)
    columns = table.values.shape[1]
    if columns > _MOST_COLUMNS:
        raise _refused(name, f"has {columns} columns; expected time and volts, or volts alone")
    is_coarse = columns > 1 and rate_hz is not None and _are_coarse(table.values[:, 0], rate_hz)
    if rate_hz is not None and is_coarse:
        return _recording(table.values[:, 1:], rate_hz, remarks=(_COARSE,))
    if _has_times(table, wants_pair=wants_pair):
        known_hz, doubt = _rate(table.values[:, 0], rate_hz)
        remarks = (_COUNTED,) if _counts(table.values[:, 0]) and not table.headings[0] else ()
        return _recording(table.values[:, 1:], known_hz, doubt, remarks)
    if columns == 1 or (columns == 2 and wants_pair):
        if rate_hz is None:
            raise Refused(
                f'{name} has no times; state its sample rate, such as --rate "48 kHz"',
                code="argument",
            )
        return _recording(table.values, rate_hz)
    raise _refused(
        name, "has a first column that is no time; expected time, volts, or one column of volts"
    )


def _recording(
    volts: Samples, rate_hz: float, rate_doubt: float = 0.0, remarks: tuple[str, ...] = ()
) -> Recording:
    return Recording(
        samples=np.ascontiguousarray(volts.T),
        sample_rate_hz=rate_hz,
        rate_uncertainty=rate_doubt,
        remarks=remarks,
    )


def _refused(name: str, problem: str) -> Refused:
    return Refused(f"{name} {problem}", code=FILE_CODE)


def _text(content: bytes, name: str) -> str:
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError:
        text = content.decode("latin-1")  # a µ or a degree sign in a heading
    if re.search(r"[\x00-\x08\x0e-\x1f]", text[:10000]):
        raise _refused(
            name, "is not a text file; save the capture as text, or name it as what it is"
        )
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _table(text: str, name: str) -> _Table:
    place, line_number, headings = 0, 1, ""
    for line_number, (start, line) in enumerate(_lines(text), start=1):
        separator = _separator(line)
        if separator is not None:
            place = start
            break
        if _DECIMAL_COMMA.match(line):
            at = Place(name, line_number, 1, line)
            message = "decimal commas; export the file with decimal points"
            raise Refused([FileError(at, message)], code=FILE_CODE)
        if line_number >= _MOST_HEADINGS:
            raise _refused(name, f"has no line of numbers among its first {_MOST_HEADINGS}")
        headings = line if line.strip() else headings
    else:
        raise _refused(name, "holds no line of numbers; expected time, volts on each line")
    if text.count("\n", place) > MOST_SAMPLES:
        raise _refused(name, f"has more than {MOST_SAMPLES} lines, the most that can be analysed")
    values = _numbers(text[place:], separator, name, line_number)
    values[np.abs(values) >= _NO_NUMBER] = np.nan
    names = [cell.strip() for cell in headings.split(separator)]
    fitting = names if len(names) == values.shape[1] else [""] * values.shape[1]
    return _Table(name=name, values=values, headings=tuple(fitting))


def _lines(text: str) -> Iterator[tuple[int, str]]:
    """Place and text of each line, without cutting up the whole file."""
    place = 0
    while place < len(text):
        end = text.find("\n", place)
        end = len(text) if end < 0 else end
        yield place, text[place:end]
        place = end + 1


def _separator(line: str) -> str | None:
    """What sets the columns of a line of numbers apart; None for any other line."""
    for separator in (";", "\t", ","):
        cells = line.split(separator)
        are_numbers = all(_number(cell) is not None for cell in cells)
        if are_numbers and any(_plain(cell) not in _MISSING for cell in cells):
            return separator
    return None


def _number(cell: str) -> float | None:
    """A cell's number, NaN for a missing one, None for anything else."""
    plain = _plain(cell)
    if plain in _MISSING:
        return math.nan
    try:
        return None if "_" in plain else float(plain)
    except ValueError:
        return None


def _plain(cell: str) -> str:
    return cell.strip().strip('"').strip().casefold()


def _numbers(body: str, separator: str, name: str, first_line: int) -> Samples:
    """All numbers, shape (rows, columns): by numpy, or where it stumbles line by line."""
    try:
        values = np.loadtxt(
            io.StringIO(body), delimiter=separator, comments=None, quotechar='"', ndmin=2
        )
    except ValueError:
        values = _with_gaps(body, separator, name, first_line)
    return np.asarray(values, dtype=np.float64)


def _with_gaps(body: str, separator: str, name: str, first_line: int) -> Samples:
    rows: list[list[float]] = []
    errors: list[FileError] = []
    for number, line in enumerate(body.split("\n"), start=first_line):
        if not line.strip():
            continue
        values = [_number(cell) for cell in line.split(separator)]
        problem = _problem(line.split(separator), values, len(rows[0]) if rows else len(values))
        if problem:
            errors.append(FileError(Place(name, number, 1, line), problem))
        if len(errors) >= _MOST_ERRORS:
            break
        rows.append([math.nan if value is None else value for value in values])
    if errors:
        raise Refused(errors, code=FILE_CODE)
    return np.array(rows)


def _problem(cells: Sequence[str], values: Sequence[float | None], columns: int) -> str:
    if len(cells) != columns:
        return f"{len(cells)} columns; {columns} expected as in the lines before"
    wrong = [cell.strip() for cell, value in zip(cells, values, strict=True) if value is None]
    return f'"{wrong[0][:40]}" is not a number; expected numbers only' if wrong else ""


def _scaled(table: _Table) -> _Table:
    """The table in seconds and volts, by the units in its headings.

    Raises Refused for a column in any other quantity: a level or a current is not taken for volts.
    """
    for heading in table.headings:
        if other := _OTHER_QUANTITY.search(heading):
            unit = other[other.lastindex or 0]
            raise _refused(
                table.name,
                f'has a column "{heading[:40]}" in {unit}; expected volts over time: export the '
                "waveform itself in V or mV",
            )
    factors = [_factor(heading) for heading in table.headings]
    if all(factor == 1.0 for factor in factors):
        return table
    return _Table(name=table.name, values=table.values * factors, headings=table.headings)


def _factor(heading: str) -> float:
    match = _UNIT.search(heading)
    return _SCALES[match[1].casefold().replace("µ", "u").replace("μ", "u")] if match else 1.0


def _without_count(table: _Table, rate_hz: float | None) -> _Table:
    """The table without a first column that numbers the samples.

    By its heading; without one, beside a stated rate that it is not the time of, or beside times.
    """
    if table.values.shape[1] < 2 or not _counts(table.values[:, 0]):
        return table
    heading = table.headings[0]
    is_said = bool(_COUNT_WORD.match(heading)) and not _UNIT.search(heading)
    is_beside_times = table.values.shape[1] == _MOST_COLUMNS and _are_even(table.values[:, 1])
    is_seen = not _TIME_WORD.match(heading) and (is_beside_times or rate_hz not in (None, 1.0))
    if not (is_said or is_seen):
        return table
    return _Table(name=table.name, values=table.values[:, 1:], headings=table.headings[1:])


def _counts(column: Samples) -> bool:
    """Whether a column is 0, 1, 2, ... or begins elsewhere."""
    return column.size > 1 and bool(np.all(np.diff(column) == 1.0))


def _are_even(column: Samples) -> bool:
    """Whether a column may be times: it rises in even steps."""
    try:
        require_even_steps(column)
    except CannotMeasure:
        return False
    return True


def _has_times(table: _Table, *, wants_pair: bool) -> bool:
    """Whether the first column is a time: its heading says so, or it rises nearly everywhere."""
    columns = table.values.shape[1]
    if columns == 1:
        return False
    if _TIME_WORD.match(table.headings[0]) or columns == _MOST_COLUMNS:
        return True
    steps = np.diff(table.values[:, 0])
    rises = float(np.mean(steps > 0)) if steps.size else 1.0
    return rises > (0.9 if wants_pair else 0.6)


def _rate(times_s: Samples, stated_hz: float | None) -> tuple[float, float]:
    """Sample rate of even times, and its relative standard uncertainty.

    The stated rate where the times' digits allow for it, else a whole number where they do; that is
    exact if they would not have allowed for any. Else from the first and the last time, each of which
    was rounded: the span is off by the difference of two roundings, whose step shows in how far the
    times stray from the even grid that fits them best.
    """
    if times_s.size < 2:
        return 1.0, 0.0  # too short for anything, whatever the rate
    if stated_hz is not None and _are_rounded(times_s, stated_hz):
        return stated_hz, 0.0
    rate_hz = require_even_steps(times_s)
    allowed_s, whole_hz = _FITTING * _stray(times_s, rate_hz), float(round(rate_hz))
    if stated_hz is not None and _stray(times_s, stated_hz) <= allowed_s:
        return stated_hz, 0.0
    number = np.arange(times_s.size)
    best_hz = 1.0 / float(np.polyfit(number, times_s, 1)[0])
    doubt = triangular(_stray(times_s, best_hz)) / float(times_s[-1] - times_s[0])
    if not whole_hz or _stray(times_s, whole_hz) > allowed_s:
        return rate_hz, doubt
    if rate_hz * doubt < _TELLING_HZ:
        return whole_hz, 0.0
    return whole_hz, combined(doubt, whole_hz / rate_hz - 1.0)


def _are_rounded(times_s: Samples, rate_hz: float) -> bool:
    """Whether times are those of this rate, written with too few digits for even steps.

    Rounded to less than a sample they still tell that none is missing: that would move the others by
    a whole one. The steps differ by a unit of the last digit, the coarsest where their digits vary.
    """
    if not np.all(np.isfinite(times_s)):
        return False
    steps_s = np.unique(np.diff(times_s))
    digit_s = 10.0 ** round(math.log10(max(float(np.diff(steps_s).max(initial=0.0)), 1e-15)))
    # no more than a digit, but for the arithmetic: each of two times is off by half of one
    return _stray(times_s, rate_hz) < 1.01 * digit_s < _PART_OF_STEP / rate_hz


def _are_coarse(times_s: Samples, rate_hz: float) -> bool:
    """Whether times step by more than a sample, and are those of this rate as far as their digits go.

    A number of decimals, or of significant digits, tells them all: each lies within half a unit of its
    last digit from an even grid.
    """
    steps_s = np.diff(times_s)
    if not (np.all(np.isfinite(times_s)) and np.all(steps_s >= 0.0)):
        return False
    if float(steps_s.max(initial=0.0)) < _UNEVEN / rate_hz:
        return False
    decade = np.floor(np.log10(np.maximum(np.abs(times_s), 1e-12)))
    for digits in range(_MOST_DIGITS):
        for place in (np.full_like(decade, -digits), decade - digits):
            unit_s = 10.0**place
            in_units = times_s / unit_s
            if np.abs(in_units - np.rint(in_units)).max() < _WHOLE and _are_near(
                times_s - np.arange(times_s.size) / rate_hz, 0.505 * unit_s
            ):
                is_fine = float(unit_s.max()) < _PART_OF_STEP / rate_hz
                return not is_fine and float(np.ptp(in_units)) >= _FEWEST_STEPS
    return False


def _are_near(away_s: Samples, reach_s: Samples) -> bool:
    """Whether some constant lies within reach of all of them."""
    return bool(np.max(away_s - reach_s) <= np.min(away_s + reach_s))


def _stray(times_s: Samples, rate_hz: float) -> float:
    """Farthest that a time lies from an even grid, the grid's start fitted too, s."""
    away = times_s - np.arange(times_s.size) / rate_hz
    return float(np.ptp(away)) + 1e-15 * abs(float(times_s[-1]))
