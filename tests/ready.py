"""A process that has imported the program, and has a child of its own run each command.

Python imports the program for a second, which is most of what many a test's run takes. The child is
a process as real as one from a shell: its own number, group, files, environment and end. What differs
is how it began: the modules are there before it needs them, and all children have one hash seed.

Run as a script this file is that process; it takes requests from the socket whose number it is given.
"""

import gc
import importlib
import io
import json
import os
import pkgutil
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import IO, Any

_LONGEST_REQUEST = 2**20
_ENTRY_POINTS = frozenset({"sequencer.watchkeeper"})  # processes of their own
_GONE_S = 10.0


class ReadyProcess:
    """Starts children of one process that is ready."""

    def __init__(self, before: str, environment: Mapping[str, str]) -> None:
        """Start the process; before is Python that it runs ahead of its imports."""
        self._requests, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, __file__, str(theirs.fileno()), before],
                env=dict(environment),
                pass_fds=[theirs.fileno()],
                start_new_session=True,
            )

    def run(
        self,
        code: str,
        arguments: Sequence[str],
        *,
        folder: Path,
        environment: Mapping[str, str],
        says: str,
        patience_s: float,
    ) -> tuple[int, str, str]:
        """Run code as `python -c` would, to its end: exit code, output, errors.

        Raises subprocess.TimeoutExpired, after the child and what it started in its group were killed;
        RuntimeError where the ready process itself has ended.
        """
        request = {
            "code": code,
            "argv": ["-c", *arguments],
            "cwd": str(folder),
            "environment": dict(environment),
        }
        late = time.monotonic() + patience_s
        with ExitStack() as kept:
            stdin, out, err, keeper = self._begin(request, kept)
            number = _line(keeper)
            answers = [_Later(_say, stdin, says), _Later(out.read), _Later(err.read)]
            end = _Later(_line, keeper)
            try:
                status = end.wait(late - time.monotonic())
                _, found_out, found_err = (each.wait(late - time.monotonic()) for each in answers)
            except BaseException as error:
                _kill(number)
                for each in (end, *answers):
                    with suppress(TimeoutError):
                        each.wait(_GONE_S)
                if isinstance(error, TimeoutError):
                    raise subprocess.TimeoutExpired(list(arguments), patience_s) from None
                raise
        return os.waitstatus_to_exitcode(status), found_out, found_err

    def _begin(self, request: dict[str, Any], kept: ExitStack) -> list[IO[str]]:
        """Send a request; ours of its streams, and what its keeper tells."""
        ours: list[IO[str]] = []
        theirs: list[int] = []
        for writes in (True, False, False, False):
            reading, writing = os.pipe()
            mine, other = (writing, reading) if writes else (reading, writing)
            ours.append(open(mine, "w" if writes else "r", encoding="utf-8"))  # noqa: SIM115
            kept.callback(_close, ours[-1])
            theirs.append(other)
        try:
            socket.send_fds(self._requests, [json.dumps(request).encode()], theirs)
        except OSError as error:
            raise RuntimeError("the ready process has ended; its errors stand above") from error
        finally:
            for each in theirs:
                os.close(each)
        return ours

    def stop(self) -> None:
        """End the process; children that still run go on."""
        self._requests.close()
        try:
            self._process.wait(timeout=_GONE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


class _Later(threading.Thread):
    """What a function gives, waited for no longer than one has time."""

    def __init__(self, of: Any, *arguments: Any) -> None:
        super().__init__(daemon=True)
        self._of, self._arguments = of, arguments
        self._found: Any = None
        self._error: Exception | None = None
        self.start()

    def run(self) -> None:
        try:
            self._found = self._of(*self._arguments)
        except Exception as error:  # noqa: BLE001 - raised again in wait
            self._error = error

    def wait(self, seconds: float) -> Any:
        self.join(max(seconds, 0.0))
        if self.is_alive():
            raise TimeoutError
        if self._error is not None:
            raise self._error
        return self._found


def _say(stdin: IO[str], text: str) -> None:
    """Type text, then the end of the input; a child may have ended, or closed its input, before."""
    with suppress(BrokenPipeError):
        stdin.write(text)
    _close(stdin)


def _line(keeper: IO[str]) -> int:
    line = keeper.readline()
    if not line:
        raise RuntimeError("the ready process has ended; its errors stand above")
    return int(line)


def _close(stream: IO[str]) -> None:
    with suppress(BrokenPipeError):  # of what is still to be written
        stream.close()


def _kill(number: int) -> None:
    """End a child and what it started in its group."""
    with suppress(ProcessLookupError):
        os.killpg(number, signal.SIGKILL)


def _import_all() -> None:
    package = importlib.import_module("sequencer")
    for found in pkgutil.walk_packages(package.__path__, "sequencer."):
        if found.name not in _ENTRY_POINTS:
            importlib.import_module(found.name)
    for part in ("fft", "interpolate", "optimize", "special"):
        importlib.import_module(f"scipy.{part}")


def _serve(requests: socket.socket) -> str | None:
    """Fork for each request; in the child that is to carry it out, its code to run."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for the keepers
    while True:
        message, files, _, _ = socket.recv_fds(requests, _LONGEST_REQUEST, 4)
        if not message:
            return None
        if os.fork() == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            requests.close()
            return _keep(json.loads(message), files)
        for each in files:
            os.close(each)


def _keep(request: dict[str, Any], files: Sequence[int]) -> str:
    """Fork the child and tell its number and its end; in the child itself, its code to run."""
    *streams, told = files
    child = os.fork()
    if child == 0:
        os.setpgid(0, 0)
        os.close(told)
        _become(request, streams)
        return str(request["code"])
    with suppress(OSError):  # it has done so itself, and may be gone
        os.setpgid(child, child)
    for each in streams:
        os.close(each)
    with suppress(BrokenPipeError):  # nobody wants to know any more
        os.write(told, f"{child}\n".encode())
        os.write(told, f"{os.waitpid(child, 0)[1]}\n".encode())
    os._exit(0)


def _become(request: dict[str, Any], streams: Sequence[int]) -> None:
    """Take a request's standard streams, environment, arguments and folder."""
    for number, each in enumerate(streams):
        os.dup2(each, number)
        os.close(each)
    sys.stdin = io.TextIOWrapper(io.BufferedReader(_file(0)), encoding="utf-8")
    sys.stdout = io.TextIOWrapper(io.BufferedWriter(_file(1)), encoding="utf-8")
    sys.stderr = io.TextIOWrapper(
        io.BufferedWriter(_file(2)),
        encoding="utf-8",
        errors="backslashreplace",
        line_buffering=True,
    )
    os.environ.clear()
    os.environ.update(request["environment"])
    sys.argv = request["argv"]
    random.seed()
    os.chdir(request["cwd"])


def _file(number: int) -> io.FileIO:
    return io.FileIO(number, "wb" if number else "rb", closefd=False)


def main() -> None:
    """Import everything, then serve."""
    sys.path.pop(0)  # this folder, whose own packages are no part of the program
    requests = socket.socket(fileno=int(sys.argv[1]))
    exec(sys.argv[2], {"__name__": "before"})
    _import_all()
    gc.collect()
    gc.freeze()  # else each child's first collection copies all of it
    code = _serve(requests)
    if code is not None:
        exec(code, {"__name__": "__main__"})


if __name__ == "__main__":
    main()
