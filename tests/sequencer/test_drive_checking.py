"""In which state a step finds the unit's mains, by what the steps before it leave."""

import pytest

from sequencer.drive_checking import against_mains
from sequencer.procedure import load_procedure
from sequencer.steps.registry import kinds

HEAD = "procedure: p\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\nsteps:\n"
START = "{id: start, kind: power_on}"
STOP = "{id: stop, kind: power_off}"
TONE = "{id: tone, kind: tone, level: 1 W}"
OHMS = "{id: ohms, kind: load_check}"


@pytest.fixture
def told(tmp_path):
    """The ids of the steps that find the mains in the wrong state: told(START, TONE)."""

    def of(*steps, left_out=()):
        path = tmp_path / "p.yaml"
        path.write_text(HEAD + "".join(f"  - {step}\n" for step in steps), encoding="utf-8")
        procedure = load_procedure(path, registry=kinds())
        found = against_mains(
            procedure.steps, kinds(), procedure.unit, is_switched=True, left_out=left_out
        )
        return [step.id for step, _ in found]

    return of


def test_a_step_that_is_left_out_switches_nothing_on(told):
    assert told(START, TONE) == []
    assert told(START, TONE, left_out={"start"}) == ["tone"]
    assert told(START, OHMS) == ["ohms"]
    assert told(START, OHMS, left_out={"start"}) == []


def test_a_step_that_is_left_out_switches_nothing_off(told):
    assert told(START, STOP, OHMS) == []
    assert told(START, STOP, OHMS, left_out={"stop"}) == ["ohms"]
    assert told(START, STOP, TONE) == ["tone"]
    assert told(START, STOP, TONE, left_out={"stop"}) == []


def test_an_analyser_that_is_not_moved_to_the_loop_stays_at_the_unit(told):
    loop = "{id: loop, kind: connect, analyser: loop}"
    assert told(loop, TONE) == []
    assert told(loop, TONE, left_out={"loop"}) == ["tone"]


def test_of_a_step_that_is_left_out_nothing_is_told(told):
    assert told(TONE, left_out={"tone"}) == []


def test_within_a_repeated_group_too(told):
    group = f"{{id: rounds, kind: repeat, count: 2, steps: [{STOP}, {TONE}]}}"
    assert told(START, group) == ["tone"]
    assert told(START, group, left_out={"stop"}) == []
