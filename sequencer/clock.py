"""What time is: real, or the simulated bench's own.

The only module that reads the machine's clocks or sleeps. A simulated bench's time moves only by
requests it acknowledges: our waits, and its own captures.
"""

import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """All that the sequencer knows of time."""

    def now_s(self) -> float:
        """Seconds of the bench's time since some fixed moment; never runs backwards."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let this much of the bench's time pass."""
        ...

    def date(self) -> datetime:
        """Date and time of day of the real world, with time zone."""
        ...


class RealClock:
    """The time of the real world."""

    def now_s(self) -> float:
        """Seconds of the monotonic clock."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Sleep for real."""
        time.sleep(max(seconds, 0.0))

    def date(self) -> datetime:
        """Now, in UTC."""
        return datetime.now(UTC)


class SimulatedClock:
    """The time of a simulated bench, moved over its diagnostic commands.

    query sends one message to the bench and returns the answer line.
    """

    # A wait is asked for as "until", not "by": a lost answer can't make time pass twice.
    _PATIENCE = 3

    def __init__(self, query: Callable[[str], str]) -> None:
        self._query = query

    def now_s(self) -> float:
        """Seconds of simulated time since the bench started."""
        return float(self._query("DIAGnostic:CLOCk:TIME?"))

    def sleep(self, seconds: float) -> None:
        """Ask the bench to let this much simulated time pass.

        Raises RuntimeError when the bench does not move its clock.
        """
        if seconds <= 0.0:
            return
        now_s = self.now_s()
        until_s = now_s + seconds
        for _ in range(self._PATIENCE):
            step_s = until_s - now_s
            now_s = float(
                self._query(f"DIAGnostic:CLOCk:ADVance {step_s:.9f};:DIAGnostic:CLOCk:TIME?")
            )
            if now_s >= until_s - 1e-6:
                return
        raise RuntimeError(f"the simulated clock stands at {now_s} s and does not reach {until_s}")

    def date(self) -> datetime:
        """Now, in UTC: a record is dated in the real world."""
        return datetime.now(UTC)


def real_monotonic_s() -> float:
    """Seconds of the machine's monotonic clock, for timeouts and heartbeats."""
    return time.monotonic()
