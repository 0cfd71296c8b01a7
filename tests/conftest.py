"""What tests of the whole program share: the command as a process, and simulated benches."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import hypothesis
import pytest

from tests.ready import ReadyProcess

ROOT = Path(__file__).resolve().parent.parent
# Examples take their time on a loaded machine; what is slow is a matter of other tests.
hypothesis.settings.register_profile("ours", deadline=None)
hypothesis.settings.load_profile("ours")

# Before numpy is imported: a second BLAS thread only doubles the work, as cli.main says.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

PATIENCE_S = 60.0
_ENTRY = "from sequencer.cli import main; main()"
_REPORTING = frozenset({"run", "pair", "resume"})
_READY = _REPORTING | {"check", "verify"}  # which draw nothing, or nothing that is looked at
# Drawing takes longer than many a run; tests/sequencer/test_report.py looks at what is drawn.
_UNDRAWN = """import sequencer.report.plots
sequencer.report.plots.draw_svg = lambda *_, **__: "<svg></svg>"
"""


@dataclass
class Finished:
    """A command that has ended."""

    code: int
    out: str
    err: str

    def json(self) -> dict[str, Any]:
        """Standard output as the one JSON object it must be."""
        assert self.out.count("\n") == 1, self.out
        found = json.loads(self.out)
        assert isinstance(found, dict)
        return found


@dataclass
class SimulatedBench:
    """A simulated bench in a process of its own, and a raw way to talk to it that is not ours."""

    process: subprocess.Popen[str]
    bench_file: Path
    truth_file: Path
    ports: dict[str, int] = field(default_factory=dict)

    def ask(self, role: str, message: str) -> str:
        """The answer of an instrument over a plain socket of the test's own."""
        with socket.create_connection(("127.0.0.1", self.ports[role]), timeout=5) as line:
            line.sendall(message.encode("ascii") + b"\n")
            with line.makefile("rb") as answers:
                return answers.readline().decode("ascii").strip()

    def tell(self, role: str, message: str) -> None:
        """Send a command and wait until it was carried out."""
        assert self.ask(role, f"{message};:SYST:ERR?").startswith("0,")

    def disturb(self, role: str, kind: str, count: int = 1) -> None:
        """Script misbehaviour of an instrument."""
        self.tell("clock", f'DIAG:INST:DIST "{role}",{kind},{count}')

    @property
    def is_safe(self) -> bool:
        """Generator and mains off, as the instruments themselves say."""
        return self.ask("generator", "OUTP?") == "0" and self.ask("mains_switch", "OUTP?") == "0"

    def truth(self) -> dict[str, Any]:
        """The parameters behind the bench."""
        found: dict[str, Any] = json.loads(self.truth_file.read_text(encoding="utf-8"))
        return found

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        for stream in (self.process.stdout, self.process.stderr):
            if stream:
                stream.close()


def _start_bench(folder: Path, options: Sequence[str] = ()) -> SimulatedBench:
    """Start a simulated bench with its files in folder."""
    bench_file, truth_file = folder / "bench.yaml", folder / "truth.json"
    files = ["--write-bench", str(bench_file), "--truth", str(truth_file)]
    process = subprocess.Popen(
        [sys.executable, "-m", "sim_instruments", *files, *options],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    bench = SimulatedBench(process, bench_file, truth_file)
    assert process.stdout is not None
    addresses = json.loads(process.stdout.readline())
    bench.ports = {role: _port(address) for role, address in addresses.items()}
    clock = re.search(r"clock_address: (\S+)", bench_file.read_text(encoding="utf-8"))
    assert clock is not None
    bench.ports["clock"] = _port(clock[1])
    return bench


def _port(address: str) -> int:
    return int(address.split("::")[2])


@pytest.fixture
def new_bench(tmp_path: Path) -> Iterator[Callable[..., SimulatedBench]]:
    """Starts simulated benches that end with the test."""
    started: list[SimulatedBench] = []

    def start(*options: str) -> SimulatedBench:
        folder = tmp_path / f"bench_{len(started)}"
        folder.mkdir()
        started.append(_start_bench(folder, options))
        return started[-1]

    yield start
    for bench in started:
        bench.stop()


@pytest.fixture(scope="module")
def shared_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimulatedBench]:
    """One simulated bench for the tests of a module that leave no trace on it."""
    bench = _start_bench(tmp_path_factory.mktemp("bench"))
    yield bench
    bench.stop()


class Shell:
    """How a command is started outside this process."""

    @staticmethod
    def line(arguments: Sequence[str | Path], before: str = "") -> list[str]:
        """The command as a person's shell would start it; before is Python that goes first.

        A run's report is written without its pictures.
        """
        reports = bool(_REPORTING.intersection(map(str, arguments[:1])))
        undrawn = _UNDRAWN if reports else ""
        return [sys.executable, "-c", undrawn + before + _ENTRY, *map(str, arguments)]

    @staticmethod
    def environment() -> dict[str, str]:
        """The test's environment, with the clone on the path and a plain terminal."""
        plain = {"PYTHONPATH": str(ROOT), "COLUMNS": "200", "PYTHONWARNINGS": "default"}
        return {**os.environ, **plain}


@pytest.fixture(scope="session")
def finished() -> type[Finished]:
    """How a command ended, for tests that run one themselves."""
    return Finished


@pytest.fixture(scope="session")
def shell() -> Shell:
    """Command lines and the environment for tests that start a process themselves."""
    return Shell()


@pytest.fixture(scope="session")
def start_bench() -> Callable[[Path, Sequence[str]], SimulatedBench]:
    """Starts a simulated bench with its files in a folder; whoever starts it stops it."""
    return _start_bench


@pytest.fixture
def begin(tmp_path: Path) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Begins a command in a folder of its own and does not wait for it."""
    begun: list[subprocess.Popen[str]] = []

    def run(
        *arguments: str | Path, before: str = "", stdout: int = subprocess.PIPE
    ) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            Shell.line(arguments, before),
            cwd=tmp_path,
            env=Shell.environment(),
            stdin=subprocess.PIPE,
            stdout=stdout,
            stderr=subprocess.PIPE,
            text=True,
        )
        begun.append(process)
        return process

    yield run
    for process in begun:
        if process.poll() is None:
            process.send_signal(signal.SIGKILL)
        process.communicate()


@pytest.fixture(scope="session")
def ready() -> Iterator[ReadyProcess]:
    """A process that has imported the program, and draws no pictures into reports."""
    process = ReadyProcess(_UNDRAWN, Shell.environment())
    yield process
    process.stop()


@pytest.fixture(scope="session")
def in_child(ready) -> Callable[..., Finished]:
    """Runs a command that draws nothing to its end, in a folder: in_child(folder, "run", ...)."""

    def run(
        folder: Path, *arguments: str | Path, says: str = "", patience_s: float = PATIENCE_S
    ) -> Finished:
        code, out, err = ready.run(
            _ENTRY,
            list(map(str, arguments)),
            folder=folder,
            environment=Shell.environment(),
            says=says,
            patience_s=patience_s,
        )
        return Finished(code, out, err)

    return run


@pytest.fixture
def steadybench(begin, in_child, tmp_path: Path) -> Callable[..., Finished]:
    """Runs a command to its end: steadybench("run", "rated_power", ..., says="yes\\n")."""

    def run(
        *arguments: str | Path, says: str = "", before: str = "", patience_s: float = PATIENCE_S
    ) -> Finished:
        if not before and _READY.intersection(map(str, arguments[:1])):
            done = in_child(tmp_path, *arguments, says=says, patience_s=patience_s)
        else:
            process = begin(*arguments, before=before)
            out, err = process.communicate(says, timeout=patience_s)
            done = Finished(process.returncode, out, err)
        assert "Traceback" not in done.err, done.err
        return done

    return run
