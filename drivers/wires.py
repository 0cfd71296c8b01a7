"""Bytes to and from one open pyvisa session, each call ended by a deadline.

pyvisa-py's read of a raw socket never ends while bytes keep coming without filling the count asked
for, spins until the timeout when the peer has closed, and its write blocks for ever when the peer
has stopped reading. Where its private socket can be reached, GuardedSocket therefore looks first
(peek, select) and lets pyvisa do only what can't block. Everything else is a PlainSession: the
backend's own timeout holds, set to the time that is left.
"""

import select
import socket
from collections.abc import Callable
from typing import Protocol

from pyvisa import constants
from pyvisa.errors import VisaIOError
from pyvisa.resources import MessageBasedResource

_SEND_BYTES = 4096  # pyvisa-py sends in pieces of this size and waits without limit between them
_RECEIVE_STEP = 4096  # pyvisa-py receives in pieces of this size
_SHORTEST_WAIT_S = 0.001


class WireTimeout(Exception):
    """The deadline passed."""


class WireClosed(Exception):
    """The instrument closed the connection."""


class Wire(Protocol):
    """One open connection."""

    def stray(self) -> str | None:
        """What is wrong with the connection before a command is sent, None if nothing is."""
        ...

    def send(self, message: bytes, deadline_s: float) -> None:
        """Send all of a message. Raises WireTimeout, WireClosed and what pyvisa raises."""
        ...

    def receive(self, room: int, is_text: bool, deadline_s: float) -> tuple[bytes, bool]:
        """At least one byte, and whether the transport marked the end of the message."""
        ...

    def close(self) -> None:
        """End the session."""
        ...


def private_socket(resource: MessageBasedResource) -> socket.socket | None:
    """The socket inside a pyvisa-py session, None for every other backend or interface."""
    sessions = getattr(resource.visalib, "sessions", None)
    try:
        found = sessions[resource.session].interface if sessions is not None else None
    except (KeyError, TypeError, AttributeError):
        return None
    return found if isinstance(found, socket.socket) else None


class GuardedSocket:
    """A raw socket of pyvisa-py, looked at before each call so that none can block."""

    def __init__(
        self, resource: MessageBasedResource, peeked: socket.socket, monotonic: Callable[[], float]
    ) -> None:
        self._resource = resource
        self._socket = peeked
        self._monotonic = monotonic
        resource.read_termination = None
        peeked.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def stray(self) -> str | None:
        """Bytes nobody asked for, or a connection that the instrument has closed."""
        if waiting := self._pending():
            return f"{waiting} bytes nobody asked for were waiting"
        self._socket.settimeout(0.0)
        try:
            peeked = self._socket.recv(_RECEIVE_STEP, socket.MSG_PEEK)
        except BlockingIOError:
            return None
        except OSError as error:
            return f"the connection broke: {error}"
        if not peeked:
            return "the instrument had closed the connection"
        return f"{len(peeked)} bytes nobody asked for were waiting"

    def send(self, message: bytes, deadline_s: float) -> None:
        """Send piece by piece, each only when the socket can take it."""
        for start in range(0, len(message), _SEND_BYTES):
            left_s = self._left_s(deadline_s)
            _, writable, _ = select.select([], [self._socket], [], left_s)
            if not writable:
                raise WireTimeout
            self._socket.settimeout(left_s)
            self._resource.write_raw(message[start : start + _SEND_BYTES])

    def receive(self, room: int, is_text: bool, deadline_s: float) -> tuple[bytes, bool]:
        """The bytes that are there, at most room; a byte stream has no end marks."""
        count = self._pending() or self._peek(room, deadline_s)
        return self._resource.read_bytes(min(count, room), chunk_size=min(count, room)), False

    def close(self) -> None:
        """End the session."""
        self._resource.close()

    def _pending(self) -> int:
        session = self._resource.visalib.sessions[self._resource.session]  # type: ignore[attr-defined] # pyvisa-py's own
        return len(getattr(session, "_pending_buffer", b""))

    def _peek(self, room: int, deadline_s: float) -> int:
        """How many bytes can be read without waiting and without receiving more than those."""
        self._socket.settimeout(self._left_s(deadline_s))
        try:
            count = len(self._socket.recv(room, socket.MSG_PEEK))
        except TimeoutError as error:
            raise WireTimeout from error
        if not count:
            raise WireClosed
        return count if count <= _RECEIVE_STEP else count - count % _RECEIVE_STEP

    def _left_s(self, deadline_s: float) -> float:
        left_s = deadline_s - self._monotonic()
        if left_s <= 0:
            raise WireTimeout
        return max(left_s, _SHORTEST_WAIT_S)


class PlainSession:
    """Any other session: the backend's timeout ends each call."""

    def __init__(
        self,
        resource: MessageBasedResource,
        termination: str,
        monotonic: Callable[[], float],
    ) -> None:
        self._resource = resource
        self._termination = termination
        self._monotonic = monotonic
        # Interfaces that mark the end of a message want one large read: with exact small reads a
        # message that is too short never ends (measured on HiSLIP).
        self._marks_ends = resource.resource_class != "SOCKET"

    def stray(self) -> str | None:
        """Nothing can be seen from outside."""
        return None

    def send(self, message: bytes, deadline_s: float) -> None:
        """Send the message with the time that is left as the backend's timeout."""
        self._set_timeout(deadline_s)
        self._resource.write_raw(message)

    def receive(self, room: int, is_text: bool, deadline_s: float) -> tuple[bytes, bool]:
        """The next bytes, and whether the message ended with them."""
        self._set_timeout(deadline_s)
        self._resource.read_termination = self._termination if is_text else None
        with self._resource.ignore_warning(
            constants.StatusCode.success_device_not_present,
            constants.StatusCode.success_max_count_read,
        ):
            piece, status = self._resource.visalib.read(
                self._resource.session, max(room, 65536) if self._marks_ends else room
            )
        has_ended = self._marks_ends and status == constants.StatusCode.success
        if not piece and not has_ended:
            raise WireClosed
        return piece, has_ended

    def close(self) -> None:
        """End the session."""
        self._resource.close()

    def _set_timeout(self, deadline_s: float) -> None:
        left_s = deadline_s - self._monotonic()
        if left_s <= 0:
            raise WireTimeout
        self._resource.timeout = max(1.0, left_s * 1000.0)


def is_timeout(error: BaseException) -> bool:
    """Whether an exception of a wire or of pyvisa means that the time ran out."""
    if isinstance(error, VisaIOError):
        return bool(error.error_code == constants.StatusCode.error_timeout)
    return isinstance(error, (WireTimeout, TimeoutError))
