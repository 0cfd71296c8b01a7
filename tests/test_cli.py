"""The command line as a program: exit codes, what goes where, and a safe bench whatever happens."""

import hashlib
import json
import os
import signal
import socket
import subprocess
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import commands, run_command
from sequencer.errors import Interrupted, Stopped
from sequencer.reservation import reserved

# No tone where none is needed: its spectrum in the report takes a second to draw.
QUICK = """\
procedure: quick
title: a quick look
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - id: power_on
    kind: power_on
    limits:
      dc_offset: {within: 20 mV}
  - id: power_off
    kind: power_off
"""
TONE = QUICK.replace(
    "  - id: power_off",
    """\
  - id: tone
    kind: tone
    level: 1 W
    record: 0.5 s
    limits:
      gain: {nominal: 29 dB, tolerance: 0.5 dB}
  - id: power_off""",
)
LONG = QUICK.replace("kind: power_on\n", "kind: power_on\n    settle: 1 s\n").replace(
    "  - id: power_off", "  - {id: sit, kind: wait, time: 10 min}\n  - id: power_off"
)
ASKING = QUICK.replace(
    "  - id: power_off", "  - {id: ask, kind: question, text: Is it warm?}\n  - id: power_off"
)
ACCEPTED = ("--unattended", "--accept-cautions")


@pytest.fixture
def write(tmp_path):
    """Writes a procedure beside the test; returns its path."""

    def write(text, name="p.yaml"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.fixture
def quick(write):
    return write(QUICK)


@pytest.fixture
def tone(write):
    return write(TONE, "tone.yaml")


@pytest.fixture
def told(capsys, tmp_path, monkeypatch):
    """Runs a command within this process; gives exit code, standard output, standard error."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")

    def run(*arguments):
        code = run_command([str(each) for each in arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return run


@pytest.fixture
def here(told, finished):
    """Like the fixture steadybench, but within this process: no second of imports."""

    def run(*arguments):
        code, out, err = told(*arguments)
        assert "a fault in the program" not in err
        return finished(code, out, err)

    return run


class Listeners:
    """Ports where a bench file says that instruments are; counts who calls."""

    def __init__(self, folder, roles=("generator", "analyser", "dmm", "mains_switch")):
        self.calls = 0
        self._sockets = [socket.create_server(("127.0.0.1", 0)) for _ in roles]
        lines = ["bench: listeners", "generator_ceiling: 2 V", "independent_means: [nobody]"]
        lines += ["load: {resistance: 8 ohm, continuous_power: 200 W}", "instruments:"]
        for role, each in zip(roles, self._sockets, strict=True):
            lines += [
                f"  {role}:",
                f"    address: TCPIP::127.0.0.1::{each.getsockname()[1]}::SOCKET",
            ]
            if role == "analyser":
                lines += ["    ranges: [1 V, 100 V]", "    sample_rates: [48 kHz, 192 kHz]"]
        self.bench_file = folder / "listeners.yaml"
        self.bench_file.write_text("\n".join(lines) + "\n", encoding="utf-8")
        self._threads = [
            threading.Thread(target=self._count, args=(each,), daemon=True)
            for each in self._sockets
        ]
        for thread in self._threads:
            thread.start()

    def _count(self, listener):
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            self.calls += 1
            connection.close()

    def stop(self):
        for each in self._sockets:
            each.shutdown(socket.SHUT_RDWR)
            each.close()
        for thread in self._threads:
            thread.join(5)


@pytest.fixture
def listeners(tmp_path):
    found = Listeners(tmp_path)
    yield found
    found.stop()


def _run_folder(out: Path) -> Path:
    (folder,) = [each for each in out.iterdir() if each.is_dir()]
    return folder


def _journal(folder: Path) -> list[dict[str, Any]]:
    """The lines of a journal, whose chain must be whole."""
    prev, lines = "0" * 64, []
    for line in (folder / "journal.jsonl").read_bytes().splitlines():
        lines.append(json.loads(line))
        assert lines[-1]["prev"] == prev
        prev = hashlib.sha256(line).hexdigest()
    return lines


def _until(is_so, seconds=20.0):
    """Wait until something is so; polls."""
    end = time.monotonic() + seconds
    while not is_so():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.01)


# 0 and 1: measured.


def test_0_when_every_limit_is_met(steadybench, shared_bench, tone, tmp_path):
    done = steadybench(
        "run", tone, "--bench", shared_bench.bench_file, "--serial", "A-1", *ACCEPTED
    )
    assert done.code == 0
    assert "PASSED" in done.out
    folder = _run_folder(tmp_path / "runs")  # the default place
    assert {each.name for each in folder.iterdir()} == {
        "journal.jsonl",
        "captures",
        "procedure.yaml",
        "bench.yaml",
        "summary.json",
        "report.html",
    }
    assert str(folder / "report.html") in str(
        tmp_path / done.out.splitlines()[-1].split(": ", 1)[1]
    )
    assert shared_bench.is_safe


def test_1_when_a_limit_is_not_met(steadybench, shared_bench, write, tmp_path):
    procedure = write(QUICK.replace("within: 20 mV", "within: 1 uV"))
    bench = ("--bench", shared_bench.bench_file)
    done = steadybench("run", procedure, *bench, "--serial", "A-1", *ACCEPTED, "--json")
    assert done.code == 1
    summary = done.json()
    assert summary["outcome"] == "fail"
    assert [step["verdict"] for step in summary["steps"]] == ["fail", "info"]
    assert shared_bench.is_safe


@pytest.mark.parametrize(("kind", "words"), [("DROPPED", "missing"), ("NAN", "number")])
def test_1_when_a_limit_can_t_be_judged(here, new_bench, write, kind, words):
    bench = new_bench()
    # 1/50 of the samples is lost: of 0.53 s that is 10.6 periods of 1 kHz, so a jump of phase.
    procedure = write(TONE.replace("record: 0.5 s", "record: 0.53 s"))
    bench.disturb("analyser", kind, 50)
    command = ("run", procedure, "--bench", bench.bench_file, "--serial", "A-1", *ACCEPTED)
    done = here(*command, "--json")
    assert done.code == 1
    gain = next(r for r in done.json()["steps"][1]["readings"] if r["name"] == "gain")
    assert (gain["value"], gain["verdict"]) == (None, "no_reading")
    assert words in gain["reason"]
    assert bench.is_safe


def test_a_fault_of_the_unit_is_measured(here, new_bench, quick):
    # Servo dead: 85 mV raw offset stays (device model, section 6), beyond 20 mV, below the stop.
    bench = new_bench("--fault", "servo_open")
    done = here("run", quick, "--bench", bench.bench_file, "--serial", "A-1", *ACCEPTED, "--json")
    assert done.code == 1
    dc = done.json()["steps"][0]["readings"][0]
    assert dc["name"] == "dc_offset"
    assert dc["value"] == pytest.approx(85e-3, rel=0.06)
    assert dc["verdict"] == "fail"


# 2: refused, nothing energised, no instrument opened.

MISTAKES_OF_A_PROCEDURE = {
    "no unit": ("level: 1 W", "level: 1", "has no unit"),
    "unknown key": ("level: 1 W", "levle: 1 W", "did you mean"),
    "unknown kind": ("kind: tone", "kind: tune", "did you mean"),
    "the same id twice": ("id: tone", "id: power_on", "power_on"),
    "more than the generator may": ("level: 1 W", "level: 400 W", "ceiling"),
}


@pytest.mark.parametrize("name", MISTAKES_OF_A_PROCEDURE)
@pytest.mark.parametrize("command", ["run", "pair", "check"])
def test_2_for_a_mistake_in_the_procedure(told, listeners, write, tmp_path, name, command):
    right, wrong, words = MISTAKES_OF_A_PROCEDURE[name]
    procedure = write(TONE.replace(right, wrong))
    serials = {"run": ["--serial", "A"], "pair": ["--serial", "A", "--serial", "B"], "check": []}
    accepted = [] if command == "check" else [*ACCEPTED, "--out", tmp_path / "out"]
    code, out, err = told(
        command, procedure, "--bench", listeners.bench_file, *serials[command], *accepted
    )
    assert code == 2
    assert out == ""
    assert words in err
    place, source = err.splitlines()[:2]
    assert place.startswith(f"{procedure}:")
    line, column = (int(each) for each in place.split(":")[1:3])
    assert procedure.read_text().splitlines()[line - 1].strip() == source.strip()
    assert column >= 1
    assert listeners.calls == 0
    assert not (tmp_path / "out").exists()


def test_2_for_a_mistake_in_the_bench_file(told, listeners, quick):
    text = listeners.bench_file.read_text().replace(
        "generator_ceiling: 2 V", "generator_ceiling: 2"
    )
    listeners.bench_file.write_text(text)
    code, out, err = told("run", quick, "--bench", listeners.bench_file, "--serial", "A", *ACCEPTED)
    assert (code, out) == (2, "")
    assert err.startswith(f"{listeners.bench_file}:2:20: generator_ceiling: 2 has no unit; write")
    assert listeners.calls == 0


def test_2_as_a_process_with_the_refusal_as_json(steadybench, listeners, write):
    procedure = write(TONE.replace("level: 1 W", "level: 1"))
    done = steadybench(
        "run", procedure, "--bench", listeners.bench_file, "--serial", "A", *ACCEPTED, "--json"
    )
    assert done.code == 2
    refusal = done.json()
    assert refusal.keys() == {"refused", "reason", "errors"}
    assert refusal["refused"] == "procedure"
    (error,) = refusal["errors"]
    assert error.keys() == {"file", "line", "column", "message"}
    assert (error["file"], error["line"], error["column"]) == (str(procedure), 11, 12)
    assert "has no unit" in error["message"]
    assert "has no unit" in done.err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "see steadybench --help"),
        (["rnu"], "rnu"),
        (["run"], "PROCEDURE"),
        (["run", "rated_power", "--serial", "A"], "--bench"),
        (["run", "rated_power", "--bench", "sim"], "--serial"),
        (["run", "rated_power", "--bench", "sim", "--serial", ""], "--serial is empty"),
        (["run", "rated_power", "--bench", "sim", "--serial", "A", "--unatended"], "--unattended"),
        (["run", "rated_powr", "--bench", "sim", "--serial", "A"], "rated_power"),
        (["run", "none.yaml", "--bench", "sim", "--serial", "A"], "no such file"),
        (["run", "rated_power", "--bench", "none.yaml", "--serial", "A"], "no such file"),
        (["run", "rated_power", "--bench", "Sim", "--serial", "A"], "sim"),
        (["run", "rated_power", "--bench", "sim", "--serial", "A", "--with", "x"], "NAME=QUANTITY"),
        (
            ["run", "rated_power", "--bench", "sim", "--serial", "A", "--with", "warm_pu=1 s"],
            "warm_up",
        ),
        (
            ["run", "rated_power", "--bench", "sim", "--serial", "A", "--with", "warm_up=5"],
            "has no unit",
        ),
        (
            ["run", "rated_power", "--bench", "sim", "--serial", "A", "--ticket", "no.yaml"],
            "no.yaml",
        ),
        (["pair", "rated_power", "--bench", "sim", "--serial", "A"], "two different --serial"),
        (
            ["pair", "rated_power", "--bench", "sim", "--serial", "A", "--serial", "A"],
            "two different --serial",
        ),
        (["check", "rated_powr"], "rated_power"),
        (["report", "nowhere"], "holds no record"),
    ],
)
@pytest.mark.parametrize("as_json", [False, True])
def test_2_for_a_wrong_argument_with_the_nearest_right_one(told, arguments, words, as_json):
    code, out, err = told(*arguments, *(["--json"] if as_json else []))
    if not arguments and not as_json:
        assert code == 2
        assert err.startswith("Usage: steadybench [OPTIONS] COMMAND [ARGS]...\n\n  Bench tests")
        return
    assert code == 2
    assert words in err or (as_json and arguments[:1] == ["report"]), err
    if as_json and arguments[:1] not in ([], ["rnu"], ["report"]):
        assert json.loads(out)["refused"]
    if not as_json:
        assert out == ""


@pytest.mark.parametrize("says", ["no\n", "", "yes\nno\n", "\n"])
def test_2_when_a_caution_is_not_accepted(steadybench, listeners, quick, says):
    done = steadybench("run", quick, "--bench", listeners.bench_file, "--serial", "A", says=says)
    assert done.code == 2
    assert "nothing was switched on" in done.err
    assert "Mains voltage can kill" in done.out or says != "yes\nno\n"
    assert listeners.calls == 0


def test_2_when_the_procedure_of_the_bench_s_floor_is_run_on_a_unit(told, listeners):
    arguments = ("--bench", listeners.bench_file, "--serial", "A", *ACCEPTED)
    code, _, err = told("run", "bench_floor", *arguments)
    assert code == 2
    assert "measures the bench and no unit" in err
    assert "steadybench floor --bench" in err
    assert listeners.calls == 0


def test_a_typo_in_accepting_a_caution_is_asked_again(steadybench, listeners, quick):
    says = "yse\n\n\x1b[31myes\nno\n"
    done = steadybench("run", quick, "--bench", listeners.bench_file, "--serial", "A", says=says)
    assert done.out.count("CAUTION") == 1
    assert done.out.count("Write yes or no") == 3
    assert "\x1b[31m" not in done.out
    assert done.code == 2  # at the "no"


def test_2_when_unattended_and_nobody_accepted_the_cautions(told, listeners, quick):
    code, out, err = told(
        "run", quick, "--bench", listeners.bench_file, "--serial", "A", "--unattended", "--json"
    )
    assert code == 2
    assert json.loads(out)["refused"] == "cautions"
    assert "--accept-cautions" in err
    assert listeners.calls == 0


def test_2_when_an_unattended_run_would_ask(told, listeners, write):
    code, _, err = told(
        "run", write(ASKING), "--bench", listeners.bench_file, "--serial", "A", *ACCEPTED
    )
    assert code == 2
    assert "step ask" in err
    assert listeners.calls == 0


def test_2_when_another_run_holds_the_bench(here, listeners, quick):
    text = listeners.bench_file.read_text()
    address = next(part for part in text.split() if part.startswith("TCPIP"))
    with reserved([address], "burn_in on S-9"):
        done = here(
            "run", quick, "--bench", listeners.bench_file, "--serial", "A", *ACCEPTED, "--json"
        )
    assert done.code == 2
    assert done.json()["refused"] == "held"
    assert "burn_in on S-9" in done.err
    assert listeners.calls == 0


def test_2_when_a_run_holds_the_bench_whose_instruments_are_asked(told, shared_bench):
    text = shared_bench.bench_file.read_text()
    addresses = [part for part in text.split() if part.startswith("TCPIP")]
    ask = ("instruments", "--bench", shared_bench.bench_file, "--json")
    assert told(*ask)[0] == 0
    with reserved(addresses, "burn_in on S-9"):
        code, out, err = told(*ask)
    assert code == 2
    assert {each["state"] for each in json.loads(out)["instruments"]} == {"in_use"}
    assert "not every instrument was asked" in err
    assert "burn_in on S-9" in err


def test_2_when_another_instrument_answers(here, shared_bench, quick, tmp_path):
    text = shared_bench.bench_file.read_text().replace(
        "Steadybench Simulated,Multimeter", "Other Maker,Meter"
    )
    bench = tmp_path / "other.yaml"
    bench.write_text(text)
    done = here("run", quick, "--bench", bench, "--serial", "A", *ACCEPTED, "--json")
    assert done.code == 2
    assert "Other Maker" in done.json()["reason"]
    assert shared_bench.is_safe


# 3: stopped, and the bench made safe.


def test_3_when_the_dc_is_too_much_for_the_load(here, new_bench, quick, tmp_path):
    bench = new_bench("--fault", "servo_open:large")  # 1.6 x 85 mV = 136 mV, above the stop
    done = here("run", quick, "--bench", bench.bench_file, "--serial", "A", *ACCEPTED, "--json")
    assert done.code == 3
    assert done.json()["outcome"] == "stopped"
    assert "DC at the output" in done.json()["cause"]
    assert bench.ask("router", "ROUT:CLOS? (@201)") == "0"
    assert bench.is_safe


@pytest.mark.parametrize("role", ["analyser", "dmm"])
def test_3_when_an_instrument_no_longer_answers(steadybench, new_bench, quick, role):
    bench = new_bench()
    text = bench.bench_file.read_text().replace("timeout: 5 s", "timeout: 0.3 s")
    bench.bench_file.write_text(text.replace("timeout: 2 s", "timeout: 0.3 s"))
    bench.disturb(role, "TIMEOUT", 1000)
    done = steadybench("run", quick, "--bench", bench.bench_file, "--serial", "A", *ACCEPTED)
    assert done.code == 3
    assert "no answer within" in done.out
    assert role in done.out
    assert bench.is_safe


def test_3_when_nothing_listens_where_the_bench_file_says(steadybench, new_bench, quick):
    bench = new_bench()
    bench.stop()
    done = steadybench("run", quick, "--bench", bench.bench_file, "--serial", "A", *ACCEPTED)
    assert done.code == 3
    assert "NOT confirmed off" in done.out


def test_3_when_the_record_can_t_be_written(steadybench, shared_bench, quick, tmp_path):
    """A file system that takes no more: the bench is made safe and the reason told."""
    command = ("run", quick, "--bench", shared_bench.bench_file, "--serial", "A", *ACCEPTED)
    small = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (9000, 9000)); "
    done = steadybench(*command, before=small)
    assert done.code == 3
    assert "could not be written" in done.out + done.err
    assert shared_bench.is_safe


# 130 and 143: interrupted, and the bench made safe.


# The mains' rest before they come on is a minute; nothing here is about it.
WITHOUT_REST = "import sequencer.access; sequencer.access.MAINS_OFF_TIME_S = 0.0\n"


@pytest.fixture(scope="module")
def live_bench(start_bench, tmp_path_factory):
    """A bench whose time is real, so that a run can be interrupted in the middle."""
    bench = start_bench(tmp_path_factory.mktemp("live"), ["--real-time"])
    yield bench
    bench.stop()


@pytest.fixture
def sitting(begin, live_bench, write, tmp_path):
    """A run that sits in a long wait with everything switched on."""
    command = ("run", write(LONG), "--bench", live_bench.bench_file, "--serial", "A", *ACCEPTED)
    process = begin(*command, "--json", before=WITHOUT_REST)
    _until(lambda: live_bench.ask("mains_switch", "OUTP?") == "1")
    _until(lambda: '"step":"sit"' in _text(tmp_path / "runs"))
    assert live_bench.ask("generator", "OUTP?") == "1"
    return process


def _text(out: Path) -> str:
    return "".join(each.read_text() for each in out.glob("*/journal.jsonl"))


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129)]
)
def test_a_signal_ends_the_run_safely(sitting, live_bench, tmp_path, number, code):
    sitting.send_signal(number)
    out, err = sitting.communicate(timeout=20)
    assert sitting.returncode == code
    assert live_bench.is_safe
    summary = json.loads(out)
    assert summary["outcome"] == "interrupted"
    assert "Traceback" not in err
    lines = _journal(_run_folder(tmp_path / "runs"))
    assert [line["event"] for line in lines[-2:]] == ["made_safe", "run_finished"]


def test_a_second_ctrl_c_changes_nothing_about_the_safe_end(sitting, live_bench, tmp_path):
    for _ in range(20):
        if sitting.poll() is None:
            sitting.send_signal(signal.SIGINT)
            time.sleep(0.002)
    sitting.communicate(timeout=20)
    assert sitting.returncode == 130
    assert live_bench.is_safe
    assert _journal(_run_folder(tmp_path / "runs"))[-1]["event"] == "run_finished"


def test_the_mains_are_off_within_5_s_also_when_the_generator_hangs(sitting, live_bench):
    live_bench.disturb("generator", "TIMEOUT", 1000)
    try:
        begun = time.monotonic()
        sitting.send_signal(signal.SIGTERM)
        _until(lambda: live_bench.ask("mains_switch", "OUTP?") == "0", seconds=10)
        assert time.monotonic() - begun < 5.0
        _, err = sitting.communicate(timeout=40)
        assert sitting.returncode == 143
        assert "generator output NOT confirmed off: switch it off by hand" in err
    finally:
        live_bench.tell("clock", 'DIAG:INST:DIST "generator",NONE')
    assert live_bench.is_safe


SLOW_REPORT = """\
import time, sequencer.session
write = sequencer.session.write_run_report
sequencer.session.write_run_report = lambda record: (time.sleep(60), write(record))
"""


def test_a_signal_while_the_report_is_written_says_how_to_write_it_later(
    steadybench, begin, live_bench, write, tmp_path
):
    command = ("run", write(QUICK), "--bench", live_bench.bench_file, "--serial", "A", *ACCEPTED)
    process = begin(*command, before=WITHOUT_REST + SLOW_REPORT)
    _until(lambda: list((tmp_path / "runs").glob("*/summary.json")))
    process.send_signal(signal.SIGTERM)
    _, err = process.communicate(timeout=20)
    assert process.returncode == 143
    folder = _run_folder(tmp_path / "runs")
    assert f"steadybench report {folder}" in err.replace("runs/", f"{tmp_path}/runs/")
    assert not (folder / "report.html").exists()
    assert steadybench("report", folder).code == 0
    assert (folder / "report.html").exists()


def test_a_signal_while_an_answer_is_awaited_ends_the_run_safely(
    begin, live_bench, write, tmp_path
):
    live_bench.disturb("analyser", "TIMEOUT", 1000)
    try:
        command = ("run", write(LONG), "--bench", live_bench.bench_file, "--serial", "A", *ACCEPTED)
        process = begin(*command)
        _until(lambda: "*IDN?" in _text(tmp_path / "runs"))
        time.sleep(0.2)  # the analyser's 5 s of patience have begun
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=20)
        assert process.returncode == 143
    finally:
        live_bench.tell("clock", 'DIAG:INST:DIST "analyser",NONE')
    assert live_bench.is_safe


def test_ctrl_c_at_a_terminal_leaves_the_simulated_bench_there_to_be_made_safe(
    write, tmp_path, shell
):
    """The terminal sends SIGINT to every process of its group; the bench is in one of its own."""
    command = ("run", write(ASKING), "--bench", "sim", "--serial", "A", "--accept-cautions")
    process = subprocess.Popen(
        shell.line(command),
        cwd=tmp_path,
        env=shell.environment(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        _until(lambda: '"step":"ask"' in _text(tmp_path / "runs"))
        os.killpg(process.pid, signal.SIGINT)
        _, err = process.communicate(timeout=20)
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()
    assert process.returncode == 130, err
    lines = _journal(_run_folder(tmp_path / "runs"))
    made_safe = next(line for line in lines if line["event"] == "made_safe")
    assert [action["is_confirmed"] for action in made_safe["actions"]] == [True] * 4


# What goes where.


def test_json_is_all_there_is_on_standard_output(steadybench, shared_bench, tone, tmp_path):
    done = steadybench(
        "run",
        tone,
        *("--bench", shared_bench.bench_file, "--serial", "S-1", "--model", "M 100"),
        *(*ACCEPTED, "--json"),
    )
    summary = done.json()
    keys = {"outcome", "procedure", "serial", "model", "stage", "started", "run", "steps"}
    assert keys <= summary.keys()
    assert (summary["serial"], summary["model"], summary["procedure"]) == ("S-1", "M 100", "quick")
    assert "PASSED" in done.err
    assert json.loads((tmp_path / summary["run"] / "summary.json").read_text()) == summary
    for step in summary["steps"]:
        for reading in step["readings"]:
            assert reading.keys() >= {
                "name",
                "value",
                "unit",
                "uncertainty",
                "limits",
                "verdict",
                "noise_limited",
                "upper_bound",
            }


def test_a_pair_as_json(here, shared_bench, tone, tmp_path):
    done = here(
        "pair",
        tone,
        *("--bench", shared_bench.bench_file, "--serial", "A", "--serial", "B"),
        *(*ACCEPTED, "--json", "--out", tmp_path / "out"),
    )
    assert done.code == 0
    result = done.json()
    assert {"outcome", "runs", "match"} <= result.keys()
    assert [run["serial"] for run in result["runs"]] == ["A", "B"]
    gain = next(entry for entry in result["match"] if entry["name"] == "gain")
    assert gain.keys() >= {"name", "step", "values", "difference", "unit", "limits", "verdict"}
    assert gain["difference"] == pytest.approx(abs(gain["values"][0] - gain["values"][1]))
    folder = _run_folder(tmp_path / "out")
    assert json.loads((folder / "match.json").read_text())["match"] == result["match"]
    assert (folder / "report.html").is_file()
    runs = [Path(run["run"]) for run in result["runs"]]
    assert all((run / "journal.jsonl").is_file() and run.parent == folder for run in runs)


def test_check_tells_what_will_happen_and_opens_nothing(told, listeners, quick):
    code, out, _ = told("check", quick, "--bench", listeners.bench_file)
    assert code == 0
    assert "switches the mains on" in out
    assert "nothing was switched on" in out
    assert "no calibration date; results are indicative" in out
    code, out, _ = told("check", quick, "--bench", listeners.bench_file, "--json")
    told_json = json.loads(out)
    assert [step["id"] for step in told_json["steps"]] == ["power_on", "power_off"]
    assert told_json["estimate_s"] > 10.0
    assert listeners.calls == 0


def test_check_without_a_bench_checks_the_procedure_alone(told, quick):
    code, out, _ = told("check", quick)
    assert code == 0
    assert "sound" in out


def test_an_attended_run_asks_the_cautions_and_records_who_accepted(
    steadybench, shared_bench, write, tmp_path
):
    done = steadybench(
        "run",
        write(ASKING),
        *("--bench", shared_bench.bench_file, "--serial", "A"),
        says="yes\n" * 5 + "quite \x1b[31mwarm\n",
    )
    assert done.code == 0
    assert done.out.count("Accepted? [yes/no]") == 5
    lines = _journal(_run_folder(tmp_path / "runs"))
    assert sum(line["event"] == "caution_accepted" for line in lines) == 5
    (answer,) = [line for line in lines if line["event"] == "answered"]
    assert answer["question"] == "Is it warm?"
    assert "\x1b[31m" not in done.out


def test_the_bench_file_can_record_the_acceptance(here, shared_bench, quick, tmp_path):
    bench = tmp_path / "accepted.yaml"
    acceptance = "cautions_accepted: {by: the workshop, when: 2026-01-05}\n"
    bench.write_text(acceptance + shared_bench.bench_file.read_text())
    done = here("run", quick, "--bench", bench, "--serial", "A", "--unattended")
    assert done.code == 0
    lines = _journal(_run_folder(tmp_path / "runs"))
    accepted = [line["accepted_by"] for line in lines if line["event"] == "caution_accepted"]
    assert accepted
    assert all("the workshop" in name for name in accepted)


def test_the_journal_tells_of_energising_before_each_command_that_energises(
    here, shared_bench, quick, tmp_path
):
    here("run", quick, "--bench", shared_bench.bench_file, "--serial", "A", *ACCEPTED)
    lines = _journal(_run_folder(tmp_path / "runs"))
    switched = [
        number
        for number, line in enumerate(lines)
        if line["event"] == "exchanged" and line["command"].startswith("OUTP ON")
    ]
    assert len(switched) == 2  # generator and mains, each once
    for number in switched:
        assert lines[number - 1]["event"] == "energising"


@pytest.mark.parametrize(
    "serial",
    ["../../outside", "/abs/olute", "a\nb", "\x1b[31mred\x1b]0;t\x07", "x" * 5000, "..", "[bold]b"],
)
def test_a_serial_can_t_leave_the_folder_or_reach_the_terminal_raw(
    here, shared_bench, quick, tmp_path, serial
):
    out = tmp_path / "deep" / "out"
    done = here(
        "run",
        quick,
        "--bench",
        shared_bench.bench_file,
        "--serial",
        serial,
        *ACCEPTED,
        "--out",
        out,
    )
    assert done.code in (0, 2)
    assert "\x1b" not in done.out + done.err
    assert "\x07" not in done.out + done.err
    if (tmp_path / "deep").exists():
        assert [each.name for each in (tmp_path / "deep").iterdir()] == ["out"]
    if done.code == 0:
        assert _run_folder(out).parent == out
        if serial == "[bold]b":
            assert "[bold]b" in done.out


def test_a_path_with_brackets_is_told_as_it_is(here, shared_bench, quick, tmp_path):
    out = tmp_path / "[red]runs"
    done = here(
        "run", quick, "--bench", shared_bench.bench_file, "--serial", "A", *ACCEPTED, "--out", out
    )
    assert Path(done.out.splitlines()[-1].removeprefix("report: ")).is_file()


def test_a_ticket_names_the_unit_and_its_data_go_before_the_procedure_s(
    here, shared_bench, tone, tmp_path
):
    ticket = tmp_path / "ticket.yaml"
    ticket.write_text("model: Mono 100\nstage: as_found\nunit: {gain: 35 dB}\n")
    done = here(
        "run",
        tone,
        *("--bench", shared_bench.bench_file, "--serial", "A", "--ticket", ticket),
        *(*ACCEPTED, "--json"),
    )
    assert done.code == 3  # 29 dB where the ticket promises 35 dB: wired wrong
    summary = done.json()
    assert (summary["model"], summary["stage"]) == ("Mono 100", "as_found")
    assert "35.0 dB is expected" in summary["cause"]


def test_when_nobody_reads_the_output_any_more_the_run_goes_on(
    begin, shared_bench, quick, tmp_path
):
    process = begin("run", quick, "--bench", shared_bench.bench_file, "--serial", "A", *ACCEPTED)
    process.stdout.readline()
    process.stdout.close()
    process.stdout = None
    _, err = process.communicate(timeout=30)
    summary = json.loads((_run_folder(tmp_path / "runs") / "summary.json").read_text())
    assert summary["outcome"] == "pass"
    assert process.returncode == 0
    assert err == ""


@pytest.mark.parametrize(
    ("arguments", "code"),
    [(["schema", "procedure"], 0), (["--help"], 0), (["verify", "altered"], 1), (["rnu"], 2)],
)
def test_a_reader_who_has_gone_does_not_change_the_exit_code(
    here, shell, shared_bench, quick, tmp_path, arguments, code
):
    if "altered" in arguments:
        out = tmp_path / "out"
        here(
            *("run", quick, "--bench", shared_bench.bench_file, "--serial", "A", *ACCEPTED),
            *("--out", out),
        )
        _run_folder(out).rename(tmp_path / "altered")
        journal = tmp_path / "altered" / "journal.jsonl"
        journal.write_text(journal.read_text().replace('"A"', '"B"', 1))
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = subprocess.run(
            shell.line(arguments),
            cwd=tmp_path,
            env=shell.environment(),
            stdin=subprocess.DEVNULL,
            stdout=writer,
            stderr=writer if code == 2 else subprocess.PIPE,
            check=False,
        )
    finally:
        os.close(writer)
    assert done.returncode == code, done.stderr
    assert not done.stderr


@pytest.mark.parametrize(
    "arguments",
    [["--help"], ["run", "--help"], ["schema"], ["schema", "--json"], ["check", "dc_offset"]],
)
def test_a_result_that_can_t_be_written_is_told_in_one_sentence(shell, tmp_path, arguments):
    """/dev/full answers every write with ENOSPC (full(4))."""
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            shell.line(arguments),
            cwd=tmp_path,
            env=shell.environment(),
            stdin=subprocess.DEVNULL,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert line == "the result could not be written to standard output: No space left on device"


@pytest.mark.parametrize(
    ("error", "code", "outcome"),
    [
        (Stopped("the summary could not be written"), 3, "stopped"),
        (Interrupted(signal.SIGTERM), 143, "interrupted"),
        (KeyboardInterrupt(), 130, "interrupted"),
        (ZeroDivisionError("division by zero"), 3, "stopped"),
    ],
)
def test_json_is_one_object_also_when_a_run_has_no_result(
    told, quick, monkeypatch, error, code, outcome
):
    def fail(*_, **__):
        raise error

    monkeypatch.setattr("sequencer.pairing.run_units", fail)
    monkeypatch.delenv("STEADYBENCH_TRACEBACK", raising=False)
    got, out, err = told("run", quick, "--bench", "sim", "--serial", "A", *ACCEPTED, "--json")
    found = json.loads(out)
    assert (got, found["outcome"]) == (code, outcome)
    assert found["cause"]
    assert err


def test_a_rejudgement_that_can_t_be_written_is_one_refusal(
    here, shared_bench, quick, tmp_path, told
):
    here("run", quick, "--bench", shared_bench.bench_file, "--serial", "A", *ACCEPTED)
    blocked = tmp_path / "a_file"
    blocked.write_text("in the way")
    folder = _run_folder(tmp_path / "runs")
    code, out, _ = told("rejudge", folder, "--out", blocked / "below", "--json")
    assert code != 0
    assert json.loads(out).keys() & {"refused", "cause"}


def test_a_report_can_be_written_again(here, shared_bench, tone, tmp_path, told):
    here("run", tone, "--bench", shared_bench.bench_file, "--serial", "A", *ACCEPTED)
    folder = _run_folder(tmp_path / "runs")
    before = (folder / "report.html").read_text()
    (folder / "report.html").unlink()
    code, out, _ = told("report", folder)
    assert code == 0
    assert Path(out.strip()) == folder / "report.html"
    assert (folder / "report.html").read_text() == before
    assert "record was altered" not in before


def test_the_report_of_an_altered_record_says_so(here, shared_bench, tone, tmp_path, told):
    here("run", tone, "--bench", shared_bench.bench_file, "--serial", "A", *ACCEPTED)
    folder = _run_folder(tmp_path / "runs")
    journal = folder / "journal.jsonl"
    journal.write_text(journal.read_text().replace('"serial":"A"', '"serial":"B"'))
    code, out, err = told("report", folder)
    assert code == 1
    assert Path(out.strip()) == folder / "report.html"
    assert "THE RECORD WAS ALTERED" in err
    assert "was changed" in err
    text = (folder / "report.html").read_text()
    assert text.index("The record was altered") < text.index("was changed") < text.index("<h2>")


# Help.


@pytest.mark.parametrize("command", [(), *((name,) for name in commands.commands)])
def test_every_command_and_option_has_help(told, command):
    code, out, err = told(*command, "--help")
    assert (code, err) == (0, "")
    assert "Usage: steadybench" in out
    if command:
        found = commands.commands[command[0]]
        assert found.help
        for parameter in found.params:
            if parameter.param_type_name == "option":
                assert getattr(parameter, "help", None), f"{command[0]} {parameter.name}"


def test_the_version_is_told(told):
    from sequencer import __version__

    code, out, _ = told("--version")
    assert code == 0
    assert __version__ in out
