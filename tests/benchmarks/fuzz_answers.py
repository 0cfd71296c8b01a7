"""Spoilt answers of instruments: a value, or an error in words; never a hang, never a wrong type.

    .venv/bin/python tests/benchmarks/fuzz_answers.py            # 100,000 answers, some minutes
    .venv/bin/python tests/benchmarks/fuzz_answers.py --count 500

Every method of every driver is first carried out on the simulated bench over real sockets, and what
each message was answered is written down. Then the drivers talk to a line in memory that gives those
answers back, spoilt: cut, doubled, late, endless, dripping byte by byte, nested garbage, wrong
lengths, headers that claim gigabytes, other characters, answers nobody asked for. The line has a clock
of its own, so that a timeout costs no time. Exit code 0 when every answer came to a value or an
InstrumentError, within 5 s and within 500 MB.
"""

import argparse
import json
import math
import os
import random
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402
import pyvisa  # noqa: E402

from drivers.errors import InstrumentError  # noqa: E402
from drivers.link import VisaLink  # noqa: E402
from drivers.registry import make  # noqa: E402
from drivers.roles import Identity, Role, Waveform  # noqa: E402
from drivers.settings import link_settings  # noqa: E402
from drivers.wires import Wire, WireClosed, WireTimeout  # noqa: E402
from sequencer.bench_spec import BenchSpec, load_bench  # noqa: E402
from tests.benchmarks.process_memory import most_mb  # noqa: E402

LONGEST_S = 5.0
MOST_MB = 500.0
ENDLESS_BYTES = 80_000_000


def _record(analyser: Any) -> Waveform:
    analyser.set_range(1.0)
    analyser.start(64, 48e3)
    waveform: Waveform = analyser.fetch(channels=2)
    return waveform


CALLS: Mapping[Role, tuple[Callable[[Any], object], ...]] = {
    Role.GENERATOR: (
        lambda g: g.prepare(),
        lambda g: g.set_sine(1000.0, 0.1),
        lambda g: g.set_level(0.0),
        lambda g: g.set_two_tone(60.0, 0.1, 7000.0, 0.025),
        lambda g: g.set_sweep(10.0, 20e3, 1.0, 0.0),
        lambda g: g.set_programme_noise(0.0),
        lambda g: g.set_output(True),
        lambda g: g.is_output_on(),
        lambda g: g.set_output(False),
        lambda g: g.source_impedance_ohm(),
        lambda g: g.assumed_load_ohm(),
    ),
    Role.ANALYSER: (lambda a: a.prepare(), lambda a: a.set_range(10.0), _record),
    Role.DMM: (
        lambda d: d.prepare(),
        lambda d: d.read_dc_v(),
        lambda d: d.read_ac_vrms(),
        lambda d: d.read_resistance_ohm(),
    ),
    Role.ROUTER: (
        lambda r: r.prepare(),
        lambda r: r.close(301),
        lambda r: r.is_closed(301),
    ),
    Role.MAINS_SWITCH: (
        lambda m: m.prepare(),
        lambda m: m.is_output_on(),
        lambda m: m.set_output(False),
    ),
    Role.THERMOMETER: (lambda t: t.prepare(), lambda t: t.read_celsius()),
    Role.POWER_METER: (
        lambda p: p.prepare(),
        lambda p: p.read_power_w(),
        lambda p: p.read_voltage_vrms(),
    ),
}


class MemoryClock:
    """Time that passes only where somebody waits for an answer."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


class MemoryLine:
    """A line that gives back known answers, spoilt where it is told to."""

    def __init__(
        self, known: Mapping[bytes, list[bytes]], rng: random.Random, clock: MemoryClock
    ) -> None:
        self._known = known
        self._rng = rng
        self._clock = clock
        self._waiting = b""
        self._endless = 0
        self._drip = False
        self._is_closed = False
        self.spoils = 0

    def stray(self) -> str | None:
        """Bytes nobody asked for."""
        return f"{len(self._waiting)} bytes nobody asked for" if self._waiting else None

    def send(self, message: bytes, deadline_s: float) -> None:
        """Take a message; its answer waits from now on."""
        if self._is_closed:
            raise WireClosed
        answers = self._known.get(message)
        answer = self._rng.choice(answers) if answers else b""
        if self.spoils and answer:
            self.spoils -= 1
            answer = self._spoilt(answer)
        self._waiting += answer

    def receive(self, room: int, is_text: bool, deadline_s: float) -> tuple[bytes, bool]:
        """What is there, at most room; else time runs out."""
        if not self._waiting and self._endless:
            piece = min(65536, self._endless)
            self._endless -= piece
            self._waiting = b"7" * piece
        if not self._waiting:
            if self._is_closed:
                raise WireClosed
            self._clock.now_s = deadline_s
            raise WireTimeout
        if self._drip:
            self._clock.now_s += 1.0
            if self._clock.now_s >= deadline_s:
                raise WireTimeout
            room = 1
        piece_, self._waiting = self._waiting[:room], self._waiting[room:]
        return piece_, False

    def close(self) -> None:
        """Forget everything."""
        self._waiting, self._endless, self._drip, self._is_closed = b"", 0, False, False

    def _spoilt(self, answer: bytes) -> bytes:
        rng = self._rng
        at = rng.randrange(len(answer) + 1)
        match rng.randrange(15):
            case 0:
                return answer[:at]
            case 1:
                return answer + answer
            case 2:
                return answer[:at] + rng.randbytes(rng.randint(1, 40)) + answer[at:]
            case 3:
                self._endless = ENDLESS_BYTES
                return b""
            case 4:
                self._drip = True
                return answer
            case 5:
                return b"#9999999999" + answer
            case 6:
                return b"#" + rng.choice((b"0", b"3-12", b"2ab", b"41", b"x", b"18")) + answer
            case 7:
                return rng.choice(WORDS) + b"\n"
            case 8:
                return answer.replace(b";", rng.choice((b"", b";;", b",")))
            case 9:
                return answer.replace(b"0", rng.choice((b"", b"1", b"-", b"9.91E37")))
            case 10:
                return b"\n" + answer
            case 11:
                self._is_closed = True
                return answer[:at]
            case 12:
                spoilt = bytearray(answer)
                spoilt[rng.randrange(len(spoilt))] ^= 1 << rng.randrange(8)
                return bytes(spoilt)
            case 13:
                other = rng.choice(list(self._known.values()))
                return rng.choice(other) if other else b"\n"
            case _:
                return answer.rstrip(b"\n") + b";" * rng.randint(1, 5000) + b"\n"


WORDS = (
    *(b"", b"NaN", b"9.91E37", b"INF", b"-", b"1,2,3", b"1e999", b"\xff\xfe", b"0x10", b"1_000"),
    *(b"[" * 5000, b'"' * 99, b"#", b"++1", b"ON OFF", b"1;" * 400, b"\x1b[2J", b"-1", b"True"),
    *(b"\xd9\xa1", b"1.5 V", b"0,", b'-310,"System error"', b"None", b"1e-400", b"--5"),
)


class MemoryLink(VisaLink):
    """A link whose sessions are all one line in memory."""

    line: MemoryLine

    def _opened_wire(self, attempt: int) -> Wire:
        self.line.close()
        return self.line


class NotedLine:
    """A real line whose messages and answers are written down."""

    def __init__(self, inner: Wire, known: dict[bytes, list[bytes]]) -> None:
        self._inner = inner
        self._known = known
        self._message = b""

    def stray(self) -> str | None:
        """As the real line."""
        return self._inner.stray()

    def send(self, message: bytes, deadline_s: float) -> None:
        """Send and begin an answer."""
        self._message = message
        self._known.setdefault(message, []).append(b"")
        self._inner.send(message, deadline_s)

    def receive(self, room: int, is_text: bool, deadline_s: float) -> tuple[bytes, bool]:
        """Receive and write down."""
        piece, has_ended = self._inner.receive(room, is_text, deadline_s)
        self._known[self._message][-1] += piece
        return piece, has_ended

    def close(self) -> None:
        """As the real line."""
        self._inner.close()


class NotingLink(VisaLink):
    """A real link that writes down what is said."""

    known: dict[bytes, list[bytes]]

    def _opened_wire(self, attempt: int) -> Wire:
        return NotedLine(super()._opened_wire(attempt), self.known)


def learned(tongue: str) -> tuple[BenchSpec, dict[Role, dict[bytes, list[bytes]]]]:
    """What the simulated bench answers to every message of every driver."""
    with tempfile.TemporaryDirectory(prefix="fuzz-answers-") as folder:
        path = Path(folder) / "bench.yaml"
        process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "sim_instruments",
                "--write-bench",
                str(path),
                "--tongue",
                tongue,
            ],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )
        assert process.stdout is not None
        try:
            json.loads(process.stdout.readline())
            spec = load_bench(path)
            return spec, {role: _learned_of(spec, role) for role in CALLS}
        finally:
            process.terminate()
            process.wait()


def _learned_of(spec: BenchSpec, role: Role) -> dict[bytes, list[bytes]]:
    instrument = spec.instruments[role]
    manager = pyvisa.ResourceManager("@py")
    settings = link_settings(instrument.settings.command_map)
    link = NotingLink(manager, role.value, instrument.address, settings)
    link.known = {}
    driver = make(role, instrument.driver, link, instrument.settings)
    for _ in range(2):
        for call in CALLS[role]:
            call(driver)
    link.close()
    manager.close()
    return link.known


def sensible(value: object) -> bool:
    """Whether a value that a driver returned is one that it may return."""
    match value:
        case None | bool():
            return True
        case float():
            return not math.isnan(value)
        case Identity():
            return all(isinstance(each, str) for each in (value.manufacturer, value.model))
        case Waveform():
            return value.samples.shape == (2, 64) and bool(np.isfinite(value.samples).all())
    return False


def main() -> int:
    """Spoil, ask, count."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    benches = [learned(tongue) for tongue in ("scpi", "plain")]
    results: Counter[str] = Counter()
    failures, slowest_s, begun_s, number = 0, 0.0, time.monotonic(), 0
    while number < options.count:
        spec, known = rng.choice(benches)
        role = rng.choice(list(CALLS))
        clock = MemoryClock()
        instrument = spec.instruments[role]
        settings = replace(
            link_settings(instrument.settings.command_map), longest_answer_bytes=65_536
        )
        link = MemoryLink(
            pyvisa.ResourceManager("@py"), role.value, "memory", settings, monotonic=clock
        )
        link.line = MemoryLine(known[role], rng, clock)
        driver = make(role, instrument.driver, link, instrument.settings)
        driver.prepare()
        for _ in range(20):
            wanted = link.line.spoils = rng.randint(1, 4)
            call = rng.choice(CALLS[role])
            since_s = time.monotonic()
            try:
                value = call(driver)
                results["value"] += 1
                if not sensible(value):
                    failures += 1
                    print(f"{role}: {value!r}", flush=True)
            except InstrumentError as error:
                results[type(error).__name__] += 1
                if "\x1b" in str(error):
                    failures += 1
                    print(f"{role}: an error that can't be shown: {error}", flush=True)
            except Exception:  # noqa: BLE001 - this is what is looked for
                failures += 1
                print(f"{role}: {traceback.format_exc()}", flush=True)
            number += wanted - link.line.spoils
            link.line.spoils = 0
            slowest_s = max(slowest_s, time.monotonic() - since_s)
    held_mb = most_mb()
    for name, count in sorted(results.items()):
        print(f"{name:18} {count:7}")
    print(
        f"{number} answers in {time.monotonic() - begun_s:.0f} s, slowest {slowest_s:.2f} s, "
        f"{held_mb:.0f} MB, {failures} failures"
    )
    return 0 if not failures and held_mb < MOST_MB and slowest_s < LONGEST_S else 1


if __name__ == "__main__":
    sys.exit(main())
