"""A record of the digitiser: what happened between its start and its end, rendered when asked for.

While a record runs, the world marks a new scene in it at each change of state. Rendering goes scene
by scene for everything deterministic, and over runs of scenes for noise and spur, so that a change
of, say, the mains frequency doesn't cut the noise in two.
"""

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from sim_instruments import servo, signals, tap
from sim_instruments.amplifier import (
    oscillation_gate,
)
from sim_instruments.digitiser import digitised, noise_vrms, range_for
from sim_instruments.dropouts import dropout_times, interrupt
from sim_instruments.lines import Lines, Samples, synthesise
from sim_instruments.noise import (
    anti_alias,
    apply_anti_alias,
    output_density,
    shaped_noise,
    spur_waveform,
)
from sim_instruments.sampled_drive import SampledDrive, is_silent_sweep, slow_tones
from sim_instruments.scene import Scene, before_change, drive_of, steady_of
from sim_instruments.unit import UnitView

POINTS = ("output", "loop", "tap")
_COUPLING_HZ = 0.5
_LINE_FLOOR_V = 2e-8
_LIMITED_FLOOR_V = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordSettings:
    """What was asked of the digitiser."""

    point: str | None
    samples: int
    sample_rate_hz: float
    """As commanded; the true rate differs by the clock's error."""
    range_peak_v: float
    ac_coupled: bool
    seed: tuple[int, ...]
    """Of everything random in this record."""
    is_padded: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """Samples first..last of the record belong to this scene, which begins at time_s."""

    scene: Scene
    first: int
    last: int

    @property
    def count(self) -> int:
        return self.last - self.first


class Record:
    """One record, lazily rendered. channel(1) is the measured point, channel(2) the generator."""

    def __init__(self, settings: RecordSettings, scene: Scene) -> None:
        self._settings = settings
        self._scenes = [scene]
        self._channels: dict[int, Samples] = {}
        self._is_overrange = False
        self.start_s = scene.time_s
        self._rate_hz = settings.sample_rate_hz * (1.0 + scene.bench.digitiser_ppm * 1e-6)
        self.end_s = self.start_s + settings.samples / self._rate_hz

    def mark(self, scene: Scene) -> None:
        """Note a change of state; called by the world while the record runs."""
        if scene.time_s <= self._scenes[-1].time_s:
            self._scenes[-1] = scene
        elif scene.time_s < self.end_s:
            self._scenes.append(scene)

    @property
    def is_overrange(self) -> bool:
        """Whether channel 1 saturated."""
        self.channel(1)
        return self._is_overrange

    def channel(self, number: int) -> Samples:
        """Volts at the input, shape (samples,). Only once the clock has reached end_s.

        Raises ValueError for another channel than 1 and 2.
        """
        if number not in (1, 2):
            raise ValueError(f"channel {number}: the digitiser has channels 1 and 2")
        if number not in self._channels:
            self._channels[number] = self._measured() if number == 1 else self._generator()
        return self._channels[number]

    def _rng(self, purpose: int) -> np.random.Generator:
        return np.random.default_rng([*self._settings.seed, purpose])

    def _measured(self) -> Samples:
        settings = self._settings
        bench = self._scenes[0].bench
        if settings.point == "output":
            wave = self._output()
        elif settings.point == "loop":
            wave = self._terminals() + self._own_noise(settings.range_peak_v, 1)
        elif settings.point == "tap":
            wave = self._tap() + self._own_noise(settings.range_peak_v, 1)
        else:
            wave = self._own_noise(settings.range_peak_v, 1)
        volts, self._is_overrange = digitised(wave, bench, settings.range_peak_v)
        return volts

    def _generator(self) -> Samples:
        wave = self._terminals()
        range_v = range_for(1.1 * float(np.max(np.abs(wave), initial=0.0)))
        wave += self._own_noise(range_v, 2)
        return digitised(wave, self._scenes[0].bench, range_v)[0]

    def _own_noise(self, range_peak_v: float, purpose: int) -> Samples:
        level = noise_vrms(self._scenes[0].bench, range_peak_v)
        return level * self._rng(purpose).standard_normal(self._settings.samples)

    def _pieces(self) -> Iterator[_Piece]:
        samples = self._settings.samples
        starts = [
            max(0, math.ceil((scene.time_s - self.start_s) * self._rate_hz - 1e-6))
            for scene in self._scenes
        ]
        ends = [*starts[1:], samples]
        for scene, first, last in zip(self._scenes, starts, ends, strict=True):
            if min(last, samples) > first:
                yield _Piece(
                    scene=_moved(scene, self._time(first)), first=first, last=min(last, samples)
                )

    def _time(self, sample: int) -> float:
        return self.start_s + sample / self._rate_hz

    def _runs(self, key: Callable[[Scene], object]) -> Iterator[_Piece]:
        """Pieces, neighbours with the same key joined."""
        for _, group in itertools.groupby(self._pieces(), lambda piece: key(piece.scene)):
            joined = list(group)
            yield replace(joined[0], last=joined[-1].last)

    # --- the generator's terminals -------------------------------------------------------------

    def _terminals(self) -> Samples:
        wave = np.empty(self._settings.samples)
        for piece in self._pieces():
            wave[piece.first : piece.last] = self._terminal_piece(piece)
        return wave

    def _terminal_piece(self, piece: _Piece) -> Samples:
        scene = piece.scene
        if is_silent_sweep(scene, piece.count, self._rate_hz):
            return np.zeros(piece.count)
        if not scene.generator.is_steady:
            drive = SampledDrive(scene, piece.count, self._rate_hz, self._rng(3))
            return drive.at_terminals()
        wave = self._synthesised(signals.terminal_lines(scene.generator, scene.time_s), piece.count)
        earlier = before_change(scene)
        if earlier is not None:
            lines = signals.terminal_lines(earlier.generator, scene.time_s)
            self._fade_from(wave, lines, scene)
        return wave

    def _synthesised(self, lines: Lines, count: int) -> Samples:
        hz = lines.frequency_hz
        share = anti_alias(hz, self._settings.sample_rate_hz)
        if self._settings.ac_coupled:
            response = 1j * hz / (_COUPLING_HZ + 1j * hz)
            lines = lines.scaled(response)
        floor = _LINE_FLOOR_V if hz.size < 2000 else _LIMITED_FLOOR_V
        kept = lines.scaled(share).above(floor)
        return synthesise(kept, count, self._rate_hz)

    def _fade_from(self, wave: Samples, lines: Lines, scene: Scene) -> None:
        """Let the lines in force before a change of level die away at the start of wave."""
        since = scene.time_s - scene.changed_at_s
        count = min(wave.size, int((10.0 * signals.SETTLE_S - since) * self._rate_hz))
        if count > 0:
            decay = np.exp(-(since + np.arange(count) / self._rate_hz) / signals.SETTLE_S)
            earlier = self._synthesised(lines, count)
            wave[:count] += (earlier - wave[:count]) * decay

    # --- the amplifier's output ----------------------------------------------------------------

    def _output(self) -> Samples:
        wave = self._noise()
        for piece in self._pieces():
            if piece.scene.is_through:
                part = self._driven(piece)
                part += self._offset(piece)
                wave[piece.first : piece.last] += part
        self._interrupt(wave)
        return wave

    def _driven(self, piece: _Piece) -> Samples:
        scene = piece.scene
        unit = scene.unit
        if unit is None:
            return np.zeros(piece.count)
        steady = steady_of(scene)
        if steady.needs_samples:
            wave = self._in_samples(piece, unit)
            wave += self._synthesised(steady.hum, piece.count)
        else:
            wave = self._synthesised(steady.drive + steady.hum, piece.count)
        self._settle_level(wave, scene)
        self._oscillation(wave, unit)
        return wave

    def _settle_level(self, wave: Samples, scene: Scene) -> None:
        earlier = before_change(scene)
        if earlier is None:
            return
        steady = steady_of(earlier)
        if not steady.needs_samples:
            self._fade_from(wave, steady.drive + steady.hum, scene)

    def _in_samples(self, piece: _Piece, unit: UnitView) -> Samples:
        scene = piece.scene
        if is_silent_sweep(scene, piece.count, self._rate_hz):
            return np.zeros(piece.count)
        if not scene.generator.is_steady:
            drive = SampledDrive(scene, piece.count, self._rate_hz, self._rng(3))
            return drive.at_output(unit)
        return slow_tones(scene, unit, piece.count, self._rate_hz)

    def _oscillation(self, wave: Samples, unit: UnitView) -> None:
        """Add the parasitic oscillation where the output is above its threshold."""
        path = unit.parameters.path
        share = float(anti_alias(np.array([path.oscillation_hz]), self._settings.sample_rate_hz)[0])
        level = math.sqrt(2.0) * path.oscillation_vrms * share
        if level < 1e-7 or path.oscillation_hz > 0.6 * self._settings.sample_rate_hz:
            return
        if float(wave.max(initial=0.0)) < path.oscillation_threshold_v - 2.0:
            return
        cycles = np.mod(np.arange(wave.size) * (path.oscillation_hz / self._rate_hz), 1.0)
        wave += level * oscillation_gate(wave, path) * np.cos(2.0 * np.pi * cycles)

    def _offset(self, piece: _Piece) -> Samples:
        """Offset, closing click of the relay included."""
        scene = piece.scene
        unit = scene.unit
        if unit is None:
            return np.zeros(piece.count)
        coarse = min(piece.count, 4 + int(2000.0 * piece.count / self._rate_hz))
        place = np.linspace(0.0, piece.count - 1.0, coarse)
        seconds = place / self._rate_hz
        trace = servo.offset_after(unit.parameters.servo, unit.raw_v, unit.offset, seconds)
        if self._settings.ac_coupled:
            trace = _high_passed(trace, seconds)
        if np.ptp(trace) < 1e-10:
            wave = np.full(piece.count, trace[0])
        else:
            wave = np.interp(np.arange(piece.count), place, trace)
        self._click(wave, scene.time_s - unit.closed_at_s, unit)
        return wave

    def _click(self, wave: Samples, since_s: float, unit: UnitView) -> None:
        parameters = unit.parameters.servo
        count = min(wave.size, int((20.0 * parameters.click_tau_s - since_s) * self._rate_hz))
        if count > 0:
            t = since_s + np.arange(count) / self._rate_hz
            ring = np.cos(2.0 * np.pi * parameters.click_ring_hz * t)
            wave[:count] += parameters.click_v * np.exp(-t / parameters.click_tau_s) * ring

    def _noise(self) -> Samples:
        """Noise of the unit and of the digitiser, and the standby supply's line."""
        settings = self._settings
        wave = np.empty(settings.samples)
        rng = self._rng(1)
        own = noise_vrms(self._scenes[0].bench, settings.range_peak_v)
        for run in self._runs(_noise_key):
            unit = run.scene.unit
            part = wave[run.first : run.last]
            if unit is None or not run.scene.is_through:
                part[:] = own * rng.standard_normal(run.count)
            else:
                part[:] = self._unit_noise(rng, unit, run.count, own)
            self._spur(part, rng, run)
        return wave

    def _unit_noise(
        self, rng: np.random.Generator, unit: UnitView, count: int, own_vrms: float
    ) -> Samples:
        own_density = own_vrms**2 / (0.5 * self._rate_hz)
        corner = unit.parameters.path.closed_loop_corner_hz

        def density(frequency: Samples) -> Samples:
            power = output_density(unit.parameters.noise, frequency, corner)
            apply_anti_alias(power, frequency, self._rate_hz)
            power += own_density
            return power

        return shaped_noise(rng, count, self._rate_hz, density)

    def _spur(self, part: Samples, rng: np.random.Generator, run: _Piece) -> None:
        unit = run.scene.unit
        level = _spur_level(run.scene)
        if unit is not None and level:
            part += spur_waveform(
                rng,
                unit.parameters.spur,
                frequency_hz=unit.spur_hz,
                level_vrms=level,
                samples=run.count,
                sample_rate_hz=self._rate_hz,
            )

    def _interrupt(self, wave: Samples) -> None:
        for run in self._runs(lambda scene: scene.unit.number if scene.unit else None):
            unit = run.scene.unit
            if unit is None or not unit.is_through:
                continue
            output = unit.parameters.output
            start, end = self._time(run.first), self._time(run.last)
            times = dropout_times(self._settings.seed[0], unit.number, output, start, end)
            part = wave[run.first : run.last]
            interrupt(part, times, output.dropout_s, start, self._rate_hz)

    # --- the tap sensor ------------------------------------------------------------------------

    def _tap(self) -> Samples:
        scene = self._scenes[0]
        unit = scene.unit
        count = self._settings.samples
        if unit is None:
            return np.zeros(count)
        rng = self._rng(4)
        wave = tap.tap_waveform(
            rng,
            unit.parameters.modes,
            is_padded=self._settings.is_padded,
            hits=tap.random_hits(rng, count / self._rate_hz),
            samples=count,
            sample_rate_hz=self._rate_hz,
        )
        buzz = unit.parameters.supply.buzz_v if unit.is_powered else 0.0
        wave += self._synthesised(
            tap.hum_of_sensor(scene.mains_hz, scene.mains_cycles, buzz), count
        )
        return wave


def _moved(scene: Scene, time_s: float) -> Scene:
    """The scene from a slightly later moment on (the first sample that belongs to it)."""
    shift = time_s - scene.time_s
    unit = scene.unit
    if unit is not None and unit.is_through:
        offset = servo.state_after(unit.parameters.servo, unit.raw_v, unit.offset, shift)
        unit = replace(unit, offset=offset)
    cycles = scene.mains_cycles + shift * scene.mains_hz
    return replace(scene, time_s=time_s, unit=unit, mains_cycles=cycles)


def _noise_key(scene: Scene) -> object:
    unit = scene.unit
    if unit is None:
        return None
    return unit.number, unit.parameters.noise, unit.is_through, _spur_level(scene)


def _spur_level(scene: Scene) -> float:
    """Level of the standby supply's line at the output, V r.m.s.; 1 dB more at 10 W."""
    unit = scene.unit
    if unit is None:
        return 0.0
    if scene.has_standby_line:
        return unit.parameters.spur.stays_on_vrms
    if not unit.is_through:
        return 0.0
    watts = min(drive_of(scene).output_w, 40.0)
    return unit.parameters.spur.level_vrms * math.pow(10.0, math.sqrt(watts / 10.0) / 20.0)


def _high_passed(trace: Samples, seconds: Samples) -> Samples:
    """First-order high-pass of the AC coupling, settled on the trace's first value."""
    if trace.size < 2:
        return np.zeros(trace.size)
    keep = math.exp(-2.0 * math.pi * _COUPLING_HZ * float(seconds[1] - seconds[0]))
    out, previous, value = [], float(trace[0]), 0.0
    for x in trace.tolist():
        value = keep * (value + x - previous)
        previous = x
        out.append(value)
    return np.array(out)
