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
