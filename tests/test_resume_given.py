"""`resume`: what was given when the run began counts on, and a refusal takes nothing away."""

import json
import signal
import time
from types import SimpleNamespace

import pytest

from sequencer import resuming
from sequencer.errors import Interrupted, Refused
from sequencer.floor import floor_path
from sequencer.operator import AcceptedBeforehand
from sequencer.record import Record, StepRecord
from sequencer.reservation import record_address, reserved

TEXT = """\
procedure: short
decision: plain
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: power_on, kind: power_on, settle: 15 s}
  - {id: warm_up, kind: warm_up, level: 1 W, time: 5 min}
  - {id: bond, kind: operator_reading, reading: earth_bond, text: Measure the earth bond}
  - {id: tone_1w, kind: tone, level: 1 W, record: 0.2 s}
  - {id: finish, kind: power_off}
"""
FLOOR = {
    "schema": 1,
    "bench": "a bench",
    "taken_at": "2099-01-01T00:00:00+00:00",
    "instruments": [],
    "level_v": 2.83,
    "values": {"thd": 1.0},
}
ACCEPTED = ("--unattended", "--accept-cautions")


@pytest.fixture
def interrupted(begin, new_bench, tmp_path):
    """Folder and bench of a run ended by a signal while the unit warmed up."""
    bench = new_bench()
    (tmp_path / "p.yaml").write_text(TEXT)
    (tmp_path / "job.yaml").write_text('serial: S-1\nreadings: {earth_bond: "0.12 ohm"}\n')
    process = begin(
        *["run", tmp_path / "p.yaml", "--bench", bench.bench_file, *ACCEPTED],
        *["--serial", "S-1", "--ticket", tmp_path / "job.yaml", "--out", tmp_path / "out"],
    )
    end = time.monotonic() + 40.0
    while not any(
        '"step":"warm_up"' in path.read_text()
        for path in (tmp_path / "out").glob("*/journal.jsonl")
    ):
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.01)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=20)
    (folder,) = (tmp_path / "out").iterdir()
    return folder, bench


def test_the_ticket_s_readings_and_the_bench_s_floor_count_on(interrupted, steadybench):
    folder, bench = interrupted
    floor_path(str(bench.bench_file)).write_text(json.dumps(FLOOR))
    done = steadybench("resume", folder, *ACCEPTED, "--json")
    assert done.code == 0, done.err
    steps = {step["id"]: step for step in done.json()["steps"]}
    assert steps["bond"]["left_out"] is None
    assert [each["value"] for each in steps["bond"]["readings"]] == [0.12]
    (thd,) = [each for each in steps["tone_1w"]["readings"] if each["name"] == "thd"]
    assert thd["near_floor"]


@pytest.mark.parametrize(
    "reason", [Refused("an instrument is not the one expected"), Interrupted(signal.SIGINT)]
)
def test_a_resumption_that_never_began_leaves_summary_and_report(
    interrupted, steadybench, monkeypatch, reason
):
    folder, _ = interrupted
    before = (folder / "summary.json").read_bytes()

    def refuse(*_args, **_settings):
        raise reason

    monkeypatch.setattr(resuming, "run_in", refuse)
    wanted = resuming.Resumption(folder=folder, is_unattended=True, accepted_by="the test")
    with pytest.raises(type(reason)):
        resuming.resume(wanted, person=AcceptedBeforehand("the test"), sinks=[], tell=print)
    assert (folder / "summary.json").read_bytes() == before
    assert (folder / "report.html").exists()
    assert steadybench("verify", folder).code == 0


class _Unasked:
    """A person whom nothing may be asked."""

    name = "the test"

    def accept(self, caution, meanwhile=None):
        raise AssertionError(f"asked: {caution}")

    answer = accept


def test_a_run_that_is_still_going_on_is_refused_before_anything_is_asked(interrupted):
    folder, _ = interrupted
    with (
        reserved([record_address(folder)], "short on S-1"),
        pytest.raises(Refused, match="still running: short on S-1") as caught,
    ):
        resuming.resume(resuming.Resumption(folder=folder), person=_Unasked(), sinks=[], tell=print)
    assert caught.value.code == "held"


def test_a_step_that_was_left_out_is_not_told_as_left(tmp_path):
    """On the bench that the run began with it could not be done; that stands."""
    record = Record(folder=tmp_path, started={"serial": "S-1"})
    for name, verdict, left_out, is_cut in (
        ("power_on", "pass", None, False),
        ("hum", "info", "no router", False),
        ("tone", "no_reading", None, True),
    ):
        step = StepRecord(id=name, kind="", verdict=verdict, left_out=left_out, is_cut=is_cut)
        record.add(step)
    steps = [SimpleNamespace(step=SimpleNamespace(id=name)) for name in ("power_on", "hum", "tone")]
    ready = SimpleNamespace(
        procedure=SimpleNamespace(title="short"), plan=SimpleNamespace(steps=steps)
    )
    told = resuming._what_is_left(record, ready)
    assert told == "To go on with short: serial S-1; 1 step left: tone"
