"""What is said to an instrument, by its command map, and how its answers are checked.

A setting and its check go out as one message where the instrument takes joined messages; where it
doesn't, each goes alone, its acknowledgement is read where it gives one, and the error queue is
asked afterwards where it has one. Questions are joined with the error query too: the end of that
answer shows that none of the answers before it was cut short.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from drivers.command_map import CommandMap
from drivers.errors import (
    InstrumentError,
    OperationMissing,
    ReportedError,
    UnusableAnswer,
    WrongInstrument,
)
from drivers.link import Message, VisaLink
from drivers.roles import Identity
from drivers.scpi_codec import (
    first_number,
    parse_identity,
    parse_number,
    parse_reading,
    split_list,
)
from drivers.settings import error_queue

Answer = TypeVar("Answer")

_MOST_QUEUED_ERRORS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Utterance:
    """One message unit; a question is answered with a value."""

    text: str
    is_question: bool


class Dialogue:
    """Speaks to one instrument in the tongue of its command map."""

    def __init__(self, link: VisaLink, command_map: CommandMap) -> None:
        self.link = link
        self.command_map = command_map
        self._error_queue = error_queue(command_map)
        self._joiner = command_map.text("joiner")
        self._answer_joiner = command_map.choice("answer_joiner")
        self._acknowledgements = tuple(map(str.upper, command_map.words("acknowledgement")))
        self._refusals = tuple(map(str.upper, command_map.words("refusal_answers")))
        self._header_end = command_map.text("answer_header_end")

    def prepare(self, expected_identity: str | None) -> Identity:
        """Check who answers, clear state and errors, send what the map wants sent before use.

        Raises WrongInstrument.
        """
        identity = self._checked_identity(expected_identity)
        if self.has("clear"):
            self.run(self.setting("clear"), lambda _: None, is_checked=False)
        self._drain_errors()
        if self.has("prepare"):
            self.tell("prepare")
        return identity

    def has(self, name: str) -> bool:
        """Whether the instrument can do this."""
        return self.command_map.has(name)

    def setting(self, name: str, **values: float | str) -> list[Utterance]:
        """The messages of a setting. Raises OperationMissing."""
        return [Utterance(text=text, is_question=False) for text in self._filled(name, values)]

    def question(self, name: str, **values: float | str) -> list[Utterance]:
        """The messages of a question, the last of which is answered. Raises OperationMissing."""
        *before, last = self._filled(name, values)
        settings = [Utterance(text=text, is_question=False) for text in before]
        return [*settings, Utterance(text=last, is_question=True)]

    def question_if_any(self, name: str, **values: float | str) -> list[Utterance]:
        """The messages of a question, none if the instrument does not have it."""
        return self.question(name, **values) if self.has(name) else []

    def tell(self, name: str, *, energises: bool = False, **values: float | str) -> None:
        """Send a setting and check that it was accepted."""
        self.run(self.setting(name, **values), lambda _: None, energises=energises)

    def shout(self, name: str) -> None:
        """Send a setting that takes energy away to an instrument that no longer answers."""
        self.link.shout([utterance.text for utterance in self.setting(name)])

    def ask(self, name: str, parse: Callable[[str], Answer], **values: float | str) -> Answer:
        """Ask one question and parse its answer (ValueError: asked again, then UnusableAnswer)."""
        return self.run(self.question(name, **values), lambda answers: parse(answers[0]))

    def reading(self, name: str, field: float | None = None) -> float:
        """One measured value as the instrument gives it.

        field is its place in a list, counted from 1. Raises UnusableAnswer for overload.
        """
        overload = self.command_map.words("overload_answers")

        def parse(answer: str) -> tuple[float | None, str]:
            return parse_reading(self.plain(self.field(answer, field)), overload), answer

        value, answer = self.ask(name, parse)
        if value is None:
            raise self.unusable(name, answer, "the instrument says overload or no reading")
        return value

    def number(self, text: str) -> float:
        """The number in an answer, without its unit. Raises ValueError."""
        return parse_number(self.plain(text))

    def plain(self, text: str) -> str:
        """An answer without the unit that the map says may follow a number."""
        for unit in self.command_map.words("answer_units"):
            if text.upper().endswith(unit.upper()):
                return text[: -len(unit)].strip()
        return text.strip()

    def value_of(self, text: str, answer: str) -> str:
        """The value in the answer to one message, without the name it may begin with.

        Raises ReportedError when the answer is a refusal, ValueError when the name is missing.
        """
        first_word = answer.strip().upper()
        if any(first_word == word or first_word.startswith(f"{word} ") for word in self._refusals):
            raise self._reported(text, first_number(answer), answer.strip())
        if self._header_end is None:
            return answer
        _, end, value = answer.partition(self._header_end)
        if not end:
            raise ValueError(f"the answer has no {self._header_end!r} in it")
        return value.strip()

    def unusable(self, name: str, answer: str, problem: str) -> UnusableAnswer:
        """An UnusableAnswer about one operation of the map."""
        command = "; ".join(self.command_map.messages(name) or (name,))
        return UnusableAnswer(self.link.role, self.link.address, command, answer[:400], problem)

    def disobeyed(self, name: str, problem: str) -> InstrumentError:
        """An InstrumentError about a command that had not the effect it should have."""
        command = "; ".join(self.command_map.messages(name) or (name,))
        return InstrumentError(self.link.role, self.link.address, command, problem)

    def run(
        self,
        utterances: Sequence[Utterance],
        read: Callable[[list[str]], Answer],
        *,
        energises: bool = False,
        is_checked: bool = True,
        timeout_s: float | None = None,
    ) -> Answer:
        """Say all of it in turn; read gets the answers to the questions.

        Raises ReportedError when the instrument reports an error afterwards; and what read raises,
        except ValueError, which becomes UnusableAnswer after the last attempt.
        """
        whole = [*utterances, *self._check_utterance(is_checked)]
        has_check = len(whole) > len(utterances)
        messages = self._messages(whole)
        text = "; ".join(message.text for message in messages)

        def parse(lines: list[str]) -> Answer:
            answers = self._answers(whole, lines, text, has_check=has_check)
            if has_check:
                self._raise_reported(answers.pop(), text)
            return read(answers)

        return self.link.converse(messages, parse, energises=energises, timeout_s=timeout_s)

    def _checked_identity(self, expected: str | None) -> Identity:
        query = self.command_map.messages("identity")
        self.link.open()
        if query is None:
            return self._unasked_identity(expected)
        asked = Message(text=query[0], is_answered=True)
        answer = self.link.converse([asked], lambda lines: self.value_of(query[0], lines[0]))
        if expected and not answer.startswith(expected):
            raise WrongInstrument(self.link.role, self.link.address, query[0], expected, answer)
        try:
            return parse_identity(answer)
        except ValueError as error:
            raise self.unusable("identity", answer, str(error)) from error

    def _unasked_identity(self, expected: str | None) -> Identity:
        if expected:
            problem = f"{expected!r} is expected, but its command map has no identity query"
            raise InstrumentError(self.link.role, self.link.address, "identity", problem)
        return Identity(manufacturer="", model="", serial="", firmware="")

    def _drain_errors(self) -> None:
        queue = self._error_queue
        if queue is None:
            return
        for _ in range(_MOST_QUEUED_ERRORS):
            message = [Message(text=queue.query, is_answered=True)]
            if self.link.converse(message, lambda answers: queue.parse(answers[0])) is None:
                return
        raise self.unusable("error", "", "the error queue does not become empty")

    def _filled(self, name: str, values: dict[str, float | str]) -> list[str]:
        templates = self.command_map.messages(name)
        if templates is None:
            raise OperationMissing(self.link.role, self.link.address, name)
        return [template.format_map(values) for template in templates]

    def _check_utterance(self, is_checked: bool) -> list[Utterance]:
        if self._error_queue is None or not is_checked:
            return []
        return [Utterance(text=self._error_queue.query, is_question=True)]

    def _messages(self, utterances: Sequence[Utterance]) -> list[Message]:
        if self._joiner is not None:
            text = joined([utterance.text for utterance in utterances], self._joiner)
            is_answered = any(utterance.is_question for utterance in utterances)
            return [Message(text=text, is_answered=is_answered)]
        is_acknowledged = bool(self._acknowledgements)
        return [
            Message(text=utterance.text, is_answered=utterance.is_question or is_acknowledged)
            for utterance in utterances
        ]

    def _answers(
        self, utterances: Sequence[Utterance], lines: list[str], text: str, *, has_check: bool
    ) -> list[str]:
        """The answers to the questions, one each. Raises ValueError when they do not match."""
        questions = [utterance for utterance in utterances if utterance.is_question]
        if self._joiner is not None:
            answers = self._split_answers(lines, len(questions), text, has_check=has_check)
        elif self._acknowledgements:
            answers = self._answers_after_acknowledgements(utterances, lines)
        else:
            answers = lines
        checks = answers[-1:] if has_check else []
        values = answers[: len(answers) - len(checks)]
        pairs = zip(questions, values, strict=False)
        return [*(self.value_of(question.text, line) for question, line in pairs), *checks]

    def _answers_after_acknowledgements(
        self, utterances: Sequence[Utterance], lines: list[str]
    ) -> list[str]:
        """Check the acknowledgement of each setting; returns the answers that are left."""
        pairs = list(zip(utterances, lines, strict=True))
        for utterance, line in pairs:
            if not utterance.is_question and line.strip().upper() not in self._acknowledgements:
                raise self._reported(utterance.text, first_number(line), line)
        return [line for utterance, line in pairs if utterance.is_question]

    def _split_answers(
        self, lines: list[str], wanted: int, text: str, *, has_check: bool
    ) -> list[str]:
        if wanted == 0:
            return []
        if wanted == 1:
            return lines
        answers = split_list(lines[0], self._answer_joiner)
        if len(answers) < wanted and has_check and '"' in answers[-1]:
            # A query that was refused has no answer; the error behind it says why. Without a
            # text in quotes it could as well be a number cut short.
            self._raise_reported(answers[-1], text)
        if len(answers) != wanted:
            raise ValueError(f"{wanted} answers were expected, {len(answers)} came")
        return answers

    def _raise_reported(self, answer: str, text: str) -> None:
        report = None if self._error_queue is None else self._error_queue.parse(answer)
        if report is not None:
            raise self._reported(text, *report)

    def _reported(self, text: str, code: int, complaint: str) -> ReportedError:
        return ReportedError(self.link.role, self.link.address, text, code, complaint)

    def field(self, answer: str, field: float | None) -> str:
        """One value of a list, by its place counted from 1; the whole answer for None."""
        if field is None:
            return answer
        parts = split_list(answer, self.command_map.choice("list_separator"))
        if not 1 <= field <= len(parts):
            raise ValueError(f"the answer has {len(parts)} values, number {field:g} was expected")
        return parts[int(field) - 1]


def joined(texts: Sequence[str], joiner: str) -> str:
    """Message units as one message.

    A joiner that ends with a colon begins each unit at the root; common commands (*) take none.
    """
    message = texts[0]
    for text in texts[1:]:
        message += (joiner.rstrip(":") if text.startswith(("*", ":")) else joiner) + text
    return message
