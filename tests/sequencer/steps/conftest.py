"""Kinds of step by themselves: a bench in memory that a step drives, and a unit whose truth is known."""

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

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
from sequencer.captures import Capture, Samples
from sequencer.errors import ProcedureError
from sequencer.pictures import Picture
from sequencer.procedure import Step, load_procedure
from sequencer.steps.base import Accuracy, AnyStepKind, Finding, Load, Situation, WiredWrong
from sequencer.steps.registry import kinds
from sequencer.unit_data import UnitData

ROUTES = {
    "load": 201,
    "meter_output": 301,
    "meter_bias": 302,
    "meter_rail_positive": 303,
    "meter_chassis_positive": 307,
    "meter_chassis_negative": 308,
    "meter_load": 309,
    "analyser_output": 401,
}
METERS = [number for name, number in ROUTES.items() if name.startswith("meter")]
HEAD = "procedure: p\nunit: {{rated_power: 100 W, load: 8 ohm, gain: 29 dB{more}}}\nsteps:\n"
ACCURACY = {
    Role.GENERATOR: Accuracy(level=0.0023, frequency=20e-6),
    Role.ANALYSER: Accuracy(level=0.0035, flatness=0.00115, dc_v=0.2e-3, distortion=1.78e-6),
    Role.DMM: Accuracy(dc_v=0.03e-3, dc_relative=5e-5, resistance=1e-3),
    Role.THERMOMETER: Accuracy(temperature_k=0.5),
    Role.POWER_METER: Accuracy(power=5e-3, voltage=2e-3),
}
LOAD = Load(
    resistance_ohm=8.0, tolerance=0.01, continuous_w=200.0, short_term_w=400.0, short_term_s=60.0
)


@dataclass
class Amplifier:
    """A unit in closed form: gain with first-order edges, harmonics of a sine as fractions, hum, noise.

    harmonics add to the fundamental as cosines; products are lines of two tones, Hz -> fraction of
    the sum of both. limit_v cuts off hard. wander_db drifts the gain between records.
    """

    gain: float = 10 ** (29 / 20)
    low_hz: float = 0.0
    high_hz: float = math.inf
    harmonics: Mapping[int, float] = field(default_factory=dict)
    products: Mapping[float, float] = field(default_factory=dict)
    hum: Mapping[float, float] = field(default_factory=dict)
    dc_v: float = 1e-3
    noise_vrms: float = 20e-6
    output_ohm: float = 0.0
    limit_v: float = math.inf
    sign: float = 1.0

    def gain_at(self, frequency_hz: float, load_ohm: float) -> float:
        """From e.m.f. to output."""
        low = 1 / math.hypot(1, self.low_hz / frequency_hz)
        high = 1 / math.hypot(1, frequency_hz / self.high_hz)
        divider = 1.0 if math.isinf(load_ohm) else load_ohm / (load_ohm + self.output_ohm)
        return self.gain * low * high * divider

    def output(self, generator: FakeGenerator, t: Samples, load_ohm: float) -> Samples:
        """Volts at the terminals."""
        signal = generator.signal
        wave = np.full(t.shape, self.dc_v)
        tones = zip(signal.frequencies_hz, signal.levels_vrms, strict=True)
        if generator.is_on and signal.kind in ("sine", "two_tone"):
            peaks = [(f, math.sqrt(2) * v * self.gain_at(f, load_ohm)) for f, v in tones]
            for f, peak in peaks:
                wave = wave + self.sign * peak * np.sin(2 * np.pi * f * t)
                for order, share in self.harmonics.items():
                    wave = wave + share * peak * np.cos(2 * np.pi * order * f * t)
            both = sum(peak for _, peak in peaks)
            for f, share in self.products.items():
                wave = wave + share * both * np.cos(2 * np.pi * f * t)
        for f, level in self.hum.items():
            wave = wave + math.sqrt(2) * level * np.sin(2 * np.pi * f * t)
        return np.clip(wave, -self.limit_v, self.limit_v)


class StepBench:
    """BenchAccess in memory. Everything done to it is in `log`, in order."""

    def __init__(
        self, *, unit: UnitData, without: tuple[Role, ...] = (), channels: int = 2
    ) -> None:
        self.unit = unit
        self.load = LOAD
        self.generator_ceiling_vrms = 2.0
        self.amplifier = Amplifier()
        self.log: list[object] = []
        self.notes: list[str] = []
        self.time_s = 0.0
        self.answers: list[str] = []
        self.ticket: dict[str, str] = {}
        self.accepted: list[str] = []
        self.done_by_hand: list[str] = []
        self.render: Callable[[int, float], Samples] | None = None
        self.records = 0
        self.before_record: Callable[[], None] = lambda: None
        self.readings = FakeReadings(dc_v=1e-3)
        calls: list[Call] = self.log  # type: ignore[assignment] # calls and words in one list
        self.generator = FakeGenerator(calls=calls)
        self.analyser = FakeAnalyser(
            self._render, channels=channels, on_record=self._pass, calls=calls
        )
        self.dmm = FakeDmm(self.readings, calls=calls)
        self.router = FakeRouter(exclusive=[METERS], calls=calls)
        self.mains_switch = FakeMainsSwitch(calls=calls)
        self.thermometer = FakeThermometer(self.readings, calls=calls)
        self.power_meter = FakePowerMeter(self.readings, calls=calls)
        self._without = without
        self.cannot: set[tuple[Role, str]] = set()

    @property
    def load_ohm(self) -> float:
        return 8.0 if ROUTES["load"] in self.router.closed else math.inf

    def _pass(self, seconds: float) -> None:
        self.time_s += seconds

    def _render(self, samples: int, rate_hz: float) -> Samples:
        self.records += 1
        self.before_record()
        if self.render is not None:
            return self.render(samples, rate_hz)
        t = np.arange(samples) / rate_hz
        signal = self.generator.signal
        tones = zip(signal.frequencies_hz, signal.levels_vrms, strict=True)
        drive = sum(math.sqrt(2) * v * np.sin(2 * np.pi * f * t) for f, v in tones)
        if not self.generator.is_on:
            drive = 0.0 * t
        noise = np.random.default_rng([self.records, samples]).standard_normal((2, samples))
        output = self.amplifier.output(self.generator, t, self.load_ohm)
        output = output + self.amplifier.noise_vrms * noise[0]
        return np.vstack([output, drive + 1e-6 * noise[1]])

    def has(self, role: Role) -> bool:
        return role not in self._without

    def can(self, role: Role, operation: str) -> bool:
        return self.has(role) and (role, operation) not in self.cannot

    def has_route(self, name: str) -> bool:
        return self.has(Role.ROUTER) and name in ROUTES

    def connect(self, route: str) -> None:
        self.router.close(ROUTES[route])

    def disconnect(self, route: str) -> None:
        self.router.open(ROUTES[route])

    def connect_load(self) -> None:
        self.connect("load") if self.has_route("load") else self.by_hand("load on")

    def remove_load(self) -> None:
        self.disconnect("load") if self.has_route("load") else self.by_hand("load off")

    def await_mains_rest(self) -> None:
        self.log.append("mains rest")

    def demand_mains_off(self, what_for: str) -> None:
        self.log.append(f"mains off: {what_for}")

    def switch_mains(self, on: bool) -> None:
        self.mains_switch.set_output(on)

    def energise(self, what: str) -> None:
        self.log.append(f"energise: {what}")

    def wait(self, seconds: float) -> None:
        self.log.append(Call(method="wait", arguments=(seconds,)))
        self.time_s += seconds

    def look(self) -> None:
        self.log.append(Call(method="look"))

    def now_s(self) -> float:
        return self.time_s

    def note(self, text: str) -> None:
        self.notes.append(text)

    def ask(self, question: str) -> str:
        self.log.append(f"asked: {question}")
        return self.answers.pop(0)

    def given(self, reading: str) -> str | None:
        return self.ticket.get(reading)

    def acknowledge(self, caution: str) -> None:
        self.accepted.append(caution)

    def by_hand(self, what: str) -> None:
        self.done_by_hand.append(what)

    # --- what tests ask of the log

    def called(self, method: str) -> list[tuple[object, ...]]:
        """Arguments of each call of a method, in order."""
        return [e.arguments for e in self.log if isinstance(e, Call) and e.method == method]

    def levels(self) -> list[float]:
        """Every level commanded, e.m.f. in V r.m.s., in order."""
        levels = []
        for entry in self.log:
            if isinstance(entry, Call) and entry.method == "set_level":
                levels.append(float(entry.arguments[0]))  # type: ignore[arg-type]
            elif isinstance(entry, Call) and entry.method == "set_sine":
                levels.append(float(entry.arguments[1]))  # type: ignore[arg-type]
            elif isinstance(entry, Call) and entry.method == "set_two_tone":
                levels.append(math.hypot(entry.arguments[1], entry.arguments[3]))  # type: ignore[arg-type]
        return levels

    def states(self) -> Iterator[tuple[object, float, float]]:
        """Each entry with the e.m.f. and the analyser's range in force before it."""
        emf, peak = 0.0, 100.0
        for entry in self.log:
            yield entry, emf, peak
            if isinstance(entry, Call):
                match entry.method, entry.arguments:
                    case "set_level", (level,):
                        emf = float(level)  # type: ignore[arg-type]
                    case "set_sine", (_, level, _):
                        emf = float(level)  # type: ignore[arg-type]
                    case "set_two_tone", (_, one, _, two):
                        emf = math.hypot(one, two)  # type: ignore[arg-type]
                    case "set_range", (wanted,):
                        peak = float(wanted)  # type: ignore[arg-type]
                    case _:
                        pass


@dataclass
class Done:
    """What a step did on the bench."""

    step: Step
    bench: StepBench
    captures: list[Capture]
    stopped: str | None = None

    def findings(
        self, load: Load = LOAD, accuracy: Mapping[Role, Accuracy] | None = None
    ) -> dict[str, Finding]:
        """Findings by name, with the accuracy of the instruments or with none ({})."""
        situation = Situation(
            unit=self.bench.unit, load=load, accuracy=ACCURACY if accuracy is None else accuracy
        )
        kind = kinds()[self.step.kind]
        return {f.name: f for f in kind.evaluate(self.step.settings, self.captures, situation)}

    def pictures(self) -> dict[str, Picture]:
        situation = Situation(unit=self.bench.unit, load=LOAD, accuracy=ACCURACY)
        kind = kinds()[self.step.kind]
        return {p.name: p for p in kind.pictures(self.step.settings, self.captures, situation)}


class Bench4Steps:
    """What the fixtures of these tests offer."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def procedure(self, step: str, more: str = ""):
        """The procedure of one step, written as a YAML flow mapping without its id."""
        file = self._folder / "p.yaml"
        file.write_text(HEAD.format(more=more) + f"  - {{id: s, {step}}}\n", encoding="utf-8")
        return load_procedure(file, registry=kinds())

    def step(self, step: str, more: str = "") -> Step:
        return self.procedure(step, more).steps[0]

    def refusal(self, step: str, more: str = "") -> str:
        """The messages with which a step is refused."""
        with pytest.raises(ProcedureError) as refused:
            self.procedure(step, more)
        return "\n".join(error.message for error in refused.value.errors)

    def bench(self, more: str = "", **options) -> StepBench:
        return StepBench(unit=self.procedure("kind: wait, time: 1 s", more).unit, **options)

    def run(self, step: str, bench: StepBench | None = None, more: str = "") -> Done:
        """Let the step drive the bench; a stop is caught and told."""
        bench = bench or self.bench(more)
        loaded = self.step(step, more)
        done = Done(step=loaded, bench=bench, captures=[])
        try:
            for capture in kinds()[loaded.kind].acquire(loaded.settings, bench):
                done.captures.append(capture)
        except WiredWrong as error:
            done.stopped = str(error)
        return done

    @staticmethod
    def kind(step: Step) -> AnyStepKind:
        return kinds()[step.kind]

    @staticmethod
    def capture(name: str, volts: Samples, rate_hz: float) -> Capture:
        """A record of the analyser as servo_settling takes it."""
        return Capture(
            name=name,
            role=Role.ANALYSER.value,
            samples=volts[None, :],
            sample_rate_hz=rate_hz,
            facts={"moved_s": 0.5},
        )

    def situation(self, accuracy: Mapping[Role, Accuracy]) -> Situation:
        unit = self.procedure("kind: wait, time: 1 s").unit
        return Situation(unit=unit, load=LOAD, accuracy=accuracy)

    def demand(self, step: str, more: str = ""):
        loaded = self.procedure(step, more)
        kind = kinds()[loaded.steps[0].kind]
        return kind.demand(loaded.steps[0].settings, loaded.unit)

    def describe(self, step: str, more: str = "") -> str:
        loaded = self.procedure(step, more)
        kind = kinds()[loaded.steps[0].kind]
        return kind.describe(loaded.steps[0].settings, loaded.unit)


@pytest.fixture
def on(tmp_path: Path) -> Bench4Steps:
    """Loads, drives and evaluates single steps."""
    return Bench4Steps(tmp_path)
