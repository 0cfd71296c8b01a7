"""DC under hum and 1/f noise."""

import numpy as np
import pytest

from sequencer.analysis.dc import analyse_dc
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


@pytest.mark.parametrize("seconds", [0.1, 0.2, 0.5, 1.0, 3.0])
@pytest.mark.parametrize("mains_hz", [49.8, 50.2])
def test_offset_is_as_good_as_its_own_noise(seconds, mains_hz):
    count, runs = round(seconds * RATE), 200 if seconds < 0.5 else 40
    errors, alone, held = [], [], 0
    for seed in range(runs):
        noise = flicker(count, seed)
        estimate = analyse_dc(2e-3 + hum(count, mains_hz, seed) + noise, RATE).offset_v
        errors.append(estimate.value - 2e-3)
        alone.append(noise.mean())
        held += abs(errors[-1]) <= 1.96 * estimate.standard_uncertainty
    assert np.sqrt(np.mean(np.square(errors))) <= 1.2 * np.sqrt(np.mean(np.square(alone)))
    # 95 % of the runs, less three standard deviations
    assert held >= 0.95 * runs - 3 * np.sqrt(0.95 * 0.05 * runs)


def test_doubt_in_white_noise_is_that_of_the_mean_and_of_what_may_hide_in_it():
    # s/sqrt(N); and 1/f noise too weak to be seen can't be ruled out, which is told by four degrees
    # of freedom or more: up to sqrt(4/(4 - 2)) (JCGM 101:2008, 6.4.9) where none shows
    doubts = []
    for seed in range(20):
        noise = 1e-3 * np.random.default_rng(seed).standard_normal(48000)
        estimate = analyse_dc(0.1 + noise, RATE).offset_v
        doubts.append(estimate.standard_uncertainty)
        assert abs(estimate.value - 0.1) < 4 * estimate.standard_uncertainty
    s = 1e-3 / np.sqrt(48000)
    assert 0.9 * s < np.min(doubts)
    assert np.median(doubts) < 2 * s


def test_hum_far_above_the_first_lines_is_no_noise():
    # a rectifier's lines reach 1 kHz; left out, each would lie a thousand times over the noise
    count, t = 4800, np.arange(4800) / RATE
    quiet = analyse_dc(hum(count, 49.9, 0) + flicker(count, 0), RATE).offset_v
    hissing = hum(count, 49.9, 0) + flicker(count, 0)
    for k in (7, 13, 19):
        hissing = hissing + 10e-3 * np.cos(2 * np.pi * 49.9 * k * t + k)
    estimate = analyse_dc(hissing, RATE).offset_v
    assert estimate.value == pytest.approx(quiet.value, abs=0.5 * quiet.standard_uncertainty)
    assert estimate.standard_uncertainty == pytest.approx(quiet.standard_uncertainty, rel=0.1)


def test_a_drift_over_the_record_is_no_doubt_of_its_mean():
    # least squares: a slope from mid-record on is orthogonal to the mean
    count = 24000
    plain = hum(count, 50.1, 0) + flicker(count, 0)
    drifting = plain + 1e-3 * np.linspace(-1, 1, count)
    first, second = analyse_dc(plain, RATE).offset_v, analyse_dc(drifting, RATE).offset_v
    assert second.value == pytest.approx(first.value, abs=first.standard_uncertainty)
    assert second.standard_uncertainty == pytest.approx(first.standard_uncertainty, rel=0.2)


@pytest.mark.parametrize(
    "slow", [np.linspace(-1, 1, 24000), 2.5 * np.exp(-np.linspace(0, 2, 24000))]
)
def test_a_voltage_that_moves_is_told(slow):
    result = analyse_dc(hum(24000, 50.1, 0) + flicker(24000, 0) + 1e-3 * slow, RATE)
    # means of fifths: a straight line's reach 4/5 of its way
    assert 1.3e-3 < result.moved_v < 2e-3


@pytest.mark.parametrize("corner_hz", [0.0, 100.0, 1000.0])
def test_noise_does_not_move(corner_hz):
    told = [
        analyse_dc(hum(12000, 49.9, seed) + flicker(12000, seed, corner_hz=corner_hz), RATE).moved_v
        for seed in range(100)
    ]
    assert told == [None] * 100


def test_sixty_hertz_hum():
    wave = -5e-3 + hum(48000, 60.1, 0) + flicker(48000, 0)
    assert analyse_dc(wave, RATE, nominal_mains_hz=60.0).offset_v.value == pytest.approx(
        -5e-3, abs=30e-6
    )


def test_five_mains_cycles_are_needed():
    with pytest.raises(CannotMeasure) as caught:
        analyse_dc(hum(2000, 50.0, 0) + flicker(2000, 0), RATE)
    assert caught.value.code == "too_short"
    assert analyse_dc(hum(2400, 50.0, 0) + flicker(2400, 0), RATE).offset_v.value is not None


def test_a_dead_input_is_refused():
    with pytest.raises(CannotMeasure) as caught:
        analyse_dc(np.zeros(24000), RATE)
    assert caught.value.code == "no_signal"


@pytest.mark.parametrize("hum_steps", [0.0, 5.0, 20.0])
@pytest.mark.parametrize("noise", [0.08, 0.1, 0.15, 0.2, 0.3, 1.0])
def test_rounding_moves_the_mean_no_further_than_its_doubt(noise, hum_steps):
    # truth by construction: noise below half a step leaves the mean drawn to the nearest step
    count, ratios, doubts = 48000, [], []
    t = np.arange(count) / RATE
    for seed in range(8):
        rng = np.random.default_rng(seed)
        truth = 2.0 + rng.uniform(0.1, 0.5)
        wave = truth + noise * rng.standard_normal(count)
        wave = wave + hum_steps * np.sin(2 * np.pi * 50.013 * t + seed)
        try:
            estimate = analyse_dc(1e-3 * np.rint(wave), RATE).offset_v
        except CannotMeasure:  # noise so small that a value stays is taken for a dead input
            continue
        ratios.append((estimate.value - 1e-3 * truth) / estimate.standard_uncertainty)
        doubts.append(estimate.standard_uncertainty)
    assert np.abs(ratios).max(initial=0.0) < 4.0
    assert np.max(doubts, initial=0.0) < 0.4e-3
    if noise == 1.0:  # noise of a step rounds nothing away
        assert np.median(doubts) < 2.5 * 1e-3 / np.sqrt(count)


@pytest.mark.parametrize("noise", [0.06, 0.08, 0.1, 0.12, 0.15, 0.2])
@pytest.mark.parametrize("about", [0.0, 120.0])
def test_noise_of_which_one_or_two_codes_are_seen_is_no_sureness(noise, about):
    # truth by construction: the mean of what is rounded to a code or two may be half a code off
    ratios = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        truth = about + rng.uniform(-0.5, 0.5)
        wave = truth + noise * rng.standard_normal((9600, 24000)[seed % 2])
        try:
            estimate = analyse_dc(3e-5 * np.rint(wave), RATE).offset_v
        except CannotMeasure:  # no other code at all, or for too long
            continue
        ratios.append((estimate.value / 3e-5 - truth) / (estimate.standard_uncertainty / 3e-5))
    assert len(ratios) > 5
    assert np.abs(ratios).max() < 3.0


@pytest.mark.parametrize("seconds", [1.0, 10.0])
def test_a_step_is_told_with_its_time_and_size(seconds):
    count = round(seconds * RATE)
    wave = 1e-2 + hum(count, 50.03, 1) + flicker(count, 1)
    at = int(0.6 * count)
    wave[at:] += 1e-3
    result = analyse_dc(wave, RATE)
    (step,) = result.steps
    assert step.at_s == pytest.approx(at / RATE, abs=1e-4)
    assert step.size_v == pytest.approx(1e-3, rel=0.05)
    # before and after lie 0.4 and 0.6 of the step from the mean
    assert 0.05e-3 < result.offset_v.standard_uncertainty < 0.6e-3


def test_a_step_in_the_readings_of_a_meter_is_told():
    volts = 1e-2 + 1e-6 * np.random.default_rng(1).standard_normal(120)
    volts[70:] += 1e-4
    (step,) = analyse_dc(volts, 10.0).steps
    assert step.at_s == pytest.approx(7.0)


def test_noise_has_no_steps():
    for seed in range(60):
        corner_hz = (0.0, 100.0, 1000.0)[seed % 3]
        wave = hum(24000, 49.97, seed) + flicker(24000, seed, corner_hz=corner_hz)
        assert not analyse_dc(wave, RATE).steps
