"""What happens in a run, as frozen values. The engine emits them; journal and screen are sinks.

An event that exists is complete: it needs no live object to be understood later. Times are stamped
by the emitter, not by the event.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType

from sequencer.captures import Capture
from sequencer.limits import Reading, Verdict


class Outcome(StrEnum):
    """How a run ended."""

    PASS = "pass"
    FAIL = "fail"
    STOPPED = "stopped"
    INTERRUPTED = "interrupted"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunStarted:
    """A run begins: what, on which unit, on which bench; planned are the ids of its steps.

    changed_figures are those that the run was given otherwise than the procedure has them, in words.
    is_unit_shown: something in the run would show a unit that is off.
    """

    procedure: str
    title: str
    procedure_sha256: str
    serial: str
    model: str
    stage: str
    bench: str
    decision: str
    steps: int
    estimate_s: float
    version: str
    planned: tuple[str, ...] = ()
    bench_sha256: str = ""
    bench_file: str = ""
    position: int = 1
    remarks: tuple[str, ...] = ()
    ticket: Mapping[str, object] | None = None
    changed_figures: tuple[str, ...] = ()
    is_unit_shown: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentReady:
    """An instrument answered its identity query and is cleared."""

    role: str
    address: str
    driver: str
    manufacturer: str
    model: str
    serial: str
    firmware: str
    calibration_due: str | None
    certificate: str | None
    is_overdue: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CautionAccepted:
    """A person (or the bench file, in a person's name) accepted a caution."""

    caution: str
    accepted_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchanged:
    """One message to an instrument and its answer (None for none)."""

    role: str
    command: str
    answer: str | None
    seconds: float
    attempt: int
    problem: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Energising:
    """Something is about to be energised; on disk before the command is sent."""

    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StepStarted:
    """A step begins. number counts from 1; so does round, which a step of a repeated group has.

    rounds is how many there will be, as far as the plan tells.
    """

    step: str
    kind: str
    title: str
    number: int
    of: int
    does: str
    estimate_s: float
    left_s: float
    round: int | None = None
    rounds: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """A remark on what is going on, for the person watching and for the record."""

    step: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A step waits, this many seconds still. For the person watching; not kept in the record."""

    step: str
    left_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardsLooked:
    """What the guards saw in one look, by guard; units as in watching.py."""

    values: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardWarned:
    """A guard found something out of bounds that does not stop the run."""

    guard: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """The operator's answer to a question of a step."""

    step: str
    question: str
    answer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureTaken:
    """A record of an instrument, with its samples. restored as for StepRestored."""

    step: str
    capture: Capture
    restored: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingTaken:
    """A judged reading. restored as for StepRestored."""

    step: str
    reading: Reading
    restored: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StepFinished:
    """A step is done; left_out says why it was not carried out at all, cut that it stopped the run.

    limits_left_out says by reading why a limit on it was not judged: the bench can't give the reading.
    """

    step: str
    kind: str
    verdict: Verdict
    left_out: str | None = None
    limits_left_out: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    cut: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MakingSafe:
    """The bench is being made safe, or that is over. For those who watch; not kept in the record."""

    is_over: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SafeAction:
    """One action of making safe, and whether reading back confirmed it.

    is_by_word: nothing can be read back; the action says on whose word it counts as confirmed.
    """

    action: str
    is_confirmed: bool
    problem: str | None = None
    is_by_word: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeSafe:
    """The bench was made safe, action by action in order."""

    actions: tuple[SafeAction, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFinished:
    """The run is over. cause says why, where it did not run to its end."""

    outcome: Outcome
    cause: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokenOff:
    """The record was found without an end. torn holds what was left of a line cut in the middle."""

    noticed_by: str
    cause: str
    torn: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResumed:
    """The run goes on where it had been broken off; away_s is how long it stood, in real time.

    bench_copy is the file of the run's folder that holds the bench as used from here on, bench_file the
    name under which it was given. planned are the ids of the steps that are left to do; left_out names
    the steps that were left out before the break, limits_left_out the limits (STEP/READING), unmet_again
    the steps that were carried out again then and no longer met their limits, has_judged says whether a
    limit was judged there. The others as for RunStarted.
    """

    bench: str
    bench_sha256: str
    bench_copy: str
    version: str
    away_s: float
    title: str = ""
    serial: str = ""
    model: str = ""
    bench_file: str = ""
    left_out: tuple[str, ...] = ()
    limits_left_out: tuple[str, ...] = ()
    has_judged: bool = False
    is_unit_shown: bool = True
    planned: tuple[str, ...] = ()
    unmet_again: tuple[str, ...] = ()
    changed_figures: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRestored:
    """A step that was finished before the break is carried out again for what it does to the unit.

    Captures and readings that are restored come of this: those that the step was judged by stand.
    """

    step: str
    kind: str
    does: str
    left_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDoneAgain:
    """A restored step is done. unmet tells which limits it does not meet any more; empty for none.

    cut: that stopped the run.
    """

    step: str
    kind: str
    verdict: Verdict
    unmet: str = ""
    cut: bool = False


Event = (
    RunStarted
    | RunResumed
    | StepRestored
    | StepDoneAgain
    | BrokenOff
    | MakingSafe
    | InstrumentReady
    | CautionAccepted
    | Exchanged
    | Energising
    | StepStarted
    | Noted
    | Waiting
    | GuardsLooked
    | GuardWarned
    | Answered
    | CaptureTaken
    | ReadingTaken
    | StepFinished
    | MadeSafe
    | RunFinished
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamped:
    """An event with its time: seconds of the bench's clock since the run began, and the date."""

    t_s: float
    at: datetime
    event: Event


Sink = Callable[[Stamped], None]
