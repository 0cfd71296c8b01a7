"""Kind repeat: rounds by count or by time, with a period."""

import pytest

from sequencer.events import StepStarted

INNER = "steps: [{id: w, kind: wait, time: 10 s}]"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("kind: repeat, " + INNER, "either time or count"),
        ("kind: repeat, time: 1 h, count: 3, " + INNER, "either time or count"),
        ("kind: repeat, count: 3", "steps"),
        ("kind: repeat, count: 0, " + INNER, "count"),
        ("kind: repeat, time: 30, " + INNER, "unit"),
    ],
)
def test_wrong_settings_are_refused(on, text, words):
    assert words in on.refusal(text)


@pytest.mark.parametrize(
    ("how", "round_s", "rounds"),
    [
        ("count: 7", 100.0, 7),
        ("time: 1 h", 600.0, 6),
        ("time: 1 h, period: 30 min", 600.0, 2),
        ("time: 1 h, period: 1 min", 600.0, 6),  # a round longer than the period sets the pace
        ("time: 10 s", 600.0, 1),
    ],
)
def test_the_number_of_rounds_follows_from_time_and_period(on, how, round_s, rounds):
    step = on.step(f"kind: repeat, {how}, {INNER}")
    assert step.settings.rounds(round_s) == rounds


def test_its_steps_are_checked_like_any_other(on):
    assert "unit" in on.refusal("kind: repeat, count: 2, steps: [{id: w, kind: wait, time: 10}]")
    step = on.step(f"kind: repeat, count: 2, {INNER}")
    assert [inner.id for inner in step.steps] == ["w"]


def test_it_says_how_often(on):
    assert "3 times" in on.describe(f"kind: repeat, count: 3, {INNER}")
    said = on.describe(f"kind: repeat, time: 8 h, period: 30 min, {INNER}")
    assert "for 8 h" in said
    assert "every 30 min" in said


def test_the_engine_carries_the_rounds_out_with_their_period(rig):
    rig.procedure_text = (
        "procedure: p\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\nsteps:\n"
        "  - id: again\n    kind: repeat\n    count: 3\n    period: 60 s\n    steps:\n"
        "      - {id: offset, kind: dc_offset, settle: 2 s, count: 2}\n"
    )
    rig.run()
    assert [step for step, name in rig.readings_by_name() if name == "dc_offset"] == [
        "offset.1",
        "offset.2",
        "offset.3",
    ]
    started = {event.step: (event.round, event.rounds) for event in rig.all(StepStarted)}
    assert started == {
        "again": (None, None),
        "offset.1": (1, 3),
        "offset.2": (2, 3),
        "offset.3": (3, 3),
    }
    # Two whole periods and the last round's settling.
    assert rig.clock.time_s == pytest.approx(122.0, abs=1.0)
