"""A process that has imported the program, and has a child of its own run each command.

Python imports the program for a second, which is most of what many a test's run takes. The child is
a process as real as one from a shell: its own number, files, environment and end. What differs is
how it began, and that it has the modules before it needs them.

Run as a script this file is that process; it takes requests from the socket whose number it is given.
"""

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
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

_LONGEST_REQUEST = 2**20
_ENTRY_POINTS = frozenset({"sequencer.watchkeeper"})  # processes of their own


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

        Raises subprocess.TimeoutExpired, after the child was killed.
        """
        pipes = [os.pipe() for _ in range(4)]
        (their_in, to_child), (from_out, out), (from_err, err), (from_keeper, told) = pipes
        request = {
            "code": code,
            "argv": ["-c", *arguments],
            "cwd": str(folder),
            "environment": dict(environment),
        }
        theirs = [their_in, out, err, told]
        socket.send_fds(self._requests, [json.dumps(request).encode()], theirs)
        for each in theirs:
            os.close(each)
        readers = [_Reader(from_out), _Reader(from_err)]
        with open(from_keeper, encoding="ascii") as keeper:
            number = int(keeper.readline())
            late = threading.Timer(patience_s, os.kill, (number, signal.SIGKILL))
            late.start()
            with open(to_child, "w", encoding="utf-8") as stdin:
                try:
                    stdin.write(says)
                    stdin.flush()
                except BrokenPipeError:
                    pass
            status = int(keeper.readline())
        was_late = not late.is_alive()
        late.cancel()
        found_out, found_err = (each.text() for each in readers)
        if was_late:
            raise subprocess.TimeoutExpired(list(arguments), patience_s, found_out, found_err)
        return os.waitstatus_to_exitcode(status), found_out, found_err

    def stop(self) -> None:
        """End the process; children that still run go on."""
        self._requests.close()
        self._process.wait(timeout=10)


class _Reader(threading.Thread):
    """Reads a pipe to its end, lest the child wait for room in it."""

    def __init__(self, number: int) -> None:
        super().__init__(daemon=True)
        self._number, self._found = number, ""
        self.start()

    def run(self) -> None:
        with open(self._number, encoding="utf-8") as pipe:
            self._found = pipe.read()

    def text(self) -> str:
        self.join()
        return self._found


def _import_all() -> None:
    package = importlib.import_module("sequencer")
    for found in pkgutil.walk_packages(package.__path__, "sequencer."):
        if found.name not in _ENTRY_POINTS:
            importlib.import_module(found.name)
    for name in ("scipy.fft", "scipy.special", "scipy.optimize"):
        importlib.import_module(name)


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


def _keep(request: dict[str, Any], files: Sequence[int]) -> str | None:
    """Fork the child and tell its number and its end; in the child itself, its code to run."""
    *streams, told = files
    child = os.fork()
    if child == 0:
        os.close(told)
        _become(request, streams)
        return str(request["code"])
    for each in streams:
        os.close(each)
    os.write(told, f"{child}\n".encode())
    os.write(told, f"{os.waitpid(child, 0)[1]}\n".encode())
    os._exit(0)


def _become(request: dict[str, Any], streams: Sequence[int]) -> None:
    """Take a request's folder, environment, arguments and standard streams."""
    os.chdir(request["cwd"])
    os.environ.clear()
    os.environ.update(request["environment"])
    sys.argv = request["argv"]
    random.seed()
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


def _file(number: int) -> io.FileIO:
    return io.FileIO(number, "wb" if number else "rb", closefd=False)


def main() -> None:
    requests = socket.socket(fileno=int(sys.argv[1]))
    exec(sys.argv[2], {"__name__": "before"})
    _import_all()
    code = _serve(requests)
    if code is not None:
        exec(code, {"__name__": "__main__"})


if __name__ == "__main__":
    main()
