"""Kind sweep: response, band edges, flatness and mask of first-order filters."""

import math
from itertools import pairwise

import pytest

STEP = "kind: sweep, level: 1 W, start: 10 Hz, stop: 200 kHz, points: 25"
LEVEL_V = math.sqrt(8.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("kind: sweep, start: 1 kHz, stop: 100 Hz", "start must lie below stop"),
        ("kind: sweep, flat_from: 30 kHz", "flat_from must lie below flat_to"),
        ("kind: sweep, stop: 10 kHz", "flat_to must lie between start and stop"),
        ("kind: sweep, start: 2 kHz, flat_from: 3 kHz", "reference must lie between"),
        ("kind: sweep, points: 2", "points"),
        (STEP + ", mask: [{frequency: 1 kHz, upper: 1 dB}]", "upper"),
        (STEP + ", mask: [{frequency: 1 kHz, max: 1}]", "no unit"),
        (STEP + ", mask: [{frequency: 1 kHz, min: 1 dB, max: 0 dB}]", "min is not below max"),
        (STEP + ", mask: [{frequency: 1 kHz}]", "neither min nor max"),
        (STEP + ", mask: [{frequency: 1 kHz, max: 1 dB}]", "one corner makes no mask"),
        (
            STEP + ", mask: [{frequency: 20 Hz, max: 1 dB}, {frequency: 10 Hz, max: 1 dB}]",
            "the corner at 10 Hz comes after the one at 20 Hz",
        ),
        (
            STEP + ", mask: [{frequency: 20 Hz, max: 1 dB}, {frequency: 20 Hz, min: -1 dB}]",
            "the corner at 20 Hz comes after the one at 20 Hz",
        ),
        (STEP + ", until: 0.1 %", "until is for the power bandwidth"),
    ],
)
def test_wrong_settings_are_refused(on, text, words):
    assert words in on.refusal(text)


def _filtered(on, low_hz=5.0, high_hz=60e3):
    bench = on.bench()
    bench.amplifier.low_hz, bench.amplifier.high_hz = low_hz, high_hz
    return bench


def _db(f: float, low: float = 5.0, high: float = 60e3) -> float:
    """First-order high-pass and low-pass."""
    return -10 * math.log10((1 + (low / f) ** 2) * (1 + (f / high) ** 2))


def _edges(low: float = 5.0, high: float = 60e3) -> tuple[float, float]:
    """-3.00 dB relative to 1 kHz: 10^0.3 - 1 = 0.99526 of the power ratio (other filter kept in)."""
    reference = _db(1e3, low, high)

    def cross(a: float, b: float) -> float:
        for _ in range(80):
            middle = math.sqrt(a * b)
            inside = _db(middle, low, high) - reference > -3.0
            a, b = (middle, b) if inside else (a, middle)
        return a

    return cross(1e3, 0.5), cross(1e3, 1e6)


def test_band_edges_and_flatness_are_those_of_the_filters(on):
    found = on.run(STEP, _filtered(on)).findings(accuracy={})
    low_hz, high_hz = _edges()
    assert low_hz < 10.0  # below the sweep: a bound
    assert found["bandwidth_low"].value is None
    assert found["bandwidth_low"].upper_bound == 10.0
    # Points 1.51 apart: interpolation of a first-order edge is good to a part in a thousand.
    assert found["bandwidth_high"].value == pytest.approx(high_hz, rel=1.5e-3)
    flat = max(abs(_db(20.0) - _db(1e3)), abs(_db(20e3) - _db(1e3)))
    # Section 9: 0.001 to 0.0016 dB.
    assert found["flatness"].value == pytest.approx(flat, abs=2e-3)
    assert found["gain"].value == pytest.approx(29 + _db(1e3), abs=1e-3)


def test_a_lower_edge_within_the_sweep_is_a_number(on):
    found = on.run(STEP, _filtered(on, low_hz=30.0)).findings(accuracy={})
    low_hz, _ = _edges(low=30.0)
    assert found["bandwidth_low"].value == pytest.approx(low_hz, rel=2e-3)


def test_the_doubt_of_flatness_and_edges_comes_from_the_analysers_flatness(on):
    found = on.run(STEP, _filtered(on)).findings()
    each_db = 20 / math.log(10) * 0.00115 / math.sqrt(3)
    assert found["flatness"].standard_uncertainty == pytest.approx(each_db * math.sqrt(2), rel=0.05)
    slope_db = (
        20 / math.log(10) * 0.5
    )  # of a first-order low-pass at its corner, dB per unit of ln f
    edge = found["bandwidth_high"]
    doubt = edge.value * each_db * math.sqrt(2) / slope_db
    assert edge.standard_uncertainty == pytest.approx(doubt, rel=0.1)


def test_the_edges_of_the_flat_band_are_measured_themselves(on):
    settings = on.step(STEP).settings
    frequencies = settings.frequencies_hz()
    assert frequencies[0] == 1000.0
    assert 20.0 in frequencies
    assert 20e3 in frequencies
    assert frequencies[1:] == sorted(frequencies[1:])
    assert all(b / a > 1 + 1e-6 for a, b in pairwise(frequencies[1:]))


def test_the_worst_distortion_in_the_flat_band(on):
    bench = _filtered(on)
    bench.amplifier.harmonics = {2: 3e-4, 3: 4e-4}
    found = on.run(STEP, bench).findings(accuracy={})
    assert found["thd"].value == pytest.approx(5e-4, rel=0.02)
    assert found["thd"].remarks[0].startswith("at ")


@pytest.mark.parametrize(("high_hz", "is_within"), [(200e3, True), (30e3, False)])
def test_a_mask_gives_the_margin_at_its_tightest_point(on, high_hz, is_within):
    corners = (
        "{frequency: 20 Hz, min: -1 dB, max: 1 dB}",
        "{frequency: 20 kHz, min: -1 dB, max: 1 dB}",
    )
    mask = f", mask: [{', '.join(corners)}]"
    done = on.run(STEP + mask, _filtered(on, low_hz=2.0, high_hz=high_hz))
    margin = done.findings(accuracy={})["mask_margin"]
    # The corner at 20 kHz is the tightest: 1 dB less the fall there.
    truth = 1.0 + _db(20e3, 2.0, high_hz) - _db(1e3, 2.0, high_hz)
    assert margin.value == pytest.approx(truth, abs=3e-3)
    assert (margin.value > 0) is is_within
    assert margin.unit == "dB"
    assert "20 kHz" in margin.remarks[0]


def test_a_mask_with_one_side_only_judges_that_side(on):
    mask = ", mask: [{frequency: 20 Hz, max: 0.5 dB}, {frequency: 20 kHz, max: 0.5 dB}]"
    done = on.run(STEP + mask, _filtered(on, high_hz=20e3))
    assert done.findings()["mask_margin"].value == pytest.approx(0.5, abs=0.02)


def test_without_a_mask_there_is_no_margin(on):
    assert "mask_margin" not in on.run(STEP, _filtered(on)).findings()


POWER = "kind: sweep, level: 100 W, start: 10 Hz, stop: 100 kHz, points: 25, until: 0.1 %"


def test_the_power_bandwidth_ends_where_half_of_rated_power_is_left(on):
    bench = _filtered(on, low_hz=20.0)
    bench.amplifier.harmonics = {2: 3e-4, 3: 4e-4}
    found = on.run(POWER, bench).findings(accuracy={})
    # Half of the 100 W that are there at 1 kHz: a first-order low-pass at its corner, or nearly.
    for name, hz in (("power_bandwidth_low", 20.0), ("power_bandwidth_high", 60e3)):
        assert found[name].value == pytest.approx(hz, rel=3e-3)
        assert found[name].unit == "Hz"


def test_more_distortion_than_asked_leaves_no_power_bandwidth(on):
    bench = _filtered(on)
    bench.amplifier.harmonics = {3: 2e-3}
    found = on.run(POWER, bench).findings()
    assert found["power_bandwidth_high"].value is None
    assert "at the reference there are 100 W with 0.2 % of distortion" in (
        found["power_bandwidth_high"].reason
    )


def test_a_power_bandwidth_beyond_the_sweep_is_a_bound(on):
    bench = _filtered(on, low_hz=1.0, high_hz=500e3)
    bench.amplifier.harmonics = {3: 2e-4}
    found = on.run(POWER, bench).findings()
    assert found["power_bandwidth_low"].upper_bound == 10.0
    assert found["power_bandwidth_high"].lower_bound == 100e3


def test_one_level_is_reached_from_below_and_kept_for_all_frequencies(on):
    done = on.run(STEP)
    levels = done.bench.levels()
    assert levels[1] * done.bench.amplifier.gain == pytest.approx(math.sqrt(0.8))
    sines = [call for call in done.bench.called("set_sine") if call[1] > 0]
    assert len({call[1] for call in sines}) == 1
    assert [call[0] for call in sines] == pytest.approx(on.step(STEP).settings.frequencies_hz())
    assert levels[-1] == 0.0
    assert done.bench.analyser.range_peak_v == 100.0


def test_each_point_is_recorded_for_ten_periods_and_fast_enough(on):
    for capture in on.run(STEP).captures:
        frequency = capture.facts["frequency_hz"]
        assert capture.duration_s * frequency >= 9.99
        if frequency < 50e3:
            assert 0.45 * capture.sample_rate_hz >= 10 * frequency


def test_an_overloaded_highest_range_is_no_reading_with_the_frequency(on):
    bench = on.bench()
    bench.amplifier.dc_v = 97.5
    found = on.run(STEP, bench).findings()
    assert found["flatness"].value is None
    assert "at 1 kHz" in found["flatness"].reason


def test_a_level_out_of_reach_is_no_reading(on):
    bench = on.bench()
    bench.amplifier.limit_v = 3.0
    found = on.run(STEP, bench).findings()
    assert found["gain"].reason == "the wanted level was not reached"


def test_the_pictures_show_gain_mask_and_distortion(on):
    mask = ", mask: [{frequency: 20 Hz, min: -1 dB, max: 1 dB}, {frequency: 20 kHz, min: -1 dB}]"
    bench = _filtered(on)
    bench.amplifier.harmonics = {3: 1e-3}
    pictures = on.run(STEP + mask, bench).pictures()
    response = pictures["response"]
    labels = [curve.label for curve in response.curves]
    assert labels == ["gain", "mask, lower", "mask, upper"]
    assert [curve.is_limit for curve in response.curves] == [False, True, True]
    gain = response.curves[0]
    assert gain.y[list(gain.x).index(1000.0)] == 0.0
    thd = pictures["distortion_over_frequency"].curves[0]
    assert float(min(thd.y)) == pytest.approx(0.1, rel=0.05)  # per cent


def test_it_demands_the_top_frequency_and_says_what_it_does(on):
    assert on.demand(STEP).top_frequency_hz == 200e3
    assert on.demand(STEP).load_w == pytest.approx(1.0)
    assert "25 tones from 10 Hz to 200 kHz at 1 W" in on.describe(STEP)
