"""The servers over real sockets, as a plain VISA program sees them."""

import shutil
import socket
import subprocess
import threading
import time

import numpy as np
import pytest
import pyvisa

from sim_instruments.assembly import ROLES
from sim_instruments.server import HOST, Port, Server


@pytest.fixture(scope="module")
def served(make_bench):
    """A bench behind its ports, served in this process; addresses by name."""
    bench = make_bench()
    ports = {name: Port(each, bench.shared) for name, each in bench.instruments.items()}
    server = Server(ports)
    server.start()
    yield bench, server.addresses()
    server.stop()


@pytest.fixture(scope="module")
def visa():
    """The process's resource manager; shared, so it is not closed here."""
    return pyvisa.ResourceManager("@py")


@pytest.fixture
def connect(served, visa):
    """Opens sessions to an instrument and closes them after the test; scripts are cleared."""
    opened = []

    def connect(name, timeout_ms=2000):
        session = visa.open_resource(
            served[1][name],
            read_termination="\n",
            write_termination="\n",
            timeout=timeout_ms,
            open_timeout=2000,
        )
        opened.append(session)
        return session

    yield connect
    for session in opened:
        session.close()
    with served[0].shared.lock:
        for scripts in served[0].devices.disturbances.values():
            scripts.clear()
        for instrument in served[0].instruments.values():
            instrument.status.clear()


@pytest.fixture
def plug(served):
    """Opens bare sockets."""
    opened = []

    def plug(name):
        port = int(served[1][name].split("::")[2])
        plugged = socket.create_connection((HOST, port), timeout=5)
        plugged.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        opened.append(plugged)
        return plugged

    yield plug
    for plugged in opened:
        plugged.close()


def read_line(plugged):
    line = b""
    while not line.endswith(b"\n"):
        received = plugged.recv(65536)
        assert received, f"closed after {line!r}"
        line += received
    return line


def ask(plugged, message):
    plugged.sendall(message)
    return read_line(plugged)


@pytest.mark.parametrize("name", [*ROLES, "clock"])
def test_every_instrument_identifies_itself(connect, name):
    fields = connect(name).query("*IDN?").split(",")
    assert (len(fields), fields[0]) == (4, "Steadybench Simulated")


def test_a_block_is_had_by_pyvisa(connect):
    analyser = connect("analyser")
    analyser.write("*RST;:FORM REAL,32;:FORM:BORD NORM;:SWE:POIN 1000;:INIT")
    volts = analyser.query_binary_values(
        "TRAC? CH1", datatype="f", is_big_endian=True, container=np.array
    )
    np.testing.assert_allclose(volts, np.arange(1000) * 1e-3, rtol=1e-6)


def test_a_large_block_arrives_whole(connect):
    analyser = connect("analyser", timeout_ms=5000)
    analyser.write("*RST;:FORM REAL,32;:FORM:BORD SWAP;:SWE:POIN 262144;:INIT")
    analyser.write("TRAC? CH1")
    analyser.read_termination = None
    assert analyser.read_bytes(2) == b"#7"
    assert analyser.read_bytes(7) == b"1048576"
    payload = analyser.read_bytes(1048576, chunk_size=65536)
    assert analyser.read_bytes(1) == b"\n"
    assert np.frombuffer(payload, "<f4")[-1] == np.float32(262.143)


def test_state_is_the_instruments_and_stays_when_a_client_leaves(connect):
    first = connect("generator")
    assert first.query("*RST;:FREQ 440;:OUTP ON;:OUTP?") == "1"
    first.close()
    second = connect("generator")
    assert second.query("FREQ?;OUTP?") == "+4.400000000E+02;1"
    assert second.query("OUTP OFF;OUTP?") == "0"


def test_several_clients_of_one_port_are_served_at_once(plug):
    clients = [plug("generator") for _ in range(8)]
    for client in clients:
        client.sendall(b"*IDN?;*ES")  # each stops in the middle of its message
    for client in reversed(clients):
        assert ask(client, b"E?\n") == b"Steadybench Simulated,Generator,SIM-GENERATOR-1,1.0;0\n"


def test_clients_in_threads_get_their_own_answers(plug):
    wrong = []

    def hammer(name, query, expected):
        client = plug(name)
        for _ in range(200):
            if (answer := ask(client, query)) != expected:
                wrong.append(answer)

    jobs = [
        ("generator", b"SYST:VERS?\n", b"1999.0\n"),
        ("generator", b"*TST?\n", b"0\n"),
        ("thermometer", b"MEAS:TEMP? (@2)\n", b"+2.300000000E+01\n"),
        ("analyser", b"INP:COUP?\n", b"DC\n"),
    ]
    threads = [threading.Thread(target=hammer, args=job) for job in jobs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


def test_a_message_may_come_byte_by_byte(plug):
    client = plug("dmm")
    for byte in b"SYST:VERS?\n":
        client.sendall(bytes([byte]))
    assert read_line(client) == b"1999.0\n"


def test_several_messages_in_one_piece_are_all_answered(plug):
    client = plug("dmm")
    client.sendall(b"*TST?\r\n*ESE?\nSYST:VERS?\n")
    received = b""
    while received.count(b"\n") < 3:
        received += client.recv(4096)
    assert received == b"0\n0\n1999.0\n"


def test_endless_input_is_discarded_up_to_its_newline(plug):
    client = plug("dmm")
    for _ in range(40):
        client.sendall(b"x" * 65536)
    assert ask(client, b"\nSYST:ERR?;:SYST:ERR:COUN?\n") == b'-363,"Input buffer overrun";0\n'


def test_an_answer_is_not_held_back_by_the_network_stack(plug):
    """A hundred exchanges; with the 40 ms stall of delayed acknowledgement this takes 4 s."""
    client = plug("generator")
    begin = time.monotonic()
    for _ in range(100):
        client.sendall(b"FREQ 1000\n")
        ask(client, b"FREQ?\n")
    assert time.monotonic() - begin < 2.0


def test_silence_is_a_timeout(connect):
    dmm = connect("dmm", timeout_ms=100)
    assert dmm.query("DIAG:DIST TIMEOUT;*OPC?") == "1"
    with pytest.raises(pyvisa.errors.VisaIOError, match="TMO"):
        dmm.query("READ?")


def test_a_hang_up_closes_the_connection_and_nothing_else(plug):
    client, other = plug("dmm"), plug("dmm")
    assert ask(client, b"DIAG:DIST DISCONNECT;*OPC?\n") == b"1\n"
    client.sendall(b"*TST?\n")
    assert client.recv(100) == b""
    assert ask(other, b"*TST?\n") == b"0\n"


def test_a_truncated_block_is_followed_by_silence(plug):
    client = plug("analyser")
    ask(client, b"*RST;:FORM REAL,32;:SWE:POIN 100;:INIT;*OPC?\n")
    assert ask(client, b"DIAG:DIST TRUNCATED;*OPC?\n") == b"1\n"
    client.sendall(b"TRAC? CH1\n")
    received = client.recv(4096)
    assert 0 < len(received) < 400
    client.settimeout(0.1)
    with pytest.raises(TimeoutError):
        client.recv(4096)


def test_a_query_left_unfinished_is_reported_to_the_next_client(plug):
    plugged = plug("thermometer")
    plugged.sendall(b"MEAS:TEMP?")
    plugged.close()
    client = plug("thermometer")
    for _ in range(200):
        answer = ask(client, b"SYST:ERR?\n")
        if answer != b'0,"No error"\n':
            break
        time.sleep(0.005)
    assert answer == b'-420,"Query UNTERMINATED"\n'


def test_a_client_that_goes_away_in_mid_answer_is_an_interruption(plug):
    plugged = plug("analyser")
    ask(plugged, b"*RST;:FORM REAL,64;:SWE:POIN 4194304;:INIT;*OPC?\n")
    plugged.sendall(b"TRAC? CH1\n")
    assert plugged.recv(1) == b"#"
    plugged.close()
    client = plug("analyser")
    for _ in range(400):
        answer = ask(client, b"SYST:ERR?\n")
        if answer != b'0,"No error"\n':
            break
        time.sleep(0.005)
    assert answer == b'-410,"Query INTERRUPTED"\n'


def test_a_client_that_does_not_read_blocks_nobody(plug):
    deaf = plug("analyser")
    deaf.sendall(b"*RST;:FORM REAL,64;:SWE:POIN 4194304;:INIT;*WAI\nTRAC? CH1\n")
    deaf.recv(1)
    assert ask(plug("analyser"), b"TRAC:COUN?\n").strip().isdigit()
    assert ask(plug("generator"), b"*TST?\n") == b"0\n"


def test_a_bug_behind_one_message_ends_that_connection_only(served, plug, capsys):
    bench, _ = served
    client, broken = plug("power_meter"), plug("power_meter")
    bench.world.mains_power_w = None  # calling it is the bug
    broken.sendall(b"MEAS:POW?\n")
    assert broken.recv(100) == b""
    del bench.world.mains_power_w
    assert ask(client, b"MEAS:POW?\n") == b"+0.000000000E+00\n"
    assert "TypeError" in capsys.readouterr().err


@pytest.mark.skipif(shutil.which("lxi") is None, reason="lxi-tools is not installed")
def test_an_independent_client_gets_the_identity(served):
    """lxi-tools, over a raw socket."""
    port = served[1]["generator"].split("::")[2]
    command = ["lxi", "scpi", "--address", HOST, "--port", port, "--raw", "*IDN?"]
    answer = subprocess.run(command, capture_output=True, text=True, timeout=10, check=True)
    assert answer.stdout.startswith("Steadybench Simulated,Generator,")
