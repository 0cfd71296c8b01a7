"""Why an instrument does not do what it understood; each tongue has its own words for these."""

from enum import StrEnum


class Reason(StrEnum):
    """What stands in the way."""

    OUT_OF_RANGE = "out of range"
    CONFLICT = "settings conflict"
    ILLEGAL_VALUE = "not one of the possible values"
    TRIGGER_IGNORED = "trigger ignored"
    START_IGNORED = "a record is running"
    NOTHING_THERE = "no valid reading to fetch"


class Refused(Exception):
    """The instrument refuses; nothing has changed."""

    def __init__(self, reason: Reason) -> None:
        self.reason = reason
        super().__init__(reason.value)
