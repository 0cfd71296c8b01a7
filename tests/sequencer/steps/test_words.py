"""Kinds wait, caution and question: time, warnings, answers."""

import pytest


@pytest.mark.parametrize(
    "text",
    [
        "kind: wait",
        "kind: wait, time: 0 s",
        "kind: wait, time: 5",
        "kind: caution",
        'kind: caution, text: ""',
        "kind: question",
        f"kind: question, text: {'x' * 1001}",
    ],
)
def test_wrong_settings_are_refused(on, text):
    assert on.refusal(text)


def test_wait_lets_exactly_its_time_pass(on):
    done = on.run("kind: wait, time: 90 s")
    assert done.bench.time_s == 90.0
    assert on.demand("kind: wait, time: 2 min").duration_s == 120.0
    assert on.describe("kind: wait, time: 2 min") == "waits 2 min"
    assert done.findings() == {}


def test_a_caution_is_shown_as_written_and_must_be_accepted(on):
    done = on.run("kind: caution, text: Hot surface")
    assert done.bench.accepted == ["Hot surface"]
    assert "Hot surface" in on.describe("kind: caution, text: Hot surface")
    assert done.findings() == {}


def test_a_question_is_asked_and_needs_somebody(on):
    bench = on.bench()
    bench.answers = ["yes"]
    done = on.run("kind: question, text: Is the fan running?", bench)
    assert bench.log == ["asked: Is the fan running?"]
    assert on.demand("kind: question, text: Well?").asks_operator
    assert done.findings() == {}
