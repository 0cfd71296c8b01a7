"""A run that ends in the midst of standby leaves no unit behind that only looks dead."""

import json
import signal
import time

import pytest

HEAD = """\
procedure: asleep
decision: plain
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB, mains_voltage: 230 V}
"""
STANDBY = "{id: standby, kind: standby_power, settle: 1000 h}"
AWAKE = "0"


@pytest.fixture
def arguments(tmp_path):
    """The arguments of a run of some steps on a bench."""

    def of(bench, *steps, guards=""):
        path = tmp_path / "asleep.yaml"
        lines = "".join(f"  - {step}\n" for step in steps)
        path.write_text(f"{HEAD}guards: {{{guards}}}\nsteps:\n{lines}")
        run = ["run", path, "--bench", bench.bench_file, "--serial", "S-1", "--unattended"]
        return [*run, "--accept-cautions", "--out", tmp_path / "out"]

    return of


def _until(holds, what, seconds=30.0):
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, what
        time.sleep(0.02)


def _journal(tmp_path):
    (path,) = (tmp_path / "out").glob("*/journal.jsonl")
    return [json.loads(line) for line in path.read_bytes().split(b"\n")[:-1]]


def _told_safe(tmp_path):
    """What was done to make safe, and whether it was confirmed."""
    (event,) = [event for event in _journal(tmp_path) if event["event"] == "made_safe"]
    return {action["action"]: action["is_confirmed"] for action in event["actions"]}


def _is_awake(bench):
    return bench.ask("mains_switch", "OUTP:STAN?") == AWAKE


def test_a_guard_that_trips_in_standby_leaves_none(steadybench, new_bench, arguments, tmp_path):
    bench = new_bench()
    done = steadybench(*arguments(bench, STANDBY, guards="total_time: {limit: 10 min}"))
    assert done.code == 3, done.out
    assert bench.is_safe
    assert _is_awake(bench)
    assert _told_safe(tmp_path)["standby command withdrawn"]


def test_mains_of_another_voltage_in_standby_leave_none(
    steadybench, new_bench, arguments, tmp_path
):
    """The voltage is looked at when the command already stands."""
    bench = new_bench()
    run = arguments(bench, STANDBY)
    run[1].write_text(run[1].read_text().replace("230 V", "120 V"))
    text = bench.bench_file.read_text()
    bench.bench_file.write_text(text.replace("mains_voltage: 230 V\n", ""))
    done = steadybench(*run)
    assert done.code == 3, done.out
    assert "the unit is one for 120 V" in done.out + done.err
    assert bench.is_safe
    assert _is_awake(bench)
    assert _told_safe(tmp_path)["standby command withdrawn"]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_a_signal_in_standby_leaves_none(begin, new_bench, arguments, tmp_path, number):
    """After kill -9 it is the watchkeeper that takes the command back."""
    bench = new_bench()
    process = begin(*arguments(bench, STANDBY))
    _until(lambda: bench.ask("mains_switch", "OUTP?") == "1", "the mains never came on")
    assert not _is_awake(bench)
    process.send_signal(number)
    _until(lambda: bench.is_safe and _is_awake(bench), "not safe, or in standby", 10.0)
    process.wait(timeout=20)
    _until(lambda: "made_safe" in [event["event"] for event in _journal(tmp_path)], "not told", 5.0)
    assert all(_told_safe(tmp_path).values())


def test_a_unit_found_in_standby_is_taken_out_of_it_before_the_mains_come_on(
    steadybench, new_bench, arguments, tmp_path
):
    """Nobody made that bench safe: the whole computer died. Without a power meter it looks alive."""
    bench = new_bench()
    bench.tell("mains_switch", "OUTP:STAN ON")
    lines = bench.bench_file.read_text().splitlines(keepends=True)
    at = next(i for i, line in enumerate(lines) if line.startswith("  power_meter:"))
    is_next = [i for i in range(at + 1, len(lines)) if not lines[i].startswith("    ")]
    end = is_next[0] if is_next else len(lines)
    bench.bench_file.write_text("".join([*lines[:at], *lines[end:]]))
    tone = "{id: tone, kind: tone, level: 1 W, limits: {gain: {nominal: 29 dB, tolerance: 1 dB}}}"
    done = steadybench(*arguments(bench, "{id: start, kind: power_on}", tone))
    assert done.code == 0, done.out + done.err
    assert _is_awake(bench)
    events = _journal(tmp_path)
    notes = [event["text"] for event in events if event["event"] == "noted"]
    assert any("found commanded to standby" in note for note in notes)
    energised = [event["what"] for event in events if event["event"] == "energising"]
    mains = [what for what in energised if what.startswith("mains_switch")]
    assert [what.split()[1] for what in mains] == ["OUTP:STAN", "OUTP"]


def test_the_standby_command_that_can_t_be_taken_back_is_told(
    steadybench, new_bench, arguments, tmp_path
):
    bench = new_bench()
    bench.tell("mains_switch", "OUTP:STAN ON")
    bench.disturb("mains_switch", "STUCKRELAY", 50)
    done = steadybench(*arguments(bench, "{id: start, kind: power_on}"))
    assert done.code == 3, done.out
    assert "NOT CONFIRMED SAFE" in done.out + done.err
    assert not _told_safe(tmp_path)["standby command withdrawn"]
