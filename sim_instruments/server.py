"""Sockets in front of the instruments: one port an instrument, several clients a port.

Each client has a thread of its own; every exchange runs under the bench's lock, and what is slow (a
late answer, a client that does not read) happens outside it. State is the instrument's and stays
when a client leaves.
"""

import selectors
import socket
import sys
import threading
import time
import traceback
from collections.abc import Callable, Mapping
from typing import Protocol

from sim_instruments.replies import Overrun, Reply
from sim_instruments.shared_bench import SharedBench

HOST = "127.0.0.1"

_CHUNK = 65536
_BACKLOG = 16


class Framing(Protocol):
    """Cuts one client's bytes into messages."""

    def feed(self, received: bytes) -> list[bytes | Overrun]:
        """The messages these bytes complete."""
        ...

    def leftover(self) -> bytes:
        """What has come of a message that was never ended."""
        ...


class Talker(Protocol):
    """An instrument as the server sees it, whatever its tongue."""

    def framer(self) -> Framing:
        """A fresh cutter for one client."""
        ...

    def respond(self, message: bytes | Overrun) -> Reply:
        """Carry out one message; the bench's lock is held."""
        ...

    def hung_up(self, leftover: bytes) -> None:
        """A client left, with this much of a message unfinished."""
        ...

    def interrupted(self) -> None:
        """An answer could not be sent to its end."""
        ...


class Port:
    """One instrument's listening socket."""

    def __init__(
        self,
        talker: Talker,
        bench: SharedBench,
        *,
        port: int = 0,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._talker = talker
        self._bench = bench
        self._sleep = sleep
        self.listener = socket.create_server((HOST, port), backlog=_BACKLOG)

    @property
    def number(self) -> int:
        """The port it listens on."""
        return int(self.listener.getsockname()[1])

    @property
    def address(self) -> str:
        """Its VISA address."""
        return f"TCPIP::{HOST}::{self.number}::SOCKET"

    def accept(self) -> None:
        """Take a waiting client and serve it in a thread."""
        try:
            client, _ = self.listener.accept()
        except OSError:  # it went away before it was taken
            return
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        framer = self._talker.framer()
        with client:
            try:
                self._converse(client, framer)
            except Exception:  # noqa: BLE001 - a bug must be seen, and must not stop the bench
                traceback.print_exc(file=sys.stderr)
        with self._bench.lock:
            self._talker.hung_up(framer.leftover())

    def _converse(self, client: socket.socket, framer: Framing) -> None:
        """Serve messages until the connection is at its end."""
        while received := _receive(client):
            for message in framer.feed(received):
                if not self._exchange(client, message):
                    return

    def _exchange(self, client: socket.socket, message: bytes | Overrun) -> bool:
        """Serve one message; False where the connection is at its end."""
        with self._bench.lock:
            self._bench.catch_up()
            reply = self._talker.respond(message)
        if reply.hangs_up:
            return False
        if reply.delay_s:
            self._sleep(reply.delay_s)
        try:
            if reply.line:
                client.sendall(reply.line)
        except OSError:
            with self._bench.lock:
                self._talker.interrupted()
            return False
        return True


def _receive(client: socket.socket) -> bytes:
    """What the client sent; empty when it left, however it left."""
    try:
        return client.recv(_CHUNK)
    except OSError:
        return b""


class Server:
    """All ports of a bench, accepted for in one thread."""

    def __init__(self, ports: Mapping[str, Port]) -> None:
        self._ports = ports
        self._waker, self._wakes = socket.socketpair()
        self._thread = threading.Thread(target=self._accept, daemon=True)

    def start(self) -> None:
        """Begin to accept clients."""
        self._thread.start()

    def stop(self) -> None:
        """Accept no more clients and close the ports."""
        self._waker.close()
        self._thread.join()
        self._wakes.close()
        for port in self._ports.values():
            port.listener.close()

    def addresses(self) -> dict[str, str]:
        """VISA address by name."""
        return {name: port.address for name, port in self._ports.items()}

    def _accept(self) -> None:
        with selectors.DefaultSelector() as selector:
            for port in self._ports.values():
                selector.register(port.listener, selectors.EVENT_READ, port.accept)
            selector.register(self._wakes, selectors.EVENT_READ, None)
            while True:
                for key, _ in selector.select():
                    if key.data is None:
                        return
                    key.data()
