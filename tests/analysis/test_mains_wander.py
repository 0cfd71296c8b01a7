"""A mains frequency that wanders within a record: readings against what the hum was made with."""

from dataclasses import replace

import numpy as np
import pytest

from sequencer.analysis.idle import analyse_idle
from sequencer.analysis.mains import HumLines
from sequencer.analysis.mains_wander import find_wander
from sequencer.analysis.sine_fit import fit_lines, residual_periodogram
from sequencer.steps.hum import hum_findings

RATE = 48000.0
LEVELS = {k: 4e-4 / k for k in range(1, 20)} | {20: 3e-5}


def hum(seconds, swing_hz, period_s, seed):
    """Hum of 20 lines whose frequency swings by +-swing_hz about 50 Hz; and its course in Hz."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * RATE)) / RATE
    phase = 2 * np.pi * (t / period_s + rng.random())
    # the integral of 50 Hz + swing sin(phase)
    turns = 50.0 * t - swing_hz * period_s / (2 * np.pi) * np.cos(phase)
    wave = 2e-5 * rng.standard_normal(t.size)
    for k, rms in LEVELS.items():
        wave += np.sqrt(2) * rms * np.cos(2 * np.pi * k * turns + rng.uniform(0, 6))
    return wave, 50.0 + swing_hz * np.sin(phase)


@pytest.mark.parametrize("seconds", [3.5, 10.0])
@pytest.mark.parametrize(("swing_hz", "period_s"), [(0.02, 10.0), (0.02, 5.0), (0.1, 30.0)])
@pytest.mark.parametrize("seed", range(2))
def test_wander_is_told_and_is_in_the_doubts(seconds, swing_hz, period_s, seed):
    wave, course_hz = hum(seconds, swing_hz, period_s, seed)
    result = analyse_idle(wave, RATE)
    mains = result.mains_frequency_hz
    assert result.mains_range_hz == pytest.approx(np.ptp(course_hz), rel=0.2)
    assert np.abs(course_hz - mains.value).max() < 2.05 * mains.standard_uncertainty
    assert result.hum_lines
    for k, level in result.hum_lines.items():
        if level.value is None:
            assert level.upper_bound > LEVELS[k]
        else:
            assert abs(level.value - LEVELS[k]) < 3.5 * level.standard_uncertainty
    frequency, *lines = hum_findings(result, said_by="the test")
    assert any("wanders by" in remark for remark in frequency.remarks)
    assert lines


@pytest.mark.parametrize("seconds", [0.5, 2.0, 10.0])
@pytest.mark.parametrize("seed", range(4))
def test_steady_mains_is_as_sure_as_its_noise_lets_it(seconds, seed):
    wave, _ = hum(seconds, 0.0, 1.0, seed)
    result = analyse_idle(wave, RATE)
    mains = result.mains_frequency_hz
    assert result.mains_range_hz is None
    # noise of 0.13 uV/sqrt(Hz) on the lines: far below a millihertz
    assert mains.standard_uncertainty < 2e-4 / seconds**1.5
    assert abs(mains.value - 50.0) < 4 * mains.standard_uncertainty


def test_hum_that_is_all_but_lost_in_noise_does_not_wander():
    for seed in range(12):
        rng = np.random.default_rng(seed)
        t = np.arange(round(6 * RATE)) / RATE
        wave = 1e-3 * rng.standard_normal(t.size) + 4e-5 * np.cos(2 * np.pi * 50.02 * t + seed)
        wave += 3e-5 * np.cos(2 * np.pi * 100.04 * t)
        assert analyse_idle(wave, RATE).mains_range_hz is None


@pytest.mark.parametrize("levels_v", [(0.0, 0.0), (0.0, 1e-3), (1e-3, 0.0), (1e-3, 5e-4)])
def test_lines_without_noise_or_without_amplitude_are_steady(levels_v):
    # as made, not fitted: a fit leaves rounding errors in both
    t = np.arange(48000) / RATE
    wave = sum(level * np.cos(2 * np.pi * 50 * k * t) for k, level in enumerate(levels_v, 1))
    fit = fit_lines(wave, RATE, [50.0, 100.0])
    hum = HumLines(
        multiples=(1, 2),
        fit=replace(fit, amplitude=fit.amplitude * (np.array(levels_v) > 0)),
        noise_v2=np.zeros(2),
        residual=residual_periodogram(wave, RATE, fit),
    )
    assert find_wander(wave, RATE, hum) is None
