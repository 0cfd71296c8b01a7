"""Columns of numbers as volts: time and volts, or volts alone with a stated sample rate.

Lines before the first line of numbers are headings (`csv_headings`). Columns are set apart by comma,
semicolon, tab or blanks; decimal commas are read where they can be nothing else. What can't be read as
a number stands in the refusal with its line; a value that is missing stays missing (NaN), so that the
analysis refuses it: a gap is never filled in.
"""

import io
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sequencer.analysis.errors import CannotMeasure
from sequencer.captures import Samples
from sequencer.csv_headings import (
    are_extremes,
    cells_of,
    factor_of,
    is_count,
    is_time,
    names_of,
    names_other_units,
    other_quantity,
    second_time,
    with_units_of,
)
from sequencer.csv_thousands import (
    are_surely_thousands,
    has_points_for_thousands,
    may_end_in_thousands,
    or_thousands,
    with_point,
)
from sequencer.csv_times import are_coarse, are_even, first_fault, rate_of
from sequencer.errors import FileError, Place, Refused
from sequencer.recordings import MOST_SAMPLES, Recording

FILE_CODE = "file"
_MOST_HEADINGS = 100
_MOST_ERRORS = 10
_MOST_COLUMNS = 3
_MISSING = frozenset({"", "-", "--", "n/a", "#n/a", "na", "null", "none"})
_NO_NUMBER = 9.9e37  # SCPI 1999 vol. 1, 7.2.1.4: 9.9E37 is infinity, 9.91E37 not a number
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+(e[+-]?\d+)?")
# A comma with other than three digits behind it, or with a lone 0, four digits or none before it.
_SURELY_DECIMAL = re.compile(r",(?!\d{3}(?!\d))|(?<!\d)0+,|\d{4},|(?<!\d),")
_BEGINS_A_NUMBER = re.compile(r"\s*[+-]?\.?\d")
_COUNTED = (
    "its first column counts by 1, taken for seconds; if it numbers the samples, state --rate"
)
_COARSE = (
    "its times have too few digits to tell samples apart; they agree with the stated rate as far as "
    "they go"
)
_OR_DECIMALS = (
    "; if its commas are decimal commas, export it with decimal points, or columns set apart by "
    "semicolons"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Form:
    """How numbers stand on a line: what sets columns apart (None: blanks), the decimal mark."""

    separator: str | None
    decimal: str = "."

    def cells(self, line: str) -> list[str]:
        """The cells of a line, their decimals behind a point."""
        return line.replace(self.decimal, ".").split(self.separator)


_FORMS = (
    *(_Form(separator=each) for each in (";", "\t", ",")),
    *(_Form(separator=each, decimal=",") for each in (";", "\t")),
)
# Blanks stand within other lines too, so only where nothing else sets numbers apart.
_BLANK_FORMS = (_Form(separator=None), _Form(separator=None, decimal=","))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    """Numbers of shape (rows, columns), and the heading of each column (may be empty).

    body: the text from the first line of numbers, line first_line of the file, on.
    """

    name: str
    values: Samples
    headings: tuple[str, ...]
    form: _Form
    body: str
    first_line: int

    def place_of(self, row: int) -> Place:
        """Where a row stands in the file; blank lines are none."""
        for number, (_, line) in enumerate(_lines(self.body), start=self.first_line):
            row -= bool(line.strip())
            if row < 0:
                return Place(self.name, number, 1, line)
        return Place(self.name)


def read_csv(content: bytes, name: str, *, rate_hz: float | None, wants_pair: bool) -> Recording:
    """The recording in a text file of columns.

    rate_hz is the stated sample rate: what a file without times needs, and what even times, or times
    of few digits, are taken for. wants_pair: two columns may be two channels.

    Raises Refused for a file that can't be read, and (code time_base) for times in no even steps.
    """
    table = _without_count(_scaled(_table(_text(content, name), name)), rate_hz)
    columns = table.values.shape[1]
    if columns > _MOST_COLUMNS:
        problem = f"has {columns} columns; expected time and volts, or volts alone"
        raise _refused(name, problem + _or_marks(table))
    is_coarse = columns > 1 and rate_hz is not None and are_coarse(table.values[:, 0], rate_hz)
    if rate_hz is not None and is_coarse:
        return _recording(table.values[:, 1:], rate_hz, remarks=(_COARSE,))
    if _has_times(table, wants_pair=wants_pair):
        known_hz, doubt = _rate(table, rate_hz)
        remarks = (_COUNTED,) if _counts(table.values[:, 0]) and not table.headings[0] else ()
        return _recording(table.values[:, 1:], known_hz, doubt, remarks)
    if columns == 1 or (columns == 2 and wants_pair):
        if rate_hz is None:
            raise Refused(
                f'{name} has no times; state its sample rate, such as --rate "48 kHz"',
                code="argument",
            )
        return _recording(table.values, rate_hz)
    problem = "has a first column that is no time; expected time, volts, or one column of volts"
    raise _refused(name, problem + _or_marks(table))


def _recording(
    volts: Samples, rate_hz: float, rate_doubt: float = 0.0, remarks: tuple[str, ...] = ()
) -> Recording:
    return Recording(
        samples=np.ascontiguousarray(volts.T),
        sample_rate_hz=rate_hz,
        rate_uncertainty=rate_doubt,
        remarks=remarks,
    )


def _rate(table: _Table, stated_hz: float | None) -> tuple[float, float]:
    """Sample rate of the first column's times, and its relative standard uncertainty.

    Raises Refused (code time_base) with the line at which the times are wrong.
    """
    times_s = table.values[:, 0]
    try:
        return rate_of(times_s, stated_hz)
    except CannotMeasure as error:
        fault = first_fault(times_s)
        if fault is None:
            raise
        place = FileError(table.place_of(fault[0]), fault[1])
        raise Refused([place], code=error.code) from error


def _or_marks(table: _Table) -> str:
    """What else the commas of a file may be, to be added to a refusal of its columns."""
    if table.form.separator != ",":
        return ""
    first = table.body.partition("\n")[0]
    return or_thousands(first) or ("" if "." in table.body else _OR_DECIMALS)


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
    start, first_line, form = _first_numbers(text, name)
    if text.count("\n", start) > MOST_SAMPLES:
        raise _refused(name, f"has more than {MOST_SAMPLES} lines, the most that can be analysed")
    above, body = text[:start].split("\n")[:-1], text[start:]
    _require_no_numbers(above, form, name)
    if "," in body and form.separator != ",":
        form = _with_decimals(body, form, name, first_line)
    if form.separator == "," and not any(map(_is_told, above)):
        _require_no_thousands(body, name, first_line)
    values = _numbers(body, form, name, first_line)
    values[np.abs(values) >= _NO_NUMBER] = np.nan
    headings, values = _headings(above, form, values, body.partition("\n")[0], name)
    return _Table(
        name=name, values=values, headings=headings, form=form, body=body, first_line=first_line
    )


def _first_numbers(text: str, name: str) -> tuple[int, int, _Form]:
    """Place and number of the first line of numbers, and their form.

    Raises Refused where there is none.
    """
    first = []
    for number, (start, line) in enumerate(_lines(text), start=1):
        if number > _MOST_HEADINGS:
            break
        first.append((number, start, line))
    for forms in (_FORMS, _BLANK_FORMS):
        for number, start, line in first:
            form = next((each for each in forms if _fits(line, each)), None)
            if form is not None:
                return start, number, form
    for number, _, line in first:
        if _BEGINS_A_NUMBER.match(line):
            cells = max((form.cells(line) for form in _FORMS), key=len)
            wrong = next((cell for cell in cells if _number(cell) is None), line).strip()
            message = (
                f'"{wrong[:40]}" is not a number; write times in seconds and voltages in volts, their '
                "units in a heading"
            )
            raise Refused([FileError(Place(name, number, 1, line), message)], code=FILE_CODE)
    if len(first) == _MOST_HEADINGS:
        raise _refused(name, f"has no line of numbers among its first {_MOST_HEADINGS}")
    raise _refused(name, "holds no line of numbers; expected time, volts on each line")


def _require_no_numbers(above: Sequence[str], form: _Form, name: str) -> None:
    """Refuse a line above the first of numbers that is none only for marks that set thousands apart."""
    for number, line in enumerate(above, start=1):
        cells = line.split(form.separator)
        apart = [cell.strip() for cell in cells if are_surely_thousands(_plain(cell))]
        others = (cell.replace(form.decimal, ".") for cell in cells if cell.strip() not in apart)
        if apart and all(_number(cell) is not None for cell in others):
            message = (
                f'"{apart[0][:40]}" has a mark between its thousands; export numbers without it'
            )
            raise Refused([FileError(Place(name, number, 1, line), message)], code=FILE_CODE)


def _require_no_thousands(body: str, name: str, first_line: int) -> None:
    """Refuse columns without names, of which the last two may be one of thousands."""
    if may_end_in_thousands(line for _, line in _lines(body)):
        number, line = next(
            (number, line)
            for number, (_, line) in enumerate(_lines(body), start=first_line)
            if line.strip()
        )
        message = (
            "a comma before three digits may set columns or thousands apart, here in every line; "
            "export numbers without a mark between thousands, or write a heading for each column"
        )
        raise Refused([FileError(Place(name, number, 1, line), message)], code=FILE_CODE)


def _lines(text: str) -> Iterator[tuple[int, str]]:
    """Place and text of each line, without cutting up the whole file."""
    place = 0
    while place < len(text):
        end = text.find("\n", place)
        end = len(text) if end < 0 else end
        yield place, text[place:end]
        place = end + 1


def _fits(line: str, form: _Form) -> bool:
    """Whether a line holds numbers in this form, not all of them missing."""
    cells = line.split(form.separator)
    if form.decimal == ",":
        decimals = [cell for cell in cells if _DECIMAL_COMMA.fullmatch(_plain(cell))]
        if not decimals:
            return False
        cells = [cell for cell in cells if cell not in decimals]
        return all(_number(cell) is not None for cell in cells)
    are_numbers = len(cells) > 1 or form.separator is not None
    are_numbers = are_numbers and all(_number(cell) is not None for cell in cells)
    return are_numbers and any(_plain(cell) not in _MISSING for cell in cells)


def _with_decimals(body: str, form: _Form, name: str, first_line: int) -> _Form:
    """The form of numbers with commas in them, which set no columns apart.

    Raises Refused where they may be decimal commas or set thousands apart.
    """
    if "." in body:
        if _SURELY_DECIMAL.search(body) and has_points_for_thousands(body):
            lines = enumerate(_lines(body), start=first_line)
            number, line = next((number, line) for number, (_, line) in lines if "." in line)
            message = (
                f'"{with_point(line)}" has a point beside decimal commas; export numbers without a mark '
                "between thousands"
            )
            raise Refused([FileError(Place(name, number, 1, line), message)], code=FILE_CODE)
        return form if form.decimal == "." else replace(form, decimal=".")
    if not _SURELY_DECIMAL.search(body):
        lines = enumerate(_lines(body), start=first_line)
        number, line = next((number, line) for number, (_, line) in lines if "," in line)
        message = (
            "a comma before three digits may be a decimal comma or set thousands apart; export the file "
            "with decimal points"
        )
        raise Refused([FileError(Place(name, number, 1, line), message)], code=FILE_CODE)
    return replace(form, decimal=",")


def _headings(
    above: Sequence[str], form: _Form, values: Samples, first: str, name: str
) -> tuple[tuple[str, ...], Samples]:
    """The heading of each column, and the columns without an empty last one.

    first: the first line of numbers, as it stands.

    Raises Refused where a unit stands in headings that are not as many as the columns.
    """
    told = [(number, line) for number, line in enumerate(above, start=1) if _is_told(line)]
    columns = values.shape[1]
    if columns > 1 and np.all(np.isnan(values[:, -1])):  # a separator ends each line
        names = _last_names(told, form, columns)
        if not names or not names[-1]:
            columns -= 1
            values = values[:, :columns]
    names = _last_names(told, form, columns)
    if not names and told:
        number, line = told[-1]
        cells = cells_of(line, form.separator)
        if len(cells) > 1 and (other_quantity(cells) or any(factor_of(c) != 1.0 for c in cells)):
            message = (
                f"{len(cells)} headings for {columns} columns, so their units can't be told; write one "
                "for each column, set apart as the numbers are"
            )
            message += or_thousands(first) if form.separator == "," else ""
            raise Refused([FileError(Place(name, number, 1, line), message)], code=FILE_CODE)
    for number, line in told:
        if names_other_units(line, names):
            message = (
                "names units that the headings of the columns don't; write them there, as in "
                '"time (ms)" and "CH1 (mV)"'
            )
            raise Refused([FileError(Place(name, number, 1, line), message)], code=FILE_CODE)
    return names or ("",) * columns, values


def _is_told(line: str) -> bool:
    """Whether a line says anything: more than dashes."""
    return any(character.isalnum() for character in line)


def _last_names(told: Sequence[tuple[int, str]], form: _Form, columns: int) -> tuple[str, ...]:
    """A name for each column: from the last line, or one before it that has so many, none a number."""
    for _, line in reversed(told):
        names = names_of(line, form.separator, columns)
        if names and (line == told[-1][1] or all(_number(each) is None for each in names)):
            return _with_units_above(names, told, form)
    return ()


def _with_units_above(
    names: tuple[str, ...], told: Sequence[tuple[int, str]], form: _Form
) -> tuple[str, ...]:
    for _, line in reversed(told):
        if above := names_of(line, form.separator, len(names)):
            names = with_units_of(names, above)
    return names


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


def _numbers(body: str, form: _Form, name: str, first_line: int) -> Samples:
    """All numbers, shape (rows, columns): by numpy, or where it stumbles line by line."""
    plain = body.replace(form.decimal, ".")
    try:
        values = np.loadtxt(
            io.StringIO(plain), delimiter=form.separator, comments=None, quotechar='"', ndmin=2
        )
    except ValueError:
        values = _with_gaps(body, form, name, first_line)
    return np.asarray(values, dtype=np.float64)


def _with_gaps(body: str, form: _Form, name: str, first_line: int) -> Samples:
    rows: list[list[float]] = []
    errors: list[FileError] = []
    first = ""
    for number, line in enumerate(body.split("\n"), start=first_line):
        if not line.strip():
            continue
        values = [_number(cell) for cell in form.cells(line)]
        if problem := _problem(line, form, values, len(rows[0]) if rows else len(values)):
            if form.separator == "," and rows and len(values) != len(rows[0]):
                problem += or_thousands(max(first, line, key=lambda each: each.count(",")))
            errors.append(FileError(Place(name, number, 1, line), problem))
        first = first or line
        if len(errors) >= _MOST_ERRORS:
            break
        rows.append([math.nan if value is None else value for value in values])
    if errors:
        raise Refused(errors, code=FILE_CODE)
    return np.array(rows)


def _problem(line: str, form: _Form, values: Sequence[float | None], columns: int) -> str:
    cells, shown = line.split(form.separator), line.strip()
    if all(value is None for value in values) and not _BEGINS_A_NUMBER.match(shown):
        return f'"{shown[:40]}" is not a number; take the line out if no sample belongs there'
    if len(cells) != columns:
        plural = "" if len(cells) == 1 else "s"
        return f"{len(cells)} column{plural}; {columns} expected as in the lines before"
    wrong = next((c.strip() for c, value in zip(cells, values, strict=True) if value is None), "")
    if not wrong:
        return ""
    if _number(wrong.replace(",", "")) is not None:
        return f'"{wrong[:40]}" has a comma beside decimal points; export numbers without it'
    return f'"{wrong[:40]}" is not a number; expected numbers only'


def _scaled(table: _Table) -> _Table:
    """The table in seconds and volts, by the units in its headings.

    Raises Refused for a column in any other quantity: a level or a current is not taken for volts.
    """
    if other := other_quantity(table.headings) or second_time(table.headings):
        heading, unit = other
        raise _refused(
            table.name,
            f'has a column "{heading[:40]}" in {unit}; expected volts over time: export the '
            "waveform itself in V or mV",
        )
    if are_extremes(table.headings):
        raise _refused(
            table.name,
            "has the least and the most of each interval, no samples; export every sample, without "
            "peak detection",
        )
    factors = [factor_of(heading) for heading in table.headings]
    if all(factor == 1.0 for factor in factors):
        return table
    return replace(table, values=table.values * factors)


def _without_count(table: _Table, rate_hz: float | None) -> _Table:
    """The table without a first column that numbers the samples.

    By its heading; without one, beside a stated rate that it is not the time of, or beside times.
    """
    if table.values.shape[1] < 2 or not _counts(table.values[:, 0]):
        return table
    heading = table.headings[0]
    is_said = is_count(heading)
    is_beside_times = table.values.shape[1] == _MOST_COLUMNS and are_even(table.values[:, 1])
    is_seen = not is_time(heading) and (is_beside_times or rate_hz not in (None, 1.0))
    if not (is_said or is_seen):
        return table
    return replace(table, values=table.values[:, 1:], headings=table.headings[1:])


def _counts(column: Samples) -> bool:
    """Whether a column is 0, 1, 2, ... or begins elsewhere."""
    return column.size > 1 and bool(np.all(np.diff(column) == 1.0))


def _has_times(table: _Table, *, wants_pair: bool) -> bool:
    """Whether the first column is a time: its heading says so, or it rises nearly everywhere."""
    columns = table.values.shape[1]
    if columns == 1:
        return False
    if is_time(table.headings[0]) or columns == _MOST_COLUMNS:
        return True
    steps = np.diff(table.values[:, 0])
    rises = float(np.mean(steps > 0)) if steps.size else 1.0
    return rises > (0.9 if wants_pair else 0.6)
