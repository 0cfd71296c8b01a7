"""What can go wrong between us and an instrument.

Each error names role, address and command, so that a person at the bench knows which box to look
at.
"""


class InstrumentError(Exception):
    """An instrument did not do what it was asked."""

    def __init__(self, role: str, address: str, command: str, problem: str) -> None:
        self.role = role
        self.address = address
        self.command = command
        self.problem = problem
        super().__init__(f"{role} at {address}: {problem} (command {command!r})")


class InstrumentTimeout(InstrumentError):
    """No answer came in time."""

    def __init__(self, role: str, address: str, command: str, waited_s: float) -> None:
        self.waited_s = waited_s
        super().__init__(role, address, command, f"no answer within {waited_s:.1f} s")


class ReportedError(InstrumentError):
    """The instrument's own error queue or status reported an error."""

    def __init__(self, role: str, address: str, command: str, code: int, text: str) -> None:
        self.code = code
        self.text = text
        super().__init__(role, address, command, f"it reports error {code}, {text!r}")


class WrongInstrument(InstrumentError):
    """Another instrument than the expected one answered."""

    def __init__(self, role: str, address: str, command: str, expected: str, got: str) -> None:
        self.expected = expected
        self.got = got
        super().__init__(
            role, address, command, f"expected an instrument matching {expected!r}, found {got!r}"
        )


class UnusableAnswer(InstrumentError):
    """An answer came that can't be what was asked for."""

    def __init__(self, role: str, address: str, command: str, answer: str, problem: str) -> None:
        self.answer = answer
        super().__init__(role, address, command, f"{problem}: {answer!r}")


class LinkFailed(InstrumentError):
    """The connection could not be opened, broke, or the instrument stopped taking commands."""


class OperationMissing(InstrumentError):
    """The instrument's command map has no way to do what was asked."""

    def __init__(self, role: str, address: str, operation: str) -> None:
        self.operation = operation
        super().__init__(role, address, operation, f"its command map has nothing for {operation!r}")
