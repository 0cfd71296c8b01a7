"""A tone whose frequency moves within a record is told, and counted in what it does. By construction."""

import numpy as np
import pytest

from sequencer.analysis.tone import analyse_tone

RATE_HZ = 48000.0
SECOND = 3e-4  # of the tone
NOISE_V = 1e-5


def record(turns):
    """A tone of 1 V peak with its second harmonic, by its phase in turns, and noise."""
    phase = 2 * np.pi * turns
    noise = NOISE_V * np.random.default_rng(8).standard_normal(turns.size)
    return np.sin(phase) + SECOND * np.sin(2 * phase) + noise


def times(seconds):
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


MOVES = {
    "drift": lambda t, hz: hz * t**2 / 2 / t[-1],
    "step": lambda t, hz: hz * np.clip(t - t[-1] / 2, 0, None),
    "wander": lambda t, hz: hz / 2 * t[-1] / 9 * np.sin(9 * t / t[-1]),
}


@pytest.mark.parametrize("move", MOVES)
@pytest.mark.parametrize(
    ("tone_hz", "move_hz", "seconds"),
    [
        (1000.0, 0.01, 1.0),
        (1000.0, 0.05, 4.0),
        (1000.0, 0.3, 2.0),
        (100.0, 0.02, 4.0),
        (10e3, 1.0, 1.0),
    ],
)
def test_a_frequency_that_moves_is_told_and_counted(tone_hz, move_hz, seconds, move):
    time_s = times(seconds)
    turns = MOVES[move](time_s, move_hz)
    result = analyse_tone(record(tone_hz * time_s + turns), RATE_HZ)
    assert "frequency" in result.disturbed
    assert "thd_plus_noise" in result.disturbed
    assert result.phase_jump or result.frequency_range_hz == pytest.approx(move_hz, rel=0.4)
    # distortion and noise of the unmoved tone; the frequency is anywhere from its least to its most
    true = np.hypot(SECOND, NOISE_V * np.sqrt(2))
    found = result.thd_plus_noise
    assert abs(found.value - true) < 2.0 * found.standard_uncertainty
    off_v = abs(result.level_vrms.value - np.sqrt(0.5))
    assert off_v < 3.0 * result.level_vrms.standard_uncertainty
    assert result.level_range_db is None or result.level_range_db < 0.02
    first_hz = tone_hz - (move_hz / 2 if move == "wander" else 0.0)
    for true_hz in (first_hz, first_hz + move_hz):
        off_hz = abs(result.frequency_hz.value - true_hz)
        assert off_hz < 2.5 * result.frequency_hz.standard_uncertainty or result.phase_jump
    second = result.harmonics[2]
    assert second.value is None or abs(second.value - SECOND) < 3.0 * second.standard_uncertainty


@pytest.mark.parametrize("jump_rad", [2e-3, 2e-2])
def test_a_jump_of_the_phase_is_counted_in_the_distortion_and_noise(jump_rad):
    time_s = times(2.0)
    turns = 997.0 * time_s + jump_rad / (2 * np.pi) * (time_s > 0.8)
    result = analyse_tone(record(turns), RATE_HZ)
    assert result.phase_jump.size_rad == pytest.approx(jump_rad, rel=0.05)
    assert result.frequency_range_hz is None
    found = result.thd_plus_noise
    true = np.hypot(SECOND, NOISE_V * np.sqrt(2))
    assert abs(found.value - true) < 2.0 * found.standard_uncertainty


@pytest.mark.parametrize("seconds", [0.05, 0.3, 2.0])
@pytest.mark.parametrize("tone_hz", [45.0, 1000.0, 7000.0])
@pytest.mark.parametrize("n", range(5))
def test_a_steady_tone_moves_nowhere(tone_hz, seconds, n):
    time_s = times(max(seconds, 5 / tone_hz))
    made = record(tone_hz * time_s + 0.1 * n) * (1 + 1e-3 * (n % 2) * np.cos(200 * np.pi * time_s))
    if n > 2:
        made = np.round(made * 2**14) / 2**14
    result = analyse_tone(made, RATE_HZ)
    assert result.frequency_range_hz is None
    assert result.level_range_db is None


@pytest.mark.parametrize("seconds", [2.0, 4.0])
@pytest.mark.parametrize("depth", [0.01, 0.05])
@pytest.mark.parametrize("swing_hz", [1.0, 1.37])
def test_a_level_that_swings_is_told_whether_or_not_its_cycles_fit_the_record(
    seconds, depth, swing_hz
):
    time_s = times(seconds)
    gain = 1 + depth * np.sin(2 * np.pi * swing_hz * time_s)
    result = analyse_tone(gain * record(1000.1 * time_s), RATE_HZ)
    swing_db = 20 * np.log10((1 + depth) / (1 - depth))
    assert result.level_range_db == pytest.approx(swing_db, rel=0.15)
    for extreme in (gain.min(), gain.max()):
        off_v = abs(result.level_vrms.value - extreme * np.sqrt(0.5))
        assert off_v < 2.0 * result.level_vrms.standard_uncertainty
