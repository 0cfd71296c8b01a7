"""SCPI command sets of what measures: analyser, multimeter, thermometer, power meter."""

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from sim_instruments.device_analyser import (
    RANGES_PEAK_V,
    SAMPLE_LIMITS,
    SAMPLE_RATES_HZ,
    AnalyserDevice,
)
from sim_instruments.device_dmm import (
    COUNT_LIMIT,
    CYCLES_LIMITS,
    RANGES_OHM,
    RANGES_V,
    DmmDevice,
    Function,
)
from sim_instruments.device_meters import SENSORS, PowerMeterDevice, ThermometerDevice
from sim_instruments.scpi_errors import ScpiError
from sim_instruments.scpi_parameters import (
    NAN_TEXT,
    NO_UNIT,
    OHM,
    SAMPLES_PER_SECOND,
    VOLT,
    Bounds,
    Call,
    bound_or,
    definite_block,
    nr1,
    nr3,
    quoted,
)
from sim_instruments.scpi_sources import quantity_commands
from sim_instruments.scpi_syntax import Kind
from sim_instruments.scpi_tree import Answer, Command

_RANGE = Bounds(low=0.0, high=RANGES_PEAK_V[-1], default=RANGES_PEAK_V[-1])
_SAMPLES = Bounds(low=SAMPLE_LIMITS[0], high=SAMPLE_LIMITS[1], default=4096)
_RATE = Bounds(low=SAMPLE_RATES_HZ[0], high=SAMPLE_RATES_HZ[-1], default=96e3)
_CYCLES = Bounds(low=CYCLES_LIMITS[0], high=CYCLES_LIMITS[1], default=1.0)
_COUNT = Bounds(low=1, high=COUNT_LIMIT, default=1)
_MEASURING = 16
_VOLTAGE_QUESTIONABLE = 1


class AnalyserConditions:
    """Operation bit 4, measuring; questionable bit 0, over-range in the last record."""

    def __init__(self, device: AnalyserDevice) -> None:
        self._device = device

    def operation(self) -> int:
        """16 while a record is being taken."""
        return _MEASURING if self._device.is_running() else 0

    def questionable(self) -> int:
        """1 when the last record was driven beyond its range."""
        return _VOLTAGE_QUESTIONABLE if self._device.is_overrange() else 0


class TraceFormat:
    """FORMat of the analyser: how a waveform is written."""

    def __init__(self, device: AnalyserDevice) -> None:
        self._device = device
        self.reset_format()

    def reset_format(self) -> None:
        """ASCii, big-endian when binary."""
        self.bits: int | None = None
        self.is_swapped = False

    def reset(self) -> None:
        """Reset instrument and format."""
        self.reset_format()
        self._device.reset()

    def busy_until_s(self) -> float:
        """As the instrument."""
        return self._device.busy_until_s()

    def choose(self, call: Call) -> None:
        """FORMat[:DATA]. Raises ScpiError -224 for a length there is not."""
        kind = call.choice(0, "ASCii", "REAL")
        length = call.integer(1, 0, 64) if len(call) > 1 else (64 if kind == "REAL" else 0)
        if kind == "REAL" and length not in (32, 64):
            raise ScpiError(-224)
        self.bits = length if kind == "REAL" else None

    def name(self) -> str:
        """The answer to FORMat?."""
        return "ASC" if self.bits is None else f"REAL,{self.bits}"

    def choose_order(self, call: Call) -> None:
        """FORMat:BORDer."""
        self.is_swapped = call.choice(0, "NORMal", "SWAPped") == "SWAP"

    def trace(self, call: Call) -> Answer:
        """A channel's waveform as block or list."""
        channel = 1 if call.choice(0, "CH1", "CH2") == "CH1" else 2
        volts = self._device.waveform(channel)
        if self.bits is None:
            return ",".join(NAN_TEXT if volt != volt else f"{volt:+.9E}" for volt in volts.tolist())
        order = "<" if self.is_swapped else ">"
        return definite_block(volts.astype(np.dtype(f"{order}f{self.bits // 8}")).tobytes())


def analyser_commands(device: AnalyserDevice, form: TraceFormat) -> list[Command]:
    """Everything the analyser adds to the common set."""
    return [
        *quantity_commands(
            "[SENSe:]VOLTage:RANGe[:UPPer]",
            VOLT,
            _RANGE,
            lambda _: device.range_peak_v,
            lambda _, value: device.set_range(value),
        ),
        *_integer_commands(
            "[SENSe:]SWEep:POINts", _SAMPLES, lambda: device.samples, device.set_samples
        ),
        Command("[SENSe:]SWEep:RATE", lambda call: device.set_sample_rate(_rate(call)), 1, 1),
        Command(
            "[SENSe:]SWEep:RATE?",
            lambda call: nr3(bound_or(call, 0, _RATE, lambda: device.sample_rate_hz)),
            0,
            1,
        ),
        Command(
            "INPut:COUPling",
            lambda call: device.set_ac_coupled(call.choice(0, "AC", "DC") == "AC"),
            1,
            1,
        ),
        Command("INPut:COUPling?", lambda _: "AC" if device.is_ac_coupled else "DC"),
        Command("INITiate[:IMMediate]", lambda _: device.start()),
        Command("ABORt", lambda _: device.abort()),
        Command("FORMat[:DATA]", form.choose, 1, 2),
        Command("FORMat[:DATA]?", lambda _: form.name()),
        Command("FORMat:BORDer", form.choose_order, 1, 1),
        Command("FORMat:BORDer?", lambda _: "SWAP" if form.is_swapped else "NORM"),
        Command("TRACe[:DATA]?", form.trace, 1, 1),
        Command("TRACe:POINts?", lambda _: nr1(device.recorded()[0]), 0, 1),
        Command("TRACe:RATE?", lambda _: nr3(device.recorded()[1]), 0, 1),
        Command("TRACe:COUNt?", lambda _: nr1(device.count)),
    ]


def _rate(call: Call) -> float:
    token = call.tokens[0]
    if token.kind is Kind.CHARACTER:
        return call.quantity(0, SAMPLES_PER_SECOND, _RATE)
    return call.number(0, SAMPLES_PER_SECOND)


def _integer_commands(
    pattern: str, bounds: Bounds, read: Callable[[], int], write: Callable[[int], None]
) -> list[Command]:
    def setting(call: Call) -> None:
        write(round(call.quantity(0, NO_UNIT, bounds)))

    def query(call: Call) -> str:
        return nr1(int(bound_or(call, 0, bounds, read)))

    return [Command(pattern, setting, 1, 1), Command(f"{pattern}?", query, 0, 1)]


_FUNCTION_NAMES = MappingProxyType(
    {Function.DC: "VOLT", Function.AC: "VOLT:AC", Function.RESISTANCE: "RES"}
)
_FUNCTION_PATTERNS = MappingProxyType(
    {
        Function.DC: "[:VOLTage][:DC]",
        Function.AC: ":VOLTage:AC",
        Function.RESISTANCE: ":RESistance",
    }
)


def dmm_commands(device: DmmDevice) -> list[Command]:
    """Everything the multimeter adds to the common set."""

    def read(_: Call) -> str:
        device.start()
        return fetch(_)

    def fetch(_: Call) -> str:
        return ",".join(nr3(value) for value in device.fetch())

    commands = [
        Command("CONFigure?", lambda _: _configuration(device)),
        Command("INITiate[:IMMediate]", lambda _: device.start()),
        Command("FETCh?", fetch),
        Command("READ?", read),
        Command("ABORt", lambda _: None),
        *quantity_commands(
            "[SENSe:]VOLTage[:DC]:NPLCycles",
            NO_UNIT,
            _CYCLES,
            lambda _: device.cycles,
            lambda _, value: device.set_cycles(value),
        ),
        *_integer_commands("SAMPle:COUNt", _COUNT, lambda: device.count, device.set_count),
    ]
    for function in Function:
        commands += _function_commands(device, function, fetch)
    return commands


def _function_commands(
    device: DmmDevice, function: Function, fetch: Callable[[Call], str]
) -> list[Command]:
    """CONFigure and MEASure of one function."""

    def configure(call: Call) -> None:
        device.configure(function, _expected(call, function))

    def measure(call: Call) -> str:
        configure(call)
        device.count = 1
        device.start()
        return fetch(call)

    node = _FUNCTION_PATTERNS[function]
    return [
        Command(f"CONFigure{node}", configure, 0, 2),
        Command(f"MEASure{node}?", measure, 0, 2),
    ]


def _expected(call: Call, function: Function) -> float | None:
    """The range a call asks for; None for AUTO, DEF, or none. A resolution is taken unheeded."""
    if not len(call):
        return None
    token = call.tokens[0]
    if token.kind is Kind.CHARACTER and token.text in ("AUTO", "DEF", "DEFAULT"):
        return None
    ranges = RANGES_OHM if function is Function.RESISTANCE else RANGES_V
    units: Mapping[str, float] = OHM if function is Function.RESISTANCE else VOLT
    top = Bounds(low=-ranges[-1], high=ranges[-1], default=ranges[-1])
    if token.kind is Kind.CHARACTER and token.text in ("MIN", "MINIMUM"):
        return ranges[0]
    return call.quantity(0, units, top)


def _configuration(device: DmmDevice) -> str:
    span = "AUTO" if device.range is None else nr3(device.range)
    return quoted(f"{_FUNCTION_NAMES[device.function]} {span}")


def thermometer_commands(device: ThermometerDevice) -> list[Command]:
    """Everything the thermometer adds to the common set."""

    def read(call: Call) -> str:
        sensors = call.channels(0, SENSORS) if len(call) else [1]
        return ",".join(nr3(device.read_celsius(sensor)) for sensor in sensors)

    return [Command("MEASure[:SCALar]:TEMPerature?", read, 0, 1)]


def power_meter_commands(device: PowerMeterDevice) -> list[Command]:
    """Everything the power meter adds to the common set."""
    return [
        Command("MEASure[:SCALar]:POWer?", lambda _: nr3(device.read_power_w())),
        Command("MEASure[:SCALar]:VOLTage?", lambda _: nr3(device.read_voltage_vrms())),
        Command("MEASure[:SCALar]:CURRent?", lambda _: nr3(device.read_current_a())),
        Command("MEASure[:SCALar]:FREQuency?", lambda _: nr3(device.read_frequency_hz())),
    ]
