"""Noise integration and the statistics of lines in noise."""

import numpy as np
import pytest

from sequencer.analysis.noise import (
    band_mean_square,
    line_estimate,
    lines_mean_square,
    noise_of_lines,
)
from sequencer.analysis.spectrum import Periodogram, periodogram

RATE = 48000.0


def white(count, rms=1.0, seed=0):
    return rms * np.random.default_rng(seed).standard_normal(count)


def test_edges_of_a_band_take_part_of_a_bin():
    spectrum = Periodogram(mean_square_v2=np.ones(101), bin_hz=10.0)
    # from 12 to 47 Hz: 3.5 bins of 10 Hz
    assert band_mean_square(spectrum, (12.0, 47.0)).value_v2 == pytest.approx(3.5)
    assert band_mean_square(spectrum, (13.0, 14.0)).value_v2 == pytest.approx(0.1)
    # bins reach half a bin beyond their centres
    assert band_mean_square(spectrum, (0.0, 1000.0)).value_v2 == pytest.approx(100.5, abs=0.51)


def test_white_noise_in_a_band_with_its_stated_scatter():
    # density d over a band B: mean square d^2 B; 20 nV/sqrt(Hz) in 20 Hz-20 kHz is 2.827 uV
    density, runs = 20e-9, 200
    found = np.empty((runs, 2))
    for seed in range(runs):
        wave = white(4800, density * np.sqrt(RATE / 2), seed)
        mean_square = band_mean_square(periodogram(wave, RATE), (20.0, 20000.0))
        found[seed] = mean_square.value_v2, np.sqrt(mean_square.variance_v4)
    truth = 2.827012557e-6**2
    scatter = np.std(found[:, 0])
    assert found[:, 0].mean() == pytest.approx(truth, rel=4 * scatter / truth / np.sqrt(runs))
    # 200 runs know a standard deviation to 5 %
    assert found[:, 1].mean() == pytest.approx(scatter, rel=0.2)


def test_weight_applies_to_power():
    spectrum = Periodogram(mean_square_v2=np.ones(11), bin_hz=1.0)
    weight = np.linspace(0, 1, 11)
    assert band_mean_square(spectrum, (2.5, 4.5), power_weight=weight).value_v2 == pytest.approx(
        0.7
    )


def test_lines_add_half_their_squares():
    total = lines_mean_square([3.0, 4.0j], np.zeros(2), power_weight=[1.0, 0.5])
    assert total.value_v2 == pytest.approx(4.5 + 4.0)


def test_noise_of_a_line_ignores_its_own_hole_and_other_lines():
    wave = white(48000) + 0.5 * np.sin(2 * np.pi * 1030 * np.arange(48000) / RATE)
    found = noise_of_lines(periodogram(wave, RATE), [1000.0], taken_hz=[1000.0])
    # b = 4 s^2/N; 114 correlated bins know it to 13 %
    assert found[0] == pytest.approx(4 / 48000, rel=0.4)


@pytest.mark.parametrize("lines", [1, 9])
@pytest.mark.parametrize("size", [0.7, 2.0, 3.0, 4.5, 6.0, 10.0, 30.0])
def test_value_or_bound_holds_the_truth_in_93_percent_or_more(lines, size):
    # size: true root-sum-square in standard deviations of one component of one line
    rng = np.random.default_rng([lines, round(10 * size)])
    runs, b = 3000, 2.0
    held = 0
    for _ in range(runs):
        c = rng.standard_normal(lines) + 1j * rng.standard_normal(lines)
        c[0] += size
        estimate = line_estimate(c, np.full(lines, b))
        if estimate.value is None:
            held += size <= estimate.upper_bound
        else:
            held += abs(estimate.value - size) <= 1.96 * estimate.standard_uncertainty
    # 3000 runs scatter by 0.4 %; the floor under bounds lets tiny lines be held always
    assert held / runs >= 0.922
    if size >= 3:
        assert held / runs <= 0.985


def test_a_line_well_above_the_noise_is_read_without_bias():
    rng = np.random.default_rng(5)
    c = 10 + rng.standard_normal(4000) + 1j * rng.standard_normal(4000)
    read = [line_estimate(one, 2.0, scale=0.5).value for one in c]
    # noise would add 1/20 of a standard deviation; 4000 runs see 0.016
    assert np.mean(read) == pytest.approx(5.0, abs=0.5 * 0.05)


def test_noise_alone_passes_for_a_line_once_in_ten_thousand():
    rng = np.random.default_rng(6)
    c = rng.standard_normal(30000) + 1j * rng.standard_normal(30000)
    lines = sum(line_estimate(one, 2.0).value is not None for one in c)
    assert lines <= 12  # expected 3
