"""The fault matrix: for every message of a run, and each of seven faults, the run ends safe.

    .venv/bin/python tests/benchmarks/fault_matrix.py                        # all, about 35 minutes
    .venv/bin/python tests/benchmarks/fault_matrix.py --sample 25            # some, about a minute
    .venv/bin/python tests/benchmarks/fault_matrix.py --procedure final_test --sample 300

A proxy of this program's own stands between the sequencer and each instrument of a simulated bench and
counts the messages. At one of them it does harm, once: swallows the answer, closes the connection,
answers nonsense, puts an error into the instrument's queue, or signals the sequencer. Afterwards, asked
over sockets that don't go through the proxy: generator and mains are off within 5 s, the journal proves
itself, what it held at the fault is still there, and the exit code fits the outcome.

Runs are forked from a process that has imported everything, and so are their watchkeepers, so that a
case costs a run and no start; with --real-start each watchkeeper is started as the program starts it.
"""

import argparse
import contextlib
import gc
import json
import os
import random
import re
import select
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
EVERY_KIND = Path(__file__).parent / "material" / "every_kind.yaml"
FAULTS = ("timeout", "dropped", "garbage", "error", "SIGTERM", "SIGINT", "kill -9")
SIGNALS = {"SIGTERM": signal.SIGTERM, "SIGINT": signal.SIGINT, "kill -9": signal.SIGKILL}
SAFE_WITHIN_S = 5.0
PATIENCE_S = 120.0
CODES = {"pass": 0, "fail": 1, "stopped": 3}
BROKEN_OFF = b'"event":"broken_off"'
NONSENSE = b"\xff\x00#9zz,NAN;+1.5E;\x1b[31m\n"


@dataclass
class Case:
    """One fault at one message."""

    fault: str
    index: int
    problems: list[str] = field(default_factory=list)
    result: str = ""
    safe_s: float = 0.0


class Proxy:
    """Stands before every instrument, counts messages over all of them, does harm once."""

    def __init__(self, ports: dict[str, int]) -> None:
        self._lock = threading.Lock()
        self.ports: dict[str, int] = {}
        self._real = ports
        self._case: Case | None = None
        self._pid = 0
        self._folder = Path()
        self.count = 0
        self.struck_s = 0.0
        self.snapshot = b""
        for role, port in ports.items():
            listener = socket.create_server(("127.0.0.1", 0))
            self.ports[role] = listener.getsockname()[1]
            threading.Thread(target=self._accept, args=(listener, role, port), daemon=True).start()

    def arm(self, case: Case | None, folder: Path) -> None:
        """Begin a case; counts from 0."""
        with self._lock:
            self._case, self._folder, self._pid = case, folder, 0
            self.count, self.struck_s, self.snapshot = 0, 0.0, b""

    def victim(self, pid: int) -> None:
        """The process that signals go to."""
        self._pid = pid

    def _accept(self, listener: socket.socket, role: str, port: int) -> None:
        while True:
            near, _ = listener.accept()
            near.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            threading.Thread(target=self._serve, args=(near, role, port), daemon=True).start()

    def _serve(self, near: socket.socket, role: str, port: int) -> None:
        far = socket.create_connection(("127.0.0.1", port))
        far.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        mode = ["open"]
        threading.Thread(target=self._back, args=(far, near, mode), daemon=True).start()
        with contextlib.suppress(OSError):
            self._forward(near, far, role, mode)
        for end in (near, far):
            hang_up(end)

    def _forward(self, near: socket.socket, far: socket.socket, role: str, mode: list[str]) -> None:
        waiting = b""
        while piece := near.recv(65536):
            *messages, waiting = (waiting + piece).split(b"\n")
            for message in messages:
                harm = self._harm(role)
                if harm == "dropped":
                    return
                if harm in ("timeout", "garbage"):
                    mode[0] = harm
                far.sendall(message + b"\n")

    def _back(self, far: socket.socket, near: socket.socket, mode: list[str]) -> None:
        with contextlib.suppress(OSError):
            while piece := far.recv(65536):
                if mode[0] == "garbage":
                    near.sendall(NONSENSE)
                    mode[0] = "mute"
                elif mode[0] == "open":
                    near.sendall(piece)
        hang_up(near)

    def _harm(self, role: str) -> str | None:
        with self._lock:
            case, index = self._case, self.count
            self.count += 1
        if case is None or index != case.index:
            return None
        for journal in self._folder.glob("*/journal.jsonl"):
            self.snapshot = journal.read_bytes()
        self.struck_s = time.monotonic()
        if case.fault == "error":
            ask(self._real[role], "DIAG:DIST ERROR,1;:SYST:ERR?")
        elif case.fault in SIGNALS:
            while not self._pid:
                time.sleep(0.001)
            os.kill(self._pid, SIGNALS[case.fault])
        return case.fault


def hang_up(end: socket.socket) -> None:
    """Close a connection so that the other side sees it at once."""
    with contextlib.suppress(OSError):
        end.shutdown(socket.SHUT_RDWR)
    end.close()


def ask(port: int, message: str) -> str:
    """One question over a socket of its own."""
    with socket.create_connection(("127.0.0.1", port), timeout=5) as line:
        line.sendall(message.encode() + b"\n")
        with line.makefile("rb") as answers:
            return answers.readline().decode().strip()


class ForkedWatchkeeper:
    """Stands for the process of a watchkeeper: forked, and of all that is open it keeps its line."""

    def __init__(self, _command: Sequence[str], *, pass_fds: Sequence[int], **_: object) -> None:
        self.pid = os.fork()
        if self.pid == 0:
            try:
                self._watch_over(pass_fds[0])
            finally:
                os._exit(0)

    def _watch_over(self, line: int) -> None:
        import sequencer.watchkeeper

        os.setsid()
        nothing = os.open(os.devnull, os.O_RDWR)
        for standard in range(3):
            os.dup2(nothing, standard)
        os.closerange(3, line)
        os.closerange(line + 1, os.sysconf("SC_OPEN_MAX"))
        sys.argv = ["watchkeeper", str(line)]
        sequencer.watchkeeper.main()

    def wait(self, timeout: float | None = None) -> None:
        """Until it ended; raises TimeoutExpired."""
        until_s = time.monotonic() + (timeout or PATIENCE_S)
        while os.waitpid(self.pid, os.WNOHANG)[0] == 0:
            if time.monotonic() > until_s:
                raise subprocess.TimeoutExpired("watchkeeper", timeout or PATIENCE_S)
            time.sleep(0.001)

    def kill(self) -> None:
        """End it."""
        os.kill(self.pid, signal.SIGKILL)


class Zygote:
    """A process that has imported the sequencer; each run is forked from it."""

    def __init__(self, *, has_real_start: bool) -> None:
        self._has_real_start = has_real_start
        ours, theirs = socket.socketpair()
        self._pid = os.fork()
        if self._pid == 0:
            ours.close()
            self._serve(theirs)
            os._exit(0)
        theirs.close()
        self._line = ours
        self._answers = ours.makefile("rb")

    def run(self, arguments: Sequence[str], stdin: Path, output: Path) -> int:
        """Start a run; its process id. Its end is told by `ended`, its stderr goes to output."""
        words = {"arguments": list(arguments), "stdin": str(stdin), "output": str(output)}
        self._line.sendall(json.dumps(words).encode() + b"\n")
        return int(self._answers.readline())

    def has_ended(self, within_s: float) -> bool:
        """Whether the run ended within this time."""
        return bool(select.select([self._line], [], [], within_s)[0])

    def ended(self) -> int:
        """Wait for the run; its status as a shell has it, minus the signal's number if killed."""
        return int(self._answers.readline())

    def _serve(self, line: socket.socket) -> None:
        import sequencer.cli
        import sequencer.keeping
        import sequencer.pairing
        import sequencer.session
        import sequencer.steps.registry

        sequencer.steps.registry.kinds()
        # The report's pictures take longer than all the rest and come when the bench is long safe.
        vars(sequencer.session)["write_run_report"] = lambda record: record.folder
        if not self._has_real_start:
            vars(sequencer.keeping)["subprocess"] = SimpleNamespace(
                Popen=ForkedWatchkeeper,
                DEVNULL=subprocess.DEVNULL,
                TimeoutExpired=subprocess.TimeoutExpired,
            )
        gc.collect()
        gc.freeze()  # what is imported is looked at by no run, and so its pages are shared
        for words in line.makefile("rb"):
            told = json.loads(words)
            pid = os.fork()
            if pid == 0:
                line.close()
                for number in (signal.SIGINT, signal.SIGTERM):
                    signal.signal(number, signal.default_int_handler)
                os.dup2(os.open(told["stdin"], os.O_RDONLY), 0)
                sink = os.open(told["output"], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
                os.dup2(sink, 1)
                os.dup2(sink, 2)
                code = 70
                try:
                    code = sequencer.cli.run_command(told["arguments"])
                finally:
                    sys.stdout.flush()
                    os._exit(code)
            line.sendall(b"%d\n" % pid)
            status = os.waitpid(pid, 0)[1]
            line.sendall(b"%d\n" % os.waitstatus_to_exitcode(status))


class Worker:
    """One simulated bench behind one proxy, and the cases run on it."""

    def __init__(self, procedure: str, *, has_real_start: bool) -> None:
        self._zygote = Zygote(has_real_start=has_real_start)  # before any thread
        self._folder = Path(tempfile.mkdtemp(prefix="fault-matrix-"))
        self._procedure = procedure
        self._safe_at_s = 0.0
        self._bench = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "sim_instruments",
                "--write-bench",
                str(self._folder / "b.yaml"),
            ],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )
        assert self._bench.stdout is not None
        addresses = json.loads(self._bench.stdout.readline())
        self._ports = {role: int(each.split("::")[2]) for role, each in addresses.items()}
        self.proxy = Proxy(self._ports)
        text = (self._folder / "b.yaml").read_text()
        for role, port in self._ports.items():
            text = text.replace(f"::{port}::", f"::{self.proxy.ports[role]}::")
        # A lost answer costs a run this much real time; the instruments here answer in milliseconds.
        text = re.sub(r"timeout: \d+ s", "timeout: 1 s", text)
        (self._folder / "bench.yaml").write_text(text)
        (self._folder / "answers").write_text("yes\nlabel\n0.1 ohm\n")

    def close(self) -> None:
        """End the bench."""
        self._bench.terminate()
        self._bench.wait()
        shutil.rmtree(self._folder, ignore_errors=True)

    def messages(self) -> int:
        """How many messages an undisturbed run takes."""
        case = Case("none", -1)
        self.carry_out(case)
        assert not case.problems, case.problems
        return self.proxy.count

    def carry_out(self, case: Case) -> None:
        """Run one case and note what is wrong."""
        out = self._folder / "out"
        shutil.rmtree(out, ignore_errors=True)
        (self._folder / "said").unlink(missing_ok=True)
        self.proxy.arm(case, out)
        arguments = ["run", self._procedure, "--bench", str(self._folder / "bench.yaml")]
        arguments += ["--serial", "S-1", "--accept-cautions", "--out", str(out)]
        if self._procedure != str(EVERY_KIND):
            arguments.append("--unattended")
        pid = self._zygote.run(arguments, self._folder / "answers", self._folder / "said")
        self.proxy.victim(pid)
        self._await_end(case, pid)
        code = self._zygote.ended()
        self._await_safe(case)
        self._await_watchkeeper(case, code, out)
        for problem in self._judged(case, code, out):
            case.problems.append(problem)
        if case.problems:
            case.problems.append((self._folder / "said").read_text()[-600:])

    def _await_end(self, case: Case, pid: int) -> None:
        """Wait until the run ends; after a signal, look since when the bench has been safe."""
        begun_s = time.monotonic()
        while not self._zygote.has_ended(0.05):
            if case.fault in SIGNALS and self.proxy.struck_s:
                now_s = time.monotonic()
                self._safe_at_s = (self._safe_at_s or now_s) if self._is_safe() else 0.0
            if time.monotonic() - begun_s > PATIENCE_S:
                case.problems.append(f"still running after {PATIENCE_S:g} s")
                os.kill(pid, signal.SIGKILL)
                return

    def _await_safe(self, case: Case) -> None:
        """How long after the signal, or else after the run's end, the bench was safe for good.

        Another fault may be overcome; that a run it ends ends safe is what counts then.
        """
        begun_s = time.monotonic()
        while not self._is_safe() and time.monotonic() - begun_s < 2 * SAFE_WITHIN_S:
            time.sleep(0.02)
        since_s = self.proxy.struck_s if case.fault in SIGNALS else begun_s
        case.safe_s = (self._safe_at_s or time.monotonic()) - since_s
        self._safe_at_s = 0.0
        if not self._is_safe() or case.safe_s > SAFE_WITHIN_S:
            case.problems.append(f"safe only after {case.safe_s:.1f} s, or never")

    def _is_safe(self) -> bool:
        return all(ask(self._ports[role], "OUTP?") == "0" for role in ("generator", "mains_switch"))

    def _await_watchkeeper(self, case: Case, code: int, out: Path) -> None:
        """A killed run is finished when its watchkeeper has told the journal."""
        if code != -signal.SIGKILL:
            return
        until_s = time.monotonic() + 10.0
        for journal in out.glob("*/journal.jsonl"):
            # The last of its lines: the journal may be read between two of them.
            while b'"event":"made_safe"' not in journal.read_bytes().partition(BROKEN_OFF)[2]:
                if b'"event":"run_finished"' in journal.read_bytes():
                    return
                if time.monotonic() > until_s:
                    if b'"event":"run_started"' in journal.read_bytes():
                        case.problems.append("the watchkeeper did not tell the journal")
                    return
                time.sleep(0.02)

    def _judged(self, case: Case, code: int, out: Path) -> Iterator[str]:
        from sequencer.verifying import verify

        if case.fault != "none" and not self.proxy.struck_s:
            yield "the fault never struck"
        folders = list(out.glob("*/journal.jsonl"))
        if not folders:
            yield f"no journal, exit code {code}"
            return
        folder = folders[0].parent
        found = verify(folder)
        if not found.is_intact:
            yield f"the journal does not verify: {found.alterations[0]}"
        content = (folder / "journal.jsonl").read_bytes()
        if not content.startswith(self.proxy.snapshot):
            yield "what was recorded before the fault is missing"
        lines = [json.loads(line) for line in content.split(b"\n")[:-1]]
        yield from self._fitting(case, code, lines)

    def _fitting(self, case: Case, code: int, lines: list[dict[str, Any]]) -> Iterator[str]:
        """Whether the exit code fits the outcome that the journal tells, and that the fault."""
        ends = [line for line in lines if line["event"] == "run_finished"]
        outcome = ends[-1]["outcome"] if ends else None
        case.result = outcome or "broken off"
        names = [line["event"] for line in lines]
        if case.fault == "none":
            if code != 0:
                yield f"an undisturbed run ends with {code}"
        elif case.fault == "kill -9":
            if code != -signal.SIGKILL:
                yield f"exit status {code} after kill -9"
            if "run_started" in names and not ends and "made_safe" not in names:
                yield "nobody made safe"
        elif case.fault in SIGNALS and outcome == "interrupted":
            if code != 128 + SIGNALS[case.fault]:
                yield f"exit code {code} after {case.fault}"
        elif code == 2:
            case.result = "refused"
            if "energising" in names:
                yield "refused after something was energised"
        elif code != CODES.get(str(outcome)):
            yield f"exit code {code} where the journal tells {outcome}"
        elif case.fault in SIGNALS and b'"step":"finish"' not in self.proxy.snapshot:
            yield f"{case.fault} in mid-run, and the run went on"


def work(worker: Worker, cases: Sequence[Case], report: int) -> None:
    """Carry out cases in this process; each result is a line of JSON to a descriptor."""
    try:
        for case in cases:
            worker.carry_out(case)
            line = json.dumps([case.fault, case.index, case.result, case.safe_s, case.problems])
            os.write(report, line.encode() + b"\n")
    finally:
        worker.close()


def spread(new_worker: Callable[[], Worker], cases: list[Case], workers: int) -> Iterator[Case]:
    """Carry out cases in several processes."""
    pids, ends = [], []
    for number in range(workers):
        ours, theirs = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(ours)
            try:
                work(new_worker(), cases[number::workers], theirs)
            finally:
                os._exit(0)
        os.close(theirs)
        pids.append(pid)
        ends.append(ours)
    waiting = dict.fromkeys(ends, b"")
    while waiting:
        for end in select.select(list(waiting), [], [])[0]:
            piece = os.read(end, 65536)
            if not piece:
                del waiting[end]
                continue
            *lines, waiting[end] = (waiting[end] + piece).split(b"\n")
            for line in lines:
                fault, index, result, safe_s, problems = json.loads(line)
                yield Case(fault, index, problems, result, safe_s)
    for pid in pids:
        os.waitpid(pid, 0)


def logged(path: Path) -> list[Case]:
    """Results of an earlier part of the same matrix."""
    if not path.exists():
        return []
    return [Case(**json.loads(line)) for line in path.read_text(encoding="utf-8").splitlines()]


def table(cases: Sequence[Case]) -> str:
    """Results by fault."""
    results = sorted({case.result for case in cases})
    head = ["fault", "cases", *results, "longest to safe", "problems"]
    rows = [head]
    for fault in FAULTS:
        mine = [case for case in cases if case.fault == fault]
        if not mine:
            continue
        counts = Counter(case.result for case in mine)
        longest = f"{max(case.safe_s for case in mine):.2f} s"
        bad = str(sum(bool(case.problems) for case in mine))
        rows.append([fault, str(len(mine)), *(str(counts[r]) for r in results), longest, bad])
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    )


def main() -> int:
    """Run the matrix, print its table; 0 when nothing was found wrong."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--procedure", default=str(EVERY_KIND))
    parser.add_argument("--sample", type=int, help="this many cases, chosen at random")
    # One more than cores: a swallowed answer is waited for, and that costs no computing.
    parser.add_argument("--workers", type=int, default=(os.cpu_count() or 1) + 1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--log", type=Path, help="keep results here; go on where it was broken off")
    parser.add_argument("--only", nargs=2, metavar=("FAULT", "INDEX"), help="one single case")
    parser.add_argument("--real-start", action="store_true", help="start each watchkeeper anew")
    options = parser.parse_args()
    new_worker = partial(Worker, options.procedure, has_real_start=options.real_start)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    begun_s = time.monotonic()
    if options.only:
        cases = [Case(options.only[0], int(options.only[1]))]
    else:
        ours, theirs = os.pipe()
        if (pid := os.fork()) == 0:
            worker = new_worker()
            os.write(theirs, b"%d" % worker.messages())
            worker.close()
            os._exit(0)
        os.close(theirs)
        messages = int(os.read(ours, 100) or b"0")
        os.waitpid(pid, 0)
        if not messages:
            return 1
        cases = [Case(fault, index) for index in range(messages) for fault in FAULTS]
        print(f"{messages} messages, {len(cases)} cases", flush=True)
        if options.sample:
            cases = random.Random(options.seed).sample(cases, min(options.sample, len(cases)))
    done = logged(options.log) if options.log else []
    ready = {(case.fault, case.index) for case in done}
    left = [case for case in cases if (case.fault, case.index) not in ready]
    for case in spread(new_worker, left, min(options.workers, len(left))):
        done.append(case)
        if options.log:
            with options.log.open("a", encoding="utf-8") as file:
                file.write(json.dumps(vars(case)) + "\n")
        if case.problems:
            print(f"{case.fault} at message {case.index}: {case.problems}", flush=True)
        if len(done) % 100 == 0:
            print(f"{len(done)} of {len(cases)}, {time.monotonic() - begun_s:.0f} s", flush=True)
    print(table(done))
    print(f"{len(done)} cases in {time.monotonic() - begun_s:.0f} s")
    return 0 if len(done) == len(cases) and not any(case.problems for case in done) else 1


if __name__ == "__main__":
    sys.exit(main())
