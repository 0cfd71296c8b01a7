"""Courses of a trend, against numerical mathematics."""

import numpy as np
import pytest

from sequencer.analysis import trend_models
from sequencer.analysis.trend import Trend


@pytest.mark.parametrize(
    ("kind", "nonlinear"),
    [
        ("decaying", [0.8]),
        ("sloping", [0.8]),
        ("stepped", [0.8, 2.007]),
        ("two-stage", [0.8, 3.0]),
        ("ringing", [0.5, 1.3]),
        ("mixed", [0.5, 1.3, 0.9]),
    ],
)
@pytest.mark.parametrize("kernel_s", [0.0, 0.04])
def test_the_slopes_of_a_course_are_its_differences(kind, nonlinear, kernel_s):
    """Against central differences (numerical differentiation)."""
    time, at = np.linspace(0.1, 5.0, 200), np.array(nonlinear)
    amplitudes = {"sloping": 3}.get(kind, 1 + at.size)
    linear = np.random.default_rng(1).standard_normal(amplitudes)
    slopes = trend_models._column_slopes(kind, time, at, kernel_s, linear)
    for k, slope in enumerate(slopes.T):
        step = np.zeros(at.size)
        step[k] = 1e-6
        above = trend_models._columns(kind, time, at + step, kernel_s) @ linear
        below = trend_models._columns(kind, time, at - step, kernel_s) @ linear
        assert slope == pytest.approx((above - below) / 2e-6, abs=1e-7)


@pytest.mark.parametrize(
    "kind", ["steady", "decaying", "sloping", "stepped", "two-stage", "ringing", "mixed"]
)
@pytest.mark.parametrize("level_v", [0.0, 0.5])
def test_any_course_through_equal_points_is_their_level(kind, level_v):
    trend = Trend(
        time_s=0.02 * np.arange(1, 151),
        value_v=np.full(150, level_v),
        step_s=0.02,
        kernel_s=0.02,
        noise_v=0.0,
        sample_s=1e-3,
    )
    course = trend_models.fit_course(kind, trend, 0.0)
    assert course.value_v(trend.time_s) == pytest.approx(trend.value_v, abs=1e-9)
    assert np.all(np.isfinite(course.covariance))


@pytest.mark.parametrize("scale", [1e-80, 1.0, 1e80])
def test_noise_of_a_residual_goes_with_its_square(scale):
    # white noise of 1 V a point, 0.02 s apart, has 2 x 0.02 V^2/Hz (one-sided)
    rest = scale * np.random.default_rng(2).standard_normal(2000)
    noise = trend_models.Noise.of(rest, np.ones((2000, 1)), 0.02, 0.0)
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
        found.append(trend_models.Noise.of(rest, columns, step, 0.0).density(at_hz))
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
    found = trend_models.Noise.of(noise - basis @ (basis.T @ noise), columns, 0.02, 0.0)
    assert found.density(np.array([10.0]))[0] == pytest.approx(0.04, rel=0.25)
