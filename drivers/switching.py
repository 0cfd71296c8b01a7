"""Outputs that are switched once and read back."""

import contextlib

from drivers.dialogue import Dialogue
from drivers.errors import (
    InstrumentError,
    InstrumentTimeout,
    LinkFailed,
    ReportedError,
    UnusableAnswer,
)
from drivers.scpi_codec import parse_word


class Switch:
    """A switch one position of which energises.

    That position is commanded once, never twice: if the answer is doubtful, the state is read on a
    fresh connection, and unless it is as it should be the switch is put back and the doubt is
    raised.
    """

    def __init__(
        self,
        dialogue: Dialogue,
        *,
        name: str,
        energise: str,
        release: str,
        ask: str,
        energised_words: tuple[str, ...],
        released_words: tuple[str, ...],
    ) -> None:
        self._dialogue = dialogue
        self._name = name
        self._energise = energise
        self._release = release
        self._ask = ask
        self._energised_words = energised_words
        self._released_words = released_words

    def set(self, energised: bool) -> None:
        """Switch and read back. Raises InstrumentError when it did not obey."""
        if energised:
            self._set_energised()
        else:
            self._set_released()

    def is_energised(self) -> bool:
        """State as the instrument reports it."""
        return self._dialogue.ask(self._ask, self._state)

    def _set_released(self) -> None:
        try:
            is_energised = self._switched(self._release, energises=False)
        except (InstrumentTimeout, LinkFailed, UnusableAnswer):
            # It may obey though it doesn't answer, not even the greeting before the command.
            self._dialogue.shout(self._release)
            raise
        if is_energised:
            raise self._dialogue.disobeyed(self._release, f"the {self._name} did not switch off")

    def _set_energised(self) -> None:
        try:
            is_energised = self._switched(self._energise, energises=True)
        except ReportedError:
            self._put_back()
            raise
        except InstrumentError as doubt:
            self._resolve(doubt)
            return
        if not is_energised:
            self._put_back()
            raise self._dialogue.disobeyed(self._energise, f"the {self._name} did not switch on")

    def _resolve(self, doubt: InstrumentError) -> None:
        """Accept a command whose answer was lost if the state shows that it was carried out."""
        try:
            is_energised = self.is_energised()
        except InstrumentError:
            is_energised = False
        if not is_energised:
            self._put_back()
            raise doubt

    def _put_back(self) -> None:
        with contextlib.suppress(InstrumentError):
            self._set_released()

    def _switched(self, command: str, *, energises: bool) -> bool:
        dialogue = self._dialogue
        whole = [*dialogue.setting(command), *dialogue.question_if_any(self._ask)]

        def read(answers: list[str]) -> bool:
            return self._state(answers[-1]) if answers else energises

        return dialogue.run(whole, read, energises=energises)

    def _state(self, answer: str) -> bool:
        return parse_word(answer, self._energised_words, self._released_words)


def output_switch(dialogue: Dialogue, name: str) -> Switch:
    """The switch that a map describes by output_on and output_off."""
    return Switch(
        dialogue,
        name=name,
        energise="output_on",
        release="output_off",
        ask="ask_output",
        energised_words=dialogue.command_map.words("output_is_on"),
        released_words=dialogue.command_map.words("output_is_off"),
    )


def standby_switch(dialogue: Dialogue) -> Switch:
    """The standby command; leaving standby is what energises."""
    return Switch(
        dialogue,
        name="unit",
        energise="standby_off",
        release="standby_on",
        ask="ask_standby",
        energised_words=dialogue.command_map.words("standby_is_off"),
        released_words=dialogue.command_map.words("standby_is_on"),
    )
