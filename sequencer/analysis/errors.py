"""Why a number can't be had from a capture."""

from typing import Literal

RefusalCode = Literal[
    "no_signal",
    "overrange",
    "nonfinite",
    "dropout",
    "time_base",
    "rate_mismatch",
    "too_short",
    "wrong_frequency",
    "band_too_narrow",
]


class CannotMeasure(Exception):
    """The capture can't support the number asked for.

    code is one of the refusal codes of the command-line contract; reason says what was found;
    remedy says what would make it measurable.
    """

    def __init__(self, code: RefusalCode, reason: str, remedy: str) -> None:
        self.code = code
        self.reason = reason
        self.remedy = remedy
        super().__init__(f"{reason}; {remedy}")
