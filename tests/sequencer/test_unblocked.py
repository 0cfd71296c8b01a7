"""Output to a terminal or pipe that takes nothing."""

import io
import os
import threading
import time

import pytest

from sequencer.unblocked import UnblockedText


@pytest.fixture
def pipe():
    """A pipe: where to write, and its other end's descriptor."""
    reading, writing = os.pipe()
    with io.TextIOWrapper(io.FileIO(writing, "w"), encoding="utf-8") as stream:
        yield stream, reading
    os.close(reading)


def read_all(descriptor: int, wanted: int) -> bytes:
    """So many bytes."""
    content = b""
    while len(content) < wanted:
        content += os.read(descriptor, 65536)
    return content


def test_what_is_flushed_is_there_and_in_order(pipe):
    stream, reading = pipe
    stream.write("first\n")
    text = UnblockedText(stream)
    for word in ("second 1 µV\n", "third\n"):
        text.write(word)
        text.flush()
    stream.write("fourth\n")
    stream.flush()
    assert os.read(reading, 1000).decode() == "first\nsecond 1 µV\nthird\nfourth\n"


def test_one_that_takes_nothing_holds_nobody_up_and_gets_it_all_later(pipe):
    """A pipe nobody reads holds 64 KB; the writer comes back all the same, the second time at once."""
    stream, reading = pipe
    text = UnblockedText(stream)
    line = "x" * 99 + "\n"
    began_s = time.monotonic()
    for _ in range(3000):
        text.write(line)
        text.flush()
    assert time.monotonic() - began_s < 30.0
    assert text._is_held
    got: list[bytes] = []
    reader = threading.Thread(target=lambda: got.append(read_all(reading, 300_000)))
    reader.start()
    reader.join(30.0)
    assert got[0] == line.encode() * 3000
    text.flush()
    assert not text._is_held


def test_what_waits_is_bounded(pipe, monkeypatch):
    monkeypatch.setattr("sequencer.unblocked._MOST_CHARACTERS", 200_000)
    stream, reading = pipe
    text = UnblockedText(stream)
    for _ in range(10_000):
        text.write("y" * 100)
    assert text._characters <= 200_000
    read_all(reading, 200_000)


def test_an_error_is_raised_as_the_stream_would():
    with open("/dev/full", "w", encoding="utf-8") as stream:
        text = UnblockedText(stream)
        text.write("lost")
        with pytest.raises(OSError, match="No space left"):
            text.flush()
        with pytest.raises(OSError, match="No space left"):
            text.write("more")


def test_a_reader_that_went_away_is_a_broken_pipe():
    reading, writing = os.pipe()
    os.close(reading)
    with io.TextIOWrapper(io.FileIO(writing, "w"), encoding="utf-8") as stream:
        text = UnblockedText(stream)
        text.write("lost")
        with pytest.raises(BrokenPipeError):
            text.flush()
