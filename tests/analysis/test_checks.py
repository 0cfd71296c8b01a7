"""Every refusal from a capture that deserves it, and none from captures that don't."""

import numpy as np
import pytest

from sequencer.analysis import checks
from sequencer.analysis.dc import analyse_dc
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.idle import analyse_idle
from sequencer.analysis.tone import analyse_tone

RATE = 96000.0
COUNT = 2**15


def quantised(wave, bits=24, full_scale=1.0):
    """What a converter makes of it: codes of two's complement, saturated."""
    step = full_scale / 2 ** (bits - 1)
    return np.clip(np.round(wave / step), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1) * step


def tone(hz=997.3, level=0.5, noise=1.5e-6, count=COUNT, rate=RATE, seed=0):
    """A sine with the noise of a good converter."""
    rng = np.random.default_rng(seed)
    return level * np.sin(2 * np.pi * hz * np.arange(count) / rate + 0.3) + (
        noise * rng.standard_normal(count)
    )


def refused(code, action, *args, **kwargs):
    """The refusal an action gives, with its code checked."""
    with pytest.raises(CannotMeasure) as caught:
        action(*args, **kwargs)
    assert caught.value.code == code, str(caught.value)
    assert caught.value.remedy
    return caught.value


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("analyse", [analyse_tone, analyse_idle])
def test_a_sample_that_is_no_number_is_refused(bad, analyse):
    wave = tone()
    wave[1234] = bad
    refusal = refused("nonfinite", analyse, wave, RATE)
    assert "1234" in refusal.reason


def test_a_constant_at_the_end_of_the_range_is_overrange():
    for level in (1.5, -1.5):
        wave = quantised(np.full(COUNT, level), bits=16)
        refused("overrange", analyse_idle, wave, RATE, range_peak_v=1.0)


@pytest.mark.parametrize("level", [0.0, 0.25])
def test_a_constant_is_no_signal(level):
    refused("no_signal", analyse_tone, np.full(COUNT, level), RATE)
    refused("no_signal", analyse_idle, np.full(COUNT, level), RATE)


def test_noise_alone_is_no_tone():
    refused("no_signal", analyse_tone, quantised(tone(level=0.0, noise=1e-4)), RATE)


@pytest.mark.parametrize("second", [1.0, 0.5, 0.25, 0.12])
def test_two_tones_are_refused_where_one_is_expected(second):
    wave = quantised(tone(hz=1000.1, level=0.4) + second * tone(hz=7431.0, level=0.4, seed=1))
    refused("no_signal", analyse_tone, wave, RATE)


def test_the_instruments_own_overrange_flag_is_believed():
    refused("overrange", analyse_tone, tone(), RATE, is_overrange=True)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("over", [1.001, 1.003, 1.02, 1.3, 3.0])
@pytest.mark.parametrize("hz", [97.3, 1003.7, 9973.1])
@pytest.mark.parametrize("full_scale", [None, 1.0])
def test_a_record_cut_off_by_the_converter_is_refused(bits, over, hz, full_scale):
    wave = quantised(tone(hz=hz, level=over), bits)
    refused("overrange", analyse_tone, wave, RATE, range_peak_v=full_scale)


def test_one_polarity_cut_off_is_enough():
    wave = quantised(tone(level=0.7) - 0.4)
    refused("overrange", analyse_tone, wave, RATE)


def test_a_click_that_hits_the_limit_spoils_an_idle_record():
    wave = tone(level=0.0, noise=60e-6)
    wave[5000:5004] = 1.0
    refused("overrange", analyse_idle, quantised(wave), RATE)


@pytest.mark.parametrize("clip", [0.99, 0.8])
@pytest.mark.parametrize("full_scale", [None, 1.0])
def test_an_amplifier_clipping_inside_the_range_is_a_result(clip, full_scale):
    rng = np.random.default_rng(1)
    wave = np.clip(tone(level=0.5), -0.5 * clip, 0.5 * clip) + 1.5e-6 * rng.standard_normal(COUNT)
    result = analyse_tone(quantised(wave), RATE, range_peak_v=full_scale)
    assert result.thd.value > 1e-3


@pytest.mark.parametrize("known", [np.inf, 1.0])
def test_a_slow_tone_held_at_its_tops_is_no_dropout(known):
    wave = quantised(np.clip(tone(hz=20.0, level=0.7, noise=0.0), -0.5, 0.5), 16)
    refusal = refused("overrange", analyse_tone, wave, RATE, range_peak_v=known)
    assert "held at 0.5 V" in refusal.reason


@pytest.mark.parametrize("length", [60, 200])
def test_a_converter_that_repeats_itself_from_a_crest_on_is_a_dropout(length):
    # 1 kHz at 48 kHz meets its largest value in every cycle
    wave = quantised(0.5 * np.sin(2 * np.pi * np.arange(48000) / 48), 16)
    wave[12012 : 12012 + length] = wave[12012]
    assert wave[12012] == wave.max()
    refused("dropout", analyse_tone, wave, 48000.0)


@pytest.mark.parametrize("length", [25, 60, 500])
@pytest.mark.parametrize("held", [0.0, None])
def test_a_run_of_equal_samples_is_a_dropout(length, held):
    wave = quantised(tone())
    wave[7000 : 7000 + length] = wave[7000] if held is None else held
    refused("dropout", analyse_tone, wave, RATE)


def test_a_gap_of_zeros_in_an_idle_record_is_a_dropout():
    wave = quantised(tone(level=0.0, noise=60e-6))
    wave[9000:9400] = 0.0
    refused("dropout", analyse_idle, wave, RATE)


@pytest.mark.parametrize("noise_steps", [1.0, 3.0, 100.0])
@pytest.mark.parametrize("length", [40, 300, 3000])
def test_a_held_sample_in_what_dies_away_is_a_dropout(length, noise_steps):
    rng = np.random.default_rng(3)
    wave = np.round(1e3 * np.exp(-np.arange(8000) / 1200) + noise_steps * rng.standard_normal(8000))
    checks.require_no_held_sample(wave, 0, wave.size)
    wave[4000 : 4000 + length] = wave[4000]
    refusal = refused("dropout", checks.require_no_held_sample, wave, 100, wave.size)
    assert f"{length} samples in a row are equal, from sample 4000" in refusal.reason


def test_a_top_held_in_what_dies_away_is_a_limit():
    rng = np.random.default_rng(3)
    wave = 1e3 * np.exp(-np.arange(8000) / 1200) * np.cos(np.arange(8000) / 50)
    wave = np.minimum(np.round(wave + 3.0 * rng.standard_normal(8000)), 700.0)
    refusal = refused("overrange", checks.require_no_held_sample, wave, 100, wave.size)
    assert "held at 700 V" in refusal.reason


@pytest.mark.parametrize("noise_steps", [0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 1.0])
@pytest.mark.parametrize("turns", [0.0, 3.0, 40.0])
def test_no_record_that_moves_code_by_code_holds_a_held_sample(turns, noise_steps):
    rng = np.random.default_rng(9)
    for count, codes, constants in ((300, 30, 8), (3000, 300, 4), (30000, 300, 4), (30000, 5, 1)):
        time = np.arange(count) / count
        course = codes * np.exp(-constants * time) * np.cos(2 * np.pi * turns * time)
        for end in rng.uniform(-3.0, 3.0, 4):
            noise = noise_steps * rng.standard_normal(count)
            wave = np.round(course + end * (1.0 + time) + noise)
            checks.require_no_held_sample(wave, 0, count)


def test_an_extreme_met_at_rest_only_is_no_limit_unless_the_range_says_so():
    wave = np.round(0.3 * np.exp(-np.arange(300) / 12.0), 3)  # a meter's readings
    at_rest = np.arange(300) > 70
    refused("overrange", checks.require_usable, wave)
    checks.require_usable(wave, at_rest=at_rest)
    refused("overrange", checks.require_usable, wave - 1.0, at_rest=at_rest, range_peak_v=1.0)


# no pair loses whole cycles: that can't be seen
@pytest.mark.parametrize(
    ("hz", "lost"),
    [(97.3, 64), (97.3, 700), (997.3, 11), (997.3, 1000), (9973.1, 1), (9973.1, 64), (9973.1, 999)],
)
@pytest.mark.parametrize("where", [0.1, 0.503, 0.9])
def test_a_missing_block_is_a_dropout(hz, lost, where):
    wave = quantised(tone(hz=hz, count=COUNT + lost))
    at = int(where * COUNT)
    refused("dropout", analyse_tone, np.delete(wave, slice(at, at + lost)), RATE)


@pytest.mark.parametrize("cycles", [0.7, 2.0, 2.9])
def test_fewer_than_three_cycles_are_too_short(cycles):
    wave = tone(hz=100.0, count=round(cycles * 960))
    refused("too_short", analyse_tone, wave, RATE, expected_frequency_hz=100.0)


def test_a_handful_of_samples_is_too_short():
    refused("too_short", analyse_tone, tone(count=60), RATE)


def test_less_than_a_fifth_of_a_second_is_too_short_for_idle():
    refused("too_short", analyse_idle, tone(level=0, noise=1e-5, count=19000), RATE)


def test_a_tone_off_the_expected_frequency_is_refused():
    # a 44.1 kHz record read as 48 kHz lies 8.8 % high
    wave = tone(hz=1000.0, rate=44100.0)
    refused("wrong_frequency", analyse_tone, wave, 48000.0, expected_frequency_hz=1000.0)
    assert analyse_tone(tone(hz=1009.0), RATE, expected_frequency_hz=1000.0).level_vrms.value


def test_a_band_beyond_half_the_rate_is_refused():
    refused("band_too_narrow", analyse_tone, tone(rate=32000.0), 32000.0)
    refused("band_too_narrow", analyse_idle, tone(level=0, noise=1e-5), 32000.0)


def test_the_rate_that_a_band_needs_stands_in_figures_and_is_enough():
    found = refused("band_too_narrow", checks.require_band, (20e3, 500e3), 999_999.0)
    assert "record at 1000000 samples/s or more" in str(found)
    checks.require_band((20e3, 500e3), 1e6)


def test_a_tone_without_any_harmonic_in_the_record_is_refused():
    refused("band_too_narrow", analyse_tone, tone(hz=25000.0), RATE)


def test_a_band_with_its_edges_swapped_is_the_callers_mistake():
    with pytest.raises(ValueError, match="band_hz"):
        checks.require_band((2000.0, 20.0), RATE)


def test_a_rate_that_is_needed_is_met_within_its_rounding():
    checks.require_sample_rate(20e3, 20e3, "a search")
    checks.require_sample_rate(20e3 * (1 - 1e-10), 20e3, "a search")
    found = refused("band_too_narrow", checks.require_sample_rate, 19999.0, 20e3, "a search")
    assert str(found) == (
        "a search needs 20000 samples/s or more, the record has 19999; "
        "record at 20000 samples/s or more"
    )


@pytest.mark.parametrize(
    ("found", "is_fine"),
    [(96000.0, True), (96005.0, True), (96011.0, False), (48000.0, False), (float("nan"), False)],
)
def test_rates_agree_within_a_hundredth_of_a_percent(found, is_fine):
    if is_fine:
        checks.require_rate(found, 96000.0)
    else:
        refused("rate_mismatch", checks.require_rate, found, 96000.0)


def test_even_time_steps_give_the_rate_through_their_rounding():
    times = np.round(np.arange(5000) / 48000.0, 6)
    assert checks.require_even_steps(times) == pytest.approx(48000.0, rel=1e-5)


@pytest.mark.parametrize("spoil", ["gap", "backwards", "repeated", "nan"])
def test_uneven_time_steps_are_refused(spoil):
    times = np.arange(5000) / 48000.0
    changes = {
        "gap": times[2000] + 3 / 48000.0,
        "backwards": times[1900],
        "repeated": times[1999],
        "nan": np.nan,
    }
    times[2000] = changes[spoil]
    if spoil == "gap":
        times[2001:] += 3 / 48000.0
    refused("time_base", checks.require_even_steps, times)


def good_captures():
    """Captures a bench makes, and some that look odd but are good."""
    rng = np.random.default_rng(11)
    for i in range(220):
        hz = float(np.exp(rng.uniform(np.log(40), np.log(9000))))
        level = float(10 ** rng.uniform(-3.5, -0.05))
        noise = float(rng.choice([1.5e-6, 5e-6, 1e-5]))
        wave = tone(hz=hz, level=level, noise=noise, seed=i, count=int(rng.integers(9000, 20000)))
        wave += 3e-5 * np.sin(2 * np.pi * 50.07 * np.arange(wave.size) / RATE) + 1e-3
        yield f"tone {hz:.1f} Hz {level:.2g} V", wave if i % 3 else quantised(wave)
    for i in range(40):
        wave = tone(hz=(997.0, 1000.0, 60.0, 6000.0)[i % 4], level=(0.9, 0.05)[i % 2], noise=0)
        yield f"16 bit {i}", quantised(wave, 16)
    for i in range(20):
        wave = np.clip(tone(seed=i), -0.49 + i / 100, 0.4) + tone(level=0, noise=2e-6, seed=i + 1)
        yield f"clipping amplifier {i}", quantised(wave)
    for i in range(20):
        level = 2e-6 * (i + 1)
        yield f"at the noise {i}", quantised(tone(level=level, noise=level / 2, seed=i))


def test_no_good_tone_is_refused():
    captures = list(good_captures())
    assert len(captures) == 300
    for name, wave in captures:
        try:
            analyse_tone(wave, RATE)
        except CannotMeasure as refusal:
            pytest.fail(f"{name}: {refusal.code}: {refusal}")


@pytest.mark.parametrize("codes", [1.2, 1.5, 2.3, 3.4, 5.1])
@pytest.mark.parametrize("hz", [97.3, 997.3, 1000.0, 4011.7])
def test_a_tone_of_a_few_codes_is_known_as_well_as_these_tell(codes, hz):
    """Truth by construction: rounding alone may take a fifth of such a tone."""
    step = 2.0**-15
    for noise in (0.0, 0.1, 0.3):
        wave = quantised(tone(hz=hz, level=codes * step, noise=noise * step), 16)
        level = analyse_tone(wave, RATE).level_vrms
        error = abs(level.value - codes * step / np.sqrt(2))
        assert error < 2.5 * level.standard_uncertainty
        assert level.standard_uncertainty < 0.3 * step


@pytest.mark.parametrize("noise", [0.1, 0.3])
@pytest.mark.parametrize("codes", [1.2, 2.3, 3.4])
@pytest.mark.parametrize("where", [0.2, 0.5, 0.8])
def test_a_missing_block_shows_in_a_tone_of_a_few_codes(codes, noise, where):
    step = 2.0**-15
    whole = quantised(tone(hz=1000.0, level=codes * step, noise=noise * step, rate=48000.0), 16)
    at = int(where * COUNT)
    analyse_tone(whole, 48000.0)
    spoilt = np.delete(whole, slice(at, at + 12))  # a quarter turn
    refused("dropout", analyse_tone, spoilt, 48000.0)


def test_the_three_values_of_a_tone_that_fits_the_rate_are_no_coarse_codes():
    wave = quantised(0.5 * np.sin(2 * np.pi / 6 * np.arange(COUNT)), 24)
    assert np.unique(wave).size == 3
    level = analyse_tone(wave, 48000.0).level_vrms
    assert level.value == pytest.approx(0.5 / np.sqrt(2), abs=2.0**-23)
    assert level.standard_uncertainty < 1e-3


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("noise", [2e-5, 3e-4])
def test_no_good_idle_record_is_refused(bits, noise):
    for seed in range(4):
        wave = tone(hz=50.03, level=noise, noise=noise, seed=seed, count=24000)
        assert analyse_idle(quantised(wave, bits), RATE).noise_unweighted_vrms.value


@pytest.mark.parametrize("analyse", [analyse_dc, analyse_idle])
@pytest.mark.parametrize("range_peak_v", [None, 10.0])
@pytest.mark.parametrize("direct_v", [0.05, 1.0, -3.0])
@pytest.mark.parametrize("count", [0, 2, 3, 8, 30])
def test_zeros_in_a_direct_voltage_are_samples_lost_and_no_end_of_a_range(
    analyse, range_peak_v, direct_v, count
):
    rng = np.random.default_rng(3)
    time_s = np.arange(round(RATE)) / RATE
    wave = direct_v + 1e-3 * np.cos(2 * np.pi * 50.02 * time_s)
    wave += 1e-4 * rng.standard_normal(wave.size)
    wave[rng.choice(wave.size, count, replace=False)] = 0.0
    if count > 2:
        refusal = refused("dropout", analyse, wave, RATE, range_peak_v=range_peak_v)
        assert f"{count} samples are 0 V" in str(refusal)
    else:  # one or two are a click, and counted
        analyse(wave, RATE, range_peak_v=range_peak_v)


@pytest.mark.parametrize("analyse", [analyse_dc, analyse_idle])
def test_clicks_cut_off_in_a_direct_voltage_still_exceed_the_range(analyse):
    rng = np.random.default_rng(3)
    wave = 1.0 + 1e-4 * rng.standard_normal(round(RATE))
    wave[rng.choice(wave.size, 5, replace=False)] = 10.0
    refused("overrange", analyse, wave, RATE)
