"""Nominal mains frequencies: which are looked for, and which lines tell one from another."""

from collections.abc import Collection, Sequence

NOMINALS_HZ = (50.0, 60.0)
SEARCH_REACH = 0.012  # +-1.2 % of nominal: 49.4 to 50.6 Hz, 59.28 to 60.72 Hz
# As far hum is still followed where at least two lines tell it: a generator set on its own (EN 50160
# allows a grid that is not interconnected +-2 % for 95 % of a week, +-15 % ever; from memory). 8 %
# reach nearly half way from 50 to 60 Hz.
FARTHEST_REACH = 0.08


def nominals_with(said_hz: float | None) -> tuple[float, ...]:
    """The nominal frequencies to look for hum at: the one that was said first, then 50 and 60 Hz.

    One whose search meets that of the one that was said is the same mains, and goes by what was said.
    """
    if said_hz is None:
        return NOMINALS_HZ
    others = (f for f in NOMINALS_HZ if abs(f - said_hz) > SEARCH_REACH * (f + said_hz))
    return (said_hz, *others)


def is_own(nominal_hz: float, multiple: int, nominals_hz: Sequence[float] = NOMINALS_HZ) -> bool:
    """Whether a line belongs to this one of the nominal frequencies alone.

    300 and 600 Hz are lines of 50 and of 60 Hz; 50.1 Hz is one of 16.7 and of 50 Hz.
    """
    line_hz = multiple * nominal_hz
    return not any(
        abs(line_hz - max(round(line_hz / other_hz), 1) * other_hz) <= SEARCH_REACH * line_hz
        for other_hz in nominals_hz
        if other_hz != nominal_hz
    )


def is_told(
    nominal_hz: float, multiples: Collection[int], nominals_hz: Sequence[float] = NOMINALS_HZ
) -> bool:
    """Whether these lines tell that the mains is there: the fundamental, or two that agree.

    One line alone may be a stray tone, and one that several mains have tells none of them.
    """
    has_own = any(is_own(nominal_hz, multiple, nominals_hz) for multiple in multiples)
    return 1 in multiples or (len(multiples) > 1 and has_own)
