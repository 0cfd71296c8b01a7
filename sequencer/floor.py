"""What the bench adds of its own, and which readings of a run come near to it.

The floor is taken by running the procedure `bench_floor`; what is kept of it is a small JSON file beside
the bench file. A reading within 10 dB of the floor tells as much of the bench as of the unit.
"""

import contextlib
import json
import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from sequencer.errors import BenchError, Stopped
from sequencer.limits import Reading
from sequencer.simulated_bench import SIMULATED

PROCEDURE = "bench_floor"
NEAR_DB = 10.0
OLD_AFTER = timedelta(days=180)
SCHEMA = 1
# Readings that a bench can have of its own. Its level and gain tell of the loop, not of a residual.
_FAMILIES = ("thd", "noise_", "hum_", "imd_", "spur_level", "sidebands")


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """The bench's own residuals: by reading name, in the reading's unit (bounds where noise hides)."""

    bench: str
    taken_at: datetime
    instruments: tuple[str, ...]
    level_v: float | None
    values: Mapping[str, float]

    def is_near(self, reading: Reading) -> bool:
        """Whether a reading lies within 10 dB of the bench's own."""
        own = self.values.get(reading.name)
        value = reading.value if reading.value is not None else reading.upper_bound
        return own is not None and value is not None and abs(value) <= own * 10 ** (NEAR_DB / 20.0)

    def is_old(self, now: datetime) -> bool:
        """Whether it was taken too long ago."""
        return now - self.taken_at > OLD_AFTER


def floor_path(bench: str) -> Path:
    """Where a bench's floor is kept: beside its file; for `sim` in the user's state folder."""
    if bench != SIMULATED:
        return Path(f"{bench.removesuffix('.yaml')}.floor.json")
    state = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(state) / "steadybench" / f"{bench}.floor.json"


def floor_of(summary: Mapping[str, Any], bench: str, instruments: tuple[str, ...]) -> Floor:
    """The floor that a finished run of `bench_floor` found."""
    readings = list(_readings(summary))
    values = {}
    for reading in readings:
        value = reading["value"] if reading["value"] is not None else reading["upper_bound"]
        if value is not None and _is_residual(reading["name"]):
            values[str(reading["name"])] = abs(float(value))
    level = next((each["value"] for each in readings if each["name"] == "level"), None)
    return Floor(
        bench=bench,
        taken_at=datetime.fromisoformat(str(summary["started"])),
        instruments=instruments,
        level_v=level,
        values=values,
    )


def _readings(summary: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    for step in summary["steps"]:
        yield from step["readings"]


def _is_residual(name: str) -> bool:
    return name.startswith(_FAMILIES) or (name.startswith("h") and name[1:].isdigit())


def save_floor(floor: Floor, path: Path) -> None:
    """Keep a floor; replaces an older one in one move.

    Raises Stopped when it can't be written: it was measured by then.
    """
    text = json.dumps(
        {
            "schema": SCHEMA,
            "bench": floor.bench,
            "taken_at": floor.taken_at.isoformat(),
            "instruments": list(floor.instruments),
            "level_v": floor.level_v,
            "values": dict(floor.values),
        },
        indent=2,
        allow_nan=False,
    )
    beside = path.with_suffix(".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(text + "\n", encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise Stopped(
            f"the floor was measured but could not be kept in {path}: {error.strerror}; "
            "make the place writable and take it again"
        ) from error


def load_floor(path: Path) -> Floor | None:
    """The floor kept at this path; None when there is none.

    Raises BenchError when the file is not a floor of ours.
    """
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        if kept["schema"] != SCHEMA:
            raise ValueError(f"schema {kept['schema']}, expected {SCHEMA}")
        return Floor(
            bench=str(kept["bench"]),
            taken_at=_with_zone(datetime.fromisoformat(kept["taken_at"])),
            instruments=tuple(str(each) for each in kept["instruments"]),
            level_v=kept["level_v"],
            values={str(name): _finite(value) for name, value in kept["values"].items()},
        )
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise BenchError(
            f"{path} is not a floor of this bench ({error}); take it again with steadybench floor"
        ) from error


def _with_zone(time: datetime) -> datetime:
    if time.tzinfo is None:
        raise ValueError(f"taken_at {time.isoformat()} is without its time zone")
    return time


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"{value} is no reading")
    return float(value)


def floor_remark(floor: Floor | None, now: datetime) -> str | None:
    """What a run should say of the floor: that it is missing or old."""
    if floor is None:
        return "the bench's own floor is not known; take it with steadybench floor"
    if floor.is_old(now):
        return f"the bench's floor is of {floor.taken_at:%Y-%m-%d}; take it again"
    return None
