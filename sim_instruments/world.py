"""The physical side of the simulated bench: two amplifiers, the room, and time.

Theory of operation. Slow states (heat, servo, rails, mains frequency) are functions of time that are
moved in closed form or large steps, so hours cost milliseconds. Waveforms exist only where a record
was started; a record notes each change of state while it runs and is rendered when its samples are
asked for. Everything random comes from generators seeded by (seed, instrument, running index), so
the same calls to an instrument give the same bits, whatever the others are asked meanwhile; how the
clock is moved between two states makes no difference.
"""

import math
from collections import Counter
from dataclasses import asdict, replace

import numpy as np

from sim_instruments import meters
from sim_instruments.faults import known_faults, parse_fault
from sim_instruments.mains import STEP_S, MainsFrequency
from sim_instruments.parameters import BenchParameters, pair_of_units, random_bench
from sim_instruments.record import POINTS, Record, RecordSettings
from sim_instruments.scene import Scene, drive_of
from sim_instruments.signals import SHAPES, Generator
from sim_instruments.thermal import Drive
from sim_instruments.unit import Unit

# What each instrument's random numbers are seeded with, beside the bench's seed and an index.
_RECORDS, _LEVELS, _DMM, _THERMOMETER, _POWER_METER = 7, 8, 9, 10, 11


class World:
    """Two units on a bench, with everything the instruments can sense and do.

    Single-threaded: the caller serialises. Times are simulated seconds from the start.
    """

    def __init__(
        self,
        *,
        seed: int = 1,
        fault: str | None = None,
        mains_vrms: float | None = None,
        damping_pads: bool = True,
    ) -> None:
        """Build the bench of a seed. mains_vrms overrides the seed's mains voltage.

        Raises ValueError when there is no such fault.
        """
        self.seed = seed
        bench = random_bench(seed)
        if mains_vrms is not None:
            bench = replace(bench, mains_vrms=mains_vrms)
        self.bench: BenchParameters = bench
        self.now_s = 0.0
        self.mains_on = False
        self.standby = False
        self.unit: int | None = None
        self.load_connected = False
        self.damping_pads = damping_pads
        self._units = tuple(
            Unit(number, parameters, bench.ambient_c, seed)
            for number, parameters in enumerate(pair_of_units(seed), start=1)
        )
        self._mains = MainsFrequency(seed)
        self._generator = Generator(ppm=bench.generator_ppm, residual_db=bench.generator_second_db)
        self._previous: Generator | None = None
        self._changed_at_s = -math.inf
        self._load_c = bench.ambient_c
        self._drawn: Counter[int] = Counter()
        self._record: Record | None = None
        self.set_fault(fault)

    fault_names: tuple[str, ...] = known_faults()

    # --- faults and time -----------------------------------------------------------------------

    def set_fault(self, fault: str | None, unit: int | None = None) -> None:
        """Give both units, or unit 1 or 2, a fault "name" or "name:severity"; None heals.

        Raises ValueError, with the known names, when there is no such fault.
        """
        if fault is not None:
            parse_fault(fault)
        if unit not in (None, 1, 2):
            raise ValueError(f"unit is {unit!r}; it must be 1, 2 or None for both")
        for one in self._units:
            if unit in (None, one.number):
                one.set_fault(fault)
        self._mark()

    def advance(self, seconds: float) -> None:
        """Let simulated time pass.

        Raises ValueError when seconds is negative or not finite.
        """
        if not (seconds >= 0.0 and math.isfinite(seconds)):
            raise ValueError(f"seconds is {seconds!r}; it must be finite and not negative")
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            step_s = self._step_to(end_s)
            before = self._state_seen()
            passed = self._advance_once(step_s)
            is_last = passed == step_s and self.now_s + passed >= end_s - 1e-12
            self.now_s = end_s if is_last else self.now_s + passed
            for unit in self._units:
                unit.set_time(self.now_s)
            if self._state_seen() != before:
                self._mark()

    def _state_seen(self) -> tuple[object, ...]:
        """What a record must note when it changes by the passing of time alone."""
        selected = self._selected
        own = None if selected is None else (selected.is_powered, selected.is_through)
        return own, math.floor(self.now_s / STEP_S + 1e-9)

    def _step_to(self, end_s: float) -> float:
        step_s = end_s - self.now_s
        played = self._generator.played_at_s
        if played is not None:
            rest = played + self._generator.sweep_s - self.now_s
            step_s = min(step_s, rest) if rest > 1e-9 else step_s
        if self._record is not None and self.now_s < self._record.end_s:
            next_grid = (math.floor(self.now_s / STEP_S + 1e-9) + 1.0) * STEP_S
            step_s = min(step_s, max(next_grid - self.now_s, 1e-6))
        return step_s

    def _advance_once(self, step_s: float) -> float:
        scene = self._scene()
        drive = drive_of(scene)
        has_standby = self.mains_on
        selected = self._selected
        passed = step_s if selected is None else selected.advance(step_s, drive, has_standby)
        for unit in self._units:
            if unit is not selected:
                unit.advance_idle(passed)
        self._heat_load(drive, passed)
        return passed

    def _heat_load(self, drive: Drive, seconds: float) -> None:
        target = self.bench.ambient_c + self.bench.load_k_per_w * drive.output_w
        decay = math.exp(-seconds / self.bench.load_tau_s)
        self._load_c = target + (self._load_c - target) * decay

    # --- generator -----------------------------------------------------------------------------

    def set_generator(
        self,
        *,
        shape: str | None = None,
        frequency_hz: float | None = None,
        level_vrms: float | None = None,
        second_frequency_hz: float | None = None,
        second_level_vrms: float | None = None,
        offset_v: float | None = None,
        output_on: bool | None = None,
        start_hz: float | None = None,
        stop_hz: float | None = None,
        sweep_s: float | None = None,
    ) -> None:
        """Change any of the generator's settings; levels are e.m.f. in V r.m.s.

        Raises ValueError when the shape is unknown.
        """
        if shape is not None and shape not in SHAPES:
            raise ValueError(f"shape is {shape!r}; it must be one of {', '.join(SHAPES)}")
        now = self._generator.at(self.now_s)
        changed = replace(
            now,
            shape=now.shape if shape is None else shape,
            frequency_hz=_or(frequency_hz, now.frequency_hz),
            level_vrms=_or(level_vrms, now.level_vrms),
            second_frequency_hz=_or(second_frequency_hz, now.second_frequency_hz),
            second_level_vrms=_or(second_level_vrms, now.second_level_vrms),
            offset_v=_or(offset_v, now.offset_v),
            output_on=now.output_on if output_on is None else output_on,
            start_hz=_or(start_hz, now.start_hz),
            stop_hz=_or(stop_hz, now.stop_hz),
            sweep_s=_or(sweep_s, now.sweep_s),
        )
        if changed == now:
            return
        if changed.level_vrms != now.level_vrms:
            changed = replace(changed, level_factor=self._level_factor())
        if changed.shape != "sweep" or not changed.output_on:
            changed = replace(changed, played_at_s=None)
        self._change_generator(changed)

    def play_sweep(self) -> None:
        """Play the sweep that is set, once, from now (nothing sounds while the output is off)."""
        if self._generator.output_on and self._generator.shape == "sweep":
            now = self._generator.at(self.now_s)
            self._change_generator(replace(now, played_at_s=self.now_s))

    def _change_generator(self, changed: Generator) -> None:
        if self._changed_at_s != self.now_s:
            self._previous = self._generator
            self._changed_at_s = self.now_s
        self._generator = changed
        self._mark()

    def _level_factor(self) -> float:
        error_db = self.bench.generator_level_sd_db * float(self._rng(_LEVELS).standard_normal())
        return math.pow(10.0, error_db / 20.0)

    # --- mains and routing ---------------------------------------------------------------------

    def set_mains(self, on: bool) -> None:
        """Switch the mains of the selected unit."""
        self.mains_on = on
        for unit in self._units:
            if not on:
                unit.release_cut_out()
        self._power()

    def set_standby(self, standby: bool) -> None:
        """Command the selected unit to standby, or to operate."""
        self.standby = standby
        self._power()

    def select_unit(self, unit: int | None) -> None:
        """Put a unit on the bench: mains, input, output and sensors all go to it.

        Raises ValueError for another number than 1 and 2.
        """
        if unit not in (None, 1, 2):
            raise ValueError(f"unit is {unit!r}; it must be 1, 2 or None")
        self.unit = unit
        self._power()

    def connect_load(self, connected: bool) -> None:
        """Connect the load to the output terminals, or take it away."""
        self.load_connected = connected
        self._mark()

    def _power(self) -> None:
        for unit in self._units:
            is_fed = self.mains_on and not self.standby and unit.number == self.unit
            unit.switch(is_fed and not unit.is_cut_out)
        self._mark()

    @property
    def _selected(self) -> Unit | None:
        return None if self.unit is None else self._units[self.unit - 1]

    # --- records -------------------------------------------------------------------------------

    def start_record(
        self,
        *,
        point: str | None,
        samples: int,
        sample_rate_hz: float,
        range_peak_v: float,
        ac_coupled: bool = False,
    ) -> Record:
        """Begin a record now. point is "output", "loop", "tap" or None for an open input.

        Raises ValueError when an argument is out of its range.
        """
        if point is not None and point not in POINTS:
            raise ValueError(f"point is {point!r}; it must be one of {', '.join(POINTS)} or None")
        if samples < 1 or sample_rate_hz <= 0.0 or range_peak_v <= 0.0:
            raise ValueError(
                f"{samples} samples at {sample_rate_hz} S/s on {range_peak_v} V: all must be above 0"
            )
        self._drawn[_RECORDS] += 1
        settings = RecordSettings(
            point=point,
            samples=samples,
            sample_rate_hz=sample_rate_hz,
            range_peak_v=range_peak_v,
            ac_coupled=ac_coupled,
            seed=(self.seed, _RECORDS, self._drawn[_RECORDS]),
            is_padded=self.damping_pads,
        )
        self._record = Record(settings, self._scene())
        return self._record

    def _mark(self) -> None:
        record = self._record
        if record is None:
            return
        if self.now_s >= record.end_s:
            self._record = None
        else:
            record.mark(self._scene())

    def _scene(self) -> Scene:
        load = self._load_ohm if self.load_connected else math.inf
        unit = self._selected
        is_standby = self.mains_on and self.standby
        return Scene(
            time_s=self.now_s,
            bench=self.bench,
            generator=self._generator,
            previous=self._previous,
            changed_at_s=self._changed_at_s,
            unit=None if unit is None else unit.view(load),
            load_ohm=load,
            mains_vrms=self.bench.mains_vrms,
            mains_hz=self._mains.frequency_hz(self.now_s),
            mains_cycles=self._mains.cycles(self.now_s),
            has_standby_line=is_standby,
        )

    @property
    def _load_ohm(self) -> float:
        warmth = self._load_c - self.bench.ambient_c
        return self.bench.load_ohm * (1.0 + self.bench.load_per_k * warmth)

    # --- meters --------------------------------------------------------------------------------

    def dmm_dc_v(self, point: str, integration_s: float) -> float:
        """One DC reading at a point, averaged over the interval that ends now.

        Raises ValueError for an unknown point.
        """
        rng = self._rng(_DMM)
        value = meters.dc_v(self._scene(), _known(point), max(integration_s, 1e-4), rng)
        noise = self.bench.dmm_noise_v * math.sqrt(0.02 / max(integration_s, 1e-4))
        error = self.bench.dmm_offset_v + noise * float(rng.standard_normal())
        return value * self.bench.dmm_gain + error

    def dmm_ac_vrms(self, point: str, integration_s: float) -> float:
        """One true r.m.s. reading at a point, DC excluded, 100 kHz bandwidth.

        Raises ValueError for an unknown point.
        """
        rng = self._rng(_DMM)
        value = meters.ac_vrms(self._scene(), _known(point))
        spread = 1e-4 * math.sqrt(0.02 / max(integration_s, 1e-4))
        return math.hypot(value * (1.0 + spread * float(rng.standard_normal())), 20e-6)

    def dmm_resistance_ohm(self, point: str) -> float:
        """One resistance reading; inf means overload, which a live circuit shows too.

        Raises ValueError for an unknown point.
        """
        value = meters.resistance_ohm(self._scene(), _known(point), self._load_ohm)
        return value * (1.0 + 1e-4 * float(self._rng(_DMM).standard_normal()))

    def temperature_c(self, sensor: int) -> float:
        """Reading of sensor 1 (heatsink of the selected unit), 2 (ambient) or 3 (load), degC.

        Raises ValueError for another sensor.
        """
        selected = self._selected
        sink = self.bench.ambient_c if selected is None else selected.heat.sink_c
        true = {1: sink, 2: self.bench.ambient_c, 3: self._load_c}
        if sensor not in true:
            raise ValueError(f"sensor is {sensor!r}; there are 1 heatsink, 2 ambient and 3 load")
        error = self.bench.thermometer_error_c[sensor - 1]
        return true[sensor] + error + 0.02 * float(self._rng(_THERMOMETER).standard_normal())

    def mains_power_w(self) -> float:
        """Active power of the unit on the bench, W."""
        return self._mains_power_w() * self.bench.power_meter_gain * self._meter_noise()

    def mains_current_a(self) -> float:
        """R.m.s. mains current of the unit on the bench, A."""
        current = meters.mains_current_a(self._mains_power_w(), self.bench.mains_vrms)
        return current * self._meter_noise()

    def mains_voltage_vrms(self) -> float:
        """Mains voltage, V r.m.s."""
        return self.bench.mains_vrms * self._meter_noise()

    def mains_frequency_hz(self) -> float:
        """Mains frequency, Hz."""
        noise = 1e-3 * float(self._rng(_POWER_METER).standard_normal())
        return self._mains.frequency_hz(self.now_s) + noise

    def _mains_power_w(self) -> float:
        unit = self._selected
        rise = 0.0 if unit is None else unit.rise_k
        return meters.mains_power_w(self._scene(), rise, self.mains_on)

    def _meter_noise(self) -> float:
        return 1.0 + 3e-4 * float(self._rng(_POWER_METER).standard_normal())

    def _rng(self, instrument: int) -> np.random.Generator:
        self._drawn[instrument] += 1
        return np.random.default_rng([self.seed, instrument, self._drawn[instrument]])

    # --- truth ---------------------------------------------------------------------------------

    def truth(self) -> dict[str, object]:
        """All parameters of both units, their slow states and the bench's errors, JSON-able."""
        return {
            "seed": self.seed,
            "time_s": self.now_s,
            "bench": _jsonable(asdict(self.bench)),
            "mains_hz": self._mains.frequency_hz(self.now_s),
            "damping_pads": self.damping_pads,
            "units": [
                {
                    "number": unit.number,
                    "fault": unit.fault,
                    "parameters": _jsonable(asdict(unit.parameters)),
                    "sink_c": unit.heat.sink_c,
                    "junction_rise_k": unit.heat.junction_rise_k,
                    "bias_a": unit.bias_a,
                    "is_powered": unit.is_powered,
                    "is_through": unit.is_through,
                    "is_cut_out": unit.is_cut_out,
                }
                for unit in self._units
            ],
        }


def _or(value: float | None, present: float) -> float:
    return present if value is None else float(value)


def _known(point: str) -> str:
    if point not in meters.DMM_POINTS:
        raise ValueError(f"point is {point!r}; it must be one of {', '.join(meters.DMM_POINTS)}")
    return point


def _jsonable(value: object) -> object:
    """The same with tuples as lists and infinities as None."""
    if isinstance(value, dict):
        return {key: _jsonable(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_jsonable(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
