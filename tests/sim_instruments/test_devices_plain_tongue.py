"""The second set of instruments, checked against the vocabulary its module describes.

The arithmetic has closed-form truths: 0 dBV is 1 V rms, a span in volts peak-to-peak is twice the
peak, 0 degC is 273.15 K.
"""

import math
import re

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sim_instruments import plain_words
from sim_instruments.assembly import ROLES, build_plain
from sim_instruments.plain_instrument import LineCutter
from sim_instruments.replies import Overrun

ENDS = {
    "generator": b"\r",
    "analyser": b"\n",
    "dmm": b"\r\n",
    "router": b"\r\n",
    "mains_switch": b"\n",
    "thermometer": b"\r\n",
    "power_meter": b"\r\n",
}


@pytest.fixture
def plain(make_bench):
    bench = make_bench(build_plain)

    def ask(role, message):
        line = bench.ask_raw(role, message)
        assert line == b"" or line.endswith(ENDS[role])
        return line.removesuffix(ENDS[role]).decode("ascii")

    bench.say = ask
    return bench


def test_the_module_describes_every_word(plain):
    """Whoever writes a command map has nothing but the docstring."""
    sections = re.split(r"^## ", plain_words.__doc__, flags=re.MULTILINE)[1:]
    described = {section.partition(":")[0]: section for section in sections}
    for role in ROLES:
        section = next(text for name, text in described.items() if name.split("\n")[0] == role)
        for word in plain.instruments[role].words():
            spelled = word if role != "generator" else word.replace("?", " ?")
            assert re.search(rf"`{re.escape(spelled)}[` ]", section), (role, word)


@pytest.mark.parametrize("role", ROLES)
def test_nothing_of_scpi_is_understood(plain, role):
    for message in ("*IDN?", "*RST", "OUTP ON", "SYST:ERR?", "MEAS:VOLT:DC?", "VOLT 1", "*OPC?"):
        assert plain.say(role, message) in ("", "ERR 1", "?", "UNKNOWN", "-", "E")
    assert plain.world.generator["output_on"] is False
    assert plain.world.mains_on is False


def test_the_clock_still_speaks_scpi(plain):
    assert plain.ask("clock", "DIAG:CLOC:ADV 2;*OPC?") == "1"
    assert float(plain.ask("clock", "DIAG:CLOC?")) == 2


def test_every_setting_of_the_generator_is_acknowledged(plain):
    for message in ("WAVE PAIR", "F1 60", "F2 7000", "A1 0", "a2 -12.0412", "DC 2.5", "MUTE OFF"):
        assert plain.say("generator", message) == "OK"
    told = plain.world.generator
    assert (told["shape"], told["frequency_hz"], told["second_frequency_hz"]) == ("dual", 60, 7000)
    assert told["level_vrms"] == pytest.approx(1.0)
    assert told["second_level_vrms"] == pytest.approx(0.25, rel=1e-5)
    assert told["offset_v"] == pytest.approx(2.5e-3)
    assert told["output_on"] is True
    answers = [plain.say("generator", f"{word} ?") for word in ("WAVE", "F2", "A1", "DC", "MUTE")]
    assert answers == ["PAIR", "7000.0000 HZ", "0.0000 DBV", "2.5000 MV", "OFF"]


def test_mute_is_the_output_inverted(plain):
    assert plain.say("generator", "MUTE ?") == "ON"
    plain.say("generator", "MUTE OFF")
    assert plain.world.generator["output_on"] is True
    plain.say("generator", "MUTE ON")
    assert plain.world.generator["output_on"] is False


def test_silence_is_a_level(plain):
    plain.say("generator", "A1 0")
    assert plain.say("generator", "A1 -200") == "OK"
    assert plain.world.generator["level_vrms"] == 0
    assert plain.say("generator", "A1 ?") == "-200.0000 DBV"


def test_the_glide_is_a_list_between_semicolons(plain):
    plain.say("generator", "WAVE GLIDE")
    assert plain.say("generator", "SPAN 10;30000;2.5") == "OK"
    assert plain.say("generator", "SPAN ?") == "10.0000;30000.0000;2.5000"
    assert plain.say("generator", "GO") == "OK"
    assert plain.world.sweeps_played == 1


@pytest.mark.parametrize(
    ("message", "answer"),
    [
        ("NOISE", "ERR 1"),
        ("A1 21", "ERR 2"),
        ("A1 9e99", "ERR 2"),
        ("A1 1V", "ERR 2"),
        ("F1", "ERR 2"),
        ("F1 1;2", "ERR 2"),
        ("WAVE SIN", "ERR 2"),
        ("MUTE 1", "ERR 2"),
        ("GO", "ERR 3"),
    ],
)
def test_the_generator_refuses_with_a_number(plain, message, answer):
    assert plain.say("generator", message) == answer


def test_the_analyser_answers_queries_only_and_remembers_one_trouble(plain):
    for message in ("SPAN 6", "LEN 16", "CLK 48", "BLOCKDC 1", "GRAB", "NONSENSE", "LEN 1"):
        assert plain.say("analyser", message) == ""
    assert [plain.say("analyser", "TROUBLE?") for _ in range(2)] == ["2", "0"]
    answers = [plain.say("analyser", f"{word}?") for word in ("SPAN", "LEN", "CLK", "BLOCKDC")]
    assert answers == ["6", "16", "48", "1"]


@pytest.mark.parametrize(("asked", "peak"), [(2, 1), (2.1, 3), (6, 3), (200, 100)])
def test_a_span_is_twice_the_peak(plain, asked, peak):
    plain.say("analyser", f"SPAN {asked}")
    assert float(plain.say("analyser", "SPAN?")) == 2 * peak
    assert plain.devices.analyser.range_peak_v == peak


def test_a_record_is_waited_for_in_simulated_time(plain):
    plain.say("analyser", "LEN 4800")
    plain.say("analyser", "CLK 48")
    plain.say("analyser", "GRAB")
    assert plain.say("analyser", "BUSY?") == "1"
    assert plain.say("analyser", "WAIT?") == "DONE"
    assert plain.say("analyser", "BUSY?") == "0"
    assert plain.world.now_s == pytest.approx(0.1)
    answers = [plain.say("analyser", f"{word}?") for word in ("NR", "RECLEN", "RECCLK", "OVL")]
    assert answers == ["1", "4800", "48", "0"]


def test_a_curve_is_in_millivolts_between_semicolons(plain):
    plain.say("analyser", "LEN 16")
    plain.say("analyser", "GRAB")
    curve = [float(text) for text in plain.say("analyser", "CURVE? A").split(";")]
    np.testing.assert_allclose(curve, np.arange(16.0))


def test_codes_are_little_endian_integers_with_a_scale(plain):
    plain.say("generator", "A1 -6.0206")
    plain.say("analyser", "SPAN 20")
    plain.say("analyser", "LEN 200")
    plain.say("analyser", "GRAB")
    line = plain.ask_raw("analyser", "CODES? A")
    assert line[:5] == b"#3800"
    assert line[-1:] == b"\n"
    scale = float(plain.say("analyser", "SCALE?"))
    volts = np.frombuffer(line[5:-1], "<i4") * scale
    np.testing.assert_allclose(volts, np.arange(200) * 1e-3, atol=scale)
    drive = np.frombuffer(plain.ask_raw("analyser", "CODES? B")[5:-1], "<i4") * scale
    np.testing.assert_allclose(drive, 0.5, rtol=1e-5)


def test_the_scale_is_that_of_the_record_not_of_the_setting(plain):
    plain.say("analyser", "GRAB")
    before = plain.say("analyser", "SCALE?")
    plain.say("analyser", "SPAN 2")
    assert plain.say("analyser", "SCALE?") == before


def test_what_is_no_number_has_a_code_of_its_own(plain):
    plain.ask("clock", 'DIAG:INST:DIST "analyser",NAN')
    plain.say("analyser", "LEN 16")
    plain.say("analyser", "GRAB")
    assert plain.say("analyser", "CURVE? A").split(";").count("nan") == 1
    codes = np.frombuffer(plain.ask_raw("analyser", "CODES? A")[4:-1], "<i4")
    assert np.count_nonzero(codes == -(2**31)) == 1


def test_the_multimeter_reads_in_millivolts(plain):
    assert plain.say("dmm", "DCV") == "1.250000 mV"
    plain.say("generator", "A1 0")
    assert plain.say("dmm", "ACV") == "1000.000000 mV"
    assert plain.say("dmm", "OHM") == "OL"
    plain.say("router", "ON 309")
    assert plain.say("dmm", "OHM") == "8.020000 ohm"
    assert plain.world.now_s == pytest.approx(0.4)


def test_the_multimeter_acknowledges_with_a_mark(plain):
    assert plain.say("dmm", "CYCLES 10") == "!"
    assert plain.say("dmm", "CYCLES?") == "10"
    assert [plain.say("dmm", m) for m in ("CYCLES 1000", "CYCLES", "X")] == ["?", "?", "?"]


def test_the_router_takes_lists_between_semicolons(plain):
    assert plain.say("router", "LIST") == "101;201;301;401"
    assert plain.say("router", "ON 302; 402") == "DONE"
    assert plain.say("router", "TEST 301;302;402") == "0;1;1"
    assert plain.say("router", "OFF 302;402") == "DONE"
    assert plain.say("router", "LIST") == "101;201"
    assert plain.say("router", "ALLOFF") == "DONE"
    assert plain.say("router", "LIST") == "NONE"


def test_the_router_refuses_in_words(plain):
    plain.say("mains_switch", "CUT 0")
    answers = [plain.say("router", m) for m in ("ON 102", "ON 999", "ON", "ON x", "CLOSE 1")]
    assert answers == ["LOCKED", "NO SUCH", "NO SUCH", "NO SUCH", "UNKNOWN"]
    assert plain.world.unit == 1


def test_the_mains_switch_cuts(plain):
    assert plain.say("mains_switch", "CUT?") == "1"
    assert plain.say("mains_switch", "CUT 0") == "+"
    assert plain.world.mains_on is True
    assert plain.say("mains_switch", "CUT 1") == "+"
    assert plain.world.mains_on is False
    assert plain.say("mains_switch", "SLEEP 1") == "+"
    assert (plain.say("mains_switch", "SLEEP?"), plain.world.standby) == ("1", True)
    assert plain.say("mains_switch", "CUT 2") == "-"


def test_temperatures_are_in_kelvin(plain):
    assert [plain.say("thermometer", f"T{n}") for n in (1, 2, 3)] == [
        f"{celsius + 273.15:.2f} K" for celsius in (32.5, 23.0, 41.0)
    ]
    assert plain.say("thermometer", "T4") == "E"


def test_the_power_meter_answers_a_list(plain):
    plain.say("mains_switch", "CUT 0")
    assert plain.say("power_meter", "ALL") == "18500.0;230.10;125.00;49.980"
    assert plain.say("power_meter", "POW") == "E"


@pytest.mark.parametrize(
    ("role", "word"),
    [("generator", "NAME ?"), ("dmm", "WHO"), ("router", "TYPE"), ("thermometer", "ID")],
)
def test_who_can_say_who_it_is_does(plain, role, word):
    assert plain.say(role, word).startswith("Steadybench Simulated ")


@pytest.mark.parametrize("role", ["generator", "dmm", "router", "mains_switch"])
def test_reset_is_acknowledged(plain, role):
    plain.say("generator", "MUTE OFF")
    assert plain.say(role, "RESET") in ("OK", "!", "DONE", "+")


@pytest.mark.parametrize(
    ("kind", "line"),
    [
        ("TIMEOUT", b""),
        ("TRUNCATED", b"Steadybench Simul"),
        ("ERROR", b"ERR 9\r"),
    ],
)
def test_misbehaviour_is_scripted_over_the_clock_port(plain, kind, line):
    whole = b"Steadybench Simulated Tone Source\r"
    plain.ask("clock", f'DIAG:INST:DIST "generator",{kind}')
    assert plain.ask_raw("generator", "NAME ?") == line
    assert plain.ask_raw("generator", "NAME ?") == whole


def test_garbage_ends_as_the_instruments_lines_do(plain):
    plain.ask("clock", 'DIAG:INST:DIST "dmm",GARBAGE')
    line = plain.ask_raw("dmm", "DCV")
    assert line.endswith(b"\r\n")
    assert not line.isascii()


def test_a_stuck_relay_is_acknowledged_and_shows_only_when_asked(plain):
    plain.ask("clock", 'DIAG:INST:DIST "mains_switch",STUCKRELAY')
    assert plain.say("mains_switch", "CUT 0") == "+"
    assert plain.say("mains_switch", "CUT?") == "1"


STREAM = b"F1 1000\r\n\rWAVE SINE\r\r\nA1\r"


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_lines_do_not_depend_on_where_the_stream_is_cut(end):
    whole = LineCutter(end).feed(STREAM)
    assert whole == STREAM.split(end)[:-1]
    for cut in range(len(STREAM) + 1):
        cutter = LineCutter(end)
        assert cutter.feed(STREAM[:cut]) + cutter.feed(STREAM[cut:]) == whole


@pytest.mark.parametrize("chunk", [1, 3, 50, 51, 53, 1000])
def test_a_line_too_long_is_lost_and_the_next_one_read(chunk):
    stream = b"x" * 51 + b"\r\nshort\r\n" + b"y" * 50 + b"\r\n" + b"z" * 500 + b"\r\nend\r\n"
    cutter = LineCutter(b"\r\n", limit=50)
    pieces = [stream[at : at + chunk] for at in range(0, len(stream), chunk)]
    lines = []
    for piece in pieces:
        lines += cutter.feed(piece)
        assert len(cutter.leftover()) <= 52
    shown = ["lost" if isinstance(line, Overrun) else line for line in lines]
    assert shown == ["lost", b"short", b"y" * 50, "lost", b"end"]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(message=st.binary(max_size=60) | st.sampled_from([b"A1 " + b"9" * 400, b"ON 1;;2", b"F1 ?"]))
def test_no_bytes_break_an_instrument(plain, message):
    for role in ROLES:
        with plain.shared.lock:
            plain.instruments[role].respond(message)
    assert plain.say("generator", "NAME ?") == "Steadybench Simulated Tone Source"
    assert math.isfinite(plain.world.generator["level_vrms"])
