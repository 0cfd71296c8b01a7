"""`resume`: finished steps are kept, the cut one is done again, each is in the summary exactly once."""

import json
import random
import signal
import time

import pytest

from sequencer.record import read_record

HEAD = "unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\ndecision: plain\n"
SHORT = (
    "procedure: short_test\n"
    + HEAD
    + """\
steps:
  - {id: power_on, kind: power_on, settle: 15 s}
  - id: cold
    kind: dc_offset
    limits: {dc_offset: {within: 20 mV}}
  - {id: warm_up, kind: warm_up, level: 1 W, time: 2 min}
  - id: tone_1w
    kind: tone
    level: 1 W
    record: 0.2 s
    limits: {gain: {nominal: 29 dB, tolerance: 0.5 dB}}
  - {id: finish, kind: power_off}
"""
)
BURN_IN = (
    "procedure: short_burn_in\n"
    + HEAD
    + """\
steps:
  - {id: power_on, kind: power_on, settle: 15 s}
  - id: burn_in
    kind: repeat
    time: 2 h
    period: 10 min
    steps:
      - {id: drive, kind: warm_up, level: 1 W, time: 9 min}
      - id: offset
        kind: dc_offset
        limits: {dc_offset: {within: 20 mV}}
  - {id: finish, kind: power_off}
"""
)
# A run in simulated time may have ended before the signal comes: it waits where it is to be cut off.
WAITS = """import time
from sequencer.journal import Journal
append = Journal._append
def wait_after(self, line):
    append(self, line)
    if {text!r}.encode() in line:
        time.sleep(0.2)
Journal._append = wait_after
"""
STEPS = ["power_on", "cold", "warm_up", "tone_1w", "finish"]
ACCEPTED = ("--unattended", "--accept-cautions")


def _events(folder):
    lines = (folder / "journal.jsonl").read_bytes().split(b"\n")[:-1]
    return [json.loads(line) for line in lines]


def _until(holds, seconds=40.0):
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.01)


@pytest.fixture
def cut(begin, new_bench, tmp_path, steadybench):
    """Runs a procedure, kills the program where the journal shows some text, gives the folder."""

    def run(procedure, text, number=signal.SIGKILL, occurs=1):
        bench = new_bench()
        path = tmp_path / "procedure.yaml"
        path.write_text(procedure)
        process = begin(
            *["run", path, "--bench", bench.bench_file, "--serial", "S-1", *ACCEPTED],
            *["--out", tmp_path / "out"],
            before=WAITS.format(text=text),
        )
        _until(lambda: list((tmp_path / "out").glob("*/journal.jsonl")))
        folder = next((tmp_path / "out").iterdir())
        journal = folder / "journal.jsonl"
        _until(lambda: journal.read_text().count(text) >= occurs)
        process.send_signal(number)
        process.wait(timeout=20)
        if number == signal.SIGKILL:
            _until(lambda: "made_safe" in journal.read_text())
        return folder

    return run


def _resumed(steadybench, folder, *options):
    done = steadybench("resume", folder, *ACCEPTED, "--json", *options)
    assert steadybench("verify", folder).code == 0
    return done


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ('"step":"warm_up"', signal.SIGKILL),
        ('"event":"capture_taken","step":"tone_1w"', signal.SIGKILL),
        ('"step":"cold"', signal.SIGTERM),
        ('"step":"finish"', signal.SIGKILL),
    ],
)
def test_a_broken_off_run_is_finished(cut, steadybench, text, number):
    folder = cut(SHORT, text, number)
    before = _events(folder)
    done = _resumed(steadybench, folder)
    assert done.code == 0, done.err
    summary = done.json()
    assert [step["id"] for step in summary["steps"]] == STEPS
    assert summary["outcome"] == "pass"
    assert len(summary["breaks"]) == 1
    after = _events(folder)
    assert after[: len(before)] == before
    kept = {e["step"] for e in before if e["event"] == "step_finished"}
    started = [e["step"] for e in after[len(before) :] if e["event"] == "step_started"]
    assert started == [step for step in STEPS if step not in kept]
    assert "it was taken up again later" in (folder / "report.html").read_text()
    times = [event["t"] for event in after]
    assert times == sorted(times)


def test_which_unit_and_what_is_left_is_told_before_anything_is_asked(cut, steadybench):
    folder = cut(SHORT, '"event":"step_started","step":"tone_1w"')
    declined = steadybench("resume", folder, says="no\n")
    assert declined.code == 2
    told, asked, _ = declined.out.partition("CAUTION")
    assert asked
    assert "To go on with short test: serial S-1; 2 steps left: tone_1w, finish" in told


def test_what_the_next_step_relies_on_is_brought_back_before_it(cut, steadybench):
    """The unit was off and cooled: mains, load and warmth come again, their readings apart."""
    folder = cut(SHORT, '"event":"step_started","step":"tone_1w"')
    done = _resumed(steadybench, folder)
    events = _events(folder)
    resumed = next(i for i, e in enumerate(events) if e["event"] == "run_resumed")
    names = [(e["event"], e["step"]) for e in events[resumed:] if e["event"].startswith("step_")]
    assert names[:5] == [
        *[("step_restored", "power_on"), ("step_done_again", "power_on")],
        *[("step_restored", "warm_up"), ("step_done_again", "warm_up")],
        ("step_started", "tone_1w"),
    ]
    taken = [
        (e["restored"], e["reading"]["name"], e["reading"]["value"])
        for e in events
        if e["event"] == "reading_taken" and e["step"] == "power_on"
    ]
    first = [(name, value) for restored, name, value in taken if not restored]
    assert [name for restored, name, _ in taken if restored] == [name for name, _ in first]
    record = read_record(folder)
    assert [step.id for step in record.restored] == ["power_on", "warm_up"]
    assert [len(step.captures) > 0 for step in record.restored] == [True, True]
    (stands,) = [step["readings"] for step in done.json()["steps"] if step["id"] == "power_on"]
    assert [(each["name"], each["value"]) for each in stands] == first
    assert "[again] power_on, for what it does to the unit" in done.err
    assert done.err.count("DC offset") > 1
    told = "carried out again after a break, for what it does to the unit: power_on, warm_up"
    assert told in (folder / "report.html").read_text()


def test_mains_stay_off_for_a_minute_before_they_come_again(cut, steadybench):
    folder = cut(SHORT, '"step":"tone_1w"')
    _resumed(steadybench, folder)
    events = _events(folder)
    resumed = next(i for i, e in enumerate(events) if e["event"] == "run_resumed")
    on = next(
        e
        for e in events[resumed:]
        if e["event"] == "energising" and e["what"].startswith("mains_switch")
    )
    assert on["t"] - events[resumed]["t"] >= 60.0


def test_elapsed_burn_in_time_counts(cut, steadybench):
    an_hour = BURN_IN.replace("time: 2 h", "time: 1 h")
    folder = cut(an_hour, '"event":"step_finished","step":"offset.', occurs=3)
    done = _resumed(steadybench, folder)
    assert done.code == 0, done.err
    rounds = [s["id"] for s in done.json()["steps"] if s["id"].startswith("offset.")]
    # 1 h in rounds of 10 min are 6; the cut one may have cost a few minutes that count as well.
    assert rounds == [f"offset.{number}" for number in range(1, len(rounds) + 1)]
    assert len(rounds) in (6, 7)
    ids = [step["id"] for step in done.json()["steps"]]
    assert len(ids) == len(set(ids))


def test_a_torn_last_line_is_repaired_and_told(cut, steadybench):
    folder = cut(SHORT, '"step":"warm_up"')
    with (folder / "journal.jsonl").open("ab") as file:
        file.write(b'{"schema":1,"seq":')
    torn = steadybench("verify", folder, "--json")
    assert torn.code == 0
    assert any("torn" in remark for remark in torn.json()["runs"][0]["remarks"])
    assert _resumed(steadybench, folder).code == 0
    told = [e for e in _events(folder) if e["event"] == "broken_off"][-1]
    assert told["torn"] == '{"schema":1,"seq":'
    assert told["noticed_by"] == "resume"


def test_a_finished_run_is_not_resumed(steadybench, tmp_path):
    path = tmp_path / "p.yaml"
    path.write_text(f"procedure: p\n{HEAD}steps:\n  - {{id: rest, kind: wait, time: 1 s}}\n")
    done = steadybench(
        *["run", path, "--bench", "sim", "--serial", "S", *ACCEPTED, "--json"],
        *["--out", tmp_path / "out"],
    )
    folder = done.json()["run"]
    again = steadybench("resume", folder, *ACCEPTED, "--json")
    assert again.code == 2
    assert "nothing is left to do" in again.json()["reason"]


def test_the_folder_of_a_pair_is_refused_with_the_run_to_resume(cut, steadybench):
    folder = cut(SHORT, '"step":"warm_up"')
    refused = steadybench("resume", folder.parent, *ACCEPTED, "--json")
    assert refused.code == 2
    assert f"resume {folder}" in refused.json()["reason"]


def test_a_record_that_was_altered_is_not_continued(cut, steadybench):
    folder = cut(SHORT, '"step":"warm_up"')
    journal = folder / "journal.jsonl"
    journal.write_text(journal.read_text().replace('"serial":"S-1"', '"serial":"S-2"', 1))
    refused = steadybench("resume", folder, *ACCEPTED, "--json")
    assert refused.code == 2
    assert "line 1 was changed" in refused.json()["reason"]


def test_a_run_on_the_built_in_bench_is_resumed_on_a_new_one(begin, steadybench, tmp_path):
    """Its ports died with it; the record holds both benches."""
    path = tmp_path / "p.yaml"
    path.write_text(SHORT)
    process = begin(
        *["run", path, "--bench", "sim", "--serial", "S", *ACCEPTED, "--out", tmp_path / "out"]
    )
    _until(lambda: list((tmp_path / "out").glob("*/journal.jsonl")))
    folder = next((tmp_path / "out").iterdir())
    _until(lambda: '"step":"warm_up"' in (folder / "journal.jsonl").read_text())
    process.send_signal(signal.SIGKILL)
    process.wait(timeout=10)
    _until(lambda: "made_safe" in (folder / "journal.jsonl").read_text())
    _until(lambda: _resumable(steadybench, folder))


def _resumable(steadybench, folder):
    done = _resumed(steadybench, folder)
    return done.code == 0 and [step["id"] for step in done.json()["steps"]] == STEPS


def test_killed_at_random_moments_and_resumed_each_time(begin, new_bench, steadybench, tmp_path):
    """The full version is tests/benchmarks/killed_and_resumed.py."""
    rng = random.Random(5)
    bench = new_bench()
    path = tmp_path / "p.yaml"
    path.write_text(BURN_IN.replace("time: 2 h", "time: 1 h"))
    arguments = ["run", path, "--bench", bench.bench_file, "--serial", "S", *ACCEPTED]
    process = begin(*arguments, "--out", tmp_path / "out")
    _until(lambda: list((tmp_path / "out").glob("*/journal.jsonl")))
    folder = next((tmp_path / "out").iterdir())
    for _ in range(3):
        time.sleep(rng.uniform(0.1, 2.0))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        _until(lambda: bench.is_safe, 6.0)
        process = begin("resume", folder, *ACCEPTED)
    process.communicate(timeout=60)
    summary = json.loads((folder / "summary.json").read_text())
    ids = [step["id"] for step in summary["steps"]]
    assert len(ids) == len(set(ids))
    assert ids[:2] == ["power_on", "burn_in"]
    assert ids[-1] == "finish"
    assert steadybench("verify", folder).code == 0
