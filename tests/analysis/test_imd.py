"""Intermodulation: a polynomial amplifier whose products are known exactly."""

import numpy as np
import pytest

from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.imd import analyse_imd_difference, analyse_imd_smpte

RATE_HZ = 96000.0
COUNT = 2**17
OFF = 1 + 13e-6  # the generator's clock is never the digitiser's


def two_tones(lower_hz, upper_hz, lower_v, upper_v, *, a2=0.0, a3=0.0, noise=0.0, hum=0.0, n=0):
    """y = x + a2 x^2 + a3 x^3 of two tones (peak volts), with white noise (V) and mains at 49.93."""
    rng = np.random.default_rng(n)
    time = np.arange(COUNT) / RATE_HZ
    phases = rng.uniform(0, 2 * np.pi, 2)
    x = lower_v * np.cos(2 * np.pi * lower_hz * OFF * time + phases[0])
    x += upper_v * np.cos(2 * np.pi * upper_hz * OFF * time + phases[1])
    y = x + a2 * x**2 + a3 * x**3 + noise * rng.standard_normal(COUNT)
    for k in (1, 2, 3, 5):
        y += hum / k * np.cos(2 * np.pi * 49.93 * k * time + k)
    return y


def smpte(n=0, a2=0.004, a3=0.002, **disturbed):
    return two_tones(60.0, 7000.0, 0.8, 0.2, a2=a2, a3=a3, n=n, **disturbed)


def difference(n=0, a2=0.004, a3=0.002, **disturbed):
    return two_tones(19000.0, 20000.0, 0.5, 0.5, a2=a2, a3=a3, n=n, **disturbed)


def test_modulation_distortion_of_a_polynomial():
    # trigonometric identities for a2 0.004, a3 0.002, 0.8 V and 0.2 V: sidebands a2 A B and
    # 3/4 a3 A^2 B each; upper tone B + a3 (3/4 B^3 + 3/2 A^2 B) = 0.200396 V
    result = analyse_imd_smpte(smpte(noise=1e-9), RATE_HZ)
    assert result.imd_modulation_2.value == pytest.approx(0.006387353041, rel=2e-6)
    assert result.imd_modulation_3.value == pytest.approx(0.001916205912, rel=2e-6)
    assert result.imd_modulation_rss.value == pytest.approx(0.004715406874, rel=2e-6)
    assert result.level_2_vrms.value == pytest.approx(0.200396 / np.sqrt(2), rel=1e-7)
    assert result.frequency_2_hz == pytest.approx(7000.0 * OFF, abs=1e-5)


def test_difference_frequency_distortion_of_a_polynomial():
    # same polynomial, 0.5 V each: a2 A^2 and 3/4 a3 A^3 each, tones A + 9/4 a3 A^3 = 0.5005625 V,
    # relative to the sum of both tones
    result = analyse_imd_difference(difference(noise=1e-9), RATE_HZ)
    # the record isn't band-limited: third-order sums fold to 35..40 kHz and leak a little
    assert result.imd_difference_2.value == pytest.approx(0.0009988762642, rel=1e-5)
    assert result.imd_difference_3.value == pytest.approx(0.0003745785991, rel=5e-5)
    assert result.level_1_vrms.value == pytest.approx(0.5005625 / np.sqrt(2), rel=1e-7)
    assert result.level_2_vrms.value == pytest.approx(0.5005625 / np.sqrt(2), rel=1e-7)


def test_hum_and_its_neighbourhood_to_the_lower_tone_do_no_harm():
    result = analyse_imd_smpte(smpte(noise=1e-7, hum=1e-3), RATE_HZ)
    assert result.imd_modulation_2.value == pytest.approx(0.006387353041, rel=1e-4)
    assert result.imd_modulation_3.value == pytest.approx(0.001916205912, rel=3e-4)


def test_din_tones():
    # 250 Hz and 8 kHz, 4 to 1: the same sidebands, a2 A B over the upper tone
    record = two_tones(250.0, 8000.0, 0.8, 0.2, a2=0.004, a3=0.002, noise=1e-8)
    result = analyse_imd_smpte(record, RATE_HZ, lower_hz=250.0, upper_hz=8000.0)
    assert result.imd_modulation_2.value == pytest.approx(0.006387353041, rel=1e-5)


# noise 100 dB below the large tone; limits three times the scatter of reference code at 2^18
# samples, times sqrt 2 for half the samples (0.002/0.02 dB at -80 dB, 0.03/0.2 dB at -100 dB)
@pytest.mark.parametrize(
    ("level_db", "smpte_db", "difference_db"), [(-80, 0.085, 0.0085), (-100, 0.85, 0.13)]
)
def test_accuracy_in_noise(level_db, smpte_db, difference_db):
    fraction = 10 ** (level_db / 20)
    noise = 1e-5 / np.sqrt(2)
    for n in range(6):
        low = analyse_imd_smpte(smpte(n, a2=fraction / 1.6, a3=0.0, noise=0.8 * noise), RATE_HZ)
        error = 20 * np.log10(low.imd_modulation_2.value / fraction)
        assert abs(error) < smpte_db
        high = analyse_imd_difference(
            difference(n, a2=4 * fraction, a3=0.0, noise=0.5 * noise), RATE_HZ
        )
        error = 20 * np.log10(high.imd_difference_2.value / fraction)
        assert abs(error) < difference_db


def test_stated_intervals_and_bounds_cover_the_truth():
    # products from well seen (-100 dB) to buried (-140 dB); 95 % intervals, one-sided 95 % bounds
    covered, bounds = [], 0
    for n in range(120):
        fraction = 10 ** (-(100 + 40 * (n % 8) / 7) / 20)
        record = smpte(n, a2=fraction / 1.6, a3=0.0, noise=0.8e-5 / np.sqrt(2))[: COUNT // 2]
        found = analyse_imd_smpte(record, RATE_HZ).imd_modulation_2
        if found.value is None:
            bounds += 1
            covered.append(found.upper_bound >= fraction)
        else:
            covered.append(abs(found.value - fraction) < 1.96 * found.standard_uncertainty)
    assert np.mean(covered) >= 0.91  # 95 % less two standard deviations of 120 trials
    assert bounds > 20


def test_no_distortion_is_a_bound_and_no_number():
    result = analyse_imd_difference(difference(a2=0.0, a3=0.0, noise=1e-5), RATE_HZ)
    for found in (result.imd_difference_2, result.imd_difference_3):
        assert found.value is None
        assert found.noise_limited
        assert 0 < found.upper_bound < 3e-7


def refusal(analyse, record, rate_hz=RATE_HZ, **options):
    with pytest.raises(CannotMeasure) as refused:
        analyse(record, rate_hz, **options)
    return refused.value.code


@pytest.mark.parametrize("rate_hz", [48000.0, RATE_HZ])
@pytest.mark.parametrize("seconds", [0.025, 0.1, 0.4])
def test_one_tone_between_the_two_expected_is_no_signal(rate_hz, seconds):
    # the search for the one ends at their geometric mean, where that for the other begins: a line
    # within two bins of it (half a main lobe) shows in both
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    noise = 1e-4 * np.random.default_rng(6).standard_normal(time.size)
    for bins in (-1.5, -1.0, -0.5, 0.0, 0.5):
        only = np.cos(2 * np.pi * (np.sqrt(19e3 * 20e3) + bins / seconds) * time) + noise
        assert refusal(analyse_imd_difference, only, rate_hz) == "no_signal", bins


def test_refusals():
    good = smpte(noise=1e-5)
    pair = difference(noise=1e-5)
    rng = np.random.default_rng(5)
    time = np.arange(COUNT) / RATE_HZ
    noise = 1e-5 * rng.standard_normal(COUNT)
    only = np.cos(2 * np.pi * 60.0 * time) + noise
    assert refusal(analyse_imd_smpte, only) == "no_signal"
    assert refusal(analyse_imd_smpte, rng.standard_normal(COUNT)) == "no_signal"
    assert refusal(analyse_imd_smpte, np.zeros(COUNT)) == "no_signal"
    assert refusal(analyse_imd_smpte, good[:8000]) == "too_short"
    assert refusal(analyse_imd_difference, pair, 40000.0) == "band_too_narrow"
    # written as 96 kS/s, sampled with 88.2: every tone 8.8 % off
    assert refusal(analyse_imd_difference, pair, RATE_HZ * 44.1 / 48) == "wrong_frequency"
    assert refusal(analyse_imd_smpte, np.where(time == 0.0, np.nan, good)) == "nonfinite"
    assert refusal(analyse_imd_smpte, good, is_overrange=True) == "overrange"
    assert refusal(analyse_imd_smpte, np.clip(good, -0.7, 0.7)) == "overrange"
    assert refusal(analyse_imd_difference, np.minimum(pair, 0.98)) == "overrange"
    stuck = good.copy()
    stuck[5000:5100] = stuck[5000]
    assert refusal(analyse_imd_smpte, stuck) == "dropout"
    lost = np.concatenate([pair[:50000], pair[50517:]])
    assert refusal(analyse_imd_difference, lost) == "dropout"


def test_tones_out_of_order_are_the_callers_mistake():
    with pytest.raises(ValueError, match="in order"):
        analyse_imd_smpte(smpte(), RATE_HZ, lower_hz=7000.0, upper_hz=60.0)


def tones(count, *lines, noise=1e-6):
    """Sum of sines (Hz, peak volts), each of a phase of its own, and noise."""
    time = np.arange(count) / RATE_HZ
    wave = sum(v * np.sin(2 * np.pi * hz * time + k) for k, (hz, v) in enumerate(lines))
    return wave + noise * np.random.default_rng(count).standard_normal(count)


@pytest.mark.parametrize("seconds", [0.2, 0.3, 1.0])
def test_one_strong_sideband_is_a_product_and_no_fault_of_the_record(seconds):
    # 3 % on one side only turn the upper tone's phase by 0.03 rad, to and fro; truth by construction
    count = round(seconds * RATE_HZ)
    lower, upper = 60.07, 7001.3
    wave = tones(
        count, (lower, 0.5), (upper, 0.125), (upper + lower, 0.03 * 0.125), (upper - lower, 1e-4)
    )
    result = analyse_imd_smpte(wave, RATE_HZ)
    found = result.imd_modulation_2
    assert found.value == pytest.approx(0.03 + 8e-4, abs=4 * found.standard_uncertainty)
    assert found.standard_uncertainty < 1e-5
    level = result.level_2_vrms
    assert level.value == pytest.approx(
        0.125 / np.sqrt(2), abs=4 * level.standard_uncertainty, rel=0
    )


def test_a_missing_block_is_still_seen_beside_a_sideband():
    wave = tones(2**16, (60.07, 0.5), (7001.3, 0.125), (7061.37, 0.00375))
    cut = np.concatenate([wave[:30000], wave[30004:]])
    with pytest.raises(CannotMeasure) as refused:
        analyse_imd_smpte(cut, RATE_HZ)
    assert refused.value.code == "dropout"


@pytest.mark.parametrize("mains_hz", [60.05, 60.2])
def test_hum_on_the_lower_tone_is_its_doubt(mains_hz):
    # 7 mV of hum on 0.5 V reads as tone; its harmonics show how much it may be
    count = round(1.0 * RATE_HZ)
    hum = [(k * mains_hz, 7e-3 / k) for k in range(1, 8)]
    wave = tones(count, (60.04, 0.5), (7001.3, 0.125), *hum)
    result = analyse_imd_smpte(wave, RATE_HZ, mains_frequency_hz=60.0)
    assert result.is_lower_on_mains
    level = result.level_1_vrms
    assert level.value == pytest.approx(0.5 / np.sqrt(2), abs=2 * level.standard_uncertainty, rel=0)
    # and where the mains is 50 Hz, 60 Hz has none to doubt it
    plain = analyse_imd_smpte(
        tones(count, (60.04, 0.5), (7001.3, 0.125)), RATE_HZ, mains_frequency_hz=50.0
    )
    assert not plain.is_lower_on_mains
    assert plain.level_1_vrms.standard_uncertainty < 1e-7


def lost(volts, count, at):
    return np.concatenate([volts[:at], volts[at + count :]])


@pytest.mark.parametrize("count", [1, 5, 24, 48, 93])
@pytest.mark.parametrize("at", [20_000, 65_536, 100_000])
def test_samples_lost_in_two_high_tones_are_a_dropout(count, at):
    """48 samples at 96 kHz are ten cycles of the upper tone and nine and a half of the lower."""
    with pytest.raises(CannotMeasure) as refused:
        analyse_imd_difference(lost(difference(noise=1e-6), count, at), RATE_HZ)
    assert refused.value.code == "dropout"


@pytest.mark.parametrize("method", ["difference", "smpte"])
@pytest.mark.parametrize("size_v", [0.003, 0.03, 0.3])
def test_a_click_beside_two_tones_is_told_and_counted(method, size_v):
    """Against the same record without it."""
    made, analyse = {
        "difference": (difference, analyse_imd_difference),
        "smpte": (smpte, analyse_imd_smpte),
    }[method]
    volts = made(noise=1e-6, hum=1e-4)
    truth = analyse(volts, RATE_HZ)
    assert not truth.clicks
    volts[70_000:70_020] += size_v * np.exp(-np.arange(20) / 5)
    found = analyse(volts, RATE_HZ)
    assert [click.at_s for click in found.clicks] == pytest.approx([70_000 / RATE_HZ], abs=1e-4)
    assert found.clicks[0].size_v == pytest.approx(size_v, rel=0.1)
    assert found.disturbed
    for name in (*(n for n in dir(found) if n.startswith("imd")), "level_1_vrms", "level_2_vrms"):
        of_true, of_found = getattr(truth, name), getattr(found, name)
        if of_true.value is not None and of_found.value is not None:
            doubt = np.hypot(of_found.standard_uncertainty, of_true.standard_uncertainty)
            assert abs(of_found.value - of_true.value) < 2.5 * doubt


@pytest.mark.parametrize("n", range(12))
@pytest.mark.parametrize("noise", [0.0, 1e-8, 1e-4])
def test_good_records_of_two_tones_have_no_clicks_and_steady_levels(n, noise):
    for made, analyse in ((difference, analyse_imd_difference), (smpte, analyse_imd_smpte)):
        rounded = np.round(made(n, noise=noise, hum=1e-4) * 2**23) / 2**23
        result = analyse(rounded, RATE_HZ)
        assert not result.clicks
        assert result.level_range_db is None
        assert result.frequency_range_hz is None


@pytest.mark.parametrize("drift_hz", [0.03, 0.1])
@pytest.mark.parametrize("seconds", [2.0, 4.0])
def test_two_tones_that_drift_are_told_as_such_and_counted(drift_hz, seconds):
    """Both tones of 0.4 V; the product, of 0.8 mV, is 1e-3 of their sum. No click, no block missing."""
    time = np.arange(int(seconds * 48000.0)) / 48000.0
    volts = 8e-4 * np.sin(2 * np.pi * 1000.0 * time)
    for hz in (19000.0, 20000.0):
        volts += 0.4 * np.sin(2 * np.pi * (hz * time + drift_hz * time**2 / 2 / seconds))
    volts += 1e-5 * np.random.default_rng(1).standard_normal(time.size)
    result = analyse_imd_difference(volts, 48000.0)
    assert not result.clicks
    assert result.level_range_db is None
    assert result.frequency_range_hz == pytest.approx(drift_hz, rel=0.1)
    assert "imd_difference_2" in result.disturbed
    level, product = result.level_1_vrms, result.imd_difference_2
    assert abs(level.value - 0.4 / np.sqrt(2)) < 2 * level.standard_uncertainty
    assert abs(product.value - 1e-3) < 2 * product.standard_uncertainty


@pytest.mark.parametrize("change_db", [-12.0, -7.2, 7.2, 10.5, 12.0])
@pytest.mark.parametrize("at", [0.3, 0.47, 0.752])
def test_a_step_of_both_levels_is_no_missing_block(change_db, at):
    """Truth by construction: sidebands of 1e-3 of the upper tone each, stepping with it."""
    time = np.arange(48000) / 48000.0
    level = np.where(time < at, 1.0, 10 ** (change_db / 20))
    low, high = np.sin(2 * np.pi * 60.0 * time), np.sin(2 * np.pi * 7000.0 * time)
    volts = level / level.max() * (0.8 * low + 0.2 * high * (1 + 2e-3 * low))
    result = analyse_imd_smpte(
        volts + 1e-5 * np.random.default_rng(1).standard_normal(48000), 48000.0
    )
    assert result.level_range_db == pytest.approx(abs(change_db), abs=1.0)
    found = result.imd_modulation_2
    if found.value is None:
        assert found.upper_bound > 0.95 * 2e-3
    else:
        assert abs(found.value - 2e-3) < 2 * found.standard_uncertainty
    with pytest.raises(CannotMeasure, match="a block of the record is missing"):
        analyse_imd_smpte(np.delete(volts, slice(20_000, 20_101)), 48000.0)


COURSES = {
    "early step": lambda at: np.where(at > 0.06, 1.0, 0.0),
    "step": lambda at: np.where(at > 0.7, 1.0, 0.0),
    "late step": lambda at: np.where(at > 0.94, 1.0, 0.0),
    "ramp": lambda at: at,
    "wander": lambda at: np.sin(2 * np.pi * 1.3 * at),
}


@pytest.mark.parametrize("course", COURSES)
@pytest.mark.parametrize("moving", [(0,), (1,), (0, 1)])
@pytest.mark.parametrize("method", ["difference", "smpte"])
def test_a_level_that_moves_is_told_and_counted(method, moving, course):
    """Truth by construction: the mean levels, and products of the distortion that adds to them."""
    tones_hz, tones_v, analyse = {
        "difference": ((19000.0, 20000.0), (0.5, 0.5), analyse_imd_difference),
        "smpte": ((60.0, 7000.0), (0.8, 0.2), analyse_imd_smpte),
    }[method]
    rng = np.random.default_rng(3)
    time = np.arange(COUNT) / RATE_HZ
    gain = 1 + 0.01 * COURSES[course](time * RATE_HZ / COUNT)
    gains = [gain if k in moving else np.ones(COUNT) for k in range(2)]
    waves = [
        v * by * np.cos(2 * np.pi * hz * OFF * time + 1.0)
        for v, by, hz in zip(tones_v, gains, tones_hz, strict=True)
    ]
    product_hz = (tones_hz[1] - tones_hz[0]) * OFF
    volts = sum(waves) + 1e-3 * np.cos(2 * np.pi * product_hz * time)
    if method == "smpte":
        volts += 1e-3 * np.cos(2 * np.pi * (tones_hz[1] + tones_hz[0]) * OFF * time)
    result = analyse(volts + 1e-5 * rng.standard_normal(COUNT), RATE_HZ)
    assert result.level_range_db == pytest.approx(20 * np.log10(gain.max() / gain.min()), rel=0.1)
    levels = [result.level_1_vrms, result.level_2_vrms]
    for k, level in enumerate(levels):
        true_vrms = tones_v[k] * gains[k].mean() / np.sqrt(2)
        assert abs(level.value - true_vrms) < 2 * level.standard_uncertainty + 1e-7
        if k in moving:  # its ends are within reach of what is stated, times two
            assert f"level_{k + 1}_vrms" in result.disturbed
            assert level.standard_uncertainty > 2e-3 * tones_v[k] / np.sqrt(2)
    second, third = (
        (result.imd_difference_2, result.imd_difference_3)
        if method == "difference"
        else (result.imd_modulation_2, result.imd_modulation_3)
    )
    reference_v = sum(tones_v) if method == "difference" else tones_v[1]
    true = (1e-3 if method == "difference" else 2e-3) / reference_v
    assert abs(second.value - true) < 2.5 * second.standard_uncertainty + 0.01 * true
    assert (third.value or 0.0) < 4 * third.standard_uncertainty + (third.upper_bound or 0.0)
