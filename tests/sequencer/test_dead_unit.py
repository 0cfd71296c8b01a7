"""A unit that is off, or on the wrong mains, passes nothing."""

import pytest

from drivers.roles import Role
from sequencer.events import Energising, Outcome, ReadingTaken, RunStarted

LISTENS = """\
procedure: listens
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - {id: start, kind: START}
  - {id: offset, kind: dc_offset, limits: {dc_offset: {within: 20 mV}}}
  - {id: power_off, kind: power_off}
"""


@pytest.mark.parametrize("start", ["power_on", "servo_settling"])
def test_a_unit_that_draws_nothing_stops_the_run(rig, start):
    # 0.5 W is what a unit in standby may draw: Commission Regulation (EU) 2023/826, Annex III.
    rig.readings.power_w = 0.3
    rig.procedure_text = LISTENS.replace("START", start)
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert "draws 300 mW from the mains, so it is not on" in finished.cause
    assert "offset" not in {event.step for event in rig.all(ReadingTaken)}
    assert rig.is_safe


@pytest.mark.parametrize(
    ("mains_v", "asked", "goes_on"),
    # EN 50160: 10 % above to 15 % below the nominal voltage, from memory.
    [
        (230.0, "120 V", False),
        (120.0, "230 V", False),
        (100.0, "120 V", False),
        (197.0, "230 V", True),
        (253.0, "230 V", True),
        (230.0, "240 V", True),
        (24.0, "24 V", True),  # from a transformer
    ],
)
def test_mains_of_another_voltage_are_not_switched_on(rig, mains_v, asked, goes_on):
    rig.readings.mains_vrms = mains_v
    rig.procedure_text = rig.procedure_text.replace(
        "gain: 29 dB}", f"gain: 29 dB, mains_voltage: {asked}}}"
    )
    finished = rig.run()
    assert finished.outcome is (Outcome.PASS if goes_on else Outcome.STOPPED)
    energised = [event.what for event in rig.all(Energising)]
    assert ("mains_switch: OUTP ON" in energised) is goes_on
    if not goes_on:
        assert f"at {mains_v:.0f} V, but the unit is one for {asked}" in finished.cause


def test_a_meter_behind_the_switch_shows_the_voltage_when_it_is_on(rig):
    switch_on = rig.mains.set_output
    rig.readings.mains_vrms = 0.0

    def set_output(on):
        rig.readings.mains_vrms = 230.0 if on else 0.0
        switch_on(on)

    rig.mains.set_output = set_output
    rig.procedure_text = rig.procedure_text.replace(
        "gain: 29 dB}", "gain: 29 dB, mains_voltage: 120 V}"
    )
    finished = rig.run()
    assert "the mains are at 230 V" in finished.cause
    assert "settle" not in finished.cause
    assert rig.is_safe


TONE = "{id: tone, kind: tone, level: 1 W}"
LOOP = "{id: loop, kind: connect, analyser: loop}"
OUTPUT = "{id: output, kind: connect, analyser: output}"


@pytest.mark.parametrize(
    ("has_meter", "starts", "more", "is_shown"),
    [
        (False, True, (), False),
        (False, True, (TONE,), True),
        (True, True, (), False),  # what it draws may be its own standby
        (True, False, (), False),
        (False, True, (LOOP, TONE, OUTPUT), False),
        (False, True, (LOOP, OUTPUT, TONE), True),
        # One channel recorded: the step that would drive the unit is left out.
        (False, True, ("{id: chirp, kind: exponential_sweep, level: 1 W}",), False),
    ],
)
def test_a_run_in_which_nothing_shows_the_unit_on_says_so(rig, has_meter, starts, more, is_shown):
    if not has_meter:
        lines = rig.bench_text.splitlines(keepends=True)
        rig.bench_text = "".join(line for line in lines if "power_meter" not in line)
        rig.left_out_roles = (Role.POWER_METER,)
    text = LISTENS.replace("START", "power_on")
    if not starts:
        text = text.replace("  - {id: start, kind: power_on}\n", "")
    rig.procedure_text = text.replace(
        "  - {id: power_off", "".join(f"  - {each}\n" for each in more) + "  - {id: power_off"
    )
    rig.bench_text = rig.bench_text.replace("channels: 2", "channels: 1")
    rig.operator.says = ""  # Enter: the analyser is connected as asked
    rig.run()
    started = rig.all(RunStarted)[0]
    assert started.is_unit_shown is is_shown
    told = any("nothing in this run shows that it is on" in each for each in started.remarks)
    assert told is not is_shown
