"""The plain tongue: the same bench behind instruments that know nothing of SCPI.

The whole vocabulary, for whoever writes a command map. One word a message, capitals or small
letters alike; arguments follow after a space and are separated by semicolons. There is no
compound message, no error queue, no *IDN?, no *OPC?. Numbers are decimal with a point.
`->` is what is answered; each answer is one line (or block) and its end. CR is 0x0D, LF 0x0A.

Simulated time, service faults and scripted misbehaviour are not in this tongue: the clock port
speaks SCPI in either tongue (`DIAGnostic:CLOCk`, `DIAGnostic:FAULt`, and
`DIAGnostic:INSTrument:DISTurb "<role>",<kind>[,<count>]`).

## generator: message ends CR, answer ends CR
Every setting is acknowledged `OK`, or refused `ERR 1` (unknown word), `ERR 2` (value), `ERR 3` (not
possible now), `ERR 9` (trouble inside). Queries are the word, a space and `?`; numbers are answered
with their unit: `1000.0000 HZ`. Levels are e.m.f. in dBV (0 dBV is 1 V rms), at most +20; -200 or
below is silence, and silence is answered `-200.0000 DBV`.

| message | does | answer |
| --- | --- | --- |
| `NAME ?` | identity | `Steadybench Simulated Tone Source` |
| `RESET` | sine, 1 kHz, silence, muted | `OK` |
| `WAVE SINE` / `PAIR` / `GLIDE` / `MUSIC` | sine, two tones, one sweep, programme noise | `OK` |
| `WAVE ?` | | `SINE` |
| `F1 <hertz>` `F2 <hertz>` | frequency of the first, second tone | `OK` |
| `F1 ?` `F2 ?` | | `1000.0000 HZ` |
| `A1 <dBV>` `A2 <dBV>` | level of the first tone (or glide, or music), of the second | `OK` |
| `A1 ?` `A2 ?` | | `-6.0206 DBV` |
| `DC <millivolts>` / `DC ?` | DC added to the waveform | `OK` / `2.5000 MV` |
| `SPAN <start hertz>;<stop hertz>;<seconds>` | the glide | `OK` |
| `SPAN ?` | | `20.0000;20000.0000;1.0000` |
| `GO` | plays the glide once | `OK` |
| `MUTE ON` / `MUTE OFF` | output off / output ON (inverted) | `OK` |
| `MUTE ?` | | `ON` or `OFF` |
| `ZOUT ?` | output impedance | `50 OHM` |
| `ZLOAD ?` | load assumed by the level display | `INF` |

## analyser: message ends LF, answer ends LF
No identity. Settings are not answered. A message that is not carried out is not answered either;
its code (1 unknown word, 2 value, 3 not possible now, 9 trouble inside) waits in a memory of one
place until read.

| message | does | answer |
| --- | --- | --- |
| `TROUBLE?` | reads and clears the memory | `0` or the code |
| `RESET` | widest span, 4096 samples, 96 kHz, DC | nothing |
| `SPAN <volts peak-to-peak>` | takes the next of 2, 6, 20, 60, 200 Vpp | nothing |
| `SPAN?` | | `20` |
| `LEN <samples>` / `LEN?` | length of a record, 16 to 4194304 | nothing / `4096` |
| `CLK <kilohertz>` / `CLK?` | 1, 8, 48, 96, 192 or 1250 kHz | nothing / `96` |
| `BLOCKDC 1` / `BLOCKDC 0` / `BLOCKDC?` | AC coupling on, off | nothing / `0` |
| `GRAB` | starts a record at once | nothing |
| `STOP` | gives a running record up | nothing |
| `BUSY?` | does not wait | `1` while a record runs, else `0` |
| `WAIT?` | waits for the record's end | `DONE` |
| `NR?` | records started so far | `3` |
| `RECLEN?` `RECCLK?` | samples, kilohertz of the last record | `4096` / `96` |
| `OVL?` | last record over range | `1` or `0` |
| `CURVE? A` / `CURVE? B` | measured point / generator, waits; MILLIVOLTS | `12.5;-3.25;...` |
| `CODES? A` / `CODES? B` | the same as a block: `#`, one digit, that many digits of byte count, |
| | then signed 32-bit integers, least significant byte first; then LF | block |
| `SCALE?` | volts a code, of the last record | `9.313225746e-10` |

A sample that is not a number is `nan` in a curve and -2147483648 in codes.

## dmm: message ends CR LF, answer ends CR LF
Settings are acknowledged `!`; whatever can't be carried out is answered `?`.

| message | does | answer |
| --- | --- | --- |
| `WHO` | identity | `Steadybench Simulated Multimeter` |
| `RESET` | one cycle, automatic range | `!` |
| `DCV` / `ACV` | takes a reading, DC / true rms | `12.345678 mV`, or `OL` |
| `OHM` | takes a reading | `8.020000 ohm`, or `OL` |
| `CYCLES <n>` / `CYCLES?` | power-line cycles a reading, 0.2 to 100 | `!` / `1` |

A reading that is not a number is `nan mV` or `nan ohm`.

## router: message ends LF, answer ends CR LF
Settings are acknowledged `DONE`; refused `UNKNOWN` (word), `NO SUCH` (channel), `LOCKED` (not
while the bench is live), `BROKEN` (trouble inside). Lists go between semicolons.

| message | does | answer |
| --- | --- | --- |
| `TYPE` | identity | `Steadybench Simulated Relay Box` |
| `RESET` | 101, 201, 301, 401 | `DONE` |
| `ON <channel>;...` / `OFF <channel>;...` | closes / opens | `DONE` |
| `ALLOFF` | opens everything | `DONE` |
| `LIST` | the closed channels | `101;201;301;401`, or `NONE` |
| `TEST <channel>;...` | one figure a channel, 1 closed | `1;0` |

## mains_switch: message ends LF, answer ends LF
No identity. Settings are acknowledged `+`; whatever can't be carried out is answered `-`. Inverted:
it cuts.

| message | does | answer |
| --- | --- | --- |
| `CUT 1` / `CUT 0` | mains OFF / mains on | `+` |
| `CUT?` | | `1` or `0` |
| `SLEEP 1` / `SLEEP 0` | standby / operate | `+` |
| `SLEEP?` | | `1` or `0` |
| `RESET` | mains off, operate | `+` |

## thermometer: message ends CR, answer ends CR LF

| message | does | answer |
| --- | --- | --- |
| `ID` | identity | `Steadybench Simulated Thermometer` |
| `T1` / `T2` / `T3` | heatsink / ambient / load, in KELVIN | `305.65 K`, or `nan K` |
| anything else | nothing | `E` |

## power_meter: message ends CR LF, answer ends CR LF
No identity.

| message | does | answer |
| --- | --- | --- |
| `ALL` | MILLIWATTS; volts; milliamperes; hertz | `18500.0;230.10;125.00;49.980` |
| anything else | nothing | `E` |
"""

import math
from collections.abc import Callable
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from sim_instruments.device_analyser import AnalyserDevice
from sim_instruments.device_dmm import DmmDevice, Function
from sim_instruments.device_generator import OUTPUT_IMPEDANCE_OHM, GeneratorDevice
from sim_instruments.device_mains_switch import MainsSwitchDevice
from sim_instruments.device_meters import SENSORS, PowerMeterDevice, ThermometerDevice
from sim_instruments.device_router import CHANNELS, RouterDevice
from sim_instruments.plain_instrument import (
    Manner,
    Misunderstood,
    Trouble,
    Word,
    number,
    one_of,
    switch,
    whole,
)
from sim_instruments.shared_bench import SharedBench

_CR, _LF, _CRLF = b"\r", b"\n", b"\r\n"
_CODES = MappingProxyType(
    {Trouble.UNKNOWN: 1, Trouble.VALUE: 2, Trouble.STATE: 3, Trouble.INTERNAL: 9}
)
_SHAPES = MappingProxyType({"SINE": "sine", "PAIR": "dual", "GLIDE": "sweep", "MUSIC": "noise"})
_SHAPE_NAMES = MappingProxyType({shape: name for name, shape in _SHAPES.items()})
_SILENCE_DBV = -200.0
_LOUDEST_DBV = 1000.0  # beyond any limit, and far from overflow
_CODES_TO_PEAK = 2.0**30  # leaves room for what a digitiser shows above its range
_NO_CODE = -(2**31)
_KELVIN = 273.15  # 0 degC

Words = dict[str, Word]


def generator_manner() -> Manner:
    """Acknowledges with OK, complains with ERR and a number."""
    return Manner(
        message_end=_CR,
        answer_end=_CR,
        acknowledgement="OK",
        complain=lambda trouble: f"ERR {_CODES[trouble]}",
    )


def generator_words(device: GeneratorDevice) -> Words:
    """Vocabulary of the generator."""

    def set_span(arguments: list[str]) -> None:
        start_hz, stop_hz, sweep_s = map(number, arguments)
        device.set_sweep(start_hz=start_hz, stop_hz=stop_hz, sweep_s=sweep_s)

    words: Words = {
        "NAME?": Word(handler=lambda _: "Steadybench Simulated Tone Source"),
        "RESET": Word(handler=lambda _: device.reset()),
        "WAVE": Word(handler=lambda a: device.set_shape(one_of(a[0], _SHAPES)), arguments=1),
        "WAVE?": Word(handler=lambda _: _SHAPE_NAMES[device.shape]),
        "DC": Word(handler=lambda a: device.set_offset(number(a[0]) / 1e3), arguments=1),
        "DC?": Word(handler=lambda _: f"{device.offset_v * 1e3:.4f} MV"),
        "SPAN": Word(handler=set_span, arguments=3),
        "SPAN?": Word(
            handler=lambda _: f"{device.start_hz:.4f};{device.stop_hz:.4f};{device.sweep_s:.4f}"
        ),
        "GO": Word(handler=lambda _: device.trigger()),
        "MUTE": Word(
            handler=lambda a: device.set_output(not switch(a[0], "ON", "OFF")), arguments=1
        ),
        "MUTE?": Word(handler=lambda _: "OFF" if device.is_output_on else "ON"),
        "ZOUT?": Word(handler=lambda _: f"{OUTPUT_IMPEDANCE_OHM:g} OHM"),
        "ZLOAD?": Word(handler=lambda _: "INF"),
    }
    for tone in (1, 2):
        words |= _tone_words(device, tone)
    return words


def _tone_words(device: GeneratorDevice, tone: int) -> Words:
    """Frequency and level of one tone."""

    def set_frequency(arguments: list[str]) -> None:
        device.set_frequency(tone, number(arguments[0]))

    def set_level(arguments: list[str]) -> None:
        device.set_level(tone, _vrms(number(arguments[0])))

    return {
        f"F{tone}": Word(handler=set_frequency, arguments=1),
        f"F{tone}?": Word(handler=lambda _: f"{device.frequencies_hz[tone - 1]:.4f} HZ"),
        f"A{tone}": Word(handler=set_level, arguments=1),
        f"A{tone}?": Word(handler=lambda _: f"{_dbv(device.levels_vrms[tone - 1]):.4f} DBV"),
    }


def _vrms(level_dbv: float) -> float:
    if level_dbv <= _SILENCE_DBV:
        return 0.0
    return float(10 ** (min(level_dbv, _LOUDEST_DBV) / 20))


def _dbv(level_vrms: float) -> float:
    return 20 * math.log10(level_vrms) if level_vrms > 0 else _SILENCE_DBV


class TroubleMemory:
    """The analyser's one place for the code of what went wrong last."""

    def __init__(self) -> None:
        self._code = 0

    def remember(self, trouble: Trouble) -> None:
        """Keep a trouble; the message it came from stays unanswered."""
        self._code = _CODES[trouble]

    def take(self) -> str:
        """The code, once; then 0."""
        code, self._code = self._code, 0
        return str(code)


def analyser_manner(memory: TroubleMemory) -> Manner:
    """Acknowledges nothing and complains to its memory only."""
    return Manner(message_end=_LF, answer_end=_LF, acknowledgement=None, complain=memory.remember)


def analyser_words(device: AnalyserDevice, bench: SharedBench, memory: TroubleMemory) -> Words:
    """Vocabulary of the analyser."""

    def wait(_: list[str]) -> str:
        bench.wait_until(device.busy_until_s())
        return "DONE"

    def scale(_: list[str]) -> str:
        return f"{device.recorded_range_peak_v() / _CODES_TO_PEAK:.9e}"

    def codes(arguments: list[str]) -> bytes:
        volts = device.waveform(_channel(arguments[0]))
        return _integer_block(volts, device.recorded_range_peak_v() / _CODES_TO_PEAK)

    return {
        "TROUBLE?": Word(handler=lambda _: memory.take()),
        "RESET": Word(handler=lambda _: device.reset()),
        "SPAN": Word(handler=lambda a: device.set_range(number(a[0]) / 2), arguments=1),
        "SPAN?": Word(handler=lambda _: f"{device.range_peak_v * 2:g}"),
        "LEN": Word(handler=lambda a: device.set_samples(whole(a[0])), arguments=1),
        "LEN?": Word(handler=lambda _: str(device.samples)),
        "CLK": Word(handler=lambda a: device.set_sample_rate(number(a[0]) * 1e3), arguments=1),
        "CLK?": Word(handler=lambda _: f"{device.sample_rate_hz / 1e3:g}"),
        "BLOCKDC": Word(
            handler=lambda a: device.set_ac_coupled(switch(a[0], "1", "0")), arguments=1
        ),
        "BLOCKDC?": Word(handler=lambda _: str(int(device.is_ac_coupled))),
        "GRAB": Word(handler=lambda _: device.start()),
        "STOP": Word(handler=lambda _: device.abort()),
        "BUSY?": Word(handler=lambda _: str(int(device.is_running()))),
        "WAIT?": Word(handler=wait),
        "NR?": Word(handler=lambda _: str(device.count)),
        "RECLEN?": Word(handler=lambda _: str(device.recorded()[0])),
        "RECCLK?": Word(handler=lambda _: f"{device.recorded()[1] / 1e3:g}"),
        "OVL?": Word(handler=lambda _: str(int(device.is_overrange()))),
        "CURVE?": Word(
            handler=lambda a: ";".join(f"{v:.9g}" for v in device.waveform(_channel(a[0])) * 1e3),
            arguments=1,
        ),
        "CODES?": Word(handler=codes, arguments=1),
        "SCALE?": Word(handler=scale),
    }


def _channel(text: str) -> int:
    return 1 if switch(text, "A", "B") else 2


def _integer_block(volts: NDArray[np.float64], volts_a_code: float) -> bytes:
    """Codes as little-endian signed 32-bit integers behind a definite-length header."""
    is_number = np.isfinite(volts)
    codes = np.where(is_number, np.rint(np.where(is_number, volts, 0.0) / volts_a_code), _NO_CODE)
    payload = np.clip(codes, _NO_CODE, 2**31 - 1).astype("<i4").tobytes()
    length = str(len(payload))
    return f"#{len(length)}{length}".encode("ascii") + payload


def dmm_manner() -> Manner:
    """Acknowledges with an exclamation mark, complains with a question mark."""
    return Manner(message_end=_CRLF, answer_end=_CRLF, acknowledgement="!", complain=lambda _: "?")


def dmm_words(device: DmmDevice) -> Words:
    """Vocabulary of the multimeter."""

    def reading(function: Function, factor: float, unit: str) -> Callable[[list[str]], str]:
        def read(_: list[str]) -> str:
            if device.function is not function:
                device.configure(function, None)
            device.start()
            value = device.fetch()[0] * factor
            return "OL" if math.isinf(value) else f"{value:.6f} {unit}"

        return read

    return {
        "WHO": Word(handler=lambda _: "Steadybench Simulated Multimeter"),
        "RESET": Word(handler=lambda _: device.reset()),
        "DCV": Word(handler=reading(Function.DC, 1e3, "mV")),
        "ACV": Word(handler=reading(Function.AC, 1e3, "mV")),
        "OHM": Word(handler=reading(Function.RESISTANCE, 1.0, "ohm")),
        "CYCLES": Word(handler=lambda a: device.set_cycles(number(a[0])), arguments=1),
        "CYCLES?": Word(handler=lambda _: f"{device.cycles:g}"),
    }


_ROUTER_COMPLAINTS = MappingProxyType(
    {
        Trouble.UNKNOWN: "UNKNOWN",
        Trouble.VALUE: "NO SUCH",
        Trouble.STATE: "LOCKED",
        Trouble.INTERNAL: "BROKEN",
    }
)


def router_manner() -> Manner:
    """Acknowledges with DONE, complains with words."""
    return Manner(
        message_end=_LF,
        answer_end=_CRLF,
        acknowledgement="DONE",
        complain=lambda trouble: _ROUTER_COMPLAINTS[trouble],
    )


def router_words(device: RouterDevice) -> Words:
    """Vocabulary of the router."""

    def test(arguments: list[str]) -> str:
        return ";".join(str(int(device.is_closed(channel))) for channel in _channels(arguments))

    return {
        "TYPE": Word(handler=lambda _: "Steadybench Simulated Relay Box"),
        "RESET": Word(handler=lambda _: device.reset()),
        "ON": Word(handler=lambda a: device.close(_channels(a)), arguments=None),
        "OFF": Word(handler=lambda a: device.open(_channels(a)), arguments=None),
        "ALLOFF": Word(handler=lambda _: device.open(list(CHANNELS))),
        "LIST": Word(handler=lambda _: ";".join(map(str, device.closed())) or "NONE"),
        "TEST": Word(handler=test, arguments=None),
    }


def _channels(arguments: list[str]) -> list[int]:
    """Existing channels. Raises Misunderstood for another one, or none at all."""
    channels = [whole(argument) for argument in arguments]
    if not channels or not set(channels) <= set(CHANNELS):
        raise Misunderstood(Trouble.VALUE)
    return channels


def mains_switch_manner() -> Manner:
    """Acknowledges with a plus, complains with a minus."""
    return Manner(message_end=_LF, answer_end=_LF, acknowledgement="+", complain=lambda _: "-")


def mains_switch_words(device: MainsSwitchDevice) -> Words:
    """Vocabulary of the mains switch."""
    return {
        "CUT": Word(handler=lambda a: device.set_output(not switch(a[0], "1", "0")), arguments=1),
        "CUT?": Word(handler=lambda _: str(int(not device.is_output_on))),
        "SLEEP": Word(handler=lambda a: device.set_standby(switch(a[0], "1", "0")), arguments=1),
        "SLEEP?": Word(handler=lambda _: str(int(device.is_standby))),
        "RESET": Word(handler=lambda _: device.reset()),
    }


def thermometer_manner() -> Manner:
    """Complains with a single E."""
    return Manner(message_end=_CR, answer_end=_CRLF, acknowledgement=None, complain=lambda _: "E")


def thermometer_words(device: ThermometerDevice) -> Words:
    """Vocabulary of the thermometer."""

    def reading(sensor: int) -> Word:
        return Word(handler=lambda _: f"{device.read_celsius(sensor) + _KELVIN:.2f} K")

    words: Words = {f"T{sensor}": reading(sensor) for sensor in SENSORS}
    return {"ID": Word(handler=lambda _: "Steadybench Simulated Thermometer"), **words}


def power_meter_manner() -> Manner:
    """Complains with a single E."""
    return Manner(message_end=_CRLF, answer_end=_CRLF, acknowledgement=None, complain=lambda _: "E")


def power_meter_words(device: PowerMeterDevice) -> Words:
    """Vocabulary of the power meter."""

    def everything(_: list[str]) -> str:
        power_w, voltage_vrms = device.read_power_w(), device.read_voltage_vrms()
        current_a, frequency_hz = device.read_current_a(), device.read_frequency_hz()
        return f"{power_w * 1e3:.1f};{voltage_vrms:.2f};{current_a * 1e3:.2f};{frequency_hz:.3f}"

    return {"ALL": Word(handler=everything)}
