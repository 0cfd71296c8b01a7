"""The verdict on a pair in words, the same on screen and in the report."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sequencer.events import Outcome
from sequencer.last_words import RunVerdict
from sequencer.limits import Verdict

# So many readings that were not compared are named; the match table has all.
_MOST_NAMED = 4
_NOT_COMPARED = (Verdict.NO_READING, Verdict.INFO)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitVerdict:
    """One unit of the pair: its name, how its run ended, and the verdict on it."""

    name: str
    outcome: Outcome
    verdict: RunVerdict


@dataclass(frozen=True, slots=True, kw_only=True)
class PairVerdict:
    """outcome of the pair, its verdict in few words, and what was compared in sentences.

    is_partial: the units passed, but not all of the tests. is_empty: there was nothing to judge, or
    nothing to compare.
    """

    outcome: Outcome
    words: str
    sentence: str
    is_partial: bool = False
    is_empty: bool = False


def pair_outcome(outcomes: Sequence[Outcome], rows: Iterable[Verdict]) -> Outcome:
    """How a pair ended: as the worst of its units; where they passed, by whether they match.

    rows are the verdicts of the match table. Bounds that can't be compared (info) speak against no
    pair. Of one unit that passed alone, the series ended before the other was tested.
    """
    for worst in (Outcome.INTERRUPTED, Outcome.STOPPED, Outcome.FAIL):
        if worst in outcomes:
            return worst
    if len(outcomes) == 1:
        return Outcome.STOPPED
    is_alike = all(verdict in (Verdict.PASS, Verdict.INFO) for verdict in rows)
    return Outcome.PASS if is_alike else Outcome.FAIL


def pair_verdict(units: Sequence[UnitVerdict], rows: Sequence[tuple[str, Verdict]]) -> PairVerdict:
    """The verdict on a pair: the worst of its units, then whether they match.

    rows are the readings of the match table, each with its verdict.
    """
    compared = _compared(rows, len(units))
    outcomes = [unit.outcome for unit in units]
    verdicts = [verdict for _, verdict in rows]
    outcome = pair_outcome(outcomes, verdicts)
    if outcome in outcomes and outcome is not Outcome.PASS:
        which = ", ".join(
            f"{unit.name} ({unit.verdict.sentence_case().lower()})"
            for unit in units
            if unit.outcome is not Outcome.PASS
        )
        words = units[outcomes.index(outcome)].verdict.sentence_case()
        return PairVerdict(outcome=outcome, words=words, sentence=f"{which}. {compared}")
    return _of_passed(units, outcome, verdicts, compared)


def _of_passed(
    units: Sequence[UnitVerdict], outcome: Outcome, verdicts: Sequence[Verdict], compared: str
) -> PairVerdict:
    unjudged = next((each.verdict for each in units if not each.verdict.is_passed), None)
    partial = next((each.verdict for each in units if each.verdict.is_partial), None)
    least = unjudged or partial or (units[0].verdict if units else None)
    words = least.sentence_case() if least else "No unit was tested"
    is_empty = False
    if len(units) == 1:
        words = f"{words}, but the other unit was not tested"
        return PairVerdict(outcome=outcome, words=words, sentence=compared)
    if unjudged is None and verdicts:
        words = f"Both {words[0].lower()}{words[1:]}"
    if Verdict.FAIL in verdicts:
        words = f"{words}, but they do not match"
    elif Verdict.NO_READING in verdicts:
        words = f"{words}, but it is not shown that they match"
    elif unjudged or Verdict.PASS not in verdicts:
        is_empty = True
        words = words if unjudged else f"{words}, nothing to compare"
    else:
        words = f"{words}, and they match"
    return PairVerdict(
        outcome=outcome,
        words=words,
        sentence=compared,
        is_partial=partial is not None,
        is_empty=is_empty,
    )


def _compared(rows: Sequence[tuple[str, Verdict]], units: int) -> str:
    """How many readings were compared, what came of it, and which could not be."""
    if units < 2:
        return "Only one unit was tested, so there is nothing to compare it with."
    if not rows:
        return "No reading that a pair is compared by was taken on both units."
    lacking = [name for name, verdict in rows if verdict in _NOT_COMPARED]
    count = len(rows) - len(lacking)
    apart = sum(verdict not in (*_NOT_COMPARED, Verdict.PASS) for _, verdict in rows)
    sentences = []
    if apart:
        sentences.append(
            f"{apart} of {count} compared readings {'is' if apart == 1 else 'are'} not within the "
            "limits for a pair."
        )
    elif count:
        all_of = (
            "The one compared reading lies" if count == 1 else f"All {count} compared readings lie"
        )
        sentences.append(f"{all_of} within the limits for a pair.")
    if lacking:
        more = f" and {len(lacking) - _MOST_NAMED} more" if len(lacking) > _MOST_NAMED else ""
        sentences.append(f"Not compared: {', '.join(lacking[:_MOST_NAMED])}{more}.")
    return " ".join(sentences)
