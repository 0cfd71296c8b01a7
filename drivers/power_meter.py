"""The mains power meter, spoken to through a command map."""

from drivers.dialogue import Dialogue
from drivers.link import VisaLink
from drivers.registry import register
from drivers.roles import Identity, Role
from drivers.settings import InstrumentSettings

_WATTS = {"w": 1.0, "mw": 1e-3, "kw": 1e3}
_VOLTS = {"v": 1.0, "mv": 1e-3, "kv": 1e3}


@register(Role.POWER_METER, "scpi", "mapped")
class MappedPowerMeter:
    """A power meter that speaks the tongue of its command map."""

    def __init__(self, link: VisaLink, settings: InstrumentSettings) -> None:
        self._settings = settings
        self._map = settings.command_map
        self._dialogue = Dialogue(link, settings.command_map)

    def prepare(self) -> Identity:
        """Check who answers and clear its state."""
        return self._dialogue.prepare(self._settings.identity)

    def read_power_w(self) -> float:
        """Active power, watts. Raises UnusableAnswer for overload."""
        value = self._dialogue.reading("read_power", self._map.number("power_field"))
        return value * _WATTS[self._map.choice("power_unit")]

    def read_voltage_vrms(self) -> float:
        """Mains voltage, volts r.m.s. Raises UnusableAnswer for overload."""
        value = self._dialogue.reading("read_voltage", self._map.number("voltage_field"))
        return value * _VOLTS[self._map.choice("voltage_unit")]
