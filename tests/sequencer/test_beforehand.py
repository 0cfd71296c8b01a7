"""What the job ticket's readings decide is said before anything is energised."""

import json

import pytest

from sequencer.cli import run_command

BOND = "step earth_bond: the earth bond on the job ticket is {}, which does not meet max 0.3 ohm"


@pytest.fixture
def check(tmp_path, monkeypatch, capsys):
    """What `check` says of a ticket: exit code, standard output, standard error."""
    monkeypatch.chdir(tmp_path)

    def run(ticket, *options, procedure="final_test"):
        (tmp_path / "t.yaml").write_text(ticket, encoding="utf-8")
        code = run_command(["check", procedure, "--ticket", "t.yaml", *options])
        return (code, *capsys.readouterr())

    return run


@pytest.mark.parametrize("answer", ["0.4 ohm", ">2 ohm", ">0.1 ohm", "<1 ohm"])
def test_a_reading_that_fails_is_told_at_once(check, answer):
    """Earth bond 0.3 ohm at most: common practice, no source. A bound that does not decide fails too."""
    code, out, _ = check(f'readings: {{earth_bond: "{answer}", insulation: 100 Mohm}}\n')
    assert code == 0  # the files are sound
    assert "sound, but this unit would not pass" in out
    assert BOND.format(answer) in out
    assert "the run ends there" in out


def test_one_that_can_not_be_read_is_told_and_nobody_takes_it_for_given(check):
    ticket = "readings: {earth_bond: none, insulation: 100 Mohm}\n"
    _, out, _ = check(ticket)
    assert "the earth bond on the job ticket is none, so that max 0.3 ohm can't be judged" in out


@pytest.mark.parametrize("answer", ["0.3 ohm", "<0.01 ohm", "0.1 ohm"])
def test_one_that_passes_is_sound(check, answer):
    _, out, _ = check(f'readings: {{earth_bond: "{answer}", insulation: ">500 Mohm"}}\n')
    assert out.splitlines()[0].endswith("(final_test): sound")


@pytest.mark.parametrize(
    ("reading", "answer"),
    [
        ("earth_bond", "1e-6 ohm"),
        ("earth_bond", "<1e-6 ohm"),
        ("earth_bond", "1 Gohm"),
        ("insulation", "1e18 ohm"),
        ("leakage_current", "1e-12 A"),
        ("temperature", "1000 degC"),
        ("load_resistance", "1e-5 ohm"),
    ],
)
def test_one_that_no_instrument_shows_is_a_mistake_at_its_place(check, reading, answer):
    code, _, err = check(f'readings:\n  {reading}: "{answer}"\n')
    assert code == 2
    assert err.startswith(f"t.yaml:2:{len(reading) + 5}: {reading}: ")
    assert "than can be read" in err


def test_each_unit_of_a_ticket_is_told_by_its_serial(check):
    ticket = (
        "serial: A-1\nreadings: {earth_bond: 0.1 ohm, insulation: 0.2 Mohm}\n"
        "readings_of: {A-2: {earth_bond: 0.5 ohm}}\n"
    )
    _, out, _ = check(ticket, "--json")
    assert len(json.loads(out)["remarks"]) == 2
    _, out, _ = check(ticket)
    assert "the earth bond of unit A-2 on the job ticket is 0.5 ohm" in out
    assert "the insulation of unit A-1 on the job ticket is 0.2 Mohm" in out
    assert "of unit A-1 on the job ticket is 0.1" not in out


def test_a_limit_that_hangs_on_a_measurement_is_left_to_the_run(check, tmp_path):
    (tmp_path / "p.yaml").write_text(
        "procedure: p\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\nsteps:\n"
        "  - {id: a, kind: operator_reading, reading: temperature, text: Read}\n"
        "  - {id: b, kind: operator_reading, reading: temperature, text: Read, "
        "limits: {temperature: {max: 5 K above a/temperature}}}\n",
        encoding="utf-8",
    )
    _, out, err = check("readings: {temperature: 90 degC}\n", procedure="p.yaml")
    assert out.startswith("p (p): sound\n"), err
