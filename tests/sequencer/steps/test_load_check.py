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


def test_a_bench_that_can_not_measure_it_asks_and_drives_nothing(on):
    for lacking in ({"without": (Role.ROUTER,)}, {"without": (Role.DMM,)}):
        bench = on.bench(**lacking)
        bench.answers = ["8.05 ohm"]
        done = on.run(STEP, bench)
        found = done.findings()["load_resistance"]
        assert found.value == 8.05
        # A half-width of 1 % (JCGM 100:2008, 4.3.7).
        assert found.standard_uncertainty == pytest.approx(0.01 * 8.05 / math.sqrt(3))
        assert not bench.called("close")
    assert on.demand(STEP).else_asks_for == "load_resistance"


@pytest.mark.parametrize("answer", ["4 ohm", ">200 ohm", "<0.1 ohm"])
def test_a_load_that_the_operator_finds_far_off_stops_the_run(on, answer):
    bench = on.bench(without=(Role.ROUTER,))
    bench.answers = [answer]
    assert "check the load and its leads" in on.run(STEP, bench).stopped


def test_nobody_who_can_read_it_leaves_it_without_a_reading(on):
    bench = on.bench(without=(Role.ROUTER,))
    bench.answers = ["none"]
    found = on.run(STEP, bench).findings()["load_resistance"]
    assert found.value is None
    assert found.reason == "the operator gave no reading"
