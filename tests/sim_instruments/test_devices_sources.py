"""Generator, router and mains switch: what their commands do to the world."""

import math

import pytest


def emf(bench):
    return bench.world.generator["level_vrms"]


def test_generator_starts_and_resets_to_a_silent_sine_with_output_off(bench):
    fresh = dict(bench.world.generator)
    assert fresh["shape"] == "sine"
    assert fresh["frequency_hz"] == 1000
    assert fresh["level_vrms"] == 0
    assert fresh["output_on"] is False
    bench.ask("generator", "FREQ 50;VOLT 2;VOLT:OFFS 1;:FUNC DUAL;:OUTP:LOAD 50;:OUTP ON")
    assert bench.world.generator != fresh
    bench.ask("generator", "*RST")
    assert bench.world.generator == fresh
    assert bench.ask("generator", "OUTP:LOAD?") == "+9.900000000E+37"
    assert bench.errors("generator") == []


def test_setting_a_waveform_does_not_switch_the_output(bench):
    bench.ask("generator", "FUNC SIN;:FREQ 1 kHz;:VOLT 1")
    assert bench.world.generator["output_on"] is False
    assert bench.ask("generator", "OUTP ON;OUTP?") == "1"
    assert bench.world.generator["output_on"] is True


@pytest.mark.parametrize(
    ("setting", "vrms"),
    [
        ("VOLT 1.5", 1.5),
        ("VOLT 20 mV", 20e-3),
        ("VOLT 500 UV", 500e-6),
        ("VOLT 0 DBV", 1.0),
        ("VOLT -20 DBV", 0.1),
        ("VOLT 2 VPP", 2 / (2 * math.sqrt(2))),
        ("VOLT 100 MVPP", 0.1 / (2 * math.sqrt(2))),
        ("VOLT 3 VRMS", 3.0),
        ("VOLT:UNIT DBV;:VOLT 6.0206", 2.0),
        ("VOLT:UNIT VPP;:VOLT 4", 4 / (2 * math.sqrt(2))),
        ("VOLT:UNIT VPP;:VOLT 4 V", 4 / (2 * math.sqrt(2))),
        ("VOLT:UNIT VPP;:VOLT 4 VRMS", 4.0),
        ("VOLT MAX", 10.0),
        ("VOLT MIN", 0.0),
        ("VOLT:UNIT DBV;:VOLT MAX", 10.0),
    ],
)
def test_levels_in_every_unit(bench, setting, vrms):
    """A sine's peak-to-peak value is 2 sqrt 2 times its r.m.s.; 0 dBV is 1 V (closed form)."""
    bench.ask("generator", setting)
    assert emf(bench) == pytest.approx(vrms, rel=1e-5)
    assert bench.errors("generator") == []


@pytest.mark.parametrize(
    ("unit", "shown"),
    [("VRMS", 2.0), ("VPP", 4 * math.sqrt(2)), ("DBV", 20 * math.log10(2))],
)
def test_a_level_is_shown_in_the_unit_chosen(bench, unit, shown):
    answer = bench.ask("generator", f"VOLT 2;VOLT:UNIT {unit};:VOLT?")
    assert float(answer) == pytest.approx(shown, rel=1e-9)


def test_no_level_in_decibels_is_minus_infinity(bench):
    assert float(bench.ask("generator", "VOLT 0;VOLT:UNIT DBV;:VOLT?")) == -9.9e37


@pytest.mark.parametrize("setting", ["VOLT 10.1", "VOLT 20.1 DBV", "VOLT -1", "VOLT 1E9 DBV"])
def test_levels_beyond_the_limit_are_refused(bench, setting):
    bench.ask("generator", setting)
    assert bench.errors("generator") == [-222]
    assert emf(bench) == 0


def test_announcing_a_50_ohm_load_doubles_the_emf_at_the_same_display(bench):
    """A divider of 50 ohm source and 50 ohm load halves the e.m.f. (closed form)."""
    assert bench.ask("generator", "VOLT 1;:OUTP:LOAD 50;:VOLT?") == "+1.000000000E+00"
    assert emf(bench) == 2.0
    assert float(bench.ask("generator", "VOLT? MAX")) == 5.0
    bench.ask("generator", "VOLT 5.1")
    assert bench.errors("generator") == [-222]
    bench.ask("generator", "OUTP:LOAD INF")
    assert emf(bench) == 1.0
    assert bench.ask("generator", "OUTP:IMP?") == "+5.000000000E+01"


def test_a_load_that_would_need_too_much_emf_is_a_conflict(bench):
    bench.ask("generator", "VOLT 8;:OUTP:LOAD 50")
    assert bench.errors("generator") == [-221]
    assert emf(bench) == 8.0
    assert float(bench.ask("generator", "OUTP:LOAD?")) == 9.9e37


@pytest.mark.parametrize("text", ["INF", "INFinity", "9.9E37", "DEF"])
def test_an_infinite_load_in_every_spelling(bench, text):
    bench.ask("generator", f"OUTP:LOAD 50;LOAD {text}")
    assert float(bench.ask("generator", "OUTP:LOAD?")) == 9.9e37


def test_two_tones_have_their_own_frequency_and_level(bench):
    bench.ask("generator", "FUNC DUAL;:SOUR1:FREQ 60;VOLT 1;:SOUR2:FREQ 7000;VOLT 0.25")
    assert bench.errors("generator") == []
    told = bench.world.generator
    assert (told["shape"], told["frequency_hz"], told["level_vrms"]) == ("dual", 60, 1)
    assert (told["second_frequency_hz"], told["second_level_vrms"]) == (7000, 0.25)


@pytest.mark.parametrize("trigger", ["*TRG", "TRIG", "TRIGger:IMMediate"])
def test_a_sweep_is_played_once_a_trigger(bench, trigger):
    bench.ask("generator", "FUNC SWE;:FREQ:STAR 10;STOP 30 kHz;:SWE:TIME 500 MS;SPAC LOG")
    told = bench.world.generator
    assert (told["start_hz"], told["stop_hz"], told["sweep_s"]) == (10, 30e3, 0.5)
    bench.ask("generator", trigger)
    assert bench.world.sweeps_played == 1
    assert bench.ask("generator", "STAT:OPER:COND?") == "8"
    bench.world.advance(0.5)
    assert bench.ask("generator", "STAT:OPER:COND?") == "0"
    assert bench.errors("generator") == []


def test_a_trigger_without_a_sweep_is_ignored(bench):
    bench.ask("generator", "TRIG")
    assert bench.errors("generator") == [-211]
    assert bench.world.sweeps_played == 0


def test_a_sweep_from_a_frequency_to_itself_is_a_conflict(bench):
    bench.ask("generator", "FUNC SWE;:FREQ:STAR 1000;STOP 1000;:TRIG")
    assert bench.errors("generator") == [-221]
    told = bench.world.generator
    assert told["start_hz"] != told["stop_hz"]
    bench.ask("generator", "FREQ:STOP 2000;:TRIG")
    assert bench.errors("generator") == []
    assert (told["start_hz"], told["stop_hz"]) == (1000, 2000)


def test_only_logarithmic_spacing_is_on_offer(bench):
    bench.ask("generator", "SWE:SPAC LIN")
    assert bench.errors("generator") == [-224]


def test_the_router_starts_at_unit_1_with_the_load(bench):
    assert bench.ask("router", "ROUT:CLOS:STAT?") == "(@101,201,301,401)"
    assert (bench.world.unit, bench.world.load_connected) == (1, True)


@pytest.mark.parametrize("group", [(101, 102), (301, 302, 305, 309), (401, 402, 403)])
def test_closing_one_channel_of_a_group_opens_the_others(bench, group):
    for channel in group:
        bench.ask("router", f"ROUT:CLOS (@{channel})")
        states = bench.ask("router", f"ROUT:CLOS? (@{','.join(map(str, group))})")
        assert states == ",".join("1" if each == channel else "0" for each in group)
    assert bench.errors("router") == []


def test_states_are_answered_in_the_lists_order(bench):
    assert bench.ask("router", "ROUT:CLOS? (@201,102,101)") == "1,0,1"
    assert bench.ask("router", "ROUT:OPEN? (@201,102,101)") == "0,1,0"
    assert bench.ask("router", "ROUT:CLOS? (@101:103)") == "1,0"
    assert bench.ask("router", "ROUT:CLOS? (@102:101)") == "0,1"


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("ROUT:CLOS (@999)", -222),
        ("ROUT:CLOS (@1:50)", -222),
        ("ROUT:CLOS (@)", -109),
        ("ROUT:CLOS (@x)", -171),
        ("ROUT:CLOS 101", -128),
        ("ROUT:CLOS", -109),
    ],
)
def test_wrong_channel_lists_move_nothing(bench, message, number):
    bench.ask("router", message)
    assert bench.errors("router") == [number]
    assert bench.ask("router", "ROUT:CLOS:STAT?") == "(@101,201,301,401)"


def test_open_all_leaves_nothing_connected(bench):
    bench.ask("router", "ROUT:OPEN:ALL")
    assert bench.ask("router", "ROUT:CLOS:STAT?") == "(@)"
    assert (bench.world.unit, bench.world.load_connected) == (None, False)
    bench.ask("router", "*RST")
    assert (bench.world.unit, bench.world.load_connected) == (1, True)


@pytest.mark.parametrize(("role", "live"), [("mains_switch", "OUTP ON"), ("generator", "OUTP ON")])
@pytest.mark.parametrize(
    "message",
    ["ROUT:CLOS (@102)", "ROUT:OPEN (@101)", "ROUT:OPEN:ALL", "ROUT:CLOS (@302,102)"],
)
def test_the_unit_is_not_changed_on_a_live_bench(bench, role, live, message):
    bench.ask(role, live)
    bench.ask("router", message)
    assert bench.errors("router") == [-221]
    assert bench.ask("router", "ROUT:CLOS:STAT?") == "(@101,201,301,401)"
    assert bench.world.unit == 1


def test_closing_what_is_closed_is_no_change_even_on_a_live_bench(bench):
    bench.ask("mains_switch", "OUTP ON")
    bench.ask("router", "ROUT:CLOS (@101,201,302)")
    assert bench.errors("router") == []


def test_the_load_moves_only_when_the_generator_is_silent(bench):
    bench.ask("mains_switch", "OUTP ON")
    bench.ask("generator", "VOLT 1;:OUTP ON")
    bench.ask("router", "ROUT:OPEN (@201)")
    assert bench.errors("router") == [-221]
    bench.ask("generator", "VOLT 0")
    bench.ask("router", "ROUT:OPEN (@201)")
    assert bench.world.load_connected is False
    bench.ask("generator", "VOLT 1;:OUTP OFF")
    bench.ask("router", "ROUT:CLOS (@201)")
    assert bench.world.load_connected is True
    assert bench.errors("router") == []


def test_the_mains_switch_powers_and_commands_standby(bench):
    assert bench.ask("mains_switch", "OUTP?;OUTP:STAN?") == "0;0"
    assert bench.ask("mains_switch", "OUTP ON;OUTP?;:OUTP:STAN 1;STAN?") == "1;1"
    assert (bench.world.mains_on, bench.world.standby) == (True, True)
    bench.ask("mains_switch", "*RST")
    assert (bench.world.mains_on, bench.world.standby) == (False, False)


@pytest.mark.parametrize(
    ("role", "command", "query", "stuck"),
    [
        ("generator", "OUTP ON", "OUTP?", "0"),
        ("mains_switch", "OUTP ON", "OUTP?", "0"),
        ("router", "ROUT:CLOS (@302)", "ROUT:CLOS? (@302)", "0"),
    ],
)
def test_a_stuck_relay_ignores_a_command_and_shows_it(bench, role, command, query, stuck):
    bench.ask(role, "DIAG:DIST STUCKRELAY")
    assert bench.ask(role, f"{command};:{query}") == stuck
    assert bench.ask(role, f"{command};:{query}") == "1"
    assert bench.errors(role) == []
