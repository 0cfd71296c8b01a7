"""Verdicts and outcomes as a sign: words, a shape and a colour, so that none of them stands alone."""

from collections.abc import Iterable
from dataclasses import dataclass

from sequencer.events import Outcome
from sequencer.last_words import RunVerdict
from sequencer.limits import Reading, Verdict
from sequencer.pair_words import PairVerdict
from sequencer.wording import reading_verdict_text, step_verdict_text, verdict_text


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """shape names the drawing and the colour of the style sheet, words say it."""

    shape: str
    words: str


_SHAPES = {
    Verdict.PASS: "pass",
    Verdict.CONDITIONAL_PASS: "nearly-pass",
    Verdict.CONDITIONAL_FAIL: "nearly-fail",
    Verdict.FAIL: "fail",
    Verdict.NO_READING: "none",
    Verdict.INFO: "info",
}
_OUTCOMES = {
    Outcome.PASS: "pass",
    Outcome.FAIL: "fail",
    Outcome.STOPPED: "stopped",
    Outcome.INTERRUPTED: "broken",
}
_NO_VERDICT = (Outcome.STOPPED, Outcome.INTERRUPTED)
DONE = Sign(shape="info", words="done")
LEFT_OUT = Sign(shape="info", words="left out")
UNFINISHED = Sign(shape="broken", words="not finished")


def verdict_of(text: str | None) -> Verdict:
    """The verdict of a record; one that this version doesn't know counts as no reading."""
    return Verdict(text) if text in set(Verdict) else Verdict.NO_READING


def outcome_of(text: str) -> Outcome:
    """The outcome of a record; one that this version doesn't know counts as interrupted."""
    return Outcome(text) if text in set(Outcome) else Outcome.INTERRUPTED


def verdict_sign(verdict: Verdict) -> Sign:
    """The sign of a verdict."""
    return Sign(shape=_SHAPES[verdict], words=verdict_text(verdict))


def reading_sign(reading: Reading) -> Sign:
    """The sign of the verdict on a reading."""
    return Sign(shape=_SHAPES[reading.verdict], words=reading_verdict_text(reading))


def step_sign(verdict: Verdict, readings: Iterable[Reading]) -> Sign:
    """The sign of the verdict on a step, given its readings."""
    return Sign(shape=_SHAPES[verdict], words=step_verdict_text(verdict, readings))


def run_sign(outcome: Outcome, verdict: RunVerdict) -> Sign:
    """The sign of a whole run; only one that passed all of the procedure's tests has the full tick."""
    words = verdict.sentence_case()
    if outcome in _NO_VERDICT:
        return Sign(shape=_OUTCOMES[outcome], words=f"{words}, no verdict")
    if outcome is Outcome.PASS and not verdict.is_passed:
        return Sign(shape="info", words=words)
    return Sign(shape="nearly-pass" if verdict.is_partial else _OUTCOMES[outcome], words=words)


def pair_sign(verdict: PairVerdict) -> Sign:
    """The sign of a pair."""
    shape = _OUTCOMES[verdict.outcome]
    if verdict.outcome in _NO_VERDICT:
        return Sign(shape=shape, words=f"{verdict.words}, no verdict")
    if verdict.outcome is Outcome.PASS and verdict.is_empty:
        shape = "info"
    elif verdict.outcome is Outcome.PASS and verdict.is_partial:
        shape = "nearly-pass"
    return Sign(shape=shape, words=verdict.words)
