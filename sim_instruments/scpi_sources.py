"""SCPI command sets of what drives and switches: generator, router, mains switch."""

import math
from collections.abc import Callable, Mapping
from types import MappingProxyType

from sim_instruments.device_generator import (
    FREQUENCY_LIMITS_HZ,
    LOAD_LIMITS_OHM,
    OUTPUT_IMPEDANCE_OHM,
    SWEEP_LIMITS_S,
    GeneratorDevice,
)
from sim_instruments.device_mains_switch import MainsSwitchDevice
from sim_instruments.device_router import CHANNELS, RouterDevice
from sim_instruments.scpi_errors import ScpiError
from sim_instruments.scpi_parameters import (
    HERTZ,
    OHM,
    SECOND,
    VOLT,
    Bounds,
    Call,
    bound_or,
    channel_list,
    multiples,
    nr1,
    nr3,
)
from sim_instruments.scpi_syntax import Kind
from sim_instruments.scpi_tree import Command

_SHAPES = MappingProxyType({"SIN": "sine", "DUAL": "dual", "SWE": "sweep", "NOIS": "noise"})
_SHAPE_NAMES = MappingProxyType({shape: name for name, shape in _SHAPES.items()})

_FREQUENCY = Bounds(low=FREQUENCY_LIMITS_HZ[0], high=FREQUENCY_LIMITS_HZ[1], default=1000.0)
_START = Bounds(low=FREQUENCY_LIMITS_HZ[0], high=FREQUENCY_LIMITS_HZ[1], default=20.0)
_STOP = Bounds(low=FREQUENCY_LIMITS_HZ[0], high=FREQUENCY_LIMITS_HZ[1], default=20000.0)
_SWEEP = Bounds(low=SWEEP_LIMITS_S[0], high=SWEEP_LIMITS_S[1], default=1.0)
_LOAD = Bounds(low=LOAD_LIMITS_OHM[0], high=LOAD_LIMITS_OHM[1], default=math.inf)

_VPP_OF_SINE = 2.0 * math.sqrt(2.0)  # V pp over V rms
_PEAK_TO_PEAK: Mapping[str, float] = MappingProxyType(multiples("VPP"))
_RMS: Mapping[str, float] = MappingProxyType(multiples("VRMS"))


def quantity_commands(
    pattern: str,
    units: Mapping[str, float],
    bounds: Bounds,
    read: Callable[[Call], float],
    write: Callable[[Call, float], None],
) -> list[Command]:
    """The setting and the query of one quantity in SI, both with MIN, MAX and DEF."""

    def setting(call: Call) -> None:
        write(call, call.quantity(0, units, bounds))

    def query(call: Call) -> str:
        return nr3(bound_or(call, 0, bounds, lambda: read(call)))

    return [Command(pattern, setting, 1, 1), Command(f"{pattern}?", query, 0, 1)]


def switch_commands(
    pattern: str, read: Callable[[], bool], write: Callable[[bool], None]
) -> list[Command]:
    """The setting and the query of something that is on or off."""
    return [
        Command(pattern, lambda call: write(call.boolean(0)), 1, 1),
        Command(f"{pattern}?", lambda _: nr1(read())),
    ]


class LevelUnit:
    """VOLTage:UNIT of the generator, and levels to and from it."""

    def __init__(self, device: GeneratorDevice) -> None:
        self._device = device
        self.name = "VRMS"

    def choose(self, call: Call) -> None:
        """Take another unit for levels without one of their own."""
        self.name = call.choice(0, "VRMS", "VPP", "DBV")

    def vrms(self, call: Call) -> float:
        """The level a call sets, in V rms. Raises ScpiError for what is no level."""
        token = call.tokens[0]
        if token.kind is Kind.CHARACTER:
            return call.quantity(0, VOLT, self.bounds())
        if token.suffix == "DBV" or (not token.suffix and self.name == "DBV"):
            call.number(0, {"DBV": 1.0})
            return _from_decibel(token.value)
        if token.suffix in _RMS:
            return call.number(0, _RMS)
        if token.suffix in _PEAK_TO_PEAK:
            return call.number(0, _PEAK_TO_PEAK) / _VPP_OF_SINE
        volts = call.number(0, VOLT)
        return volts / _VPP_OF_SINE if self.name == "VPP" else volts

    def shown(self, level_vrms: float) -> float:
        """A level in the chosen unit; -inf dBV for zero."""
        if self.name == "DBV":
            return 20 * math.log10(level_vrms) if level_vrms > 0 else -math.inf
        return level_vrms * _VPP_OF_SINE if self.name == "VPP" else level_vrms

    def bounds(self) -> Bounds:
        """What MIN, MAX and DEF stand for, in V rms."""
        return Bounds(low=0.0, high=self._device.level_limit_vrms, default=0.0)


def _from_decibel(level_dbv: float) -> float:
    if level_dbv > 1000:  # would overflow; far beyond any limit anyway
        raise ScpiError(-222)
    return float(10 ** (level_dbv / 20))


class ResetsUnit:
    """A generator whose reset also returns its display to V rms."""

    def __init__(self, device: GeneratorDevice, unit: LevelUnit) -> None:
        self._device = device
        self._unit = unit

    def reset(self) -> None:
        """Reset instrument and display."""
        self._unit.name = "VRMS"
        self._device.reset()

    def busy_until_s(self) -> float:
        """As the instrument."""
        return self._device.busy_until_s()


class GeneratorConditions:
    """Bit 3 of the operation register: sweeping."""

    def __init__(self, device: GeneratorDevice) -> None:
        self._device = device

    def operation(self) -> int:
        """8 while a sweep is played."""
        return 8 if self._device.is_sweeping() else 0

    def questionable(self) -> int:
        """None."""
        return 0


def trigger_command(device: GeneratorDevice) -> Command:
    """*TRG: play the sweep."""
    return Command("*TRG", lambda _: device.trigger())


def generator_commands(device: GeneratorDevice, unit: LevelUnit) -> list[Command]:
    """Everything the generator adds to the common set."""
    source = "[SOURce{2}:]"
    level = f"{source}VOLTage[:LEVel][:IMMediate][:AMPLitude]"

    def set_level(call: Call) -> None:
        device.set_level(call.suffix, unit.vrms(call))

    def get_level(call: Call) -> str:
        bounds = unit.bounds()
        value = bound_or(call, 0, bounds, lambda: device.levels_vrms[call.suffix - 1])
        return nr3(unit.shown(value))

    return [
        *quantity_commands(
            f"{source}FREQuency[:CW|:FIXed]",
            HERTZ,
            _FREQUENCY,
            lambda call: device.frequencies_hz[call.suffix - 1],
            lambda call, value: device.set_frequency(call.suffix, value),
        ),
        Command(level, set_level, 1, 1),
        Command(f"{level}?", get_level, 0, 1),
        Command("[SOURce:]VOLTage:UNIT", unit.choose, 1, 1),
        Command("[SOURce:]VOLTage:UNIT?", lambda _: unit.name),
        *_offset_commands(device),
        Command(
            "[SOURce:]FUNCtion[:SHAPe]",
            lambda call: device.set_shape(
                _SHAPES[call.choice(0, "SINusoid", "DUAL", "SWEep", "NOISe")]
            ),
            1,
            1,
        ),
        Command("[SOURce:]FUNCtion[:SHAPe]?", lambda _: _SHAPE_NAMES[device.shape]),
        *_sweep_commands(device),
        *switch_commands("OUTPut[:STATe]", lambda: device.is_output_on, device.set_output),
        Command("OUTPut:IMPedance?", lambda _: nr3(OUTPUT_IMPEDANCE_OHM)),
        Command("OUTPut:LOAD", lambda call: device.set_load(_load(call)), 1, 1),
        Command(
            "OUTPut:LOAD?",
            lambda call: nr3(bound_or(call, 0, _LOAD, lambda: device.load_ohm)),
            0,
            1,
        ),
    ]


def _load(call: Call) -> float:
    if call.tokens[0].kind is Kind.CHARACTER and call.tokens[0].text in (
        "INF",
        "INFINITY",
        "DEF",
        "DEFAULT",
    ):
        return math.inf
    if call.tokens[0].kind is Kind.NUMBER and call.number(0, OHM) >= 9.9e37:
        return math.inf  # the number SCPI writes for infinity
    return call.quantity(0, OHM, _LOAD)


def _offset_commands(device: GeneratorDevice) -> list[Command]:
    pattern = "[SOURce:]VOLTage[:LEVel][:IMMediate]:OFFSet"

    def bounds() -> Bounds:
        limit = device.level_limit_vrms
        return Bounds(low=-limit, high=limit, default=0.0)

    return [
        Command(pattern, lambda call: device.set_offset(call.quantity(0, VOLT, bounds())), 1, 1),
        Command(
            f"{pattern}?",
            lambda call: nr3(bound_or(call, 0, bounds(), lambda: device.offset_v)),
            0,
            1,
        ),
    ]


def _sweep_commands(device: GeneratorDevice) -> list[Command]:
    return [
        *quantity_commands(
            "[SOURce:]FREQuency:STARt",
            HERTZ,
            _START,
            lambda _: device.start_hz,
            lambda _, value: device.set_sweep(start_hz=value),
        ),
        *quantity_commands(
            "[SOURce:]FREQuency:STOP",
            HERTZ,
            _STOP,
            lambda _: device.stop_hz,
            lambda _, value: device.set_sweep(stop_hz=value),
        ),
        *quantity_commands(
            "[SOURce:]SWEep:TIME",
            SECOND,
            _SWEEP,
            lambda _: device.sweep_s,
            lambda _, value: device.set_sweep(sweep_s=value),
        ),
        Command("[SOURce:]SWEep:SPACing", _only_logarithmic, 1, 1),
        Command("[SOURce:]SWEep:SPACing?", lambda _: "LOG"),
        Command("TRIGger[:IMMediate]", lambda _: device.trigger()),
    ]


def _only_logarithmic(call: Call) -> None:
    call.choice(0, "LOGarithmic")


def mains_switch_commands(device: MainsSwitchDevice) -> list[Command]:
    """Everything the mains switch adds to the common set."""
    return [
        *switch_commands("OUTPut[:STATe]", lambda: device.is_output_on, device.set_output),
        *switch_commands("OUTPut:STANdby", lambda: device.is_standby, device.set_standby),
    ]


def router_commands(device: RouterDevice) -> list[Command]:
    """Everything the router adds to the common set."""

    def states(call: Call, when: bool) -> str:
        channels = call.channels(0, CHANNELS)
        return ",".join(nr1(device.is_closed(channel) is when) for channel in channels)

    return [
        Command("ROUTe:CLOSe", lambda call: device.close(call.channels(0, CHANNELS)), 1, 1),
        Command("ROUTe:CLOSe?", lambda call: states(call, when=True), 1, 1),
        Command("ROUTe:OPEN", lambda call: device.open(call.channels(0, CHANNELS)), 1, 1),
        Command("ROUTe:OPEN?", lambda call: states(call, when=False), 1, 1),
        Command("ROUTe:OPEN:ALL", lambda _: device.open(list(CHANNELS))),
        Command("ROUTe:CLOSe:STATe?", lambda _: channel_list(device.closed())),
    ]
