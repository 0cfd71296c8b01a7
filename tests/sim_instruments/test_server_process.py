"""The simulated bench as a program of its own: `python -m sim_instruments`."""

import json
import signal
import socket
import subprocess
import sys
import time

import numpy as np
import pytest
import pyvisa
import yaml

from sim_instruments.assembly import ROLES
from sim_instruments.bench_file import bench_entries, mapped_entries, to_text


@pytest.fixture(scope="module")
def visa():
    """The process's resource manager; shared, so it is not closed here."""
    return pyvisa.ResourceManager("@py")


@pytest.fixture
def start():
    """Starts benches with options and ends them after the test."""
    started = []

    def start(*options):
        process = subprocess.Popen(
            [sys.executable, "-m", "sim_instruments", *map(str, options)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(process)
        return process

    yield start
    for process in started:
        process.kill()
        process.communicate()


@pytest.fixture
def talk(visa):
    """Opens sessions by address and closes them after the test."""
    opened = []

    def talk(address, timeout_ms=5000):
        session = visa.open_resource(
            address,
            read_termination="\n",
            write_termination="\n",
            timeout=timeout_ms,
            open_timeout=2000,
        )
        opened.append(session)
        return session

    yield talk
    for session in opened:
        session.close()


def refusal(*options):
    done = subprocess.run(
        [sys.executable, "-m", "sim_instruments", *map(str, options)],
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


def test_a_session_from_start_to_sigterm(start, talk, tmp_path):
    """Addresses printed, bench file written, one amplifier measured, clean end."""
    bench_file, truth_file = tmp_path / "bench.yaml", tmp_path / "truth.json"
    process = start("--write-bench", bench_file, "--truth", truth_file)
    addresses = json.loads(process.stdout.readline())
    assert list(addresses) == list(ROLES)
    written = yaml.safe_load(bench_file.read_text(encoding="utf-8"))
    assert {r: e["address"] for r, e in written["instruments"].items()} == addresses
    assert written["clock"] == "simulated"
    assert json.loads(truth_file.read_text(encoding="utf-8"))

    sessions = {role: talk(address) for role, address in addresses.items()}
    for role, session in sessions.items():
        assert session.query("*IDN?").startswith(written["instruments"][role]["identity"])
    clock = talk(written["clock_address"])
    assert sessions["mains_switch"].query("OUTP ON;OUTP?") == "1"
    assert clock.query("DIAG:CLOC:ADV 60;*OPC?") == "1"
    assert sessions["generator"].query("FREQ 1000;:VOLT 0.1;:OUTP ON;:OUTP?") == "1"
    analyser = sessions["analyser"]
    analyser.write("VOLT:RANG 10;:SWE:POIN 9600;RATE 96000;:FORM REAL,32;:FORM:BORD NORM;:INIT")
    volts = analyser.query_binary_values("TRAC? CH1", datatype="f", is_big_endian=True)
    # 29.0 dB gain, 1 % for load, source and spread: the amplifier's nameplate, not a fine check.
    assert np.std(volts) == pytest.approx(0.1 * 10 ** (29.0 / 20), rel=0.02)
    for session in sessions.values():
        assert session.query("SYST:ERR?") == '0,"No error"'
    assert float(clock.query("DIAG:CLOC?")) == pytest.approx(60.1, rel=1e-6)

    process.send_signal(signal.SIGTERM)
    stdout, stderr = process.communicate(timeout=5)
    assert (process.returncode, stdout, stderr) == (0, "", "")


def test_sigint_ends_it_as_cleanly(start):
    process = start()
    process.stdout.readline()
    process.send_signal(signal.SIGINT)
    _, stderr = process.communicate(timeout=5)
    assert (process.returncode, stderr) == (0, "")


def test_the_same_seed_gives_the_same_readings(start, talk):
    readings = []
    for seed in (5, 5, 6):
        addresses = json.loads(start("--seed", seed).stdout.readline())
        dmm, switch = talk(addresses["dmm"]), talk(addresses["mains_switch"])
        switch.query("OUTP ON;OUTP?")
        readings.append(dmm.query("SAMP:COUN 5;:READ?"))
    assert readings[0] == readings[1]
    assert readings[1] != readings[2]


def test_ports_stand_in_a_row_from_their_base(start, tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as probe:
        base = probe.getsockname()[1]
    base = min(base, 65000)
    process = start("--port-base", base, "--write-bench", tmp_path / "bench.yaml")
    line = process.stdout.readline()
    if not line:  # another program had one of the eight ports
        pytest.skip(process.stderr.read())
    addresses = json.loads(line)
    assert list(addresses.values()) == [
        f"TCPIP::127.0.0.1::{base + offset}::SOCKET" for offset in range(7)
    ]
    written = yaml.safe_load((tmp_path / "bench.yaml").read_text(encoding="utf-8"))
    assert written["clock_address"] == f"TCPIP::127.0.0.1::{base + 7}::SOCKET"


def test_a_port_that_is_taken_is_refused():
    with socket.create_server(("127.0.0.1", 0)) as taken:
        code, stdout, stderr = refusal("--port-base", taken.getsockname()[1])
    assert (code, stdout) == (2, "")
    assert "--port-base" in stderr
    assert "Traceback" not in stderr


@pytest.mark.parametrize("base", [70000, 65530, -5])
def test_ports_that_do_not_exist_are_refused(base):
    code, stdout, stderr = refusal(f"--port-base={base}")
    assert (code, stdout) == (2, "")
    assert "Traceback" not in stderr


def test_an_unknown_fault_is_answered_with_the_known_ones():
    code, stdout, stderr = refusal("--fault", "gremlins")
    assert (code, stdout) == (2, "")
    assert "gremlins" in stderr
    assert "dried_reservoir" in stderr
    assert "Traceback" not in stderr


def test_a_file_that_cannot_be_written_is_refused(tmp_path):
    code, stdout, stderr = refusal("--write-bench", tmp_path / "missing" / "bench.yaml")
    assert (code, stdout) == (2, "")
    assert "Traceback" not in stderr


def test_a_fault_given_at_the_start_can_be_asked_for(start, talk):
    addresses = json.loads(start("--fault", "servo_open").stdout.readline())
    assert talk(addresses["dmm"]).query("DIAG:FAUL?") == '"servo_open"'


def test_in_real_time_the_clock_runs_by_itself_and_a_record_takes_its_time(start, talk, tmp_path):
    bench_file = tmp_path / "bench.yaml"
    addresses = json.loads(start("--real-time", "--write-bench", bench_file).stdout.readline())
    written = yaml.safe_load(bench_file.read_text(encoding="utf-8"))
    assert written["clock"] == "real"
    clock, analyser = talk(written["clock_address"]), talk(addresses["analyser"])
    assert clock.query("DIAG:CLOC:ADV 5;:SYST:ERR?") == '-221,"Settings conflict"'
    begin, before = time.monotonic(), float(clock.query("DIAG:CLOC?"))
    analyser.write("SWE:POIN 28800;RATE 96000;:INIT;*OPC?")
    during = float(clock.query("DIAG:CLOC?"))  # another client is served while the record runs
    assert analyser.read() == "1"
    elapsed, after = time.monotonic() - begin, float(clock.query("DIAG:CLOC?"))
    assert before < during < before + 0.3 <= after
    assert after - before == pytest.approx(elapsed, abs=0.1)


def test_the_plain_tongue_is_served_too(start, tmp_path):
    bench_file = tmp_path / "bench.yaml"
    process = start("--tongue", "plain", "--write-bench", bench_file)
    addresses = json.loads(process.stdout.readline())
    port = int(addresses["generator"].split("::")[2])
    with socket.create_connection(("127.0.0.1", port), timeout=5) as plugged:
        plugged.sendall(b"A1 -6\rA1 ?\r")
        received = b""
        while received.count(b"\r") < 2:
            received += plugged.recv(100)
    assert received == b"OK\r-6.0000 DBV\r"
    written = yaml.safe_load(bench_file.read_text(encoding="utf-8"))
    assert {entry["driver"] for entry in written["instruments"].values()} == {"mapped"}
    # The words beside each map are those of the vocabulary, read by an independent YAML library.
    maps = {role: entry["commands"] for role, entry in written["instruments"].items()}
    assert set(maps) == set(ROLES)
    assert maps["generator"]["write_termination"] == "CR"
    assert maps["generator"]["output_on"] == "MUTE OFF"
    assert maps["analyser"]["invalid_count"] == -2147483648
    assert maps["mains_switch"]["output_is_on"] == "0"


ADDRESSES = {name: f"TCPIP::127.0.0.1::{at}::SOCKET" for at, name in enumerate((*ROLES, "clock"))}


def test_the_bench_file_reads_back_as_what_was_meant():
    """Read by an independent YAML library: nothing turns into a number, a date or a truth value."""
    entries = bench_entries(ADDRESSES)
    read = yaml.load(to_text(entries), Loader=yaml.BaseLoader)
    expected = json.loads(json.dumps(entries), parse_int=str)
    assert read == expected
    typed = yaml.safe_load(to_text(entries))
    assert typed["router_channels"]["analyser_tap"] == 403
    assert typed["instruments"]["analyser"]["accuracy"]["distortion"] == "-115 dB"
    assert typed["generator_ceiling"] == "2 V"


@pytest.mark.parametrize("text", ["on", "1e3", "1:30", "a: b", "{x}", '"', "*IDN?", "\r", "~", ""])
def test_any_text_of_a_command_map_survives_the_file(text):
    commands = {"generator": {"identity": text, "levels": [text, 1, 2.5, True]}}
    entries = mapped_entries(bench_entries(ADDRESSES), commands)
    read = yaml.safe_load(to_text(entries))["instruments"]["generator"]
    assert read["commands"] == commands["generator"]
    assert read["driver"] == "mapped"


def test_start_up_takes_well_under_a_second(start):
    begin = time.monotonic()
    start().stdout.readline()
    assert time.monotonic() - begin < 3.0  # 0.2 s on an idle machine; this one is shared
