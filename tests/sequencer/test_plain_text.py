"""A terminal that lacks a character is shown another one; it never ends a run."""

import io

from sequencer.plain_text import plainly


def test_what_an_ascii_terminal_lacks_is_written_in_other_characters() -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    plainly([stream, object()])
    stream.write("3.2 \u00b5V \u00b1 0.1, 8 \u03a9, \u4e2d")
    stream.flush()
    assert raw.getvalue() == b"3.2 uV +- 0.1, 8 ohm, ?"


def test_a_terminal_that_has_the_characters_is_shown_them() -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="utf-8")
    plainly([stream])
    stream.write("\u00b5V")
    stream.flush()
    assert raw.getvalue() == "\u00b5V".encode()
