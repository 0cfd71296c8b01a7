"""Spurs: level, place and width against what was put in, and no spur where none was."""

import math

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.wideband import alias_hz, analyse_wideband

RATE_HZ = 1.25e6
COUNT = 2**19
TIME_S = np.arange(COUNT) / RATE_HZ
FLOOR = 0.5e-6  # V/sqrt(Hz)


def noise(rng, shape=None):
    """White noise of density FLOOR, or shaped by a function of frequency."""
    white = FLOOR * np.sqrt(RATE_HZ / 2) * rng.standard_normal(COUNT)
    if shape is None:
        return white
    frequency = np.maximum(np.fft.rfftfreq(COUNT, 1 / RATE_HZ), 1.0)
    return np.fft.irfft(np.fft.rfft(white) * shape(frequency), COUNT)


def spur(rng, frequency_hz, level_vrms, jitter_hz=0.0):
    """A line whose frequency wanders by jitter_hz rms within 150 Hz; constant amplitude, so its
    level is level_vrms exactly whatever the jitter."""
    slow = sosfilt(butter(3, 150, fs=5000, output="sos"), rng.standard_normal(5000))[1000:]
    wander = np.interp(TIME_S, np.arange(slow.size) / 5000, slow / np.std(slow))
    phase = 2 * np.pi * np.cumsum(frequency_hz + jitter_hz * wander) / RATE_HZ
    return level_vrms * np.sqrt(2) * np.cos(phase + rng.uniform(0, 2 * np.pi))


def db(ratio):
    return 20 * np.log10(ratio)


@pytest.mark.parametrize("jitter_hz", [0.0, 50.0, 300.0, 1000.0, 3000.0])
def test_integrated_level_does_not_depend_on_jitter(jitter_hz):
    # an FM signal has the mean square of its carrier; peak reading would lose up to 17 dB here
    rng = np.random.default_rng(int(jitter_hz) + 1)
    result = analyse_wideband(noise(rng) + spur(rng, 104e3, 2e-3, jitter_hz), RATE_HZ)
    (found,) = result.spurs
    assert db(found.level_vrms.value / 2e-3) == pytest.approx(0.0, abs=0.02)
    assert found.frequency_hz.value == pytest.approx(104e3, abs=5 + 0.3 * jitter_hz)
    assert found.width_hz.value == pytest.approx(2.355 * jitter_hz, rel=0.25, abs=30)
    assert result.floor_v_per_rthz == pytest.approx(FLOOR, rel=0.01)


def test_weak_smeared_spur_is_integrated_to_its_tails():
    rng = np.random.default_rng(5)
    errors = []
    for _ in range(4):
        result = analyse_wideband(noise(rng) + spur(rng, 104e3, 150e-6, 3000.0), RATE_HZ)
        (found,) = result.spurs
        errors.append(db(found.level_vrms.value / 150e-6))
    assert np.max(np.abs(errors)) < 0.1


@pytest.mark.parametrize("apart_hz", [2500.0, 4000.0])
@pytest.mark.parametrize("unequal_db", [12.0, 30.0])
def test_two_lines_with_the_floor_between_are_two_spurs(apart_hz, unequal_db):
    rng = np.random.default_rng(9)
    weak_v = 2e-3 * 10 ** (-unequal_db / 20)
    record = noise(rng) + spur(rng, 104e3, 2e-3) + spur(rng, 104e3 + apart_hz, weak_v)
    strong, weak = analyse_wideband(record, RATE_HZ).spurs
    for found, hz, level_v in ((strong, 104e3, 2e-3), (weak, 104e3 + apart_hz, weak_v)):
        assert found.frequency_hz.value == pytest.approx(hz, abs=5)
        doubt_v = found.level_vrms.standard_uncertainty
        assert abs(found.level_vrms.value - level_v) < 3 * doubt_v


def test_a_weak_line_beside_a_spread_spur_is_part_of_it():
    rng = np.random.default_rng(10)
    record = noise(rng) + spur(rng, 104e3, 2e-3, 300.0) + spur(rng, 107e3, 2e-4)
    (found,) = analyse_wideband(record, RATE_HZ).spurs
    assert found.level_vrms.value == pytest.approx(np.hypot(2e-3, 2e-4), rel=0.01)


def test_stated_uncertainty_of_the_level_is_its_scatter():
    rng = np.random.default_rng(6)
    off = []
    for _ in range(24):
        found = analyse_wideband(noise(rng) + spur(rng, 104e3, 1e-4), RATE_HZ).spurs[0]
        off.append((found.level_vrms.value - 1e-4) / found.level_vrms.standard_uncertainty)
    assert 0.6 < np.std(off) < 1.5  # 24 values: +-30 % at two sigma
    assert abs(np.mean(off)) < 0.7


SHAPES = {
    "white": None,
    "corner 60 Hz": lambda f: np.sqrt(1 + 60 / f),
    "corner 50 kHz": lambda f: np.sqrt(1 + 5e4 / f),
    "amplifier and converter": lambda f: np.sqrt(0.05 + 1 / (1 + (f / 95e3) ** 2)),
    "anti-alias filter": lambda f: 1 / np.sqrt(1 + (f / 562e3) ** 16),
    "rising": lambda f: np.sqrt(0.01 + (f / 3e5) ** 2),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_noise_of_any_slope_and_hum_hold_no_spur(shape):
    rng = np.random.default_rng(7)
    hum = sum(1e-3 / k * np.cos(2 * np.pi * 50.07 * k * TIME_S + k) for k in (1, 2, 3, 5, 7))
    for _ in range(2):
        assert analyse_wideband(noise(rng, SHAPES[shape]) + hum, RATE_HZ).spurs == ()


def test_harmonics_are_grouped_with_their_fundamental():
    # companions of a failing supply at 2 and 3 times its frequency, 12 and 18 dB below
    rng = np.random.default_rng(8)
    record = noise(rng) + spur(rng, 104e3, 150e-6, 400.0)
    for k, level in ((1, 9e-3), (2, 9e-3 * 10 ** (-12 / 20)), (3, 9e-3 * 10 ** (-18 / 20))):
        record += spur(rng, k * 41e3, level, 250.0)
    spurs = analyse_wideband(record, RATE_HZ).spurs
    levels = [s.level_vrms.value for s in spurs]
    assert levels == sorted(levels, reverse=True)
    base = spurs[0].frequency_hz.value
    assert [s.harmonic_of for s in spurs] == [None, base, base, None]
    assert spurs[1].level_vrms.value == pytest.approx(9e-3 * 10 ** (-12 / 20), rel=0.01)


@pytest.mark.parametrize("hz", [1000.3, 1011.7, 1023.4, 5003.9])
def test_what_the_cut_of_the_side_lobes_does_to_a_strong_line_is_in_its_doubt(hz):
    """At 48 kS/s and 93 dB above the noise, where bins are 47 Hz wide."""
    time = np.arange(38400) / 48000.0
    record = 0.5 * np.sin(2 * np.pi * hz * time + 1.0)
    record += 1e-5 * np.random.default_rng(3).standard_normal(time.size)
    (found,) = analyse_wideband(record, 48000.0, search_hz=(500.0, 20e3)).spurs
    frequency, level = found.frequency_hz, found.level_vrms
    assert abs(frequency.value - hz) < 2.0 * frequency.standard_uncertainty < 0.05
    assert (
        abs(level.value / math.sqrt(0.125) - 1.0) < 2.0 * level.standard_uncertainty / level.value
    )
    assert level.standard_uncertainty < 1e-4 * level.value


def test_harmonics_of_a_driven_tone_are_not_spurs():
    # Fourier series of a tone clipped on both sides unequally: every harmonic to half the rate
    rng = np.random.default_rng(9)
    turn = 2 * np.pi * np.arange(2**14) / 2**14
    series = np.fft.rfft(np.clip(39.6 * np.cos(turn), -30, 36)) / 2**13
    tone = np.zeros(COUNT)
    for k in range(1, 120):
        tone += np.real(series[k] * np.exp(2j * np.pi * k * 1000.013 * TIME_S))
    result = analyse_wideband(
        tone + noise(rng) + spur(rng, 204e3, 500e-6, 400.0), RATE_HZ, tone_hz=1000.0
    )
    assert [round(s.frequency_hz.value, -3) for s in result.spurs] == [204e3]
    assert db(result.spurs[0].level_vrms.value / 500e-6) == pytest.approx(0, abs=0.3)
    assert len(result.tone_harmonics) > 50


@pytest.mark.parametrize("seed", range(4))
def test_a_series_of_harmonics_that_sinks_slowly_into_the_noise_leaves_no_spur(seed):
    # odd harmonics at 20 uV falling by 0.2 dB an order: 40 of them between visible and drowned
    rng = np.random.default_rng(30 + seed)
    tone = 28.3 * np.cos(2 * np.pi * 1000.013 * TIME_S)
    for k in range(3, 220, 2):
        level_v = 20e-6 * 10 ** (-0.2 * max(k - 100, 0) / 20)
        tone += level_v * np.sqrt(2) * np.cos(2 * np.pi * k * 1000.013 * TIME_S)
    result = analyse_wideband(tone + noise(rng), RATE_HZ, tone_hz=1000.0)
    assert result.spurs == ()
    assert len(result.tone_harmonics) > 30


def test_an_oscillation_gated_by_the_tone_is_one_spur_with_all_its_power():
    rng = np.random.default_rng(10)
    tone = 39.6 * np.cos(2 * np.pi * 1000.013 * TIME_S)
    burst = spur(rng, 380e3, 0.15) * (tone > 10.0)
    result = analyse_wideband(tone + noise(rng) + burst, RATE_HZ, tone_hz=1000.0)
    strongest = result.spurs[0]
    assert db(strongest.level_vrms.value / np.sqrt(np.mean(burst**2))) == pytest.approx(0, abs=0.1)
    assert strongest.frequency_hz.value == pytest.approx(380e3, abs=500)


def test_two_equal_lines_two_kilohertz_apart_stay_two():
    rng = np.random.default_rng(11)
    record = noise(rng) + spur(rng, 100e3, 2e-3) + spur(rng, 102e3, 2e-3)
    found = sorted(s.frequency_hz.value for s in analyse_wideband(record, RATE_HZ).spurs)
    assert found == pytest.approx([100e3, 102e3], abs=10)


def test_a_record_without_noise_shows_only_what_is_in_it():
    rng = np.random.default_rng(12)
    record = 2 * np.cos(2 * np.pi * 1000.3 * TIME_S) + spur(rng, 104e3, 150e-6)
    (found,) = analyse_wideband(record, RATE_HZ).spurs
    assert found.level_vrms.value == pytest.approx(150e-6, rel=1e-3)


def test_narrow_search_at_a_lower_rate():
    rng = np.random.default_rng(13)
    time = np.arange(192000) / 192e3
    record = 1e-4 * rng.standard_normal(192000) + 1e-3 * np.sqrt(2) * np.cos(
        2 * np.pi * 47123.0 * time
    )
    (found,) = analyse_wideband(record, 192e3, search_hz=(30e3, 90e3)).spurs
    assert found.level_vrms.value == pytest.approx(1e-3, rel=0.01)
    assert found.frequency_hz.value == pytest.approx(47123.0, abs=5)
    assert analyse_wideband(record, 192e3, search_hz=(60e3, 90e3)).spurs == ()


@pytest.mark.parametrize(
    ("line_hz", "rate_hz", "seen_hz"),
    [  # arithmetic: |f - round(f/fs) fs|
        (403000.0, 192000.0, 19000.0),
        (384000.0, 96000.0, 0.0),
        (67000.0, 48000.0, 19000.0),
        (130000.0, 96000.0, 34000.0),
        (510000.0, 1000000.0, 490000.0),
        (499000.0, 1000000.0, 499000.0),
        (620000.0, 1000000.0, 380000.0),
    ],
)
def test_alias(line_hz, rate_hz, seen_hz):
    assert alias_hz(line_hz, rate_hz) == pytest.approx(seen_hz, abs=1e-6)
    if seen_hz > 20e3 and rate_hz > 5e5:  # and the search sees it there
        time = np.arange(2**18) / rate_hz
        rng = np.random.default_rng(14)
        record = np.cos(2 * np.pi * line_hz * time) + 1e-3 * rng.standard_normal(time.size)
        found = analyse_wideband(record, rate_hz).spurs[0]
        assert found.frequency_hz.value == pytest.approx(seen_hz, abs=10)


@pytest.mark.parametrize("highest_hz", [94e3, 95e3, 95.25e3, 95.35e3, 95.6e3, 95.9e3])
def test_a_harmonic_just_below_half_the_rate_is_one_like_the_others(highest_hz):
    # up to the fifth, 10 dB apart; bins are 94 Hz wide, so the last lies 1 to 21 bins below the end
    rng = np.random.default_rng(17)
    time = np.arange(2**16) / 192e3
    levels = {k: 0.3 * 10 ** (-k / 2) / math.sqrt(2) for k in range(1, 6)}
    record = 1e-6 * rng.standard_normal(time.size)
    for k, level in levels.items():
        record += level * math.sqrt(2) * np.sin(2 * np.pi * highest_hz / 5 * k * time + k)
    result = analyse_wideband(record, 192e3, search_hz=(20e3, 96e3), tone_hz=highest_hz / 5)
    assert result.spurs == ()
    assert [s.frequency_hz.value for s in result.tone_harmonics] == pytest.approx(
        [k / 5 * highest_hz for k in (2, 3, 4, 5)], abs=1.0
    )
    # within one bin of the end part of its lobe is cut off
    assert [s.level_vrms.value for s in result.tone_harmonics] == pytest.approx(
        [levels[k] for k in (2, 3, 4, 5)], rel=1e-3 if highest_hz < 95.8e3 else 0.1
    )


@pytest.mark.parametrize("tone_hz", [90e3, 95e3, 95.7e3, 95.99e3])
def test_a_tone_just_below_half_the_rate_is_looked_for_as_far_as_the_spectrum_goes(tone_hz):
    rng = np.random.default_rng(18)
    time = np.arange(2**16) / 192e3
    record = 1e-6 * rng.standard_normal(time.size) + 1e-3 * np.sin(2 * np.pi * 40e3 * time)
    result = analyse_wideband(record, 192e3, search_hz=(20e3, 90e3), tone_hz=tone_hz)
    assert [s.frequency_hz.value for s in result.spurs] == pytest.approx([40e3], abs=1.0)


def refusal(record, rate_hz=RATE_HZ, **options):
    with pytest.raises(CannotMeasure) as refused:
        analyse_wideband(record, rate_hz, **options)
    return refused.value.code


def test_refusals():
    rng = np.random.default_rng(15)
    good = noise(rng)
    assert refusal(good[: 2**19], 192e3) == "band_too_narrow"
    for tone_hz in (RATE_HZ / 2, 700e3):
        assert refusal(good, tone_hz=tone_hz) == "band_too_narrow"
    assert refusal(good[:10000]) == "too_short"
    assert refusal(np.zeros(COUNT)) == "no_signal"
    assert refusal(np.where(np.arange(COUNT) == 7, np.nan, good)) == "nonfinite"
    assert refusal(good, is_overrange=True) == "overrange"
    assert refusal(np.where(np.arange(COUNT) // 2000 == 9, good[0], good)) == "dropout"
    assert refusal(np.clip(good, -2 * good.std(), 2 * good.std())) == "overrange"


def test_a_search_to_half_the_rate_in_a_record_of_a_tenth_of_a_second_is_taken_within_rounding():
    # a rate that was read from rounded times
    record = noise(np.random.default_rng(16))[:125000]
    rate_hz = RATE_HZ * (1 + 1e-10)
    assert analyse_wideband(record, rate_hz, search_hz=(20e3, RATE_HZ / 2)).spurs == ()
    assert analyse_wideband(record, RATE_HZ, search_hz=(20e3, rate_hz / 2)).spurs == ()


def test_band_upside_down_is_the_callers_mistake():
    with pytest.raises(ValueError, match="search_hz"):
        analyse_wideband(np.ones(4), RATE_HZ, search_hz=(2e5, 1e5))
