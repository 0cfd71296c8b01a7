"""A DC that steps within a record: told with time and size, and in no noise; truth by construction."""

import numpy as np
import pytest
from scipy import signal

from sequencer.analysis.dc import analyse_dc
from sequencer.analysis.dc_steps import find_dc_steps
from sequencer.analysis.idle import analyse_idle
from sequencer.steps.hum import noise_findings
from tests.benchmarks.monte_carlo_tone import coloured

RATE_HZ = 48000.0
NOISE_V = 2e-5  # a sample
HUM_V = 1e-5
IN_BAND_V = np.hypot(NOISE_V * np.sqrt((20000 - 20) / (RATE_HZ / 2)), HUM_V / np.sqrt(2))


def quiet(seconds, *, seed=1, corner_hz=0.0):
    rng = np.random.default_rng(seed)
    count = round(seconds * RATE_HZ)
    noise = coloured(rng, count, NOISE_V / np.sqrt(RATE_HZ / 2), corner_hz, rate_hz=RATE_HZ)
    return noise + HUM_V * np.sin(2 * np.pi * 50.02 * np.arange(count) / RATE_HZ)


def without_mean(record):
    return record - record.mean()


def steps_in(volts, code_v):
    rest = without_mean(volts)
    return find_dc_steps(volts, RATE_HZ, 50.0, rest, without_mean, code_v=code_v)


@pytest.mark.parametrize("seconds", [1.0, 3.0, 12.0])
@pytest.mark.parametrize("size_v", [1e-4, -1e-3, 0.1])
def test_a_step_is_told_and_is_in_no_noise(size_v, seconds):
    volts = quiet(seconds)
    at = int(0.37 * volts.size)
    volts[at:] += size_v
    result = analyse_idle(volts, RATE_HZ)
    (step,) = result.steps
    assert step.at_s == pytest.approx(at / RATE_HZ, abs=3e-4)
    assert step.size_v == pytest.approx(size_v, abs=NOISE_V / 5)
    noise = result.noise_unweighted_vrms
    assert abs(noise.value - IN_BAND_V) < 3.5 * noise.standard_uncertainty
    assert noise.standard_uncertainty < 0.01 * IN_BAND_V
    assert abs(result.hum_lines[1].value - HUM_V / np.sqrt(2)) < (
        3.5 * result.hum_lines[1].standard_uncertainty
    )
    assert not result.clicks
    for finding in noise_findings(result):
        assert any("the DC steps by" in words for words in finding.remarks)


@pytest.mark.parametrize("seconds", [1.0, 3.0])
@pytest.mark.parametrize("size_v", [1e-4, -1e-3, 1e-2, 0.1])
@pytest.mark.parametrize(("order", "corner_hz"), [(1, 200.0), (1, 1000.0), (2, 1e4)])
def test_a_step_behind_a_filter_is_told_and_is_in_no_noise(order, corner_hz, size_v, seconds):
    base = quiet(seconds)
    at = int(0.37 * base.size)
    low_pass = signal.butter(order, corner_hz, fs=RATE_HZ, output="sos")
    edge = signal.sosfilt(low_pass, np.arange(base.size) >= at)
    result = analyse_idle(base + size_v * edge, RATE_HZ)
    (step,) = result.steps
    # first order is half done after ln 2 of its time constant
    assert step.at_s == pytest.approx(
        at / RATE_HZ + np.log(2) / (2 * np.pi * corner_hz) * (order == 1), abs=3e-4
    )
    assert step.size_v == pytest.approx(size_v, abs=NOISE_V / 2)
    noise, without = result.noise_unweighted_vrms, analyse_idle(base, RATE_HZ).noise_unweighted_vrms
    assert abs(noise.value - without.value) < 1.5 * without.standard_uncertainty
    assert noise.standard_uncertainty < 0.01 * IN_BAND_V
    assert not result.clicks
    assert result.noise_change is None


@pytest.mark.parametrize("lasts_s", [3e-3, 10e-3])
def test_a_step_with_an_edge_of_milliseconds_is_told_beside_its_dc(lasts_s):
    time_s = np.arange(24000) / 8000.0
    noise = 1e-4 * np.random.default_rng(1).standard_normal(time_s.size)
    course = 0.1 * -np.expm1(-np.clip(time_s - 1.0, 0.0, None) / lasts_s)
    (step,) = analyse_dc(noise + course, 8000.0).steps
    assert step.at_s == pytest.approx(1.0 + np.log(2) * lasts_s, abs=1e-3)
    assert step.size_v == pytest.approx(0.1, rel=0.01)


def test_a_pulse_is_two_steps_and_no_edge():
    time_s = np.arange(24000) / 8000.0
    noise = 1e-4 * np.random.default_rng(1).standard_normal(time_s.size)
    up, down = analyse_dc(noise + 1e-2 * ((time_s > 1.0) & (time_s < 1.04)), 8000.0).steps
    assert (up.size_v, down.size_v) == pytest.approx((1e-2, -1e-2), rel=0.06)


def test_a_step_beside_a_drift_is_told():
    volts = quiet(3.0)
    time_s = np.arange(volts.size) / RATE_HZ
    volts += 20e-3 * np.exp(-time_s / 1.0) + 1e-3 * (time_s > 1.4)
    result = analyse_idle(volts, RATE_HZ)
    (step,) = result.steps
    assert step.at_s == pytest.approx(1.4, abs=3e-4)
    assert step.size_v == pytest.approx(1e-3, rel=0.02)
    noise = result.noise_unweighted_vrms
    assert abs(noise.value - IN_BAND_V) < 3.5 * noise.standard_uncertainty


@pytest.mark.parametrize("seconds", [0.3, 2.0, 6.0])
@pytest.mark.parametrize("corner_hz", [0.0, 100.0, 1e4])
@pytest.mark.parametrize("code_v", [0.0, 1e-5, 1e-4])
def test_noise_has_no_steps(corner_hz, seconds, code_v):
    for seed in range(8):
        volts = quiet(seconds, seed=seed, corner_hz=corner_hz)
        if code_v:
            volts = code_v * np.round(volts / code_v)
        assert not steps_in(volts, code_v)


@pytest.mark.parametrize("decay_s", [0.1, 0.5, 2.0])
def test_clicks_and_what_comes_to_rest_are_no_steps(decay_s):
    volts = quiet(3.0)
    volts[40000:40100] += 1e-2
    volts += 0.2 * np.exp(-np.arange(volts.size) / RATE_HZ / decay_s)
    assert not analyse_idle(volts, RATE_HZ).steps


def test_burst_noise_is_noise():
    rng = np.random.default_rng(3)
    toggles = np.cumsum(rng.random(round(3 * RATE_HZ)) < 4 / RATE_HZ) % 2
    assert not steps_in(quiet(3.0) + 1e-3 * toggles, 0.0)


def test_a_computed_record_without_noise_has_no_steps():
    time_s = np.arange(96000) / RATE_HZ
    assert not steps_in(np.sin(2 * np.pi * 50.0 * time_s), 0.0)


@pytest.mark.parametrize("seed", [1, 2, 58, 59])
def test_noise_of_less_than_a_code_has_no_steps_where_the_hum_was_taken_off(seed):
    # medians a code apart: what a fit of lines leaves no longer shows the code
    volts = quiet(1.0, seed=seed, corner_hz=(300.0, 3000.0)[seed % 2])
    assert not analyse_idle(6e-5 * np.round(volts / 6e-5), RATE_HZ).steps
