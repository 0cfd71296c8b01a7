"""Kind tone: the level from below, the range, the numbers against a sum of sines."""

import math

import numpy as np
import pytest

from drivers.fakes import Call
from sequencer.analysis.tone import analyse_tone
from sequencer.steps.tone import dc_finding, hum_remarks

STEP = "kind: tone, level: 10 W, record: 0.5 s"
LEVEL_V = math.sqrt(10.0 * 8.0)  # P = U^2 / R
FIRST_V = math.sqrt(0.1 * 8.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("kind: tone", "level"),
        ("kind: tone, level: 10", "no unit"),
        ("kind: tone, level: 10 Hz", "a level is wanted"),
        ("kind: tone, level: 1 W, frequency: 0 Hz", "frequency"),
        ("kind: tone, level: 1 W, frequency: 100 Hz, record: 20 ms", "fewer than 3 periods"),
        ("kind: tone, level: 1 W, band_low: 30 kHz", "band_high must lie above band_low"),
        ("kind: tone, level: 1 W, colour: red", "colour"),
    ],
)
def test_wrong_settings_are_refused_in_words(on, text, words):
    assert words in on.refusal(text)


@pytest.mark.parametrize("level", ["10 W", "8.94427 V", "+19.0309 dBV", "1/10 of rated power"])
def test_a_level_may_be_watts_volts_decibels_or_a_part_of_rated_power(on, level):
    demand = on.demand(f"kind: tone, level: {level}")
    assert demand.load_w == pytest.approx(10.0, rel=1e-5)
    assert demand.generator_vrms == pytest.approx(LEVEL_V / 10 ** (29 / 20), rel=1e-5)


def test_the_description_names_level_power_and_frequency(on):
    said = on.describe(STEP)
    assert "1 kHz" in said
    assert "10 W into 8 ohm" in said


def test_the_level_rises_from_a_tenth_of_a_watt_by_ten_decibels_at_most(on):
    done = on.run(STEP)
    gain = 10 ** (29 / 20)
    levels = [emf * gain for emf in done.bench.levels() if emf]
    assert levels[0] == pytest.approx(FIRST_V)
    assert all(after / before <= math.sqrt(10) * 1.001 for before, after in zip(levels, levels[1:]))  # noqa: B905, RUF007
    assert levels[-1] == pytest.approx(LEVEL_V, rel=0.006)  # within 0.05 dB
    assert done.bench.levels()[-1] == 0.0


def test_every_change_of_level_is_met_on_the_highest_range_and_announced_before(on):
    done = on.run(STEP)
    is_announced = False
    for entry, emf, peak in done.bench.states():
        is_announced = is_announced or str(entry).startswith("energise")
        if isinstance(entry, Call) and entry.method == "set_level":
            level = entry.arguments[0]
            assert peak == 100.0
            assert is_announced or level <= emf
            is_announced = False


def test_readings_are_those_of_the_sum_of_sines(on):
    bench = on.bench()
    bench.amplifier.harmonics = {2: 1e-4, 3: 2e-4, 5: 5e-5}
    done = on.run("kind: tone, level: 10 W, record: 1 s", bench)
    found = done.findings(accuracy={})
    emf = done.captures[0].facts["emf_vrms"]
    level = emf * bench.amplifier.gain
    # Noise of 20 uV over a second moves none of these by more than a part in 10^6.
    assert found["level"].value == pytest.approx(level, rel=1e-6)
    assert found["gain"].value == pytest.approx(29.0, abs=1e-4)
    assert found["power"].value == pytest.approx(level**2 / 8, rel=1e-5)
    assert found["frequency"].value == pytest.approx(1000.0, rel=1e-8)
    assert found["dc_offset"].value == pytest.approx(1e-3, abs=1e-6)
    for order, share in bench.amplifier.harmonics.items():
        assert found[f"h{order}"].value == pytest.approx(share, rel=5e-3)
    thd = math.sqrt(1e-8 + 4e-8 + 2.5e-9)
    assert found["thd"].value == pytest.approx(thd, rel=2e-3)
    # White noise of 20 uV to half of 96 kHz: 20 kHz of it are in the band.
    noise = 20e-6 * math.sqrt(19980 / 48000)
    whole = math.hypot(thd * level, noise) / level
    assert found["thd_plus_noise"].value == pytest.approx(whole, rel=5e-3)
    assert found["h4"].value is None
    assert found["h4"].noise_limited
    units = {name: finding.unit for name, finding in found.items()}
    assert (units["level"], units["power"], units["gain"], units["thd"]) == ("V", "W", "dB", "1")


def test_the_doubt_holds_the_instruments_half_widths(on):
    # JCGM 100, 4.3.7: half-width over root three; 5.1.2: root of the sum of squares.
    found = on.run(STEP).findings()
    root3 = math.sqrt(3)
    level = found["level"]
    assert level.standard_uncertainty == pytest.approx(0.0035 / root3 * level.value, rel=1e-3)
    relative = math.hypot(2 * 0.0035, 0.01) / root3
    power = found["power"]
    assert power.standard_uncertainty == pytest.approx(relative * power.value, rel=1e-3)
    db = 20 / math.log(10) * math.hypot(0.0035, 0.0023) / root3
    assert found["gain"].standard_uncertainty == pytest.approx(db, rel=1e-3)
    assert found["dc_offset"].standard_uncertainty >= 0.2e-3 / root3


def test_ten_kilohertz_are_recorded_fast_enough_for_the_tenth_harmonic(on):
    bench = on.bench()
    bench.amplifier.harmonics = {9: 1e-3, 10: 5e-4}
    done = on.run("kind: tone, level: 1 W, frequency: 10 kHz, record: 0.3 s", bench)
    rate = done.captures[0].sample_rate_hz
    assert 0.45 * rate > 100e3
    found = done.findings(accuracy={})
    assert found["h9"].value == pytest.approx(1e-3, rel=1e-3)
    assert found["thd"].value == pytest.approx(math.hypot(1e-3, 5e-4), rel=1e-3)


def test_harmonics_above_the_analysers_band_are_no_numbers_and_not_in_thd(on):
    from drivers.fakes import FakeAnalyser

    bench = on.bench()
    bench.amplifier.harmonics = {2: 1e-3, 9: 1e-2}
    bench.analyser = FakeAnalyser(
        bench._render, sample_rates_hz=(48e3, 192e3), on_record=bench._pass, calls=bench.log
    )
    done = on.run("kind: tone, level: 1 W, frequency: 10 kHz, record: 0.3 s", bench)
    found = done.findings(accuracy={})
    assert found["h9"].value is None  # 90 kHz beyond 0.45 times 192 kHz, below half of it
    assert "above the analyser's band" in found["h9"].reason
    assert found["thd"].value == pytest.approx(1e-3, rel=1e-3)
    assert found["thd"].remarks == ("harmonics up to H8",)


def test_a_range_that_overloads_is_left_upwards(on):
    # A DC that nobody foresaw: 8.9 V r.m.s. need 12.6 V peak and 25 % more, a range of 30 V.
    bench = on.bench()
    bench.amplifier.dc_v = 25.0
    bench.amplifier.hum = {}
    done = on.run(STEP, bench)
    assert any("30 V overloaded, taking 100 V" in note for note in bench.notes)
    assert done.captures[0].range_peak_v == 100.0
    assert not done.captures[0].is_overrange
    assert done.findings()["level"].value == pytest.approx(LEVEL_V, rel=0.006)


def test_an_overloaded_highest_range_gives_no_reading_with_the_reason(on):
    bench = on.bench()
    bench.amplifier.dc_v = 88.5  # and 12.6 V of crest
    found = on.run(STEP, bench).findings()
    assert found["thd"].value is None
    assert "range was exceeded" in found["thd"].reason
    assert found["level"].value is None


def test_a_unit_that_clips_inside_the_range_is_a_result(on):
    # A sine of peak A cut off at c: fundamental and THD by the Fourier integral over one period.
    import numpy as np

    bench = on.bench()
    bench.amplifier.dc_v = 0.0
    bench.amplifier.limit_v = 12.0
    bench.amplifier.noise_vrms = 1e-4
    step = "kind: tone, level: 10 W, frequency: 997 Hz, record: 0.5 s, level_tolerance: 0.5 dB"
    done = on.run(step, bench)
    found = done.findings(accuracy={})
    peak = done.captures[0].facts["emf_vrms"] * bench.amplifier.gain * math.sqrt(2)
    wave = np.clip(peak * np.sin(2 * np.pi * np.arange(65536) / 65536), -12, 12)
    lines = np.abs(np.fft.rfft(wave))[:11]
    thd = math.sqrt(sum(lines[2:] ** 2)) / lines[1]
    assert thd > 0.005
    assert found["thd"].value == pytest.approx(thd, rel=1e-3)


def test_a_level_out_of_reach_is_no_reading_with_the_reason(on):
    bench = on.bench()
    bench.amplifier.limit_v = 8.0
    bench.amplifier.dc_v = 0.0
    done = on.run(STEP, bench)
    assert any("runs out of headroom" in note for note in bench.notes)
    assert done.stopped is None
    assert done.findings()["thd"].reason == "the wanted level was not reached"
    assert bench.levels()[-1] == 0.0


def test_the_generators_ceiling_is_never_passed(on):
    bench = on.bench()
    bench.generator_ceiling_vrms = 0.2
    done = on.run(STEP, bench)
    assert max(bench.levels()) <= 0.2
    assert any("above its ceiling" in note for note in bench.notes)
    assert done.findings()["level"].value is None


@pytest.mark.parametrize(
    ("sign", "gain_db", "words"),
    [(-1.0, 29.0, "polarity is inverting"), (1.0, 24.0, "gain is 24.0 dB")],
)
def test_wrong_polarity_or_gain_stops_at_a_tenth_of_a_watt(on, sign, gain_db, words):
    bench = on.bench()
    bench.amplifier.sign, bench.amplifier.gain = sign, 10 ** (gain_db / 20)
    done = on.run(STEP, bench)
    assert words in done.stopped
    assert max(bench.levels()) <= FIRST_V / 10 ** (29 / 20) * 1.001
    assert bench.levels()[-1] == 0.0


@pytest.mark.parametrize(("ratio", "shown"), [(0.5, "2 kHz"), (2.0, "500 Hz")])
def test_another_sample_rate_than_was_set_is_not_blamed_on_the_wiring(on, ratio, shown):
    """An analyser that samples half as often as it says shows 1 kHz as 2 kHz."""
    bench = on.bench()

    def render(samples, rate_hz):
        bench.render = None
        try:
            return bench._render(samples, rate_hz * ratio)
        finally:
            bench.render = render

    bench.render = render
    done = on.run(STEP, bench)
    assert f"the record shows {shown} where 1 kHz is driven" in done.stopped
    assert "does not sample at 48 kHz as it was told" in done.stopped
    assert bench.levels()[-1] == 0.0


def test_an_inverting_unit_is_right_when_the_procedure_says_so(on):
    bench = on.bench(more=", polarity: inverting")
    bench.amplifier.sign = -1.0
    assert on.run(STEP, bench, more=", polarity: inverting").stopped is None


def test_the_picture_marks_tone_and_harmonics_at_their_level(on):
    bench = on.bench()
    bench.amplifier.harmonics = {2: 1e-3, 3: 1e-4}
    picture = on.run(STEP, bench).pictures()["spectrum"]
    marks = {mark.label: mark for mark in picture.marks}
    dbv = 20 * math.log10(LEVEL_V)
    assert marks["tone"].y == pytest.approx(dbv, abs=0.06)
    assert marks["H2"].x == pytest.approx(2000.0, rel=1e-6)
    assert marks["H2"].y == pytest.approx(dbv - 60, abs=0.1)
    assert marks["H3"].y == pytest.approx(dbv - 80, abs=0.1)
    assert picture.x_scale == "log"


@pytest.mark.parametrize("mains_hz", [49.91, 50.0, 50.07])
def test_sidebands_of_rails_that_limit_are_found_beside_their_far_ones(on, mains_hz):
    # Rails that ripple at twice the mains cut into the tone: lines at 1 kHz +- 2k times the mains,
    # reaching down among the hum lines and far stronger than hum.
    import numpy as np

    bench = on.bench()
    bench.amplifier.hum = {mains_hz: 40e-6, 2 * mains_hz: 100e-6}
    output = bench.amplifier.output

    def limited(generator, t, load_ohm):
        wave = output(generator, t, load_ohm)
        peak = math.sqrt(2) * generator.signal.level_vrms * bench.amplifier.gain
        for k in range(1, 10):
            for side in (-1, 1):
                hz = 1000.0 + 2 * k * side * mains_hz
                wave = wave + 3e-3 / k * peak * np.cos(2 * np.pi * hz * t + k)
        return wave

    bench.amplifier.output = limited
    found = on.run("kind: tone, level: 10 W, record: 2.5 s", bench).findings(accuracy={})
    assert found["sidebands"].value == pytest.approx(3e-3 * math.sqrt(2), rel=0.01)


@pytest.mark.parametrize(
    ("frequency", "says"),
    [("1 kHz", ()), ("10 kHz", ("up to 20 kHz; THD also counts H3 and above",))],
)
def test_thd_plus_noise_says_why_it_can_be_less_than_thd(on, frequency, says):
    # 3 x 10 kHz lies above the band of 20 Hz to 20 kHz, 10 x 1 kHz does not.
    bench = on.bench()
    bench.amplifier.harmonics = {2: 1e-4, 3: 3e-4}
    found = on.run(f"{STEP}, frequency: {frequency}", bench).findings()
    assert found["thd_plus_noise"].remarks == says
    assert (found["thd_plus_noise"].value < found["thd"].value) == bool(says)


def test_what_hum_may_be_part_of_is_said_and_so_is_a_record_too_short_for_dc():
    t = np.arange(48000) / 48000.0
    noise = 1e-6 * np.random.default_rng(0).standard_normal(t.size)
    wave = np.sin(2 * np.pi * 25.0 * t) + noise
    hum = sum(1e-3 / k * np.sin(2 * np.pi * 50.0 * k * t) for k in range(1, 12))
    beside = analyse_tone(wave + hum, 48000.0)
    (told,) = hum_remarks(beside, [2])
    assert "hum at 50 Hz may be part of it" in told
    assert hum_remarks(beside, [3]) == ()
    (untold,) = hum_remarks(analyse_tone(wave, 48000.0), [2])
    assert untold == "hum at 50 Hz, if there is any, counts as part of it"
    short = analyse_tone(np.sin(2 * np.pi * 1000.3 * t[:480]) + noise[:480], 48000.0)
    assert "too short to tell DC from hum" in (dc_finding(short).reason or "")


def test_a_record_is_as_long_as_said(on):
    (capture,) = on.run("kind: tone, level: 1 W, record: 5 s").captures
    assert capture.samples.shape[-1] == 5 * capture.sample_rate_hz
