"""Kind load_check: ohms before any power."""

import math

import pytest

from drivers.roles import Role

STEP = "kind: load_check"


@pytest.mark.parametrize("text", [STEP + ", stop_beyond: 0 %", STEP + ", stop_beyond: 8 ohm"])
def test_wrong_settings_are_refused(on, text):
    assert on.refusal(text)


def test_the_meter_is_put_across_the_load_and_back_and_nothing_is_energised(on):
    bench = on.bench()
    bench.readings.resistance_ohm = 8.05
    done = on.run(STEP, bench)
    assert [number for (number,) in bench.called("close")] == [309, 301]
    assert not bench.called("set_output")
    assert not bench.levels()
    found = done.findings()["load_resistance"]
    assert (found.value, found.unit) == (8.05, "ohm")
    assert found.standard_uncertainty == pytest.approx(1e-3 * 8.05 / math.sqrt(3))


@pytest.mark.parametrize("ohms", [7.1, 8.9, 4.0, math.inf])
def test_a_load_far_off_stops_the_run(on, ohms):
    bench = on.bench()
    bench.readings.resistance_ohm = ohms
    assert "check the load and its leads" in on.run(STEP, bench).stopped


def test_ten_per_cent_off_is_left_to_the_limits(on):
    bench = on.bench()
    bench.readings.resistance_ohm = 8.7
    assert on.run(STEP, bench).stopped is None


def test_it_demands_a_meter_that_can_be_put_across_the_load(on):
    demand = on.demand(STEP)
    assert demand.roles == {Role.DMM}
    assert demand.routes == {"meter_load"}
    assert "nothing energised" in on.describe(STEP)
