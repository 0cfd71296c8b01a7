"""Headers, compound messages, and parameters as whole messages to an instrument.

Sources: SCPI-1999 volume 1, 6.2 (headers, tree position) and 7 (parameters); IEEE 488.2 clause 6.
"""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sim_instruments.scpi_parameters import Call
from sim_instruments.scpi_syntax import parse_unit
from sim_instruments.scpi_tree import Command, CommandTree


def value(bench, query, role="generator"):
    return float(bench.ask(role, query))


@pytest.mark.parametrize(
    "header",
    [
        "FREQ",
        "freq",
        "Frequency",
        ":FREQ",
        "FREQ:CW",
        "FREQ:FIX",
        "FREQUENCY:FIXED",
        "SOUR:FREQ",
        "SOURce1:FREQuency:CW",
        ":SOUR1:FREQ1:CW",
    ],
)
def test_all_spellings_of_a_header_are_one_command(bench, header):
    bench.ask("generator", f"{header} 1234")
    assert value(bench, f"{header}?") == 1234
    assert bench.errors("generator") == []


@pytest.mark.parametrize("header", ["FREQU", "FRE", "SOURC:FREQ", "SYSTE:ERR", "FREQ:CW:FIX", "CW"])
def test_only_short_and_long_form_are_legal(bench, header):
    bench.ask("generator", f"{header} 1")
    assert bench.errors("generator") == [-113]


@pytest.mark.parametrize("header", ["SOUR3:FREQ", "SOUR0:FREQ", "OUTP2", "FREQ99999"])
def test_a_numeric_suffix_out_of_range_is_refused(bench, header):
    bench.ask("generator", f"{header} 1")
    assert bench.errors("generator") == [-114]


def test_a_numeric_suffix_chooses_the_tone(bench):
    bench.ask("generator", "SOUR1:FREQ 60;:SOUR2:FREQ 7 kHz")
    assert [value(bench, q) for q in ("FREQ?", "SOUR1:FREQ?", "SOUR2:FREQ?")] == [60, 60, 7000]


@pytest.mark.parametrize(
    ("message", "answers"),
    [
        ("FREQ 100;VOLT 1;FREQ?", "+1.000000000E+02"),  # the second starts at the root
        ("SOUR:FREQ 100;VOLT 2;VOLT?", "+2.000000000E+00"),  # ... at SOURce
        ("SOUR:FREQ:STAR 30;STOP 3000;STOP?", "+3.000000000E+03"),  # ... at SOURce:FREQuency
        ("FREQ:STAR 30;:VOLT 3;:VOLT?", "+3.000000000E+00"),  # the colon goes to the root
        ("FREQ:STAR 30;*CLS;STOP 4000;STOP?", "+4.000000000E+03"),  # common: position stays
        ("VOLT:LEV:IMM:AMPL 1;OFFS 0.5;OFFS?", "+5.000000000E-01"),
        ("OUTP:STAT ON;STAT?", "1"),
        ("STAT:OPER:ENAB 5;ENAB?;COND?", "5;0"),
        ("SYST:ERR:COUN?;NEXT?", '0;0,"No error"'),
    ],
)
def test_tree_position_after_a_semicolon(bench, message, answers):
    assert bench.ask("generator", message) == answers
    assert bench.errors("generator") == []


@pytest.mark.parametrize(
    "message",
    [
        "FREQ:STAR 30;VOLT 1",  # FREQ:VOLT is no header
        "VOLT 1;OFFS 0.1",  # omitted default nodes leave the position at the root
        "STAT:OPER?;SYST:ERR?",
    ],
)
def test_tree_position_is_not_guessed(bench, message):
    bench.ask("generator", message)
    assert bench.errors("generator") == [-113]


def test_tree_position_does_not_outlive_its_message(bench):
    bench.ask("generator", "SOUR:FREQ:STAR 30")
    bench.ask("generator", "STOP 3000")
    assert bench.errors("generator") == [-113]


def test_units_after_an_erroneous_one_are_carried_out(bench):
    answer = bench.ask("generator", "FOO 1;FREQ 50;FREQ?;:SYST:ERR?")
    assert answer == '+5.000000000E+01;-113,"Undefined header"'


def test_a_query_that_fails_answers_nothing(bench):
    assert bench.ask("analyser", "TRAC? CH1") == ""
    assert bench.errors("analyser") == [-230]
    assert bench.ask("analyser", "TRAC:RATE?;*TST?") == "0"


@pytest.mark.parametrize("message", ["", " ", ";", "\r", " ; ;\t", "*CLS;", ";*CLS"])
def test_empty_units_are_no_error(bench, message):
    assert bench.ask("generator", message) == ""
    assert bench.errors("generator") == []


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("FREQ", -109),
        ("FREQ 1,2", -108),
        ("FREQ 1,,2", -109),
        ("FREQ 1 V", -131),
        ("FREQ 1E9", -222),
        ("FREQ -1", -222),
        ("FREQ 1E999", -222),
        ("FREQ FOO", -141),
        ("FREQ 'FOO'", -158),
        ("FREQ #11x", -168),
        ("FREQ (@101)", -178),
        ("FREQ INF", -222),
        ("FREQ? 5", -128),
        ("FUNC TRIANGLE", -224),
        ("FUNC 1", -128),
        ("OUTP MAYBE", -141),
        ("*ESE 256", -222),
        ("*ESE -1", -222),
        ("*ESE ON", -148),
        ("*ESE 1 V", -138),
        ("*IDN? 1", -108),
        ("*NIX", -113),
        ("*IDN:X?", -103),
        ("*RST?", -113),
        ("FREQ:CW?:FIX", -102),
    ],
)
def test_errors_of_parameters_and_headers(bench, message, number):
    assert bench.ask("generator", message) == ""
    assert bench.errors("generator") == [number]
    assert value(bench, "FREQ?") == 1000


def test_common_registers_take_rounded_numbers(bench):
    """IEEE 488.2 7.7.2.4: an integer is had by rounding."""
    assert bench.ask("generator", "*ESE 3.7;*ESE?;*ESE #HFF;*ESE?;*ESE 255.4;*ESE?") == "4;255;255"


def test_bounds_by_name_set_and_answer(bench):
    low, high, default = (value(bench, f"FREQ? {name}") for name in ("MIN", "MAXimum", "DEF"))
    assert low < default == 1000 < high
    for name, bound in (("MIN", low), ("MAX", high), ("DEFault", default)):
        assert float(bench.ask("generator", f"FREQ {name};FREQ?")) == bound


@pytest.mark.parametrize(
    ("text", "state"),
    [("ON", "1"), ("OFF", "0"), ("1", "1"), ("0", "0"), ("-3", "1"), ("0.4", "0"), ("0.6", "1")],
)
def test_booleans_are_words_or_rounded_numbers(bench, text, state):
    """SCPI-1999 volume 1, 7.3."""
    assert bench.ask("generator", f"OUTP {text};OUTP?") == state


def test_several_answers_go_out_as_one_line(bench):
    assert bench.ask_raw("generator", "*TST?;OUTP?;*ESE?") == b"0;0;0\n"


def test_a_lost_line_is_an_input_overrun(bench):
    from sim_instruments.replies import Overrun

    with bench.shared.lock:
        assert bench.instruments["dmm"].respond(Overrun()).line == b""
    assert bench.errors("dmm") == [-363]


def test_a_query_never_ended_is_unterminated(bench):
    """IEEE 488.2 6.3.2.2, as far as a byte stream knows: the client left in mid-query."""
    bench.instruments["dmm"].hung_up(b"*IDN?")
    bench.instruments["dmm"].hung_up(b"*CLS")
    assert bench.errors("dmm") == [-420]


def test_an_answer_not_sent_to_its_end_is_interrupted(bench):
    bench.instruments["dmm"].interrupted()
    assert bench.errors("dmm") == [-410]


def test_two_commands_spelled_alike_are_a_mistake_of_the_table():
    with pytest.raises(ValueError, match="spelled alike"):
        CommandTree([Command("A[:B]", lambda _: None), Command("A", lambda _: None)])


def test_a_malformed_pattern_is_a_mistake_of_the_table():
    with pytest.raises(ValueError, match="not a node"):
        CommandTree([Command("A:?B", lambda _: None)])


def test_a_suffix_is_told_from_its_absence():
    tree = CommandTree([Command("FAULt{2}", lambda _: None)])
    for text, suffix, is_written in (("FAUL", 1, False), ("FAUL1", 1, True), ("FAULT2", 2, True)):
        match = tree.find(parse_unit(text)[0], ())
        assert (match.suffix, match.has_suffix) == (suffix, is_written)
    assert len(Call(())) == 0


WORDS = st.sampled_from(
    [
        *("SOUR", "FREQ", "VOLT", "OUTP", "*IDN?", "?", ":", ";", ",", "MIN", "1", "2", "kHz"),
        *("(@101)", "'a'", "#15abcde", "TRAC", "CH1", "ROUT", "CLOS", "OPEN", "STAT", "OPER"),
        *("DIAG", "DIST", "CLOC", "FAUL", "MEAS", "SWE", "POIN", "FORM", "REAL,32", "1E999"),
        *("-1", "NAN", "*RST", "INIT"),
    ]
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(message=st.lists(WORDS, max_size=12), glue=st.sampled_from(["", " ", ";", ":"]))
def test_no_mixture_of_known_words_breaks_an_instrument(bench, message, glue):
    """Whatever comes, each instrument still answers and its queue holds standard numbers."""
    for role, instrument in bench.instruments.items():
        with bench.shared.lock:
            instrument.respond(glue.join(message).encode())
        for scripts in bench.devices.disturbances.values():
            scripts.clear()
        assert all(-450 < number < 0 for number in bench.errors(role))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(message=st.binary(max_size=100))
def test_no_bytes_break_an_instrument(bench, message):
    with bench.shared.lock:
        bench.instruments["generator"].respond(message)
    assert bench.ask("generator", "*TST?") == "0"
    bench.ask("generator", "*CLS")
