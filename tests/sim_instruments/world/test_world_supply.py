"""Rails and mains. Source of the tables: device-under-test model of the project (design choice),
computed there from its equations; the ripple is integrated again here by plain small steps."""

import math
from dataclasses import replace

import numpy as np
import pytest

from sim_instruments.amplifier import (
    Amplifier,
    Tone,
    crossover_at,
    input_response,
    output_response,
    steady_output,
)
from sim_instruments.mains import MainsFrequency
from sim_instruments.parameters import UnitParameters
from sim_instruments.supply import coupling, rail_cycle, rail_trace, steady_rails

UNIT = UnitParameters()


def _cycle(capacitance_f, load_a, series_ohm=0.0, peak_v=53.0):
    return rail_cycle(
        peak_v=peak_v,
        source_ohm=0.35,
        capacitance_f=capacitance_f,
        series_ohm=series_ohm,
        load_a=load_a,
        mains_hz=50.0,
    )


def _euler(capacitance_f, load_a, step_s=2e-6, cycles=12):
    """Independent route: explicit steps of dV/dt = (max(V0 |sin| - V, 0)/R - I)/C."""
    v, out = 50.0, []
    for k in range(int(cycles * 0.01 / step_s)):
        charge = max(53.0 * abs(math.sin(2 * math.pi * 50 * k * step_s)) - v, 0.0) / 0.35
        v += step_s * (charge - load_a) / capacitance_f
        out.append(v)
    return np.array(out[-int(0.01 / step_s) :])


@pytest.mark.parametrize("capacitance_f", [4700e-6, 1200e-6])
def test_ripple_agrees_with_plain_integration(capacitance_f):
    expected = _euler(capacitance_f, 1.67)
    got = _cycle(capacitance_f, 1.67).capacitor_v
    # 128 exact steps against 5000 explicit ones: 0.3 % of the ripple.
    assert np.ptp(got) == pytest.approx(np.ptp(expected), rel=0.01)
    assert got.min() == pytest.approx(expected.min(), abs=0.02)
    assert got.mean() == pytest.approx(expected.mean(), abs=0.01)


@pytest.mark.parametrize(
    ("capacitance_f", "idle", "ten", "hundred", "trough"),
    [
        (10000e-6, 0.08, 0.5, 1.3, 48.6),
        (4700e-6, 0.16, 1.0, 2.8, 47.7),
        (3000e-6, 0.24, 1.6, 4.4, 46.6),
        (1200e-6, 0.6, 3.9, 9.9, 42.0),
    ],
)
def test_ripple_table(capacitance_f, idle, ten, hundred, trough):
    """Mean current of one rail is the peak over pi."""
    ripple = []
    for watts in (0, 10, 100):
        cycle = _cycle(capacitance_f, 0.08 + math.sqrt(watts / 4) / math.pi)
        ripple.append(np.ptp(cycle.capacitor_v))
    assert ripple == pytest.approx([idle, ten, hundred], rel=0.05, abs=0.01)
    # The table's trough is that of a 1 kHz current, this one of its mean: 0.3 V at 1200 uF.
    assert cycle.capacitor_v.min() == pytest.approx(trough, abs=0.35)


def _thd(watts, capacitance_f, mains_vrms, side_hz=0.0):
    supply = replace(
        UNIT.supply,
        capacitance_positive_f=capacitance_f,
        capacitance_negative_f=capacitance_f,
        series_ohm=0.0,
    )
    amp = Amplifier(
        path=UNIT.path,
        output=UNIT.output,
        servo=UNIT.servo,
        crossover=crossover_at(0.08, 0.08, UNIT.path),
        gain=28.18,
        load_ohm=8.0,
    )
    f = np.array([1e3])
    emf = math.sqrt(16 * watts) / abs(input_response(amp, f)[0] * output_response(amp, f)[0])

    def rails(positive, negative):
        return steady_rails(
            supply,
            mains_vrms=mains_vrms,
            mains_hz=50.0,
            quiescent_a=0.08,
            load_positive_a=positive,
            load_negative_a=negative,
        )

    lines = steady_output(amp, (Tone(frequency_hz=1e3, amplitude=emf),), rails, 0.0).lines

    def line(hz):
        return abs(lines.amplitude[np.abs(lines.frequency_hz - hz) < 1e-6].sum())

    if side_hz:
        return line(1e3 + side_hz) / line(1e3)
    return math.sqrt(sum(line(1e3 * k) ** 2 for k in range(2, 11))) / line(1e3)


@pytest.mark.parametrize(
    ("capacitance_f", "mains_vrms", "clean_watts"),
    [
        (10000e-6, 230.0, 128),
        (10000e-6, 216.2, 111),
        (4700e-6, 230.0, 123),
        (4700e-6, 216.2, 107),
        (3000e-6, 230.0, 117),
        (3000e-6, 216.2, 101),
        (1200e-6, 230.0, 94),
        (1200e-6, 216.2, 79),
    ],
)
def test_clean_output_table(capacitance_f, mains_vrms, clean_watts):
    """4 % below the tabled power there is no trace of limiting, 9 % (0.4 dB) above there is."""
    assert _thd(clean_watts * 0.96, capacitance_f, mains_vrms) < 0.00032
    assert _thd(clean_watts * 1.09, capacitance_f, mains_vrms) > 0.0006


def test_sidebands_at_the_ripple_appear_once_the_trough_limits():
    assert _thd(100, 1200e-6, 230.0, side_hz=100.0) > 10 ** (-70 / 20)
    assert _thd(100, 4700e-6, 230.0, side_hz=100.0) < 1e-6


def test_one_dried_rail_clips_one_polarity():
    supply = replace(UNIT.supply, capacitance_positive_f=1200e-6)
    rails = steady_rails(
        supply,
        mains_vrms=230.0,
        mains_hz=50.0,
        quiescent_a=0.08,
        load_positive_a=1.6,
        load_negative_a=1.6,
    )
    assert rails.positive.terminal_v.min() < rails.negative.terminal_v.min() - 4.0


def test_series_resistance_drops_the_load_current():
    """The mean of charging and load current is equal, so resistance moves no mean, only shape."""
    plain, resistive = _cycle(1200e-6, 1.6), _cycle(1200e-6, 1.6, series_ohm=0.45)
    difference = resistive.terminal_v - plain.capacitor_v
    assert difference.min() == pytest.approx(-0.45 * 1.6, rel=1e-6)
    assert abs(difference.mean()) < 0.02


def test_ripple_reaches_the_output_through_its_coupling():
    """Idle 18 uV at 100 Hz, 69 uV with 1200 uF; 20 dB a decade above 500 Hz."""
    for capacitance_f, expected in ((4700e-6, 18e-6), (1200e-6, 69e-6)):
        supply = replace(
            UNIT.supply,
            capacitance_positive_f=capacitance_f,
            capacitance_negative_f=capacitance_f,
        )
        rails = steady_rails(
            supply,
            mains_vrms=230.0,
            mains_hz=50.0,
            quiescent_a=0.08,
            load_positive_a=0.0,
            load_negative_a=0.0,
        )
        line = rails.ripple_lines(supply, 0.3)
        assert line.frequency_hz[0] == 100.0
        assert abs(line.amplitude[0]) / math.sqrt(2) == pytest.approx(expected, rel=0.03)
    low, corner, high = coupling(UNIT.supply, np.array([100.0, 500.0, 5000.0]))
    assert low == corner
    assert high == pytest.approx(10 * corner)


def test_rail_trace_settles_to_the_steady_cycle():
    step_s = 0.01 / 128
    steps = 128 * 60
    trace = rail_trace(
        UNIT.supply,
        4700e-6,
        peak_v=53.0,
        half_cycles=(np.arange(steps) + 0.5) / 128,
        load_a=np.full(steps, 1.2),
        step_s=step_s,
        start_v=48.0,
    )
    steady = _cycle(4700e-6, 1.2, series_ohm=0.03)
    assert trace[-128:].mean() == pytest.approx(steady.terminal_v.mean(), abs=5e-3)
    assert trace[-128:].min() == pytest.approx(steady.terminal_v.min(), abs=0.05)


def test_mains_frequency_is_a_bounded_walk_that_depends_on_time_alone():
    one, other = MainsFrequency(3), MainsFrequency(3)
    late = one.frequency_hz(8 * 3600.0)
    times = np.arange(0.0, 8 * 3600.0, 60.0)
    walk = np.array([other.frequency_hz(float(t)) for t in times])
    assert other.frequency_hz(8 * 3600.0) == late
    assert walk.min() >= 49.8
    assert walk.max() <= 50.2
    # 10 mHz a minute; 480 steps give the deviation to about 4 %, folds at the bounds lower it.
    assert np.std(np.diff(walk)) == pytest.approx(0.010, rel=0.15)


def test_mains_phase_is_the_integral_of_the_frequency():
    mains = MainsFrequency(3)
    edges = np.arange(0.0, 101.0, 10.0)
    cycles = sum(mains.frequency_hz(float(t)) * 10.0 for t in edges[:-1])
    assert mains.cycles(100.0) == pytest.approx(cycles)
    assert mains.cycles(100.0) - mains.cycles(99.999999) < 1e-3
