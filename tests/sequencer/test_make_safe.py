"""The one ordered way to end: every action tried, read back, and said in words if unconfirmed."""

import contextlib

import pytest

from drivers.errors import InstrumentTimeout
from drivers.fakes import FakeGenerator, FakeMainsSwitch, FakeRouter
from drivers.roles import Role
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
    # Relays switch only undriven (bench practice), so they come last.
    assert [line.role for line in ORDER] == [Role.GENERATOR, Role.MAINS_SWITCH, Role.ROUTER]


def test_everything_is_off_and_read_back(instruments, log):
    actions = make_safe(instruments, ROUTES)
    assert [(a.action, a.is_confirmed, a.problem) for a in actions] == [
        ("generator output off", True, None),
        ("mains off", True, None),
        ("router parked", True, None),
    ]
    assert not instruments[Role.GENERATOR].is_on
    assert not instruments[Role.MAINS_SWITCH].is_on
    assert [call.method for call in log].count("is_output_on") == 2


def test_the_load_stays_connected_and_meters_go_back_to_the_output(instruments):
    make_safe(instruments, ROUTES)
    assert instruments[Role.ROUTER].closed >= {201, 301, 401}


@pytest.mark.parametrize("dead", [line.role for line in ORDER])
def test_each_action_is_tried_when_another_instrument_is_dead(instruments, dead):
    for method in ("set_output", "is_output_on", "close"):
        instruments[dead].fail(method, *([_timeout()] * 20))
    actions = {a.action: a for a in make_safe(instruments, ROUTES)}
    unconfirmed = [a for a in actions.values() if not a.is_confirmed]
    assert len(unconfirmed) == 1
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
    (problem,) = [a.problem for a in make_safe(instruments, ROUTES) if not a.is_confirmed]
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
    assert [a.action for a in make_safe(instruments, {})] == ["generator output off", "mains off"]


def test_a_fault_of_the_program_does_not_stop_the_table(instruments):
    instruments[Role.GENERATOR].fail("set_output", *([ZeroDivisionError("ours")] * TRIES))
    actions = make_safe(instruments, ROUTES)
    assert [a.is_confirmed for a in actions] == [False, True, True]
