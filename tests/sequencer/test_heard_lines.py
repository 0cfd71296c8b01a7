"""Lines of a person or a program: none lost, none waited for longer than asked."""

import io
import os
import pty
import time

import pytest

from sequencer.heard_lines import HeardLines


@pytest.fixture
def pipe():
    """What is heard, and the end to write to."""
    read_end, write_end = os.pipe()
    ends = {"write": write_end}
    with os.fdopen(read_end, encoding="utf-8") as stream:
        yield HeardLines(stream), ends
        if ends["write"] is not None:
            os.close(ends["write"])


def test_nothing_said_is_not_waited_for_longer_than_asked(pipe):
    heard, _ = pipe
    begun_s = time.monotonic()
    assert not heard.wait(0.05)
    assert time.monotonic() - begun_s < 5.0


def test_lines_that_came_together_are_heard_one_by_one(pipe):
    heard, ends = pipe
    os.write(ends["write"], "yes\nno\n12 \u00b5V\nunfin".encode())
    for expected in ("yes\n", "no\n", "12 \u00b5V\n"):
        assert heard.wait(5.0)
        assert heard.line() == expected
    assert not heard.wait(0.01)  # half a line is none
    os.write(ends["write"], b"ished\n")
    assert heard.wait(5.0)
    assert heard.line() == "unfinished\n"


def test_the_end_is_heard_and_what_came_before_it(pipe):
    heard, ends = pipe
    os.write(ends["write"], b"last")
    assert not heard.wait(0.01)
    os.close(ends["write"])
    ends["write"] = None
    for expected in ("last", "", ""):
        assert heard.wait(5.0)
        assert heard.line() == expected


def test_a_line_without_end_does_not_fill_the_memory(pipe):
    heard, ends = pipe
    os.set_blocking(ends["write"], False)
    for _ in range(8):
        if heard.wait(0.01):
            break
        os.write(ends["write"], b"x" * 32768)
    assert heard.wait(0.0)
    assert 65536 <= len(heard.line()) <= 2 * 65536


def test_what_is_no_text_does_not_end_the_program(pipe):
    heard, ends = pipe
    os.write(ends["write"], b"\xff\xfe\n")
    assert heard.wait(5.0)
    assert heard.line().endswith("\n")


@pytest.mark.parametrize(("stream", "line"), [(io.StringIO("yes\n"), "yes\n"), (None, "")])
def test_what_is_no_file_is_simply_read(stream, line):
    heard = HeardLines(stream)
    assert heard.wait(0.0)
    assert heard.line() == line
    assert not heard.is_terminal


def test_a_terminal_goes_on_after_its_end_was_typed():
    leader, follower = pty.openpty()
    try:
        with os.fdopen(follower, encoding="utf-8") as stream:
            heard = HeardLines(stream)
            assert heard.is_terminal
            assert not heard.wait(0.01)
            for typed, expected in ((b"yes\n", "yes\n"), (b"\x04", ""), (b"no\n", "no\n")):
                os.write(leader, typed)
                assert heard.wait(5.0)
                assert heard.line() == expected
    finally:
        os.close(leader)
