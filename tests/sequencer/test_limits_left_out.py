"""Limits on readings that the bench can't give: left out with a word, never judged as missing."""

from datetime import date

import pytest

from drivers.roles import Role
from sequencer.bench_spec import load_bench
from sequencer.checking import plan
from sequencer.errors import CapabilityMissing
from sequencer.events import Outcome, RunStarted, StepFinished
from sequencer.last_words import LastWords
from sequencer.limits import Verdict
from sequencer.past import past_of
from sequencer.procedure import load_procedure
from sequencer.record import build_record
from sequencer.steps.registry import kinds

HEAD = (
    "procedure: p\ndecision: plain\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\nsteps:\n"
)
ON = "  - {id: start, kind: power_on, limits: {dc_offset: {within: 20 mV}}}\n"
WARM = (
    "  - {id: warm, kind: warm_up, level: 12.5 W, time: 1 min, "
    "limits: {power: {min: 10 W}, temperature: {max: 70 degC}}}\n"
)
OFF = "  - {id: finish, kind: power_off}\n"
NO_THERMOMETER = {"temperature": "the bench has no thermometer"}


def _without(text, *roles):
    kept = (
        line for line in text.splitlines() if not line.startswith(tuple(f"  {r}:" for r in roles))
    )
    return "\n".join(kept) + "\n"


@pytest.fixture
def planned(tmp_path, rig):
    """The plan of steps on the rig's bench without some roles: planned(ON + WARM, "thermometer")."""

    def make(steps, *roles, more="", **options):
        procedure, bench = tmp_path / "p.yaml", tmp_path / "b.yaml"
        procedure.write_text(HEAD + steps, encoding="utf-8")
        bench.write_text(more + _without(rig.bench_text, *roles), encoding="utf-8")
        loaded = load_procedure(procedure, registry=kinds())
        return plan(loaded, load_bench(bench), kinds(), today=date(2030, 1, 1), **options)

    return make


@pytest.fixture
def without(rig):
    """The rig without some roles."""

    def make(*roles):
        rig.left_out_roles = roles
        rig.bench_text = _without(rig.bench_text, *(role.value for role in roles))
        return rig

    return make


def test_it_is_known_beforehand_and_the_other_limits_stay(planned):
    found = planned(ON + WARM, "thermometer")
    warm = found.steps[1]
    assert warm.left_out is None
    assert warm.limits_left_out == NO_THERMOMETER
    assert set(warm.step.limits) == {"power"}
    (told,) = (each for each in found.remarks if "limit" in each)
    assert told == (
        "step warm: the bench has no thermometer, so the limit on temperature is left out"
    )


def test_with_the_instrument_nothing_is_left_out(planned):
    found = planned(ON + WARM)
    assert not any(each.limits_left_out for each in found.steps)
    assert not any("limit on" in each for each in found.remarks)


@pytest.mark.parametrize(
    ("step", "roles", "names"),
    [
        (
            "{id: a, kind: power_on, limits: {mains_power: {max: 99 W}, mains_voltage: {min: 1 V}}}",
            ("power_meter",),
            {"mains_power", "mains_voltage"},
        ),
        (
            (
                "{id: a, kind: servo_settling, limits: {settling_time: {max: 10 s}, click: {max: 1 V}, "
                "relay_delay: {max: 10 s}, final_value: {within: 10 mV}, mains_power: {max: 99 W}}}"
            ),
            ("mains_switch",),
            {"settling_time", "click", "relay_delay", "final_value"},
        ),
        (
            "{id: a, kind: servo_settling, after: input_step, limits: {settling_time: {max: 10 s}}}",
            ("mains_switch",),
            set(),
        ),
    ],
)
def test_each_kind_knows_what_its_readings_need(planned, step, roles, names):
    steps = f"  - {step}\n" if "input_step" not in step else f"{ON}  - {step}\n"
    assert set(planned(steps, *roles).steps[-1].limits_left_out) == names


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("required: true", "the step is required"),
        ("must_pass: true", "it must be met before the run goes on"),
    ],
)
def test_where_the_step_is_required_or_must_pass_it_is_refused(planned, key, words):
    with pytest.raises(CapabilityMissing) as caught:
        planned(ON + WARM.replace("id: warm,", f"id: warm, {key},"), "thermometer")
    (error,) = caught.value.errors
    for part in ("step warm: ", "no thermometer", "limit on temperature", words):
        assert part in error.message


def test_it_is_accepted_where_the_step_says_that_it_may_be_left_out(planned):
    steps = ON + WARM.replace("id: warm,", "id: warm, must_pass: true, required: false,")
    assert planned(steps, "thermometer").steps[1].limits_left_out == NO_THERMOMETER


def test_a_run_passes_what_was_tested_and_says_so_at_start_and_end(without):
    rig = without(Role.THERMOMETER)
    rig.procedure_text = HEAD + ON + WARM + OFF
    finished = rig.run()
    assert finished.outcome is Outcome.PASS
    started = rig.all(RunStarted)[0]
    assert any("limit on temperature is left out" in each for each in started.remarks)
    assert ("warm", "temperature") not in rig.readings_by_name()
    words = LastWords(started.planned)
    for event in rig.events:
        words.see(event)
    assert words.of(finished) == "PASSED what was tested; 1 limit left out: warm/temperature"


def test_a_run_of_which_it_was_the_only_limit_does_not_pass(without):
    rig = without(Role.THERMOMETER)
    rig.procedure_text = (
        HEAD + "  - {id: start, kind: power_on}\n" + WARM.replace("power: {min: 10 W}, ", "") + OFF
    )
    assert rig.run().outcome is Outcome.FAIL


def test_rounds_count_once_and_a_resumed_run_still_knows(tmp_path):
    lines = [
        {
            "event": "step_finished",
            "t": 1.0,
            "step": f"drive.{number}",
            "kind": "warm_up",
            "verdict": "pass",
            "left_out": None,
            "limits_left_out": NO_THERMOMETER,
        }
        for number in (1, 2)
    ]
    record = build_record(tmp_path, lines)
    assert record.limits_left_out == ("drive/temperature",)
    assert not record.is_whole
    past = past_of(lines, steps={"drive"}, away_s=0.0, torn=None)
    assert past.limits_left_out == ("drive/temperature",)


def test_by_hand_there_is_no_settling_and_the_run_passes_what_was_tested(without):
    rig = without(Role.MAINS_SWITCH)
    rig.operator.says = "yes"
    rig.procedure_text = (
        HEAD + "  - {id: settling, kind: servo_settling, limits: {settling_time: {max: 10 s}}}\n"
        "  - {id: dc, kind: dc_offset, limits: {dc_offset: {within: 20 mV}}}\n"
    ) + OFF
    assert rig.run().outcome is Outcome.PASS
    reading = rig.readings_by_name()["settling", "settling_time"]
    assert (reading.value, reading.verdict, reading.limits) == (None, Verdict.NO_READING, None)
    assert "by hand" in reading.reason
    (end,) = (each for each in rig.all(StepFinished) if each.step == "settling")
    assert end.limits_left_out == {"settling_time": "the bench has no mains switch"}
