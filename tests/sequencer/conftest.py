"""A whole bench in memory for the engine: fakes in every role, one amplifier, a clock that jumps."""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.fakes import (
    Call,
    FakeAnalyser,
    FakeDmm,
    FakeGenerator,
    FakeMainsSwitch,
    FakePowerMeter,
    FakeReadings,
    FakeRouter,
    FakeThermometer,
)
from drivers.roles import Role
from sequencer import engine
from sequencer.bench import Bench
from sequencer.bench_spec import load_bench
from sequencer.checking import plan
from sequencer.emitter import Emitter
from sequencer.engine import Job
from sequencer.errors import Interrupted
from sequencer.events import CautionAccepted, RunFinished, Stamped
from sequencer.limits import Reading
from sequencer.procedure import load_procedure
from sequencer.steps.base import AnyStepKind, StepKind, StepSettings
from sequencer.steps.registry import kinds

GAIN = 28.18
LOAD_CHANNEL = 201
CHANNELS = {"unit_1": 101, "unit_2": 102, "load": LOAD_CHANNEL, "meter_output": 301}

BENCH_FILE = """\
bench: bench in memory
generator_ceiling: 2 V
load: {resistance: 8 ohm, continuous_power: 200 W}
router_channels: {unit_1: 101, unit_2: 102, load: 201, meter_output: 301}
independent_means: [emergency stop]
instruments:
  generator:
    address: TCPIP::127.0.0.1::1::SOCKET
    accuracy: {level: 0.02 dB, frequency: 20 ppm}
    calibration: {due: 2099-12-31}
  analyser:
    address: TCPIP::127.0.0.1::2::SOCKET
    ranges: [1 V, 3 V, 10 V, 30 V, 100 V]
    sample_rates: [1 kHz, 8 kHz, 48 kHz, 96 kHz, 192 kHz]
    channels: 2
    accuracy: {level: 0.03 dB, dc: 0.2 mV, distortion: -115 dB}
    calibration: {due: 2099-12-31}
  dmm:
    address: TCPIP::127.0.0.1::3::SOCKET
    accuracy: {dc: 0.03 mV}
    calibration: {due: 2099-12-31}
  router: {address: "TCPIP::127.0.0.1::4::SOCKET"}
  mains_switch: {address: "TCPIP::127.0.0.1::5::SOCKET"}
  thermometer: {address: "TCPIP::127.0.0.1::6::SOCKET", calibration: {due: 2099-12-31}}
  power_meter: {address: "TCPIP::127.0.0.1::7::SOCKET", calibration: {due: 2099-12-31}}
"""

PROCEDURE = """\
procedure: ten_watts
title: 1 kHz at 10 W
decision: plain
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - id: power_on
    kind: power_on
    settle: 25 s
    dc_stop: 100 mV
    limits:
      dc_offset: {within: 20 mV}
  - id: tone_10w
    kind: tone
    level: 10 W
    frequency: 1 kHz
    record: 0.5 s
    limits:
      gain: {nominal: 29 dB, tolerance: 0.5 dB}
      thd: {max: 0.1 %}
  - id: power_off
    kind: power_off
"""


class AnnouncingGenerator(FakeGenerator):
    """Announces that its output comes on, as the link of a real one does."""

    announce: Callable[[str, str], None]

    def set_output(self, on: bool) -> None:
        if on:
            self.announce("generator", "OUTP ON")
        super().set_output(on)


class AnnouncingMainsSwitch(FakeMainsSwitch):
    """Announces that the mains come on, as the link of a real one does."""

    announce: Callable[[str, str], None]

    def set_output(self, on: bool) -> None:
        if on:
            self.announce("mains_switch", "OUTP ON")
        super().set_output(on)


class JumpingClock:
    """Time that passes only where somebody sleeps or records; every sleep is remembered."""

    def __init__(self, log: list[object]) -> None:
        self.time_s = 0.0
        self.sleeps: list[float] = []
        self._log = log

    def now_s(self) -> float:
        return self.time_s

    def sleep(self, seconds: float) -> None:
        self.sleeps.append(seconds)
        self._log.append(Call(method="sleep", arguments=(seconds,)))
        self.time_s += seconds

    def date(self) -> datetime:
        return datetime(2030, 1, 1, 12, 0, 0, tzinfo=UTC)


@dataclass
class Amplifier:
    """y = gain u + second u^2 of the peak: closed form, so the truth stands in the test."""

    gain: float = GAIN
    sign: float = 1.0
    second: float = 0.0
    dc_v: float = 1e-3
    limit_v: float | None = None


class Nobody:
    """An operator who accepts everything and answers one thing."""

    name = "the test"

    def __init__(self) -> None:
        self.accepted: list[str] = []
        self.asked: list[str] = []
        self.says = "42"

    def accept(self, caution: str, meanwhile: object = None) -> None:
        self.accepted.append(caution)

    def answer(self, question: str, meanwhile: object = None) -> str:
        self.asked.append(question)
        return self.says


class Log(list[Any]):
    """What happened, in order; a signal may be due at the n-th call, counted from 0."""

    def __init__(self) -> None:
        super().__init__()
        self.signal_at: int | None = None
        self.calls = 0

    def append(self, entry: object) -> None:
        super().append(entry)
        if isinstance(entry, Call):
            self.calls += 1
            if self.calls - 1 == self.signal_at:
                raise Interrupted(2)


@dataclass
class Rig:
    """The bench in memory and everything that happened on it, in order, in `log`."""

    folder: Path
    log: Log = field(default_factory=Log)
    amplifier: Amplifier = field(default_factory=Amplifier)
    readings: FakeReadings = field(default_factory=lambda: FakeReadings(dc_v=1e-3))
    procedure_text: str = PROCEDURE
    bench_text: str = BENCH_FILE
    extra_kinds: Mapping[str, AnyStepKind] = field(default_factory=dict)
    sinks: list[Callable[[Stamped], None]] = field(default_factory=list)
    left_out_roles: tuple[Role, ...] = ()

    def __post_init__(self) -> None:
        calls = self.log
        self.clock = JumpingClock(self.log)
        self.operator = Nobody()
        self.emitter = Emitter()
        self.generator = AnnouncingGenerator(calls=calls)
        self.mains = AnnouncingMainsSwitch(calls=calls)
        self.generator.announce = self.mains.announce = self.emitter.energising
        self.router = FakeRouter(calls=calls)
        self.analyser = FakeAnalyser(
            self._render, sample_rates_hz=(1e3, 8e3, 48e3, 96e3, 192e3), calls=calls
        )
        self.dmm = FakeDmm(self.readings, calls=calls)
        self.thermometer = FakeThermometer(self.readings, calls=calls)
        self.free_bytes: float | None = None
        self.events: list[object] = []

    def _render(self, samples: int, rate_hz: float) -> np.ndarray:
        generator, unit = self.generator, self.amplifier
        is_driven = generator.is_on and generator.signal.kind == "sine"
        peak = generator.signal.level_vrms * math.sqrt(2.0) if is_driven else 0.0
        phase = 2.0 * np.pi * generator.signal.frequencies_hz[0] * np.arange(samples) / rate_hz
        drive = peak * np.sin(phase)
        rng = np.random.default_rng(samples)
        output = unit.sign * unit.gain * drive + unit.dc_v + 10e-6 * rng.standard_normal(samples)
        if peak:
            output = output + unit.second * unit.gain * peak * np.cos(2.0 * phase)
        if unit.limit_v:
            output = unit.limit_v * np.tanh(output / unit.limit_v)
        is_through = self.mains.is_on or Role.MAINS_SWITCH in self.left_out_roles
        return np.vstack([output if is_through else 0.0 * output, drive])

    @property
    def instruments(self) -> dict[Role, Any]:
        everything = {
            Role.GENERATOR: self.generator,
            Role.ANALYSER: self.analyser,
            Role.DMM: self.dmm,
            Role.ROUTER: self.router,
            Role.MAINS_SWITCH: self.mains,
            Role.THERMOMETER: self.thermometer,
            Role.POWER_METER: FakePowerMeter(self.readings, calls=self.log),
        }
        return {r: i for r, i in everything.items() if r not in self.left_out_roles}

    def fake(self, role: str):
        """The instrument of a role, the same object that the run uses."""
        return {
            "generator": self.generator,
            "analyser": self.analyser,
            "dmm": self.dmm,
            "router": self.router,
            "mains_switch": self.mains,
        }[role]

    def run(self, *, serial: str = "A-1", cautions: Iterable[CautionAccepted] = ()) -> RunFinished:
        """Load, plan and run the procedure; events land in `events` and, in order, in `log`."""
        registry = {**kinds(), **self.extra_kinds}
        procedure_file = self.folder / "procedure.yaml"
        procedure_file.write_text(self.procedure_text, encoding="utf-8")
        bench_file = self.folder / "bench.yaml"
        bench_file.write_text(self.bench_text, encoding="utf-8")
        self.procedure = procedure = load_procedure(procedure_file, registry=registry)
        spec = load_bench(bench_file)
        self.emitter.begin(self.clock, (self._see, *self.sinks))
        return engine.run(
            procedure,
            Bench(spec, self.instruments, self.clock),
            plan(procedure, spec, registry, today=self.clock.date().date()),
            job=Job(serial=serial),
            kinds=registry,
            operator=self.operator,
            cautions=list(cautions),
            emitter=self.emitter,
            free_bytes=lambda: self.free_bytes,
        )

    def _see(self, stamped: Stamped) -> None:
        self.events.append(stamped.event)
        self.log.append(stamped.event)

    def called(self, method: str) -> list[tuple[object, ...]]:
        """Arguments of every call of one method; the instruments share one log."""
        return [
            entry.arguments
            for entry in self.log
            if isinstance(entry, Call) and entry.method == method
        ]

    def all(self, kind: type) -> list[Any]:
        """Every event of a kind, in order."""
        return [event for event in self.events if isinstance(event, kind)]

    def readings_by_name(self) -> dict[tuple[str, str], Reading]:
        """Readings by (step, name)."""
        from sequencer.events import ReadingTaken

        return {(e.step, e.reading.name): e.reading for e in self.all(ReadingTaken)}

    @property
    def is_safe(self) -> bool:
        """Generator and mains off."""
        return not self.generator.is_on and not self.mains.is_on


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(folder=tmp_path)


class ScriptedSettings(StepSettings):
    """No settings."""


@pytest.fixture
def scripted():
    """A kind of step whose acquire is a function of the test: scripted(lambda bench: ...)."""
    from sequencer.steps.base import Demand

    def make(act, name="scripted"):
        def acquire(self, settings, bench):
            yield from act(bench) or ()

        methods = {
            "name": name,
            "settings": ScriptedSettings,
            "demand": lambda self, settings, unit: Demand(),
            "describe": lambda self, settings, unit: "does what the test says",
            "acquire": acquire,
            "evaluate": lambda self, settings, captures, situation: [],
        }
        return type("Scripted", (StepKind,), methods)()

    return make
