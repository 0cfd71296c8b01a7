"""What a broken-off run had done, read from its journal's lines, and what must be brought back."""

import pytest

from sequencer.checking import PlannedStep
from sequencer.errors import Place
from sequencer.limits import Verdict
from sequencer.past import past_of
from sequencer.procedure_model import Step
from sequencer.restoring import to_restore
from sequencer.steps.registry import kinds
from sequencer.unit_data import UnitData

UNIT = UnitData(rated_power_w=100.0, load_ohm=8.0, gain_db=29.0)
IDS = {"power_on", "cold", "burn", "drive", "offset", "finish"}


def _line(event, t, step="", **more):
    return {"event": event, "t": float(t), **({"step": step} if step else {}), **more}


def _begin(step, t, kind="dc_offset"):
    return _line("step_started", t, step, kind=kind)


def _end(step, t, verdict="pass", **more):
    return _line("step_finished", t, step, verdict=verdict, left_out=None, **more)


def _past(*lines, torn=None):
    return past_of(lines, steps=IDS, away_s=10.0, torn=torn)


def test_a_step_counts_as_done_when_its_end_is_told():
    past = _past(_begin("cold", 0), _end("cold", 5), _begin("finish", 5))
    assert past.done == {"cold": Verdict.PASS}
    assert past.t_s == 5.0


def test_what_was_left_out_and_whether_a_limit_was_judged_is_known():
    left = _line("step_finished", 1, "cold", verdict="info", left_out="no meter")
    past = _past(left, _begin("offset", 1))
    assert (past.left_out, past.has_judged) == (("cold",), False)
    reading = {"name": "dc_offset", "value": 0.0, "unit": "V", "uncertainty": None}
    reading |= {"verdict": "pass", "noise_limited": False, "upper_bound": None}
    for limits in (None, {"min": None, "max": 1.0}):
        taken = _line("reading_taken", 2, "offset", reading={**reading, "limits": limits})
        judged = _past(left, _begin("offset", 1), taken, _end("offset", 3)).has_judged
        assert judged is (limits is not None)


def test_a_step_that_stopped_the_run_is_done_again():
    past = _past(_begin("cold", 0), _end("cold", 5, "no_reading", cut=True))
    assert past.done == {}


def _taken(step, t, name, verdict="pass"):
    told = {"name": name, "value": 1.0, "unit": "V", "uncertainty": None, "limits": {"max": 2.0}}
    told |= {"verdict": verdict, "noise_limited": False, "upper_bound": None}
    return _line("reading_taken", t, step, reading=told)


def test_readings_of_a_step_that_was_cut_count_no_more():
    """On another bench it may not take them again: an old one that failed would fail the run."""
    cut = [_begin("cold", 0), _taken("cold", 1, "temperature", "fail"), _end("cold", 2, cut=True)]
    again = [_begin("cold", 9), _taken("cold", 10, "gain"), _end("cold", 11)]
    assert not _past(*cut).readings
    assert not _past(*cut[:2]).readings  # killed before its end was told
    assert [name for _, name in _past(*cut, *again).readings] == ["gain"]
    assert not _past(*cut[:2], _end("cold", 3, "info") | {"left_out": "no meter"}).has_judged


def test_limits_that_a_step_left_out_before_it_was_cut_are_judged_when_it_is_done_again():
    left = {"limits_left_out": {"temperature": "no thermometer"}}
    cut = [_begin("cold", 0), _end("cold", 2, cut=True, **left)]
    assert _past(*cut, _begin("cold", 9), _end("cold", 11)).limits_left_out == ()
    rounds = [_begin("drive.1", 0), _end("drive.1", 2, **left)]
    rounds += [_begin("drive.2", 2), _end("drive.2", 4, **left)]
    assert _past(*rounds).limits_left_out == ("drive/temperature",)


def test_the_id_stands_for_the_last_round_that_was_finished():
    rounds = [_begin("drive.1", 0), _taken("drive.1", 1, "gain"), _end("drive.1", 2)]
    rounds += [_begin("drive.2", 3), _taken("drive.2", 4, "gain", "fail")]
    assert _past(*rounds).readings["drive", "gain"].verdict is Verdict.PASS
    past = _past(*rounds, _end("drive.2", 5, "fail"))
    assert past.readings["drive", "gain"].verdict is Verdict.FAIL
    assert past.readings["drive.1", "gain"].verdict is Verdict.PASS


def test_a_step_that_began_again_is_done_when_it_ended_again():
    lines = [_begin("cold", 0), _end("cold", 5, cut=True), _begin("cold", 9)]
    assert _past(*lines).done == {}
    assert _past(*lines, _end("cold", 12)).done == {"cold": Verdict.PASS}


def test_time_in_a_group_counts_without_breaks_and_restoring():
    past = _past(
        _begin("burn", 100, kind="repeat"),
        _begin("drive.1", 100),
        _end("drive.1", 400),
        _begin("drive.2", 400),
        _line("guards_looked", 550),  # 450 s so far
        _line("broken_off", 550),
        _line("run_resumed", 550),
        _line("step_restored", 560, "power_on"),
        _begin("burn", 700, kind="repeat"),
        _begin("drive.2", 700),
        _line("guards_looked", 800),  # 100 s more
    )
    assert past.elapsed_s == {"burn": pytest.approx(550.0)}


def test_a_group_that_ended_has_no_time_left_to_count():
    past = _past(_begin("burn", 0, kind="repeat"), _end("burn", 50))
    assert past.elapsed_s == {}


def test_a_break_that_nobody_told_is_told_with_what_was_torn():
    past = _past(_begin("cold", 0), torn='{"sch')
    assert past.broken is not None
    assert past.broken.torn == '{"sch'
    assert past.broken.noticed_by == "resume"


@pytest.mark.parametrize("last", ["run_finished", "made_safe"])
def test_a_break_that_was_told_is_not_told_again(last):
    more = {"outcome": "stopped"} if last == "run_finished" else {"actions": []}
    assert _past(_begin("cold", 0), _line(last, 1, **more)).broken is None


def _planned(step_id, kind, *group, **settings):
    model = kinds()[kind].settings.model_validate(settings)
    step = Step(
        id=step_id,
        kind=kind,
        title="",
        settings=model,
        steps=tuple(each.step for each in group),
        place=Place("p"),
    )
    return PlannedStep(step=step, does="", duration_s=0.0, left_out=None, group=group)


ON = _planned("power_on", "power_on")
COLD = _planned("cold", "dc_offset")
WARM = _planned("warm", "warm_up", level="1 W", time="1 min")
HOT = _planned("hot", "dc_offset")
OFF = _planned("finish", "power_off")
LISTEN = _planned("listen", "connect", analyser="loop")
GROUP = _planned(
    "burn",
    "repeat",
    _planned("drive", "warm_up", level="1 W", time="1 min"),
    _planned("offset", "dc_offset"),
    count="3",
)


# Steps of the procedure, those that are done, those that are carried out again.
@pytest.mark.parametrize(
    ("steps", "done", "again"),
    [
        ([ON, COLD, WARM, HOT, OFF], [], []),
        ([ON, COLD, WARM, HOT, OFF], ["power_on"], ["power_on"]),
        ([ON, COLD, WARM, HOT, OFF], ["power_on", "cold"], ["power_on"]),  # warm comes next
        ([ON, COLD, WARM, HOT, OFF], ["power_on", "cold", "warm"], ["power_on", "warm"]),
        ([ON, COLD, WARM, HOT, OFF], ["power_on", "cold", "warm", "hot"], []),  # only off is left
        ([ON, OFF, COLD], ["power_on", "finish"], []),  # off is the state it relies on
        ([LISTEN, ON, COLD], ["listen"], ["listen"]),
        ([LISTEN, ON, COLD], ["listen", "power_on"], ["listen", "power_on"]),
        ([ON, GROUP, OFF], ["power_on"], ["power_on"]),  # the group begins with its own drive
        ([ON, GROUP, OFF], ["power_on", "drive.1"], ["power_on", "drive.1"]),
        ([ON, GROUP, OFF], ["power_on", "drive.1", "offset.1"], ["power_on"]),
        (
            [ON, GROUP, OFF],
            ["power_on", "drive.1", "offset.1", "drive.2"],
            ["power_on", "drive.2"],
        ),
        ([ON, GROUP, OFF], ["power_on", "drive.1", "offset.1", "burn"], []),
    ],
)
def test_what_the_next_step_relies_on_is_carried_out_again(steps, done, again):
    assert [name for _, name in to_restore(steps, done, kinds())] == again
