"""Where a broken-off run goes on: included steps have dots in their ids, rounds have numbers behind."""

import json

import pytest

from sequencer.bench_spec import load_bench
from sequencer.checking import plan
from sequencer.limits import Verdict
from sequencer.past import past_of
from sequencer.procedure import load_procedure
from sequencer.restoring import to_restore
from sequencer.step_names import step_id_of
from sequencer.steps.registry import kinds

PREP = """\
procedure: prep
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: power_on, kind: power_on, settle: 15 s}
  - {id: soak, kind: warm_up, level: 1 W, time: 2 min}
"""
UNPOWERED = """\
  - id: bond
    kind: operator_reading
    reading: earth_bond
    text: Bond
    must_pass: true
    limits: {earth_bond: {max: 0.3 ohm}}
  - id: load
    kind: load_check
    must_pass: true
    limits: {load_resistance: {nominal: 8 ohm, tolerance: 2 %}}
"""
INCLUDING = """\
procedure: with_includes
decision: plain
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {include: prep.yaml, id: prep}
  - id: outer
    kind: repeat
    count: 2
    steps:
      - {id: drive, kind: warm_up, level: 1 W, time: 1 min}
      - id: inner
        kind: repeat
        count: 2
        steps:
          - {id: offset, kind: dc_offset}
          - {id: tone, kind: tone, level: 1 W, record: 0.2 s}
  - {id: last, kind: dc_offset}
  - {id: finish, kind: power_off}
"""
# As a run records them: ID, ID.N and, in a group within a group, ID.N.M.
DONE = [
    *("prep.power_on", "prep.soak"),
    *("drive.1", "offset.1.1", "tone.1.1", "offset.1.2", "tone.1.2", "inner.1"),
    *("drive.2", "offset.2.1", "tone.2.1", "offset.2.2", "tone.2.2", "inner.2"),
    "outer",
]


@pytest.mark.parametrize(
    ("name", "step_id"),
    [
        ("prep.power_on", "prep.power_on"),
        ("warm.offset.3", "warm.offset"),
        ("offset.1.2", "offset"),
        ("slot.2", "slot.2"),
        ("slot.2.1", "slot.2"),
        ("power_on", None),
        ("other.1.2", None),
        ("1.2", None),
    ],
)
def test_a_recorded_name_leads_to_its_step(name, step_id):
    known = {"prep.power_on", "warm.offset", "offset", "slot.2", "prep"}
    assert step_id_of(name, known) == step_id


@pytest.fixture
def procedure(rig):
    (rig.folder / "prep.yaml").write_text(PREP)
    (rig.folder / "with.yaml").write_text(INCLUDING)
    return load_procedure(rig.folder / "with.yaml", registry=kinds())


@pytest.fixture
def restored(rig, procedure):
    """Names of what is carried out again after these steps."""
    (rig.folder / "bench.yaml").write_text(rig.bench_text)
    bench = load_bench(rig.folder / "bench.yaml")
    steps = plan(procedure, bench, kinds(), today=rig.clock.date().date()).steps
    return lambda done: [name for _, name in to_restore(steps, done, kinds())]


@pytest.mark.parametrize(
    ("count", "names"),
    [
        (1, ["prep.power_on"]),  # the soak comes next, and warms by itself
        (2, ["prep.power_on"]),  # and so does the drive
        (3, ["prep.power_on", "drive.1"]),
        (6, ["prep.power_on", "drive.1"]),
        (8, ["prep.power_on"]),  # drive.2 comes next
        (9, ["prep.power_on", "drive.2"]),
        (len(DONE), ["prep.power_on", "drive.2"]),  # last relies on warmth
        (len(DONE) + 1, []),  # finish switches off
    ],
)
def test_the_state_left_by_included_and_repeated_steps_is_brought_back(restored, count, names):
    assert restored([*DONE, "last"][:count]) == names


def test_what_had_to_be_met_is_shown_again_by_the_instruments(rig):
    text = PREP.replace("steps:\n", "steps:\n" + UNPOWERED).replace("prep", "must")
    after_on = (
        "  - {id: cold, kind: dc_offset, must_pass: true, limits: {dc_offset: {within: 20 mV}}}\n"
    )
    text = text.replace("  - {id: soak", after_on + "  - {id: soak")
    text += "  - {id: tone, kind: tone, level: 1 W}\n  - {id: finish, kind: power_off}\n"
    (rig.folder / "must.yaml").write_text(text)
    (rig.folder / "bench.yaml").write_text(
        rig.bench_text.replace("load: 201,", "load: 201, meter_load: 302,")
    )
    procedure = load_procedure(rig.folder / "must.yaml", registry=kinds())
    bench = load_bench(rig.folder / "bench.yaml")
    steps = plan(procedure, bench, kinds(), today=rig.clock.date().date()).steps
    order = [step.step.id for step in steps]
    restored = {
        following: [name for _, name in to_restore(steps, order[: order.index(following)], kinds())]
        for following in order
    }
    assert restored["load"] == []
    assert restored["power_on"] == ["load"]
    assert restored["cold"] == ["load", "power_on"]
    assert restored["soak"] == ["load", "power_on", "cold"]
    assert restored["tone"] == ["load", "power_on", "cold", "soak"]
    assert restored["finish"] == []


def _line(event, step, **more):
    return {"event": event, "step": step, "t": 1.0, **more}


def test_readings_are_known_by_the_step_and_by_the_round(procedure):
    reading = {
        "name": "dc_offset",
        "value": 0.001,
        "unit": "V",
        "uncertainty": None,
        "limits": None,
        "verdict": "info",
        "noise_limited": False,
        "upper_bound": None,
    }
    steps = {step.id for step in procedure.all_steps()}
    lines = [
        line
        for name in ("prep.power_on", "offset.1.2", "offset.1.3")
        for line in (
            _line("reading_taken", name, reading=reading),
            _line("step_finished", name, verdict="pass", left_out=""),
        )
    ][:-1]  # the last step was cut: what it showed counts no more
    past = past_of(json.loads(json.dumps(lines)), steps=steps, away_s=0.0, torn=None)
    assert {step for step, _ in past.readings} == {"prep.power_on", "offset.1.2", "offset"}
    assert past.readings["offset", "dc_offset"].verdict is Verdict.INFO
