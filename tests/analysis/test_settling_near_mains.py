"""Ringing beside the mains frequency and its harmonics, against hum that is there as well."""

import numpy as np
import pytest

from sequencer.analysis.settling import analyse_settling

RATE_HZ = 8000.0
SETTLED_S = 1.2 * np.log(0.12 / 9.6e-3)  # 120.4 mV towards 0.4 mV, tau 1.2 s, to 10 mV


def decaying_v(time):
    return 0.4e-3 + 0.12 * np.exp(-time / 1.2)


def settle(course, hum, *, duration_s=8.0, mains_hz=50.0):
    """What follows an event at 0.5 s, and what is there all the time."""
    time = np.arange(int((0.5 + duration_s) * RATE_HZ)) / RATE_HZ
    after = np.maximum(time - 0.5, 0.0)
    volts = np.where(time >= 0.5, course(after), 0.0) + hum(time)
    volts += 1e-3 * np.random.default_rng(4).standard_normal(time.size)
    return analyse_settling(volts, RATE_HZ, within_v=10e-3, event_s=0.5, mains_hz=mains_hz)


def steady_hum(time):
    """20 mV and two harmonics, of 49.93 Hz."""
    turned = 2 * np.pi * 49.93 * time
    return 20e-3 * np.cos(turned) + 5e-3 * np.cos(2 * turned + 1) + 5e-3 * np.cos(3 * turned + 2)


def no_hum(time):
    return np.zeros_like(time)


def ring_v(time, frequency_hz, tau_s, amplitude_v):
    return amplitude_v * np.exp(-time / tau_s) * np.cos(2 * np.pi * frequency_hz * time + 0.7)


@pytest.mark.parametrize("hum", [no_hum, steady_hum])
@pytest.mark.parametrize("off_hz", [-3.0, -1.5, -0.5, -0.05, 0.3, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("harmonic", [1, 2, 3])
def test_a_ring_near_the_mains_that_still_swings_gives_no_time(harmonic, off_hz, hum):
    # 60 mV exp(-3.03 s/1.5 s) is 8 mV where the decay comes to 10 mV
    at_hz = 50.0 * harmonic + off_hz
    result = settle(lambda t: decaying_v(t) + ring_v(t, at_hz, 1.5, 60e-3), hum)
    assert result.settling_time_s.value is None
    assert not result.is_settled
    assert result.too_fast_hz == pytest.approx(at_hz, abs=0.1)
    assert not result.is_too_fast_late
    # 0.15 Hz a harmonic and two widths of the ring are what hum and its change may take
    if abs(off_hz) > 1.2 * harmonic:
        assert not result.may_be_hum
    if abs(off_hz) < 0.1:
        assert result.may_be_hum


@pytest.mark.parametrize("hum", [no_hum, steady_hum])
@pytest.mark.parametrize("at_hz", [49.7, 50.2, 99.6, 150.3])
def test_a_ring_near_the_mains_that_is_over_leaves_the_time(at_hz, hum):
    result = settle(lambda t: decaying_v(t) + ring_v(t, at_hz, 0.3, 60e-3), hum)
    time = result.settling_time_s
    assert result.too_fast_hz is None
    assert abs(time.value - SETTLED_S) < 3.0 * time.standard_uncertainty
    assert time.standard_uncertainty < 5e-3


def test_what_is_left_of_a_ring_counts_as_doubt():
    # 0.7 mV of 150.4 Hz are left where the decay comes to the edge of the band with 8 mV/s
    result = settle(
        lambda t: decaying_v(t) + ring_v(t, 150.4, 0.6, 0.7e-3 * np.exp(SETTLED_S / 0.6)), no_hum
    )
    time = result.settling_time_s
    assert abs(time.value - SETTLED_S) < 0.7e-3 / 8e-3
    assert time.standard_uncertainty == pytest.approx(0.7e-3 / 8e-3, rel=0.1)


@pytest.mark.parametrize("tau_s", [1.0, 1.5])
@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_that_still_changes_may_be_ringing(mains_hz, tau_s):
    hum_hz = 1.002 * mains_hz
    result = settle(
        lambda t: decaying_v(t) + ring_v(t, hum_hz, tau_s, 50e-3),
        lambda t: 5e-3 * np.cos(2 * np.pi * hum_hz * t + 0.7),
        mains_hz=mains_hz,
    )
    assert result.settling_time_s.value is None
    assert result.may_be_hum


@pytest.mark.parametrize("drift_hz_per_s", [-0.02, 0.005, 0.02])
def test_hum_of_a_mains_frequency_that_drifts_is_no_ringing(drift_hz_per_s):
    # a mains frequency moves by some 10 mHz a second at most (common practice, no source)
    def hum(time):
        return 20e-3 * np.cos(2 * np.pi * (49.97 * time + drift_hz_per_s / 2 * time**2))

    result = settle(decaying_v, hum)
    time = result.settling_time_s
    assert result.too_fast_hz is None
    assert abs(time.value - SETTLED_S) < 3.0 * time.standard_uncertainty + 1e-3
    assert time.standard_uncertainty < 5e-3


@pytest.mark.parametrize("jump_v", [-60e-3, -30e-3, 25e-3, 40e-3])
@pytest.mark.parametrize("hum_hz", [49.87, 50.0, 50.13])
@pytest.mark.parametrize("noise_v", [3e-4, 1.2e-2])
def test_the_event_is_found_beside_hum_as_large_or_doubted(jump_v, hum_hz, noise_v):
    time = np.arange(int(5.0 * RATE_HZ)) / RATE_HZ
    after = np.maximum(time - 0.7, 0.0)
    volts = np.where(time >= 0.7, jump_v * np.exp(-after / 0.9), 0.0)
    volts += 15e-3 * np.cos(2 * np.pi * hum_hz * time + 0.4)
    volts += noise_v * np.random.default_rng(6).standard_normal(time.size)
    result = analyse_settling(volts, RATE_HZ, within_v=10e-3)
    assert result.is_event_found
    assert abs(result.event_s - 0.7) < 3.0 * result.event_doubt_s + 2.0 / RATE_HZ
    assert result.event_doubt_s <= 0.04
    if noise_v < 1e-3:
        assert result.event_doubt_s < 1e-3
    assert result.settling_time_s.standard_uncertainty >= result.event_doubt_s
