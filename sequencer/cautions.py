"""What a person must know before anything is energised. Asked once a run, recorded.

The tool reminds, it does not license: local codes and qualified practice come first.
"""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """Somebody accepted the cautions beforehand, in the bench file."""

    accepted_by: str
    accepted_on: date


CAUTIONS: tuple[str, ...] = (
    (
        "Local codes and licensed practice come first. Work on mains equipment is for people qualified "
        "to do it; this tool reminds, it does not license."
    ),
    (
        "Mains voltage can kill, and the reservoir capacitors hold their charge after switch-off: "
        "discharge them and measure before touching anything inside."
    ),
    (
        "The load must be rated for the unit's full power, connected firmly, and stand on something "
        "that does not burn. Load, heatsink and output devices get hot enough to hurt."
    ),
    (
        "The DC at the output is checked before the load is connected; where the bench cannot switch "
        "the load, leave it off until the run asks you to connect it."
    ),
    (
        "The input and output terminals must suit this bench: never a grounded analyser input on a "
        "bridged or floating output."
    ),
)
