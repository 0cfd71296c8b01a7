"""Sweeps with samples missing, mutes and clicks are refused; what amplifiers do of their own isn't."""

import itertools

import numpy as np
import pytest
from scipy import signal

from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.exponential_sweep import ExponentialSweep, analyse_exponential_sweep
from sequencer.analysis.sweep_breaks import find_faults

RATE_HZ = 48000.0
BEFORE = 14400


def amplify(played, rate_hz, *, low=(1, 5.0), high=(1, 0.4), peak=None, curve=None, echo=0.0):
    """Curve, band edges (order, Hz or share of the rate), a resonance (Hz, Q), an echo of 11 ms."""
    wave = played if curve is None else curve(played)
    wave = signal.sosfilt(signal.butter(*low, "high", fs=rate_hz, output="sos"), wave)
    order, share = high
    wave = signal.sosfilt(
        signal.butter(order, share * rate_hz, "low", fs=rate_hz, output="sos"), wave
    )
    if peak is not None:
        b, a = signal.iirpeak(*peak, fs=rate_hz)
        wave = wave + (peak[1] - 1) * signal.lfilter(b, a, wave)
    late = round(0.011 * rate_hz)
    wave[late:] += echo * wave[:-late]
    return wave / np.max(np.abs(wave))


def capture(seed=1, *, seconds=2.0, rate_hz=RATE_HZ, fade=0.02, snr_db=80.0, bits=24, **unit):
    """Drive and response, 0.8 V peak, 0.3 s of silence before and 0.6 s after, in steps."""
    rng = np.random.default_rng(seed)
    sweep = ExponentialSweep(start_hz=20.0, stop_hz=20000.0, duration_s=seconds)
    silence = np.zeros(round(0.3 * rate_hz))
    drive = np.concatenate([silence, sweep.samples(rate_hz, fade=fade), silence, silence])
    response = amplify(drive, rate_hz, **unit)
    noise = 10 ** (-snr_db / 20) / np.sqrt(2)
    drive = drive + 1e-5 * rng.standard_normal(drive.size)
    response = response + noise * rng.standard_normal(drive.size)
    step = 2.0 ** (1 - bits)
    return [
        np.round(0.8 * each / step + rng.uniform(-1, 1, each.size)) * step
        for each in (drive, response)
    ]


def measured(drive, response, rate_hz=RATE_HZ):
    return analyse_exponential_sweep(
        drive, response, rate_hz, band_hz=(25.0, 18000.0), mains_hz=None
    )


def spoilt(channels, which, spoil):
    """One channel or both changed, cut to one length."""
    changed = [
        spoil(each) if which in (name, "both") else each
        for name, each in zip(("drive", "response"), channels, strict=True)
    ]
    size = min(each.size for each in changed)
    return [each[:size] for each in changed]


def lost(count, at):
    return lambda volts: np.delete(volts, slice(at, at + count))


def muted(seconds, at, noise=1e-5):
    def spoil(volts):
        size = round(seconds * RATE_HZ)
        quiet = noise * np.random.default_rng(3).standard_normal(size)
        return np.concatenate([volts[:at], quiet, volts[at + size :]])

    return spoil


def clicked(size, at, count=1):
    def spoil(volts):
        changed = volts.copy()
        changed[at : at + count] += size
        return changed

    return spoil


# Of a sweep of 2 s, 20 Hz to 20 kHz, samples 40000, 62000 and 90000 lie at 125 Hz, 609 Hz and 4.6 kHz.
PLACES = (40011, 62400, 90007)


@pytest.mark.parametrize("which", ["drive", "response", "both"])
@pytest.mark.parametrize("at", PLACES)
@pytest.mark.parametrize(
    "count",
    # 24 samples at 609 Hz are a third of a cycle; 100 at 4.6 kHz are 9.6
    [10, 24, 100, 480],
)
def test_missing_samples_are_found_where_they_are_missing(count, at, which):
    assert_dropout(*spoilt(capture(), which, lost(count, at)), at)


@pytest.mark.parametrize("which", ["drive", "response", "both"])
@pytest.mark.parametrize("at", PLACES)
@pytest.mark.parametrize(("seconds", "noise"), [(0.005, 1e-5), (0.02, 1e-4), (0.05, 1e-6)])
def test_a_mute_with_noise_in_it_is_found(seconds, noise, at, which):
    assert_dropout(*spoilt(capture(), which, muted(seconds, at, noise)), at, within_s=0.05)


@pytest.mark.parametrize("which", ["drive", "response"])
@pytest.mark.parametrize("at", PLACES)
@pytest.mark.parametrize(("size", "count"), [(0.6, 2), (-0.4, 3), (3.0, 2)])
def test_a_click_that_moves_the_gain_is_found(size, count, at, which):
    assert_dropout(*spoilt(capture(), which, clicked(size, at, count)), at)


def assert_dropout(drive, response, at, within_s=0.006):
    with pytest.raises(CannotMeasure) as refused:
        measured(drive, response)
    assert refused.value.code == "dropout"
    words = refused.value.reason.split()
    places = [float(a) for a, b in itertools.pairwise(words) if b.strip(",") == "s"]
    assert any(abs(place - at / RATE_HZ) < within_s for place in places), refused.value.reason
    assert "record again" in refused.value.remedy


@pytest.mark.parametrize(
    ("which", "at_s", "size"),
    [
        ("drive", 1.3, 0.03),
        ("drive", 2.45, 0.01),
        ("response", 1.3, 0.03),
        ("response", 2.45, 0.01),
    ],
)
def test_a_click_that_moves_the_gain_by_its_doubt_is_counted_and_told(which, at_s, size):
    drive, response = capture()
    whole = measured(drive, response)
    found = measured(*spoilt([drive, response], which, clicked(size, round(at_s * RATE_HZ))))
    assert whole.clicks == {"drive": (), "response": ()}
    (click,) = found.clicks[which]
    assert click.at_s == pytest.approx(at_s, abs=1e-4)
    assert click.size_v == pytest.approx(size, rel=0.05)
    # what it moves is in the doubt, and hardly more
    moved = np.abs(found.response.gain_db - whole.response.gain_db)
    before, after = whole.response.uncertainty_db, found.response.uncertainty_db
    assert 2e-4 < np.max(moved) < 0.005
    more = np.sqrt(np.maximum(after**2 - before**2, 0.0))
    inside = found.response.frequency_hz != found.response.reference_hz
    assert np.all(moved[inside] < 1.1 * more[inside] + 2e-4)
    assert np.max(more) < 0.006


# One sample of 1 V is 1/rate V/Hz, the drive 0.4 sqrt(L/f) V/Hz (Farina 2000: 0.5 sqrt(L/f) for 1 V
# peak): at 4.6 kHz, 1.9 s, 0.1 V moves the gain by 0.006 dB, 0.25 V by 0.015 dB.
@pytest.mark.parametrize("which", ["drive", "response"])
@pytest.mark.parametrize(("at_s", "size"), [(1.3, 0.2), (1.9, 0.1), (2.2, 0.05)])
def test_a_click_that_moves_the_gain_by_less_than_a_hundredth_of_a_db_is_counted(at_s, size, which):
    drive, response = capture()
    whole = measured(drive, response)
    spoil = clicked(size, round(at_s * RATE_HZ))
    found = measured(*spoilt([drive, response], which, spoil))
    assert [click.at_s for click in found.clicks[which]] == [pytest.approx(at_s, abs=1e-4)]
    moved = np.abs(found.response.gain_db - whole.response.gain_db)
    assert 0.004 < np.max(moved) < 0.01
    inside = found.response.frequency_hz != found.response.reference_hz
    assert np.all(moved[inside] < 1.1 * found.response.uncertainty_db[inside])
    for order, harmonic in found.harmonics.items():
        before = whole.harmonics[order]
        # none is made of the click; its bound holds what the click may hide
        assert not np.any(np.isfinite(harmonic.ratio) & np.isnan(before.ratio))
        assert np.all(harmonic.upper_bound > 0.8 * before.upper_bound)


@pytest.mark.parametrize("which", ["drive", "response"])
def test_a_click_that_moves_the_gain_by_more_than_a_hundredth_of_a_db_is_refused(which):
    at = round(1.9 * RATE_HZ)
    assert_dropout(*spoilt(capture(), which, clicked(0.25, at)), at)


def test_a_click_too_small_for_any_reading_is_let_pass():
    drive, response = capture()
    whole = measured(drive, response).response
    for which in ("drive", "response"):
        found = measured(*spoilt([drive, response], which, clicked(0.01, PLACES[1]))).response
        moved = np.abs(found.gain_db - whole.gain_db)
        assert np.max(moved) < 0.002  # the method's own 0.003 dB, rectangular
    click = find_faults(
        clicked(0.01, PLACES[1])(response),
        RATE_HZ,
        ExponentialSweep(start_hz=20.0, stop_hz=20000.0, duration_s=2.0),
        (BEFORE, BEFORE + 96000),
    )[0].click
    # to within some noise, of 6e-5 V
    assert np.max(click) == pytest.approx(0.01, abs=3e-4)


def crossover(wave):
    return np.sign(wave) * np.maximum(np.abs(wave) - 0.003, 0.0)


GOOD = {
    "plain": {},
    "noisy": {"snr_db": 40.0},
    "hardly any noise": {"snr_db": 120.0},
    "16 bits": {"bits": 16, "snr_db": 110.0},
    "short": {"seconds": 0.6},
    "long": {"seconds": 12.0},
    "192 kHz": {"rate_hz": 192e3},
    "44.1 kHz": {"rate_hz": 44100.0},
    "no fade": {"fade": 0.0, "seconds": 1.0},
    "steep edges": {"low": (4, 40.0), "high": (4, 0.2)},
    "a resonance below": {"peak": (60.0, 20.0), "snr_db": 110.0},
    "a resonance in the middle": {"peak": (900.0, 20.0), "snr_db": 110.0},
    "a resonance above": {"peak": (12000.0, 20.0), "snr_db": 110.0},
    "an echo": {"echo": 0.5},
    "an echo in a short one": {"echo": 0.5, "seconds": 0.7, "snr_db": 100.0},
    "ten per cent": {"curve": lambda x: x + 0.1 * x**2 + 0.2 * x**3 + 0.05 * x**5},
    "soft clipping": {"curve": lambda x: np.tanh(2.0 * x), "snr_db": 100.0},
    "hard clipping": {"curve": lambda x: np.clip(x, -0.9, 0.8), "snr_db": 110.0},
    "crossover": {"curve": crossover, "snr_db": 110.0},
    "crossover and resonance": {"curve": crossover, "peak": (5000.0, 10.0), "snr_db": 110.0},
}


@pytest.mark.parametrize("name", GOOD)
def test_what_amplifiers_do_is_measured(name):
    unit = GOOD[name]
    drive, response = capture(7, **unit)
    measured(drive, response, unit.get("rate_hz", RATE_HZ))


@pytest.mark.parametrize("every_s", [0.01, 0.02])
def test_spikes_of_a_rectifier_are_no_breaks(every_s):
    drive, response = capture(5)
    response[:: round(every_s * RATE_HZ)] += 0.004  # 46 dB below the sweep, sixty times the noise
    measured(drive, response)


def test_hum_offset_and_drift_are_no_breaks():
    drive, response = capture(6)
    time = np.arange(drive.size) / RATE_HZ
    hum = 0.01 * np.cos(2 * np.pi * 49.97 * time) + 0.005 * np.cos(2 * np.pi * 149.91 * time)
    measured(drive, response + hum + 0.05 - 0.005 * time)


@pytest.mark.parametrize("share", [0.02, 0.04])
@pytest.mark.parametrize("spoil", [lambda at: muted(0.02, at), lambda at: lost(48, at)])
def test_the_first_octave_is_looked_through(share, spoil):
    at = BEFORE + int(share * 2.0 * RATE_HZ)
    drive, response = spoilt(capture(seed=4), "response", spoil(at))
    assert_dropout(drive, response, at, within_s=0.05)


@pytest.mark.parametrize("delay_s", [0.12, 0.2])
def test_a_late_response_is_no_interrupted_one(delay_s):
    rng = np.random.default_rng(3)
    sweep = ExponentialSweep(start_hz=20.0, stop_hz=20000.0, duration_s=1.0)
    silence = np.zeros(19_200)
    played = np.concatenate([silence, sweep.samples(RATE_HZ, fade=0.0), silence])
    late = np.roll(played, round(delay_s * RATE_HZ))
    noise = 1e-5 * rng.standard_normal((2, played.size))
    found = measured(played + noise[0], 2.0 * late + noise[1])
    assert found.response.reference_gain_db.value == pytest.approx(6.0206, abs=0.02)


# The sweep ends 2.3 s into the record, and its fade is below a twentieth of the peak from 2.294 s on.
@pytest.mark.parametrize("which", ["drive", "response"])
# About the step of one that doesn't fade nobody can tell.
@pytest.mark.parametrize(
    ("at_s", "fade"), [*((at, 0.02) for at in (2.296, 2.301, 2.31, 2.38)), (2.31, 0.0), (2.38, 0.0)]
)
def test_a_click_about_the_end_that_moves_the_top_is_found(at_s, fade, which):
    at = round(at_s * RATE_HZ)
    drive, response = spoilt(capture(fade=fade), which, clicked(0.1, at))
    assert_dropout(drive, response, at)


def faded(seconds, at, fade_s, noise):
    """A mute that begins and ends gently."""

    def spoil(volts):
        count, bent = round(seconds * RATE_HZ), round(fade_s * RATE_HZ)
        share = np.zeros(count)
        share[:bent] = 0.5 + 0.5 * np.cos(np.pi * np.arange(bent) / bent)
        share[-bent:] = share[:bent][::-1]
        hiss = noise * np.random.default_rng(3).standard_normal(count)
        changed = volts.copy()
        changed[at : at + count] = share * volts[at : at + count] + (1 - share) * hiss
        return changed

    return spoil


def stepped(size, at):
    def spoil(volts):
        changed = volts.copy()
        changed[at:] += size
        return changed

    return spoil


def faults_of(volts, seconds):
    sweep = ExponentialSweep(start_hz=20.0, stop_hz=20000.0, duration_s=seconds)
    ends = BEFORE, BEFORE + round(seconds * RATE_HZ) - 10
    return [fault.at for fault in find_faults(volts, RATE_HZ, sweep, ends)]


# What each shows that nothing else does is named beside it.
SMALL = {
    "silence itself, in cells of a cycle": (
        125.0,
        2.0,
        60.0,
        lambda at: faded(0.05, at, 0.01, 1e-6),
    ),
    "silence itself, longer than many cells": (
        609.0,
        2.0,
        60.0,
        lambda at: faded(0.05, at, 0.005, 1e-6),
    ),
    "both ends of a mute, which mustn't hide each other": (
        125.0,
        2.0,
        80.0,
        lambda at: faded(0.03, at, 0.005, 1e-5),
    ),
    "the mean of four samples": (60.0, 2.0, 60.0, lambda at: stepped(0.01, at)),
    "the mean of four samples, in much noise": (40.0, 2.0, 50.0, lambda at: lost(12, at)),
    "the mean of sixteen samples": (40.0, 8.0, 60.0, lambda at: stepped(0.005, at)),
}


@pytest.mark.parametrize("name", SMALL)
def test_small_and_gentle_faults_are_found(name):
    frequency_hz, seconds, snr_db, spoil = SMALL[name]
    _, response = capture(snr_db=snr_db, seconds=seconds)
    at = BEFORE + int(seconds * RATE_HZ * np.log(frequency_hz / 20.0) / np.log(1000.0))
    assert faults_of(response, seconds) == []
    found = faults_of(spoil(at)(response), seconds)
    assert found
    assert min(found) == pytest.approx(at, abs=0.05 * RATE_HZ)


@pytest.mark.parametrize("seconds", [1.0, 3.0])
@pytest.mark.parametrize("fade_s", [0.005, 0.01, 0.02, 0.03, 0.05, 0.1])
@pytest.mark.parametrize("start_hz", [5.0, 10.0, 20.0])
def test_the_bends_of_a_straight_fade_are_no_fault(start_hz, fade_s, seconds):
    # first order, 3 Hz: 20 log10 of 1/sqrt(1 + (3/f)^2)
    rng = np.random.default_rng(4)
    time = np.arange(int(RATE_HZ * seconds)) / RATE_HZ
    growth_s = seconds / np.log(22000.0 / start_hz)
    wave = np.sin(2 * np.pi * start_hz * growth_s * (np.exp(time / growth_s) - 1))
    wave *= 0.5 * np.clip(np.minimum(time, seconds - time) / fade_s, 0, 1)
    drive = np.concatenate([np.zeros(BEFORE), wave, np.zeros(24000)])
    response = signal.lfilter(*signal.butter(1, 3.0, "high", fs=RATE_HZ), drive)
    response = response + 2e-5 * rng.standard_normal(drive.size)
    drive = drive + 6e-6 * rng.standard_normal(drive.size)
    result = analyse_exponential_sweep(drive, response, RATE_HZ, band_hz=(30.0, 20000.0))
    hz = result.response.frequency_hz
    inside = (hz >= 60.0) & (hz <= 10000.0)
    truth_db = -10 * np.log10(1 + (3.0 / hz) ** 2)
    off_db = np.abs(result.response.gain_db - truth_db)[inside]
    assert np.all(off_db < 2.5 * result.response.uncertainty_db[inside] + 1e-3)


def slow_capture(stop_hz, rate_hz, seconds, fade, snr_db):
    """A subsonic sweep, 1 s of silence before and 2 s after, and half of it; 0.9 V peak, 16 bits."""
    rng = np.random.default_rng(4)
    sweep = ExponentialSweep(start_hz=5.0, stop_hz=stop_hz, duration_s=seconds)
    silence = np.zeros(round(rate_hz))
    played = np.concatenate([silence, sweep.samples(rate_hz, fade=fade), silence, silence])
    noise = rng.standard_normal((2, played.size)) * [[1e-5], [10 ** (-snr_db / 20)]]
    return [
        np.round(0.9 * each * 2**15) / 2**15
        for each in (played + noise[0], 0.5 * played + noise[1])
    ]


# Their fades, of 20 to 200 samples, are shorter than the blocks to which prediction is fitted.
@pytest.mark.parametrize("snr_db", [60.0, 100.0])
@pytest.mark.parametrize(
    ("stop_hz", "rate_hz", "seconds", "fade"),
    [
        (40.0, 200.0, 20.0, 0.02),
        (40.0, 200.0, 20.0, 0.005),
        (40.0, 200.0, 10.0, 0.02),
        (80.0, 200.0, 20.0, 0.02),
        (80.0, 500.0, 20.0, 0.02),
    ],
)
def test_a_fade_of_few_samples_is_no_break(stop_hz, rate_hz, seconds, fade, snr_db):
    drive, response = slow_capture(stop_hz, rate_hz, seconds, fade, snr_db)
    found = analyse_exponential_sweep(
        drive, response, rate_hz, reference_hz=20.0, band_hz=(7.0, 0.8 * stop_hz), mains_hz=None
    )
    # exactly half; a hundredth of a dB is what 60 dB of noise leaves, and more than the method's
    assert found.response.reference_gain_db.value == pytest.approx(20 * np.log10(0.5), abs=0.03)
    assert found.clicks == {"drive": (), "response": ()}


@pytest.mark.parametrize("which", ["drive", "response"])
@pytest.mark.parametrize("at", [1000, 4130])  # the latter where it fades out, from 4120 to 4200
def test_a_click_in_a_slow_sweep_is_found(at, which):
    drive, response = spoilt(slow_capture(40.0, 200.0, 20.0, 0.02, 80.0), which, clicked(0.2, at))
    with pytest.raises(CannotMeasure) as refused:
        analyse_exponential_sweep(
            drive, response, 200.0, reference_hz=20.0, band_hz=(7.0, 32.0), mains_hz=None
        )
    assert refused.value.code == "dropout"
    place = float(refused.value.reason.split(" s ")[0].split()[-1])
    assert place == pytest.approx(at / 200.0, abs=0.1)
