"""Every field of a command map, role by role: name, kind, meaning, placeholders.

One table for the check of a map, for its JSON Schema and for the manual, so that they can't differ.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from drivers.levels import LEVEL_UNITS
from drivers.roles import Role


class FieldKind(StrEnum):
    """What the value of a field is."""

    COMMANDS = "commands"
    """One message or a list of messages; none of them is answered with a value."""
    QUESTION = "question"
    """One message or a list of messages; the last one is answered with a value."""
    TEXT = "text"
    SIGNS = "signs"
    """Text that ends or parts others; invisible signs go by name: CR, LF, CR LF, TAB."""
    WORDS = "words"
    """One word or a list of words that mean the same."""
    NUMBER = "number"
    CHOICE = "choice"


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldSpec:
    """One field of a command map.

    needed: the role can't be filled without it. default: what holds where nothing else is said.
    """

    name: str
    kind: FieldKind
    meaning: str
    placeholders: tuple[str, ...] = ()
    choices: tuple[str, ...] = ()
    needed: bool = False
    default: str | float | None = None


PLACEHOLDERS: Mapping[str, tuple[str, float | str]] = {
    "frequency_hz": ("frequency, Hz", 1000.0),
    "frequency_khz": ("frequency, kHz", 1.0),
    "level": ("level in level_unit", 0.5),
    "offset_v": ("DC added to the waveform, V", 0.01),
    "offset_mv": ("DC added to the waveform, mV", 10.0),
    "lower_hz": ("frequency of the lower tone, Hz", 60.0),
    "lower_khz": ("frequency of the lower tone, kHz", 0.06),
    "lower_level": ("level of the lower tone in level_unit", 0.4),
    "upper_hz": ("frequency of the upper tone, Hz", 7000.0),
    "upper_khz": ("frequency of the upper tone, kHz", 7.0),
    "upper_level": ("level of the upper tone in level_unit", 0.1),
    "start_hz": ("frequency at the start, Hz", 20.0),
    "start_khz": ("frequency at the start, kHz", 0.02),
    "stop_hz": ("frequency at the end, Hz", 20000.0),
    "stop_khz": ("frequency at the end, kHz", 20.0),
    "duration_s": ("duration, s", 2.0),
    "duration_ms": ("duration, ms", 2000.0),
    "range": ("input range in range_unit", 3.0),
    "points": ("samples of a record, whole number", 65536),
    "rate_hz": ("samples a second", 192000.0),
    "rate_khz": ("thousand samples a second", 192.0),
    "input": ("word for the input channel, from input_words", "CH1"),
    "channel": ("channel number of the bench file, whole number", 101),
    "bank": ("channel number divided by 100, whole number", 1),
    "line": ("last two digits of the channel number, whole number", 1),
}
"""What may stand between braces in a message: meaning, and a sample for trying a message out."""

SIGN_NAMES: Mapping[str, str] = {
    "CR": "\r",
    "LF": "\n",
    "CR LF": "\r\n",
    "LF CR": "\n\r",
    "TAB": "\t",
}
"""Names of signs that nobody can see, so that a file need not hold them."""

WAVEFORM_FORMS = ("real32", "real64", "int8", "int16", "int32", "uint8", "uint16", "ascii")
BYTE_ORDERS = ("big", "little")


def fields_of(role: Role) -> tuple[FieldSpec, ...]:
    """The fields that a command map of this role may hold."""
    return (*_COMMON, *_BY_ROLE[role])


def json_schema(role: Role) -> dict[str, object]:
    """JSON Schema (draft 2020-12) of the `commands` part of a bench file for this role."""
    properties: dict[str, object] = {
        "base": {
            "enum": ["scpi", "nothing"],
            "description": "What the map begins with: the SCPI-1999 commands (usual), or nothing.",
        }
    }
    properties |= {spec.name: _field_schema(spec) for spec in fields_of(role)}
    needed = [spec.name for spec in fields_of(role) if spec.needed and spec.default is None]
    return {
        "type": "object",
        "additionalProperties": False,
        "properties": properties,
        "if": {"properties": {"base": {"const": "nothing"}}, "required": ["base"]},
        "then": {"required": needed},
    }


def described(spec: FieldSpec) -> str:
    """Meaning of a field together with its placeholders, for people."""
    if not spec.placeholders:
        return spec.meaning
    names = ", ".join(f"{{{name}}} {PLACEHOLDERS[name][0]}" for name in spec.placeholders)
    return f"{spec.meaning} Placeholders: {names}."


def _field_schema(spec: FieldSpec) -> dict[str, object]:
    several = {"type": "array", "items": {"type": "string"}, "minItems": 1}
    shapes: dict[FieldKind, list[object]] = {
        FieldKind.COMMANDS: [{"type": "string"}, several],
        FieldKind.QUESTION: [{"type": "string"}, several],
        FieldKind.WORDS: [{"type": "string"}, several],
        FieldKind.TEXT: [{"type": "string"}],
        FieldKind.SIGNS: [{"type": "string"}],
        FieldKind.NUMBER: [{"type": "number"}, {"type": "string"}],
        FieldKind.CHOICE: [{"enum": list(spec.choices)}],
    }
    optional: list[object] = [] if spec.needed else [{"type": "null"}]
    return {"anyOf": [*shapes[spec.kind], *optional], "description": described(spec)}


def _commands(name: str, meaning: str, *placeholders: str, needed: bool = False) -> FieldSpec:
    return FieldSpec(
        name=name,
        kind=FieldKind.COMMANDS,
        meaning=meaning,
        placeholders=placeholders,
        needed=needed,
    )


def _question(name: str, meaning: str, *placeholders: str, needed: bool = False) -> FieldSpec:
    return FieldSpec(
        name=name,
        kind=FieldKind.QUESTION,
        meaning=meaning,
        placeholders=placeholders,
        needed=needed,
    )


def _text(name: str, meaning: str, default: str | None = None) -> FieldSpec:
    return FieldSpec(name=name, kind=FieldKind.TEXT, meaning=meaning, default=default)


def _signs(name: str, meaning: str, default: str | None = None) -> FieldSpec:
    return FieldSpec(name=name, kind=FieldKind.SIGNS, meaning=meaning, default=default)


def _words(name: str, meaning: str, *, needed: bool = False) -> FieldSpec:
    return FieldSpec(name=name, kind=FieldKind.WORDS, meaning=meaning, needed=needed)


def _number(name: str, meaning: str, default: float | None = None) -> FieldSpec:
    return FieldSpec(name=name, kind=FieldKind.NUMBER, meaning=meaning, default=default)


def _choice(name: str, meaning: str, choices: tuple[str, ...], default: str) -> FieldSpec:
    return FieldSpec(
        name=name, kind=FieldKind.CHOICE, meaning=meaning, choices=choices, default=default
    )


_COMMON = (
    _question("identity", "Asks who the instrument is; null if it can't say."),
    _commands("clear", "Clears status and errors without touching a setting."),
    _question("error", "Asks for the oldest error; null if it keeps none."),
    _text("no_error", "Answer to the error query that means no error; null for SCPI's number 0."),
    _words("acknowledgement", "Answers that the instrument gives to a setting, null if none."),
    _words("refusal_answers", "What an answer that refuses a message is, or begins with."),
    _signs("joiner", "Put between messages to make one of them; null to send each alone."),
    _text("answer_header_end", "Ends the name that answers begin with, such as = in LEVEL=1.5."),
    _signs("answer_joiner", "Stands between the answers to a joined message.", ";"),
    _signs("write_termination", "Ends each message: CR, LF, CR LF or other signs.", "\n"),
    _signs("read_termination", "Ends each answer: CR, LF, CR LF or other signs.", "\n"),
    _signs("list_separator", "Stands between the values of a list in an answer.", ","),
    _words("answer_units", "Units that follow numbers in answers; cut off, not converted."),
    _commands("prepare", "Sent once before use, such as choosing a unit or a format."),
)

_SILENCE = "Level in level_unit that serves as silence; needed where the unit is a decibel."
_OUTPUT = (
    _commands("output_on", "Switches the output on.", needed=True),
    _commands("output_off", "Switches the output off.", needed=True),
    _question("ask_output", "Asks for the state of the output.", needed=True),
    _words("output_is_on", "Answers of ask_output that mean on.", needed=True),
    _words("output_is_off", "Answers of ask_output that mean off.", needed=True),
)
_GENERATOR = (
    _choice("level_unit", "Unit of levels, in messages and answers.", LEVEL_UNITS, "vrms"),
    _choice("noise_level_unit", "Unit of the level of noise.", LEVEL_UNITS, "vrms"),
    _number("silence_level", _SILENCE),
    _commands(
        "set_sine",
        "Sets a sine.",
        "frequency_hz",
        "frequency_khz",
        "level",
        "offset_v",
        "offset_mv",
        needed=True,
    ),
    _commands("set_level", "Changes the level of what is set.", "level", needed=True),
    _question("ask_level", "Asks for the level, to check that it was taken."),
    _question("ask_frequency", "Asks for the frequency in Hz, to check that it was taken."),
    _commands(
        "set_two_tone",
        "Sets the sum of two sines.",
        "lower_hz",
        "lower_khz",
        "lower_level",
        "upper_hz",
        "upper_khz",
        "upper_level",
    ),
    _commands(
        "set_sweep",
        "Sets one exponential sweep.",
        "start_hz",
        "start_khz",
        "stop_hz",
        "stop_khz",
        "duration_s",
        "duration_ms",
        "level",
    ),
    _commands("start_sweep", "Plays the sweep once."),
    _commands("set_programme_noise", "Sets noise as in IEC 60268-1, clause 7.", "level"),
    *_OUTPUT,
    _question("ask_source_impedance", "Asks for the output impedance, ohm."),
    _number("source_impedance", "Output impedance, ohm, where it can't be asked."),
    _question("ask_assumed_load", "Asks for the load its level display assumes, ohm."),
    _number("assumed_load", "Load its level display assumes, ohm or inf, where it can't be asked."),
)
_ANALYSER = (
    _choice("range_unit", "Unit of input ranges; vpk is volts peak.", LEVEL_UNITS, "vpk"),
    _commands("set_range", "Sets the input range.", "range", needed=True),
    _question("ask_range", "Asks for the input range, to check that it was taken."),
    _commands("set_points", "Sets the samples of a record.", "points", needed=True),
    _question("ask_points", "Asks for the samples of a record."),
    _commands("set_rate", "Sets the sample rate.", "rate_hz", "rate_khz", needed=True),
    _question("ask_rate", "Asks for the sample rate."),
    _number("rate_scale", "Hz in one unit of the sample rate answered, 1000 for kHz.", 1.0),
    _commands("start", "Begins a record at once.", needed=True),
    _question("wait", "Asks something that is answered when the record is complete."),
    _question("ask_record_count", "Asks how many records were begun; null compares the data."),
    _question("ask_recorded_points", "Asks how many samples the record holds."),
    _question("ask_recorded_rate", "Asks for the sample rate of the record."),
    _number("recorded_points_field", "Its place if that answer is a list, counted from 1."),
    _number("recorded_rate_field", "Its place if that answer is a list, counted from 1."),
    _question("ask_overrange", "Asks whether the record went over range; null looks at the data."),
    _words("overrange_answers", "Answers of ask_overrange that mean so, where it has words."),
    _words("in_range_answers", "Answers of ask_overrange that mean not so, where it has words."),
    _number("overrange_bit", "Bit of the number ask_overrange answers, counted from 0."),
    _question("ask_waveform", "Asks for the record of one input.", "input", needed=True),
    _words("input_words", "Words for the inputs, first the measured point.", needed=True),
    _choice("waveform_form", "Form of a record.", WAVEFORM_FORMS, "real32"),
    _choice("byte_order", "Order of the bytes of a sample.", BYTE_ORDERS, "big"),
    _signs("waveform_separator", "Stands between samples in ASCII: a comma, ; or TAB.", ","),
    _number("waveform_scale", "Volts of one unit of a sample.", 1.0),
    _number("waveform_offset", "Volts of the sample value 0.", 0.0),
    _question("ask_waveform_scale", "Asks for waveform_scale, where it varies.", "input"),
    _question("ask_waveform_offset", "Asks for waveform_offset, where it varies.", "input"),
    _number("invalid_count", "Sample value that means no reading."),
    _number("full_scale_count", "Sample value at the range's volts peak, where that sets scale."),
)
_VOLT_UNITS = ("v", "mv", "uv")
_OVERLOAD = _words("overload_answers", "Answers that mean overload or no reading.")
_DMM = (
    _question("read_dc", "Takes one DC reading.", needed=True),
    _choice("dc_unit", "Unit of DC readings.", _VOLT_UNITS, "v"),
    _question("read_ac", "Takes one true-r.m.s. AC reading."),
    _choice("ac_unit", "Unit of AC readings.", LEVEL_UNITS, "vrms"),
    _question("read_resistance", "Takes one resistance reading."),
    _choice("resistance_unit", "Unit of resistance.", ("ohm", "kohm", "mohm"), "ohm"),
    _number("reading_field", "Place of the reading in a list, counted from 1; null if no list."),
    _OVERLOAD,
)
_ROUTER = (
    _commands("close", "Closes one channel.", "channel", "bank", "line", needed=True),
    _commands("open", "Opens one channel.", "channel", "bank", "line", needed=True),
    _question("ask_closed", "Asks for one channel's state.", "channel", "bank", "line"),
    _words("closed_answers", "Answers of ask_closed that mean closed."),
    _words("open_answers", "Answers of ask_closed that mean open."),
    _question("ask_closed_channels", "Asks which channels are closed, where ask_closed is null."),
    _words("none_closed_answers", "Answers of ask_closed_channels that mean none."),
)
_MAINS_SWITCH = (
    *_OUTPUT,
    _commands("standby_on", "Commands the unit to standby."),
    _commands("standby_off", "Commands the unit to operate."),
    _question("ask_standby", "Asks for the standby command's state."),
    _words("standby_is_on", "Answers of ask_standby that mean standby."),
    _words("standby_is_off", "Answers of ask_standby that mean operate."),
)
_THERMOMETER = (
    _question("read_temperature", "Takes one reading at the heatsink.", needed=True),
    _choice(
        "temperature_unit", "Unit of readings.", ("celsius", "kelvin", "fahrenheit"), "celsius"
    ),
    _number("temperature_scale", "Degrees in one unit of the answer, 0.01 for hundredths.", 1.0),
    _number("reading_field", "Place of the heatsink in a list, counted from 1; null if no list."),
    _OVERLOAD,
)
_POWER_METER = (
    _question("read_power", "Takes one reading of active power.", needed=True),
    _choice("power_unit", "Unit of power.", ("w", "mw", "kw"), "w"),
    _number("power_field", "Place of the power in a list, counted from 1; null if no list."),
    _question("read_voltage", "Takes one reading of mains voltage, V r.m.s."),
    _choice("voltage_unit", "Unit of voltage.", ("v", "mv", "kv"), "v"),
    _number("voltage_field", "Place of the voltage in a list, counted from 1; null if no list."),
    _OVERLOAD,
)
_BY_ROLE: Mapping[Role, tuple[FieldSpec, ...]] = {
    Role.GENERATOR: _GENERATOR,
    Role.ANALYSER: _ANALYSER,
    Role.DMM: _DMM,
    Role.ROUTER: _ROUTER,
    Role.MAINS_SWITCH: _MAINS_SWITCH,
    Role.THERMOMETER: _THERMOMETER,
    Role.POWER_METER: _POWER_METER,
}
