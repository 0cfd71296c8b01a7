"""The verdict on a run in words: what can be said of the unit, and no more."""

from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.events import Outcome
from sequencer.last_words import NOT_SHOWN, RunVerdict, changed_figures_text, run_verdict
from sequencer.limits import Verdict
from sequencer.record import Record
from sequencer.report.reading_view import ReadingView
from sequencer.report.verdict_signs import Sign, outcome_of, run_sign

MOST_LISTED = 8
BROKEN_OFF = "The record breaks off: program or computer failed while the run was going on."


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """verdict, sign and sentence say it; changed names figures that were changed.

    failures lists what is not met, as (step, reading).
    """

    verdict: RunVerdict
    sign: Sign
    sentence: str
    cause: str
    changed: str
    failures: tuple[tuple[str, ReadingView], ...]
    more_failures: int


def headline(
    record: Record,
    readings: Sequence[tuple[str, ReadingView]],
    again: Sequence[tuple[str, ReadingView]],
    missing_steps: int,
) -> Headline:
    """The verdict from (step title, reading) of the whole run; missing_steps were not finished.

    again are the readings that kept to their limits before a break and not when taken again after it.
    """
    outcome = outcome_of(record.outcome)
    judged = [view for _, view in readings if view.has_limit]
    failures = [*(each for each in readings if not each[1].is_passed), *again]
    verdict = run_verdict(
        outcome,
        has_judged=bool(judged),
        is_whole=not (missing_steps or record.limits_left_out),
        is_unit_shown=record.is_unit_shown,
    )
    return Headline(
        verdict=verdict,
        sign=run_sign(outcome, verdict),
        sentence=_sentence(record, outcome, judged, len(again), missing_steps),
        cause=str(record.finished.get("cause") or "") if record.finished else "",
        changed=changed_figures_text([*map(str, record.started.get("changed_figures") or ())]),
        failures=tuple(failures[:MOST_LISTED]),
        more_failures=max(len(failures) - MOST_LISTED, 0),
    )


def _sentence(
    record: Record,
    outcome: Outcome,
    judged: Sequence[ReadingView],
    unmet_again: int,
    missing_steps: int,
) -> str:
    if outcome in (Outcome.STOPPED, Outcome.INTERRUPTED):
        return _unfinished(record, outcome, judged, unmet_again)
    if not judged:
        why = "no reading has a limit" if outcome is Outcome.PASS else "every limit was left out"
        return f"The run came to its end, but {why}, so nothing was judged."
    parts = [_met(judged) if outcome is Outcome.PASS else _not_met(judged, unmet_again)]
    near = sum(view.verdict is Verdict.CONDITIONAL_PASS for view in judged)
    if near:
        keeps = "keeps" if near == 1 else "keep"
        parts.append(f"{near} of them {keeps} to it by less than its doubt (conditional pass).")
    if missing_steps:
        parts.append(f"{steps_text(missing_steps)} not carried out: see What was not tested.")
    if left_out := len(record.limits_left_out):
        count = "1 limit was" if left_out == 1 else f"{left_out} limits were"
        parts.append(f"{count} left out: see What was not tested.")
    if outcome is Outcome.PASS and not record.is_unit_shown:
        parts.append(f"{NOT_SHOWN[0].upper()}{NOT_SHOWN[1:]}.")
    return " ".join(parts)


def _met(judged: Sequence[ReadingView]) -> str:
    if len(judged) == 1:
        return "The one reading that has a limit keeps to it."
    return f"All {len(judged)} readings that have a limit keep to it."


def _not_met(judged: Sequence[ReadingView], unmet_again: int) -> str:
    failed = [view for view in judged if not view.is_passed]
    undecided = sum(view.is_undecided for view in failed)
    unmeasured = sum(view.verdict is Verdict.NO_READING for view in failed) - undecided
    beyond = len(failed) - unmeasured - undecided
    parts = []
    if beyond:
        parts.append(f"{beyond} not met")
    if undecided:
        parts.append(f"{undecided} undecided")
    if unmeasured:
        parts.append(f"{unmeasured} could not be measured")
    if unmet_again:
        parts.append(f"{unmet_again} met before the break and not after it")
    readings = (
        "the one reading that has" if len(judged) == 1 else f"{len(judged)} readings that have"
    )
    return f"Of {readings} a limit: {', '.join(parts) or 'see below'}."


def _unfinished(
    record: Record, outcome: Outcome, judged: Sequence[ReadingView], unmet_again: int
) -> str:
    if record.finished is None:
        reason = BROKEN_OFF
    elif outcome is Outcome.STOPPED:
        reason = "The run was stopped before its end."
    else:
        reason = "The run was ended from outside before its end."
    failed = sum(not view.is_passed for view in judged)
    passed = len(judged) - failed
    seen = f"Up to then {passed} of {len(judged)} readings kept to their limits."
    if not judged:
        seen = "Up to then nothing had been judged."
    if unmet_again:
        seen += f" Taken again after the break, {unmet_again} of them did not."
    return f"{reason} It says nothing about the unit as a whole. {seen}"


def steps_text(number: int) -> str:
    """ "1 step was", "3 steps were"."""
    return "1 step was" if number == 1 else f"{number} steps were"
