"""The person at the bench, as the engine knows them."""

from collections.abc import Callable
from typing import Protocol

Meanwhile = Callable[[], None]
"""Done again and again, at least every few seconds, until somebody answers; what it raises ends the
asking."""

_YES = frozenset({"yes", "y"})
_NO = frozenset({"no", "n"})
_DONE = _YES | {"", "done", "ok"}
_NOT_DONE = _NO | {"stop", "abort", "quit", "q", "cancel"}


def is_yes(answer: str) -> bool | None:
    """Whether an answer is yes or no; None when it is neither."""
    return _meaning(answer, _YES, _NO)


def is_done(answer: str) -> bool | None:
    """Whether somebody says that it is done, or that it won't be; None when it is neither."""
    return _meaning(answer, _DONE, _NOT_DONE)


def _meaning(answer: str, yes: frozenset[str], no: frozenset[str]) -> bool | None:
    word = answer.strip().lower()
    return True if word in yes else False if word in no else None


TRIES = 20
"""So often a question is asked, so that a program which answers nonsense can't keep the run for ever."""


class Declined(Exception):
    """The operator did not accept a caution, or would not do what he was asked to."""


class NobodyThere(Exception):
    """Something needs a person and the run is unattended."""


def nothing() -> None:
    """There is nothing to look after while somebody is asked."""


class Operator(Protocol):
    """Somebody who can read a caution and answer a question."""

    name: str

    def accept(self, caution: str, meanwhile: Meanwhile = nothing) -> None:
        """Show a caution and return when it is accepted.

        Raises Declined when it is not.
        """
        ...

    def answer(self, question: str, meanwhile: Meanwhile = nothing) -> str:
        """Ask a question and return the answer.

        Raises NobodyThere when there is no one to ask.
        """
        ...


class AcceptedBeforehand:
    """Nobody is at the bench; the cautions were accepted beforehand, by name."""

    def __init__(self, accepted_by: str) -> None:
        self.name = accepted_by

    def accept(self, caution: str, meanwhile: Meanwhile = nothing) -> None:
        """Accepted already."""

    def answer(self, question: str, meanwhile: Meanwhile = nothing) -> str:
        """There is nobody to answer.

        Raises NobodyThere.
        """
        raise NobodyThere(f"the run is unattended but asks: {question}")
