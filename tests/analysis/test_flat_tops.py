"""Tops of a tone that are flat, against where and how long the tone was cut off."""

import numpy as np
import pytest

from sequencer.analysis.tone import analyse_tone

RATE, COUNT = 48000.0, 2**15


def cycle_phase(hz):
    return 2 * np.pi * hz * np.arange(COUNT) / RATE + 0.3


def analysed(wave, noise_db=-90.0, seed=0):
    """A tone of 0.5 V peak under noise, with an offset of 10 mV, in 24 bits."""
    noise = 10 ** (noise_db / 20) / np.sqrt(2) * np.random.default_rng(seed).standard_normal(COUNT)
    volts = np.round((0.5 * (wave + noise) + 0.01) * 2**23) / 2**23
    return analyse_tone(volts, RATE, range_peak_v=1.0)


# truth: cos x lies over L for 2 acos(L) of a cycle
@pytest.mark.parametrize("hz", [61.3, 243.1, 1003.7, 1487.3])
@pytest.mark.parametrize("limit", [0.97, 0.9, 0.7])
@pytest.mark.parametrize("noise_db", [-130, -60])
@pytest.mark.parametrize("sides", ["both", "upper", "lower"])
def test_flat_tops_are_told_with_voltage_and_time(hz, limit, noise_db, sides):
    low, high = {"both": (-limit, limit), "upper": (-9, limit), "lower": (-limit, 9)}[sides]
    found = analysed(np.clip(np.sin(cycle_phase(hz)), low, high), noise_db).flat_tops
    assert found is not None
    tops = [0.5 * limit for _ in range(sides != "lower")]
    tops += [-0.5 * limit for _ in range(sides != "upper")]
    assert found.at_v == pytest.approx([v + 0.01 for v in tops], abs=0.006)
    assert found.share == pytest.approx(len(tops) * np.arccos(limit) / np.pi, rel=0.25)


@pytest.mark.parametrize("turn", [0.0, np.pi / 2, np.pi, 4.0])
@pytest.mark.parametrize("size", [0.001, 0.01, 0.05])
@pytest.mark.parametrize("order", [2, 3])
def test_distorted_tone_without_a_limit_has_no_flat_tops(order, size, turn):
    for hz in (61.3, 1000.0, 1003.7, 5003.0):
        phase = cycle_phase(hz)
        wave = np.sin(phase) + size * np.sin(order * phase + turn)
        assert analysed(wave, -70).flat_tops is None


@pytest.mark.parametrize("noise_db", [-130, -60, -35])
@pytest.mark.parametrize("kind", ["bent", "crossover", "plain", "lopsided"])
def test_amplifier_inside_its_range_has_no_flat_tops(kind, noise_db):
    for seed, hz in enumerate((50.0, 243.1, 1000.0, 1003.7, 4003.0)):
        sine = np.sin(cycle_phase(hz))
        wave = {
            "bent": np.tanh(0.9 * sine) / 0.9,  # 6 % of H3
            "crossover": np.sign(sine) * np.maximum(np.abs(sine) - 0.003, 0.0),
            "plain": sine,
            "lopsided": sine / (1 + 0.2 * sine),
        }[kind]
        assert analysed(wave, noise_db, seed).flat_tops is None
