"""Kind intermodulation: products of two tones against lines put in."""

import math

import numpy as np
import pytest

from drivers.roles import Role
from sequencer.analysis.imd import analyse_imd_difference
from sequencer.steps.intermodulation import TwoTones

STEP = "kind: intermodulation, level: 10 W, record: 1 s"
SMPTE = "kind: intermodulation, method: modulation, level: 10 W, record: 1 s"
LEVEL_V = math.sqrt(80.0)


@pytest.mark.parametrize(
    "text", [STEP + ", method: beat", "kind: intermodulation, level: 10", STEP + ", tones: 2"]
)
def test_wrong_settings_are_refused(on, text):
    assert on.refusal(text)


def test_difference_products_relative_to_the_sum_of_both_tones(on):
    bench = on.bench()
    bench.amplifier.products = {1e3: 3e-5, 18e3: 1e-4, 21e3: 5e-5}
    found = on.run(STEP, bench).findings(accuracy={})
    # 20 uV of noise over a second is 4e-8 of the sum.
    assert found["imd_difference_2"].value == pytest.approx(3e-5, rel=3e-3)
    assert found["imd_difference_3"].value == pytest.approx(1.5e-4, rel=3e-3)
    assert found["level_1"].value == pytest.approx(LEVEL_V / 2, rel=0.025)  # within 0.2 dB
    assert set(found) == {"imd_difference_2", "imd_difference_3", "level_1", "level_2"}


def test_modulation_products_relative_to_the_upper_tone(on):
    # SMPTE RP 120: 60 Hz and 7 kHz, 4 to 1; U2 is a fifth of the sum.
    bench = on.bench()
    bench.amplifier.products = {6940.0: 2e-5, 7060.0: 2e-5, 6880.0: 1e-5, 7120.0: 1e-5}
    found = on.run(SMPTE, bench).findings(accuracy={})
    assert found["imd_modulation_2"].value == pytest.approx(5 * 4e-5, rel=3e-3)
    assert found["imd_modulation_3"].value == pytest.approx(5 * 2e-5, rel=3e-3)
    assert found["level_1"].value / found["level_2"].value == pytest.approx(4.0, rel=1e-4)


def test_both_tones_together_have_the_peak_of_the_stated_sine(on):
    done = on.run(STEP)
    (call,) = done.bench.called("set_two_tone")
    assert call[0], call[2] == (19e3, 20e3)
    gain = done.bench.amplifier.gain
    assert (call[1] + call[3]) * gain == pytest.approx(LEVEL_V, rel=0.025)


def test_the_gain_is_found_with_one_tone_from_below_and_zero_before_two(on):
    done = on.run(STEP)
    levels = done.bench.levels()
    assert levels[1] * done.bench.amplifier.gain == pytest.approx(math.sqrt(0.8))
    calls = [e for e in done.bench.log if getattr(e, "method", "") in ("set_level", "set_two_tone")]
    both = next(i for i, call in enumerate(calls) if call.method == "set_two_tone")
    assert calls[both - 1].arguments == (0.0,)
    assert levels[-1] == 0.0
    assert done.bench.called("set_sine")[-1] == (1000.0, 0.0, 0.0)


def test_the_doubt_holds_the_analysers_own_residual(on):
    bench = on.bench()
    bench.amplifier.products = {1e3: 3e-5, 18e3: 1e-4, 21e3: 5e-5}
    found = on.run(STEP, bench).findings()
    own = 1.78e-6 / math.sqrt(3)
    assert found["imd_difference_2"].standard_uncertainty == pytest.approx(own, rel=0.05)


def test_products_in_the_noise_are_bounds(on):
    found = on.run(STEP).findings()["imd_difference_2"]
    assert found.value is None
    assert found.noise_limited
    assert found.upper_bound < 1e-5


def test_an_overloaded_highest_range_is_no_reading_with_the_reason(on):
    bench = on.bench()
    bench.amplifier.dc_v = 88.5
    found = on.run(STEP, bench).findings()
    assert "range was exceeded" in found["imd_difference_2"].reason


def test_it_demands_a_generator_that_adds_two_tones(on):
    demand = on.demand(STEP)
    assert (Role.GENERATOR, "set_two_tone") in demand.operations
    assert demand.load_w == pytest.approx(10.0)
    assert "19 kHz and 20 kHz" in on.describe(STEP)


def test_the_picture_shows_the_spectrum_of_both(on):
    picture = on.run(STEP).pictures()["two_tones"]
    assert picture.x_scale == "log"
    assert float(max(picture.curves[0].y)) == pytest.approx(
        20 * math.log10(LEVEL_V / 2), abs=1.6
    )  # between bins a Hann window reads up to 1.4 dB low


@pytest.mark.parametrize("step", [0.0, 0.01])
def test_a_level_that_moves_is_told_beside_the_readings_it_matters_to(step):
    time = np.arange(96000) / 96e3
    gain = np.where(time > 0.6, 1.0 + step, 1.0)
    volts = gain * np.cos(2 * np.pi * 19e3 * time) + np.cos(2 * np.pi * 20e3 * time)
    volts += 1e-5 * np.random.default_rng(1).standard_normal(time.size)
    read = TwoTones.of("difference", analyse_imd_difference(volts, 96e3))
    # 20 log10(1.01) = 0.0864 dB
    words = "the level moves by 0.086 dB within the record, counted in its doubt"
    assert (words in read.remarks("difference", "level_1")) is bool(step)


@pytest.mark.parametrize("drift_hz", [0.0, 0.1])
def test_a_frequency_that_drifts_is_told_beside_the_readings_it_matters_to(drift_hz):
    time = np.arange(96000) / 48e3
    turn = 2 * np.pi * drift_hz * time**2 / 4
    volts = np.cos(2 * np.pi * 19e3 * time + turn) + np.cos(2 * np.pi * 20e3 * time + turn)
    volts += 1e-3 * np.cos(2 * np.pi * 1e3 * time)
    volts += 1e-5 * np.random.default_rng(1).standard_normal(time.size)
    read = TwoTones.of("difference", analyse_imd_difference(volts, 48e3))
    remarks = read.remarks("difference", "imd_difference_2")
    assert any("the tone's frequency moves by" in each for each in remarks) is bool(drift_hz)
    assert not any("click" in each for each in remarks)
