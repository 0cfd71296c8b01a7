"""The thermometer, spoken to through a command map."""

from collections.abc import Callable, Mapping

from drivers.dialogue import Dialogue
from drivers.link import VisaLink
from drivers.registry import register
from drivers.roles import Identity, Role
from drivers.settings import InstrumentSettings

_CELSIUS: Mapping[str, Callable[[float], float]] = {
    "celsius": lambda value: value,
    "kelvin": lambda value: value - 273.15,
    "fahrenheit": lambda value: (value - 32.0) / 1.8,
}


@register(Role.THERMOMETER, "scpi", "mapped")
class MappedThermometer:
    """A thermometer that speaks the tongue of its command map."""

    def __init__(self, link: VisaLink, settings: InstrumentSettings) -> None:
        self._settings = settings
        self._map = settings.command_map
        self._dialogue = Dialogue(link, settings.command_map)

    def prepare(self) -> Identity:
        """Check who answers and clear its state."""
        return self._dialogue.prepare(self._settings.identity)

    def read_celsius(self) -> float:
        """One reading at the heatsink, degrees Celsius. Raises UnusableAnswer for overload."""
        value = self._dialogue.reading("read_temperature", self._map.number("reading_field"))
        degrees = value * (self._map.number("temperature_scale") or 1.0)
        return _CELSIUS[self._map.choice("temperature_unit")](degrees)
