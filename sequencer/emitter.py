"""Stamps what happens in a run with its time and hands it to whoever listens."""

from collections.abc import Sequence

from drivers.errors import InstrumentError
from drivers.link import Exchange
from sequencer.clock import Clock, RealClock
from sequencer.events import Energising, Event, Exchanged, Sink, Stamped


class Emitter:
    """Stamps events with the run's time and hands them to the sinks.

    Messages to instruments are stamped with the last known time: asking the simulated clock for
    each would double the traffic.
    """

    def __init__(self) -> None:
        self._clock: Clock = RealClock()
        self._sinks: tuple[Sink, ...] = ()
        self._start_s: float | None = None
        self._t_s = 0.0
        self._may_fail = True

    def begin(self, clock: Clock, sinks: Sequence[Sink], *, t_s: float = 0.0) -> None:
        """From now on events are stamped by this clock and reach these sinks; t_s is past already."""
        self._clock = clock
        self._sinks = tuple(sinks)
        self._t_s = t_s

    def end(self) -> None:
        """From now on a sink that fails is passed over: what makes safe must not be held up."""
        self._may_fail = False

    def exchanged(self, exchange: Exchange) -> None:
        """Tell of a message to an instrument, as its link reports it."""
        self.emit_now(
            Exchanged(
                role=exchange.role,
                command=exchange.command,
                answer=exchange.answer,
                seconds=exchange.seconds,
                attempt=exchange.attempt,
                problem=exchange.error,
            )
        )

    def energising(self, role: str, command: str) -> None:
        """Tell that a link is about to send a command that energises."""
        self.emit_now(Energising(what=f"{role}: {command}"))

    def emit(self, event: Event) -> None:
        """Stamp with the current bench time and hand over."""
        self._look_at_clock()
        self.emit_now(event)

    def emit_now(self, event: Event) -> None:
        """Hand over with the last known time; every sink gets it, whatever another one does."""
        stamped = Stamped(t_s=self._t_s, at=self._clock.date(), event=event)
        failures: list[Exception] = []
        for sink in self._sinks:
            try:
                sink(stamped)
            except Exception as error:  # noqa: BLE001 - the first one is raised below
                failures.append(error)
        if failures and self._may_fail:
            raise failures[0]

    def _look_at_clock(self) -> None:
        try:
            now_s = self._clock.now_s()
        except (InstrumentError, RuntimeError):
            return  # the time of a lost bench stands still; what is to be told must still be told
        if self._start_s is None:
            self._start_s = now_s - self._t_s
        self._t_s = now_s - self._start_s
