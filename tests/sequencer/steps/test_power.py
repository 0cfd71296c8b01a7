"""Kinds power_on and power_off: mains the careful way."""

import math

import pytest

from drivers.fakes import Call
from drivers.roles import Role

ON = "kind: power_on, settle: 12 s, dc_stop: 100 mV"


def _order(done) -> list[str]:
    """Names of what energises or connects, in order."""
    names = []
    for entry in done.bench.log:
        if not isinstance(entry, Call):
            continue
        match entry.method, entry.arguments:
            case "set_output", (True,):
                names.append("output on" if "output on" not in names else "mains on")
            case "set_output", (False,):
                names.append("off")
            case "close", (201,):
                names.append("load")
            case "open", (201,):
                names.append("load off")
            case "read_dc_v", _:
                names.append("dc")
            case "wait", (seconds,):
                names.append(f"wait {seconds:g}")
            case _:
                pass
    return names


@pytest.mark.parametrize("text", ["kind: power_on, settle: 10", "kind: power_on, dc_stop: 0 V"])
def test_wrong_settings_are_refused(on, text):
    assert on.refusal(text)


def test_silence_then_mains_then_dc_then_load(on):
    done = on.run(ON)
    order = _order(done)
    assert order[:4] == ["output on", "load off", "mains on", "wait 12"]
    assert order[4:9] == ["dc"] * 5
    assert order[9] == "load"
    assert max(done.bench.levels()) == 0.0


def test_the_analyser_stands_on_its_highest_range_when_mains_comes_on(on):
    done = on.run(ON)
    for entry, _, peak in done.bench.states():
        if isinstance(entry, Call) and entry.method in ("set_output", "close"):
            assert peak == 100.0
    assert "mains rest" in done.bench.log


@pytest.mark.parametrize("dc_v", [0.11, -0.11])
def test_a_dc_beyond_the_stop_keeps_the_load_off(on, dc_v):
    bench = on.bench()
    bench.readings.dc_v = dc_v
    done = on.run(ON, bench)
    assert "the load stays off" in done.stopped
    assert "load" not in _order(done)
    assert done.findings()["dc_offset"].value == pytest.approx(dc_v)


def test_readings_are_the_meters_with_their_accuracy(on):
    bench = on.bench()
    bench.readings.power_w, bench.readings.mains_vrms, bench.readings.dc_v = 25.0, 231.0, 5e-3
    found = on.run(ON, bench).findings()
    root3 = math.sqrt(3)
    assert found["mains_power"].value == 25.0
    assert found["mains_power"].standard_uncertainty == pytest.approx(25 * 5e-3 / root3)
    assert found["mains_voltage"].standard_uncertainty == pytest.approx(231 * 2e-3 / root3)
    assert found["dc_offset"].value == pytest.approx(5e-3)
    doubt = math.hypot(0.03e-3, 5e-5 * 5e-3) / root3
    assert found["dc_offset"].standard_uncertainty == pytest.approx(doubt)


@pytest.mark.parametrize(
    ("watts", "words", "value"),
    [
        (-25.0, "the wrong way round", None),
        (0.0, "so it is not on", 0.0),
        (-0.3, "so it is not on", -0.3),  # a meter's offset
    ],
)
def test_nothing_or_less_from_the_mains_ends_the_step(on, watts, words, value):
    bench = on.bench()
    bench.readings.power_w = watts
    done = on.run(ON, bench)
    assert words in done.stopped
    assert done.findings()["mains_power"].value == value


def test_without_power_meter_and_router_it_does_what_it_can(on):
    bench = on.bench(without=(Role.POWER_METER, Role.ROUTER))
    done = on.run(ON, bench)
    assert done.stopped is None
    assert [capture.name for capture in done.captures] == ["dc"]
    assert not bench.called("close")
    assert bench.done_by_hand == ["load off", "load on"]


def test_it_demands_what_it_can_not_do_without_and_tells_the_rest(on):
    demand = on.demand(ON)
    assert demand.roles == {Role.GENERATOR, Role.ANALYSER, Role.DMM}
    assert Role.POWER_METER in demand.helpful_roles
    assert demand.duration_s >= 12
    assert "stops if the DC at the output exceeds 100 mV" in on.describe(ON)


def test_power_off_goes_to_zero_on_the_highest_range_before_the_mains(on):
    done = on.run("kind: power_off, rest: 60 s")
    names = [entry.method for entry in done.bench.log if isinstance(entry, Call)]
    assert names.index("set_range") < names.index("set_level") < names.index("set_output")
    assert done.bench.called("set_level") == [(0.0,)]
    assert done.bench.called("set_output") == [(False,)]
    assert done.bench.called("wait") == [(60.0,)]
    assert done.findings() == {}
    assert "rests for 60 s" in on.describe("kind: power_off, rest: 60 s")
