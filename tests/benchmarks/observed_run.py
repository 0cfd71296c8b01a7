"""A procedure carried out on a simulated bench inside this process, with the model's state noted.

The instruments are reached over sockets as ever; only that the bench lives in a thread of this
process lets its truth be asked at every event of the run. Nothing here looks at samples.
"""

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from sequencer import engine
from sequencer.bench import open_bench
from sequencer.bench_spec import load_bench
from sequencer.checking import plan
from sequencer.emitter import Emitter
from sequencer.engine import Job
from sequencer.events import CaptureTaken, Noted, ReadingTaken, RunFinished, Stamped, StepStarted
from sequencer.limits import Reading
from sequencer.operator import AcceptedBeforehand
from sequencer.procedure import Procedure, load_procedure
from sequencer.steps.registry import kinds
from sim_instruments.assembly import ROLES, build_devices, build_plain, build_scpi
from sim_instruments.bench_file import CLOCK, bench_entries, mapped_entries, to_text
from sim_instruments.plain_maps import COMMANDS, IDENTITIES
from sim_instruments.server import Port, Server, Talker
from sim_instruments.shared_bench import SharedBench
from sim_instruments.world import World


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """When a capture ended, what it was, what was known of the drive, and the model's state at its
    beginning (that is what it is rendered with)."""

    step: str
    name: str
    end_s: float
    duration_s: float
    samples: int
    range_peak_v: float
    facts: Mapping[str, float]
    truth: Mapping[str, Any]


@dataclass
class Observed:
    """What a run gave, and what the model said meanwhile.

    mains_hz holds (time in s, frequency) at every event; began_s the start of each step.
    """

    unit: int
    procedure: Procedure
    truth: Mapping[str, Any]
    readings: dict[tuple[str, str], Reading] = field(default_factory=dict)
    taken: dict[tuple[str, str], Taken] = field(default_factory=dict)
    began_s: dict[str, float] = field(default_factory=dict)
    mains_hz: list[tuple[float, float]] = field(default_factory=list)
    mains_switched: list[tuple[float, bool]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    finished: RunFinished | None = None


@contextmanager
def bench_in_process(
    folder: Path, *, seed: int, fault: str | None = None, tongue: str = "scpi"
) -> Iterator[tuple[SharedBench, Path]]:
    """A simulated bench served by threads of this process, and its bench file."""
    bench = SharedBench(World(seed=seed, fault=fault))
    devices = build_devices(bench)
    talkers: Mapping[str, Talker] = (
        build_plain(devices, fault) if tongue == "plain" else build_scpi(devices, fault)
    )
    server = Server({name: Port(talkers[name], bench, port=0) for name in (*ROLES, CLOCK)})
    entries = bench_entries(server.addresses())
    if tongue == "plain":
        entries = mapped_entries(entries, COMMANDS, IDENTITIES)
    file = folder / f"bench_{seed}_{tongue}.yaml"
    file.write_text(to_text(entries), encoding="utf-8")
    server.start()
    try:
        yield bench, file
    finally:
        server.stop()


def observe(
    procedure: str | Path,
    folder: Path,
    *,
    seed: int = 1,
    unit: int = 1,
    fault: str | None = None,
    tongue: str = "scpi",
    figures: Mapping[str, str] | None = None,
) -> Observed:
    """Carry the procedure out on a bench of this seed; what came out, with the truth beside it."""
    registry = kinds()
    loaded = load_procedure(procedure, registry=registry, figures=figures)
    with bench_in_process(folder, seed=seed, fault=fault, tongue=tongue) as (bench, file):
        world = bench.world
        assert isinstance(world, World)
        seen = Observed(unit=unit, procedure=loaded, truth=world.truth())
        spec = load_bench(file)
        emitter = Emitter()
        steps = plan(loaded, spec, registry, today=date(2026, 1, 1), is_unattended=True)
        with open_bench(spec, emitter.exchanged, emitter.energising) as opened:
            emitter.begin(opened.clock, (_Watcher(bench, world, seen),))
            seen.finished = engine.run(
                loaded,
                opened,
                steps,
                job=Job(serial=f"S-{seed}", position=unit),
                kinds=registry,
                operator=AcceptedBeforehand("the test"),
                cautions=(),
                emitter=emitter,
            )
    return seen


class _Watcher:
    """Sink that notes readings, and the state of the model at each event."""

    def __init__(self, bench: SharedBench, world: World, seen: Observed) -> None:
        self._bench = bench
        self._world = world
        self._seen = seen
        self._is_on = False
        self._states: deque[tuple[float, Mapping[str, Any]]] = deque(maxlen=12)

    def _state_at(self, time_s: float) -> Mapping[str, Any]:
        """The last state seen up to a time; a run shows one at each message to an instrument."""
        return next(
            (state for at_s, state in reversed(self._states) if at_s <= time_s + 1e-3),
            self._states[0][1],
        )

    def __call__(self, stamped: Stamped) -> None:
        seen, event = self._seen, stamped.event
        with self._bench.lock:
            now_s, is_on = self._world.now_s, self._world.mains_on
            if not self._states or now_s > self._states[-1][0]:
                self._states.append((now_s, self._world.truth()))
                seen.mains_hz.append((now_s, float(str(self._states[-1][1]["mains_hz"]))))
            if is_on != self._is_on:
                self._is_on = is_on
                seen.mains_switched.append((now_s, is_on))
            match event:
                case StepStarted():
                    seen.began_s[event.step] = now_s
                case CaptureTaken():
                    capture = event.capture
                    seen.taken[event.step, capture.name] = Taken(
                        step=event.step,
                        name=capture.name,
                        end_s=now_s,
                        duration_s=capture.duration_s,
                        facts=dict(capture.facts),
                        samples=capture.samples.shape[-1],
                        range_peak_v=capture.range_peak_v or 0.0,
                        truth=self._state_at(now_s - capture.duration_s),
                    )
                case ReadingTaken():
                    seen.readings[event.step, event.reading.name] = event.reading
                case Noted():
                    seen.notes.append(event.text)
                case _:
                    pass


def steps_of(seen: Observed) -> Sequence[str]:
    """Names of the steps that were carried out, in order."""
    return [*seen.began_s]
