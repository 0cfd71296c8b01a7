"""Recorded captures measured: good ones of every kind against closed forms, and every refusal.

All captures are made here, from formulas; files are written with scipy and the standard library, so
that nothing of the program stands on both sides.
"""

import math
import re
import wave
from dataclasses import dataclass, field
from typing import Any, get_args

import numpy as np
import pytest
from scipy import signal
from scipy.io import wavfile

from sequencer.analysis.errors import RefusalCode
from sequencer.errors import Refused
from sequencer.measured_kinds import KINDS
from sequencer.measuring import measure_file

GOOD_CAPTURES = 300
FORMATS = ("int16", "int24", "int32", "float32", "csv", "volts")


@dataclass
class Good:
    """A good capture: volts of shape (n,) or (channels, n), the truth, and what must be said."""

    volts: np.ndarray
    rate: int
    truth: dict[str, tuple[float, float]]  # name -> value, tolerance
    options: dict[str, str] = field(default_factory=dict)
    flags: dict[str, bool] = field(default_factory=dict)


def write(folder, volts, rate, form, name="capture", full_scale=None):
    """Write a capture in a format; returns its path and the options that belong to it."""
    channels = np.atleast_2d(volts)
    if form in ("csv", "volts"):
        path = folder / f"{name}.csv"
        columns = list(channels)
        if form == "csv":
            columns.insert(0, np.arange(channels.shape[1]) / rate)
        header = ["time,volts\n", ""][form == "volts"]
        lines = [",".join(f"{value:.12g}" for value in row) for row in zip(*columns, strict=True)]
        path.write_text(header + "\n".join(lines) + "\n")
        return path, ({} if form == "csv" else {"rate": f"{rate} Hz"})
    scale = full_scale or 1.3 * float(np.max(np.abs(channels)))
    path = folder / f"{name}.wav"
    wanted = (channels / scale).T if len(channels) > 1 else channels[0] / scale
    if form == "float32":
        wavfile.write(path, rate, wanted.astype(np.float32))
    elif form == "int24":
        codes = np.round(wanted * 2**23).astype("<i4")
        with wave.open(str(path), "wb") as file:
            file.setnchannels(channels.shape[0])
            file.setsampwidth(3)
            file.setframerate(rate)
            file.writeframes(codes.reshape(-1, 1).view(np.uint8)[:, :3].tobytes())
    else:
        bits = int(form[3:])
        codes = np.clip(
            np.round(wanted * 2.0 ** (bits - 1)), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
        )
        wavfile.write(path, rate, codes.astype(form))
    return path, {"scale": f"{scale!r} V"}


def times(rate, seconds):
    return np.arange(round(rate * seconds)) / rate


def hum(time, rng, nominal, volts):
    """Mains hum at up to 0.2 Hz off nominal; returns samples and its frequency."""
    mains = nominal + rng.uniform(-0.2, 0.2)
    lines = [(1, 1.0), (2, 0.6), (3, 0.4)]
    turns = rng.uniform(0, 2 * np.pi, 3)
    found = sum(
        math.sqrt(2) * volts * part * np.cos(2 * np.pi * k * mains * time + turn)
        for (k, part), turn in zip(lines, turns, strict=True)
    )
    return found, mains


def good_tone(rng):
    rate = int(rng.choice([44100, 48000, 96000, 192000]))
    frequency = float(np.exp(rng.uniform(np.log(60), np.log(8000))))
    level = float(10 ** rng.uniform(-1, 1.5))
    time = times(rate, rng.uniform(0.6, 1.2))
    h2, h3 = 10 ** rng.uniform(-3.5, -2, 2)
    offset = rng.normal(0, 0.01) * level
    turn = rng.uniform(0, 2 * np.pi)
    volts = offset + math.sqrt(2) * level * (
        np.cos(2 * np.pi * frequency * time + turn)
        + h2 * np.cos(4 * np.pi * frequency * time + 1)
        + h3 * np.cos(6 * np.pi * frequency * time + 2)
    )
    volts += hum(time, rng, rng.choice([50, 60]), 1e-5 * level)[0]
    volts += rng.normal(0, 3e-5 * level, time.size)
    truth = {
        "frequency": (frequency, 1e-5 * frequency),
        "level": (level, 1e-4 * level),
        "dc_offset": (offset, 1e-4 * level),
        "h2": (h2, 0.02 * h2),
        "h3": (h3, 0.02 * h3),
        "thd": (math.hypot(h2, h3), 0.02 * math.hypot(h2, h3)),
    }
    said = {"frequency": f"{frequency:.6g} Hz"} if rng.uniform() < 0.5 else {}
    return Good(volts, rate, truth, said)


def good_idle(rng):
    rate = int(rng.choice([48000, 96000]))
    time = times(rate, rng.uniform(2.0, 3.0))
    noise, line = float(rng.uniform(1e-5, 1e-3)), float(rng.uniform(1e-5, 1e-3))
    nominal = int(rng.choice([50, 60]))
    buzz, mains = hum(time, rng, nominal, line)
    volts = buzz + rng.normal(0, noise, time.size)
    # white noise of power noise^2 over half the sample rate; 20 Hz to 20 kHz of it, and the lines
    in_band = noise**2 * (20000 - 20) / (rate / 2) + line**2 * (1 + 0.36 + 0.16)
    doubt = 5 * noise * math.sqrt(4 / (rate * 2.0))
    truth = {
        "noise_unweighted": (math.sqrt(in_band), 0.02 * math.sqrt(in_band)),
        "mains_frequency": (mains, 0.05),
        f"hum_{nominal}": (line, 0.03 * line + doubt),
        f"hum_{2 * nominal}": (0.6 * line, 0.03 * line + doubt),
    }
    return Good(volts, rate, truth, {"mains": f"{nominal} Hz"} if rng.uniform() < 0.5 else {})


def good_wideband(rng):
    rate = 1_250_000
    time = times(rate, 0.15)
    spur, level = float(rng.uniform(40e3, 400e3)), float(rng.uniform(1e-3, 5e-3))
    second = spur / 2 + 7e3
    volts = math.sqrt(2) * level * np.cos(2 * np.pi * spur * time + rng.uniform(0, 6))
    volts += math.sqrt(2) * level / 10 * np.cos(2 * np.pi * second * time)
    volts += rng.normal(0, 1e-3, time.size)
    truth = {"spur_frequency": (spur, 20.0), "spur_level": (level, 0.02 * level)}
    return Good(volts, rate, truth)


def good_dc(rng):
    rate = int(rng.choice([4000, 48000]))
    time = times(rate, rng.uniform(0.5, 2.0))
    offset = rng.normal(0, 0.01)
    volts = offset + hum(time, rng, rng.choice([50, 60]), 0.01)[0]
    volts += rng.normal(0, 1e-3, time.size)
    return Good(volts, rate, {"dc_offset": (offset, 4e-5 + 4e-3 / math.sqrt(time.size))})


def good_settling(rng):
    rate = 8000
    tau, start = float(rng.uniform(0.3, 1.2)), float(rng.uniform(0.1, 0.4))
    event, within = float(rng.uniform(0.4, 0.8)), 0.01
    time = times(rate, event + 6 * tau)
    after = np.maximum(time - event, 0.0)
    final = rng.normal(0, 1e-3)
    volts = np.where(time < event, 0.0, final + start * np.exp(-after / tau))
    volts += hum(time, rng, 50, 1e-3)[0] * (time >= event) + rng.normal(0, 2e-4, time.size)
    room = within - final
    truth = {
        "settling_time": (tau * math.log(start / room), 0.03 * tau + 0.002),
        "time_constant": (tau, 0.02 * tau),
        "final_value": (final, 2e-4),
    }
    said = {"within": "10 mV", "mains": "50 Hz"}
    if rng.uniform() < 0.7:
        said["event_at"] = f"{event:.6f} s"
    return Good(volts, rate, truth, said, {"settled": True, "oscillating": False})


def good_ring_down(rng):
    rate = int(rng.choice([44100, 48000]))
    decay = float(rng.uniform(0.3, 1.5))
    first = float(rng.uniform(300, 1200))
    second = first * 1.7
    time = times(rate, 0.3 + 1.2 * decay)
    after = np.maximum(time - 0.1, 0.0)
    is_on = time >= 0.1
    rate_of_decay = math.log(1000) / decay  # 60 dB
    volts = is_on * np.exp(-rate_of_decay * after) * np.sin(2 * np.pi * first * after)
    volts += 0.3 * is_on * np.exp(-1.5 * rate_of_decay * after) * np.sin(2 * np.pi * second * after)
    volts += rng.normal(0, 1e-3, time.size)
    truth = {
        "ring_frequency": (first, 0.01 + 1e-4 * first),
        "decay_time": (decay, 0.01 * decay),
        "q_factor": (math.pi * first / rate_of_decay, 0.01 * math.pi * first / rate_of_decay),
    }
    return Good(volts, rate, truth)


def good_imd_smpte(rng):
    rate = int(rng.choice([48000, 96000]))
    time = times(rate, rng.uniform(1.0, 1.5))
    level = float(10 ** rng.uniform(-0.5, 1))
    second, third = 10 ** rng.uniform(-3, -2, 2)
    lines = [
        (60, 4.0),
        (7000, 1.0),
        *((7000 + 60 * side, second / 2) for side in (-1, 1)),
        *((7000 + 120 * side, third / 2) for side in (-1, 1)),
    ]
    volts = sum(
        math.sqrt(2) * level * part * np.cos(2 * np.pi * f * time + rng.uniform(0, 6))
        for f, part in lines
    )
    volts += rng.normal(0, 1e-5 * level, time.size)
    truth = {
        "imd_modulation_2": (second, 0.02 * second),
        "imd_modulation_3": (third, 0.02 * third),
        "level_1": (4 * level, 1e-3 * level),
        "level_2": (level, 1e-3 * level),
    }
    return Good(volts, rate, truth)


def good_imd_difference(rng):
    rate = int(rng.choice([48000, 96000]))
    time = times(rate, rng.uniform(1.0, 1.5))
    level = float(10 ** rng.uniform(-0.5, 1))
    second, third = 10 ** rng.uniform(-3, -2, 2)
    lines = [(19e3, 1.0), (20e3, 1.0), (1e3, 2 * second), (18e3, third), (21e3, third)]
    volts = sum(
        math.sqrt(2) * level * part * np.cos(2 * np.pi * f * time + rng.uniform(0, 6))
        for f, part in lines
    )
    volts += rng.normal(0, 1e-5 * level, time.size)
    truth = {
        "imd_difference_2": (second, 0.02 * second),
        "imd_difference_3": (third, 0.02 * third),
        "level_1": (level, 1e-3 * level),
        "level_2": (level, 1e-3 * level),
    }
    return Good(volts, rate, truth)


def sweep(rate, seconds, first=10.0, last=20e3):
    """Exponential sweep after Farina (2000), faded, with silence around it."""
    time = times(rate, seconds)
    growth = seconds / math.log(last / first)
    body = np.sin(2 * np.pi * first * growth * np.expm1(time / growth))
    body *= signal.windows.tukey(time.size, 0.04)
    return np.concatenate([np.zeros(rate // 5), body, np.zeros(rate // 2)])


def good_response(rng):
    rate = 96000
    drive = 0.5 * sweep(rate, 2.5, last=40e3)
    gain = float(10 ** rng.uniform(0.5, 1.5))
    low, high = float(rng.uniform(15, 40)), float(rng.uniform(12e3, 30e3))
    answer = gain * signal.lfilter(*signal.butter(1, low, "high", fs=rate), drive)
    b, a = signal.butter(1, high, "low", fs=rate)
    answer = signal.lfilter(b, a, answer)
    volts = np.vstack([drive, answer])
    volts += rng.normal(0, 1e-4, volts.shape)
    at = np.array([1000.0])
    wanted = gain * np.abs(
        signal.freqz(*signal.butter(1, low, "high", fs=rate), worN=at, fs=rate)[1]
    )
    wanted *= np.abs(signal.freqz(b, a, worN=at, fs=rate)[1])
    truth = {
        "gain": (20 * math.log10(wanted[0]), 0.02),
        # 3 dB below 1 kHz: a hair off the corner, which the tolerance covers
        "bandwidth_low": (low, 0.02 * low),
        "bandwidth_high": (high, 0.02 * high),
    }
    return Good(volts, rate, truth)


MAKERS = {
    name.removeprefix("good_"): make
    for name, make in dict(globals()).items()
    if name[:5] == "good_"
}


def test_there_is_a_good_capture_of_every_kind():
    assert set(MAKERS) == set(KINDS)


@pytest.mark.parametrize("kind", MAKERS)
@pytest.mark.parametrize("part", range(3))
def test_good_captures_are_measured_and_never_refused(kind, part, tmp_path):
    share = math.ceil(GOOD_CAPTURES / len(MAKERS) / 3)
    for number in range(part * share, (part + 1) * share):
        rng = np.random.default_rng([number, *kind.encode()])
        good = MAKERS[kind](rng)
        forms = FORMATS[:4] if good.volts.size > 200_000 and number % 8 else FORMATS
        form = str(rng.choice(forms))
        path, belongs = write(tmp_path, good.volts, good.rate, form)
        found = measure_file(path, kind, {**good.options, **belongs})
        values = {reading.name: reading for reading in found.readings}
        for name, (value, tolerance) in good.truth.items():
            where = f"{kind} {number} {form} {name}"
            assert values[name].value == pytest.approx(value, abs=tolerance), where
        for flag, is_so in good.flags.items():
            assert found.flags[flag] is is_so, f"{kind} {number} {flag}"


# Refusals: every code of the contract, each in several ways.


def tone(rate=48000, seconds=1.0, frequency=997.0, level=1.0, noise=1e-5, seed=1):
    time = times(rate, seconds)
    volts = math.sqrt(2) * level * np.cos(2 * np.pi * frequency * time)
    return volts + np.random.default_rng(seed).normal(0, noise, time.size)


def quiet(rate=48000, seconds=2.0, noise=1e-4, seed=2):
    return np.random.default_rng(seed).normal(0, noise, round(rate * seconds))


def two_tones(lower, upper, ratio=1.0, rate=48000, seconds=1.0):
    time = times(rate, seconds)
    both = ratio * np.cos(2 * np.pi * lower * time) + np.cos(2 * np.pi * upper * time)
    return both + quiet(rate, seconds, 1e-5)


def ringing(decay=0.5, rate=48000, seconds=1.0, frequency=700.0):
    after = times(rate, seconds) - 0.1
    body = np.exp(-math.log(1000) / decay * after) * np.sin(2 * np.pi * frequency * after)
    return np.where(after >= 0, body, 0.0) + quiet(rate, seconds, 1e-4)


def swept(rate=48000, seconds=2.0, last=20e3):
    drive = sweep(rate, seconds, last=last)
    return np.vstack([drive, 3.0 * drive]) + quiet(rate, drive.size / rate, 1e-4, 3)[: drive.size]


def without_block(volts, first=20011, count=137):
    return np.delete(volts, slice(first, first + count), axis=-1)


def with_samples(volts, where, value):
    changed = volts.copy()
    changed[where] = value
    return changed


def clipped(volts, at):
    return np.clip(volts, -at, at)


def csv(folder, rows, header="time,volts"):
    path = folder / "capture.csv"
    path.write_text("\n".join([header, *rows]) + "\n")
    return path


def rows_of(time, volts):
    return [f"{t:.9g},{v:.9g}" for t, v in zip(time, volts, strict=True)]


# code -> name -> (kind, volts, rate, form, full scale, options)
REFUSED: dict[str, dict[str, tuple[Any, ...]]] = {
    "no_signal": {
        "all zeros": ("tone", np.zeros(48000), 48000, "int16", 1.0, {}),
        "one code": ("dc", np.full(48000, 0.25), 48000, "int24", 1.0, {}),
        "one code at the end of the range": ("dc", np.full(4800, 1.0), 48000, "int16", 1.0, {}),
        "no spurs, no noise": ("wideband", np.zeros(250000), 1250000, "float32", 1.0, {}),
        "noise instead of a tone": ("tone", quiet(), 48000, "int24", 1e-3, {}),
        "two tones": ("tone", two_tones(997, 3011), 48000, "int24", 3.0, {}),
        "one tone of two": ("imd_difference", tone(frequency=19e3), 48000, "int24", 3.0, {}),
        "nothing rings": ("ring_down", quiet(), 48000, "int24", 1e-3, {}),
        "the response does not follow": (
            "response",
            np.vstack([sweep(48000, 2.0), quiet(48000, 2.7, 0.1)]),
            48000,
            "int24",
            2.0,
            {},
        ),
    },
    "overrange": {
        "16 bit": ("tone", clipped(1.2 * tone(), 1.0), 48000, "int16", 1.0, {}),
        "24 bit": ("tone", clipped(1.2 * tone(), 1.0), 48000, "int24", 1.0, {}),
        "32 bit": ("tone", clipped(1.2 * tone(), 1.0), 48000, "int32", 1.0, {}),
        "floating point": ("tone", clipped(1.2 * tone(), 1.0), 48000, "float32", 1.0, {}),
        "in volts": ("tone", clipped(1.2 * tone(), 1.0), 48000, "csv", None, {}),
        "three samples at the most negative code": (
            "idle",
            with_samples(quiet(), [70, 9000, 9001], -1.0),
            48000,
            "int16",
            1.0,
            {},
        ),
        "hum": ("dc", clipped(1.5 * tone(frequency=50.02), 1.0), 48000, "int24", 1.0, {}),
        "two tones": ("imd_smpte", clipped(two_tones(60, 7e3, 4), 4.0), 48000, "int16", 4.0, {}),
        "a hit": ("ring_down", clipped(3.0 * ringing(), 1.0), 48000, "int16", 1.0, {}),
        "the response": ("response", clipped(swept(), 2.0), 48000, "int24", 2.0, {}),
    },
    "nonfinite": {
        "NaN": ("tone", with_samples(tone(), 5, np.nan), 48000, "float32", 3.0, {}),
        "infinite": ("idle", with_samples(quiet(), 777, np.inf), 48000, "float32", 1.0, {}),
        "NaN in text": ("tone", with_samples(tone(), 5, np.nan), 48000, "csv", None, {}),
        "the first sample": ("dc", with_samples(tone(), 0, np.nan), 48000, "volts", None, {}),
        "no number in SCPI": ("tone", with_samples(tone(), 9, 9.91e37), 48000, "csv", None, {}),
        "of the drive": (
            "response",
            with_samples(swept(), (0, 99), np.nan),
            48000,
            "float32",
            4.0,
            {},
        ),
    },
    "dropout": {
        "a block missing": ("tone", without_block(tone()), 48000, "int24", 3.0, {}),
        "a block missing, in text": ("tone", without_block(tone()), 48000, "volts", None, {}),
        "the same sample over and over": (
            "tone",
            with_samples(tone(), slice(9000, 9100), tone()[9000]),
            48000,
            "int24",
            3.0,
            {},
        ),
        "zeros in noise": (
            "idle",
            with_samples(quiet(), slice(9000, 9100), 0.0),
            48000,
            "int24",
            1e-3,
            {},
        ),
        "zeros under hum": (
            "dc",
            with_samples(tone(frequency=50.0), slice(9000, 9100), 0.0),
            48000,
            "int16",
            3.0,
            {},
        ),
        "two tones": (
            "imd_difference",
            without_block(two_tones(19e3, 20e3)),
            48000,
            "int24",
            3.0,
            {},
        ),
        "a sweep": ("response", without_block(swept(), 50000, 480), 48000, "int24", 4.0, {}),
        "a few samples of a sweep": (
            "response",
            without_block(swept(), 60000, 20),
            48000,
            "int24",
            4.0,
            {},
        ),
        "a mute in the response": (
            "response",
            with_samples(swept(), (1, slice(60000, 60960)), quiet(seconds=0.02)),
            48000,
            "int24",
            4.0,
            {},
        ),
        "a click in the response": (
            "response",
            with_samples(swept(), (1, slice(60000, 60002)), 3.9),
            48000,
            "int24",
            4.0,
            {},
        ),
    },
    "rate_mismatch": {
        "44.1 for 48 kHz": ("tone", tone(), 48000, "int16", 3.0, {"rate": "44.1 kHz"}),
        "0.02 % off": ("idle", quiet(), 48000, "int24", 1e-3, {"rate": "48.0096 kHz"}),
        "in text": ("dc", tone(), 48000, "csv", None, {"rate": "96 kHz"}),
    },
    "too_short": {
        "two cycles": ("tone", tone(frequency=99.7, seconds=0.02), 48000, "int24", 3.0, {}),
        "a hundred samples": ("tone", tone(seconds=0.002), 48000, "int24", 3.0, {}),
        "hum in 0.1 s": ("idle", quiet(seconds=0.1), 48000, "int24", 1e-3, {}),
        "three mains cycles": ("dc", tone(frequency=50, seconds=0.06), 48000, "int24", 3.0, {}),
        "few segments": ("wideband", quiet(1250000, 0.05), 1250000, "int24", 1e-3, {}),
        "event at the end": (
            "settling",
            quiet(8000, 3.0),
            8000,
            "int24",
            1e-3,
            {"event_at": "2.9 s", "within": "10 mV"},
        ),
        "event beyond the end": ("settling", quiet(8000), 8000, "csv", None, {"event_at": "5 s"}),
        "ringing cut off": ("ring_down", ringing(seconds=0.12), 48000, "int24", 2.0, {}),
        "ringing that hardly decays": ("ring_down", ringing(60.0), 48000, "int24", 2.0, {}),
        "nine cycles of 60 Hz": (
            "imd_smpte",
            two_tones(60, 7e3, 4, seconds=0.15),
            48000,
            "int24",
            6.0,
            {},
        ),
        "a fast sweep": ("response", swept(seconds=0.15), 48000, "int24", 4.0, {}),
        "one sample": ("tone", np.array([0.5]), 48000, "int16", 1.0, {}),
    },
    "wrong_frequency": {
        "44.1 for 48 kHz": (
            "tone",
            tone(frequency=1088.4),
            48000,
            "int24",
            3.0,
            {"frequency": "1 kHz"},
        ),
        "1.1 % low": ("tone", tone(frequency=989), 48000, "csv", None, {"frequency": "1 kHz"}),
        "both tones off": (
            "imd_difference",
            two_tones(19e3 * 44.1 / 48, 20e3 * 44.1 / 48),
            48000,
            "int24",
            3.0,
            {},
        ),
        "the upper tone off": ("imd_smpte", two_tones(60, 7200, 4), 48000, "int24", 6.0, {}),
        "a tone as drive": (
            "response",
            np.vstack([tone(seconds=2.0), tone(seconds=2.0)]),
            48000,
            "int24",
            3.0,
            {},
        ),
    },
    "band_too_narrow": {
        "no harmonic": ("tone", tone(frequency=14.9e3), 48000, "int24", 3.0, {}),
        "band of THD+N": ("tone", tone(rate=16000), 16000, "int24", 3.0, {}),
        "band as asked": ("tone", tone(), 48000, "csv", None, {"band": "20 Hz:30 kHz"}),
        "noise to 20 kHz": ("idle", quiet(32000), 32000, "int24", 1e-3, {}),
        "search to 500 kHz": ("wideband", quiet(96000), 96000, "int24", 1e-3, {}),
        "20 kHz above half the rate": (
            "imd_difference",
            two_tones(19e3, 20e3, rate=32000),  # unfiltered: they lie at 13 and 12 kHz
            32000,
            "int24",
            3.0,
            {},
        ),
        "fin at 8 kS/s": ("ring_down", ringing(rate=8000), 8000, "int24", 2.0, {}),
        "response to 30 kHz": ("response", swept(), 48000, "int24", 4.0, {"band": "20 Hz:30 kHz"}),
    },
}
WAYS = [(code, name) for code, ways in REFUSED.items() for name in ways]


def refusal_of(path, kind, options):
    with pytest.raises(Refused) as caught:
        measure_file(path, kind, options)
    refusal = caught.value
    assert refusal.exit_code == 2
    where = f"{refusal.errors[0].place}: " if refusal.errors else f"{path}: "
    assert refusal.reason.startswith(where)
    assert where.startswith(f"{path}:")
    assert "; " in refusal.reason, "it should say what would make it measurable"
    return refusal.code


@pytest.mark.parametrize(("code", "name"), WAYS)
def test_a_capture_that_can_t_support_the_number_is_refused(code, name, tmp_path):
    kind, volts, rate, form, full_scale, options = REFUSED[code][name]
    path, belongs = write(tmp_path, volts, rate, form, full_scale=full_scale)
    assert refusal_of(path, kind, {**belongs, **options}) == code


TIMES = times(48000, 0.5)
UNEVEN = {
    "a line missing": np.delete(TIMES, 9000),
    "a time twice": with_samples(TIMES, 9000, TIMES[9001]),
    "backwards": with_samples(TIMES, 9000, TIMES[8990]),
    "no time": with_samples(TIMES, 9000, np.nan),
    "times rounded too far": np.round(TIMES, 4),
    "a pause": TIMES + (np.arange(TIMES.size) > 9000) * 0.1,
}


@pytest.mark.parametrize("name", UNEVEN)
def test_time_base_when_the_times_are_uneven(name, tmp_path):
    uneven = UNEVEN[name]
    path = csv(tmp_path, rows_of(uneven, tone(seconds=0.5)[: uneven.size]))
    assert refusal_of(path, "tone", {}) == "time_base"


@pytest.mark.parametrize(
    ("kind", "rate", "options", "least"),
    [
        ("wideband", 8000, {"band": "1 kHz:3 kHz"}, "20000"),
        # twice the highest product, 2 x 60 Hz + 7 kHz or 2 x 20 - 19 kHz, and 1 % for the tones
        ("imd_smpte", 8000, {}, "14382.4"),
        ("imd_difference", 32000, {}, "42420"),
        # twice 120 Hz, the first harmonic of 60
        ("idle", 200, {"band": "20 Hz:90 Hz"}, "240"),
    ],
)
def test_where_the_rate_is_too_low_whatever_the_band_nothing_is_said_of_a_band(
    kind, rate, options, least, tmp_path
):
    path, belongs = write(tmp_path, quiet(rate), rate, "int24", full_scale=1e-2)
    with pytest.raises(Refused, match=f"needs {least} samples/s or more.* has {rate}; ") as caught:
        measure_file(path, kind, {**belongs, **options})
    assert caught.value.code == "band_too_narrow"
    assert "band" not in caught.value.reason.removeprefix(str(path))


def test_every_code_is_shown_in_at_least_two_ways():
    shown = {code: len(ways) for code, ways in REFUSED.items()} | {"time_base": len(UNEVEN)}
    assert set(shown) == set(get_args(RefusalCode))
    assert min(shown.values()) >= 2


@pytest.mark.parametrize("off", [-0.9e-4, 0.9e-4])
def test_a_rate_within_a_hundredth_of_a_per_cent_is_the_stated_one(off, tmp_path):
    path, belongs = write(tmp_path, tone(), 48000, "int24")
    found = measure_file(path, "tone", {**belongs, "rate": f"{48000 * (1 + off)} Hz"})
    assert found.sample_rate_hz == 48000


# What is a result and no refusal.


@pytest.mark.parametrize("form", ["int16", "int24", "int32", "float32"])
def test_a_unit_that_clips_inside_the_range_is_a_result(form, tmp_path):
    limit, peak = 0.7, 1.0
    path, belongs = write(tmp_path, clipped(peak * tone(level=math.sqrt(0.5)), limit), 48000, form,
                          full_scale=1.0)  # fmt: skip
    found = {each.name: each.value for each in measure_file(path, "tone", belongs).readings}
    # Fourier coefficients of a clipped cosine, clipped within +-a of the crest, cos(a) = limit:
    # b_n = (2/pi) [integral of limit cos(n x) over the flat part + cos x cos(n x) over the rest]
    angle = math.acos(limit / peak)
    x = np.linspace(0, np.pi, 200001)
    shape = np.clip(peak * np.cos(x), -limit, limit)
    b1, b3 = (2 / np.pi * np.trapezoid(shape * np.cos(k * x), x) for k in (1, 3))
    closed = 2 / np.pi * (np.pi / 2 - angle + math.sin(2 * angle) / 2) * peak  # b1 in closed form
    assert b1 == pytest.approx(closed, rel=1e-8)
    assert found["level"] == pytest.approx(b1 / math.sqrt(2), rel=1e-4)
    assert found["h3"] == pytest.approx(abs(b3) / b1, rel=2e-3)


def test_harmonics_above_half_the_rate_are_not_read(tmp_path):
    path, belongs = write(tmp_path, tone(frequency=7e3), 48000, "int24")
    found = {each.name: each for each in measure_file(path, "tone", belongs).readings}
    assert found["h3"].value is not None or found["h3"].noise_limited
    for name in ("h4", "h10"):
        assert found[name].value is None
        assert "half the sample rate" in found[name].reason
        assert found[name].verdict == "no_reading"


def test_a_harmonic_in_the_noise_is_a_bound(tmp_path):
    path, belongs = write(tmp_path, tone(noise=1e-4), 48000, "int24")
    found = {each.name: each for each in measure_file(path, "tone", belongs).readings}
    h7 = found["h7"].to_json()
    assert (h7["value"], h7["noise_limited"]) == (None, True)
    # mean-square of a line's noise is 4 s^2/N; the bound is a small multiple of its root
    assert 0.2 < h7["upper_bound"] / (2e-4 / math.sqrt(48000) / math.sqrt(2)) < 5


def test_without_a_spur_there_is_a_bound(tmp_path):
    path, belongs = write(tmp_path, quiet(1_250_000, 0.2, 1e-4), 1_250_000, "int24")
    found = measure_file(path, "wideband", belongs)
    count, frequency, level = found.readings
    assert count.value == 0
    assert frequency.value is None
    assert level.noise_limited
    assert level.upper_bound > 0
    assert found.to_json()["spurs"] == []


def test_spurs_come_strongest_first_with_their_width(tmp_path):
    rng = np.random.default_rng(5)
    time = times(1_250_000, 0.3)
    # frequency jitter of 500 Hz rms, slow against 1/500 s: the spectrum is a Gaussian of that spread
    wander = np.repeat(rng.normal(0, 500, 301), 1250)[: time.size]
    volts = 2e-3 * math.sqrt(2) * np.cos(2 * np.pi * (104e3 * time + np.cumsum(wander) / 1_250_000))
    volts += 5e-4 * math.sqrt(2) * np.cos(2 * np.pi * 60e3 * time) + rng.normal(0, 1e-4, time.size)
    path, belongs = write(tmp_path, volts, 1_250_000, "int24")
    spurs = measure_file(path, "wideband", belongs).to_json()["spurs"]
    assert set(spurs[0]) == {"frequency", "level", "width"}
    assert spurs[0]["frequency"] == pytest.approx(104e3, abs=300)
    assert spurs[0]["level"] == pytest.approx(2e-3, rel=0.02)
    assert spurs[0]["width"] == pytest.approx(2.355 * 500, rel=0.5)
    assert spurs[1]["frequency"] == pytest.approx(60e3, abs=20)
    assert spurs[1]["level"] == pytest.approx(5e-4, rel=0.02)


def settled(kind_of_course, seconds=4.0, rate=8000):
    time = times(rate, seconds)
    return kind_of_course(time) + quiet(rate, seconds, 1e-4)


def measured_settling(folder, volts, **options):
    path, belongs = write(folder, volts, 8000, "int24")
    said = {"event_at": "0 s", "within": "10 mV", "mains": "50 Hz", **options}
    found = measure_file(path, "settling", {**belongs, **said})
    return {each.name: each for each in found.readings}, found.flags


def test_settling_that_rings(tmp_path):
    course = settled(lambda t: 0.2 * np.exp(-t / 0.8) * np.cos(2 * np.pi * 1.5 * t))
    found, flags = measured_settling(tmp_path, course)
    assert flags == {"settled": True, "oscillating": True, "extrapolated": False}
    assert "it rings on then, but inside the band" in found["settling_time"].remarks
    assert "time_constant" not in found
    assert found["ring_frequency"].value == pytest.approx(1.5, rel=0.01)
    assert found["ring_time_constant"].value == pytest.approx(0.8, rel=0.03)
    assert found["ring_amplitude"].value == pytest.approx(0.2, rel=0.03)


def test_ringing_that_goes_on_says_so(tmp_path):
    course = settled(lambda t: 0.2 * np.cos(2 * np.pi * 1.5 * t))
    found, _ = measured_settling(tmp_path, course)
    assert found["ring_frequency"].value == pytest.approx(1.5, rel=0.01)
    assert found["ring_time_constant"].value is None
    assert "does not show it dying away" in found["ring_time_constant"].reason


def test_a_ring_that_grows_and_a_drift_say_of_when_their_values_are(tmp_path):
    # the record ends 4 s after the event
    course = settled(lambda t: 0.05 * np.exp((t - 4.0) / 0.7) * np.cos(2 * np.pi * 1.5 * t))
    found, _ = measured_settling(tmp_path, course)
    assert found["ring_amplitude"].value == pytest.approx(0.05, rel=0.01)
    assert found["ring_amplitude"].remarks == ("at the end of the record: it grows",)
    assert "it grows as long as the record lasts" in found["ring_time_constant"].reason
    assert "it grows as long as the record lasts" in found["settling_time"].reason
    found, _ = measured_settling(tmp_path, settled(lambda t: 0.05 + 4e-3 * t))
    assert found["final_value"].value == pytest.approx(0.066, abs=2e-4)
    assert found["final_value"].remarks == ("at the end of the record: it drifts on",)


@pytest.mark.parametrize("mains", [49.97, 60.03])
def test_hum_on_what_comes_to_rest_is_known_for_hum_without_being_told(tmp_path, mains):
    time, rng = times(1000, 3.0), np.random.default_rng(1)
    after = np.maximum(time - 0.5, 0.0)
    course = np.where(time < 0.5, 0.0, 0.002 + 0.5 * np.exp(-after / 0.5))
    hum_v = 1e-3 * math.sqrt(2) * np.sin(2 * np.pi * mains * time + 1)
    volts = course + hum_v + 1e-4 * rng.standard_normal(time.size)
    path, belongs = write(tmp_path, volts, 1000, "int24")
    found = measure_file(path, "settling", {**belongs, "event_at": "0.5 s", "within": "10 mV"})
    assert not found.flags["oscillating"]
    values = {each.name: each for each in found.readings}
    # 0.5 V exp(-t/0.5 s) is left within 8 mV of 2 mV, the band's edge
    truth = {"settling_time": 0.5 * math.log(500 / 8), "final_value": 0.002, "time_constant": 0.5}
    for name, value in truth.items():
        assert abs(values[name].value - value) <= 3 * values[name].uncertainty


def test_settling_beyond_the_record_is_given_but_not_settled(tmp_path):
    course = settled(
        lambda t: 0.3 * np.exp(-t / 2.0)
    )  # reaches 10 mV at 6.8 s; the record ends at 4 s
    found, flags = measured_settling(tmp_path, course)
    assert flags == {"settled": False, "oscillating": False, "extrapolated": True}
    assert found["settling_time"].value == pytest.approx(2.0 * math.log(30), rel=0.05)


@pytest.mark.parametrize(
    ("length_s", "told"),
    [(0.03, "it leaves the band again: 300"), (2e-3, "left out as a click: 300")],
)
def test_what_leaves_the_band_after_it_had_settled_is_told(tmp_path, length_s, told):
    volts = settled(lambda t: 0.12 * np.exp(-t / 0.3) + 0.3 * ((t >= 2.5) & (t < 2.5 + length_s)))
    found, flags = measured_settling(tmp_path, volts)
    assert flags["settled"]
    remark = found["settling_time"].remarks[1]
    assert told in remark
    assert "V at 2.499 s for" in remark  # the mean over 1.25 ms leaves the band that much earlier
    left_s = 2.5 + length_s if length_s > 0.01 else 0.3 * math.log(12.0)
    assert found["settling_time"].value == pytest.approx(left_s, abs=2e-3)


def test_a_click_in_the_decay_is_told_on_what_it_would_move(tmp_path):
    volts = settled(lambda t: 0.12 * np.exp(-t / 0.3) + 0.05 * ((t >= 0.4) & (t < 0.402)))
    found, _ = measured_settling(tmp_path, volts)
    for name in ("settling_time", "time_constant"):
        assert any("left out as a click, beside its course: 5" in r for r in found[name].remarks)
    assert found["time_constant"].value == pytest.approx(0.3, abs=1e-4)


def test_samples_lost_in_the_decay_are_told_on_what_they_move(tmp_path):
    # 200 of 8000 a second: what goes on after them is e^(-1/12) of what would have been there
    volts = settled(lambda t: 0.12 * np.exp(-(t + 0.025 * (t >= 0.35)) / 0.3))
    found, _ = measured_settling(tmp_path, volts)
    for name in ("settling_time", "time_constant"):
        assert any("if samples are lost there" in remark for remark in found[name].remarks)


def test_a_tone_and_a_moment_given_early_are_told(tmp_path):
    time = times(8000, 5.0)
    tone = 0.02 * np.sin(2 * np.pi * 997.0 * time)
    after = np.maximum(time - 1.0, 0.0)
    volts = tone + np.where(time < 1.0, 0.0, 0.12 * np.exp(-after / 0.3)) + quiet(8000, 5.0, 1e-4)
    found, flags = measured_settling(tmp_path, volts, event_at="0.5 s")
    assert flags == {"settled": True, "oscillating": False, "extrapolated": False}
    assert found["settling_time"].value == pytest.approx(0.5 + 0.3 * math.log(12.0), abs=2e-3)
    told = " ".join(found["settling_time"].remarks)
    assert "a steady tone of 20 mV peak at 997 Hz" in told
    assert "the voltage moves only 500" in told


@pytest.mark.parametrize("rate", [1000, 8000])
def test_an_event_found_in_the_record_is_known_to_a_sample(tmp_path, rate):
    time = times(rate, 5.0)
    after = np.maximum(time - 1.0 + 0.4 / rate, 0.0)  # between two samples
    volts = np.where(after > 0.0, 0.12 * np.exp(-after / 0.3), 0.0) + 1e-6 * quiet(rate, 5.0, 1.0)
    path, belongs = write(tmp_path, volts, rate, "int24")
    said = {"within": "10 mV", "mains": "50 Hz", **belongs}
    found = {each.name: each for each in measure_file(path, "settling", said).readings}
    settled_s = found["settling_time"]
    assert abs(settled_s.value - 0.3 * math.log(12.0)) < 2.0 * settled_s.uncertainty
    assert settled_s.uncertainty < 1.0 / rate


@pytest.mark.parametrize(
    ("frequency_hz", "peak_v", "words"),
    [
        (997.0, 0.5, "peak to peak, as a tone or hum does"),
        (50.0, 0.5, "peak to peak, as a tone or hum does"),
        (50.0, 1e-3, ""),
    ],
)
def test_where_nothing_settles_it_is_said(frequency_hz, peak_v, words, tmp_path):
    """A steady sine has no moment from which a time could count."""
    at = times(8000, 3.0)
    noise = np.random.default_rng(4).normal(0.0, 1e-4, at.size)
    volts = peak_v * np.cos(2.0 * np.pi * frequency_hz * at) + noise
    path, belongs = write(tmp_path, volts, 8000, "csv", full_scale=None)
    found = measure_file(path, "settling", belongs)
    (time, *_) = found.readings
    (remark,) = [each for each in time.remarks if each.startswith("nothing is seen to settle")]
    assert remark.endswith(words or "from the start on")
    said = measure_file(path, "settling", {**belongs, "event_at": "0.5 s"})
    assert not any("nothing is seen" in each for each in said.readings[0].remarks)


def test_a_tone_that_begins_late_is_not_called_ringing(tmp_path):
    """Inside the band, but a ring of 20 Hz by means over mains cycles."""
    course = settled(
        lambda t: 0.3 * np.exp(-t / 0.4) + 5e-3 * np.cos(2 * np.pi * 70.0 * t) * (t >= 2.0)
    )
    found, _ = measured_settling(tmp_path, course)
    assert found["settling_time"].value is None
    assert "a pulse, or a tone that begins later" in found["settling_time"].reason


def test_settling_outside_the_band_never_settles(tmp_path):
    course = settled(lambda t: 0.05 + 0.2 * np.exp(-t / 0.4))
    found, flags = measured_settling(tmp_path, course)
    assert flags["settled"] is False
    assert found["settling_time"].value is None
    assert "50" in found["settling_time"].reason
    assert found["final_value"].value == pytest.approx(0.05, abs=1e-3)


def test_modes_are_listed_strongest_first_and_limited_to_a_number(tmp_path):
    rate = 48000
    after = np.maximum(times(rate, 1.5) - 0.1, 0)
    volts = quiet(rate, 1.5, 1e-4)
    for size, frequency, tau in ((1.0, 612.0, 0.15), (0.5, 905.0, 0.10), (0.2, 1502.0, 0.08)):
        volts += size * (after > 0) * np.exp(-after / tau) * np.sin(2 * np.pi * frequency * after)
    path, belongs = write(tmp_path, volts, rate, "int24")
    found = measure_file(path, "ring_down", {**belongs, "modes": "2"}).to_json()
    first, second = found["modes"]
    assert first["ring_frequency"] == pytest.approx(612, abs=0.1)
    assert first["time_constant"] == pytest.approx(0.15, rel=0.01)
    assert first["decay_time"] == pytest.approx(0.15 * math.log(1000), rel=0.01)
    assert first["q_factor"] == pytest.approx(math.pi * 612 * 0.15, rel=0.01)
    assert second["ring_frequency"] == pytest.approx(905, abs=0.1)
    assert found["readings"]["decay_time"]["value"] == first["decay_time"]


def test_the_band_is_where_modes_are_sought(tmp_path):
    path, belongs = write(tmp_path, ringing(frequency=150.0), 48000, "int24")
    said = {**belongs, "band": "100 Hz:400 Hz"}
    assert measure_file(path, "ring_down", said).readings[0].value == pytest.approx(150, abs=0.1)
    assert refusal_of(path, "ring_down", {**belongs, "band": "1 kHz:4 kHz"}) == "no_signal"


@pytest.mark.parametrize(
    ("kind", "lower", "upper", "ratio"),
    [
        ("imd_smpte", 50.0, 7e3, 4.0),
        ("imd_smpte", 250.0, 8e3, 4.0),
        ("imd_difference", 14e3, 15e3, 1.0),
        ("imd_difference", 11e3, 12e3, 1.0),
    ],
)
def test_other_customary_pairs_of_tones_are_known(tmp_path, kind, lower, upper, ratio):
    rate, time = 48000, times(48000, 1.3)
    products = (
        [
            (upper - lower, 2e-3),
            (upper + lower, 2e-3),
            (upper - 2 * lower, 1e-3),
            (upper + 2 * lower, 1e-3),
        ]
        if kind == "imd_smpte"
        else [(upper - lower, 8e-3), (2 * lower - upper, 2e-3), (2 * upper - lower, 2e-3)]
    )
    lines = [(lower, ratio), (upper, 1.0), *products]
    volts = sum(part * np.cos(2 * np.pi * f * time + f) for f, part in lines)
    volts += np.random.default_rng(2).normal(0, 1e-5, time.size)
    path, belongs = write(tmp_path, volts, rate, "int24")
    readings = {each.name: each for each in measure_file(path, kind, belongs).readings}
    name = "imd_modulation" if kind == "imd_smpte" else "imd_difference"
    assert readings[f"{name}_2"].value == pytest.approx(4e-3, rel=1e-3)
    assert readings[f"{name}_3"].value == pytest.approx(2e-3, rel=2e-3)
    assert readings["level_1"].value == pytest.approx(ratio / math.sqrt(2), rel=1e-3)
    assert readings["level_2"].value == pytest.approx(1 / math.sqrt(2), rel=1e-3)


@pytest.mark.parametrize(
    ("kind", "lower", "upper", "ratio", "said"),
    [
        ("imd_smpte", 60.0, 7e3, 0.25, "1 to 4, expected 4 to 1"),
        ("imd_smpte", 60.0, 7e3, 1.0, "1 to 1, expected 4 to 1"),
        ("imd_smpte", 250.0, 8e3, 10.0, "10 to 1, expected 4 to 1"),
        ("imd_difference", 19e3, 20e3, 2.0, "2 to 1, expected 1 to 1"),
        # SMPTE RP 120 has 4 to 1; 1 dB is a unit's response
        ("imd_smpte", 60.0, 7e3, 4.0 * 1.12, None),
        ("imd_difference", 19e3, 20e3, 0.89, None),
    ],
)
def test_tones_at_another_ratio_are_told(tmp_path, kind, lower, upper, ratio, said):
    path, belongs = write(tmp_path, 0.2 * two_tones(lower, upper, ratio), 48000, "int24")
    readings = {each.name: each for each in measure_file(path, kind, belongs).readings}
    for name, reading in readings.items():
        words = [each for each in reading.remarks if "levels of the lower" in each]
        assert bool(words) == (said is not None and name.startswith("imd")), name
        assert not words or said in words[0]


@pytest.mark.parametrize("rate", [32000, 48000])
def test_two_tones_that_are_no_known_pair_are_told_as_such_at_any_rate(tmp_path, rate):
    # 10.1 and 11 kHz at 32 kHz: none of the pairs, nor one of them folded at 16 kHz
    path, belongs = write(tmp_path, two_tones(10.1e3, 11e3, rate=rate), rate, "int24")
    with pytest.raises(Refused, match="lie at 10100 and 11000 Hz") as caught:
        measure_file(path, "imd_difference", belongs)
    assert caught.value.code == "wrong_frequency"


@pytest.mark.parametrize(
    ("lower", "upper", "least"), [(19e3, 20e3, "42420"), (14e3, 15e3, "32320")]
)
def test_a_pair_that_the_rate_can_not_hold_says_what_its_own_products_need(
    tmp_path, lower, upper, least
):
    # twice 2 x upper - lower, and 1 % for the tones
    path, belongs = write(tmp_path, two_tones(lower, upper, rate=32000), 32000, "int24")
    with pytest.raises(Refused, match=f"needs {least} samples/s") as caught:
        measure_file(path, "imd_difference", belongs)
    assert caught.value.code == "band_too_narrow"


def test_of_two_taps_the_one_that_was_used_is_told(tmp_path):
    rate, time = 48000, times(48000, 4.0)
    volts = np.random.default_rng(15).normal(0, 1e-4, time.size)
    for start_s, gain in ((0.2, 0.5), (1.4, 1.0)):
        since = np.clip(time - start_s, 0.0, None)
        volts += gain * (time >= start_s) * np.exp(-since / 0.2) * np.sin(2 * np.pi * 612 * since)
    path, belongs = write(tmp_path, volts, rate, "int24")
    found = measure_file(path, "ring_down", belongs).to_json()
    (mode,) = found["modes"]
    assert mode["time_constant"] == pytest.approx(0.2, rel=0.001)
    _, which = found["readings"]["ring_frequency"]["remarks"]
    assert which.startswith("2 hits, at 200 ms, 1.4 s: the one at 1.4 s is used, fitted from 1.4")


def tapped(hits, rate=48000, seconds=2.4):
    """Hits (second, strength): 740 Hz that decay with a time constant of 0.15 s, over 1 mV of noise."""
    time = times(rate, seconds)
    volts = np.random.default_rng(15).normal(0, 1e-3, time.size)
    for start_s, gain in hits:
        since = np.clip(time - start_s, 0.0, None)
        volts += gain * (time >= start_s) * np.exp(-since / 0.15) * np.sin(2 * np.pi * 740 * since)
    return volts


def readings_of(tmp_path, volts):
    path, belongs = write(tmp_path, volts, 48000, "int24", full_scale=5.0)
    return measure_file(path, "ring_down", belongs).to_json()["readings"]


def test_of_a_tap_that_was_cut_off_it_is_told_that_it_is_not_used(tmp_path):
    volts = np.clip(tapped([(0.1, 1.0), (0.9, 4.0), (1.7, 0.8)]), -2.0, 2.0)
    readings = readings_of(tmp_path, volts)
    _, which, cut_off = readings["ring_frequency"]["remarks"]
    assert which.startswith("3 hits, at 100 ms, 900 ms, 1.7 s")
    words = "cut off at the range's end, or too soon after one that was, so not used: 900 ms"
    assert cut_off == words


def test_what_widens_the_doubt_of_a_decay_is_told(tmp_path):
    clean = tapped([(0.1, 1.0)])
    beside = 0.005 * np.sin(2 * np.pi * 741.0 * times(48000, 2.4))
    for name in ("decay_time", "q_factor"):
        quiet_one = readings_of(tmp_path, clean)[name]
        assert not quiet_one.get("remarks")
        disturbed = readings_of(tmp_path, clean + beside)[name]
        assert any("something beside this mode" in each for each in disturbed["remarks"])
        assert disturbed["uncertainty"] > 1.1 * quiet_one["uncertainty"]


def test_of_a_decay_that_is_uneven_it_is_told_from_where_on_it_is_read(tmp_path):
    volts = tapped([(0.1, 1.0)])
    decay = readings_of(tmp_path, volts - 0.1 * volts**3)["decay_time"]
    assert any("while it is strong" in each for each in decay["remarks"])
    assert abs(decay["value"] - 0.15 * math.log(1000)) < 2.0 * decay["uncertainty"]


def test_what_decays_too_fast_is_refused_with_what_to_take_off(tmp_path):
    time = times(48000, 1.0)
    since = np.clip(time - 0.1, 0.0, None)
    volts = (time >= 0.1) * np.exp(-since / 0.003) * np.sin(2 * np.pi * 2000 * since)
    volts += np.random.default_rng(15).normal(0, 1e-4, time.size)
    path, belongs = write(tmp_path, volts, 48000, "int24")
    with pytest.raises(Refused, match="take off what damps the part") as caught:
        measure_file(path, "ring_down", belongs)
    assert caught.value.code == "no_signal"


def test_a_mode_just_beyond_the_band_is_told_and_does_not_bend_the_others(tmp_path):
    rate, time = 48000, times(48000, 3.0)
    since = np.clip(time - 0.2, 0.0, None)
    partials = [(412.0, 0.4, 0.2), (977.0, 0.2, 0.1), (5020.0, 0.08, 0.04)]
    volts = (time >= 0.2) * sum(
        peak * np.exp(-since / tau) * np.sin(2 * np.pi * hz * since) for hz, tau, peak in partials
    )
    volts += np.random.default_rng(15).normal(0, 1e-5, time.size)
    path, belongs = write(tmp_path, volts, rate, "int24")
    found = measure_file(path, "ring_down", belongs).to_json()
    remarks = found["readings"]["ring_frequency"]["remarks"]
    assert remarks[0] == "modes sought from 100 Hz to 5 kHz"
    assert "rings beyond that, at 5.02 kHz" in remarks[1]
    assert [round(mode["ring_frequency"]) for mode in found["modes"]] == [412, 977]
    decay = found["readings"]["decay_time"]
    assert abs(decay["value"] - 0.4 * math.log(1000)) < 2.5 * decay["uncertainty"]
    wider = measure_file(path, "ring_down", {**belongs, "band": "100 Hz:8 kHz"}).to_json()
    assert [round(mode["ring_frequency"]) for mode in wider["modes"]] == [412, 977, 5020]
    assert wider["readings"]["ring_frequency"]["remarks"] == ["modes sought from 100 Hz to 8 kHz"]


def test_of_two_channels_the_first_is_measured(tmp_path):
    path, belongs = write(tmp_path, np.vstack([tone(), tone(frequency=333.0)]), 48000, "int24")
    found = measure_file(path, "tone", belongs)
    assert found.readings[0].value == pytest.approx(997, abs=0.01)
    assert "channel 1 of 2" in found.text()


@pytest.mark.parametrize(
    ("first", "last", "band", "is_cut"),
    [
        # 2 % of fade take the first and the last few per cent
        (20.0, 20e3, None, True),
        (10.0, 20e3, None, True),
        (20.0, 40e3, None, True),
        (10.0, 40e3, None, False),
        (20.0, 20e3, "25 Hz:15 kHz", False),
        (10.0, 40e3, "5 Hz:20 kHz", True),
        (10.0, 40e3, "20 Hz:45 kHz", True),
    ],
)
def test_flatness_of_a_band_that_was_not_all_swept_is_a_bound(tmp_path, first, last, band, is_cut):
    """First-order corners at 40 Hz and 12 kHz: the farther out, the larger the deviation."""
    rate = 96000
    drive = 0.5 * sweep(rate, 3.0, first=first, last=last)
    b, a = signal.butter(1, 40.0, "high", fs=rate)
    answer = signal.lfilter(*signal.butter(1, 12e3, "low", fs=rate), signal.lfilter(b, a, drive))
    volts = np.vstack([drive, answer]) + np.random.default_rng(1).normal(0, 1e-5, (2, drive.size))
    path, belongs = write(tmp_path, volts, rate, "float32")
    found = measure_file(path, "response", {**belongs, "band": band}).to_json()
    flatness = found["readings"]["flatness"]
    if not is_cut:
        low, high = (25.0, 15e3) if band else (20.0, 20e3)
        at = np.array([1e3, low, high])
        gain = np.abs(signal.freqz(b, a, worN=at, fs=rate)[1])
        gain *= np.abs(signal.freqz(*signal.butter(1, 12e3, fs=rate), worN=at, fs=rate)[1])
        truth = float(np.max(np.abs(20 * np.log10(gain[1:] / gain[0]))))
        assert flatness["value"] == pytest.approx(truth, abs=0.01)
        return
    assert flatness["value"] is None
    assert flatness["lower_bound"] > 4.0
    assert any("of the band only" in remark for remark in flatness["remarks"])


def test_the_rounding_of_its_times_is_in_the_doubt_of_a_frequency(tmp_path):
    rate = 44123.7
    time = np.arange(44000) / rate
    volts = 0.5 * np.sin(2 * np.pi * 1000.3 * time)
    volts += np.random.default_rng(11).normal(0, 1e-5, time.size)
    path = tmp_path / "odd.csv"
    np.savetxt(path, np.column_stack([time, volts]), fmt=["%.6f", "%.8g"], delimiter=",")
    found = measure_file(path, "tone", {}).to_json()["readings"]
    assert abs(found["frequency"]["value"] - 1000.3) < 2.0 * found["frequency"]["uncertainty"]
    assert found["frequency"]["uncertainty"] == pytest.approx(1000.3 * 4.1e-7, rel=0.3)
    assert found["level"]["uncertainty"] < 1e-6


def test_what_is_odd_about_a_file_is_told_with_every_reading(tmp_path):
    path, belongs = write(tmp_path, tone(), 48000, "int24")
    content = bytearray(path.read_bytes())
    at = content.index(b"data") + 4
    content[at : at + 4] = bytes(4)
    path.write_bytes(content)
    found = measure_file(path, "tone", belongs)
    assert found.text().count("never finished") == 1
    for reading in found.to_json()["readings"].values():
        assert any("never finished" in remark for remark in reading["remarks"])


def test_the_harmonics_of_a_spur_are_told_as_such(tmp_path):
    rate, time = 1_250_000, times(1_250_000, 0.3)
    volts = sum(2e-3 / k * np.sin(2 * np.pi * 104e3 * k * time + k) for k in range(1, 5))
    volts += np.random.default_rng(5).normal(0, 1e-4, time.size)
    path, belongs = write(tmp_path, volts, rate, "float32")
    count = measure_file(path, "wideband", belongs).readings[0]
    assert count.value == 4
    assert [", harmonic of 104 kHz" in text for text in count.remarks] == [
        False,
        *[True] * 3,
        False,
    ]
    assert count.remarks[-1] == "1 without the harmonics"


def test_a_response_lists_gain_over_frequency(tmp_path):
    path, belongs = write(tmp_path, swept(), 48000, "int24")
    found = measure_file(path, "response", belongs).to_json()
    inside = [row for row in found["response"] if 30 < row["frequency"] < 15e3]
    assert len(inside) > 200
    for row in inside:
        assert row["gain"] == pytest.approx(20 * math.log10(3), abs=0.02)
        assert row["phase"] == pytest.approx(0, abs=0.02)


@pytest.mark.parametrize("limit", [1.0, 0.8])
def test_a_response_with_its_tops_cut_off_is_told_as_such(tmp_path, limit):
    """A sine clipped at 0.8 of its peak has 8.9 % third and fifth harmonic (Fourier series)."""
    volts = swept()
    volts[1] = clipped(volts[1], 3.0 * limit) + quiet(48000, volts.shape[1] / 48000, 1e-4, 4)
    path, belongs = write(tmp_path, volts, 48000, "int24")
    found = measure_file(path, "response", belongs).to_json()["readings"]
    for name in ("gain", "flatness"):
        told = [text for text in found[name]["remarks"] if "clipped or bent" in text]
        assert len(told) == (limit < 1.0), found[name]["remarks"]


def test_a_click_or_a_drift_beside_a_sweep_is_told(tmp_path):
    volts = swept()
    volts[1, 60001] += 0.1
    volts[1] += 0.3 * np.linspace(0.0, 1.0, volts.shape[1])
    path, belongs = write(tmp_path, volts, 48000, "int24")
    found = measure_file(path, "response", belongs).to_json()["readings"]
    for name in ("gain", "flatness"):
        remarks = found[name]["remarks"]
        click = r"a click of (99|100)(\.\d+)? mV at 1\.25 s in the response, counted in its doubt"
        assert [text for text in remarks if re.fullmatch(click, text)], remarks
        drift = r"the response drifts by 1(49|50)(\.\d+)? mV about its middle: .* is in the doubt"
        assert [text for text in remarks if re.fullmatch(drift, text)], remarks


def test_hum_of_60_hz_is_found_without_being_told(tmp_path):
    volts = quiet() + 1e-3 * np.cos(2 * np.pi * 60.1 * times(48000, 2.0))
    path, belongs = write(tmp_path, volts, 48000, "int24")
    found = {each.name: each.value for each in measure_file(path, "idle", belongs).readings}
    assert found["hum_60"] == pytest.approx(1e-3 / math.sqrt(2), rel=0.02)
    assert found["mains_frequency"] == pytest.approx(60.1, abs=0.01)
    assert "hum_50" not in found


def test_readings_of_a_meter_give_a_dc_offset(tmp_path):
    rng = np.random.default_rng(3)
    volts = 4.2e-3 + rng.normal(0, 1e-5, 300)
    path, belongs = write(tmp_path, volts, 10, "csv")
    offset = measure_file(path, "dc", belongs).readings[0]
    assert offset.value == pytest.approx(4.2e-3, abs=5e-6)
    # scatter over root n, or more where chance looks like 1/f noise
    assert 0.5 < offset.uncertainty / (1e-5 / math.sqrt(300)) < 4


@pytest.mark.parametrize("size", [2, 3, 16, 127, 400])
@pytest.mark.parametrize("kind", KINDS)
def test_a_few_samples_are_refused_in_words(kind, size, tmp_path):
    volts = quiet(seconds=size / 48000, noise=0.1)
    path, belongs = write(tmp_path, np.vstack([volts, volts]), 48000, "int24")
    allowed = {"too_short", "band_too_narrow"} | ({"no_signal"} if kind == "tone" else set())
    assert refusal_of(path, kind, belongs) in allowed


@pytest.mark.parametrize("kind", ["tone", "wideband"])
def test_four_million_samples_are_measured(kind, tmp_path):
    volts = tone(1_250_000, 2**22 / 1_250_000)
    path, belongs = write(tmp_path, volts, 1_250_000, "int16")
    assert measure_file(path, kind, belongs).samples == 2**22


# Options.


@pytest.mark.parametrize(
    ("kind", "options", "words"),
    [
        ("tone", {"band": "20 kHz:20 Hz"}, "lower edge must come first"),
        ("tone", {"band": "20 Hz"}, "LO:HI"),
        ("tone", {"band": "20:20 kHz"}, "has no unit"),
        ("tone", {"band": "1 Hz:2 Hz:3 Hz"}, "LO:HI"),
        ("tone", {"frequency": "1000"}, "has no unit"),
        ("tone", {"frequency": "0 Hz"}, "must be positive"),
        ("tone", {"frequency": "-1 kHz"}, "must be positive"),
        ("tone", {"frequency": "1 V"}, "a frequency is wanted"),
        ("tone", {"scale": "0 V"}, "must be positive"),
        ("tone", {"scale": "1 Hz"}, "a voltage is wanted"),
        ("tone", {"rate": "48 kV"}, "a frequency is wanted"),
        ("tone", {"mains": "50 kHz"}, "no mains frequency"),
        ("tone", {"within": "10 mV"}, "means nothing for tone"),
        ("dc", {"frequency": "1 kHz"}, "means nothing for dc"),
        ("settling", {"within": "0 V"}, "must be positive"),
        ("settling", {"event_at": "-1 s"}, "must be zero or more"),
        ("settling", {"event_at": "1:30"}, "is not a time here"),
        ("ring_down", {"modes": "0"}, "write 1 to"),
        ("ring_down", {"modes": "two"}, "not a number"),
        ("ring_down", {"modes": "1.5"}, "whole number"),
        ("wideband", {"band": "0 Hz:100 kHz"}, "above 0 Hz"),
        ("hum", {}, "unknown kind"),
        ("tones", {}, 'did you mean "tone"'),
        ("response", {}, "needs two"),
    ],
)
def test_nonsense_is_refused_with_a_sentence(kind, options, words, tmp_path):
    path, belongs = write(tmp_path, tone(), 48000, "int24")
    with pytest.raises(Refused, match=words) as caught:
        measure_file(path, kind, {**belongs, **options})
    assert caught.value.code == "argument"
    assert "\n" not in caught.value.reason


def test_a_scale_is_the_voltage_of_full_scale(tmp_path):
    path, _ = write(tmp_path, 0.5 * tone(), 48000, "int16", full_scale=1.0)
    for text, volts in (("1 V", 0.5), ("20 V", 10.0), ("100 mV", 0.05)):
        level = measure_file(path, "tone", {"scale": text}).readings[1]
        assert level.value == pytest.approx(volts, rel=1e-4)
    assert measure_file(path, "tone", {}).readings[1].value == pytest.approx(0.5, rel=1e-4)


# What programs and people get.


def test_the_json_has_the_keys_of_the_contract_and_no_infinity(tmp_path):
    import json

    path, belongs = write(tmp_path, tone(frequency=7e3), 48000, "int24")
    found = json.loads(json.dumps(measure_file(path, "tone", belongs).to_json(), allow_nan=False))
    assert list(found) == ["analysis", "file", "sample_rate", "samples", "readings", "flags"]
    assert found["analysis"] == "tone"
    assert found["file"] == str(path)
    assert (found["sample_rate"], found["samples"]) == (48000, 48000)
    contract = ["frequency", "level", "dc_offset", "thd", "thd_plus_noise"]
    contract += [f"h{k}" for k in range(2, 11)]
    assert list(found["readings"]) == [*contract, "crest_factor"]
    keys = {"name", "value", "unit", "uncertainty", "limits", "verdict", "noise_limited"}
    for name, reading in found["readings"].items():
        assert keys | {"upper_bound"} <= set(reading)
        assert reading["name"] == name
        assert (reading["value"] is None) == (
            reading["noise_limited"] or reading["verdict"] == "no_reading"
        )
        assert reading["noise_limited"] == (reading["upper_bound"] is not None)


def test_the_text_gives_value_and_doubt(tmp_path):
    path, belongs = write(tmp_path, tone(), 48000, "int24")
    text = measure_file(path, "tone", belongs).text()
    assert "48000 samples at 48 kHz, 1 s" in text
    assert re.search(r"frequency +\((996\.9999|997\.0000)\d* ± 0\.000\d+\) Hz", text)
    assert "±" in text
    assert "THD+N" in text


@pytest.mark.parametrize("kind", MAKERS)
def test_every_kind_draws_a_picture(kind, tmp_path):
    good = MAKERS[kind](np.random.default_rng(7))
    path, belongs = write(tmp_path, good.volts, good.rate, "int24")
    picture = measure_file(path, kind, {**good.options, **belongs}).draw()
    assert picture.curves
    for curve in picture.curves:
        assert curve.x.size == curve.y.size > 1
        assert np.any(np.isfinite(curve.y))


def test_tone_with_flat_tops_says_so_and_is_measured(tmp_path):
    # truth: cos x lies over 0.9 for 2 acos(0.9) of a cycle, both tops 28.7 % of the time
    cut = 0.9 * np.clip(np.sin(2 * np.pi * 997.3 * times(48000, 1.0)), -0.9, 0.9)
    cut += 1e-5 * np.random.default_rng(1).normal(size=48000)
    path, options = write(tmp_path, cut, 48000, "volts", "cut")
    readings = measure_file(path, "tone", options).to_json()["readings"]
    for name in ("level", "thd", "thd_plus_noise"):
        (remark,) = readings[name]["remarks"]
        words = (
            r"the tops look flat at 81\d\.\d mV and -81\d\.\d mV, 2[3-9] % of the time: .*may limit"
        )
        assert re.fullmatch(words, remark)
    assert not readings["frequency"]["remarks"]


def test_tone_with_a_click_or_a_moving_level_or_phase_says_so(tmp_path):
    # the words stand beside the readings that it matters to; what it does, test_tone_unrest.py checks
    time = times(48000, 1.0)
    steady = np.sin(2 * np.pi * 997.3 * time) + 1e-5 * np.random.default_rng(1).normal(size=48000)
    clicked = steady.copy()
    clicked[12000:12005] += 0.25
    path, options = write(tmp_path, clicked, 48000, "volts", "clicked")
    readings = measure_file(path, "tone", options).to_json()["readings"]
    (remark,) = readings["thd_plus_noise"]["remarks"]
    assert re.fullmatch(r"a click of 2\d\d(\.\d)? mV at 250 ms, counted in its doubt", remark)
    path, options = write(tmp_path, steady * np.where(time < 0.4, 1, 1.0116), 48000, "volts", "up")
    readings = measure_file(path, "tone", options).to_json()["readings"]
    (remark,) = readings["level"]["remarks"]
    assert remark.startswith("the level moves by 0.1 dB within the record")
    jumped = np.sin(2 * np.pi * 65.3 * time + 0.003 * (time > 0.5))
    path, options = write(tmp_path, jumped + steady * 1e-5, 48000, "volts", "jumped")
    readings = measure_file(path, "tone", options).to_json()["readings"]
    (remark,) = readings["frequency"]["remarks"]
    assert remark.startswith("the tone's phase moves by 0.17 degrees near ")
    path, options = write(tmp_path, steady, 48000, "volts", "steady")
    readings = measure_file(path, "tone", options).to_json()["readings"]
    assert not any(reading["remarks"] for reading in readings.values() if reading["value"])
