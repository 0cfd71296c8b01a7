"""What a run does not show: said in every report, so that nobody reads more into it than is there."""

from sequencer.record import Record
from sequencer.report.context import Context
from sequencer.wording import name_text

ALWAYS = (
    "Electrical safety (earth bond, insulation, leakage), unless a reading above says so.",
    "The unit on a loudspeaker: the load here is a resistor, and a loudspeaker asks for more.",
    "The protection circuits: no short circuit, no overload and no DC fault was provoked.",
    "Other mains voltages, other temperatures, moisture, transport and mechanical wear.",
    "Interference sent out or taken in (electromagnetic compatibility).",
    "How long parts that were not replaced will last.",
    "Inputs, outputs, controls and functions that no step above names. Nobody listened to it.",
)


def left_out(record: Record, context: Context) -> tuple[tuple[str, str], ...]:
    """Steps that were not carried out, or not to their end: title and reason."""
    skipped = [
        (context.title(step), step.left_out) for step in record.steps if step.left_out is not None
    ]
    unfinished = [
        (context.title(step), "begun, but not finished")
        for step in record.steps
        if step.verdict is None
    ]
    return (*skipped, *unfinished)


def limits_left_out(record: Record, context: Context) -> tuple[tuple[str, str], ...]:
    """Limits that were not judged, those of all rounds once: title with reading, and reason."""
    told = (
        (f"{context.title(step)}, limit on {name_text(name, step.kind)}", reason)
        for step in record.steps
        for name, reason in step.limits_left_out.items()
    )
    return tuple(dict.fromkeys(told))


def not_reached(record: Record, context: Context) -> tuple[str, ...]:
    """Steps that the run did not come to: titles, or else how many."""
    seen = {step.id for step in record.steps}
    if context.procedure is not None:
        steps = context.procedure.steps
        return tuple(step.title for step in steps if step.id not in seen)
    missing = int(record.started.get("steps") or 0) - len(seen)
    return (f"{missing} more steps",) if missing > 0 else ()
