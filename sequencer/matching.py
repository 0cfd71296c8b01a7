"""How alike two units are: differences between the same readings of a pair, judged.

The limits are those of the bench (common practice, no source); a workshop may set its own.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sequencer.limits import Verdict
from sequencer.quantities import format_quantity

_DB = "dB"


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchRule:
    """How far apart two readings may lie. as_ratio compares levels in dB (20 lg, 10 lg for watts)."""

    within: float
    unit: str
    as_ratio: bool = False
    # Two readings that both lie below this part of their limit match whatever their ratio.
    alike_below: float | None = None
    # Kinds of step whose reading tells something of the unit; a tone's power is what we made it.
    kinds: frozenset[str] | None = None


RULES: Mapping[str, MatchRule] = {
    "gain": MatchRule(within=0.2, unit=_DB),
    "flatness": MatchRule(within=0.2, unit=_DB),
    "power": MatchRule(within=0.3, unit=_DB, as_ratio=True, kinds=frozenset({"level_sweep"})),
    "dc_offset": MatchRule(within=0.010, unit="V", kinds=frozenset({"dc_offset"})),
    "bias": MatchRule(within=20.0 * math.log10(1.15), unit=_DB, as_ratio=True),
    "thd": MatchRule(within=6.0, unit=_DB, as_ratio=True, alike_below=1.0 / 3.0),
    "noise_unweighted": MatchRule(within=6.0, unit=_DB, as_ratio=True),
    "noise_a_weighted": MatchRule(within=6.0, unit=_DB, as_ratio=True),
    "hum_50": MatchRule(within=6.0, unit=_DB, as_ratio=True),
    "hum_100": MatchRule(within=6.0, unit=_DB, as_ratio=True),
    "hum_60": MatchRule(within=6.0, unit=_DB, as_ratio=True),
    "hum_120": MatchRule(within=6.0, unit=_DB, as_ratio=True),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """One reading of the same step, side by side."""

    name: str
    step: str
    values: tuple[float | None, ...]
    value_unit: str
    difference: float | None
    unit: str
    within: float
    verdict: Verdict

    def to_json(self) -> dict[str, object]:
        """The entry of the pair's match table."""
        return {
            "name": self.name,
            "step": self.step,
            "values": list(self.values),
            "value_unit": self.value_unit,
            "difference": self.difference,
            "unit": self.unit,
            "limits": {"min": None, "max": self.within, "text": self.limit_text()},
            "verdict": self.verdict.value,
        }

    def limit_text(self) -> str:
        """The limit in words."""
        return f"within {format_quantity(self.within, self.unit)}"


def match(summaries: Sequence[Mapping[str, Any]]) -> list[Match]:
    """The match table of the summaries of a pair's runs, step by step.

    A reading that not every unit has is listed too; what only a later unit has stands at the end.
    """
    compared = dict.fromkeys(
        (step["id"], reading["name"])
        for summary in summaries
        for step in summary["steps"]
        for reading in step["readings"]
        if _is_compared(reading["name"], step["kind"])
    )
    return [
        _match(name, step, [_reading(summary, step, name) for summary in summaries])
        for step, name in compared
    ]


def _is_compared(name: str, kind: str) -> bool:
    rule = RULES.get(name)
    return rule is not None and (rule.kinds is None or kind in rule.kinds)


def _reading(summary: Mapping[str, Any], step: str, name: str) -> Mapping[str, Any]:
    for each in summary["steps"]:
        if each["id"] == step:
            for reading in each["readings"]:
                if reading["name"] == name:
                    found: Mapping[str, Any] = reading
                    return found
    return {"value": None, "unit": "", "limits": None, "upper_bound": None}


def _match(name: str, step: str, readings: Sequence[Mapping[str, Any]]) -> Match:
    rule = RULES[name]
    values = tuple(reading["value"] for reading in readings)
    value_unit = next((str(each["unit"]) for each in readings if each["unit"]), "")
    difference = _difference(values, rule, value_unit)
    least = _least_difference(readings, rule, value_unit)
    return Match(
        name=name,
        step=step,
        values=values,
        value_unit=value_unit,
        difference=difference,
        unit=rule.unit,
        within=rule.within,
        verdict=_verdict(difference, least, rule, readings),
    )


def _difference(values: Sequence[float | None], rule: MatchRule, value_unit: str) -> float | None:
    """Spread between the units: largest less smallest, or their ratio in dB."""
    known = [value for value in values if value is not None]
    return _apart(min(known), max(known), rule, value_unit) if len(known) == len(values) else None


def _least_difference(
    readings: Sequence[Mapping[str, Any]], rule: MatchRule, value_unit: str
) -> float | None:
    """How far apart the units are at least, where bounds stand for some of them."""
    extents = [_extent(reading) for reading in readings]
    largest, smallest = max(low for low, _ in extents), min(high for _, high in extents)
    if not math.isfinite(largest) or not math.isfinite(smallest) or largest <= smallest:
        return None
    return _apart(smallest, largest, rule, value_unit)


def _extent(reading: Mapping[str, Any]) -> tuple[float, float]:
    """What a reading is at least and at most."""
    if reading["value"] is not None:
        return reading["value"], reading["value"]
    low, high = reading.get("lower_bound"), reading.get("upper_bound")
    return -math.inf if low is None else low, math.inf if high is None else high


def _apart(small: float, large: float, rule: MatchRule, value_unit: str) -> float | None:
    if not rule.as_ratio:
        return large - small
    if small <= 0.0:
        return None
    factor = 10.0 if value_unit == "W" else 20.0
    return factor * math.log10(large / small)


def _verdict(
    difference: float | None,
    least: float | None,
    rule: MatchRule,
    readings: Sequence[Mapping[str, Any]],
) -> Verdict:
    if rule.alike_below is not None and all(
        _is_far_below(each, rule.alike_below) for each in readings
    ):
        return Verdict.PASS
    if difference is None:
        if least is not None and least > rule.within:
            return Verdict.FAIL
        # Where bounds that are not against a limit stand for some units, nothing can be compared.
        without = [each for each in readings if each["value"] is None]
        can_stand = without and all(map(_is_harmless_bound, without))
        return Verdict.INFO if can_stand else Verdict.NO_READING
    return Verdict.PASS if difference <= rule.within else Verdict.FAIL


def _is_harmless_bound(reading: Mapping[str, Any]) -> bool:
    bounds = (reading.get("upper_bound"), reading.get("lower_bound"))
    is_bound = reading["value"] is None and bounds != (None, None)
    return is_bound and reading.get("verdict") in (Verdict.PASS, Verdict.INFO)


def _is_far_below(reading: Mapping[str, Any], part: float) -> bool:
    limit = (reading["limits"] or {}).get("max")
    value = reading["value"] if reading["value"] is not None else reading["upper_bound"]
    return limit is not None and value is not None and value <= part * limit
