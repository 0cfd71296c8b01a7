"""Samples lost in a record without signal: told by the hum, read beside them; truth by construction."""

import numpy as np
import pytest

from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.hum_jumps import HumJump, find_hum_jumps, longest_between
from sequencer.analysis.idle import analyse_idle
from sequencer.steps.hum import hum_findings

RATE_HZ = 48000.0
MAINS_HZ = 50.02


def level_v(multiple):
    return 1e-4 / multiple


def hum(count, seed=0, *, lines=20, mains_hz=MAINS_HZ):
    rng = np.random.default_rng(seed)
    turn = 2 * np.pi * mains_hz * np.arange(count) / RATE_HZ
    return sum(
        np.sqrt(2) * level_v(k) * np.cos(k * turn + rng.uniform(0, 6)) for k in range(1, lines + 1)
    )


def with_loss(seconds, lost, at=0.37, seed=0, **made):
    """White noise of 20 uV a sample, and hum of which so many samples are missing."""
    count = round(seconds * RATE_HZ)
    first = int(at * count)
    wave = np.delete(hum(count + lost, seed, **made), slice(first, first + lost))
    return wave + 2e-5 * np.random.default_rng(seed + 1).standard_normal(count)


@pytest.mark.parametrize(
    ("seconds", "lost"),
    [(1.0, 5), (1.0, 100), (3.0, 5), (3.0, 24), (3.0, 480), (10.0, 2), (10.0, 100), (10.0, 500)],
)
def test_lost_samples_are_told_and_all_is_read_beside_them(seconds, lost):
    result = analyse_idle(with_loss(seconds, lost), RATE_HZ)
    (jump,) = result.hum_jumps
    assert jump.from_s < 0.37 * seconds + 0.1
    assert jump.to_s > 0.37 * seconds - 0.1
    off = jump.shift_s * RATE_HZ - lost
    cycle = RATE_HZ / MAINS_HZ
    assert abs(off - cycle * np.rint(off / cycle)) < 0.1 * lost + 2
    mains = result.mains_frequency_hz
    assert abs(mains.value - MAINS_HZ) < 3.5 * mains.standard_uncertainty
    for k, level in result.hum_lines.items():
        assert abs(level.value - level_v(k)) < 3.5 * level.standard_uncertainty
    assert not result.clicks
    for finding in hum_findings(result, said_by="the test"):
        assert any("turn at once" in words for words in finding.remarks)


def test_times_are_those_of_the_whole_record():
    wave = with_loss(6.0, 50, 0.3)
    wave[round(5.0 * RATE_HZ) : round(5.0 * RATE_HZ) + 20] += 1e-2
    result = analyse_idle(wave, RATE_HZ)
    assert result.read_s[0] == pytest.approx(1.8, abs=0.3)
    assert result.read_s[1] == pytest.approx(6.0, abs=1e-3)
    (click,) = result.clicks
    assert click.at_s == pytest.approx(5.0, abs=1e-3)


def test_losses_that_leave_no_stretch_are_a_dropout():
    jumps = [HumJump(from_s=at_s, to_s=at_s + 0.24, shift_s=1e-3) for at_s in (0.1, 0.4, 0.7, 0.95)]
    with pytest.raises(CannotMeasure) as caught:
        longest_between(jumps, 1.3, 0.2)
    assert caught.value.code == "dropout"
    assert longest_between(jumps, 2.0, 0.2) == pytest.approx((1.19, 2.0))


@pytest.mark.parametrize("seconds", [0.5, 1.0, 3.0, 8.0])
def test_good_records_have_no_jumps(seconds):
    for seed in range(20):
        rng = np.random.default_rng(seed)
        mains_hz = 50.0 + rng.uniform(-0.5, 0.5)
        wave = 10.0 ** rng.uniform(-1, 2) * hum(
            round(seconds * RATE_HZ), seed, lines=int(rng.integers(1, 20)), mains_hz=mains_hz
        )
        wave += 2e-5 * rng.standard_normal(wave.size)
        if seed % 3 == 0:
            wave = 3e-5 * np.round(wave / 3e-5)
        if seed % 4 == 0:
            wave[wave.size // 3 : wave.size // 3 + 400] += 1e-2  # a click
        assert not find_hum_jumps(wave, RATE_HZ, 50.0)


@pytest.mark.parametrize(("swing_hz", "period_s"), [(0.02, 5.0), (0.1, 30.0), (0.1, 5.0)])
def test_a_mains_that_wanders_does_not_jump(swing_hz, period_s):
    for seed in range(6):
        time_s = np.arange(round((3.0, 10.0)[seed % 2] * RATE_HZ)) / RATE_HZ
        swing = swing_hz * period_s / (2 * np.pi) * np.cos(2 * np.pi * time_s / period_s + seed)
        turn = 2 * np.pi * (50.0 * time_s - swing)
        wave = sum(4e-4 / k * np.cos(k * turn + k) for k in range(1, 20))
        noise = (0.0, 2e-5)[seed // 3] * np.random.default_rng(seed).standard_normal(wave.size)
        assert not find_hum_jumps(wave + noise, RATE_HZ, 50.0)


def test_without_hum_there_is_nothing_to_jump():
    assert not find_hum_jumps(np.random.default_rng(0).standard_normal(96000), RATE_HZ, 50.0)


@pytest.mark.parametrize("walk_hz", [0.001, 0.003, 0.01])  # in a second
def test_a_frequency_that_walks_at_random_does_not_jump(walk_hz):
    """Such a mains has no step in its phase, by construction: that is its frequency, summed."""
    for seed in range(40):
        rng = np.random.default_rng(seed)
        seconds, every_s = (3.0, 8.0)[seed % 2], 0.01
        off_hz = walk_hz * np.cumsum(rng.standard_normal(round(seconds / every_s))) * every_s**0.5
        time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
        turned = np.interp(time_s / every_s, np.arange(off_hz.size), np.cumsum(off_hz) * every_s)
        wave = 10 ** rng.uniform(0, 3) * np.cos(2 * np.pi * (MAINS_HZ * time_s + turned))
        assert not find_hum_jumps(wave + rng.standard_normal(wave.size), RATE_HZ, 50.0)


def test_even_lines_alone_and_a_click_are_no_half_cycle():
    """A rectifier's spikes turned by half a cycle are the same."""
    for seed in range(30):
        rng = np.random.default_rng(seed)
        turn = 2 * np.pi * MAINS_HZ * np.arange(64000) / 8000.0
        wave = 30 * np.exp(60 * (np.cos(2 * turn) - 1)) + rng.standard_normal(turn.size)
        first = rng.integers(0, wave.size - 400)
        wave[first : first + 400] += 300 * rng.standard_normal(400)
        assert not find_hum_jumps(wave, 8000.0, 50.0)


@pytest.mark.parametrize("rate_hz", [160.0, 200.0, 240.0, 333.0, 500.0])
def test_few_samples_a_cycle(rate_hz):
    for seed in range(20):
        rng = np.random.default_rng(seed)
        time_s = np.arange(round((0.3, 1.0, 10.0)[seed % 3] * rate_hz)) / rate_hz
        hum_v = 10 ** rng.uniform(0, 3) * np.cos(2 * np.pi * rng.uniform(49.8, 50.2) * time_s)
        assert not find_hum_jumps(hum_v + rng.standard_normal(hum_v.size), rate_hz, 50.0)


def test_most_losses_are_told_while_the_frequency_walks():
    """Losses of 10 to 500 samples in 4 s at 1 mHz in a second: most, and none twice."""
    told = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        lost, at_s = (10, 24, 100, 500)[seed % 4], rng.uniform(1.0, 3.0)
        time_s = np.arange(round(4.0 * RATE_HZ)) / RATE_HZ
        time_s += (time_s > at_s) * lost / RATE_HZ
        off_hz = 0.001 * np.cumsum(rng.standard_normal(420)) * 0.1
        turned = np.interp(time_s / 0.01, np.arange(off_hz.size), np.cumsum(off_hz) * 0.01)
        wave = 14 * np.cos(2 * np.pi * (MAINS_HZ * time_s + turned))
        jumps = find_hum_jumps(wave + rng.standard_normal(wave.size), RATE_HZ, 50.0)
        assert all(jump.from_s < at_s < jump.to_s for jump in jumps)
        assert len(jumps) < 2
        told += len(jumps)
    assert told >= 18
