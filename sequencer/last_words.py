"""What a person reads last of a run: its outcome in words that are true, and what was not tested."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sequencer.errors import printable
from sequencer.events import (
    Energising,
    Event,
    MadeSafe,
    Outcome,
    ReadingTaken,
    RunFinished,
    RunResumed,
    StepDoneAgain,
    StepFinished,
    StepStarted,
)
from sequencer.limits import Reading, Verdict, counts_as_passed
from sequencer.make_safe import MAINS_LEFT
from sequencer.wording import is_undecided, name_text

# Behind the id of a step in a repeated group.
_ROUNDS = re.compile(r"(\.[0-9]+)+$")
# So many steps are named; the report names all.
_MOST_NAMED = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class RunVerdict:
    """The verdict on a run in few words, the same on screen and in the report: first what counts."""

    first: str
    rest: str = ""

    @property
    def is_passed(self) -> bool:
        """Whether the unit passed, be it in part."""
        return self.first == "passed"

    @property
    def is_partial(self) -> bool:
        """Whether the unit passed, but not all of what the procedure tests, or with a condition."""
        return self.is_passed and bool(self.rest)

    def loud(self) -> str:
        """ "PASSED what was tested"."""
        return f"{self.first.upper()} {self.rest}".strip()

    def sentence_case(self) -> str:
        """ "Passed what was tested"."""
        return f"{self.first.capitalize()} {self.rest}".strip()


_IN_PART = "what was tested"
_IF_ON = "if the unit was on"
NOT_SHOWN = "nothing in this run showed that the unit was on"
_WORDS = {
    Outcome.PASS: RunVerdict(first="passed"),
    Outcome.FAIL: RunVerdict(first="not passed"),
    Outcome.STOPPED: RunVerdict(first="stopped"),
    Outcome.INTERRUPTED: RunVerdict(first="interrupted"),
}


def run_verdict(
    outcome: Outcome, *, has_judged: bool, is_whole: bool, is_unit_shown: bool
) -> RunVerdict:
    """The verdict that is true.

    is_whole tells whether every step of the procedure was carried out and judged by all its limits,
    is_unit_shown whether something showed that the unit was on: one that is off has no DC, hum or noise.
    """
    if outcome is not Outcome.PASS:
        return _WORDS[outcome]
    if not has_judged:
        return RunVerdict(first="nothing was judged")
    rest = ("" if is_whole else _IN_PART, "" if is_unit_shown else _IF_ON)
    return RunVerdict(first="passed", rest=", ".join(filter(None, rest)))


class LastWords:
    """Sees whether anything was judged and what was not tested, from the events of a run."""

    def __init__(
        self,
        planned: Sequence[str] = (),
        changed_figures: Sequence[str] = (),
        *,
        is_unit_shown: bool = True,
    ) -> None:
        self._planned = planned
        self._changed = changed_figures_text(changed_figures)
        self._begun: set[str] = set()
        self._under_way: list[str] = []
        self._left_out: dict[str, None] = {}
        self._limits_left_out: dict[str, None] = {}
        self._unmet_again: dict[str, None] = {}
        # Step and reading that keep a run from passing; of a resumed run those before the break lack.
        self._unmet: list[tuple[str, Reading]] = []
        self._is_resumed = False
        self._has_judged = False
        self._has_energised = False
        self._is_unit_shown = is_unit_shown
        self._safety: str | None = None
        self._by_word = ""

    def see(self, event: Event) -> None:
        """Learn from one event."""
        match event:
            case RunResumed(left_out=left_out):
                self._planned, self._is_unit_shown = event.planned, event.is_unit_shown
                self._has_judged, self._is_resumed = event.has_judged, True
                self._left_out = dict.fromkeys(without_round(step) for step in left_out)
                self._limits_left_out = dict.fromkeys(event.limits_left_out)
                self._unmet_again = dict.fromkeys(event.unmet_again)
                self._changed = changed_figures_text(event.changed_figures)
            case StepDoneAgain(step=step, unmet=unmet) if unmet:
                self._unmet_again[step] = None
            case Energising():
                self._has_energised = True
            case StepStarted(step=step):
                self._begun.add(step)
                self._under_way.append(step)
            case StepFinished(step=step, left_out=left_out):
                self._under_way = [each for each in self._under_way if each != step]
                if left_out is not None:
                    self._left_out[without_round(step)] = None
                self._limits_left_out |= dict.fromkeys(limit_names(step, event.limits_left_out))
            case ReadingTaken(step=step, reading=reading) if reading.limits is not None:
                self._has_judged = True
                if not (event.restored or counts_as_passed(reading.verdict, has_limit=True)):
                    self._unmet.append((step, reading))
            case MadeSafe(actions=actions):
                self._safety = _unsafe([each.action for each in actions if not each.is_confirmed])
                self._by_word = ", ".join(each.action for each in actions if each.is_by_word)
            case _:
                pass

    def of(self, finished: RunFinished) -> str:
        """The last line."""
        again = named_steps([*self._unmet_again], "met before the break, not met after it")
        is_early = finished.outcome in (Outcome.STOPPED, Outcome.INTERRUPTED)
        safety = self.safety() if is_early or self._safety else self._by_word
        cut = f"step {self._under_way[-1]} cut short" if is_early and self._under_way else ""
        parts = (self._outcome(finished), cut, again, self._not_tested(), self._changed, safety)
        return printable("; ".join(filter(None, parts)))

    def safety(self) -> str:
        """In which state the bench is, in words."""
        if self._safety:
            return self._safety
        if not self._has_energised:
            return "nothing was switched on"
        if self._safety is None:
            return "NOT CONFIRMED SAFE: see to generator and mains yourself"
        return "; ".join(filter(None, ("the bench was made safe", self._by_word)))

    def _outcome(self, finished: RunFinished) -> str:
        is_whole = not (self._left_out or self._limits_left_out or self._unreached)
        verdict = run_verdict(
            finished.outcome,
            has_judged=self._has_judged,
            is_whole=is_whole,
            is_unit_shown=self._is_unit_shown,
        )
        why = finished.cause or self._why(finished.outcome)
        if verdict.is_partial:
            why = "" if self._is_unit_shown else NOT_SHOWN
        return f"{verdict.loud()}: {why}" if why else verdict.loud()

    def _why(self, outcome: Outcome) -> str:
        """Why a run that came to its end has this outcome; empty where that needs no word."""
        match outcome:
            case Outcome.FAIL if not self._has_judged:
                return "nothing was judged, every limit was left out"
            case Outcome.FAIL:
                return self._missing() or "at least one limit is not met"
            case Outcome.PASS if not self._has_judged:
                return "no reading has a limit"
            case Outcome.PASS:
                return "every limit is met"
        return ""

    def _missing(self) -> str:
        """What could not be measured, where nothing else kept the run from passing; else empty."""
        are_known = self._unmet and not (self._is_resumed or self._unmet_again)
        if not are_known or any(each.verdict is not Verdict.NO_READING for _, each in self._unmet):
            return ""
        step, first = self._unmet[0]
        could = "decided" if is_undecided(first) else "measured"
        more = f", and {len(self._unmet) - 1} more" if len(self._unmet) > 1 else ""
        return f"{name_text(first.name)} of {step} could not be {could}{more}"

    @property
    def _unreached(self) -> list[str]:
        """Planned steps that the run did not come to."""
        known = self._begun | {*self._left_out}
        return [step for step in self._planned if step not in known]

    def _not_tested(self) -> str:
        told = (
            named_steps([*self._left_out], "left out"),
            named_steps([*self._limits_left_out], "left out", noun="limit"),
            named_steps(self._unreached, "not reached"),
        )
        return "; ".join(filter(None, told))


def changed_figures_text(changed: Sequence[str]) -> str:
    """Which figures of the procedure the run was given otherwise; empty for none."""
    return f"changed figures: {', '.join(changed)}" if changed else ""


def _unsafe(unconfirmed: Sequence[str]) -> str:
    """What is left to do by hand for a safe bench; empty when nothing is."""
    doubtful = [each for each in unconfirmed if each != MAINS_LEFT]
    if doubtful:
        return f"NOT CONFIRMED SAFE ({', '.join(doubtful)}): do what the warnings above say"
    return "switch the unit off by hand" if unconfirmed else ""


def without_round(step: str) -> str:
    """The id of a step, without the rounds that its name in the record has behind it."""
    return _ROUNDS.sub("", step)


def limit_names(step: str, readings: Iterable[str]) -> list[str]:
    """Limits of a step as STEP/READING, without its round."""
    return [f"{without_round(step)}/{reading}" for reading in readings]


def named_steps(steps: Sequence[str], what: str, *, noun: str = "step") -> str:
    """ "3 steps left out: a, b, c"; empty for none."""
    if not steps:
        return ""
    count = f"1 {noun}" if len(steps) == 1 else f"{len(steps)} {noun}s"
    more = f" and {len(steps) - _MOST_NAMED} more" if len(steps) > _MOST_NAMED else ""
    return f"{count} {what}: {', '.join(steps[:_MOST_NAMED])}{more}"
