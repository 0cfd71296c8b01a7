"""Kind test_point: bias and rails through the router."""

import math

import pytest

STEP = "kind: test_point, point: bias, count: 3"


@pytest.mark.parametrize(
    "text",
    [
        "kind: test_point",
        "kind: test_point, point: heater",
        "kind: test_point, point: bias, count: 1",
    ],
)
def test_wrong_settings_are_refused(on, text):
    assert on.refusal(text)


@pytest.mark.parametrize(("point", "channel"), [("bias", 302), ("rail_positive", 303)])
def test_the_meter_goes_to_the_point_and_back(on, point, channel):
    done = on.run(f"kind: test_point, point: {point}, count: 3")
    assert [number for (number,) in done.bench.called("close")] == [channel, 301]
    assert len(done.bench.called("read_dc_v")) == 3
    assert on.demand(f"kind: test_point, point: {point}").routes == {f"meter_{point}"}


def test_the_reading_is_named_after_the_point_with_the_meters_doubt(on):
    bench = on.bench()
    bench.readings.dc_v = 17.6e-3
    found = on.run(STEP, bench).findings()["bias"]
    assert found.value == pytest.approx(17.6e-3)
    doubt = math.hypot(0.03e-3, 5e-5 * 17.6e-3) / math.sqrt(3)
    assert found.standard_uncertainty == pytest.approx(doubt)
    assert "emitter resistor" in on.describe(STEP)


@pytest.mark.parametrize("dc_v", [0.04, -0.04])
def test_beyond_its_stop_the_run_ends_with_the_reading_kept(on, dc_v):
    bench = on.bench()
    bench.readings.dc_v = dc_v
    done = on.run(f"{STEP}, stop_above: 35 mV", bench)
    assert "40 mV at the bias" in str(done.stopped)
    assert done.findings()["bias"].value == pytest.approx(dc_v)
    assert "stops beyond 35 mV" in on.describe(f"{STEP}, stop_above: 35 mV")


def test_within_its_stop_it_goes_on(on):
    bench = on.bench()
    bench.readings.dc_v = 0.03
    assert on.run(f"{STEP}, stop_above: 35 mV", bench).stopped is None
