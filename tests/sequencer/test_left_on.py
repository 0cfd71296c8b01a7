"""What a run does about a bench that was left switched on, and about mains that only just went off."""

import pytest

from drivers.fakes import Call
from drivers.roles import Role
from sequencer.access import MAINS_OFF_TIME_S
from sequencer.events import Energising, GuardWarned, MadeSafe, Outcome, StepStarted
from sequencer.operator import TRIES

LOAD_FIRST = """\
procedure: load_first
decision: plain
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: load, kind: load_check}
  - {id: power_on, kind: power_on}
  - {id: power_off, kind: power_off}
"""


def _without(rig, role):
    rig.left_out_roles = (role,)
    lines = rig.bench_text.splitlines(keepends=True)
    rig.bench_text = "".join(line for line in lines if role.value not in line)


def _with_load_route(rig):
    rig.procedure_text = LOAD_FIRST
    rig.bench_text = rig.bench_text.replace("load: 201,", "load: 201, meter_load: 302,")


@pytest.mark.parametrize(
    ("left_on", "words"),
    [
        (("mains_switch",), "the mains"),
        (("generator",), "the generator's output"),
        (("generator", "mains_switch"), "the generator's output and the mains"),
    ],
)
def test_what_was_left_on_is_switched_off_first_and_said(rig, left_on, words):
    for role in left_on:
        rig.fake(role).is_on = True
    assert rig.run().outcome is Outcome.PASS
    (warned,) = rig.all(GuardWarned)
    assert warned.words.startswith(f"found switched on before the run began: {words};")
    first_step = next(i for i, e in enumerate(rig.log) if isinstance(e, StepStarted))
    before = [e for e in rig.log[:first_step] if isinstance(e, Call)]
    off = [i for i, e in enumerate(before) if e == Call(method="set_output", arguments=(False,))]
    moved = [i for i, e in enumerate(before) if e == Call(method="close", arguments=(101,))]
    assert off
    assert off[-1] < moved[0]
    # What is told as the safe end is the safe end alone.
    assert len(rig.all(MadeSafe)) == 1


@pytest.mark.parametrize("role", ["generator", "mains_switch"])
def test_what_can_t_be_confirmed_off_ends_the_run_before_any_step(rig, role):
    stuck = rig.fake(role)
    stuck.is_on = True
    stuck.set_output = lambda on: None  # a relay that sticks
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert "NOT confirmed off" in finished.cause
    assert not rig.all(StepStarted)
    assert not rig.all(Energising)


def test_a_bench_at_rest_is_not_made_a_noise_about(rig):
    rig.run()
    assert not rig.all(GuardWarned)


@pytest.mark.parametrize("was_on", [True, False])
def test_mains_rest_for_a_minute_before_they_first_come_on(rig, was_on):
    """Nobody can tell when they went off: another run, a person at the switch (60 s or more:
    inrush limiters cool; common practice, no source)."""
    rig.mains.is_on = was_on
    rig.run()
    mains_on = rig.log.index(Energising(what="mains_switch: OUTP ON"))
    calls = [entry for entry in rig.log[:mains_on] if isinstance(entry, Call)]
    slept = [call.arguments[0] for call in calls if call.method == "sleep"]
    assert sum(slept) == pytest.approx(MAINS_OFF_TIME_S)


def test_another_unit_is_taken_off_before_ours_is_put_on(rig):
    rig.router.close(102)
    rig.run()
    assert 102 not in rig.router.closed
    assert rig.called("open")[0] == (102,)


def test_ohms_are_never_measured_with_the_mains_on(rig):
    """Somebody presses the switch in mid-run; what the procedure itself does is known to the plan."""
    _with_load_route(rig)
    sleep = rig.clock.sleep

    def sleep_on(seconds):
        sleep(seconds)
        rig.mains.is_on = True

    rig.clock.sleep = sleep_on
    wait = "steps:\n  - {id: pause, kind: wait, time: 5 s}\n"
    rig.procedure_text = rig.procedure_text.replace("steps:\n", wait)
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert "the unit's mains are on" in finished.cause
    assert not rig.called("read_resistance_ohm")
    assert rig.is_safe


def test_without_a_mains_switch_ohms_wait_for_the_operator_s_word(rig):
    _with_load_route(rig)
    _without(rig, Role.MAINS_SWITCH)
    said = iter(["no", "no"])  # it was not off, and he won't switch it off
    rig.operator.answer = lambda question, meanwhile: next(said)
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert "ended by the operator" in finished.cause
    assert not rig.called("read_resistance_ohm")


@pytest.mark.parametrize(("answer", "waits_s"), [("yes", 0.0), ("no", MAINS_OFF_TIME_S)])
def test_without_a_mains_switch_the_rest_is_the_operator_s_word_or_a_minute(rig, answer, waits_s):
    _without(rig, Role.MAINS_SWITCH)
    asked = []

    def say(question, meanwhile):
        asked.append((question, rig.clock.time_s))
        return answer if "been switched off" in question else ""

    rig.operator.answer = say
    assert rig.run().outcome is Outcome.PASS
    on = next(at for question, at in asked if "switch unit A-1 on" in question)
    assert on == pytest.approx(waits_s, abs=0.1)
    assert all("unit A-1" in question for question, _ in asked)


def test_no_to_something_to_be_done_by_hand_ends_the_run_safely(rig):
    _without(rig, Role.MAINS_SWITCH)
    rig.operator.answer = lambda question, meanwhile: (
        "yes" if "been switched off" in question else "no"
    )
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert 'ended by the operator, who answered "no"' in finished.cause
    assert not rig.generator.is_on


def test_an_answer_that_means_nothing_is_asked_again(rig):
    _without(rig, Role.MAINS_SWITCH)
    said = iter(["perhaps", "yes", "what?", "done", ""])
    asked = []
    rig.operator.answer = lambda question, meanwhile: asked.append(question) or next(said)
    assert rig.run().outcome is Outcome.PASS
    assert asked[1].startswith('"perhaps" is no answer here. ')
    assert asked[3].startswith('"what?" is no answer here. ')


def test_nonsense_without_end_ends_the_run_safely(rig):
    _without(rig, Role.MAINS_SWITCH)
    asked = []
    rig.operator.answer = lambda question, meanwhile: asked.append(question) or "perhaps"
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert "without an answer that means something" in finished.cause
    assert len(asked) == TRIES
    assert not rig.generator.is_on


def test_check_says_what_is_left_to_the_operator(rig):
    _without(rig, Role.MAINS_SWITCH)
    rig.operator.says = "yes"
    rig.run()
    does = [e.does for e in rig.all(StepStarted)]
    assert "the bench has no mains switch: you are asked" in does[0]
    assert "by hand" not in does[1]
    assert "the bench has no mains switch: you are asked" in does[2]
