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


@pytest.mark.parametrize("height_v", [-0.3, 0.1, 1.0])
@pytest.mark.parametrize("length_s", [0.15, 0.17, 0.2, 0.3])
def test_a_long_pulse_that_no_course_describes_is_not_taken_for_a_drift(length_s, height_v):
    result = settle(record(pulses=[(3.0, length_s, height_v)]), event_s=EVENT_S)
    assert not result.is_drifting
    assert not result.is_end_open
    assert off(result.settling_time_s, 3.0 + length_s) < 2.0
    assert off(result.final_value_v, END_V) < 3.0


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


@pytest.mark.parametrize("hum_v", [0.0, 20e-3])
@pytest.mark.parametrize(
    ("length_s", "height_v"), [(1.5 / RATE_HZ, 0.05), (2e-3, -0.05), (5e-3, 0.5)]
)
@pytest.mark.parametrize("at_s", [0.2, 0.4, 0.65])
def test_a_click_in_the_decay_is_left_out_but_told(at_s, length_s, height_v, hum_v):
    # exact synthetic truth; a bent course had doubts up to a hundred times as wide
    options = {"noise_v": 1e-4, "hum_v": hum_v}
    clean = settle(record(**options), event_s=EVENT_S)
    result = settle(record(pulses=[(at_s, length_s, height_v)], **options), event_s=EVENT_S)
    assert off(result.time_constant_s, TAU_S) < 3.0
    assert off(result.settling_time_s, SETTLED_S) < 3.0
    usual_s = clean.time_constant_s.standard_uncertainty
    assert result.time_constant_s.standard_uncertainty < 1.5 * usual_s
    assert clean.left_out == result.excursions == ()
    (click,) = result.left_out
    assert click.is_click
    assert click.start_s - EVENT_S == pytest.approx(at_s, abs=2e-3)
    assert click.peak_v == pytest.approx(height_v, abs=1e-3)


def test_clicks_on_a_ring_or_with_no_time_are_told_too():
    clicks = [(0.3, 1e-3, 0.05), (0.6, 1e-3, -0.1)]

    def rings(time):
        return 0.12 * np.exp(-time / TAU_S) * np.cos(2 * np.pi * 4.0 * time)

    ring = record(rings, noise_v=1e-4, pulses=clicks)
    result = settle(ring, event_s=EVENT_S)
    assert [each.peak_v for each in result.left_out] == pytest.approx([0.05, -0.1], abs=1e-3)
    never = settle(record(noise_v=1e-4, pulses=clicks), event_s=EVENT_S, around_v=0.2)
    assert not never.is_settled
    assert [each.peak_v for each in never.left_out] == pytest.approx([0.05, -0.1], abs=1e-3)


@pytest.mark.parametrize("height_v", [0.02, 0.1])
def test_a_click_or_pulse_before_it_has_settled_moves_no_time(height_v):
    result = settle(record(pulses=[(0.4, 0.02, height_v)]))
    assert off(result.settling_time_s, SETTLED_S) < 3.0
    assert result.excursions == ()
    (pulse,) = result.left_out
    assert not pulse.is_click
    assert pulse.peak_v == pytest.approx(height_v, abs=2e-3)


@pytest.mark.parametrize("length_s", [0.03, 0.1, 0.2])
@pytest.mark.parametrize("at_s", [3.0, 7.85])
def test_a_pulse_larger_than_the_step_is_not_the_event(at_s, length_s):
    result = settle(record(pulses=[(at_s, length_s, 1.0)]))
    assert result.event_s == pytest.approx(EVENT_S, abs=1e-3)


def quiet_noise_v(rate_hz):
    """Noise a sample that leaves 0.03 mV to a point."""
    return 3e-5 * np.sqrt(rate_hz / 50.0 * 2.0)


@pytest.mark.parametrize("rate_hz", [1000.0, 8000.0])
@pytest.mark.parametrize("slope", [-1e-4, 2e-5, 5e-4])
def test_a_drift_beside_a_decay_is_told_and_moves_nothing(slope, rate_hz):
    def course(time):
        return decay(time) + slope * time

    time = np.linspace(0.0, 8.0, 800_001)
    settled_s = time[np.flatnonzero(np.abs(course(time)) > WITHIN_V)[-1]]
    for seed in range(4):
        volts = record(course, rate_hz=rate_hz, noise_v=quiet_noise_v(rate_hz), seed=seed)
        result = settle(volts, rate_hz, event_s=EVENT_S)
        assert result.is_drifting
        assert off(result.slope_v_per_s, slope) < 3.0
        assert off(result.time_constant_s, TAU_S) < 3.0
        assert off(result.final_value_v, course(8.0)) < 3.0
        assert off(result.settling_time_s, settled_s) < 3.0
        assert result.time_constant_s.standard_uncertainty < 1e-3


@pytest.mark.parametrize("rate_hz", [1000.0, 8000.0])
@pytest.mark.parametrize("step_v", [-2e-3, 1e-3, 5e-3])
@pytest.mark.parametrize("at_s", [3.0, 6.007])
def test_a_step_inside_the_band_is_told_and_moves_nothing(step_v, at_s, rate_hz):
    def course(time):
        return decay(time) + step_v * (time > at_s)

    far = []
    for seed in range(6):
        volts = record(course, rate_hz=rate_hz, noise_v=quiet_noise_v(rate_hz), seed=seed)
        result = settle(volts, rate_hz, event_s=EVENT_S)
        assert not result.is_drifting
        far += [
            off(result.settling_time_s, SETTLED_S),
            off(result.time_constant_s, TAU_S),
            off(result.final_value_v, END_V + step_v),
            off(result.step_v, step_v),
            off(result.step_s, at_s),
        ]
    assert np.mean(np.array(far) < 2.0) > 0.83  # 95 % of 30, less three standard deviations


@pytest.mark.parametrize("rate_hz", [10.0, 1000.0, 8000.0])
def test_a_step_into_the_band_is_when_it_has_settled(rate_hz):
    def course(time):
        return decay(time) + 12e-3 * (time < 4.0)

    volts = record(course, rate_hz=rate_hz, noise_v=1e-4)
    result = settle(volts, rate_hz, event_s=EVENT_S)
    assert result.is_settled
    assert off(result.settling_time_s, 4.0) < 3.0
    assert result.settling_time_s.standard_uncertainty < 0.04


@pytest.mark.parametrize("rate_hz", [1000.0, 8000.0])
def test_a_decay_alone_neither_drifts_nor_steps(rate_hz):
    for seed in range(20):
        volts = record(rate_hz=rate_hz, noise_v=1e-3, seed=seed, hum_v=5e-3)
        result = settle(volts, rate_hz, event_s=EVENT_S)
        assert not result.is_drifting
        assert result.step_s is None


@pytest.mark.parametrize("amplitude_v", [5e-3, 0.1])
@pytest.mark.parametrize("tone_hz", [61.7, 130.0, 333.0, 440.0, 997.0, 2501.0])
def test_a_steady_tone_makes_no_ring_and_moves_nothing(tone_hz, amplitude_v):
    # 997 Hz look like 3 Hz in points 20 ms apart, 333 Hz like 67 Hz in means over 2.5 ms
    volts = record()
    volts += amplitude_v * np.sin(2 * np.pi * tone_hz * np.arange(volts.size) / RATE_HZ + 0.3)
    result = settle(volts)
    assert off(result.final_value_v, END_V) < 3.0
    (tone,) = result.steady_tones
    assert tone.frequency_hz == pytest.approx(tone_hz, abs=1e-3)
    assert tone.amplitude_v == pytest.approx(amplitude_v, rel=0.01)
    if tone_hz < 180.0 and amplitude_v > WITHIN_V:  # as fast as it may be an amplifier's ringing
        assert result.too_fast_hz == pytest.approx(tone_hz, abs=1e-3)
        return
    assert not result.is_oscillating
    assert result.is_settled
    assert off(result.settling_time_s, SETTLED_S) < 3.0
    assert off(result.time_constant_s, TAU_S) < 3.0


@pytest.mark.parametrize("tone_hz", [333.0, 440.0, 997.0])
def test_a_tone_and_a_decay_in_16_bits_without_noise_are_as_known_as_stated(tone_hz):
    volts = record(noise_v=0.0)
    volts += 0.1 * np.sin(2 * np.pi * tone_hz * np.arange(volts.size) / RATE_HZ + 0.3)
    result = settle(np.round(volts * 2**15) / 2**15, event_s=EVENT_S)
    assert off(result.settling_time_s, SETTLED_S) < 3.0
    assert off(result.time_constant_s, TAU_S) < 3.0
    assert off(result.final_value_v, END_V) < 3.0


@pytest.mark.parametrize("noise_v", [1e-4, 1e-3])
@pytest.mark.parametrize("early_s", [0.2, 0.5, 0.9])
def test_a_moment_given_before_the_voltage_moves_is_only_where_times_are_counted_from(
    early_s, noise_v
):
    result = settle(record(noise_v=noise_v), event_s=EVENT_S - early_s)
    assert result.begins_s == pytest.approx(early_s, abs=1e-3)
    assert result.event_s == EVENT_S - early_s
    assert not result.is_oscillating
    assert off(result.settling_time_s, SETTLED_S + early_s) < 3.0
    assert off(result.time_constant_s, TAU_S) < 3.0
    assert off(result.final_value_v, END_V) < 3.0
    assert settle(record(noise_v=noise_v), event_s=EVENT_S).begins_s == 0.0


def test_a_ring_after_a_moment_given_too_early_has_its_amplitude_where_it_begins():
    volts = record(
        lambda t: END_V + 0.2 * np.exp(-t / 0.5) * np.cos(2 * np.pi * 3.0 * t), noise_v=1e-4
    )
    result = settle(volts, event_s=EVENT_S - 0.5)
    assert off(result.ring_amplitude_v, 0.2) < 3.0
    assert off(result.ring_time_constant_s, 0.5) < 3.0


@pytest.mark.parametrize("end_v", [END_V, 17e-3])
def test_a_band_finer_than_the_doubt_of_the_end_takes_neither_time_constant_nor_verdict(end_v):
    volts = record(lambda t: end_v + 0.12 * np.exp(-t / TAU_S))
    result = settle(volts, event_s=EVENT_S, within_v=1e-6)
    assert off(result.time_constant_s, TAU_S) < 3.0
    assert off(result.final_value_v, end_v) < 3.0
    assert result.settling_time_s.value is None
    assert not result.is_drifting  # it is at rest, plainly outside
    assert not result.is_end_open


def test_a_voltage_that_rests_outside_and_jumps_inside_settles_with_the_jump():
    volts = record(lambda time: np.where(time < 2.0, 1.0, END_V))
    result = settle(volts, event_s=EVENT_S)
    assert result.is_settled
    assert off(result.settling_time_s, 2.0) < 2.0
    assert result.begins_s == pytest.approx(2.0, abs=1e-3)


@pytest.mark.parametrize("amplitude_v", [0.05, 0.5])
@pytest.mark.parametrize("after_s", [1.0, 3.0])
def test_a_tone_that_begins_later_is_not_taken_off_from_before_it(after_s, amplitude_v):
    # beyond the band nothing has settled while it sounds
    volts = record()
    time = np.arange(volts.size) / RATE_HZ - EVENT_S
    volts += np.where(time > after_s, amplitude_v * np.cos(2 * np.pi * 997.0 * time), 0.0)
    result = settle(volts, event_s=EVENT_S)
    assert result.settling_time_s.value is None
    assert result.too_fast_hz == pytest.approx(997.0, abs=0.1)
    assert result.is_too_fast_late
    assert result.steady_tones == ()


@pytest.mark.parametrize("amplitude_v", [0.002, 0.005, 0.009])
def test_a_tone_inside_the_band_that_begins_later_is_not_said_to_ring(amplitude_v):
    # 70 Hz look like 20 Hz in points 20 ms apart
    time = np.arange(32000) / 8000.0
    volts = 0.3 * np.exp(-time / 0.4) + np.random.default_rng(1).normal(0.0, 2e-4, time.size)
    volts += np.where(time >= 2.0, amplitude_v * np.cos(2 * np.pi * 70.0 * time), 0.0)
    result = settle(volts, 8000.0, event_s=0.0)
    assert result.settling_time_s.value is None
    assert result.is_too_fast_late


def test_a_late_pulse_counts_or_is_not_said_to_ring():
    time = np.arange(32000) / 8000.0
    said = 0
    for seed, (height_v, length_s, at_s) in enumerate(
        [(0.02, 0.12, 3.6), (0.05, 0.03, 3.0), (0.2, 0.03, 3.6), (0.2, 0.12, 3.6)] * 3
    ):
        pulse = np.where((time >= at_s) & (time < at_s + length_s), height_v, 0.0)
        noise = np.random.default_rng(seed).normal(0.0, 2e-4, time.size)
        result = settle(0.3 * np.exp(-time / 0.4) + pulse + noise, 8000.0, event_s=0.0)
        settled = result.settling_time_s
        if result.too_fast_hz is not None:
            assert result.is_too_fast_late
            said += 1
        elif settled.value is not None:
            assert abs(settled.value - at_s - length_s) < 3.0 * settled.standard_uncertainty
    assert said


@pytest.mark.parametrize("gap_s", [0.1, 0.15])
def test_two_clicks_are_no_pulse(gap_s):
    pulses = [(3.0, 6e-3, 0.3), (3.0 + gap_s, 6e-3, 0.3)]
    result = settle(record(pulses=pulses), event_s=EVENT_S)
    assert off(result.settling_time_s, SETTLED_S) < 2.5
    assert [excursion.is_click for excursion in result.excursions] == [True, True]


def test_the_range_is_known_too_where_the_voltage_moves_late():
    # tops at half the range: clipped before the converter, which a known range tells
    volts = record(lambda time: np.where(time < 2.0, 0.0, np.minimum(1.0, 2.0 - time / 2.0)))
    at_once = settle(volts, event_s=EVENT_S + 2.0, range_peak_v=10.0)
    late = settle(volts, event_s=EVENT_S, range_peak_v=10.0)
    assert late.is_settled == at_once.is_settled
    assert late.begins_s == pytest.approx(2.0, abs=1e-3)


@pytest.mark.parametrize("before_end_s", [0.01, 0.03, 0.3])
def test_a_jump_near_the_end_is_no_late_begin(before_end_s):
    volts = record(lambda time: np.where(time < 8.0 - before_end_s, 0.0, 1.0))
    result = settle(volts, event_s=EVENT_S)
    assert result.begins_s == 0.0
    assert not result.is_settled


def test_each_late_begin_counts_from_the_moment_given():
    def stairs(time):
        return np.where(time < 1.0, 1.0, np.where(time < 3.0, 0.5, decay(time - 3.0) + 0.2))

    result = settle(record(stairs), event_s=EVENT_S, around_v=0.2)
    assert result.begins_s == pytest.approx(3.0, abs=2e-3)
    assert off(result.settling_time_s, 3.0 + SETTLED_S) < 3.0


@pytest.mark.parametrize("turn", [-0.05, 0.0, 0.15, 3.2])
@pytest.mark.parametrize("ring_hz", [1.8, 2.215, 2.25, 2.3, 2.5])
def test_the_crest_of_a_ring_is_no_rest_before_a_late_begin(ring_hz, turn):
    def ringing(time):
        wave = np.cos(2 * np.pi * ring_hz * time + np.pi / 2 + turn)
        return 1e-3 + 0.4 * np.exp(-time / 0.55) * wave

    result = settle(record(ringing), event_s=EVENT_S)
    assert result.begins_s == 0.0
    assert off(result.ring_amplitude_v, 0.4) < 4.0
