"""Every driver of a role behaves alike, whatever tongue its instrument speaks.

Scripted instruments on real sockets speak SCPI-1999 and two contrary tongues; the simulated bench, a
process of its own, speaks SCPI-1999 too. What a role promises is written in drivers/roles.py; levels
and units are checked against their definitions: dBV is relative to 1 V rms, a sine of 1 V rms is
2 sqrt(2) V peak to peak.
"""

import math
import re
import struct
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

from drivers.command_map import command_map_from
from drivers.errors import (
    InstrumentError,
    OperationMissing,
    ReportedError,
    UnusableAnswer,
    WrongInstrument,
)
from drivers.registry import make
from drivers.roles import Role
from drivers.settings import InstrumentSettings, link_settings

# The simulated bench's own other tongue, by the maps that its bench file carries.
from sim_instruments.plain_maps import COMMANDS as PLAIN_MAPS

RANGES_V = (1.0, 3.0, 10.0, 30.0, 100.0)
RATES = (1000.0, 8000.0, 48000.0, 96000.0, 192000.0, 1250000.0)


@dataclass
class State:
    """What the scripted instruments have in them, in SI."""

    is_on: bool = False
    kind: str = "SIN"
    frequency_hz: float = 1000.0
    level_vrms: float = 0.0
    upper: tuple[float, float] = (0.0, 0.0)
    lower: tuple[float, float] = (0.0, 0.0)
    offset_v: float = 0.0
    sweep: dict[str, float] = field(default_factory=dict)
    played: int = 0
    load_ohm: float = math.inf
    range_v: float = 10.0
    points: int = 1024
    rate_hz: float = 48000.0
    records: int = 0
    volts: float = 1.0
    ohms: float = 8.0
    closed: set[int] = field(default_factory=set)
    standby: bool = False
    celsius: float = 31.5
    watts: float = 12.5
    mains_v: float = 229.0
    is_overrange: bool = False
    short_by: int = 0
    disobeys: bool = False
    errors: list[str] = field(default_factory=list)

    def waveform(self, word: str) -> np.ndarray:
        """One record of an input, volts: no two records alike."""
        random = np.random.default_rng(self.records + 1000 * (word[-1] in "2B"))
        time_s = np.arange(self.points) / self.rate_hz
        tone = 0.5 * np.sin(2 * np.pi * 1000.0 * time_s)
        return (tone + random.normal(0, 1e-3, self.points))[: self.points - self.short_by]


class Refusal(Exception):
    """The instrument does not take a message; says what is queued for it."""


Handler = Callable[[State, re.Match[str]], object]
Table = list[tuple[str, Handler]]


def put(name: str, value: Callable[[re.Match[str]], object]) -> Handler:
    def act(state: State, match: re.Match[str]) -> None:
        if not state.disobeys:
            setattr(state, name, value(match))

    return act


def number(match: re.Match[str]) -> float:
    return float(match[1])


def block(data: bytes) -> bytes:
    length = str(len(data)).encode()
    return b"#" + str(len(length)).encode() + length + data


def sweep(key: str) -> Handler:
    return lambda state, match: state.sweep.__setitem__(key, float(match[1]))


def play(state: State, match: re.Match[str]) -> None:
    state.played += 1


def record(state: State, match: re.Match[str]) -> None:
    state.records += 0 if state.disobeys else 1


def take_range(scale: float) -> Handler:
    def act(state: State, match: re.Match[str]) -> None:
        if number(match) * scale > 100.001:
            raise Refusal
        if not state.disobeys:
            state.range_v = min(each for each in RANGES_V if each >= number(match) * scale - 1e-6)

    return act


def relay(closes: bool) -> Handler:
    def act(state: State, match: re.Match[str]) -> None:
        if not state.disobeys:
            (state.closed.add if closes else state.closed.discard)(int(match[1]))

    return act


OUTPUT: Table = [
    (r"OUTP ON", put("is_on", lambda _: True)),
    (r"OUTP OFF", put("is_on", lambda _: False)),
    (r"OUTP\?", lambda state, _: str(int(state.is_on))),
]
SCPI_TABLES: dict[Role, Table] = {
    Role.GENERATOR: [
        *OUTPUT,
        (r"VOLT:UNIT VRMS", lambda state, _: None),
        (r"OUTP:LOAD INF", put("load_ohm", lambda _: math.inf)),
        (r"OUTP:LOAD\?", lambda state, _: "9.9E37" if math.isinf(state.load_ohm) else "50"),
        (r"OUTP:IMP\?", lambda state, _: "50"),
        (r"FUNC (SIN|DUAL|SWE|NOIS)", put("kind", lambda match: match[1])),
        (r"FREQ ([\d.E+-]+)", put("frequency_hz", number)),
        (r"FREQ\?", lambda state, _: f"{state.frequency_hz:.9E}"),
        (r"VOLT:OFFS ([\d.E+-]+)", put("offset_v", number)),
        (r"VOLT ([\d.E+-]+)", put("level_vrms", number)),
        (r"VOLT\?", lambda state, _: f"{state.level_vrms:.6E}"),
        (r"SOUR1:FREQ ([\d.E+-]+)", lambda s, m: setattr(s, "lower", (number(m), s.lower[1]))),
        (r"SOUR1:VOLT ([\d.E+-]+)", lambda s, m: setattr(s, "lower", (s.lower[0], number(m)))),
        (r"SOUR2:FREQ ([\d.E+-]+)", lambda s, m: setattr(s, "upper", (number(m), s.upper[1]))),
        (r"SOUR2:VOLT ([\d.E+-]+)", lambda s, m: setattr(s, "upper", (s.upper[0], number(m)))),
        (r"FREQ:STAR ([\d.E+-]+)", sweep("start")),
        (r"FREQ:STOP ([\d.E+-]+)", sweep("stop")),
        (r"SWE:TIME ([\d.E+-]+)", sweep("time")),
        (r"SWE:SPAC LOG", lambda state, _: None),
        (r"TRIG", play),
    ],
    Role.ANALYSER: [
        (r"FORM REAL,32|FORM:BORD NORM", lambda state, _: None),
        (r"VOLT:RANG ([\d.E+-]+)", take_range(1.0)),
        (r"VOLT:RANG\?", lambda state, _: f"{state.range_v:.3E}"),
        (r"SWE:POIN (\d+)", put("points", lambda match: int(match[1]))),
        (r"(?:SWE|TRAC):POIN\?", lambda state, _: str(state.points)),
        (r"SWE:RATE ([\d.E+-]+)", put("rate_hz", number)),
        (r"(?:SWE|TRAC):RATE\?", lambda state, _: f"{state.rate_hz:.9E}"),
        (r"ABOR", lambda state, _: None),
        (r"INIT", record),
        (r"TRAC:COUN\?", lambda state, _: str(state.records)),
        (r"STAT:QUES:COND\?", lambda state, _: str(16 + state.is_overrange)),
        (r"TRAC\? (CH[12])", lambda s, m: block(s.waveform(m[1]).astype(">f4").tobytes())),
    ],
    Role.DMM: [
        (r"MEAS:VOLT:[DA]C\?", lambda state, _: f"{state.volts:.8E}"),
        (r"MEAS:RES\?", lambda state, _: f"{state.ohms:.8E}"),
    ],
    Role.ROUTER: [
        (r"ROUT:CLOS \(@(\d+)\)", relay(True)),
        (r"ROUT:OPEN \(@(\d+)\)", relay(False)),
        (r"ROUT:CLOS\? \(@(\d+)\)", lambda state, m: str(int(int(m[1]) in state.closed))),
    ],
    Role.MAINS_SWITCH: [
        *OUTPUT,
        (r"OUTP:STAN (ON|OFF)", put("standby", lambda match: match[1] == "ON")),
        (r"OUTP:STAN\?", lambda state, _: str(int(state.standby))),
    ],
    Role.THERMOMETER: [(r"MEAS:TEMP\? \(@1\)", lambda state, _: f"{state.celsius:.4E}")],
    Role.POWER_METER: [
        (r"MEAS:POW\?", lambda state, _: f"{state.watts:.4E}"),
        (r"MEAS:VOLT\?", lambda state, _: f"{state.mains_v:.4E}"),
    ],
}
SCPI_COMMON: Table = [
    (r"\*IDN\?", lambda state, _: "Steadybench Simulated,Scripted,0,1"),
    (r"\*CLS", lambda state, _: state.errors.clear()),
    (r"\*OPC\?", lambda state, _: "1"),
    (r"SYST:ERR\?", lambda state, _: state.errors.pop(0) if state.errors else '0,"No error"'),
]


def dbv(volts: float) -> float:
    return 20 * math.log10(volts) if volts > 1e-7 else -140.0


# A tongue that differs from SCPI-1999 in every respect that a map covers: one message a line, each
# setting acknowledged, no common commands, levels in dBV, frequencies in kHz, mute for output.
CONTRARY_COMMON: Table = [
    (r"WHO", lambda state, _: "STEADYBENCH SIMULATED CONTRARY"),
    (r"ERR", lambda state, _: state.errors.pop(0) if state.errors else "E00"),
    (r"RESET ERR", lambda state, _: state.errors.clear()),
]
CONTRARY_TABLES: dict[Role, Table] = {
    Role.GENERATOR: [
        (r"MUTE=1", put("is_on", lambda _: False)),
        (r"MUTE=0", put("is_on", lambda _: True)),
        (r"MUTE", lambda state, _: str(int(not state.is_on))),
        (r"WAVE=(SINE|PAIR|CHIRP|HISS)", put("kind", lambda match: match[1])),
        (r"FRQ=([\d.]+)", put("frequency_hz", lambda match: number(match) * 1e3)),
        (r"FRQ", lambda state, _: f"{state.frequency_hz:.3f} Hz"),
        (r"LVL=([\d.+-]+)", put("level_vrms", lambda match: 10 ** (number(match) / 20))),
        (r"LVL", lambda state, _: f"{dbv(state.level_vrms):.2f} dBV"),
        (r"DC=([\d.+-]+)", put("offset_v", lambda match: number(match) / 1e3)),
        (
            r"LOW=([\d.]+)/([\d.+-]+)",
            put("lower", lambda m: (number(m) * 1e3, 10 ** (float(m[2]) / 20))),
        ),
        (
            r"HIGH=([\d.]+)/([\d.+-]+)",
            put("upper", lambda m: (number(m) * 1e3, 10 ** (float(m[2]) / 20))),
        ),
        (r"FROM=([\d.]+)", sweep("start")),
        (r"TO=([\d.]+)", sweep("stop")),
        (r"FOR=([\d.]+)", sweep("time")),
        (r"GO", play),
    ],
    Role.ANALYSER: [
        (r"RNG=([\d.]+)", take_range(1 / (2 * math.sqrt(2)) * math.sqrt(2))),
        (r"RNG", lambda state, _: f"{state.range_v * 2:.3f}"),
        (r"LEN=(\d+)", put("points", lambda match: int(match[1]))),
        (r"LEN", lambda state, _: str(state.points)),
        (r"SPEED=([\d.]+)", put("rate_hz", lambda match: number(match) * 1e3)),
        (r"SPEED", lambda state, _: f"{state.rate_hz / 1e3:.4f}"),
        (r"RUN", record),
        (r"OVER", lambda state, _: "YES" if state.is_overrange else "NO"),
        (
            r"SHOW=([AB])",
            lambda s, m: ";".join(f"{volt * 1e3:.4f}" for volt in s.waveform(m[1])),
        ),
    ],
    Role.DMM: [
        (r"FN=(V|A|R)", put("kind", lambda match: match[1])),
        (
            r"TAKE",
            lambda state, _: (
                "OVLD"
                if state.volts > 1e30
                else f"{state.ohms / 1e3:.6f};0"
                if state.kind == "R"
                else f"{state.volts * 1e3:.5f};0"
            ),
        ),
    ],
    Role.ROUTER: [
        (r"K(\d+) ON", relay(True)),
        (r"K(\d+) OFF", relay(False)),
        (r"KS", lambda state, _: ";".join(str(each) for each in sorted(state.closed))),
    ],
    Role.MAINS_SWITCH: [
        (r"POWER UP", put("is_on", lambda _: True)),
        (r"POWER DOWN", put("is_on", lambda _: False)),
        (r"POWER", lambda state, _: "UP" if state.is_on else "DOWN"),
        (r"SLEEP", put("standby", lambda _: True)),
        (r"WAKE", put("standby", lambda _: False)),
        (r"AWAKE", lambda state, _: "N" if state.standby else "Y"),
    ],
    Role.THERMOMETER: [(r"T", lambda state, _: f"300.00;{state.celsius + 273.15:.2f}")],
    Role.POWER_METER: [
        (r"ALL", lambda state, _: f"{state.mains_v:.2f};0.1;{state.watts * 1e3:.1f}")
    ],
}
CONTRARY_MAP: dict[str, object] = {
    "base": "nothing",
    "identity": "WHO",
    "clear": "RESET ERR",
    "error": "ERR",
    "no_error": "E00",
    "acknowledgement": "OK",
    "write_termination": "\r\n",
    "read_termination": "\r\n",
    "list_separator": ";",
    "answer_units": ["Hz", "dBV"],
}
CONTRARY_MAPS: dict[Role, dict[str, object]] = {
    Role.GENERATOR: {
        "level_unit": "dBV",
        "noise_level_unit": "dBV",
        "silence_level": -140,
        "source_impedance": 50,
        "assumed_load": "inf",
        "set_sine": [
            "WAVE=SINE",
            "FRQ={frequency_khz:.6f}",
            "DC={offset_mv:.3f}",
            "LVL={level:.3f}",
        ],
        "set_level": "LVL={level:.3f}",
        "ask_level": "LVL",
        "ask_frequency": "FRQ",
        "set_two_tone": [
            "WAVE=PAIR",
            "LOW={lower_khz:.6f}/{lower_level:.3f}",
            "HIGH={upper_khz:.6f}/{upper_level:.3f}",
        ],
        "set_sweep": [
            "WAVE=CHIRP",
            "FROM={start_hz:.3f}",
            "TO={stop_hz:.3f}",
            "FOR={duration_s:.4f}",
            "LVL={level:.3f}",
        ],
        "start_sweep": "GO",
        "output_on": "MUTE=0",
        "output_off": "MUTE=1",
        "ask_output": "MUTE",
        "output_is_on": "0",
        "output_is_off": "1",
    },
    Role.ANALYSER: {
        "range_unit": "vpp",
        "set_range": "RNG={range:.3f}",
        "ask_range": "RNG",
        "set_points": "LEN={points}",
        "ask_points": "LEN",
        "set_rate": "SPEED={rate_khz:.4f}",
        "ask_rate": "SPEED",
        "rate_scale": 1000,
        "start": "RUN",
        "ask_overrange": "OVER",
        "overrange_answers": "YES",
        "in_range_answers": "NO",
        "ask_waveform": "SHOW={input}",
        "input_words": ["A", "B"],
        "waveform_form": "ascii",
        "waveform_separator": ";",
        "waveform_scale": 0.001,
    },
    Role.DMM: {
        "read_dc": ["FN=V", "TAKE"],
        "dc_unit": "mv",
        "read_ac": ["FN=A", "TAKE"],
        "ac_unit": "mvrms",
        "read_resistance": ["FN=R", "TAKE"],
        "resistance_unit": "kohm",
        "reading_field": 1,
        "overload_answers": ["OVLD"],
    },
    Role.ROUTER: {
        "close": "K{channel} ON",
        "open": "K{channel} OFF",
        "ask_closed_channels": "KS",
    },
    Role.MAINS_SWITCH: {
        "output_on": "POWER UP",
        "output_off": "POWER DOWN",
        "ask_output": "POWER",
        "output_is_on": "UP",
        "output_is_off": "DOWN",
        "standby_on": "SLEEP",
        "standby_off": "WAKE",
        "ask_standby": "AWAKE",
        "standby_is_on": "N",
        "standby_is_off": "Y",
    },
    Role.THERMOMETER: {
        "read_temperature": "T",
        "temperature_unit": "kelvin",
        "reading_field": 2,
    },
    Role.POWER_METER: {
        "read_power": "ALL",
        "power_unit": "mw",
        "power_field": 3,
        "read_voltage": "ALL",
        "voltage_field": 1,
    },
}
# Bare: no identity, no errors, no acknowledgement, no counts; blocks of whole numbers, low byte first.
BARE_TABLE: Table = [
    (r"rg ([\d.]+)", take_range(1.0)),
    (r"n (\d+)", put("points", lambda match: int(match[1]))),
    (r"sr ([\d.]+)", put("rate_hz", number)),
    (r"go", record),
    (r"scl", lambda state, _: "0.0001"),
    (
        r"d([01])",
        lambda s, m: block(np.round(s.waveform(str(int(m[1]) + 1)) / 1e-4).astype("<i2").tobytes()),
    ),
]
BARE_MAP: dict[str, object] = {
    "base": "nothing",
    "set_range": "rg {range:.2f}",
    "set_points": "n {points:d}",
    "set_rate": "sr {rate_hz:.1f}",
    "start": "go",
    "ask_waveform": "d{input}",
    "input_words": ["0", "1"],
    "waveform_form": "int16",
    "byte_order": "little",
    "ask_waveform_scale": "scl",
}


def handled(table: Table, state: State, text: str) -> object:
    for pattern, handler in table:
        if match := re.fullmatch(pattern, text):
            return handler(state, match)
    raise Refusal


def scpi_reply(role: Role, state: State):
    table = [*SCPI_COMMON, *SCPI_TABLES[role]]

    def reply(text, client):
        answers = []
        for unit in text.split(";"):
            try:
                answer = handled(table, state, unit.removeprefix(":"))
            except Refusal:
                state.errors.append('-113,"Undefined header"')
                continue
            if answer is not None:
                answers.append(answer if isinstance(answer, bytes) else str(answer).encode())
        if answers:
            client.send(b";".join(answers) + b"\n")

    return reply


def contrary_reply(role: Role, state: State):
    table = [*CONTRARY_COMMON, *CONTRARY_TABLES[role]]

    def reply(text, client):
        try:
            answer = handled(table, state, text)
        except Refusal:
            state.errors.append("E17 WHAT")
            answer = "NO"
        client.send(f"{'OK' if answer is None else answer}\r\n".encode())

    return reply


def bare_reply(state: State):
    def reply(text, client):
        answer = handled(BARE_TABLE, state, text)
        if answer is not None:
            client.send((answer if isinstance(answer, bytes) else str(answer).encode()) + b"\n")

    return reply


@dataclass
class Rig:
    """A driver of each role in front of an instrument; state is None where it can't be seen."""

    make: Callable[[Role], tuple[object, State | None]]

    def driver(self, role: Role):
        return self.make(role)[0]

    def pair(self, role: Role):
        driver, state = self.make(role)
        if state is None:
            pytest.skip("the state of the simulated bench is not open to this test")
        return driver, state


def fitted(connect, role, address, mapping, identity):
    command_map = command_map_from(role, mapping)
    settings = InstrumentSettings(
        role=role,
        command_map=command_map,
        identity=identity,
        ranges_peak_v=RANGES_V,
        sample_rates_hz=RATES,
        channels=2,
    )
    link = connect(address, link_settings(command_map, timeout_s=2.0), role)
    driver = make(role, "mapped", link, settings)
    driver.prepare()
    return driver


@pytest.fixture
def scpi_rig(serve, connect) -> Rig:
    def build(role):
        state = State()
        instrument = serve(scpi_reply(role, state))
        return fitted(connect, role, instrument.address, {}, "Steadybench Simulated"), state

    return Rig(build)


@pytest.fixture
def contrary_rig(serve, connect) -> Rig:
    def build(role):
        state = State()
        instrument = serve(contrary_reply(role, state), b"\r\n")
        mapping = CONTRARY_MAP | CONTRARY_MAPS[role]
        return fitted(connect, role, instrument.address, mapping, "STEADYBENCH"), state

    return Rig(build)


@pytest.fixture
def simulated_rig(connect, simulated_addresses) -> Rig:
    def build(role):
        address = simulated_addresses[role]
        return fitted(connect, role, address, {}, "Steadybench Simulated"), None

    return Rig(build)


@pytest.fixture
def plain_rig(connect, plain_addresses) -> Rig:
    def build(role):
        mapping = PLAIN_MAPS[role]
        identity = "Steadybench Simulated" if "identity" in mapping else None
        return fitted(connect, role, plain_addresses[role], mapping, identity), None

    return Rig(build)


@pytest.fixture(params=["scpi_rig", "contrary_rig", "simulated_rig", "plain_rig"])
def rig(request):
    return request.getfixturevalue(request.param)


@pytest.fixture(params=["scpi_rig", "contrary_rig"])
def open_rig(request):
    """A rig whose instrument's state can be looked into."""
    return request.getfixturevalue(request.param)


# Generator.


def test_the_generator_output_is_switched_and_read_back(rig):
    generator = rig.driver(Role.GENERATOR)
    generator.set_sine(1000.0, 0.0)
    generator.set_output(True)
    assert generator.is_output_on() is True
    generator.set_output(False)
    assert generator.is_output_on() is False


def test_every_waveform_is_accepted_and_none_switches_the_output(rig):
    generator = rig.driver(Role.GENERATOR)
    generator.set_output(False)
    generator.set_sine(997.0, 0.25, offset_v=0.01)
    generator.set_level(0.1)
    generator.set_two_tone(60.0, 0.4, 7000.0, 0.1)
    generator.set_sweep(20.0, 20000.0, 2.0, 0.2)
    generator.set_sine(1000.0, 0.0)
    assert generator.is_output_on() is False
    assert generator.source_impedance_ohm() == 50.0
    assert generator.assumed_load_ohm() == math.inf


def test_levels_arrive_as_emf_in_volts_whatever_the_unit(open_rig):
    generator, state = open_rig.pair(Role.GENERATOR)
    generator.set_sine(997.0, 0.25, offset_v=0.012)
    # The contrary tongue is set in steps of 0.001 dB, which is 0.012 %.
    assert state.level_vrms == pytest.approx(0.25, rel=2e-4)
    assert state.frequency_hz == pytest.approx(997.0, rel=1e-6)
    assert state.offset_v == pytest.approx(0.012)
    generator.set_level(1.0)  # 0 dBV
    assert state.level_vrms == pytest.approx(1.0, rel=2e-4)
    generator.set_level(0.0)
    assert state.level_vrms <= 1e-7


def test_two_tones_keep_their_ratio_when_the_level_changes(open_rig):
    generator, state = open_rig.pair(Role.GENERATOR)
    generator.set_two_tone(60.0, 0.4, 7000.0, 0.1)
    assert state.lower == pytest.approx((60.0, 0.4), rel=2e-4)
    assert state.upper == pytest.approx((7000.0, 0.1), rel=2e-4)
    generator.set_level(2 * math.hypot(0.4, 0.1))
    assert state.lower[1] == pytest.approx(0.8, rel=2e-4)
    assert state.upper[1] == pytest.approx(0.2, rel=2e-4)


def test_a_sweep_is_set_and_played_once(open_rig):
    generator, state = open_rig.pair(Role.GENERATOR)
    generator.set_sweep(20.0, 20000.0, 2.5, 0.2)
    assert state.sweep == {"start": 20.0, "stop": 20000.0, "time": 2.5}
    generator.start_sweep()
    assert state.played == 1


def test_an_output_that_does_not_obey_is_an_error_and_ends_off(open_rig):
    generator, state = open_rig.pair(Role.GENERATOR)
    state.disobeys = True
    with pytest.raises(InstrumentError, match="did not switch on"):
        generator.set_output(True)
    assert state.is_on is False
    state.is_on = True
    with pytest.raises(InstrumentError, match="did not switch off"):
        generator.set_output(False)


def test_a_level_that_was_not_taken_is_noticed(open_rig):
    generator, state = open_rig.pair(Role.GENERATOR)
    generator.set_sine(1000.0, 0.5)
    state.disobeys = True
    with pytest.raises(UnusableAnswer, match="read-back differs"):
        generator.set_level(0.1)
    with pytest.raises(UnusableAnswer, match="read-back differs"):
        generator.set_sine(50.0, 0.5)


@pytest.mark.parametrize(
    ("frequency_hz", "level_vrms"),
    [(0.0, 1.0), (-1.0, 1.0), (math.nan, 1.0), (1000.0, -1.0), (1000.0, math.inf)],
)
def test_settings_that_can_not_be_are_never_sent(open_rig, frequency_hz, level_vrms):
    generator, state = open_rig.pair(Role.GENERATOR)
    with pytest.raises(ValueError, match=r"frequency_hz|level_vrms"):
        generator.set_sine(frequency_hz, level_vrms)
    assert state.level_vrms == 0.0


def test_what_a_tongue_has_no_words_for_is_said_to_be_missing(contrary_rig):
    generator, _ = contrary_rig.pair(Role.GENERATOR)
    with pytest.raises(OperationMissing, match="set_programme_noise"):
        generator.set_programme_noise(0.1)


def test_a_read_back_is_understood_in_the_unit_of_the_waveform_that_is_set(serve, connect):
    """Noise in volts, then a tone in dBV: the tone's read-back is no level of noise."""
    state = State()
    instrument = serve(contrary_reply(Role.GENERATOR, state), b"\r\n")
    mapping = CONTRARY_MAP | CONTRARY_MAPS[Role.GENERATOR]
    mapping |= {"noise_level_unit": "vrms", "set_programme_noise": "LVL={level:.3f}"}
    generator = fitted(connect, Role.GENERATOR, instrument.address, mapping, "STEADYBENCH")
    generator.set_programme_noise(0.25)
    generator.set_sine(1000.0, 0.5)
    assert state.level_vrms == pytest.approx(0.5, rel=2e-4)


def test_a_display_for_a_load_is_told_the_voltage_on_that_load(serve, connect):
    state = State()
    instrument = serve(scpi_reply(Role.GENERATOR, state))
    mapping = {
        "prepare": None,
        "set_level": "VOLT {level:.8G}",
        "set_sine": ["FUNC SIN", "FREQ {frequency_hz:.9G}", "VOLT {level:.8G}"],
        "assumed_load": 50,
        "source_impedance": 50,
    }
    generator = fitted(connect, Role.GENERATOR, instrument.address, mapping, None)
    # Two equal resistances halve the e.m.f.
    generator.set_sine(1000.0, 1.0)
    assert state.level_vrms == pytest.approx(0.5)
    generator.set_level(0.2)
    assert state.level_vrms == pytest.approx(0.1)


# Analyser.


@pytest.fixture(params=["scpi_rig", "contrary_rig", "bare"])
def analyser_and_state(request, serve, connect):
    if request.param != "bare":
        return request.getfixturevalue(request.param).pair(Role.ANALYSER)
    state = State()
    instrument = serve(bare_reply(state))
    return fitted(connect, Role.ANALYSER, instrument.address, BARE_MAP, None), state


def test_the_smallest_range_that_holds_the_peak_is_taken(rig):
    analyser = rig.driver(Role.ANALYSER)
    assert analyser.ranges_peak_v() == RANGES_V
    for peak_v, taken_v in ((0.2, 1.0), (1.0, 1.0), (1.01, 3.0), (99.0, 100.0)):
        assert analyser.set_range(peak_v) == taken_v
    with pytest.raises(ValueError, match="no range holds it"):
        analyser.set_range(101.0)


def test_a_record_has_the_shape_and_rate_that_were_asked_for(rig):
    analyser = rig.driver(Role.ANALYSER)
    analyser.set_range(1.0)
    for channels, samples, rate_hz in ((1, 480, 48000.0), (2, 1000, 96000.0)):
        analyser.start(samples, rate_hz)
        waveform = analyser.fetch(channels=channels)
        assert waveform.samples.shape == (channels, samples)
        assert waveform.samples.dtype == np.float64
        assert (waveform.sample_rate_hz, waveform.range_peak_v) == (rate_hz, 1.0)
        assert waveform.is_overrange is False


def test_a_record_may_be_fetched_again(open_rig):
    analyser, _ = open_rig.pair(Role.ANALYSER)
    if analyser._map.has("ask_record_count"):
        analyser.start(480, 48000.0)
        first = analyser.fetch()
        assert np.array_equal(first.samples, analyser.fetch().samples)


def test_samples_arrive_as_volts_in_every_form(analyser_and_state):
    analyser, state = analyser_and_state
    analyser.set_range(1.0)
    analyser.start(480, 48000.0)
    waveform = analyser.fetch(channels=2)
    # Coarsest form here: whole numbers of 0.1 mV.
    assert waveform.samples[0] == pytest.approx(state.waveform("1"), abs=5.1e-5)
    assert waveform.samples[1] == pytest.approx(state.waveform("2"), abs=5.1e-5)


def test_a_record_that_was_not_renewed_is_stale(analyser_and_state):
    analyser, state = analyser_and_state
    analyser.set_range(1.0)
    analyser.start(480, 48000.0)
    analyser.fetch()
    state.disobeys = True

    def again():
        analyser.start(480, 48000.0)
        analyser.fetch()

    with pytest.raises(UnusableAnswer, match=r"no new record|stale"):
        again()


def test_a_range_length_or_rate_that_was_not_taken_is_noticed(open_rig):
    analyser, state = open_rig.pair(Role.ANALYSER)
    analyser.set_range(1.0)
    state.disobeys = True
    with pytest.raises(UnusableAnswer, match="range of 30 V"):
        analyser.set_range(30.0)
    with pytest.raises(UnusableAnswer, match="999 samples"):
        analyser.start(999, 48000.0)
    with pytest.raises(UnusableAnswer, match="samples a second"):
        analyser.start(state.points, 96000.0)


def test_a_range_changed_behind_our_back_is_noticed(open_rig):
    analyser, state = open_rig.pair(Role.ANALYSER)
    analyser.set_range(1.0)
    analyser.start(480, 48000.0)
    state.range_v = 30.0
    with pytest.raises(UnusableAnswer, match="range was set to 1 V"):
        analyser.fetch()


def test_a_record_cut_short_is_refused(analyser_and_state):
    analyser, state = analyser_and_state
    analyser.set_range(1.0)
    state.short_by = 1
    analyser.start(480, 48000.0)
    with pytest.raises(UnusableAnswer, match=r"480|1920 were expected|960 were expected"):
        analyser.fetch()


def test_over_range_is_reported(analyser_and_state):
    analyser, state = analyser_and_state
    analyser.set_range(1.0)
    state.is_overrange = True
    if analyser._map.has("ask_overrange"):
        analyser.start(480, 48000.0)
        assert analyser.fetch().is_overrange is True


def test_over_range_is_seen_in_the_data_where_the_instrument_can_not_tell(serve, connect):
    state = State()
    state.waveform = lambda word: np.clip(
        2 * np.sin(np.arange(state.points) + state.records), -1, 1
    )
    instrument = serve(bare_reply(state))
    analyser = fitted(connect, Role.ANALYSER, instrument.address, BARE_MAP, None)
    analyser.set_range(1.0)
    analyser.start(480, 48000.0)
    assert analyser.fetch().is_overrange is True


@pytest.mark.parametrize("bad", [math.nan, math.inf, 9.91e37, -9.9e37])
def test_a_record_that_holds_no_numbers_is_refused(scpi_rig, bad):
    analyser, state = scpi_rig.pair(Role.ANALYSER)
    samples = np.full(480, 0.1)
    samples[77] = bad
    state.waveform = lambda word: samples
    analyser.start(480, 48000.0)
    with pytest.raises(UnusableAnswer, match="not numbers"):
        analyser.fetch()


def test_fetch_without_start_and_too_many_channels_are_the_callers_mistake(open_rig):
    analyser, _ = open_rig.pair(Role.ANALYSER)
    with pytest.raises(ValueError, match="no record was started"):
        analyser.fetch()
    analyser.start(480, 48000.0)
    with pytest.raises(ValueError, match="channels is 3"):
        analyser.fetch(channels=3)


# Meters.


def test_the_dmm_reads_si(open_rig):
    dmm, state = open_rig.pair(Role.DMM)
    state.volts, state.ohms = 0.012345, 8.12
    assert dmm.read_dc_v() == pytest.approx(0.012345)
    assert dmm.read_ac_vrms() == pytest.approx(0.012345)
    assert dmm.read_resistance_ohm() == pytest.approx(8.12)


def test_overload_is_no_number(open_rig):
    dmm, state = open_rig.pair(Role.DMM)
    state.volts = 9.9e37  # SCPI-1999 volume 1, 7.2
    with pytest.raises(UnusableAnswer, match="overload"):
        dmm.read_dc_v()


def test_the_meters_read_finite_numbers(rig):
    assert math.isfinite(rig.driver(Role.DMM).read_dc_v())
    assert -20 < rig.driver(Role.THERMOMETER).read_celsius() < 100
    meter = rig.driver(Role.POWER_METER)
    assert meter.read_power_w() >= 0
    assert meter.read_voltage_vrms() >= 0


def test_temperature_and_mains_arrive_in_si(open_rig):
    thermometer, _ = open_rig.pair(Role.THERMOMETER)
    assert thermometer.read_celsius() == pytest.approx(31.5)
    meter, _ = open_rig.pair(Role.POWER_METER)
    assert meter.read_power_w() == pytest.approx(12.5)
    assert meter.read_voltage_vrms() == pytest.approx(229.0)


# Router and mains switch.


def test_relays_are_moved_and_read_back(rig):
    router = rig.driver(Role.ROUTER)
    for channel in (302, 301):
        router.close(channel)
        assert router.is_closed(channel) is True
    router.open(301)
    assert router.is_closed(301) is False
    router.close(301)


def test_a_relay_that_sticks_is_noticed(open_rig):
    router, state = open_rig.pair(Role.ROUTER)
    router.close(302)
    state.disobeys = True
    with pytest.raises(InstrumentError, match="channel 302 did not open"):
        router.open(302)
    with pytest.raises(InstrumentError, match="channel 201 did not close"):
        router.close(201)


def test_the_mains_is_switched_and_read_back(rig):
    mains = rig.driver(Role.MAINS_SWITCH)
    mains.set_output(True)
    assert mains.is_output_on() is True
    mains.set_standby(True)
    mains.set_standby(False)
    mains.set_output(False)
    assert mains.is_output_on() is False


def test_leaving_standby_is_read_back(open_rig):
    mains, state = open_rig.pair(Role.MAINS_SWITCH)
    mains.set_standby(True)
    assert state.standby is True
    state.disobeys = True
    with pytest.raises(InstrumentError, match="did not switch on"):
        mains.set_standby(False)


def test_a_standby_command_is_taken_back_where_one_stands(open_rig):
    mains, state = open_rig.pair(Role.MAINS_SWITCH)
    assert mains.withdraw_standby() is False
    mains.set_standby(True)
    assert mains.withdraw_standby() is True
    assert state.standby is False
    mains.set_standby(True)
    state.disobeys = True
    with pytest.raises(InstrumentError, match="did not switch on"):
        mains.withdraw_standby()


def test_a_mains_switch_without_a_standby_command_says_so(serve, connect):
    without = dict.fromkeys(("standby_on", "standby_off", "ask_standby"))
    instrument = serve(scpi_reply(Role.MAINS_SWITCH, State()))
    mains = fitted(connect, Role.MAINS_SWITCH, instrument.address, without, None)
    with pytest.raises(OperationMissing, match="standby_off"):
        mains.withdraw_standby()


def test_a_standby_command_that_the_instrument_does_not_know_is_none(serve, connect):
    """It answers with a command error (-113: SCPI-1999 volume 2, 21.8.9); another error is told."""
    address = serve(scpi_reply(Role.MAINS_SWITCH, State())).address
    mains = fitted(connect, Role.MAINS_SWITCH, address, {"ask_standby": "OUTP:SLEEP?"}, None)
    with pytest.raises(OperationMissing):
        mains.withdraw_standby()


def test_a_standby_command_that_can_t_be_asked_for_is_taken_back_unseen(serve, connect):
    state = State(standby=True)
    address = serve(scpi_reply(Role.MAINS_SWITCH, state)).address
    mains = fitted(connect, Role.MAINS_SWITCH, address, {"ask_standby": None}, None)
    assert mains.withdraw_standby() is False
    assert state.standby is False


# Any role.


@pytest.mark.parametrize("role", list(Role))
def test_another_instrument_than_the_expected_is_refused(serve, connect, role):
    instrument = serve(scpi_reply(role, State()))
    with pytest.raises(WrongInstrument, match="Elsewhere"):
        fitted(connect, role, instrument.address, {}, "Elsewhere,Model 1")


@pytest.mark.parametrize("role", list(Role))
def test_preparing_clears_old_errors_and_leaves_the_output(serve, connect, role):
    state = State(is_on=True, errors=['-410,"Query INTERRUPTED"'] * 3)
    fitted(connect, role, serve(scpi_reply(role, state)).address, {}, None)
    assert state.errors == []
    assert state.is_on is True


def test_a_refused_setting_is_reported_with_number_and_text(serve, connect):
    state = State()
    instrument = serve(scpi_reply(Role.MAINS_SWITCH, state))
    mapping = {"output_on": "OUTPUT:ONN"}
    mains = fitted(connect, Role.MAINS_SWITCH, instrument.address, mapping, None)
    with pytest.raises(ReportedError, match="-113, 'Undefined header'") as caught:
        mains.set_output(True)
    assert caught.value.code == -113
    assert sum("OUTPUT:ONN" in text for text in instrument.received) == 1


def test_a_refused_question_is_reported_with_number_and_text(serve, connect):
    instrument = serve(scpi_reply(Role.DMM, State()))
    dmm = fitted(connect, Role.DMM, instrument.address, {"read_ac": "MEAS:FREK?"}, None)
    with pytest.raises(ReportedError, match="Undefined header"):
        dmm.read_ac_vrms()


def test_a_setting_that_is_not_acknowledged_is_reported(serve, connect):
    state = State()
    instrument = serve(contrary_reply(Role.MAINS_SWITCH, state), b"\r\n")
    mapping = CONTRARY_MAP | CONTRARY_MAPS[Role.MAINS_SWITCH] | {"output_on": "POWR UP"}
    mains = fitted(connect, Role.MAINS_SWITCH, instrument.address, mapping, None)
    with pytest.raises(ReportedError, match="NO"):
        mains.set_output(True)


def test_a_setting_and_its_check_are_one_message(serve, connect):
    # One message and one answer: no pause of Nagle's algorithm against delayed acknowledgement.
    instrument = serve(scpi_reply(Role.GENERATOR, State()))
    generator = fitted(connect, Role.GENERATOR, instrument.address, {}, None)
    before = len(instrument.received)
    generator.set_sine(1000.0, 0.1)
    generator.set_output(True)
    assert len(instrument.received) - before == 2
    assert instrument.received[-1] == "OUTP ON;:OUTP?;:SYST:ERR?"


def lost_answer(role: Role, state: State, lost: str, *, arrives: bool):
    """An instrument that keeps one message's answer to itself, once."""
    normal, left = scpi_reply(role, state), [1]

    def reply(text, client):
        if lost in text and left:
            left.clear()
            if arrives:
                normal(text, _Mute())
            client.drop()
            return
        normal(text, client)

    return reply


class _Mute:
    def send(self, answer):
        """Swallow the answer."""


@pytest.mark.parametrize("role", [Role.GENERATOR, Role.MAINS_SWITCH])
def test_switching_on_whose_answer_was_lost_is_settled_by_reading_back(serve, connect, role):
    state = State()
    instrument = serve(lost_answer(role, state, "OUTP ON", arrives=True))
    driver = fitted(connect, role, instrument.address, {}, None)
    driver.set_output(True)
    assert state.is_on is True
    assert sum("OUTP ON" in text for text in instrument.received) == 1


@pytest.mark.parametrize("role", [Role.GENERATOR, Role.MAINS_SWITCH])
def test_switching_on_that_never_arrived_is_not_repeated_and_ends_off(serve, connect, role):
    state = State()
    instrument = serve(lost_answer(role, state, "OUTP ON", arrives=False))
    driver = fitted(connect, role, instrument.address, {}, None)
    with pytest.raises(InstrumentError, match=r"closed the connection|failed"):
        driver.set_output(True)
    assert state.is_on is False
    assert sum("OUTP ON" in text for text in instrument.received) == 1
    assert sum("OUTP OFF" in text for text in instrument.received) == 1


@pytest.mark.parametrize("arrives", [True, False])
@pytest.mark.parametrize("lost", ["OUTP OFF", "VOLT 0.1", "OUTP?"])
def test_what_does_not_energise_is_repeated_until_it_is_confirmed(serve, connect, lost, arrives):
    state = State(is_on=True)
    instrument = serve(lost_answer(Role.GENERATOR, state, lost, arrives=arrives))
    generator = fitted(connect, Role.GENERATOR, instrument.address, {}, None)
    generator.set_sine(1000.0, 0.1)
    assert generator.is_output_on() is True
    generator.set_output(False)
    assert (state.is_on, state.level_vrms) == (False, 0.1)


def test_a_played_sweep_is_not_played_again(serve, connect):
    state = State()
    instrument = serve(lost_answer(Role.GENERATOR, state, "TRIG", arrives=True))
    generator = fitted(connect, Role.GENERATOR, instrument.address, {}, None)
    generator.set_sweep(20.0, 20000.0, 1.0, 0.1)
    with pytest.raises(InstrumentError):
        generator.start_sweep()
    assert state.played == 1


def test_a_lost_start_of_a_record_begins_a_new_one_that_counts(serve, connect):
    state = State()
    instrument = serve(lost_answer(Role.ANALYSER, state, "INIT", arrives=True))
    analyser = fitted(connect, Role.ANALYSER, instrument.address, {}, None)
    analyser.set_range(1.0)
    analyser.start(480, 48000.0)
    expected = state.waveform("CH1").astype(np.float32)
    assert state.records == 2
    assert np.array_equal(analyser.fetch().samples[0], expected)


def test_a_block_of_the_wrong_length_is_fetched_again(serve, connect):
    state = State()
    normal, left = scpi_reply(Role.ANALYSER, state), [1]

    def reply(text, client):
        if "TRAC? CH1" in text and left:
            left.clear()
            client.send(block(struct.pack(">3f", 1, 2, 3)) + b"\n")
        else:
            normal(text, client)

    analyser = fitted(connect, Role.ANALYSER, serve(reply).address, {}, None)
    analyser.start(480, 48000.0)
    assert analyser.fetch().samples.shape == (1, 480)


def test_a_number_cut_short_is_not_taken_for_a_number(serve, connect):
    # "1.2345678E+01" cut after "1.2" would be a plausible reading.
    normal = scpi_reply(Role.DMM, State(volts=12.345678))

    class Cutting:
        def __init__(self, client):
            self.client = client

        def send(self, answer):
            self.client.send(answer[:3] + b"\n")

    def reply(text, client):
        normal(text, Cutting(client) if "MEAS" in text else client)

    dmm = fitted(connect, Role.DMM, serve(reply).address, {}, None)
    with pytest.raises(UnusableAnswer, match="2 answers were expected"):
        dmm.read_dc_v()


# Manners of answering that the tongues above do not have, one by one.


def scripted_answers(table):
    """An instrument that answers by a plain table."""
    return lambda text, client: client.send((table[text] + "\n").encode("latin-1"))


def test_names_before_values_and_hundredths_of_a_degree_are_taken(serve, connect):
    mapping = {
        "base": "nothing",
        "answer_header_end": "=",
        "identity": "ID",
        "read_temperature": "T1",
        "temperature_scale": 0.01,
    }
    table = {"ID": "NAME=Steadybench Simulated", "T1": "TEMP=3150"}
    instrument = serve(scripted_answers(table))
    thermometer = fitted(connect, Role.THERMOMETER, instrument.address, mapping, "Steadybench")
    assert thermometer.read_celsius() == pytest.approx(31.5)
    table["T1"] = "3150"
    with pytest.raises(UnusableAnswer, match="no '=' in it"):
        thermometer.read_celsius()


@pytest.mark.parametrize(("answer", "code"), [("ERR 3", 3), ("err", 0), ("?", 0)])
def test_an_answer_that_is_a_refusal_is_reported_and_not_asked_again(serve, connect, answer, code):
    mapping = {"base": "nothing", "refusal_answers": ["ERR", "?"], "read_power": "P"}
    table = {"P": "1.5"}
    instrument = serve(scripted_answers(table))
    meter = fitted(connect, Role.POWER_METER, instrument.address, mapping, None)
    assert meter.read_power_w() == 1.5
    asked, table["P"] = len(instrument.received), answer
    with pytest.raises(ReportedError) as caught:
        meter.read_power_w()
    assert (caught.value.code, caught.value.text) == (code, answer)
    assert len(instrument.received) == asked + 1


def test_a_router_without_a_closed_channel_may_say_so_in_a_word(serve, connect):
    mapping = {
        "base": "nothing",
        "acknowledgement": ["CLOSED", "OPENED"],
        "close": "C{channel:03d}",
        "open": "O{bank}/{line}",
        "ask_closed_channels": "L",
        "none_closed_answers": "NONE",
    }
    table = {"C101": "CLOSED", "O1/1": "OPENED", "L": "NONE"}
    router = fitted(connect, Role.ROUTER, serve(scripted_answers(table)).address, mapping, None)
    router.open(101)
    assert router.is_closed(101) is False
    table["L"] = "(@101:103)"
    router.close(101)
    assert router.is_closed(104) is False


def record_answers(payload):
    return {
        "RANGE?": "1",
        "REC?": f"{len(payload) // 2};48",
        "DATA": (block(payload)).decode("latin-1"),
    }


RECORD_MAP: dict[str, object] = {
    "base": "nothing",
    "list_separator": ";",
    "acknowledgement": "OK",
    "set_range": "RANGE",
    "ask_range": "RANGE?",
    "set_points": "POINTS",
    "set_rate": "RATE",
    "rate_scale": 1000,
    "start": "START",
    "ask_recorded_points": "REC?",
    "recorded_points_field": 1,
    "ask_recorded_rate": "REC?",
    "recorded_rate_field": 2,
    "ask_waveform": "DATA",
    "input_words": "1",
    "waveform_form": "int16",
    "full_scale_count": 1000,
    "invalid_count": -1,
}


def test_a_record_described_by_a_list_and_scaled_by_its_range_is_taken(serve, connect):
    settings = dict.fromkeys(("RANGE", "POINTS", "RATE", "START"), "OK")
    table = settings | record_answers(struct.pack(">4h", 500, -250, 0, 1000))
    analyser = fitted(
        connect, Role.ANALYSER, serve(scripted_answers(table)).address, RECORD_MAP, None
    )
    assert analyser.channel_count() == 1
    analyser.set_range(1.0)
    analyser.start(4, 48000.0)
    waveform = analyser.fetch()
    # 1000 counts are the range of 1 V peak.
    assert waveform.samples[0] == pytest.approx([0.5, -0.25, 0.0, 1.0])
    assert waveform.is_overrange is True
    table |= record_answers(struct.pack(">4h", 500, -1, 0, 1000))
    analyser.start(4, 48000.0)
    with pytest.raises(UnusableAnswer, match="not numbers"):
        analyser.fetch()
    table["REC?"] = "4;96"
    with pytest.raises(UnusableAnswer, match="48000 samples a second"):
        analyser.fetch()
