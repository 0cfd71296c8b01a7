"""Courses of a trend, against numerical mathematics."""

import numpy as np
import pytest

from sequencer.analysis import trend_models


@pytest.mark.parametrize(
    ("kind", "nonlinear"),
    [
        ("decaying", [0.8]),
        ("two-stage", [0.8, 3.0]),
        ("ringing", [0.5, 1.3]),
        ("mixed", [0.5, 1.3, 0.9]),
    ],
)
@pytest.mark.parametrize("kernel_s", [0.0, 0.04])
def test_the_slopes_of_a_course_are_its_differences(kind, nonlinear, kernel_s):
    """Against central differences (numerical differentiation)."""
    time, at = np.linspace(0.1, 5.0, 200), np.array(nonlinear)
    linear = np.random.default_rng(1).standard_normal(1 + at.size)
    slopes = trend_models._column_slopes(kind, time, at, kernel_s, linear)
    for k, slope in enumerate(slopes.T):
        step = np.zeros(at.size)
        step[k] = 1e-6
        above = trend_models._columns(kind, time, at + step, kernel_s) @ linear
        below = trend_models._columns(kind, time, at - step, kernel_s) @ linear
        assert slope == pytest.approx((above - below) / 2e-6, abs=1e-7)
