"""A sample of the fault matrix; the whole of it is the command tests/benchmarks/fault_matrix.py."""

import subprocess
import sys
from pathlib import Path

from sequencer.procedure import load_procedure
from sequencer.steps.registry import kinds

BENCHMARKS = Path(__file__).parent / "benchmarks"


def test_the_matrix_holds_every_kind_of_step():
    procedure = load_procedure(BENCHMARKS / "material" / "every_kind.yaml", registry=kinds())
    there = {step.kind for step in procedure.all_steps()}
    # Of two ways to switch on, the one that also records the settling.
    assert there == set(kinds()) - {"power_on"}


def test_a_sample_of_the_fault_matrix_ends_safe_and_whole():
    done = subprocess.run(
        [
            sys.executable,
            BENCHMARKS / "fault_matrix.py",
            "--sample",
            "9",
            "--seed",
            "3",
            "--real-start",
        ],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "9 cases" in done.stdout
