"""What a run's folder holds beside the journal: procedure and bench as used, the journal's end.

A record outlives the program that wrote it. What can't be read any more is named, and the report
comes out without it.
"""

from dataclasses import dataclass
from pathlib import Path

from sequencer.bench_spec import BenchSpec, load_bench
from sequencer.errors import Refused
from sequencer.journal import JOURNAL, sha256_hex
from sequencer.procedure import Procedure, Step, load_procedure
from sequencer.record import BENCH, PROCEDURE, Record, StepRecord
from sequencer.steps.base import Situation
from sequencer.steps.registry import kinds


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """Procedure and bench of a run, None where they can't be read; problems says why."""

    procedure: Procedure | None
    bench: BenchSpec | None
    problems: tuple[str, ...]

    @property
    def situation(self) -> Situation | None:
        """What evaluation needs besides the captures."""
        if self.procedure is None or self.bench is None:
            return None
        return Situation(
            unit=self.procedure.unit, load=self.bench.load, accuracy=self.bench.accuracy
        )

    def has_step(self, step_id: str) -> bool:
        """Whether the procedure has a step of exactly this id."""
        return step_id in self._by_id()

    def step(self, step_id: str) -> Step | None:
        """The procedure's step of this id; a repeated step is recorded as ID.1, ID.2 and so on."""
        by_id = self._by_id()
        base, _, number = step_id.rpartition(".")
        return by_id.get(step_id) or (by_id.get(base) if number.isdigit() else None)

    def _by_id(self) -> dict[str, Step]:
        steps = self.procedure.all_steps() if self.procedure else ()
        return {step.id: step for step in steps}

    def title(self, step: StepRecord) -> str:
        """The title of a recorded step; one that was left out has it in the procedure alone."""
        planned = self.step(step.id)
        return step.title or (planned.title if planned else "") or step.id


def context_of(record: Record) -> Context:
    """What can still be read of a run's procedure and bench."""
    problems: list[str] = []
    procedure = _procedure(record, problems)
    bench = _bench(record, problems)
    return Context(procedure=procedure, bench=bench, problems=tuple(problems))


def _procedure(record: Record, problems: list[str]) -> Procedure | None:
    path = record.folder / PROCEDURE
    expected = record.started.get("procedure_sha256")
    try:
        if expected and sha256_hex(path.read_bytes()) != expected:
            problems.append(
                f"{PROCEDURE} is not the file the run was made with: its hash differs from the "
                "journal's; plots and conditions below follow the file as it is now"
            )
        return load_procedure(path, registry=kinds())
    except (Refused, OSError, ValueError) as error:
        problems.append(
            f"{PROCEDURE} can't be read by this version ({error}); plots and some conditions "
            "are missing, readings and verdicts are as recorded"
        )
        return None


def _bench(record: Record, problems: list[str]) -> BenchSpec | None:
    try:
        return load_bench(record.folder / BENCH)
    except (Refused, OSError, ValueError) as error:
        problems.append(
            f"{BENCH} can't be read by this version ({error}); plots and some conditions "
            "are missing, readings and verdicts are as recorded"
        )
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalEnd:
    """How many whole lines the journal has, the hash of the last one, and whether a torn one follows."""

    lines: int
    sha256: str
    is_torn: bool


def journal_end(folder: Path) -> JournalEnd | None:
    """The end of a journal's chain; None when there is no journal."""
    try:
        content = (folder / JOURNAL).read_bytes()
    except OSError:
        return None
    *lines, rest = content.split(b"\n")
    last = sha256_hex(lines[-1]) if lines else ""
    return JournalEnd(lines=len(lines), sha256=last, is_torn=bool(rest))
