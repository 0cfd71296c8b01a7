"""The append-only record of a run: journal lines chained by hash, and captures beside them.

Theory of operation. Each event is one line of JSON. `prev` holds the SHA-256 of the line before, so
that a changed, missing or swapped line shows. A line is handed to the operating system (unbuffered
write) before `write` returns, and the engine emits an event before it sends the next command: kill -9
loses nothing. It is forced to disk (fsync) before anything is energised, at the end of every step and
at the end of the run: a power cut loses the running step at most. A capture is on disk before the line
that names it and its hash. A journal that was broken off is continued: what is left of a torn last line
is taken away (the continuation tells what it was), and the chain goes on from the last whole line.
"""

import dataclasses
import errno
import hashlib
import io
import itertools
import json
import os
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType

import numpy as np

from sequencer.captures import Capture
from sequencer.errors import Refused
from sequencer.events import (
    CaptureTaken,
    Energising,
    Event,
    MadeSafe,
    MakingSafe,
    ReadingTaken,
    RunFinished,
    Stamped,
    StepDoneAgain,
    StepFinished,
    Waiting,
)
from sequencer.interrupts import held

SCHEMA = 1
JOURNAL = "journal.jsonl"
CAPTURES = "captures"
FIRST_PREV = "0" * 64
_FORCED = (Energising, StepFinished, StepDoneAgain, MadeSafe, RunFinished)
_LONGEST_NAME = 60
_TORN_SHOWN = 400


def sha256_hex(content: bytes) -> str:
    """Lower-case hex SHA-256."""
    return hashlib.sha256(content).hexdigest()


def file_name(text: str) -> str:
    """Text made safe as part of a file's name: letters, digits, dot, dash and underscore."""
    name = re.sub(r"[^A-Za-z0-9._-]+", "_", text).strip("._")
    return name[:_LONGEST_NAME] or "unnamed"


def new_folder(parent: Path, *, at: datetime, serial: str, procedure: str) -> Path:
    """Make a new folder for a run (or a pair) inside parent.

    Raises Refused when it can't be made.
    """
    stem = f"{at:%Y-%m-%d_%H%M%S}_{file_name(serial)}_{file_name(procedure)}"
    try:
        parent.mkdir(parents=True, exist_ok=True)
        for number in range(1, 1000):
            folder = parent / (stem if number == 1 else f"{stem}_{number}")
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            return folder
    except OSError as error:
        raise Refused(
            f"the run's folder can't be made in {parent}: {error.strerror}; "
            "give another place with --out"
        ) from error
    raise Refused(f"{parent} already holds 999 runs of this second; give another place with --out")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tail:
    """The end of a journal: whole lines, hash and time of the last one, bytes up to there.

    torn is what stands behind the last whole line.
    """

    lines: int
    prev: str
    t_s: float
    at: datetime
    size: int
    torn: bytes

    @property
    def torn_text(self) -> str | None:
        """The beginning of the torn line as text; None where nothing is torn."""
        return self.torn.decode("ascii", "backslashreplace")[:_TORN_SHOWN] or None


def read_tail(path: Path) -> Tail:
    """Where a journal ends. A last line that only lacks its newline counts as torn.

    Raises Refused when its last whole line is none of ours.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise Refused(f"{path} can't be read: {error.strerror}") from error
    whole, _, torn = content.rpartition(b"\n")
    last = whole.rpartition(b"\n")[2]
    try:
        line = json.loads(last)
        number, t_s, at = int(line["seq"]), float(line["t"]), datetime.fromisoformat(line["at"])
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise Refused(f"{path} ends in a line that is none of ours; run verify on it") from error
    return Tail(
        lines=number + 1,
        prev=sha256_hex(last),
        t_s=t_s,
        at=at,
        size=len(content) - len(torn),
        torn=torn,
    )


class Journal:
    """Writes the record of one run. A sink of events.

    With a tail it goes on where the journal ends; without one it begins a new journal.
    """

    def __init__(self, folder: Path, tail: Tail | None = None) -> None:
        self.folder = folder
        self._prev = tail.prev if tail else FIRST_PREV
        self._seq = tail.lines if tail else 0
        self._size = tail.size if tail else 0
        self._continues = tail is not None
        self._file: io.FileIO | None = None

    def __enter__(self) -> "Journal":
        (self.folder / CAPTURES).mkdir(exist_ok=True)
        path = self.folder / JOURNAL
        if self._continues:
            self._file = path.open("r+b", buffering=0)
            self._file.truncate(self._size)
            self._file.seek(self._size)
        else:
            self._file = path.open("xb", buffering=0)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._file:
            self._file.close()

    def __call__(self, stamped: Stamped) -> None:
        """Write one event.

        Raises OSError when the record can't be written; what was written before stays.
        """
        if isinstance(stamped.event, Waiting | MakingSafe):
            return
        body = self._body(stamped.event)
        self._line(stamped, body)
        if isinstance(stamped.event, _FORCED):
            self._force()

    def _body(self, event: Event) -> dict[str, object]:
        match event:
            case CaptureTaken(step=step, capture=capture, restored=restored):
                return {"step": step, "restored": restored, **self._keep(step, capture)}
            case ReadingTaken(step=step, reading=reading, restored=restored):
                return {"step": step, "restored": restored, "reading": reading.to_json()}
            case _:
                return {
                    name: _plain(getattr(event, name))
                    for name in (each.name for each in dataclasses.fields(event))
                }

    def _line(self, stamped: Stamped, body: Mapping[str, object]) -> None:
        line = json.dumps(
            {
                "schema": SCHEMA,
                "seq": self._seq,
                "prev": self._prev,
                "t": round(stamped.t_s, 6),
                "at": stamped.at.isoformat(),
                "event": event_name(stamped.event),
                **body,
            },
            allow_nan=False,
            separators=(",", ":"),
        ).encode("ascii")
        # A signal between writing and counting would break the chain of the lines that follow.
        with held():
            self._append(line + b"\n")
            self._prev = sha256_hex(line)
            self._seq += 1

    def _append(self, line: bytes) -> None:
        """Write the whole line, or leave the journal as it was and raise OSError."""
        assert self._file is not None, "the journal is not open"
        about = os.fstat(self._file.fileno())
        if about.st_nlink == 0:
            raise OSError(errno.ENOENT, f"the run's folder, or {JOURNAL} in it, was removed")
        if about.st_size != self._size:
            raise OSError(errno.EIO, f"{JOURNAL} was changed by somebody else during the run")
        if self._file.write(line) != len(line):
            os.ftruncate(self._file.fileno(), self._size)
            self._file.seek(self._size)
            raise OSError(errno.ENOSPC, "no room for a line of the journal")
        self._size += len(line)

    def _force(self) -> None:
        assert self._file is not None
        os.fsync(self._file.fileno())

    def _keep(self, step: str, capture: Capture) -> dict[str, object]:
        """Write a capture's file; returns what the journal says of it."""
        content = capture_bytes(capture)
        stem = f"{self._seq:06d}_{file_name(step)}_{file_name(capture.name)}"
        name = self._write_new(stem, content)
        return {
            "name": capture.name,
            "role": capture.role,
            "file": f"{CAPTURES}/{name}",
            "sha256": sha256_hex(content),
            "shape": list(capture.samples.shape),
            "sample_rate_hz": capture.sample_rate_hz,
            "range_peak_v": capture.range_peak_v,
            "is_overrange": capture.is_overrange,
            "facts": dict(capture.facts),
        }

    def _write_new(self, stem: str, content: bytes) -> str:
        """Write a file of its own; a break may have left one that no line names."""
        for number in itertools.count(1):
            name = f"{stem}.npz" if number == 1 else f"{stem}_{number}.npz"
            try:
                with (self.folder / CAPTURES / name).open("xb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
            except FileExistsError:
                continue
            return name
        raise AssertionError("unreachable: the count has no end")


def event_name(event: Event) -> str:
    """The event's name in the journal: RunStarted is run_started."""
    return re.sub(r"(?<!^)(?=[A-Z])", "_", type(event).__name__).lower()


def capture_bytes(capture: Capture) -> bytes:
    """A capture as .npz: `samples` and, as JSON text, `about`.

    Samples that fit single precision exactly (most instruments send it) are stored so.
    """
    with np.errstate(over="ignore"):  # what overflows is not exact and stays double
        single = capture.samples.astype(np.float32)
    is_exact = bool(np.array_equal(single.astype(np.float64), capture.samples, equal_nan=True))
    about = {
        "schema": SCHEMA,
        "name": capture.name,
        "role": capture.role,
        "sample_rate_hz": capture.sample_rate_hz,
        "range_peak_v": capture.range_peak_v,
        "is_overrange": capture.is_overrange,
        "facts": dict(capture.facts),
    }
    buffer = io.BytesIO()
    np.savez(
        buffer, samples=single if is_exact else capture.samples, about=np.array(json.dumps(about))
    )
    return buffer.getvalue()


def capture_from_bytes(content: bytes) -> Capture:
    """The capture that capture_bytes stored.

    Raises ValueError when the content is no such capture.
    """
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as stored:
            samples = np.asarray(stored["samples"], dtype=np.float64)
            about = json.loads(str(stored["about"]))
        return Capture(
            name=about["name"],
            role=about["role"],
            samples=samples,
            sample_rate_hz=about["sample_rate_hz"],
            range_peak_v=about["range_peak_v"],
            is_overrange=about["is_overrange"],
            facts=about["facts"],
        )
    except (KeyError, OSError, TypeError, EOFError, ValueError, zipfile.BadZipFile) as error:
        raise ValueError("it is no capture that a run has written, or it is damaged") from error


def _plain(value: object) -> object:
    """A value of an event as JSON can hold it."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {each.name: _plain(getattr(value, each.name)) for each in dataclasses.fields(value)}
    if isinstance(value, tuple | list):
        return [_plain(each) for each in value]
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    return value
