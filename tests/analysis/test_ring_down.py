"""Ring-down: modes against damped sines known in closed form."""

import numpy as np
import pytest

from sequencer.analysis import ring_lines
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.ring_down import analyse_ring_down
from sequencer.analysis.tap_hits import find_hits

RATE_HZ = 48000.0
LN_1000 = 6.907755279  # ln(1000): 60 dB in amplitude time constants

DAMPED = ((734.6, 1.0, 0.30), (1168.2, 0.5, 0.22), (1613.7, 0.25, 0.15))
BARE = ((742.0, 1.0, 10.0), (1180.0, 0.5, 7.0), (1630.0, 0.25, 4.0))


def tap(
    modes,
    duration_s,
    *,
    noise_v=2e-3,
    hum_v=2e-3,
    before_s=0.05,
    thump_v=0.3,
    second_s=None,
    generator=1,
    rate=RATE_HZ,
):
    """A hit: (frequency, amplitude, 60 dB decay) of each mode and a thump of 1.5 ms; a second hit
    0.4 times as hard where second_s is given."""
    rng = np.random.default_rng(generator)
    time = np.arange(int((duration_s + before_s) * rate)) / rate
    volts = noise_v * rng.standard_normal(time.size)
    volts += hum_v * np.sqrt(2) * np.sin(2 * np.pi * 50.03 * time)
    for start_s, gain in ((before_s, 1.0), (before_s + (second_s or 0.0), 0.4)):
        since = np.maximum(time - start_s, 0.0)
        ring = thump_v * rng.standard_normal(time.size) * np.exp(-since / 1.5e-3)
        for frequency_hz, amplitude_v, decay_s in modes:
            wave = np.sin(2 * np.pi * frequency_hz * since)
            ring += amplitude_v * np.exp(-LN_1000 * since / decay_s) * wave
        volts += np.where(time >= start_s, gain * ring, 0.0)
        if second_s is None:
            break
    return volts


def within(estimate, truth, factor=4.0):
    return abs(estimate.value - truth) < factor * estimate.standard_uncertainty


def test_damped_line_of_known_q_and_decay():
    # 120 Hz, amplitude time constant 0.25 s: Q = pi f tau = 94.24777961, 60 dB in 1.72693882 s
    # (x = A exp(-t/tau) sin(2 pi f t); tau is the amplitude's constant, not the energy's)
    record = tap(
        [(120.0, 1.0, 0.25 * LN_1000)], 3.0, noise_v=1e-6, hum_v=0.0, thump_v=0.0, before_s=0.0
    )
    (mode,) = analyse_ring_down(record, RATE_HZ).modes
    assert mode.ring_frequency_hz.value == pytest.approx(120.0, rel=1e-6)
    assert mode.time_constant_s.value == pytest.approx(0.25, rel=1e-4)
    assert mode.decay_time_s.value == pytest.approx(1.72693882, rel=1e-4)
    assert mode.q_factor.value == pytest.approx(94.24777961, rel=1e-4)


@pytest.mark.parametrize(("modes", "duration_s"), [(DAMPED, 1.5), (BARE, 2.5)])
def test_three_modes_are_told_apart_strongest_first(modes, duration_s):
    found = analyse_ring_down(tap(modes, duration_s), RATE_HZ).modes
    assert len(found) == 3
    for mode, (frequency_hz, _, decay_s) in zip(found, modes, strict=True):
        assert within(mode.ring_frequency_hz, frequency_hz)
        assert within(mode.decay_time_s, decay_s)
        assert mode.decay_time_s.value == pytest.approx(decay_s, rel=0.005)
        assert mode.q_factor.value == pytest.approx(
            np.pi * frequency_hz * decay_s / LN_1000, rel=0.005
        )
        assert mode.is_resolved


@pytest.mark.parametrize("second_s", [0.06, 0.1, 0.15])
def test_a_double_hit_is_seen_and_does_no_harm(second_s):
    result = analyse_ring_down(tap(DAMPED, 1.5, second_s=second_s), RATE_HZ)
    assert result.hit_s == pytest.approx((0.05, 0.05 + second_s), abs=3e-3)
    assert result.modes[0].ring_frequency_hz.value == pytest.approx(734.6, abs=0.05)
    assert result.modes[0].decay_time_s.value == pytest.approx(0.30, rel=0.01)


TWO_MODES = ((440.0, 1.0, 0.8), (1230.0, 0.6, 0.5))


def several_taps(hits, duration_s, *, noise_db=-50.0, kind="thump", modes=TWO_MODES, seed=1):
    """Taps (second, strength), the first at 0.1 s. Its modes begin with a thump, with sines, anyhow, or
    behind a contact of 1 ms that is no thump."""
    rng = np.random.default_rng(seed)
    time = np.arange(int(duration_s * RATE_HZ)) / RATE_HZ
    volts = 10 ** (noise_db / 20) * rng.standard_normal(time.size)
    for at_s, gain in hits:
        since = np.maximum(time - 0.1 - at_s, 0.0)
        ring = np.zeros(time.size)
        for frequency_hz, amplitude_v, decay_s in modes:
            phase = rng.uniform(0, 2 * np.pi) if kind == "anyhow" else 0.0
            wave = np.sin(2 * np.pi * frequency_hz * since + phase)
            ring += amplitude_v * np.exp(-LN_1000 * since / decay_s) * wave
        if kind == "thump":
            ring += 0.3 * rng.standard_normal(time.size) * np.exp(-since / 1.5e-3)
        ring *= time >= 0.1 + at_s
        if kind == "soft":
            push = np.sin(np.pi * (np.arange(48) + 0.5) / 48)
            ring = np.convolve(ring, push / push.sum())[: ring.size]
        volts += gain * ring
    return volts


@pytest.mark.parametrize("kind", ["thump", "sines", "anyhow", "soft"])
@pytest.mark.parametrize("gap_s", [0.3, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("strength", [0.3, 0.7, 1.0, 2.0])
def test_a_second_tap_does_no_harm(kind, gap_s, strength):
    seed = int(10 * gap_s + 100 * strength)
    rng = np.random.default_rng(seed)
    decays_s = rng.uniform(0.3, 2.0, 2)
    modes = ((440.0, 1.0, decays_s[0]), (1230.0, 0.6, decays_s[1]))
    record = several_taps(
        [(0.0, 1.0), (gap_s, strength)],
        gap_s + 1.5,
        noise_db=rng.uniform(-60.0, -40.0),
        kind=kind,
        modes=modes,
        seed=seed,
    )
    result = analyse_ring_down(record, RATE_HZ)
    assert result.hit_s == pytest.approx((0.1, 0.1 + gap_s), abs=3e-3)
    assert result.used_hit_s in result.hit_s
    assert len(result.modes) == 2
    for frequency_hz, _, decay_s in modes:
        mode = min(result.modes, key=lambda m: abs(m.ring_frequency_hz.value - frequency_hz))
        assert within(mode.ring_frequency_hz, frequency_hz)
        assert within(mode.decay_time_s, decay_s)


def test_intervals_of_several_taps_cover_the_truth():
    held = []
    for k in range(30):
        rng = np.random.default_rng(k)
        hits = [(0.0, 1.0), (rng.uniform(0.3, 1.0), rng.uniform(0.3, 2.0)), (1.5, 0.6)]
        result = analyse_ring_down(several_taps(hits, 2.5, kind="anyhow", seed=k), RATE_HZ)
        assert len(result.hit_s) == 3
        for frequency_hz, _, decay_s in TWO_MODES:
            mode = min(result.modes, key=lambda m: abs(m.ring_frequency_hz.value - frequency_hz))
            held += [within(mode.ring_frequency_hz, frequency_hz, 2.0)]
            held += [within(mode.decay_time_s, decay_s, 2.0)]
    assert np.mean(held) > 0.90  # 95 % less two and a half standard deviations of 120 trials


@pytest.mark.parametrize("apart_hz", [1.0, 4.0, 15.0, 60.0, 150.0])
@pytest.mark.parametrize("kind", ["thump", "anyhow", "soft"])
def test_beats_of_close_modes_are_no_second_tap(apart_hz, kind):
    modes = ((440.0, 1.0, 2.0), (440.0 + apart_hz, 0.9, 2.2))
    for noise_db in (-80.0, -60.0, -40.0):
        record = several_taps([(0.0, 1.0)], 3.0, noise_db=noise_db, kind=kind, modes=modes)
        assert len(find_hits(record, RATE_HZ, 5000.0)) == 1


def test_a_late_knock_without_ringing_is_no_tap():
    record = several_taps([(0.0, 1.0)], 3.0)
    record[100_000:100_040] += 0.5
    result = analyse_ring_down(record, RATE_HZ)
    assert result.hit_s == pytest.approx((0.1,), abs=3e-3)
    assert within(result.modes[0].decay_time_s, 0.8)


def test_taps_too_near_one_another_are_refused_with_what_to_do():
    drumming = several_taps([(0.045 * k, 1.0) for k in range(12)], 0.64)
    with pytest.raises(CannotMeasure, match=r"hits before the next.*tap once") as refused:
        analyse_ring_down(drumming, RATE_HZ)
    assert refused.value.code == "too_short"


@pytest.mark.parametrize("range_peak_v", [None, 10.0])
@pytest.mark.parametrize("frequency_hz", [150.0, 440.0, 1230.0])
def test_a_hit_cut_off_at_its_top_is_overrange(frequency_hz, range_peak_v):
    modes = ((frequency_hz, 1.0, 0.8), (2.7 * frequency_hz, 0.5, 0.5))
    for kind in ("thump", "anyhow", "soft"):
        record = several_taps([(0.0, 1.0)], 2.0, noise_db=-60.0, kind=kind, modes=modes)
        top = 0.6 * np.max(np.abs(record))
        for cut in (np.clip(record, -top, top), np.minimum(record, top)):
            assert refusal(cut, range_peak_v=range_peak_v) == "overrange"


def test_number_of_modes_and_search_band():
    record = tap(DAMPED, 1.5)
    (only,) = analyse_ring_down(record, RATE_HZ, modes=1).modes
    assert only.ring_frequency_hz.value == pytest.approx(734.6, abs=0.1)
    inside = analyse_ring_down(record, RATE_HZ, search_hz=(1000.0, 1400.0)).modes
    assert [m.ring_frequency_hz.value for m in inside] == pytest.approx([1168.2], abs=0.1)


def test_close_modes_are_separated_down_to_three_widths_and_flagged_below_two():
    # half-power width 2.2/T60 (1/(pi tau)): 7.3 Hz at 0.3 s
    apart = analyse_ring_down(tap([(742.0, 1.0, 0.3), (764.0, 0.7, 0.3)], 1.5), RATE_HZ).modes
    assert [m.ring_frequency_hz.value for m in apart] == pytest.approx([742.0, 764.0], abs=0.05)
    assert [m.decay_time_s.value for m in apart] == pytest.approx([0.3, 0.3], rel=0.01)
    assert all(m.is_resolved for m in apart)
    close = analyse_ring_down(tap([(742.0, 1.0, 0.3), (749.0, 0.7, 0.3)], 1.5), RATE_HZ).modes
    assert [m.ring_frequency_hz.value for m in close] == pytest.approx([742.0, 749.0], abs=1.0)
    assert not any(m.is_resolved for m in close)
    assert all(m.q_factor.value is None for m in close)


def test_a_coarse_converter_that_falls_silent_is_no_dropout():
    # codes of 0.1 mV without noise: whole swings within one code at the end, for a second
    record = np.round(low_tap(140.0, 0.1, 2.0) - 1e-5, 4)
    (mode,) = analyse_ring_down(record, RATE_HZ, search_hz=(30.0, 200.0)).modes
    assert mode.time_constant_s.value == pytest.approx(0.1, rel=1e-3)


def test_hum_is_no_mode():
    record = tap(DAMPED, 1.5, hum_v=0.05)
    time = np.arange(record.size) / RATE_HZ
    record += 0.02 * np.sin(2 * np.pi * 150.09 * time)
    found = analyse_ring_down(record, RATE_HZ).modes
    assert [round(m.ring_frequency_hz.value) for m in found] == [735, 1168, 1614]


# Modes' frequencies, time constants, amplitudes: far from mains lines, near one, and next to the second;
# and the weakest hum that is told. Fainter hum is hidden by what rings within 2 Hz of it for so long.
BESIDE_HUM = [
    ((131.6, 569.2), (0.22, 0.10), (0.7, 1.0), 0.001),
    ((298.9, 700.25), (0.286, 0.73), (1.0, 0.86), 0.01),
    ((100.11, 208.9), (0.10, 0.03), (1.0, 0.99), 0.001),
]


def bounds_beside_hum(modes, mains_hz, duration_s, *, noise_v):
    """Least standard uncertainties of time constants beside ten mains lines, s: the Fisher matrix of all
    amplitudes, frequencies and time constants (Kay, "Estimation Theory", 1993), in white noise."""
    rate_hz = 4000.0  # at a lower rate noise is as dense with fewer samples
    time = np.arange(int(duration_s * rate_hz)) / rate_hz
    columns = []
    for frequency_hz, tau_s, amplitude_v in modes:
        wave = amplitude_v * np.exp((-1 / tau_s + 2j * np.pi * frequency_hz) * time)
        by_tau = time / tau_s**2 * wave
        columns += [by_tau.imag, by_tau.real, wave.real, wave.imag]
    for k in range(1, 11):
        line = np.exp(2j * np.pi * k * mains_hz * time)
        columns += [line.real, line.imag]
    jacobian = np.column_stack(columns)
    inverse = np.linalg.inv(jacobian.T @ jacobian)
    return noise_v * np.sqrt(rate_hz / RATE_HZ * np.diag(inverse)[: 4 * len(modes) : 4])


@pytest.mark.parametrize("hum_v", [0.001, 0.01, 0.1, 1.0])
@pytest.mark.parametrize("mains_hz", [49.97, 60.11])
@pytest.mark.parametrize(("frequencies_hz", "taus_s", "amplitudes_v", "told_v"), BESIDE_HUM)
def test_modes_beside_hum_are_read_as_without_it(
    frequencies_hz, taus_s, amplitudes_v, told_v, mains_hz, hum_v
):
    modes = list(zip(frequencies_hz, taus_s, amplitudes_v, strict=True))
    alone = pushed([(0.1, 1.0)], modes, 2.0, noise_v=3e-4)
    time = np.arange(alone.size) / RATE_HZ
    hum = sum(
        share * np.sin(2 * np.pi * k * mains_hz * time + k)
        for k, share in ((1, 1.0), (2, 0.7), (3, 0.3), (4, 0.3), (5, 0.15), (6, 0.1))
    )
    result = analyse_ring_down(alone + hum_v * hum, RATE_HZ)
    assert result.hit_s == pytest.approx((0.1,), abs=3e-3)
    assert len(result.modes) == 2
    bounds_s = bounds_beside_hum(modes, mains_hz, 1.9, noise_v=3e-4)
    for mode in result.modes:
        k = int(np.argmin(np.abs(np.array(frequencies_hz) - mode.ring_frequency_hz.value)))
        assert within(mode.ring_frequency_hz, frequencies_hz[k])
        assert within(mode.time_constant_s, taus_s[k])
        # 5 to 20 ms of contact left out cost the briefest mode, of 30 ms, exp(20 ms / 30 ms) = 1.9
        if hum_v >= told_v:
            assert mode.time_constant_s.standard_uncertainty < 2.0 * bounds_s[k]


def test_a_low_mode_at_a_mains_frequency_is_no_hum():
    record = pushed([(0.05, 1.0)], [(50.04, 0.6, 1.0), (228.1, 0.09, 0.5)], 3.0)
    result = analyse_ring_down(record, RATE_HZ, search_hz=(30.0, 500.0))
    low, high = sorted(result.modes, key=lambda mode: mode.ring_frequency_hz.value)
    assert within(low.ring_frequency_hz, 50.04)
    assert within(low.time_constant_s, 0.6)
    # sqrt(2) sigma/a tau^(-3/2) rate^(-1/2) 2 (bound of a damped sine in white noise, doubled)
    bound = 2 * 1e-3 * np.sqrt(2 / (0.6 * RATE_HZ))
    assert low.time_constant_s.standard_uncertainty < 3 * bound * 0.6
    assert within(high.ring_frequency_hz, 228.1)


def test_scatter_of_the_decay_is_near_its_bound_and_as_stated():
    # bound from the Fisher matrix of a damped sine in white noise, 50 dB under its peak
    rate, frequency_hz, tau = 12000.0, 734.6, 0.3 / LN_1000
    noise_v = 10 ** (-50 / 20)
    time = np.arange(int(1.0 * rate)) / rate
    wave = np.exp((-1 / tau + 2j * np.pi * frequency_hz) * time)
    columns = [wave.imag, wave.real, time * wave.imag, time * wave.real]
    jacobian = np.column_stack(columns)
    bound = noise_v * np.sqrt(np.linalg.inv(jacobian.T @ jacobian)[2, 2]) * tau
    off, stated = [], []
    for k in range(60):
        record = tap(
            [(frequency_hz, 1.0, 0.3)],
            1.0,
            noise_v=noise_v,
            hum_v=0.0,
            thump_v=0.0,
            before_s=0.0,
            generator=k,
            rate=rate,
        )
        (mode,) = analyse_ring_down(record, rate, modes=1).modes
        off.append(mode.time_constant_s.value / tau - 1)
        stated.append(mode.time_constant_s.standard_uncertainty / tau)
    # 60 values know a standard deviation to 9 %; 5 ms of contact left out cost 11 % here
    assert np.sqrt(np.mean(np.square(off))) < 1.5 * bound
    assert np.mean(np.abs(off) < 1.96 * np.array(stated)) > 0.85


@pytest.mark.parametrize("thump_v", [0.0, 0.3])
def test_stated_intervals_cover_the_decays_whatever_the_thump(thump_v):
    held = []
    for k in range(25):
        record = tap(DAMPED, 0.6, thump_v=thump_v, generator=k, rate=24000.0)
        for mode, (_, _, decay_s) in zip(
            analyse_ring_down(record, 24000.0).modes, DAMPED, strict=True
        ):
            held.append(within(mode.decay_time_s, decay_s, 1.96))
    assert np.mean(held) > 0.88  # 95 % less two and a half standard deviations of 75 trials


def refusal(record, rate_hz=RATE_HZ, **options):
    with pytest.raises(CannotMeasure) as refused:
        analyse_ring_down(record, rate_hz, **options)
    return refused.value.code


def test_refusals():
    rng = np.random.default_rng(3)
    good = tap(DAMPED, 1.0)
    time = np.arange(good.size) / RATE_HZ
    noise = 1e-3 * rng.standard_normal(good.size)
    assert refusal(noise) == "no_signal"
    assert refusal(np.zeros(1000)) == "no_signal"
    assert refusal(np.sin(2 * np.pi * 742.3 * time) + noise) == "too_short"  # never decays
    assert refusal(good[:4000]) == "too_short"
    assert refusal(good, 8000.0) == "band_too_narrow"
    assert refusal(np.where(time == 0.0, np.nan, good)) == "nonfinite"
    held = np.where((time > 0.1) & (time < 0.16), good[4800], good)
    assert refusal(held) == "dropout"
    assert refusal(good, is_overrange=True) == "overrange"
    assert refusal(np.clip(good, -0.5, 0.5)) == "overrange"


def low_tap(frequency_hz, tau_s, duration_s):
    """One low mode of 0.1 V peak, hit 10 ms after the start, with 10 uV of noise."""
    modes = [(frequency_hz, 0.1, LN_1000 * tau_s)]
    quiet = {"noise_v": 1e-5, "hum_v": 0.0, "thump_v": 0.0, "before_s": 0.01}
    return tap(modes, duration_s - 0.01, **quiet)


@pytest.mark.parametrize(
    ("frequency_hz", "duration_s", "search_hz"),
    [
        # the low-pass for such a band is as long as these records, or leaves a few samples of them
        (70.0, 0.08, (20.0, 100.0)),
        (42.0, 0.15, (20.0, 60.0)),
        (140.0, 0.1, (30.0, 200.0)),
        (42.0, 0.5, (20.0, 60.0)),
    ],
)
def test_a_record_hardly_longer_than_the_bands_filter_is_too_short(
    frequency_hz, duration_s, search_hz
):
    record = low_tap(frequency_hz, 0.05, duration_s)
    with pytest.raises(CannotMeasure, match=f"modes up to {search_hz[1]:g} Hz") as refused:
        analyse_ring_down(record, RATE_HZ, search_hz=search_hz)
    assert refused.value.code == "too_short"
    # its own swings are no bounces: all of the record but the contact follows the hit
    ringing_s = float(str(refused.value).split(" s ")[0])
    assert ringing_s == pytest.approx(duration_s - 0.015, abs=5e-3)


@pytest.mark.parametrize("tau_s", [0.03, 0.2])
@pytest.mark.parametrize(
    ("frequency_hz", "search_hz"), [(42.0, (20.0, 60.0)), (140.0, (30.0, 200.0))]
)
def test_a_low_mode_of_known_decay(frequency_hz, search_hz, tau_s):
    result = analyse_ring_down(low_tap(frequency_hz, tau_s, 1.5), RATE_HZ, search_hz=search_hz)
    (mode,) = result.modes
    assert len(result.hit_s) == 1
    assert within(mode.ring_frequency_hz, frequency_hz)
    assert within(mode.time_constant_s, tau_s)


@pytest.mark.parametrize("highest_hz", [1000.0, 5000.0])
def test_a_double_hit_is_seen_whatever_the_band(highest_hz):
    record = tap(DAMPED, 1.5, second_s=0.1)
    result = analyse_ring_down(record, RATE_HZ, search_hz=(100.0, highest_hz))
    assert result.hit_s == pytest.approx((0.05, 0.15), abs=3e-3)


def test_impossible_number_of_modes_is_the_callers_mistake():
    with pytest.raises(ValueError, match="modes"):
        analyse_ring_down(tap(DAMPED, 0.5), RATE_HZ, modes=0)


@pytest.mark.parametrize("highest_hz", [150.0, 200.0, 230.0])
def test_in_a_low_band_each_tap_counts_once(highest_hz):
    modes = ((80.0, 1.0, 1.5),)
    record = several_taps([(0.0, 1.0), (1.5, 1.0)], 3.5, kind="sines", modes=modes)
    result = analyse_ring_down(record, RATE_HZ, search_hz=(50.0, highest_hz))
    assert result.hit_s == pytest.approx((0.1, 1.6), abs=0.02)


def test_an_offset_does_not_hide_the_strongest_tap():
    hits = [(0.0, 20.0), (0.5, 1.0), (1.2, 1.0), (1.9, 1.0), (2.6, 1.0)]
    record = several_taps(hits, 3.5)
    with_offset = analyse_ring_down(record + 2.0, RATE_HZ)
    assert with_offset.used_hit_s == analyse_ring_down(record, RATE_HZ).used_hit_s == 0.1


@pytest.mark.parametrize("bounce_ms", [3, 5, 7, 9, 10, 11, 15, 20])
def test_a_bounce_of_the_hammer_is_no_part_of_the_ringing(bounce_ms):
    hits = [(0.0, 1.0), (1e-3 * bounce_ms, 0.5)]
    modes = ((2100.0, 1.0, 0.28),)
    record = several_taps(hits, 2.0, noise_db=-60.0, kind="anyhow", modes=modes, seed=bounce_ms)
    (mode,) = analyse_ring_down(record, RATE_HZ).modes
    assert within(mode.ring_frequency_hz, 2100.0)
    assert within(mode.decay_time_s, 0.28)


def pushed(taps, modes, duration_s, *, noise_v=1e-3, seed=1):
    """Taps (second, strength) that push for half a sine of 0.5 ms; modes (frequency, tau, amplitude).

    A damped mode's response to a force is its convolution with the impulse response (handbooks of
    vibration: Duhamel's integral), here taken sample by sample at eight times the rate.
    """
    fine = 8 * RATE_HZ
    push = np.sin(np.pi * (np.arange(192) + 0.5) / 192)
    time = np.arange(int(duration_s * fine)) / fine
    volts = noise_v * np.random.default_rng(seed).standard_normal(int(duration_s * RATE_HZ))
    for at_s, gain in taps:
        since = np.maximum(time - at_s, 0.0)
        ring = sum(a * np.exp(-since / tau) * np.sin(2 * np.pi * f * since) for f, tau, a in modes)
        ring = np.convolve(np.where(time >= at_s, ring, 0.0), push / push.sum())[: time.size]
        volts += gain * ring[::8][: volts.size]
    return volts


@pytest.mark.parametrize("bounce_ms", [6, 10, 11, 15, 30])
@pytest.mark.parametrize("frequency_hz", [300.0, 700.0])
def test_a_soft_bounce_of_a_low_mode_is_no_part_of_the_ringing(frequency_hz, bounce_ms):
    taps = [(0.05, 1.0), (0.05 + 1e-3 * bounce_ms, 0.3)]
    (mode,) = analyse_ring_down(pushed(taps, [(frequency_hz, 0.2, 1.0)], 1.5), RATE_HZ).modes
    assert within(mode.ring_frequency_hz, frequency_hz)
    assert within(mode.time_constant_s, 0.2)


@pytest.mark.parametrize("lost_s", [0.08, 0.15, 0.3, 0.6])
def test_one_lost_sample_is_a_dropout(lost_s):
    record = pushed([(0.05, 1.0)], [(740.0, 0.3, 1.0)], 2.0)
    assert refusal(np.delete(record, int(lost_s * RATE_HZ))) == "dropout"


@pytest.mark.parametrize("level_v", [0.003, 0.01, 0.1])
@pytest.mark.parametrize("beside_hz", [1.0, 3.0, 10.0])
def test_a_steady_tone_beside_a_mode_is_counted_in_both_doubts(beside_hz, level_v):
    record = pushed([(0.05, 1.0)], [(740.0, 0.3, 1.0)], 2.0)
    time = np.arange(record.size) / RATE_HZ
    record += level_v * np.sin(2 * np.pi * (740.0 + beside_hz) * time)
    mode = analyse_ring_down(record, RATE_HZ).modes[0]
    assert within(mode.ring_frequency_hz, 740.0)
    assert within(mode.time_constant_s, 0.3)


def test_a_tone_beside_a_mode_does_not_cost_its_decay():
    # later on the tone is larger beside the ringing, so that is no better part of it
    record = pushed([(0.05, 1.0)], [(740.0, 0.15, 1.0)], 2.4)
    record += 0.005 * np.sin(2 * np.pi * 741.0 * np.arange(record.size) / RATE_HZ)
    result = analyse_ring_down(record, RATE_HZ)
    assert not result.is_later_part
    assert result.modes[0].is_resolved
    assert within(result.modes[0].time_constant_s, 0.15)


@pytest.mark.parametrize("tau_s", [0.005, 0.007, 0.009])
def test_a_mode_of_a_few_milliseconds_is_measured(tau_s):
    (mode,) = analyse_ring_down(pushed([(0.05, 1.0)], [(2000.0, tau_s, 1.0)], 1.0), RATE_HZ).modes
    assert within(mode.ring_frequency_hz, 2000.0)
    assert within(mode.time_constant_s, tau_s)


def test_what_decays_faster_still_is_refused_with_what_to_do():
    record = pushed([(0.05, 1.0)], [(2000.0, 0.003, 1.0)], 1.0)
    with pytest.raises(CannotMeasure, match=r"too fast.*take off what damps") as refused:
        analyse_ring_down(record, RATE_HZ)
    assert refused.value.code == "no_signal"


@pytest.mark.parametrize("before_end_s", [0.005, 0.02, 0.04])
def test_a_harder_tap_at_the_records_end_leaves_the_first(before_end_s):
    taps = [(0.05, 1.0), (2.0 - before_end_s, 4.0)]
    result = analyse_ring_down(pushed(taps, [(740.0, 0.2, 1.0)], 2.0), RATE_HZ)
    assert result.hit_s == pytest.approx((0.05, 2.0 - before_end_s), abs=3e-3)
    assert result.used_hit_s == result.hit_s[0]
    assert within(result.modes[0].time_constant_s, 0.2)


@pytest.mark.parametrize("hard", [0, 1, 2])
def test_a_tap_cut_off_leaves_the_others(hard):
    taps = [(0.05 + 0.7 * k, 3.0 if k == hard else 1.0) for k in range(3)]
    record = np.clip(pushed(taps, [(740.0, 0.15, 1.0)], 2.2), -2.0, 2.0)
    result = analyse_ring_down(record, RATE_HZ)
    assert result.cut_off_hit_s == pytest.approx((taps[hard][0],), abs=3e-3)
    assert result.used_hit_s not in result.cut_off_hit_s
    assert within(result.modes[0].ring_frequency_hz, 740.0)
    assert within(result.modes[0].time_constant_s, 0.15)


@pytest.mark.parametrize("soft", [0.3, 1.0])
def test_softer_taps_before_one_cut_off_are_used(soft):
    # beside a tap of ten times their strength the first ones hold less than a tenth of its energy
    taps = [(0.05, soft), (0.75, 0.8 * soft), (1.45, 10.0)]
    record = np.clip(pushed(taps, [(740.0, 0.15, 1.0)], 2.2), -2.0, 2.0)
    result = analyse_ring_down(record, RATE_HZ)
    assert result.cut_off_hit_s == pytest.approx((1.45,), abs=3e-3)
    assert result.hit_s == pytest.approx((0.05, 0.75, 1.45), abs=3e-3)
    assert within(result.modes[0].ring_frequency_hz, 740.0)
    assert within(result.modes[0].time_constant_s, 0.15)


def test_a_soft_tap_that_was_cut_off_is_not_used_where_the_hard_ones_come_too_late():
    # the last one isn't cut off, but ends too early; only then are those before the hard one looked for
    taps = [(0.5, 0.3), (1.2, 0.2), (1.85, 4.0), (1.97, 1.5)]
    record = pushed(taps, [(740.0, 0.02, 1.0)], 2.0)
    record[int(0.5 * RATE_HZ) :][:3] = 3.0  # of the first one's contact
    result = analyse_ring_down(np.clip(record, -2.0, 2.0), RATE_HZ)
    assert result.cut_off_hit_s == pytest.approx((0.5, 1.85), abs=3e-3)
    assert result.used_hit_s == pytest.approx(1.2, abs=3e-3)
    assert within(result.modes[0].ring_frequency_hz, 740.0)
    assert within(result.modes[0].time_constant_s, 0.02)


def test_one_tap_cut_off_stays_overrange_whatever_comes_before_it():
    for noise_v in (1e-5, 1e-2):
        record = pushed([(0.5, 10.0)], [(740.0, 0.15, 1.0)], 1.5, noise_v=noise_v)
        record += 0.02 * np.sin(2 * np.pi * 50.0 * np.arange(record.size) / RATE_HZ)
        assert refusal(np.clip(record, -2.0, 2.0)) == "overrange"


def compressed(volts, law, strength):
    """Volts through a sensor that compresses: a cube off, or an arctangent (same third order)."""
    if law == "cube":
        return volts - strength * volts**3
    return np.arctan(np.sqrt(3 * strength) * volts) / np.sqrt(3 * strength)


@pytest.mark.parametrize("law", ["cube", "arctangent"])
@pytest.mark.parametrize("strength", [0.02, 0.05, 0.1, 0.2])
@pytest.mark.parametrize("noise_v", [3e-4, 3e-3])
def test_a_sensor_that_compresses_is_read_where_it_does_not(law, strength, noise_v):
    record = compressed(pushed([(0.05, 1.0)], [(740.0, 0.1, 1.0)], 1.0, noise_v=0.0), law, strength)
    record += noise_v * np.random.default_rng(4).standard_normal(record.size)
    result = analyse_ring_down(record, RATE_HZ)
    mode = result.modes[0]
    assert within(mode.ring_frequency_hz, 740.0)
    if strength == 0.2 and law == "cube":  # a cube so large is as good as a second mode
        assert mode.time_constant_s.value is None
    else:
        assert within(mode.time_constant_s, 0.1, 2.0)
        assert mode.time_constant_s.value == pytest.approx(0.1, rel=0.015)


def test_even_ringing_is_read_from_the_first():
    for k in range(5):
        result = analyse_ring_down(pushed([(0.05, 1.0)], [(740.0, 0.1, 1.0)], 1.0, seed=k), RATE_HZ)
        assert not result.is_later_part
        assert result.modes[0].misfit == 0.0


@pytest.mark.parametrize("count", [2, 20, 47, 100])
def test_a_handful_of_samples_is_too_short(count):
    assert refusal(np.random.default_rng(1).standard_normal(count)) == "too_short"


def test_hum_that_swings_costs_no_more_fits_than_it_leaves_lines(monkeypatch):
    fits = []
    fit = ring_lines.fit_damped_lines
    monkeypatch.setattr(ring_lines, "fit_damped_lines", lambda *args: fits.append(1) or fit(*args))
    rate_hz, rng = 8000.0, np.random.default_rng(2)
    time_s = np.arange(round(6.0 * rate_hz)) / rate_hz
    since_s = time_s - 0.4
    volts = np.where(
        since_s < 0.0, 0.0, np.exp(-since_s / 0.3) * np.sin(2 * np.pi * 1200 * since_s)
    )
    turn = 2 * np.pi * 50.0 * time_s + 0.02 * 5.0 * np.sin(2 * np.pi * time_s / 5.0)
    volts += sum(5e-3 / k * np.cos(k * turn + k) for k in (1, 2, 3, 5, 6))
    volts += 1e-4 * rng.standard_normal(time_s.size)
    result = analyse_ring_down(volts, rate_hz, search_hz=(100.0, 3000.0))
    (mode,) = result.modes
    found = mode.time_constant_s
    assert abs(found.value - 0.3) < 3.0 * found.standard_uncertainty
    assert len(fits) <= 20


def test_hum_that_swings_near_a_weaker_mode_is_no_uneven_decay():
    rate_hz, rng = 8000.0, np.random.default_rng(3)
    size = round(rng.choice([2.5, 4.0]) * rate_hz)
    time_s = np.arange(size) / rate_hz
    since_s = time_s - 0.3
    rung = np.exp(-since_s / 0.5) * np.sin(2 * np.pi * 764.5 * since_s)
    low_hz = rng.uniform(140, 180)
    rung += 0.8 * np.exp(-since_s / 0.06) * np.sin(2 * np.pi * low_hz * since_s)
    volts = np.where(since_s >= 0.0, rung, 0.0)
    level_v = 10 ** rng.uniform(-2.5, -1)
    turn = 2 * np.pi * 50.0 * time_s
    turn += 0.1 * np.sin(2 * np.pi * time_s / 5.0 + rng.uniform(0, 6))
    volts += sum(level_v / k * np.cos(k * turn + k) for k in (1, 2, 3, 5, 6))
    volts += 10 ** rng.uniform(-4.3, -3.5) * rng.standard_normal(size)
    result = analyse_ring_down(volts, rate_hz, search_hz=(100.0, 3000.0))
    assert not result.is_later_part
    found = result.modes[0].time_constant_s
    assert abs(found.value - 0.5) < 3.0 * found.standard_uncertainty
