"""The one ordered way to end: every action tried, read back, and said in words if unconfirmed."""

import contextlib
import threading
import time

import pytest

from drivers.errors import InstrumentTimeout, OperationMissing
from drivers.fakes import FakeGenerator, FakeMainsSwitch, FakeRouter
from drivers.roles import Role
from sequencer import make_safe as module
from sequencer.make_safe import ORDER, TRIES, make_safe

ROUTES = {"meter_output": 301, "analyser_output": 401, "load": 201}


@pytest.fixture
def log():
    return []


@pytest.fixture
def instruments(log):
    generator, mains = FakeGenerator(calls=log), FakeMainsSwitch(calls=log)
    generator.is_on = mains.is_on = True
    return {
        # Not in the order of the table: the table decides, not the bench file.
        Role.ROUTER: FakeRouter(closed={201, 302}, calls=log),
        Role.MAINS_SWITCH: mains,
        Role.GENERATOR: generator,
    }


def _timeout():
    return InstrumentTimeout("generator", "TCPIP::x", "OUTP OFF", 2.0)


def _switching(log):
    return [(c.method, *c.arguments) for c in log if c.method in ("set_output", "close", "open")]


def test_the_order_is_a_table_drive_first_then_mains_then_relays():
    # Relays switch only undriven (bench practice), so they come last. Leaving standby energises a unit
    # that has mains, so it comes after them.
    assert [line.words for line in ORDER] == [
        "generator output off",
        "mains off",
        "standby command withdrawn",
        "router parked",
    ]


def test_everything_is_off_and_read_back(instruments, log):
    actions = make_safe(instruments, ROUTES)
    assert [(a.action, a.is_confirmed, a.problem) for a in actions] == [
        ("generator output off", True, None),
        ("mains off", True, None),
        ("standby command withdrawn", True, None),
        ("router parked", True, None),
    ]
    assert not instruments[Role.GENERATOR].is_on
    assert not instruments[Role.MAINS_SWITCH].is_on
    assert [call.method for call in log].count("is_output_on") == 2


def test_the_load_stays_connected_and_meters_go_back_to_the_output(instruments):
    make_safe(instruments, ROUTES)
    assert instruments[Role.ROUTER].closed >= {201, 301, 401}


@pytest.mark.parametrize("dead", [Role.GENERATOR, Role.MAINS_SWITCH, Role.ROUTER])
def test_each_action_is_tried_when_another_instrument_is_dead(instruments, dead):
    for method in ("set_output", "is_output_on", "close"):
        instruments[dead].fail(method, *([_timeout()] * 20))
    actions = {a.action: a for a in make_safe(instruments, ROUTES)}
    unconfirmed = [a for a in actions.values() if not a.is_confirmed]
    lines = {line.words for line in ORDER if line.role is dead}
    assert {action.action for action in unconfirmed} == lines
    if dead is not Role.GENERATOR:
        assert not instruments[Role.GENERATOR].is_on
    if dead is not Role.MAINS_SWITCH:
        assert not instruments[Role.MAINS_SWITCH].is_on


@pytest.mark.parametrize(
    ("dead", "words"),
    [
        (Role.GENERATOR, "switch it off by hand"),
        (Role.MAINS_SWITCH, "pull the unit's mains plug"),
        (Role.ROUTER, "keep off the meter leads"),
    ],
)
def test_what_can_t_be_confirmed_is_said_with_what_to_do_by_hand(instruments, dead, words):
    for method in ("set_output", "close"):
        instruments[dead].fail(method, *([_timeout()] * 20))
    problem = next(a.problem for a in make_safe(instruments, ROUTES) if not a.is_confirmed)
    assert "NOT confirmed" in problem
    assert words in problem
    assert "no answer within 2.0 s" in problem


def test_an_output_that_still_reports_on_is_not_called_safe(instruments, monkeypatch):
    monkeypatch.setattr(instruments[Role.MAINS_SWITCH], "is_output_on", lambda: True)
    actions = {a.action: a for a in make_safe(instruments, ROUTES)}
    assert not actions["mains off"].is_confirmed
    assert "still reports its output on" in actions["mains off"].problem


@pytest.mark.parametrize("failures", range(1, TRIES))
def test_an_action_that_fails_is_tried_again(instruments, failures):
    instruments[Role.GENERATOR].fail("set_output", *([_timeout()] * failures))
    assert all(action.is_confirmed for action in make_safe(instruments, ROUTES))
    assert not instruments[Role.GENERATOR].is_on


def test_the_mains_do_not_wait_for_a_generator_that_fails(instruments, log):
    instruments[Role.GENERATOR].fail("set_output", *([_timeout()] * TRIES))
    make_safe(instruments, ROUTES)
    assert [entry[0] for entry in _switching(log)[:2]] == ["set_output", "set_output"]
    # One attempt at the generator, then the mains; only afterwards the generator again.
    assert _switching(log).count(("set_output", False)) == TRIES + 1
    methods = [call.method for call in log]
    assert methods.index("is_output_on") < methods.index("close")


def test_what_is_confirmed_is_not_switched_again(instruments, log):
    instruments[Role.ROUTER].fail("close", *([_timeout()] * 20))
    make_safe(instruments, ROUTES)
    assert _switching(log).count(("set_output", False)) == 2


def test_each_turn_of_the_table_is_in_a_hurry_of_its_own(instruments):
    turns = []

    @contextlib.contextmanager
    def hurry(turn):
        turns.append(turn)
        yield

    instruments[Role.GENERATOR].fail("set_output", _timeout())
    assert all(action.is_confirmed for action in make_safe(instruments, ROUTES, hurry=hurry))
    assert turns == list(range(TRIES))


def test_a_bench_without_a_mains_switch_says_who_must_switch_off(instruments):
    del instruments[Role.MAINS_SWITCH]
    last = make_safe(instruments, ROUTES)[-1]
    assert not last.is_confirmed
    assert "switch the unit off by hand" in last.problem


def test_a_bench_of_three_instruments_needs_no_router(instruments):
    del instruments[Role.ROUTER]
    assert [a.action for a in make_safe(instruments, {})] == [
        "generator output off",
        "mains off",
        "standby command withdrawn",
    ]


def test_a_fault_of_the_program_does_not_stop_the_table(instruments):
    instruments[Role.GENERATOR].fail("set_output", *([ZeroDivisionError("ours")] * TRIES))
    actions = make_safe(instruments, ROUTES)
    assert [a.is_confirmed for a in actions] == [False, True, True, True]


def test_a_unit_left_in_standby_is_commanded_to_operate_after_the_mains_went_off(instruments, log):
    instruments[Role.MAINS_SWITCH].is_standby = True
    assert all(action.is_confirmed for action in make_safe(instruments, ROUTES))
    assert not instruments[Role.MAINS_SWITCH].is_standby
    methods = [call.method for call in log if call.method != "is_output_on"]
    assert methods[:3] == ["set_output", "set_output", "withdraw_standby"]


def test_a_unit_whose_mains_may_be_on_is_not_taken_out_of_standby(instruments, log):
    """It would be energised."""
    mains = instruments[Role.MAINS_SWITCH]
    mains.is_standby = True
    mains.fail("set_output", *([_timeout()] * TRIES))
    actions = {a.action: a for a in make_safe(instruments, ROUTES)}
    assert mains.is_standby
    assert "withdraw_standby" not in [call.method for call in log]
    problem = actions["standby command withdrawn"].problem
    assert "the unit may come on in standby" in problem
    assert "not tried before this is confirmed: mains off" in problem


@pytest.mark.parametrize("failures", [1, TRIES - 1, TRIES])
def test_the_standby_command_is_tried_again_and_told_if_it_stays(instruments, failures):
    mains = instruments[Role.MAINS_SWITCH]
    mains.is_standby = True
    mains.fail("withdraw_standby", *([_timeout()] * failures))
    action = {a.action: a for a in make_safe(instruments, ROUTES)}["standby command withdrawn"]
    assert action.is_confirmed is (failures < TRIES)
    assert mains.is_standby is not action.is_confirmed
    if not action.is_confirmed:
        assert "NOT confirmed withdrawn" in action.problem


def test_a_mains_switch_without_standby_is_not_spoken_of(instruments):
    missing = OperationMissing("mains_switch", "TCPIP::x", "standby_off")
    instruments[Role.MAINS_SWITCH].fail("withdraw_standby", missing)
    told = make_safe(instruments, ROUTES)
    assert [a.action for a in told] == ["generator output off", "mains off", "router parked"]


def test_what_every_switch_has_is_never_passed_over_as_missing(instruments):
    missing = OperationMissing("generator", "TCPIP::x", "output_off")
    instruments[Role.GENERATOR].fail("set_output", *([missing] * TRIES))
    first = make_safe(instruments, ROUTES)[0]
    assert (first.action, first.is_confirmed) == ("generator output off", False)


class Blocking:
    """Lets a method of an instrument wait until it is let go; counts the calls."""

    def __init__(self, monkeypatch, instrument, method):
        self.calls = 0
        self.let_go = threading.Event()
        inner = getattr(instrument, method)

        def wait(*arguments):
            self.calls += 1
            assert self.let_go.wait(30)
            return inner(*arguments)

        monkeypatch.setattr(instrument, method, wait)


@pytest.fixture
def hurried(monkeypatch):
    monkeypatch.setattr(module, "ASIDE_S", (0.05,) * TRIES)


def test_a_driver_that_does_not_return_holds_up_no_other(hurried, instruments, monkeypatch):
    blocking = Blocking(monkeypatch, instruments[Role.GENERATOR], "set_output")
    begun_s = time.monotonic()
    actions = make_safe(instruments, ROUTES, is_aside=True)
    assert time.monotonic() - begun_s < 5.0
    blocking.let_go.set()
    assert [a.is_confirmed for a in actions] == [False, True, True, True]
    assert not instruments[Role.MAINS_SWITCH].is_on
    assert "generator output NOT confirmed off: switch it off by hand" in actions[0].problem
    assert "does not return" in actions[0].problem
    assert blocking.calls == 1  # never two calls at once


def test_behind_a_mains_switch_that_does_not_return_standby_is_left(
    hurried, instruments, monkeypatch, log
):
    blocking = Blocking(monkeypatch, instruments[Role.MAINS_SWITCH], "set_output")
    actions = make_safe(instruments, ROUTES, is_aside=True)
    assert [a.is_confirmed for a in actions] == [True, False, False, True]
    assert "pull the unit's mains plug" in actions[1].problem
    assert "withdraw_standby" not in [call.method for call in log]
    blocking.let_go.set()


def test_a_driver_that_returns_late_is_heard_in_the_next_turn(hurried, instruments, monkeypatch):
    blocking = Blocking(monkeypatch, instruments[Role.GENERATOR], "set_output")

    @contextlib.contextmanager
    def hurry(turn):
        if turn:
            blocking.let_go.set()
            module.ASIDE_S = (0.05, 20.0, 20.0)
        yield

    actions = make_safe(instruments, ROUTES, hurry=hurry, is_aside=True)
    assert all(action.is_confirmed for action in actions)
    assert blocking.calls == 1


@pytest.mark.parametrize("is_aside", [False, True])
def test_an_instrument_that_cannot_be_opened_holds_up_no_other(instruments, is_aside):
    class Opened(dict):
        def __getitem__(self, role):
            if role is Role.GENERATOR:
                raise OSError("the sound card is gone")
            return super().__getitem__(role)

    actions = make_safe(Opened(instruments), ROUTES, is_aside=is_aside)
    assert [a.is_confirmed for a in actions] == [False, True, True, True]
    assert "the sound card is gone" in actions[0].problem
    assert not instruments[Role.MAINS_SWITCH].is_on


@pytest.mark.parametrize("failures", [1, TRIES])
def test_aside_the_table_is_the_same(instruments, log, failures):
    instruments[Role.ROUTER].fail("close", *([_timeout()] * failures))
    aside = make_safe(instruments, ROUTES, is_aside=True)
    instruments[Role.GENERATOR].is_on = instruments[Role.MAINS_SWITCH].is_on = True
    instruments[Role.ROUTER].fail("close", *([_timeout()] * failures))
    assert aside == make_safe(instruments, ROUTES)
