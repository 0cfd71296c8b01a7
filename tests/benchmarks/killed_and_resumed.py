"""kill -9 at random moments of a burn-in, each time resumed: every step once, nothing lost.

    .venv/bin/python tests/benchmarks/killed_and_resumed.py            # 200 kills, about half an hour
    .venv/bin/python tests/benchmarks/killed_and_resumed.py --kills 5

Runs are killed and resumed until they end; then the next begins. After each kill the bench is safe
within 5 s (asked over a socket of its own), the journal proves itself and begins with all it held
before. At each end the summary has every step exactly once, rounds without a gap. A resumed run is
killed again on its way, also while it restores the unit and while it continues a torn line.
"""

import argparse
import json
import os
import random
import re
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from sequencer.verifying import verify  # noqa: E402

PROCEDURE = """\
procedure: short_burn_in
decision: plain
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: power_on, kind: power_on, settle: 15 s}
  - {id: cold, kind: dc_offset}
  - id: burn_in
    kind: repeat
    count: 8
    period: 4 min
    steps:
      - {id: drive, kind: warm_up, level: 1 W, time: 3 min}
      - {id: offset, kind: dc_offset}
      - {id: tone, kind: tone, level: 1 W, record: 0.2 s}
  - {id: finish, kind: power_off}
"""
STEPS = [
    *("power_on", "cold", "burn_in"),
    *(f"{name}.{number}" for number in range(1, 9) for name in ("drive", "offset", "tone")),
    "finish",
]
ACCEPTED = ["--unattended", "--accept-cautions"]
SAFE_WITHIN_S = 5.0


class Bench:
    """A simulated bench of this program's own."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "bench.yaml"
        self._process = subprocess.Popen(
            [sys.executable, "-m", "sim_instruments", "--write-bench", str(self.file)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )
        assert self._process.stdout is not None
        addresses = json.loads(self._process.stdout.readline())
        self.ports = {role: int(each.split("::")[2]) for role, each in addresses.items()}

    def is_safe(self) -> bool:
        """Generator and mains off."""
        return all(self._ask(role) == "0" for role in ("generator", "mains_switch"))

    def _ask(self, role: str) -> str:
        with socket.create_connection(("127.0.0.1", self.ports[role]), timeout=5) as line:
            line.sendall(b"OUTP?\n")
            return line.recv(100).decode().strip()

    def close(self) -> None:
        """End it."""
        self._process.terminate()
        self._process.wait()


def start(arguments: list[str], folder: Path) -> subprocess.Popen[bytes]:
    """The command as a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-c", "from sequencer.cli import main; main()", *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )


def killed(process: subprocess.Popen[bytes], bench: Bench, journal: Path | None) -> Iterator[str]:
    """Kill it; what is wrong afterwards."""
    before = journal.read_bytes() if journal else b""
    process.send_signal(signal.SIGKILL)
    since_s = time.monotonic()
    while not bench.is_safe():
        if time.monotonic() - since_s > SAFE_WITHIN_S:
            yield "not safe within 5 s"
            break
        time.sleep(0.02)
    process.communicate(timeout=30)  # ends when the watchkeeper has let go of its stderr
    if journal and not journal.read_bytes().startswith(before.rpartition(b"\n")[0]):
        yield "what was recorded before the kill is missing"


def a_moment(rng: random.Random) -> tuple[bool, float]:
    """When to kill: whether from when the run writes its journal or from its start, and s after that.

    Killed every time, a run would never get past what restores the unit: a third are spared.
    """
    if rng.random() < 0.3:
        return True, 600.0
    if rng.random() < 0.1:
        return False, rng.uniform(0.3, 2.0)
    return True, rng.uniform(0.0, 3.0)


def ends_before(moment: tuple[bool, float], process: subprocess.Popen[bytes], out: Path) -> bool:
    """Wait for that moment; whether the process ended by itself before it."""
    is_from_journal, delay_s = moment
    before = _journalled(out)
    while is_from_journal and _journalled(out) == before and process.poll() is None:
        time.sleep(0.02)
    try:
        process.wait(timeout=delay_s)
    except subprocess.TimeoutExpired:
        return False
    return True


def _journalled(out: Path) -> int:
    """Bytes in the journal of the run below this folder, 0 when there is none."""
    return sum(each.stat().st_size for each in out.glob("*/journal.jsonl"))


def ended(folder: Path) -> Iterator[str]:
    """What is wrong with a run that came to its end."""
    summary = json.loads((folder / "summary.json").read_text())
    ids = [step["id"] for step in summary["steps"]]
    if ids != STEPS:
        yield f"steps are {ids}"
    if summary["outcome"] != "pass":
        yield f"outcome {summary['outcome']}: {summary['cause']}"
    for step in summary["steps"]:
        names = [reading["name"] for reading in step["readings"]]
        if len(names) != len(set(names)) or (step["kind"] == "dc_offset" and not names):
            yield f"readings of {step['id']}: {names}"


def main() -> int:
    """Kill and resume until there were enough kills."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    kills = runs = torn = 0
    problems: list[str] = []
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="killed-") as name:
        place = Path(name)
        (place / "p.yaml").write_text(PROCEDURE)
        bench = Bench(place)
        while kills < options.kills:
            runs += 1
            out = place / f"out_{runs}"
            run = ["run", "p.yaml", "--bench", str(bench.file), "--serial", f"S-{runs}"]
            process = start([*run, *ACCEPTED, "--out", str(out)], place)
            folder: Path | None = None
            while True:
                if not ends_before(a_moment(rng), process, out):
                    journal = next(out.glob("*/journal.jsonl"), None)
                    problems += killed(process, bench, journal)
                    kills += 1
                else:
                    said = process.communicate()[1].decode()
                    if process.returncode not in (0, 2):
                        problems.append(f"exit code {process.returncode}: {said[-500:]}")
                    if process.returncode == 0 or "nothing is left to do" in said:
                        break
                    if not re.search("does not tell how|no record|none of ours", said):
                        problems.append(f"refused: {said[-500:]}")
                    break
                folder = next((each.parent for each in out.glob("*/journal.jsonl")), None)
                if folder is None or not (folder / "journal.jsonl").read_bytes():
                    break  # killed before it had begun
                if rng.random() < 0.2:
                    torn += 1
                    with (folder / "journal.jsonl").open("ab") as file:
                        file.write(b'{"schema":1,"se')
                found = verify(folder)
                problems += [f"altered: {each}" for each in found.alterations]
                process = start(["resume", str(folder), *ACCEPTED], place)
            if process.poll() is None:
                process.kill()
            folder = next((each.parent for each in out.glob("*/journal.jsonl")), None)
            if folder is not None and (folder / "summary.json").exists():
                problems += ended(folder)
                problems += [f"altered: {each}" for each in verify(folder).alterations]
            print(
                f"{kills} kills, {runs} runs, {time.monotonic() - begun_s:.0f} s, "
                f"{len(problems)} problems",
                flush=True,
            )
        bench.close()
    for problem in problems:
        print(problem)
    print(
        f"{kills} kills in {runs} runs ({torn} torn lines), {time.monotonic() - begun_s:.0f} s, "
        f"{len(problems)} problems"
    )
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
