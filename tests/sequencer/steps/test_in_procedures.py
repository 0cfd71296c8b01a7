"""Steps within a procedure: limits that refer to other readings, what a bench lacks, figures."""

from datetime import date

import pytest

from sequencer.bench_spec import load_bench
from sequencer.checking import plan
from sequencer.errors import CapabilityMissing, ProcedureError
from sequencer.events import ReadingTaken, StepFinished
from sequencer.limits import Verdict
from sequencer.procedure import load_procedure
from sequencer.steps.registry import kinds

HEAD = "procedure: p\ndecision: plain\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\n"
ON = "  - {id: mains, kind: power_on, settle: 10 s}\n"


def _steps(*steps: str) -> str:
    return HEAD + "steps:\n" + ON + "".join(f"  - {step}\n" for step in steps)


# --- a limit that refers to another reading ----------------------------------------------------


@pytest.mark.parametrize(("second", "verdict"), [(1e-4, Verdict.PASS), (4e-3, Verdict.FAIL)])
def test_h2_may_be_limited_by_the_h2_of_an_earlier_step(rig, second, verdict):
    rig.amplifier.second = 1e-3
    rig.procedure_text = _steps(
        "{id: first, kind: tone, level: 1 W, record: 0.3 s}",
        "{id: then, kind: tone, level: 10 W, record: 0.3 s,"
        " limits: {h2: {max: 6 dB above first/h2}}}",
    )

    def change(stamped) -> None:
        if isinstance(stamped.event, StepFinished) and stamped.event.step == "first":
            rig.amplifier.second = second

    rig.sinks.append(change)
    rig.run()
    reading = rig.readings_by_name()["then", "h2"]
    assert reading.verdict is verdict
    assert reading.limits.maximum == pytest.approx(1e-3 * 10 ** (6 / 20), rel=0.02)


def test_a_mask_is_judged_by_its_margin(rig):
    # The unit of the rig is flat: half a decibel of room everywhere.
    corners = "{frequency: 100 Hz, min: -0.5 dB}, {frequency: 10 kHz, min: -0.5 dB}"
    rig.procedure_text = _steps(
        "{id: sweep, kind: sweep, start: 50 Hz, stop: 20 kHz, flat_from: 100 Hz, flat_to: 10 kHz,"
        f" points: 5, mask: [{corners}], limits: {{mask_margin: {{min: 0 dB}}}}}}"
    )
    rig.run()
    margin = rig.readings_by_name()["sweep", "mask_margin"]
    assert margin.verdict is Verdict.PASS
    assert margin.value == pytest.approx(0.5, abs=1e-3)


# --- what the bench, or the operator, lacks ----------------------------------------------------


@pytest.fixture
def planned(tmp_path, rig):
    """The plan of steps on the rig's bench file without some instruments."""

    def make(text: str, without: tuple[str, ...] = (), **options):
        procedure = tmp_path / "some.yaml"
        procedure.write_text(text, encoding="utf-8")
        kept = [
            line
            for line in rig.bench_text.splitlines()
            if not any(line.startswith(f"  {role}:") for role in without)
        ]
        bench = tmp_path / "some_bench.yaml"
        bench.write_text("\n".join(kept), encoding="utf-8")
        registry = kinds()
        return plan(
            load_procedure(procedure, registry=registry),
            load_bench(bench),
            registry,
            today=date(2030, 1, 1),
            **options,
        )

    return make


STANDBY = "{id: standby, kind: standby_power, limits: {standby_power: {max: 0.5 W}}}"


def test_a_step_whose_role_is_missing_is_left_out_with_a_word(planned):
    left = {
        step.step.id: step.left_out for step in planned(_steps(STANDBY), ("power_meter",)).steps
    }
    assert left["mains"] is None
    assert "power_meter" in left["standby"] or "power meter" in left["standby"]


def test_the_same_step_is_refused_when_the_procedure_says_it_is_required(planned):
    required = STANDBY.replace("id: standby,", "id: standby, required: true,")
    with pytest.raises(CapabilityMissing) as refused:
        planned(_steps(required), ("power_meter",))
    (error,) = refused.value.errors
    assert "power" in error.message
    assert refused.value.exit_code == 2


def test_with_its_role_it_is_done(planned):
    assert all(step.left_out is None for step in planned(_steps(STANDBY)).steps)


def test_a_run_without_the_role_gives_no_reading_of_the_step(rig):
    from drivers.roles import Role

    rig.left_out_roles = (Role.POWER_METER,)
    rig.bench_text = "\n".join(
        line for line in rig.bench_text.splitlines() if not line.startswith("  power_meter:")
    )
    rig.procedure_text = _steps(STANDBY)
    # Its only limit was not judged, so nothing was shown.
    assert rig.run().outcome.value == "fail"
    finished = {event.step: event for event in rig.all(StepFinished)}
    assert finished["standby"].left_out
    assert not [event for event in rig.all(ReadingTaken) if event.step == "standby"]


BOND = (
    "{id: bond, kind: operator_reading, reading: earth_bond, text: Measure it,"
    " limits: {earth_bond: {max: 0.3 ohm}}}"
)


def test_an_operator_reading_is_left_out_when_nobody_is_there(planned):
    (_, bond) = planned(_steps(BOND), is_unattended=True).steps
    assert "nobody is there" in bond.left_out
    assert planned(_steps(BOND)).steps[1].left_out is None


def test_an_operator_reading_on_the_ticket_needs_nobody(planned):
    steps = planned(_steps(BOND), is_unattended=True, given={"earth_bond": "0.1 ohm"}).steps
    assert steps[1].left_out is None


def test_a_required_operator_reading_is_refused_when_nobody_is_there(planned):
    required = BOND.replace("id: bond,", "id: bond, required: true,")
    with pytest.raises(CapabilityMissing):
        planned(_steps(required), is_unattended=True)


@pytest.mark.parametrize(
    ("answer", "verdict"), [("0.12 ohm", Verdict.PASS), ("0.4 ohm", Verdict.FAIL)]
)
def test_the_operators_answer_is_judged_like_any_reading(rig, answer, verdict):
    rig.procedure_text = _steps(BOND)
    rig.operator.says = answer
    rig.run()
    assert rig.readings_by_name()["bond", "earth_bond"].verdict is verdict


# --- figures that --with changes ---------------------------------------------------------------

FIGURES = HEAD + (
    "figures: {warm: 20 min, most: 20 mV}\n"
    "steps:\n"
    "  - {id: warm_up, kind: warm_up, level: 12.5 W, time: <warm>}\n"
    "  - {id: dc, kind: dc_offset, limits: {dc_offset: {within: <most>}}}\n"
)


def _figured(tmp_path, **figures):
    file = tmp_path / "figures.yaml"
    file.write_text(FIGURES, encoding="utf-8")
    return load_procedure(file, registry=kinds(), figures=figures)


def test_a_figure_keeps_its_value_unless_it_is_changed(tmp_path):
    assert _figured(tmp_path).steps[0].settings.time == 1200.0
    changed = _figured(tmp_path, warm="5 min", most="10 mV")
    assert changed.steps[0].settings.time == 300.0
    assert changed.steps[1].limits["dc_offset"].maximum == pytest.approx(10e-3)
    assert changed.steps[1].limits["dc_offset"].minimum == pytest.approx(-10e-3)


@pytest.mark.parametrize(
    ("figures", "words"),
    [({"warm": "5"}, "unit"), ({"warm": "5 V"}, "V"), ({"warmth": "5 min"}, "warm")],
)
def test_a_figure_of_the_wrong_kind_or_name_is_refused(tmp_path, figures, words):
    with pytest.raises(ProcedureError) as refused:
        _figured(tmp_path, **figures)
    assert words in "\n".join(error.message for error in refused.value.errors)


def test_the_built_in_burn_in_takes_another_duration():
    procedure = load_procedure("burn_in", registry=kinds(), figures={"duration": "1 h"})
    repeat = next(step for step in procedure.steps if step.kind == "repeat")
    assert repeat.settings.time == 3600.0
