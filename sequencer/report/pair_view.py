"""A pair of units side by side, from their runs' records and the match table."""

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import quote

from sequencer.pair_words import PairVerdict, UnitVerdict, pair_verdict
from sequencer.pictures import Picture
from sequencer.quantities import format_quantity
from sequencer.record import REPORT, Json, Record, StepRecord
from sequencer.report import not_tested
from sequencer.report.again import beside
from sequencer.report.context import Context, context_of
from sequencer.report.figures import FigureView, figure_view
from sequencer.report.plots import CROWDED_POINTS, overlay
from sequencer.report.reading_view import ReadingView, capitalised, reading_of, reading_view
from sequencer.report.rounds import base_id, grouped
from sequencer.report.ruler import Ruler, ruler
from sequencer.report.run_view import RunView, run_view
from sequencer.report.step_pictures import step_pictures
from sequencer.report.verdict_signs import (
    Sign,
    outcome_of,
    pair_sign,
    verdict_of,
    verdict_sign,
)
from sequencer.wording import name_text, short_text

_UPPER_EDGE = "Of crowded curves the upper edge is drawn."


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchView:
    """One line of the match table."""

    name: str
    step: str
    values: tuple[str, ...]
    difference: str
    limit: str
    ruler: Ruler | None
    sign: Sign


@dataclass(frozen=True, slots=True, kw_only=True)
class SideBySide:
    """One reading with limits of the same step, unit by unit; None where a unit lacks it.

    limit is that of all units; where each has its own (it hangs on another reading), has_own_limits
    is set and limit is as the procedure has it.
    """

    name: str
    limit: str
    has_own_limits: bool
    units: tuple[ReadingView | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepSide:
    """The readings of one step side by side, and its pictures laid over each other."""

    title: str
    rows: tuple[SideBySide, ...]
    figures: tuple[FigureView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitView:
    """One unit of the pair: what its own report says, and where that lies."""

    name: str
    run: RunView
    href: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PairView:
    """The report of a pair."""

    title: str
    date: str
    sign: Sign
    sentence: str
    is_indicative: bool
    warnings: tuple[str, ...]
    ticket: tuple[tuple[str, str], ...]
    units: tuple[UnitView, ...]
    matches: tuple[MatchView, ...]
    steps: tuple[StepSide, ...]
    never_tested: tuple[str, ...]

    @property
    def name(self) -> str:
        """The pair in a few words."""
        return " and ".join(unit.name for unit in self.units) or "no unit"


def pair_view(folder: Path, records: Sequence[Record], match: Sequence[Json]) -> PairView:
    """Everything the report of this pair shows."""
    runs = [run_view(record, with_figures=False) for record in records]
    names = _names(runs)
    units = tuple(
        UnitView(name=name, run=run, href=_href(folder, record))
        for name, run, record in zip(names, runs, records, strict=True)
    )
    matches = tuple(_match_view(row, records) for row in match)
    verdict = _verdict(records, units, match, matches)
    return PairView(
        title=runs[0].title if runs else "",
        date=runs[0].date if runs else "",
        sign=pair_sign(verdict),
        sentence=verdict.sentence,
        is_indicative=any(run.is_indicative for run in runs),
        warnings=_warnings(names, runs),
        ticket=runs[0].ticket if runs else (),
        units=units,
        matches=matches,
        steps=tuple(_steps(records, names)),
        never_tested=not_tested.ALWAYS,
    )


def _names(runs: Sequence[RunView]) -> list[str]:
    """Serials; like ones are told apart by their place."""
    serials = [run.serial or "no serial" for run in runs]
    return [
        serial if serials.count(serial) == 1 else f"{serial} (unit {number})"
        for number, serial in enumerate(serials, start=1)
    ]


def _href(folder: Path, record: Record) -> str:
    """Where a run's own report lies, seen from the pair's."""
    relative = os.path.relpath(record.folder / REPORT, folder)
    return quote(Path(relative).as_posix())


def _warnings(names: Sequence[str], runs: Sequence[RunView]) -> tuple[str, ...]:
    """Warnings of all runs; what holds for each of them is said once."""
    common = [text for text in runs[0].warnings if all(text in run.warnings for run in runs)]
    own = [
        f"{name}: {text}"
        for name, run in zip(names, runs, strict=True)
        for text in run.warnings
        if text not in common
    ]
    return (*common, *own)


def _verdict(
    records: Sequence[Record],
    units: Sequence[UnitView],
    match: Sequence[Json],
    matches: Sequence[MatchView],
) -> PairVerdict:
    """The verdict on the pair, in the words of the screen."""
    return pair_verdict(
        [
            UnitVerdict(
                name=unit.name,
                outcome=outcome_of(record.outcome),
                verdict=unit.run.headline.verdict,
            )
            for record, unit in zip(records, units, strict=True)
        ],
        [
            (f"{view.step}: {view.name}", verdict_of(row.get("verdict")))
            for row, view in zip(match, matches, strict=True)
        ],
    )


def _match_view(row: Json, records: Sequence[Record]) -> MatchView:
    name, step_id, unit = str(row["name"]), str(row["step"]), str(row["unit"])
    steps = [record.step(step_id) for record in records]
    kind = next((step.kind for step in steps if step), "")
    limits: Mapping[str, float | None] = row.get("limits") or {}
    low, high = limits.get("min"), limits.get("max")
    difference = row.get("difference")
    return MatchView(
        name=capitalised(name_text(name, kind)),
        step=_title(records, step_id),
        values=tuple(
            "not taken" if stored is None else short_text(reading_of(stored))
            for stored in (step.reading(name) if step else None for step in steps)
        ),
        difference="not known"
        if difference is None
        else format_quantity(difference, unit, digits=3),
        limit=_limit_text(unit, low, high),
        ruler=ruler(difference, 0.0, (None, None), low, high),
        sign=verdict_sign(verdict_of(row.get("verdict"))),
    )


def _limit_text(unit: str, low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return "none"
    low_text, high_text = (
        "" if bound is None else format_quantity(bound, unit, digits=3) for bound in (low, high)
    )
    if low is None:
        return f"at most {high_text}"
    return f"{low_text} to {high_text}" if high_text else f"at least {low_text}"


def _title(records: Sequence[Record], step_id: str) -> str:
    steps = (record.step(step_id) for record in records)
    return next((step.title for step in steps if step and step.title), step_id)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Unit:
    """One unit's record with what is needed to read it; rounds holds its steps by id."""

    name: str
    record: Record
    context: Context
    rounds: Mapping[str, tuple[StepRecord, ...]]

    def last(self, step_id: str) -> StepRecord | None:
        """The step, of a repeated one its last round."""
        return self.rounds[step_id][-1] if step_id in self.rounds else None


def _unit(name: str, record: Record) -> _Unit:
    context = context_of(record)
    groups = grouped(record.steps, context)
    rounds = {base_id(group[0].id, context): group for group in groups}
    return _Unit(name=name, record=record, context=context, rounds=rounds)


def _steps(records: Sequence[Record], names: Sequence[str]) -> Iterator[StepSide]:
    """Steps with something to show side by side; of a repeated one the last round."""
    units = [_unit(name, record) for name, record in zip(names, records, strict=True)]
    for step_id in dict.fromkeys(step_id for unit in units for step_id in unit.rounds):
        rows = tuple(_side_by_side([_judged(unit, step_id) for unit in units]))
        figures = tuple(_overlaid([_pictures(unit, step_id) for unit in units], names))
        if rows or figures:
            yield StepSide(title=_step_title(units, step_id), rows=rows, figures=figures)


def _step_title(units: Sequence[_Unit], step_id: str) -> str:
    unit = next(unit for unit in units if step_id in unit.rounds)
    group = unit.rounds[step_id]
    title = unit.context.title(group[0])
    return title if len(group) == 1 else f"{title}, last of {len(group)} rounds"


def _judged(unit: _Unit, step_id: str) -> dict[str, ReadingView]:
    """Readings with limits; beside them those that were not met any more after a break."""
    step = unit.last(step_id)
    if step is None:
        return {}
    ids = {each.id for each in unit.rounds[step_id]}
    views = beside(
        [reading_view(stored, step.kind) for stored in step.readings],
        [each for each in unit.record.unmet_again if each.id in ids],
    )
    return {view.name: view for view in views if view.has_limit}


def _pictures(unit: _Unit, step_id: str) -> dict[str, Picture]:
    step = unit.last(step_id)
    found = step_pictures(unit.record, step, unit.context).pictures if step else ()
    return {picture.name: picture for picture in found}


def _side_by_side(found: Sequence[Mapping[str, ReadingView]]) -> Iterator[SideBySide]:
    for name in dict.fromkeys(name for views in found for name in views):
        units = tuple(views.get(name) for views in found)
        known = [view for view in units if view is not None]
        has_own = len({view.limit for view in known}) > 1
        limit = (known[0].written or "of each unit") if has_own else known[0].limit
        yield SideBySide(name=name, limit=limit, has_own_limits=has_own, units=units)


def _overlaid(drawn: Sequence[Mapping[str, Picture]], names: Sequence[str]) -> Iterator[FigureView]:
    """The pictures of the same name that at least two units have, on one pair of axes."""
    for key in dict.fromkeys(key for each in drawn for key in each):
        pairs = [(name, each[key]) for name, each in zip(names, drawn, strict=True) if key in each]
        if len(pairs) < 2:
            continue
        joined = overlay(pairs)
        if any(curve.x.size > CROWDED_POINTS for curve in joined.curves) and "dB" in joined.y_label:
            joined = replace(joined, caption=f"{joined.caption} {_UPPER_EDGE}".strip())
        yield figure_view(joined)
