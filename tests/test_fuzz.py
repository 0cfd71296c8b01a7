"""A sample of spoilt files and answers; the whole of it are commands in tests/benchmarks."""

import subprocess
import sys
from pathlib import Path

import pytest

BENCHMARKS = Path(__file__).parent / "benchmarks"


@pytest.mark.parametrize(
    ("command", "count"), [("fuzz_files.py", "600"), ("fuzz_answers.py", "5000")]
)
def test_nothing_that_is_read_makes_a_traceback_or_a_hang(command, count):
    done = subprocess.run(
        [sys.executable, BENCHMARKS / command, "--count", count, "--seed", "7"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 failures" in done.stdout
