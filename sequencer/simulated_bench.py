"""Starts and ends a simulated bench as a child process.

It runs in a session of its own: Ctrl-C in a terminal reaches the sequencer alone, and the bench is
still there to be made safe.
"""

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from sequencer.errors import BenchError

SIMULATED = "sim"  # names the simulated bench in the place of a bench file
_END_S = 5.0


class Undertaker(Protocol):
    """Who ends the simulated bench, should this process not live to do it."""

    def end_orphan(self, pid: int, folder: Path) -> None:
        """Take this process and its folder over."""
        ...

    def has_ended(self) -> None:
        """This process ends it after all."""
        ...


@contextmanager
def simulated_bench(
    options: Sequence[str] = (), undertaker: Undertaker | None = None
) -> Iterator[Path]:
    """A running simulated bench; gives the path of its bench file and ends the bench at exit.

    Raises BenchError when it does not come up.
    """
    with tempfile.TemporaryDirectory(prefix="steadybench-") as folder:
        bench_file = Path(folder) / "bench.yaml"
        command = [sys.executable, "-m", "sim_instruments", "--write-bench", str(bench_file)]
        process = subprocess.Popen(
            [*command, *options],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )
        try:
            if undertaker:
                undertaker.end_orphan(process.pid, Path(folder))
            _await_addresses(process)
            yield bench_file
        finally:
            if undertaker:
                undertaker.has_ended()
            _end(process)


def _await_addresses(process: subprocess.Popen[str]) -> None:
    assert process.stdout is not None
    assert process.stderr is not None
    line = process.stdout.readline()
    try:
        json.loads(line)
    except ValueError as error:
        said = process.stderr.read().strip() if process.poll() is not None else line.strip()
        raise BenchError(f"the simulated bench did not start: {said or 'no answer'}") from error


def _end(process: subprocess.Popen[str]) -> None:
    process.terminate()
    try:
        process.wait(timeout=_END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    for stream in (process.stdout, process.stderr):
        if stream:
            stream.close()
