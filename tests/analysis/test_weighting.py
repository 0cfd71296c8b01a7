"""Weightings and the quasi-peak meter against the tables of their standards."""

import numpy as np
import pytest
import scipy.signal

from sequencer.analysis.quasi_peak import meter_deflection, noise_468, weighted_468
from sequencer.analysis.weighting import (
    a_weighting_db,
    a_weighting_power,
    bs468_response,
    bs468_weighting_db,
    c_weighting_db,
)

# IEC 61672-1:2013 table 3: nominal Hz, design goals A and C in dB, limits of class 1 (None: none).
IEC_61672 = [
    (10, -70.4, -14.3, 3.0, None),
    (12.5, -63.4, -11.2, 2.5, None),
    (16, -56.7, -8.5, 2.0, -4.0),
    (20, -50.5, -6.2, 2.0, -2.0),
    (25, -44.7, -4.4, 2.0, -1.5),
    (31.5, -39.4, -3.0, 1.5, -1.5),
    (40, -34.6, -2.0, 1.0, -1.0),
    (50, -30.2, -1.3, 1.0, -1.0),
    (63, -26.2, -0.8, 1.0, -1.0),
    (80, -22.5, -0.5, 1.0, -1.0),
    (100, -19.1, -0.3, 1.0, -1.0),
    (125, -16.1, -0.2, 1.0, -1.0),
    (160, -13.4, -0.1, 1.0, -1.0),
    (200, -10.9, 0.0, 1.0, -1.0),
    (250, -8.6, 0.0, 1.0, -1.0),
    (315, -6.6, 0.0, 1.0, -1.0),
    (400, -4.8, 0.0, 1.0, -1.0),
    (500, -3.2, 0.0, 1.0, -1.0),
    (630, -1.9, 0.0, 1.0, -1.0),
    (800, -0.8, 0.0, 1.0, -1.0),
    (1000, 0.0, 0.0, 0.7, -0.7),
    (1250, 0.6, 0.0, 1.0, -1.0),
    (1600, 1.0, -0.1, 1.0, -1.0),
    (2000, 1.2, -0.2, 1.0, -1.0),
    (2500, 1.3, -0.3, 1.0, -1.0),
    (3150, 1.2, -0.5, 1.0, -1.0),
    (4000, 1.0, -0.8, 1.0, -1.0),
    (5000, 0.5, -1.3, 1.5, -1.5),
    (6300, -0.1, -2.0, 1.5, -2.0),
    (8000, -1.1, -3.0, 1.5, -2.5),
    (10000, -2.5, -4.4, 2.0, -3.0),
    (12500, -4.3, -6.2, 2.0, -5.0),
    (16000, -6.6, -8.5, 2.5, -16.0),
    (20000, -9.3, -11.2, 3.0, None),
]
# ITU-R BS.468-4 table 1: Hz, response in dB re 1 kHz, permitted difference above and below.
BS_468 = [
    (31.5, -29.9, 2.0, -2.0),
    (63, -23.9, 1.4, -1.4),
    (100, -19.8, 1.0, -1.0),
    (200, -13.8, 0.85, -0.85),
    (400, -7.8, 0.7, -0.7),
    (800, -1.9, 0.55, -0.55),
    (1000, 0.0, 0.5, -0.5),
    (2000, 5.6, 0.5, -0.5),
    (3150, 9.0, 0.5, -0.5),
    (4000, 10.5, 0.5, -0.5),
    (5000, 11.7, 0.5, -0.5),
    (6300, 12.2, 0.0, -0.0),
    (7100, 12.0, 0.2, -0.2),
    (8000, 11.4, 0.4, -0.4),
    (9000, 10.1, 0.6, -0.6),
    (10000, 8.1, 0.8, -0.8),
    (12500, 0.0, 1.2, -1.2),
    (14000, -5.3, 1.4, -1.4),
    (16000, -11.7, 1.6, -1.6),
    (20000, -22.2, 2.0, -2.0),
    (31500, -42.7, 2.8, None),
]


def exact_hz(nominal_hz):
    """The base-10 frequency a nominal one stands for."""
    return 1000 * 10 ** (round(10 * np.log10(nominal_hz / 1000)) / 10)


@pytest.mark.parametrize("row", IEC_61672, ids=lambda row: f"{row[0]} Hz")
def test_a_and_c_meet_the_design_goals_and_the_limits_of_class_1(row):
    nominal, a_goal, c_goal, upper, lower = row
    for found, goal in (
        (float(a_weighting_db(exact_hz(nominal))), a_goal),
        (float(c_weighting_db(exact_hz(nominal))), c_goal),
    ):
        assert found == pytest.approx(goal, abs=0.0501)  # the table is rounded to 0.1 dB
        assert found - goal <= upper
        assert lower is None or found - goal >= lower


def test_weightings_at_single_frequencies_to_a_thousandth():
    # the analytic values at exact frequencies, IEC 61672-1 annex E
    assert float(a_weighting_db(exact_hz(31.5))) == pytest.approx(-39.44, abs=0.001)
    assert float(a_weighting_db(exact_hz(20000))) == pytest.approx(-9.3169, abs=0.001)
    assert float(c_weighting_db(exact_hz(8000))) == pytest.approx(-3.0103, abs=0.001)
    assert a_weighting_db(0.0) == -np.inf


def test_a_weighting_of_flat_noise_takes_2_05_decibels():
    # integral of the analytic response from 20 Hz to 20 kHz
    hz = np.linspace(20, 20000, 200001)
    mean = np.trapezoid(a_weighting_power(hz), hz) / (20000 - 20)
    assert 10 * np.log10(mean) == pytest.approx(-2.048271262, abs=1e-3)


def test_a_weighted_sum_of_hum_lines():
    # (50 Hz, 100 uV) (100, 40) (150, 20) (1000, 5): 8.3592 uV (root-sum-square of the formula)
    hz, level = np.array([50.0, 100, 150, 1000]), np.array([100.0, 40, 20, 5])
    total = np.sqrt(np.sum(level**2 * a_weighting_power(hz)))
    assert total == pytest.approx(8.359198491, rel=1e-4)


@pytest.mark.parametrize("row", BS_468, ids=lambda row: f"{row[0]} Hz")
def test_468_network_meets_its_table(row):
    hz, goal, upper, lower = row
    found = float(bs468_weighting_db(hz))
    # the table is rounded to 0.1 dB (0.050 dB off at 100 Hz); the pinned 6.3 kHz too
    assert found == pytest.approx(goal, abs=0.051)
    assert found - goal <= upper + 0.05
    assert lower is None or found - goal >= lower - 0.05


def test_468_network_equals_its_rational_form():
    # closed form of the same network, coefficients widely quoted (algebra of BS.468-4 figure 1a)
    h1 = np.poly1d(
        [-4.737338981378384e-24, 0, 2.043828333606125e-15, 0, -1.363894795463638e-07, 0, 1]
    )
    h2 = np.poly1d([1.306612257412824e-19, 0, -2.118150887518656e-11, 0, 0.0005559488023498642, 0])
    hz = np.geomspace(31.5, 31500, 61)
    expected = 20 * np.log10(0.0001246332637532143 * hz / np.hypot(h1(hz), h2(hz))) + 18.238675179
    np.testing.assert_allclose(bs468_weighting_db(hz), expected, atol=1e-3)
    assert bs468_response(0.0) == 0


def test_468_filter_of_a_record_follows_the_network():
    count, rate = 48000, 48000.0
    t = np.arange(count) / rate
    for hz in (100.0, 1000.0, 6300.0, 16000.0):
        weighted, out_rate = weighted_468(np.sin(2 * np.pi * hz * t), rate)
        inner = weighted[len(weighted) // 10 : -len(weighted) // 10]
        level_db = 20 * np.log10(np.sqrt(2 * np.mean(inner**2)))
        assert level_db == pytest.approx(float(bs468_weighting_db(hz)), abs=0.01)
        assert out_rate == pytest.approx(97000, rel=0.01)


# ITU-R BS.468-4 clause 2, from memory: single bursts of 5 kHz (ms, limits in % of the steady tone)
SINGLE = [
    (1, 13.5, 21.4),
    (2, 22.4, 31.6),
    (5, 34, 46),
    (10, 41, 55),
    (20, 44, 60),
    (50, 50, 68),
    (100, 58, 78),
    (200, 68, 92),
]
# and bursts of 5 ms repeated (per second, limits in %)
REPEATED = [(2, 43, 53), (10, 72, 82), (100, 94, 100)]
METER_RATE = 96000.0


def burst(milliseconds, total_s):
    wave = np.zeros(round(total_s * METER_RATE))
    count = round(milliseconds * 1e-3 * METER_RATE)
    wave[:count] = np.sqrt(2) * np.sin(2 * np.pi * 5000 * np.arange(count) / METER_RATE)
    return wave


@pytest.mark.parametrize(("milliseconds", "lower", "upper"), SINGLE)
@pytest.mark.parametrize("delay", [0, 5, 11])
def test_quasi_peak_of_single_bursts(milliseconds, lower, upper, delay):
    wave = np.concatenate([np.zeros(delay), burst(milliseconds, 0.6)])
    assert lower <= 100 * meter_deflection(wave, METER_RATE).max() <= upper


@pytest.mark.parametrize(("per_second", "lower", "upper"), REPEATED)
def test_quasi_peak_of_repeated_bursts(per_second, lower, upper):
    period = burst(5, 1 / per_second)
    shown = meter_deflection(np.tile(period, 3 * per_second), METER_RATE)
    assert lower <= 100 * shown[-period.size // 16 :].max() <= upper


def test_quasi_peak_meter_reads_a_steady_sine_as_its_rms():
    for seconds in (0.2, 0.5, 3.0):  # the meter needs a second to get there
        t = np.arange(round(seconds * 48000)) / 48000.0
        reading = noise_468(2e-3 * np.sqrt(2) * np.sin(2 * np.pi * 1000 * t), 48000.0)
        assert reading.value == pytest.approx(2e-3, rel=1e-3)


@pytest.mark.parametrize(
    "row", [row for row in BS_468 if row[0] < 20000], ids=lambda row: f"{row[0]} Hz"
)
def test_the_doubt_of_a_steady_tone_holds_its_level_by_the_table(row):
    hz, goal_db = row[:2]
    t = np.arange(48000) / 48000.0
    reading = noise_468(np.sqrt(2) * np.sin(2 * np.pi * hz * t), 48000.0)
    assert abs(reading.value - 10 ** (goal_db / 20)) < 2 * reading.standard_uncertainty
    # 0.05 dB, rectangular: no more than twice that
    assert reading.standard_uncertainty < 0.0067 * reading.value


@pytest.mark.parametrize("rate", [48000.0, 96000.0, 192000.0])
@pytest.mark.parametrize("hz", [1000.0, 6000.0, 8000.0, 12000.0, 16000.0])
@pytest.mark.parametrize("phase", [0.0, 0.13, 0.26])
def test_quasi_peak_of_a_tone_does_not_depend_on_where_it_is_sampled(rate, hz, phase):
    t = np.arange(round(rate / 2)) / rate
    reading = noise_468(np.sqrt(2) * np.sin(2 * np.pi * hz * t + phase), rate)
    off_db = 20 * np.log10(reading.value) - float(bs468_weighting_db(hz))
    assert off_db == pytest.approx(0, abs=0.02)


@pytest.mark.parametrize("rate", [44100.0, 192000.0])
def test_quasi_peak_reading_does_not_depend_on_the_sample_rate(rate):
    rng = np.random.default_rng(2)
    wave = rng.standard_normal(4 * 192000)
    reference = noise_468(wave, 192000.0).value
    other = -wave if rate == 192000.0 else scipy.signal.resample(wave, round(4 * rate))
    # same noise, another sampling of it
    assert noise_468(other, rate).value == pytest.approx(reference, rel=0.01)


def test_quasi_peak_of_noise_exceeds_its_weighted_rms():
    # common practice, no source: a quasi-peak meter reads random noise 4 to 5 dB above its rms
    wave = np.random.default_rng(3).standard_normal(5 * 96000)
    weighted, _ = weighted_468(wave, 96000.0)
    ratio_db = 20 * np.log10(noise_468(wave, 96000.0).value / np.sqrt(np.mean(weighted**2)))
    assert 3.5 < ratio_db < 5.5


@pytest.mark.parametrize("count", [1, 15])
def test_too_few_samples_for_the_meter_are_refused_with_the_number(count):
    with pytest.raises(ValueError, match=f"{count} samples; the meter needs at least 16"):
        meter_deflection(np.ones(count), METER_RATE)
    assert meter_deflection(np.ones(16), METER_RATE).size == 1
