"""Idle: noise, hum lines and the standby supply's line, measured in records.

Numbers: device-under-test model of the project (design choice), computed there from its equations.
"""

import math

import numpy as np
import pytest

from sim_instruments.noise import anti_alias, output_density, shaped_noise, spur_waveform
from sim_instruments.parameters import Noise, Spur


def test_idle_noise_of_a_healthy_unit(bench, idle):
    """60 uV without hum, 81 uV with, 47 uV A-weighted, each within 0.3 dB."""
    b = bench().warm()
    got = [idle(b.idle(2**19)) for _ in range(2)]
    within = 10 ** (0.3 / 20) - 1
    assert np.mean([g.without_hum for g in got]) == pytest.approx(60e-6, rel=within)
    assert np.mean([g.unweighted for g in got]) == pytest.approx(81e-6, rel=within)
    assert np.mean([g.a_weighted for g in got]) == pytest.approx(47e-6, rel=within)
    # 115.5 dB below 100 W in 8 ohm.
    assert 20 * math.log10(math.sqrt(800) / got[0].a_weighted) == pytest.approx(115.5, abs=0.4)


def test_hum_lines_of_a_healthy_unit(bench, idle):
    """50 to 300 Hz; units spread by 3 %, the 100 Hz multiples also with their ripple."""
    lines = idle(bench().warm().idle(2**19)).lines
    expected = {1: 40e-6, 2: 32e-6, 3: 15e-6, 4: 8e-6, 5: 6e-6, 6: 8e-6}
    for order, level in expected.items():
        assert lines[order] == pytest.approx(level, rel=0.15), order


def test_hum_rises_with_the_load(bench, idle, fit):
    """Ripple at 10 W couples 120 uV of 100 Hz into the output (at 1 kHz drive)."""
    b = bench().warm()
    b.drive(math.sqrt(80) / 28.0)
    x = b.record(2**19, 96e3, 30.0).channel(1)
    tone = fit(x[: 2**16], 96e3, 1e3)
    t = np.arange(x.size) / 96e3
    mains = b.world.mains_frequency_hz()
    line = 2 * np.mean(x * np.hanning(x.size) * 2 * np.exp(-4j * np.pi * mains * t))
    assert tone.peak_v > 12
    assert abs(line) / math.sqrt(2) == pytest.approx(math.hypot(120e-6, 27e-6), rel=0.1)


def test_open_input_adds_3_mv(bench, idle):
    b = bench().warm()
    b.world.set_generator(output_on=False)
    b.world.advance(0.1)
    line = idle(b.record(2**18, 96e3, 1.0).channel(1)).lines[1]
    assert line == pytest.approx(3e-3, rel=0.05)


def test_density_is_white_with_a_60_hz_corner_and_wander_below_10_hz():
    """Integral 20 Hz to 20 kHz of 0.42^2 (1 + 60/f): 60.0 uV; 0.1 to 10 Hz wander 20 uV."""
    f = np.geomspace(0.1, 20e3, 200_001)
    power = output_density(Noise(), f, 1e9)
    assert power[-1] == pytest.approx((0.42e-6) ** 2, rel=0.004)

    def rms(low, high):
        part = (f >= low) & (f <= high)
        return math.sqrt(np.trapezoid(power[part], f[part]))

    white = 0.42e-6 * math.sqrt(20e3 - 20 + 60 * math.log(1000))
    assert rms(20, 20e3) == pytest.approx(white, rel=0.003)
    assert rms(0.1, 10) == pytest.approx(math.hypot(20e-6, 0.42e-6 * 16.8), rel=0.05)


@pytest.mark.parametrize("samples", [2**15, 30_001])
def test_shaped_noise_has_the_density_asked_for(samples):
    rng = np.random.default_rng(1)
    x = shaped_noise(rng, samples, 48e3, lambda f: 1e-12 * (1 + 50 / f))
    # Sum of 50/f over bins 1 to n/2, and as much again as one bin for the half bin at 0.
    expected = 1e-12 * (24e3 + 50 * (math.log(samples / 2) + 0.577 + 1.0))
    # 2^15 Gaussian samples: 0.8 % in power; the 1/f part adds scatter of its own.
    assert np.mean(x**2) == pytest.approx(expected, rel=0.03)
    assert np.mean(x**4) / np.mean(x**2) ** 2 == pytest.approx(3.0, abs=0.15)


def test_white_noise_has_no_correlation():
    x = shaped_noise(np.random.default_rng(2), 2**16, 1.0, lambda f: np.ones(f.size))
    assert np.var(x) == pytest.approx(0.5, rel=0.02)
    assert abs(np.mean(x[1:] * x[:-1])) < 4 * 0.5 / 256


def test_anti_alias_filter_corner_and_stop_band():
    f = np.array([0.0, 0.40, 0.45, 0.55, 0.6])
    got = 20 * np.log10(anti_alias(f, 1.0))
    assert got[0] == pytest.approx(0.0, abs=1e-9)
    assert got[1] > -0.001
    assert got[2] == pytest.approx(-3.01, abs=0.01)
    assert got[3] == pytest.approx(-120.0, abs=0.1)
    assert got[4] < -170


def test_spur_has_its_level_and_jitter(spectrum):
    """Integrated 0.15 mV at 104 kHz; instantaneous frequency spreads by 400 Hz rms."""
    rate = 1.25e6
    wave = spur_waveform(
        np.random.default_rng(3),
        Spur(),
        frequency_hz=104e3,
        level_vrms=0.15e-3,
        samples=2**20,
        sample_rate_hz=rate,
    )
    assert math.sqrt(np.mean(wave**2)) == pytest.approx(0.15e-3, rel=1e-3)
    f, power = spectrum(wave, rate)
    centre = np.sum(f * power) / np.sum(power)
    assert centre == pytest.approx(104e3, abs=90)  # 25 Hz sd over 0.84 s
    width = math.sqrt(np.sum((f - centre) ** 2 * power) / np.sum(power))
    # The Hann window of 2^14 samples itself is some 45 Hz wide.
    assert width == pytest.approx(400, rel=0.1)


def test_spur_of_a_healthy_unit_in_the_wideband_record(bench, spectrum):
    """0.15 mV at 104 kHz less 2 % when warm; 1 dB more at 10 W; nothing else above 0.1 mV."""
    b = bench().warm()
    levels = []
    for emf in (0.0, math.sqrt(80) / 28.1):
        b.drive(emf)
        f, power = spectrum(b.record(2**20, 1.25e6, 30.0).channel(1), 1.25e6)
        floor = np.median(power[(f > 80e3) & (f < 130e3)])
        near = np.abs(f - 102e3) < 4e3
        levels.append(math.sqrt(np.sum(power[near] - floor) * f[1]))
        quiet = (f > 20e3) & ~near & (f < 500e3) & (np.abs(f - 104e3) > 8e3)
        assert np.max(power[quiet]) * f[1] < (0.03e-3 if not emf else 0.2e-3) ** 2
    assert levels[0] == pytest.approx(0.15e-3, rel=0.08)
    assert 20 * math.log10(levels[1] / levels[0]) == pytest.approx(1.0, abs=0.15)


def test_spur_wanders_down_by_2_percent_as_it_warms(bench):
    b = bench().power(600.0)
    cold = b.world.truth()["units"][0]["parameters"]["spur"]["frequency_hz"]
    now = b.world._scene().unit.spur_hz
    assert now / cold == pytest.approx(1 - 0.02 * (1 - math.exp(-1)), abs=1e-6)
