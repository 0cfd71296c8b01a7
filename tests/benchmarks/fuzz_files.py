"""Spoilt procedure, bench and ticket files and records: read, or refused in words; nothing else.

    .venv/bin/python tests/benchmarks/fuzz_files.py            # 100,000 files, about ten minutes
    .venv/bin/python tests/benchmarks/fuzz_files.py --count 500

Good files are changed at random (signs, pieces, lines, nesting, bytes that are no UTF-8) and read as a
person's would be, each beside two good ones. What may come out is a value or a Refused with mistakes,
within 5 s and within 500 MB. Exit code 0 when that held for every file.
"""

import argparse
import json
import random
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from sequencer.errors import Refused  # noqa: E402
from sequencer.record import read_record  # noqa: E402
from sequencer.session import Request, load, plan_on  # noqa: E402
from sequencer.verifying import verify  # noqa: E402
from tests.benchmarks.process_memory import most_mb  # noqa: E402

LONGEST_S = 5.0
MOST_MB = 500.0
PROCEDURE = """\
procedure: fuzzed
title: A file to be spoilt
decision: guarded
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB, mains_frequency: 50 Hz}
figures: {loud: 10 W, warm: 20 min}
guards:
  temperature: {limit: 80 degC, warn: 70 degC}
  output_dc: {limit: 500 mV, action: warn}
steps:
  - {id: power_on, kind: power_on, settle: 10 s, dc_stop: 100 mV}
  - id: tone
    kind: tone
    level: <loud>
    frequency: 1 kHz
    limits:
      gain: {nominal: 29 dB, tolerance: 0.5 dB}
      h2: {max: 6 dB above h3}
  - id: rounds
    kind: repeat
    time: 1 h
    period: 10 min
    steps:
      - {kind: warm_up, level: 1/8 of rated power, time: <warm>}
  - {include: dc_offset, id: end}
"""
BENCH = """\
bench: fuzzed bench
generator_ceiling: 2 V
load: {resistance: 8 ohm, continuous_power: 200 W, short_term_power: 400 W, short_term_duration: 60 s}
router_channels: {unit_1: 101, load: 201}
independent_means: [emergency stop]
cautions_accepted: {by: somebody, when: 2026-01-05}
instruments:
  generator:
    address: TCPIP::127.0.0.1::1::SOCKET
    accuracy: {level: 0.02 dB, frequency: 20 ppm}
    calibration: {due: 2027-12-31, certificate: C-1}
    commands: {set_level: "VOLT {level:.6G}"}
  analyser:
    address: TCPIP::127.0.0.1::2::SOCKET
    ranges: [1 V, 10 V, 100 V]
    sample_rates: [48 kHz, 192 kHz]
    channels: 2
  dmm: {address: "TCPIP::127.0.0.1::3::SOCKET", timeout: 2 s}
  router: {address: "TCPIP::127.0.0.1::4::SOCKET"}
"""
TICKET = """\
ticket: T-1
customer: A customer
serial: A-1
stage: as_found
work: [replaced two capacitors]
readings: {earth_bond: 0.12 ohm}
unit: {gain: 28 dB}
"""
SIGNS = "abcXYZ:-[]{}<>,'\"#&*!|%@`?\n\t 0189.~\\=+é\u2028\u202e\x1b\x00\ufeff€"
PIECES = (
    *("&a [*a]", "!!python/object/apply:os.system [x]", "{" * 200, "- " * 300, "[" * 3000),
    *("1:30", "010", "1e999", "NaN", "off", "~", "include: ../../etc/passwd", "1e3 V", "\r\n"),
    *("<loud>", "<<: *x", "---\n", "...\n", "? x\n: y\n", "9" * 400, " V", "-0 W", "\u0000"),
)


def spoilt(text: str, rng: random.Random) -> bytes:
    """The text with one to five changes."""
    for _ in range(rng.randint(1, 5)):
        at, how = rng.randrange(len(text) + 1), rng.random()
        lines = text.split("\n")
        if how < 0.45:
            cut = rng.randint(0, 4)
            text = text[:at] + "".join(rng.choices(SIGNS, k=rng.randint(0, 4))) + text[at + cut :]
        elif how < 0.65:
            text = text[:at] + rng.choice(PIECES) + text[at:]
        elif how < 0.75:
            lines.insert(rng.randrange(len(lines)), rng.choice(lines))
            text = "\n".join(lines)
        elif how < 0.85:
            del lines[rng.randrange(len(lines))]
            text = "\n".join(lines) or "x"
        elif how < 0.92:
            number = rng.randrange(len(lines))
            lines[number] = " " * rng.randint(0, 9) + lines[number].lstrip()
            text = "\n".join(lines)
        else:
            text = text[: at or 1]
    content = text.encode("utf-8", "surrogatepass")
    if rng.random() < 0.05:
        at = rng.randrange(len(content) + 1)
        content = content[:at] + rng.randbytes(3) + content[at:]
    return content


def _judged(folder: Path, *, procedure: str, bench: str, ticket: str) -> None:
    """Three files, one of them spoilt, as `check` judges them together."""
    request = Request(
        procedure=str(folder / procedure),
        bench=str(folder / bench),
        out=folder,
        ticket=folder / ticket,
    )
    today = date(2026, 1, 6)
    files = load(request, today)
    assert files.bench is not None
    plan_on(files.bench, files, request, today)


def _procedure(path: Path, folder: Path) -> None:
    _judged(folder, procedure=path.name, bench="good_bench.yaml", ticket="good_ticket.yaml")


def _bench(path: Path, folder: Path) -> None:
    _judged(folder, procedure="good.yaml", bench=path.name, ticket="good_ticket.yaml")


def _recorded(path: Path, folder: Path) -> None:
    record = folder / "record"
    record.mkdir(exist_ok=True)
    path.replace(record / "journal.jsonl")
    verify(record)
    read_record(record).summary()


def _journal() -> str:
    """A small record, as a run writes it, without its hashes."""
    common = {"schema": 1, "prev": "0" * 64, "t": 0.0, "at": "2030-01-02T03:04:05+00:00"}
    capture = {"name": "c", "file": "captures/x.npz", "sha256": "0" * 64}
    reading = {"name": "gain", "value": 1.0, "unit": "dB", "limits": None, "verdict": "info"}
    lines: list[dict[str, Any]] = [
        {"event": "run_started", "procedure": "p", "serial": "S"},
        {"event": "step_started", "step": "a", "kind": "tone", "title": "t", "does": "d"},
        {"event": "capture_taken", "step": "a", **capture},
        {"event": "reading_taken", "step": "a", "reading": reading},
        {
            "event": "step_finished",
            "step": "a",
            "kind": "tone",
            "verdict": "pass",
            "left_out": None,
        },
        {"event": "made_safe", "actions": []},
        {"event": "run_finished", "outcome": "pass", "cause": None},
    ]
    return "".join(json.dumps({**common, "seq": i, **line}) + "\n" for i, line in enumerate(lines))


def _ticket(path: Path, folder: Path) -> None:
    _judged(folder, procedure="good.yaml", bench="good_bench.yaml", ticket=path.name)


Read = Callable[[Path, Path], object]
READERS: dict[str, tuple[str, Read]] = {
    "procedure": (PROCEDURE, _procedure),
    "bench": (BENCH, _bench),
    "ticket": (TICKET, _ticket),
    "record": (_journal(), _recorded),
}
SHARES = (50, 35, 8, 7)


def main() -> int:
    """Spoil, read, count."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    results: Counter[tuple[str, str]] = Counter()
    slowest_s, failures = 0.0, 0
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="fuzz-") as name:
        folder = Path(name)
        for good_name, text in (("", PROCEDURE), ("_bench", BENCH), ("_ticket", TICKET)):
            (folder / f"good{good_name}.yaml").write_text(text, encoding="utf-8")
        for number in range(options.count):
            kind = rng.choices(list(READERS), SHARES)[0]
            good, read = READERS[kind]
            path = folder / "spoilt.yaml"
            path.write_bytes(content := spoilt(good, rng))
            since_s = time.monotonic()
            try:
                read(path, folder)
                results[kind, "read"] += 1
            except Refused as refusal:
                results[kind, "refused"] += 1
                if not refusal.reason or any("\x1b" in line for line in refusal.lines()):
                    failures += 1
                    print(f"{kind} {number}: a refusal that can't be shown", flush=True)
            except Exception:  # noqa: BLE001 - this is what is looked for
                failures += 1
                print(f"{kind} {number}: {traceback.format_exc()}\n{content[:3000]!r}", flush=True)
            took_s = time.monotonic() - since_s
            slowest_s = max(slowest_s, took_s)
            if took_s > LONGEST_S:
                failures += 1
                print(f"{kind} {number}: {took_s:.1f} s\n{content[:3000]!r}", flush=True)
    held_mb = most_mb()
    for (kind, result), count in sorted(results.items()):
        print(f"{kind:10} {result:8} {count:7}")
    print(
        f"{options.count} files in {time.monotonic() - begun_s:.0f} s, slowest {slowest_s:.2f} s, "
        f"{held_mb:.0f} MB, {failures} failures"
    )
    return 0 if not failures and held_mb < MOST_MB else 1


if __name__ == "__main__":
    sys.exit(main())
