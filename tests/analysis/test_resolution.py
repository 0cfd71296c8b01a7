"""The step that samples are rounded to, and the doubt of lines that only rounding leaves."""

import numpy as np
import pytest

from sequencer.analysis.resolution import step_over
from sequencer.analysis.tone import analyse_tone

RATE = 48000.0
T = np.arange(48000) / RATE


def tone(hz, amplitude=1.3, phase=0.7):
    return amplitude * np.cos(2 * np.pi * hz * T + phase)


def rounded(wave, step):
    return np.rint(wave / step) * step


STEPS = {
    "16 bits of 20 V": (lambda wave: rounded(wave, 20 / 32767), 20 / 32767),
    "24 bits of 2 V": (lambda wave: rounded(wave, 2 / 8388607), 2 / 8388607),
    "24 bits with an offset": (lambda wave: rounded(wave + 0.3, 2 / 8388607), 2 / 8388607),
    "microvolts in a text": (lambda wave: np.round(wave, 6), 1e-6),
    "nine digits in a text": (lambda wave: np.array([float(f"{v:.9g}") for v in wave]), 1e-8),
    # single precision: 24 binary digits, from 1 to 2 in steps of 2^-23 (IEEE 754)
    "single precision": (lambda wave: wave.astype(np.float32).astype(np.float64), 2.0**-23),
}


@pytest.mark.parametrize("hz", [20.0, 50.0, 997.0, 1000.0])
@pytest.mark.parametrize("name", STEPS)
def test_the_step_of_a_converter_or_of_decimals_is_found(name, hz):
    made, step = STEPS[name]
    assert step_over(made(tone(hz)), 0.0) == pytest.approx(step, rel=1e-3)


def test_a_step_below_what_is_asked_for_and_computed_samples_have_that_of_double_precision():
    finest = np.finfo(np.float64).eps * 1.3
    assert step_over(tone(997.0), 0.0) == pytest.approx(finest, rel=0.01)
    assert step_over(rounded(tone(997.0), 1e-5), 1e-4) == pytest.approx(finest, rel=0.01)
    assert step_over(np.zeros(100), 0.0) == 0.0


@pytest.mark.parametrize("bits", [12, 16, 24])
@pytest.mark.parametrize("hz", [50.0, 1000.0, 997.0])
def test_the_stated_doubt_holds_the_level_of_a_tone_that_is_only_rounded(bits, hz):
    # 1 kHz at 48 kHz repeats every 48 samples, and its rounding with it: nothing averages that out
    step, errors, doubts = 2.0 / 2**bits, [], []
    for phase in np.random.default_rng(1).uniform(-3, 3, 10):
        result = analyse_tone(rounded(tone(hz, 0.501234, phase), step), RATE)
        errors.append(result.level_vrms.value - 0.501234 / np.sqrt(2))
        doubts.append(result.level_vrms.standard_uncertainty)
    # 10 runs: none beyond four of its own doubts, and the scatter at most twice the doubt
    assert np.all(np.abs(errors) < 4 * np.array(doubts))
    assert np.std(errors) < 2 * np.mean(doubts)
    if hz != 997.0:
        # half a step, rectangular (JCGM 100:2008, F.2.2.1); a wider one where few values are left
        assert np.median(doubts) == pytest.approx(step / np.sqrt(12), rel=0.01)


def test_rounding_of_a_tone_makes_no_distortion():
    # 16 bits: its own harmonics, up to 0.1 step, were read as numbers otherwise
    step = 2.0 / 2**16
    result = analyse_tone(rounded(tone(1000.0, 0.501234), step), RATE)
    assert result.thd.value is None
    assert result.thd.upper_bound < 5 * step / 0.5


@pytest.mark.parametrize("steps", [0.5, 1.0, 3.0])
def test_where_noise_lies_over_the_step_the_doubt_is_that_of_the_noise(steps):
    step = 2.0 / 2**16
    noise = steps * step * np.random.default_rng(2).standard_normal(T.size)
    result = analyse_tone(rounded(tone(1000.0, 0.5) + noise, step), RATE)
    # noise and rounding, uncorrelated: s^2 + q^2/12; a level's variance s^2/N (Kay, example 3.14)
    expected = step * np.sqrt((steps**2 + 1 / 12) / T.size)
    assert result.level_vrms.standard_uncertainty == pytest.approx(expected, rel=0.2)


@pytest.mark.parametrize("noise", [0.0, 0.2, 0.4])
@pytest.mark.parametrize("steps", [33.0, 330.0, 3300.0])
def test_lines_that_rounding_moves_although_it_looks_like_noise_lie_within_their_doubt(
    steps, noise
):
    # truth by construction; without it the level was off by 280 doubts at 33 steps, H3 by 5 at 330
    rng, ratios = np.random.default_rng(5), []
    for _ in range(20):
        hz, phase = rng.uniform(300.0, 1500.0), rng.uniform(-3.0, 3.0, 2)
        wave = tone(hz, steps, phase[0]) + tone(3 * hz, 3e-3 * steps, phase[1])
        samples = 1e-4 * np.rint(wave + noise * rng.standard_normal(T.size))
        result = analyse_tone(samples, RATE)
        level, third = result.level_vrms, result.harmonics[3]
        ratios.append((level.value - 1e-4 * steps / np.sqrt(2)) / level.standard_uncertainty)
        if third.value is not None:
            ratios.append((third.value - 3e-3) / third.standard_uncertainty)
    # over 20 runs and more the mean square of a normal variable is below 1.6 in 98 of 100
    assert np.mean(np.square(ratios)) < 1.6


@pytest.mark.parametrize("phase", [0.0, 0.3])
@pytest.mark.parametrize("hz", [1000.0, 3000.0, 6000.0])
def test_a_record_of_few_values_has_the_step_between_them(hz, phase):
    # 48, 16 and 8 samples a period: half a step, rectangular (JCGM 100:2008, F.2.2.1), or of a multiple
    step = 2.0 / 2**12
    result = analyse_tone(rounded(tone(hz, 0.5, phase), step), RATE)
    doubt = result.level_vrms.standard_uncertainty
    assert 0.99 * step / np.sqrt(12) < doubt < 8 * step / np.sqrt(12)
    assert result.level_vrms.value == pytest.approx(0.5 / np.sqrt(2), abs=2 * doubt)


def test_a_computed_tone_of_two_values_has_the_step_of_double_precision():
    assert step_over(tone(12000.0), 0.0) < 1e-14


@pytest.mark.parametrize("noise", [0.03, 0.05, 0.1, 0.15, 0.2, 0.3])
@pytest.mark.parametrize("rate", [48000.0, 96000.0])
def test_rounding_that_repeats_with_a_coherent_tone_is_in_the_doubt(rate, noise):
    # 1 kHz at 48 and 96 kS/s comes back every 48 and 96 samples; truth by construction
    rng, ratios, t = np.random.default_rng(3), [], np.arange(48000) / rate
    for _ in range(5):
        wave = sum(
            v * np.cos(2 * np.pi * 1000.0 * k * t + rng.uniform(-3, 3))
            for k, v in ((1, 1e4), (2, 0.3), (3, 1.0), (5, 0.2))
        )
        samples = 1e-3 * np.rint(wave + noise * rng.standard_normal(t.size))
        result = analyse_tone(samples, rate)
        for order, truth in ((2, 3e-5), (3, 1e-4), (4, 0.0), (5, 2e-5), (6, 0.0)):
            found = result.harmonics[order]
            if found.value is None:
                assert truth <= found.upper_bound
            else:
                ratios.append((found.value - truth) / found.standard_uncertainty)
    # none of 25 beyond four doubts; without it they were off by up to 60
    assert not ratios or np.abs(ratios).max() < 4.0


def test_rounding_that_repeats_no_longer_costs_nothing():
    rng = np.random.default_rng(4)
    wave = 1e4 * np.cos(2 * np.pi * 1000.0 * T) + rng.standard_normal(T.size)
    doubt = analyse_tone(1e-3 * np.rint(wave), RATE).level_vrms.standard_uncertainty
    assert doubt == pytest.approx(1e-3 * np.sqrt((1 + 1 / 12) / T.size), rel=0.2)


def test_the_doubt_of_thd_plus_noise_of_a_rounded_tone_is_no_more_than_all_its_rounding():
    step = 2.0 / 2**16
    found = analyse_tone(rounded(tone(1000.0, 0.501234), step), RATE).thd_plus_noise
    # all of it, step/sqrt(12) r.m.s., over the tone
    whole = step / np.sqrt(12) / (0.501234 / np.sqrt(2))
    assert 0.0 < found.value < 1.5 * whole
    assert found.value - 2 * found.standard_uncertainty < 0.0  # there is no distortion
    assert found.standard_uncertainty < 2 * whole


def test_a_bound_on_the_thd_of_a_rounded_tone_is_none_below_its_harmonics():
    """1 mV rms in 16-bit codes of 1 V, harmonics of 0.1, 0.03 and 0.01 %: all under a code."""
    rng, t = np.random.default_rng(2), np.arange(48000) / 48e3
    truth = np.sqrt(1e-3**2 + 3e-4**2 + 1e-4**2)
    for _ in range(20):
        turn = 2 * np.pi * 1000 * (1 + 1e-3 * rng.random()) * t
        wave = np.sin(turn)
        for order, share in ((2, 1e-3), (3, 3e-4), (5, 1e-4)):
            wave += share * np.sin(order * turn + 2 * np.pi * rng.random())
        wave = 1e-3 * np.sqrt(2) * wave + 1e-6 * rng.standard_normal(t.size)
        result = analyse_tone(np.round(wave * 2**15) / 2**15, 48e3)
        assert result.thd.upper_bound >= truth
        assert all(result.thd.upper_bound >= h.upper_bound for h in result.harmonics.values())


@pytest.mark.parametrize(
    ("rate", "hz", "bins", "noise"),
    [
        (48000.0, 40.0, 0.0, 0.03),  # comes back after 1200 samples
        (192000.0, 10000.0, 0.3, 0.0),  # its rounding wanders, as slow as a DC that drifts
        (96000.0, 5000.0, 3.0, 0.03),
        (48000.0, 2400.0, 10.0, 0.0),
    ],
)
@pytest.mark.parametrize("steps", [60.0, 3000.0])
def test_rounding_that_repeats_nearly_is_in_the_doubt(rate, hz, bins, noise, steps):
    # a frequency off by bins/(2 pi steps) of a bin moves the crests by so many steps' worth of phase
    rng, ratios, t = np.random.default_rng(6), [], np.arange(48000) / rate
    hz += bins / (2 * np.pi * steps) * rate / t.size
    for _ in range(5):
        wave = rng.uniform(-3, 3) + sum(
            v * np.cos(2 * np.pi * hz * k * t + rng.uniform(-3, 3))
            for k, v in ((1, steps), (2, 3e-3 * steps), (3, 3e-3 * steps))
        )
        result = analyse_tone(1e-3 * np.rint(wave + noise * rng.standard_normal(t.size)), rate)
        level = result.level_vrms
        truth = 1e-3 * steps / np.sqrt(2)
        ratios.append((level.value - truth) / level.standard_uncertainty)
        assert result.dc_moved_v is None
        for order, found in result.harmonics.items():
            truth = 3e-3 if order < 4 else 0.0
            if found.value is None:
                assert truth <= found.upper_bound
            else:
                ratios.append((found.value - truth) / found.standard_uncertainty)
    # none beyond four doubts; without it they were off by up to several hundred
    assert np.abs(ratios).max() < 4.0


@pytest.mark.parametrize("drift_steps", [2.0, 10.0, 200.0])
def test_a_drift_taken_off_leaves_the_doubt_of_the_rounding_under_it(drift_steps):
    rng, ratios, step, slow = np.random.default_rng(7), [], 1e-4, np.linspace(-1.0, 1.0, T.size)
    for _ in range(10):
        wave = tone(1000.0, 0.1, rng.uniform(-3, 3)) + tone(3000.0, 3e-4, rng.uniform(-3, 3))
        samples = rounded(wave + drift_steps * step * slow**2, step)
        result = analyse_tone(samples, RATE)
        assert result.dc_moved_v is not None
        level, third = result.level_vrms, result.harmonics[3]
        ratios.append((level.value - 0.1 / np.sqrt(2)) / level.standard_uncertainty)
        if third.value is None:
            assert third.upper_bound >= 3e-3
        else:
            ratios.append((third.value - 3e-3) / third.standard_uncertainty)
        if drift_steps > 100:  # it repeats no longer: sqrt(8/12/48)/2 = 0.06 of a step, if it did
            assert level.standard_uncertainty < 0.01 * step
    # none of 20 beyond four doubts
    assert np.abs(ratios).max() < 4.0
