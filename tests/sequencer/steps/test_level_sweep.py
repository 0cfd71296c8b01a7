"""Kind level_sweep: power at a stated distortion of a unit with a known law."""

import math
from itertools import pairwise

import numpy as np
import pytest

from drivers.fakes import Call, FakeAnalyser
from sequencer.steps.base import Load, Situation
from sequencer.unit_data import UnitData

STEP = "kind: level_sweep, until: 1 %, record: 0.2 s"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("kind: level_sweep, until: 0 %", "until"),
        ("kind: level_sweep, until: 60 %", "until"),
        (
            "kind: level_sweep, start: 60 W",
            "start 60 W, fine_from 50 % of rated power (50 W), most 150 % of rated power (150 W), for",
        ),
        ("kind: level_sweep, most: 40 W", "the levels don't rise in this order"),
        ("kind: level_sweep, fine_step: 4 dB", "fine_step"),
        ("kind: level_sweep, record: 3 s", "record"),
    ],
)
def test_wrong_settings_are_refused(on, text, words):
    assert words in on.refusal(text)


def test_the_usual_levels_rise_for_the_smallest_unit_too(on):
    smallest = UnitData(rated_power_w=0.01, load_ohm=8.0, gain_db=29.0)
    step = on.step("kind: level_sweep")
    assert on.kind(step).check(step.settings, smallest) == []


def _cubic(on, at_1_percent_w=70.0):
    """A unit whose H3 grows with the square of the level: 1 % at a known power."""
    bench = on.bench()
    bench.amplifier.dc_v = 0.0
    level_1_percent = math.sqrt(at_1_percent_w * 8)

    def render(samples, rate):
        t = np.arange(samples) / rate
        emf = bench.generator.signal.level_vrms if bench.generator.is_on else 0.0
        level = emf * bench.amplifier.gain
        share = 0.01 * (level / level_1_percent) ** 2
        wave = math.sqrt(2) * level * np.sin(2 * np.pi * 1e3 * t)
        wave = wave + share * math.sqrt(2) * level * np.sin(6 * np.pi * 1e3 * t)
        noise = 20e-6 * np.random.default_rng(samples).standard_normal(samples)
        return np.vstack([wave + noise, emf * np.sin(2 * np.pi * 1e3 * t)])

    bench.render = render
    return bench


def test_power_at_the_stated_distortion_is_interpolated(on):
    # THD goes as a power of the level, which interpolation on log axes meets exactly.
    found = on.run(STEP, _cubic(on)).findings(accuracy={})
    assert found["power"].value == pytest.approx(70.0, rel=2e-3)
    assert found["power"].remarks == ("at 1 % THD",)
    assert found["power"].unit == "W"


def test_the_doubt_holds_analyser_and_load(on):
    found = on.run(STEP, _cubic(on)).findings()["power"]
    relative = math.hypot(2 * 0.0035, 0.01) / math.sqrt(3)
    assert found.standard_uncertainty >= relative * found.value * 0.999


def test_what_the_analyser_can_t_hold_ends_the_sweep(on):
    bench = _cubic(on, at_1_percent_w=1e6)  # never reaches its distortion
    bench.analyser = FakeAnalyser(bench.render, channels=2, ranges_peak_v=(1.0, 30.0))
    done = on.run(STEP, bench)
    # 30 V peak are 56 W into 8 ohm.
    watts = [capture.facts["wanted_vrms"] ** 2 / 8 for capture in done.captures]
    assert [capture.is_overrange for capture in done.captures] == [
        *[False] * (len(watts) - 1),
        True,
    ]
    assert watts[-2] < 30.0**2 / 16 < watts[-1]
    assert "highest range ends the level sweep" in " ".join(bench.notes)


def test_levels_rise_coarsely_then_finely_and_stop_at_the_distortion(on):
    done = on.run(STEP, _cubic(on))
    wanted = [capture.facts["wanted_vrms"] for capture in done.captures]
    watts = [level**2 / 8 for level in wanted]
    assert watts[0] == pytest.approx(0.1)
    for before, after in pairwise(watts):
        step_db = 10 * math.log10(after / before)
        assert step_db <= (3.001 if before < 49.999 else 0.2501)
    assert 70.0 <= watts[-1] <= 70.0 * 10**0.026


def test_the_generator_rests_at_zero_between_levels_and_dwells_stay_short(on):
    done = on.run(STEP, _cubic(on))
    levels = done.bench.levels()
    for before, after in pairwise(levels[-2 * len(done.captures) :]):
        assert (before == 0.0) != (after == 0.0)
    for entry, emf, peak in done.bench.states():
        if isinstance(entry, Call) and entry.method == "set_level" and entry.arguments[0] > 0:
            assert peak == 100.0
        if isinstance(entry, Call) and entry.method == "wait" and emf > 0:
            assert entry.arguments[0] <= 0.1
    assert levels[-1] == 0.0


def test_a_unit_that_never_distorts_gives_at_least_its_highest_power(on):
    # One-sided 95 % below 150 W: 1.645 times 2 x 0.03 dB and 1 % as rectangular half-widths.
    found = on.run(STEP, _cubic(on, at_1_percent_w=1e6)).findings()["power"]
    assert found.value is None
    assert 145.0 < found.lower_bound < 150.0
    assert "1 % was not reached" in found.remarks[0]


def test_a_clipping_unit_is_measured_inside_the_range(on):
    # Hard clipping at c: 1 % THD is passed a little above the onset c^2/2R.
    bench = on.bench()
    bench.amplifier.dc_v, bench.amplifier.limit_v = 0.0, 35.0
    bench.amplifier.noise_vrms = 1e-4
    found = on.run(STEP + ", frequency: 997 Hz", bench).findings(accuracy={})["power"]

    def thd_and_power(peak: float) -> tuple[float, float]:
        wave = np.clip(peak * np.sin(2 * np.pi * np.arange(65536) / 65536), -35, 35)
        lines = np.abs(np.fft.rfft(wave))[:11] * 2 / 65536
        return math.sqrt(sum(lines[2:] ** 2)) / lines[1], lines[1] ** 2 / 16

    low, high = 35.0, 45.0
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if thd_and_power(middle)[0] < 0.01 else (low, middle)
    # Between two levels 0.25 dB apart the course of clipping is interpolated: 1 % of the power.
    assert found.value == pytest.approx(thd_and_power(low)[1], rel=0.01)


def test_the_ceiling_of_the_generator_ends_the_sweep(on):
    bench = _cubic(on)
    bench.generator_ceiling_vrms = 0.5
    done = on.run(STEP, bench)
    assert max(bench.levels()) <= 0.5
    assert any("ceiling" in note for note in bench.notes)
    assert done.findings()["power"].lower_bound is not None


def test_the_picture_shows_distortion_over_power(on):
    picture = on.run(STEP, _cubic(on)).pictures()["distortion_over_power"]
    thd = next(curve for curve in picture.curves if curve.label == "THD")
    at = int(np.argmin(abs(thd.x - 50.0)))
    assert thd.y[at] == pytest.approx(100 * 0.01 * 50 / 70, rel=0.01)
    assert (picture.x_scale, picture.y_scale) == ("log", "log")


def test_it_demands_the_highest_level_for_one_dwell(on):
    demand = on.demand(STEP)
    assert demand.load_w == pytest.approx(150.0)
    assert demand.load_s == pytest.approx(0.3)
    assert "until THD reaches 1 %" in on.describe(STEP)


def _points(*pairs):
    from sequencer.steps.level_sweep import _Point

    return [
        _Point(level_vrms=v, thd=abs(d), is_bound=d < 0.0, thd_doubt=0.0, thd_plus_noise=abs(d))
        for v, d in pairs
    ]


def _power_at(until, points):
    from sequencer.steps.level_sweep import LevelSweepSettings, _power

    unit = UnitData(rated_power_w=100.0, load_ohm=8.0, gain_db=29.0)
    load = Load(
        resistance_ohm=8.0, tolerance=0.0, continuous_w=200.0, short_term_w=200.0, short_term_s=1.0
    )
    return _power(
        LevelSweepSettings(until=f"{100 * until:g} %"), points, Situation(unit=unit, load=load)
    )


@pytest.mark.parametrize(
    ("points", "until", "level_v"),
    [
        # d = 1e-4 v^2 reaches 1 % at v = 10, whatever the points around it (power law, exact)
        (_points((5.0, 25e-4), (8.0, 64e-4), (12.0, 144e-4)), 0.01, 10.0),
        # a smaller `until` of a second judging crosses between the first two
        (_points((5.0, 25e-4), (8.0, 64e-4), (12.0, 144e-4)), 0.0036, 6.0),
    ],
)
def test_the_power_at_a_distortion_is_that_of_the_first_crossing(points, until, level_v):
    found = _power_at(until, points)
    assert f"at {100 * until:g} % THD" in found.remarks
    assert found.value == pytest.approx(level_v**2 / 8.0, rel=1e-9)


@pytest.mark.parametrize(
    ("points", "least_v", "most_v"),
    [
        (_points((5.0, 25e-4), (8.0, 64e-4)), 8.0, None),  # not reached
        (_points((5.0, 0.02)), None, 5.0),  # reached before the first level
        (_points((5.0, 25e-4), (8.0, -0.02)), 5.0, None),  # hidden by noise from there
        (_points((5.0, -0.02)), None, None),
    ],
)
def test_a_power_beyond_the_levels_is_a_bound_not_a_number(points, least_v, most_v):
    found = _power_at(0.01, points)
    assert found.value is None
    assert found.lower_bound == (None if least_v is None else least_v**2 / 8.0)
    assert found.upper_bound == (None if most_v is None else most_v**2 / 8.0)
    assert found.reason or found.remarks
