"""White and 1/f noise as they may be, against what they were drawn from and against Student's t."""

import numpy as np
import pytest
import scipy

from sequencer.analysis.likely_noise import LikelyNoise

CYCLES = np.tile(np.arange(1.0, 25.0), 2)


def likely(power):
    return LikelyNoise.of(
        power,
        white=np.ones_like(CYCLES),
        flicker=1.0 / CYCLES,
        weight=np.ones_like(CYCLES),
        span=(1.0, 24.0),
    )


def test_two_doubts_cover_a_sum_whose_noise_is_drawn_as_it_is_supposed_to_be():
    # JCGM 101:2008, 7.7: what an interval is to hold, here as for two standard deviations, 95.45 %;
    # one draw in three white, the others with a corner of 1 to 2400 cycles
    rng = np.random.default_rng(1)
    of_white, of_flicker = 0.5, 2.0
    inside = []
    for k in range(2000):
        corner = 0.0 if k % 3 == 0 else 2400.0 ** rng.uniform()
        power = (1.0 + corner / CYCLES) * rng.standard_normal(CYCLES.size) ** 2
        truth = rng.standard_normal() * np.sqrt(of_white + of_flicker * corner)
        doubt = np.sqrt(likely(power).variance(of_white, of_flicker))
        inside.append(abs(truth) < 2.0 * doubt)
    assert np.mean(inside) == pytest.approx(0.9545, abs=0.012)


def test_a_sum_that_takes_both_as_the_components_do_has_students_t():
    # alike in every component, white and 1/f noise need no telling apart: the level's freedom is left
    noise = LikelyNoise.of(
        np.full(8, 3.0),
        white=np.ones(8),
        flicker=np.ones(8),
        weight=np.ones(8),
        span=(1.0, 1.0),
    )
    half = scipy.stats.t.ppf(scipy.stats.norm.cdf(2.0), 8) / 2.0
    assert np.sqrt(noise.variance(1.0, 1.0)) == pytest.approx(half * np.sqrt(3.0), rel=1e-3)


@pytest.mark.parametrize("scale", [1e-100, 1e100])
def test_doubt_goes_with_the_noise(scale):
    power = np.random.default_rng(3).standard_normal(CYCLES.size) ** 2
    one = likely(power).variance(0.5, 2.0)
    assert likely(scale * power).variance(0.5, 2.0) == pytest.approx(scale * one, rel=1e-6)


def test_without_noise_there_is_next_to_no_doubt():
    assert likely(np.zeros(CYCLES.size)).variance(0.5, 2.0) < 1e-200
