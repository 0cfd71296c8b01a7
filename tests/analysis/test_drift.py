"""Readings beside a DC that drifts or comes to rest: the same as without it, by construction."""

import numpy as np
import pytest

from sequencer.analysis.idle import analyse_idle
from sequencer.analysis.tone import analyse_tone

RATE = 48000.0
HUM_V = {1: 300e-6, 2: 60e-6, 3: 50e-6, 6: 20e-6}
DENSITY = 0.5e-6
NOISE_V2 = DENSITY**2 * (20000 - 20) + sum(v**2 for v in HUM_V.values())
DRIFTS = {
    "slope": lambda t: 0.1 * t,
    "small slope": lambda t: 1e-3 * t,
    "decay of half the record": lambda t: 20e-3 * np.exp(-t / 1.0),
    "decay of a tenth": lambda t: 0.2 * np.exp(-t / 0.2),
    "swing": lambda t: 5e-3 * np.sin(2.0 * t),
}


def times(seconds):
    return np.arange(round(seconds * RATE)) / RATE


def holds(estimate, truth, spare=0.0):
    """Whether the truth lies within 3.5 stated standard uncertainties: the seeds are fixed."""
    return abs(estimate.value - truth) < 3.5 * estimate.standard_uncertainty + spare


@pytest.mark.parametrize("seconds", [2.0, 10.0])
@pytest.mark.parametrize("drift", DRIFTS)
def test_hum_and_noise_beside_a_drift(drift, seconds):
    t, rng = times(seconds), np.random.default_rng(1)
    wave = DRIFTS[drift](t) + DENSITY * np.sqrt(RATE / 2) * rng.standard_normal(t.size)
    for k, v in HUM_V.items():
        wave += v * np.sqrt(2) * np.cos(2 * np.pi * 50.03 * k * t + k)
    result = analyse_idle(wave, RATE)
    assert holds(result.mains_frequency_hz, 50.03)
    assert holds(result.noise_unweighted_vrms, np.sqrt(NOISE_V2))
    for k, v in HUM_V.items():
        assert holds(result.hum_lines[k], v)


@pytest.mark.parametrize("hz", [30.0, 100.3, 997.0])
@pytest.mark.parametrize("drift", DRIFTS)
def test_a_tone_beside_a_drift(drift, hz):
    t, rng = times(2.0), np.random.default_rng(2)
    wave = 0.7 * np.cos(2 * np.pi * hz * t) + 1e-5 * rng.standard_normal(t.size)
    for k, share in ((2, 1e-4), (3, 5e-5)):
        wave += 0.7 * share * np.cos(2 * np.pi * k * hz * t + k)
    course = DRIFTS[drift](t)
    # a decay of 0.2 s holds a millionth of the tone at 30 Hz itself
    spare = 1e-6 if drift == "decay of a tenth" else 0.0
    result = analyse_tone(wave + course, RATE)
    assert holds(result.level_vrms, 0.7 / np.sqrt(2), spare)
    assert holds(result.thd, np.hypot(1e-4, 5e-5), spare)
    for k, share in ((2, 1e-4), (3, 5e-5)):
        assert holds(result.harmonics[k], share, spare)
    assert result.dc_offset_v.value == pytest.approx(course.mean(), abs=2e-6)
    # between means of fifths: of a fast decay they show less than half
    assert 0.35 * np.ptp(course) < result.dc_moved_v <= np.ptp(course)


def test_noise_is_no_drift():
    t = times(0.5)
    for seed in range(40):
        noise = 1e-5 * np.random.default_rng(seed).standard_normal(t.size)
        assert analyse_tone(0.7 * np.cos(2 * np.pi * 997.0 * t) + noise, RATE).dc_moved_v is None
