"""A reading against its limits as a small drawing: where it lies, with its doubt, and how much room is
left. It repeats what the table says in numbers.
"""

from dataclasses import dataclass

WIDTH, HEIGHT = 120.0, 18.0
_MIDDLE = HEIGHT / 2.0
_EDGE = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruler:
    """Places in the drawing, 0 to WIDTH: the allowed range, the limits, the value and its doubt.

    is_outside says that the value lies beyond the drawing's end; it is then drawn at the end.
    """

    allowed: tuple[float, float]
    limits: tuple[float, ...]
    doubt: tuple[float, float]
    value: float | None
    is_outside: bool


def ruler(
    value: float | None,
    doubt: float,
    bounds: tuple[float | None, float | None],
    minimum: float | None,
    maximum: float | None,
) -> Ruler | None:
    """The ruler of a reading; None where there is no number or no limit to show.

    bounds say what a reading without a value is at least and at most.
    """
    lower, upper = bounds
    shown = next((each for each in (value, upper, lower) if each is not None), None)
    if shown is None or (minimum is None and maximum is None):
        return None
    low, high = _span(shown, minimum, maximum)

    def place(x: float) -> float:
        inner = (x - low) / (high - low) * (WIDTH - 2.0 * _EDGE) + _EDGE
        return round(min(max(inner, _EDGE), WIDTH - _EDGE), 2)

    whisker = (
        (shown - doubt, shown + doubt)
        if value is not None
        else (low if lower is None else lower, high if upper is None else upper)
    )
    return Ruler(
        allowed=(
            0.0 if minimum is None else place(minimum),
            WIDTH if maximum is None else place(maximum),
        ),
        limits=tuple(place(limit) for limit in (minimum, maximum) if limit is not None),
        doubt=(place(whisker[0]), place(whisker[1])),
        value=None if value is None else place(value),
        is_outside=not low <= shown <= high,
    )


def _span(shown: float, minimum: float | None, maximum: float | None) -> tuple[float, float]:
    """What the drawing shows, chosen from the limits so that rulers of like limits look alike."""
    if minimum is not None and maximum is not None:
        room = 0.3 * (maximum - minimum) or abs(maximum) or 1.0
        return minimum - room, maximum + room
    if maximum is not None:
        if maximum > 0.0 and shown >= 0.0:
            return 0.0, 1.3 * maximum
        away = max(abs(shown - maximum), 0.1 * abs(maximum)) or 1.0
        return maximum - 1.4 * away, maximum + 0.5 * away
    assert minimum is not None
    away = max(abs(shown - minimum), 0.1 * abs(minimum)) or 1.0
    return minimum - 0.5 * away, minimum + 1.4 * away
