"""Ctrl-C at any moment is answered by one line that says how the bench was left."""

import signal

import pytest

from sequencer.cli import run_command
from sequencer.interrupts import SIGNALS

TEXT = """\
procedure: quick
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: power_on, kind: power_on, settle: 1 s}
  - {id: power_off, kind: power_off}
"""


@pytest.fixture
def run(tmp_path, shared_bench, capsys):
    """Runs a unit; gives the exit code and the last line of what a person was told."""
    path = tmp_path / "quick.yaml"
    path.write_text(TEXT)

    def carry_out(*options):
        before = [signal.getsignal(number) for number in SIGNALS]
        code = run_command(
            [
                *("run", str(path), "--bench", str(shared_bench.bench_file), "--serial", "A"),
                *("--unattended", "--accept-cautions", "--out", str(tmp_path / "out"), *options),
            ]
        )
        assert [signal.getsignal(number) for number in SIGNALS] == before
        return code, capsys.readouterr().err.splitlines()[-1]

    return carry_out


def _ctrl_c_in(monkeypatch, name):
    monkeypatch.setattr(name, lambda *_, **__: signal.raise_signal(signal.SIGINT))


@pytest.mark.parametrize(
    "moment",
    [
        "sequencer.cli._serial",  # while the arguments are read
        "sequencer.session.load",  # while the files are read
        "sequencer.session.plan_on",  # with the watchkeeper there
        "sequencer.session.open_bench",  # with the run's folder made
    ],
)
def test_before_anything_is_switched_on(run, monkeypatch, tmp_path, moment):
    _ctrl_c_in(monkeypatch, moment)
    code, line = run()
    assert code == 130
    assert line == "interrupted: stopped by you (Ctrl-C); nothing was switched on"
    assert not list((tmp_path / "out").glob("*/*"))


def test_while_the_report_is_written(run, monkeypatch, shared_bench):
    _ctrl_c_in(monkeypatch, "sequencer.session.write_results")
    code, line = run()
    assert code == 130
    assert line.startswith(
        "interrupted: stopped by you (Ctrl-C); the bench was made safe; all is recorded"
    )
    assert "steadybench report" in line
    assert shared_bench.is_safe


def test_a_command_that_never_touches_a_bench(monkeypatch, capsys, tmp_path):
    _ctrl_c_in(monkeypatch, "sequencer.verifying.verify_all")
    assert run_command(["verify", str(tmp_path)]) == 130
    told = capsys.readouterr().err
    assert told == "interrupted: stopped by you (Ctrl-C); nothing was switched on\n"
