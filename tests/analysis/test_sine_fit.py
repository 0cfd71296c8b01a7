"""Sine fits against closed forms, a general least-squares solver and the Cramer-Rao bound."""

import numpy as np
import pytest
import scipy.optimize

from sequencer.analysis.sine_fit import (
    find_strongest_hz,
    fit_known_tones,
    fit_lines,
    fit_sine,
    group_means,
    refine_lines,
    remove_lines,
)

RATE = 48000.0


def mid_time(count, rate=RATE):
    return (np.arange(count) - (count - 1) / 2) / rate


def test_eight_samples_at_a_quarter_of_the_rate_are_fitted_exactly():
    # x = 1.2 cos(pi n/2) - 0.5 sin(pi n/2) + 0.3, constructed
    samples = np.array([1.5, -0.2, -0.9, 0.8, 1.5, -0.2, -0.9, 0.8])
    fit = fit_lines(samples, 4.0, [1.0])
    assert abs(fit.amplitude[0]) == pytest.approx(1.3, abs=1e-12)
    assert fit.offset_v == pytest.approx(0.3, abs=1e-12)
    at_first_sample = fit.amplitude[0] * np.exp(-1j * np.pi / 2 * 3.5)
    assert at_first_sample.real == pytest.approx(1.2, abs=1e-12)
    assert -at_first_sample.imag == pytest.approx(-0.5, abs=1e-12)
    assert np.abs(remove_lines(samples, 4.0, fit)).max() < 1e-12


@pytest.mark.parametrize("count", [257, 1000, 4096, 70001, 2**17])
def test_joint_fit_equals_a_general_least_squares_solution(count):
    rng = np.random.default_rng(count)
    lines_hz = [100.3, 997.1, 1010.9, 9000.0] if count > 4000 else [400.3, 997.1, 9000.0]
    samples = rng.standard_normal(count) + 0.3
    angle = 2 * np.pi * np.outer(mid_time(count), lines_hz)
    columns = np.hstack([np.ones((count, 1)), np.cos(angle), np.sin(angle)])
    columns = np.hstack(
        [columns, mid_time(count)[:, np.newaxis] * columns[:, [2, 2 + len(lines_hz)]]]
    )
    expected, *_ = np.linalg.lstsq(columns, samples, rcond=None)
    variances = np.diag(np.linalg.inv(columns.T @ columns))
    fit = fit_lines(samples, RATE, lines_hz, drifting=[1])
    k = len(lines_hz)
    assert fit.offset_v == pytest.approx(expected[0], abs=1e-9)
    np.testing.assert_allclose(
        fit.amplitude, expected[1 : k + 1] - 1j * expected[k + 1 : 2 * k + 1], atol=1e-9
    )
    np.testing.assert_allclose(
        fit.amplitude_gain, variances[1 : k + 1] + variances[k + 1 : 2 * k + 1], rtol=1e-6
    )
    assert fit.offset_gain == pytest.approx(variances[0], rel=1e-6)
    rest = remove_lines(samples, RATE, fit)
    direct = fit.offset_v + (np.exp(1j * angle) @ fit.amplitude).real
    np.testing.assert_allclose(rest, samples - direct, atol=1e-10)


@pytest.mark.parametrize(
    ("count", "cycles"), [(400, 3.3), (1001, 7.9), (4096, 3.05), (9999, 1234.56), (2**17, 2718.3)]
)
def test_a_noiseless_sine_is_recovered_to_rounding(count, cycles):
    hz, phase = cycles * RATE / count, 0.7
    samples = 0.02 + 1.7 * np.cos(2 * np.pi * hz * mid_time(count) + phase)
    fit = fit_sine(samples, RATE)
    assert fit.frequency_hz == pytest.approx(hz, rel=1e-10)
    # amplitudes are not refitted after the last move: (1e-5 rad)^2/24
    assert fit.amplitude_v == pytest.approx(1.7, rel=1e-10)
    assert fit.phase_rad == pytest.approx(phase, abs=1e-8)
    assert fit.offset_v == pytest.approx(0.02, abs=1e-9)


def test_four_parameter_fit_agrees_with_a_general_optimiser():
    rng = np.random.default_rng(3)
    count = 3000
    t = mid_time(count)
    samples = 0.1 + 0.8 * np.cos(2 * np.pi * 333.3 * t - 1.1) + 0.05 * rng.standard_normal(count)

    def residual(p):
        return p[0] * np.cos(2 * np.pi * p[1] * t + p[2]) + p[3] - samples

    expected = scipy.optimize.least_squares(
        residual, [0.8, 333.3, -1.1, 0.1], xtol=1e-14, ftol=1e-14, x_scale=[1, 1e-3, 1, 1]
    ).x
    fit = fit_sine(samples, RATE)
    # the fit also lets the amplitude drift, which moves the frequency by far less than its doubt
    doubt = np.sqrt(fit.frequency_variance_hz2)
    assert fit.frequency_hz == pytest.approx(expected[1], abs=0.02 * doubt)
    assert fit.amplitude_v == pytest.approx(expected[0], rel=1e-5)
    assert fit.phase_rad == pytest.approx(expected[2], abs=1e-5)


# Standard deviations at the Cramer-Rao bound (Kay 1993; Andersson and Haendel 2003):
# count, amplitude, noise, rate, then amplitude, phase with the frequency known (which is that at
# mid-record), frequency in Hz.
BOUNDS = [
    (1024, 1.0, 0.001, 48000.0, 4.419417382e-05, 4.419417382e-05, 0.001142134531),
    (4096, 2.0, 0.005, 96000.0, 0.0001104854346, 5.524271728e-05, 0.0007138337626),
    (65536, 28.284271, 0.02, 192000.0, 0.0001104854346, 3.906250034e-06, 6.309458545e-06),
]


@pytest.mark.parametrize(("count", "amplitude", "noise", "rate", "u_a", "u_phase", "u_f"), BOUNDS)
def test_stated_doubt_is_the_cramer_rao_bound(count, amplitude, noise, rate, u_a, u_phase, u_f):
    rng = np.random.default_rng(count)
    wave = amplitude * np.cos(2 * np.pi * 0.0317 * rate * mid_time(count, rate) + 1.0)
    fit = fit_sine(wave + noise * rng.standard_normal(count), rate)
    # the noise is known from count samples: relative scatter 1/sqrt(2 count), 2.2 % at 1024
    tolerance = 4 / np.sqrt(2 * count) + 0.01
    assert np.sqrt(fit.amplitude_variance_v2) == pytest.approx(u_a, rel=tolerance)
    assert np.sqrt(fit.phase_variance_rad2) == pytest.approx(u_phase, rel=tolerance)
    assert np.sqrt(fit.frequency_variance_hz2) == pytest.approx(u_f, rel=tolerance)


@pytest.mark.parametrize("cycles", [3.3, 41.7])
def test_errors_reach_the_cramer_rao_bound(cycles):
    rng = np.random.default_rng(round(cycles))
    count, noise, runs = 512, 1e-3, 300
    hz = cycles * RATE / count
    errors = np.empty((runs, 3))
    for run in range(runs):
        phase = rng.uniform(-3, 3)
        wave = np.cos(2 * np.pi * hz * mid_time(count) + phase)
        fit = fit_sine(wave + noise * rng.standard_normal(count), RATE)
        errors[run] = fit.frequency_hz - hz, fit.amplitude_v - 1, fit.phase_rad - phase
    bound_f = np.sqrt(24 * noise**2 / count / (count**2 - 1)) * RATE / (2 * np.pi)
    bound = np.array([bound_f, noise * np.sqrt(2 / count), noise * np.sqrt(2 / count)])
    ratio = np.sqrt(np.mean(errors**2, axis=0)) / bound
    # 300 runs: an RMSE scatters by 4 %; a few cycles cost up to 4 %
    assert np.all((ratio > 0.86) & (ratio < 1.16))


def test_quantisation_shows_as_a_twelfth_of_a_step_squared():
    # ideal quantiser: error q^2/12 for a sine that is not coherent; SNR 98.09 dB at 16 bits
    t = mid_time(2**16)
    step = 2.0**-15
    wave = np.round(0.999 * np.cos(2 * np.pi * 997.37 * t) / step) * step
    fit = fit_sine(wave, RATE)
    snr_db = 10 * np.log10(fit.amplitude_v**2 / 2 / fit.noise_v2)
    assert snr_db == pytest.approx(98.0905 + 20 * np.log10(0.999), abs=0.1)


def test_two_close_tones_are_refined_together():
    t = mid_time(9600)
    wave = np.cos(2 * np.pi * 19000.7 * t) + np.cos(2 * np.pi * 20000.2 * t + 1)
    fit = refine_lines(wave, RATE, [19000.0, 20000.0], drifting=[0, 1])
    np.testing.assert_allclose(fit.frequency_hz, [19000.7, 20000.2], rtol=1e-10)
    np.testing.assert_allclose(np.abs(fit.amplitude), 1, rtol=1e-9)


def test_two_lines_for_one_tone_run_into_one_and_end_there():
    # one starts on the tone and one half a bin of 10 Hz beside it
    t = mid_time(4800)
    wave = np.cos(2 * np.pi * 19490.0 * t) + 1e-4 * np.random.default_rng(7).standard_normal(t.size)
    fit = refine_lines(wave, RATE, [19490.0, 19495.0], drifting=[0, 1])
    np.testing.assert_allclose(fit.frequency_hz, 19490.0, atol=5.0)


def test_known_tones_come_back_with_size_and_phase():
    t = mid_time(5001)
    wave = 0.5 + 2 * np.cos(2 * np.pi * 60 * t + 0.1) + 0.5 * np.cos(2 * np.pi * 7000 * t - 0.4)
    found = fit_known_tones(wave, RATE, [60.0, 7000.0])
    np.testing.assert_allclose(found, [2 * np.exp(0.1j), 0.5 * np.exp(-0.4j)], rtol=1e-9)


@pytest.mark.parametrize("bad_hz", [0.0, -50.0, 24000.0])
def test_lines_outside_the_record_are_the_callers_mistake(bad_hz):
    with pytest.raises(ValueError, match="frequencies_hz"):
        fit_lines(np.ones(100), RATE, [1000.0, bad_hz])


def test_a_fit_needs_eight_samples():
    with pytest.raises(ValueError, match="at least 8"):
        fit_sine(np.ones(7), RATE)


def test_a_slow_tone_in_a_long_fast_record_is_found():
    # 20 Hz at 192 kS/s: the first stage alone holds fewer than two cycles
    t = mid_time(2**18, 192000.0)
    found = find_strongest_hz(np.sin(2 * np.pi * 20.3 * t), 192000.0)
    assert found == pytest.approx(20.3, abs=0.01)


def test_group_means_without_lines_equal_the_means_of_the_residual():
    rng = np.random.default_rng(5)
    samples = rng.standard_normal(10007) + np.cos(2 * np.pi * 5000 * mid_time(10007))
    fit = fit_lines(samples, RATE, [5000.0, 15000.0])
    slow, rate = group_means(samples, RATE, 8, without=fit)
    direct = remove_lines(samples, RATE, fit)[:10000].reshape(-1, 8).mean(axis=1)
    assert rate == 6000.0
    np.testing.assert_allclose(slow[:1250], direct, atol=1e-12)
