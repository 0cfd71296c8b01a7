"""The bench around the amplifiers: determinism, clock, generator, digitiser, meters, tap."""

import json
import math
from itertools import pairwise

import numpy as np
import pytest

from sim_instruments.signals import programme_network
from sim_instruments.world import World


def _session(splits):
    """A session whose waits are cut into pieces of the given size (None: one piece)."""
    world = World(seed=4)

    def wait(seconds):
        if splits is None:
            world.advance(seconds)
            return
        end = world.now_s + seconds
        while world.now_s < end - 1e-9:
            world.advance(min(splits, end - world.now_s))

    world.select_unit(1)
    world.connect_load(True)
    world.set_generator(output_on=True, level_vrms=0.3)
    wait(1.0)
    world.set_mains(True)
    wait(900.0)
    world.set_generator(level_vrms=0.0)
    wait(30.0)
    return world


def _slow_state(world):
    unit = world.truth()["units"][0]
    return [
        world.now_s,
        world.truth()["mains_hz"],
        unit["sink_c"],
        unit["junction_rise_k"],
        unit["bias_a"],
        world._scene().unit.offset.offset_v,
        world._scene().unit.spur_hz,
        world._load_c,
    ]


def test_the_same_calls_give_the_same_bits(bench):
    def run():
        b = bench(seed=7)
        b.power(10.0)
        b.drive(0.3)
        record = b.record(4096, 96e3, 30.0)
        readings = [b.world.dmm_dc_v("output", 0.02), b.world.mains_power_w()]
        return record.channel(1), record.channel(2), readings, b.world.truth()

    one, two = run(), run()
    np.testing.assert_array_equal(one[0], two[0])
    np.testing.assert_array_equal(one[1], two[1])
    assert one[2:] == two[2:]


def test_channels_may_be_asked_for_in_any_order(bench):
    a, b = (bench().power(5.0).record(1000, 96e3, 1.0) for _ in range(2))
    first, second = a.channel(1), a.channel(2)
    np.testing.assert_array_equal(b.channel(2), second)
    np.testing.assert_array_equal(b.channel(1), first)
    assert a.channel(1) is first


@pytest.mark.parametrize("splits", [0.7, 13.0])
def test_how_the_clock_is_moved_makes_no_difference(splits):
    # Heatsink and junctions are integrated in steps of at most 20 s: half a millikelvin.
    np.testing.assert_allclose(
        _slow_state(_session(splits)), _slow_state(_session(None)), rtol=1e-4, atol=1e-6
    )


def test_noise_differs_from_record_to_record(bench):
    b = bench().power(30.0)
    x, y = b.idle(4096), b.idle(4096)
    assert np.std(x - y) > 1e-5


def test_the_default_pair_is_a_good_pair():
    """Common practice, no source: 0.1 dB of gain, 10 mV of offset, 15 % of bias."""
    one, two = (unit["parameters"] for unit in World().truth()["units"])
    assert one != two
    assert abs(20 * math.log10(one["path"]["gain"] / two["path"]["gain"])) < 0.1
    assert abs(one["servo"]["residual_v"] - two["servo"]["residual_v"]) < 10e-3
    ratio = one["thermal"]["bias_nominal_a"] / two["thermal"]["bias_nominal_a"]
    assert abs(ratio - 1) < 0.15
    assert 229.0 < World().truth()["bench"]["mains_vrms"] < 231.0


def test_truth_is_json(bench):
    text = json.dumps(bench("leaky_servo").power(5.0).world.truth(), allow_nan=False)
    assert '"fault": "leaky_servo"' in text


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda w: w.advance(-1.0), "not negative"),
        (lambda w: w.advance(math.inf), "finite"),
        (lambda w: w.select_unit(3), "unit is 3"),
        (lambda w: w.set_generator(shape="square"), "sine, dual, sweep, noise"),
        (lambda w: w.dmm_dc_v("nowhere", 0.1), "rail_positive"),
        (lambda w: w.temperature_c(4), "sensor is 4"),
        (
            lambda w: w.start_record(point="x", samples=16, sample_rate_hz=1e3, range_peak_v=1.0),
            "output, loop, tap",
        ),
        (
            lambda w: w.start_record(point=None, samples=0, sample_rate_hz=1e3, range_peak_v=1.0),
            "above 0",
        ),
        (
            lambda w: w.start_record(
                point=None, samples=16, sample_rate_hz=1e3, range_peak_v=1.0
            ).channel(3),
            "channels 1 and 2",
        ),
    ],
)
def test_mistakes_are_named(call, message):
    with pytest.raises(ValueError, match=message):
        call(World())


# --- power-up ------------------------------------------------------------------------------------


def test_power_up_inside_a_record(bench):
    """Silence, relay after 3 s with a click, then the offset decays from 120 mV with 1.2 s."""
    b = bench()
    b.world.advance(5.0)
    record = b.world.start_record(
        point="output", samples=20_000, sample_rate_hz=1e3, range_peak_v=10.0
    )
    b.world.advance(1.0)
    b.world.set_mains(True)
    b.world.advance(record.end_s - b.world.now_s)
    x = record.channel(1)
    assert np.std(x[:3990]) < 50e-6
    means = x[4060:].reshape(-1, 20).mean(axis=1)
    t = 0.060 + 0.020 * (np.arange(means.size) + 0.5)
    residual = means - means[-50:].mean()
    early = t < 3.0
    slope, start = np.polyfit(t[early], np.log(residual[early]), 1)
    assert -1 / slope == pytest.approx(1.2, rel=0.01)
    assert math.exp(start) == pytest.approx(0.120, rel=0.01)
    outside = t[np.abs(means) > 0.010]
    assert outside[-1] == pytest.approx(3.03, abs=0.06)


@pytest.mark.parametrize("slice_s", [0.05, 3.7])
def test_a_record_is_the_same_however_the_clock_is_sliced(bench, slice_s):
    def record(step):
        b = bench("servo_open")
        b.drive(0.01)
        record = b.world.start_record(
            point="output", samples=16_000, sample_rate_hz=1e3, range_peak_v=10.0
        )
        b.world.set_mains(True)
        while b.world.now_s < record.end_s:
            b.world.advance(min(step, record.end_s - b.world.now_s))
        return record.channel(1)

    # A code is 1.2 uV on this range; the temperature's rounding may tip one.
    np.testing.assert_allclose(record(slice_s), record(100.0), atol=2.5e-6)


def test_a_slow_tone_is_limited_by_rails_that_follow_it(bench, fit):
    """At 30 Hz each half-wave draws its own rail down, far below what a 1 kHz tone would meet."""
    b = bench("dried_reservoir:large").warm()
    b.drive(math.sqrt(8 * 130) / 28.0, 30.0)
    x = b.record(2**15, 8e3, 100.0).channel(1)
    tone = fit(x, 8e3, 30.0)
    assert 0.01 < tone.thd < 0.2
    b.drive(math.sqrt(8 * 130) / 28.0, 1e3)
    assert tone.peak_v < fit(b.record(2**14, 96e3, 100.0).channel(1), 96e3, 1e3).peak_v
    healthy = bench().warm()
    healthy.drive(math.sqrt(8 * 60) / 28.0, 30.0)
    assert fit(healthy.record(2**15, 8e3, 100.0).channel(1), 8e3, 30.0).thd < 1e-3


def test_the_relay_clicks_once(bench):
    b = bench()
    record = b.world.start_record(
        point="output", samples=400_000, sample_rate_hz=96e3, range_peak_v=3.0
    )
    b.world.set_mains(True)
    b.world.advance(5.0)
    x = record.channel(1)
    first = np.flatnonzero(np.abs(x) > 0.01)[0]
    assert first / 96e3 == pytest.approx(3.0, abs=1e-4)
    assert 0.9 < np.max(x) < 1.05
    after = x[first + int(0.008 * 96e3) : first + int(0.016 * 96e3)]
    assert np.max(np.abs(after - 0.12)) < 0.003


def test_power_off_mutes_at_once_and_rails_fall(bench):
    b = bench().power(60.0)
    rail = b.world.dmm_dc_v("rail_negative", 0.1)
    assert rail == pytest.approx(-52.6, abs=0.4)
    b.world.set_mains(False)
    b.world.advance(2.0)
    assert b.world.dmm_dc_v("rail_negative", 0.1) == pytest.approx(rail / math.e, rel=0.03)
    assert abs(b.world.dmm_dc_v("output", 0.1)) < 1e-4
    assert b.world.mains_power_w() == 0.0


def test_only_the_selected_unit_is_powered(bench):
    world = bench(unit=2).power(10.0).world
    one, two = world.truth()["units"]
    assert not one["is_powered"]
    assert two["is_through"]
    world.select_unit(None)
    assert not any(unit["is_powered"] for unit in world.truth()["units"])


# --- generator and digitiser ---------------------------------------------------------------------


def test_generator_alone_shows_its_own_second_harmonic(bench, fit):
    b = bench()
    b.drive(0.6)
    record = b.record(2**17, 96e3, 1.0, "loop")
    tone = fit(record.channel(1), 96e3, 1e3, highest=5)
    assert tone.peak_v == pytest.approx(0.6 * math.sqrt(2), rel=2e-3)
    assert tone.harmonic_db(2) == pytest.approx(-115, abs=2)
    assert tone.harmonic_db(3) < -125
    # Generator within 20 ppm, digitiser's clock within 10 ppm.
    assert abs(tone.frequency_hz / 1e3 - 1) < 30e-6
    assert tone.frequency_hz != pytest.approx(1e3, abs=1e-5)
    assert record.channel(2) == pytest.approx(record.channel(1), abs=2e-3)


def test_generator_levels_scatter_by_thousandths_of_a_decibel(bench, fit):
    b = bench()
    levels = []
    for _ in range(12):
        b.drive(0.0)
        b.drive(0.5)
        levels.append(fit(b.record(9600, 96e3, 1.0, "loop").channel(1), 96e3, 1e3, 1).peak_v)
    spread = 20 / math.log(10) * np.std(levels, ddof=1) / np.mean(levels)
    assert 0.0008 < spread < 0.004


def test_phase_runs_on_across_a_change_of_level(bench, fit):
    b = bench()
    b.drive(0.5)
    record = b.world.start_record(
        point="loop", samples=19_200, sample_rate_hz=96e3, range_peak_v=3.0
    )
    b.world.advance(0.1)
    b.world.set_generator(level_vrms=0.25)
    b.world.advance(0.2)
    x = record.channel(1)
    before, after = fit(x[:9500], 96e3, 1e3, 1), fit(x[10_200:], 96e3, 1e3, 1)
    assert after.peak_v / before.peak_v == pytest.approx(0.5, rel=1e-3)
    turns = 1e3 * ((10_200 + 0.5 * 9000) - 0.5 * 9500) / 96e3 * before.frequency_hz / 1e3
    step = (after.phase - before.phase) / (2 * math.pi) - turns
    assert abs(step - round(step)) < 1e-3
    # The step settles within 5 ms, without a jump.
    assert np.max(np.abs(np.diff(x))) < 1.01 * 2 * math.pi * 1e3 / 96e3 * before.peak_v


def test_codes_are_24_bit_and_saturate(bench):
    b = bench()
    b.drive(0.9)
    record = b.record(4800, 96e3, 1.0, "loop")
    assert record.is_overrange
    x = record.channel(1)
    codes = x * 2**23
    np.testing.assert_allclose(codes, np.rint(codes), atol=1e-6)
    assert x.max() == (2**23 - 1) / 2**23
    assert x.min() == -1.0
    assert np.sum(x == x.max()) > 3
    assert not b.record(4800, 96e3, 3.0, "loop").is_overrange


def test_digitiser_noise_scales_with_the_range(bench):
    b = bench(load=False)
    for range_v in (1.0, 10.0, 100.0):
        x = b.record(2**15, 96e3, range_v, None).channel(1)
        assert np.std(x) == pytest.approx(math.hypot(1.5e-6 * range_v, 0.0), rel=0.02)
        assert abs(np.mean(x)) < 0.1e-3 + 1e-6 * range_v


def test_ac_coupling_takes_the_offset_away(bench):
    b = bench("servo_open").power(60.0)
    b.drive(0.0)
    assert np.mean(b.record(9600, 96e3, 1.0).channel(1)) == pytest.approx(88e-3, rel=0.05)
    assert abs(np.mean(b.record(9600, 96e3, 1.0, ac_coupled=True).channel(1))) < 1e-3


def test_a_tone_above_the_band_does_not_alias(bench):
    b = bench()
    b.drive(0.5, 70e3)
    assert np.std(b.record(2**14, 96e3, 1.0, "loop").channel(1)) < 5e-6


def test_sweep_gives_the_amplifiers_response(bench):
    """Output over generator spectrum follows the first-order high-pass at 1.6 Hz and 95 kHz."""
    b = bench().power(60.0)
    b.world.set_generator(shape="sweep", start_hz=10.0, stop_hz=40e3, sweep_s=1.0, level_vrms=0.1)
    b.world.advance(0.1)
    record = b.world.start_record(
        point="output", samples=int(1.3 * 96e3), sample_rate_hz=96e3, range_peak_v=10.0
    )
    b.world.advance(0.1)
    b.world.play_sweep()
    b.world.advance(record.end_s - b.world.now_s)
    y, u = np.fft.rfft(record.channel(1)), np.fft.rfft(record.channel(2))
    f = np.arange(y.size) / 1.3
    gain = np.array(
        [
            np.mean((y * np.conj(u))[(f > c / 1.05) & (f < c * 1.05)])
            / np.mean((np.abs(u) ** 2)[(f > c / 1.05) & (f < c * 1.05)])
            for c in (40.0, 1e3, 20e3)
        ]
    )
    level = 20 * np.log10(np.abs(gain))
    truth = 20 * math.log10(b.world.truth()["units"][0]["parameters"]["path"]["gain"])
    # 0.054 dB in the output resistance, 0.19 + 0.04 dB in the two poles and the coil at 20 kHz.
    assert level[1] == pytest.approx(truth - 0.054, abs=0.03)
    assert level[0] - level[1] == pytest.approx(0.0, abs=0.05)
    assert level[2] - level[1] == pytest.approx(-0.23, abs=0.06)
    assert np.std(record.channel(2)[:9000]) < 1e-4


def test_programme_network_has_the_standards_response():
    """IEC 60268-1:1985 clause 7 figure 2: response re 500 Hz, computed from its ladder elsewhere."""
    f = np.array([500.0, 20.0, 100.0, 1e3, 5e3, 10e3, 20e3])
    level = 20 * np.log10(np.abs(programme_network(f)))
    expected = [-13.944, -1.338, -0.323, -6.237, -12.447, -20.978]
    np.testing.assert_allclose(level[1:] - level[0], expected, atol=0.001)
    assert level[0] == pytest.approx(-3.967, abs=0.001)


def test_programme_noise_has_its_level_and_third_octave_slope(bench, spectrum):
    """Third octaves re the one at 500 Hz, IEC 60268-1:1985 table II: 5 kHz -5.1, 10 kHz -11.9 dB."""
    b = bench()
    b.world.set_generator(shape="noise", level_vrms=0.3)
    b.world.advance(0.1)
    x = b.record(2**19, 48e3, 3.0, "loop").channel(1)
    assert np.std(x) == pytest.approx(0.3, rel=0.03)
    f, power = spectrum(x, 48e3)

    def band(centre):
        inside = (f > centre * 2 ** (-1 / 6)) & (f < centre * 2 ** (1 / 6))
        return 10 * math.log10(np.sum(power[inside]))

    assert band(5e3) - band(500) == pytest.approx(-5.1, abs=1.3)
    assert band(10e3) - band(500) == pytest.approx(-11.9, abs=1.3)


@pytest.mark.parametrize(("samples", "rate_hz"), [(16, 1.25e6), (17, 1e3), (1000, 1.25e6)])
def test_a_record_of_noise_may_be_shorter_than_any_cycle_of_it(bench, samples, rate_hz):
    b = bench()
    b.world.set_generator(shape="noise", level_vrms=0.3)
    b.world.advance(0.1)
    records = [b.record(samples, rate_hz, 3.0, "loop").channel(1) for _ in range(60)]
    assert all(np.isfinite(x).all() and x.shape == (samples,) for x in records)
    # Each is a moment of noise of 0.3 V r.m.s.; 60 of them scatter by 10 % (1/sqrt(2 * 60)).
    assert np.sqrt(np.mean([np.mean(x**2) for x in records])) == pytest.approx(0.3, rel=0.35)


def test_noise_drive_reaches_the_output(bench):
    b = bench().power(60.0)
    b.world.set_generator(shape="noise", level_vrms=0.1)
    b.world.advance(0.1)
    record = b.record(2**15, 48e3, 30.0)
    y, u = record.channel(1), record.channel(2)
    gain = np.dot(y - y.mean(), u) / np.dot(u, u)
    assert gain == pytest.approx(28.0, rel=0.02)


def test_difference_frequency_tones(bench):
    b = bench().warm()
    b.world.set_generator(
        shape="dual",
        frequency_hz=19e3,
        second_frequency_hz=20e3,
        level_vrms=0.15,
        second_level_vrms=0.15,
    )
    b.world.advance(0.1)
    x = b.record(2**16, 96e3, 30.0).channel(1)
    power = np.abs(np.fft.rfft(x * np.blackman(x.size)))
    f = np.arange(power.size) * 96e3 / x.size

    def line(hz):
        return power[np.abs(f - hz) < 30].max()

    assert line(19e3) == pytest.approx(line(20e3), rel=0.06)
    for hz in (1e3, 18e3, 21e3):
        assert -110 < 20 * math.log10(line(hz) / line(19e3)) < -60


# --- meters --------------------------------------------------------------------------------------


def test_dmm_points_of_an_idling_unit(bench):
    world = bench().warm().world
    readings = {
        point: world.dmm_dc_v(point, 0.1)
        for point in ("rail_positive", "low_positive", "low_negative", "chassis_negative")
    }
    assert readings["rail_positive"] == pytest.approx(52.6, abs=0.4)
    assert readings["low_positive"] == pytest.approx(15.0, rel=0.01)
    assert readings["low_negative"] == pytest.approx(-15.0, rel=0.01)
    assert readings["chassis_negative"] == pytest.approx(0.0, abs=50e-6)
    assert world.dmm_dc_v("bias", 0.1) == pytest.approx(17.6e-3, rel=0.03)
    assert world.dmm_dc_v("output", 0.1) == pytest.approx(0.45e-3, abs=0.15e-3)


def test_dmm_sees_what_the_record_sees(bench, fit):
    b = bench().warm()
    tone = b.tone(10)
    assert b.world.dmm_ac_vrms("output", 0.1) == pytest.approx(tone.peak_v / math.sqrt(2), rel=2e-3)
    assert b.world.dmm_ac_vrms("load", 0.1) == pytest.approx(tone.peak_v / math.sqrt(2), rel=2e-3)


def test_short_integration_leaves_some_of_the_hum(bench):
    """A 20 ms window at 49.8..50.2 Hz keeps up to 0.4 % of a line: 3 mV leave microvolts."""
    b = bench().warm()
    b.world.set_generator(output_on=False)
    b.world.advance(1.0)
    readings = []
    for _ in range(30):
        b.world.advance(0.1)
        readings.append(b.world.dmm_dc_v("output", 0.02))
    assert np.std(readings) < 60e-6


def test_load_resistance_is_read_on_a_dead_circuit_only(bench):
    b = bench()
    assert b.world.dmm_resistance_ohm("load") == pytest.approx(8.0, rel=3e-3)
    assert b.world.dmm_resistance_ohm("output") == pytest.approx(8.0, rel=3e-3)
    b.world.connect_load(False)
    assert b.world.dmm_resistance_ohm("output") == math.inf
    assert b.world.dmm_resistance_ohm("bias") == pytest.approx(0.22, rel=1e-3)
    b.power()
    assert b.world.dmm_resistance_ohm("load") == math.inf


def test_mains_power_follows_the_drive(bench):
    """Idle some 20 W; at 100 W a class B stage takes 2 V0 Ipeak/pi from its supply."""
    b = bench().warm()
    idle_w = b.world.mains_power_w()
    assert 15 < idle_w < 30
    b.drive(math.sqrt(800) / 28.0)
    expected = 2 * 53 * 5 / math.pi
    assert b.world.mains_power_w() == pytest.approx(expected + 12, rel=0.06)
    assert b.world.mains_current_a() > b.world.mains_power_w() / 231
    b.world.set_standby(True)
    assert b.world.mains_power_w() == pytest.approx(0.4, rel=0.01)
    assert b.world.mains_voltage_vrms() == pytest.approx(230, rel=0.006)
    assert 49.8 <= b.world.mains_frequency_hz() <= 50.21


def test_temperatures(bench):
    b = bench()
    assert b.world.temperature_c(1) == pytest.approx(b.world.temperature_c(2), abs=0.8)
    b.power(4 * 3600.0)
    assert b.world.temperature_c(1) - b.world.temperature_c(2) == pytest.approx(7.0, abs=0.8)
    b.drive(math.sqrt(800) / 28.0)
    b.world.advance(600.0)
    assert b.world.temperature_c(3) > b.world.temperature_c(2) + 10


def test_eight_hours_of_burn_in_are_a_few_calls(bench):
    b = bench()
    b.world.set_generator(shape="noise", level_vrms=0.35)
    b.power(8 * 3600.0)
    assert 45 < b.world.temperature_c(1) < 70
    assert b.world.now_s == 8 * 3600.0


# --- tap test ------------------------------------------------------------------------------------


def _decay(x, rate_hz, frequency_hz):
    """T60 of one mode by the envelope of the demodulated signal, and its frequency."""
    onset = int(np.argmax(np.abs(x) > 0.2))
    t = np.arange(x.size) / rate_hz
    mixed = x * np.exp(-2j * np.pi * frequency_hz * t)
    width = int(0.02 * rate_hz)
    window = np.hanning(width)
    smooth = np.convolve(mixed, window / window.sum(), "same")[onset + 2 * width :]
    level = np.log(np.abs(smooth))
    use = int(min(smooth.size, np.argmax(level < level[0] - 2.5) or smooth.size))
    slope = np.polyfit(t[:use], level[:use], 1)[0]
    phase = np.polyfit(t[:use], np.unwrap(np.angle(smooth[:use])), 1)[0]
    return -math.log(1e3) / slope, frequency_hz + phase / (2 * math.pi)


@pytest.mark.parametrize(("pads", "duration", "t60"), [(True, 1.5, 0.30), (False, 8.0, 10.0)])
def test_fins_ring_with_or_without_pads(bench, pads, duration, t60):
    b = bench(damping_pads=pads)
    mode = b.world.truth()["units"][0]["parameters"]["modes"][0]
    x = b.record(int(duration * 8000), 8e3, 3.0, "tap").channel(1)
    nominal = mode["frequency_hz"] * (0.99 if pads else 1.0)
    got, frequency = _decay(x, 8e3, round(nominal))
    assert frequency == pytest.approx(nominal, abs=0.5)
    assert got == pytest.approx(mode["padded_t60_s" if pads else "bare_t60_s"], rel=0.1)
    assert got == pytest.approx(t60, rel=0.35)


def test_one_hit_in_twenty_is_double(bench):
    from sim_instruments.tap import random_hits

    rng = np.random.default_rng(0)
    hits = [random_hits(rng, 8.0) for _ in range(4000)]
    doubles = [h for h in hits if len(h) == 2]
    assert len(doubles) / len(hits) == pytest.approx(0.05, abs=0.015)
    for a, b in doubles:
        assert 0.060 <= b.after_s - a.after_s <= 0.150
        assert b.strength == pytest.approx(0.4 * a.strength)


def test_drop_out_times_depend_on_time_alone():
    from sim_instruments.dropouts import dropout_times
    from sim_instruments.faults import with_fault
    from sim_instruments.parameters import UnitParameters

    output = with_fault(UnitParameters(), "dry_joint").output
    whole = dropout_times(1, 1, output, 0.0, 4000.0)
    parts = [t for a, b in pairwise(range(0, 4001, 250)) for t in dropout_times(1, 1, output, a, b)]
    assert sorted(set(parts)) == whole
    assert 60 < len(whole) < 140
