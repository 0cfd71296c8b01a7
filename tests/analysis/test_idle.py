"""Idle noise and hum against simulated truth."""

import numpy as np
import pytest

from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.idle import analyse_idle

RATE = 96000.0
FLOOR = 0.42e-6  # V/sqrt(Hz)


def idle(seconds, lines, mains_hz=50.04, rate=RATE, seed=0, drift_hz_s=0.0):
    """White noise, an offset, and hum lines by multiple in V rms, the mains frequency drifting."""
    rng = np.random.default_rng(seed)
    count = round(seconds * rate)
    t = np.arange(count) / rate
    turn = 2 * np.pi * (mains_hz * t + drift_hz_s * t**2 / 2)
    wave = 2e-3 + FLOOR * np.sqrt(rate / 2) * rng.standard_normal(count)
    for multiple, rms in lines.items():
        wave += np.sqrt(2) * rms * np.cos(multiple * turn + multiple)
    return wave


LINES = {1: 40e-6, 2: 32e-6, 3: 15e-6, 4: 8e-6}


def test_noise_readings_include_the_hum():
    result = analyse_idle(idle(3.0, LINES), RATE)
    noise_v2 = FLOOR**2 * (20000 - 20)
    total = np.sqrt(noise_v2 + sum(v**2 for v in LINES.values()))
    assert 20 * np.log10(result.noise_unweighted_vrms.value / total) == pytest.approx(0, abs=0.1)
    # white noise A-weighted: 2.048 dB less; lines at 50, 100, 150, 200 Hz -30.3, -19.1, -13.4, -10.8 dB
    weighted = noise_v2 * 10 ** (-0.2048271) + sum(
        v**2 * 10 ** (g / 10)
        for v, g in zip(LINES.values(), (-30.27, -19.14, -13.39, -10.85), strict=True)
    )
    found = result.noise_a_weighted_vrms
    assert 20 * np.log10(found.value / np.sqrt(weighted)) == pytest.approx(0, abs=0.1)
    assert abs(found.value - np.sqrt(weighted)) < 4 * found.standard_uncertainty
    # 468 and quasi-peak lie well above
    assert 2.5 < result.noise_468_weighted_v.value / found.value < 6


def test_a_rate_that_cuts_off_what_the_468_network_weighs_most_gives_no_such_reading():
    """ITU-R BS.468-4, table 1: 12.2 dB at 6.3 kHz, 0 dB at 12.5 kHz."""
    for rate, is_read in ((8e3, False), (48e3, True)):
        result = analyse_idle(idle(1.0, LINES, rate=rate), rate, band_hz=(20.0, 3e3))
        assert (result.noise_468_weighted_v.value is not None) is is_read
        assert result.noise_unweighted_vrms.value


def test_hum_lines_and_mains_frequency():
    result = analyse_idle(idle(5.0, {1: 30e-6, 2: 300e-6}), RATE)
    assert result.mains_frequency_hz.value == pytest.approx(50.04, abs=1e-3)
    assert 20 * np.log10(result.hum_lines[1].value / 30e-6) == pytest.approx(0, abs=0.1)
    assert 20 * np.log10(result.hum_lines[2].value / 300e-6) == pytest.approx(0, abs=0.03)
    assert sorted(result.hum_lines) == list(range(1, 21))
    assert sum(result.hum_lines[k].noise_limited for k in range(3, 21)) >= 17
    # one line's bound: a few times FLOOR/sqrt(2 T) = 0.13 uV
    assert all(line.upper_bound < 1e-6 for line in result.hum_lines.values() if line.noise_limited)


def test_sixty_hertz_is_found_when_asked_for_either():
    result = analyse_idle(idle(2.0, LINES, mains_hz=59.8), RATE, nominal_mains_hz=None)
    assert result.mains_frequency_hz.value == pytest.approx(59.8, abs=5e-3)
    assert sorted(result.hum_lines)[-1] == 16


def test_without_hum_all_lines_are_bounds():
    result = analyse_idle(idle(1.0, {}), RATE)
    assert result.mains_frequency_hz.value is None
    assert all(line.noise_limited for line in result.hum_lines.values())


def test_a_mains_that_wanders_is_followed_in_a_long_record():
    # 3 mHz/s for 40 s moves the line by 0.12 Hz, five bins of the whole record
    rate = 48000.0
    wave = idle(40.0, LINES, rate=rate, drift_hz_s=3e-3)
    result = analyse_idle(wave, rate)
    for multiple, rms in LINES.items():
        # 10 s sections with 0.03 Hz of drift each: (pi 0.3/2)^2/45 per multiple squared
        assert result.hum_lines[multiple].value == pytest.approx(
            rms, rel=0.005 * multiple**2 + 0.02
        )


def test_spurs_above_the_band_are_no_noise():
    wave = idle(1.0, LINES, rate=192000.0)
    spur = 3e-3 * np.sin(2 * np.pi * 70e3 * np.arange(wave.size) / 192000.0)
    without, with_spur = analyse_idle(wave, 192000.0), analyse_idle(wave + spur, 192000.0)
    for name in ("noise_unweighted_vrms", "noise_a_weighted_vrms"):
        ratio = getattr(with_spur, name).value / getattr(without, name).value
        assert ratio == pytest.approx(1, abs=1e-3)


@pytest.mark.parametrize("seconds", [0.25, 1.0])
def test_stated_doubt_of_the_noise_readings_is_their_scatter(seconds):
    found = []
    for seed in range(40):
        result = analyse_idle(idle(seconds, LINES, seed=seed, rate=48000.0), 48000.0)
        reading = result.noise_unweighted_vrms
        found.append((reading.value, reading.standard_uncertainty))
    values, doubts = np.array(found).T
    # 40 runs know a standard deviation to 11 %
    assert np.mean(doubts) == pytest.approx(np.std(values), rel=0.4)


@pytest.mark.parametrize(("here_hz", "said_hz"), [(50.0, 60.0), (60.0, 50.0)])
def test_hum_of_another_mains_than_was_said_is_not_read(here_hz, said_hz):
    rng = np.random.default_rng(3)
    t = np.arange(5 * 48000) / 48000.0
    wave = 80e-6 * rng.standard_normal(t.size)
    wave += sum(1e-3 / k * np.cos(2 * np.pi * k * 1.0003 * here_hz * t + k) for k in range(1, 17))
    result = analyse_idle(wave, 48000.0, nominal_mains_hz=said_hz)
    assert result.other_mains_hz == here_hz
    assert result.hum_lines == {}
    assert result.mains_frequency_hz.value is None
    unsaid = analyse_idle(wave, 48000.0, nominal_mains_hz=None)
    assert unsaid.nominal_mains_hz == here_hz
    assert unsaid.mains_frequency_hz.value == pytest.approx(1.0003 * here_hz, abs=1e-3)


def mains_hum(mains_hz, lines, seconds=6.0, rate=48000.0):
    """Lines in V rms by multiple over white noise of 20 uV rms."""
    t = np.arange(round(seconds * rate)) / rate
    wave = 20e-6 * np.random.default_rng(5).standard_normal(t.size)
    return wave + sum(
        np.sqrt(2) * rms * np.cos(2 * np.pi * k * mains_hz * t + k) for k, rms in lines.items()
    )


COMB = {k: 1e-3 / k for k in range(1, 7)}


@pytest.mark.parametrize(("said_hz", "here_hz"), [(16.7, 16.68), (50.5, 50.1), (400.0, 400.3)])
def test_hum_of_any_mains_that_was_said_is_read(said_hz, here_hz):
    result = analyse_idle(mains_hum(here_hz, COMB), 48000.0, nominal_mains_hz=said_hz)
    # a line's doubt: 20 uV sqrt(1/(N/2)) / sqrt(2) = 0.04 uV over 6 s at 48 kHz
    assert result.mains_frequency_hz.value == pytest.approx(here_hz, abs=1e-3)
    assert result.hum_lines[1].value == pytest.approx(1e-3, abs=0.4e-6)
    assert result.hum_lines[2].value == pytest.approx(0.5e-3, abs=0.4e-6)
    assert result.other_mains_hz is None


@pytest.mark.parametrize(
    ("said_hz", "here_hz", "other_hz"),
    [(16.7, 50.03, 50.0), (400.0, 50.03, 50.0), (400.0, 59.97, 60.0), (50.5, 60.02, 60.0)],
)
def test_hum_of_50_or_60_hz_is_told_from_any_mains_that_was_said(said_hz, here_hz, other_hz):
    result = analyse_idle(mains_hum(here_hz, COMB), 48000.0, nominal_mains_hz=said_hz)
    assert result.other_mains_hz == other_hz
    assert result.hum_lines == {}


@pytest.mark.parametrize("here_hz", [47.3, 49.3, 50.7, 51.0, 53.4])
def test_hum_well_off_nominal_is_read_where_it_is(here_hz):
    lines = {1: 1e-3, 2: 0.5e-3, 20: 0.2e-3}
    result = analyse_idle(mains_hum(here_hz, lines), 48000.0)
    assert result.mains_frequency_hz.value == pytest.approx(here_hz, abs=1e-3)
    assert {k: result.hum_lines[k].value for k in lines} == pytest.approx(lines, abs=0.4e-6)


@pytest.mark.parametrize("here_hz", [50.65, 51.5, 54.1])
def test_nothing_is_read_beside_a_lone_line_off_nominal(here_hz):
    result = analyse_idle(mains_hum(here_hz, {1: 1e-3}), 48000.0)
    assert result.mains_frequency_hz.value is None
    assert result.hum_lines == {}
    assert result.stray_hz[0] == pytest.approx(here_hz, abs=0.2)


def test_a_lone_line_of_the_other_mains_is_not_passed_over():
    # what a rectifier on 60 Hz gives
    result = analyse_idle(mains_hum(60.0, {2: 1e-3}), 48000.0, nominal_mains_hz=50.0)
    assert result.other_mains_hz == 60.0
    assert result.lone_hum_hz == (120.0,)
    assert result.hum_lines == {}
    assert result.mains_frequency_hz.value is None
    unsaid = analyse_idle(mains_hum(60.0, {2: 1e-3}), 48000.0, nominal_mains_hz=None)
    assert unsaid.hum_lines[2].value == pytest.approx(1e-3, abs=0.4e-6)
    assert unsaid.mains_frequency_hz.value is None


def test_a_record_of_too_few_mains_cycles_is_refused():
    with pytest.raises(CannotMeasure) as refused:
        analyse_idle(mains_hum(16.7, COMB, seconds=0.4), 48000.0, nominal_mains_hz=16.7)
    assert refused.value.code == "too_short"


def with_tones(wave, tones, rate=48000.0):
    t = np.arange(wave.size) / rate
    return wave + sum(
        np.sqrt(2) * rms * np.cos(2 * np.pi * hz * t + 1) for hz, rms in tones.items()
    )


@pytest.mark.parametrize(
    "tones",
    [
        {1001.0: 1.0},
        {437.3: 1e-2},
        {310.7: 1.0, 621.4: 1e-3, 932.1: 3e-4},  # a driven unit that distorts
        {19123.4: 2.0},  # an oscillation above the hum lines
    ],
)
def test_a_strong_tone_leaks_into_no_hum_line(tones):
    result = analyse_idle(with_tones(mains_hum(50.02, COMB), tones), 48000.0)
    # as without the tone: a line's doubt is 0.04 uV
    assert result.mains_frequency_hz.value == pytest.approx(50.02, abs=1e-4)
    for multiple, rms in COMB.items():
        if multiple not in result.hidden_lines:
            assert result.hum_lines[multiple].value == pytest.approx(rms, abs=0.4e-6)
    for multiple in set(range(7, 21)) - set(result.hidden_lines):
        assert result.hum_lines[multiple].upper_bound < 0.4e-6
    total = np.sqrt(sum(rms**2 for rms in [*tones.values(), *COMB.values()]))
    assert result.noise_unweighted_vrms.value == pytest.approx(total, rel=1e-3)


def test_a_hum_line_too_near_to_a_tone_is_not_read():
    result = analyse_idle(with_tones(mains_hum(50.02, COMB), {1001.0: 1.0}), 48000.0)
    assert 20 not in result.hum_lines
    assert result.hidden_lines == {20: pytest.approx(1001.0, abs=1e-3)}


@pytest.mark.parametrize("noise", [0.0, 1.0])
@pytest.mark.parametrize("tone_hz", [437.3, 1000.0, 1000.37, 5000.0])
def test_a_tone_alone_gives_no_mains_frequency_and_no_hum(tone_hz, noise):
    quiet = noise * mains_hum(50.0, {})
    result = analyse_idle(with_tones(quiet, {tone_hz: 1.0}), 48000.0, nominal_mains_hz=None)
    assert result.mains_frequency_hz.value is None
    assert result.other_mains_hz is None
    # twice or thrice the doubt of a line, 0.04 uV, and noise under 20 uV rms scatters
    assert all(line.upper_bound < 0.4e-6 for line in result.hum_lines.values())
    assert all(abs(k * 50.0 / tone_hz - 1) < 0.03 for k in result.hidden_lines)


def test_hum_that_wanders_is_no_tone_beside_the_hum():
    # what the wander leaves of a line lies beside it: 5 mHz/s over 3 s turn the tenth line by a cycle
    wave = idle(6.0, {1: 1e-3, 10: 0.5e-3}, rate=48000.0, drift_hz_s=5e-3)
    result = analyse_idle(wave, 48000.0)
    assert result.hidden_lines == {}
    assert result.hum_lines[1].value == pytest.approx(1e-3, rel=2e-3)


@pytest.mark.parametrize("tone_hz", [100.4, 150.9, 300.7, 301.5, 351.0])
def test_a_tone_beside_a_hum_line_draws_the_mains_frequency_nowhere(tone_hz):
    result = analyse_idle(with_tones(mains_hum(50.02, COMB), {tone_hz: 0.1}), 48000.0)
    value = result.mains_frequency_hz.value
    assert value is None or value == pytest.approx(50.02, abs=1e-3)
    if 1 in result.hum_lines:
        assert result.hum_lines[1].value == pytest.approx(1e-3, abs=2e-6)


@pytest.mark.parametrize(("mains_hz", "tone_hz"), [(50.048, 197.6), (48.02, 353.5)])
def test_a_strong_tone_near_a_weak_line_has_no_line_read_beside_the_hum(mains_hz, tone_hz):
    # truth by construction: hum_150 of 113 uV was read as 4 uV beside its line
    wave = idle(2.0, {1: 30e-6, 2: 20e-6, 3: 113e-6, 6: 500e-6}, mains_hz=mains_hz, rate=8000.0)
    t = np.arange(wave.size) / 8000.0
    wave += np.sqrt(2) * 7.5e-3 * np.cos(2 * np.pi * tone_hz * t)
    hum = analyse_idle(wave, 8000.0, nominal_mains_hz=50.0, band_hz=(20.0, 3000.0)).hum_lines
    read = {k: e for k, e in hum.items() if e.value is not None}
    assert not hum or read[3].value == pytest.approx(113e-6, rel=0.01)


def misread(wave, lines, **said):
    """The lines that are read wrongly: off by more than 5 doubts, or bounded below the truth."""
    result = analyse_idle(wave, 48000.0, **said)
    wrong = {}
    for multiple, line in result.hum_lines.items():
        rms = lines.get(multiple, 0.0)
        # a line that is not there may lie under what the bound's 97 % leave out
        is_wrong = (
            line.upper_bound < 0.9 * rms
            if line.value is None
            else abs(line.value - rms) > 5 * line.standard_uncertainty + 1e-3 * rms
        )
        if is_wrong:
            wrong[multiple] = (rms, line)
    return result, wrong


FOUR = {1: 300e-6, 2: 100e-6, 3: 50e-6, 6: 30e-6}


@pytest.mark.parametrize("tone_v", [0.15e-3, 0.5e-3, 2e-3])
@pytest.mark.parametrize("tone_hz", [48.9, 49.5, 50.5, 51.3, 98.9, 99.5, 101.0, 149.2, 152.0])
def test_many_lines_that_agree_outweigh_a_stronger_tone_beside_one(tone_hz, tone_v):
    # a fan's slip speed beside the hum; it stays so for all its strength
    wave = with_tones(mains_hum(50.0, FOUR, seconds=5.0), {tone_hz: tone_v})
    result, wrong = misread(wave, FOUR)
    assert not wrong
    assert result.mains_frequency_hz.value == pytest.approx(50.0, abs=1e-3)
    assert {1, 2, 3, 6} <= set(result.hum_lines) | set(result.hidden_lines)
    assert len(result.hidden_lines) <= 1


def test_a_tone_inside_the_lobe_of_a_hum_line_hides_that_line_alone():
    wave = with_tones(mains_hum(50.2, FOUR, seconds=5.0), {50.53: 2e-3})
    result, wrong = misread(wave, FOUR)
    assert not wrong
    assert list(result.hidden_lines) == [1]
    assert result.hum_lines[2].value == pytest.approx(100e-6, rel=2e-3)


@pytest.mark.parametrize(
    ("lines", "tones"), [({1: 300e-6}, {101.1: 500e-6}), ({2: 1e-3}, {49.5: 2e-4})]
)
def test_where_no_more_lines_agree_than_disagree_nothing_is_read(lines, tones):
    result = analyse_idle(with_tones(mains_hum(50.0, lines, seconds=5.0), tones), 48000.0)
    assert result.hum_lines == {}
    assert result.stray_hz
    assert result.mains_frequency_hz.value is None


@pytest.mark.parametrize("count", [6, 10, 30])
def test_however_many_tones_there_are_the_doubt_covers_what_they_leave(count):
    tones = {73.0 + 41.37 * i: 1e-3 / (1 + i % 3) for i in range(count)}
    _, wrong = misread(with_tones(mains_hum(50.0, FOUR, seconds=5.0), tones), FOUR)
    assert not wrong


def test_a_tone_near_twice_the_mains_shares_no_frequency_with_the_hum():
    # 0.05 Hz off at the fundamental: at the fourth line 0.2 Hz, half a bin; hum_200 was read far too low
    lines = {3: 30.2e-6, 4: 160.8e-6, 5: 24.1e-6}
    wave = with_tones(mains_hum(49.831, lines, seconds=5.0), {99.757: 770e-6})
    assert not misread(wave, lines)[1]
