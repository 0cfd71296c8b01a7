"""Framing and parsing of program messages (IEEE 488.2 clauses 7.3 to 7.7)."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim_instruments.replies import Overrun
from sim_instruments.scpi_errors import ERROR_TEXTS, ScpiError
from sim_instruments.scpi_parameters import HERTZ, OHM, SECOND, VOLT, Call
from sim_instruments.scpi_syntax import (
    INPUT_LIMIT,
    Framer,
    Kind,
    parse_channel_list,
    parse_parameter,
    parse_unit,
    split_parameters,
    split_units,
)

STREAMS = [
    b"*IDN?\n",
    b"FREQ 1kHz;VOLT 1\n*OPC?\n\n",
    b"A 'it''s;\"x';B \"#15ab\n*CLS\n",
    b"LOAD #15a\nb\nc;B\nC #3\nD\n",
    b"LOAD #213\n\n\n\n\n\n\n\n\n\n\n\n\n,#12\n\n\nE\n",
    b"X #9999999999 y\nZ\n",
    b"CR\r\n\r\nLF\n",
    b"\xff\x00\x80\n",
]


def outcome(messages):
    return ["overrun" if isinstance(message, Overrun) else message for message in messages]


@pytest.mark.parametrize("stream", STREAMS)
def test_messages_do_not_depend_on_where_the_stream_is_cut(stream):
    whole = Framer().feed(stream)
    for cut in range(len(stream) + 1):
        framer = Framer()
        assert framer.feed(stream[:cut]) + framer.feed(stream[cut:]) == whole
    framer = Framer()
    single = [message for byte in stream for message in framer.feed(bytes([byte]))]
    assert single == whole


def test_a_newline_inside_a_block_is_payload():
    assert Framer().feed(b"LOAD #15a\nb\nc;B\nC\n") == [b"LOAD #15a\nb\nc;B", b"C"]


def test_a_lost_quotation_mark_does_not_swallow_the_next_message():
    assert Framer().feed(b"A 'oops\nOUTP OFF\n") == [b"A 'oops", b"OUTP OFF"]


def test_a_block_too_large_to_hold_does_not_swallow_the_next_message():
    assert Framer().feed(b"A #9999999999\nOUTP OFF\n") == [b"A #9999999999", b"OUTP OFF"]


@pytest.mark.parametrize("chunk", [1, 7, 50, 51, 52, 1000])
def test_a_line_too_long_is_discarded_and_the_next_one_read(chunk):
    stream = b"x" * 51 + b"\nshort\n" + b"y" * 50 + b"\n" + b"z" * 500 + b"\nend\n"
    framer = Framer(limit=50)
    pieces = [stream[at : at + chunk] for at in range(0, len(stream), chunk)]
    messages = [message for piece in pieces for message in framer.feed(piece)]
    assert outcome(messages) == ["overrun", b"short", b"y" * 50, "overrun", b"end"]


def test_endless_input_without_newline_is_bounded_in_memory():
    framer = Framer()
    overruns = 0
    for _ in range(64):
        overruns += len(framer.feed(b"x" * INPUT_LIMIT))
        assert len(framer.leftover()) <= INPUT_LIMIT
    assert overruns == 1
    assert framer.feed(b"\n*IDN?\n") == [b"*IDN?"]


@given(st.binary(max_size=300), st.lists(st.integers(0, 300), max_size=5))
def test_framing_of_any_bytes_does_not_depend_on_the_cuts(stream, cuts):
    edges = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    framer = Framer(limit=64)
    pieces = [
        message
        for first, last in itertools.pairwise(edges)
        for message in framer.feed(stream[first:last])
    ]
    assert outcome(pieces) == outcome(Framer(limit=64).feed(stream))


def refusals(message):
    """Numbers of the errors that parsing a whole message runs into."""
    numbers = []
    for unit in split_units(message):
        try:
            _, rest = parse_unit(unit)
            for part in split_parameters(rest):
                parse_parameter(part)
        except ScpiError as error:
            numbers.append(error.number)
    return numbers


@given(st.binary(max_size=200))
def test_any_bytes_are_parsed_or_refused_with_a_command_error(message):
    assert all(number in ERROR_TEXTS and -200 < number <= -100 for number in refusals(message))


@given(st.text(alphabet="FREQ:;?*#'\"(@)0123456789.eE+- ,\t\r\x00mkHzV", max_size=60))
def test_near_misses_are_parsed_or_refused_with_a_command_error(message):
    numbers = refusals(message.encode("latin-1"))
    assert all(number in ERROR_TEXTS and -200 < number <= -100 for number in numbers)


def test_units_are_cut_outside_strings_blocks_and_lists():
    message = b" A ';' ; B \";\";C (@1;2) ;; D #13;;; ;E"
    assert [unit.strip() for unit in split_units(message)] == [
        "A ';'",
        'B ";"',
        "C (@1;2)",
        "D #13;;;",
        "E",
    ]


def test_parameters_are_cut_outside_strings_blocks_and_lists():
    assert split_parameters(" 1 , 'a,b',(@1,2) ,#13,,, ") == ["1", "'a,b'", "(@1,2)", "#13,,, "]
    assert split_parameters("  ") == []


@pytest.mark.parametrize(
    ("unit", "mnemonics", "flags"),
    [
        ("*IDN?", ("IDN",), (True, False, True)),
        (":sour:freq 1", ("SOUR", "FREQ"), (False, True, False)),
        ("Volt:Level? MAX", ("VOLT", "LEVEL"), (False, False, True)),
        ("SOUR2:FREQ\t1", ("SOUR2", "FREQ"), (False, False, False)),
    ],
)
def test_headers(unit, mnemonics, flags):
    header, _ = parse_unit(unit)
    assert header.mnemonics == mnemonics
    assert (header.is_common, header.is_absolute, header.is_query) == flags


# The examples in the texts of SCPI-1999 volume 2, 21.8, and their like.
@pytest.mark.parametrize(
    ("unit", "number"),
    [
        ("SETUP& 1", -101),
        ("&SETUP", -101),
        ("FREQ,100", -111),
        ('*GMC"MACRO"', -111),
        ("FREQ?? ", -111),
        ("FREQ: 1", -102),
        ("THISMNEMONICISLONG 1", -112),
        ("1FREQ", -101),
        ("\x01\x02", -102),
        ("FREQ:VOLT&", -101),
    ],
)
def test_malformed_headers_are_refused(unit, number):
    # Control characters in front are white space and are gone before a unit gets here.
    with pytest.raises(ScpiError) as refusal:
        parse_unit(unit)
    assert refusal.value.number == number


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("1A1B%", -131),
        ("+-1", -121),
        (".", -121),
        ("1.2.3", -121),
        ("1 2", -103),
        ("#Q9", -121),
        ("#HXYZ", -121),
        ("1E40000", -123),
        ("1" * 256, -124),
        ("1 ABCDEFGHIJKLM", -134),
        ("1 V%", -131),
        ("AB-C", -141),
        ("AB CD", -103),
        ("ABCDEFGHIJKLM", -144),
        ("'open", -151),
        ("'a'b'", -151),
        ("'", -151),
        ("#", -161),
        ("#5", -161),
        ("#15abc", -161),
        ("#2x1ab", -161),
        ("(@101", -171),
        ("(@(1))", -171),
        ("%", -101),
        ("\x80", -102),
    ],
)
def test_malformed_parameters_are_refused(text, number):
    with pytest.raises(ScpiError) as refusal:
        parse_parameter(text)
    assert refusal.value.number == number


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1", 1.0),
        ("+.5", 0.5),
        ("-1.", -1.0),
        ("1e3", 1e3),
        ("1.5 E +3", 1.5e3),
        ("#H1F", 31.0),
        ("#q17", 15.0),
        ("#B101", 5.0),
        ("0" * 300 + "1", 1.0),
        ("1E32000", math.inf),
        ("1E-32000", 0.0),
    ],
)
def test_numbers(text, value):
    """IEEE 488.2 7.7.2 (flexible decimal numbers) and 7.7.4 (non-decimal ones)."""
    token = parse_parameter(text)
    assert (token.kind, token.value, token.suffix) == (Kind.NUMBER, value, "")


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_round_trip(value):
    assert parse_parameter(repr(value)).value == value


@given(st.text(max_size=50))
def test_strings_round_trip_with_their_quotes_doubled(text):
    for quote in "'\"":
        written = quote + text.replace(quote, quote * 2) + quote
        assert parse_parameter(written).text == text


# IEEE 488.2 7.7.3 table 7-2, with MHZ and MOHM as mega (7.7.3.3).
@pytest.mark.parametrize(
    ("text", "units", "value"),
    [
        ("1 HZ", HERTZ, 1.0),
        ("1kHz", HERTZ, 1e3),
        ("1.25 MHZ", HERTZ, 1.25e6),
        ("1 MAHZ", HERTZ, 1e6),
        ("1 GHZ", HERTZ, 1e9),
        ("20 mV", VOLT, 20e-3),
        ("5 uv", VOLT, 5e-6),
        ("1 KV", VOLT, 1e3),
        ("2 MAV", VOLT, 2e6),
        ("10 ms", SECOND, 10e-3),
        ("3 S", SECOND, 3.0),
        ("3 SEC", SECOND, 3.0),
        ("1 MOHM", OHM, 1e6),
        ("4.7 KOHM", OHM, 4.7e3),
    ],
)
def test_suffixes_scale_to_si(text, units, value):
    call = Call((parse_parameter(text),))
    assert call.number(0, units) == pytest.approx(value, rel=1e-12)


def test_a_suffix_of_another_quantity_is_invalid():
    with pytest.raises(ScpiError) as refusal:
        Call((parse_parameter("1 V"),)).number(0, HERTZ)
    assert refusal.value.number == -131


def test_channel_lists_are_spans_and_are_not_expanded():
    """SCPI-1999 volume 1, 8.3.2."""
    assert parse_channel_list("@101, 201:203,7") == [(101, 101), (201, 203), (7, 7)]
    assert parse_channel_list("@1:999999999") == [(1, 999999999)]


@pytest.mark.parametrize("text", ["101", "@a", "@1:", "@1,,2", "@1:2:3", "@1!2", "@-1"])
def test_malformed_channel_lists_are_refused(text):
    with pytest.raises(ScpiError) as refusal:
        parse_channel_list(text)
    assert refusal.value.number == -171
