"""The handful of figures a customer asks for, in words of everyday.

For each quantity the reading that decides: the worst verdict among those with a limit, and of equal
ones the last, since that is how the unit leaves the bench. Of power without a limit, the highest.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.limits import Reading, worst
from sequencer.report.reading_view import ReadingView

MOST = 9
_WORDS = (
    (r"earth_bond\w*", "Earth connection"),
    (r"insulation\w*", "Insulation"),
    (r"dc_offset", "Direct voltage at the output (should be near zero)"),
    (r"settling_time", "Time to come to rest after switching on"),
    (r"power", "Output power"),
    (r"gain", "Gain"),
    (r"thd", "Distortion (THD)"),
    (r"thd_plus_noise", "Distortion and noise together (THD+N)"),
    (r"noise_a_weighted", "Noise at rest, weighted as the ear hears it"),
    (r"noise_unweighted", "Noise at rest"),
    (r"hum_\d+", "Hum at rest"),
    (r"spur_level", "Strongest stray tone"),
    (r"flatness", "Evenness of the frequency response"),
    (r"bandwidth_high", "Upper end of the frequency response (-3 dB)"),
    (r"damping_factor", "Damping factor (grip on the loudspeaker)"),
    (r"standby_power", "Power drawn in standby"),
    (r"drift_of_\w+", "Change during run-in"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyFigure:
    """One figure in everyday words, and the step it comes from."""

    words: str
    step: str
    reading: ReadingView


Readings = Sequence[tuple[str, Reading, ReadingView]]


def key_figures(readings: Readings) -> tuple[KeyFigure, ...]:
    """Key figures from (step title, reading, its view), in the order of the table of words."""
    chosen = [_deciding(words, pattern, readings) for pattern, words in _WORDS]
    if not any(_is_judged_power(reading) for _, reading, _ in readings):
        chosen.insert(0, _highest_power(readings))
    return tuple(figure for figure in chosen if figure is not None)[:MOST]


def _is_judged_power(reading: Reading) -> bool:
    return reading.name == "power" and reading.limits is not None


def _highest_power(readings: Readings) -> KeyFigure | None:
    found = [
        (reading.value, step, view)
        for step, reading, view in readings
        if reading.name == "power" and reading.value is not None
    ]
    if not found:
        return None
    _, step, view = max(found, key=lambda each: each[0])
    return KeyFigure(words="Highest power put into the load", step=step, reading=view)


def _deciding(words: str, pattern: str, readings: Readings) -> KeyFigure | None:
    found = [
        (step, view)
        for step, reading, view in readings
        if re.fullmatch(pattern, reading.name) and view.has_limit
    ]
    if not found:
        return None
    decisive = worst(view.verdict for _, view in found)
    step, view = [each for each in found if each[1].verdict is decisive][-1]
    return KeyFigure(words=words, step=step, reading=view)
