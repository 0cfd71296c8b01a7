"""Kind idle: noise and hum against white noise and sines put in."""

import math

import numpy as np
import pytest

from drivers.fakes import Call

STEP = "kind: idle, record: 10 s"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("kind: idle, record: 61 s", "record"),
        ("kind: idle, record: 100 ms", "fewer than 10 mains cycles"),
        ("kind: idle, band_low: 20 kHz, band_high: 20 Hz", "band_high must lie above"),
        ("kind: idle, settle: 1", "no unit"),
    ],
)
def test_wrong_settings_are_refused(on, text, words):
    assert words in on.refusal(text)


def _a_weighted(density: float, low: float, high: float) -> float:
    """White noise through the A-weighting of IEC 61672-1, clause 5.4.6, V r.m.s."""
    f = np.geomspace(low, high, 20001)
    f2 = f**2
    ra = 12194.217**2 * f2**2 / ((f2 + 20.598997**2) * (f2 + 12194.217**2))
    ra /= np.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2))
    return density * math.sqrt(float(np.trapezoid((ra * 10**0.1) ** 2 * f, np.log(f))))


def test_noise_is_that_of_the_band_hum_included(on):
    bench = on.bench()
    bench.amplifier.noise_vrms = 100e-6
    bench.amplifier.hum = {49.97: 60e-6, 99.94: 30e-6, 149.91: 20e-6}
    done = on.run(STEP, bench)
    rate = done.captures[0].sample_rate_hz
    density = 100e-6 / math.sqrt(rate / 2)
    found = done.findings(accuracy={})
    hum = math.sqrt(60**2 + 30**2 + 20**2) * 1e-6
    # measurement_methods, section 3: 0.01 dB; sd 4.3/sqrt(B T) dB = 0.01 dB here: 0.03 dB allowed.
    whole = math.hypot(density * math.sqrt(19980), hum)
    assert found["noise_unweighted"].value == pytest.approx(whole, rel=3.5e-3)
    # A at 50 Hz -30.2 dB, 100 Hz -19.1 dB, 150 Hz -13.4 dB (IEC 61672-1, table 3; 150 Hz by formula).
    weighted_hum = math.hypot(60e-6 * 10**-1.51, 30e-6 * 10**-0.957, 20e-6 * 10**-0.669)
    weighted = math.hypot(_a_weighted(density, 20, 20e3), weighted_hum)
    assert found["noise_a_weighted"].value == pytest.approx(weighted, rel=6e-3)
    # Rated 100 W into 8 ohm over the A-weighted noise.
    snr = 20 * math.log10(math.sqrt(800) / weighted)
    assert found["signal_to_noise"].value == pytest.approx(snr, abs=0.05)


def test_hum_lines_are_named_after_the_nominal_frequency(on):
    bench = on.bench()
    bench.amplifier.noise_vrms = 100e-6
    bench.amplifier.hum = {50.03: 300e-6, 100.06: 30e-6}
    found = on.run(STEP, bench).findings(accuracy={})
    # Section 4: a 300 uV line 0.01 dB, 30 uV 0.04 dB at 5 s over 0.5 uV/rtHz.
    assert found["hum_50"].value == pytest.approx(300e-6, rel=2e-3)
    assert found["hum_100"].value == pytest.approx(30e-6, rel=0.015)
    # Section 4: frequency sd 0.08 mHz at 5 s.
    assert found["mains_frequency"].value == pytest.approx(50.03, abs=5e-4)
    assert found["hum_150"].value is None
    assert found["hum_150"].noise_limited
    assert found["hum_150"].upper_bound < 1.5e-6
    assert "hum_1000" in found
    assert "hum_1050" not in found


def test_the_doubt_holds_level_and_flatness_of_the_analyser(on):
    bench = on.bench()
    bench.amplifier.hum = {50.0: 1e-3}
    found = on.run(STEP, bench).findings()["hum_50"]
    relative = math.hypot(0.0035, 0.00115) / math.sqrt(3)
    assert found.standard_uncertainty == pytest.approx(relative * 1e-3, rel=0.05)


def test_silence_on_the_highest_range_then_the_most_sensitive_one(on):
    done = on.run(STEP)
    calls = [entry for entry in done.bench.log if isinstance(entry, Call)]
    ranges = [call.arguments[0] for call in calls if call.method == "set_range"]
    assert ranges == [100.0, 1.0, 100.0]
    assert done.bench.called("set_sine") == [(1000.0, 0.0, 0.0)]
    assert done.bench.generator.is_on
    assert done.captures[0].range_peak_v == 1.0


def test_a_range_overloaded_by_hum_is_left_upwards(on):
    bench = on.bench()
    bench.amplifier.hum = {50.0: 1.0}
    done = on.run(STEP, bench)
    assert done.captures[0].range_peak_v == 3.0
    assert done.findings()["hum_50"].value == pytest.approx(1.0, rel=1e-3)


def test_an_overloaded_highest_range_is_no_reading_with_the_reason(on):
    bench = on.bench()
    bench.amplifier.hum = {50.0: 100.0}
    found = on.run("kind: idle, record: 1 s", bench).findings()
    assert found["noise_unweighted"].value is None
    assert "range was exceeded" in found["noise_unweighted"].reason


def test_the_picture_marks_the_hum_lines(on):
    bench = on.bench()
    bench.amplifier.hum = {50.02: 300e-6, 150.06: 100e-6}
    picture = on.run(STEP, bench).pictures()["idle_spectrum"]
    marks = {mark.label: mark for mark in picture.marks}
    assert marks["50 Hz"].x == pytest.approx(50.02, abs=1e-3)
    assert marks["50 Hz"].y == pytest.approx(20 * math.log10(300e-6), abs=0.1)
    assert marks["150 Hz"].y == pytest.approx(-80.0, abs=0.1)


def test_it_says_how_long_it_listens(on):
    assert "10 s" in on.describe(STEP)
    assert on.demand(STEP).top_frequency_hz == 20e3


def test_a_mains_frequency_that_moves_during_the_record_leaves_the_lines_their_level(on):
    # 8 mHz in the middle of 10 s: at the 20th multiple the phase turns by 0.4 cycles in each half; a
    # fit with one frequency over the whole record would read 16 % low there.
    bench = on.bench()

    def render(samples, rate):
        t = np.arange(samples) / rate
        cycles = np.where(t < 5.0, 49.996 * t, 49.996 * 5 + 50.004 * (t - 5))
        hum = sum(u * np.sin(2 * np.pi * k * cycles) for k, u in ((1, 2e-4), (2, 1e-4), (20, 5e-5)))
        noise = 60e-6 * np.random.default_rng(4).standard_normal(samples)
        return np.vstack([math.sqrt(2) * hum + noise, 0 * t])

    bench.render = render
    found = on.run(STEP, bench).findings(accuracy={})
    assert found["hum_1000"].value == pytest.approx(5e-5, rel=0.02)
    assert found["mains_frequency"].value == pytest.approx(50.0, abs=1e-3)


def test_hum_of_the_other_mains_than_the_tickets_is_refused(on):
    # The 6th line of 50 Hz lies where the 5th of 60 Hz does.
    bench = on.bench()
    bench.amplifier.noise_vrms = 20e-6
    bench.amplifier.hum = {60.02 * k: 1e-3 / k for k in range(1, 11)}
    found = on.run(STEP, bench).findings()
    names = [name for name in found if name.startswith(("hum_", "mains_"))]
    assert len(names) == 21
    for name in names:
        assert found[name].value is None
        assert found[name].upper_bound is None
        assert found[name].reason == (
            "the mains here is 60 Hz, the unit's data (mains_frequency) says 50 Hz"
        )
    assert found["noise_unweighted"].value == pytest.approx(1.24e-3, rel=0.02)


def test_one_stray_line_tells_no_mains_frequency(on):
    bench = on.bench()
    bench.amplifier.noise_vrms = 20e-6
    bench.amplifier.hum = {300.0: 1e-3}
    found = on.run(STEP, bench).findings()
    assert found["mains_frequency"].value is None
    assert "a line near 300 Hz stands out" in found["mains_frequency"].reason
    # a tone near a weak line would have all others read beside theirs
    assert {found["hum_50"].value, found["hum_50"].upper_bound, found["hum_300"].value} == {None}


def test_a_lone_line_of_the_other_mains_leaves_no_hum_reading(on):
    bench = on.bench()
    bench.amplifier.noise_vrms = 20e-6
    bench.amplifier.hum = {120.0: 5e-3}
    found = on.run(STEP, bench).findings()
    assert found["hum_100"].value is None
    assert found["hum_100"].upper_bound is None
    assert found["hum_100"].reason == (
        "of the hum lines only 120 Hz stands out, a line of 60 Hz mains or a stray tone; "
        "the unit's data (mains_frequency) says 50 Hz"
    )


def test_hum_well_off_nominal_is_read_and_said_to_be(on):
    bench = on.bench()
    bench.amplifier.noise_vrms = 20e-6
    bench.amplifier.hum = {51.0: 1e-3, 102.0: 0.5e-3}
    found = on.run(STEP, bench).findings(accuracy={})
    assert found["mains_frequency"].value == pytest.approx(51.0, abs=1e-3)
    assert found["mains_frequency"].remarks == ("2.0 % above the nominal 50 Hz",)
    assert found["hum_50"].value == pytest.approx(1e-3, rel=2e-3)


def test_a_lone_line_beside_the_mains_leaves_no_hum_reading(on):
    bench = on.bench()
    bench.amplifier.noise_vrms = 20e-6
    bench.amplifier.hum = {104.0: 1e-3}
    found = on.run(STEP, bench).findings()
    assert found["hum_100"].reason == (
        "a line near 104 Hz stands out, which may be hum or a stray tone, "
        "and too few others tell where 50 Hz mains has its hum"
    )


def test_a_hum_line_under_a_tone_is_no_reading_with_the_tone(on):
    bench = on.bench()
    bench.amplifier.noise_vrms = 20e-6
    bench.amplifier.hum = {50.02: 1e-3, 100.04: 0.5e-3, 1000.7: 0.1}
    found = on.run(STEP, bench).findings(accuracy={})
    assert found["hum_1000"].value is None
    assert found["hum_1000"].reason == "a tone at 1.001 kHz hides it"
    assert found["hum_50"].value == pytest.approx(1e-3, rel=2e-3)
    assert found["hum_950"].noise_limited
    assert found["hum_950"].upper_bound < 1e-6
