"""The fakes do what the roles promise, remember it, and fail when they are told to."""

import math

import numpy as np
import pytest

from drivers.errors import InstrumentTimeout
from drivers.fakes import (
    Call,
    FakeAnalyser,
    FakeDmm,
    FakeGenerator,
    FakeMainsSwitch,
    FakePowerMeter,
    FakeReadings,
    FakeRouter,
    FakeThermometer,
)


def test_the_order_of_calls_across_instruments_can_be_seen_in_one_list():
    calls: list[Call] = []
    generator, mains = FakeGenerator(calls=calls), FakeMainsSwitch(calls=calls)
    generator.set_output(False)
    mains.set_output(False)
    assert calls == [Call(method="set_output", arguments=(False,))] * 2
    assert mains.called("set_output") == [(False,), (False,)]


def test_a_fake_fails_as_often_as_it_is_told_to():
    dmm = FakeDmm(FakeReadings(dc_v=0.01))
    dmm.fail("read_dc_v", InstrumentTimeout("dmm", "nowhere", "READ?", 2.0), None)
    with pytest.raises(InstrumentTimeout):
        dmm.read_dc_v()
    assert (dmm.read_dc_v(), dmm.read_dc_v()) == (0.01, 0.01)


def test_a_failed_switch_does_not_move():
    mains = FakeMainsSwitch()
    mains.fail("set_output", KeyboardInterrupt())
    with pytest.raises(KeyboardInterrupt):
        mains.set_output(True)
    assert mains.is_on is False


def test_the_generator_shows_what_is_set():
    generator = FakeGenerator()
    generator.set_two_tone(60.0, 0.4, 7000.0, 0.1)
    generator.set_level(2 * math.hypot(0.4, 0.1))
    assert generator.signal.levels_vrms == pytest.approx((0.8, 0.2))
    generator.set_sine(1000.0, 0.0, offset_v=0.01)
    assert (generator.signal.kind, generator.signal.offset_v) == ("sine", 0.01)
    assert generator.is_output_on() is False
    assert math.isinf(generator.assumed_load_ohm())


def test_the_analyser_clips_at_its_range_and_says_so():
    moved: list[float] = []
    analyser = FakeAnalyser(
        lambda samples, rate: np.full((2, samples), 2.0), on_record=moved.append
    )
    assert analyser.set_range(1.5) == 3.0
    analyser.start(480, 48000.0)
    assert analyser.fetch(channels=2).samples.shape == (2, 480)
    assert moved == [0.01]
    analyser.set_range(1.0)
    analyser.start(480, 48000.0)
    clipped = analyser.fetch()
    assert clipped.is_overrange is True
    assert clipped.samples.max() == 1.0
    with pytest.raises(ValueError, match="no range holds it"):
        analyser.set_range(101.0)


def test_relays_of_a_group_exclude_each_other():
    router = FakeRouter(closed=[101, 301], exclusive=[[301, 302], [101, 102]])
    router.close(302)
    assert router.closed == {101, 302}
    router.open(302)
    assert router.is_closed(302) is False


def test_meters_share_readings_that_may_change():
    readings = FakeReadings()
    thermometer, meter = FakeThermometer(readings), FakePowerMeter(readings)
    readings.celsius, readings.power_w = 60.0, 12.0
    assert (thermometer.read_celsius(), meter.read_power_w()) == (60.0, 12.0)
    assert meter.read_voltage_vrms() == 230.0
    assert meter.prepare().model == "Fake power_meter"
