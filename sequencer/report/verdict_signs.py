"""Verdicts and outcomes as a sign: words, a shape and a colour, so that none of them stands alone."""

from dataclasses import dataclass

from sequencer.events import Outcome
from sequencer.limits import Verdict
from sequencer.wording import verdict_text


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
OUTCOMES = {
    Outcome.PASS: Sign(shape="pass", words="Passed"),
    Outcome.FAIL: Sign(shape="fail", words="Not passed"),
    Outcome.STOPPED: Sign(shape="stopped", words="Stopped, no verdict"),
    Outcome.INTERRUPTED: Sign(shape="broken", words="Interrupted, no verdict"),
}
NOT_JUDGED = Sign(shape="info", words="Finished, nothing judged")
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
