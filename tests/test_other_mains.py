"""A unit for 120 V on 230 V: nothing comes on before somebody or something told the voltage."""

import json

import pytest

from sequencer.cautions import CAUTIONS

PROCEDURE = """\
procedure: starts
decision: plain
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: start, kind: power_on}
  - {id: tone, kind: tone, level: 1 W}
  - {id: finish, kind: power_off}
"""
TICKET = "ticket: 2026-9\nserial: S-1\nunit: {mains_voltage: 120 V}\n"


@pytest.fixture
def files(tmp_path):
    """The arguments for a procedure, and a ticket for a unit of 120 V."""
    (tmp_path / "starts.yaml").write_text(PROCEDURE)
    (tmp_path / "ticket.yaml").write_text(TICKET)
    return [tmp_path / "starts.yaml", "--ticket", tmp_path / "ticket.yaml"]


@pytest.fixture
def untold(new_bench):
    """A simulated bench whose file neither states the mains voltage nor has a power meter."""
    bench = new_bench()
    text = bench.bench_file.read_text().replace("mains_voltage: 230 V\n", "")
    lines = text.splitlines(keepends=True)
    at = next(i for i, line in enumerate(lines) if line.startswith("  power_meter:"))
    is_next = [i for i in range(at + 1, len(lines)) if not lines[i].startswith("    ")]
    end = is_next[0] if is_next else len(lines)
    bench.bench_file.write_text("".join([*lines[:at], *lines[end:]]))
    return bench


def _run(files, bench, tmp_path):
    where = ["--bench", bench.bench_file, "--out", tmp_path / "out"]
    return ["run", *files, *where, "--serial", "S-1"]


def _was_ever_on(tmp_path):
    journals = list((tmp_path / "out").glob("*/journal.jsonl"))
    return any('"energising"' in journal.read_text() for journal in journals)


def test_check_refuses_it_on_the_built_in_bench(steadybench, files):
    found = steadybench("check", *files, "--bench", "sim")
    assert found.code == 2
    assert "ticket.yaml:3:" in found.err
    assert "has mains of 230 V, but the unit is one for 120 V" in found.err


def test_check_and_run_refuse_it_where_the_bench_file_states_the_voltage(
    steadybench, files, new_bench, tmp_path
):
    bench = new_bench()
    where = ["--bench", bench.bench_file]
    told = [
        steadybench("check", *files, *where),
        steadybench("run", *files, *where, "--serial", "S-1"),
    ]
    for found in told:
        assert found.code == 2
        assert "bench.yaml:" in found.err
        assert "mains_voltage: the bench has mains of 230 V" in found.err
    assert bench.is_safe


def test_check_says_that_nothing_tells_the_voltage(steadybench, files, untold):
    found = steadybench("check", *files, "--bench", untold.bench_file)
    assert found.code == 0, found.err
    assert "nothing states or reads the voltage of this bench's mains" in found.out
    assert "one for 120 V" in found.out


@pytest.mark.parametrize(("answer", "code"), [("no", 2), ("yes", 0)])
def test_the_person_confirms_it_by_its_figure(steadybench, files, untold, tmp_path, answer, code):
    says = "yes\n" * len(CAUTIONS) + f"{answer}\n"
    run = _run(files, untold, tmp_path)
    done = steadybench(*run, says=says)
    assert done.code == code, done.out + done.err
    assert "The mains must be 120 V" in " ".join((done.out + done.err).split())
    assert _was_ever_on(tmp_path) is (answer == "yes")
    assert untold.is_safe


@pytest.mark.parametrize(("options", "code"), [([], 2), (["--accept-cautions"], 0)])
def test_unattended_it_is_accepted_with_the_other_cautions_or_refused(
    steadybench, files, untold, tmp_path, options, code
):
    done = steadybench(*_run(files, untold, tmp_path), "--unattended", *options)
    assert done.code == code, done.out + done.err
    assert _was_ever_on(tmp_path) is bool(options)
    if not options:
        return
    (journal,) = (tmp_path / "out").glob("*/journal.jsonl")
    events = [json.loads(line) for line in journal.read_bytes().split(b"\n")[:-1]]
    accepted = [each["caution"] for each in events if each["event"] == "caution_accepted"]
    assert len(accepted) == len(CAUTIONS) + 1
    assert "The mains must be 120 V" in accepted[-1]
