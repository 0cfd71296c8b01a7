"""Each guard trips in a fault of the simulated unit or bench, within its stated time."""

import json
import time
from pathlib import Path

import pytest

HEAD = """\
procedure: watched
decision: plain
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
"""
REST = "{id: rest, kind: wait, time: 3 h}"
DRIVEN = "{id: warm, kind: warm_up, level: 10 W, time: 3 h}"
# A wait is sliced by the guards' shortest period, 10 s or less; a look takes about 1 s of readings.
SLICE_S, LOOK_S = 10.0, 2.0

# Guard, its bound in the procedure, fault of the unit, step; period as written or by default.
CASES = [
    ("output_dc", "{limit: 100 mV}", "servo_open:large", REST, 10.0),
    ("output_level", "{limit: 2 mV}", "ground_loop:large", REST, 30.0),
    ("load_power", "{limit: 5 W}", None, DRIVEN, 10.0),
    ("mains_power", "{limit: 60 W}", "bias_runaway:large", REST, 30.0),
    ("temperature", "{limit: 40 degC, warn: 35 degC}", "bias_runaway:large", REST, 30.0),
    ("temperature_rise", "{limit: 0.5 K/min}", None, DRIVEN, 30.0),
    ("total_time", "{limit: 20 min}", None, REST, 10.0),
    ("mains_power", "{limit: 60 W, period: 2 s}", "bias_runaway:large", REST, 2.0),
]


def _run(steadybench, tmp_path, bench, steps, guards=""):
    path = tmp_path / "watched.yaml"
    lines = "".join(
        f"  - {step}\n"
        for step in ("{id: start, kind: power_on, settle: 15 s, dc_stop: 5 V}", steps)
    )
    path.write_text(f"{HEAD}guards: {{{guards}}}\nsteps:\n{lines}")
    done = steadybench(
        *["run", path, "--bench", bench.bench_file, "--serial", "S", "--unattended"],
        *["--accept-cautions", "--json", "--out", tmp_path / "out"],
    )
    folder = Path(done.json()["run"])
    lines = (folder / "journal.jsonl").read_bytes().split(b"\n")[:-1]
    return done, [json.loads(line) for line in lines]


@pytest.fixture
def resting(begin, tmp_path):
    """Begins a run on a bench that is waited for briefly; gives it and its journal once it rests."""

    def until_it_rests(bench, rest):
        text = bench.bench_file.read_text()
        bench.bench_file.write_text(text.replace("timeout: 5 s", "timeout: 0.2 s"))
        path = tmp_path / "watched.yaml"
        path.write_text(
            f"{HEAD}steps:\n  - {{id: start, kind: power_on}}\n"
            f"  - {{id: rest, kind: wait, time: {rest}}}\n  - {{id: finish, kind: power_off}}\n"
        )
        process = begin(
            *["run", path, "--bench", bench.bench_file, "--serial", "S", "--unattended"],
            *["--accept-cautions", "--out", tmp_path / "out"],
        )
        journal = None
        while journal is None or '"step":"rest"' not in journal.read_text():
            assert process.poll() is None, process.communicate()
            journal = next((tmp_path / "out").glob("*/journal.jsonl"), None)
            time.sleep(0.01)
        return process, journal

    return until_it_rests


@pytest.mark.parametrize(("guard", "bounds", "fault", "step", "period_s"), CASES)
def test_each_guard_stops_the_run_in_time(
    steadybench, new_bench, tmp_path, guard, bounds, fault, step, period_s
):
    bench = new_bench(*(["--fault", fault] if fault else []))
    done, events = _run(steadybench, tmp_path, bench, step, f"{guard}: {bounds}")
    assert done.code == 3, done.out
    assert done.json()["cause"].startswith(f"guard {guard}: ")
    assert bench.is_safe
    ended_s = events[-1]["t"]
    seen = [e["t"] for e in events if e["event"] == "guards_looked" and guard in e["values"]]
    # Since when it could be seen: the last look that found it well, or else the load's connection.
    loaded = [e["t"] for e in events if e["event"] == "step_finished"]
    since_s = seen[-1] if seen else loaded[0] if loaded else 0.0
    settled_s = 0.0 if seen else 15.0
    assert ended_s - since_s <= settled_s + period_s + SLICE_S + LOOK_S


@pytest.mark.parametrize(
    ("role", "guard", "period_s"),
    # The analyser is in no guard's reading; a question that changes nothing finds it silent.
    [
        ("analyser", "instruments", 60.0),
        ("generator", "switches", 10.0),
        ("mains_switch", "switches", 10.0),
    ],
)
def test_a_silent_instrument_stops_the_run_in_time(new_bench, resting, role, guard, period_s):
    bench = new_bench()
    process, journal = resting(bench, "1000 h")
    bench.disturb(role, "TIMEOUT", 1000)
    silent_s = float(bench.ask("clock", "DIAG:CLOC:TIME?"))
    process.communicate(timeout=60)
    assert process.returncode == 3
    last = json.loads(journal.read_text().splitlines()[-1])
    assert last["cause"].startswith(f"guard {guard}: {role}")
    bench.tell("clock", f'DIAG:INST:DIST "{role}",NONE')
    assert bench.is_safe
    assert (
        float(bench.ask("clock", "DIAG:CLOC:TIME?")) - silent_s <= period_s + SLICE_S + 2 * LOOK_S
    )


@pytest.mark.parametrize(
    ("role", "guard"), [("analyser", "instruments"), ("generator", "switches")]
)
def test_three_answers_lost_one_after_another_stop_no_run(new_bench, resting, role, guard):
    """As often as that one message in a hundred does not arrive."""
    bench = new_bench()
    process, journal = resting(bench, "30 min")
    bench.disturb(role, "TIMEOUT", 3)
    process.communicate(timeout=60)
    told = journal.read_text()
    assert process.returncode == 0, told.splitlines()[-1]
    lost = [each for each in map(json.loads, told.splitlines()) if each.get("problem")]
    assert [each["role"] for each in lost if each["event"] == "exchanged"] == [role] * 3, guard


@pytest.mark.parametrize("step", [each.replace("3 h", "30 min") for each in (REST, DRIVEN)])
def test_no_guard_trips_on_a_healthy_unit(steadybench, new_bench, tmp_path, step):
    done, events = _run(steadybench, tmp_path, new_bench(), step)
    assert done.code == 0, done.json()["cause"]
    assert not [event for event in events if event["event"] == "guard_warned"]


@pytest.mark.parametrize("is_connected", [True, False])
def test_a_load_that_nobody_connected_stops_a_run_at_rated_power(
    steadybench, new_bench, tmp_path, is_connected
):
    """A bench whose router has no channel for the load; 100 W never come out of some 20 W (energy)."""
    bench = new_bench()
    bench.tell("router", "ROUT:CLOS (@201)" if is_connected else "ROUT:OPEN (@201)")
    bench.bench_file.write_text(bench.bench_file.read_text().replace("load: 201, ", ""))
    done = steadybench(
        *["run", "rated_power", "--bench", bench.bench_file, "--serial", "S", "--unattended"],
        *["--accept-cautions", "--json", "--out", tmp_path / "out"],
    )
    assert done.code == (0 if is_connected else 3), done.out
    cause = done.json().get("cause") or ""
    assert cause.startswith("guard power_balance: the output shows 100") is not is_connected
    assert ("the load is not connected (or not 8 ohm)" in cause) is not is_connected
    assert bench.is_safe


ASKS = "{id: ask, kind: question, text: Is it quiet?}"


def test_while_nobody_answers_the_guards_look(begin, new_bench, tmp_path):
    """A unit that warms up: warned, made safe, and then said, while the question still stands."""
    bench = new_bench()
    path = tmp_path / "watched.yaml"
    start = "{id: start, kind: power_on, settle: 15 s, dc_stop: 5 V}"
    guards = "guards: {temperature: {warn: 25 degC}, total_time: {limit: 1 h}}\n"
    path.write_text(f"{HEAD}{guards}steps:\n  - {start}\n  - {ASKS}\n")
    process = begin(
        *["run", path, "--bench", bench.bench_file, "--serial", "S", "--accept-cautions"],
        *["--out", tmp_path / "out"],
    )
    journal = None
    until_s = time.monotonic() + 60.0
    while journal is None or '"step":"ask"' not in journal.read_text():
        assert time.monotonic() < until_s
        journal = next((tmp_path / "out").glob("*/journal.jsonl"), None)
        time.sleep(0.05)
    while process.poll() is None and time.monotonic() < until_s:
        bench.tell("clock", "DIAG:CLOC:ADV 120")
        time.sleep(0.1)
    assert process.poll() == 3  # nothing was typed, and the input is still open
    assert bench.is_safe
    out = process.stdout.read()
    # Warned, and asked again; then the end, each on a line of its own.
    assert out.count("Is it quiet? ") >= 2
    assert "\n  WARNING: heatsink temperature is " in out
    assert "\n  safe: generator output off, confirmed\n" in out
    assert "guard total_time: time the run has taken is " in out
