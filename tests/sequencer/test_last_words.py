"""The last line of a run is true: what was met, what was not judged, what was not tested."""

import pytest

from sequencer.events import (
    Energising,
    MadeSafe,
    Outcome,
    ReadingTaken,
    RunFinished,
    RunResumed,
    SafeAction,
    StepDoneAgain,
    StepFinished,
    StepStarted,
)
from sequencer.last_words import LastWords
from sequencer.limits import Limit, Reading, Verdict
from sequencer.make_safe import MAINS_LEFT

STEPS = ("a", "b", "c")


def _begun(step):
    return StepStarted(
        step=step, kind="tone", title="", number=1, of=3, does="", estimate_s=1.0, left_s=1.0
    )


def _done(step, left_out=None):
    return StepFinished(step=step, kind="tone", verdict=Verdict.INFO, left_out=left_out)


def _reading(limits=None):
    return ReadingTaken(step="a", reading=Reading(name="thd", value=1e-3, unit="1", limits=limits))


def _resumed(**told):
    return RunResumed(bench="b", bench_sha256="", bench_copy="", version="0", away_s=1.0, **told)


def _line(*events, outcome=Outcome.PASS, cause=None):
    words = LastWords(STEPS)
    for event in events:
        words.see(event)
    return words.of(RunFinished(outcome=outcome, cause=cause))


JUDGED = [*map(_begun, STEPS), _reading(Limit(maximum=1.0))]


def test_all_was_judged_and_met():
    assert _line(*JUDGED) == "PASSED: every limit is met"


def test_figures_that_were_changed_stand_beside_the_verdict():
    words = LastWords(STEPS, ("limit 40 mV (the procedure has 20 mV)",))
    for event in JUDGED:
        words.see(event)
    line = words.of(RunFinished(outcome=Outcome.PASS))
    told = "changed figures: limit 40 mV (the procedure has 20 mV)"
    assert line == f"PASSED: every limit is met; {told}"


def test_a_unit_that_nothing_showed_to_be_on_passed_with_a_condition():
    unshown = "PASSED if the unit was on: nothing in this run showed that the unit was on"
    begun, resumed = LastWords(STEPS, is_unit_shown=False), LastWords(STEPS)
    resumed.see(_resumed(has_judged=True, is_unit_shown=False))
    for words in (begun, resumed):
        for event in JUDGED:
            words.see(event)
        assert words.of(RunFinished(outcome=Outcome.PASS)) == unshown


def test_without_any_limit_nothing_is_said_to_have_passed():
    line = _line(*map(_begun, STEPS), _reading())
    assert line == "NOTHING WAS JUDGED: no reading has a limit"


def test_what_was_left_out_stands_in_the_last_line():
    line = _line(_begun("a"), _reading(Limit(maximum=1.0)), _done("b", "no meter"), _begun("c"))
    assert line == "PASSED what was tested; 1 step left out: b"


def test_rounds_of_a_step_that_is_left_out_count_once_and_many_are_counted():
    left = [_done(f"b.{n}", "no meter") for n in range(1, 9)]
    assert _line(*JUDGED, *left).endswith("; 1 step left out: b")
    many = [_done(name, "no meter") for name in "defghi"]
    assert _line(*JUDGED, *many).endswith("6 steps left out: d, e, f, g and 2 more")


def test_every_judged_step_left_out_does_not_pass():
    line = _line(*(_done(step, "no meter") for step in STEPS), outcome=Outcome.FAIL)
    assert line.startswith("NOT PASSED: nothing was judged")


def test_a_limit_not_met():
    assert _line(*JUDGED, outcome=Outcome.FAIL) == "NOT PASSED: at least one limit is not met"


def _unmet(step, verdict, **changes):
    told = {"name": "temperature", "value": None, "unit": "degC", "limits": Limit(maximum=60.0)}
    return ReadingTaken(step=step, reading=Reading(**{**told, "verdict": verdict, **changes}))


GONE = _unmet("warm_up", Verdict.NO_READING)
BOUND = _unmet("b", Verdict.NO_READING, lower_bound=40.0)
HOT = _unmet("c", Verdict.FAIL, value=70.0)


@pytest.mark.parametrize(
    ("unmet", "why"),
    [
        ([GONE], "temperature of warm_up could not be measured"),
        ([GONE, BOUND], "temperature of warm_up could not be measured, and 1 more"),
        ([BOUND], "temperature of b could not be decided"),
        ([GONE, HOT], "at least one limit is not met"),
        ([_resumed(has_judged=True), GONE], "at least one limit is not met"),
    ],
)
def test_a_reading_that_is_missing_is_named_where_nothing_else_failed(unmet, why):
    assert _line(*JUDGED, *unmet, outcome=Outcome.FAIL).startswith(f"NOT PASSED: {why}")


@pytest.mark.parametrize(
    ("outcome", "word"),
    [
        (Outcome.FAIL, "NOT PASSED"),
        (Outcome.STOPPED, "STOPPED"),
        (Outcome.INTERRUPTED, "INTERRUPTED"),
    ],
)
def test_a_run_that_ended_early_says_why_and_what_it_did_not_reach(outcome, word):
    line = _line(_begun("a"), _done("a"), outcome=outcome, cause="the \x1b[31mcause")
    assert line.startswith(f"{word}: the \\x1b[31mcause; 2 steps not reached: b, c")


def test_the_step_in_which_a_run_was_interrupted_is_named():
    line = _line(_begun("b"), _begun("b.inner.1"), outcome=Outcome.INTERRUPTED, cause="x")
    assert line.startswith("INTERRUPTED: x; step b.inner.1 cut short; 2 steps not reached: a, c")


@pytest.mark.parametrize(
    ("left_out", "has_judged", "words"),
    [
        ((), True, "PASSED: every limit is met"),
        (("a", "b.1", "b.2"), True, "PASSED what was tested; 2 steps left out: a, b"),
        ((), False, "NOTHING WAS JUDGED: no reading has a limit"),
    ],
)
def test_of_a_resumed_run_what_was_before_the_break_counts(left_out, has_judged, words):
    resumed = _resumed(left_out=left_out, has_judged=has_judged)
    assert _line(resumed, _begun("c")) == words


def test_a_resumed_run_says_again_what_was_changed_and_names_what_it_did_not_reach():
    resumed = _resumed(planned=("b", "c"), has_judged=True, changed_figures=("limit 40 mV",))
    line = _line(resumed, _begun("b"), outcome=Outcome.INTERRUPTED, cause="stopped by you (Ctrl-C)")
    assert line == (
        "INTERRUPTED: stopped by you (Ctrl-C); step b cut short; 1 step not reached: c; "
        "changed figures: limit 40 mV; nothing was switched on"
    )


def test_a_step_that_is_met_no_more_after_a_break_is_named():
    again = StepDoneAgain(step="a", kind="tone", verdict=Verdict.FAIL, unmet="thd")
    line = _line(_resumed(has_judged=True), again, outcome=Outcome.FAIL)
    told = "1 step met before the break, not met after it: a"
    assert line == f"NOT PASSED: at least one limit is not met; {told}"
    later = _line(_resumed(has_judged=True, unmet_again=("a",)), outcome=Outcome.FAIL)
    assert later == line


@pytest.mark.parametrize("outcome", [Outcome.STOPPED, Outcome.INTERRUPTED])
def test_a_run_that_ended_early_says_in_which_state_it_left_the_bench(outcome):
    made_safe = MadeSafe(actions=(SafeAction(action="mains off", is_confirmed=True),))
    on = Energising(what="mains_switch: OUTP ON")
    assert _line(made_safe, outcome=outcome, cause="x").endswith("; nothing was switched on")
    assert _line(on, made_safe, outcome=outcome, cause="x").endswith("; the bench was made safe")
    unsafe = MadeSafe(actions=(SafeAction(action="mains off", is_confirmed=False),))
    assert "NOT CONFIRMED SAFE" in _line(on, unsafe, outcome=outcome, cause="x")


def test_on_whose_word_the_unit_is_off_stands_in_the_last_line():
    words = "unit switched off by hand, as N. N. confirmed"
    off = MadeSafe(actions=(SafeAction(action=words, is_confirmed=True, is_by_word=True),))
    assert _line(*JUDGED, off) == f"PASSED: every limit is met; {words}"
    on = Energising(what="mains of the unit, by hand")
    stopped = _line(on, off, outcome=Outcome.STOPPED, cause="x")
    assert stopped.endswith(f"; the bench was made safe; {words}")


@pytest.mark.parametrize(
    ("action", "is_confirmed", "words"),
    [
        ("mains off", True, "PASSED: every limit is met"),
        (
            "mains off",
            False,
            "PASSED: every limit is met; NOT CONFIRMED SAFE (mains off): do what the warnings above say",
        ),
        (MAINS_LEFT, False, "PASSED: every limit is met; switch the unit off by hand"),
    ],
)
def test_an_end_that_was_not_confirmed_safe_stands_in_the_last_line(action, is_confirmed, words):
    made_safe = MadeSafe(
        actions=(
            SafeAction(action="generator output off", is_confirmed=True),
            SafeAction(action=action, is_confirmed=is_confirmed, problem="by hand"),
        )
    )
    assert _line(*JUDGED, made_safe) == words
