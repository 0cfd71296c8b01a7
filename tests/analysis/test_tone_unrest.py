"""Clicks, lost samples and a moving level in a record of a tone, against the record without them."""

import re

import numpy as np
import pytest

from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.tone import analyse_tone

RATE, COUNT = 48000.0, 2**16


def tone(hz=997.3, seed=0):
    """A tone of 1 V peak with 0.01 % of H2, 0.005 % of H3, hum and noise of 10 uV."""
    t = np.arange(COUNT) / RATE
    wave = np.sin(2 * np.pi * hz * t) + 3e-5 * np.sin(2 * np.pi * 49.98 * t)
    wave += 1e-4 * np.sin(4 * np.pi * hz * t + 1) + 5e-5 * np.sin(6 * np.pi * hz * t + 2)
    return wave + 1e-5 * np.random.default_rng(seed).standard_normal(COUNT)


def numbers(result):
    harmonics = [result.harmonics[2], result.harmonics[3]]
    return [result.frequency_hz, result.thd, result.thd_plus_noise, *harmonics]


def assert_doubted(found, truth):
    """Each value, or bound, reaches the truth within twice its standard uncertainty."""
    for estimate, true in zip(found, truth, strict=True):
        if estimate.value is None:
            assert estimate.upper_bound > true.value
        else:
            u = np.hypot(estimate.standard_uncertainty, true.standard_uncertainty)
            assert abs(estimate.value - true.value) < 2.2 * u


# truth: the same record without the click, whose numbers test_tone.py checks
@pytest.mark.parametrize("size_v", [1e-3, 1e-2, 0.3])
@pytest.mark.parametrize("width", [1, 5, 20])
@pytest.mark.parametrize("part", [0.02, 0.3, 0.5, 0.98])
def test_click_is_told_and_is_in_the_doubts(part, width, size_v):
    wave, at = tone(), round(part * COUNT)
    steady = analyse_tone(wave, RATE)
    wave[at : at + width] += size_v
    result = analyse_tone(wave, RATE)
    (click,) = result.clicks
    assert click.at_s == pytest.approx(at / RATE, abs=2 / RATE)
    assert click.size_v == pytest.approx(size_v, rel=0.06)
    assert result.disturbed
    assert_doubted([*numbers(result), result.level_vrms], [*numbers(steady), steady.level_vrms])


@pytest.mark.parametrize("kind", ["tail", "ringing"])
@pytest.mark.parametrize("seed", range(4))
def test_click_that_dies_away_is_in_the_doubts(seed, kind):
    rng = np.random.default_rng(seed)
    wave, at = tone(seed=seed), int(rng.uniform(0.05, 0.9) * COUNT)
    steady = analyse_tone(wave, RATE)
    m = np.arange(100)
    wave[at : at + 100] += 0.05 * np.exp(-m / 15) * (np.cos(0.9 * m) if kind == "ringing" else 1)
    result = analyse_tone(wave, RATE)
    assert len(result.clicks) == 1
    assert "thd_plus_noise" in result.disturbed
    assert_doubted(numbers(result), numbers(steady))


def test_several_clicks_are_counted():
    wave = tone()
    wave[[9000, 20000, 50000]] += (0.01, -0.2, 0.05)
    assert [click.at_s * RATE for click in analyse_tone(wave, RATE).clicks] == [9000, 20000, 50000]


@pytest.mark.parametrize("kind", ["clipped", "crossover", "rectifier", "short"])
def test_what_recurs_is_no_click(kind):
    t = np.arange(COUNT) / RATE
    wave = tone()
    if kind == "clipped":
        wave = np.clip(wave, -0.97, 0.97) + 1e-5 * np.random.default_rng(9).standard_normal(COUNT)
    if kind == "crossover":
        wave = np.sign(wave) * np.maximum(np.abs(wave) - 0.01, 0.0)
    if kind == "rectifier":
        wave += 1e-3 * np.exp(-(t * 100 % 1) / 0.01)
    if kind == "short":
        wave = wave[:3000]
    result = analyse_tone(wave, RATE)
    assert result.clicks == ()
    assert result.level_range_db is None
    assert not result.disturbed


@pytest.mark.parametrize("held", ["zero", "last", "noise"])
@pytest.mark.parametrize("count", [8, 20, 300])
def test_lost_samples_are_refused(count, held):
    wave = tone()
    lost = {"zero": 0.0, "last": wave[20000], "noise": 1e-5 * np.cos(np.arange(count) ** 2)}
    wave[20000 : 20000 + count] = lost[held]
    with pytest.raises(CannotMeasure) as refusal:
        analyse_tone(wave, RATE)
    assert refusal.value.code == "dropout"
    place = re.search(r"sample (\d+)", str(refusal.value))
    assert abs(int(place[1]) - 20000) <= 1


# truth: the levels before and after, or at the ends, which the record was made with
@pytest.mark.parametrize("change_db", [0.01, -0.1, 1.0])
@pytest.mark.parametrize("course", ["step early", "step", "fade", "there and back"])
def test_level_that_moves_is_told_and_is_in_its_doubt(course, change_db):
    wave, u = tone(), np.linspace(0, 1, COUNT)
    steady = analyse_tone(wave, RATE)
    how = {
        "step early": u > 0.06,
        "step": u > 0.4,
        "fade": u,
        "there and back": 0.5 - 0.5 * np.cos(2 * np.pi * u),
    }[course]
    result = analyse_tone(wave * 10 ** (change_db / 20 * how), RATE)
    assert result.level_range_db == pytest.approx(abs(change_db), rel=0.12)
    assert {"level", "thd_plus_noise"} <= result.disturbed
    level = result.level_vrms
    for db in (0.0, change_db):
        there = steady.level_vrms.value * 10 ** (db / 20)
        assert abs(level.value - there) < 2.1 * level.standard_uncertainty
    assert_doubted(numbers(result), numbers(steady))


def test_steady_tone_with_a_line_beside_it_has_a_steady_level():
    # a second line 4.5 bins off beats with the tone, which is fitted beside it
    t = np.arange(COUNT) / RATE
    wave = tone() + 1e-3 * np.sin(2 * np.pi * (997.3 + 4.5 * RATE / COUNT) * t)
    result = analyse_tone(wave, RATE)
    assert result.level_range_db is None
    assert not result.disturbed
    assert result.level_vrms.value == pytest.approx(np.sqrt(0.5), abs=1e-6)


@pytest.mark.parametrize("seed", range(40))
def test_good_captures_have_no_word_of_unrest(seed):
    rng = np.random.default_rng(seed)
    rate = float(rng.choice([44100, 48000, 96000]))
    count, hz = int(2 ** rng.uniform(11.5, 16)), 10 ** rng.uniform(2, 3.7)
    t = np.arange(count) / rate
    wave = np.sin(2 * np.pi * hz * t + 1)
    wave += 10 ** rng.uniform(-4, -2) * wave**2 + 10 ** rng.uniform(-4, -2) * wave**3
    for k in range(1, 6):
        wave += 10 ** rng.uniform(-5, -3) * np.sin(2 * np.pi * 50.03 * k * t + k)
    wave += 10 ** rng.uniform(-6, -3) * rng.standard_normal(count)
    wave = np.round(wave * 2**14) / 2**14 if seed % 2 else wave
    result = analyse_tone(wave, rate)
    assert (result.clicks, result.level_range_db, result.disturbed) == ((), None, frozenset())


def slow_tone(hz, seconds, lost=0, at=0.4, noise_db=-100.0, seed=0, turn=None, rate=RATE):
    """A tone of 1 V peak with 0.1 % of H2 and H3; from a part on, samples are missing (or doubled).

    turn : s -> rad, a phase that moves
    """
    rng = np.random.default_rng(seed)
    n = np.arange(round(seconds * rate))
    t = (n + np.where(n < at * n.size, 0, lost)) / rate
    phase = 2 * np.pi * hz * t + (0.0 if turn is None else turn(t))
    wave = np.sin(phase) + 1e-3 * np.sin(2 * phase + 1) + 1e-3 * np.sin(3 * phase + 2)
    return wave + 10 ** (noise_db / 20) / np.sqrt(2) * rng.standard_normal(n.size)


# truth: the samples that were left out. One turns a tone of 30 Hz by 0.2 degrees, at 48 kHz
@pytest.mark.parametrize(
    ("hz", "seconds", "rate"),
    [(31.7, 1, 48e3), (61.3, 2, 48e3), (97.1, 5, 48e3), (997, 0.3, 384e3)],
)
@pytest.mark.parametrize("lost", [1, -1, 2])
@pytest.mark.parametrize("noise_db", [-110, -70])
def test_few_samples_lost_in_a_slow_tone_are_a_dropout(hz, seconds, rate, lost, noise_db):
    for at in (0.35, 0.62):
        with pytest.raises(CannotMeasure, match="missing" if lost > 0 else "too many") as refusal:
            analyse_tone(slow_tone(hz, seconds, lost, at, noise_db, rate=rate), rate)
        assert refusal.value.code == "dropout"
        near = re.search(r"near sample (\d+)", refusal.value.reason)
        assert int(near[1]) == pytest.approx(at * seconds * rate, abs=seconds * rate / 30)


# truth: the frequency that the tone has before and after
@pytest.mark.parametrize(
    ("jump_rad", "at"),
    [(0.003, 0.5), (-0.0031, 0.3), (0.0064 * 0.5, 0.7), (2 * np.pi * 50.3 / RATE, 0.03)],
)
def test_jump_of_phase_by_no_whole_sample_is_in_the_doubt_of_the_frequency(jump_rad, at):
    wave = slow_tone(50.3, 2, turn=lambda t: jump_rad * (t > 2 * at))
    result = analyse_tone(wave, RATE)
    assert result.phase_jump is not None
    assert result.phase_jump.at_s == pytest.approx(2 * at, abs=0.06)
    assert result.phase_jump.size_rad == pytest.approx(jump_rad, rel=0.3)
    assert "frequency" in result.disturbed
    off_hz = abs(result.frequency_hz.value - 50.3)
    assert off_hz < 2 * result.frequency_hz.standard_uncertainty < 4 * off_hz


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("kind", ["steady", "drifting", "swinging", "walking", "new frequency"])
def test_tone_that_wanders_has_lost_no_samples(kind, seed):
    rng = np.random.default_rng(seed)
    hz, far, place = rng.uniform(30, 100), rng.uniform(3e-4, 3e-2), rng.uniform(0.1, 0.9)
    walk = np.cumsum(rng.standard_normal(400))
    turn = {
        "steady": lambda t: 0.0 * t,
        "drifting": lambda t: far * t**2,
        "swinging": lambda t: far * np.sin(2 * np.pi * 1.3 * t),
        "walking": lambda t: far * np.interp(t, np.linspace(0, 2, 400), walk / np.ptp(walk)),
        "new frequency": lambda t: far * np.maximum(t - 2 * place, 0),
    }[kind]
    result = analyse_tone(slow_tone(hz, 2, seed=seed, turn=turn), RATE)
    if kind == "steady":
        assert result.phase_jump is None
        assert not result.disturbed


# truth: the frequency; 16 to 24 cycles are too few for parts of three
@pytest.mark.parametrize(("hz", "seconds"), [(20.3, 1), (23.7, 1), (47.1, 0.5)])
@pytest.mark.parametrize("at", [0.35, 0.5, 0.7])
@pytest.mark.parametrize("lost", [1, -1])
def test_sample_lost_in_few_cycles_is_refused_or_in_the_doubt(hz, seconds, lost, at):
    wave, result, refused = slow_tone(hz, seconds, lost, at), None, ""
    try:
        result = analyse_tone(wave, RATE)
    except CannotMeasure as refusal:
        refused = refusal.code
    if result is None:
        assert refused == "dropout"
        return
    assert "frequency" in result.disturbed
    off_hz = abs(result.frequency_hz.value - hz)
    assert off_hz < 2 * result.frequency_hz.standard_uncertainty


@pytest.mark.parametrize("at", [0.12, 0.3, 0.5, 0.86])
@pytest.mark.parametrize(("hz", "cycles"), [(45.0, 24), (1000.0, 70), (1000.0, 31)])
def test_a_step_of_the_level_in_a_short_record_is_told_and_counted(hz, cycles, at):
    # no harmonics by construction; 20 log10(1.01) = 0.0864 dB
    count = int(cycles * RATE / hz)
    t = np.arange(count) / RATE
    gain = np.where(t > at * t[-1], 1.01, 1.0)
    noise = 1e-5 * np.random.default_rng(8).standard_normal(count)
    result = analyse_tone(gain * np.cos(2 * np.pi * hz * t + 1.0) + noise, RATE)
    assert result.level_range_db == pytest.approx(0.0864, rel=0.1)
    assert "level" in result.disturbed
    for true in (1.0, 1.01):
        off = abs(result.level_vrms.value - true / np.sqrt(2))
        assert off < 2.5 * result.level_vrms.standard_uncertainty
    for harmonic in result.harmonics.values():
        assert (harmonic.value or 0.0) < 4 * harmonic.standard_uncertainty + 1e-9


@pytest.mark.parametrize("n", range(20))
@pytest.mark.parametrize(("hz", "cycles"), [(45.0, 24), (1000.0, 70), (1000.0, 31)])
def test_the_level_of_a_short_good_record_is_steady(hz, cycles, n):
    rng = np.random.default_rng(n)
    t = np.arange(int(cycles * RATE / hz)) / RATE
    wave = np.cos(2 * np.pi * hz * t + rng.uniform(-3, 3)) + 1e-4 * np.cos(2 * np.pi * 150 * t)
    wave *= 1 + 1e-4 * (n % 2) * np.cos(2 * np.pi * 100 * t)  # rails that ripple
    result = analyse_tone(wave + 10.0 ** -(3 + n % 4) * rng.standard_normal(t.size), RATE)
    assert result.level_range_db is None
