"""Mistakes of procedure, ticket and bench file: all told at once, each where it can be mended."""

import pytest

from sequencer.cli import run_command

PROCEDURE = """\
procedure: p
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: first, kind: power_on}
  - {id: a, kind: tone, level: 1 W}
  - {id: last, kind: power_off}
"""
BENCH = """\
bench: corner bench
generator_ceiling: 2 V
load: {resistance: 8 ohm, continuous_power: 200 W}
router_channels: {unit_1: 101, unit_2: 102}
independent_means: [emergency stop]
instruments:
  generator: {address: "TCPIP::127.0.0.1::1::SOCKET"}
  analyser: {address: "TCPIP::127.0.0.1::2::SOCKET", ranges: [100 V], sample_rates: [96 kHz]}
  dmm: {address: "TCPIP::127.0.0.1::3::SOCKET"}
  router: {address: "TCPIP::127.0.0.1::4::SOCKET"}
  mains_switch: {address: "TCPIP::127.0.0.1::5::SOCKET"}
"""
TICKET = """\
serial: SB-0001
model: Mono 100
readings: {earth_bond: 0.1 ohm}
unit: {load: 8 ohm}
"""
ACCEPTED = ("--unattended", "--accept-cautions")


@pytest.fixture
def files(tmp_path, monkeypatch, capsys):
    """Writes the three files with changes, runs a command on them; gives exit code and lines told."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments, procedure=PROCEDURE, bench=BENCH, ticket=TICKET):
        for name, text in (("p.yaml", procedure), ("b.yaml", bench), ("t.yaml", ticket)):
            (tmp_path / name).write_text(text, encoding="utf-8")
        command, *options = arguments
        three = ["p.yaml", "--bench", "b.yaml", "--ticket", "t.yaml"]
        code = run_command([command, *three, *options])
        out, err = capsys.readouterr()
        return code, [line for line in (out + err).splitlines() if not line.startswith("    ")]

    return run


@pytest.mark.parametrize("command", [("check",), ("run", "--serial", "SB-0001", *ACCEPTED)])
def test_the_mistakes_of_all_three_files_are_told_at_once(files, command):
    code, lines = files(
        *command,
        procedure=PROCEDURE.replace("level: 1 W", "level: 1"),
        bench=BENCH.replace("generator_ceiling: 2 V", "generator_ceiling: 2"),
        ticket=TICKET.replace("0.1 ohm", "0.1").replace("load: 8 ohm", "lod: 8 ohm"),
    )
    assert code == 2
    assert [line.split(" ")[0] for line in lines] == [
        "t.yaml:3:24:",
        "t.yaml:4:8:",
        "p.yaml:5:32:",
        "b.yaml:2:20:",
    ]


def test_what_hangs_on_a_mistaken_ticket_is_not_told_as_a_mistake_of_its_own(files):
    """The ticket has the load, written wrongly: it is not missing."""
    code, lines = files(
        "check",
        procedure=PROCEDURE.replace(", load: 8 ohm", ""),
        ticket=TICKET.replace("load: 8 ohm", "load: 8"),
    )
    assert (code, len(lines)) == (2, 1)
    assert lines[0].startswith('t.yaml:4:14: load: 8 has no unit; write "8 ohm"')


@pytest.mark.parametrize(
    ("procedure_load", "ticket", "where"),
    [
        ("4 ohm", "model: Mono 100\n", "p.yaml:2:34"),
        ("8 ohm", "unit: {load: 4 ohm}\n", "t.yaml:1:14"),
    ],
)
def test_another_load_is_told_where_it_is_written(files, procedure_load, ticket, where):
    procedure = PROCEDURE.replace("load: 8 ohm", f"load: {procedure_load}")
    code, (line,) = files("check", procedure=procedure, ticket=ticket)
    assert code == 2
    assert line.startswith("b.yaml:3:20: the bench has a load of 8 ohm, but the unit wants 4 ohm")
    assert f"({where})" in line


@pytest.mark.parametrize(
    ("command", "options", "wrong"),
    [
        ("run", ["--serial", "SB-0002"], ["t.yaml:1:9"]),
        ("run", ["--serial", "SB-0001", "--model", "Mono 50"], ["t.yaml:2:8"]),
        ("run", ["--serial", "SB-0002", "--model", "Mono 50"], ["t.yaml:1:9", "t.yaml:2:8"]),
        ("pair", ["--serial", "A", "--serial", "B"], ["t.yaml:1:9"]),
    ],
)
def test_a_unit_that_is_not_the_ticket_s_is_refused(files, command, options, wrong):
    code, lines = files(command, *options, *ACCEPTED)
    assert code == 2
    assert [line.split(": ")[0] for line in lines] == wrong
    assert all("the ticket is for" in line and "says" in line for line in lines)


@pytest.mark.parametrize(
    ("command", "options"),
    [
        ("run", ["--serial", "SB-0001", "--model", "Mono 100"]),
        ("pair", ["--serial", "SB-0001", "--serial", "SB-0002"]),
    ],
)
def test_the_ticket_s_own_unit_is_taken(files, command, options):
    code, lines = files(command, *options, *ACCEPTED)
    # Nothing listens at port 1, so the run gets that far and no further.
    assert code in (2, 3)
    assert not any("the ticket is for" in line for line in lines)
