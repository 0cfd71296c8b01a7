"""Axes of a plot: limits that show what matters, ticks a person reads, units of a handy size."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from sequencer.captures import Samples
from sequencer.pictures import Picture, Scale

_UNIT = re.compile(r"(.*) in (V|W|s|A|Hz|ohm|F)$")
_PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
_ROOM_FOR_LABELS = 0.16
_ROOM = 0.05
_MANY = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisText:
    """An axis in words: its label, and what its numbers are divided by."""

    label: str
    divisor: float = 1.0
    has_prefixes: bool = False

    def number(self, value: float) -> str:
        """A tick's number."""
        if self.has_prefixes and (abs(value) >= 1000.0 or abs(value) < 1e-3):
            return prefixed_number(value)
        return plain_number(value / self.divisor)


def axis_text(label: str, limits: tuple[float, float], scale: Scale) -> AxisText:
    """The axis with a unit of a handy size: "offset in V" up to 0.02 V becomes "offset in mV".

    Logarithmic axes keep their unit; their numbers carry the prefix.
    """
    match = _UNIT.fullmatch(label)
    largest = max(abs(limits[0]), abs(limits[1]))
    if match is None or scale == "log" or largest <= 0.0 or not math.isfinite(largest):
        is_si = match is not None and scale == "log"
        return AxisText(label=label.replace("degC", "°C"), has_prefixes=is_si)
    exponent = 3 * math.floor(math.log10(largest) / 3.0 + 1e-9)
    if (match[2] == "s" and exponent > 0) or exponent not in _PREFIXES:
        exponent = 0
    unit = f"{_PREFIXES[exponent]}{match[2]}"
    return AxisText(label=f"{match[1]} in {unit}", divisor=10.0**exponent)


def plain_number(value: float) -> str:
    """A number without exponent and without a tail of noughts: "0.002", "−90", "1250"."""
    if abs(value) < 1e-12:
        return "0"
    text = format(Decimal(f"{value:.6g}"), "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return text.replace("-", "−")


def prefixed_number(value: float) -> str:
    """A number with its prefix: "20", "1 k", "10 µ"."""
    exponent = 3 * math.floor(math.log10(abs(value)) / 3.0 + 1e-9) if value else 0
    if exponent not in _PREFIXES or exponent == 0:
        return plain_number(value)
    return f"{plain_number(value / 10.0**exponent)} {_PREFIXES[exponent]}"


def log_ticks(limits: tuple[float, float]) -> tuple[list[float], list[float]]:
    """Major ticks (1, 2, 5 a decade where they have room) and minor ones of a logarithmic axis."""
    low, high = limits
    decades = math.log10(high / low)
    steps = (1.0, 2.0, 5.0) if decades <= 3.7 else (1.0,)
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    majors = [m * 10.0**p for p in powers for m in steps if _lies_in(m * 10.0**p, limits)]
    minors = [m * 10.0**p for p in powers for m in range(1, 10) if _lies_in(m * 10.0**p, limits)]
    if len(majors) < 2:
        majors = minors or [low, high]
    return majors, [each for each in minors if each not in majors]


def _lies_in(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] * (1.0 - 1e-9) <= value <= limits[1] * (1.0 + 1e-9)


def x_limits(picture: Picture, drawn: Sequence[tuple[Samples, Samples]]) -> tuple[float, float]:
    """The picture's x limits, or else the extent of its curves."""
    if picture.x_limits is not None:
        return picture.x_limits
    return _opened(_extent([x for x, _ in drawn], picture.x_scale), picture.x_scale)


def y_limits(
    picture: Picture, drawn: Sequence[tuple[Samples, Samples]], x_range: tuple[float, float]
) -> tuple[float, float]:
    """The picture's y limits, or else limits that show its curves, marks, band and limits.

    The grass at the bottom of a spectrum in dB is cut below its lower edge: single bins that happen
    to be near zero say nothing. With marks there is room for their words on top.
    """
    if picture.y_limits is not None:
        return picture.y_limits
    parts = [y[(x >= x_range[0]) & (x <= x_range[1])] for x, y in drawn]
    low, high = _extent([*parts, *_fixed_heights(picture)], picture.y_scale)
    if picture.y_scale == "linear" and "dB" in picture.y_label:
        low = max(low, _grass_edge(parts, low, high))
    return _opened((low, high), picture.y_scale, top=_ROOM_FOR_LABELS if picture.marks else _ROOM)


def _fixed_heights(picture: Picture) -> list[Samples]:
    heights = [mark.y for mark in picture.marks]
    heights += picture.band or ()
    return [np.array(heights, dtype=np.float64)] if heights else []


def _grass_edge(parts: Sequence[Samples], low: float, high: float) -> float:
    crowded = [part[np.isfinite(part)] for part in parts if part.size > _MANY]
    if not crowded:
        return low
    edge = min(float(np.percentile(part, 12.0)) for part in crowded)
    return edge - 0.08 * (high - edge)


def _extent(parts: Sequence[Samples], scale: Scale) -> tuple[float, float]:
    values = np.concatenate([part[np.isfinite(part)] for part in parts] or [np.empty(0)])
    if scale == "log":
        values = values[values > 0.0]
    if values.size == 0:
        return (1.0, 10.0) if scale == "log" else (0.0, 1.0)
    return float(values.min()), float(values.max())


def _opened(
    limits: tuple[float, float], scale: Scale, top: float | None = None
) -> tuple[float, float]:
    """Limits with a little room; equal ones are opened so that something can be drawn."""
    low, high = limits
    if scale == "log":
        if high / low < 1.001:
            return low / 2.0, high * 2.0
        return (
            (low, high)
            if top is None
            else (low * (low / high) ** _ROOM, high * (high / low) ** top)
        )
    if high - low <= 1e-12 * max(abs(high), abs(low), 1e-9):
        spread = 0.1 * abs(high) or 1.0
        return low - spread, high + spread
    if top is None:
        return low, high
    span = high - low
    return low - _ROOM * span, high + top * span
