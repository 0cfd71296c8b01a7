"""A run's record as the report shows it: everything worked out, nothing left to the template."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sequencer import __version__
from sequencer.limits import Reading
from sequencer.record import Json, Record, StepRecord
from sequencer.report import not_tested
from sequencer.report.again import MARK, marked, unmet_readings
from sequencer.report.conditions import Condition, conditions
from sequencer.report.context import Context, JournalEnd, context_of, journal_end
from sequencer.report.headline import BROKEN_OFF, Headline, headline
from sequencer.report.key_figures import KeyFigure, key_figures
from sequencer.report.reading_view import ReadingView, reading_of, reading_view
from sequencer.report.rounds import base_id, grouped
from sequencer.report.step_view import StepView, step_view

_STAGES = {
    "as_found": "as found, before the repair",
    "adjusting": "while adjusting",
    "as_left": "as left, after the repair",
    "burn_in": "during run-in",
}
_ROLES_THAT_MEASURE = ("generator", "analyser", "dmm", "power_meter", "thermometer")
# Not strftime("%B"): that follows the locale of whoever writes the report.
_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
_SIMULATED = (
    "Measured on a simulated bench: the figures describe a model of an amplifier, not a real one."
)
_UNSAFE_END = (
    "The record does not say that the bench was made safe. Check by hand that the generator is "
    "silent and the unit's mains are off."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentView:
    """An instrument's identity and calibration."""

    role: str
    identity: str
    serial: str
    firmware: str
    calibration: str
    certificate: str
    needs_attention: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SafeActionView:
    """One action of making safe."""

    words: str
    is_confirmed: bool
    is_by_word: bool
    problem: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunView:
    """The whole report of one run."""

    serial: str
    model: str
    stage: str
    title: str
    procedure: str
    date: str
    is_indicative: bool
    headline: Headline
    warnings: tuple[str, ...]
    remarks: tuple[str, ...]
    ticket: tuple[tuple[str, str], ...]
    fault: tuple[str, ...]
    work: tuple[str, ...]
    ticket_notes: tuple[str, ...]
    key_figures: tuple[KeyFigure, ...]
    steps: tuple[StepView, ...]
    conditions: tuple[Condition, ...]
    instruments: tuple[InstrumentView, ...]
    left_out: tuple[tuple[str, str], ...]
    not_reached: tuple[str, ...]
    never_tested: tuple[str, ...]
    cautions: tuple[tuple[str, tuple[str, ...]], ...]
    safe_actions: tuple[SafeActionView, ...]
    procedure_sha256: str
    version: str
    report_version: str
    journal: JournalEnd | None

    @property
    def name(self) -> str:
        """The unit in a few words."""
        return " ".join(part for part in (self.model, self.serial) if part) or "unit without serial"


def run_view(record: Record, *, with_figures: bool = True) -> RunView:
    """Everything the report of this run shows."""
    context = context_of(record)
    groups = grouped(record.steps, context)
    steps = tuple(
        step_view(number, record, group, context, with_figures)
        for number, group in enumerate(groups, start=1)
    )
    started = record.started
    ticket = started.get("ticket") or {}
    skipped = not_tested.left_out(record, context)
    limits = not_tested.limits_left_out(record, context)
    unreached = not_tested.not_reached(record, context)
    missing = len(skipped) + len(unreached)
    instruments = tuple(map(_instrument, record.instruments))
    readings, again = _readings(record, context), _unmet_again(record, context)
    return RunView(
        serial=str(started.get("serial") or ""),
        model=str(started.get("model") or ""),
        stage=_stage(started),
        title=str(started.get("title") or started.get("procedure") or "unknown procedure"),
        procedure=str(started.get("procedure") or ""),
        date=date_text(record.started_at),
        is_indicative=any(each.needs_attention for each in instruments),
        headline=headline(record, _titled(readings), _titled(again), missing),
        warnings=_warnings(record, context),
        remarks=(*map(str, started.get("remarks") or ()), *_incidents(record)),
        ticket=_ticket_lines(ticket),
        fault=paragraphs(ticket.get("fault")),
        work=tuple(" ".join(paragraphs(each)) for each in ticket.get("work") or ()),
        ticket_notes=paragraphs(ticket.get("notes")),
        key_figures=key_figures([*readings, *again]),
        steps=steps,
        conditions=conditions(record, context),
        instruments=instruments,
        left_out=(*skipped, *limits),
        not_reached=unreached,
        never_tested=not_tested.ALWAYS,
        cautions=_cautions(record.cautions),
        safe_actions=tuple(map(_safe_action, record.safe_actions)),
        procedure_sha256=str(started.get("procedure_sha256") or ""),
        version=str(started.get("version") or ""),
        report_version=__version__,
        journal=journal_end(record.folder),
    )


def date_text(stored: str) -> str:
    """A moment of the record for people: "24 November 2025, 22:38 UTC"."""
    try:
        moment = datetime.fromisoformat(stored)
    except ValueError:
        return stored or "date unknown"
    zone = moment.tzname() or "time zone unknown"
    return f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year}, {moment:%H:%M} {zone}"


def paragraphs(text: object) -> tuple[str, ...]:
    """The lines of a text of several lines, empty ones left out."""
    return tuple(line.strip() for line in str(text or "").splitlines() if line.strip())


def _stage(started: Json) -> str:
    stage = str(started.get("stage") or "")
    return _STAGES.get(stage, stage.replace("_", " "))


def _readings(record: Record, context: Context) -> list[tuple[str, Reading, ReadingView]]:
    """Every reading of the run with the title of its step."""
    return [
        (_round_title(step, context), reading_of(stored), reading_view(stored, step.kind))
        for step in record.steps
        for stored in step.readings
    ]


def _unmet_again(record: Record, context: Context) -> list[tuple[str, Reading, ReadingView]]:
    """Every reading that was not met any more after a break, with the title of its step."""
    return [
        (marked(_round_title(record.step(step.id) or step, context)), reading, view)
        for step in record.unmet_again
        for reading, view in unmet_readings(step)
    ]


def _titled(
    readings: Sequence[tuple[str, Reading, ReadingView]],
) -> list[tuple[str, ReadingView]]:
    return [(title, view) for title, _, view in readings]


def _round_title(step: StepRecord, context: Context) -> str:
    title, base = context.title(step), base_id(step.id, context)
    return title if base == step.id else f"{title}, round {step.id.removeprefix(base + '.')}"


def _warnings(record: Record, context: Context) -> tuple[str, ...]:
    """What must be known before anything else is read."""
    found = [
        f"The bench was not confirmed safe: {action.get('problem') or action['action']}"
        for action in record.safe_actions
        if not action["is_confirmed"]
    ]
    if record.finished is None:
        found.append(BROKEN_OFF)
    if not record.safe_actions:
        found.append(_UNSAFE_END)
    if _is_simulated(record, context):
        found.append(_SIMULATED)
    end = journal_end(record.folder)
    if end is not None and end.is_torn:
        found.append("The journal's last line is torn and was passed over.")
    return (*found, *context.problems)


def _is_simulated(record: Record, context: Context) -> bool:
    """Whether the bench's clock or any instrument says of itself that it is simulated."""
    if context.bench is not None and context.bench.clock == "simulated":
        return True
    return any("simulated" in str(each["manufacturer"]).lower() for each in record.instruments)


def _incidents(record: Record) -> Iterator[str]:
    """What befell the run on its way: breaks after which it went on, and guards that warned."""
    for each in record.breaks:
        then = "it was taken up again later" if record.resumed else "it was not taken up again"
        yield f"the run broke off on {date_text(str(each['at']))} ({each['cause']}); {then}"
    if again := dict.fromkeys(step.id for step in record.restored):
        yield (
            f"carried out again after a break, for what it does to the unit: {', '.join(again)}; what "
            f'was read then stands beside the first readings, marked "{MARK}"'
        )
    for each in record.warnings:
        yield f"a guard warned on {date_text(str(each['at']))}: {each['words']}"


def _ticket_lines(ticket: Mapping[str, object]) -> tuple[tuple[str, str], ...]:
    shown = [("Ticket", "ticket"), ("Customer", "customer"), ("Technician", "operator")]
    lines = [(words, str(ticket[key])) for words, key in shown if ticket.get(key)]
    unit = ticket.get("unit")
    if isinstance(unit, Mapping) and unit:
        stated = ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in unit.items())
        lines.append(("Unit data from the ticket", stated))
    return tuple(lines)


def _instrument(stored: Json) -> InstrumentView:
    role = str(stored["role"])
    due = stored.get("calibration_due")
    measures = role in _ROLES_THAT_MEASURE
    is_overdue = bool(stored.get("is_overdue")) and measures
    if due is None:
        calibration = "no date known" if measures else "not needed"
    else:
        calibration = f"ran out on {due}" if is_overdue else f"valid to {due}"
    return InstrumentView(
        role="multimeter" if role == "dmm" else role.replace("_", " "),
        identity=re.sub(r"\s+", " ", f"{stored['manufacturer']} {stored['model']}").strip(),
        serial=str(stored.get("serial") or ""),
        firmware=str(stored.get("firmware") or ""),
        calibration=calibration,
        certificate=str(stored.get("certificate") or ""),
        needs_attention=is_overdue,
    )


def _cautions(stored: Sequence[Json]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Cautions by the one who accepted them, in the order of the record."""
    by_whom: dict[str, list[str]] = {}
    for each in stored:
        by_whom.setdefault(str(each["accepted_by"]), []).append(str(each["caution"]))
    return tuple((name, tuple(texts)) for name, texts in by_whom.items())


def _safe_action(stored: Json) -> SafeActionView:
    return SafeActionView(
        words=str(stored["action"]),
        is_confirmed=bool(stored["is_confirmed"]),
        is_by_word=bool(stored.get("is_by_word")),
        problem=str(stored.get("problem") or ""),
    )
