"""Steps of a repeated group: many rounds of one step, shown as one.

The engine records round N of step ID as ID.N. Somebody who reads about eight hours of run-in wants
to know where a reading began, where it ended, how far it went and whether it drifted, not ninety
tables.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.captures import Samples
from sequencer.limits import Reading, counts_as_passed, shown_unit, worst
from sequencer.pictures import Curve, Picture
from sequencer.record import StepRecord
from sequencer.report.context import Context
from sequencer.report.reading_view import (
    bounds_text,
    capitalised,
    quantity,
    range_text,
    reading_of,
)
from sequencer.report.verdict_signs import Sign, step_sign
from sequencer.wording import name_text, short_text

FEWEST_FOR_A_TREND = 3
_ALWAYS_DRAWN = frozenset({"temperature", "bias", "mains_power"})
_HOUR_S, _MINUTE_S = 3600.0, 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundsRow:
    """One reading through all rounds; sign is that of the worst round."""

    name: str
    first: str
    last: str
    span: str
    limit: str
    sign: Sign
    failed: int
    rounds: int


def grouped(steps: Sequence[StepRecord], context: Context) -> list[tuple[StepRecord, ...]]:
    """The steps of a record, all rounds of one step together, in the order of the first round."""
    groups: dict[str, list[StepRecord]] = {}
    for step in steps:
        groups.setdefault(base_id(step.id, context), []).append(step)
    return [tuple(group) for group in groups.values()]


def base_id(step_id: str, context: Context) -> str:
    """The id that a round's step has in the procedure."""
    match = re.fullmatch(r"(.+)\.(\d+)", step_id)
    if match is None or (context.procedure and context.has_step(step_id)):
        return step_id
    return match[1]


def rounds_rows(steps: Sequence[StepRecord]) -> tuple[RoundsRow, ...]:
    """A row for each reading of the rounds, judged ones first."""
    by_name = _by_name(steps)
    words = {name: capitalised(name_text(name, steps[0].kind)) for name in by_name}
    rows = [(readings, _row(words[name], readings)) for name, readings in by_name.items()]
    rows.sort(key=lambda each: each[0][0].limits is None)
    return tuple(row for _, row in rows)


def trends(steps: Sequence[StepRecord]) -> tuple[Picture, ...]:
    """Judged readings, and those that tell of run-in, over the time of the run."""
    found = []
    for name, readings in _by_name(steps).items():
        if readings[0].limits is None and name not in _ALWAYS_DRAWN:
            continue
        timed = [
            (step.t_s, reading)
            for step in steps
            for reading in map(reading_of, step.readings)
            if reading.name == name and reading.value is not None
        ]
        if len(timed) >= FEWEST_FOR_A_TREND:
            found.append(_trend(name, steps[0].kind, timed))
    return tuple(found)


def _by_name(steps: Sequence[StepRecord]) -> dict[str, list[Reading]]:
    by_name: dict[str, list[Reading]] = {}
    for step in steps:
        for reading in map(reading_of, step.readings):
            by_name.setdefault(reading.name, []).append(reading)
    return by_name


def _row(words: str, readings: Sequence[Reading]) -> RoundsRow:
    failed = sum(
        not counts_as_passed(reading.verdict, reading.limits is not None) for reading in readings
    )
    return RoundsRow(
        name=words,
        first=short_text(readings[0]),
        last=short_text(readings[-1]),
        span=_span(readings),
        limit=bounds_text(readings[-1]),
        sign=step_sign(worst(reading.verdict for reading in readings), readings),
        failed=failed,
        rounds=len(readings),
    )


def _span(readings: Sequence[Reading]) -> str:
    values = [reading.value for reading in readings if reading.value is not None]
    if not values:
        return ""
    low, high = (
        quantity(value, readings[0].name, readings[0].unit) for value in (min(values), max(values))
    )
    return range_text(low, high)


def _trend(name: str, kind: str, timed: Sequence[tuple[float, Reading]]) -> Picture:
    unit = shown_unit(name, timed[0][1].unit)
    factor = 100.0 if unit == "%" else 1.0
    longest_s = timed[-1][0] - timed[0][0]
    per, time_unit = (_HOUR_S, "h") if longest_s > 2.0 * _HOUR_S else (_MINUTE_S, "min")
    x = np.array([t_s for t_s, _ in timed]) / per
    y = factor * np.array([reading.value for _, reading in timed], dtype=np.float64)
    words = capitalised(name_text(name, kind))
    return Picture(
        name=f"trend_of_{name}",
        title=f"{words} through the run",
        x_label=f"time in {time_unit}",
        y_label=f"{words} in {unit}" if unit not in ("", "1") else words,
        curves=(
            Curve(label=name_text(name, kind), x=x, y=y),
            *_limit_curves(x, timed, factor),
        ),
        caption=f"{len(timed)} rounds.",
    )


def _limit_curves(x: Samples, timed: Sequence[tuple[float, Reading]], factor: float) -> list[Curve]:
    limits = [reading.limits for _, reading in timed]
    sides = (
        [None if each is None else each.minimum for each in limits],
        [None if each is None else each.maximum for each in limits],
    )
    return [
        Curve(label="limit", x=x, y=factor * np.array(side, dtype=np.float64), is_limit=True)
        for side in sides
        if all(bound is not None for bound in side)
    ]
