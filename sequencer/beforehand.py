"""What the operator's readings on the job ticket decide before anything is energised. Pure."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

from sequencer.errors import FileError
from sequencer.judging import judge_findings
from sequencer.limits import Reading, counts_as_passed
from sequencer.operator_readings import is_given, is_none
from sequencer.plans import PlannedStep
from sequencer.procedure_model import Procedure, Unjudged
from sequencer.steps.asking import answer_capture
from sequencer.steps.base import AnyStepKind, Load, Situation
from sequencer.ticket import Ticket
from sequencer.wording import name_text

Kinds = Mapping[str, AnyStepKind]


def shared_readings(
    procedure: Procedure,
    kinds: Kinds,
    ticket: Ticket,
    serials: Sequence[str],
    *,
    is_unattended: bool,
) -> list[FileError]:
    """Refuse a series whose units would share what was read on one of them, an earth bond say."""
    if len(serials) < 2 or ticket.open_readings:
        return []
    asked = _asked_readings(procedure, kinds)
    given = asked & ticket.all_readings.keys()
    lacking = [
        serial
        for serial in serials
        if not all(is_given(ticket.for_unit(serial).readings, name) for name in given)
    ]
    problem = None
    if asked & ticket.readings.keys() and not ticket.serial:
        problem = (
            "they are of one unit, and the ticket does not say of which; write its serial, or those of "
            "each unit under readings_of"
        )
    elif is_unattended and lacking:
        problem = (
            f'those of "{lacking[0]}" are not complete, and nobody is there to read them; write them '
            "under readings_of, or stay at the bench (no --unattended)"
        )
    if problem is None:
        return []
    place = ticket.places.get("readings") or ticket.places["readings_of"]
    return [FileError(place, f"readings: {problem}")]


def _asked_readings(procedure: Procedure, kinds: Kinds) -> set[str]:
    """The readings that the operator may be asked for."""
    steps = [step for step in procedure.all_steps() if not isinstance(step.settings, Unjudged)]
    demands = [kinds[step.kind].demand(step.settings, procedure.unit) for step in steps]
    named = [name for demand in demands for name in (demand.asks_for, demand.else_asks_for)]
    return {name for name in named if name}


def decided_beforehand(
    procedure: Procedure,
    steps: Iterable[PlannedStep],
    kinds: Kinds,
    ticket: Ticket,
    serials: Sequence[str],
) -> list[str]:
    """What to say of limits that the ticket's readings do not meet, with what follows.

    serials are those of the units to come; without any, all of the ticket.
    """
    readings_of = {serial: ticket.for_unit(serial).readings for serial in serials}
    if not serials:
        readings_of = {ticket.serial: ticket.readings, **ticket.readings_of}
    has_several = len(readings_of) > 1
    return [
        words
        for planned in steps
        if planned.asks_for and not planned.left_out
        for serial, readings in readings_of.items()
        if (text := readings.get(planned.asks_for))
        for words in _decided(
            procedure, planned, kinds, text.strip(), f" of unit {serial}" if has_several else ""
        )
    ]


def _decided(
    procedure: Procedure, planned: PlannedStep, kinds: Kinds, text: str, whose: str
) -> Iterator[str]:
    """What to say of one unit's reading for a step, unless it meets its limit."""
    step, name = planned.step, planned.asks_for or ""
    limit = step.limits.get(name)
    if limit is None:
        return
    said = f"step {step.id}: the {name_text(name)}{whose} on the job ticket is {text}"
    then = "the run ends there" if step.must_pass else "the unit does not pass"
    if is_none(text):
        yield f"{said}, so that {limit.text} can't be judged: {then}"
    elif any(
        reading.limits is not None and not counts_as_passed(reading.verdict, has_limit=True)
        for reading in _judged(procedure, planned, kinds, text)
    ):
        yield f"{said}, which does not meet {limit.text}: {then}"


def _judged(procedure: Procedure, planned: PlannedStep, kinds: Kinds, text: str) -> list[Reading]:
    """The reading as the run will judge it.

    A limit that hangs on what is still to be measured leaves it open.
    """
    step, unit = planned.step, procedure.unit
    if any(limit.relative for limit in step.limits.values()):
        return []
    load = Load(
        resistance_ohm=unit.load_ohm,
        tolerance=0.0,
        continuous_w=0.0,
        short_term_w=0.0,
        short_term_s=0.0,
    )
    kind, capture = kinds[step.kind], answer_capture(planned.asks_for or "", text)
    findings = kind.evaluate(step.settings, [capture], Situation(unit=unit, load=load))
    rule = procedure.decision
    return judge_findings(step, kind, findings, recorded_as=step.id, rule=rule, so_far={})
