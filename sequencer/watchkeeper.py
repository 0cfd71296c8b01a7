"""The second process: makes the bench safe when the first can't. `python -m sequencer.watchkeeper FD`.

Theory of operation. The sequencer starts this process before anything is energised and holds one end
of a socket pair. Over it come lines of JSON: what to watch, and a blank line several times a second.
The end of the line tells that the sequencer died (kill -9, a crash, no memory), silence that it hangs,
and "hung" that its own heartbeat thread saw the main thread stand still. What is left of the sequencer
is then ended, so that instruments which take one connection are free and the journal has one writer;
the bench is made safe by the same table on connections of its own; the journal is told; a simulated
bench that nobody would end is ended; and the reservation, whose locks this process shares, is let go
last.

Rules. Everything needed is imported and read before the sequencer goes on. No signal that a terminal
or a shutdown sends ends this process while it watches. It cannot help when the computer itself dies:
that takes a means outside it, which the bench file names.
"""

import contextlib
import json
import os
import select
import signal
import socket
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from drivers.link import ignore_energising, ignore_exchange
from sequencer.bench import open_bench
from sequencer.bench_spec import BenchSpec, load_bench
from sequencer.clock import RealClock, real_monotonic_s
from sequencer.errors import Refused, printable
from sequencer.events import BrokenOff, Event, MadeSafe, SafeAction, Stamped
from sequencer.interrupts import SIGNALS
from sequencer.journal import JOURNAL, Journal, read_tail
from sequencer.make_safe import make_safe

BEAT_S = 0.25
"""Time between two signs of life of the sequencer, real time."""
SILENT_S = 3.0
"""A sequencer that gives no sign of life for this long hangs."""
NAME = "watchkeeper"
_LONGEST_LINE = 65_536
_MOST_DESCRIPTORS = 64
_IDLE_S = 60.0
_STALL_S = 0.5
_DEATH_S = 2.0


@dataclass(slots=True)
class _Charge:
    """What this process is to look after; watched is None before and after a run."""

    process: int | None = None
    watched: "_Watched | None" = None
    orphan: int | None = None
    orphan_folder: Path | None = None
    locks: list[int] = field(default_factory=list)

    def let_go(self) -> None:
        """Release the reservation."""
        for descriptor in self.locks:
            os.close(descriptor)
        self.locks.clear()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Watched:
    """A run under watch."""

    folder: Path
    bench: BenchSpec


class _Line:
    """The line to the sequencer: JSON lines in, with descriptors beside them; JSON lines out."""

    def __init__(self, end: socket.socket) -> None:
        self._end = end
        self._waiting = b""
        self.descriptors: list[int] = []

    def heard(self, within_s: float) -> list[bytes] | None:
        """Lines that came within this time, none for silence; None at the end of the line."""
        ready, _, _ = select.select([self._end], [], [], max(within_s, 0.0))
        if not ready:
            return []
        try:
            piece, descriptors, _, _ = socket.recv_fds(self._end, _LONGEST_LINE, _MOST_DESCRIPTORS)
        except ConnectionError:
            return None
        self.descriptors.extend(descriptors)
        if not piece:
            return None
        *lines, self._waiting = (self._waiting + piece).split(b"\n")
        return lines

    def say(self, **words: object) -> None:
        """Answer the sequencer; one that is gone hears nothing."""
        with contextlib.suppress(OSError):
            self._end.sendall(json.dumps(words).encode() + b"\n")


def serve(end: socket.socket, sequencer: int) -> int:
    """Watch over the sequencer of this process id until it says goodbye or is gone; exit code."""
    line, charge = _Line(end), _Charge(process=_opened(sequencer))
    until_s = real_monotonic_s() + SILENT_S
    while True:
        lines = line.heard(until_s - real_monotonic_s() if charge.watched else _IDLE_S)
        now_s = real_monotonic_s()
        if lines is None:
            _take_over(charge, "the sequencer ended without a word (killed, or a crash)")
            return 0
        if lines or not charge.watched:
            until_s = now_s + SILENT_S
        elif now_s > until_s + _STALL_S:
            until_s = now_s + SILENT_S / 2.0  # the whole computer stood still, not the sequencer
        elif now_s >= until_s:
            _take_over(charge, f"the sequencer gave no sign of life for {SILENT_S:g} s")
            return 0
        for message in lines:
            if message.strip() and not _obey(json.loads(message), charge, line):
                return 0


def _obey(message: Mapping[str, Any], charge: _Charge, line: _Line) -> bool:
    """Do what the sequencer says; whether to go on."""
    match message:
        case {"orphan": pid, "folder": folder}:
            charge.orphan, charge.orphan_folder = _opened(int(pid)), Path(folder)
        case {"orphan": None}:
            _close(charge.orphan)
            charge.orphan = charge.orphan_folder = None
        case {"watch": folder, "bench": bench}:
            charge.locks, line.descriptors = line.descriptors, []
            _begin_watch(charge, Path(folder), Path(bench), line)
        case {"done": True}:
            charge.watched = None
            charge.let_go()
            line.say(done=True)
        case {"hung": why}:
            _take_over(charge, f"the sequencer hangs: {why}")
            return False
        case {"goodbye": True}:
            return False
    return True


def _begin_watch(charge: _Charge, folder: Path, bench: Path, line: _Line) -> None:
    try:
        charge.watched = _Watched(folder=folder, bench=load_bench(bench))
    except Refused as error:
        line.say(refused=error.reason)
        return
    line.say(ready=True)


def _take_over(charge: _Charge, cause: str) -> None:
    """The sequencer is gone or as good as gone: end it, make safe, tell, tidy up."""
    try:
        if charge.watched is not None:
            _end(charge.process, signal.SIGKILL)
            _secure(charge.watched, cause)
    finally:
        _end(charge.orphan, signal.SIGTERM)
        if (folder := charge.orphan_folder) is not None:
            with contextlib.suppress(OSError):
                (folder / "bench.yaml").unlink(missing_ok=True)
                folder.rmdir()
        charge.let_go()


def _secure(watched: _Watched, cause: str) -> None:
    """Make the bench safe, then say what was done: to whoever reads the terminal, and the record."""
    actions = _made_safe(watched.bench)
    _tell(f"{cause}; its watchkeeper made the bench safe")
    for action in actions:
        state = "confirmed" if action.is_confirmed else action.problem or "NOT confirmed"
        _tell(f"  {action.action}: {printable(state)}")
    try:
        _write(watched.folder, cause, MadeSafe(actions=actions))
    except (OSError, Refused) as error:
        _tell(f"  the record could not be told: {printable(str(error))}")


def _made_safe(spec: BenchSpec) -> tuple[SafeAction, ...]:
    try:
        with open_bench(spec, ignore_exchange, ignore_energising, is_lazy=True) as bench:
            return make_safe(bench.instruments, spec.routes, hurry=bench.hurried, is_aside=True)
    except Exception as error:  # noqa: BLE001 - the outermost edge: it must still be told
        problem = (
            f"the bench could not be reached ({error}): switch generator and mains off by hand"
        )
        return (SafeAction(action="bench made safe", is_confirmed=False, problem=problem),)


def _write(folder: Path, cause: str, made_safe: MadeSafe) -> None:
    """Continue the journal's chain; a torn last line is taken away and told."""
    tail = read_tail(folder / JOURNAL)
    events: tuple[Event, ...] = (
        BrokenOff(noticed_by=NAME, cause=cause, torn=tail.torn_text),
        made_safe,
    )
    with Journal(folder, tail) as journal:
        for event in events:
            journal(Stamped(t_s=tail.t_s, at=RealClock().date(), event=event))


def _tell(text: str) -> None:
    """One line on the terminal that the sequencer leaves behind."""
    with contextlib.suppress(OSError, ValueError):
        sys.stderr.write(f"{text}\n")
        sys.stderr.flush()


# Processes, held by descriptor where the system can (Linux), so that no other is ended instead.


def _opened(pid: int) -> int | None:
    try:
        return os.pidfd_open(pid)
    except (OSError, AttributeError):
        return None


def _close(process: int | None) -> None:
    if process is not None:
        os.close(process)


def _end(process: int | None, number: signal.Signals) -> None:
    """Send a signal and wait, not for long, until the process is gone."""
    if process is None:
        return
    with contextlib.suppress(ProcessLookupError):
        signal.pidfd_send_signal(process, number)
    select.select([process], [], [], _DEATH_S)


@contextlib.contextmanager
def _undisturbed() -> Iterator[None]:
    """Signals to a terminal or at a shutdown are not for this process."""
    for number in (*SIGNALS, signal.SIGPIPE):
        signal.signal(number, signal.SIG_IGN)
    yield


def main() -> int:
    """Watch over the parent process; the argument is the descriptor of the line to it."""
    with _undisturbed(), socket.socket(fileno=int(sys.argv[1])) as end:
        return serve(end, os.getppid())


if __name__ == "__main__":
    sys.exit(main())
