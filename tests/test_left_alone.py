"""Nobody in the room: whatever becomes of the program, the bench ends safe and the record whole."""

import contextlib
import json
import os
import pty
import signal
import time
from pathlib import Path

import pytest

# So long that there is a middle of the run to do harm in, also in the simulated bench's time.
PROCEDURE = """\
procedure: long_rest
title: Long drive
decision: plain
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: power_on, kind: power_on, settle: 15 s}
  - {id: warm, kind: warm_up, level: 1 W, time: 1000 h}
  - {id: finish, kind: power_off}
"""
SAFE_WITHIN_S = 5.0


def _until(holds, seconds, what):
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, what
        time.sleep(0.02)


class Run:
    """A run in the middle of its long step."""

    def __init__(self, process, bench, out):
        self.process = process
        self.bench = bench
        _until(lambda: list(out.glob("*/journal.jsonl")), 30, "no journal")
        self.journal = next(out.glob("*/journal.jsonl"))
        self.folder = self.journal.parent

    def events(self):
        lines = self.journal.read_bytes().split(b"\n")[:-1]
        return [json.loads(line) for line in lines]

    def names(self):
        return [line["event"] for line in self.events()]

    def watchkeeper(self):
        """Process id of the child that watches."""
        for entry in Path("/proc").iterdir():
            if not entry.name.isdigit():
                continue
            try:
                words = (entry / "cmdline").read_bytes().split(b"\0")
                parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
            except OSError:
                continue
            if parent == self.process.pid and b"sequencer.watchkeeper" in words:
                return int(entry.name)
        raise AssertionError("no watchkeeper")


@pytest.fixture
def long_run(begin, new_bench, tmp_path):
    """Starts a run and gives it once the unit is driven."""

    def start(*options, edit=lambda text: text, **how):
        bench = new_bench()
        bench.bench_file.write_text(edit(bench.bench_file.read_text()))
        procedure = tmp_path / "long.yaml"
        procedure.write_text(PROCEDURE)
        arguments = ["run", procedure, "--bench", bench.bench_file, "--serial", "S-1"]
        process = begin(
            *arguments,
            "--unattended",
            "--accept-cautions",
            "--out",
            tmp_path / "out",
            *options,
            **how,
        )
        run = Run(process, bench, tmp_path / "out")
        _until(lambda: '"step":"warm"' in run.journal.read_text(), 30, "the long step never began")
        _until(lambda: not bench.is_safe, 10, "nothing was ever switched on")
        return run

    return start


def _safe_within(run, begun_s):
    _until(lambda: run.bench.is_safe, SAFE_WITHIN_S - (time.monotonic() - begun_s), "not safe")


def _verified(run, steadybench):
    found = steadybench("verify", run.folder, "--json")
    assert found.code == 0, found.out
    return found.json()["runs"][0]


def test_kill_nine_ends_safe_and_the_journal_tells_it(long_run, steadybench):
    run = long_run()
    watchkeeper = run.watchkeeper()
    before = run.events()
    begun_s = time.monotonic()
    run.process.send_signal(signal.SIGKILL)
    _safe_within(run, begun_s)
    _until(lambda: "made_safe" in run.names(), 5, "the journal was not told")
    after = run.events()
    assert after[: len(before)] == before
    broken, safe = after[-2:]
    assert broken["event"] == "broken_off"
    assert broken["noticed_by"] == "watchkeeper"
    assert "killed" in broken["cause"]
    assert all(action["is_confirmed"] for action in safe["actions"])
    assert any("broken off" in remark for remark in _verified(run, steadybench)["remarks"])
    _until(lambda: not Path(f"/proc/{watchkeeper}").exists(), 5, "the watchkeeper stays")
    assert "watchkeeper made the bench safe" in run.process.stderr.read()


def test_a_frozen_sequencer_is_ended_and_the_bench_made_safe(long_run, steadybench):
    run = long_run()
    begun_s = time.monotonic()
    run.process.send_signal(signal.SIGSTOP)
    _safe_within(run, begun_s)
    assert run.process.wait(timeout=5) == -signal.SIGKILL
    _until(lambda: "made_safe" in run.names(), 5, "the journal was not told")
    assert "no sign of life" in run.events()[-2]["cause"]
    _verified(run, steadybench)


@pytest.fixture
def held_terminal():
    """The descriptor of a terminal that takes nothing any more, as after Ctrl-S."""
    outer, inner = pty.openpty()
    os.set_blocking(inner, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(inner, b"x" * 100)
    os.set_blocking(inner, True)
    yield inner
    os.close(outer)
    os.close(inner)


def test_a_terminal_that_takes_nothing_holds_up_neither_the_run_nor_a_signal(
    long_run, steadybench, held_terminal
):
    run = long_run(stdout=held_terminal)
    begun_s = time.monotonic()
    run.process.send_signal(signal.SIGTERM)
    _safe_within(run, begun_s)
    assert run.process.wait(timeout=20) == 128 + signal.SIGTERM
    assert run.events()[-1]["outcome"] == "interrupted"
    _verified(run, steadybench)


BLOCKING_DRIVER = """\
import sys, time
from drivers.generator import MappedGenerator

class Blocking(MappedGenerator):
    '''A generator whose connection never comes back once it is to be switched off.'''

    def set_output(self, on):
        if not on and self.was_on and "sequencer.watchkeeper" not in sys.orig_argv:
            time.sleep(1000)
        super().set_output(on)
        self.was_on = on

    was_on = False
"""


def test_a_make_safe_that_hangs_is_taken_over(long_run, steadybench, tmp_path):
    """The deadline does not depend on the blocked thread."""
    (tmp_path / "blocking.py").write_text(BLOCKING_DRIVER)
    run = long_run(edit=lambda text: text.replace("driver: scpi", "driver: blocking:Blocking", 1))
    begun_s = time.monotonic()
    run.process.send_signal(signal.SIGTERM)
    _safe_within(run, begun_s)
    assert run.process.wait(timeout=5) == -signal.SIGKILL
    _until(lambda: "made_safe" in run.names(), 5, "the journal was not told")
    assert "stood still" in run.events()[-2]["cause"]
    _verified(run, steadybench)


HANGING_DRIVERS = """\
import sys, time
from drivers.analyser import MappedAnalyser
from drivers.generator import MappedGenerator

IS_WATCHKEEPER = "sequencer.watchkeeper" in sys.orig_argv

class Generator(MappedGenerator):
    def set_output(self, on):
        if not on and self.was_on or IS_WATCHKEEPER:
            time.sleep(1000)
        super().set_output(on)
        self.was_on = on

    was_on = False

class Analyser(MappedAnalyser):
    '''A device that the process which was killed has left locked.'''

    def __init__(self, link, settings):
        if IS_WATCHKEEPER:
            raise OSError("device busy")
        super().__init__(link, settings)
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_a_driver_that_hangs_in_both_processes_does_not_leave_the_mains_on(
    long_run, steadybench, tmp_path, number
):
    (tmp_path / "hanging.py").write_text(HANGING_DRIVERS)

    def edit(text):
        for role in ("Generator", "Analyser"):
            text = text.replace("driver: scpi", f"driver: hanging:{role}", 1)
        return text

    run = long_run(edit=edit)

    def are_mains_off():
        return run.bench.ask("mains_switch", "OUTP?") == "0"

    run.process.send_signal(number)
    _until(are_mains_off, SAFE_WITHIN_S, "the mains stay on")
    _until(lambda: "made_safe" in run.names(), 20, "the journal was not told")
    confirmed = {a["action"]: a["is_confirmed"] for a in run.events()[-1]["actions"]}
    assert confirmed["mains off"]
    assert not confirmed["generator output off"]
    assert "generator output NOT confirmed off" in run.process.stderr.read()
    _verified(run, steadybench)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_safe_with_its_exit_code(long_run, steadybench, number):
    run = long_run()
    begun_s = time.monotonic()
    run.process.send_signal(number)
    run.process.send_signal(number)  # a second one changes nothing
    _safe_within(run, begun_s)
    assert run.process.wait(timeout=20) == 128 + number
    assert run.names()[-2:] == ["made_safe", "run_finished"]
    assert run.events()[-1]["outcome"] == "interrupted"
    _verified(run, steadybench)


def test_without_its_watchkeeper_a_run_stops_safely(long_run, steadybench):
    run = long_run()
    begun_s = time.monotonic()
    os.kill(run.watchkeeper(), signal.SIGKILL)
    _safe_within(run, begun_s)
    assert run.process.wait(timeout=20) == 3
    assert run.events()[-1]["outcome"] == "stopped"
    assert "watchkeeper" in run.events()[-1]["cause"]
    _verified(run, steadybench)


def test_a_watchkeeper_that_hangs_is_noticed_soon(long_run, steadybench):
    run = long_run()
    keeper = run.watchkeeper()
    begun_s = time.monotonic()
    os.kill(keeper, signal.SIGSTOP)
    try:
        _until(lambda: run.bench.is_safe, 10, "the bench is not safe")
        assert time.monotonic() - begun_s > 1.0  # a moment of a busy computer is no hang
        assert run.process.wait(timeout=10) == 3
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(keeper, signal.SIGKILL)
    assert "the watchkeeper hangs" in run.events()[-1]["cause"]
    _verified(run, steadybench)


def test_the_watchkeeper_holds_the_reservation_until_the_bench_is_safe(
    long_run, steadybench, tmp_path
):
    run = long_run()
    arguments = ["run", tmp_path / "long.yaml", "--bench", run.bench.bench_file, "--serial", "X"]
    second = [*arguments, "--unattended", "--accept-cautions", "--json", "--out", tmp_path / "out2"]
    refused = steadybench(*second)
    assert refused.code == 2
    assert refused.json()["refused"] == "held"
    assert f"process {run.process.pid}" in refused.json()["reason"]
    watchkeeper = run.watchkeeper()
    os.kill(watchkeeper, signal.SIGSTOP)
    run.process.send_signal(signal.SIGKILL)
    run.process.wait(timeout=5)
    refused = steadybench(*second)
    assert refused.json()["refused"] == "held"
    assert "died; its bench is made safe" in refused.json()["reason"]
    os.kill(watchkeeper, signal.SIGCONT)
    _safe_within(run, time.monotonic())
    _until(lambda: not Path(f"/proc/{watchkeeper}").exists(), 5, "the watchkeeper stays")
    assert steadybench("check", *second[1:2], "--bench", run.bench.bench_file).code == 0


def test_a_simulated_bench_is_not_left_behind(begin, tmp_path):
    """With --bench sim nobody else would end it."""
    process = begin(
        *["run", "rated_power", "--bench", "sim", "--serial", "S-1", "--unattended"],
        *["--accept-cautions", "--with", "warm_up=100 h", "--out", tmp_path / "out"],
    )
    _until(lambda: list((tmp_path / "out").glob("*/journal.jsonl")), 30, "no journal")
    journal = next((tmp_path / "out").glob("*/journal.jsonl"))
    _until(lambda: "warm_up" in journal.read_text(), 30, "the long step never began")
    orphans = [
        entry
        for entry in Path("/proc").iterdir()
        if entry.name.isdigit() and _is_bench_of(entry, process.pid)
    ]
    assert len(orphans) == 1
    process.send_signal(signal.SIGKILL)
    _until(lambda: not any(orphan.exists() for orphan in orphans), 10, "the bench was left behind")
    assert "made_safe" in journal.read_text()


def _is_bench_of(entry, parent):
    try:
        words = (entry / "cmdline").read_bytes().split(b"\0")
        return (
            b"sim_instruments" in words
            and int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1]) == parent
        )
    except OSError:
        return False


def test_a_folder_removed_in_mid_run_stops_safely_and_says_so(long_run):
    import shutil

    run = long_run()
    begun_s = time.monotonic()
    shutil.rmtree(run.folder)
    _until(lambda: run.bench.is_safe, 15, "not safe")  # noticed at the next line written
    assert time.monotonic() - begun_s < 15
    assert run.process.wait(timeout=20) == 3
    assert "removed" in run.process.stderr.read() + run.process.stdout.read()
