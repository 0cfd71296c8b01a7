"""Whether a voltage that stops the run fits the limit of the same reading. Pure.

A stop within the limit would end runs of good units; one far beyond it would stop nothing in time.
"""

from typing import Final

from sequencer.limits import Limit
from sequencer.steps.base import say


class StopMark:
    """Stands in the type of a setting that ends a run: no command line may loosen it far."""


STOP: Final = StopMark()
# A bias that far beyond its limit is a fault on its way to heat (common practice, no source).
FURTHEST = 3.0


def stop_mistakes(
    name: str, stop_v: float, limit: Limit | None, *, furthest: float | None = None
) -> list[str]:
    """What is wrong with a stop of this name and value, beside a limit in volts.

    furthest: how many times the limit it may be; None for any. A limit that hangs on another reading
    is not known beforehand.
    """
    sides = [side for side in (limit.minimum, limit.maximum) if side is not None] if limit else []
    if not sides:
        return []
    accepted_v = max(map(abs, sides))
    if accepted_v > stop_v:
        words = f"{name}: the run stops beyond {say(stop_v, 'V')}, but the limit takes up to "
        return [f"{words}{say(accepted_v, 'V')}; lower the limit or raise {name}"]
    if furthest is not None and stop_v > furthest * accepted_v:
        words = (
            f"{name}: {say(stop_v, 'V')} is more than {furthest:g} times the {say(accepted_v, 'V')}"
        )
        return [f"{words} that the limit takes, and would stop nothing in time; lower {name}"]
    return []
