"""Noise that changes within a record is told and doubted; steady noise is not. Truth by construction."""

import numpy as np
import pytest

from sequencer.analysis.idle import analyse_idle
from sequencer.steps.hum import noise_findings
from tests.benchmarks.monte_carlo_tone import coloured

RATE_HZ = 48000.0
NOISE_V = 2e-5
BAND = np.sqrt((20000 - 20) / (RATE_HZ / 2))


def noise(seconds, *, seed=1, corner_hz=0.0):
    rng = np.random.default_rng(seed)
    count = round(seconds * RATE_HZ)
    return coloured(rng, count, NOISE_V / np.sqrt(RATE_HZ / 2), corner_hz, rate_hz=RATE_HZ)


def hum(count, level_v, seed=1):
    time_s = np.arange(count) / RATE_HZ
    turn = 2 * np.pi * 50.02 * time_s + seed
    return level_v * sum(np.cos(k * turn + k) / k for k in range(1, 13))


@pytest.mark.parametrize("seconds", [0.5, 2.0, 12.0])
@pytest.mark.parametrize("hum_v", [0.0, 1e-5, 1e-4])
@pytest.mark.parametrize("times", [1.3, 3.0])
def test_noise_that_grows_halfway_is_told_and_both_halves_are_within_the_doubt(
    seconds, hum_v, times
):
    volts = noise(seconds)
    volts[volts.size // 2 :] *= times
    result = analyse_idle(volts + hum(volts.size, hum_v), RATE_HZ)
    change = result.noise_change
    part_s = max(seconds / 16, 0.1)
    assert abs(change.louder_db) == pytest.approx(20 * np.log10(times), abs=1.0)
    if change.louder_db > 0.0:
        assert change.start_s == pytest.approx(seconds / 2, abs=1.1 * part_s)
    else:  # told by the quiet half
        assert change.start_s == 0.0
        assert change.stop_s == pytest.approx(seconds / 2, abs=1.1 * part_s)
    found = result.noise_unweighted_vrms
    hum_v2 = sum((hum_v / k) ** 2 / 2 for k in range(1, 13))
    for level_v in (NOISE_V * BAND, times * NOISE_V * BAND):
        off_v = abs(found.value - np.sqrt(level_v**2 + hum_v2))
        assert 0.5 * found.standard_uncertainty < off_v < 2.0 * found.standard_uncertainty
    for finding in noise_findings(result):
        assert any("it changes within the record" in words for words in finding.remarks)


def test_a_stretch_of_louder_noise_is_told():
    volts = noise(10.0)
    volts[200000:280000] *= 1.5  # from 4.17 to 5.83 s
    change = analyse_idle(volts, RATE_HZ).noise_change
    assert change.louder_db == pytest.approx(20 * np.log10(1.5), abs=1.2)
    assert change.start_s == pytest.approx(4.17, abs=0.7)
    assert change.stop_s == pytest.approx(5.83, abs=0.7)


@pytest.mark.parametrize(("start_s", "stop_s"), [(0.0, 0.75), (2.25, 3.0)])
@pytest.mark.parametrize("times", [0.4, 2.5])
def test_the_shorter_stretch_is_told_be_it_louder_or_quieter(start_s, stop_s, times):
    volts = noise(3.0)
    volts[round(start_s * RATE_HZ) : round(stop_s * RATE_HZ)] *= times
    change = analyse_idle(volts, RATE_HZ).noise_change
    assert change.louder_db == pytest.approx(20 * np.log10(times), abs=0.7)
    assert (change.start_s, change.stop_s) == pytest.approx((start_s, stop_s), abs=0.01)


def test_a_burst_is_not_told_as_quieter_for_what_was_taken_out_of_it():
    volts = noise(3.0) / 2
    burst = slice(round(1.0 * RATE_HZ), round(1.2 * RATE_HZ))
    volts[burst] += 1e-3 * np.sin(2 * np.pi * 1000.0 * np.arange(volts.size) / RATE_HZ)[burst]
    result = analyse_idle(volts, RATE_HZ)
    assert result.clicks
    assert result.noise_change is None or result.noise_change.louder_db > 0.0


def test_the_place_of_a_click_is_no_quiet_stretch():
    volts = noise(3.0)
    volts[70000:70500] += 1e-2
    result = analyse_idle(volts, RATE_HZ)
    assert result.clicks
    assert result.noise_change is None


@pytest.mark.parametrize("seconds", [0.5, 2.0, 8.0])
@pytest.mark.parametrize("corner_hz", [0.0, 100.0, 1e4])
@pytest.mark.parametrize("code_v", [0.0, 2e-5, 5e-5])
def test_steady_noise_does_not_change(seconds, corner_hz, code_v):
    for seed in range(5):
        volts = noise(seconds, seed=seed, corner_hz=corner_hz)
        volts += hum(volts.size, (0.0, 1e-5, 1e-3)[seed % 3], seed)
        if code_v:
            volts = code_v * np.round(volts / code_v)
        result = analyse_idle(volts, RATE_HZ)
        assert result.noise_change is None
        assert not result.steps
        assert not result.clicks


def test_rounding_of_a_dc_that_moves_by_part_of_a_code_is_no_change_of_the_noise():
    time_s = np.arange(round(5.0 * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(2)
    volts = 0.3 * rng.standard_normal(time_s.size) + 0.3 * np.sin(2 * np.pi * 0.2 * time_s)
    assert (
        analyse_idle(1e-5 * np.round(volts + hum(time_s.size, 3.0)), RATE_HZ).noise_change is None
    )


def test_mains_that_wanders_is_no_change_of_the_noise():
    time_s = np.arange(round(10.0 * RATE_HZ)) / RATE_HZ
    turns = 50.0 * time_s - 0.03 * 5 / (2 * np.pi) * np.cos(2 * np.pi * time_s / 5)
    wave = sum(1e-3 / k * np.cos(2 * np.pi * k * turns + k) for k in range(1, 21))
    assert analyse_idle(noise(10.0) + wave, RATE_HZ).noise_change is None
