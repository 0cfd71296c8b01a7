"""The relay matrix, spoken to through a command map."""

from drivers.dialogue import Dialogue, Utterance
from drivers.link import VisaLink
from drivers.registry import register
from drivers.roles import Identity, Role
from drivers.scpi_codec import channel_list, parse_word
from drivers.settings import InstrumentSettings


@register(Role.ROUTER, "scpi", "mapped")
class MappedRouter:
    """A router that speaks the tongue of its command map."""

    def __init__(self, link: VisaLink, settings: InstrumentSettings) -> None:
        self._settings = settings
        self._map = settings.command_map
        self._dialogue = Dialogue(link, settings.command_map)

    def prepare(self) -> Identity:
        """Check who answers and clear its state; no relay moves."""
        return self._dialogue.prepare(self._settings.identity)

    def close(self, channel: int) -> None:
        """Close one channel and read back that it obeyed."""
        if not self._moved("close", channel):
            raise self._dialogue.disobeyed("close", f"channel {channel} did not close")

    def open(self, channel: int) -> None:
        """Open one channel and read back that it obeyed."""
        if self._moved("open", channel):
            raise self._dialogue.disobeyed("open", f"channel {channel} did not open")

    def is_closed(self, channel: int) -> bool:
        """State of one channel as the router reports it."""
        question = self._question(channel)
        return self._dialogue.run(question, lambda answers: self._state(answers[0], channel))

    def _moved(self, name: str, channel: int) -> bool:
        """Command a channel; returns whether it is closed afterwards."""
        whole = [*self._dialogue.setting(name, **_places(channel)), *self._question(channel)]
        return self._dialogue.run(whole, lambda answers: self._state(answers[-1], channel))

    def _question(self, channel: int) -> list[Utterance]:
        if self._dialogue.has("ask_closed"):
            return self._dialogue.question("ask_closed", **_places(channel))
        return self._dialogue.question("ask_closed_channels")

    def _state(self, answer: str, channel: int) -> bool:
        if self._dialogue.has("ask_closed"):
            closed, opened = self._map.words("closed_answers"), self._map.words("open_answers")
            return parse_word(answer, closed, opened)
        if answer.strip().upper() in map(str.upper, self._map.words("none_closed_answers")):
            return False
        return channel in channel_list(answer, self._map.choice("list_separator"))


def _places(channel: int) -> dict[str, float | str]:
    if channel < 0:
        raise ValueError(f"channel is {channel}, must be 0 or above")
    return {"channel": channel, "bank": channel // 100, "line": channel % 100}
