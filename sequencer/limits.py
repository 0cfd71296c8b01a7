"""Limits and verdicts: what a reading must keep to, and whether it does.

Two decision rules. Plain: the value alone decides. Guarded: ILAC-G8:09/2019 4.2.3 with a guard
band w equal to the expanded uncertainty U (k = 2), four outcomes; a value exactly on a boundary
belongs to the better side. A two-sided limit is judged on both sides and the worse one counts.

A limit taken from another reading has that reading's doubt: where only a bound of it is known the
limit may lie anywhere within, and where it has an uncertainty the guard band holds it too.
"""

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from enum import StrEnum

from sequencer.errors import Place
from sequencer.quantity_text import format_quantity
from sequencer.uncertainty import (
    COVERAGE_FACTOR,
    arcsine,
    combined,
    expanded,
    rectangular,
    relative_from_db,
    resolution,
    triangular,
)

__all__ = [
    "COVERAGE_FACTOR",
    "DecisionRule",
    "Limit",
    "Reading",
    "Relative",
    "Verdict",
    "arcsine",
    "combined",
    "counts_as_passed",
    "expanded",
    "is_fraction",
    "is_signed",
    "judge",
    "judge_reading",
    "rectangular",
    "relative_from_db",
    "resolution",
    "shown_unit",
    "step_verdict",
    "triangular",
    "worst",
]

_FRACTIONS = re.compile(r"thd|thd_plus_noise|h[0-9]+|imd_\w+|sideband_?\w*|spur_to_tone")
_SIGNED = re.compile(r"(\w+_)?(offset|final_value)(_\w+)?|drift_of_\w+")
# Rounding of decimal text to binary must not decide about a value that lies on its limit.
_SLACK = 1e-12


class DecisionRule(StrEnum):
    """How a value and its doubt become a verdict."""

    PLAIN = "plain"
    GUARDED = "guarded"


class Verdict(StrEnum):
    """What became of a reading, from the best to the worst; info says that no limit was set."""

    INFO = "info"
    PASS = "pass"
    CONDITIONAL_PASS = "conditional_pass"
    CONDITIONAL_FAIL = "conditional_fail"
    NO_READING = "no_reading"
    FAIL = "fail"


_RANK = {verdict: rank for rank, verdict in enumerate(Verdict)}


def shown_unit(reading: str, unit: str) -> str:
    """The unit a reading is shown in: distortion as per cent and dB."""
    return "%" if unit == "1" and is_fraction(reading) else unit


def is_fraction(reading: str) -> bool:
    """Whether a reading of unit "1" is an amplitude ratio, shown as per cent and dB."""
    return _FRACTIONS.fullmatch(reading) is not None


def is_signed(reading: str) -> bool:
    """Whether a reading can be good on either side of zero."""
    return _SIGNED.fullmatch(reading) is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Relative:
    """A bound taken from another reading of the run: factor * value + offset, in SI.

    with_magnitude takes the other reading's magnitude instead of its value.
    """

    step: str
    reading: str
    factor: float = 1.0
    offset: float = 0.0
    with_magnitude: bool = False
    place: Place | None = field(default=None, compare=False)

    def bound(self, value: float) -> float:
        """The bound when the other reading has this value."""
        return self.factor * (abs(value) if self.with_magnitude else value) + self.offset

    def bounds(self, least: float, most: float) -> tuple[float, float]:
        """Where the bound lies when the other reading lies between least and most."""
        ends = [self.bound(least), self.bound(most)]
        if self.with_magnitude and least < 0.0 < most:
            ends.append(self.bound(0.0))
        return min(ends), max(ends)


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """What a bound taken from another reading may be, and its standard uncertainty."""

    least: float
    most: float
    uncertainty: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """Bounds of one reading in its SI unit; None where a side is open.

    minimum_from and maximum_from are bounds that another reading of the run decides; once they are
    resolved minimum_span and maximum_span say how well they are known, None for exactly. written
    holds the limit as the procedure has it: (("max", "6 dB above h3"),).
    """

    minimum: float | None = None
    maximum: float | None = None
    minimum_from: Relative | None = None
    maximum_from: Relative | None = None
    minimum_span: Span | None = None
    maximum_span: Span | None = None
    written: tuple[tuple[str, str], ...] = ()

    @property
    def text(self) -> str:
        """The limit as written: "max 6 dB above h3", "29 dB ± 0.5 dB"."""
        if [key for key, _ in self.written] == ["nominal", "tolerance"]:
            return " ± ".join(value for _, value in self.written)
        return ", ".join(f"{key} {value}" for key, value in self.written)

    @property
    def relative(self) -> Relative | None:
        """The other reading this limit hangs on, None for an absolute one."""
        return self.maximum_from or self.minimum_from

    @property
    def _surrounds_nominal(self) -> bool:
        """A percentage around a negative value puts the sides in the other order."""
        return any(key == "nominal" for key, _ in self.written)

    def resolved(self, find: "Callable[[str, str], Reading | None]") -> "Limit":
        """The limit in numbers; find(step, reading) gives another reading of the run.

        Where only a bound of the other reading is known that bound is shown, and the span holds
        all that the limit may be. Raises LookupError in words when the other reading is not there.
        """
        if self.relative is None:
            return self
        sides = [
            (self.minimum, None) if self.minimum_from is None else _bound(self.minimum_from, find),
            (self.maximum, None) if self.maximum_from is None else _bound(self.maximum_from, find),
        ]
        low, high = sides[0][0], sides[1][0]
        if low is not None and high is not None and low > high and self._surrounds_nominal:
            sides.reverse()
        (minimum, minimum_span), (maximum, maximum_span) = sides
        return Limit(
            minimum=minimum,
            maximum=maximum,
            minimum_span=minimum_span,
            maximum_span=maximum_span,
            written=self.written,
        )

    def to_json(self) -> dict[str, float | str | None]:
        """The "limits" of a READING."""
        return {"min": self.minimum, "max": self.maximum, "text": self.text}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading of the run, judged.

    value in the SI unit of the contract, uncertainty the standard uncertainty (one sigma, same
    unit) or None where it isn't known. Where there is no value, upper_bound and lower_bound may
    say what it is at most and at least: noise_limited, when noise hides it and upper_bound is the
    95 % bound; else when the instrument or the procedure ended there. limits are in numbers. reason
    says why there is no value. near_floor: the bench itself has nearly as much.
    """

    name: str
    value: float | None
    unit: str
    uncertainty: float | None = None
    limits: Limit | None = None
    verdict: Verdict = Verdict.INFO
    noise_limited: bool = False
    upper_bound: float | None = None
    lower_bound: float | None = None
    reason: str = ""
    remarks: tuple[str, ...] = ()
    near_floor: bool = False

    @property
    def expanded_uncertainty(self) -> float | None:
        """U = 2 u, None where the uncertainty isn't known."""
        return None if self.uncertainty is None else expanded(self.uncertainty)

    @property
    def is_bound(self) -> bool:
        """Whether it is not known what it is, but what it is at most or at least."""
        return self.value is None and (self.lower_bound, self.upper_bound) != (None, None)

    @property
    def shown_unit(self) -> str:
        """The unit for format_quantity: fractions are shown as per cent and dB."""
        return shown_unit(self.name, self.unit)

    def value_text(self) -> str:
        """Value and U, or a bound, for people: "(20.00 ± 0.60) mV", "at least 500 Mohm"."""
        if self.value is not None:
            return format_quantity(
                self.value, self.shown_unit, uncertainty=self.expanded_uncertainty
            )
        return self.bound_text() or "no reading"

    def bound_text(self) -> str:
        """The bound for people: "below 3 µV" where noise hides it, "at most", "at least"; else empty."""
        if self.noise_limited and self.upper_bound is not None:
            return f"below {format_quantity(self.upper_bound, self.shown_unit, digits=2)}"
        sides = (("at least", self.lower_bound), ("at most", self.upper_bound))
        return ", ".join(
            f"{words} {format_quantity(bound, self.shown_unit)}"
            for words, bound in sides
            if bound is not None
        )

    def to_json(self) -> dict[str, object]:
        """The READING of the command-line contract."""
        return {
            "name": self.name,
            "value": _finite(self.value),
            "unit": self.unit,
            "uncertainty": _finite(self.uncertainty),
            "limits": None if self.limits is None else self.limits.to_json(),
            "verdict": self.verdict.value,
            "noise_limited": self.noise_limited,
            "upper_bound": _finite(self.upper_bound),
            "lower_bound": _finite(self.lower_bound),
            "reason": self.reason or None,
            "remarks": list(self.remarks),
            "near_floor": self.near_floor,
        }


Find = Callable[[str, str], Reading | None]


def judge(
    value: float | None,
    expanded_uncertainty: float | None,
    limit: Limit | None,
    rule: DecisionRule,
    *,
    noise_limited: bool = False,
    upper_bound: float | None = None,
    lower_bound: float | None = None,
) -> Verdict:
    """The verdict on a value, given U and a limit in numbers.

    Of a quantity of which only bounds are known nothing can be said unless they decide: it passes
    when all that it can be lies within the limit, and fails when none of it does; likewise where
    only bounds of the limit are known. One that drowns in noise (noise_limited) is at least zero; in
    dB it may be anything below. A value that isn't finite is no reading.
    """
    is_bound = value is None and (upper_bound is not None or lower_bound is not None)
    if not is_bound and (value is None or not math.isfinite(value)):
        return Verdict.NO_READING
    if limit is None:
        return Verdict.INFO
    is_guarded = rule is DecisionRule.GUARDED
    guard_band = expanded_uncertainty or 0.0 if is_guarded else 0.0
    least, most = _extent(value, lower_bound, upper_bound, is_positive=noise_limited)
    sides = []
    for bound, known, is_maximum in (
        (limit.maximum, limit.maximum_span, True),
        (limit.minimum, limit.minimum_span, False),
    ):
        if bound is None:
            continue
        span = known or Span(least=bound, most=bound)
        excess = (least - span.most, most - span.least)
        if not is_maximum:
            excess = (span.least - most, span.most - least)
        doubt = expanded(span.uncertainty) if is_guarded else 0.0
        sides.append(_judge_side(excess, combined(guard_band, doubt), _SLACK * abs(bound)))
    return worst(sides)


def _extent(
    value: float | None, lower: float | None, upper: float | None, *, is_positive: bool
) -> tuple[float, float]:
    """What something is at least and at most, of which a value is known, or bounds."""
    if value is not None:
        return value, value
    least = 0.0 if is_positive and lower is None else lower
    return -math.inf if least is None else least, math.inf if upper is None else upper


def _judge_side(excess: tuple[float, float], guard_band: float, slack: float) -> Verdict:
    """excess is how far it lies beyond the bound, at least and at most; negative: it keeps to it.

    Where the two ends disagree on whether it passes nothing can be said, else the more doubtful counts.
    """
    if not math.isfinite(guard_band):
        return Verdict.NO_READING
    mildest, hardest = (_judge_excess(each, guard_band, slack) for each in excess)
    if counts_as_passed(hardest, has_limit=True):
        return hardest
    return Verdict.NO_READING if counts_as_passed(mildest, has_limit=True) else mildest


def _judge_excess(excess: float, guard_band: float, slack: float) -> Verdict:
    if excess <= -guard_band + slack:
        return Verdict.PASS
    if excess <= slack:
        return Verdict.CONDITIONAL_PASS
    return Verdict.CONDITIONAL_FAIL if excess <= guard_band + slack else Verdict.FAIL


def judge_reading(
    reading: Reading, limit: Limit | None, rule: DecisionRule, find: Find | None = None
) -> Reading:
    """The reading with its limit in numbers and its verdict.

    find(step, reading) gives the other readings of the run, for relative limits.
    """
    numbers, other = limit, None
    if limit is not None and limit.relative is not None:
        look_up = find or _find_nothing
        try:
            numbers = limit.resolved(look_up)
        except LookupError as error:
            reason = str(error.args[0])
            return replace(reading, limits=limit, verdict=Verdict.NO_READING, reason=reason)
        other = look_up(limit.relative.step, limit.relative.reading)
    verdict = judge(
        reading.value,
        reading.expanded_uncertainty,
        numbers,
        rule,
        noise_limited=_is_noise(reading),
        upper_bound=reading.upper_bound,
        lower_bound=reading.lower_bound,
    )
    reason, remark = reading.reason, "" if limit is None else _doubt_remark(reading, other, rule)
    if verdict is Verdict.NO_READING and not reason:
        reason, remark = _undecided(reading, other), ""
    remarks = (*reading.remarks, remark) if remark else reading.remarks
    return replace(reading, limits=numbers, verdict=verdict, reason=reason, remarks=remarks)


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of some verdicts; info when there are none."""
    return max(verdicts, key=_RANK.__getitem__, default=Verdict.INFO)


def step_verdict(readings: Iterable[Reading]) -> Verdict:
    """The verdict of a step: its worst reading; what has no limit and no value spoils nothing."""
    return worst(
        Verdict.INFO if reading.limits is None else reading.verdict for reading in readings
    )


def counts_as_passed(verdict: Verdict, has_limit: bool) -> bool:
    """Whether a reading with this verdict lets the unit pass."""
    if verdict is Verdict.NO_READING:
        return not has_limit
    return verdict in (Verdict.INFO, Verdict.PASS, Verdict.CONDITIONAL_PASS)


def _bound(relative: Relative, find: Find) -> tuple[float, Span]:
    """The bound in numbers, and how well it is known."""
    other = find(relative.step, relative.reading)
    if other is None or not (other.is_bound or _finite(other.value) is not None):
        raise LookupError(
            f"its limit hangs on {relative.reading} of step {relative.step}, which gave no reading"
        )
    least, most = relative.bounds(
        *_extent(other.value, other.lower_bound, other.upper_bound, is_positive=_is_noise(other))
    )
    doubt = abs(relative.factor) * (other.uncertainty or 0.0)
    known = next(
        each for each in (other.value, other.upper_bound, other.lower_bound) if each is not None
    )
    return relative.bound(known), Span(least=least, most=most, uncertainty=doubt)


def _is_noise(reading: Reading) -> bool:
    """Whether it drowns in noise and is at least zero; in dB it may be anything below."""
    return reading.noise_limited and reading.unit != "dB"


def _doubt_remark(reading: Reading, other: Reading | None, rule: DecisionRule) -> str:
    """What is to be known of a reading's verdict; other is what its limit hangs on, None for nothing."""
    if other is not None and other.is_bound:
        return _hangs_on(other)
    if rule is DecisionRule.PLAIN:
        return ""
    of_other = None if other is None else other.uncertainty
    if reading.value is not None and reading.uncertainty is None and of_other is None:
        return "judged without a guard band: its uncertainty is not known"
    if other is None:
        return ""
    if of_other is None:
        return f"judged without the uncertainty of {other.name}, which is not known"
    if reading.uncertainty is None:
        return f"the guard band holds the uncertainty of {other.name} alone"
    return f"the guard band holds the uncertainty of {other.name} too"


def _undecided(reading: Reading, other: Reading | None) -> str:
    """Why a bound, of the reading or of what its limit hangs on, was not judged; empty without one."""
    known = f"it is known to be {reading.bound_text()}" if reading.is_bound else ""
    if other is not None and other.is_bound:
        return f"{'; '.join(filter(None, (known, _hangs_on(other))))}, which does not decide"
    if reading.noise_limited:
        return "the noise hides it, and its 95 % bound does not lie within the limit"
    return f"{known}, which does not decide" if known else ""


def _hangs_on(other: Reading) -> str:
    return f"its limit hangs on {other.name}, known to be {other.bound_text()}"


def _find_nothing(step: str, reading: str) -> Reading | None:
    return None


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
