"""Kind dc_offset: the meter at the output, and at both terminals of a bridge."""

import math

import pytest

STEP = "kind: dc_offset, settle: 3 s, count: 4"


@pytest.mark.parametrize(
    "text",
    [
        "kind: dc_offset, count: 1",
        "kind: dc_offset, count: 2.5",
        "kind: dc_offset, settle: 0 s",
        "kind: dc_offset, dc_stop: -1 V",
    ],
)
def test_wrong_settings_are_refused(on, text):
    assert on.refusal(text)


def test_a_limit_on_one_side_only_is_refused_since_the_other_sign_would_pass(on):
    assert "within" in on.refusal(STEP + ", limits: {dc_offset: {max: 10 mV}}")


def test_silence_first_then_readings(on):
    done = on.run(STEP)
    assert done.bench.called("set_sine") == [(1000.0, 0.0, 0.0)]
    assert done.bench.generator.is_on
    assert done.bench.called("wait") == [(3.0,)]
    assert len(done.bench.called("read_dc_v")) == 4


def test_mean_and_doubt_of_the_readings(on):
    # JCGM 100, 4.2.3: experimental standard deviation of the mean.
    bench = on.bench()
    values = [1.0e-3, 1.2e-3, 0.8e-3, 1.4e-3]
    bench.dmm.read_dc_v = iter(values).__next__
    found = on.run(STEP, bench).findings()["dc_offset"]
    mean = sum(values) / 4
    deviation = math.sqrt(sum((v - mean) ** 2 for v in values) / 3)
    assert found.value == pytest.approx(mean)
    meter = math.hypot(0.03e-3, 5e-5 * mean) / math.sqrt(3)
    assert found.standard_uncertainty == pytest.approx(math.hypot(deviation / 2, meter))
    assert found.unit == "V"


def test_a_bridged_output_is_read_across_and_to_chassis(on):
    more = ", output: bridged"
    done = on.run(STEP, more=more)
    assert set(done.findings()) == {"dc_offset", "dc_offset_positive", "dc_offset_negative"}
    assert [number for (number,) in done.bench.called("close")] == [301, 307, 308, 301]
    assert on.demand(STEP, more).routes == {"meter_chassis_positive", "meter_chassis_negative"}
    assert "each terminal to chassis" in on.describe(STEP, more)


def test_a_single_ended_output_needs_no_chassis_routes(on):
    assert on.demand(STEP).routes == frozenset()


@pytest.mark.parametrize("dc_v", [0.6, -0.6])
def test_a_dc_beyond_the_stop_ends_the_run_with_what_was_read(on, dc_v):
    bench = on.bench()
    bench.readings.dc_v = dc_v
    done = on.run(STEP, bench)
    assert "exceeds 500 mV" in done.stopped
    assert done.findings()["dc_offset"].value == pytest.approx(dc_v)


@pytest.mark.parametrize(
    "kind", [STEP, "kind: test_point, point: bias, count: 4, stop_above: 0.5 V"]
)
def test_the_first_reading_beyond_the_stop_ends_it_and_the_guards_look_between(on, kind):
    bench = on.bench()
    bench.dmm.read_dc_v = iter([1e-3, -2e-3, -0.6, 1e-3]).__next__
    done = on.run(kind, bench)
    assert "600 mV" in str(done.stopped)
    assert done.captures[0].samples.tolist() == [[1e-3, -2e-3, -0.6]]
    assert len(done.bench.called("look")) == 2
