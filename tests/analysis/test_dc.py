"""DC under hum and 1/f noise."""

import numpy as np
import pytest

from sequencer.analysis.dc import dc_offset
from sequencer.analysis.errors import CannotMeasure

RATE = 24000.0


def hum(count, mains_hz, seed):
    rng = np.random.default_rng(seed)
    t = np.arange(count) / RATE
    return sum(
        level * np.cos(2 * np.pi * k * mains_hz * t + rng.uniform(-3, 3))
        for k, level in ((1, 20e-3), (2, 5e-3), (3, 5e-3))
    )


def flicker(count, seed, density=0.5e-6, corner_hz=100.0):
    """Noise with a 1/f corner, cut from ten times the length so that its mean is not zero."""
    rng = np.random.default_rng(seed)
    hz = np.fft.rfftfreq(10 * count, 1 / RATE)
    hz[0] = np.inf
    spectrum = rng.standard_normal(hz.size) + 1j * rng.standard_normal(hz.size)
    spectrum *= density * np.sqrt((1 + corner_hz / hz) * RATE * 10 * count / 4)
    return np.fft.irfft(spectrum, 10 * count)[4 * count : 5 * count]


@pytest.mark.parametrize("seconds", [0.2, 0.5, 1.0, 3.0])
@pytest.mark.parametrize("mains_hz", [49.8, 50.2])
def test_offset_is_as_good_as_its_own_noise(seconds, mains_hz):
    count, runs = round(seconds * RATE), 40
    errors, alone, held = [], [], 0
    for seed in range(runs):
        noise = flicker(count, seed)
        estimate = dc_offset(2e-3 + hum(count, mains_hz, seed) + noise, RATE)
        errors.append(estimate.value - 2e-3)
        alone.append(noise.mean())
        held += abs(errors[-1]) <= 1.96 * estimate.standard_uncertainty
    assert np.sqrt(np.mean(np.square(errors))) <= 1.2 * np.sqrt(np.mean(np.square(alone)))
    assert held >= 0.85 * runs  # 95 % of 40 runs, less three standard deviations


def test_doubt_in_white_noise_is_that_of_the_mean():
    # s/sqrt(N)
    rng = np.random.default_rng(1)
    estimate = dc_offset(0.1 + 1e-3 * rng.standard_normal(48000), RATE)
    assert estimate.standard_uncertainty == pytest.approx(1e-3 / np.sqrt(48000), rel=0.35)
    assert abs(estimate.value - 0.1) < 4 * estimate.standard_uncertainty


def test_sixty_hertz_hum():
    wave = -5e-3 + hum(48000, 60.1, 0) + flicker(48000, 0)
    assert dc_offset(wave, RATE, nominal_mains_hz=60.0).value == pytest.approx(-5e-3, abs=30e-6)


def test_five_mains_cycles_are_needed():
    with pytest.raises(CannotMeasure) as caught:
        dc_offset(hum(2000, 50.0, 0) + flicker(2000, 0), RATE)
    assert caught.value.code == "too_short"
    assert dc_offset(hum(2400, 50.0, 0) + flicker(2400, 0), RATE).value is not None


def test_a_dead_input_is_refused():
    with pytest.raises(CannotMeasure) as caught:
        dc_offset(np.zeros(24000), RATE)
    assert caught.value.code == "no_signal"
