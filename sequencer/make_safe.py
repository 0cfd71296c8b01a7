"""The one ordered way to end: whatever happened, the bench ends in this state.

The order is a table that tests and documentation read. The whole table is gone through in a hurry
first, so that a dead instrument can't keep the others energised; what could not be confirmed by
reading back is tried again with more patience, since it only ever takes energy away. Nothing here
raises: what stays unconfirmed is said in words.
"""

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass

from drivers.roles import Generator, Instrument, MainsSwitch, Role, Router
from sequencer.events import SafeAction

TRIES = 3
# What is said of the mains on a bench that can't switch them.
MAINS_LEFT = "mains left as it is"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Action:
    """One line of the table: what to do to which role, and what to say if it can't be confirmed."""

    role: Role
    words: str
    by_hand: str
    do: Callable[[Instrument, Mapping[str, int]], None]


def _generator_off(instrument: Instrument, routes: Mapping[str, int]) -> None:
    assert isinstance(instrument, Generator)
    instrument.set_output(False)
    if instrument.is_output_on():
        raise RuntimeError("the generator still reports its output on")


def _mains_off(instrument: Instrument, routes: Mapping[str, int]) -> None:
    assert isinstance(instrument, MainsSwitch)
    instrument.set_output(False)
    if instrument.is_output_on():
        raise RuntimeError("the mains switch still reports its output on")


def _park_router(instrument: Instrument, routes: Mapping[str, int]) -> None:
    """Meter and analyser back at the output terminals; the load and the unit stay where they are."""
    assert isinstance(instrument, Router)
    for name in ("meter_output", "analyser_output"):
        if name in routes:
            instrument.close(routes[name])


# The load is left in place on purpose: it discharges what is stored, and relays must not switch
# while anything may still drive.
ORDER: tuple[_Action, ...] = (
    _Action(
        role=Role.GENERATOR,
        words="generator output off",
        by_hand="generator output NOT confirmed off: switch it off by hand",
        do=_generator_off,
    ),
    _Action(
        role=Role.MAINS_SWITCH,
        words="mains off",
        by_hand="mains NOT confirmed off: pull the unit's mains plug",
        do=_mains_off,
    ),
    _Action(
        role=Role.ROUTER,
        words="router parked",
        by_hand="router NOT confirmed parked: keep off the meter leads until you have checked",
        do=_park_router,
    ),
)


def make_safe(
    instruments: Mapping[Role, Instrument],
    routes: Mapping[str, int],
    *,
    hurry: Callable[[int], AbstractContextManager[None]] = lambda turn: nullcontext(),
) -> tuple[SafeAction, ...]:
    """Carry out the table on the instruments there are; returns what was done, in order.

    Within hurry(turn) an instrument that does not answer is not waited for long; turn counts from 0.
    """
    lines = [line for line in ORDER if line.role in instruments]
    actions: dict[Role, SafeAction] = {}
    for turn in range(TRIES):
        with hurry(turn):
            for line in lines:
                if line.role not in actions or not actions[line.role].is_confirmed:
                    actions[line.role] = _attempt(line, instruments[line.role], routes)
    done = [actions[line.role] for line in lines]
    if Role.MAINS_SWITCH not in instruments:
        done.append(
            SafeAction(
                action=MAINS_LEFT,
                is_confirmed=False,
                problem="this bench has no mains switch: switch the unit off by hand",
            )
        )
    return tuple(done)


def _attempt(line: _Action, instrument: Instrument, routes: Mapping[str, int]) -> SafeAction:
    try:
        line.do(instrument, routes)
    except Exception as error:  # noqa: BLE001 - the outermost edge: nothing may stop the table
        problem = f"{line.by_hand} ({error})"
        return SafeAction(action=line.words, is_confirmed=False, problem=problem)
    return SafeAction(action=line.words, is_confirmed=True)
