"""Steps in the levels of a record's parts, by construction."""

import numpy as np
import pytest

from sequencer.analysis.tone_steps import find_level_step


@pytest.mark.parametrize("parts", [8, 12, 16])
@pytest.mark.parametrize("at", [1.0, 3.4, 6.8])
def test_a_step_is_found_where_and_as_large_as_it_is(parts, at):
    number = np.arange(parts)
    levels = np.where(number < int(at), 0.0, 1.0)
    share = at - int(at)  # of that part lies before; a Hann-weighted mean of it holds so much less
    levels[int(at)] = 1.0 - (share - np.sin(2 * np.pi * share) / (2 * np.pi))
    levels += 1e-4 * np.random.default_rng(parts).standard_normal(parts)
    step = find_level_step(levels)
    assert step.at_parts == pytest.approx(at, abs=0.03)
    assert step.after - step.before == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("noise", [0.0, 1e-5])
@pytest.mark.parametrize("part", [1, 7, 14])
def test_a_dip_of_one_part_is_no_step(part, noise):
    levels = noise * np.random.default_rng(part).standard_normal(16)
    levels[part] -= 0.5
    assert find_level_step(levels) is None


@pytest.mark.parametrize("parts", [8, 12, 16])
def test_noise_alone_is_no_step(parts):
    # supposed to be found once in 10^6; none in 20000 is seen by chance in 98 % of all trials
    rng = np.random.default_rng(parts)
    assert not any(find_level_step(rng.standard_normal(parts)) for _ in range(20000))


def test_too_few_parts_tell_nothing():
    assert find_level_step(np.array([0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0])) is None
