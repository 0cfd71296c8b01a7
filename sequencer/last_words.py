"""What a person reads last of a run: its outcome in words that are true, and what was not tested."""

import re
from collections.abc import Sequence

from sequencer.errors import printable
from sequencer.events import (
    Event,
    MadeSafe,
    Outcome,
    ReadingTaken,
    RunFinished,
    RunResumed,
    StepFinished,
    StepStarted,
)
from sequencer.make_safe import MAINS_LEFT

# Behind the id of a step in a repeated group.
_ROUNDS = re.compile(r"(\.[0-9]+)+$")
# So many steps are named; the report names all.
_MOST_NAMED = 4


class LastWords:
    """Sees whether anything was judged and what was not tested, from the events of a run."""

    def __init__(self, planned: Sequence[str] = ()) -> None:
        self._planned = planned
        self._begun: set[str] = set()
        self._left_out: dict[str, None] = {}
        self._has_judged = False
        self._is_resumed = False
        self._safety = ""

    def see(self, event: Event) -> None:
        """Learn from one event."""
        match event:
            case RunResumed(left_out=left_out, has_judged=has_judged):
                self._is_resumed, self._has_judged = True, has_judged
                self._left_out = dict.fromkeys(_ROUNDS.sub("", step) for step in left_out)
            case StepStarted(step=step):
                self._begun.add(step)
            case StepFinished(step=step, left_out=left_out) if left_out is not None:
                self._left_out[_ROUNDS.sub("", step)] = None
            case ReadingTaken(reading=reading) if reading.limits is not None:
                self._has_judged = True
            case MadeSafe(actions=actions):
                self._safety = _unsafe([each.action for each in actions if not each.is_confirmed])
            case _:
                pass

    def of(self, finished: RunFinished) -> str:
        """The last line."""
        parts = (self._outcome(finished), self._not_tested(), self._safety)
        return printable("; ".join(filter(None, parts)))

    def _outcome(self, finished: RunFinished) -> str:
        cause = f": {finished.cause}" if finished.cause else ""
        match finished.outcome:
            case Outcome.STOPPED:
                return f"STOPPED{cause}"
            case Outcome.INTERRUPTED:
                return f"INTERRUPTED{cause}"
            case Outcome.FAIL if cause:
                return f"NOT PASSED{cause}"
            case Outcome.FAIL if not self._has_judged:
                return "NOT PASSED: nothing was judged, every step with limits was left out"
            case Outcome.FAIL:
                return "NOT PASSED: at least one limit is not met"
            case Outcome.PASS if not self._has_judged:
                return "NOTHING WAS JUDGED: no reading has a limit"
            case Outcome.PASS if self._left_out:
                return "PASSED what was tested"
            case Outcome.PASS:
                return "PASSED: every limit is met"

    def _not_tested(self) -> str:
        known = self._begun | {*self._left_out}
        unreached = [] if self._is_resumed else [s for s in self._planned if s not in known]
        return "; ".join(
            filter(None, (_named([*self._left_out], "left out"), _named(unreached, "not reached")))
        )


def _unsafe(unconfirmed: Sequence[str]) -> str:
    """What is left to do by hand for a safe bench; empty when nothing is."""
    doubtful = [each for each in unconfirmed if each != MAINS_LEFT]
    if doubtful:
        return f"NOT CONFIRMED SAFE ({', '.join(doubtful)}): do what the warnings above say"
    return "switch the unit off by hand" if unconfirmed else ""


def _named(steps: Sequence[str], what: str) -> str:
    """ "3 steps left out: a, b, c"; empty for none."""
    if not steps:
        return ""
    count = "1 step" if len(steps) == 1 else f"{len(steps)} steps"
    more = f" and {len(steps) - _MOST_NAMED} more" if len(steps) > _MOST_NAMED else ""
    return f"{count} {what}: {', '.join(steps[:_MOST_NAMED])}{more}"
