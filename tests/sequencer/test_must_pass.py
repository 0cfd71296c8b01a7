"""Steps that must be met before the run goes on: what counts as met, and how a run ends otherwise."""

from datetime import date

import pytest

from drivers.errors import UnusableAnswer
from sequencer import engine
from sequencer.bench import Bench
from sequencer.bench_spec import load_bench
from sequencer.checking import plan
from sequencer.cli import run_command
from sequencer.emitter import Emitter
from sequencer.errors import CapabilityMissing, ProcedureError
from sequencer.events import (
    GuardWarned,
    MadeSafe,
    Outcome,
    ReadingTaken,
    StepDoneAgain,
    StepStarted,
)
from sequencer.journal import Journal
from sequencer.past import past_of
from sequencer.procedure import load_procedure
from sequencer.record import journal_lines, read_record
from sequencer.rejudging import rejudge
from sequencer.steps.registry import kinds

HEAD = (
    "procedure: p\ndecision: plain\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\nsteps:\n"
)
BOND = (
    "  - {id: bond, kind: operator_reading, reading: earth_bond, text: Measure, must_pass: true, "
    "limits: {earth_bond: {max: 0.3 ohm}}}\n"
)
POWER = "  - {id: power, kind: power_on, settle: 25 s}\n  - {id: power_off, kind: power_off}\n"
SIMULATED = "clock: simulated\nclock_address: TCPIP::127.0.0.1::9::SOCKET\n"
LIMITS = "limits: {dc_offset: {within: 20 mV}}"


@pytest.fixture
def asked(rig):
    """A run whose first step is the earth bond, answered so."""

    def run(answer):
        rig.procedure_text = HEAD + BOND + POWER
        rig.operator.says = answer
        return rig.run()

    return run


@pytest.mark.parametrize("answer", ["0.8 ohm", "0.31 ohm", "none"])
def test_what_is_not_met_ends_the_run_before_anything_is_energised(asked, rig, answer):
    # Earth bond 0.3 ohm at most: common practice, no source.
    finished = asked(answer)
    assert finished.outcome is Outcome.FAIL
    assert "step bond" in finished.cause
    assert "earth bond" in finished.cause
    assert "max 0.3 ohm" in finished.cause
    assert [each.step for each in rig.all(StepStarted)] == ["bond"]
    assert (True,) not in rig.called("set_output")
    assert len(rig.all(MadeSafe)) == 1
    assert rig.is_safe


def test_what_is_met_lets_the_run_go_on(asked, rig):
    assert asked("0.1 ohm").outcome is Outcome.PASS
    assert (True,) in rig.called("set_output")


def test_a_conditional_pass_is_met(rig):
    # 19.99 mV with the meter's doubt around it touches 20 mV: within the limit by less than U.
    rig.readings.dc_v = 19.99e-3
    rig.procedure_text = (HEAD + POWER).replace("plain", "guarded")
    rig.procedure_text = rig.procedure_text.replace("25 s", f"25 s, must_pass: true, {LIMITS}")
    finished = rig.run()
    assert rig.readings_by_name()["power", "dc_offset"].verdict.value == "conditional_pass"
    assert finished.outcome is Outcome.PASS


def test_a_limit_without_must_pass_is_a_result_and_the_run_goes_on(rig):
    rig.procedure_text = (HEAD + BOND + POWER).replace("must_pass: true, ", "")
    rig.operator.says = "0.8 ohm"
    finished = rig.run()
    assert (finished.outcome, finished.cause) == (Outcome.FAIL, None)
    assert len(rig.all(StepStarted)) == 3


def test_a_step_that_broke_off_is_not_met(rig):
    rig.procedure_text = (HEAD + POWER).replace(
        "  - {id: power_off",
        f"  - {{id: dc, kind: dc_offset, must_pass: true, {LIMITS}}}\n  - {{id: power_off",
    )
    # power_on reads five times; the sixth reading is the step's own.
    nonsense = UnusableAnswer("dmm", "here", "READ?", "9.91E37", "not a number")
    rig.dmm.fail("read_dc_v", *[None] * 5, nonsense)
    finished = rig.run()
    assert finished.outcome is Outcome.FAIL
    assert "step dc" in finished.cause
    assert "no reading" in finished.cause
    assert rig.is_safe


def test_in_a_repeated_group_the_round_is_named(rig):
    rig.readings.dc_v = 30e-3
    group = (
        "  - id: rounds\n    kind: repeat\n    count: 3\n    steps:\n"
        f"      - {{id: dc, kind: dc_offset, must_pass: true, {LIMITS}}}\n"
    )
    rig.procedure_text = HEAD + POWER.replace("  - {id: power_off", f"{group}  - {{id: power_off")
    assert "step dc.1" in rig.run().cause
    assert rig.is_safe


def _resumed_emitter(rig):
    emitter = Emitter()
    rig.events.clear()
    emitter.begin(rig.clock, [rig._see], t_s=1e3)
    return emitter


@pytest.fixture
def taken_up_again(rig):
    """Runs rig.procedure_text, forgets what came after a step's end, changes something, resumes."""

    def again(step, change=lambda: None):
        with Journal(rig.folder) as journal:
            rig.sinks.append(journal)
            rig.run()
        lines = journal_lines(rig.folder)
        ends = (at for at, line in enumerate(lines) if line["event"] == "step_finished")
        cut = next(at for at in ends if lines[at]["step"] == step) + 1
        steps = {step.id for step in rig.procedure.all_steps()}
        rig.log.clear()
        change()
        spec = load_bench(rig.folder / "bench.yaml")
        return engine.run(
            rig.procedure,
            Bench(spec, rig.instruments, rig.clock),
            plan(rig.procedure, spec, kinds(), today=date(2030, 1, 1)),
            job=engine.Job(serial="A"),
            kinds=kinds(),
            operator=rig.operator,
            cautions=[],
            emitter=_resumed_emitter(rig),
            past=past_of(lines[:cut], steps=steps, away_s=60.0, torn=None),
        )

    return again


def test_a_resumed_run_does_not_go_on_past_what_was_not_met(rig, taken_up_again):
    """Killed between the step's end and the run's: nothing is energised when it is taken up again."""
    rig.procedure_text = HEAD + BOND + POWER
    rig.operator.says = "0.8 ohm"
    finished = taken_up_again("bond")
    assert finished.outcome is Outcome.FAIL
    assert "step bond" in finished.cause
    assert (True,) not in rig.called("set_output")


@pytest.mark.parametrize(("dc_v", "goes_on"), [(1e-3, True), (0.05, False)])
def test_a_resumed_run_shows_again_what_must_be_met(rig, taken_up_again, dc_v, goes_on):
    cold = f"  - {{id: cold, kind: dc_offset, must_pass: true, {LIMITS}}}\n"
    drive = "  - {id: drive, kind: warm_up, level: 1 W, time: 1 min}\n"
    rig.procedure_text = HEAD + POWER.replace(
        "  - {id: power_off", f"{cold}{drive}  - {{id: power_off"
    )
    finished = taken_up_again("cold", lambda: setattr(rig.readings, "dc_v", dc_v))
    assert finished.outcome is (Outcome.PASS if goes_on else Outcome.FAIL)
    assert goes_on or "step cold, met before the break, is not met any more" in finished.cause
    driven = [arguments for arguments in rig.called("set_level") if arguments[0] > 0.0]
    assert bool(driven) is goes_on
    assert rig.is_safe
    shown = [each for each in rig.all(ReadingTaken) if each.step == "cold"]
    assert [each.restored for each in shown] == [True]
    assert shown[0].reading.value == pytest.approx(dc_v)
    (again,) = [each for each in rig.all(StepDoneAgain) if each.step == "cold"]
    assert (again.verdict.value, again.cut) == (("pass", False) if goes_on else ("fail", True))


def test_a_limit_that_is_met_no_more_after_a_break_does_not_pass(rig, taken_up_again):
    """Nobody demanded that it be met, so the run goes on; but the unit is not what it was."""
    rig.procedure_text = (HEAD + POWER).replace("25 s", f"25 s, {LIMITS}")
    rig.procedure_text = rig.procedure_text.replace(
        "  - {id: power_off", "  - {id: rest, kind: wait, time: 1 s}\n  - {id: power_off"
    )
    finished = taken_up_again("power", lambda: setattr(rig.readings, "dc_v", 0.05))
    assert (finished.outcome, finished.cause) == (Outcome.FAIL, None)
    assert [each.step for each in rig.all(StepStarted)] == ["rest", "power_off"]
    (warned,) = rig.all(GuardWarned)
    assert "step power, met before the break, is not met any more" in warned.words


def _recorded(rig):
    with Journal(rig.folder) as journal:
        rig.sinks.append(journal)
        rig.procedure_text = HEAD + BOND + POWER
        rig.operator.says = "0.8 ohm"
        rig.run()
    (rig.folder / "procedure.yaml").write_text(rig.procedure.flattened_yaml())
    return rig.folder


def test_the_summary_names_the_cause_and_what_was_not_reached(rig):
    summary = read_record(_recorded(rig)).summary()
    assert summary["outcome"] == "fail"
    assert "step bond" in summary["cause"]
    assert summary["not_reached"] == ["power", "power_off"]
    assert [step["id"] for step in summary["steps"]] == ["bond"]


def test_judged_again_it_does_not_pass_and_nothing_is_made_up(rig):
    folder = _recorded(rig)
    again = rejudge(folder)
    assert (again.outcome, again.changes, again.problems) == ("fail", (), ())
    wider = rig.folder / "wider.yaml"
    wider.write_text(rig.procedure.flattened_yaml().replace("0.3 ohm", "1 ohm"))
    lenient = rejudge(folder, str(wider))
    assert lenient.outcome == "fail"
    # Every reading passes now, so the text must say why the run does not.
    assert {reading.verdict.value for step in lenient.steps for reading in step.readings} == {
        "pass"
    }
    assert "did not reach its end, so it can't pass: the run ends at step bond" in lenient.text()


def test_judged_again_a_group_in_which_the_run_ended_is_not_said_to_be_torn(rig):
    rig.readings.dc_v = 30e-3
    group = (
        "  - id: rounds\n    kind: repeat\n    count: 3\n    steps:\n"
        f"      - {{id: dc, kind: dc_offset, must_pass: true, {LIMITS}}}\n"
    )
    rig.procedure_text = HEAD + POWER.replace("  - {id: power_off", f"{group}  - {{id: power_off")
    with Journal(rig.folder) as journal:
        rig.sinks.append(journal)
        rig.run()
    (rig.folder / "procedure.yaml").write_text(rig.procedure.flattened_yaml())
    steps = {step.id: step for step in rejudge(rig.folder).steps}
    assert steps["rounds"].left_out == "the run ended in this step"


# --- in the procedure ---------------------------------------------------------------------------


def _loaded(folder, text):
    path = folder / "p.yaml"
    path.write_text(text)
    return load_procedure(path, registry=kinds())


def test_an_include_s_must_pass_holds_for_its_steps_with_limits(tmp_path):
    text = HEAD + "  - {id: cold, include: dc_offset, must_pass: true}\n  - {include: idle_hum}\n"
    procedure = _loaded(tmp_path, text)
    assert {step.id: step.must_pass for step in procedure.steps} == {
        "cold.offset": True,
        "idle": False,
    }
    again = _loaded(tmp_path, procedure.flattened_yaml())
    assert again == procedure


def test_must_pass_without_limits_is_a_mistake(tmp_path):
    with pytest.raises(ProcedureError) as caught:
        _loaded(tmp_path, HEAD + "  - {id: w, kind: power_on, must_pass: true}\n")
    (error,) = caught.value.errors
    assert error.place.line == 5
    assert "no limits to meet" in error.message


def test_an_include_s_must_pass_without_any_limit_in_it_is_a_mistake(tmp_path):
    """It would look like a safeguard and be none."""
    (tmp_path / "inner.yaml").write_text(HEAD + POWER)
    with pytest.raises(ProcedureError) as caught:
        _loaded(tmp_path, HEAD + "  - {id: first, include: inner.yaml, must_pass: true}\n")
    (error,) = caught.value.errors
    assert error.place.line == 5
    assert "no step of" in error.message
    assert "inner.yaml has limits to meet" in error.message


def test_check_says_where_the_run_would_end(tmp_path, capsys):
    path = tmp_path / "p.yaml"
    path.write_text(HEAD + BOND + POWER)
    assert run_command(["check", str(path)]) == 0
    assert "the run ends here unless this is met: earth bond max 0.3 ohm" in capsys.readouterr().out


# --- nobody there -------------------------------------------------------------------------------


@pytest.fixture
def unattended(rig):
    def make(text=HEAD + BOND + POWER, bench_head="", **options):
        procedure = rig.folder / "p.yaml"
        procedure.write_text(text)
        bench = rig.folder / "bench.yaml"
        bench.write_text(bench_head + rig.bench_text)
        return plan(
            load_procedure(procedure, registry=kinds()),
            load_bench(bench),
            kinds(),
            today=date(2026, 1, 6),
            is_unattended=True,
            **options,
        )

    return make


def test_with_nobody_to_read_it_the_run_is_refused_with_what_to_do(unattended):
    with pytest.raises(CapabilityMissing) as caught:
        unattended()
    (error,) = caught.value.errors
    assert error.place.line == 5
    for words in ("step bond", "no earth_bond", "readings", "--unattended"):
        assert words in error.message


def test_the_ticket_s_reading_lifts_it(unattended):
    assert unattended(given={"earth_bond": "0.1 ohm"}).steps[0].left_out is None


def test_a_reading_that_need_not_be_met_is_left_out(unattended):
    found = unattended((HEAD + BOND + POWER).replace("must_pass: true, ", ""))
    assert "nobody is there" in found.steps[0].left_out


def test_a_simulated_unit_hurts_nobody_but_it_is_said(unattended):
    found = unattended(bench_head=SIMULATED)
    assert "nobody is there" in found.steps[0].left_out
    assert any("bond, which must be met" in remark for remark in found.remarks)


BIAS = HEAD + (
    "  - {id: bias, kind: test_point, point: bias, must_pass: true, limits: {bias: {max: 30 mV}}}\n"
)


def test_what_guards_the_rest_is_not_left_out_by_a_bench_that_lacks_something(unattended):
    with pytest.raises(CapabilityMissing) as caught:
        unattended(BIAS)
    (error,) = caught.value.errors
    assert error.place.line == 5
    for words in ("step bias", "no router channel meter_bias", '"required: false"'):
        assert words in error.message


@pytest.mark.parametrize(
    ("text", "bench_head"),
    [
        (BIAS.replace("must_pass: true,", "must_pass: true, required: false,"), ""),
        (BIAS, SIMULATED),
    ],
)
def test_it_is_left_out_and_said_where_that_is_accepted_or_hurts_nobody(
    unattended, text, bench_head
):
    found = unattended(text, bench_head=bench_head)
    assert "no router channel" in found.steps[0].left_out
    assert any("bias, which must be met" in remark for remark in found.remarks)


def test_what_a_resumed_run_has_behind_it_is_not_asked_for_again(unattended):
    assert unattended(done={"bond"}).steps[0].left_out is None


def test_none_on_the_ticket_is_no_reading(unattended):
    with pytest.raises(CapabilityMissing) as caught:
        unattended(given={"earth_bond": "none"})
    assert "the job ticket gives no earth_bond" in caught.value.errors[0].message


@pytest.mark.parametrize(
    ("answer", "is_met"),
    [("8.02 ohm", True), ("8.5 ohm", False), ("4 ohm", False), ("none", False)],
)
def test_a_load_that_the_operator_measured_is_judged_as_any_other(rig, answer, is_met):
    """On a bench whose meter can't be put across the load; 2 % (common practice, no source)."""
    load = (
        "  - {id: load, kind: load_check, must_pass: true, "
        "limits: {load_resistance: {nominal: <load>, tolerance: 2 %}}}\n"
    )
    rig.procedure_text = HEAD + load + POWER
    rig.operator.says = answer
    rig.run()
    assert ((True,) in rig.called("set_output")) is is_met
    assert rig.is_safe
