"""Servo, heat and bias: closed forms against numerical integration and the model's own numbers.

Numbers: device-under-test model of the project (design choice), computed there from its equations.
"""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sim_instruments import servo, thermal
from sim_instruments.faults import with_fault
from sim_instruments.parameters import Servo, Thermal, UnitParameters
from sim_instruments.servo import OffsetState
from sim_instruments.thermal import Drive, Heat

UNIT = UnitParameters()


def _last_outside(parameters, raw_v=85e-3, band_v=0.010, until_s=80.0):
    t = np.linspace(0.0, until_s, 160_001)
    start = servo.offset_at_relay(parameters, raw_v)
    x = servo.offset_after(parameters, raw_v, start, t)
    outside = np.flatnonzero(np.abs(x) > band_v)
    return t[outside[-1]] if outside.size else 0.0


@pytest.mark.parametrize("fault", [None, "leaky_servo:large", "servo_wrong_capacitor"])
def test_offset_obeys_its_differential_equation(fault):
    p = with_fault(UNIT, fault).servo
    leak = p.tau_s / p.leak_s
    raw = 85e-3

    def slope(_, y):
        x, v = y
        return [
            v,
            (leak * raw + p.residual_v - p.tau_s * v - (1 + leak) * x) / (p.tau_s * p.filter_s),
        ]

    t = np.linspace(0, 20, 201)
    start = OffsetState(offset_v=0.12, slope_v_per_s=-0.03)
    exact = solve_ivp(slope, (0, 20), [0.12, -0.03], t_eval=t, rtol=1e-10, atol=1e-13)
    np.testing.assert_allclose(servo.offset_after(p, raw, start, t), exact.y[0], atol=1e-8)
    end = servo.state_after(p, raw, start, 20.0)
    assert end.offset_v == pytest.approx(exact.y[0, -1], abs=1e-8)
    assert end.slope_v_per_s == pytest.approx(exact.y[1, -1], abs=1e-8)


def test_healthy_servo_settles_in_3_03_s():
    """120 mV decaying with 1.2 s onto 0.4 mV is within 10 mV after 1.2 ln(120/9.6) = 3.03 s."""
    assert _last_outside(Servo()) == pytest.approx(1.2 * math.log(120 / 9.6), abs=0.005)
    t = np.array([0.0, 1.2, 2.4])
    x = servo.offset_after(Servo(), 85e-3, servo.offset_at_relay(Servo(), 85e-3), t) - 0.4e-3
    np.testing.assert_allclose(x, 0.12 * np.exp(-t / 1.2), rtol=1e-9)


@pytest.mark.parametrize(("severity", "final_v"), [("medium", 17e-3), ("large", 32e-3)])
def test_leaky_servo_is_fast_but_never_inside(severity, final_v):
    p = with_fault(UNIT, f"leaky_servo:{severity}").servo
    assert servo.final_offset(p, 85e-3) == pytest.approx(final_v, abs=0.5e-3)
    assert _last_outside(p) == 80.0


def test_leaky_servo_has_a_time_constant_of_0_96_s():
    p = with_fault(UNIT, "leaky_servo").servo
    start = servo.offset_at_relay(p, 85e-3)
    final = servo.final_offset(p, 85e-3)
    a, b = servo.offset_after(p, 85e-3, start, np.array([0.5, 1.5])) - final
    assert 1 / math.log(a / b) == pytest.approx(0.96, abs=0.02)


@pytest.mark.parametrize(
    ("severity", "ring_hz", "envelope_s", "settles_s"),
    [("medium", 0.08, 6.0, 15.0), ("large", 0.05, 16.0, 40.0)],
)
def test_wrong_capacitor_rings(severity, ring_hz, envelope_s, settles_s):
    p = with_fault(UNIT, f"servo_wrong_capacitor:{severity}").servo
    t = np.linspace(0, 120, 240_001)
    x = servo.offset_after(p, 85e-3, servo.offset_at_relay(p, 85e-3), t) - p.residual_v
    crossings = t[1:][np.diff(np.sign(x)) != 0]
    assert 0.5 / np.mean(np.diff(crossings)) == pytest.approx(ring_hz, abs=0.005)
    period = 2 * np.mean(np.diff(crossings))
    later = np.interp(np.array([1.0, 1.0 + period]), t, x)
    assert period / math.log(later[0] / later[1]) == pytest.approx(envelope_s, rel=1e-2)
    # The last peak outside the band comes up to half a period before the envelope enters it.
    assert settles_s - 0.5 / ring_hz < _last_outside(p) < settles_s + 1.0
    assert servo.final_offset(p, 85e-3) == pytest.approx(0.4e-3)


def test_open_servo_leaves_the_raw_offset():
    p = with_fault(UNIT, "servo_open").servo
    start = servo.offset_at_relay(p, 85e-3)
    assert start.offset_v == 85e-3
    assert np.all(servo.offset_after(p, 85e-3, start, np.array([0.0, 5.0, 500.0])) == 85e-3)


# --- heat and bias -------------------------------------------------------------------------------


def _after(parameters, seconds, drive=Drive(), start_c=25.0):  # noqa: B008 # frozen
    heat, passed = thermal.after(
        parameters, Heat(sink_c=start_c), ambient_c=25.0, drive=drive, seconds=seconds
    )
    return heat.sink_c - 25.0, passed


def test_idle_warm_up_goes_from_60_to_80_ma_with_1200_s():
    """Linear: rise = 5.292 K/(1 - g) (1 - exp(-t (1 - g)/900 s)), g = 0.25."""
    p = Thermal()
    assert thermal.bias_a(p, 0.0) == pytest.approx(60e-3)
    for t in (60.0, 1200.0, 5000.0):
        rise, _ = _after(p, t)
        assert rise == pytest.approx(5.292 / 0.75 * -math.expm1(-t / 1200.0), rel=1e-6)
    rise, _ = _after(p, 40_000.0)
    assert thermal.bias_a(p, rise) == pytest.approx(80e-3, rel=1e-9)
    assert rise == pytest.approx(7.0, abs=0.1)


def test_runaway_follows_its_exponential():
    """T - Ta = 35.3 (exp(t/6000 s) - 1) K: 83 mA at 5 min, 134 mA at 15 min, 0.73 A at 90 min."""
    p = with_fault(UNIT, "bias_runaway").thermal
    for minutes, current in ((5, 0.083), (15, 0.134), (90, 0.73)):
        rise, passed = _after(p, 60.0 * minutes)
        if passed == 60.0 * minutes:
            assert rise == pytest.approx(35.28 * math.expm1(minutes * 60 / 6000), rel=1e-4)
            assert thermal.bias_a(p, rise) == pytest.approx(current, rel=0.02)
    assert (
        thermal.bias_a(p, _after(p, 300.0)[0])
        < 1.25 * thermal.bias_a(Thermal(), _after(Thermal(), 300.0)[0]) + 0.02
    )


def test_cut_out_stops_the_runaway_at_85_degrees():
    """60 K above 25 degC are reached after 6000 ln(1 + 60/35.28) s."""
    p = with_fault(UNIT, "bias_runaway").thermal
    rise, passed = _after(p, 3 * 3600.0)
    assert rise == pytest.approx(60.0)
    assert passed == pytest.approx(6000 * math.log1p(60 / 35.28), rel=1e-5)


def test_driven_heat_agrees_with_numerical_integration():
    p = Thermal()
    drive = Drive(rail_a=0.5627, output_w=12.5)

    def slope(_, x):
        return [(0.9 * thermal.dissipation_w(p, x[0], drive) - x[0]) / 900.0]

    exact = solve_ivp(slope, (0, 7200), [0.0], rtol=1e-10, atol=1e-10).y[0, -1]
    rise, _ = _after(p, 7200.0, drive)
    assert rise == pytest.approx(exact, rel=1e-6)


def test_an_eighth_of_rated_power_stays_below_the_warning():
    """Common practice, no source: burn-in at 1/8 power must not reach 70 degC at the sink."""
    drive = Drive(rail_a=math.sqrt(2 * 12.5 / 8) / math.pi, output_w=12.5)
    rise, _ = _after(Thermal(), 8 * 3600.0, drive)
    assert 30.0 < rise < 45.0
    assert thermal.bias_a(Thermal(), rise) == pytest.approx(80e-3, rel=0.15)


def test_one_step_or_many_reach_the_same_temperature():
    p = Thermal()
    drive = Drive(rail_a=1.0, output_w=40.0)
    once, _ = _after(p, 3000.0, drive)
    rise = 0.0
    for _ in range(1000):
        rise, _ = _after(p, 3.0, drive, start_c=25.0 + rise)
    assert rise == pytest.approx(once, rel=1e-7)


def test_a_unit_that_is_off_cools_with_900_s():
    rise, _ = _after(Thermal(), 900.0, None, start_c=65.0)
    assert rise == pytest.approx(40.0 / math.e, rel=1e-6)


def test_low_bias_runs_cooler():
    p = with_fault(UNIT, "bias_low:large").thermal
    rise, _ = _after(p, 40_000.0)
    assert thermal.bias_a(p, rise) == pytest.approx(39e-3, rel=1e-6)
    assert rise < 3.5
