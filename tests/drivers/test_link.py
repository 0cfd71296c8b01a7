"""The link over real sockets to instruments that misbehave on purpose.

What a raw socket can do to a client was measured with pyvisa-py 0.8.1; there is no standard for it.
IEEE 488.2 (8.7.9) gives the form of blocks, SCPI-1999 volume 2 (SYSTem:ERRor) that of error reports.
"""

import socket
import threading
import time

import pytest

from drivers.errors import (
    InstrumentError,
    InstrumentTimeout,
    LinkFailed,
    ReportedError,
    UnusableAnswer,
    WrongInstrument,
)
from drivers.link import LinkSettings, Message
from drivers.scpi_codec import ErrorQueue, parse_number

IDENTITY = b"Steadybench Simulated,Scripted,0,1\n"


def scripted(answers):
    """Answers the identity query, and each other message by the table (bytes or a function)."""

    def reply(text, client):
        answer = answers.get(text, IDENTITY if text == "*IDN?" else None)
        if callable(answer):
            answer(client)
        elif answer is not None:
            client.send(answer)

    return reply


def answers_in_turn(*answers):
    """A function that does one thing after another, and the last one from then on."""
    left = list(answers)

    def act(client):
        answer = left.pop(0) if len(left) > 1 else left[0]
        if callable(answer):
            answer(client)
        elif answer is not None:
            client.send(answer)

    return act


def test_a_query_returns_the_answer_without_termination_and_is_reported(serve, connect, exchanges):
    instrument = serve(scripted({"VOLT?": b" 1.5 \r\n"}))
    link = connect(instrument.address)
    assert link.query("VOLT?") == "1.5"
    assert [exchange.command for exchange in exchanges] == ["*IDN?", "VOLT?"]
    last = exchanges[-1]
    assert (last.role, last.address, last.answer) == ("dmm", instrument.address, "1.5")
    assert (last.attempt, last.error) == (1, None)
    assert 0 <= last.seconds < 1


def test_open_proves_that_the_instrument_answers(serve, connect):
    link = connect(serve(scripted({})).address)
    link.open()
    assert link.identity_answer == "Steadybench Simulated,Scripted,0,1"


def test_open_of_a_port_where_nobody_listens_names_role_and_address(connect, exchanges):
    with socket.create_server(("127.0.0.1", 0)) as unused:
        port = unused.getsockname()[1]
    link = connect(f"TCPIP::127.0.0.1::{port}::SOCKET")
    with pytest.raises(LinkFailed, match=rf"dmm at TCPIP::127.0.0.1::{port}::SOCKET") as caught:
        link.open()
    assert caught.value.command in ("*IDN?", "open")
    assert exchanges[-1].error


def test_an_address_that_is_none_is_a_link_error(connect):
    with pytest.raises(LinkFailed, match="could not be opened"):
        connect("TCPIP::nonsense").open()


def test_an_instrument_that_accepts_and_says_nothing_times_out_within_its_time(connect):
    with socket.create_server(("127.0.0.1", 0)) as silent:
        link = connect(f"TCPIP::127.0.0.1::{silent.getsockname()[1]}::SOCKET")
        begun = time.monotonic()
        with pytest.raises(InstrumentTimeout, match=r"no answer within 0\.3 s"):
            link.open()
    assert 0.85 < time.monotonic() - begun < 2  # three attempts of 0.3 s


def test_a_late_answer_is_never_taken_for_the_next_one(serve, connect, exchanges):
    def late(client):
        client.wait(0.5)
        client.send(b"1\n")

    instrument = serve(scripted({"A?": answers_in_turn(late, b"2\n"), "B?": b"3\n"}))
    link = connect(instrument.address)
    assert link.query("A?") == "2"
    assert link.query("B?") == "3"
    assert instrument.connections == 2
    assert [exchange.attempt for exchange in exchanges if exchange.command == "A?"] == [1, 2]


def test_a_late_answer_to_a_query_tried_once_is_not_seen_by_the_next(serve, connect):
    def late(client):
        client.wait(0.4)
        client.send(b"1\n")

    link = connect(serve(scripted({"A?": late, "B?": b"2\n"})).address)
    with pytest.raises(InstrumentTimeout):
        link.query("A?", attempts=1)
    assert link.query("B?") == "2"


def test_a_query_is_tried_three_times_each_on_a_fresh_connection(serve, connect):
    instrument = serve(scripted({}))
    link = connect(instrument.address)
    with pytest.raises(InstrumentTimeout) as caught:
        link.query("A?")
    assert instrument.received.count("A?") == 3
    assert instrument.connections == 3
    assert caught.value.waited_s == pytest.approx(0.3, abs=0.2)


def test_what_energises_is_sent_once_whatever_happens(serve, connect):
    noticed = []
    instrument = serve(scripted({}))
    link = connect(instrument.address, on_energise=lambda *said: noticed.append(said))
    with pytest.raises(InstrumentTimeout):
        link.converse(
            [Message(text="OUTP ON;:OUTP?", is_answered=True)],
            lambda answers: answers,
            energises=True,
        )
    assert instrument.received.count("OUTP ON;:OUTP?") == 1
    assert noticed == [("dmm", "OUTP ON;:OUTP?")]


def test_a_connection_found_closed_is_renewed_before_something_energises(serve, connect):
    instrument = serve(scripted({"BYE": lambda client: client.drop(), "OUTP ON;:OUTP?": b"1\n"}))
    link = connect(instrument.address)
    link.command("BYE")
    while instrument.connections == 1:
        link.query("*IDN?")
    said = link.converse(
        [Message(text="OUTP ON;:OUTP?", is_answered=True)], lambda answers: answers, energises=True
    )
    assert said == ["1"]
    assert instrument.received.count("OUTP ON;:OUTP?") == 1


def test_a_dropped_connection_is_told_from_a_slow_one_at_once(serve, connect):
    link = connect(serve(scripted({"A?": lambda client: client.drop()})).address)
    link.open()
    begun = time.monotonic()
    with pytest.raises(LinkFailed, match=r"closed the connection|failed"):
        link.query("A?")
    assert time.monotonic() - begun < 0.3


def test_a_drop_in_the_middle_of_an_answer_is_tried_again(serve, connect):
    def torn(client):
        client.send(b"1.2")
        client.drop()

    link = connect(serve(scripted({"A?": answers_in_turn(torn, b"1.25\n")})).address)
    assert link.query("A?") == "1.25"


def test_an_answer_in_pieces_is_put_together(serve, connect):
    def pieces(client):
        for byte in b"1.25\n":
            client.wait(0.005)
            client.send(bytes([byte]))

    assert connect(serve(scripted({"A?": pieces})).address).query("A?") == "1.25"


@pytest.mark.parametrize(
    ("answer", "problem"),
    [
        (b"1\n2\n", "bytes nobody asked for"),
        (b"1\nrest", "bytes nobody asked for"),
        (b"\xff\xfe\n", "not ASCII"),
        (b"\x1b[2J1\n", "control characters"),
        (b"x" * 70_000, "no end of the answer within 65536 bytes"),
    ],
)
def test_an_answer_that_is_not_one_line_of_text_is_refused(serve, connect, answer, problem):
    link = connect(serve(scripted({"A?": answer})).address)
    with pytest.raises(UnusableAnswer, match=problem):
        link.query("A?")


def test_an_answer_nobody_asked_for_renews_the_connection(serve, connect, exchanges):
    sent = threading.Event()

    def chatty(client):
        client.send(b"1\n")
        client.wait(0.02)
        client.send(b"unasked\n")
        sent.set()

    instrument = serve(scripted({"A?": answers_in_turn(chatty, b"2\n"), "B?": b"3\n"}))
    link = connect(instrument.address)
    assert link.query("A?") == "1"
    assert sent.wait(2)
    assert link.query("B?") == "3"
    assert instrument.connections == 2
    assert any("nobody asked for" in (exchange.error or "") for exchange in exchanges)


def test_a_byte_now_and_then_does_not_stretch_the_deadline(serve, connect):
    def drip(client):
        while not client.stopping.is_set():
            client.send(b"1")
            client.wait(0.05)

    link = connect(serve(scripted({"A?": drip})).address)
    begun = time.monotonic()
    with pytest.raises(InstrumentTimeout):
        link.query("A?", attempts=1)
    assert time.monotonic() - begun < 1


def test_an_endless_answer_ends_at_the_limit(serve, connect):
    def endless(client):
        while not client.stopping.is_set():
            client.send(b"9" * 65536)

    link = connect(serve(scripted({"A?": endless})).address, LinkSettings(timeout_s=2))
    begun = time.monotonic()
    with pytest.raises(UnusableAnswer, match="no end of the answer"):
        link.query("A?", attempts=1)
    assert time.monotonic() - begun < 1.5


def test_a_peer_that_stopped_reading_blocks_nobody(serve, connect):
    instrument = serve(scripted({}), reads=False)
    link = connect(instrument.address, LinkSettings(timeout_s=0.3, greeting=None))

    def fill():
        for _ in range(10_000):
            link.command("X" * 16_000, attempts=1)

    begun = time.monotonic()
    with pytest.raises(InstrumentTimeout):
        fill()
    assert time.monotonic() - begun < 30


def test_garbage_is_asked_again_on_a_fresh_connection(serve, connect):
    instrument = serve(scripted({"A?": answers_in_turn(b"#%&\n", b"1.5\n")}))
    link = connect(instrument.address)
    message = [Message(text="A?", is_answered=True)]
    assert link.converse(message, lambda answers: parse_number(answers[0])) == 1.5
    assert instrument.connections == 2


def test_garbage_that_stays_is_an_unusable_answer_that_shows_it(serve, connect):
    link = connect(serve(scripted({"A?": b"gibberish\n"})).address)
    message = [Message(text="A?", is_answered=True)]
    with pytest.raises(UnusableAnswer, match=r"not a number.*gibberish"):
        link.converse(message, lambda answers: parse_number(answers[0]))


def test_another_instrument_after_reopening_is_noticed(serve, connect):
    identities = answers_in_turn(IDENTITY, b"Steadybench Simulated,Other,0,1\n")
    link = connect(serve(scripted({"*IDN?": identities})).address)
    with pytest.raises(WrongInstrument, match="Other"):
        link.query("A?")


def test_a_timeout_caused_by_a_refusal_tells_the_refusal(serve, connect):
    # SCPI-1999 volume 2, SYSTem:ERRor: -113 is "Undefined header".
    queue = answers_in_turn(b'0,"No error"\n', b'-113,"Undefined header"\n', b'0,"No error"\n')
    link = connect(
        serve(scripted({"SYST:ERR?": queue})).address,
        LinkSettings(timeout_s=0.2, error_queue=ErrorQueue(query="SYST:ERR?")),
    )
    with pytest.raises(ReportedError, match="Undefined header") as caught:
        link.query("FREK?")
    assert caught.value.code == -113


def test_traces_of_a_broken_exchange_in_the_error_queue_do_not_stop_the_next_attempt(
    serve, connect
):
    # SCPI-1999 volume 2, SYSTem:ERRor: -410 is "Query INTERRUPTED".
    queue = answers_in_turn(b'0,"No error"\n', b'-410,"Query INTERRUPTED"\n', b'0,"No error"\n')
    link = connect(
        serve(scripted({"SYST:ERR?": queue, "A?": answers_in_turn(None, b"1\n")})).address,
        LinkSettings(timeout_s=0.2, error_queue=ErrorQueue(query="SYST:ERR?")),
    )
    assert link.query("A?") == "1"


def test_an_error_queue_that_never_empties_is_given_up(serve, connect):
    link = connect(
        serve(scripted({"SYST:ERR?": b'-350,"Queue overflow"\n'})).address,
        LinkSettings(timeout_s=1, error_queue=ErrorQueue(query="SYST:ERR?")),
    )
    with pytest.raises(UnusableAnswer, match="does not become empty"):
        link.open()


@pytest.mark.parametrize("header", [b"#15", b"#800000005", b"#3005"])
def test_a_block_is_read_to_its_announced_length(serve, connect, header):
    # IEEE 488.2, 8.7.9: digits of length may have leading zeros; the payload may hold newlines.
    link = connect(serve(scripted({"A?": header + b"he\nlo\n", "B?": b"2\n"})).address)
    assert link.query_block("A?") == b"he\nlo"
    assert link.query("B?") == "2"


def test_a_large_block_arrives_whole_and_is_reported_by_its_size(serve, connect, exchanges):
    payload = bytes(range(256)) * 4096
    link = connect(
        serve(scripted({"A?": b"#71048576" + payload + b"\n"})).address, LinkSettings(timeout_s=5)
    )
    assert link.query_block("A?", expected_bytes=1_048_576) == payload
    assert exchanges[-1].answer == "block of 1048576 bytes"


@pytest.mark.parametrize(
    ("answer", "problem"),
    [
        (b"#9999999999" + b"x" * 100, "announces 999999999 bytes, at most"),
        (b"#0abc\n", "no definite length"),
        (b"hello\n", "does not begin with #"),
        (b"#1x", "not a number"),
        (b"#13abcdef\n", "announces 3 bytes, 5 were expected"),
        (b"#15helloX", "instead of"),
    ],
)
def test_a_block_that_is_none_is_refused_before_its_bytes_are_read(serve, connect, answer, problem):
    link = connect(serve(scripted({"A?": answer})).address)
    with pytest.raises(UnusableAnswer, match=problem):
        link.query_block("A?", expected_bytes=5)


def test_a_block_that_stops_early_times_out(serve, connect):
    link = connect(serve(scripted({"A?": b"#15he"})).address)
    with pytest.raises(InstrumentTimeout):
        link.query_block("A?", attempts=1)


def test_an_interruption_poisons_the_session_and_is_recorded(serve, connect, exchanges):
    class Interruption(BaseException):
        pass

    ticks = iter([0.0, 0.0, 0.0, 0.0, 0.0])

    def clock():
        try:
            return next(ticks)
        except StopIteration:
            raise Interruption from None

    instrument = serve(scripted({"A?": b"1\n"}))
    link = connect(instrument.address, LinkSettings(timeout_s=1, greeting=None))
    link.query("A?")
    link._monotonic = clock
    link._wire._monotonic = clock

    # The clock is read at each point where a signal could strike; here it strikes on the way.
    def ask():
        for _ in range(5):
            link.query("A?")

    with pytest.raises(Interruption):
        ask()
    link._monotonic = time.monotonic
    assert link.query("A?") == "1"
    assert instrument.connections == 2


def test_a_report_that_can_not_be_written_stops_before_the_next_command(serve, connect):
    instrument = serve(scripted({"A?": b"1\n", "B?": b"2\n"}))

    def full_disk(exchange):
        if exchange.command == "A?":
            raise OSError("no space left")

    link = connect(instrument.address, on_exchange=full_disk)
    with pytest.raises(OSError, match="no space left"):
        link.converse(
            [Message(text=text, is_answered=True) for text in ("A?", "B?")], lambda answers: answers
        )
    assert "B?" not in instrument.received


def test_limits_for_a_while_shorten_times_and_attempts(serve, connect):
    instrument = serve(scripted({}))
    link = connect(instrument.address, LinkSettings(timeout_s=20))
    begun = time.monotonic()
    with link.limited(timeout_s=0.1, attempts=1), pytest.raises(InstrumentTimeout):
        link.query("A?")
    assert time.monotonic() - begun < 2
    assert instrument.received.count("A?") == 1
    assert link.timeout_s == 20


@pytest.mark.parametrize("text", ["", "A?\nOUTP ON", "µ", "x" * 20_000, "\x1b"])
def test_a_message_that_could_be_taken_for_several_is_not_sent(serve, connect, text):
    instrument = serve(scripted({}))
    with pytest.raises(ValueError, match="text is"):
        connect(instrument.address).query(text)
    assert instrument.received == []


@pytest.mark.parametrize("termination", ["\r\n", "\r", ";"])
def test_other_terminations_are_taken(serve, connect, termination):
    instrument = serve(
        lambda text, client: client.send(b"1.5" + termination.encode()), termination.encode()
    )
    link = connect(
        instrument.address,
        LinkSettings(
            timeout_s=1,
            greeting=None,
            write_termination=termination,
            read_termination=termination,
        ),
    )
    assert link.query("A?") == "1.5"
    assert instrument.received == ["A?"]


def test_without_the_private_socket_queries_blocks_and_late_answers_work_too(serve, connect):
    def late(client):
        client.wait(0.5)
        client.send(b"1\n")

    answers = {"A?": b"1.5\n", "B?": b"#15he\nlo\n", "C?": answers_in_turn(late, b"2\n")}
    link = connect(serve(scripted(answers)).address, guard_sockets=False)
    assert link.query("A?") == "1.5"
    assert link.query_block("B?") == b"he\nlo"
    assert link.query("C?") == "2"
    assert link.query("A?") == "1.5"


def test_reopening_a_thousand_times_leaks_no_descriptor(serve, connect):
    import os

    link = connect(serve(scripted({"A?": b"1\n"})).address)
    link.query("A?")
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(200):
        link.close()
        link.query("A?")
    # The scripted instrument in this process keeps its ends until the test is over.
    assert len(os.listdir("/proc/self/fd")) - before <= 202


def test_settings_that_could_not_end_an_exchange_are_refused():
    with pytest.raises(ValueError, match="read_termination"):
        LinkSettings(read_termination="")
    with pytest.raises(ValueError, match="timeout_s"):
        LinkSettings(timeout_s=0)


def test_every_error_is_an_instrument_error():
    for kind in (InstrumentTimeout, LinkFailed, ReportedError, UnusableAnswer, WrongInstrument):
        assert issubclass(kind, InstrumentError)
