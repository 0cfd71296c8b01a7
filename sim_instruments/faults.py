"""Service faults: what each changes in a unit, in three severities.

A fault is named in plain words; a severity may follow after a colon ("bias_low:large"), medium when
it doesn't. Applying one replaces values of the unit's parameters and nothing else.
"""

import difflib
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import MappingProxyType

from sim_instruments.parameters import UnitParameters

SEVERITIES = ("small", "medium", "large")
DEFAULT_SEVERITY = "medium"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One service fault; apply takes healthy parameters and a severity's index 0, 1 or 2."""

    description: str
    apply: Callable[[UnitParameters, int], UnitParameters]


def known_faults() -> tuple[str, ...]:
    """Names of all faults."""
    return tuple(FAULTS)


def parse_fault(text: str) -> tuple[str, str]:
    """Name and severity of "name" or "name:severity".

    Raises ValueError, with the known names, when there is no such fault or severity.
    """
    name, _, severity = text.strip().lower().partition(":")
    severity = severity or DEFAULT_SEVERITY
    if name not in FAULTS:
        near = difflib.get_close_matches(name, FAULTS, n=1)
        hint = f' (did you mean "{near[0]}"?)' if near else ""
        raise ValueError(f'there is no fault "{name}"{hint}; known: {", ".join(FAULTS)}')
    if severity not in SEVERITIES:
        raise ValueError(f'severity is "{severity}"; it must be one of {", ".join(SEVERITIES)}')
    return name, severity


def with_fault(healthy: UnitParameters, text: str | None) -> UnitParameters:
    """Parameters of a unit that has the fault; None leaves it healthy."""
    if text is None:
        return healthy
    name, severity = parse_fault(text)
    return FAULTS[name].apply(healthy, SEVERITIES.index(severity))


def _dried_reservoir(unit: UnitParameters, severity: int) -> UnitParameters:
    left = (0.70, 0.50, 1200.0 / 4700.0)[severity]
    supply = unit.supply
    return replace(
        unit,
        supply=replace(
            supply,
            capacitance_positive_f=supply.capacitance_positive_f * left,
            capacitance_negative_f=supply.capacitance_negative_f * left,
            series_ohm=supply.series_ohm * (3.0, 6.0, 15.0)[severity],
        ),
    )


def _leaky_servo(unit: UnitParameters, severity: int) -> UnitParameters:
    share = (0.10, 0.25, 0.60)[severity]
    return replace(unit, servo=replace(unit.servo, leak_s=unit.servo.tau_s / share))


def _servo_wrong_capacitor(unit: UnitParameters, severity: int) -> UnitParameters:
    return replace(unit, servo=replace(unit.servo, filter_s=(1.0, 3.0, 8.0)[severity]))


def _servo_open(unit: UnitParameters, severity: int) -> UnitParameters:
    raw_v = unit.servo.raw_v * (0.5, 1.0, 1.6)[severity]
    return replace(unit, servo=replace(unit.servo, is_alive=False, raw_v=raw_v))


def _standby_supply_failing(unit: UnitParameters, severity: int) -> UnitParameters:
    return replace(
        unit,
        spur=replace(
            unit.spur,
            frequency_hz=unit.spur.frequency_hz * (95.0, 70.0, 41.0)[severity] / 104.0,
            level_vrms=(0.6e-3, 2e-3, 9e-3)[severity],
            second=10.0 ** (-12.0 / 20.0),
            third=10.0 ** (-18.0 / 20.0),
            jitter_hz=250.0,
        ),
    )


def _standby_stays_on(unit: UnitParameters, severity: int) -> UnitParameters:
    level = unit.spur.level_vrms * (0.5, 1.0, 2.0)[severity]
    return replace(unit, spur=replace(unit.spur, stays_on_vrms=level))


def _bias_low(unit: UnitParameters, severity: int) -> UnitParameters:
    share = (64.0, 50.0, 39.0)[severity] / 80.0
    cold = unit.thermal.bias_cold_a * share
    return replace(unit, thermal=replace(unit.thermal, bias_cold_a=cold))


def _bias_runaway(unit: UnitParameters, severity: int) -> UnitParameters:
    thermal = unit.thermal
    gradient = thermal.bias_a_per_k * (0.80, 1.15, 1.50)[severity] / 0.25
    return replace(
        unit,
        thermal=replace(thermal, bias_a_per_k=gradient, slope_above_knee=1.0),
    )


def _ground_loop(unit: UnitParameters, severity: int) -> UnitParameters:
    scale = (0.4, 1.0, 2.5)[severity]
    lines = ((1, 1.2e-3), (3, 0.4e-3), (5, 0.15e-3), (7, 0.08e-3))
    loop = tuple((order, level * scale) for order, level in lines)
    return replace(unit, supply=replace(unit.supply, ground_loop_vrms=loop))


def _mains_dc(unit: UnitParameters, severity: int) -> UnitParameters:
    up = 10.0 ** ((10.0, 20.0, 26.0)[severity] / 20.0)
    supply = unit.supply
    field = tuple(
        (order, level * up if order in (3, 5, 7) else level) for order, level in supply.field_vrms
    )
    return replace(
        unit,
        supply=replace(
            supply,
            field_vrms=field,
            peak_v=supply.peak_v - (0.5, 1.0, 2.0)[severity],
            buzz_v=(5e-3, 20e-3, 50e-3)[severity],
        ),
    )


def _parasitic_oscillation(unit: UnitParameters, severity: int) -> UnitParameters:
    # The even-order term is what raises H2 at 10 W and 1 kHz by 10 dB (medium).
    return replace(
        unit,
        path=replace(
            unit.path,
            oscillation_vrms=(40e-3, 150e-3, 400e-3)[severity],
            oscillation_square_per_v=OSCILLATION_SQUARE_PER_V * (0.4, 1.0, 2.0)[severity],
        ),
        thermal=replace(unit.thermal, bias_extra_a=(5e-3, 15e-3, 30e-3)[severity]),
    )


OSCILLATION_SQUARE_PER_V = 0.0108


def _feedback_drift(unit: UnitParameters, severity: int) -> UnitParameters:
    factor = 10.0 ** ((0.15, 0.30, 0.60)[severity] / 20.0)
    return replace(unit, path=replace(unit.path, gain=unit.path.gain * factor))


def _input_coupling_dried(unit: UnitParameters, severity: int) -> UnitParameters:
    return replace(unit, path=replace(unit.path, input_corner_hz=(6.0, 18.0, 40.0)[severity]))


def _relay_worn(unit: UnitParameters, severity: int) -> UnitParameters:
    return replace(
        unit,
        output=replace(
            unit.output,
            resistance_ohm=(0.15, 0.4, 1.0)[severity],
            resistance_per_a=0.2 / 5.0,
            contact_scatter=0.25,
        ),
    )


def _dry_joint(unit: UnitParameters, severity: int) -> UnitParameters:
    return replace(
        unit,
        output=replace(
            unit.output,
            dropout_rate_hz=1.0 / (120.0, 40.0, 10.0)[severity],
            dropout_s=(2e-3, 5e-3, 10e-3)[severity],
        ),
    )


FAULTS = MappingProxyType(
    {
        "dried_reservoir": Fault(
            description="reservoir capacitors of both rails have dried out: less capacitance, "
            "more series resistance",
            apply=_dried_reservoir,
        ),
        "leaky_servo": Fault(
            description="the offset servo's capacitor leaks: offset never comes to zero",
            apply=_leaky_servo,
        ),
        "servo_wrong_capacitor": Fault(
            description="a capacitor of the wrong value in the offset servo's filter: it rings",
            apply=_servo_wrong_capacitor,
        ),
        "servo_open": Fault(
            description="the offset servo is dead: the amplifier's own offset stands at the output",
            apply=_servo_open,
        ),
        "standby_supply_failing": Fault(
            description="the standby supply runs slow and loud: strong lines above the audio band",
            apply=_standby_supply_failing,
        ),
        "standby_stays_on": Fault(
            description="the standby supply's line stays at the output in standby",
            apply=_standby_stays_on,
        ),
        "bias_low": Fault(
            description="bias adjusted too low: crossover distortion at low level",
            apply=_bias_low,
        ),
        "bias_runaway": Fault(
            description="bias follows the heatsink too steeply and creeps up without end",
            apply=_bias_runaway,
        ),
        "ground_loop": Fault(
            description="a ground connection is lifted or doubled: odd mains lines in the output",
            apply=_ground_loop,
        ),
        "mains_dc": Fault(
            description="DC on the mains saturates the transformer: odd lines, lower rails, buzz",
            apply=_mains_dc,
        ),
        "parasitic_oscillation": Fault(
            description="bursts of 380 kHz on positive half-waves above 10 V",
            apply=_parasitic_oscillation,
        ),
        "feedback_drift": Fault(
            description="a feedback resistor has drifted: gain too high at all frequencies",
            apply=_feedback_drift,
        ),
        "input_coupling_dried": Fault(
            description="the input coupling capacitor has dried out: bass falls off",
            apply=_input_coupling_dried,
        ),
        "relay_worn": Fault(
            description="worn output relay contacts: output resistance up and level-dependent",
            apply=_relay_worn,
        ),
        "dry_joint": Fault(
            description="an intermittent solder joint: short drop-outs now and then",
            apply=_dry_joint,
        ),
    }
)
