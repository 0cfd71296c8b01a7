"""Settling beside what is no course: pulses, clicks, drifts, steps and tones, against closed form."""

import numpy as np
import pytest

from sequencer.analysis.settling import analyse_settling

RATE_HZ = 8000.0
WITHIN_V = 10e-3
EVENT_S = 1.0
TAU_S = 0.3
END_V = 0.4e-3
SETTLED_S = TAU_S * np.log(0.12 / 9.6e-3)  # 120.4 mV towards 0.4 mV, to 10 mV


def decay(time):
    return END_V + 0.12 * np.exp(-time / TAU_S)


def record(
    course=decay, *, duration_s=8.0, rate_hz=RATE_HZ, noise_v=3e-4, hum_v=0.0, seed=0, pulses=()
):
    """A course from 1 s on; pulses (start after that, length, height), noise a sample, hum."""
    time = np.arange(int((EVENT_S + duration_s) * rate_hz)) / rate_hz - EVENT_S
    volts = np.where(time >= -1e-9, course(np.maximum(time, 0.0)), 0.0)
    for at_s, length_s, height_v in pulses:
        volts[(time >= at_s) & (time < at_s + length_s)] += height_v
    volts += noise_v * np.random.default_rng(seed).standard_normal(time.size)
    return volts + hum_v * np.cos(2 * np.pi * 49.93 * time + 1.0)


def settle(volts, rate_hz=RATE_HZ, **options):
    return analyse_settling(volts, rate_hz, within_v=options.pop("within_v", WITHIN_V), **options)


def off(estimate, truth):
    """How far an estimate lies off the truth, in standard uncertainties."""
    return abs(estimate.value - truth) / estimate.standard_uncertainty


@pytest.mark.parametrize("hum_v", [0.0, 20e-3])
@pytest.mark.parametrize("height_v", [-0.1, 0.03, 1.0])
@pytest.mark.parametrize("length_s", [0.012, 0.02, 0.03, 0.05])
@pytest.mark.parametrize("at_s", [3.0, 5.987])
def test_a_pulse_after_it_had_settled_counts(length_s, height_v, hum_v, at_s):
    # settled is what stays inside: the last exit's end is that of the pulse
    result = settle(record(pulses=[(at_s, length_s, height_v)], hum_v=hum_v))
    assert result.event_s == pytest.approx(EVENT_S, abs=1e-3)
    assert result.is_settled
    assert off(result.settling_time_s, at_s + length_s) < 2.0
    assert result.settling_time_s.standard_uncertainty < 2e-3
    (pulse,) = result.excursions
    assert not pulse.is_click
    assert pulse.start_s - EVENT_S == pytest.approx(at_s, abs=2e-3)
    assert pulse.peak_v == pytest.approx(height_v, abs=3e-3)
    assert off(result.time_constant_s, TAU_S) < 3.0
    assert off(result.final_value_v, END_V) < 3.0


@pytest.mark.parametrize("height_v", [-0.1, 0.03, 1.0])
@pytest.mark.parametrize("length_s", [0.08, 0.09, 0.1])
@pytest.mark.parametrize("at_s", [3.0, 5.987])
def test_a_pulse_of_many_points_counts_by_points_or_samples(length_s, height_v, at_s):
    result = settle(record(pulses=[(at_s, length_s, height_v)]), event_s=EVENT_S)
    assert off(result.settling_time_s, at_s + length_s) < 2.0
    assert result.settling_time_s.standard_uncertainty < 0.03


@pytest.mark.parametrize("length_s", [1 / RATE_HZ, 1e-3, 5e-3])
def test_a_click_is_left_out_but_told(length_s):
    result = settle(record(pulses=[(3.0, length_s, 1.0), (6.0, length_s, -0.5)]))
    assert off(result.settling_time_s, SETTLED_S) < 3.0
    assert [click.is_click for click in result.excursions] == [True, True]
    assert [click.peak_v for click in result.excursions] == pytest.approx([1.0, -0.5], abs=3e-3)


@pytest.mark.parametrize("readings", [1, 2])
def test_one_wild_reading_of_a_slow_meter_is_a_click_two_are_not(readings):
    volts = record(pulses=[(5.0, readings / 10.0 - 0.01, 0.5)], rate_hz=10.0, noise_v=3e-5)
    result = settle(volts, rate_hz=10.0, event_s=EVENT_S)
    (found,) = result.excursions
    assert found.is_click == (readings == 1)
    truth_s = SETTLED_S if readings == 1 else 5.2
    assert result.settling_time_s.value == pytest.approx(truth_s, abs=0.11)


def test_a_pulse_that_the_record_ends_with_leaves_no_time():
    result = settle(record(pulses=[(7.975, 0.1, 0.1)]))
    assert result.settling_time_s.value is None
    assert not result.is_settled


@pytest.mark.parametrize("height_v", [0.02, 0.1])
def test_a_click_or_pulse_before_it_has_settled_moves_no_time(height_v):
    result = settle(record(pulses=[(0.4, 0.02, height_v)]))
    assert off(result.settling_time_s, SETTLED_S) < 3.0
    assert result.excursions == ()


@pytest.mark.parametrize("length_s", [0.03, 0.1, 0.2])
@pytest.mark.parametrize("at_s", [3.0, 7.85])
def test_a_pulse_larger_than_the_step_is_not_the_event(at_s, length_s):
    result = settle(record(pulses=[(at_s, length_s, 1.0)]))
    assert result.event_s == pytest.approx(EVENT_S, abs=1e-3)
