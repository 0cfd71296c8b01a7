"""`steadybench measure` as outside programs and people call it."""

import json
import math
import re
import shlex
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from scipy.io import wavfile

from sequencer.cli import commands, run_command

README = Path(__file__).resolve().parent.parent / "README.md"
CONTRACT_KEYS = ["analysis", "file", "sample_rate", "samples", "readings", "flags"]
RATE = 48000


def tone(level=0.5, frequency=997.0, seconds=1.0):
    time = np.arange(round(RATE * seconds)) / RATE
    noise = np.random.default_rng(1).normal(0, 1e-5, time.size)
    return math.sqrt(2) * level * np.cos(2 * np.pi * frequency * time) + noise


def write_tone(path, **changed):
    wavfile.write(path, RATE, np.round(tone(**changed) * 2**31).astype(np.int32))


def write_settling(path):
    rng = np.random.default_rng(2)
    time = np.arange(32000) / 8000
    volts = np.where(time < 0.5, 0.0, 0.3 * np.exp(-(time - 0.5) / 0.6)) + rng.normal(
        0, 1e-4, time.size
    )
    lines = ["time,volts", *(f"{t:.9g},{v:.9g}" for t, v in zip(time, volts, strict=True))]
    path.write_text("\n".join(lines) + "\n")


@pytest.fixture
def told(capsys):
    """Runs a command within this process; gives exit code, standard output, standard error."""

    def run(*arguments):
        code = run_command([str(each) for each in arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return run


@pytest.fixture
def wav(tmp_path):
    write_tone(tmp_path / "tone.wav")
    return tmp_path / "tone.wav"


def test_one_json_object_and_nothing_else(told, wav):
    code, out, err = told("measure", wav, "--as", "tone", "--json")
    assert (code, err) == (0, "")
    assert out.count("\n") == 1
    found = json.loads(out)
    assert list(found) == CONTRACT_KEYS
    assert found["analysis"] == "tone"
    assert found["file"] == str(wav)
    assert found["sample_rate"] == RATE
    assert found["readings"]["frequency"]["value"] == pytest.approx(997, abs=1e-3)
    assert found["readings"]["level"]["value"] == pytest.approx(0.5, rel=1e-5)
    assert found["readings"]["level"]["unit"] == "V"
    assert found["readings"]["thd"]["limits"] is None


def test_the_command_as_a_process(steadybench, wav):
    done = steadybench("measure", wav, "--as", "tone", "--scale", "20 V", "--json")
    assert (done.code, done.err) == (0, "")
    assert done.json()["readings"]["level"]["value"] == pytest.approx(10.0, rel=1e-5)


def test_people_get_a_page(told, wav):
    code, out, err = told("measure", wav, "--as", "tone")
    assert (code, err) == (0, "")
    assert out.startswith(f"{wav}: tone\n")
    assert re.search(r"level +\(0?\.?5?\d+\.?\d* ± .*V\)?", out)


def test_settling_has_its_flags(told, tmp_path):
    write_settling(tmp_path / "s.csv")
    options = ["--within", "10 mV", "--event-at", "0.5 s", "--mains", "50 Hz"]
    code, out, _ = told("measure", tmp_path / "s.csv", "--as", "settling", *options, "--json")
    found = json.loads(out)
    assert code == 0
    assert found["flags"] == {"settled": True, "oscillating": False, "extrapolated": False}
    # 0.3 exp(-t/tau) leaves 10 mV at tau ln 30
    assert found["readings"]["settling_time"]["value"] == pytest.approx(
        0.6 * math.log(30), rel=0.01
    )
    assert found["readings"]["time_constant"]["value"] == pytest.approx(0.6, rel=0.01)


def test_a_refusal_has_code_reason_and_errors(told, tmp_path):
    wavfile.write(tmp_path / "z.wav", RATE, np.zeros(1000, np.int16))
    code, out, err = told("measure", tmp_path / "z.wav", "--as", "tone", "--json")
    assert code == 2
    refusal = json.loads(out)
    assert list(refusal) == ["refused", "reason", "errors"]
    assert (refusal["refused"], refusal["errors"]) == ("no_signal", [])
    assert err.strip() == refusal["reason"]


def test_people_get_one_line_for_a_refusal(told, tmp_path):
    wavfile.write(tmp_path / "z.wav", RATE, np.zeros(1000, np.int16))
    code, out, err = told("measure", tmp_path / "z.wav", "--as", "tone")
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert err.startswith(f"{tmp_path / 'z.wav'}: all 1000 samples are 0 V")


def test_a_mistake_in_a_text_file_has_its_place(told, tmp_path):
    path = tmp_path / "x.csv"
    path.write_text("time,volts\n0.1,1\n0.2,x\n0.3,2\n")
    code, out, err = told("measure", path, "--as", "dc", "--json")
    assert code == 2
    refusal = json.loads(out)
    assert refusal["refused"] == "file"
    (error,) = refusal["errors"]
    assert (error["file"], error["line"]) == (str(path), 3)
    assert err.splitlines()[0].startswith(f"{path}:3:1: ")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "Missing argument 'FILE'"),
        (["tone.wav"], "Missing option '--as'"),
        (["tone.wav", "--as", "thd"], "unknown kind of analysis"),
        (["tone.wav", "--as", "tone", "--rat", "48 kHz"], "--rate"),
        (["tone.wav", "--as", "tone", "--rate", "48"], "--rate: 48 has no unit"),
        (["tone.wav", "--as", "tone", "--band", "5"], "--band"),
        (["tone.wav", "--as", "dc", "--event-at", "1 s"], "--event-at means nothing for dc"),
        (["tone.wav", "--as", "tone", "--plot", "x.pdf"], "--plot: x.pdf should end in .svg"),
        (["tone.wav", "--as", "tone", "--plot", "no/x.svg"], "there is no folder"),
        (["none.wav", "--as", "tone"], "no such file"),
    ],
)
def test_2_and_a_sentence_for_a_wrong_argument(told, wav, monkeypatch, arguments, words):
    monkeypatch.chdir(wav.parent)
    code, out, err = told("measure", *arguments)
    assert (code, out) == (2, "")
    assert words in err
    assert "fault in the program" not in err
    code, out, _ = told("measure", *arguments, "--json")
    assert code == 2
    assert json.loads(out)["refused"] in {"argument", "file"}


@pytest.mark.parametrize(
    ("name", "begins"), [("p.svg", b"<?xml"), ("p.png", b"\x89PNG"), ("P.SVG", b"<?xml")]
)
def test_a_plot_is_drawn(told, wav, tmp_path, name, begins):
    code, _, err = told("measure", wav, "--as", "tone", "--plot", tmp_path / name)
    assert (code, err) == (0, "")
    content = (tmp_path / name).read_bytes()
    assert content.startswith((begins, b"<svg"))
    assert name == "p.png" or b"Spectrum of the tone" in content


def test_no_plot_of_what_is_refused(told, tmp_path):
    wavfile.write(tmp_path / "z.wav", RATE, np.zeros(1000, np.int16))
    code, _, _ = told("measure", tmp_path / "z.wav", "--as", "tone", "--plot", tmp_path / "p.svg")
    assert code == 2
    assert not (tmp_path / "p.svg").exists()


def test_a_file_name_can_t_rewrite_the_terminal(told, tmp_path):
    name = "a\x1b[31mb\nc.wav"
    write_tone(tmp_path / name)
    _, out, _ = told("measure", tmp_path / name, "--as", "tone")
    assert "\x1b" not in out
    assert out.splitlines()[0].endswith("c.wav: tone")


def _readme_commands():
    block = re.search(r"<!-- measure -->\n```\n(.*?)```\n<!-- end -->", README.read_text(), re.S)
    assert block
    return [line.split("#")[0].strip() for line in block[1].splitlines() if line.strip()]


@pytest.mark.parametrize("line", _readme_commands())
def test_the_readme_s_examples_work(told, line, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_tone(Path("tone.wav"))
    write_settling(Path("settling.csv"))
    program, *arguments = shlex.split(line)
    assert program == "steadybench"
    code, out, err = told(*arguments)
    assert (code, err) == (0, ""), err
    assert out


def test_the_readme_names_every_kind_and_code():
    from sequencer.analysis.errors import RefusalCode
    from sequencer.measured_kinds import KINDS

    text = README.read_text()
    for name in (*KINDS, *get_args(RefusalCode)):
        assert f"`{name}`" in text, name
    kinds_help = next(p for p in commands.commands["measure"].params if p.name == "kind").help
    for name in KINDS:
        assert name in kinds_help
