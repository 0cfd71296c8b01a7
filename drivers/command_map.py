"""Command maps: how one instrument says what its role can do, checked before anything is sent.

A map is written as plain text, lists and numbers (in a bench file) and becomes a frozen CommandMap;
every mistake in it is reported at once, each with the path of its key.
"""

import difflib
import math
import re
import string
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from drivers.levels import RMS_UNITS, is_decibel
from drivers.map_fields import PLACEHOLDERS, SIGN_NAMES, FieldKind, FieldSpec, fields_of
from drivers.roles import Role
from drivers.scpi_maps import SCPI_MAPS

FieldValue = str | float | tuple[str, ...] | None

LONGEST_TEXT = 1000
"""Characters in the longest text of a map."""

_MOST_MESSAGES = 50
_TERMINATION_FIELDS = ("write_termination", "read_termination")
# A width or precision of more digits could make a message of any size out of a short template.
_FORMAT_SPEC = re.compile(r"[+]?0?[0-9]{0,2}(?:\.[0-9]{1,2})?[deEfFgG]?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class MapProblem:
    """One mistake in a map: where (role, key, and place in a list), and what."""

    path: tuple[str | int, ...]
    message: str


class CommandMapError(ValueError):
    """A map that can't be used; problems lists every mistake in it."""

    def __init__(self, problems: tuple[MapProblem, ...]) -> None:
        self.problems = problems
        lines = [f"{'.'.join(map(str, item.path))}: {item.message}" for item in problems]
        super().__init__("\n".join(lines))


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandMap:
    """How one instrument speaks. A field that is None is something it does not have."""

    role: Role
    fields: Mapping[str, FieldValue]

    def messages(self, name: str) -> tuple[str, ...] | None:
        """Templates of the messages of one operation, None if the instrument has no such thing."""
        value = self.fields[name]
        return value if isinstance(value, tuple) else None

    def words(self, name: str) -> tuple[str, ...]:
        """Words that mean the same; empty if there are none."""
        return self.messages(name) or ()

    def text(self, name: str) -> str | None:
        """One text or choice."""
        value = self.fields[name]
        return value if isinstance(value, str) else None

    def choice(self, name: str) -> str:
        """One of the words a field allows."""
        value = self.fields[name]
        if not isinstance(value, str):
            raise ValueError(f"{name} of the {self.role} map is {value!r}, must be a word")
        return value

    def number(self, name: str) -> float | None:
        """One number."""
        value = self.fields[name]
        return float(value) if isinstance(value, (int, float)) else None

    def has(self, name: str) -> bool:
        """Whether the instrument can do this."""
        return self.fields[name] is not None


def scpi_map(role: Role) -> CommandMap:
    """The default map of a role, SCPI-1999."""
    return command_map_from(role, {})


def command_map_from(role: Role, mapping: Mapping[str, object]) -> CommandMap:
    """The map that a bench file describes.

    mapping holds what differs from the base: key `base` names it, `scpi` (default) or `nothing`. A
    null takes an operation away. Raises CommandMapError with every problem found.
    """
    specs = {spec.name: spec for spec in fields_of(role)}
    problems = list(_unknown_keys(role, mapping, specs))
    fields: dict[str, FieldValue] = {name: _default(spec) for name, spec in specs.items()}
    fields |= _base_fields(role, mapping, specs, problems)
    for key, raw in mapping.items():
        if key in specs:
            fields[key] = _checked(role, specs[key], raw, problems)
    if not problems:
        problems += _contradictions(role, fields, specs)
    if problems:
        raise CommandMapError(tuple(problems))
    return CommandMap(role=role, fields=MappingProxyType(fields))


def missing_operations(command_map: CommandMap) -> frozenset[str]:
    """Methods of the role that this map gives no means for."""
    return frozenset(
        method
        for method, names in _METHODS[command_map.role].items()
        if not any(command_map.has(name) for name in names)
    )


# Which fields a method of a role needs one of.
_METHODS: Mapping[Role, Mapping[str, tuple[str, ...]]] = {
    Role.GENERATOR: {
        "set_two_tone": ("set_two_tone",),
        "set_sweep": ("set_sweep",),
        "start_sweep": ("start_sweep",),
        "set_programme_noise": ("set_programme_noise",),
        "source_impedance_ohm": ("ask_source_impedance", "source_impedance"),
        "assumed_load_ohm": ("ask_assumed_load", "assumed_load"),
    },
    Role.ANALYSER: {},
    Role.DMM: {"read_ac_vrms": ("read_ac",), "read_resistance_ohm": ("read_resistance",)},
    Role.ROUTER: {},
    Role.MAINS_SWITCH: {"set_standby": ("standby_on",)},
    Role.THERMOMETER: {},
    Role.POWER_METER: {"read_voltage_vrms": ("read_voltage",)},
}


def _default(spec: FieldSpec) -> FieldValue:
    return spec.default


def _unknown_keys(
    role: Role, mapping: Mapping[str, object], specs: Mapping[str, FieldSpec]
) -> Iterable[MapProblem]:
    known = ["base", *specs]
    for key in mapping:
        if key not in known:
            near = difflib.get_close_matches(str(key), known, n=1)
            hint = f'; did you mean "{near[0]}"?' if near else f"; known are {', '.join(known)}"
            yield MapProblem(path=(role, key), message=f'"{key}" is not known{hint}')


def _base_fields(
    role: Role,
    mapping: Mapping[str, object],
    specs: Mapping[str, FieldSpec],
    problems: list[MapProblem],
) -> dict[str, FieldValue]:
    base = mapping.get("base", "scpi")
    if base == "nothing":
        return {}
    if base != "scpi":
        message = f'{base!r} is no base; write "scpi" or "nothing"'
        problems.append(MapProblem(path=(role, "base"), message=message))
    return {key: _checked(role, specs[key], raw, problems) for key, raw in SCPI_MAPS[role].items()}


def _checked(role: Role, spec: FieldSpec, raw: object, problems: list[MapProblem]) -> FieldValue:
    """One value in its proper type; what is wrong with it goes to problems."""
    path: tuple[str | int, ...] = (role, spec.name)
    if raw is None:
        if spec.needed:
            message = f"the {role} can't do without this; give the messages for it"
            problems.append(MapProblem(path=path, message=message))
        return None
    try:
        return _CHECKS[spec.kind](spec, raw)
    except _Wrong as wrong:
        where = path if wrong.place is None else (*path, wrong.place)
        problems.append(MapProblem(path=where, message=str(wrong)))
        return None


class _Wrong(Exception):
    def __init__(self, message: str, place: int | None = None) -> None:
        self.place = place
        super().__init__(message)


def _checked_messages(spec: FieldSpec, raw: object) -> FieldValue:
    items = _several(raw)
    if len(items) > _MOST_MESSAGES:
        raise _Wrong(f"{len(items)} messages are too many, at most {_MOST_MESSAGES}")
    is_list = isinstance(raw, (list, tuple))
    for place, item in enumerate(items):
        try:
            _check_template(item, spec.placeholders)
        except ValueError as error:
            raise _Wrong(str(error), place if is_list else None) from error
    return items


def _check_template(template: str, allowed: tuple[str, ...]) -> None:
    """Raises ValueError for a template that could fail or surprise when it is filled in."""
    try:
        parts = list(string.Formatter().parse(template))
    except ValueError as error:
        raise ValueError(f"{template!r} can't be filled in: {error}") from error
    for _, name, spec, conversion in parts:
        if name is None:
            continue
        if name not in allowed:
            raise ValueError(_unknown_placeholder(name, allowed))
        if conversion or _FORMAT_SPEC.fullmatch(spec or "") is None:
            raise ValueError(
                f"{{{name}:{spec}}} has a form that is not taken; write {{{name}:.6G}}"
            )
    samples = {name: PLACEHOLDERS[name][1] for name in allowed}
    try:
        message = template.format_map(samples)
    except (ValueError, KeyError, IndexError) as error:
        raise ValueError(f"{template!r} can't be filled in: {error}") from error
    if not message.isascii() or not message.isprintable() or not message.strip():
        raise ValueError(f"{template!r} must be printable ASCII text")


def _unknown_placeholder(name: str, allowed: tuple[str, ...]) -> str:
    if not allowed:
        return f"{{{name}}} can't stand here; this message has nothing to fill in"
    near = difflib.get_close_matches(name, allowed, n=1)
    hint = f"did you mean {{{near[0]}}}?" if near else "known are "
    known = "" if near else ", ".join(f"{{{item}}}" for item in allowed)
    return f"{{{name}}} is not known here; {hint}{known}"


def _checked_words(spec: FieldSpec, raw: object) -> FieldValue:
    return _several(raw)


def _several(raw: object) -> tuple[str, ...]:
    if not isinstance(raw, (list, tuple)):
        return (_one_text(raw),)
    if not raw:
        raise _Wrong("the list is empty; write null if there is no such thing")
    items = []
    for place, item in enumerate(raw):
        try:
            items.append(_one_text(item))
        except _Wrong as wrong:
            raise _Wrong(str(wrong), place) from wrong
    return tuple(items)


def _one_text(raw: object) -> str:
    if not isinstance(raw, str):
        raise _Wrong(f"{raw!r} is not text; put it in quotes")
    if not 0 < len(raw) <= LONGEST_TEXT:
        raise _Wrong(f"the text is {len(raw)} characters long, must be 1 to {LONGEST_TEXT}")
    return raw


def _checked_text(spec: FieldSpec, raw: object) -> FieldValue:
    text = _one_text(raw)
    if not text.isascii():
        raise _Wrong(f"{text!r} must be ASCII text")
    return text


def _checked_signs(spec: FieldSpec, raw: object) -> FieldValue:
    text = str(_checked_text(spec, raw))
    signs = SIGN_NAMES.get(" ".join(text.upper().split()), text)
    if spec.name in _TERMINATION_FIELDS and len(signs) > 4:
        raise _Wrong(f"{text!r} is too long for a termination; write for instance CR LF")
    return signs


def _checked_number(spec: FieldSpec, raw: object) -> FieldValue:
    if isinstance(raw, bool) or not isinstance(raw, (int, float, str)):
        raise _Wrong(f"{raw!r} is not a number")
    try:
        value = float(raw)
    except (ValueError, OverflowError) as error:
        raise _Wrong(f"{raw!r} is not a number") from error
    if math.isnan(value) or (math.isinf(value) and spec.name != "assumed_load"):
        raise _Wrong(f"{raw!r} is not a finite number")
    return value


def _checked_choice(spec: FieldSpec, raw: object) -> FieldValue:
    word = raw.lower() if isinstance(raw, str) else raw
    if word in spec.choices:
        return str(word)
    near = difflib.get_close_matches(str(word), spec.choices, n=1)
    hint = f'did you mean "{near[0]}"?' if near else f"known are {', '.join(spec.choices)}"
    raise _Wrong(f"{raw!r} is not known; {hint}")


_CHECKS: Mapping[FieldKind, Callable[[FieldSpec, object], FieldValue]] = {
    FieldKind.COMMANDS: _checked_messages,
    FieldKind.QUESTION: _checked_messages,
    FieldKind.WORDS: _checked_words,
    FieldKind.TEXT: _checked_text,
    FieldKind.SIGNS: _checked_signs,
    FieldKind.NUMBER: _checked_number,
    FieldKind.CHOICE: _checked_choice,
}


def _contradictions(
    role: Role, fields: Mapping[str, FieldValue], specs: Mapping[str, FieldSpec]
) -> list[MapProblem]:
    """What is missing or does not fit together in a map whose single values are right."""
    found = [
        (name, f"the {role} can't do without this; give the messages for it")
        for name, spec in specs.items()
        if spec.needed and fields[name] is None
    ]
    found += _common_contradictions(fields)
    if role in _ROLE_CONTRADICTIONS:
        found += _ROLE_CONTRADICTIONS[role](fields)
    for yes, no in (
        ("output_is_on", "output_is_off"),
        ("standby_is_on", "standby_is_off"),
        ("closed_answers", "open_answers"),
        ("overrange_answers", "in_range_answers"),
    ):
        if common := _common_words(fields.get(yes), fields.get(no)):
            found.append((yes, f"{', '.join(common)} stands in {no} too"))
    return [MapProblem(path=(role, name), message=message) for name, message in found]


def _common_words(yes: FieldValue, no: FieldValue) -> list[str]:
    if not isinstance(yes, tuple) or not isinstance(no, tuple):
        return []
    return sorted({word.upper() for word in yes} & {word.upper() for word in no})


def _common_contradictions(fields: Mapping[str, FieldValue]) -> list[tuple[str, str]]:
    found = []
    for name in ("read_termination", "write_termination", "answer_joiner", "list_separator"):
        if fields[name] is None:
            found.append((name, "this can't be null"))
    if fields["acknowledgement"] is not None and fields["joiner"] is not None:
        message = "an instrument that acknowledges each setting takes them one by one; set it null"
        found.append(("joiner", message))
    if fields["joiner"] is not None and fields["answer_joiner"] == fields["list_separator"]:
        message = "the same as answer_joiner: joined answers could not be told apart; joiner: null"
        found.append(("list_separator", message))
    if fields["no_error"] is not None and fields["error"] is None:
        found.append(("no_error", "there is no error query whose answer this could be"))
    for name in ("identity", "error"):
        value = fields[name]
        if isinstance(value, tuple) and len(value) != 1:
            found.append((name, "this must be a single message"))
    return found


def _generator_contradictions(fields: Mapping[str, FieldValue]) -> list[tuple[str, str]]:
    found = []
    unit, noise_unit = str(fields["level_unit"]), str(fields["noise_level_unit"])
    if is_decibel(unit) and fields["silence_level"] is None:
        found.append(("silence_level", f"needed, because silence has no level in {unit}"))
    if noise_unit not in RMS_UNITS and fields["set_programme_noise"] is not None:
        message = f"{noise_unit} is not defined for noise; known are {', '.join(RMS_UNITS)}"
        found.append(("noise_level_unit", message))
    for constant, question in (
        ("source_impedance", "ask_source_impedance"),
        ("assumed_load", "ask_assumed_load"),
    ):
        value = fields[constant]
        if isinstance(value, float) and value <= 0:
            found.append((constant, f"{value:g} ohm is not possible; must be above 0"))
        if value is None and fields[question] is None:
            found.append((constant, f"needed, because {question} is null"))
    return found


def _analyser_contradictions(fields: Mapping[str, FieldValue]) -> list[tuple[str, str]]:
    found = []
    bit = fields["overrange_bit"]
    words = (fields["overrange_answers"], fields["in_range_answers"])
    if fields["ask_overrange"] is not None and bit is None and None in words:
        message = "needed, or overrange_answers and in_range_answers, to read ask_overrange"
        found.append(("overrange_bit", message))
    if isinstance(bit, float) and (not bit.is_integer() or not 0 <= bit <= 31):
        found.append(("overrange_bit", f"{bit:g} is no bit; must be a whole number from 0 to 31"))
    for name in ("rate_scale", "full_scale_count", "waveform_scale"):
        value = fields[name]
        if isinstance(value, float) and value <= 0:
            found.append((name, f"{value:g} is not possible; must be above 0"))
    for name in ("rate_scale", "waveform_scale", "waveform_offset", "waveform_separator"):
        if fields[name] is None:
            found.append((name, "this can't be null"))
    return found


def _router_contradictions(fields: Mapping[str, FieldValue]) -> list[tuple[str, str]]:
    if fields["ask_closed"] is None and fields["ask_closed_channels"] is None:
        return [("ask_closed", "needed, or ask_closed_channels: a relay is always read back")]
    if fields["ask_closed"] is None:
        return []
    return [
        (name, "needed to read the answer of ask_closed")
        for name in ("closed_answers", "open_answers")
        if fields[name] is None
    ]


def _mains_contradictions(fields: Mapping[str, FieldValue]) -> list[tuple[str, str]]:
    found = []
    if (fields["standby_on"] is None) != (fields["standby_off"] is None):
        found.append(("standby_on", "standby_on and standby_off go together"))
    if fields["ask_standby"] is not None:
        found += [
            (name, "needed to read the answer of ask_standby")
            for name in ("standby_is_on", "standby_is_off")
            if fields[name] is None
        ]
    return found


_ROLE_CONTRADICTIONS: Mapping[Role, Callable[[Mapping[str, FieldValue]], list[tuple[str, str]]]] = {
    Role.GENERATOR: _generator_contradictions,
    Role.ANALYSER: _analyser_contradictions,
    Role.ROUTER: _router_contradictions,
    Role.MAINS_SWITCH: _mains_contradictions,
}
