"""Hum whose level changes within a record is told and doubted; steady hum is not. By construction."""

import numpy as np
import pytest

from sequencer.analysis.idle import analyse_idle
from sequencer.analysis.idle_tones import dominant_tone
from sequencer.steps.hum import hum_findings, noise_findings

RATE_HZ = 48000.0
NOISE_V = 2e-5
MAINS_HZ = 50.02


def noise(seconds, seed=1):
    return NOISE_V * np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))


def hum(count, level_v, seed=1, multiples=range(1, 13)):
    """Peak level_v / k of each line k."""
    turn = 2 * np.pi * MAINS_HZ * np.arange(count) / RATE_HZ
    phase = np.random.default_rng(seed).uniform(0, 6.28, 13)
    return level_v * sum(np.cos(k * turn + phase[k]) / k for k in multiples)


def counted(result, multiple):
    """Level and doubt of a line, as peak values times the multiple."""
    line = result.hum_lines[multiple]
    scale = np.sqrt(2) * multiple
    return scale * line.value, scale * line.standard_uncertainty


@pytest.mark.parametrize("seconds", [0.6, 2.0, 5.0, 12.0])
@pytest.mark.parametrize("level_v", [1e-4, 1e-3, 1e-2])
def test_hum_that_grows_halfway_is_told_and_both_levels_are_within_the_doubt(seconds, level_v):
    volts = noise(seconds)
    volts += np.where(np.arange(volts.size) < volts.size / 2, 1.0, 1.3) * hum(volts.size, level_v)
    result = analyse_idle(volts, RATE_HZ)
    change = result.hum_change
    assert change.louder_db == pytest.approx(20 * np.log10(1.3), abs=0.1)
    assert change.start_s == pytest.approx(seconds / 2, abs=max(seconds / 16, 0.06))
    assert change.stop_s == pytest.approx(seconds)
    for multiple in (1, 2, 5):
        found_v, doubt_v = counted(result, multiple)
        for true_v in (level_v, 1.3 * level_v):
            assert 0.5 * doubt_v < abs(found_v - true_v) < 2.0 * doubt_v
    off_hz = abs(result.mains_frequency_hz.value - MAINS_HZ)
    assert off_hz < 2.5 * result.mains_frequency_hz.standard_uncertainty
    hum_v2 = level_v**2 / 2 * sum(k**-2.0 for k in range(1, 13))
    for times in (1.0, 1.3):
        off_v = abs(result.noise_unweighted_vrms.value - np.hypot(NOISE_V, times * np.sqrt(hum_v2)))
        assert off_v < 2.0 * result.noise_unweighted_vrms.standard_uncertainty
    told = "the hum changes within the record: its line at"
    findings = [*noise_findings(result), *hum_findings(result, said_by="the bench")]
    changed = [finding for finding in findings if finding.value is not None][:6]
    assert [finding.name for finding in changed[3:]] == ["mains_frequency", "hum_50", "hum_100"]
    for finding in changed:
        assert any(words.startswith(told) for words in finding.remarks)


@pytest.mark.parametrize("course", ["ramp", "wave"])
@pytest.mark.parametrize("seconds", [2.0, 5.0, 12.0])
def test_hum_that_changes_slowly_is_doubted_by_how_far_it_goes(course, seconds):
    volts = noise(seconds)
    place = np.arange(volts.size) / volts.size
    times = 1.0 + 0.3 * place if course == "ramp" else 1.0 + 0.15 * np.sin(3 * np.pi * place)
    result = analyse_idle(volts + times * hum(volts.size, 1e-3), RATE_HZ)
    assert abs(result.hum_change.louder_db) > 0.8
    for multiple in (1, 2, 5):
        found_v, doubt_v = counted(result, multiple)
        # the extremes of what is as good as rectangular lie at sqrt(3) of its standard deviation
        assert abs(found_v - 1e-3 * times.min()) < 2.0 * doubt_v
        assert abs(found_v - 1e-3 * times.max()) < 2.0 * doubt_v
    off_hz = abs(result.mains_frequency_hz.value - MAINS_HZ)
    assert off_hz < 2.5 * result.mains_frequency_hz.standard_uncertainty


def test_a_line_that_changes_alone_leaves_the_others_as_sure_as_they_are():
    volts = noise(5.0)
    volts += hum(volts.size, 1e-3, multiples=[1, 3])
    second = hum(volts.size, 1e-3, multiples=[2])
    result = analyse_idle(volts + np.where(np.arange(volts.size) < 1e5, 1.3, 1.0) * second, RATE_HZ)
    assert result.hum_change.multiple == 2
    assert counted(result, 2)[1] > 0.1e-3
    for multiple in (1, 3):
        found_v, doubt_v = counted(result, multiple)
        assert doubt_v < 0.01e-3
        assert abs(found_v - 1e-3) < 3.0 * doubt_v


@pytest.mark.parametrize("seconds", [0.5, 1.0, 3.0, 7.0])
@pytest.mark.parametrize("code_v", [0.0, 2e-5, 4e-5])
def test_steady_hum_beside_dc_does_not_change(seconds, code_v):
    for seed in range(4):
        volts = noise(seconds, seed) + 10.0 ** -(2 + seed)
        volts += hum(volts.size, (1e-2, 1e-3, 3e-4, 1e-4)[seed], seed)
        if code_v:
            volts = code_v * np.round(volts / code_v)
        assert analyse_idle(volts, RATE_HZ).hum_change is None


@pytest.mark.parametrize("period_s", [5.0, 20.0])
def test_mains_that_wanders_is_no_change_of_the_hum(period_s):
    time_s = np.arange(round(10.0 * RATE_HZ)) / RATE_HZ
    turns = 50.0 * time_s - 0.03 * period_s / (2 * np.pi) * np.cos(2 * np.pi * time_s / period_s)
    wave = sum(1e-3 / k * np.cos(2 * np.pi * k * turns + k) for k in range(1, 21))
    assert analyse_idle(noise(10.0) + wave, RATE_HZ).hum_change is None


@pytest.mark.parametrize("seconds", [5.0, 12.0, 18.0])
@pytest.mark.parametrize("share", [1 / 3, 0.5])
@pytest.mark.parametrize("begins", [True, False])
def test_hum_that_begins_or_ends_within_the_record_is_told(seconds, share, begins):
    volts = noise(seconds)
    place = np.arange(volts.size) / volts.size
    is_on = place > 1 - share if begins else place < share
    result = analyse_idle(volts + is_on * hum(volts.size, 1e-3), RATE_HZ)
    assert 20.0 < result.hum_change.louder_db < 70.0
    level = result.noise_unweighted_vrms
    for true_v in (
        NOISE_V,
        np.hypot(NOISE_V, 1e-3 * np.sqrt(sum(k**-2.0 for k in range(1, 13)) / 2)),
    ):
        assert abs(level.value - true_v) < 2.5 * level.standard_uncertainty
    if 1 in result.hum_lines:
        found_v, doubt_v = counted(result, 1)
        assert abs(found_v - 1e-3) < 3.0 * doubt_v
        assert found_v < 3.0 * doubt_v


@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e3])
def test_how_much_it_changes_is_the_same_at_any_level(scale):
    volts = noise(5.0)
    volts += np.where(np.arange(volts.size) < volts.size / 2, 1.0, 1.3) * hum(volts.size, 1e-3)
    change = analyse_idle(scale * volts, RATE_HZ).hum_change
    assert change.louder_db == pytest.approx(20 * np.log10(1.3), abs=0.1)


def test_weak_lines_change_with_the_strong_one_and_are_doubted():
    # lines 2 to 5 stand out of the noise in the whole record only
    volts = noise(2.0)
    weak_v = {2: 10e-6, 3: 5e-6, 4: 3.3e-6, 5: 2.5e-6}
    wave = hum(volts.size, 1e-3, multiples=[1])
    wave = wave + sum(k * v * hum(volts.size, 1.0, multiples=[k]) for k, v in weak_v.items())
    volts += np.where(np.arange(volts.size) < volts.size / 2, 1.0, 2.0) * wave
    result = analyse_idle(volts, RATE_HZ)
    remarks = {each.name: each.remarks for each in hum_findings(result, said_by="the bench")}
    for multiple, level_v in weak_v.items():
        line = result.hum_lines[multiple]
        if line.value is not None:
            for times in (1.0, 2.0):
                off_v = abs(line.value - times * level_v / np.sqrt(2))
                assert off_v < 2.5 * line.standard_uncertainty
            assert remarks[f"hum_{50 * multiple}"]


def test_hum_of_another_mains_than_was_said_counts_alike_in_the_noise():
    volts = noise(5.0)
    turn = 2 * np.pi * 60.02 * np.arange(volts.size) / RATE_HZ
    wave = sum(1e-3 / k * np.cos(k * turn + k) for k in range(1, 13))
    volts += np.where(np.arange(volts.size) < volts.size / 2, 1.0, 1.3) * wave
    doubts = [
        analyse_idle(
            volts, RATE_HZ, nominal_mains_hz=nominal_hz
        ).noise_a_weighted_vrms.standard_uncertainty
        for nominal_hz in (50.0, 60.0)
    ]
    assert doubts[0] == pytest.approx(doubts[1], rel=0.05)


def test_a_band_without_the_hum_has_no_doubt_by_it_but_the_whole_network_of_468_has():
    volts = noise(5.0)
    volts += np.where(np.arange(volts.size) < volts.size / 2, 1.0, 2.0) * hum(volts.size, 1e-3)
    narrow = analyse_idle(volts, RATE_HZ, band_hz=(2000.0, 20000.0))
    whole = analyse_idle(volts, RATE_HZ)
    plain, _, quasi_peak = noise_findings(narrow)
    told = "the hum changes"
    assert not any(words.startswith(told) for words in plain.remarks)
    assert any(words.startswith(told) for words in quasi_peak.remarks)
    assert narrow.noise_468_weighted_v == whole.noise_468_weighted_v


@pytest.mark.filterwarnings("error")
def test_clicks_in_every_part_leave_nothing_to_compare():
    volts = noise(5.0) + hum(round(5.0 * RATE_HZ), 1e-3)
    volts[volts.size // 32 :: volts.size // 16] += 0.05
    assert analyse_idle(volts, RATE_HZ).hum_change is None


@pytest.mark.parametrize("is_disturbed", [False, True])
@pytest.mark.parametrize("ramp_s", [0.0, 0.02, 0.2, 1.0])
@pytest.mark.parametrize("times", [0.3, 1.6, 4.0])
def test_hum_that_changes_is_neither_click_nor_step_nor_noise(times, ramp_s, is_disturbed):
    # changes at a moment within a cycle and within a section; what is added lies far from it
    volts = noise(5.0)
    time_s = np.arange(volts.size) / RATE_HZ
    gone = np.clip((time_s - 1.907) / max(ramp_s, 1e-9), 0.0, 1.0)
    volts += 5e-3 + (1.0 + (times - 1.0) * gone) * hum(volts.size, 4e-4)
    if is_disturbed:
        volts[round(3.8 * RATE_HZ) :][:3] += 60 * NOISE_V
        volts[round(0.9 * RATE_HZ) :] += 4 * NOISE_V
    result = analyse_idle(volts, RATE_HZ)
    assert abs(result.hum_change.louder_db) > 2.0
    assert result.noise_change is None
    assert len(result.clicks) == len(result.steps) == is_disturbed
    for click in result.clicks:
        assert click.at_s == pytest.approx(3.8, abs=1e-3)
        assert click.size_v == pytest.approx(60 * NOISE_V, rel=0.1)
    for step in result.steps:
        assert step.at_s == pytest.approx(0.9, abs=5e-3)
        assert step.size_v == pytest.approx(4 * NOISE_V, rel=0.1)


def test_hum_that_begins_in_a_section_is_not_said_to_be_a_tone_that_hides_it():
    volts = noise(10.0)
    place_s = np.arange(volts.size) / RATE_HZ
    volts += np.where(place_s < 6.679, 1.0, 6.0) * hum(volts.size, 2e-4)
    result = analyse_idle(volts, RATE_HZ)
    assert result.hum_change is not None
    assert result.hidden_lines
    for finding in hum_findings(result, said_by="the bench"):
        if finding.value is None and finding.reason:
            assert "a tone" not in finding.reason.split(" hides it")[0]


def test_a_record_of_which_nothing_is_left_has_no_tone():
    # what changes was taken off, and there was no noise
    assert dominant_tone(np.zeros(4800), RATE_HZ, (50.0,)) is None
