"""A small world in closed form, so that the instruments are tested without the amplifier model."""

import math
from dataclasses import dataclass

import numpy as np
import pytest

from sim_instruments.assembly import build_devices, build_scpi
from sim_instruments.shared_bench import SharedBench


@dataclass
class RampRecord:
    """Channel 1 counts samples in millivolts, channel 2 is the generator's level."""

    end_s: float
    samples: int
    sample_rate_hz: float
    is_overrange: bool
    level_vrms: float
    point: str | None

    def channel(self, number):
        if number == 2:
            return np.full(self.samples, self.level_vrms)
        return np.arange(self.samples) * 1e-3


class SmallWorld:
    """Remembers what it was told; readings are plain numbers."""

    def __init__(self):
        self.now_s = 0.0
        self.mains_on = False
        self.standby = False
        self.unit = None
        self.load_connected = False
        self.generator = {}
        self.faults = {1: None, 2: None}
        self.sweeps_played = 0
        self.points = {"output": 1.25e-3, "bias": 17.6e-3, "rail_positive": 53.0}
        self.records = []

    def advance(self, seconds):
        assert seconds >= 0
        self.now_s += seconds

    def set_fault(self, fault, unit=None):
        if fault is not None and fault.partition(":")[0] != "bias_low":
            raise ValueError(f"unknown fault {fault!r}; known: bias_low")
        for number in (1, 2) if unit is None else (unit,):
            self.faults[number] = fault

    def set_generator(self, **settings):
        self.generator |= {key: value for key, value in settings.items() if value is not None}

    def play_sweep(self):
        self.sweeps_played += 1

    def set_mains(self, on):
        self.mains_on = on

    def set_standby(self, standby):
        self.standby = standby

    def select_unit(self, unit):
        self.unit = unit

    def connect_load(self, connected):
        self.load_connected = connected

    def start_record(self, *, point, samples, sample_rate_hz, range_peak_v, ac_coupled=False):
        record = RampRecord(
            end_s=self.now_s + samples / sample_rate_hz,
            samples=samples,
            sample_rate_hz=sample_rate_hz,
            is_overrange=samples * 1e-3 > range_peak_v,
            level_vrms=self.generator["level_vrms"],
            point=point,
        )
        self.records.append(record)
        return record

    def dmm_dc_v(self, point, integration_s):
        return self.points.get(point, 0.0) + self.now_s * 1e-9

    def dmm_ac_vrms(self, point, integration_s):
        return self.generator["level_vrms"]

    def dmm_resistance_ohm(self, point):
        return 8.02 if point == "load" else math.inf

    def temperature_c(self, sensor):
        return {1: 32.5, 2: 23.0, 3: 41.0}[sensor]

    def mains_power_w(self):
        return 18.5 if self.mains_on else 0.0

    def mains_voltage_vrms(self):
        return 230.1

    def mains_current_a(self):
        return 0.125 if self.mains_on else 0.0

    def mains_frequency_hz(self):
        return 49.98


class BenchUnderTest:
    """The whole set of instruments on a small world, spoken to without sockets."""

    def __init__(self, build=build_scpi):
        self.world = SmallWorld()
        self.shared = SharedBench(self.world)
        self.devices = build_devices(self.shared)
        self.instruments = build(self.devices)

    def ask(self, role, message):
        """The answer line to one message, as text without its newline; "" for silence."""
        line = self.ask_raw(role, message)
        assert line == b"" or line.endswith(b"\n")
        return line[:-1].decode("ascii")

    def ask_raw(self, role, message):
        return self.reply(role, message).line

    def reply(self, role, message):
        with self.shared.lock:
            return self.instruments[role].respond(message.encode("latin-1"))

    def errors(self, role):
        """The numbers in the error queue, oldest first; the queue is empty after."""
        numbers = []
        while (number := int(self.ask(role, "SYST:ERR?").partition(",")[0])) != 0:
            numbers.append(number)
        return numbers


@pytest.fixture
def small_world():
    return SmallWorld()


@pytest.fixture
def bench():
    return BenchUnderTest()


@pytest.fixture(scope="session")
def make_bench():
    """Builds a bench of its own, for fixtures that live longer than a test."""
    return BenchUnderTest
