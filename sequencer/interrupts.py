"""Signals as exceptions, and a shield for the moments that must not be interrupted.

SIGINT, SIGTERM and SIGHUP raise Interrupted in the main thread, also inside a blocked read. While
the bench is made safe they are ignored: a second Ctrl-C changes nothing about a safe end. While
something is done that must be done whole or not at all, they wait.
"""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from sequencer.errors import Interrupted

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@contextmanager
def interruptible() -> Iterator[None]:
    """Within it, a signal raises Interrupted; handlers are put back afterwards."""

    def interrupt(number: int, frame: FrameType | None) -> None:
        # One signal is enough; those that follow must not cut the way to the safe end.
        for each in SIGNALS:
            signal.signal(each, signal.SIG_IGN)
        raise Interrupted(number)

    with _handling(interrupt):
        yield


@contextmanager
def shielded() -> Iterator[None]:
    """Within it, signals are ignored."""
    with _handling(signal.SIG_IGN):
        yield


@contextmanager
def held() -> Iterator[None]:
    """Within it, signals wait; what came is delivered at the end. Off the main thread: nothing."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    try:
        with _handling(lambda number, frame: came.append(number)):
            yield
    finally:
        for number in came:
            signal.raise_signal(number)


@contextmanager
def _handling(handler: object) -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in SIGNALS}
    for number in SIGNALS:
        signal.signal(number, handler)  # type: ignore[arg-type]  # a function or SIG_IGN
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)
