"""Numbers in a text file that have marks between their thousands: what looks like them, and its words.

Where commas set columns apart too, 5,000 is one number or two: nothing in it tells which.
"""

import re
from collections.abc import Iterable

# Both marks in one number, those of the thousands first, or one of them twice, or a mark that nothing
# else has: no heading has one.
_SURELY = re.compile(
    r"[+-]?\d{1,3}(((,\d{3})+\.|(\.\d{3})+,)\d*|(,\d{3}){2,}|(\.\d{3}){2,}"
    r"|(['\u2019 \u00a0\u202f]\d{3})+([.,]\d*)?)(e[+-]?\d+)?"
)
_OVER_COLUMNS = re.compile(
    r'(?:^|,)[\s"]*([+-]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?)(?=[\s"]*(?:,|$))'
)
_LAST = re.compile(r'(?:^|,)[\s"]*[+-]?[1-9]\d{0,2},\d{3}(?:\.\d*)?[\s"]*$')
_POINT_NOT_OF_THOUSANDS = re.compile(r"\.(?!\d{3}(?!\d))|(?<!\d)0+\.|\d{4}\.|(?<!\d)\.")
_WITH_POINT = re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+(?:,\d*)?")


def are_surely_thousands(cell: str) -> bool:
    """Whether a cell can be no number but one with marks between its thousands."""
    return bool(_SURELY.fullmatch(cell))


def or_thousands(line: str) -> str:
    """What else a line may be whose commas set columns apart, to be added to a refusal of them."""
    found = _OVER_COLUMNS.search(line)
    if found is None:
        return ""
    return (
        f'; if the comma in "{found[1][:40]}" stands between thousands, export numbers without it'
    )


def may_end_in_thousands(lines: Iterable[str]) -> bool:
    """Whether the last two columns of all lines may be one number with a comma in it."""
    return all(_LAST.search(line) for line in lines if line.strip())


def has_points_for_thousands(body: str) -> bool:
    """Whether all points in a text may stand between thousands."""
    return not _POINT_NOT_OF_THOUSANDS.search(body)


def with_point(line: str) -> str | None:
    """The first number of a line that has a point before three digits."""
    found = _WITH_POINT.search(line)
    return None if found is None else found[0]
