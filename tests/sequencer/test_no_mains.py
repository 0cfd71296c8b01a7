"""No voltage, no power or a negative one from mains that should be on proves nothing, and is refused."""

import pytest

from sequencer.events import MadeSafe, Outcome, ReadingTaken
from sequencer.limits import Verdict
from sequencer.unit_data import OFF_W, is_off, is_reversed, suits_mains

ASLEEP = """\
procedure: asleep
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: standby, kind: standby_power, limits: {standby_power: {max: 0.5 W}}}
  - {id: start, kind: power_on}
  - {id: power_off, kind: power_off}
"""
STARTS = """\
procedure: starts
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: start, kind: START}
  - {id: power_off, kind: power_off}
"""


@pytest.mark.parametrize(
    ("watts", "off", "reversed_"),
    # 0.5 W: Commission Regulation (EU) 2023/826. No unit feeds the mains (energy).
    [
        (0.0, True, False),
        (OFF_W, False, False),
        (-0.4, True, False),
        (-OFF_W, False, True),
        (-25.0, False, True),
        (25.0, False, False),
    ],
)
def test_a_power_says_whether_the_unit_is_off_or_the_meter_reversed(watts, off, reversed_):
    assert (is_off(watts), is_reversed(watts)) == (off, reversed_)


@pytest.mark.parametrize(
    ("volts", "suits"),
    # 15 % of 230 V is 34.5 V (EN 50160, from memory).
    [(195.6, True), (195.4, False), (264.4, True), (264.6, False), (0.0, False)],
)
def test_mains_suit_a_unit_within_fifteen_per_cent(volts, suits):
    assert suits_mains(volts, 230.0) is suits


@pytest.mark.parametrize("start", ["power_on", "servo_settling"])
def test_mains_that_show_no_voltage_after_switching_on_stop_the_run(rig, start):
    rig.readings.mains_vrms = 0.0
    rig.procedure_text = STARTS.replace("START", start)
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert "the power meter reads 0 V: look for a blown fuse" in finished.cause
    assert rig.is_safe


@pytest.mark.parametrize(("after_s", "goes_on"), [(1.0, True), (4.0, False)])
def test_a_meter_that_averages_is_given_a_moment_to_show_the_voltage(rig, after_s, goes_on):
    """It reads half of it at first (its mean covers time before; common practice, no source)."""
    switch_on, sleep = rig.mains.set_output, rig.clock.sleep
    came_on_s = []
    rig.readings.mains_vrms = 0.0

    def set_output(on):
        switch_on(on)
        rig.readings.mains_vrms = 115.0 if on else 0.0
        came_on_s.append(rig.clock.time_s)

    def sleep_on(seconds):
        sleep(seconds)
        if rig.mains.is_on and rig.clock.time_s - came_on_s[-1] >= after_s:
            rig.readings.mains_vrms = 230.0

    rig.mains.set_output, rig.clock.sleep = set_output, sleep_on
    rig.procedure_text = STARTS.replace("START", "power_on")
    finished = rig.run()
    assert finished.outcome is (Outcome.PASS if goes_on else Outcome.STOPPED)
    assert ("the mains are at 115 V" in (finished.cause or "")) is not goes_on


@pytest.mark.parametrize("start", ["power_on", "servo_settling"])
def test_a_power_meter_the_wrong_way_round_stops_the_run(rig, start):
    rig.readings.power_w = -25.0
    rig.procedure_text = STARTS.replace("START", start)
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert "its current or voltage leads are the wrong way round" in finished.cause
    assert rig.is_safe


@pytest.mark.parametrize(
    "watts",
    [0.0, 0.02, -0.3],  # a meter's doubt is 0.02 W: IEC 62301, from memory
)
def test_a_standby_power_of_nothing_passes_no_limit(rig, watts):
    rig.readings.power_w = watts
    rig.procedure_text = ASLEEP
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED  # by the step that switches it on and sees the same
    assert "not on" in finished.cause
    reading = rig.all(ReadingTaken)[0].reading
    assert (reading.name, reading.value) == ("standby_power", None)
    assert reading.verdict is Verdict.NO_READING
    assert "can't be told from nothing" in reading.reason
    assert rig.is_safe
    assert not rig.mains.is_standby


def test_mains_without_a_voltage_stop_the_standby_step_too(rig):
    rig.readings.mains_vrms = 0.0
    rig.procedure_text = ASLEEP
    finished = rig.run()
    assert "the power meter reads 0 V" in finished.cause
    assert not rig.mains.is_standby
    actions = {each.action: each.is_confirmed for each in rig.all(MadeSafe)[0].actions}
    assert actions["standby command withdrawn"]
