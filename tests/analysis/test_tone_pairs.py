"""Which pair of tones a record holds."""

import numpy as np
import pytest

from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.tone_pairs import DIFFERENCE_PAIRS_HZ, MODULATION_PAIRS_HZ, choose_pair

RATE_HZ = 48000.0
ALL = (*((p, 4.0) for p in MODULATION_PAIRS_HZ), *((p, 1.0) for p in DIFFERENCE_PAIRS_HZ))


def two_tones(lower_hz, upper_hz, ratio=1.0, seconds=1.0, noise=1e-4):
    rng = np.random.default_rng(3)
    time = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    phases = rng.uniform(0, 2 * np.pi, 2)
    volts = ratio * np.cos(2 * np.pi * lower_hz * time + phases[0])
    volts += np.cos(2 * np.pi * upper_hz * time + phases[1])
    return volts + noise * rng.standard_normal(time.size)


def pairs_of(ratio):
    return MODULATION_PAIRS_HZ if ratio == 4.0 else DIFFERENCE_PAIRS_HZ


@pytest.mark.parametrize(("pair", "ratio"), ALL)
@pytest.mark.parametrize("seconds", [0.2, 1.0, 3.3])
@pytest.mark.parametrize("off", [0.993, 1.0, 1.007])  # a generator's error
def test_each_customary_pair_is_known(pair, ratio, seconds, off):
    record = two_tones(off * pair[0], off * pair[1], ratio, seconds)
    assert choose_pair(record, RATE_HZ, pairs_of(ratio)) == pair


@pytest.mark.parametrize(("pair", "ratio"), ALL)
@pytest.mark.parametrize("wrong", [44.1 / 48, 48 / 44.1])
def test_a_pair_moved_by_a_wrong_rate_is_none(pair, ratio, wrong):
    record = two_tones(wrong * pair[0], wrong * pair[1], ratio)
    with pytest.raises(CannotMeasure, match="expected one of the pairs") as refused:
        choose_pair(record, RATE_HZ, pairs_of(ratio))
    assert refused.value.code == "wrong_frequency"


def test_what_was_found_is_said():
    with pytest.raises(CannotMeasure, match=r"lie at 100 and 5000 Hz.* 250 and 8000 Hz"):
        choose_pair(two_tones(100.0, 5000.0, 4.0), RATE_HZ, MODULATION_PAIRS_HZ)


def test_harmonics_of_a_tone_that_is_cut_off_are_not_the_other_tone():
    record = np.clip(two_tones(250.0, 8000.0, 4.0), -1.0, 1.0)
    assert choose_pair(record, RATE_HZ, MODULATION_PAIRS_HZ) == (250.0, 8000.0)


def test_where_no_two_tones_are_the_first_pair_is_asked():
    noise = 1e-3 * np.random.default_rng(1).standard_normal(48000)
    one = np.cos(2 * np.pi * 1000.0 * np.arange(48000) / RATE_HZ) + noise
    for record in (noise, one, np.zeros(48000), np.ones(3)):
        assert choose_pair(record, RATE_HZ, DIFFERENCE_PAIRS_HZ) == (19e3, 20e3)
