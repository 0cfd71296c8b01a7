"""A scripted instrument on a real socket, and links to it."""

import contextlib
import json
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvisa
import yaml

from drivers.link import Exchange, LinkSettings, VisaLink


class Client:
    """One connection as the scripted instrument sees it."""

    def __init__(self, connection: socket.socket, number: int, stopping: threading.Event) -> None:
        self.number = number
        self.stopping = stopping
        self._connection = connection

    def send(self, answer: bytes) -> None:
        self._connection.sendall(answer)

    def wait(self, seconds: float) -> None:
        """Do nothing for a while, or until the test is over."""
        self.stopping.wait(seconds)

    def drop(self) -> None:
        self._connection.shutdown(socket.SHUT_RDWR)


Reply = Callable[[str, Client], None]


class ScriptedInstrument:
    """Listens on a port of its own; reply is called for each message with the connection."""

    def __init__(self, reply: Reply, termination: bytes = b"\n", *, reads: bool = True) -> None:
        self.received: list[str] = []
        self.connections = 0
        self.reply = reply
        self._termination = termination
        self._reads = reads
        self._stopping = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._open: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    @property
    def port(self) -> int:
        return int(self._listener.getsockname()[1])

    @property
    def address(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def stop(self) -> None:
        self._stopping.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for connection in self._open:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(5)
        for connection in self._open:
            connection.close()

    def _accept(self) -> None:
        while not self._stopping.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.connections += 1
            self._open.append(connection)
            client = Client(connection, self.connections, self._stopping)
            thread = threading.Thread(target=self._serve, args=(connection, client), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket, client: Client) -> None:
        pending = b""
        with contextlib.suppress(OSError):
            while not self._stopping.is_set():
                if not self._reads and pending:
                    client.wait(30)
                    return
                piece = connection.recv(65536)
                if not piece:
                    return
                pending += piece
                while self._termination in pending:
                    line, pending = pending.split(self._termination, 1)
                    self.received.append(line.decode("ascii"))
                    self.reply(line.decode("ascii"), client)


@pytest.fixture(scope="session")
def manager() -> pyvisa.ResourceManager:
    """The one resource manager of the process; closing it would end every session."""
    return pyvisa.ResourceManager("@py")


@pytest.fixture
def serve() -> Iterator[Callable[..., ScriptedInstrument]]:
    """Start a scripted instrument that ends with the test."""
    started: list[ScriptedInstrument] = []

    def start(
        reply: Reply, termination: bytes = b"\n", *, reads: bool = True
    ) -> ScriptedInstrument:
        started.append(ScriptedInstrument(reply, termination, reads=reads))
        return started[-1]

    yield start
    for instrument in started:
        instrument.stop()


@pytest.fixture
def exchanges() -> list[Exchange]:
    """What links report in this test."""
    return []


@pytest.fixture
def connect(
    manager: pyvisa.ResourceManager, exchanges: list[Exchange]
) -> Iterator[Callable[..., VisaLink]]:
    """A link to an address, closed with the test."""
    links: list[VisaLink] = []

    def make(
        address: str, settings: LinkSettings | None = None, role: str = "dmm", **options: Any
    ) -> VisaLink:
        settings = settings or LinkSettings(timeout_s=0.3)
        options.setdefault("on_exchange", exchanges.append)
        links.append(VisaLink(manager, role, address, settings, **options))
        return links[-1]

    yield make
    for link in links:
        link.close()


@contextlib.contextmanager
def simulated_bench(tongue: str) -> Iterator[dict[str, str]]:
    """The simulated bench as a process; gives the addresses of its instruments and its clock."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Path(folder) / "bench.yaml"
        options = ["--tongue", tongue, "--write-bench", str(bench)]
        process = subprocess.Popen(
            [sys.executable, "-m", "sim_instruments", *options],
            stdout=subprocess.PIPE,
            cwd=Path(__file__).parents[2],
        )
        assert process.stdout is not None
        try:
            addresses = json.loads(process.stdout.readline())
            yield addresses | {"clock": yaml.safe_load(bench.read_text())["clock_address"]}
        finally:
            process.terminate()
            process.wait(10)
            process.stdout.close()


@pytest.fixture(scope="session")
def simulated_addresses() -> Iterator[dict[str, str]]:
    """The simulated bench speaking SCPI-1999, for the whole session."""
    with simulated_bench("scpi") as addresses:
        yield addresses


@pytest.fixture(scope="session")
def plain_addresses() -> Iterator[dict[str, str]]:
    """The simulated bench speaking its other tongue."""
    with simulated_bench("plain") as addresses:
        yield addresses
