"""Procedures that read well and can't be meant: each is told at its place, in words that help."""

import pytest

from sequencer.cli import run_command

HEAD = "procedure: q\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\n"


@pytest.fixture
def told(tmp_path, monkeypatch, capsys):
    """What `check` says of steps: exit code and standard error."""
    monkeypatch.chdir(tmp_path)

    def check(steps, *options):
        (tmp_path / "q.yaml").write_text(f"{HEAD}steps: {steps}\n", encoding="utf-8")
        code = run_command(["check", "q.yaml", *options])
        return code, capsys.readouterr().err

    return check


@pytest.mark.parametrize(
    ("steps", "where", "words"),
    [
        ("[{kind: wait, time: 1 s, include: dc_offset}]", "kind", "write either kind or include"),
        ("[{kind: idle, must_pass: true, limits: {}}]", "must_pass", "no limits to meet"),
        ("[{include: sweep, must_pass: true, limits: {}}]", "limits", 'unknown key "limits"'),
        ("[{kind: tone, level: 1 W, limits: {thd: {max: -1 %}}}]", "-1 %", "below zero"),
        ("[{kind: wait, time: 1 ns}]", "1 ns", "too small; write 100 ms or more"),
        (
            "[{kind: operator_reading, reading: bias, text: x, accuracy: 500 %}]",
            "500 %",
            '"500 %" is too large; write 50 % or less',
        ),
        ("[{kind: load_check, accuracy: 51 %}]", "51 %", "write 50 % or less"),
    ],
)
def test_what_can_not_be_meant(told, steps, where, words):
    code, err = told(steps)
    assert code == 2
    column = f"steps: {steps}".index(where) + 1
    assert f"q.yaml:3:{column}: " in err
    assert words in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("",), "no procedure is named"),
        (("dc_offset", "--bench", ""), "no bench is named"),
        (("dc_offset", "--bench", " "), "no bench is named"),
    ],
)
def test_an_empty_name_is_no_name(arguments, words, capsys):
    """A variable of the shell that is not set."""
    assert run_command(["check", *arguments]) == 2
    assert words in capsys.readouterr().err
