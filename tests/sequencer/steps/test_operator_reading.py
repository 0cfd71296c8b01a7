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


def test_a_wrong_answer_is_asked_again_three_times_at_most(on):
    bench = on.bench()
    bench.answers = ["0.2", "0.2 V", "0.2 ohm"]
    assert on.run(STEP, bench).findings()["earth_bond"].value == 0.2
    bench = on.bench()
    bench.answers = ["?", "0.2", "none", "0.2 ohm"]
    done = on.run(STEP, bench)
    assert bench.answers == ["0.2 ohm"]
    assert done.captures == []
    assert done.findings() == {}
    assert len(bench.notes) == 3


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
