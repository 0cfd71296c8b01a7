"""Readings, limits and verdicts in words, the same on screen and in the report."""

import re
from collections.abc import Iterable

from sequencer.limits import Reading, Verdict
from sequencer.quantity_text import format_quantity

_VERDICTS = {
    Verdict.PASS: "pass",
    Verdict.CONDITIONAL_PASS: "conditional pass",
    Verdict.CONDITIONAL_FAIL: "conditional fail",
    Verdict.FAIL: "FAIL",
    Verdict.NO_READING: "no reading",
    Verdict.INFO: "info",
}
_UNDECIDED = "undecided"
_NAMES = {
    "level": "level",
    "dc_offset": "DC offset",
    "thd": "THD",
    "thd_plus_noise": "THD+N",
    "noise_unweighted": "noise, unweighted",
    "noise_a_weighted": "noise, A-weighted",
    "noise_468_weighted": "noise, 468-weighted",
    "imd_difference_2": "difference-frequency distortion, 2nd order",
    "imd_difference_3": "difference-frequency distortion, 3rd order",
    "imd_modulation_2": "modulation distortion, 2nd order",
    "imd_modulation_3": "modulation distortion, 3rd order",
    "spur_level": "strongest spur",
    "spur_frequency": "strongest spur, frequency",
    "spur_to_tone": "strongest spur, relative to the tone",
    "bandwidth_low": "lower -3 dB frequency",
    "bandwidth_high": "upper -3 dB frequency",
    "power_bandwidth_low": "power bandwidth, from",
    "power_bandwidth_high": "power bandwidth, to",
    "q_factor": "Q factor",
    "sidebands": "mains sidebands",
}
# Where the bare name would not say which of many values is meant.
_NAMES_OF_KIND = {
    ("sweep", "thd"): "THD, largest",
    ("level_sweep", "thd"): "THD at the last level",
}
_DECIBELS = re.compile(r"\s*\((-?[\d.]+ dB)\)$")


def verdict_text(verdict: Verdict) -> str:
    """A verdict in words."""
    return _VERDICTS[verdict]


def is_undecided(reading: Reading) -> bool:
    """Whether of a reading only a bound is known, which does not decide its limit."""
    is_unjudged = reading.limits is not None and reading.verdict is Verdict.NO_READING
    return is_unjudged and reading.is_bound


def reading_verdict_text(reading: Reading) -> str:
    """The verdict on a reading in words."""
    return _UNDECIDED if is_undecided(reading) else verdict_text(reading.verdict)


def step_verdict_text(verdict: Verdict, readings: Iterable[Reading]) -> str:
    """The verdict on a step in words, given its readings."""
    unread = [each for each in readings if each.limits and each.verdict is Verdict.NO_READING]
    if verdict is Verdict.NO_READING and unread and all(map(is_undecided, unread)):
        return _UNDECIDED
    return verdict_text(verdict)


def name_text(name: str, kind: str = "") -> str:
    """A reading's name as the trade writes it; kind is the kind of step that took it."""
    if (kind, name) in _NAMES_OF_KIND:
        return _NAMES_OF_KIND[kind, name]
    if name in _NAMES:
        return _NAMES[name]
    if match := re.fullmatch(r"h(\d+)", name):
        return f"H{match[1]}"
    if match := re.fullmatch(r"hum_(\d+)", name):
        return f"hum at {match[1]} Hz"
    return name.replace("_", " ")


def short_text(reading: Reading) -> str:
    """A reading without its doubt: "0.02 %", "at most 4 Hz", or "no reading"."""
    text = (
        reading.value_text()
        if reading.value is None
        else format_quantity(reading.value, reading.shown_unit)
    )
    return split_decibels(text)[0]


def split_decibels(text: str) -> tuple[str, str]:
    """ "0.02 % (-74.0 dB)" in its two parts; the second is empty where there is none."""
    match = _DECIBELS.search(text)
    return (text[: match.start()], match[1]) if match else (text, "")


def unmet_text(reading: Reading) -> str:
    """A reading that does not keep to its limit: "earth bond 0.8 ohm (limit max 0.3 ohm)"."""
    limit = f" (limit {limit_text(reading)})" if limit_text(reading) else ""
    reason = f", {reading.reason}" if reading.reason else ""
    return f"{name_text(reading.name)} {reading.value_text()}{limit}{reason}"


def limit_text(reading: Reading) -> str:
    """A reading's limit as written in the procedure; empty when it has none."""
    return reading.limits.text if reading.limits else ""


def duration_text(seconds: float) -> str:
    """A length of time as a person says it."""
    if seconds < 90.0:
        return f"{max(round(seconds), 1)} s"
    if seconds < 5400.0:
        return f"{round(seconds / 60.0)} min"
    return f"{seconds / 3600.0:.1f} h"
