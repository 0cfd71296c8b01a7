"""Noise of a trend's points, against the densities that it was made with."""

import numpy as np
import pytest

from sequencer.analysis.trend_noise import TrendNoise


@pytest.mark.parametrize("scale", [1e-80, 1.0, 1e80])
def test_noise_of_a_residual_goes_with_its_square(scale):
    # white noise of 1 V a point, 0.02 s apart, has 2 x 0.02 V^2/Hz (one-sided)
    rest = scale * np.random.default_rng(2).standard_normal(2000)
    noise = TrendNoise.of(rest, np.ones((2000, 1)), 0.02, 0.0)
    assert noise.density(np.array([10.0]))[0] == pytest.approx(0.04 * scale**2, rel=0.1)


@pytest.mark.parametrize("corner_hz", [0.0, 1.0, 100.0])
def test_noise_beside_a_decay_is_found_whatever_the_fit_has_taken_of_it(corner_hz):
    # 1 V^2/Hz (1 + corner/f), made here from its density; a decay's three columns take most of the
    # slowest bin and some of the next. The mean over 200 residuals, at the middle of the band read.
    rng, points, step = np.random.default_rng(5), 300, 0.02
    hz = np.fft.rfftfreq(10 * points, step)
    hz[0] = np.inf
    time = step * np.arange(points)
    columns = np.column_stack([np.ones(points), np.exp(-time), time * np.exp(-time)])
    basis = np.linalg.qr(columns)[0]
    at_hz = np.array([0.5, 2.0, 8.0])
    found = []
    for _ in range(200):
        turn = rng.standard_normal(hz.size) + 1j * rng.standard_normal(hz.size)
        spectrum = turn * np.sqrt((1 + corner_hz / hz) * 10 * points / step / 4)
        noise = np.fft.irfft(spectrum)[:points]
        rest = noise - basis @ (basis.T @ noise)
        found.append(TrendNoise.of(rest, columns, step, 0.0).density(at_hz))
    truth = 1 + corner_hz / at_hz
    middle = np.median(found, axis=0)
    assert np.all(middle > 0.9 * truth)
    assert np.all(middle < [1.6, 1.3, 1.1] * truth)  # what can't be ruled out counts


def test_white_noise_beside_a_ring_of_two_bins_is_not_read_where_the_fit_took_it_all():
    # columns that are the two slowest bins themselves leave nothing there: no division by nothing
    points = 200
    turn = np.exp(2j * np.pi * np.outer(np.arange(points) / points, [1, 2]))
    columns = np.hstack([np.ones((points, 1)), turn.real, turn.imag])
    basis = np.linalg.qr(columns)[0]
    noise = np.random.default_rng(6).standard_normal(points)
    found = TrendNoise.of(noise - basis @ (basis.T @ noise), columns, 0.02, 0.0)
    assert found.density(np.array([10.0]))[0] == pytest.approx(0.04, rel=0.25)
