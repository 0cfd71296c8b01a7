"""The sequencer's side of its watchkeeper: starts it, gives signs of life, and notices its death.

A thread gives a sign of life several times a second for as long as the main thread may be silent: each
event allows it some time anew. So a sequencer that hangs is told from one that computes, and one that
is frozen altogether from both. Without its watchkeeper a run does not go on.
"""

import contextlib
import json
import math
import select
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sequencer.clock import real_monotonic_s
from sequencer.errors import Refused, Stopped
from sequencer.events import MadeSafe, MakingSafe, Stamped
from sequencer.interrupts import held
from sequencer.operator import Meanwhile, Operator, nothing
from sequencer.watchkeeper import BEAT_S

# From one event to the next: the longest computation on a slow computer; what an instrument may take
# comes on top. A wait is no reason for more: it is sliced, and each slice is told.
_COMPUTING_S = 120.0
# While the bench is made safe, in the hurried first passes and afterwards. It must be longer than an
# exchange of the second pass may take (1.8 s, see Bench.hurried), which comes before 2 s have passed.
_HURRIED_S = 3.0
_HURRIED_FOR_S = 2.0
_START_S = 30.0
# A second process that takes nothing off the line for this long is as good as gone. The line holds some
# ten signs of life, so that one which hangs is noticed within 5 s.
_SEND_S = 2.0
_LINE_BYTES = 4096


class WatchkeeperLost(Stopped):
    """The second process is gone: nobody would make safe if this one died too."""


class Watchkeeper:
    """The second process, as the first one sees it. A sink of events."""

    def __init__(self) -> None:
        self._end: socket.socket | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._beat, daemon=True, name="heartbeat")
        self._deadline_s = math.inf
        self._instrument_s = 0.0
        self._making_safe_since_s: float | None = None
        self._is_watched = False
        self._is_lost = False
        self._is_hung = False

    def __enter__(self) -> "Watchkeeper":
        ours, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "sequencer.watchkeeper", str(theirs.fileno())],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                start_new_session=True,
                pass_fds=[theirs.fileno()],
            )
        ours.settimeout(_SEND_S)
        self._end = ours
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        with contextlib.suppress(WatchkeeperLost):
            self._say(goodbye=True)
        if self._end is not None:
            self._end.close()
        if self._process is not None:
            try:
                self._process.wait(timeout=_SEND_S if self._is_lost else _START_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()

    def end_orphan(self, pid: int, folder: Path) -> None:
        """End this simulated bench, should nobody be left to do it."""
        self._say(orphan=pid, folder=str(folder))

    def has_ended(self) -> None:
        """The simulated bench is being ended by this process after all."""
        with contextlib.suppress(WatchkeeperLost):
            self._say(orphan=None)

    @contextmanager
    def watching(
        self, folder: Path, bench: Path, locks: Sequence[int], longest_s: float
    ) -> Iterator[None]:
        """Within it the run in this folder is under watch; longest_s is an instrument's timeout.

        Raises Refused when the watchkeeper can't do its work: nothing was energised.
        """
        self._instrument_s = longest_s
        try:
            self._say(locks, watch=str(folder), bench=str(bench))
            answer = self._answer(_START_S)
        except WatchkeeperLost as error:
            raise Refused(f"{error}; nothing was switched on", code="watchkeeper") from error
        if not answer.get("ready"):
            reason = answer.get("refused", "it gives no answer")
            raise Refused(
                f"the watchkeeper can't watch over this run: {reason}", code="watchkeeper"
            )
        self._is_watched = True
        if self._end is not None:
            self._end.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _LINE_BYTES)
        self._allow(_COMPUTING_S)
        if not self._thread.is_alive() and not self._thread.ident:
            self._thread.start()
        try:
            yield
        finally:
            self._deadline_s, self._making_safe_since_s = math.inf, None
            self._is_watched = False
            if not self._is_lost:
                with contextlib.suppress(WatchkeeperLost):
                    self._say(done=True)
                    self._answer(_START_S)

    def __call__(self, stamped: Stamped) -> None:
        """Each event is a sign of progress.

        Raises WatchkeeperLost when the second process is gone.
        """
        match stamped.event:
            case MakingSafe(is_over=False):
                self._making_safe_since_s = real_monotonic_s()
            case MadeSafe() | MakingSafe():
                # Nothing is hurried that comes after it: a step that was cut is still evaluated.
                self._making_safe_since_s = None
            case _:
                pass
        self._allow(self._patience_s())
        self._demand_kept()

    @contextmanager
    def patient(self) -> Iterator[None]:
        """Within it the main thread may wait for as long as it takes: a person is asked."""
        self._deadline_s = math.inf
        try:
            yield
        finally:
            self._allow(_COMPUTING_S)

    @contextmanager
    def impatient(self) -> Iterator[None]:
        """Within it, while a person is asked, the main thread has something to do and must not hang.

        Raises WatchkeeperLost when the second process is gone.
        """
        self._demand_kept()
        self._allow(_COMPUTING_S)
        try:
            yield
        finally:
            self._deadline_s = math.inf

    def _demand_kept(self) -> None:
        if self._is_lost and self._is_watched:
            what = "hangs (it takes no sign of life any more)" if self._is_hung else "ended"
            raise WatchkeeperLost(
                f"the watchkeeper {what}, so nobody would make the bench safe if this process died"
            )

    def _patience_s(self) -> float:
        since_s = self._making_safe_since_s
        if since_s is None:
            return _COMPUTING_S
        return _HURRIED_S if real_monotonic_s() - since_s < _HURRIED_FOR_S else 2.0 * _HURRIED_S

    def _allow(self, seconds: float) -> None:
        is_hurried = self._making_safe_since_s is not None and seconds <= _HURRIED_S
        instrument_s = 0.0 if is_hurried else self._instrument_s
        self._deadline_s = real_monotonic_s() + seconds + instrument_s

    def _beat(self) -> None:
        """The heartbeat thread: signs of life, and an eye on the second process."""
        while not self._stop.wait(BEAT_S):
            if self._is_lost:
                return
            if real_monotonic_s() <= self._deadline_s:
                words = b"\n"
            else:
                why = "its main thread has stood still for too long"
                words = json.dumps({"hung": why}).encode() + b"\n"
            try:
                with self._lock:
                    if self._end is not None:
                        self._end.sendall(words)
            except OSError as error:
                self._is_hung = isinstance(error, TimeoutError)
                self._is_lost = True

    def _say(self, locks: Sequence[int] = (), **words: object) -> None:
        assert self._end is not None, "the watchkeeper was not started"
        content = json.dumps(words).encode() + b"\n"
        try:
            # A signal in the middle would leave half a line on the way.
            with held(), self._lock:
                if locks:
                    socket.send_fds(self._end, [content], list(locks))
                else:
                    self._end.sendall(content)
        except OSError as error:
            raise self._lost() from error

    def _answer(self, within_s: float) -> dict[str, Any]:
        assert self._end is not None, "the watchkeeper was not started"
        answer = b""
        until_s = real_monotonic_s() + within_s
        while not answer.endswith(b"\n"):
            ready, _, _ = select.select([self._end], [], [], max(until_s - real_monotonic_s(), 0))
            piece = self._end.recv(4096) if ready else b""
            if not piece:
                raise self._lost()
            answer += piece
        found = json.loads(answer)
        assert isinstance(found, dict)
        return found

    def _lost(self) -> WatchkeeperLost:
        self._is_lost = True
        return WatchkeeperLost("the watchkeeper does not answer")


class Attended:
    """An operator whose time to think is not taken for a hang."""

    def __init__(self, inner: Operator, keeper: Watchkeeper) -> None:
        self._inner = inner
        self._keeper = keeper
        self.name = inner.name

    def accept(self, caution: str, meanwhile: Meanwhile = nothing) -> None:
        """Ask, and wait for as long as it takes."""
        with self._keeper.patient():
            self._inner.accept(caution, self._watched(meanwhile))

    def answer(self, question: str, meanwhile: Meanwhile = nothing) -> str:
        """Ask, and wait for as long as it takes."""
        with self._keeper.patient():
            return self._inner.answer(question, self._watched(meanwhile))

    def _watched(self, meanwhile: Meanwhile) -> Meanwhile:
        def watched() -> None:
            with self._keeper.impatient():
                meanwhile()

        return watched
