"""Drivers in front of the simulated bench while it misbehaves on request.

What passes is asked again and comes right; what can't be put right is an error. The kinds of
misbehaviour are those of the bench's DIAGnostic:DISTurb command.
"""

import socket
import time

import numpy as np
import pytest

from drivers.command_map import scpi_map
from drivers.errors import InstrumentError, ReportedError, UnusableAnswer
from drivers.registry import make
from drivers.roles import Role
from drivers.settings import InstrumentSettings, link_settings

ONCE = ("TIMEOUT", "TRUNCATED", "GARBAGE", "DISCONNECT", "LATE")


def say(address, message):
    """One message and its answer on a connection of the test's own, without our driver."""
    _, host, port, _ = address.split("::")
    with socket.create_connection((host, int(port)), 5) as own:
        own.sendall(message.encode() + b"\n")
        return own.makefile("rb").readline().decode().strip()


@pytest.fixture
def disturb(simulated_addresses):
    """Script misbehaviour of one instrument; whatever is still due is taken back at the end."""
    touched = set()

    def script(role, kind, count=1):
        # Through the clock port, whose own answers are not disturbed.
        touched.add(role)
        command = f'DIAG:INST:DIST "{role}",{kind},{count};*OPC?'
        assert say(simulated_addresses["clock"], command) == "1"

    yield script
    for role in touched:
        say(simulated_addresses["clock"], f'DIAG:INST:DIST "{role}",NONE;*OPC?')


@pytest.fixture
def driver(connect, simulated_addresses):
    def build(role, timeout_s=0.4):
        command_map = scpi_map(role)
        settings = InstrumentSettings(
            role=role,
            command_map=command_map,
            ranges_peak_v=(1.0, 3.0, 10.0, 30.0, 100.0),
            sample_rates_hz=(48000.0,),
            channels=2,
        )
        link = connect(
            simulated_addresses[role], link_settings(command_map, timeout_s=timeout_s), role
        )
        made = make(role, "scpi", link, settings)
        made.prepare()
        return made

    return build


@pytest.mark.parametrize("kind", ONCE)
def test_a_reading_disturbed_once_is_taken_again(driver, disturb, kind):
    thermometer = driver(Role.THERMOMETER)
    undisturbed = thermometer.read_celsius()
    disturb(Role.THERMOMETER, kind)
    assert thermometer.read_celsius() == pytest.approx(undisturbed, abs=1.0)


@pytest.mark.parametrize("kind", ONCE)
def test_a_setting_disturbed_once_arrives(driver, disturb, simulated_addresses, kind):
    generator = driver(Role.GENERATOR)
    disturb(Role.GENERATOR, kind)
    generator.set_sine(997.0, 0.125)
    assert float(say(simulated_addresses[Role.GENERATOR], "VOLT?")) == pytest.approx(0.125)
    generator.set_sine(1000.0, 0.0)


@pytest.mark.parametrize("kind", [*ONCE, "WRONGLENGTH"])
def test_a_record_disturbed_once_is_fetched_again(driver, disturb, kind):
    analyser = driver(Role.ANALYSER)
    analyser.set_range(1.0)
    analyser.start(4800, 48000.0)
    undisturbed = analyser.fetch().samples
    disturb(Role.ANALYSER, kind)
    assert np.array_equal(analyser.fetch().samples, undisturbed)


@pytest.mark.parametrize("role", [Role.GENERATOR, Role.MAINS_SWITCH])
@pytest.mark.parametrize("kind", [*ONCE, "ERROR", "STUCKRELAY"])
def test_switching_on_while_disturbed_is_confirmed_or_ends_off(
    driver, disturb, simulated_addresses, exchanges, role, kind
):
    switch = driver(role)
    switch.set_output(False)
    disturb(role, kind)
    before = len(exchanges)
    try:
        switch.set_output(True)
        confirmed = True
    except InstrumentError:
        confirmed = False
    assert say(simulated_addresses[role], "OUTP?") == str(int(confirmed))
    sent = [exchange.command for exchange in exchanges[before:]]
    assert sum("OUTP ON" in command for command in sent) == 1
    assert confirmed is (kind in ONCE)
    switch.set_output(False)
    assert say(simulated_addresses[role], "OUTP?") == "0"


@pytest.mark.parametrize("role", [Role.GENERATOR, Role.MAINS_SWITCH])
@pytest.mark.parametrize("kind", ONCE)
def test_switching_off_while_disturbed_ends_off_and_confirmed(
    driver, disturb, simulated_addresses, role, kind
):
    switch = driver(role)
    switch.set_output(True)
    disturb(role, kind)
    switch.set_output(False)
    assert say(simulated_addresses[role], "OUTP?") == "0"


def test_an_error_in_the_queue_is_reported_with_its_number(driver, disturb):
    thermometer = driver(Role.THERMOMETER)
    disturb(Role.THERMOMETER, "ERROR")
    with pytest.raises(ReportedError) as caught:
        thermometer.read_celsius()
    assert caught.value.code == -310  # SCPI-1999 volume 2, SYSTem:ERRor: "System error"


def test_readings_and_records_that_are_no_numbers_are_refused(driver, disturb):
    dmm, analyser = driver(Role.DMM), driver(Role.ANALYSER)
    disturb(Role.DMM, "NAN")
    with pytest.raises(UnusableAnswer, match="no reading"):
        dmm.read_dc_v()
    disturb(Role.ANALYSER, "NAN")
    analyser.start(4800, 48000.0)
    with pytest.raises(UnusableAnswer, match="not numbers"):
        analyser.fetch()


def test_a_start_that_is_ignored_is_noticed(driver, disturb):
    analyser = driver(Role.ANALYSER)
    analyser.start(4800, 48000.0)
    analyser.fetch()
    disturb(Role.ANALYSER, "STALE")
    with pytest.raises(UnusableAnswer, match="no new record"):
        analyser.start(4800, 48000.0)


def test_a_range_that_is_ignored_is_noticed(driver, disturb):
    analyser = driver(Role.ANALYSER)
    analyser.set_range(1.0)
    disturb(Role.ANALYSER, "WRONGRANGE")
    with pytest.raises(UnusableAnswer, match="read-back differs"):
        analyser.set_range(30.0)


def test_a_relay_that_is_stuck_is_noticed(driver, disturb):
    router = driver(Role.ROUTER)
    router.close(301)
    disturb(Role.ROUTER, "STUCKRELAY")
    with pytest.raises(InstrumentError, match="channel 302 did not close"):
        router.close(302)


def test_an_instrument_that_stays_silent_is_given_up_in_bounded_time(driver, disturb):
    thermometer = driver(Role.THERMOMETER, timeout_s=0.2)
    disturb(Role.THERMOMETER, "TIMEOUT", 1000)
    begun = time.monotonic()
    with pytest.raises(InstrumentError, match="thermometer at TCPIP"):
        thermometer.read_celsius()
    assert time.monotonic() - begun < 2
