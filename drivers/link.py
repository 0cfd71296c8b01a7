"""One connection to one instrument, on which no answer is ever mistaken for another.

Theory of operation. An exchange is one message out and, if it asks something, one answer in.
Whatever goes wrong in it, the session is poisoned: closed at once, and a fresh one is opened before
the next exchange, because an answer that comes late would be taken for the answer to the next
question and every later one would be off by one. A fresh session begins with the greeting (the
identity query), which proves that the instrument answers and that it is still the same one, and
empties its error queue.

Rules. Queries and settings are tried up to three times, each time on a fresh session. What
energises is sent once. Each exchange is reported before the next is begun. One deadline holds for a
whole exchange, however slowly its bytes come. Times are real time, never the simulated bench's.
"""

import contextlib
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

import pyvisa
from pyvisa.errors import Error as PyvisaError
from pyvisa.resources import MessageBasedResource, Resource

from drivers.errors import (
    InstrumentError,
    InstrumentTimeout,
    LinkFailed,
    ReportedError,
    UnusableAnswer,
    WrongInstrument,
)
from drivers.reaching import why_unreached
from drivers.scpi_codec import BlockAnswer, ErrorQueue, GarbledAnswer, LineAnswer
from drivers.wires import (
    GuardedSocket,
    PlainSession,
    Wire,
    WireClosed,
    WireTimeout,
    is_timeout,
    private_socket,
)

Answer = TypeVar("Answer")

LONGEST_MESSAGE = 16_384
"""Characters in the longest message that is sent."""

_MOST_QUEUED_ERRORS = 40
_SHOWN_CHARACTERS = 400
_CLOSE_S = 1.0
# What pyvisa and its backends raise when a call fails, open_resource included.
_CALL_FAILURES = (
    PyvisaError,
    OSError,
    ValueError,
    UnicodeError,
    TypeError,
    AttributeError,
    KeyError,
    RuntimeError,
    NotImplementedError,
    WireTimeout,
    WireClosed,
)
# Query errors (-4xx) and communication errors (-36x) are traces of a broken exchange, no refusal.
_TRACES_OF_A_BREAK = (*range(-499, -399), *range(-369, -359))


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkSettings:
    """How to talk to an instrument.

    greeting is the query that proves it answers and who it is, None if it has none; error_queue how
    its errors are read, None if it has none; probe a harmless query for one that has neither. Times
    in s, sizes in bytes.
    """

    timeout_s: float = 2.0
    open_timeout_s: float = 2.0
    write_termination: str = "\n"
    read_termination: str = "\n"
    greeting: str | None = "*IDN?"
    error_queue: ErrorQueue | None = None
    probe: str | None = None
    longest_answer_bytes: int = 65_536
    longest_block_bytes: int = 64 * 1024 * 1024

    def __post_init__(self) -> None:
        """Refuse settings under which an exchange could not end."""
        if not self.read_termination or not self.read_termination.isascii():
            raise ValueError(f"read_termination is {self.read_termination!r}, must be ASCII text")
        if not 0 < self.timeout_s <= 3600 or not 0 < self.open_timeout_s <= 3600:
            raise ValueError(f"timeout_s is {self.timeout_s}, must be above 0 and at most 3600")


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One message to an instrument and what became of it.

    answer is None where none was expected or none came; error is None where all went well. attempt
    counts from 1. seconds are real time.
    """

    role: str
    address: str
    command: str
    answer: str | None
    seconds: float
    attempt: int
    error: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message of a conversation; is_answered says whether a line comes back."""

    text: str
    is_answered: bool


def ignore_exchange(exchange: Exchange) -> None:
    """Report of an exchange for which nobody waits."""


def ignore_energising(role: str, command: str) -> None:
    """Notice before energising for which nobody waits."""


class VisaLink:
    """A pyvisa session that is renewed whenever it can't be trusted; opened on first use.

    on_exchange is called after each exchange and before the next; on_energise(role, command) just
    before a command that energises is sent. What they raise ends the conversation.
    """

    def __init__(
        self,
        resource_manager: pyvisa.ResourceManager,
        role: str,
        address: str,
        settings: LinkSettings,
        *,
        on_exchange: Callable[[Exchange], None] = ignore_exchange,
        on_energise: Callable[[str, str], None] = ignore_energising,
        monotonic: Callable[[], float] = time.monotonic,
        guard_sockets: bool = True,
    ) -> None:
        self.role = role
        self.address = address
        self.settings = settings
        self._resource_manager = resource_manager
        self._on_exchange = on_exchange
        self._on_energise = on_energise
        self._monotonic = monotonic
        self._guard_sockets = guard_sockets
        self._wire: Wire | None = None
        self._identity: str | None = None
        self._refusals: list[tuple[int, str]] = []
        self._lock = threading.RLock()
        self._timeout_s = settings.timeout_s
        self._open_timeout_s = settings.open_timeout_s
        self._most_attempts = 3

    def __enter__(self) -> "VisaLink":
        self.open()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def identity_answer(self) -> str | None:
        """The answer to the greeting; None before the first, or where there is no greeting."""
        return self._identity

    @property
    def timeout_s(self) -> float:
        """The time an exchange may take, s of real time."""
        return self._timeout_s

    def open(self) -> None:
        """Open a session and prove that the instrument answers.

        Raises InstrumentError (which kind says why) when it does not.
        """
        with self._lock:
            self._retry(self._most_attempts, lambda attempt: self._ensure_open(attempt))

    def close(self) -> None:
        """End the session; the next exchange would open a fresh one. Never raises.

        One that a thread still waits in, for a call that does not return, is left to that thread.
        """
        if self._lock.acquire(timeout=_CLOSE_S):
            try:
                self._poison()
            finally:
                self._lock.release()

    @contextlib.contextmanager
    def limited(self, *, timeout_s: float, attempts: int = 3) -> Iterator[None]:
        """Shorter times and fewer attempts for a while, for instance to make the bench safe."""
        before = self._timeout_s, self._open_timeout_s, self._most_attempts
        self._timeout_s = min(timeout_s, before[0])
        self._open_timeout_s = min(timeout_s, before[1])
        self._most_attempts = min(attempts, before[2])
        try:
            yield
        finally:
            self._timeout_s, self._open_timeout_s, self._most_attempts = before

    def prove(self) -> None:
        """Prove that the instrument still answers, by a question that changes nothing.

        Raises InstrumentError when it does not.
        """
        settings = self.settings
        if question := settings.greeting or settings.probe:
            self.query(question)
        else:
            self.open()

    def query(
        self,
        text: str,
        *,
        attempts: int = 3,
        timeout_s: float | None = None,
        longest_bytes: int | None = None,
    ) -> str:
        """The answer to one query, a line of printable text without blanks around it."""
        message = Message(text=text, is_answered=True)
        return self.converse(
            [message],
            lambda answers: answers[0],
            attempts=attempts,
            timeout_s=timeout_s,
            longest_bytes=longest_bytes,
        )

    def command(self, text: str, *, attempts: int = 3, energises: bool = False) -> None:
        """Send one message to which no answer comes; nothing says whether it was understood."""
        message = Message(text=text, is_answered=False)
        self.converse([message], lambda _: None, attempts=attempts, energises=energises)

    def converse(
        self,
        messages: Sequence[Message],
        parse: Callable[[list[str]], Answer],
        *,
        attempts: int = 3,
        energises: bool = False,
        timeout_s: float | None = None,
        longest_bytes: int | None = None,
    ) -> Answer:
        """Exchange messages in turn; parse gets the answers, its result is returned.

        All of it is tried again, on a fresh session, when the transport fails, an answer is garbled
        or parse raises ValueError (UnusableAnswer is then raised after the last attempt). What
        energises is sent once, and what parse raises else is passed on.
        """
        longest = self.settings.longest_answer_bytes if longest_bytes is None else longest_bytes

        def attempt_once(attempt: int) -> Answer:
            answers = []
            for message in messages:
                answer = self._line_exchange(message, attempt, timeout_s, longest)
                answers.extend([] if answer is None else [answer])
            return self._parsed(messages, answers, parse)

        with self._lock:
            return self._run(messages, attempt_once, attempts, energises)

    def query_block(
        self,
        text: str,
        *,
        longest_bytes: int | None = None,
        expected_bytes: int | None = None,
        attempts: int = 3,
        timeout_s: float | None = None,
    ) -> bytes:
        """The payload of a definite-length block.

        Raises UnusableAnswer for a malformed block, one longer than longest_bytes, or one that is
        not expected_bytes long; its bytes are then not read.
        """
        longest = self.settings.longest_block_bytes if longest_bytes is None else longest_bytes

        def attempt_once(attempt: int) -> bytes:
            block = BlockAnswer(self._read_termination(), longest, expected_bytes)
            self._exchange(text, block, attempt, timeout_s)
            return block.payload()

        with self._lock:
            return self._run([Message(text=text, is_answered=True)], attempt_once, attempts, False)

    def shout(self, texts: Sequence[str]) -> None:
        """Send messages to an instrument that no longer answers: it may hear all the same.

        On a fresh connection, with no greeting before, and no answer awaited. Only for what takes
        energy away, since nothing shows what became of it. Never raises InstrumentError.
        """
        with self._lock, contextlib.suppress(InstrumentError):
            self._poison()
            self._wire = self._opened_wire(1)
            try:
                for text in texts:
                    self._exchange(text, None, 1, None)
            finally:
                self._poison()

    # Attempts and sessions.

    def _run(
        self,
        messages: Sequence[Message],
        attempt_once: Callable[[int], Answer],
        attempts: int,
        energises: bool,
    ) -> Answer:
        for message in messages:
            _check_sendable(message.text)
        if not energises:
            return self._retry(
                attempts, lambda attempt: self._on_fresh_ground(attempt, attempt_once)
            )
        # Opening energises nothing and may be tried again; the command itself may not.
        self._retry(self._most_attempts, self._ensure_open)
        self._on_energise(self.role, "; ".join(message.text for message in messages))
        return self._retry(1, attempt_once)

    def _on_fresh_ground(self, attempt: int, attempt_once: Callable[[int], Answer]) -> Answer:
        self._ensure_open(attempt)
        return attempt_once(attempt)

    def _retry(self, attempts: int, attempt_once: Callable[[int], Answer]) -> Answer:
        """Try, each time on a fresh session, until it works or the attempts are used up."""
        most = max(1, min(attempts, self._most_attempts))
        for attempt in range(1, most + 1):
            try:
                return attempt_once(attempt)
            except (InstrumentTimeout, LinkFailed, UnusableAnswer) as error:
                self._poison()
                self._raise_refusal_behind(error, is_last=attempt == most)
                if attempt == most:
                    raise
            except BaseException:
                self._poison()
                raise
        raise AssertionError("unreachable: the last attempt returns or raises")

    def _raise_refusal_behind(self, error: InstrumentError, *, is_last: bool) -> None:
        """Turn a timeout into the refusal that caused it, where the instrument reports one.

        Many instruments drop the rest of a message that they refuse, so that its queries stay
        without an answer and only the error queue tells why.
        """
        if not isinstance(error, InstrumentTimeout) or self.settings.error_queue is None:
            return
        if error.command in (self.settings.greeting, self.settings.error_queue.query):
            return
        try:
            self._ensure_open(1)
        except InstrumentError:
            return
        for code, text in self._refusals:
            if code not in _TRACES_OF_A_BREAK:
                if is_last:
                    self._poison()
                raise ReportedError(self.role, self.address, error.command, code, text) from error

    def _ensure_open(self, attempt: int) -> None:
        if self._wire is not None and (problem := self._wire.stray()) is not None:
            self._report("", None, 0.0, attempt, f"{problem}; opening a fresh connection")
            self._poison()
        if self._wire is not None:
            return
        self._refusals = []
        try:
            self._wire = self._opened_wire(attempt)
            self._greet(attempt)
        except BaseException:
            self._poison()
            raise

    def _opened_wire(self, attempt: int) -> Wire:
        begun_s = self._monotonic()
        try:
            resource = self._resource_manager.open_resource(
                self.address,
                open_timeout=round(self._open_timeout_s * 1000),
                timeout=round(self._timeout_s * 1000),
                write_termination=self.settings.write_termination,
                read_termination=self.settings.read_termination,
            )
        # pyvisa-py raises bare Exception for a host that does not answer.
        except Exception as error:
            waited_s = self._monotonic() - begun_s
            problem = why_unreached(self.address, error)
            self._report("", None, waited_s, attempt, problem)
            raise LinkFailed(self.role, self.address, "open", problem) from error
        return self._wire_of(resource)

    def _wire_of(self, resource: Resource) -> Wire:
        if not isinstance(resource, MessageBasedResource):
            resource.close()
            raise LinkFailed(self.role, self.address, "open", "this address takes no messages")
        try:
            found = private_socket(resource) if self._guard_sockets else None
            if found is not None:
                return GuardedSocket(resource, found, self._monotonic)
            return PlainSession(resource, self.settings.read_termination, self._monotonic)
        except _CALL_FAILURES as error:
            resource.close()
            raise LinkFailed(self.role, self.address, "open", str(error)) from error

    def _greet(self, attempt: int) -> None:
        """Ask who is there, check that it is who it was, and empty its error queue."""
        if self.settings.greeting is not None:
            answer = self._greeting_exchange(self.settings.greeting, attempt)
            if self._identity is not None and answer != self._identity:
                raise WrongInstrument(
                    self.role, self.address, self.settings.greeting, self._identity, answer
                )
            self._identity = answer
        if self.settings.error_queue is not None:
            self._drain(self.settings.error_queue, attempt)
        elif self.settings.greeting is None and self.settings.probe is not None:
            self._greeting_exchange(self.settings.probe, attempt)

    def _drain(self, queue: ErrorQueue, attempt: int) -> None:
        for _ in range(_MOST_QUEUED_ERRORS):
            answer = self._greeting_exchange(queue.query, attempt)
            try:
                report = queue.parse(answer)
            except ValueError as error:
                raise self._unusable(queue.query, answer, str(error)) from error
            if report is None:
                return
            self._refusals.append(report)
        raise self._unusable(queue.query, answer, "the error queue does not become empty")

    def _greeting_exchange(self, text: str, attempt: int) -> str:
        message = Message(text=text, is_answered=True)
        answer = self._line_exchange(message, attempt, None, self.settings.longest_answer_bytes)
        return answer or ""

    def _poison(self) -> None:
        wire, self._wire = self._wire, None
        if wire is not None:
            with contextlib.suppress(*_CALL_FAILURES):
                wire.close()

    # One exchange.

    def _line_exchange(
        self, message: Message, attempt: int, timeout_s: float | None, longest_bytes: int
    ) -> str | None:
        if not message.is_answered:
            self._exchange(message.text, None, attempt, timeout_s)
            return None
        line = LineAnswer(self._read_termination(), longest_bytes)
        self._exchange(message.text, line, attempt, timeout_s)
        return line.text()

    def _exchange(
        self,
        text: str,
        answer: LineAnswer | BlockAnswer | None,
        attempt: int,
        timeout_s: float | None,
    ) -> None:
        """Send text, collect the answer, report both. Raises InstrumentError."""
        begun_s = self._monotonic()
        limit_s = self._timeout_s if timeout_s is None else timeout_s
        try:
            self._transfer(text, answer, begun_s + limit_s)
            shown = _shown(answer)
        except GarbledAnswer as error:
            self._report(text, _escaped(error.seen), self._since(begun_s), attempt, str(error))
            raise self._unusable(text, _escaped(error.seen), str(error)) from error
        except _CALL_FAILURES as error:
            mapped = self._failure(text, error, self._since(begun_s), limit_s)
            self._report(text, None, self._since(begun_s), attempt, mapped.problem)
            raise mapped from error
        except BaseException as error:
            self._report(text, None, self._since(begun_s), attempt, f"broken off: {error!r}")
            raise
        self._report(text, shown, self._since(begun_s), attempt, None)

    def _transfer(
        self, text: str, answer: LineAnswer | BlockAnswer | None, deadline_s: float
    ) -> None:
        wire = self._wire
        if wire is None:
            raise WireClosed
        wire.send((text + self.settings.write_termination).encode("ascii"), deadline_s)
        while answer is not None and not answer.is_complete:
            piece, has_ended = wire.receive(answer.room(), answer.is_text, deadline_s)
            answer.feed(piece)
            if has_ended and not answer.is_complete:
                answer.end()

    def _parsed(
        self,
        messages: Sequence[Message],
        answers: list[str],
        parse: Callable[[list[str]], Answer],
    ) -> Answer:
        try:
            return parse(answers)
        except ValueError as error:
            command = "; ".join(message.text for message in messages)
            raise self._unusable(command, " | ".join(answers), str(error)) from error

    def _failure(
        self, text: str, error: BaseException, waited_s: float, limit_s: float
    ) -> InstrumentError:
        if is_timeout(error):
            return InstrumentTimeout(self.role, self.address, text, waited_s)
        if isinstance(error, WireClosed):
            problem = f"the instrument closed the connection after {waited_s:.1f} s"
        else:
            problem = _why_failed(self.address, error, waited_s, limit_s)
        return LinkFailed(self.role, self.address, text, problem)

    def _unusable(self, command: str, answer: str, problem: str) -> UnusableAnswer:
        return UnusableAnswer(self.role, self.address, command, _shortened(answer), problem)

    def _report(
        self, command: str, answer: str | None, seconds: float, attempt: int, error: str | None
    ) -> None:
        self._on_exchange(
            Exchange(
                role=self.role,
                address=self.address,
                command=command,
                answer=answer,
                seconds=seconds,
                attempt=attempt,
                error=error,
            )
        )

    def _since(self, begun_s: float) -> float:
        return self._monotonic() - begun_s

    def _read_termination(self) -> bytes:
        return self.settings.read_termination.encode("ascii")


def _check_sendable(text: str) -> None:
    if not text.isascii() or not text.isprintable() or not 0 < len(text) <= LONGEST_MESSAGE:
        raise ValueError(
            f"text is {text[:80]!r}, must be 1 to {LONGEST_MESSAGE} printable ASCII characters"
        )


def _shown(answer: LineAnswer | BlockAnswer | None) -> str | None:
    if answer is None:
        return None
    if isinstance(answer, BlockAnswer):
        return f"block of {len(answer.payload())} bytes"
    return _shortened(answer.text())


def _why_failed(address: str, error: BaseException, waited_s: float, limit_s: float) -> str:
    """Why an exchange failed; pyvisa-py tells only at the first one that nobody listens."""
    if isinstance(error, ConnectionRefusedError):
        return why_unreached(address, error)
    kind = type(error).__name__
    return f"the connection failed after {waited_s:.1f} s of {limit_s:.1f} s ({kind}: {error})"


def _shortened(text: str) -> str:
    if len(text) <= _SHOWN_CHARACTERS:
        return text
    return f"{text[:_SHOWN_CHARACTERS]}... ({len(text)} characters)"


def _escaped(seen: bytes) -> str:
    return seen.decode("latin-1").encode("unicode_escape").decode("ascii")
