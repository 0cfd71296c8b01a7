"""What a kind of step is, and the register of kinds.

A kind of step is three things kept apart: its settings (a pydantic model, so that YAML check,
editor schema and code can't drift), `acquire`, which drives the bench and yields captures, and
`evaluate`, which is pure and turns captures into findings. Judging again from the record calls
`evaluate` alone. One module a kind, registered by name; nothing else in the program lists the kinds.
"""

import math
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import Any, ClassVar, Generic, Protocol, TypeVar

from pydantic import BaseModel, ConfigDict

from drivers.roles import (
    Analyser,
    Dmm,
    Generator,
    MainsSwitch,
    PowerMeter,
    Role,
    Router,
    Thermometer,
)
from sequencer.analysis.estimates import Estimate
from sequencer.captures import Capture
from sequencer.limits import Limit
from sequencer.pictures import Picture
from sequencer.quantities import Level, format_quantity
from sequencer.uncertainty import resolution
from sequencer.unit_data import UnitData


class StepSettings(BaseModel):
    """Settings of a kind of step: frozen, no unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)


# One-sided 95 % of a normal variable.
_ONE_SIDED_95 = 1.6449

S = TypeVar("S", bound=StepSettings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """Accuracy data of one instrument, as half-widths of its stated tolerances.

    level and flatness are relative (a fraction of the reading), dc_v an absolute offset in V,
    dc_relative a fraction, frequency a fraction, distortion the instrument's own residual as a
    fraction, temperature in K, resistance, power, voltage fractions.
    """

    level: float = 0.0
    flatness: float = 0.0
    dc_v: float = 0.0
    dc_relative: float = 0.0
    frequency: float = 0.0
    distortion: float = 0.0
    temperature_k: float = 0.0
    resistance: float = 0.0
    power: float = 0.0
    voltage: float = 0.0
    ac: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """The load on the bench: ohms, tolerance as a fraction, what it can take and for how long."""

    resistance_ohm: float
    tolerance: float
    continuous_w: float
    short_term_w: float
    short_term_s: float

    def time_limit_s(self, power_w: float) -> float:
        """How long the load stands this power, in seconds; 0 when it is too much."""
        if power_w <= self.continuous_w:
            return math.inf
        return self.short_term_s if power_w <= self.short_term_w else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """What evaluation knows besides the captures: the unit, the load, the instruments' accuracy."""

    unit: UnitData
    load: Load
    accuracy: Mapping[Role, Accuracy] = field(default_factory=dict)

    def of(self, role: Role) -> Accuracy:
        """Accuracy data of a role; all zero when the bench file gives none."""
        return self.accuracy.get(role, Accuracy())


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One quantity found by evaluation, before it is judged.

    value and standard_uncertainty (capture and instrument combined) are in `unit`. Where there is no
    value, upper_bound and lower_bound may say what it is at most and at least (noise_limited: because
    noise hides it). reason says why there is no value.
    """

    name: str
    unit: str
    value: float | None
    standard_uncertainty: float | None = None
    noise_limited: bool = False
    upper_bound: float | None = None
    lower_bound: float | None = None
    reason: str | None = None
    remarks: tuple[str, ...] = ()


def found(
    name: str, unit: str, estimate: Estimate, *instrument: float, remarks: Sequence[str] = ()
) -> Finding:
    """A finding from an estimate, its doubt joined by instrument contributions.

    instrument holds standard uncertainties in the unit of the value; they combine as root sum of
    squares (JCGM 100:2008, 5.1.2, uncorrelated inputs). A one-sided 95 % bound is widened likewise.
    No doubt is finer than the number's own last digit (F.2.2.1); none at all stays none.
    """
    doubt = math.hypot(estimate.standard_uncertainty, *instrument)
    if estimate.value is not None and doubt > 0.0:
        doubt = max(doubt, resolution(math.ulp(estimate.value)))
    bound = estimate.upper_bound
    if bound is not None:
        bound = math.hypot(bound, *map(one_sided_95, instrument))
    return Finding(
        name=name,
        unit=unit,
        value=estimate.value,
        standard_uncertainty=None if estimate.value is None else doubt,
        noise_limited=estimate.noise_limited,
        upper_bound=bound,
        remarks=tuple(remarks),
    )


def one_sided_95(standard_uncertainty: float) -> float:
    """How far a one-sided 95 % bound lies from the value, normal distribution."""
    return _ONE_SIDED_95 * standard_uncertainty


def not_found(name: str, unit: str, reason: str) -> Finding:
    """A finding without a value, with the reason."""
    return Finding(name=name, unit=unit, value=None, reason=reason)


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What a step asks of the bench, known before anything is energised.

    roles must be there; helpful_roles are used where they are. operations are methods of a role that
    not every instrument has the commands for. top_frequency_hz is the highest
    frequency the analyser must see. generator_vrms is the e.m.f. it will need, load_w the power in
    the load and load_s for how long; stops_by_itself: it may go beyond rated power, since it ends by a
    rule of its own. asks_for names a reading that the operator takes, unless the
    job ticket gives it, else_asks_for one that he takes where the bench lacks what the step needs.
    by_hand_without names the role or route without which a person must do it.
    readings_by maps readings to the role, and its method, without which the step does not give them.
    record_s, record_top_hz and record_ceiling_hz: the longest record, what it must see, and the highest
    sample rate it takes; record_most: how many samples at most. needs_mains_off: the unit must be off.
    switches_on_and_off: a unit that is off is switched on meanwhile.
    """

    roles: frozenset[Role] = frozenset()
    helpful_roles: frozenset[Role] = frozenset()
    routes: frozenset[str] = frozenset()
    operations: frozenset[tuple[Role, str]] = frozenset()
    top_frequency_hz: float = 0.0
    generator_vrms: float = 0.0
    load_w: float = 0.0
    load_s: float = 0.0
    stops_by_itself: bool = False
    duration_s: float = 0.0
    analyser_channels: int = 1
    record_s: float = 0.0
    record_top_hz: float = 0.0
    record_ceiling_hz: float = math.inf
    record_most: int | None = None
    asks_operator: bool = False
    asks_for: str | None = None
    else_asks_for: str | None = None
    by_hand_without: Role | str | None = None
    readings_by: Mapping[str, tuple[Role, str]] = field(
        default_factory=lambda: MappingProxyType({})
    )
    needs_mains_off: bool = False
    switches_on_and_off: bool = False


def driven(level: Level, unit: UnitData, *, top_frequency_hz: float, seconds: float) -> Demand:
    """What it asks of the bench to drive the unit to an output level for some seconds."""
    level_vrms = level.to_vrms(unit.load_ohm, unit.rated_power_w)
    return Demand(
        roles=frozenset({Role.GENERATOR, Role.ANALYSER}),
        top_frequency_hz=top_frequency_hz,
        generator_vrms=level_vrms / 10.0 ** (unit.gain_db / 20.0),
        load_w=level_vrms**2 / unit.load_ohm,
        load_s=seconds,
        duration_s=seconds,
    )


class BenchAccess(Protocol):
    """The bench as a step may use it. Everything that energises goes through here."""

    @property
    def unit(self) -> UnitData:
        """The unit's data."""
        ...

    @property
    def load(self) -> Load:
        """The load on the bench."""
        ...

    @property
    def generator_ceiling_vrms(self) -> float:
        """Highest e.m.f. the bench file allows, V r.m.s."""
        ...

    def has(self, role: Role) -> bool:
        """Whether the bench has this role."""
        ...

    def can(self, role: Role, method: str) -> bool:
        """Whether the bench has this role, and its instrument this method of the role."""
        ...

    @property
    def generator(self) -> Generator:
        """The generator."""
        ...

    @property
    def analyser(self) -> Analyser:
        """The analyser."""
        ...

    @property
    def dmm(self) -> Dmm:
        """The multimeter."""
        ...

    @property
    def router(self) -> Router:
        """The router."""
        ...

    @property
    def mains_switch(self) -> MainsSwitch:
        """The mains switch."""
        ...

    @property
    def thermometer(self) -> Thermometer:
        """The thermometer."""
        ...

    @property
    def power_meter(self) -> PowerMeter:
        """The power meter."""
        ...

    def has_route(self, name: str) -> bool:
        """Whether the router has a channel of this name (load, meter_bias ...)."""
        ...

    def connect(self, route: str) -> None:
        """Close the router channel of this name."""
        ...

    def disconnect(self, route: str) -> None:
        """Open the router channel of this name."""
        ...

    def connect_load(self) -> None:
        """The load at the unit's output, by hand where the router can't.

        Raises Declined (which ends the run) when the operator won't.
        """
        ...

    def remove_load(self) -> None:
        """No load at the unit's output, by hand where the router can't; raises Declined."""
        ...

    def await_mains_rest(self) -> None:
        """Wait until mains may come on again after it went off (inrush limiters must cool)."""
        ...

    def demand_mains_off(self, what_for: str) -> None:
        """Go on only while the unit's mains are off; raises WiredWrong when they are on."""
        ...

    def switch_mains(self, on: bool) -> None:
        """Switch the unit's mains, on not before it has rested.

        By hand, with the operator's word for it, where the bench has no mains switch.
        """
        ...

    def energise(self, what: str) -> None:
        """Announce that the next command raises what drives the unit; on disk when this returns.

        Switching an output or the mains on is announced by the instrument's link itself.
        """
        ...

    def wait(self, seconds: float) -> None:
        """Let bench time pass, in slices, with the guards watching."""
        ...

    def look(self) -> None:
        """Let the guards look whose time has come: for a step that takes long without a wait."""
        ...

    def now_s(self) -> float:
        """Bench time in seconds."""
        ...

    def note(self, text: str) -> None:
        """Tell the person watching, and the record, what is going on."""
        ...

    def ask(self, question: str) -> str:
        """Ask the operator and return the answer."""
        ...

    def given(self, reading: str) -> str | None:
        """A reading that the job ticket gives beforehand, as written."""
        ...

    def by_hand(self, what: str) -> None:
        """Ask the operator to do something the bench can't, and wait until it is done.

        Raises Declined (which ends the run) when he won't.
        """
        ...

    def acknowledge(self, caution: str) -> None:
        """Show a caution and wait until it is accepted."""
        ...


class Leaves(StrEnum):
    """The state in which a step leaves the unit, where later steps rely on it.

    A resumed run brings the unit into it again before it goes on.
    """

    ON = "mains on, DC looked at, load connected"
    OFF = "mains off"
    WARM = "warm"
    LISTENING = "analyser connected"


class WiredWrong(Exception):
    """Something is connected or working so wrongly that going on would do harm."""


class StepKind(ABC, Generic[S]):
    """A kind of step. Stateless: all it knows comes in as arguments."""

    name: ClassVar[str]
    settings: ClassVar[type[StepSettings]]
    # Whether the run can't go on when an answer that nobody can use breaks the step off.
    is_vital: ClassVar[bool] = False

    def is_vital_for(self, settings: S) -> bool:
        """Whether the run can't go on when this step breaks off over an unusable answer."""
        return self.is_vital

    # Reading name -> unit. A name that ends in "_N" stands for a family (hum_N: hum_50, hum_100 ...).
    readings: ClassVar[Mapping[str, str]] = {}
    # Names under which a limit may mean a reading whose own name depends on the unit, with units.
    other_names: ClassVar[Mapping[str, str]] = {}

    @property
    def known_readings(self) -> tuple[str, ...]:
        """Names of the readings this kind can give."""
        return (*self.readings, *self.other_names)

    def reading_named(self, name: str, unit: UnitData) -> str:
        """The reading of this unit that a name in a limit means."""
        return name

    def unit_of(self, reading: str) -> str | None:
        """Unit of a reading of this kind; None when it gives no such reading."""
        if reading in self.readings:
            return None if reading.endswith("_N") else self.readings[reading]
        family, _, number = reading.rpartition("_")
        return self.readings.get(f"{family}_N") if number.isdigit() else None

    def check(self, settings: S, unit: UnitData) -> list[str]:
        """What is wrong with these settings for this unit, beyond single values."""
        return []

    def check_limits(self, settings: S, limits: Mapping[str, Limit]) -> list[str]:
        """What is wrong with these settings beside the limits of the step's readings."""
        return []

    def leaves(self, settings: S) -> Leaves | None:
        """The state that later steps rely on; None where there is none."""
        return None

    @abstractmethod
    def demand(self, settings: S, unit: UnitData) -> Demand:
        """What the step asks of the bench."""

    @abstractmethod
    def describe(self, settings: S, unit: UnitData) -> str:
        """What the step will do, as one sentence for a person."""

    @abstractmethod
    def acquire(self, settings: S, bench: BenchAccess) -> Iterator[Capture]:
        """Drive the bench; yield each capture as it is taken."""

    @abstractmethod
    def evaluate(
        self, settings: S, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Findings from the captures alone. Pure."""

    def pictures(
        self, settings: S, captures: Sequence[Capture], situation: Situation
    ) -> list[Picture]:
        """Plots worth showing in the report. Pure."""
        return []


AnyStepKind = StepKind[Any]


def say(value: float, unit: str) -> str:
    """A quantity in words, for descriptions."""
    return format_quantity(value, unit)
