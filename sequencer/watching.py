"""The guards at work: what they look at, when, and how they judge it.

Theory of operation. `look` is called between steps, between the slices of every wait and before
whatever energises. Each guard looks again when its period has passed on the bench's clock. A value
beyond its limit is read once more before the guard acts, and a temperature that no neighbour bears out
twice more before it is remembered for its rise, so that one wild reading ends no run; a value
that can't be read is tried once more on fresh connections and then counts as beyond: what can't be
watched must not go on. Whether an instrument answers at all is asked with little patience, so that a
dead one is known within seconds of the look.

A guard whose meter has no such reading sees nothing; the plan's remarks say so beforehand.

Rules. Only meters that no step keeps busy are used (multimeter, thermometer, power meter), never the
analyser while it records. No relay is moved: where the meter isn't at the output, the output can't be
watched just now. What the guards judge depends on the phase: DC only with mains and load on, a level
only in silence that has lasted since the look before. A multimeter's average over a mains cycle leaves
a rest of a driven tone, at most peak / (pi * frequency * time) (mean of a sine over any stretch of
that time); the DC guard allows for it. Power into the load is the level squared over its resistance,
whether one is connected or not; only what the unit draws from the mains tells (energy).
"""

import math
import statistics
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from drivers.errors import InstrumentError, OperationMissing
from drivers.roles import Role
from sequencer.bench import Bench
from sequencer.bench_spec import BenchSpec
from sequencer.bench_state import BenchState
from sequencer.errors import GuardTripped
from sequencer.events import Event, GuardsLooked, GuardWarned
from sequencer.guards import KINDS, Action, FreeBytes, GuardSettings
from sequencer.quantities import format_quantity
from sequencer.unit_data import OFF_W, REVERSED, UnitData, is_off, is_reversed

# Relay, servo and inrush have passed by then (common practice, no source).
SETTLED_S = 15.0
_MB_PER_GB = 1000.0
_DC_READINGS = 5
# Below this a power into the load proves nothing about it: a unit at rest draws more (common practice,
# no source).
_BALANCE_FROM_W = 5.0
# What the meters may be off together, if no more is stated (common practice, no source).
_LEAST_DOUBT = 0.05
# A power meter's mean has followed a level that has just risen by then (common practice, no source); no
# longer, since a look must not push the end of a record's wait back.
_BALANCE_WAIT_S = 2.0
_BALANCE_TRIES = 4
_NO_LOAD = (
    "the output shows {out} into the load, but the unit draws only {drawn} from the mains: the load is "
    "not connected (or not {ohms})"
)
_BRIEFLY = 1  # turns of patience for a question that every instrument answers at once
# So often is it put, and all that twice: one message in a hundred may be lost on the way, all night.
_ATTEMPTS = 2
_UNITS: Mapping[str, str] = {
    "output_dc": "V",
    "output_level": "V",
    "load_power": "W",
    "mains_power": "W",
    "power_balance": "W",
    "temperature": "degC",
    "temperature_rise": "K/min",
    "total_time": "s",
    "disk": "MB",
}
_WORDS: Mapping[str, str] = {
    "output_dc": "DC at the output",
    "output_level": "level at the output where silence should be",
    "load_power": "power into the load",
    "mains_power": "mains power",
    "temperature": "heatsink temperature",
    "temperature_rise": "rise of the heatsink's temperature",
    "total_time": "time the run has taken",
    "disk": "room left for the record",
}


@dataclass(slots=True)
class _Memory:
    """What the guards remember from look to look."""

    next_s: dict[str, float] = field(default_factory=dict)
    warned: set[tuple[str, str]] = field(default_factory=set)
    temperatures: list[tuple[float, float]] = field(default_factory=list)
    drive_marks: int = -1
    mains_marks: int = -1
    quiet_since_s: float = math.inf
    mains_since_s: float = math.inf
    overload_s: float = 0.0  # how long the load was driven beyond its continuous power
    load_seen: tuple[float, float] | None = None  # when it was looked at last, s, and its power, W


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bounds:
    """The limit that holds just now, the one that is only told, and what it means to be beyond.

    instead stands for the whole sentence on a value beyond the limit.
    """

    limit: float
    warn: float | None = None
    is_lower: bool = False
    means: str = ""
    instead: str = ""

    def is_beyond(self, value: float, bound: float | None) -> bool:
        """Whether a value lies on the wrong side of a bound."""
        if bound is None:
            return False
        return value < bound if self.is_lower else abs(value) > bound


class Watch:
    """The guards of one run."""

    def __init__(
        self,
        settings: GuardSettings,
        bench: Bench,
        unit: UnitData,
        state: BenchState,
        *,
        estimate_s: float,
        tell: Callable[[Event], None],
        free_bytes: FreeBytes = lambda: None,
    ) -> None:
        self._settings = settings
        self._bench = bench
        self._unit = unit
        self._state = state
        self._estimate_s = estimate_s
        self._tell = tell
        self._free_bytes = free_bytes
        self._memory = _Memory()
        self._started_s: float | None = None

    @property
    def shortest_period_s(self) -> float:
        """Waits must not be sliced coarser than this."""
        return self._settings.shortest_period_s

    def look(self) -> None:
        """Let every guard look whose time has come.

        Raises GuardTripped when one of them stops the run.
        """
        now_s = self._bench.clock.now_s()
        if self._started_s is None:
            self._started_s = now_s
        memory = self._memory
        due = [name for name in KINDS if memory.next_s.get(name, now_s) <= now_s]
        if not due:
            return
        for name in due:
            memory.next_s[name] = now_s + self._settings.of(name).period
        self._follow_phase(now_s)
        values = {name: value for name in due for value in self._judged(name, now_s)}
        if values:
            self._tell(GuardsLooked(values=values))

    def _follow_phase(self, now_s: float) -> None:
        """Since when mains has been on, and since when nothing drives, as far as looks can tell."""
        memory, state = self._memory, self._state
        if state.is_driving or state.drive_marks != memory.drive_marks:
            memory.quiet_since_s = math.inf if state.is_driving else now_s
        if state.is_mains_on is False or state.mains_marks != memory.mains_marks:
            memory.mains_since_s = math.inf if state.is_mains_on is False else now_s
        memory.drive_marks, memory.mains_marks = state.drive_marks, state.mains_marks

    def _judged(self, name: str, now_s: float) -> Iterator[float]:
        """The value a guard saw, if it could see one; raises or warns where it is out of bounds."""
        seen = self._seen(name, now_s)
        if seen is None:
            return
        value, bounds = seen
        if bounds.is_beyond(value, bounds.limit):
            again = self._seen(name, now_s)
            if again is not None and again[1].is_beyond(again[0], again[1].limit):
                self._act(name, _beyond(name, again[0], again[1]))
        elif bounds.is_beyond(value, bounds.warn):
            self._warn(name, _beyond(name, value, bounds, is_warning=True), "near")
        else:
            self._memory.warned -= {(name, "near"), (name, "beyond")}
        yield value

    def _seen(self, name: str, now_s: float) -> tuple[float, _Bounds] | None:
        """What a guard sees, on the second try if need be; None where there is nothing to see."""
        see = _EYES[name]
        try:
            return see(self, now_s)
        except OperationMissing as error:
            self._warn(name, f"{error}; so it sees nothing", "blind")
            return None
        except InstrumentError:
            try:
                return see(self, now_s)
            except InstrumentError as error:
                self._act(name, str(error))
                return None

    def _act(self, name: str, words: str) -> None:
        if self._settings.of(name).action is Action.STOP:
            raise GuardTripped(f"guard {name}: {words}")
        self._warn(name, words, "beyond")

    def _warn(self, name: str, words: str, how_far: str) -> None:
        """Tell once, not at every look."""
        if (name, how_far) not in self._memory.warned:
            self._memory.warned.add((name, how_far))
            self._tell(GuardWarned(guard=name, words=words))

    # What each guard sees.

    def _is_output_in_sight(self, now_s: float) -> bool:
        """Whether mains has been on for a while and the meter is at the output."""
        if now_s - self._memory.mains_since_s < SETTLED_S:
            return False
        return self._is_closed("meter_output")

    def _is_closed(self, route: str) -> bool:
        """Whether the relay of a route is closed; true where there is none."""
        routes = self._bench.spec.routes
        return route not in routes or self._bench.router.is_closed(routes[route])

    def _see_dc(self, now_s: float) -> tuple[float, _Bounds] | None:
        if not self._is_output_in_sight(now_s) or not self._is_closed("load"):
            return None
        bounds = _Bounds(limit=self._settings.output_dc.limit + self._rest_of_drive_v())
        dmm = self._bench.dmm
        value = dmm.read_dc_v()
        if bounds.is_beyond(value, bounds.limit):
            value += math.fsum(dmm.read_dc_v() for _ in range(_DC_READINGS - 1))
            value /= _DC_READINGS
        return value, bounds

    def _rest_of_drive_v(self) -> float:
        """What one reading over a mains cycle may show of the tone that drives the unit."""
        state = self._state
        if not state.is_driving:
            return 0.0
        gain = math.pow(10.0, self._unit.gain_db / 20.0)
        peak_v = math.sqrt(2.0) * state.emf_vrms * gain
        cycles = state.lowest_hz / self._unit.mains_frequency_hz
        return peak_v / max(math.pi * cycles, 1.0)

    def _see_level(self, now_s: float) -> tuple[float, _Bounds] | None:
        guard = self._settings.output_level
        is_quiet = now_s - self._memory.quiet_since_s >= min(guard.period, 1.0)
        if (
            not is_quiet
            or not can_see_level(self._bench.spec)
            or not self._is_output_in_sight(now_s)
        ):
            return None
        return self._bench.dmm.read_ac_vrms(), _Bounds(limit=guard.limit)

    def _see_load_power(self, now_s: float) -> tuple[float, _Bounds] | None:
        if not self._is_load_driven():
            self._follow_load(0.0, now_s)
            return None
        power_w = self._read_load_power_w()
        self._follow_load(power_w, now_s)
        if (limit := self._settings.load_power.limit) is not None:
            return power_w, _Bounds(limit=limit)
        return power_w, _Bounds(limit=self._load_limit_w())

    def _is_load_driven(self) -> bool:
        """Whether the unit drives its load, as far as is known, and the meter sees it."""
        is_driven = self._state.is_driving and self._state.is_mains_on is not False
        is_driven = is_driven and can_see_level(self._bench.spec)
        return is_driven and self._is_closed("load") and self._is_closed("meter_output")

    def _read_load_power_w(self) -> float:
        """What the level at the output is in the load's resistance."""
        return self._bench.dmm.read_ac_vrms() ** 2 / self._bench.spec.load.resistance_ohm

    def _see_balance(self, now_s: float) -> tuple[float, _Bounds] | None:
        """More out than in can't be; only a level that has just risen is ahead of the mains' mean."""
        if not self._bench.spec.has(Role.POWER_METER) or not self._is_load_driven():
            return None
        seen = self._read_balance()
        for _ in range(_BALANCE_TRIES):
            if not seen[1].is_beyond(seen[0], seen[1].limit):
                break
            self._bench.clock.sleep(_BALANCE_WAIT_S / _BALANCE_TRIES)
            seen = self._read_balance()
        return seen

    def _read_balance(self) -> tuple[float, _Bounds]:
        """Power into the load, and the most that the mains give, with the doubt of what reads both."""
        spec = self._bench.spec
        power_w = self._read_load_power_w()
        if power_w <= _BALANCE_FROM_W:
            return power_w, _Bounds(limit=_BALANCE_FROM_W)  # whatever the mains give
        mains_w = self._bench.power_meter.read_power_w()
        if is_reversed(mains_w):
            return power_w, _Bounds(limit=math.inf)  # the guard of the mains power says so
        accuracy = spec.accuracy
        doubt = accuracy[Role.POWER_METER].power + 2.0 * accuracy[Role.DMM].ac + spec.load.tolerance
        most_w = mains_w * (1.0 + max(doubt, _LEAST_DOUBT))
        words = _NO_LOAD.format(
            out=_shown(power_w, "W"),
            drawn=_shown(mains_w, "W"),
            ohms=_shown(spec.load.resistance_ohm, "ohm"),
        )
        return power_w, _Bounds(limit=max(most_w, _BALANCE_FROM_W), instead=words)

    def _follow_load(self, power_w: float, now_s: float) -> None:
        """How long it was overloaded; it cools by what it takes less than its continuous power.

        So no pause between two overloads makes more of them than it stands on average (common
        practice, no source).
        """
        load, memory = self._bench.spec.load, self._memory
        before_s, before_w = memory.load_seen or (now_s, power_w)
        memory.load_seen = (now_s, power_w)
        if power_w > load.continuous_w:
            memory.overload_s += now_s - before_s if before_w > load.continuous_w else 0.0
        else:
            room_w = max(load.short_term_w - load.continuous_w, 0.01 * load.continuous_w)
            cooled_s = (now_s - before_s) * (load.continuous_w - power_w) / room_w
            memory.overload_s = max(memory.overload_s - cooled_s, 0.0)

    def _load_limit_w(self) -> float:
        """What the load stands just now: its short-term power only for its short-term duration."""
        load = self._bench.spec.load
        is_over = self._memory.overload_s > load.short_term_s
        return load.continuous_w if is_over else load.short_term_w

    def _see_mains_power(self, now_s: float) -> tuple[float, _Bounds] | None:
        if not self._bench.spec.has(Role.POWER_METER):
            return None
        limit = self._settings.mains_power.limit or 4.0 * self._unit.rated_power_w + 100.0
        power_w = self._bench.power_meter.read_power_w()
        if is_reversed(power_w):
            return power_w, _Bounds(limit=-OFF_W, is_lower=True, means=REVERSED)
        if is_off(power_w) and self._is_on_for_long(now_s):
            return power_w, _Bounds(limit=OFF_W, is_lower=True)
        return power_w, _Bounds(limit=limit)

    def _is_on_for_long(self, now_s: float) -> bool:
        """Whether the bench switched the unit on, not in standby, and that a while ago."""
        state = self._state
        is_on = state.is_mains_on is True and not state.is_standby
        return is_on and now_s - self._memory.mains_since_s >= SETTLED_S

    def _see_temperature(self, now_s: float) -> tuple[float, _Bounds] | None:
        if not self._bench.spec.has(Role.THERMOMETER):
            return None
        guard = self._settings.temperature
        value = self._bench.thermometer.read_celsius()
        return value, _Bounds(limit=guard.limit, warn=guard.warn)

    def _see_rise(self, now_s: float) -> tuple[float, _Bounds] | None:
        """Rise in K/min since the youngest reading that is old enough; a fall is no alarm."""
        if not self._bench.spec.has(Role.THERMOMETER):
            return None
        guard, past = self._settings.temperature_rise, self._memory.temperatures
        celsius = self._undoubted_celsius(now_s)
        while len(past) > 1 and past[1][0] <= now_s - guard.over:
            past.pop(0)
        then_s, then_c = past[0] if past else (now_s, celsius)
        past.append((now_s, celsius))
        if now_s - then_s < guard.over:
            return None
        rise = max((celsius - then_c) / (now_s - then_s), 0.0) * 60.0
        return rise, _Bounds(limit=guard.limit * 60.0)

    def _undoubted_celsius(self, now_s: float) -> float:
        """A reading fit to be remembered: one that no neighbour bears out is the middle of three."""
        past, read = self._memory.temperatures, self._bench.thermometer.read_celsius
        celsius = read()
        if past:
            then_s, then_c = past[-1]
            if abs(celsius - then_c) <= self._settings.temperature_rise.limit * (now_s - then_s):
                return celsius
        return statistics.median((celsius, read(), read()))

    def _see_time(self, now_s: float) -> tuple[float, _Bounds] | None:
        limit_s = self._settings.total_time.limit or 2.0 * self._estimate_s + 3600.0
        return now_s - (self._started_s or 0.0), _Bounds(limit=limit_s)

    def _see_disk(self, now_s: float) -> tuple[float, _Bounds] | None:
        free = self._free_bytes()
        guard = self._settings.disk
        if free is None:
            return None
        warn_mb = guard.warn and guard.warn / 1e6
        return free / 1e6, _Bounds(limit=guard.limit / 1e6, warn=warn_mb, is_lower=True)

    def _see_switches(self, now_s: float) -> None:
        """Ask what makes the bench safe; what was switched on must still be on."""
        bench, state = self._bench, self._state
        with bench.hurried(_BRIEFLY, attempts=_ATTEMPTS):
            if not state.is_output_on:
                bench.prove(Role.GENERATOR)
            elif not bench.generator.is_output_on():
                self._act("switches", "the generator's output went off by itself")
            if not bench.spec.has(Role.MAINS_SWITCH):
                return
            if not state.is_mains_on:
                bench.prove(Role.MAINS_SWITCH)
            elif not bench.mains_switch.is_output_on():
                self._act("switches", "the mains went off by itself; was something pressed?")

    def _see_instruments(self, now_s: float) -> None:
        """Ask every instrument for something."""
        bench, state = self._bench, self._state
        with bench.hurried(_BRIEFLY, attempts=_ATTEMPTS):
            for role in bench.spec.instruments:
                if role is not Role.ANALYSER or not state.is_recording:
                    bench.prove(role)


def can_see_level(bench: BenchSpec) -> bool:
    """Whether the multimeter has an AC reading, which two of the guards look at."""
    lacking = bench.instruments[Role.DMM].missing_operations if bench.has(Role.DMM) else ()
    return "read_ac_vrms" not in lacking


_Eye = Callable[[Watch, float], tuple[float, _Bounds] | None]
# What each guard sees: a value and the bounds it must keep, None where there is nothing to see.
_EYES: Mapping[str, _Eye] = {
    "switches": Watch._see_switches,
    "output_dc": Watch._see_dc,
    "output_level": Watch._see_level,
    "load_power": Watch._see_load_power,
    "mains_power": Watch._see_mains_power,
    "power_balance": Watch._see_balance,
    "temperature": Watch._see_temperature,
    "temperature_rise": Watch._see_rise,
    "instruments": Watch._see_instruments,
    "total_time": Watch._see_time,
    "disk": Watch._see_disk,
}


def _beyond(name: str, value: float, bounds: _Bounds, *, is_warning: bool = False) -> str:
    """What is out of bounds, in words."""
    if bounds.instead:
        return bounds.instead
    bound = bounds.warn if is_warning else bounds.limit
    assert bound is not None
    unit = _UNITS[name]
    side = "less than" if bounds.is_lower else "more than"
    means = f": {bounds.means}" if bounds.means else ""
    return f"{_WORDS[name]} is {_shown(value, unit)}, {side} {_shown(bound, unit)}{means}"


def _shown(value: float, unit: str) -> str:
    if unit == "MB" and round(value) >= _MB_PER_GB:
        value, unit = value / _MB_PER_GB, "GB"
    if unit in ("MB", "GB", "K/min"):
        return f"{value:.3g} {unit}"
    return format_quantity(value, unit)
