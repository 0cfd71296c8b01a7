"""Answers, cut and garbled in every way.

Sources: IEEE 488.2 clauses 7.7.6, 8.7.9, 8.7.10 (blocks), 8.7.2-8.7.4 (numbers), 10.14 (identity);
SCPI-1999 volume 1, 7.2 (special values) and 8.3.2 (channel lists), volume 2 (SYSTem:ERRor).
"""

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.scpi_codec import (
    BlockAnswer,
    ErrorQueue,
    GarbledAnswer,
    LineAnswer,
    block_digit_count,
    block_length,
    channel_list,
    parse_error_report,
    parse_identity,
    parse_number,
    parse_number_or_infinity,
    parse_reading,
    parse_whole_number,
    parse_word,
    split_list,
)


def fed(answer, pieces):
    for piece in pieces:
        answer.feed(piece)
    return answer


def every_cut(message):
    """The message in two pieces, cut at every position, and byte by byte."""
    for cut in range(1, len(message)):
        yield [message[:cut], message[cut:]]
    yield [message[place : place + 1] for place in range(len(message))]


@pytest.mark.parametrize("termination", [b"\n", b"\r\n", b"END"])
def test_a_line_is_the_same_however_it_is_cut(termination):
    message = b"+1.25E+00 V" + termination
    for pieces in every_cut(message):
        line = fed(LineAnswer(termination, 100), pieces)
        assert line.is_complete
        assert line.text() == "+1.25E+00 V"


@pytest.mark.parametrize("header", [b"#15", b"#800000005"])
@pytest.mark.parametrize("payload", [b"hello", b"\n\r\n#1", b"\xff\x00\n\n\n"])
def test_a_block_is_the_same_however_it_is_cut(header, payload):
    for pieces in every_cut(header + payload + b"\r\n"):
        block = fed(BlockAnswer(b"\r\n", 100, 5), pieces)
        assert block.is_complete
        assert block.payload() == payload


def test_a_block_never_asks_for_more_bytes_than_it_has_left():
    stream = b"#15hello\nNEXT"
    block, taken = BlockAnswer(b"\n", 100), 0
    while not block.is_complete:
        room = block.room()
        block.feed(stream[taken : taken + room])
        taken += room
    assert stream[taken:] == b"NEXT"


# IEEE 488.2, 8.7.9, with the figures of common manuals.
@pytest.mark.parametrize(
    ("header", "expected"),
    [
        (b"#15", 5),
        (b"#213", 13),
        (b"#41024", 1024),
        (b"#800000080", 80),
        (b"#42204", 2204),
        (b"#44408", 4408),
    ],
)
def test_block_headers_of_the_standard_give_their_length(header, expected):
    digits = block_digit_count(header[:2])
    assert block_length(header[2 : 2 + digits]) == expected


@pytest.mark.parametrize("header", [b"#0", b"#a", b"15", b"##", b"# ", b"#", b"#-"])
def test_a_header_without_a_definite_length_is_refused(header):
    with pytest.raises(GarbledAnswer):
        block_digit_count(header)


@given(st.binary(min_size=1, max_size=300), st.integers(1, 40))
def test_any_bytes_end_as_a_block_or_as_garbled_and_never_as_something_else(stream, step):
    block = BlockAnswer(b"\n", 64)
    try:
        for start in range(0, len(stream), step):
            if block.is_complete:
                break
            assert 1 <= block.room() <= 65536
            block.feed(stream[start : start + min(step, block.room())])
    except GarbledAnswer:
        return
    assert len(block.payload() if block.is_complete else b"") <= 64


@given(st.binary(max_size=300), st.integers(1, 40))
def test_any_bytes_end_as_a_line_or_as_garbled_and_never_as_something_else(stream, step):
    line = LineAnswer(b"\n", 64)
    try:
        for start in range(0, len(stream), step):
            if line.is_complete:
                break
            line.feed(stream[start : start + step])
        if line.is_complete:
            assert line.text().isascii()
    except GarbledAnswer:
        return
    assert len(line.seen()) <= 200


def test_a_line_is_refused_as_soon_as_it_is_too_long():
    line = LineAnswer(b"\n", 10)
    line.feed(b"1" * 10)
    with pytest.raises(GarbledAnswer, match="within 10 bytes"):
        line.feed(b"1")


def test_the_end_of_a_message_ends_a_line_and_a_block_without_termination():
    line = fed(LineAnswer(b"\n", 10), [b"1.5"])
    line.end()
    assert line.text() == "1.5"
    block = fed(BlockAnswer(b"\n", 10), [b"#12ab"])
    block.end()
    assert block.is_complete
    assert block.payload() == b"ab"
    with pytest.raises(GarbledAnswer, match="ends after 4 bytes"):
        fed(BlockAnswer(b"\n", 10), [b"#12a"]).end()


# IEEE 488.2, 8.7.2 (NR1), 8.7.3 (NR2), 8.7.4 (NR3).
@pytest.mark.parametrize(
    ("text", "value"),
    [("-123", -123.0), ("12.3", 12.3), ("+1.23E+01", 12.3), (" 5. ", 5.0), (".5e-3", 0.0005)],
)
def test_numbers_of_the_standard_are_read(text, value):
    assert parse_number(text) == value


@pytest.mark.parametrize("text", ["9" * 65, "9.91E37", "9.9E37", "-9.9E37", "1E999", "1E99999"])
def test_what_means_overload_or_is_too_large_is_no_number(text):
    with pytest.raises(ValueError, match=r"not a number|no reading"):
        parse_number(text)


@pytest.mark.parametrize(
    "text",
    ["", " ", "nan", "inf", "1_000", "0x10", "1,5", "1.5V", "--1", "1e", "e5", "1 2", "١"],
)
def test_what_is_no_finite_number_is_refused(text):
    with pytest.raises(ValueError, match=r"not a number|no reading"):
        parse_number(text)


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-9e37, max_value=9e37))
def test_every_float_survives_the_way_through_text(value):
    assert parse_number(f"{value:.17E}") == value
    assert parse_number(repr(value)) == value


@given(st.text(max_size=80))
def test_any_text_is_a_finite_number_or_refused(text):
    with contextlib.suppress(ValueError):
        assert math.isfinite(parse_number(text))


# SCPI-1999 volume 1, 7.2: 9.9E37 infinity, 9.91E37 not a number.
@pytest.mark.parametrize(
    "text", ["9.91E37", "9.9E37", "-9.9E+37", "+9.90000000E+37", "9.899999E37"]
)
def test_special_values_are_no_readings(text):
    assert parse_reading(text) is None


def test_words_of_overload_are_no_readings_and_others_are_errors():
    assert parse_reading(" ol ", ["OL", "OVER"]) is None
    with pytest.raises(ValueError, match="not a number"):
        parse_reading("OL")


def test_infinity_is_a_value_where_a_load_is_meant():
    assert parse_number_or_infinity("9.9E37") == math.inf
    assert parse_number_or_infinity("-9.9E37") == -math.inf
    assert parse_number_or_infinity("50") == 50.0


def test_whole_numbers_may_come_in_any_form_but_without_fraction():
    assert parse_whole_number("+1.6E+01") == 16
    with pytest.raises(ValueError, match="whole"):
        parse_whole_number("16.5")


@pytest.mark.parametrize(
    ("text", "expected"), [("1", True), ("+1", True), ("on", True), ("0", False)]
)
def test_words_are_compared_without_case_and_numbers_as_numbers(text, expected):
    assert parse_word(text, ("1", "ON"), ("0", "OFF")) is expected


@pytest.mark.parametrize("text", ["", "2", "ONE", "10", "1;0"])
def test_any_other_word_is_refused(text):
    with pytest.raises(ValueError, match="is none of"):
        parse_word(text, ("1", "ON"), ("0", "OFF"))


# SCPI-1999 volume 2, SYSTem:ERRor; instruments vary in sign, blanks and device text: number decides.
@pytest.mark.parametrize(
    "answer", ['0,"No error"', '+0,"No error"', "0", "+0, 'none'", '-000,"No error"', "0,No error"]
)
def test_every_way_to_say_no_error_is_no_error(answer):
    assert parse_error_report(answer) is None


@pytest.mark.parametrize(
    ("answer", "code", "text"),
    [
        ('-113,"Undefined header"', -113, "Undefined header"),
        ('-113,"Undefined header;FREK"', -113, "Undefined header;FREK"),
        ('-222, "Data out of range;""VOLT"" 11"', -222, 'Data out of range;"VOLT" 11'),
        ("-350,Too many errors", -350, "Too many errors"),
        ("+101", 101, ""),
    ],
)
def test_errors_are_read_with_number_and_text(answer, code, text):
    assert parse_error_report(answer) == (code, text)


@pytest.mark.parametrize("answer", ["", "No error", '"0"', '0,"No err', '1.5,x\x00"', "0;0"])
def test_what_is_no_error_report_is_refused(answer):
    with pytest.raises(ValueError, match="not an error report"):
        parse_error_report(answer)


def test_an_error_query_of_another_tongue_is_read_by_its_word_for_none():
    queue = ErrorQueue(query="ERR?", no_error="E00")
    assert queue.parse(" e00 ") is None
    assert queue.parse("E17 RANGE") == (17, "E17 RANGE")
    assert queue.parse("BUSY") == (0, "BUSY")
    with pytest.raises(ValueError, match="empty"):
        queue.parse("")


def test_a_list_is_cut_outside_quotes_only():
    assert split_list('1;0,"No error"', ";") == ["1", '0,"No error"']
    assert split_list('-113,"Undefined header;FREK";1', ";") == [
        '-113,"Undefined header;FREK"',
        "1",
    ]
    assert split_list("1, 2 ,3", ",") == ["1", "2", "3"]
    assert split_list('1 | "a | b" | 2', " | ") == ["1", '"a | b"', "2"]
    with pytest.raises(ValueError, match="quote"):
        split_list('1;"open', ";")


@given(
    st.lists(
        st.text(st.characters(codec="ascii", exclude_characters=';"\r\n\t '), max_size=9),
        min_size=1,
    )
)
def test_joined_parts_come_apart_again(parts):
    plain = [part.strip() for part in parts]
    assert split_list(";".join(parts), ";") == plain
    quoted = [f'"{part};{part}"' for part in plain]
    assert split_list(";".join(quoted), ";") == quoted


# SCPI-1999 volume 1, 8.3.2.
@pytest.mark.parametrize(
    ("text", "separator", "expected"),
    [
        ("(@101,201)", ",", {101, 201}),
        ("(@101:103,301)", ",", {101, 102, 103, 301}),
        ("(@)", ",", set()),
        ("", ",", set()),
        ("101; 201", ";", {101, 201}),
    ],
)
def test_channel_lists_are_read(text, separator, expected):
    assert channel_list(text, separator) == expected


@pytest.mark.parametrize("text", ["(@a)", "(@103:101)", "(@1:99999)", "101,,102"])
def test_a_channel_list_that_is_none_is_refused(text):
    with pytest.raises(ValueError, match=r"number|range"):
        channel_list(text)


def test_an_identity_has_four_fields_and_fewer_are_empty():
    # IEEE 488.2, 10.14: manufacturer, model, serial, firmware; commas may stand in the last.
    whole = parse_identity("Steadybench Simulated, Generator,7,1.0,b")
    assert (whole.manufacturer, whole.model) == ("Steadybench Simulated", "Generator")
    assert (whole.serial, whole.firmware) == ("7", "1.0,b")
    assert parse_identity("GEN-1").model == ""
    with pytest.raises(ValueError, match="empty"):
        parse_identity("  ")
