"""Readings of a record as the report shows them."""

import re
from dataclasses import dataclass

from sequencer.limits import (
    COVERAGE_FACTOR,
    Limit,
    Reading,
    Verdict,
    counts_as_passed,
    shown_unit,
)
from sequencer.quantities import format_quantity
from sequencer.record import Json
from sequencer.report.ruler import Ruler, ruler
from sequencer.report.verdict_signs import Sign, reading_sign, verdict_of
from sequencer.wording import is_undecided, name_text, split_decibels

_HANGS_ON_ANOTHER = re.compile(r"\b(above|below|of|than|times)\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingView:
    """One reading: texts, sign and ruler. written is the limit as the procedure has it, where that
    says more than the numbers do.
    """

    name: str
    value: str
    also: str
    limit: str
    written: str
    sign: Sign
    remarks: tuple[str, ...]
    ruler: Ruler | None
    has_limit: bool
    is_bound: bool
    is_undecided: bool
    is_passed: bool
    verdict: Verdict


def reading_of(stored: Json) -> Reading:
    """A reading of the record."""
    limits = stored.get("limits")
    limit = Limit(minimum=limits.get("min"), maximum=limits.get("max")) if limits else None
    return Reading(
        name=str(stored["name"]),
        value=stored.get("value"),
        unit=str(stored.get("unit", "")),
        uncertainty=stored.get("uncertainty"),
        limits=limit,
        verdict=verdict_of(stored.get("verdict")),
        noise_limited=bool(stored.get("noise_limited")),
        upper_bound=stored.get("upper_bound"),
        lower_bound=stored.get("lower_bound"),
        reason=str(stored.get("reason") or ""),
        remarks=tuple(map(str, stored.get("remarks") or ())),
    )


def reading_view(stored: Json, kind: str) -> ReadingView:
    """A reading that a step of this kind took, ready to be shown."""
    reading = reading_of(stored)
    written = str((stored.get("limits") or {}).get("text") or "")
    value, also = split_decibels(reading.value_text())
    is_limited = reading.limits is not None
    return ReadingView(
        name=capitalised(name_text(reading.name, kind)),
        value=value,
        also=also,
        limit=bounds_text(reading),
        written=written if _says_more(written, reading) else "",
        sign=reading_sign(reading),
        remarks=_remarks(reading),
        ruler=_ruler(reading),
        has_limit=is_limited,
        is_bound=reading.is_bound,
        is_undecided=is_undecided(reading),
        is_passed=counts_as_passed(reading.verdict, is_limited),
        verdict=reading.verdict,
    )


def _says_more(written: str, reading: Reading) -> bool:
    """Whether a limit as written tells what its numbers don't: another reading, or decibels."""
    is_in_decibels = reading.shown_unit == "%" and written.endswith("dB")
    return is_in_decibels or _HANGS_ON_ANOTHER.search(written) is not None


def _remarks(reading: Reading) -> tuple[str, ...]:
    if reading.reason:
        return (reading.reason, *reading.remarks)
    if reading.is_bound and reading.noise_limited and reading.limits is not None:
        return ("drowns in noise; this is its 95 % bound", *reading.remarks)
    return reading.remarks


def _ruler(reading: Reading) -> Ruler | None:
    if reading.limits is None:
        return None
    doubt = COVERAGE_FACTOR * (reading.uncertainty or 0.0)
    return ruler(
        reading.value,
        doubt,
        (reading.lower_bound, reading.upper_bound),
        reading.limits.minimum,
        reading.limits.maximum,
    )


def quantity(value: float, name: str, unit: str, digits: int = 4) -> str:
    """A value in the unit its reading is shown in, without the decibels beside per cents."""
    return split_decibels(format_quantity(value, shown_unit(name, unit), digits=digits))[0]


def bounds_text(reading: Reading) -> str:
    """The limit in numbers and plain words: "at most 0.02 %", "28.50 to 29.50 dB", "±20 mV"."""
    limit = reading.limits
    if limit is None:
        return ""
    if limit.minimum is None and limit.maximum is None:
        return "could not be worked out"
    low, high = (
        None if bound is None else quantity(bound, reading.name, reading.unit)
        for bound in (limit.minimum, limit.maximum)
    )
    if low is None:
        return f"at most {high}"
    if high is None:
        return f"at least {low}"
    if limit.minimum == -(limit.maximum or 0.0):
        return f"±{high}"
    return range_text(low, high)


def range_text(low: str, high: str) -> str:
    """Two quantities as a range: "28.50 to 29.50 dB", "990 mV to 1.01 V"; equal ones once."""
    if low == high:
        return low
    low_number, _, low_unit = low.rpartition(" ")
    is_same_unit = low_unit == high.rpartition(" ")[2] and low_number
    return f"{low_number if is_same_unit else low} to {high}"


def capitalised(text: str) -> str:
    """Text with a capital first letter, the rest as it is."""
    return text[:1].upper() + text[1:]
