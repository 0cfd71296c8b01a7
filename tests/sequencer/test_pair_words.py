"""The verdict on a pair in words: the worst of its units, whether they match, what was not compared."""

import pytest

from sequencer.events import Outcome
from sequencer.last_words import run_verdict
from sequencer.limits import Verdict
from sequencer.pair_words import UnitVerdict, pair_outcome, pair_verdict

ALIKE, APART = ("tone/gain", Verdict.PASS), ("tone/thd", Verdict.FAIL)
UNKNOWN, DROWNED = ("idle/noise", Verdict.NO_READING), ("idle/hum_50", Verdict.INFO)


def _units(*outcomes, is_whole=True):
    return [
        UnitVerdict(
            name=f"A-{number}",
            outcome=outcome,
            verdict=run_verdict(outcome, has_judged=True, is_whole=is_whole, is_unit_shown=True),
        )
        for number, outcome in enumerate(outcomes, start=1)
    ]


@pytest.mark.parametrize(
    ("rows", "outcome", "words", "sentence"),
    [
        (
            [ALIKE, ALIKE],
            Outcome.PASS,
            "Both passed, and they match",
            "All 2 compared readings lie within the limits for a pair.",
        ),
        (
            [ALIKE, DROWNED],
            Outcome.PASS,
            "Both passed, and they match",
            "The one compared reading lies within the limits for a pair. Not compared: idle/hum_50.",
        ),
        (
            [ALIKE, APART, DROWNED],
            Outcome.FAIL,
            "Both passed, but they do not match",
            "1 of 2 compared readings is not within the limits for a pair. Not compared: idle/hum_50.",
        ),
        (
            [ALIKE, UNKNOWN],
            Outcome.FAIL,
            "Both passed, but it is not shown that they match",
            "The one compared reading lies within the limits for a pair. Not compared: idle/noise.",
        ),
        ([DROWNED], Outcome.PASS, "Both passed, nothing to compare", "Not compared: idle/hum_50."),
        (
            [],
            Outcome.PASS,
            "Passed, nothing to compare",
            "No reading that a pair is compared by was taken on both units.",
        ),
    ],
)
def test_units_that_passed_are_a_pair_only_where_they_match(rows, outcome, words, sentence):
    told = pair_verdict(_units(Outcome.PASS, Outcome.PASS), rows)
    assert (told.outcome, told.words, told.sentence) == (outcome, words, sentence)


def test_units_of_which_steps_were_left_out_passed_what_was_tested():
    told = pair_verdict(_units(Outcome.PASS, Outcome.PASS, is_whole=False), [ALIKE])
    assert told.words == "Both passed what was tested, and they match"
    assert told.is_partial


def test_the_worst_unit_is_named_before_any_match():
    told = pair_verdict(_units(Outcome.PASS, Outcome.FAIL), [ALIKE])
    assert told.words == "Not passed"
    assert told.sentence.startswith("A-2 (not passed). The one compared reading lies")


def test_one_unit_that_passed_alone_is_no_pair_that_passed():
    told = pair_verdict(_units(Outcome.PASS), [])
    assert told.outcome is Outcome.STOPPED
    assert told.words == "Passed, but the other unit was not tested"


def test_one_unit_alone_is_no_pair():
    told = pair_verdict(_units(Outcome.STOPPED), [])
    assert told.words == "Stopped"
    assert told.sentence.endswith(
        "Only one unit was tested, so there is nothing to compare it with."
    )


@pytest.mark.parametrize(
    ("outcomes", "rows", "outcome"),
    [
        ((Outcome.PASS, Outcome.PASS), (Verdict.PASS, Verdict.INFO), Outcome.PASS),
        ((Outcome.PASS, Outcome.PASS), (Verdict.PASS, Verdict.NO_READING), Outcome.FAIL),
        ((Outcome.PASS, Outcome.FAIL), (Verdict.PASS,), Outcome.FAIL),
        ((Outcome.FAIL, Outcome.STOPPED), (), Outcome.STOPPED),
        ((Outcome.STOPPED, Outcome.INTERRUPTED), (), Outcome.INTERRUPTED),
        ((Outcome.PASS,), (), Outcome.STOPPED),
    ],
)
def test_how_a_pair_ended(outcomes, rows, outcome):
    assert pair_outcome(outcomes, rows) is outcome
