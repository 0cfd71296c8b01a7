"""Scripted misbehaviour: each kind, on the next so many answers or records and no longer."""

import numpy as np
import pytest

from sim_instruments.assembly import POSSIBLE, ROLES
from sim_instruments.disturbances import Disturbance
from sim_instruments.replies import LATE_S


def trace(bench):
    return np.array(list(map(float, bench.ask("analyser", "TRAC? CH1").split(","))))


def record(bench):
    bench.ask("analyser", "SWE:POIN 200;:INIT;*WAI")
    return trace(bench)


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("kind", list(Disturbance))
def test_a_kind_an_instrument_cannot_show_is_refused(bench, role, kind):
    bench.ask(role, f"DIAG:DIST {kind}")
    pending = bench.devices.disturbances[role].pending()
    bench.devices.disturbances[role].clear()
    if kind in POSSIBLE[role]:
        assert pending == {kind: 1}
        assert bench.errors(role) == []
    else:
        assert pending == {}
        assert bench.errors(role) == [-224]


@pytest.mark.parametrize(
    ("message", "number"),
    [("DIAG:DIST BOREDOM", -224), ("DIAG:DIST TIMEOUT,0", -222), ("DIAG:DIST", -109)],
)
def test_wrong_scripts_are_refused(bench, message, number):
    bench.ask("dmm", message)
    assert bench.errors("dmm") == [number]


def test_every_role_can_show_what_any_instrument_can():
    common = {"TIMEOUT", "TRUNCATED", "GARBAGE", "ERROR", "DISCONNECT", "LATE"}
    assert all(common <= set(kinds) for kinds in POSSIBLE.values())
    assert set().union(*POSSIBLE.values()) == set(Disturbance)


def test_answers_are_withheld_as_often_as_scripted_and_no_longer(bench):
    bench.ask("dmm", "DIAG:DIST TIMEOUT,2")
    assert [bench.ask("dmm", "*TST?") for _ in range(4)] == ["", "", "0", "0"]


def test_a_message_without_answer_uses_nothing_up(bench):
    bench.ask("dmm", "DIAG:DIST TIMEOUT")
    bench.ask("dmm", "*CLS")
    assert bench.ask("dmm", "*TST?") == ""


def test_the_scripting_message_itself_is_answered(bench):
    assert bench.ask("dmm", "DIAG:DIST TIMEOUT;*OPC?") == "1"
    assert bench.ask("dmm", "DIAG:DIST?") == '"TIMEOUT 1"'
    assert bench.ask("dmm", "*OPC?") == ""


def test_scripts_survive_reset_and_clear_and_end_by_none(bench):
    bench.ask("dmm", "DIAG:DIST TIMEOUT,5;:DIAG:DIST LATE")
    bench.ask("dmm", "*RST;*CLS")
    assert bench.ask("dmm", "DIAG:DIST?") == '"TIMEOUT 5,LATE 1"'
    bench.ask("dmm", "DIAG:DIST NONE")
    assert bench.ask("dmm", "*TST?") == "0"


def test_another_instrument_is_not_disturbed(bench):
    bench.ask("dmm", "DIAG:DIST TIMEOUT")
    assert bench.ask("thermometer", "*TST?") == "0"


def test_the_clock_port_scripts_any_instrument(bench):
    bench.ask("clock", 'DIAG:INST:DIST "mains_switch",STUCKRELAY,2')
    assert bench.devices.disturbances["mains_switch"].pending() == {Disturbance.STUCKRELAY: 2}
    bench.ask("clock", 'DIAG:INST:DIST "toaster",TIMEOUT')
    assert bench.errors("clock") == [-224]


def test_a_late_answer_is_late(bench):
    bench.ask("dmm", "DIAG:DIST LATE")
    assert bench.reply("dmm", "*TST?").delay_s == LATE_S == 1.5
    assert bench.reply("dmm", "*TST?").delay_s == 0


def test_a_hang_up_comes_instead_of_the_answer(bench):
    bench.ask("dmm", "DIAG:DIST DISCONNECT")
    reply = bench.reply("dmm", "*TST?")
    assert (reply.line, reply.hangs_up) == (b"", True)
    assert not bench.reply("dmm", "*TST?").hangs_up


def test_garbage_is_no_answer_anybody_could_take(bench):
    bench.ask("dmm", "DIAG:DIST GARBAGE")
    line = bench.ask_raw("dmm", "READ?")
    assert line.endswith(b"\n")
    with pytest.raises(ValueError, match="could not convert"):
        float(line.decode("latin-1"))


def test_an_error_appears_in_the_queue(bench):
    bench.ask("dmm", "DIAG:DIST ERROR")
    assert bench.ask("dmm", "SYST:ERR?") == '-310,"System error"'
    assert bench.errors("dmm") == []


def test_text_is_cut_short_without_a_newline(bench):
    bench.ask("dmm", "DIAG:DIST TRUNCATED")
    full = bench.instruments["dmm"]._identity.encode() + b"\n"
    assert bench.ask_raw("dmm", "*IDN?") == full[: len(full) // 2]


def test_of_the_analyser_a_block_is_cut_short_not_a_text(bench):
    bench.ask("analyser", "FORM REAL,32;:SWE:POIN 100;:INIT;*WAI")
    whole = bench.ask_raw("analyser", "TRAC? CH1")
    bench.ask("analyser", "DIAG:DIST TRUNCATED")
    assert bench.ask("analyser", "*TST?") == "0"
    cut = bench.ask_raw("analyser", "TRAC? CH1")
    assert whole.startswith(cut)
    assert len(cut) < len(whole) - 100
    assert bench.ask_raw("analyser", "TRAC? CH1") == whole


def test_a_wrong_length_claims_more_than_follows(bench):
    bench.ask("analyser", "FORM REAL,32;:SWE:POIN 100;:INIT;*WAI")
    whole = bench.ask_raw("analyser", "TRAC? CH1")
    bench.ask("analyser", "DIAG:DIST WRONGLENGTH")
    line = bench.ask_raw("analyser", "TRAC? CH1")
    assert whole.startswith(b"#3400")
    assert line == b"#41400" + whole[5:]


def test_one_sample_of_a_record_is_not_a_number(bench):
    clean = record(bench)
    bench.ask("analyser", "DIAG:DIST NAN")
    volts = record(bench)
    assert np.count_nonzero(volts == 9.91e37) == 1
    assert np.count_nonzero(volts != clean) == 1
    bench.ask("analyser", "FORM REAL,32")
    payload = bench.ask_raw("analyser", "TRAC? CH1")[len("#3800") : -1]
    assert np.count_nonzero(np.isnan(np.frombuffer(payload, ">f4"))) == 1
    bench.ask("analyser", "FORM ASC")
    np.testing.assert_array_equal(record(bench), clean)


def test_a_stale_record_is_the_old_one_and_is_not_counted(bench):
    record(bench)
    bench.ask("analyser", "DIAG:DIST STALE;:SWE:POIN 300;:INIT;*WAI")
    assert bench.ask("analyser", "TRAC:COUN?;POIN?") == "1;200"
    assert bench.errors("analyser") == []
    bench.ask("analyser", "INIT;*WAI")
    assert bench.ask("analyser", "TRAC:COUN?;POIN?") == "2;300"


def test_a_range_setting_is_ignored(bench):
    for role, message, query, before in (
        ("analyser", "VOLT:RANG 1", "VOLT:RANG?", "+1.000000000E+02"),
        ("dmm", "CONF:VOLT:DC 1", "CONF?", '"VOLT AUTO"'),
    ):
        bench.ask(role, "DIAG:DIST WRONGRANGE")
        assert bench.ask(role, f"{message};:{query}") == before
        assert bench.ask(role, f"{message};:{query}") != before
        assert bench.errors(role) == []


def test_half_rate_is_silent(bench):
    bench.ask("analyser", "DIAG:DIST HALFRATE;:SWE:RATE 48000;:INIT;*WAI")
    assert bench.world.records[-1].sample_rate_hz == 24000
    assert bench.ask("analyser", "TRAC:RATE?;:SWE:RATE?") == "+4.800000000E+04;+4.800000000E+04"
    bench.ask("analyser", "INIT")
    assert bench.world.records[-1].sample_rate_hz == 48000


def test_dropped_samples_leave_a_gap_in_a_record_of_full_length(bench):
    bench.ask("analyser", "DIAG:DIST DROPPED")
    volts = record(bench)
    assert len(volts) == 200
    steps = np.diff(volts)
    gap = int(np.argmax(steps))
    assert steps[gap] > 2e-3
    np.testing.assert_allclose(np.delete(steps, gap), 1e-3)
    assert 50 < gap < 150


@pytest.mark.parametrize(
    ("role", "query"),
    [("dmm", "READ?"), ("thermometer", "MEAS:TEMP?"), ("power_meter", "MEAS:POW?")],
)
def test_readings_go_wrong(bench, role, query):
    first = bench.ask(role, query)
    bench.ask(role, "DIAG:DIST NAN")
    assert bench.ask(role, query) == "+9.910000000E+37"
    bench.ask("mains_switch", "OUTP ON")
    bench.world.temperature_c = lambda sensor: 50.0
    bench.ask(role, "DIAG:DIST STALE")
    assert bench.ask(role, query) == first
    assert bench.ask(role, query) != first
