"""What a bench file may hold: the settings of bench, instruments and load."""

import re
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    WithJsonSchema,
)

from drivers.roles import Role
from sequencer.quantities import (
    NOT_NEGATIVE,
    Duration,
    PositiveFrequency,
    PositivePower,
    PositiveResistance,
    PositiveVoltage,
    Ratio,
    Voltage,
    at_least,
    at_most,
    parse_quantity,
)
from sequencer.unit_data import MainsVoltage

_SOCKET = re.compile(r"TCPIP\d*::.*::(\d{1,20})::SOCKET", re.IGNORECASE)
_HIGHEST_PORT = 65535
NEEDED_ROLES = (Role.GENERATOR, Role.ANALYSER, Role.DMM)


def _relative(value: object) -> object:
    """A relative tolerance written in %, ppm or dB (0.03 dB is 0.35 %), as a fraction."""
    if isinstance(value, str) and value.strip().lower().endswith("db"):
        return 10.0 ** (parse_quantity(value, "decibel") / 20.0) - 1.0
    return parse_quantity(value, "ratio") if isinstance(value, str) else value


def _kelvins(value: object) -> object:
    """A tolerance of temperature: "0.5 K", or "0.5 degC" as data sheets have it."""
    if isinstance(value, str) and value.strip().endswith("K"):
        return parse_quantity(value, "temperature_difference")
    return parse_quantity(value, "temperature") if isinstance(value, str) else value


Kelvins = Annotated[
    float,
    BeforeValidator(_kelvins),
    Field(ge=0),
    WithJsonSchema({"type": "string", "description": 'such as "0.5 K"', "examples": ["0.5 K"]}),
]


Relative = Annotated[
    float,
    BeforeValidator(_relative),
    NOT_NEGATIVE,
    at_most("50 %", "ratio"),  # no instrument is worse
    WithJsonSchema({"type": "string", "description": 'relative, such as "0.1 %" or "0.02 dB"'}),
]


def _day(value: object) -> object:
    """A day as ISO 8601 writes it: 2027-03-31."""
    if not isinstance(value, str):
        return value
    try:
        return date.fromisoformat(value.strip())
    except ValueError:
        raise ValueError(
            f'"{value.strip()[:40]}" is no day of the calendar; write YYYY-MM-DD, such as 2027-03-31'
        ) from None


Day = Annotated[
    date,
    BeforeValidator(_day),
    WithJsonSchema({"type": "string", "format": "date", "examples": ["2027-03-31"]}),
]


def _has_port(address: str) -> str:
    match = _SOCKET.fullmatch(address.strip())
    if match and not 1 <= int(match[1]) <= _HIGHEST_PORT:
        raise ValueError(f"there is no port {match[1]}; ports go from 1 to {_HIGHEST_PORT}")
    return address


Address = Annotated[str, Field(min_length=1), AfterValidator(_has_port)]
# Longer, and an instrument that has died would be noticed too late; shorter, and none would answer.
Timeout = Annotated[Duration, at_least("10 ms", "time"), at_most("30 s", "time")]
# No line output gives more, and no power amplifier needs it (common practice, no source).
Ceiling = Annotated[PositiveVoltage, at_most("50 V", "voltage")]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class AccuracyModel(_Model):
    """Accuracy data: half-widths of the instrument's stated tolerances."""

    level: Relative = 0.0
    flatness: Relative = 0.0
    dc: Annotated[Voltage, NOT_NEGATIVE, at_most("1 V", "voltage")] = 0.0
    dc_relative: Relative = 0.0
    frequency: Relative = 0.0
    distortion: Annotated[Ratio, NOT_NEGATIVE, at_most("100 %", "ratio")] = 0.0
    temperature: Kelvins = 0.0
    resistance: Relative = 0.0
    power: Relative = 0.0
    voltage: Relative = 0.0
    ac: Relative = 0.0


class CalibrationModel(_Model):
    """When the instrument's calibration runs out."""

    due: Day
    certificate: str = ""


class InstrumentModel(_Model):
    """One instrument of the bench file."""

    address: Address
    driver: str = "scpi"
    backend: str | None = None
    identity: str | None = None
    timeout: Timeout = 2.0
    ranges: tuple[PositiveVoltage, ...] | None = None
    sample_rates: tuple[PositiveFrequency, ...] | None = None
    channels: int = Field(default=1, ge=1, le=2)
    most_samples: int | None = Field(default=None, ge=1000)
    input: Literal["grounded", "floating"] = "grounded"
    accuracy: AccuracyModel = AccuracyModel()
    calibration: CalibrationModel | None = None
    commands: dict[str, Any] | None = None


class LoadModel(_Model):
    """The load on the bench."""

    resistance: PositiveResistance
    continuous_power: PositivePower
    tolerance: Relative = 0.01
    short_term_power: PositivePower | None = None
    short_term_duration: Duration = Field(default=0.0, ge=0)


class AcceptanceModel(_Model):
    """Something accepted once for this bench: by whom, and when."""

    by: str = Field(min_length=1)
    when: Day


class BenchModel(_Model):
    """A bench file."""

    bench: str = Field(min_length=1, max_length=120)
    instruments: dict[Role, InstrumentModel]
    load: LoadModel
    generator_ceiling: Ceiling
    mains_voltage: MainsVoltage | None = Field(
        default=None,
        description="voltage of the outlet that feeds the unit; one for other mains is then refused",
    )
    clock: Literal["real", "simulated"] = "real"
    clock_address: str | None = None
    backend: str = "@py"
    router_channels: dict[str, Annotated[int, Field(ge=0)]] = {}
    independent_means: tuple[str, ...] = ()
    cautions_accepted: AcceptanceModel | None = None
    unattended_accepted: AcceptanceModel | None = None
