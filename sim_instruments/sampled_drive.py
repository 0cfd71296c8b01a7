"""Drives that must be computed in samples, and the amplifier's answer to them.

A sweep, programme noise, and tones so slow or so many that the rails' limit follows them.
"""

import math

import numpy as np

from sim_instruments import signals
from sim_instruments.amplifier import input_response
from sim_instruments.lines import Complex, Lines, Samples, fast_length, synthesise
from sim_instruments.scene import Scene
from sim_instruments.transients import Mains, amplified, decimated, grid_for, response
from sim_instruments.unit import UnitView

_SWEEP_TAIL_S = 1.0
_SLOW_WARM_UP_S = 0.3


class SampledDrive:
    """A sweep or noise drive in samples, for one part of a record."""

    def __init__(self, scene: Scene, count: int, rate_hz: float, rng: np.random.Generator) -> None:
        self._scene = scene
        self._count = count
        generator = scene.generator
        self._lead = 0
        tail = 0
        highest_hz = signals.PROGRAMME_CEILING_HZ
        if generator.shape == "sweep":
            highest_hz = max(generator.start_hz, generator.stop_hz)
            self._lead = _samples_since_play(scene, rate_hz)
            tail = math.ceil(_SWEEP_TAIL_S * rate_hz)
        self._grid = grid_for(fast_length(count + self._lead + tail), rate_hz, highest_hz)
        self._spectrum = self._drive(rng)

    def _drive(self, rng: np.random.Generator) -> Complex:
        generator, grid = self._scene.generator, self._grid
        if generator.shape == "noise":
            return signals.programme_noise(generator, rng, grid.drive_samples, grid.drive_rate_hz)
        start_s = self._scene.time_s - self._lead / grid.rate_hz
        step_s = 1.0 / grid.drive_rate_hz
        sweep = signals.sweep_samples(generator, start_s, step_s, grid.drive_samples)
        return np.fft.rfft(sweep)

    def at_terminals(self) -> Samples:
        """The drive itself at the wanted rate."""
        wave = decimated(self._spectrum, self._grid, self._grid.drive_ratio)
        return wave[self._lead : self._lead + self._count]

    def at_output(self, unit: UnitView) -> Samples:
        """The amplifier's answer at the wanted rate."""
        grid = self._grid
        mains = _mains(self._scene, -self._lead / grid.rate_hz)
        linear = amplified(unit.amplifier, self._spectrum, grid)
        wave = response(unit.amplifier, linear, grid, unit.parameters.supply, mains, unit.bias_a)
        return wave[self._lead : self._lead + self._count]


def is_silent_sweep(scene: Scene, count: int, rate_hz: float) -> bool:
    """Whether the generator waits for, or is past, its sweep for so many samples."""
    generator, time_s = scene.generator, scene.time_s
    if generator.is_steady or generator.shape != "sweep":
        return False
    played = generator.played_at_s
    if played is None or played + generator.sweep_s <= time_s:
        return True
    return played > time_s + count / rate_hz


def _samples_since_play(scene: Scene, rate_hz: float) -> int:
    """Samples by which a sweep that already sounds began before the scene."""
    played = scene.generator.played_at_s
    if played is None or not scene.generator.is_playing(scene.time_s):
        return 0
    return math.ceil((scene.time_s - played) * rate_hz)


def slow_tones(scene: Scene, unit: UnitView, count: int, rate_hz: float) -> Samples:
    """Output of tones that the rails limit while following them."""
    lead = math.ceil(_SLOW_WARM_UP_S * rate_hz)
    tones = signals.tones(scene.generator, scene.time_s)
    hz = np.array([tone.frequency_hz for tone in tones])
    grid = grid_for(fast_length(count + 2 * lead), rate_hz, float(hz.max()))
    start_s = -lead / rate_hz
    peaks = np.array([tone.amplitude for tone in tones]) * input_response(unit.amplifier, hz)
    lines = Lines(frequency_hz=hz, amplitude=peaks * np.exp(2j * np.pi * hz * start_s))
    linear = np.fft.rfft(synthesise(lines, grid.drive_samples, grid.drive_rate_hz))
    mains = _mains(scene, start_s)
    wave = response(unit.amplifier, linear, grid, unit.parameters.supply, mains, unit.bias_a)
    return wave[lead : lead + count]


def _mains(scene: Scene, shift_s: float) -> Mains:
    return Mains(
        vrms=scene.mains_vrms,
        frequency_hz=scene.mains_hz,
        cycles=scene.mains_cycles + shift_s * scene.mains_hz,
    )
