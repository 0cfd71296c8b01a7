"""Kind warm_up: a fraction of rated power for a time."""

import math

import pytest

from drivers.roles import Role

STEP = "kind: warm_up, level: 1/8 of rated power, time: 20 min"


@pytest.mark.parametrize(
    "text",
    [
        "kind: warm_up, time: 1 min",
        "kind: warm_up, level: 12 W",
        "kind: warm_up, level: 1/0 of rated power, time: 1 min",
        "kind: warm_up, level: 12 W, time: 20",
    ],
)
def test_wrong_settings_are_refused(on, text):
    assert on.refusal(text)


def test_an_eighth_of_rated_power_is_held_for_the_time(on):
    bench = on.bench()
    bench.readings.celsius = 51.0
    done = on.run(STEP, bench)
    gain = bench.amplifier.gain
    highest = max(bench.levels()) * gain
    assert highest == pytest.approx(math.sqrt(12.5 * 8), rel=0.006)
    assert bench.levels()[-1] == 0.0
    assert (1200.0,) in bench.called("wait")
    found = done.findings()["temperature"]
    assert (found.value, found.unit) == (51.0, "degC")
    assert found.standard_uncertainty == pytest.approx(0.5 / math.sqrt(3))


def test_the_power_at_the_end_is_that_of_the_level_in_the_load(on):
    # P = U^2/R; the level closes in within 0.05 dB (1.2 %).
    done = on.run(STEP)
    found = done.findings()["power"]
    highest = max(done.bench.levels()) * done.bench.amplifier.gain
    assert found.value == pytest.approx(highest**2 / 8, rel=1e-3)
    assert found.value == pytest.approx(12.5, rel=0.012)
    assert found.standard_uncertainty > 0.0


def test_a_level_that_was_not_reached_is_told_and_no_power_is_given(on):
    bench = on.bench()
    bench.amplifier.limit_v = 5.0  # 12.5 W need a peak of 14.1 V
    found = on.run(STEP, bench).findings()["power"]
    assert found.value is None
    assert "12.5 W were wanted" in found.reason


def test_a_level_that_falls_on_the_way_is_told(on):
    bench = on.bench()

    def fall() -> None:
        if bench.time_s > 600.0:
            bench.amplifier.gain = 10.0

    bench.before_record = fall
    found = on.run(STEP, bench).findings()["power"]
    assert found.value is None
    assert "not warmed up as wanted" in found.reason


def test_broken_off_there_is_no_power(on):
    done = on.run(STEP)
    done.captures.clear()
    assert "did not come to its end" in done.findings()["power"].reason


def test_the_temperature_is_read_undriven_on_the_highest_range(on):
    done = on.run(STEP)
    states = list(done.bench.states())
    _, emf, peak = next(s for s in states if getattr(s[0], "method", "") == "read_celsius")
    assert (emf, peak) == (0.0, 100.0)


def test_without_a_thermometer_it_warms_and_reads_nothing(on):
    bench = on.bench(without=(Role.THERMOMETER,))
    done = on.run(STEP, bench)
    assert [*done.findings()] == ["power"]
    assert (1200.0,) in bench.called("wait")


def test_it_demands_the_power_for_the_whole_time(on):
    demand = on.demand(STEP)
    assert demand.load_w == pytest.approx(12.5)
    assert demand.load_s == 1200.0
    assert Role.THERMOMETER in demand.helpful_roles
    assert "12.5 W" in on.describe(STEP)
