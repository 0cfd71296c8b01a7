"""The list of drivers and instruments: who answers is asked, and nothing else is done to anybody."""

import json
import socket
import threading
from contextlib import contextmanager, suppress
from datetime import date
from pathlib import Path

import pytest

from drivers.registry import DriverEntry
from drivers.roles import Role
from sequencer.bench_spec import load_bench
from sequencer.cli import run_command
from sequencer.instrument_list import Listing, State, ask_all, listing
from sequencer.reservation import reserved

TODAY = date(2027, 6, 1)


@contextmanager
def answering(answer: bytes | None):
    """A port on which every client gets the same answer to whatever it says; None says nothing."""
    heard: list[bytes] = []
    clients: list[socket.socket] = []

    def serve(listener: socket.socket) -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            clients.append(client)
            threading.Thread(target=reply, args=(client,), daemon=True).start()

    def reply(client: socket.socket) -> None:
        # The test may have closed the client before this thread begins to listen.
        with suppress(OSError):
            while received := client.recv(1000):
                heard.append(received)
                if answer is not None:
                    client.sendall(answer)

    with socket.create_server(("127.0.0.1", 0)) as listener:
        threading.Thread(target=serve, args=(listener,), daemon=True).start()
        yield f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET", heard
        listener.shutdown(socket.SHUT_RDWR)
        for client in clients:
            client.close()


def closed_port() -> str:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"


def bench_with(tmp_path: Path, dmm: str):
    """A bench whose multimeter is the one in question; nobody is at the other addresses."""
    path = tmp_path / "bench.yaml"
    path.write_text(
        f"""\
bench: one in question
generator_ceiling: 2 V
load: {{resistance: 8 ohm, continuous_power: 200 W}}
instruments:
  generator: {{address: "{closed_port()}"}}
  analyser: {{address: "{closed_port()}", ranges: [1 V], sample_rates: [48 kHz]}}
  dmm: {dmm}
""",
        encoding="utf-8",
    )
    return load_bench(path)


def said_by_dmm(tmp_path: Path, dmm: str):
    return ask_all(bench_with(tmp_path, dmm))[Role.DMM]


def test_every_instrument_of_the_simulated_bench_says_who_it_is(shared_bench):
    told = listing(str(shared_bench.bench_file), TODAY)
    assert {role: each.state for role, each in told.asked.items()} == dict.fromkeys(
        Role, State.ANSWERS
    )
    assert all("Steadybench Simulated" in (each.identity or "") for each in told.asked.values())
    assert shared_bench.is_safe


def test_asking_leaves_states_and_error_queues_as_they_are(shared_bench):
    shared_bench.tell("generator", "*CLS;VOLT 0.3;FREQ 440")
    assert shared_bench.ask("generator", "NONSENSE;*OPC?") == "1"
    ask_all(load_bench(shared_bench.bench_file))
    assert shared_bench.ask("generator", "SYST:ERR?").startswith("-113")
    assert float(shared_bench.ask("generator", "VOLT?")) == pytest.approx(0.3)
    assert float(shared_bench.ask("generator", "FREQ?")) == pytest.approx(440)


def test_only_the_identity_query_is_sent_and_once(tmp_path):
    with answering(b"Workshop,Meter,7,1\n") as (address, heard):
        asked = said_by_dmm(tmp_path, f"{{address: '{address}', identity: Workshop}}")
    assert (asked.state, asked.identity) == (State.ANSWERS, "Workshop,Meter,7,1")
    assert heard == [b"*IDN?\n"]


def test_another_instrument_than_expected_is_shown_as_such(tmp_path):
    with answering(b"Workshop,Meter,7,1\n") as (address, _):
        asked = said_by_dmm(tmp_path, f"{{address: '{address}', identity: Other}}")
    assert (asked.state, asked.identity) == (State.ANOTHER, "Workshop,Meter,7,1")
    assert "Other" in str(asked.problem)


def test_one_that_does_not_answer_is_silent(tmp_path):
    with answering(None) as (address, heard):
        asked = said_by_dmm(tmp_path, f"{{address: '{address}', timeout: 100 ms}}")
    assert (asked.state, asked.identity) == (State.SILENT, None)
    assert heard == [b"*IDN?\n"]


def test_where_nobody_listens_it_is_not_reached(tmp_path):
    asked = said_by_dmm(tmp_path, f"{{address: '{closed_port()}'}}")
    assert asked.state is State.UNREACHABLE


def test_an_answer_that_is_no_text_is_unusable(tmp_path):
    with answering(b"\xff\xfe\x00\n") as (address, _):
        asked = said_by_dmm(tmp_path, f"{{address: '{address}'}}")
    assert asked.state is State.UNUSABLE


def test_one_without_an_identity_query_is_asked_something_harmless(tmp_path):
    meter = "driver: mapped, commands: {identity: null, error: null, read_dc: READ}"
    with answering(b"1.5\n") as (address, heard):
        asked = said_by_dmm(tmp_path, f"{{address: '{address}', {meter}}}")
    assert (asked.state, asked.identity, heard) == (State.ANSWERS, None, [b"READ\n"])


def test_a_header_before_the_identity_is_taken_off(tmp_path):
    meter = 'driver: mapped, commands: {identity: ID, answer_header_end: "="}, identity: Workshop'
    with answering(b"ID=Workshop Meter\n") as (address, _):
        asked = said_by_dmm(tmp_path, f"{{address: '{address}', {meter}}}")
    assert (asked.state, asked.identity) == (State.ANSWERS, "Workshop Meter")


def test_one_that_a_run_holds_is_left_alone(tmp_path):
    with answering(b"Workshop,Meter,7,1\n") as (address, heard), reserved([address], "A-1"):
        asked = said_by_dmm(tmp_path, f"{{address: '{address}'}}")
    assert (asked.state, heard) == (State.IN_USE, [])
    assert "in use by A-1" in str(asked.problem)


def test_one_with_a_driver_of_its_own_is_not_asked(tmp_path):
    asked = said_by_dmm(tmp_path, "{address: nowhere, driver: 'drivers.dmm:MappedDmm'}")
    assert asked.state is State.NOT_ASKED


def test_the_words_for_people_tell_what_is_wrong_and_what_is_due(tmp_path):
    dmm = f"{{address: '{closed_port()}', calibration: {{due: 2027-05-31, certificate: C-1}}}}"
    bench = bench_with(tmp_path, dmm)
    listed = Listing(drivers=(), bench=bench, asked=ask_all(bench), today=TODAY)
    assert not listed.is_ready
    told = listed.text()
    assert "one in question: each asked once, nothing switched" in told
    assert told.count("NOT REACHED: nothing listens at 127.0.0.1 port ") == 3
    assert told.count("is the instrument on, and is its network on?") == 3
    assert "calibration RAN OUT on 2027-05-31, certificate C-1" in told
    assert told.count("no calibration date") == 2


def test_a_driver_that_can_not_be_used_here_is_listed_with_the_reason():
    entry = DriverEntry(role=Role.DMM, name="box", factory=None, unavailable="needs boxlib")
    told = Listing(drivers=(entry,), bench=None, asked={}, today=TODAY)
    assert "dmm: box (not here: needs boxlib)" in told.text()
    assert told.to_json()["drivers"] == [
        {"role": "dmm", "name": "box", "usable": False, "reason": "needs boxlib"}
    ]


def test_the_command_lists_drivers_without_a_bench(capsys):
    assert run_command(["instruments"]) == 0
    assert "  dmm: mapped, scpi" in capsys.readouterr().out
    assert run_command(["instruments", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {(each["role"], each["name"]) for each in told["drivers"]} >= {
        (role.value, name) for role in Role for name in ("scpi", "mapped")
    }
    assert (told["bench"], told["instruments"]) == (None, [])


def test_the_command_asks_the_instruments_of_a_bench(shared_bench, capsys):
    assert run_command(["instruments", "--bench", str(shared_bench.bench_file), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    meter = next(each for each in told["instruments"] if each["role"] == "dmm")
    assert meter["state"] == "answers"
    assert meter["identity"].startswith("Steadybench Simulated,Multimeter,")
    assert meter["address"] == f"TCPIP::127.0.0.1::{shared_bench.ports['dmm']}::SOCKET"
    assert meter["lacks"] == []
    assert meter["calibration"]["due"] == "2027-12-31"


def test_a_map_that_lacks_operations_says_which(tmp_path, capsys):
    dmm = f"{{address: '{closed_port()}', driver: mapped, commands: {{read_ac: null}}}}"
    spec = bench_with(tmp_path, dmm)
    assert run_command(["instruments", "--bench", spec.file]) == 1  # nobody listens
    assert "its map has nothing for read_ac_vrms" in capsys.readouterr().out


def test_the_command_prints_a_schema_or_says_what_there_is(capsys):
    assert run_command(["schema", "command_map", "dmm"]) == 0
    assert json.loads(capsys.readouterr().out)["title"] == "steadybench: command map of a dmm"
    assert run_command(["schema"]) == 0
    assert json.loads(capsys.readouterr().out)["title"] == "steadybench: procedure"
    assert run_command(["schema", "command_map", "dmmm"]) == 2
    assert '"dmmm" is no role; did you mean "dmm"?' in capsys.readouterr().err
    assert run_command(["schema", "bensch"]) == 2
    assert 'did you mean "bench"?' in capsys.readouterr().err
