"""Kind exponential_sweep: response of first-order filters from one sweep."""

import math
from dataclasses import replace

import numpy as np
import pytest

from drivers.fakes import Call
from drivers.roles import Role

STEP = "kind: exponential_sweep, level: 1 W, time: 3 s"
LEVEL_V = math.sqrt(8.0)
BEFORE_S = 0.3


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("kind: exponential_sweep, start: 50 Hz", "must rise in this order"),
        ("kind: exponential_sweep, stop: 10 kHz", "must rise in this order"),
        ("kind: exponential_sweep, flat_from: 30 kHz", "must rise in this order"),
        ("kind: exponential_sweep, start: 20 Hz", "start must lie a tenth below flat_from"),
        ("kind: exponential_sweep, stop: 20 kHz", "stop must lie a tenth above flat_to"),
        ("kind: exponential_sweep, time: 61 s", "time"),
        ("kind: exponential_sweep, level: 1", "no unit"),
    ],
)
def test_wrong_settings_are_refused(on, text, words):
    assert words in on.refusal(text)


def _bench(on, low_hz=5.0, high_hz=60e3, **options):
    """A unit with two first-order edges; the sweep of the generator as Farina (2000) writes it."""
    bench = on.bench(**options)
    bench.amplifier.low_hz, bench.amplifier.high_hz = low_hz, high_hz
    sine = bench._render

    def render(samples, rate):
        signal = bench.generator.signal
        if signal.kind != "sweep":
            bench.render = None
            try:
                return sine(samples, rate)
            finally:
                bench.render = render
        start, stop = signal.frequencies_hz
        t = np.arange(samples) / rate - BEFORE_S
        length = signal.duration_s / math.log(stop / start)
        phase = 2 * np.pi * start * length * np.expm1(np.clip(t, 0, signal.duration_s) / length)
        edge = np.clip(np.minimum(t, signal.duration_s - t) / (0.02 * signal.duration_s), 0, 1)
        drive = math.sqrt(2) * signal.level_vrms * np.sin(phase) * np.sin(np.pi / 2 * edge) ** 2
        f = np.fft.rfftfreq(2 * samples, 1 / rate)
        response = 1j * f / (1j * f + low_hz) / (1 + 1j * f / high_hz)
        wide = np.fft.irfft(np.fft.rfft(drive, n=2 * samples) * response)[:samples]
        noise = 20e-6 * np.random.default_rng(2).standard_normal(samples)
        return np.vstack([bench.amplifier.gain * wide + noise, drive])

    bench.render = render
    return bench


def _db(f: float, low: float = 5.0, high: float = 60e3) -> float:
    return -10 * math.log10((1 + (low / f) ** 2) * (1 + (f / high) ** 2))


def test_gain_and_flatness_are_those_of_the_filters(on):
    found = on.run(STEP, _bench(on)).findings(accuracy={})
    flat = max(abs(_db(20.0) - _db(1e3)), abs(_db(20e3) - _db(1e3)))
    # Methods, section 9: 0.003 dB from 20 Hz to 20 kHz for 2 s and more.
    assert found["flatness"].value == pytest.approx(flat, abs=0.01)
    assert found["gain"].value == pytest.approx(29 + _db(1e3), abs=0.01)
    assert found["bandwidth_high"].value is None
    assert 20e3 < found["bandwidth_high"].lower_bound < 60e3  # the corner lies beyond the sweep


def test_a_lower_edge_within_the_sweep_is_a_number(on):
    found = on.run(STEP, _bench(on, low_hz=30.0)).findings(accuracy={})
    reference = _db(1e3, 30.0)
    edge = 30.0 / math.sqrt(10 ** ((3.0 - reference) / 10) - 1)  # the low-pass is 1 down there
    assert found["bandwidth_low"].value == pytest.approx(edge, rel=5e-3)


def test_the_doubt_holds_the_analysers_accuracy(on):
    found = on.run(STEP, _bench(on)).findings()
    db = 20 / math.log(10) / math.sqrt(3)
    assert found["flatness"].standard_uncertainty >= db * 0.00115
    assert found["gain"].standard_uncertainty >= db * 0.0035


def test_the_level_comes_from_below_and_the_sweep_is_announced(on):
    done = on.run(STEP, _bench(on))
    levels = [level * done.bench.amplifier.gain for level in done.bench.levels()]
    assert levels[1] == pytest.approx(math.sqrt(0.8))
    assert max(levels) <= LEVEL_V * 1.01
    assert levels[-1] == 0.0
    (sweep,) = done.bench.called("set_sweep")
    assert sweep[:3] == (10.0, 40e3, 3.0)
    log = done.bench.log
    at = next(i for i, e in enumerate(log) if isinstance(e, Call) and e.method == "set_sweep")
    before = [str(entry) for entry in log[:at] if str(entry).startswith("energise")]
    assert "sweep" in before[-1]


def test_the_record_begins_before_the_sweep_and_holds_the_drive(on):
    done = on.run(STEP, _bench(on))
    names = [entry.method for entry in done.bench.log if isinstance(entry, Call)]
    last_start = len(names) - 1 - names[::-1].index("start")
    assert names[last_start : last_start + 4] == ["start", "wait", "start_sweep", "fetch"]
    (capture,) = done.captures
    assert capture.samples.shape[0] == 2
    assert capture.duration_s == pytest.approx(3.9, abs=1e-3)
    assert done.bench.analyser.range_peak_v == 100.0


def test_a_record_without_the_drive_is_no_reading(on):
    done = on.run(STEP, _bench(on))
    done.captures[0] = replace(done.captures[0], samples=done.captures[0].samples[:1])
    found = done.findings()
    assert "no drive channel" in found["flatness"].reason


def test_a_level_out_of_reach_is_not_swept(on):
    bench = _bench(on)
    bench.generator_ceiling_vrms = 0.05
    done = on.run(STEP, bench)
    assert done.findings()["flatness"].value is None
    assert done.findings()["flatness"].reason == "the wanted level was not reached"
    assert not bench.called("start_sweep")
    assert bench.levels()[-1] == 0.0


def test_the_pictures_show_response_and_harmonics(on):
    pictures = on.run(STEP, _bench(on)).pictures()
    assert set(pictures) == {"response", "harmonics_over_frequency"}
    gain = pictures["response"].curves[0]
    at = int(np.argmin(abs(gain.x - 20e3)))
    assert gain.y[at] == pytest.approx(_db(float(gain.x[at])) - _db(1e3), abs=0.02)


def test_it_demands_a_sweeping_generator_and_two_channels(on):
    demand = on.demand(STEP)
    assert (Role.GENERATOR, "start_sweep") in demand.operations
    assert demand.analyser_channels == 2
    assert demand.top_frequency_hz == 40e3
    assert "in 3 s at 1 W" in on.describe(STEP)
