"""Damped sines, against sums known in closed form."""

import numpy as np
import pytest

from sequencer.analysis.damped_modes import DampedLines


def one_line(rate, samples):
    """A sine of 2 V peak and 100 Hz that decays with 1/tau = rate, 1/s, at 1 kS/s."""
    return DampedLines(
        amplitude=np.array([2.0 + 0.0j]),
        pole=np.array([complex(-rate, 200 * np.pi)]),
        amplitude_variance_v2=np.zeros(1),
        rate_variance=np.zeros(1),
        frequency_variance_hz2=np.zeros(1),
        noise_v2=np.zeros(1),
        rest=np.zeros(samples),
        rate_hz=1000.0,
    )


@pytest.mark.parametrize("rate", [0.0, 1e-9, 5.0, -0.5])
def test_energy_is_a_quarter_of_the_squared_amplitude_times_the_sum_of_squares(rate):
    # abs(a)^2/4 = 1 V^2 times the sum of exp(-2 t/tau), added up here; 500 where it is steady
    expected = np.sum(np.exp(-2.0 * rate * np.arange(500) / 1000.0))
    assert one_line(rate, 500).energy_v2 == pytest.approx(expected, rel=1e-6)
