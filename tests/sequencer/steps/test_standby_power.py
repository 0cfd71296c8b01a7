"""Kind standby_power: what the unit draws in standby."""

import math

import pytest

from drivers.fakes import Call
from drivers.roles import Role

STEP = "kind: standby_power, settle: 20 s"


def test_wrong_settings_are_refused(on):
    assert on.refusal("kind: standby_power, settle: 0 s")
    assert on.refusal("kind: standby_power, settle: 20")


def test_standby_is_commanded_before_mains_comes_on_and_lifted_after_it_went_off(on):
    bench = on.bench()
    bench.readings.power_w = 0.4
    done = on.run(STEP, bench)
    order = [
        (entry.method, *entry.arguments)
        for entry in bench.log
        if isinstance(entry, Call) and entry.method in ("set_standby", "set_output", "read_power_w")
    ]
    assert order == [
        ("set_output", True),  # the generator, at zero level
        ("set_standby", True),
        ("set_output", True),
        ("read_power_w",),
        ("set_output", False),
        ("set_standby", False),
    ]
    assert bench.called("wait") == [(20.0,)]
    assert not bench.mains_switch.is_on
    found = done.findings()["standby_power"]
    assert (found.value, found.unit) == (0.4, "W")
    assert found.standard_uncertainty == pytest.approx(0.4 * 5e-3 / math.sqrt(3))


def test_a_unit_that_is_on_stays_on(on):
    bench = on.bench()
    bench.mains_switch.is_on = True
    on.run(STEP, bench)
    assert bench.mains_switch.is_on
    assert not bench.mains_switch.is_standby


@pytest.mark.parametrize(
    ("watts", "words", "is_stopped"),
    [
        (0.0, "can't be told from nothing", False),
        (0.04, "can't be told from nothing", False),
        (-2.0, "the wrong way round", True),
    ],
)
def test_nothing_or_less_in_standby_is_no_reading(on, watts, words, is_stopped):
    """A plug that is out draws as little (common practice, no source for the 0.05 W)."""
    bench = on.bench()
    bench.readings.power_w = watts
    done = on.run(STEP, bench)
    assert (words in (done.stopped or "")) is is_stopped
    found = done.findings()["standby_power"]
    assert found.value is None
    assert words in found.reason
    assert not bench.mains_switch.is_on
    assert bench.mains_switch.is_standby is is_stopped  # making the bench safe takes it back


def test_it_demands_power_meter_and_mains_switch(on):
    demand = on.demand(STEP)
    assert {Role.POWER_METER, Role.MAINS_SWITCH} <= demand.roles
    assert "after 20 s" in on.describe(STEP)
