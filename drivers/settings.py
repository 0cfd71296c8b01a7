"""What the bench knows about one instrument and hands to its driver."""

from dataclasses import dataclass

from drivers.command_map import CommandMap
from drivers.link import LinkSettings
from drivers.roles import Role
from drivers.scpi_codec import ErrorQueue


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentSettings:
    """Facts of one instrument.

    identity is what the answer to its identity query must begin with, None if that is not checked.
    Ranges in V peak and sample rates in samples a second, ascending; most_samples is how many a record
    may hold, None where that isn't known (analyser only).
    """

    role: Role
    command_map: CommandMap
    identity: str | None = None
    ranges_peak_v: tuple[float, ...] = ()
    sample_rates_hz: tuple[float, ...] = ()
    channels: int = 1
    most_samples: int | None = None


def link_settings(
    command_map: CommandMap, *, timeout_s: float = 2.0, open_timeout_s: float = 2.0
) -> LinkSettings:
    """How a link must talk to an instrument with this map."""
    greeting = command_map.messages("identity")
    return LinkSettings(
        timeout_s=timeout_s,
        open_timeout_s=open_timeout_s,
        write_termination=command_map.choice("write_termination"),
        read_termination=command_map.choice("read_termination"),
        greeting=greeting[0] if greeting else None,
        error_queue=error_queue(command_map),
        probe=_probe(command_map),
    )


# Questions that change nothing, the quickest first.
_HARMLESS = (
    "ask_output",
    "ask_range",
    "ask_points",
    "ask_closed_channels",
    "read_temperature",
    "read_power",
    "read_dc",
)


def _probe(command_map: CommandMap) -> str | None:
    """A question that only proves that the instrument answers."""
    for name in _HARMLESS:
        messages = command_map.messages(name) if name in command_map.fields else None
        if messages is not None and len(messages) == 1:
            return messages[0]
    return None


def error_queue(command_map: CommandMap) -> ErrorQueue | None:
    """How the instrument is asked for its errors, None if it keeps none."""
    query = command_map.messages("error")
    if query is None:
        return None
    return ErrorQueue(query=query[0], no_error=command_map.text("no_error"))
