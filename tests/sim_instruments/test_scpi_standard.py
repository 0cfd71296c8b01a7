"""The SCPI instruments against the standards' own tables.

Sources: SCPI-1999 volume 1 (6.2.1 short form, 7.2 special values, 9 status) and volume 2, chapter
21 (errors); IEEE 488.2 clauses 8.7 (answers), 10 (common commands), 11 (status).
"""

import re

import numpy as np
import pytest

from sim_instruments.assembly import ROLES
from sim_instruments.scpi_errors import ERROR_TEXTS, error_text, event_bit
from sim_instruments.scpi_parameters import definite_block, nr1, nr3
from sim_instruments.scpi_syntax import Kind, parse_parameter
from sim_instruments.scpi_tree import short_form
from sim_instruments.status import QUEUE_LENGTH, Status

# SCPI-1999 volume 2, chapter 21.
STANDARD_ERRORS = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -105: "GET not allowed",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -115: "Unexpected number of parameters",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -130: "Suffix error",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -140: "Character data error",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -150: "String data error",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -160: "Block data error",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -170: "Expression error",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -201: "Invalid while in local",
    -202: "Settings lost due to rtl",
    -203: "Command protected",
    -210: "Trigger error",
    -211: "Trigger ignored",
    -212: "Arm ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -215: "Arm deadlock",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -225: "Out of memory",
    -226: "Lists not same length",
    -230: "Data corrupt or stale",
    -231: "Data questionable",
    -240: "Hardware error",
    -241: "Hardware missing",
    -300: "Device-specific error",
    -310: "System error",
    -311: "Memory error",
    -313: "Calibration memory lost",
    -314: "Save/recall memory lost",
    -315: "Configuration memory lost",
    -320: "Storage fault",
    -321: "Out of memory",
    -330: "Self-test failed",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -360: "Communication error",
    -361: "Parity error in program message",
    -362: "Framing error in program message",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
    -500: "Power on",
    -600: "User request",
    -700: "Request control",
    -800: "Operation complete",
}

# SCPI-1999 / IEEE 488.2 clause 11.5.1: class of an error, bit of the event register it sets.
CLASSES = [
    (range(-199, -99), 5),
    (range(-299, -199), 4),
    (range(-399, -299), 3),
    (range(1, 200), 3),
    (range(-499, -399), 2),
    (range(-599, -499), 7),
    (range(-699, -599), 6),
    (range(-799, -699), 1),
    (range(-899, -799), 0),
]

# SCPI-1999 volume 1, 6.2.1; TCouple is its printed exception.
SHORT_FORMS = [
    ("MEASure", "MEAS"),
    ("CONFigure", "CONF"),
    ("VOLTage", "VOLT"),
    ("FREQuency", "FREQ"),
    ("SOURce", "SOUR"),
    ("OUTPut", "OUTP"),
    ("IMMediate", "IMM"),
    ("POWer", "POW"),
    ("FETCh", "FETC"),
    ("READ", "READ"),
    ("DELay", "DEL"),
    ("LEVel", "LEV"),
    ("AUTO", "AUTO"),
    ("RESistance", "RES"),
    ("FORMat", "FORM"),
    ("TRACe", "TRAC"),
    ("AMPLitude", "AMPL"),
    ("TCouple", "TC"),
]

# IEEE 488.2 clause 10: what every instrument must understand.
MANDATORY_QUERIES = ["*ESE?", "*ESR?", "*IDN?", "*OPC?", "*SRE?", "*STB?", "*TST?"]
MANDATORY_COMMANDS = ["*CLS", "*ESE 0", "*OPC", "*RST", "*SRE 0", "*WAI"]
# SCPI-1999 volume 1, 4.2.1: what SCPI adds.
REQUIRED_QUERIES = [
    "SYST:ERR?",
    "SYSTem:ERRor:NEXT?",
    "SYST:VERS?",
    *(
        f"STAT:{register}{query}"
        for register in ("OPER", "QUES")
        for query in ("?", ":EVEN?", ":COND?", ":ENAB?")
    ),
]

NR1 = re.compile(r"[+-]?\d+")
NR3 = re.compile(r"[+-]?\d+\.\d+E[+-]\d+")


def test_error_texts_are_the_standard_ones():
    assert dict(ERROR_TEXTS) == STANDARD_ERRORS


@pytest.mark.parametrize(("numbers", "bit"), CLASSES)
def test_each_error_class_sets_its_event_bit(numbers, bit):
    assert {event_bit(number) for number in numbers} == {bit}


def test_no_error_sets_no_event_bit():
    assert event_bit(0) is None


@pytest.mark.parametrize("number", [-100, -113, -222, -310, -410, 42])
def test_a_reported_error_shows_in_the_event_register_of_its_class(number):
    status = Status(standard_event=0)
    status.report(number)
    assert status.take_standard_event() == 1 << next(b for r, b in CLASSES if number in r)
    assert status.next_error() == f'{number},"{error_text(number)}"'


@pytest.mark.parametrize(("printed", "short"), SHORT_FORMS)
def test_capitals_of_a_printed_mnemonic_are_its_short_form(printed, short):
    assert short_form(printed) == short


def _shortened(word):
    """The rule itself: four letters; three if the fourth is a vowel; up to four stay whole."""
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in "AEIOU" else word[:4]


@pytest.mark.parametrize("role", [*ROLES, "clock"])
def test_every_mnemonic_of_every_instrument_obeys_the_short_form_rule(bench, role):
    words = {
        word
        for header in bench.instruments[role].tree.headers()
        for word in re.findall("[A-Za-z]+", re.sub(r"\{\d\}", "", header))
    }
    assert {word: short_form(word) for word in words} == {
        word: _shortened(word.upper()) for word in words
    }


@pytest.mark.parametrize("role", [*ROLES, "clock"])
def test_every_instrument_understands_the_mandatory_commands(bench, role):
    for query in [*MANDATORY_QUERIES, *REQUIRED_QUERIES]:
        assert bench.ask(role, query), query
    for command in [*MANDATORY_COMMANDS, "STAT:PRES"]:
        assert bench.ask(role, command) == ""
    assert bench.errors(role) == []


@pytest.mark.parametrize("role", [*ROLES, "clock"])
def test_identity_has_four_fields(bench, role):
    fields = bench.ask(role, "*IDN?").split(",")
    assert len(fields) == 4
    assert fields[0] == "Steadybench Simulated"
    assert all(fields)


def test_version_is_that_of_the_standard(bench):
    assert bench.ask("generator", "SYST:VERS?") == "1999.0"


def test_a_bad_command_after_power_up_gives_160(bench):
    """Power on and command error; common practice, IEEE 488.2 clause 11.5.1."""
    bench.ask("generator", "NONSENSE")
    assert bench.ask("generator", "*ESR?") == "160"
    assert bench.ask("generator", "*ESR?") == "0"


def test_status_byte_bits_sum_up_what_the_standard_says(bench):
    """IEEE 488.2 clause 11.2: error queue 4, QUES 8, MAV 16, ESB 32, MSS 64, OPER 128."""
    ask = bench.ask
    assert ask("analyser", "*CLS;*STB?") == "0"
    assert ask("analyser", "*TST?;*STB?").endswith(";16")
    ask("analyser", "NONSENSE")
    assert ask("analyser", "*STB?") == "4"
    ask("analyser", "*ESE 32")
    assert ask("analyser", "*STB?") == "36"
    ask("analyser", "*SRE 4")
    assert ask("analyser", "*STB?") == "100"
    ask("analyser", "*CLS;STAT:OPER:ENAB 16;:STAT:QUES:ENAB 1;:INIT")
    assert ask("analyser", "*STB?") == "128"
    ask("analyser", "*OPC?")
    ask("analyser", "VOLT:RANG 1;:SWE:POIN 4096;:INIT;*WAI")
    assert ask("analyser", "*STB?") == "136"
    assert ask("analyser", "STAT:QUES:COND?;EVEN?;EVEN?") == "1;1;0"
    assert ask("analyser", "STAT:OPER:COND?;EVEN?;EVEN?") == "0;16;0"
    assert ask("analyser", "STAT:PRES;*STB?;:STAT:QUES:ENAB?;:STAT:OPER:ENAB?") == "0;0;0"


def test_the_master_summary_cannot_be_enabled(bench):
    """IEEE 488.2 11.3.2.3: bit 6 of the service request enable register is ignored."""
    assert bench.ask("dmm", "*SRE 255;*SRE?") == "191"


def test_clear_leaves_enables_and_empties_events_and_queue(bench):
    bench.ask("dmm", "*ESE 60;*SRE 32;NONSENSE")
    assert bench.ask("dmm", "*CLS;*ESE?;*SRE?;*ESR?;SYST:ERR?") == '60;32;0;0,"No error"'


def test_operation_complete_waits_for_the_record(bench):
    bench.ask("analyser", "*CLS;INIT;*OPC")
    assert bench.ask("analyser", "*ESR?") == "0"
    bench.ask("clock", "DIAG:CLOC:ADV 1")
    assert bench.ask("analyser", "*ESR?") == "1"


def test_clear_gives_up_a_completion_that_was_asked_for(bench):
    """IEEE 488.2 10.3: *CLS puts the instrument into operation-complete idle."""
    bench.ask("analyser", "INIT;*OPC;*CLS")
    bench.ask("clock", "DIAG:CLOC:ADV 1")
    assert bench.ask("analyser", "*ESR?") == "0"


def test_the_error_queue_is_first_in_first_out(bench):
    bench.ask("dmm", "NONSENSE;*ESE 999;*ESE 'a'")
    assert bench.ask("dmm", "SYST:ERR:COUN?") == "3"
    assert bench.errors("dmm") == [-113, -222, -158]
    assert bench.ask("dmm", "SYST:ERR:COUN?") == "0"


def test_a_full_error_queue_keeps_the_oldest_and_ends_in_overflow(bench):
    """SCPI-1999 volume 2, 21.8.1: the last entry becomes -350."""
    for _ in range(QUEUE_LENGTH + 5):
        bench.ask("dmm", "NONSENSE")
    assert bench.errors("dmm") == [-113] * (QUEUE_LENGTH - 1) + [-350]


# IEEE 488.2 clauses 7.7.6 and 8.7.9.
@pytest.mark.parametrize(
    ("header", "count"),
    [("#15", 5), ("#213", 13), ("#41024", 1024), ("#800000080", 80), ("#42204", 2204)],
)
def test_block_headers_announce_their_bytes(header, count):
    payload = '\n;,"x' * count
    token = parse_parameter(header + payload[:count])
    assert (token.kind, token.text) == (Kind.BLOCK, payload[:count])


def test_an_indefinite_block_runs_to_the_end():
    assert parse_parameter("#0hello").text == "hello"


@pytest.mark.parametrize(
    ("payload", "block"),
    [(b"hello", b"#15hello"), (b"", b"#10"), (bytes(13), b"#213" + bytes(13))],
)
def test_blocks_sent_have_definite_length(payload, block):
    assert definite_block(payload) == block


def test_numbers_are_written_in_the_standard_forms():
    """IEEE 488.2 8.7.2 and 8.7.4: NR1, and NR3 with mandatory point and exponent."""
    assert NR1.fullmatch(nr1(-123))
    for value in (12.3, -1e-12, 0.0, 1e30):
        assert NR3.fullmatch(nr3(value))
        assert float(nr3(value)) == value


def test_special_values_are_the_standard_ones():
    """SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5."""
    assert float(nr3(float("nan"))) == 9.91e37
    assert float(nr3(float("inf"))) == 9.9e37
    assert float(nr3(float("-inf"))) == -9.9e37


@pytest.mark.parametrize(
    ("role", "query", "form"),
    [
        ("generator", "FREQ?", NR3),
        ("generator", "VOLT?", NR3),
        ("generator", "OUTP?", NR1),
        ("generator", "OUTP:IMP?", NR3),
        ("analyser", "VOLT:RANG?", NR3),
        ("analyser", "SWE:POIN?", NR1),
        ("analyser", "TRAC:COUN?", NR1),
        ("dmm", "READ?", NR3),
        ("dmm", "SAMP:COUN?", NR1),
        ("thermometer", "MEAS:TEMP?", NR3),
        ("power_meter", "MEAS:POW?", NR3),
        ("mains_switch", "OUTP?", NR1),
        ("clock", "DIAG:CLOC?", NR3),
    ],
)
def test_answers_are_in_one_of_the_standard_forms(bench, role, query, form):
    assert form.fullmatch(bench.ask(role, query))


@pytest.mark.parametrize(
    ("order", "letter"), [("NORM", ">"), ("SWAP", "<")], ids=["big-endian", "little-endian"]
)
@pytest.mark.parametrize("bits", [32, 64])
def test_binary_traces_are_ieee_754_in_the_byte_order_set(bench, order, letter, bits):
    """SCPI-1999 volume 2, chapter 9: NORMal is most significant byte first."""
    bench.ask("analyser", f"FORM REAL,{bits};FORM:BORD {order};:SWE:POIN 16;:INIT")
    line = bench.ask_raw("analyser", "TRAC? CH1")
    size = 16 * bits // 8
    header = f"#{len(str(size))}{size}".encode()
    assert line.startswith(header)
    assert line[-1:] == b"\n"
    volts = np.frombuffer(line[len(header) : -1], dtype=f"{letter}f{bits // 8}")
    np.testing.assert_allclose(volts, np.arange(16) * 1e-3, rtol=1e-7)
