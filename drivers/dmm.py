"""The multimeter, spoken to through a command map."""

from drivers.dialogue import Dialogue
from drivers.levels import level_from_unit
from drivers.link import VisaLink
from drivers.registry import register
from drivers.roles import Identity, Role
from drivers.settings import InstrumentSettings

_VOLTS = {"v": 1.0, "mv": 1e-3, "uv": 1e-6}
_OHMS = {"ohm": 1.0, "kohm": 1e3, "mohm": 1e6}


@register(Role.DMM, "scpi", "mapped")
class MappedDmm:
    """A multimeter that speaks the tongue of its command map."""

    def __init__(self, link: VisaLink, settings: InstrumentSettings) -> None:
        self._settings = settings
        self._map = settings.command_map
        self._dialogue = Dialogue(link, settings.command_map)

    def prepare(self) -> Identity:
        """Check who answers and clear its state."""
        return self._dialogue.prepare(self._settings.identity)

    def read_dc_v(self) -> float:
        """One DC reading, volts. Raises UnusableAnswer for overload."""
        return self._reading("read_dc") * _VOLTS[self._map.choice("dc_unit")]

    def read_ac_vrms(self) -> float:
        """One AC reading, true r.m.s. volts. Raises UnusableAnswer for overload."""
        value = self._reading("read_ac")
        try:
            return level_from_unit(value, self._map.choice("ac_unit"))
        except ValueError as error:
            raise self._dialogue.unusable("read_ac", f"{value:g}", str(error)) from error

    def read_resistance_ohm(self) -> float:
        """One resistance reading. Raises UnusableAnswer for an open or a live circuit."""
        return self._reading("read_resistance") * _OHMS[self._map.choice("resistance_unit")]

    def _reading(self, name: str) -> float:
        return self._dialogue.reading(name, self._map.number("reading_field"))
