"""Analyser, multimeter, thermometer, power meter, and the clock they share."""

import math

import pytest

from sim_instruments.refusals import Refused
from sim_instruments.shared_bench import SharedBench


def trace(bench, channel="CH1"):
    return list(map(float, bench.ask("analyser", f"TRAC? {channel}").split(",")))


@pytest.mark.parametrize(
    ("asked", "taken"), [(0.1, 1), (1, 1), (1.01, 3), (9.9, 10), (30, 30), (31, 100), (100, 100)]
)
def test_a_range_is_the_next_that_holds_the_value(bench, asked, taken):
    assert float(bench.ask("analyser", f"VOLT:RANG {asked};RANG?")) == taken


def test_what_no_range_holds_is_refused(bench):
    bench.ask("analyser", "VOLT:RANG 30;RANG 101")
    assert bench.errors("analyser") == [-222]
    assert float(bench.ask("analyser", "VOLT:RANG?")) == 30


@pytest.mark.parametrize(
    ("message", "number"),
    [("SWE:POIN 15", -222), ("SWE:POIN 4194305", -222), ("SWE:RATE 44100", -224),
     ("FORM REAL,16", -224), ("FORM INT,16", -224), ("TRAC? CH3", -224), ("INP:COUP GND", -224)],
)  # fmt: skip
def test_settings_not_on_offer_are_refused(bench, message, number):
    bench.ask("analyser", "INIT;*OPC?")
    bench.ask("analyser", message)
    assert bench.errors("analyser") == [number]


@pytest.mark.parametrize("rate", ["1 kHz", "8000", "48 KHZ", "96E3", "192 kHz", "1.25 MHZ"])
def test_every_rate_on_offer_is_taken(bench, rate):
    bench.ask("analyser", f"SWE:RATE {rate}")
    assert bench.errors("analyser") == []


def test_format_is_answered_as_it_was_set(bench):
    for name in ("REAL,32", "REAL,64", "ASC"):
        assert bench.ask("analyser", f"FORM {name};FORM?") == name
    assert bench.ask("analyser", "FORM:BORD SWAP;BORD?;:FORM REAL;FORM?") == "SWAP;REAL,64"


def test_a_record_moves_the_clock_to_its_end_only_when_waited_for(bench):
    bench.ask("analyser", "SWE:POIN 4800;RATE 48 kHz;:INIT")
    assert float(bench.ask("clock", "DIAG:CLOC?")) == 0
    assert bench.ask("analyser", "STAT:OPER:COND?;*OPC?;STAT:OPER:COND?") == "16;1"
    assert bench.ask("analyser", "*CLS;*OPC?") == "1"
    assert float(bench.ask("clock", "DIAG:CLOC?")) == pytest.approx(0.1, rel=1e-12)


def test_fetching_a_trace_waits_for_the_record(bench):
    bench.ask("analyser", "SWE:POIN 16;:INIT")
    assert trace(bench) == pytest.approx([count * 1e-3 for count in range(16)])
    assert float(bench.ask("clock", "DIAG:CLOC?")) == pytest.approx(16 / 96e3, rel=1e-12)


def test_channel_2_is_the_generator(bench):
    bench.ask("generator", "VOLT 0.5")
    bench.ask("analyser", "SWE:POIN 16;:INIT")
    assert set(trace(bench, "CH2")) == {0.5}


@pytest.mark.parametrize(("channel", "point"), [(401, "output"), (402, "loop"), (403, "tap")])
def test_channel_1_is_where_the_router_puts_it(bench, channel, point):
    bench.ask("router", f"ROUT:CLOS (@{channel})")
    bench.ask("analyser", "INIT")
    assert bench.world.records[-1].point == point


def test_settings_of_a_record_are_those_at_its_start(bench):
    bench.ask("analyser", "SWE:POIN 64;RATE 8000;:INIT;:SWE:POIN 128;RATE 1000")
    assert bench.ask("analyser", "TRAC:POIN?;RATE?") == "64;+8.000000000E+03"


def test_the_record_count_rises_by_one_a_start(bench):
    counts = [bench.ask("analyser", "INIT;*OPC?;:TRAC:COUN?") for _ in range(3)]
    assert counts == ["1;1", "1;2", "1;3"]


def test_a_start_during_a_record_is_ignored(bench):
    bench.ask("analyser", "INIT;INIT")
    assert bench.errors("analyser") == [-213]
    assert bench.ask("analyser", "TRAC:COUN?") == "1"


def test_abort_gives_a_running_record_up_and_keeps_a_finished_one(bench):
    bench.ask("analyser", "INIT;ABOR")
    assert bench.ask("analyser", "TRAC? CH1") == ""
    assert bench.errors("analyser") == [-230]
    bench.ask("analyser", "SWE:POIN 16;:INIT;*WAI;ABOR")
    assert len(trace(bench)) == 16


def test_overrange_shows_in_the_questionable_register(bench):
    bench.ask("analyser", "VOLT:RANG 1;:SWE:POIN 2000;:INIT;*WAI")
    assert bench.ask("analyser", "STAT:QUES:COND?") == "1"
    bench.ask("analyser", "VOLT:RANG 3;:INIT;*WAI")
    assert bench.ask("analyser", "STAT:QUES:COND?") == "0"


def test_a_dmm_reading_takes_a_tenth_of_a_second_a_cycle(bench):
    bench.ask("dmm", "VOLT:NPLC 10;:SAMP:COUN 3")
    readings = bench.ask("dmm", "READ?").split(",")
    assert len(readings) == 3
    assert bench.world.now_s == pytest.approx(3.0)
    assert bench.ask("dmm", "FETC?").split(",") == readings
    assert bench.world.now_s == pytest.approx(3.0)


@pytest.mark.parametrize("query", ["MEAS?", "MEAS:VOLT?", "MEAS:DC?", "MEASure:VOLTage:DC? 10"])
def test_dc_in_every_spelling(bench, query):
    assert float(bench.ask("dmm", query)) == pytest.approx(1.25e-3, rel=1e-6)


def test_the_dmm_reads_the_point_the_router_selects(bench):
    bench.ask("router", "ROUT:CLOS (@302)")
    assert float(bench.ask("dmm", "MEAS:VOLT:DC?")) == pytest.approx(17.6e-3, rel=1e-6)
    bench.ask("router", "ROUT:OPEN (@302)")
    assert float(bench.ask("dmm", "MEAS:VOLT:DC?")) == 0
    assert float(bench.ask("dmm", "MEAS:RES?")) == 9.9e37


def test_resistance_and_its_overload(bench):
    bench.ask("router", "ROUT:CLOS (@309)")
    assert float(bench.ask("dmm", "MEAS:RES?")) == pytest.approx(8.02)
    bench.ask("router", "ROUT:CLOS (@301)")
    assert float(bench.ask("dmm", "MEAS:RES?")) == 9.9e37


def test_a_reading_beyond_a_range_is_overload(bench):
    bench.ask("router", "ROUT:CLOS (@303)")
    assert float(bench.ask("dmm", "MEAS:VOLT:DC? 10")) == 9.9e37
    assert float(bench.ask("dmm", "MEAS:VOLT:DC? 100")) == pytest.approx(53)
    assert float(bench.ask("dmm", "MEAS:VOLT:DC? AUTO")) == pytest.approx(53)


@pytest.mark.parametrize(
    ("message", "shown"),
    [
        ("CONF", '"VOLT AUTO"'),
        ("CONF:VOLT:DC 5", '"VOLT +1.000000000E+01"'),
        ("CONF:VOLT:AC", '"VOLT:AC AUTO"'),
        ("CONF:RES 100 KOHM", '"RES +1.000000000E+05"'),
        ("CONF:RES MIN,MAX", '"RES +1.000000000E+02"'),
    ],
)
def test_configuration_is_answered(bench, message, shown):
    assert bench.ask("dmm", f"{message};:CONF?") == shown


@pytest.mark.parametrize(
    ("message", "number"),
    [("CONF:VOLT:DC 2000", -222), ("VOLT:NPLC 0.1", -222), ("SAMP:COUN 0", -222)],
)
def test_dmm_settings_beyond_its_means_are_refused(bench, message, number):
    bench.ask("dmm", message)
    assert bench.errors("dmm") == [number]


def test_fetching_before_any_reading_is_refused(bench):
    bench.ask("dmm", "FETC?")
    bench.ask("dmm", "INIT;:CONF:VOLT:AC;:FETC?")
    assert bench.errors("dmm") == [-230, -230]


def test_sensors_of_the_thermometer(bench):
    assert float(bench.ask("thermometer", "MEAS:TEMP?")) == 32.5
    assert float(bench.ask("thermometer", "MEAS:SCAL:TEMP? (@2)")) == 23
    assert list(map(float, bench.ask("thermometer", "MEAS:TEMP? (@3,1)").split(","))) == [41, 32.5]
    bench.ask("thermometer", "MEAS:TEMP? (@4)")
    assert bench.errors("thermometer") == [-222]


def test_the_power_meter_reads_all_four(bench):
    bench.ask("mains_switch", "OUTP ON")
    answer = bench.ask("power_meter", "MEAS:POW?;VOLT?;CURR?;FREQ?")
    assert list(map(float, answer.split(";"))) == [18.5, 230.1, 0.125, 49.98]


def test_the_clock_moves_by_request_only(bench):
    assert float(bench.ask("clock", "DIAG:CLOC:ADV 12.5;TIME?")) == 12.5
    assert float(bench.ask("generator", "DIAG:CLOC?")) == 12.5
    for text in ("-1", "1E999", "FOO"):
        bench.ask("clock", f"DIAG:CLOC:ADV {text}")
    assert bench.errors("clock") == [-222, -222, -148]
    assert bench.world.now_s == 12.5


def test_the_clock_tells_microseconds_after_a_night(bench):
    bench.ask("clock", "DIAG:CLOC:ADV 28800")
    bench.ask("clock", "DIAG:CLOC:ADV 1E-6")
    assert float(bench.ask("clock", "DIAG:CLOC?")) == pytest.approx(28800.000001, abs=1e-8)


def test_faults_are_set_for_both_units_or_one(bench):
    assert bench.ask("clock", "DIAG:FAUL?") == '"NONE"'
    assert bench.ask("clock", 'DIAG:FAUL "bias_low:large";FAUL?') == '"bias_low:large"'
    assert bench.world.faults == {1: "bias_low:large", 2: "bias_low:large"}
    assert bench.ask("dmm", "DIAG:FAUL2 'NONE';FAUL1?;FAUL2?") == '"bias_low:large";"NONE"'
    assert bench.ask("dmm", "DIAG:FAUL?") == '"bias_low:large","NONE"'
    bench.ask("dmm", "DIAG:FAUL bias_low")
    assert bench.world.faults == {1: "bias_low", 2: "bias_low"}
    bench.ask("dmm", "DIAG:FAUL 'gremlins'")
    assert bench.errors("dmm") == [-224]
    assert bench.world.faults == {1: "bias_low", 2: "bias_low"}


class Stopwatch:
    """Real time that passes only by sleeping."""

    def __init__(self):
        self.time_s = 100.0
        self.slept = []

    def monotonic(self):
        return self.time_s

    def sleep(self, seconds):
        self.slept.append(seconds)
        self.time_s += seconds


@pytest.fixture
def real_time(small_world):
    watch = Stopwatch()
    shared = SharedBench(small_world, real_time=True, monotonic=watch.monotonic, sleep=watch.sleep)
    return watch, shared


def test_in_real_time_the_world_follows_the_monotonic_clock(real_time):
    watch, shared = real_time
    watch.time_s += 2.5
    shared.catch_up()
    assert shared.world.now_s == pytest.approx(2.5)


def test_in_real_time_waits_are_slept_with_the_lock_free(real_time):
    watch, shared = real_time
    is_locked = []

    def sleep(seconds):
        is_locked.append(shared.lock.locked())
        watch.sleep(seconds)

    shared._sleep = sleep
    with shared.lock:
        shared.pass_time(3.0)
        assert shared.lock.locked()
    assert watch.slept == [pytest.approx(3.0)]
    assert is_locked == [False]
    assert shared.world.now_s == pytest.approx(3.0)


def test_in_real_time_nobody_moves_the_clock(real_time):
    _, shared = real_time
    with pytest.raises(Refused, match="conflict"):
        shared.advance(1.0)


def test_in_simulated_time_nothing_is_slept(small_world):
    watch = Stopwatch()
    shared = SharedBench(small_world, monotonic=watch.monotonic, sleep=watch.sleep)
    shared.pass_time(8 * 3600.0)
    shared.wait_until(0.0)
    watch.time_s += 5
    shared.catch_up()
    assert shared.world.now_s == 8 * 3600.0
    assert watch.slept == []
    assert not math.isnan(small_world.now_s)
