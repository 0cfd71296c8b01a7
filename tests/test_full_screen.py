"""Losing the screen loses no run: where it can't be written, the exit code is still the run's."""

import json
import os
import pty
import signal
import subprocess
import sys
from pathlib import Path

import pytest

_PROGRAM = "from sequencer.cli import main; main()"


@pytest.mark.parametrize("also", [[], ["--json"]])
def test_a_screen_that_cannot_be_written_ends_no_run(tmp_path: Path, also: list[str]) -> None:
    command = "run dc_offset --bench sim --serial X --unattended --accept-cautions --out"
    with open("/dev/full", "w", encoding="utf-8") as full:
        ended = subprocess.run(
            [sys.executable, "-c", _PROGRAM, *command.split(), str(tmp_path), *also],
            stdout=full,
            stderr=subprocess.PIPE,
            stdin=subprocess.DEVNULL,
            text=True,
            check=False,
        )
    assert "a fault in the program" not in ended.stderr
    assert "Traceback" not in ended.stderr
    assert ended.returncode in (0, 1)
    assert len([*tmp_path.glob("*/report.html")]) == 1
    # Standard output: of a program with --json, else of a person, who is told once and at the end.
    assert ended.stderr.count("could not be written to standard output: No space left") == 1
    first, *_, last = ended.stderr.splitlines()
    assert last.startswith("report: ")
    assert also or first.endswith("the run goes on, its record has it")
    assert also or "PASSED" in ended.stderr


def test_a_terminal_that_is_closed_ends_the_run_and_the_record_says_so(tmp_path: Path) -> None:
    """It hangs up and takes no more output, both at once."""
    command = f"run burn_in --bench sim --serial X --unattended --accept-cautions --out {tmp_path}"
    process, terminal = pty.fork()
    if process == 0:
        os.execv(sys.executable, [sys.executable, "-c", _PROGRAM, *command.split()])
    said = b""
    while b"burns in" not in said and b"round" not in said:
        said += os.read(terminal, 65536)
    os.close(terminal)
    status = os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])
    assert status == 128 + signal.SIGHUP
    (journal,) = tmp_path.glob("*/journal.jsonl")
    *_, made_safe, finished = (json.loads(line) for line in journal.read_bytes().splitlines())
    assert made_safe["event"] == "made_safe"
    assert all(action["is_confirmed"] for action in made_safe["actions"])
    assert finished["event"] == "run_finished"
    assert finished["outcome"] == "interrupted"


def test_where_no_question_can_be_shown_nobody_is_taken_to_have_answered(tmp_path: Path) -> None:
    command = "run dc_offset --bench sim --serial X --out"
    with open("/dev/full", "w", encoding="utf-8") as full:
        ended = subprocess.run(
            [sys.executable, "-c", _PROGRAM, *command.split(), str(tmp_path)],
            input="yes\n" * 9,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert ended.returncode == 2
    assert ended.stderr == (
        "the cautions were not accepted (nobody can be asked: No space left on device), so nothing was "
        "switched on\n"
    )
    assert not [*tmp_path.iterdir()]
