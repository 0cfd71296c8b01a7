"""What a person must do between the units of a pair, where the bench can't."""

from types import SimpleNamespace

import pytest

from drivers.roles import Role
from sequencer.errors import Stopped
from sequencer.operator import Declined
from sequencer.pairing import _change_units


class _Person:
    """Answers as told, and keeps what was asked."""

    name = "tests"

    def __init__(self, *, accepts: bool = True) -> None:
        self.accepts = accepts
        self.asked: list[str] = []

    def accept(self, caution: str, meanwhile: object = None) -> None:
        self.asked.append(caution)
        if not self.accepts:
            raise Declined("no")

    def answer(self, question: str, meanwhile: object = None) -> str:
        raise AssertionError(question)


def _bench(*, routes=(), has_mains_switch=True):
    roles = {Role.MAINS_SWITCH} if has_mains_switch else set()
    return SimpleNamespace(routes=dict.fromkeys(routes, 1), has=lambda role: role in roles)


@pytest.mark.parametrize(
    ("routes", "has_mains_switch", "words"),
    [
        (("unit_1", "unit_2"), True, None),
        # A live unit's relays would be switched.
        (("unit_1", "unit_2"), False, "Switch unit A off at its mains"),
        ((), True, "connect unit B"),
        ((), False, "connect unit B"),
    ],
)
def test_what_is_asked_before_the_second_unit(routes, has_mains_switch, words):
    person = _Person()
    bench = _bench(routes=routes, has_mains_switch=has_mains_switch)
    _change_units(bench, person, 2, ["A", "B"])
    assert len(person.asked) == (0 if words is None else 1)
    assert words is None or words in person.asked[0]


def test_a_unit_that_is_not_switched_off_ends_the_series():
    with pytest.raises(Stopped):
        _change_units(
            _bench(routes=("unit_2",), has_mains_switch=False),
            _Person(accepts=False),
            2,
            ["A", "B"],
        )
