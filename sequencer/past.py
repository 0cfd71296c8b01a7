"""What a broken-off run had done, from its journal's lines: what a resumed run starts from. Pure.

A step counts as done when its end is told and it did not stop the run; the step that was cut is done
again. Time within a repeated group counts from its beginning, breaks and what restores the unit's
state left out.
"""

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from sequencer.events import BrokenOff
from sequencer.limits import Limit, Reading, Verdict
from sequencer.step_names import step_id_of

Line = Mapping[str, Any]
REPEAT = "repeat"


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """Where a run goes on.

    done maps the names of finished steps to their verdicts, in the order in which they finished;
    left_out names those of them that were left out, limits_left_out limits that were, as STEP/READING.
    elapsed_s holds the time spent in repeated groups
    that are not finished. t_s is the run's time at the break, away_s how long ago that was in real
    time. broken is what is to be told about it. unmet_again names steps that were carried out again
    after an earlier break and no longer met their limits; changed_figures as the run began with them.
    bench_copy names the file that holds the bench from now on.
    """

    done: Mapping[str, Verdict] = field(default_factory=lambda: MappingProxyType({}))
    readings: Mapping[tuple[str, str], Reading] = field(
        default_factory=lambda: MappingProxyType({})
    )
    elapsed_s: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    t_s: float = 0.0
    away_s: float = 0.0
    broken: BrokenOff | None = None
    bench_copy: str = ""
    left_out: tuple[str, ...] = ()
    limits_left_out: tuple[str, ...] = ()
    unmet_again: tuple[str, ...] = ()
    changed_figures: tuple[str, ...] = ()

    @property
    def has_judged(self) -> bool:
        """Whether a limit was judged."""
        return any(reading.limits is not None for reading in self.readings.values())


class _Reader:
    """Reads line by line."""

    def __init__(self, steps: Container[str]) -> None:
        self._steps = steps
        self.done: dict[str, Verdict] = {}
        self.left_out: list[str] = []
        self.unmet_again: list[str] = []
        self.changed_figures: tuple[str, ...] = ()
        self._readings: dict[str, list[Reading]] = {}
        self._limits_left_out: dict[str, list[str]] = {}
        self._spent_s: dict[str, float] = {}
        self._since_s: dict[str, float | None] = {}
        self.t_s = 0.0
        self.last_event = ""

    def read(self, line: Line) -> None:
        """Learn from one line."""
        name = str(line["event"])
        step = str(line.get("step", ""))
        match name:
            case "run_started":
                self.changed_figures = tuple(map(str, line.get("changed_figures") or ()))
            case "step_started":
                self._begin(step, str(line["kind"]), float(line["t"]))
            case "step_finished":
                self._finish(step, line)
            case "step_done_again":
                if line["unmet"] and not line["cut"] and step not in self.unmet_again:
                    self.unmet_again.append(step)
            case "reading_taken" if not line.get("restored"):
                self._readings.setdefault(step, []).append(reading_of(line["reading"]))
            case "broken_off" | "run_finished" | "run_resumed":
                self._break(self.t_s)
            case _:
                pass
        self.t_s, self.last_event = float(line["t"]), name

    def readings(self) -> dict[tuple[str, str], Reading]:
        """Readings of the finished steps, by their names and by their ids: there the latest round's.

        What a step that was cut showed counts no more: it is done again, or left out.
        """
        return {
            (known_as, reading.name): reading
            for step in self.done
            for reading in self._readings.get(step, ())
            for known_as in (step, self._id_of(step))
        }

    def limits_left_out(self) -> tuple[str, ...]:
        """Limits that the finished steps were not judged by, as STEP/READING, once for all rounds."""
        told = (
            f"{self._id_of(step)}/{reading}"
            for step in self.done
            for reading in self._limits_left_out.get(step, ())
        )
        return tuple(dict.fromkeys(told))

    def elapsed_s(self) -> dict[str, float]:
        """Time spent in each group that is not finished."""
        self._break(self.t_s)
        return dict(self._spent_s)

    def _id_of(self, step: str) -> str:
        return step_id_of(step, self._steps) or step

    def _begin(self, step: str, kind: str, t_s: float) -> None:
        for told in (self.done, self._readings, self._limits_left_out):
            told.pop(step, None)
        if kind == REPEAT:
            self._spent_s.setdefault(step, 0.0)
            self._since_s.setdefault(step, None)
        for name, since_s in self._since_s.items():
            # After a break a group goes on with its next step: what restores is no step.
            if since_s is None:
                self._since_s[name] = t_s

    def _finish(self, step: str, line: Line) -> None:
        if not line.get("cut"):
            self.done[step] = Verdict(line["verdict"])
        if line.get("left_out"):
            self.left_out.append(step)
            self._readings.pop(step, None)
        self._limits_left_out[step] = list(line.get("limits_left_out") or ())
        self._spent_s.pop(step, None)
        self._since_s.pop(step, None)

    def _break(self, t_s: float) -> None:
        for name, since_s in self._since_s.items():
            if since_s is not None:
                self._spent_s[name] += t_s - since_s
                self._since_s[name] = None


def past_of(
    lines: Iterable[Line],
    *,
    steps: Container[str],
    away_s: float,
    torn: str | None,
    bench_copy: str = "",
) -> Past:
    """What a run had done, from the lines of its journal. steps holds the ids of its procedure."""
    reader = _Reader(steps)
    for line in lines:
        reader.read(line)
    is_told = reader.last_event in ("run_finished", "made_safe")
    broken = BrokenOff(
        noticed_by="resume",
        cause="the record breaks off (a power cut, a crash, or killed)",
        torn=torn,
    )
    return Past(
        done=reader.done,
        readings=reader.readings(),
        elapsed_s=reader.elapsed_s(),
        t_s=reader.t_s,
        away_s=away_s,
        broken=None if is_told and not torn else broken,
        bench_copy=bench_copy,
        left_out=tuple(reader.left_out),
        limits_left_out=reader.limits_left_out(),
        unmet_again=tuple(reader.unmet_again),
        changed_figures=reader.changed_figures,
    )


def reading_of(stored: Mapping[str, Any]) -> Reading:
    """A reading from the record; its limit's text is lost, that it had one is not."""
    return Reading(
        name=str(stored["name"]),
        value=stored["value"],
        unit=str(stored["unit"]),
        uncertainty=stored["uncertainty"],
        limits=Limit() if stored["limits"] else None,
        verdict=Verdict(stored["verdict"]),
        noise_limited=bool(stored["noise_limited"]),
        upper_bound=stored["upper_bound"],
        lower_bound=stored.get("lower_bound"),
        reason=stored.get("reason") or "",
    )
