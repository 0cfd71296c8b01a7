"""Responses from points: against filters whose corners and levels are known in closed form."""

import math
from dataclasses import replace

import numpy as np
import pytest

from sequencer.analysis.response import (
    MaskPoint,
    PowerPoint,
    ResponsePoint,
    analyse_response,
    check_mask,
    power_bandwidth,
)

# third-octave exact frequencies, 1000 * 10^(n/10) (IEC 61260-1, base ten)
THIRD_OCTAVES = [1000.0 * 10 ** (n / 10) for n in range(-17, 14)]


def filtered(frequencies_hz, *, low_hz=1.6, high_hz=95e3, gain_db=29.0, doubt_db=0.0):
    """First-order high-pass and low-pass: |H|^2 = 1/(1 + (fl/f)^2) 1/(1 + (f/fh)^2)."""
    f = np.asarray(frequencies_hz)
    loss = 10 * np.log10(1 + (low_hz / f) ** 2) + 10 * np.log10(1 + (f / high_hz) ** 2)
    return [
        ResponsePoint(frequency_hz=float(a), gain_db=float(gain_db - b), uncertainty_db=doubt_db)
        for a, b in zip(f, loss, strict=True)
    ]


def test_first_order_losses_at_the_ends_of_the_audio_band():
    # 5 Hz high-pass at 20 Hz: -0.2632893872 dB; 120 kHz low-pass at 20 kHz: -0.118992233 dB
    result = analyse_response(
        filtered([20.0, 200.0, 1000.0, 5000.0, 20000.0], low_hz=5.0, high_hz=120e3)
    )
    at_reference = 10 * np.log10(1 + 0.005**2) + 10 * np.log10(1 + (1 / 120) ** 2)
    assert result.relative_db[0] == pytest.approx(-0.2632893872 + at_reference, abs=2e-6)
    assert result.relative_db[-1] == pytest.approx(-0.118992233 + at_reference, abs=2e-6)
    assert result.flatness_db.value == pytest.approx(0.2632893872 - at_reference, abs=2e-6)
    assert result.worst_hz == 20.0
    assert result.reference_gain_db.value == pytest.approx(29.0 - at_reference, abs=1e-9)


def test_band_edges_of_a_first_order_filter_lie_at_its_corners():
    # 3 dB is not quite the half-power 3.0103 dB of a corner: f = fc (10^0.3 - 1)^(+-1/2)
    frequencies = [1000.0 * 10 ** (n / 10) for n in range(-20, 21)]
    result = analyse_response(filtered(frequencies, low_hz=18.0, high_hz=50e3))
    ratio = np.sqrt(10**0.3 - 1)
    low, high = result.bandwidth_low, result.bandwidth_high
    assert low.frequency_hz.value == pytest.approx(18.0 / ratio, rel=3e-3)
    assert high.frequency_hz.value == pytest.approx(50e3 * ratio, rel=3e-3)
    assert low.beyond_hz is None
    assert high.beyond_hz is None


def test_an_edge_that_is_not_reached_is_bounded_and_not_made_up():
    result = analyse_response(filtered(THIRD_OCTAVES))
    assert result.bandwidth_low.frequency_hz.value is None
    assert result.bandwidth_low.beyond_hz == pytest.approx(19.95, abs=0.01)
    assert result.bandwidth_high.frequency_hz.value is None
    assert result.bandwidth_high.beyond_hz == pytest.approx(19953.0, abs=1.0)


def test_a_dip_inside_the_band_ends_it_at_the_first_crossing():
    points = filtered(THIRD_OCTAVES)
    dip = [
        ResponsePoint(frequency_hz=p.frequency_hz, gain_db=p.gain_db - 6.0)
        if 90 < p.frequency_hz < 110
        else p
        for p in points
    ]
    edge = analyse_response(dip).bandwidth_low.frequency_hz.value
    assert 100.0 < edge < 126.0


def test_uncertainty_of_an_edge_is_that_of_the_gain_over_the_slope():
    # at the 3 dB point of a first-order low-pass the slope by ln f is
    # -(20/ln 10) x^2/(1 + x^2) dB with 1 + x^2 = 10^0.3: -4.333 dB
    frequencies = [1000.0 * 10 ** (n / 20) for n in range(-30, 41)]
    result = analyse_response(filtered(frequencies, high_hz=50e3, doubt_db=0.01))
    edge = result.bandwidth_high.frequency_hz
    slope = 20 / np.log(10) * (1 - 10**-0.3)
    expected = edge.value * np.hypot(0.01, 0.01) / slope
    assert edge.standard_uncertainty == pytest.approx(expected, rel=0.02)
    rng = np.random.default_rng(1)
    found = []
    for _ in range(200):
        noisy = [
            ResponsePoint(
                frequency_hz=p.frequency_hz, gain_db=p.gain_db + 0.01 * rng.standard_normal()
            )
            for p in filtered(frequencies, high_hz=50e3)
        ]
        found.append(analyse_response(noisy).bandwidth_high.frequency_hz.value)
    # interpolation between two points averages their noise a little: not above the stated value
    assert 0.6 * expected < np.std(found) < 1.15 * expected


def test_the_reference_has_no_doubt_relative_to_itself():
    result = analyse_response(filtered([100.0, 1000.0, 10000.0], doubt_db=0.02))
    assert result.uncertainty_db == pytest.approx([0.02 * np.sqrt(2), 0.0, 0.02 * np.sqrt(2)])


def test_mask_between_its_corners_is_straight_in_log_f():
    response = analyse_response(filtered(THIRD_OCTAVES, low_hz=10.0))
    mask = [
        MaskPoint(frequency_hz=20.0, min_db=-2.0, max_db=0.5),
        MaskPoint(frequency_hz=100.0, min_db=-0.5, max_db=0.5),
        MaskPoint(frequency_hz=20000.0, min_db=-0.5, max_db=0.5),
    ]
    verdict = check_mask(response, mask)
    assert verdict.is_within
    assert verdict.outside == ()
    tight = [
        MaskPoint(frequency_hz=20.0, min_db=-0.5, max_db=None),
        MaskPoint(frequency_hz=100.0, min_db=-0.05, max_db=None),
    ]
    failed = check_mask(response, tight)
    assert not failed.is_within
    at_31 = next(e for e in failed.outside if 31 < e.frequency_hz < 32)
    # straight in log f
    limit = -0.5 + 0.45 * np.log(31.6228 / 20) / np.log(5)
    assert at_31.limit_db == pytest.approx(limit, abs=1e-4)
    loss = 10 * np.log10(1 + (10 / 31.6228) ** 2) - 10 * np.log10(1 + 1e-4)
    assert at_31.relative_db == pytest.approx(-loss, abs=1e-3)
    assert failed.margin_db == pytest.approx(
        min(e.relative_db - e.limit_db for e in failed.outside)
    )


def test_mask_open_on_one_side_and_beyond_its_ends():
    response = analyse_response(filtered(THIRD_OCTAVES))
    top = [
        MaskPoint(frequency_hz=100.0, min_db=None, max_db=0.1),
        MaskPoint(frequency_hz=10000.0, min_db=None, max_db=0.1),
    ]
    verdict = check_mask(response, top)
    assert verdict.is_within
    assert verdict.compared == 21  # 100 Hz to 10 kHz in third octaves, both ends counted
    nowhere = [
        MaskPoint(frequency_hz=1.0, min_db=-1.0, max_db=1.0),
        MaskPoint(frequency_hz=2.0, min_db=-1.0, max_db=1.0),
    ]
    assert not check_mask(response, nowhere).is_within
    assert check_mask(response, nowhere).compared == 0


STEPS_HZ = [1000.0 * 10 ** (n / 20) for n in range(-20, 41)]


def first_order(corner_hz=30e3, power_w=100.0, thd=1e-4):
    """Power falling as a first-order low-pass: half of it is left at the corner."""
    return [
        PowerPoint(frequency_hz=f, power_w=power_w / (1 + (f / corner_hz) ** 2), thd=thd)
        for f in STEPS_HZ
    ]


def test_power_bandwidth_ends_at_half_the_stated_power():
    low, high = power_bandwidth(first_order(), stated_power_w=100.0, stated_thd=1e-3)
    assert high.frequency_hz.value == pytest.approx(30e3, rel=1e-3)
    assert low.frequency_hz.value is None
    assert low.beyond_hz == pytest.approx(100.0)


def test_power_bandwidth_ends_where_the_distortion_passes_the_stated_one():
    # distortion in proportion to frequency, 0.01 % at 1 kHz: 0.1 % at 10 kHz, long before half the power
    points = [replace(p, thd=1e-7 * p.frequency_hz) for p in first_order()]
    low, high = power_bandwidth(points, stated_power_w=100.0, stated_thd=1e-3)
    assert high.frequency_hz.value == pytest.approx(10e3, rel=1e-6)
    assert low.beyond_hz == pytest.approx(100.0)


def test_power_bandwidth_is_known_no_further_than_the_distortion():
    points = [
        replace(p, thd=None) if p.frequency_hz > 12e3 or 250 < p.frequency_hz < 300 else p
        for p in first_order()
    ]
    low, high = power_bandwidth(points, stated_power_w=100.0, stated_thd=1e-3)
    assert high.frequency_hz.value is None
    assert high.beyond_hz == max(f for f in STEPS_HZ if f <= 12e3)
    assert low.beyond_hz == min(f for f in STEPS_HZ if f >= 300)


def test_a_power_bandwidth_of_which_only_the_reference_is_known_reaches_no_further():
    points = [replace(p, thd=p.thd if p.frequency_hz == 1000.0 else None) for p in first_order()]
    low, high = power_bandwidth(points, stated_power_w=100.0, stated_thd=1e-3)
    assert (low.beyond_hz, high.beyond_hz) == (1000.0, 1000.0)


def test_the_doubt_of_a_power_bandwidth_is_that_of_power_or_distortion_over_the_slope():
    # d/dx of 10 lg(1 + e^2x), x = ln f over the corner, is 10/ln 10 dB at the corner
    points = [replace(p, power_uncertainty_db=0.03) for p in first_order()]
    _, high = power_bandwidth(points, stated_power_w=100.0, stated_thd=1e-3)
    slope_db = 10 / math.log(10)
    assert high.frequency_hz.standard_uncertainty == pytest.approx(30e3 * 0.03 / slope_db, rel=0.02)


def test_noise_pulls_no_edge_inwards_and_is_in_its_doubt():
    """24 points an octave, 0.3 dB of noise each: some dip through -3 dB long before the edge."""
    frequencies = [1000.0 * 2 ** (n / 24) for n in range(160)]
    truth_hz = 30e3 * math.sqrt(10**0.3 - 1)
    rng, off = np.random.default_rng(3), []
    for _ in range(60):
        points = filtered(frequencies, low_hz=0.0, high_hz=30e3, doubt_db=0.3)
        noisy = [replace(p, gain_db=p.gain_db + 0.3 * rng.standard_normal()) for p in points]
        noisy[0] = points[0]  # the reference, whose own noise would shift the level
        edge = analyse_response(noisy).bandwidth_high.frequency_hz
        off.append((edge.value - truth_hz) / edge.standard_uncertainty)
    assert abs(np.mean(off)) < 0.5
    assert np.mean(np.abs(off) < 2) >= 0.9


def test_mistakes_of_the_caller():
    points = filtered([100.0, 1000.0, 10000.0])
    with pytest.raises(ValueError, match="two or more"):
        analyse_response(points[:1])
    with pytest.raises(ValueError, match="twice"):
        analyse_response([*points, points[0]])
    with pytest.raises(ValueError, match="reference_hz"):
        analyse_response(points, reference_hz=50.0)
    with pytest.raises(ValueError, match="none within"):
        analyse_response(points, band_hz=(2000.0, 3000.0))
    with pytest.raises(ValueError, match="mask"):
        check_mask(analyse_response(points), [MaskPoint(frequency_hz=1.0, min_db=0, max_db=0)])
    with pytest.raises(ValueError, match="positive"):
        power_bandwidth(first_order(power_w=0.0), stated_power_w=1.0, stated_thd=1e-3)
