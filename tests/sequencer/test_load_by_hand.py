"""The load on a bench that can't switch it: by hand after the DC check, or there all along."""

from datetime import date

import pytest

from drivers.fakes import Call
from sequencer import load_by_hand
from sequencer.bench_spec import load_bench
from sequencer.checking import plan
from sequencer.events import Answered, CautionAccepted, Outcome
from sequencer.load_by_hand import CAUTION, REMARK
from sequencer.operator import AcceptedBeforehand
from sequencer.procedure import load_procedure
from sequencer.steps.registry import kinds

START = """\
procedure: starts
decision: plain
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: start, kind: START}
  - {id: power_off, kind: power_off}
"""
TAKE_OFF, CONNECT = "see that no load is connected", "connect the load of 8 ohm to its output now"
BOTH = pytest.mark.parametrize("start", ["power_on", "servo_settling"])


@pytest.fixture
def loose(rig):
    """The bench in memory with a router that has no channel for the load; the operator does as asked."""
    rig.bench_text = rig.bench_text.replace("load: 201, ", "")
    rig.operator.says = ""
    return rig


def _plan(rig, start, *, is_unattended):
    procedure_file, bench_file = rig.folder / "p.yaml", rig.folder / "b.yaml"
    procedure_file.write_text(START.replace("START", start))
    bench_file.write_text(rig.bench_text)
    procedure = load_procedure(procedure_file, registry=kinds())
    bench = load_bench(bench_file)
    return plan(procedure, bench, kinds(), today=date(2030, 1, 1), is_unattended=is_unattended)


@BOTH
def test_the_operator_is_asked_to_take_the_load_off_first_and_to_connect_it_after_the_dc(
    loose, start
):
    loose.procedure_text = START.replace("START", start)
    mains_on_at = []
    switch = loose.mains.set_output

    def set_output(on):
        if on:
            mains_on_at.append([question.question for question in loose.all(Answered)])
        switch(on)

    loose.mains.set_output = set_output
    assert loose.run().outcome is Outcome.PASS
    questions = [answered.question for answered in loose.all(Answered)]
    assert [TAKE_OFF in questions[0], CONNECT in questions[1], len(questions)] == [True, True, 2]
    assert mains_on_at == [questions[:1]]
    names = [
        entry.method if isinstance(entry, Call) else entry.question
        for entry in loose.log
        if (isinstance(entry, Call) and entry.method == "read_dc_v") or isinstance(entry, Answered)
    ]
    connected = names.index(questions[1])
    assert names[:connected].count("read_dc_v") >= 5


def test_a_dc_beyond_the_stop_asks_nobody_to_connect_the_load(loose):
    loose.readings.dc_v = 0.2
    loose.procedure_text = START.replace("START", "power_on")
    finished = loose.run()
    assert finished.outcome is Outcome.STOPPED
    assert "no load may stay connected" in finished.cause
    assert not [each for each in loose.all(Answered) if CONNECT in each.question]
    assert loose.is_safe


def test_an_operator_who_will_not_ends_the_run_before_the_mains_come_on(loose):
    loose.operator.says = "no"
    loose.procedure_text = START.replace("START", "power_on")
    assert loose.run().outcome is Outcome.STOPPED
    assert (True,) not in loose.called("set_output")[1:]
    assert loose.is_safe


def test_a_router_with_the_load_asks_nobody(rig):
    rig.procedure_text = START.replace("START", "power_on")
    assert rig.run().outcome is Outcome.PASS
    assert not rig.all(Answered)
    assert _plan(rig, "power_on", is_unattended=True).cautions == ()


@BOTH
def test_the_plan_says_what_becomes_of_the_load(loose, start):
    attended = _plan(loose, start, is_unattended=False)
    assert "connect it after the DC check" in attended.steps[0].does
    assert CAUTION not in attended.cautions
    assert not attended.is_load_left_on
    alone = _plan(loose, start, is_unattended=True)
    assert "it is there before the DC check" in alone.steps[0].does
    assert CAUTION in alone.cautions
    assert REMARK in alone.remarks
    assert alone.is_load_left_on


def test_with_nobody_there_the_load_stays_connected_and_the_run_goes_through(loose, monkeypatch):
    loose.operator = AcceptedBeforehand("the test")
    loose.procedure_text = START.replace("START", "power_on")
    left_on = load_by_hand.is_left_connected
    monkeypatch.setattr(
        load_by_hand,
        "is_left_connected",
        lambda *a, **k: left_on(*a, **{**k, "is_unattended": True}),
    )
    cautions = [CautionAccepted(caution=CAUTION, accepted_by="the test")]
    assert loose.run(cautions=cautions).outcome is Outcome.PASS
    assert not loose.all(Answered)
    assert [each.caution for each in loose.all(CautionAccepted)] == [CAUTION]
