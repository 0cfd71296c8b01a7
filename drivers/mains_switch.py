"""The mains switch, spoken to through a command map."""

from drivers.dialogue import Dialogue
from drivers.errors import OperationMissing, ReportedError
from drivers.link import VisaLink
from drivers.registry import register
from drivers.roles import Identity, Role
from drivers.settings import InstrumentSettings
from drivers.switching import output_switch, standby_switch

# The instrument does not know the command: SCPI-1999 volume 2, 21.8.9.
_COMMAND_ERRORS = range(-199, -99)


@register(Role.MAINS_SWITCH, "scpi", "mapped")
class MappedMainsSwitch:
    """A mains switch that speaks the tongue of its command map."""

    def __init__(self, link: VisaLink, settings: InstrumentSettings) -> None:
        self._settings = settings
        self._dialogue = Dialogue(link, settings.command_map)
        self._output = output_switch(self._dialogue, "mains output")
        self._standby = standby_switch(self._dialogue)

    def prepare(self) -> Identity:
        """Check who answers and clear its state; the output stays as it is."""
        return self._dialogue.prepare(self._settings.identity)

    def set_output(self, on: bool) -> None:
        """Switch the mains and read back that it obeyed. Switching on is never repeated."""
        self._output.set(on)

    def is_output_on(self) -> bool:
        """State of the mains output as the instrument reports it."""
        return self._output.is_energised()

    def set_standby(self, standby: bool) -> None:
        """Command the unit to standby (True) or to operate (False, never repeated)."""
        self._standby.set(not standby)

    def withdraw_standby(self) -> bool:
        """Command the unit to operate where it is not; whether it was found in standby.

        Raises OperationMissing where there is no such command, in the map or in the instrument.
        """
        dialogue = self._dialogue
        missing = OperationMissing(dialogue.link.role, dialogue.link.address, "standby_off")
        if not dialogue.has("standby_off"):
            raise missing
        is_asked = dialogue.has("ask_standby")
        try:
            if is_asked and self._standby.is_energised():
                return False
            self._standby.set(True)
        except ReportedError as error:
            if error.code in _COMMAND_ERRORS:
                raise missing from error  # what it does not know, nobody has commanded
            raise
        return is_asked
