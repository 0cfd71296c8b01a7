"""A tone beside lines that are none of its own: hum it can't be told from, strays, short records.

Truths by construction: every record is a sum of known sines and noise.
"""

import numpy as np
import pytest

from sequencer.analysis.tone import analyse_tone
from sequencer.analysis.tone_fit import fit_tone

RATE = 48000.0


def times(seconds, rate=RATE):
    return np.arange(round(seconds * rate)) / rate


def sine(t, hz, amplitude, phase=0.0):
    return amplitude * np.sin(2 * np.pi * hz * t + phase)


def hum(t, mains_hz, amplitude, lines=range(1, 11)):
    """Lines that fall with 1/k, of phases that differ."""
    return sum(sine(t, k * mains_hz, amplitude / k, k) for k in lines)


def noise(t, rms, seed=0):
    return rms * np.random.default_rng(seed).standard_normal(t.size)


def holds(estimate, truth, sigmas=4.0):
    """Whether the value, or the bound, agrees with the truth."""
    if estimate.value is None:
        return estimate.upper_bound is not None and truth <= estimate.upper_bound
    return abs(estimate.value - truth) <= sigmas * estimate.standard_uncertainty


@pytest.mark.parametrize("seconds", [1.0, 4.2])
@pytest.mark.parametrize(
    ("tone_hz", "mains_hz", "order"), [(20.0, 50.0, 5), (25.0, 50.0, 2), (24.977, 49.91, 2)]
)
def test_hum_on_a_harmonic_is_no_distortion(tone_hz, mains_hz, order, seconds):
    t = times(seconds)
    wave = sine(t, tone_hz, 0.5, 0.3) + hum(t, mains_hz, 5e-4) + noise(t, 1e-6)
    result = analyse_tone(wave, RATE, mains_frequency_hz=50.0)
    found = result.harmonics[order]
    assert found.value is None
    assert 1e-4 < found.upper_bound < 1e-2  # what is read there, and not just anything
    assert result.hidden_hum_hz[order] == pytest.approx(order * tone_hz, rel=1e-3)
    assert result.thd.value is None
    assert result.thd.upper_bound < 1e-2
    assert holds(result.level_vrms, 0.5 / np.sqrt(2))


def test_a_harmonic_far_above_the_hum_keeps_its_number_with_hum_as_its_doubt():
    t = times(2.0)
    wave = sine(t, 20.0, 0.5, 0.3) + sine(t, 100.0, 0.005, 1.0) + hum(t, 50.0, 1e-4)
    third = analyse_tone(wave + noise(t, 1e-6), RATE).harmonics[5]
    # 50 uV of hum on 5 mV: 1 %, and the doubt says about as much
    assert third.value == pytest.approx(0.01, rel=0.011)
    assert holds(third, 0.01, 2.0)
    assert third.standard_uncertainty < 3e-4


@pytest.mark.parametrize("seconds", [0.1, 0.5, 2.5])
def test_hum_beside_a_kilohertz_costs_it_nothing(seconds):
    # 1 kHz is the mains' twentieth multiple, where hum no longer is
    t = times(seconds)
    wave = sine(t, 1000.0, 0.5, 0.3) + sine(t, 2000.0, 5e-5) + noise(t, 1e-6)
    result = analyse_tone(wave + hum(t, 50.02, 1e-3, (1, 2, 3, 6)), RATE, mains_frequency_hz=50.0)
    plain = analyse_tone(wave, RATE, mains_frequency_hz=50.0)
    for with_hum, alone, truth in (
        (result.level_vrms, plain.level_vrms, 0.5 / np.sqrt(2)),
        (result.harmonics[2], plain.harmonics[2], 1e-4),
        (result.thd, plain.thd, 1e-4),
    ):
        assert holds(with_hum, truth)
        assert with_hum.standard_uncertainty < 2 * alone.standard_uncertainty
    assert not result.hidden_hum_hz


@pytest.mark.parametrize("seconds", [0.007, 0.018, 0.03, 0.042, 0.051])
def test_hum_of_a_cycle_or_two_is_neither_level_nor_distortion(seconds):
    t = times(seconds, 192e3)
    wave = sine(t, 970.0, 5e-3, 0.3) + 1e-3 + sine(t, 50.17, 40e-6, 2.0) + noise(t, 1e-7)
    result = analyse_tone(wave, 192e3)
    assert holds(result.level_vrms, 5e-3 / np.sqrt(2), 5.0)
    assert holds(result.frequency_hz, 970.0, 5.0)
    assert result.level_vrms.standard_uncertainty < 5e-5 * 5e-3
    for order in (2, 3, 4, 5):
        assert holds(result.harmonics[order], 0.0, 5.0)
    # an offset and hum of a cycle and less look alike
    if seconds < 0.03:
        assert result.dc_offset_v.value is None
    else:
        assert holds(result.dc_offset_v, 1e-3)


@pytest.mark.parametrize("stray_db", [-25, -40, -60, -80])
def test_one_stray_line_is_no_noise(stray_db):
    # right for any phase: rms of the two lines; crest where they add up (1700 Hz and 1 kHz meet in 1 s)
    share, t = 10 ** (stray_db / 20), times(1.0)
    wave = sine(t, 1000.0, 0.5) + sine(t, 1700.0, 0.5 * share) + noise(t, 1e-6)
    result = analyse_tone(wave, RATE)
    truth = share / np.sqrt(1 + share**2)
    assert holds(result.thd_plus_noise, truth)
    assert result.thd_plus_noise.standard_uncertainty < 1e-3 * truth
    crest = np.abs(wave).max() / np.sqrt(np.mean(wave**2))
    assert result.crest_factor.value == pytest.approx(crest, rel=1e-3)
    assert result.crest_factor.standard_uncertainty < 1e-3


def test_a_stray_line_leaks_into_no_harmonic():
    # off the bins: left out of the fit, 1 mV leaks 10 uV and more into the lines around
    t = times(0.2)
    wave = sine(t, 997.3, 0.5) + sine(t, 2613.4, 1e-3) + sine(t, 1994.6, 5e-5) + noise(t, 1e-6)
    result = analyse_tone(wave, RATE)
    assert holds(result.harmonics[2], 1e-4)
    assert holds(result.level_vrms, 0.5 / np.sqrt(2))
    assert all(holds(result.harmonics[k], 0.0) for k in (3, 4, 5))
    assert result.harmonics[3].upper_bound < 1e-6


@pytest.mark.parametrize(
    ("tone_hz", "mains_hz", "covered"),
    [
        (50.0, 50.0, {k: 50.0 * k for k in range(1, 11)}),
        (25.0, 50.0, {k: 25.0 * k for k in range(2, 11, 2)}),
        (40.0, 50.0, {}),  # on the fourth line, but none of the strong ones
        (40.0, None, {3: 120.0, 6: 240.0, 9: 360.0}),
        (30.0, 60.0, {2: 60.0, 4: 120.0, 6: 180.0, 8: 240.0, 10: 300.0}),
        (20.0, None, {3: 60.0, 5: 100.0, 6: 120.0, 9: 180.0, 10: 200.0}),
        (60.0, None, {k: 60.0 * k for k in range(1, 11)}),
        (1000.0, None, {}),
    ],
)
def test_the_orders_that_hum_may_hide_in_are_told(tone_hz, mains_hz, covered):
    t = times(1.0)
    wave = sine(t, tone_hz, 0.5) + noise(t, 1e-6)
    assert analyse_tone(wave, RATE, mains_frequency_hz=mains_hz).covered_hum_hz == covered


def test_seen_hum_covers_nothing_unsaid():
    t = times(1.0)
    wave = sine(t, 20.0, 0.5) + sine(t, 49.98, 1e-4) + sine(t, 149.94, 1e-4) + noise(t, 1e-6)
    result = analyse_tone(wave, RATE)
    assert result.covered_hum_hz == {}
    assert 5 in result.hidden_hum_hz


def test_a_tone_on_the_edge_of_the_band_lies_in_it():
    t = times(1.0)
    for seed in range(4):
        wave = sine(t, 20.0, 0.5) + noise(t, 1e-4, seed)
        assert analyse_tone(wave, RATE, band_hz=(20.0, 2e4)).thd_plus_noise.value is not None


def test_a_trace_of_hum_under_the_tone_is_not_worth_a_word():
    """1 kHz lies near the 20th mains line; what hum may have there is a millionth of the tone."""
    t = times(2.5)
    wave = sine(t, 1000.0, 1.0) + hum(t, 50.005, 1e-4, range(1, 21))
    wave += 1e-6 * np.random.default_rng(3).standard_normal(t.size)
    assert 1 not in analyse_tone(wave, RATE).hidden_hum_hz


def test_harmonics_as_high_as_the_fiftieth_are_the_tones_own():
    """A kink in the transfer: what lies above the fortieth harmonic is fitted at multiples as well."""
    rate = 192000.0
    t = times(0.5, rate)
    high = [(k, 3e-4 / k) for k in (41, 43, 45, 51)]
    wave = sine(t, 999.97, 1.0) + sum(sine(t, k * 999.97, a, k) for k, a in high) + noise(t, 1e-6)
    lines = fit_tone(wave, rate, 1000.0, 50.0)
    assert not lines.comb.strays_hz
    assert lines.comb.late_orders[-1] >= 51
    found = {
        k: abs(lines.fit.amplitude[lines.comb.late_orders.index(k) + len(lines.comb.orders)])
        for k, _ in high
    }
    assert found == pytest.approx(dict(high), rel=0.01)


@pytest.mark.parametrize("seed", range(5))
def test_flicker_noise_below_the_audio_band_is_no_line(seed):
    t = times(2.5)
    spectrum = np.fft.rfft(noise(t, 1e-6, seed))
    at_hz = np.fft.rfftfreq(t.size, 1 / RATE)
    spectrum[1:] *= np.sqrt(1 + 100 / at_hz[1:])
    wave = sine(t, 1000.0, 1.0) + np.fft.irfft(spectrum, t.size)
    assert not fit_tone(wave, RATE, 1000.0, 50.0).comb.strays_hz
