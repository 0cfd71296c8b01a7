"""Live progress of a run on a terminal, and plain lines where there is none. A sink of events.

Verdicts stand in words; colour only repeats them (NO_COLOR is honoured by rich).
"""

import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from types import TracebackType

from rich.console import Console
from rich.status import Status
from rich.text import Text

from sequencer.errors import interruption_behind, printable
from sequencer.events import (
    BrokenOff,
    CautionAccepted,
    Event,
    GuardWarned,
    InstrumentReady,
    MadeSafe,
    Noted,
    Outcome,
    ReadingTaken,
    RunFinished,
    RunResumed,
    RunStarted,
    Stamped,
    StepDoneAgain,
    StepFinished,
    StepRestored,
    StepStarted,
    Waiting,
)
from sequencer.last_words import LastWords
from sequencer.limits import Reading, Verdict
from sequencer.wording import (
    duration_text,
    limit_text,
    name_text,
    reading_verdict_text,
    short_text,
    step_verdict_text,
)

_STYLE = {
    Verdict.PASS: "green",
    Verdict.CONDITIONAL_PASS: "green",
    Verdict.CONDITIONAL_FAIL: "bold red",
    Verdict.FAIL: "bold red",
    Verdict.NO_READING: "yellow",
    Verdict.INFO: "dim",
}
_OUTCOME = {
    Outcome.PASS: "green",
    Outcome.FAIL: "bold red",
    Outcome.STOPPED: "bold red",
    Outcome.INTERRUPTED: "yellow",
}
_NAME_WIDTH, _VALUE_WIDTH, _LIMIT_WIDTH = 22, 34, 20
# Below this a reading takes two lines instead of columns that a terminal would break anywhere.
_COLUMNS_NEED = 95
_SPINNER_WIDTH = 3
_BEFORE_UNIT = re.compile(r"(?<=[0-9]) (?=[^\W\d]|%)")
_GLUE = "\ue000"  # a private character, as wide as a space and none
# What a terminal writes behind the live line when somebody stops the run; it must stay one line.
_CTRL_C_WIDTH = len("^C")
# Of readings without a limit, so many are shown; the record has them all.
_MOST_ASIDE = 6


class Terminal(Console):
    """Where people read. When nobody reads any more (`| head`), the run goes on unseen."""

    def on_broken_pipe(self) -> None:
        """Fall silent."""
        self.quiet = True


class Screen:
    """Shows events as they come. On a terminal a last line tells what is going on right now.

    tell is how a person is told, once, that nothing can be shown any more.
    """

    def __init__(self, console: Console, tell: Callable[[str], None] = lambda words: None) -> None:
        self.is_unseen = False
        self.last_line = ""
        self._console = console
        self._tell = tell
        self._status: Status | None = None
        self._is_asking = False
        self._aside: list[Reading] = []
        self._judged: list[Reading] = []
        self._kind = ""
        self._accepted_by: str | None = None
        self._left_s = 0.0
        self._since_s = 0.0
        self._last_words = LastWords()

    def __enter__(self) -> "Screen":
        if self._console.is_terminal:
            self._status = self._console.status("", spinner="line")
            self._status.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._status:
            with suppress(OSError):  # the terminal may be gone
                self._status.stop()

    @contextmanager
    def asking(self) -> Iterator[None]:
        """Within it the operator is asked something: no live line; what is told begins a new one."""
        if self._status:
            self._status.stop()
        self._is_asking = True
        try:
            yield
        except BaseException:
            self._leave_question()
            raise
        finally:
            self._is_asking = False
            if self._status:
                with suppress(OSError):
                    self._status.start()

    def has_spoken(self) -> bool:
        """Whether something was told since the question was put, which must be put again then."""
        has_spoken, self._is_asking = not self._is_asking, True
        return has_spoken

    def _leave_question(self) -> None:
        """Begin a new line behind a question without an answer."""
        if self._is_asking:
            self._is_asking = False
            with suppress(OSError):
                self._console.print()

    def show_match(self, rows: Sequence[tuple[Sequence[str], Verdict]]) -> None:
        """Show how alike the units of a pair are, a line a reading; in columns where they fit."""
        if not rows:
            return
        self._print(Text("\nHow alike the units are", style="bold"))
        widths = [max(map(len, column)) for column in zip(*(row for row, _ in rows), strict=True)]
        has_room = (
            not self._console.is_terminal or sum(widths) + 2 * len(widths) <= self._console.width
        )
        for cells, verdict in rows:
            padded = [f"{cell:<{width}}" for cell, width in zip(cells, widths, strict=True)]
            line = "  ".join(padded if has_room else cells).rstrip()
            self._print(Text(f"  {printable(line)}", style=_STYLE[verdict]))

    def show_pair(self, line: str, outcome: Outcome) -> None:
        """Show the verdict on a pair."""
        if outcome in (Outcome.STOPPED, Outcome.INTERRUPTED):
            state = self.state_of_bench()
            line = f"{line} {state[0].upper()}{state[1:]}."
        self.last_line = line
        self._print(Text(""))
        self._print(Text(line, style=_OUTCOME[outcome]))

    def state_of_bench(self) -> str:
        """In which state the run has left the bench so far, in words."""
        return self._last_words.safety()

    def __call__(self, stamped: Stamped) -> None:
        """Show one event."""
        for line in self._lines(stamped.event):
            self._print(line)
        match stamped.event:
            case StepStarted(does=does, left_s=left_s) | StepRestored(does=does, left_s=left_s):
                self._left_s, self._since_s = left_s, stamped.t_s
                self._show(f"{printable(does)} ({_left(left_s)})")
            case Waiting(left_s=wait_s):
                run_s = self._left_s - (stamped.t_s - self._since_s)
                self._show(f"waiting {duration_text(wait_s)} more ({_left(max(run_s, wait_s))})")
            case Noted(text=text):
                self._show(printable(text))
            case RunFinished():
                self._show("writing the report")

    def _lines(self, event: Event) -> list[Text]:
        """What to print for an event: readings with limits at once, the others in one line."""
        self._last_words.see(event)
        match event:
            case RunStarted(planned=planned, changed_figures=changed, is_unit_shown=is_shown):
                # A pair's runs follow each other.
                self._last_words = LastWords(planned, changed, is_unit_shown=is_shown)
            case RunFinished(outcome=outcome):
                self.last_line = self._last_words.of(event)
                return [Text(""), Text(self.last_line, style=_OUTCOME[outcome])]
            case CautionAccepted(accepted_by=name):
                is_known, self._accepted_by = name == self._accepted_by, name
                line = Text(f"  cautions accepted by {printable(name)}", style="dim")
                return [] if is_known else [line]
            case ReadingTaken(reading=reading) if reading.limits is None:
                self._aside.append(reading)
                return []
            case ReadingTaken(reading=reading):
                self._judged.append(reading)
                return self._reading_lines(reading)
            case StepFinished(kind=kind) | StepDoneAgain(kind=kind):
                aside = [each for each in self._aside if each.value is not None or each.is_bound]
                missing = [each for each in self._aside if each not in aside]
                judged, self._judged, self._aside = self._judged, [], []
                finish = _finish_line(event, judged)
                return [*_aside_line(aside, kind), *_missing_line(missing), finish]
            case StepStarted(kind=kind) | StepRestored(kind=kind):
                self._kind = kind
        return _plain_lines(event)

    @property
    def _is_narrow(self) -> bool:
        return self._console.is_terminal and self._console.width < _COLUMNS_NEED

    def _reading_lines(self, reading: Reading) -> list[Text]:
        if self._is_narrow:
            return _narrow_reading_lines(reading, self._kind)
        return [_reading_line(reading, self._kind)]

    def _print(self, line: Text) -> None:
        # A screen that can't be written to is no reason to stop a run; the journal has it all.
        handled = sys.exc_info()[1]
        try:
            self._leave_question()
            for part in self._broken(line):
                self._console.print(part, soft_wrap=True, highlight=False)
        except OSError as error:
            if interruption := interruption_behind(error, handled=handled):
                raise interruption from None
            if not self.is_unseen:
                self.is_unseen = True
                self._tell(error.strerror or str(error))

    def _broken(self, line: Text) -> list[Text]:
        """A line broken between words, indented throughout; for people only, never in a file."""
        indent = len(line.plain) - len(line.plain.lstrip(" "))
        room = self._console.width - indent
        if not self._console.is_terminal or line.cell_len <= self._console.width or room < 1:
            return [line]
        whole = line[indent:]
        whole.plain = _BEFORE_UNIT.sub(_GLUE, whole.plain)  # a number keeps its unit beside it
        parts = whole.wrap(self._console, room)
        for part in parts:
            part.plain = part.plain.replace(_GLUE, " ")
        return [Text(" " * indent).append(part) for part in parts]

    def _show(self, doing: str) -> None:
        if self._status:
            # One line only: what a second one leaves behind would stay on the screen.
            line = Text(doing)
            room = self._console.width - _SPINNER_WIDTH - _CTRL_C_WIDTH
            line.truncate(max(room, 1), overflow="ellipsis")
            self._status.update(line)


def _left(seconds: float) -> str:
    return f"about {duration_text(seconds)} left"


def _aside_line(readings: Sequence[Reading], kind: str) -> list[Text]:
    """Readings without a limit, in one line."""
    if not readings:
        return []
    shown = [
        f"{name_text(each.name, kind)} {short_text(each)}{_aside_remark(each)}"
        for each in readings[:_MOST_ASIDE]
    ]
    more = len(readings) - _MOST_ASIDE
    rest = f", and {more} more in the record" if more > 0 else ""
    return [Text(f"  {', '.join(shown)}{rest}", style="dim")]


def _missing_line(readings: Sequence[Reading]) -> list[Text]:
    """Readings that could not be taken and that no limit asks for: reasons, each once."""
    by_reason: dict[str, list[str]] = {}
    for each in readings:
        by_reason.setdefault(each.reason, []).append(name_text(each.name))
    return [
        Text(f"  no reading of {', '.join(names)}: {printable(reason)}", style="yellow")
        for reason, names in by_reason.items()
    ]


def _aside_remark(reading: Reading) -> str:
    """Where or why, in brackets; of a list of remarks (spurs) none, the report has them."""
    return f" ({printable(reading.remarks[0])})" if len(reading.remarks) == 1 else ""


def _plain_lines(event: Event) -> list[Text]:
    match event:
        case RunStarted():
            return _start_lines(event)
        case InstrumentReady():
            return [
                Text(f"  {event.role}: {printable(event.manufacturer)} {printable(event.model)}")
            ]
        case StepStarted():
            title = f"{printable(event.title)}{_round_text(event)}"
            head = Text(f"[{event.number}/{event.of}] {title}", style="bold")
            return [Text(""), head, Text(f"  {printable(event.does)}", style="dim")]
        case Noted(text=text):
            return [Text(f"  note: {printable(text)}", style="yellow")]
        case BrokenOff():
            return [Text(f"  {printable(event.cause)}", style="yellow")]
        case RunResumed():
            away = duration_text(event.away_s)
            words = f"{_title(event)} goes on, {away} after it broke off"
            left = f"  on {printable(event.bench)}, steps left: {', '.join(event.planned)}"
            return [Text(words, style="bold"), Text(printable(left), style="dim")]
        case StepRestored():
            head = Text(
                f"[again] {printable(event.step)}, for what it does to the unit", style="bold"
            )
            return [Text(""), head, Text(f"  {printable(event.does)}", style="dim")]
        case GuardWarned():
            return [Text(f"  WARNING: {printable(event.words)}", style="bold yellow")]
        case MadeSafe():
            return [Text(""), *_safe_lines(event)]
    return []


def _round_text(event: StepStarted) -> str:
    """Which round of a repeated group this is, and of how many."""
    return "" if event.round is None else f", round {event.round} of {event.rounds}"


def _title(event: RunStarted | RunResumed) -> str:
    unit = f"{event.model} {event.serial}".strip()
    return f"{printable(event.title)}: {printable(unit)}"


def _start_lines(event: RunStarted) -> list[Text]:
    head = Text(_title(event), style="bold")
    about = Text(
        f"  on {printable(event.bench)}, {event.steps} steps, about "
        f"{duration_text(event.estimate_s)}",
        style="dim",
    )
    return [head, about, *(Text(f"  mind: {printable(r)}", style="yellow") for r in event.remarks)]


def _reading_line(reading: Reading, kind: str) -> Text:
    line = Text("  ")
    line.append(f"{name_text(reading.name, kind):<{_NAME_WIDTH}} ")
    line.append(f"{reading.value_text():<{_VALUE_WIDTH}} ")
    line.append(f"{printable(limit_text(reading)):<{_LIMIT_WIDTH}} ", style="dim")
    return line.append(_judgement(reading))


def _narrow_reading_lines(reading: Reading, kind: str) -> list[Text]:
    below = Text("    ").append(f"{printable(limit_text(reading))}  ", style="dim")
    return [
        Text(f"  {name_text(reading.name, kind)}  {reading.value_text()}"),
        below.append(_judgement(reading)),
    ]


def _judgement(reading: Reading) -> Text:
    """The verdict, and what there is to say about it."""
    line = Text().append(reading_verdict_text(reading), style=_STYLE[reading.verdict])
    if reading.reason:
        line.append(f"  {printable(reading.reason)}", style="yellow")
    elif len(reading.remarks) == 1:
        line.append(f"  {printable(reading.remarks[0])}", style="dim")
    return line


def _finish_line(event: StepFinished | StepDoneAgain, judged: Sequence[Reading]) -> Text:
    if isinstance(event, StepFinished) and event.left_out:
        return Text(
            f"\n{printable(event.step)} left out: {printable(event.left_out)}", style="yellow"
        )
    words = "done" if event.verdict is Verdict.INFO else step_verdict_text(event.verdict, judged)
    return Text(f"  {words}", style=_STYLE[event.verdict])


def _safe_lines(event: MadeSafe) -> list[Text]:
    lines = []
    for action in event.actions:
        if action.is_confirmed:
            confirmed = "" if action.is_by_word else ", confirmed"
            lines.append(Text(f"  safe: {printable(action.action)}{confirmed}", style="green"))
        else:
            lines.append(Text(f"  WARNING: {printable(action.problem or '')}", style="bold red"))
    return lines
