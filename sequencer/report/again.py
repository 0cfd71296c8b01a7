"""What was read when a finished step was carried out again after a break, as the report shows it.

The readings that the step was judged by stand; these stand beside them, marked, so that nobody takes
a unit for what it was before the break.
"""

from collections.abc import Iterable
from dataclasses import replace

from sequencer.limits import Reading
from sequencer.record import Record, StepRecord
from sequencer.report.reading_view import ReadingView, reading_of, reading_view

MARK = "again after the break"


def marked(words: str) -> str:
    """ "Direct voltage, again after the break"."""
    return f"{words}, {MARK}"


def unmet_readings(step: StepRecord) -> list[tuple[Reading, ReadingView]]:
    """The readings of a restored step that keep to their limits no more."""
    found = [(reading_of(stored), reading_view(stored, step.kind)) for stored in step.readings]
    return [(reading, view) for reading, view in found if not view.is_passed]


def restored_of(record: Record, steps: Iterable[StepRecord]) -> list[StepRecord]:
    """The times that these steps were carried out again, in their order."""
    ids = {step.id for step in steps}
    return [step for step in record.restored if step.id in ids]


def beside(first: Iterable[ReadingView], restored: Iterable[StepRecord]) -> tuple[ReadingView, ...]:
    """The first readings, each followed by what it was when its step was carried out again."""
    later: dict[str, list[ReadingView]] = {}
    for step in restored:
        for view in (reading_view(stored, step.kind) for stored in step.readings):
            later.setdefault(view.name, []).append(replace(view, name=marked(view.name)))
    shown = [each for view in first for each in (view, *later.pop(view.name, []))]
    return (*shown, *(view for views in later.values() for view in views))
