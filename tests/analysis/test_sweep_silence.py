"""Clicks in the silence beside a sweep, against those put there."""

import numpy as np
import pytest

from sequencer.analysis.sweep_silence import find_clicks_beside

RATE_HZ = 48000.0
END = 24_000  # of what stands for the sweep
CELL = 960  # samples, 20 ms


def recorded(*clicks):
    """A tone, and 0.75 s of silence after it with clicks of 4 samples in it: sample, V."""
    volts = 1e-5 * np.random.default_rng(1).standard_normal(60_000)
    volts[:END] += np.sin(0.3 * np.arange(END))
    for at, size in clicks:
        volts[at : at + 4] += size
    return volts


@pytest.mark.parametrize("before", range(6))
def test_a_click_across_the_border_of_two_cells_is_one(before):
    at = END + 5 * CELL - before
    (click,) = find_clicks_beside(recorded((at, 0.1)), RATE_HZ, (0, END))
    assert click.at == at
    volts = np.zeros(60_000)
    volts[click.begin : click.begin + click.click.size] = click.click
    assert np.sum(volts) == pytest.approx(0.4, abs=2e-3)  # 96 samples of noise, and its line's


def test_clicks_of_two_sizes_in_neighbouring_cells_are_two():
    at = END + 5 * CELL
    found = find_clicks_beside(recorded((at - 200, 0.1), (at + 200, 0.01)), RATE_HZ, (0, END))
    assert [click.at for click in found] == [at - 200, at + 200]


def test_a_sweep_of_no_samples_leaves_a_silence_to_look_through():
    (click,) = find_clicks_beside(recorded((30_000, 0.1))[END:], RATE_HZ, (0, 0))
    assert click.at == 30_000 - END


def test_a_click_at_a_low_rate_is_seen():
    volts = 1e-5 * np.random.default_rng(1).standard_normal(1200)
    volts[800] += 0.1  # a millisecond about it is no sample at 200 samples/s
    (click,) = find_clicks_beside(volts, 200.0, (0, 400))
    assert click.at == 800
    assert np.max(click.click) == pytest.approx(0.1, rel=0.01)
