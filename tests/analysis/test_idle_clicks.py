"""Clicks in a record without signal are told and doubted; what the mains or noise repeats is none."""

import numpy as np
import pytest

from sequencer.analysis.idle import analyse_idle
from tests.benchmarks.monte_carlo_tone import coloured

RATE_HZ = 48000.0
NOISE_V = 1e-4  # a sample
IN_BAND_V = NOISE_V * np.sqrt((20000 - 20) / (RATE_HZ / 2))


def quiet(seconds=2.0, *, seed=1, corner_hz=0.0, hum_v=1e-4):
    rng = np.random.default_rng(seed)
    count = round(seconds * RATE_HZ)
    noise = coloured(rng, count, NOISE_V / np.sqrt(RATE_HZ / 2), corner_hz, rate_hz=RATE_HZ)
    return noise + hum_v * np.sin(2 * np.pi * 50.02 * np.arange(count) / RATE_HZ)


@pytest.mark.parametrize("seconds", [0.5, 2.0, 12.0])
@pytest.mark.parametrize(("size_v", "samples"), [(0.05, 10), (5e-3, 40), (-0.2, 1)])
def test_a_click_is_told_and_the_noise_without_it_is_within_the_doubt(size_v, samples, seconds):
    volts = quiet(seconds)
    at = int(0.6 * volts.size)
    volts[at : at + samples] += size_v
    result = analyse_idle(volts, RATE_HZ)
    (click,) = result.clicks
    assert click.at_s == pytest.approx(at / RATE_HZ, abs=1e-3)
    assert click.size_v == pytest.approx(abs(size_v), rel=0.1)
    noise = result.noise_unweighted_vrms
    truth = np.hypot(IN_BAND_V, 1e-4 / np.sqrt(2))
    assert abs(noise.value - truth) < 2.0 * noise.standard_uncertainty
    assert abs(noise.value - truth) > 0.5 * noise.standard_uncertainty  # no wider than it must be


@pytest.mark.parametrize("seconds", [0.3, 2.0, 12.0])
@pytest.mark.parametrize("corner_hz", [0.0, 100.0, 1e4])
@pytest.mark.parametrize("seed", range(5))
def test_noise_has_no_clicks(seed, corner_hz, seconds):
    assert not analyse_idle(quiet(seconds, seed=seed, corner_hz=corner_hz), RATE_HZ).clicks


def test_what_comes_back_with_the_mains_and_noise_that_grows_are_no_clicks():
    spikes = quiet()
    spikes[:: round(RATE_HZ / 100.04)] += 5e-3
    assert not analyse_idle(spikes, RATE_HZ).clicks
    louder = quiet(hum_v=0.0)
    louder[louder.size // 2 :] *= 3.0
    assert not analyse_idle(louder, RATE_HZ).clicks


def test_a_record_without_noise_has_no_clicks():
    time = np.arange(96000) / RATE_HZ
    assert not analyse_idle(1e-3 * np.sin(2 * np.pi * 50.0 * time), RATE_HZ).clicks
