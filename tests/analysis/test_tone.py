"""A tone's numbers against closed forms, simulated truth and an independent transform."""

import numpy as np
import pytest

from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.tone import (
    analyse_tone,
    measure_tone,
    relative_phase_rad,
    sidebands,
)

RATE = 96000.0


def mid_time(count, rate=RATE):
    return (np.arange(count) - (count - 1) / 2) / rate


def noise(count, rms, seed=0):
    return rms * np.random.default_rng(seed).standard_normal(count)


def within(estimate, truth, sigmas=4.0, slack=0.0):
    """Whether a value lies within sigmas of its stated doubt (and a slack of the method)."""
    return abs(estimate.value - truth) <= sigmas * estimate.standard_uncertainty + slack


@pytest.mark.parametrize("count", [2**14, 30011, 2**17])
@pytest.mark.parametrize("hz", [20.7, 60.3, 997.13, 9000.9])
def test_polynomial_amplifier_has_its_closed_form_harmonics(hz, count):
    # y = x + a2 x^2 + a3 x^3, x = A cos: DC = a2 A^2/2, H1 = A + 3 a3 A^3/4, H2 = a2 A^2/2,
    # H3 = a3 A^3/4; A = 1, a2 = 0.004, a3 = 0.002 (trigonometric identities)
    x = np.cos(2 * np.pi * hz * mid_time(count) + 0.4)
    y = x + 0.004 * x**2 + 0.002 * x**3 + noise(count, 1e-6, seed=count)
    result = analyse_tone(y, RATE)
    assert within(result.frequency_hz, hz)
    assert within(result.level_vrms, 1.0015 / np.sqrt(2))
    assert within(result.phase_rad, 0.4)
    assert within(result.harmonics[2], 0.002 / 1.0015)
    assert within(result.harmonics[3], 0.0005 / 1.0015)
    assert within(result.thd, 0.002058465115)
    # the lowest bins that give DC its doubt are few in a record of few cycles
    assert within(result.dc_offset_v, 0.002, sigmas=8)
    assert result.thd.value == pytest.approx(0.002058465115, rel=1e-3)
    for order in (4, 5, 6, 7, 8, 9, 10):
        if order in result.harmonics:
            assert result.harmonics[order].noise_limited
            assert result.harmonics[order].upper_bound < 2e-7
    assert result.harmonics_above == (() if hz < 4800 else (6, 7, 8, 9, 10))


def test_hard_clipping_has_its_closed_form_harmonics():
    # a sine of peak 1 clipped at 0.8: H1 0.8959119613, H3 0.07333859778, H5 0.03109556546,
    # H7 0.0003184990532 (Fourier integral); 4800 samples a period keep folded harmonics away
    count, hz = 2**18, 20.01
    wave = np.clip(np.cos(2 * np.pi * hz * mid_time(count)), -0.8, 0.8) + noise(count, 1e-6)
    result = analyse_tone(wave, RATE)
    h1 = 0.8959119613
    assert result.level_vrms.value == pytest.approx(h1 / np.sqrt(2), rel=2e-6)
    assert result.harmonics[3].value == pytest.approx(0.07333859778 / h1, rel=2e-5)
    assert result.harmonics[5].value == pytest.approx(0.03109556546 / h1, rel=5e-5)
    assert result.harmonics[7].value == pytest.approx(0.0003184990532 / h1, rel=5e-3)
    rms = np.sqrt(np.mean(np.clip(np.cos(np.linspace(0, np.pi, 100001)), -0.8, 0.8) ** 2))
    assert result.crest_factor.value == pytest.approx(0.8 / rms, rel=1e-4)


def test_square_wave_to_its_ninth_harmonic():
    # fundamental 4/pi of the peak; h3 = 1/3; THD to the ninth harmonic 0.428795 (Fourier series)
    count, hz = 2**17, 100.003
    t = mid_time(count)
    square = sum(4 / np.pi / k * np.sin(2 * np.pi * k * hz * t) for k in range(1, 400, 2))
    result = analyse_tone(square + noise(count, 1e-6), RATE)
    assert result.level_vrms.value * np.sqrt(2) == pytest.approx(1.273239545, rel=3e-6)
    assert result.harmonics[3].value == pytest.approx(1 / 3, rel=1e-5)
    assert result.thd.value == pytest.approx(0.428795, rel=1e-5)
    # and everything in the band: odd harmonics up to 199
    orders = np.arange(3, 200, 2)
    rest = np.sum(1.0 / orders**2)
    assert result.thd_plus_noise.value == pytest.approx(np.sqrt(rest / (1 + rest)), rel=2e-4)


@pytest.mark.parametrize("thd_db", [-60, -80])
def test_distortion_is_read_to_a_hundredth_of_a_decibel(thd_db):
    # noise 100 dB and hum 85 dB below, as a bench has them
    count = 2**18
    thd = 10 ** (thd_db / 20)
    t, hz = mid_time(count), 996.4
    wave = np.cos(2 * np.pi * hz * t) + thd * 0.8 * np.cos(4 * np.pi * hz * t + 1)
    wave += thd * 0.6 * np.cos(6 * np.pi * hz * t - 2) + 5.6e-5 * np.cos(2 * np.pi * 49.9 * t)
    result = analyse_tone(wave + noise(count, 1e-5 / np.sqrt(2)), RATE)
    assert 20 * np.log10(result.thd.value / thd) == pytest.approx(0, abs=0.01)


def test_distortion_near_the_noise_is_neither_biased_nor_scattered_more_than_its_bound():
    # THD -100 dB under noise of -90 dB in 2^14 samples; bound 8.7 n/(THD sqrt N) = 0.21 dB
    count, thd, level = 2**14, 1e-5, 10 ** (-90 / 20)
    t, errors = mid_time(count), []
    for seed in range(60):
        wave = np.cos(2 * np.pi * 997.7 * t + seed) + thd * np.cos(4 * np.pi * 997.7 * t)
        result = measure_tone(wave + noise(count, level / np.sqrt(2), seed), RATE)
        errors.append(20 * np.log10(result.thd.value / thd))
    bound_db = 20 / np.log(10) * level / (thd * np.sqrt(count))
    # the noise of nine harmonics adds to the scatter of one; 60 runs scatter by 9 %
    assert np.std(errors) < 1.3 * bound_db * 1.2
    assert abs(np.mean(errors)) < 3.5 * bound_db / np.sqrt(60)


def test_intervals_and_bounds_hold_the_truth_nineteen_times_in_twenty():
    count, runs = 2**13, 120
    t = mid_time(count)
    shares = {2: 3e-5, 3: 1e-5, 4: 5e-6, 5: 2e-6}  # from clear to buried in 2e-6 of noise
    held = dict.fromkeys(("level", "frequency", "phase", "thd", *shares), 0)
    for seed in range(runs):
        phase = np.random.default_rng([seed, 1]).uniform(-3, 3)
        wave = np.cos(2 * np.pi * 1501.3 * t + phase)
        for k, share in shares.items():
            wave += share * np.cos(2 * np.pi * 1501.3 * k * t + k * seed)
        result = measure_tone(wave + noise(count, 1e-4, seed), RATE)
        truths = {
            "level": (result.level_vrms, np.sqrt(0.5)),
            "frequency": (result.frequency_hz, 1501.3),
            "phase": (result.phase_rad, phase),
            "thd": (result.thd, np.sqrt(sum(s**2 for s in shares.values()))),
            **{k: (result.harmonics[k], share) for k, share in shares.items()},
        }
        for name, (estimate, truth) in truths.items():
            if estimate.value is None:
                held[name] += truth <= estimate.upper_bound
            else:
                held[name] += within(estimate, truth, 1.96)
    # 95 % of 120 runs scatters by 2 %
    assert all(0.88 <= count / runs <= 1.0 for count in held.values()), held


def test_harmonics_buried_in_noise_come_back_as_bounds():
    result = analyse_tone(np.cos(2 * np.pi * 997.7 * mid_time(2**14)) + noise(2**14, 1e-3), RATE)
    assert result.thd.noise_limited
    assert result.thd.value is None
    # nine lines, each with noise of 2 x 1e-3/sqrt(2^14) = 1.6e-5: about 2e-5 to 1e-4 in all
    assert 1e-5 < result.thd.upper_bound < 1.5e-4


@pytest.mark.parametrize("mains_hz", [49.91, 60.07])
def test_hum_does_not_pass_for_a_harmonic(mains_hz):
    # the fifth harmonic of 20.02 Hz lies 0.3 Hz from the second of the mains
    count, t = 2**19, mid_time(2**19)
    hz = 2 * mains_hz / 5 + 0.06
    wave = np.cos(2 * np.pi * hz * t) + 1e-4 * np.cos(2 * np.pi * 5 * hz * t)
    wave += 5e-4 * np.cos(2 * np.pi * 2 * mains_hz * t) + 3e-4 * np.cos(2 * np.pi * mains_hz * t)
    nominal = round(mains_hz, -1)
    result = analyse_tone(wave + noise(count, 1e-5), RATE, mains_frequency_hz=nominal)
    assert result.harmonics[5].value == pytest.approx(1e-4, rel=5e-3)
    assert result.mains_frequency_hz.value == pytest.approx(mains_hz, abs=1e-3)


def test_thd_plus_noise_agrees_with_a_transform_of_whole_cycles():
    # an independent route: coherent tone, plain transform, bins added up, fundamental's bin left out
    count, rate = 96000, 96000.0
    t = mid_time(count)
    wave = np.cos(2 * np.pi * 1000 * t) + 3e-4 * np.cos(2 * np.pi * 3000 * t) + noise(count, 5e-4)
    wave += 2e-4 * np.cos(2 * np.pi * 50 * t) + 1e-3 * np.cos(2 * np.pi * 30000 * t) + 0.01
    power = 2 * np.abs(np.fft.rfft(wave) / count) ** 2
    band = slice(20, 20001)
    rest = power[band].sum() - power[1000]
    result = analyse_tone(wave, rate)
    # the Hann window weighs the same noise differently: 1 % of scatter each
    truth = np.sqrt(rest / (rest + power[1000]))
    assert within(result.thd_plus_noise, truth, sigmas=3)
    assert result.thd_plus_noise.value == pytest.approx(truth, rel=0.02)


def test_the_band_of_thd_plus_noise_can_be_chosen():
    t = mid_time(2**16)
    wave = (
        np.cos(2 * np.pi * 1000.3 * t) + 0.01 * np.cos(2 * np.pi * 2000.6 * t) + noise(2**16, 1e-5)
    )
    narrow = analyse_tone(wave, RATE, band_hz=(500.0, 1500.0)).thd_plus_noise
    wide = analyse_tone(wave, RATE, band_hz=(20.0, 40000.0)).thd_plus_noise
    assert narrow.value < 2e-5
    assert wide.value == pytest.approx(0.01, rel=1e-3)
    assert analyse_tone(wave, RATE, band_hz=(5000.0, 20000.0)).thd_plus_noise.value is None


@pytest.mark.parametrize("mains_hz", [49.93, 50.2])
def test_sidebands_of_a_modulated_tone(mains_hz):
    # 0.2 % amplitude modulation at 2 f: two sidebands of 0.1 %, together 0.1414 %
    t = mid_time(2**17)
    wave = (1 + 2e-3 * np.cos(4 * np.pi * mains_hz * t)) * np.cos(2 * np.pi * 1234.5 * t)
    with_hum = wave + 1e-3 * np.cos(4 * np.pi * mains_hz * t) + noise(2**17, 1e-5)
    assert sidebands(with_hum, RATE).value == pytest.approx(1e-3 * np.sqrt(2), rel=1e-3)
    alone = wave + noise(2**17, 1e-5)
    assert sidebands(alone, RATE).value == pytest.approx(1e-3 * np.sqrt(2), rel=0.01)


def test_no_sidebands_give_a_bound():
    wave = np.cos(2 * np.pi * 1234.5 * mid_time(2**16)) + noise(2**16, 1e-5)
    found = sidebands(wave, RATE)
    assert found.noise_limited
    assert found.upper_bound < 1e-6


@pytest.mark.parametrize("shift", [0.0, 1.0, np.pi - 0.01, -2.0])
def test_relative_phase_tells_polarity(shift):
    t = mid_time(9001)
    a = 0.1 * np.cos(2 * np.pi * 1000.2 * t + 0.3) + noise(9001, 1e-5)
    b = 2.0 * np.cos(2 * np.pi * 1000.2 * t + 0.3 + shift) + noise(9001, 1e-4, 1)
    assert relative_phase_rad(a, b, RATE, 1000.0) == pytest.approx(shift, abs=1e-4)


def test_crest_factor_of_a_sine_with_an_offset():
    # square root of 2, about the mean
    wave = 3.0 + np.cos(2 * np.pi * 9973.3 * mid_time(5000)) + noise(5000, 1e-6)
    assert analyse_tone(wave, RATE).crest_factor.value == pytest.approx(np.sqrt(2), rel=1e-4)


def clipped(hz, gain, phase, rate, noise_v=0.0):
    """A sine of a fifth of a second, gain times too high, cut off at 1 V sample by sample, and noise."""
    time = np.arange(int(rate / 5)) / rate
    wave = np.clip(gain * np.sin(2 * np.pi * hz * time + phase), -1.0, 1.0)
    return wave + noise(wave.size, noise_v)


@pytest.mark.parametrize("noise_v", [0.0, 1e-4])
@pytest.mark.parametrize("gain", [1.05, 1.3, 2.0, 10.0])
@pytest.mark.parametrize("hz", [1000.0, 5000.0, 5003.0, 10000.0, 10007.0])
def test_crest_factor_of_a_flat_top_does_not_overshoot_its_flanks(hz, gain, noise_v):
    # highest sample over rms: the flat top is the crest. 5 and 10 kHz meet their flanks at phases
    # 3.75 and 7.5 degrees apart, so how far a top reaches is open by A (1 - cos 3.75 deg), 0.2 %, and
    # with H3 by twice that.
    is_open = hz % 1000.0 == 0
    for phase in (0.0, 0.1, 0.7, 1.1):
        wave = clipped(hz, gain, phase, RATE, noise_v)
        truth = np.abs(wave).max() / np.std(wave)
        found = measure_tone(wave, RATE).crest_factor.value
        assert found == pytest.approx(truth, rel=5e-3 if is_open else 3e-4), phase


@pytest.mark.parametrize(("gain", "phase"), [(1e6, 0.01), (2.0, np.pi / 48), (2.0, 0.0)])
def test_crest_factor_of_a_square_and_of_a_sine_cut_at_half_its_peak(gain, phase):
    # 1; and half a sine's peak over its rms, by the samples of one period of 48
    period = np.clip(gain * np.sin(2 * np.pi * np.arange(48) / 48 + phase), -1.0, 1.0)
    found = measure_tone(clipped(1000.0, gain, phase, 48000.0), 48000.0).crest_factor
    assert found.value == pytest.approx(1 / np.sqrt(np.mean(period**2)), rel=1e-6)


@pytest.mark.parametrize("hz", [9600.0, 12000.0, 16000.0, 23990.0])
def test_crest_factor_of_a_sine_of_few_samples_a_period_is_root_two(hz):
    # at 12 kHz its eight samples miss the crest by up to 7.6 %
    for phase in np.linspace(0.0, np.pi, 9):
        wave = 0.2 + np.cos(2 * np.pi * hz * mid_time(20000) + phase)
        found = measure_tone(wave, RATE).crest_factor
        assert found.value == pytest.approx(np.sqrt(2), rel=1e-6), phase


def test_steady_scaling_and_sign_change_nothing_else():
    wave = np.cos(2 * np.pi * 997.0 * mid_time(20000)) + noise(20000, 1e-4)
    one, other = measure_tone(wave, RATE), measure_tone(-1e-3 * wave, RATE)
    assert other.level_vrms.value == pytest.approx(1e-3 * one.level_vrms.value, rel=1e-9)
    assert other.thd_plus_noise.value == pytest.approx(one.thd_plus_noise.value, rel=1e-6)
    assert other.frequency_hz.value == pytest.approx(one.frequency_hz.value, rel=1e-12)


def test_a_record_too_short_for_any_tone_names_no_frequency_that_nobody_gave():
    with pytest.raises(CannotMeasure) as refused:
        analyse_tone(0.9 * np.cos(2 * np.pi * 1000 * mid_time(50, 48000.0) + 0.3), 48000.0)
    assert refused.value.code == "too_short"
    assert "Hz" not in str(refused.value)
    assert "50 samples, 0.00104 s" in refused.value.reason


@pytest.mark.parametrize(
    ("hum_lines", "is_told"),
    [
        ({1: 1e-4}, True),
        ({2: 1e-4, 4: 5e-5}, True),
        ({2: 1e-4}, False),
        ({6: 1e-4}, False),
        ({}, False),
    ],
)
def test_the_fundamental_or_two_hum_lines_tell_the_mains_frequency(hum_lines, is_told):
    # one line alone may be a stray tone: a rule of our own, as for a record without signal
    t = mid_time(2**18)
    wave = np.cos(2 * np.pi * 997.3 * t) + noise(t.size, 1e-6)
    wave += sum(a * np.cos(2 * np.pi * 50.04 * k * t + k) for k, a in hum_lines.items())
    found = analyse_tone(wave, RATE).mains_frequency_hz
    assert found.value == (pytest.approx(50.04, abs=1e-3) if is_told else None)


@pytest.mark.parametrize("mains_hz", [49.96, 60.03])
def test_unsaid_the_mains_is_the_one_whose_hum_is_there(mains_hz):
    t = mid_time(2**18)
    wave = np.cos(2 * np.pi * 997.3 * t) + noise(t.size, 1e-6)
    wave += sum(1e-4 / k * np.cos(2 * np.pi * mains_hz * k * t + k) for k in (1, 2, 3))
    found = analyse_tone(wave, RATE, mains_frequency_hz=None)
    assert found.mains_frequency_hz.value == pytest.approx(mains_hz, abs=1e-3)


@pytest.mark.parametrize("tone_hz", [20.3, 123.4567, 997.31, 1000.0, 5000.0])
@pytest.mark.parametrize("nominal_hz", [50.0, 60.0, 16.7, None])
def test_a_computed_tone_by_itself_has_no_mains_frequency(tone_hz, nominal_hz):
    t = mid_time(3 * 48000)
    found = analyse_tone(np.cos(2 * np.pi * tone_hz * t), RATE, mains_frequency_hz=nominal_hz)
    assert found.mains_frequency_hz.value is None


@pytest.mark.parametrize(("sides", "is_told"), [((-1, 1), True), ((1,), False)])
def test_sidebands_tell_the_mains_frequency_only_in_pairs(sides, is_told):
    # amplitude modulation gives both sidebands the same distance (textbook); a stray line has no twin
    t = mid_time(2**18)
    wave = np.cos(2 * np.pi * 5000 * t) + 1e-6 * np.cos(2 * np.pi * 50.4 * t)
    wave += noise(t.size, 1e-6)  # the weak line beside would be taken for the mains
    wave += sum(1e-3 * np.cos(2 * np.pi * (5000 + 2 * s * 50.1) * t) for s in sides)
    found = analyse_tone(wave, RATE).mains_frequency_hz
    assert found.value == (pytest.approx(50.1, abs=0.01) if is_told else None)


@pytest.mark.parametrize("stray_hz", [49.98, 50.03, 50.17, 50.4])
def test_a_lone_line_near_the_mains_does_not_draw_the_sidebands_from_their_place(stray_hz):
    # a rail that ripples puts many lines around a clipped tone, some of them near 50 Hz
    t = mid_time(2**18)
    wave = (1 + 2e-3 * np.cos(2 * np.pi * 2 * 50.1 * t)) * np.cos(2 * np.pi * 5000 * t)
    wave += 1e-4 * np.cos(2 * np.pi * stray_hz * t) + noise(t.size, 1e-6)
    result = analyse_tone(wave, RATE)
    # amplitude modulation by m: two sidebands of m/2 each (textbook)
    assert result.mains_sidebands.value == pytest.approx(1e-3 * np.sqrt(2), rel=5e-3)
    assert result.mains_frequency_hz.value == pytest.approx(50.1, abs=0.01)
