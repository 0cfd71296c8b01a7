"""What the manual says about fitting an instrument is tried to the letter.

The map and the class are taken out of README.md as they stand there, and drive the simulated bench.
What the tone source has been told is seen on a plain socket, in its own words
(sim_instruments/plain_words.py).
"""

import json
import re
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from drivers.roles import Role
from sequencer.bench import Bench, open_bench
from sequencer.bench_spec import load_bench
from sequencer.errors import BenchError

# Its runs are shared by many tests: one worker has them all.
pytestmark = pytest.mark.xdist_group("test_fitting")

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
PROCEDURE = """\
procedure: short_look
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: power_on, kind: power_on}
  - {id: warm, kind: warm_up, level: 1 W, time: 1 min}
  - {id: tone, kind: tone, level: 1 W, record: 0.5 s, limits: {gain: {min: 28 dB, max: 30 dB}}}
  - {id: power_off, kind: power_off}
"""


def shown(name: str) -> str:
    """The block of the manual that is marked by this name."""
    found = re.search(rf"<!-- {name} -->\n```\w*\n(.*?)```\n<!-- end -->", README, re.DOTALL)
    assert found is not None, name
    return found[1]


@pytest.fixture(scope="module")
def plain_bench(start_bench, tmp_path_factory):
    """The simulated bench whose tone source the manual's map describes."""
    bench = start_bench(tmp_path_factory.mktemp("plain"), ("--tongue", "plain"))
    yield bench
    bench.stop()


def bench_text(bench, role: str, entry: str) -> str:
    """The bench's own file, with one role's entry as the manual has it, at its address."""
    text = bench.bench_file.read_text(encoding="utf-8")
    lines = entry.removeprefix("instruments:\n")
    address = f"TCPIP::127.0.0.1::{bench.ports[role]}::SOCKET"
    lines = lines.replace("TCPIP::192.168.1.20::5025::SOCKET", address)
    parts = re.split(r"(?m)^(?=  [a-z_]+:$)", text)
    return "".join(lines if part.startswith(f"  {role}:\n") else part for part in parts)


@pytest.fixture
def fitted(plain_bench, tmp_path) -> Iterator[Bench]:
    path = tmp_path / "bench.yaml"
    path.write_text(bench_text(plain_bench, "generator", shown("map")), encoding="utf-8")
    with open_bench(load_bench(path), lambda _: None, lambda *_: None) as bench:
        yield bench


def said(bench, message: str) -> str:
    """What the tone source answers on a socket that is not ours."""
    with socket.create_connection(("127.0.0.1", bench.ports["generator"]), timeout=5) as line:
        line.sendall(message.encode("ascii") + b"\r")
        answer = b""
        while not answer.endswith(b"\r"):
            answer += line.recv(100)
    return answer.decode("ascii").strip()


def test_the_map_has_thirty_lines():
    map_lines = shown("map").partition("    commands:\n")[2].splitlines()
    assert len(map_lines) <= 30


def test_the_map_sets_what_it_is_told_and_reads_it_back(fitted, plain_bench):
    generator = fitted.generator
    assert generator.prepare().manufacturer == "Steadybench Simulated Tone Source"
    generator.set_sine(997.0, 0.5, offset_v=0.0025)
    # 20 lg 0.5 is -6.0206 dBV.
    told = [said(plain_bench, f"{word} ?") for word in ("WAVE", "F1", "A1", "DC", "MUTE")]
    assert told == ["SINE", "997.0000 HZ", "-6.0206 DBV", "2.5000 MV", "ON"]
    generator.set_output(True)
    assert said(plain_bench, "MUTE ?") == "OFF"
    generator.set_level(0.0)
    assert said(plain_bench, "A1 ?") == "-200.0000 DBV"
    generator.set_output(False)
    assert said(plain_bench, "MUTE ?") == "ON"
    assert (generator.source_impedance_ohm(), generator.assumed_load_ohm()) == (50.0, float("inf"))


def test_what_the_map_has_no_words_for_is_known_beforehand(fitted):
    assert fitted.spec.instruments[Role.GENERATOR].missing_operations == {
        "set_two_tone",
        "set_sweep",
        "start_sweep",
        "set_programme_noise",
    }


def test_a_map_that_lacks_something_is_refused_with_the_words_shown(plain_bench, tmp_path):
    entry = shown("map").replace("      output_off: MUTE ON\n", "")
    path = tmp_path / "bench.yaml"
    path.write_text(bench_text(plain_bench, "generator", entry), encoding="utf-8")
    with pytest.raises(BenchError) as caught:
        load_bench(path)
    (error,) = caught.value.errors
    place, _, words = shown("lacking").strip().partition(": ")
    assert words == error.message
    assert re.fullmatch(r"bench\.yaml:\d+:\d+", place)
    assert error.source_line.strip() == "commands:"


def test_what_a_map_lacks_is_left_out_with_a_word_and_the_rest_is_measured(
    plain_bench, steadybench, tmp_path
):
    text = plain_bench.bench_file.read_text(encoding="utf-8")
    lacking = ("read_resistance", "standby_", "ask_standby", "read_voltage", "voltage_field")
    lines = [line for line in text.splitlines() if not line.strip().startswith(lacking)]
    (tmp_path / "bench.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    steps = "steps:\n  - kind: load_check\n  - kind: standby_power\n"
    (tmp_path / "short.yaml").write_text(PROCEDURE.replace("steps:\n", steps), encoding="utf-8")
    done = steadybench(
        *("run", "short.yaml", "--bench", "bench.yaml", "--serial", "A-1", "--json"),
        *("--unattended", "--accept-cautions"),
    )
    told = {step["id"]: step for step in done.json()["steps"]}
    assert done.code == 0
    assert told["load_check"]["left_out"] == (
        "the bench has a dmm without read_resistance_ohm; nobody is there to read it, and the job "
        "ticket gives no load_resistance"
    )
    assert told["standby_power"]["left_out"] == "the bench has a mains_switch without set_standby"
    read = {reading["name"] for reading in told["power_on"]["readings"]}
    assert "mains_power" in read
    assert "mains_voltage" not in read


@pytest.fixture
def own_bench(shared_bench, tmp_path):
    """A bench whose thermometer is the manual's class, beside its probe."""
    (tmp_path / "probe.py").write_text(shown("driver"), encoding="utf-8")
    (tmp_path / "heatsink.txt").write_text("41250\n", encoding="utf-8")
    path = tmp_path / "bench.yaml"
    path.write_text(bench_text(shared_bench, "thermometer", shown("entry")), encoding="utf-8")
    (tmp_path / "short.yaml").write_text(PROCEDURE, encoding="utf-8")
    return tmp_path


def test_a_class_of_ones_own_plays_its_part_in_a_run(own_bench, steadybench):
    path = "import sys; sys.path.insert(0, '.');"
    done = steadybench(
        *("run", "short.yaml", "--bench", "bench.yaml", "--serial", "A-1", "--json"),
        *("--unattended", "--accept-cautions"),
        before=path,
    )
    summary = done.json()
    assert (done.code, summary["outcome"]) == (0, "pass")
    readings = {each["name"]: each for step in summary["steps"] for each in step["readings"]}
    assert readings["temperature"]["value"] == pytest.approx(41.25)
    # 0.5 K is the half-width of a rectangle: JCGM 100:2008, 4.3.7.
    assert readings["temperature"]["uncertainty"] == pytest.approx(0.5 / 3**0.5, rel=0.01)


def test_a_class_of_ones_own_is_not_asked_over_an_address_it_may_not_have(own_bench, steadybench):
    path = "import sys; sys.path.insert(0, '.');"
    done = steadybench("instruments", "--bench", "bench.yaml", "--json", before=path)
    states = {each["role"]: each["state"] for each in done.json()["instruments"]}
    assert states["thermometer"] == "not_asked"
    assert states["generator"] == "answers"


def test_a_class_that_lacks_a_method_is_refused_by_its_name(own_bench, steadybench):
    probe = own_bench / "probe.py"
    probe.write_text(shown("driver").replace("read_celsius", "read_kelvin"), encoding="utf-8")
    path = "import sys; sys.path.insert(0, '.');"
    done = steadybench("check", "short.yaml", "--bench", "bench.yaml", before=path)
    assert done.code == 2
    assert "bench.yaml" in done.err
    assert "read_celsius" in done.err


def test_the_commands_shown_are_there(steadybench, tmp_path):
    done = steadybench("schema", "command_map", "generator")
    assert done.code == 0
    properties = json.loads(done.out)["properties"]
    commands = yaml.safe_load(shown("map"))["instruments"]["generator"]["commands"]
    assert set(commands) <= set(properties)
