"""The one ordered way to end: whatever happened, the bench ends in this state.

The order is a table that tests and documentation read. The whole table is gone through in a hurry
first, so that a dead instrument can't keep the others energised; what could not be confirmed by
reading back is tried again with more patience, since it only ever takes energy away. Nothing here
raises: what stays unconfirmed is said in words.

A driver whose call does not return (one of the user's own, a backend without a timeout) would hold up
the lines below it. The sequencer is then ended by its watchkeeper, behind which nobody stands: it gives
each instrument a thread (aside), waits for it only for a time and goes on. A thread is never given up:
the next turn waits for it again, so that no driver is called twice at once.
"""

import threading
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass

from drivers.errors import OperationMissing
from drivers.roles import Generator, Instrument, MainsSwitch, Role, Router
from sequencer.events import SafeAction

TRIES = 3
# What an action aside may take in each turn, real time. The first comes after the 3 s in which a hang is
# noticed: the mains must be off within 5 s all the same.
ASIDE_S = (1.5, 4.0, 6.0)
# What is said of the mains on a bench that can't switch them.
MAINS_LEFT = "mains left as it is"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Action:
    """One line of the table: what to do to which role, and what to say if it can't be confirmed.

    after names, in its words, the line that must be confirmed first, since this one would energise.
    may_be_missing: not every instrument of the role has it, and what has not needs it not.
    """

    role: Role
    words: str
    by_hand: str
    do: Callable[[Instrument, Mapping[str, int]], None]
    after: str | None = None
    may_be_missing: bool = False


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


def _standby_withdrawn(instrument: Instrument, routes: Mapping[str, int]) -> None:
    """A unit left in standby would look dead to whoever tests it next, or pass for a quiet one."""
    assert isinstance(instrument, MainsSwitch)
    instrument.withdraw_standby()


def _park_router(instrument: Instrument, routes: Mapping[str, int]) -> None:
    """Meter and analyser back at the output terminals; the load and the unit stay where they are."""
    assert isinstance(instrument, Router)
    for name in ("meter_output", "analyser_output"):
        if name in routes:
            instrument.close(routes[name])


_MAINS_OFF = "mains off"
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
        words=_MAINS_OFF,
        by_hand="mains NOT confirmed off: pull the unit's mains plug",
        do=_mains_off,
    ),
    _Action(
        role=Role.MAINS_SWITCH,
        words="standby command withdrawn",
        by_hand="standby command NOT confirmed withdrawn: the unit may come on in standby next time",
        do=_standby_withdrawn,
        after=_MAINS_OFF,
        may_be_missing=True,
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
    mains_by_hand: str = "",
    hurry: Callable[[int], AbstractContextManager[None]] = lambda turn: nullcontext(),
    is_aside: bool = False,
) -> tuple[SafeAction, ...]:
    """Carry out the table on the instruments there are; returns what was done, in order.

    mains_by_hand says, where the bench has no mains switch, why the unit's mains are known to be off.

    Within hurry(turn) an instrument that does not answer is not waited for long; turn counts from 0.
    is_aside: nor is a driver that does not return. An instrument is taken from the mapping where it is
    first used, so that one that can't even be opened holds up no other.
    """
    lines = [line for line in ORDER if line.role in instruments]
    actions: dict[str, SafeAction] = {}
    threads: dict[Role, _Aside] = {}
    for turn in range(TRIES):
        with hurry(turn):
            for line in [each for each in lines if not _is_confirmed(actions, each.words)]:
                if is_aside:
                    done = _attempt_aside(
                        line, instruments, routes, actions, threads, within_s=ASIDE_S[turn]
                    )
                else:
                    done = _attempt(line, instruments, routes, actions)
                if done is None:
                    lines.remove(line)
                else:
                    actions[line.words] = done
    told = [actions[line.words] for line in lines]
    if Role.MAINS_SWITCH in instruments:
        return tuple(told)
    if mains_by_hand:
        told.append(SafeAction(action=mains_by_hand, is_confirmed=True, is_by_word=True))
    else:
        told.append(
            SafeAction(
                action=MAINS_LEFT,
                is_confirmed=False,
                problem="this bench has no mains switch: switch the unit off by hand",
            )
        )
    return tuple(told)


def _is_confirmed(actions: Mapping[str, SafeAction], words: str) -> bool:
    return words in actions and actions[words].is_confirmed


def _attempt(
    line: _Action,
    instruments: Mapping[Role, Instrument],
    routes: Mapping[str, int],
    actions: Mapping[str, SafeAction],
) -> SafeAction | None:
    """One line, tried once; None where the instrument has nothing of the kind and need not."""
    try:
        if line.after is not None and not _is_confirmed(actions, line.after):
            raise RuntimeError(f"not tried before this is confirmed: {line.after}")
        line.do(instruments[line.role], routes)
    except Exception as error:  # noqa: BLE001 - the outermost edge: nothing may stop the table
        if line.may_be_missing and isinstance(error, OperationMissing):
            return None
        problem = f"{line.by_hand} ({error})"
        return SafeAction(action=line.words, is_confirmed=False, problem=problem)
    return SafeAction(action=line.words, is_confirmed=True)


@dataclass(slots=True)
class _Aside:
    """One line, being tried in a thread of its own; done holds its result when it has returned."""

    line: _Action
    thread: threading.Thread
    done: list[SafeAction | None]


def _attempt_aside(
    line: _Action,
    instruments: Mapping[Role, Instrument],
    routes: Mapping[str, int],
    actions: Mapping[str, SafeAction],
    threads: dict[Role, _Aside],
    *,
    within_s: float,
) -> SafeAction | None:
    """One line, tried once in a thread and waited for no longer than this."""
    aside = threads.get(line.role)
    if aside is not None and not aside.thread.is_alive():
        # It returned after all, too late for its own turn.
        del threads[line.role]
        late = aside.done[0] if aside.line is line and aside.done else None
        if late is not None and late.is_confirmed:
            return late
        aside = None
    if aside is None:
        aside = threads[line.role] = _begun(line, instruments, routes, dict(actions))
    if aside.line is line:
        aside.thread.join(within_s)
    if aside.line is not line or aside.thread.is_alive() or not aside.done:
        problem = f"{line.by_hand} (the driver does not return from: {aside.line.words})"
        return SafeAction(action=line.words, is_confirmed=False, problem=problem)
    del threads[line.role]
    return aside.done[0]


def _begun(
    line: _Action,
    instruments: Mapping[Role, Instrument],
    routes: Mapping[str, int],
    actions: Mapping[str, SafeAction],
) -> _Aside:
    done: list[SafeAction | None] = []
    thread = threading.Thread(
        target=lambda: done.append(_attempt(line, instruments, routes, actions)),
        daemon=True,
        name=line.words,
    )
    thread.start()
    return _Aside(line, thread, done)
