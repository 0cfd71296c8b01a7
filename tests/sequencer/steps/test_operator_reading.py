"""Kind operator_reading: a number from the operator or from the job ticket."""

import pytest

STEP = "kind: operator_reading, reading: earth_bond, text: Measure the earth bond"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("kind: operator_reading, text: x", "reading"),
        ("kind: operator_reading, reading: colour, text: x", "earth_bond"),
        (STEP + ", accuracy: -1 %", "accuracy"),
    ],
)
def test_wrong_settings_are_refused(on, text, words):
    assert words in on.refusal(text)


@pytest.mark.parametrize(
    ("reading", "answer", "value", "unit"),
    [
        ("earth_bond", "120 mohm", 0.12, "ohm"),
        ("insulation", "20 Mohm", 20e6, "ohm"),
        ("leakage_current", "0.2 mA", 0.2e-3, "A"),
        ("temperature", "24 degC", 24.0, "degC"),
    ],
)
def test_the_answer_is_a_quantity_in_si(on, reading, answer, value, unit):
    bench = on.bench()
    bench.answers = [answer]
    done = on.run(f"kind: operator_reading, reading: {reading}, text: Read it", bench)
    found = done.findings()[reading]
    assert found.value == pytest.approx(value)
    assert found.unit == unit


def test_the_operators_accuracy_is_the_doubt(on):
    bench = on.bench()
    bench.answers = ["0.2 ohm"]
    found = on.run(STEP + ", accuracy: 5 %", bench).findings()["earth_bond"]
    assert found.standard_uncertainty == pytest.approx(0.05 * 0.2 / 3**0.5)  # JCGM 100, 4.3.7


def test_a_wrong_answer_is_asked_again_with_a_sentence(on):
    bench = on.bench()
    bench.answers = ["?", "0.2", "0.2 V", "-5 ohm", "OL", "0.2 ohm"]
    assert on.run(STEP, bench).findings()["earth_bond"].value == 0.2
    said = bench.notes
    assert len(said) == 6
    assert "has no unit" in said[1]
    assert "can't be below zero" in said[3]
    assert "beyond the instrument's range" in said[4]


def test_an_operator_without_a_reading_says_so_and_the_run_goes_on(on):
    bench = on.bench()
    bench.answers = ["None"]
    done = on.run(STEP, bench)
    assert done.captures == []
    found = done.findings()["earth_bond"]
    assert (found.value, found.reason) == (None, "the operator gave no reading")


def test_nonsense_without_end_is_no_reading(on):
    bench = on.bench()
    bench.answers = ["?"] * 30
    assert on.run(STEP, bench).findings()["earth_bond"].value is None
    assert len(bench.answers) == 10


@pytest.mark.parametrize(
    ("reading", "answer", "least", "most"),
    [
        ("insulation", ">500 Mohm", 475e6, None),
        ("insulation", "> 500 Mohm", 475e6, None),
        ("insulation", ">= 500 Mohm", 475e6, None),
        ("earth_bond", "<0.01 ohm", None, 0.0105),
        ("earth_bond", "≤ 10 mohm", None, 0.0105),
    ],
)
def test_what_lies_beyond_the_instruments_range_is_a_bound(on, reading, answer, least, most):
    # Accuracy 5 % as half-width widens the bound to its other side.
    bench = on.bench()
    bench.answers = [answer]
    step = f"kind: operator_reading, reading: {reading}, text: Read it, accuracy: 5 %"
    found = on.run(step, bench).findings()[reading]
    assert found.value is None
    assert found.lower_bound == (None if least is None else pytest.approx(least))
    assert found.upper_bound == (None if most is None else pytest.approx(most))
    assert any(" at " in note for note in bench.notes)


def test_the_ticket_answers_and_nobody_is_asked(on):
    bench = on.bench()
    bench.ticket = {"earth_bond": "0.08 ohm"}
    assert on.run(STEP, bench).findings()["earth_bond"].value == pytest.approx(0.08)
    assert not [entry for entry in bench.log if str(entry).startswith("asked")]


def test_a_ticket_that_is_wrong_leaves_the_question_to_the_operator(on):
    bench = on.bench()
    bench.ticket, bench.answers = {"earth_bond": "fine"}, ["0.1 ohm"]
    assert on.run(STEP, bench).findings()["earth_bond"].value == pytest.approx(0.1)


def test_it_asks_for_its_reading_so_that_an_unattended_run_can_leave_it_out(on):
    assert on.demand(STEP).asks_for == "earth_bond"
    assert not on.demand(STEP).roles
