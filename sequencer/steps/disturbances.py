"""What disturbed a record, in words for the readings it is counted in."""

from collections.abc import Sequence

from sequencer.analysis.dc_steps import DcStep
from sequencer.analysis.tone_unrest import Click
from sequencer.steps.base import say


def click_remarks(clicks: Sequence[Click], where: str = "") -> tuple[str, ...]:
    """That there were clicks, and the largest; where says in which channel, beginning with a blank."""
    if not clicks:
        return ()
    largest = max(clicks, key=lambda click: click.size_v)
    which = "a click of" if len(clicks) == 1 else f"{len(clicks)} clicks, the largest of"
    place = f"{say(largest.size_v, 'V')} at {say(largest.at_s, 's')}{where}"
    return (f"{which} {place}, counted in its doubt",)


def level_remarks(range_db: float | None) -> tuple[str, ...]:
    """That a tone's level moves, by so many dB from least to most; None where it doesn't."""
    if range_db is None:
        return ()
    return (f"the level moves by {range_db:.2g} dB within the record, counted in its doubt",)


def turning_remarks(range_hz: float | None) -> tuple[str, ...]:
    """That a tone's frequency moves, by so many Hz from least to most; None where it doesn't."""
    if range_hz is None:
        return ()
    far = say(range_hz, "Hz")
    return (f"the tone's frequency moves by {far} within the record, counted in the doubt",)


def step_remarks(steps: Sequence[DcStep], what_of_it: str) -> tuple[str, ...]:
    """That the DC steps, and how it is counted; the largest step."""
    if not steps:
        return ()
    largest = max(steps, key=lambda step: abs(step.size_v))
    which = "steps by" if len(steps) == 1 else f"steps {len(steps)} times, at most by"
    place = f"{say(largest.size_v, 'V')} at {say(largest.at_s, 's')}"
    return (f"the DC {which} {place}, {what_of_it}",)
