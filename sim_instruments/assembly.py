"""Puts the simulated bench together: devices on one world, each behind its tongue."""

from collections.abc import Iterable
from dataclasses import dataclass

from sim_instruments import plain_words as plain
from sim_instruments.bench_file import CLOCK, IDENTITIES
from sim_instruments.device_analyser import AnalyserDevice
from sim_instruments.device_dmm import DmmDevice
from sim_instruments.device_generator import GeneratorDevice
from sim_instruments.device_mains_switch import MainsSwitchDevice
from sim_instruments.device_meters import PowerMeterDevice, ThermometerDevice
from sim_instruments.device_router import RouterDevice
from sim_instruments.disturbances import ANSWERS, READINGS, RECORDS, Disturbance, Disturbances
from sim_instruments.plain_instrument import Manner, PlainInstrument
from sim_instruments.scpi_errors import ScpiError
from sim_instruments.scpi_instrument import (
    Conditions,
    Device,
    FaultSwitch,
    ScpiInstrument,
    clock_commands,
    script_disturbance,
)
from sim_instruments.scpi_meters import (
    AnalyserConditions,
    TraceFormat,
    analyser_commands,
    dmm_commands,
    power_meter_commands,
    thermometer_commands,
)
from sim_instruments.scpi_parameters import Call
from sim_instruments.scpi_sources import (
    GeneratorConditions,
    LevelUnit,
    ResetsUnit,
    generator_commands,
    mains_switch_commands,
    router_commands,
    trigger_command,
)
from sim_instruments.scpi_tree import Command
from sim_instruments.server import Talker
from sim_instruments.shared_bench import SharedBench

ROLES = (
    "generator",
    "analyser",
    "dmm",
    "router",
    "mains_switch",
    "thermometer",
    "power_meter",
)

_STUCK = frozenset({Disturbance.STUCKRELAY})
_WRONG_RANGE = frozenset({Disturbance.WRONGRANGE})

POSSIBLE = {
    "generator": ANSWERS | _STUCK,
    "analyser": ANSWERS | READINGS | RECORDS | _WRONG_RANGE,
    "dmm": ANSWERS | READINGS | _WRONG_RANGE,
    "router": ANSWERS | _STUCK,
    "mains_switch": ANSWERS | _STUCK,
    "thermometer": ANSWERS | READINGS,
    "power_meter": ANSWERS | READINGS,
}
"""Which kinds of misbehaviour each role can be given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Devices:
    """What the instruments do, before any tongue."""

    bench: SharedBench
    disturbances: dict[str, Disturbances]
    generator: GeneratorDevice
    analyser: AnalyserDevice
    dmm: DmmDevice
    router: RouterDevice
    mains_switch: MainsSwitchDevice
    thermometer: ThermometerDevice
    power_meter: PowerMeterDevice


def build_devices(bench: SharedBench) -> Devices:
    """All devices of the bench, wired to each other and to the world."""
    scripts = {role: Disturbances(POSSIBLE[role]) for role in ROLES}
    generator = GeneratorDevice(bench, scripts["generator"])
    router = RouterDevice(bench, generator, scripts["router"])
    return Devices(
        bench=bench,
        disturbances=scripts,
        generator=generator,
        analyser=AnalyserDevice(bench, router, scripts["analyser"]),
        dmm=DmmDevice(bench, router, scripts["dmm"]),
        router=router,
        mains_switch=MainsSwitchDevice(bench, scripts["mains_switch"]),
        thermometer=ThermometerDevice(bench, scripts["thermometer"]),
        power_meter=PowerMeterDevice(bench, scripts["power_meter"]),
    )


def identity(name: str) -> str:
    """The four fields of *IDN? (IEEE 488.2 10.14): manufacturer, model, serial, firmware."""
    return f"{IDENTITIES[name]},SIM-{name.upper().replace('_', '-')}-1,1.0"


def build_scpi(devices: Devices, fault: str | None = None) -> dict[str, ScpiInstrument]:
    """The seven instruments speaking SCPI-1999, and the clock."""
    faults = FaultSwitch(devices.bench, fault)
    unit = LevelUnit(devices.generator)
    form = TraceFormat(devices.analyser)
    diagnostics = [*clock_commands(devices.bench), *faults.commands()]

    def instrument(
        role: str,
        device: Device,
        commands: Iterable[Command],
        conditions: Conditions | None = None,
        trigger: Command | None = None,
    ) -> ScpiInstrument:
        return ScpiInstrument(
            identity=identity(role),
            device=device,
            commands=[*commands, *diagnostics],
            bench=devices.bench,
            disturbances=devices.disturbances[role],
            conditions=conditions,
            trigger=trigger,
        )

    return {
        "generator": instrument(
            "generator",
            ResetsUnit(devices.generator, unit),
            generator_commands(devices.generator, unit),
            GeneratorConditions(devices.generator),
            trigger_command(devices.generator),
        ),
        "analyser": instrument(
            "analyser",
            form,
            analyser_commands(devices.analyser, form),
            AnalyserConditions(devices.analyser),
        ),
        "dmm": instrument("dmm", devices.dmm, dmm_commands(devices.dmm)),
        "router": instrument("router", devices.router, router_commands(devices.router)),
        "mains_switch": instrument(
            "mains_switch", devices.mains_switch, mains_switch_commands(devices.mains_switch)
        ),
        "thermometer": instrument(
            "thermometer", devices.thermometer, thermometer_commands(devices.thermometer)
        ),
        "power_meter": instrument(
            "power_meter", devices.power_meter, power_meter_commands(devices.power_meter)
        ),
        CLOCK: build_clock(devices, faults),
    }


class _NoDevice:
    """The clock has no state of its own to reset."""

    def reset(self) -> None:
        """Nothing: the clock runs on."""

    def busy_until_s(self) -> float:
        """It is always ready."""
        return float("-inf")


def build_clock(devices: Devices, faults: FaultSwitch) -> ScpiInstrument:
    """The clock port: time, faults, and misbehaviour of any instrument by its role.

    DIAGnostic:INSTrument:DISTurb "<role>",<kind>[,<count>] also reaches instruments whose own
    tongue has no words for it.
    """

    def disturb(call: Call) -> None:
        scripts = devices.disturbances.get(call.text(0).lower())
        if scripts is None:
            raise ScpiError(-224)
        script_disturbance(Call(call.tokens[1:]), scripts)

    return ScpiInstrument(
        identity=identity(CLOCK),
        device=_NoDevice(),
        commands=[
            *clock_commands(devices.bench),
            *faults.commands(),
            Command("DIAGnostic:INSTrument:DISTurb", disturb, 2, 3),
        ],
        bench=devices.bench,
        disturbances=Disturbances(ANSWERS),
    )


def build_plain(devices: Devices, fault: str | None = None) -> dict[str, Talker]:
    """The seven instruments speaking the plain tongue; the clock speaks SCPI as ever."""
    memory = plain.TroubleMemory()
    spoken: dict[str, tuple[Manner, plain.Words]] = {
        "generator": (plain.generator_manner(), plain.generator_words(devices.generator)),
        "analyser": (
            plain.analyser_manner(memory),
            plain.analyser_words(devices.analyser, devices.bench, memory),
        ),
        "dmm": (plain.dmm_manner(), plain.dmm_words(devices.dmm)),
        "router": (plain.router_manner(), plain.router_words(devices.router)),
        "mains_switch": (
            plain.mains_switch_manner(),
            plain.mains_switch_words(devices.mains_switch),
        ),
        "thermometer": (plain.thermometer_manner(), plain.thermometer_words(devices.thermometer)),
        "power_meter": (plain.power_meter_manner(), plain.power_meter_words(devices.power_meter)),
    }
    instruments: dict[str, Talker] = {
        role: PlainInstrument(manner=manner, words=words, disturbances=devices.disturbances[role])
        for role, (manner, words) in spoken.items()
    }
    return {**instruments, CLOCK: build_clock(devices, FaultSwitch(devices.bench, fault))}
