"""One moment of the bench, frozen, and what steady signals stand at the amplifier's output."""

import math
from dataclasses import dataclass, replace

import numpy as np

from sim_instruments import signals
from sim_instruments.amplifier import (
    input_response,
    output_response,
    servo_response,
    steady_output,
)
from sim_instruments.lines import Lines, lines_of, no_lines
from sim_instruments.parameters import BenchParameters
from sim_instruments.signals import Generator
from sim_instruments.supply import RailPair, steady_rails
from sim_instruments.thermal import Drive
from sim_instruments.unit import UnitView

SLOW_TONE_HZ = 200.0
"""Below this the rails follow the signal itself, so limiting is computed in samples."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Everything that decides a record from time_s on, until something changes."""

    time_s: float
    bench: BenchParameters
    generator: Generator
    previous: Generator | None
    """Settings in force before the last change."""
    changed_at_s: float
    unit: UnitView | None
    load_ohm: float
    """inf when the load is not connected."""
    mains_vrms: float
    mains_hz: float
    mains_cycles: float
    has_standby_line: bool
    """Whether the standby supply's line shows although the unit is in standby."""

    @property
    def is_through(self) -> bool:
        """Whether an amplifier is live at the output terminals."""
        return self.unit is not None and self.unit.is_through


def drive_of(scene: Scene) -> Drive:
    """Mean rail current and output power of the present drive (for heat and mains power)."""
    unit = scene.unit
    if unit is None or not unit.is_through or math.isinf(scene.load_ohm):
        return Drive()
    peaks = _output_peaks(scene)
    ceiling = unit.parameters.supply.peak_v * scene.mains_vrms / 230.0 - 8.0
    peaks = np.minimum(peaks, ceiling)
    # Nominal gain and load, so that a long step of the clock isn't tied to the warmth at its start.
    load_ohm = scene.bench.load_ohm
    rms_a = float(np.sqrt(0.5 * np.sum(peaks**2))) / load_ohm
    # Mean of one polarity: Ipeak/pi of a sine, Irms/sqrt(2 pi) of noise and of many tones.
    form = math.sqrt(2.0) / math.pi if peaks.size == 1 else 1.0 / math.sqrt(2.0 * math.pi)
    return Drive(rail_a=form * rms_a, output_w=rms_a**2 * load_ohm)


def _output_peaks(scene: Scene) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    generator = scene.generator
    if generator.is_steady:
        tones = signals.tones(generator, scene.time_s)
        hz = np.array([tone.frequency_hz for tone in tones])
        peak = np.array([abs(tone.amplitude) for tone in tones])
    else:
        is_sounding = generator.shape == "noise" or generator.is_playing(scene.time_s)
        level = generator.level_vrms if is_sounding else 0.0
        hz = np.array([1000.0, 1000.0]) if generator.shape == "noise" else np.array([1000.0])
        peak = np.full(hz.size, level * math.sqrt(2.0 / hz.size))
    if scene.unit is None or hz.size == 0:
        return np.zeros(0)
    amplifier = scene.unit.amplifier
    nominal = amplifier.path.gain / amplifier.gain
    gain = np.abs(input_response(amplifier, hz)) * nominal
    return np.asarray(peak * gain, dtype=np.float64)


def rails_of(scene: Scene, unit: UnitView, load: tuple[float, float] | None = None) -> RailPair:
    """Rails of a powered unit; load holds both mean load currents, else they are estimated."""
    positive, negative = load if load is not None else (drive_of(scene).rail_a,) * 2
    return steady_rails(
        unit.parameters.supply,
        mains_vrms=scene.mains_vrms,
        mains_hz=scene.mains_hz,
        quiescent_a=unit.bias_a,
        load_positive_a=positive,
        load_negative_a=negative,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Steady:
    """Line spectrum at the output: the drive's part, and hum with ripple."""

    drive: Lines
    hum: Lines
    needs_samples: bool
    """The drive's part must be computed in samples instead."""


def steady_of(scene: Scene) -> Steady:
    """Lines at the output terminals of a unit whose relay is closed."""
    unit = scene.unit
    if unit is None or not unit.is_through:
        return Steady(drive=no_lines(), hum=no_lines(), needs_samples=False)
    tones = signals.tones(scene.generator, scene.time_s)
    needs_samples = not scene.generator.is_steady
    drive = no_lines()
    if tones:
        output = steady_output(
            unit.amplifier,
            tones,
            lambda *loads: rails_of(scene, unit, loads),
            2.0 * scene.mains_cycles,
        )
        rails = output.rails
        is_slow = len(tones) > 1 or tones[0].frequency_hz < SLOW_TONE_HZ
        needs_samples = output.is_limited and is_slow
        drive = output.lines + _linear(unit, signals.residual_lines(scene.generator, tones))
    else:
        rails = rails_of(scene, unit)
    return Steady(drive=drive, hum=hum_lines(scene, unit, rails), needs_samples=needs_samples)


def _linear(unit: UnitView, lines: Lines) -> Lines:
    hz = lines.frequency_hz
    amplifier = unit.amplifier
    response = input_response(amplifier, hz) * output_response(amplifier, hz)
    return lines.scaled(response * servo_response(amplifier.servo, hz))


def hum_lines(scene: Scene, unit: UnitView, rails: RailPair) -> Lines:
    """Mains lines at the output: stray field, rail ripple, ground loop, open input."""
    supply = unit.parameters.supply
    ripple = rails.ripple_lines(supply, 2.0 * scene.mains_cycles)
    pairs: list[tuple[float, complex]] = []
    # A ground loop couples by resistance, the field by induction: a quarter of a cycle apart.
    sources = [(*line, 0.0) for line in supply.field_vrms]
    sources += [(*line, 0.25) for line in supply.ground_loop_vrms]
    for order, level, turned in sources:
        phase = supply.hum_phase_cycles[order - 1] + turned + order * scene.mains_cycles
        turn = complex(np.exp(2j * np.pi * phase))
        if order % 2 == 0:
            # In quadrature with the ripple's own line, so that the two add as powers.
            own = complex(ripple.amplitude[order // 2 - 1])
            turn = 1j * own / abs(own)
        pairs.append((order * scene.mains_hz, math.sqrt(2.0) * level * turn))
    if not scene.generator.output_on:
        level = unit.parameters.noise.open_input_vrms
        turn = complex(np.exp(2j * np.pi * scene.mains_cycles))
        pairs.append((scene.mains_hz, math.sqrt(2.0) * level * turn))
    return ripple + lines_of(*pairs)


def before_change(scene: Scene) -> Scene | None:
    """The same scene with the generator's previous settings, while their end still rings."""
    recent = scene.time_s - scene.changed_at_s < 10.0 * signals.SETTLE_S
    if scene.previous is None or not recent:
        return None
    if not (scene.previous.is_steady and scene.generator.is_steady):
        return None
    return replace(scene, generator=scene.previous, previous=None)
