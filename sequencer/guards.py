"""Guards: what is watched during a whole run, and the bounds beyond which it warns or stops.

The settings alone; watching.py looks. A set with sensible bounds is always on for what the bench can
see; the procedure's `guards:` change single ones. Bounds without a source are common practice:
80 degC at the heatsink, half a volt of DC at a loudspeaker terminal; beyond the most that can be written
(120 degC, 5 V of DC, 10 V in silence) a guard would guard nothing.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from sequencer.errors import FileError
from sequencer.located_yaml import Node, validate
from sequencer.quantities import (
    PositiveDuration,
    PositivePower,
    PositiveVoltage,
    Temperature,
    TemperatureRate,
    at_least,
    at_most,
    did_you_mean,
)

_SIZE = re.compile(r"([0-9]+\.?[0-9]*)\s*(MB|GB)")
_BYTES = {"MB": 1e6, "GB": 1e9}


class Action(StrEnum):
    """What a guard does beyond its limit."""

    WARN = "warn"
    STOP = "stop"


def _size(value: object) -> float:
    match = _SIZE.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise ValueError('a size such as "200 MB" or "2 GB" is wanted here')
    return float(match[1]) * _BYTES[match[2]]


Size = Annotated[
    float,
    BeforeValidator(_size),
    Field(gt=0),
    WithJsonSchema({"type": "string", "examples": ["200 MB"]}),
]
# Shorter than a second would be all looking and no testing, longer than ten minutes no guard.
Period = Annotated[PositiveDuration, at_least("1 s", "time"), at_most("10 min", "time")]


class Guard(BaseModel):
    """What every guard has: how often it looks, and what it does beyond its limit."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    action: Action = Field(default=Action.STOP, description="warn or stop beyond the limit")
    period: Period = Field(default=10.0, description="time between two looks")


class OutputDc(Guard):
    """DC at the output while a load is connected, averaged over whole mains cycles by the meter."""

    limit: Annotated[PositiveVoltage, at_most("5 V", "voltage")] = Field(
        default=0.5, description="either polarity"
    )


class OutputLevel(Guard):
    """Level at the output while nothing drives the unit: oscillation, hum, a wrong input."""

    limit: Annotated[PositiveVoltage, at_most("10 V", "voltage")] = Field(
        default=0.1, description="true r.m.s."
    )
    period: Period = 30.0


class LoadPower(Guard):
    """Power into the load; without a limit of its own, what the bench's load stands."""

    limit: PositivePower | None = Field(default=None, description="never beyond this")


class MainsPower(Guard):
    """Power drawn from the mains; without a limit of its own, 4 times rated power and 100 W."""

    limit: PositivePower | None = None
    period: Period = 30.0


class PowerBalance(Guard):
    """Power into the load against power from the mains: more out than in means no load, or another."""


class HeatsinkTemperature(Guard):
    """Temperature of the heatsink."""

    warn: Temperature | None = Field(default=70.0, description="told beyond this")
    limit: Annotated[Temperature, at_most("120 degC", "temperature")] = 80.0
    period: Period = 30.0

    @model_validator(mode="after")
    def _warns_first(self) -> "HeatsinkTemperature":
        if self.warn is not None and self.warn >= self.limit and "warn" in self.model_fields_set:
            raise ValueError("warn is not below limit; swap the two")
        return self


class TemperatureRise(Guard):
    """Rate of rise of the heatsink's temperature, over at least `over`."""

    limit: TemperatureRate = Field(default=10.0 / 60.0, gt=0)
    over: Annotated[PositiveDuration, at_most("1 h", "time")] = 60.0
    period: Period = 30.0


class Switches(Guard):
    """Generator and mains switch still answer, and what is on is still on.

    What ends a run safely must be known to work, so this one looks first, often, and waits briefly.
    """


class Instruments(Guard):
    """Every instrument still answers."""

    period: Period = 60.0


class TotalTime(Guard):
    """Length of the run; without a limit of its own, twice the estimate and an hour."""

    limit: PositiveDuration | None = None


class Disk(Guard):
    """Room for the record."""

    warn: Size | None = 1e9
    limit: Size = 100e6
    period: Period = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardSettings:
    """Every guard of a run."""

    switches: Switches = field(default_factory=Switches)
    output_dc: OutputDc = field(default_factory=OutputDc)
    output_level: OutputLevel = field(default_factory=OutputLevel)
    load_power: LoadPower = field(default_factory=LoadPower)
    mains_power: MainsPower = field(default_factory=MainsPower)
    power_balance: PowerBalance = field(default_factory=PowerBalance)
    temperature: HeatsinkTemperature = field(default_factory=HeatsinkTemperature)
    temperature_rise: TemperatureRise = field(default_factory=TemperatureRise)
    instruments: Instruments = field(default_factory=Instruments)
    total_time: TotalTime = field(default_factory=TotalTime)
    disk: Disk = field(default_factory=Disk)

    @property
    def shortest_period_s(self) -> float:
        """How often somebody must look."""
        return min(self.of(name).period for name in KINDS)

    def of(self, name: str) -> Guard:
        """The guard of a name."""
        guard = getattr(self, name)
        assert isinstance(guard, Guard)
        return guard


# Name in a procedure's `guards:` -> its settings.
KINDS: Mapping[str, type[Guard]] = {
    "switches": Switches,
    "output_dc": OutputDc,
    "output_level": OutputLevel,
    "load_power": LoadPower,
    "mains_power": MainsPower,
    "power_balance": PowerBalance,
    "temperature": HeatsinkTemperature,
    "temperature_rise": TemperatureRise,
    "instruments": Instruments,
    "total_time": TotalTime,
    "disk": Disk,
}


def guard_settings(nodes: Mapping[str, Node]) -> tuple[GuardSettings, list[FileError]]:
    """The guards that a procedure asks for, the others as they are, and every mistake."""
    asked: dict[str, Any] = {}
    errors: list[FileError] = []
    for name, node in nodes.items():
        if (kind := KINDS.get(name)) is None:
            hint = did_you_mean(name, KINDS)
            errors.append(FileError(node.place, f'there is no guard "{name}"; {hint}'))
            continue
        settings, mistakes = validate(kind, node)
        errors.extend(mistakes)
        if settings is not None:
            asked[name] = settings
    return GuardSettings(**asked), errors


def loosened_guards(nodes: Mapping[str, Node]) -> list[str]:
    """The guards that let more pass than the usual ones, in words, as written; unknown names not."""
    settings, _ = guard_settings(nodes)
    usual = GuardSettings()
    return [
        f"guard {name}: {', '.join(words)}"
        for name, node in nodes.items()
        if name in KINDS and (words := _loosened(settings.of(name), usual.of(name), node))
    ]


def _loosened(guard: Guard, usual: Guard, node: Node) -> list[str]:
    words = []
    limit, own = (getattr(each, "limit", None) for each in (guard, usual))
    is_looser = limit is not None and own is not None and limit > own
    side = "beyond"
    if isinstance(guard, Disk):
        is_looser, side = guard.limit < Disk().limit, "below"
    if is_looser and (written := node.get("limit")):
        words.append(f"stops {side} {written.text} only")
    if guard.action is Action.WARN:
        words.append("warns and does not stop")
    if guard.period > 2.0 * usual.period and (written := node.get("period")):
        words.append(f"looks every {written.text} only")
    return words


FreeBytes = Callable[[], float | None]
