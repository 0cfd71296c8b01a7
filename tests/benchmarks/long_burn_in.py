"""72 hours of burn-in in the simulated bench's time, 1 % of all messages disturbed.

    .venv/bin/python tests/benchmarks/long_burn_in.py             # about half an hour
    .venv/bin/python tests/benchmarks/long_burn_in.py --hours 2

Checks every 10 minutes, guards every 10 s. A proxy swallows answers, closes connections and answers
nonsense at random. Where a fault hits a command that energises and must not be repeated, the run stops
safely and is resumed, as a person would. File handles and memory of the sequencer must stay flat: the
median of the last quarter of the time against that of the second. Exit code 0 when it finished so.
"""

import argparse
import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

# Commands beside this one: found by the running script, not by the type checker.
from fault_matrix import ROOT, Case, Proxy, ask  # type: ignore[import-not-found]
from killed_and_resumed import ACCEPTED, Bench, start  # type: ignore[import-not-found]

sys.path.insert(0, str(ROOT))

from sequencer.verifying import verify

PROCEDURE = """\
procedure: long_burn_in
decision: plain
unit: {{rated_power: 100 W, load: 8 ohm, gain: 29 dB}}
guards:
  output_dc: {{period: 10 s}}
  output_level: {{period: 10 s}}
  load_power: {{period: 10 s}}
  mains_power: {{period: 10 s}}
  temperature: {{period: 10 s}}
  temperature_rise: {{period: 10 s}}
  instruments: {{period: 10 min}}
steps:
  - {{id: power_on, kind: power_on, settle: 15 s}}
  - id: burn_in
    kind: repeat
    time: {hours} h
    period: 10 min
    steps:
      - {{id: drive, kind: warm_up, level: 1/8 of rated power, time: 9 min}}
      - {{id: offset, kind: dc_offset, count: 3}}
      - {{id: tone, kind: tone, level: 1 W, record: 0.2 s}}
  - {{id: finish, kind: power_off}}
"""
HARMS = ("timeout", "dropped", "garbage")
MOST_GROWTH = 1.10


class Noisy(Proxy):  # type: ignore[misc] # not found by the type checker, see above
    """Harms one message in a hundred."""

    def __init__(self, ports: dict[str, int], rng: random.Random, share: float) -> None:
        self._rng = rng
        self._share = share
        self.harms: Counter[str] = Counter()
        super().__init__(ports)

    def _harm(self, role: str) -> str | None:
        with self._lock:
            self.count += 1
            if self._rng.random() >= self._share:
                return None
            harm = self._rng.choice(HARMS)
            self.harms[harm] += 1
            return harm


def usage(pid: int) -> tuple[float, int] | None:
    """Resident memory in MB and open files of a process."""
    try:
        status = Path(f"/proc/{pid}/status").read_text()
        files = len(os.listdir(f"/proc/{pid}/fd"))
    except OSError:
        return None
    lines = [line for line in status.splitlines() if line.startswith("VmRSS")]
    return (int(lines[0].split()[1]) / 1024.0, files) if lines else None


def grows(samples: list[tuple[float, int]]) -> list[str]:
    """What is not flat over the time of one process."""
    if len(samples) < 16:
        return []
    quarter = len(samples) // 4
    early, late = samples[quarter : 2 * quarter], samples[-quarter:]
    found = []
    for index, name in enumerate(("memory in MB", "open files")):
        before = statistics.median(each[index] for each in early)
        after = statistics.median(each[index] for each in late)
        print(f"{name}: {before:.1f} in the second quarter, {after:.1f} in the last")
        if after > before * MOST_GROWTH + 2:
            found.append(f"{name} grows from {before:.1f} to {after:.1f}")
    return found


def main() -> int:
    """Run, sample, resume, judge."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--hours", type=float, default=72.0)
    parser.add_argument("--share", type=float, default=0.01)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    begun_s = time.monotonic()
    problems: list[str] = []
    with tempfile.TemporaryDirectory(prefix="burn-in-") as name:
        place = Path(name)
        bench = Bench(place)
        ports = bench.ports
        proxy = Noisy(ports, random.Random(options.seed), options.share)
        proxy.arm(Case("none", -1), place)
        text = bench.file.read_text()
        for role, port in ports.items():
            text = text.replace(f"::{port}::", f"::{proxy.ports[role]}::")
        text = text.replace("timeout: 2 s", "timeout: 0.2 s").replace(
            "timeout: 5 s", "timeout: 2 s"
        )
        bench.file.write_text(text)
        (place / "p.yaml").write_text(PROCEDURE.format(hours=f"{options.hours:g}"))
        run = ["run", "p.yaml", "--bench", str(bench.file), "--serial", "S-1"]
        process = start([*run, *ACCEPTED, "--out", "out"], place)
        resumed = 0
        while True:
            samples: list[tuple[float, int]] = []
            while process.poll() is None:
                try:
                    process.wait(timeout=2.0)
                except subprocess.TimeoutExpired:
                    if (sample := usage(process.pid)) is not None:
                        samples.append(sample)
            said = process.communicate()[1].decode()
            folder = next(place.glob("out/*"))
            # The last samples are of the report being made.
            problems += grows(samples[:-8])
            safe = all(ask(ports[role], "OUTP?") == "0" for role in ("generator", "mains_switch"))
            if not safe:
                problems.append("not safe after the run")
            hours = json.loads((folder / "journal.jsonl").read_bytes().splitlines()[-1])["t"] / 3600
            print(
                f"exit code {process.returncode} at {hours:.1f} h, {proxy.count} messages, "
                f"{dict(proxy.harms)}, {time.monotonic() - begun_s:.0f} s",
                flush=True,
            )
            if process.returncode != 3:
                break
            resumed += 1
            print(json.loads((folder / "summary.json").read_text())["cause"], flush=True)
            process = start(["resume", str(folder), *ACCEPTED], place)
        if process.returncode != 0:
            problems.append(f"exit code {process.returncode}: {said[-800:]}")
        found = verify(folder)
        problems += found.alterations
        ids = [s["id"] for s in json.loads((folder / "summary.json").read_text())["steps"]]
        rounds = [each for each in ids if each.startswith("tone.")]
        if len(ids) != len(set(ids)) or len(rounds) < options.hours * 6:
            problems.append(f"{len(ids)} steps, {len(set(ids))} different, {len(rounds)} rounds")
        megabytes = (folder / "journal.jsonl").stat().st_size / 1e6
        print(
            f"{len(rounds)} rounds, resumed {resumed} times, {found.lines} lines "
            f"({megabytes:.0f} MB), {found.captures} captures, {time.monotonic() - begun_s:.0f} s"
        )
        bench.close()
    for problem in problems:
        print(problem)
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
