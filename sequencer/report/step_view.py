"""A step, or all rounds of a repeated step, as the report shows it."""

from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.limits import Verdict, worst
from sequencer.record import Record, StepRecord
from sequencer.report.again import beside, restored_of
from sequencer.report.context import Context
from sequencer.report.figures import FigureView, figure_view
from sequencer.report.plots import overlay
from sequencer.report.reading_view import ReadingView, reading_of, reading_view
from sequencer.report.rounds import RoundsRow, rounds_rows, trends
from sequencer.report.step_pictures import step_pictures
from sequencer.report.verdict_signs import (
    DONE,
    LEFT_OUT,
    UNFINISHED,
    Sign,
    step_sign,
    verdict_of,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepView:
    """One step: judged readings stand in a table, the others below it; or all rounds of a step."""

    number: int
    anchor: str
    title: str
    does: str
    sign: Sign
    left_out: str | None
    judged: tuple[ReadingView, ...]
    others: tuple[ReadingView, ...]
    rounds: tuple[RoundsRow, ...]
    notes: tuple[str, ...]
    answers: tuple[tuple[str, str], ...]
    figures: tuple[FigureView, ...]
    problems: tuple[str, ...]

    @property
    def has_bounds(self) -> bool:
        """Whether one of the other readings is a bound instead of a value."""
        return any(reading.is_bound for reading in self.others)

    @property
    def is_eventful(self) -> bool:
        """Whether there is more to show than its line in the list of steps."""
        return bool(
            self.judged
            or self.others
            or self.rounds
            or self.notes
            or self.answers
            or self.figures
            or self.problems
        )


def step_view(
    number: int,
    record: Record,
    group: tuple[StepRecord, ...],
    context: Context,
    with_figures: bool,
) -> StepView:
    """One step, or all rounds of a repeated one."""
    step = group[-1]
    first = () if len(group) > 1 else tuple(reading_view(each, step.kind) for each in step.readings)
    views = beside(first, restored_of(record, group))
    ids = {each.id for each in group}
    unmet = [each for each in record.unmet_again if each.id in ids]
    figures, problems = _figures(record, group, context) if with_figures else ((), ())
    return StepView(
        number=number,
        anchor=f"step-{number}",
        title=_group_title(group, context),
        does=step.does,
        sign=_group_sign(group, unmet),
        left_out=step.left_out,
        judged=tuple(view for view in views if view.has_limit),
        others=tuple(view for view in views if not view.has_limit),
        rounds=rounds_rows(group) if len(group) > 1 else (),
        notes=tuple(dict.fromkeys(note for each in group for note in each.notes)),
        answers=tuple(answer for each in group for answer in each.answers),
        figures=figures,
        problems=problems,
    )


def _group_title(group: tuple[StepRecord, ...], context: Context) -> str:
    title = context.title(group[0])
    return title if len(group) == 1 else f"{title}, {len(group)} rounds"


def _figures(
    record: Record, group: tuple[StepRecord, ...], context: Context
) -> tuple[tuple[FigureView, ...], tuple[str, ...]]:
    """The step's own pictures; of several rounds the trends, and first and last on one axis."""
    first = step_pictures(record, group[0], context)
    if len(group) == 1:
        return tuple(map(figure_view, first.pictures)), first.problems
    last = step_pictures(record, group[-1], context)
    of_last = {picture.name: picture for picture in last.pictures}
    names = ("first round", f"round {len(group)}")
    joined = [
        overlay([(names[0], picture), (names[1], of_last[picture.name])])
        for picture in first.pictures
        if picture.name in of_last
    ]
    drawn = (*trends(group), *joined)
    return tuple(map(figure_view, drawn)), (*first.problems, *last.problems)


def _group_sign(group: tuple[StepRecord, ...], unmet_again: Sequence[StepRecord]) -> Sign:
    """The sign of a step or its rounds; what was not met any more after a break counts."""
    told = (*group, *unmet_again)
    if len(told) == 1 or any(step.verdict is None for step in told):
        return _step_sign(told[-1])
    verdict = worst(verdict_of(step.verdict) for step in told)
    return DONE if verdict is Verdict.INFO else _verdict_sign(verdict, told)


def _step_sign(step: StepRecord) -> Sign:
    if step.verdict is None:
        return UNFINISHED
    if step.left_out is not None:
        return LEFT_OUT
    verdict = verdict_of(step.verdict)
    return DONE if verdict is Verdict.INFO else _verdict_sign(verdict, (step,))


def _verdict_sign(verdict: Verdict, group: tuple[StepRecord, ...]) -> Sign:
    return step_sign(verdict, [reading_of(each) for step in group for each in step.readings])
