"""What somebody may say about a recorded capture: quantities with units, checked one by one."""

from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.errors import Refused
from sequencer.quantities import parse_count, parse_quantity

_MOST_MODES = 12
_LOWEST_MAINS_HZ, _HIGHEST_MAINS_HZ = 15.0, 450.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureOptions:
    """In SI; None for what was not said.

    full_scale_v: volts of a WAV's full scale; rate_hz: stated sample rate; frequency_hz: the tone
    that was played; mains_hz: nominal; band_hz: measuring or search band; event_s and within_v:
    when the output was moved, and the half-width it must come to rest in; modes: how many to report.
    """

    full_scale_v: float | None = None
    rate_hz: float | None = None
    frequency_hz: float | None = None
    mains_hz: float | None = None
    band_hz: tuple[float, float] | None = None
    event_s: float | None = None
    within_v: float | None = None
    modes: int | None = None


def measure_options(texts: Mapping[str, str | None]) -> MeasureOptions:
    """The options from their texts by name ("scale", "rate", "event_at" ...); None was not given.

    Raises Refused (code "argument") with a sentence that names the option.
    """
    return MeasureOptions(
        full_scale_v=_quantity(texts, "scale", "voltage"),
        rate_hz=_quantity(texts, "rate", "frequency"),
        frequency_hz=_quantity(texts, "frequency", "frequency"),
        mains_hz=_mains(texts),
        band_hz=_band(texts.get("band")),
        event_s=_quantity(texts, "event_at", "time", may_be_zero=True),
        within_v=_quantity(texts, "within", "voltage"),
        modes=_modes(texts.get("modes")),
    )


def option_name(name: str) -> str:
    """The option as it is typed."""
    return "--" + name.replace("_", "-")


def _wrong(name: str, problem: str) -> Refused:
    return Refused(f"{option_name(name)}: {problem}", code="argument")


def _quantity(
    texts: Mapping[str, str | None], name: str, dimension: str, *, may_be_zero: bool = False
) -> float | None:
    text = texts.get(name)
    if text is None:
        return None
    value = _parsed(name, text, dimension)
    if value < 0.0 or (value == 0.0 and not may_be_zero):
        raise _wrong(
            name, f"{text.strip()} must be {'zero or more' if may_be_zero else 'positive'}"
        )
    return value


def _parsed(name: str, text: str, dimension: str) -> float:
    try:
        return parse_quantity(text, dimension)
    except ValueError as error:
        raise _wrong(name, str(error)) from error


def _mains(texts: Mapping[str, str | None]) -> float | None:
    mains_hz = _quantity(texts, "mains", "frequency")
    if mains_hz is not None and not _LOWEST_MAINS_HZ <= mains_hz <= _HIGHEST_MAINS_HZ:
        raise _wrong("mains", f'{mains_hz:g} Hz is no mains frequency; write "50 Hz" or "60 Hz"')
    return mains_hz


def _band(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    low, colon, high = text.partition(":")
    if not colon or ":" in high:
        raise _wrong("band", f'"{text[:40]}" should read LO:HI, such as "20 Hz:20 kHz"')
    edges = _parsed("band", low, "frequency"), _parsed("band", high, "frequency")
    if not 0.0 <= edges[0] < edges[1]:
        raise _wrong("band", f"{text.strip()}: the lower edge must come first, and be zero or more")
    return edges


def _modes(text: str | None) -> int | None:
    if text is None:
        return None
    try:
        count = parse_count(text)
    except ValueError as error:
        raise _wrong("modes", str(error)) from error
    if not 1 <= count <= _MOST_MODES:
        raise _wrong("modes", f"{count} is not possible; write 1 to {_MOST_MODES}")
    return count
