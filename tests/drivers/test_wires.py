"""Sessions of other backends, seen through a session object that behaves as the VISA library says.

VPP-4.3 (VISA library): viRead returns VI_SUCCESS at an end mark, VI_SUCCESS_TERM_CHAR at the
termination character, VI_SUCCESS_MAX_CNT when the count is full; VI_ERROR_TMO after the timeout.
"""

import contextlib

import pytest
from pyvisa import constants
from pyvisa.errors import VisaIOError

from drivers.scpi_codec import BlockAnswer, GarbledAnswer, LineAnswer
from drivers.wires import PlainSession, WireClosed, WireTimeout, is_timeout, private_socket

SUCCESS = constants.StatusCode.success
MORE = constants.StatusCode.success_max_count_read
TERMINATION = constants.StatusCode.success_termination_character_read


class Session:
    """A message-based session with scripted reads."""

    def __init__(self, reads, resource_class="INSTR"):
        self.reads = list(reads)
        self.resource_class = resource_class
        self.session = 1
        self.visalib = self
        self.timeout = 0.0
        self.read_termination = None
        self.written = []
        self.counts = []

    def read(self, session, count):
        self.counts.append(count)
        return self.reads.pop(0)

    def write_raw(self, message):
        self.written.append(message)

    def ignore_warning(self, *codes):
        return contextlib.nullcontext()


def collected(session, answer):
    wire = PlainSession(session, "\n", lambda: 0.0)
    while not answer.is_complete:
        piece, has_ended = wire.receive(answer.room(), answer.is_text, 2.0)
        answer.feed(piece)
        if has_ended and not answer.is_complete:
            answer.end()
    return answer


def test_an_end_mark_ends_a_line_that_has_no_termination():
    assert collected(Session([(b"1.5", SUCCESS)]), LineAnswer(b"\n", 100)).text() == "1.5"


def test_a_line_in_pieces_is_read_to_its_end_mark():
    session = Session([(b"1.", MORE), (b"5\n", SUCCESS)])
    assert collected(session, LineAnswer(b"\n", 100)).text() == "1.5"


def test_a_block_is_read_whole_and_a_short_one_is_noticed():
    block = BlockAnswer(b"\n", 100, 5)
    assert collected(Session([(b"#15he", MORE), (b"llo\n", SUCCESS)]), block).payload() == b"hello"
    with pytest.raises(GarbledAnswer, match="ends after 5 bytes"):
        collected(Session([(b"#15he", SUCCESS)]), BlockAnswer(b"\n", 100, 5))


def test_a_byte_stream_is_asked_for_no_more_than_the_answer_has_left():
    session = Session([(b"#1", MORE), (b"2", MORE), (b"ab\n", MORE)], resource_class="SOCKET")
    assert collected(session, BlockAnswer(b"\n", 100)).payload() == b"ab"
    assert session.counts == [2, 1, 3]


def test_the_termination_ends_reads_of_text_only():
    session = Session([(b"1\n", TERMINATION), (b"#11a\n", SUCCESS)])
    collected(session, LineAnswer(b"\n", 9))
    assert session.read_termination == "\n"
    collected(session, BlockAnswer(b"\n", 9))
    assert session.read_termination is None


def test_the_time_left_is_the_timeout_and_none_left_is_an_end():
    session = Session([(b"", MORE)])
    wire = PlainSession(session, "\n", lambda: 1.5)
    wire.send(b"A?\n", 2.0)
    assert session.timeout == pytest.approx(500.0)  # milliseconds, VI_ATTR_TMO_VALUE
    with pytest.raises(WireTimeout):
        wire.send(b"A?\n", 1.5)
    with pytest.raises(WireClosed):
        wire.receive(10, True, 2.0)


def test_only_a_visa_timeout_is_a_timeout():
    assert is_timeout(VisaIOError(constants.StatusCode.error_timeout))
    assert not is_timeout(VisaIOError(constants.StatusCode.error_connection_lost))
    assert is_timeout(TimeoutError())
    assert not is_timeout(ConnectionResetError())


def test_a_backend_without_a_private_socket_has_none():
    assert private_socket(Session([])) is None
