"""A run judged again from its captures: the same by its own procedure, else what another one says."""

import json

import numpy as np
import pytest

from sequencer.captures import Capture
from sequencer.cli import run_command
from sequencer.errors import Refused
from sequencer.events import Outcome
from sequencer.journal import Journal, capture_bytes, sha256_hex
from sequencer.record import read_record
from sequencer.rejudging import rejudge, write_rejudged

REPEATED = """\
procedure: warm
decision: plain
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - id: power_on
    kind: power_on
    settle: 25 s
  - id: soak
    kind: repeat
    count: 3
    steps:
      - id: tone
        kind: tone
        level: 1 W
        record: 0.5 s
        limits:
          gain: {nominal: 29 dB, tolerance: 0.5 dB}
          h2: {max: 6 dB above h3}
  - id: power_off
    kind: power_off
"""


def recorded(rig):
    """Run on the bench in memory with a journal; returns the run's folder."""
    with Journal(rig.folder) as journal:
        rig.sinks.append(journal)
        rig.run()
    (rig.folder / "procedure.yaml").write_text(rig.procedure.flattened_yaml())
    return rig.folder


@pytest.fixture
def run(rig):
    return recorded(rig)


def other(run, old, new):
    """Another procedure: the run's with one thing changed, in a file of its own."""
    text = (run / "procedure.yaml").read_text()
    assert text.count(old) == 1, text
    path = run.parent / "other.yaml"
    path.write_text(text.replace(old, new))
    return str(path)


def snapshot(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def by_name(result):
    return {(step.id, each.name): each for step in result.steps for each in step.readings}


def test_by_its_own_procedure_nothing_changes(run):
    result = rejudge(run)
    assert (result.changes, result.problems) == ((), ())
    assert result.outcome == read_record(run).outcome == "pass"
    stored = {
        (step.id, each["name"]): each for step in read_record(run).steps for each in step.readings
    }
    assert {key: each.to_json() for key, each in by_name(result).items()} == stored
    assert [step.verdict for step in result.steps] == [s.verdict for s in read_record(run).steps]
    assert "no reading and no verdict changed" in result.text()


def test_nothing_is_written(run):
    before = snapshot(run.parent)
    rejudge(run)
    assert snapshot(run.parent) == before


def test_a_tighter_limit_fails_the_run(run):
    # The amplifier in memory has a gain of 28.18 times, 29.00 dB.
    result = rejudge(run, other(run, "nominal: 29 dB", "nominal: 31 dB"))
    assert result.outcome == "fail"
    (change,) = result.changes
    assert (change.step, change.reading) == ("tone_10w", "gain")
    assert (change.before["verdict"], change.after["verdict"]) == ("pass", "fail")
    assert change.before["value"] == change.after["value"]
    assert "pass" in change.text()
    assert "fail (31 dB" in change.text()
    assert not result.is_passed


def test_a_wider_limit_passes_a_failed_run(rig):
    rig.procedure_text = rig.procedure_text.replace("thd: {max: 0.1 %}", "thd: {max: 0.0000001 %}")
    rig.amplifier.second = 1e-3
    run = recorded(rig)
    assert read_record(run).outcome == "fail"
    result = rejudge(run, other(run, "max: 0.0000001 %", "max: 1 %"))
    assert result.outcome == "pass"


def test_another_decision_rule_counts(run):
    result = rejudge(run, other(run, "decision: plain", "decision: guarded"))
    assert result.outcome == "pass"


def test_another_setting_of_the_evaluation_counts(rig):
    """A DC of 1 mV plus noise; a narrower band of THD+N holds less of the noise."""
    run = recorded(rig)
    before = by_name(rejudge(run))[("tone_10w", "thd_plus_noise")].value
    result = rejudge(run, other(run, "record: 0.5 s", "record: 0.5 s\n  band_high: 5 kHz"))
    after = by_name(result)[("tone_10w", "thd_plus_noise")].value
    # white noise: rms goes with the root of the band (the tone has no harmonics)
    assert after / before == pytest.approx(np.sqrt(4980 / 19980), rel=0.1)


def test_repeated_steps_are_found_by_their_rounds(rig):
    rig.procedure_text = REPEATED
    rig.amplifier.second = 1e-3
    run = recorded(rig)
    recorded_verdicts = {step.id: step.verdict for step in read_record(run).steps}
    result = rejudge(run)
    assert result.changes == ()
    assert {step.id: step.verdict for step in result.steps} == recorded_verdicts
    assert {"soak", "tone.1", "tone.2", "tone.3"} <= set(recorded_verdicts)
    failing = rejudge(run, other(run, "nominal: 29 dB", "nominal: 31 dB"))
    assert {s.id: s.verdict for s in failing.steps if s.id in ("soak", "tone.2")} == {
        "soak": "fail",
        "tone.2": "fail",
    }
    assert len([each for each in failing.changes if each.reading == "gain"]) == 3


def test_a_group_within_a_group_is_judged_by_its_own_rounds(rig):
    head, group = REPEATED.split("  - id: soak\n")
    group, end = group.split("  - id: power_off")
    inner = "  - id: soak\n" + group.replace("count: 3", "count: 2")
    rig.procedure_text = (
        head
        + "  - id: twice\n    kind: repeat\n    count: 2\n    steps:\n"
        + "".join(f"    {line}\n" for line in inner.splitlines())
        + "  - id: power_off"
        + end
    )
    rig.amplifier.second = 1e-3
    run = recorded(rig)
    names = {"twice", "soak.1", "soak.2", "tone.1.1", "tone.1.2", "tone.2.1", "tone.2.2"}
    result = rejudge(run)
    assert (result.changes, result.problems) == ((), ())
    assert names <= {step.id for step in result.steps}
    failing = rejudge(run, other(run, "nominal: 29 dB", "nominal: 31 dB"))
    assert not failing.problems
    assert {s.id for s in failing.steps if s.verdict == "fail"} == names


def test_an_altered_capture_gives_no_reading(run):
    entry = next(s for s in read_record(run).steps if s.id == "tone_10w").captures[0]
    path = run / entry.file
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    result = rejudge(run)
    assert result.outcome == "fail"
    assert any("is not the one recorded" in problem for problem in result.problems)
    gain = by_name(result)[("tone_10w", "gain")]
    assert (gain.value, gain.verdict) == (None, "no_reading")
    assert "is not the one recorded" in gain.reason


def test_a_missing_capture_gives_no_reading(run):
    entry = next(s for s in read_record(run).steps if s.id == "tone_10w").captures[0]
    (run / entry.file).unlink()
    result = rejudge(run)
    assert result.outcome == "fail"
    assert any("is missing" in problem for problem in result.problems)


def test_a_step_the_run_lacks_is_not_met(run):
    added = "id: tone_10w"
    text = (run / "procedure.yaml").read_text()
    more = text[text.index("- id: tone_10w") : text.index("- id: power_off")]
    path = run.parent / "more.yaml"
    path.write_text(
        text.replace("- id: power_off", more.replace(added, "id: again") + "- id: power_off")
    )
    result = rejudge(run, str(path))
    assert result.outcome == "fail"
    assert "step again: the run has no such step" in result.problems


def test_a_step_the_procedure_lacks_is_told_and_left_out(run):
    text = (run / "procedure.yaml").read_text()
    more = text[text.index("- id: tone_10w") : text.index("- id: power_off")]
    path = run.parent / "less.yaml"
    path.write_text(text.replace(more, ""))
    result = rejudge(run, str(path))
    assert result.outcome == "pass"
    assert any(problem.startswith("step tone_10w: ") for problem in result.problems)
    assert {(c.step, c.after) for c in result.changes} == {("tone_10w", None)}


def test_captures_of_another_kind_of_step_are_not_evaluated(run):
    path = other(run, "kind: tone\n", "kind: idle\n")
    text = (run.parent / "other.yaml").read_text()
    start, end = text.index("- id: tone_10w"), text.index("- id: power_off")
    idle = "- id: tone_10w\n  kind: idle\n  limits:\n    noise_unweighted: {max: 1 V}\n"
    (run.parent / "other.yaml").write_text(text[:start] + idle + text[end:])
    result = rejudge(run, path)
    assert any("has no such step of kind tone" in problem for problem in result.problems)
    assert result.outcome == "fail"


def test_a_stopped_run_does_not_pass_by_being_judged_again(rig):
    rig.readings.dc_v = 3.0  # far beyond dc_stop: 100 mV
    run = recorded(rig)
    assert read_record(run).outcome == Outcome.STOPPED
    result = rejudge(run)
    assert result.outcome == "stopped"
    assert result.changes == ()
    assert not result.is_passed


def test_a_run_cut_off_is_interrupted_still(run):
    path = run / "journal.jsonl"
    lines = path.read_bytes().split(b"\n")
    cut = next(i for i, line in enumerate(lines) if b'"event":"capture_taken","step":"tone' in line)
    path.write_bytes(b"\n".join(lines[: cut + 1]) + b"\n" + lines[cut + 1][:50])
    result = rejudge(run)
    assert result.outcome == "interrupted"
    tone = next(step for step in result.steps if step.id == "tone_10w")
    assert (tone.readings, tone.left_out) == ((), "the record breaks off in this step")


def test_a_procedure_that_was_altered_is_told(run):
    path = run / "procedure.yaml"
    path.write_text(path.read_text().replace("max: 0.1 %", "max: 5 %"))
    assert any("not the file the run was made with" in p for p in rejudge(run).problems)


@pytest.mark.parametrize("missing", ["journal.jsonl", "procedure.yaml", "bench.yaml"])
def test_what_can_t_be_read_is_refused(run, missing):
    (run / missing).unlink()
    with pytest.raises(Refused):
        rejudge(run)


def test_a_capture_of_another_version_gives_no_reading_instead_of_a_fault(run):
    """The journal is whole, and the capture what it says, but evaluation finds no facts in it."""
    journal = (run / "journal.jsonl").read_bytes()
    entry = next(s for s in read_record(run).steps if s.id == "tone_10w").captures[0]
    time = np.arange(24000) / 48e3
    volts = np.sin(2 * np.pi * 1e3 * time) + np.random.default_rng(1).normal(0, 1e-5, time.size)
    strange = capture_bytes(
        Capture(name="output", role="analyser", samples=volts[np.newaxis], sample_rate_hz=48e3)
    )
    (run / entry.file).write_bytes(strange)
    (run / "journal.jsonl").write_bytes(
        journal.replace(entry.sha256.encode(), sha256_hex(strange).encode())
    )
    result = rejudge(run)
    assert any("can't be evaluated: KeyError" in problem for problem in result.problems), result
    assert result.outcome == "fail"


def test_captures_taken_with_other_settings_are_told(run):
    result = rejudge(run, other(run, "record: 0.5 s", "record: 1.5 s"))
    (remark,) = result.remarks
    assert remark.startswith("step tone_10w was recorded otherwise")
    assert "records 500 ms" in remark
    assert "records 1.5 s" in remark
    assert remark in result.text()
    assert result.to_json()["remarks"] == [remark]
    assert result.outcome == "pass"
    assert rejudge(run, other(run, "nominal: 29 dB", "nominal: 31 dB")).remarks == ()


def test_each_step_is_judged_on_the_bench_it_was_made_on(run):
    """The run went on before its tone on a bench with a tenth of the doubt; JCGM 100, 4.3.7: u ~ a."""
    before = by_name(rejudge(run))
    text = (run / "bench.yaml").read_text()
    doubt = "accuracy: {level: 0.03 dB"
    assert text.count(doubt) == 1
    other_bench = text.replace(doubt, "accuracy: {level: 0.3 dB")
    (run / "bench_9.yaml").write_text(other_bench)
    lines = (run / "journal.jsonl").read_bytes().splitlines()
    at = next(n for n, each in enumerate(lines) if b'"event":"step_started","step":"tone' in each)
    resumed = {
        **json.loads(lines[at]),
        "event": "run_resumed",
        "bench_copy": "bench_9.yaml",
        "bench_sha256": "",
    }
    lines.insert(at, json.dumps(resumed).encode())
    (run / "journal.jsonl").write_bytes(b"".join(line + b"\n" for line in lines))
    after = by_name(rejudge(run))
    level = ("tone_10w", "level")
    # 0.03 dB and 0.3 dB are 0.346 % and 3.51 % of the level
    assert after[level].uncertainty / before[level].uncertainty == pytest.approx(10.2, rel=0.1)
    offset = ("power_on", "dc_offset")
    assert after[offset].uncertainty == before[offset].uncertainty


def test_what_was_left_out_and_which_figures_were_changed_stand_in_the_last_line(rig):
    rig.procedure_text = rig.procedure_text.replace(
        "  - id: power_off",
        "  - {id: bias, kind: test_point, point: bias, limits: {bias: {max: 30 mV}}}\n"
        "  - id: power_off",
    )
    run = recorded(rig)
    told = "pass (recorded: pass): passed what was tested; 1 step left out: bias"
    assert rejudge(run).text().splitlines()[-1] == told
    journal = run / "journal.jsonl"
    journal.write_text(
        journal.read_text().replace('"changed_figures":[]', '"changed_figures":["limit 40 mV"]')
    )
    assert rejudge(run).text().splitlines()[-1] == f"{told}; changed figures: limit 40 mV"


def test_a_limit_met_no_more_after_a_break_is_not_made_up_by_judging_again(run):
    lines = (run / "journal.jsonl").read_bytes().splitlines()
    at = next(n for n, each in enumerate(lines) if b'"event":"step_started","step":"tone' in each)
    of_step = {**json.loads(lines[at]), "step": "power_on", "kind": "power_on"}
    again = [
        {**of_step, "event": "step_restored"},
        {**of_step, "event": "step_done_again", "verdict": "fail", "unmet": "DC", "cut": False},
    ]
    lines[at:at] = [json.dumps(each).encode() for each in again]
    (run / "journal.jsonl").write_bytes(b"".join(line + b"\n" for line in lines))
    result = rejudge(run)
    assert (result.outcome, result.changes) == ("fail", ())
    assert "step power_on was met before a break and not after it: DC" in result.text()


# The command.


def test_the_command_tells_and_exits(run, capsys):
    assert run_command(["rejudge", str(run)]) == 0
    assert "pass (recorded: pass)" in capsys.readouterr().out
    tight = other(run, "nominal: 29 dB", "nominal: 31 dB")
    assert run_command(["rejudge", str(run), "--procedure", tight, "--json"]) == 1
    out, err = capsys.readouterr()
    found = json.loads(out)
    assert err == ""
    assert (found["outcome"], found["recorded_outcome"]) == ("fail", "pass")
    assert found["changes"][0]["reading"] == "gain"
    assert {"id", "kind", "verdict", "readings"} <= set(found["steps"][0])


def test_an_altered_record_is_said_first_and_does_not_end_as_passed(run, capsys):
    journal = run / "journal.jsonl"
    journal.write_text(journal.read_text().replace('"serial":"A-1"', '"serial":"A-2"', 1))
    assert run_command(["rejudge", str(run)]) == 1
    first, what, *rest = capsys.readouterr().out.splitlines()
    assert first == "THE RECORD WAS ALTERED after it was written:"
    assert "line 1 was changed" in what
    assert rest[-1].startswith("pass (recorded: pass)")
    assert run_command(["rejudge", str(run), "--json"]) == 1
    (alteration,) = json.loads(capsys.readouterr().out)["alterations"]
    assert "line 1 was changed" in alteration


def test_out_writes_the_result_beside_nothing_else(run, tmp_path, capsys):
    before = snapshot(run)
    assert run_command(["rejudge", str(run), "--out", str(tmp_path / "out" / "deep")]) == 0
    after = {path: content for path, content in snapshot(run).items() if "out" not in path.parts}
    assert after == before
    (path,) = (tmp_path / "out" / "deep").iterdir()
    assert path.name == f"{run.name}_rejudged.json"
    assert json.loads(path.read_text())["outcome"] == "pass"


def test_out_that_can_t_be_written_is_refused(run, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(Refused, match="--out"):
        write_rejudged(rejudge(run), tmp_path / "file")


def test_2_for_what_is_no_run(tmp_path, capsys):
    assert run_command(["rejudge", str(tmp_path)]) == 2
    assert run_command(["rejudge", str(tmp_path / "none"), "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["refused"]
