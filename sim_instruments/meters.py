"""What the meters show: voltages at the DMM's points, resistance, mains power."""

import math

import numpy as np

from sim_instruments import servo
from sim_instruments.noise import anti_alias
from sim_instruments.scene import Scene, drive_of, rails_of, steady_of
from sim_instruments.thermal import rail_current_a
from sim_instruments.unit import UnitView

DMM_POINTS = (
    "output",
    "bias",
    "rail_positive",
    "rail_negative",
    "low_positive",
    "low_negative",
    "chassis_positive",
    "chassis_negative",
    "load",
)
_AC_BANDWIDTH_HZ = 100e3
_LIVE_POINTS = ("output", "chassis_positive", "load")
_LOW_SUPPLY_RIPPLE_V = 0.2e-3


def dc_v(scene: Scene, point: str, integration_s: float, rng: np.random.Generator) -> float:
    """Mean voltage at a point over an interval that ends at the scene's time, without errors."""
    unit = scene.unit
    if unit is None:
        return 0.0
    if point in _LIVE_POINTS:
        return _output_dc(scene, unit, point, integration_s, rng)
    if point == "chassis_negative":
        return 0.0
    if point == "bias":
        return unit.parameters.thermal.emitter_ohm * math.hypot(unit.bias_a, drive_of(scene).rail_a)
    if point.startswith("rail"):
        return _rail_dc(scene, unit, is_positive=point == "rail_positive")
    supply = unit.parameters.supply
    low = supply.low_positive_v if point == "low_positive" else supply.low_negative_v
    return low * min(1.0, unit.rail_share * 3.0)


def ac_vrms(scene: Scene, point: str) -> float:
    """R.m.s. voltage without DC at a point, 100 kHz bandwidth, without errors."""
    unit = scene.unit
    if unit is None:
        return 0.0
    if point in _LIVE_POINTS:
        return _output_ac(scene, unit) if _is_seen(scene, point) else 0.0
    if point.startswith("rail") and unit.is_powered:
        rails = rails_of(scene, unit)
        rail = rails.positive if point == "rail_positive" else rails.negative
        return float(np.std(rail.capacitor_v))
    return _LOW_SUPPLY_RIPPLE_V if point.startswith("low") and unit.is_powered else 0.0


def resistance_ohm(scene: Scene, point: str, load_ohm: float) -> float:
    """Resistance at a point; inf where it is open or the circuit is live."""
    unit = scene.unit
    if unit is not None and unit.is_powered:
        return math.inf
    if point == "load":
        return load_ohm
    if point in _LIVE_POINTS:
        return scene.load_ohm
    if point == "bias" and unit is not None:
        return unit.parameters.thermal.emitter_ohm
    return math.inf


def mains_power_w(scene: Scene, rise_k: float, has_mains: bool) -> float:
    """Active power the unit on the bench draws from the mains, without errors."""
    unit = scene.unit
    if unit is None or not has_mains:
        return 0.0
    supply = unit.parameters.supply
    if not unit.is_powered:
        return supply.standby_w
    current = rail_current_a(unit.parameters.thermal, rise_k, drive_of(scene))
    return 2.0 * 0.97 * supply.peak_v * scene.mains_vrms / 230.0 * current + supply.auxiliary_w


def mains_current_a(power_w: float, mains_vrms: float) -> float:
    """R.m.s. current for a power; a capacitor-input supply has a power factor near 0.6."""
    return power_w / (mains_vrms * (0.55 + 0.1 * min(power_w / 200.0, 1.0)))


def _is_seen(scene: Scene, point: str) -> bool:
    return scene.is_through and (point != "load" or math.isfinite(scene.load_ohm))


def _output_dc(
    scene: Scene, unit: UnitView, point: str, integration_s: float, rng: np.random.Generator
) -> float:
    if not _is_seen(scene, point):
        return 0.0
    middle = np.array([-0.5 * integration_s])
    if scene.time_s - integration_s < unit.closed_at_s:
        middle = np.array([0.0])
    parameters = unit.parameters
    offset = float(servo.offset_after(parameters.servo, unit.raw_v, unit.offset, middle)[0])
    steady = steady_of(scene)
    # Only lines the integration doesn't suppress below a microvolt matter.
    waves = (steady.drive + steady.hum).above(1e-6)
    residue = waves.mean_over(integration_s)
    wander = parameters.noise.drift_vrms * rng.standard_normal()
    random = parameters.noise.white_v_per_rthz / math.sqrt(2.0 * integration_s)
    return offset + residue + wander + random * float(rng.standard_normal())


def _output_ac(scene: Scene, unit: UnitView) -> float:
    steady = steady_of(scene)
    lines = steady.drive + steady.hum
    share = anti_alias(lines.frequency_hz, _AC_BANDWIDTH_HZ / 0.45)
    power = lines.scaled(share).rms_ac() ** 2
    if not scene.generator.is_steady:
        power += drive_of(scene).output_w * (0.0 if math.isinf(scene.load_ohm) else scene.load_ohm)
    power += unit.parameters.noise.white_v_per_rthz**2 * _AC_BANDWIDTH_HZ
    return math.sqrt(power)


def _rail_dc(scene: Scene, unit: UnitView, *, is_positive: bool) -> float:
    sign = 1.0 if is_positive else -1.0
    if unit.is_powered:
        rails = rails_of(scene, unit)
        mean = (rails.positive if is_positive else rails.negative).mean_v
    else:
        mean = 0.985 * unit.parameters.supply.peak_v * scene.mains_vrms / 230.0
    return sign * mean * unit.rail_share
