"""Frozen parameters of the simulated units and of the bench's own errors.

One `UnitParameters` describes one amplifier; `pair_of_units` draws two that are alike but not the
same. Faults replace values in it (faults.py). All values are design choices of the project's
device-under-test model unless a comment says otherwise; SI units.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np

WARM_BIAS_A = 0.080
SUPPLY_SPAN_V = 98.0
"""Sum of both rails used in the heat balance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalPath:
    """Gain, bandwidth and the open-loop error of the amplifier.

    error e = (square + trim) v^2 + lagging LP{v^2} + cubic v^3 - crossover tanh(v/width); the loop
    acts on it as (1 + s/wp)/(1 + loop_gain + s/wp).
    """

    gain: float = 28.18
    gain_drift_db_per_k: float = -0.001
    input_corner_hz: float = 1.6
    rf_corner_hz: float = 220e3
    closed_loop_corner_hz: float = 95e3
    square_per_v: float = -1.12e-3
    trim_per_v: float = 1.0e-3
    lagging_per_v: float = 5.6e-3
    lagging_corner_hz: float = 1e3
    cubic_per_v2: float = 1.6e-4
    crossover_v: float = 0.19
    crossover_width_v: float = 0.6
    loop_gain: float = 400.0
    loop_corner_hz: float = 4e3
    oscillation_hz: float = 380e3
    oscillation_vrms: float = 0.0
    oscillation_threshold_v: float = 10.0
    oscillation_square_per_v: float = 0.0
    """Extra even-order error where the parasitic oscillation bursts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputStage:
    """What stands between the clipped voltage and the terminals."""

    resistance_ohm: float = 0.05
    resistance_per_a: float = 0.0
    """Relative growth of the contact resistance with current."""
    inductance_h: float = 2e-6
    inductor_damping_ohm: float = 10.0
    saturation_v: float = 2.2
    saturation_ohm: float = 0.22
    soft_corner_v: float = 0.1
    dropout_rate_hz: float = 0.0
    dropout_s: float = 0.0
    contact_scatter: float = 0.0
    """Standard deviation of ln(contact resistance) from one relay closing to the next."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """Mains transformer, rectifier, reservoir capacitors and what couples into the output."""

    peak_v: float = 53.0
    """Peak secondary voltage per rail at 230 V mains."""
    source_ohm: float = 0.35
    capacitance_positive_f: float = 4700e-6
    capacitance_negative_f: float = 4700e-6
    series_ohm: float = 0.030
    coupling_db: float = -66.6
    coupling_corner_hz: float = 500.0
    field_vrms: tuple[tuple[int, float], ...] = (
        (1, 40e-6),
        (2, 26.7e-6),
        (3, 15e-6),
        (5, 6e-6),
        (6, 5.7e-6),
        (7, 1e-6),
    )
    """Stray field: (multiple of the mains frequency, volts r.m.s. at the output)."""
    ground_loop_vrms: tuple[tuple[int, float], ...] = ()
    hum_phase_cycles: tuple[float, ...] = (0.0, 0.25, 0.4, 0.55, 0.7, 0.85, 0.1, 0.3)
    """Phase of each hum line against the mains, by multiple (1 first)."""
    low_positive_v: float = 15.0
    low_negative_v: float = -15.0
    auxiliary_w: float = 12.0
    """Small supplies and transformer core."""
    standby_w: float = 0.4
    buzz_v: float = 0.0
    """Mechanical buzz of the transformer in the tap channel, V r.m.s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Random noise at the output."""

    white_v_per_rthz: float = 0.42e-6
    corner_hz: float = 60.0
    drift_vrms: float = 20e-6
    """1/f wander of the offset, 0.1 to 10 Hz."""
    open_input_vrms: float = 3e-3
    """50 Hz picked up when no source is at the input."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spur:
    """Line of the standby supply in the output."""

    frequency_hz: float = 104e3
    level_vrms: float = 0.15e-3
    second: float = 0.0
    third: float = 0.0
    jitter_hz: float = 400.0
    jitter_corner_hz: float = 150.0
    warm_up_shift: float = -0.02
    warm_up_s: float = 600.0
    stays_on_vrms: float = 0.0
    """Level that remains while the unit is commanded to standby."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Servo:
    """Offset and the integrator that takes it away.

    tau tau2 x'' + tau x' + (1 + tau/leak) x = tau/leak raw + residual. tau is chosen so that the
    slower root of the healthy servo is exactly 1.2 s.
    """

    tau_s: float = 1.0 / (1.0 / 1.2 - 0.05 / 1.2**2)
    filter_s: float = 0.05
    leak_s: float = math.inf
    residual_v: float = 0.4e-3
    raw_v: float = 85e-3
    raw_per_k: float = 0.4e-3
    is_alive: bool = True
    relay_delay_s: float = 3.0
    offset_at_relay_v: float = 0.120
    click_v: float = 0.9
    click_tau_s: float = 1e-3
    click_ring_hz: float = 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermal:
    """Heatsink and bias tracking.

    Bias = cold + gradient h(T - Ta); h is the identity up to the knee (so undriven behaviour is
    linear) and far less steep above it, where the tracking transistor catches up.
    """

    resistance_k_per_w: float = 0.9
    time_constant_s: float = 900.0
    junction_k_per_w: float = 0.4
    junction_s: float = 25.0
    bias_cold_a: float = 0.060
    bias_a_per_k: float = 0.25 / (SUPPLY_SPAN_V * 0.9)
    knee_k: float = 8.0
    slope_above_knee: float = 0.05
    bias_nominal_a: float = WARM_BIAS_A
    bias_extra_a: float = 0.0
    emitter_ohm: float = 0.22
    cut_out_c: float = 85.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FinMode:
    """One bending mode of a heatsink fin."""

    frequency_hz: float
    amplitude_v: float
    bare_t60_s: float
    padded_t60_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitParameters:
    """Everything that is particular to one amplifier."""

    path: SignalPath = field(default_factory=SignalPath)
    output: OutputStage = field(default_factory=OutputStage)
    supply: Supply = field(default_factory=Supply)
    noise: Noise = field(default_factory=Noise)
    spur: Spur = field(default_factory=Spur)
    servo: Servo = field(default_factory=Servo)
    thermal: Thermal = field(default_factory=Thermal)
    modes: tuple[FinMode, ...] = (
        FinMode(frequency_hz=742.0, amplitude_v=1.0, bare_t60_s=10.0, padded_t60_s=0.30),
        FinMode(frequency_hz=1180.0, amplitude_v=0.5, bare_t60_s=7.0, padded_t60_s=0.22),
        FinMode(frequency_hz=1630.0, amplitude_v=0.25, bare_t60_s=4.0, padded_t60_s=0.15),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchParameters:
    """Errors of the instruments and the state of the room and the mains."""

    generator_ppm: float = 0.0
    generator_second_db: float = -115.0
    generator_level_sd_db: float = 0.002
    range_gain_db: tuple[tuple[float, float], ...] = ()
    digitiser_offset_v: float = 0.0
    digitiser_ppm: float = 0.0
    digitiser_noise_v: float = 1.5e-6
    dmm_offset_v: float = 0.0
    dmm_gain: float = 1.0
    dmm_noise_v: float = 5e-6
    thermometer_error_c: tuple[float, float, float] = (0.0, 0.0, 0.0)
    power_meter_gain: float = 1.0
    ambient_c: float = 23.0
    mains_vrms: float = 230.0
    load_ohm: float = 8.0
    load_per_k: float = 5e-5
    load_k_per_w: float = 0.15
    load_tau_s: float = 300.0


RANGES_PEAK_V = (1.0, 3.0, 10.0, 30.0, 100.0)


def random_bench(seed: int) -> BenchParameters:
    """Instrument errors of one bench, drawn from the seed, within the instruments' accuracy."""
    rng = np.random.default_rng([seed, 1])
    gains = np.clip(rng.normal(0.0, 0.01, len(RANGES_PEAK_V)), -0.025, 0.025)
    return BenchParameters(
        generator_ppm=float(rng.uniform(-20, 20)),
        range_gain_db=tuple(zip(RANGES_PEAK_V, map(float, gains), strict=True)),
        digitiser_offset_v=float(rng.choice([-1, 1]) * rng.uniform(0.05e-3, 0.1e-3)),
        digitiser_ppm=float(rng.uniform(-10, 10)),
        dmm_offset_v=float(rng.uniform(-10e-6, 10e-6)),
        dmm_gain=1.0 + float(rng.uniform(-3e-5, 3e-5)),
        thermometer_error_c=tuple(float(x) for x in rng.uniform(-0.3, 0.3, 3)),  # type: ignore[arg-type] # three of them
        power_meter_gain=1.0 + float(rng.uniform(-2e-3, 2e-3)),
        ambient_c=float(rng.uniform(22.0, 24.0)),
        mains_vrms=float(rng.uniform(229.0, 231.0)),
        load_ohm=8.0 * (1.0 + float(rng.uniform(-2e-3, 2e-3))),
    )


def pair_of_units(seed: int) -> tuple[UnitParameters, UnitParameters]:
    """Two healthy units, alike within the spread of a well made pair."""
    return _random_unit(seed, 1), _random_unit(seed, 2)


def _random_unit(seed: int, number: int) -> UnitParameters:
    rng = np.random.default_rng([seed, 2, number])

    def spread(relative: float) -> float:
        return 1.0 + relative * float(np.clip(rng.normal(), -2.0, 2.0))

    nominal = UnitParameters()
    bias = spread(0.015)
    return UnitParameters(
        path=replace(
            nominal.path,
            gain=nominal.path.gain * 10.0 ** (0.03 * float(np.clip(rng.normal(), -1.5, 1.5)) / 20),
            crossover_v=nominal.path.crossover_v * spread(0.01),
            cubic_per_v2=nominal.path.cubic_per_v2 * spread(0.01),
            lagging_per_v=nominal.path.lagging_per_v * spread(0.005),
        ),
        output=replace(nominal.output, resistance_ohm=0.05 * spread(0.03)),
        supply=_random_supply(nominal.supply, rng),
        noise=replace(nominal.noise, white_v_per_rthz=0.42e-6 * spread(0.01)),
        spur=replace(
            nominal.spur, frequency_hz=104e3 * spread(0.003), level_vrms=0.15e-3 * spread(0.03)
        ),
        servo=replace(nominal.servo, raw_v=85e-3 * spread(0.02), residual_v=0.4e-3 * spread(0.1)),
        thermal=replace(
            nominal.thermal, bias_cold_a=0.060 * bias, bias_nominal_a=WARM_BIAS_A * bias
        ),
        modes=tuple(
            replace(
                mode,
                frequency_hz=mode.frequency_hz * spread(0.01),
                bare_t60_s=mode.bare_t60_s * (scale := spread(0.1)),
                padded_t60_s=mode.padded_t60_s * scale,
            )
            for mode in nominal.modes
        ),
    )


def _random_supply(nominal: Supply, rng: np.random.Generator) -> Supply:
    return replace(
        nominal,
        peak_v=nominal.peak_v * (1.0 + float(rng.uniform(-1.5e-3, 1.5e-3))),
        capacitance_positive_f=nominal.capacitance_positive_f * float(rng.uniform(0.98, 1.02)),
        capacitance_negative_f=nominal.capacitance_negative_f * float(rng.uniform(0.98, 1.02)),
        field_vrms=tuple(
            (k, level * float(rng.uniform(0.97, 1.03))) for k, level in nominal.field_vrms
        ),
        hum_phase_cycles=tuple(
            0.25 if k == 1 else float(rng.uniform()) for k in range(len(nominal.hum_phase_cycles))
        ),
        low_positive_v=15.0 * (1.0 + float(rng.uniform(-5e-3, 5e-3))),
        low_negative_v=-15.0 * (1.0 + float(rng.uniform(-5e-3, 5e-3))),
    )
