"""The person at the bench, as the engine knows them."""

from typing import Protocol


class Declined(Exception):
    """The operator did not accept a caution."""


class NobodyThere(Exception):
    """Something needs a person and the run is unattended."""


class Operator(Protocol):
    """Somebody who can read a caution and answer a question."""

    name: str

    def accept(self, caution: str) -> None:
        """Show a caution and return when it is accepted.

        Raises Declined when it is not.
        """
        ...

    def answer(self, question: str) -> str:
        """Ask a question and return the answer.

        Raises NobodyThere when there is no one to ask.
        """
        ...


class AcceptedBeforehand:
    """Nobody is at the bench; the cautions were accepted beforehand, by name."""

    def __init__(self, accepted_by: str) -> None:
        self.name = accepted_by

    def accept(self, caution: str) -> None:
        """Accepted already."""

    def answer(self, question: str) -> str:
        """There is nobody to answer.

        Raises NobodyThere.
        """
        raise NobodyThere(f"the run is unattended but asks: {question}")
