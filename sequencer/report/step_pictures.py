"""The pictures of a run, step by step, from its captures."""

from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.captures import Capture
from sequencer.journal import capture_from_bytes, sha256_hex
from sequencer.pictures import Picture
from sequencer.record import Record, StepRecord
from sequencer.report.context import Context
from sequencer.steps.registry import kinds


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPictures:
    """The pictures of one step, and what could not be shown."""

    pictures: tuple[Picture, ...] = ()
    problems: tuple[str, ...] = ()


def step_pictures(record: Record, step: StepRecord, context: Context) -> StepPictures:
    """The pictures that the step's kind draws from its captures.

    A capture that is missing or not what was recorded is left out and named: a picture of another
    measurement is worse than none.
    """
    kind, planned, situation = kinds().get(step.kind), context.step(step.id), context.situation
    if kind is None or planned is None or situation is None or not step.captures:
        return StepPictures()
    captures, problems = _captures(record, step)
    try:
        pictures = kind.pictures(planned.settings, captures, situation)
    except Exception as error:  # noqa: BLE001 - kinds may be a user's own; the numbers must come out
        problems.append(f"the plots could not be made: {type(error).__name__}: {error}")
        pictures = []
    return StepPictures(pictures=tuple(pictures), problems=tuple(problems))


def _captures(record: Record, step: StepRecord) -> tuple[Sequence[Capture], list[str]]:
    found: list[Capture] = []
    problems: list[str] = []
    for entry in step.captures:
        try:
            content = (record.folder / entry.file).read_bytes()
        except OSError as error:
            problems.append(f"the capture {entry.file} is missing ({error.strerror})")
            continue
        if sha256_hex(content) != entry.sha256:
            problems.append(f"the capture {entry.file} is not the one recorded: its hash differs")
            continue
        found.append(capture_from_bytes(content))
    return found, problems
