"""Files of ours: YAML read with places, checked against a pydantic model, mistakes put where they
stand.

read_file gives a file's text and tree, validate a settings model from a node. Every mistake is a
FileError with file, line and column, and a sentence that says what would be right; all of them are
found at once.
"""

import errno
import os
import stat
import types
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError, WithJsonSchema
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from sequencer.errors import FileError, Place
from sequencer.partial_settings import between_settings
from sequencer.quantities import DIMENSION_KEY, quantity_as_written
from sequencer.units import did_you_mean
from sequencer.yaml_reading import (
    MAX_BYTES,
    MAX_DEPTH,
    Node,
    Plain,
    Unreadable,
    compose,
    decode,
)

__all__ = [
    "MAX_BYTES",
    "MAX_DEPTH",
    "FileError",
    "Node",
    "Place",
    "Plain",
    "SourceFile",
    "Unreadable",
    "comma_hint",
    "compose",
    "decode",
    "load_yaml",
    "read_file",
    "validate",
]

Model = TypeVar("Model", bound=BaseModel)
Loc = tuple[int | str, ...]

# What people call an instrument whose role has another name here.
_OTHER_NAMES = {
    "multimeter": "dmm",
    "voltmeter": "dmm",
    "meter": "dmm",
    "oscillator": "generator",
    "source": "generator",
    "digitiser": "analyser",
    "digitizer": "analyser",
    "scanner": "router",
    "matrix": "router",
    "switch": "router",
    "relay": "mains_switch",
    "wattmeter": "power_meter",
    "temperature": "thermometer",
}
# Words that other YAML readers turn into true, false or nothing.
_TRAPS = frozenset({"yes", "no", "on", "off", "true", "false", "null", "~", "y", "n"})


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFile:
    """A file as read: the name shown to people, its text, and the tree of its YAML."""

    name: str
    text: str
    root: Node


def read_file(path: Path | Traversable, *, name: str | None = None) -> SourceFile:
    """Read one YAML file; name is what messages call it (default: the path as given).

    Raises Unreadable with the reason: missing, a folder, too large, not UTF-8, not YAML, empty.
    """
    shown = name or str(path)
    text = decode(_content(path, shown), shown)
    return SourceFile(name=shown, text=text, root=compose(text, shown))


def load_yaml(
    path: Path | Traversable, *, name: str | None = None
) -> tuple[Node | None, list[FileError]]:
    """The tree of a YAML file, or None and what is wrong with the file."""
    try:
        return read_file(path, name=name).root, []
    except Unreadable as error:
        return None, list(error.errors)


def _content(path: Path | Traversable, shown: str) -> bytes:
    try:
        if not isinstance(path, Path):
            return path.read_bytes()[: MAX_BYTES + 1]
        return _regular_content(path)
    except FileNotFoundError:
        problem = "there is no such file"
    except IsADirectoryError:
        problem = "this is a folder; name a file in it"
    except PermissionError:
        problem = "this file may not be read by you; check its permissions"
    except (OSError, ValueError) as error:
        words = error.strerror if isinstance(error, OSError) else None
        problem = f"this file can't be read: {words or 'its name is not possible'}"
    raise Unreadable([FileError(Place(shown), problem)])


def _regular_content(path: Path) -> bytes:
    # Opening a pipe without a writer would wait for ever, and a device might never end.
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    try:
        mode = os.fstat(handle).st_mode
        if stat.S_ISDIR(mode):
            raise IsADirectoryError
        if not stat.S_ISREG(mode):
            raise OSError(errno.EINVAL, "it is not an ordinary file")
        with open(handle, "rb", closefd=False) as file:
            return file.read(MAX_BYTES + 1)
    finally:
        os.close(handle)


def validate(
    model: type[Model], node: Node, *, also_known: Iterable[str] = ()
) -> tuple[Model | None, list[FileError]]:
    """The settings a node describes, or None and every mistake in it with its place.

    also_known are keys that the caller handles himself; they are offered where a key is misspelt.
    """
    found = list(_bare_words(model, node))
    try:
        value = model.model_validate(node.plain())
    except ValidationError as error:
        taken = {mistake.place for mistake in found}
        details = error.errors(include_url=False)
        found += _located(model, node, details, taken, tuple(also_known))
        found += [each for each in _between(model, node) if each not in found]
        return None, sorted(found, key=lambda mistake: (mistake.place.line, mistake.place.column))
    return (None, found) if found else (value, [])


def _between(model: type[BaseModel], node: Node, name: str = "") -> Iterator[FileError]:
    """What is wrong between the sure settings of a block, and of the blocks in it."""
    for words in between_settings(model, node):
        yield FileError(node.place, f"{name}: {words}" if name else words)
    for key, value in node.entries:
        field = model.model_fields.get(key.text)
        inner = next(_models_in(field.annotation), None) if field else None
        for part in value.items if value.kind == "sequence" else (value,):
            if inner is not None:
                yield from _between(inner, part, key.text)


def _located(
    model: type[BaseModel],
    node: Node,
    details: list[ErrorDetails],
    taken: set[Place],
    also_known: tuple[str, ...],
) -> Iterator[FileError]:
    for detail in details:
        found = _file_error(model, node, detail, also_known)
        if detail["type"] == "missing":
            yield found
        elif found.place not in taken:
            # A union reports one failure for each of its members; the first says most.
            taken.add(found.place)
            yield found


def _file_error(
    model: type[BaseModel], root: Node, detail: ErrorDetails, also_known: tuple[str, ...]
) -> FileError:
    loc = detail["loc"]
    if detail["type"] == "extra_forbidden":
        parent, _, _ = _walk(root, loc[:-1])
        name = str(loc[-1])
        known = [*_fields_at(model, loc[:-1]), *(also_known if len(loc) == 1 else ())]
        message = f'unknown key "{name}"; {comma_hint(name) or did_you_mean(name, known)}'
        return FileError(parent.key_place(name), message)
    if detail["type"] == "missing":
        parent, _, _ = _walk(root, loc[:-1])
        name = str(loc[-1])
        return FileError(parent.place, f'"{name}" is missing; {_write_example(model, loc)}')
    if loc[-1:] == ("[key]",) and detail["type"] == "enum":
        parent, _, _ = _walk(root, loc[:-2])
        name, known = str(loc[-2]), _alternatives(str(detail.get("ctx", {})["expected"]))
        meant = _OTHER_NAMES.get(name.casefold(), name)
        hint = did_you_mean(meant, [part.strip("'") for part in known])
        return FileError(parent.key_place(name), f'unknown key "{name}"; {hint}')
    node, place, name = _walk(root, loc)
    field = _field_at(model, loc) if loc else None
    return FileError(place, (f"{name}: " if name else "") + _in_words(detail, node, field))


def _walk(root: Node, loc: Loc) -> tuple[Node, Place, str]:
    """The node that pydantic's location leads to, its place, and the key above it.

    Parts that lead nowhere name a member of a union and are passed over.
    """
    node, place, name = root, root.place, ""
    for part in loc:
        if node.kind == "mapping" and (child := node.get(str(part))) is not None:
            place = node.key_place(str(part)) if child.is_empty else child.place
            node, name = child, str(part)
        elif node.kind == "sequence" and isinstance(part, int) and part < len(node.items):
            node = node.items[part]
            place = node.place
    return node, place, name


def comma_hint(name: str) -> str:
    """For "2,5 V" within braces, where the comma begins a new entry named "5 V"."""
    if not name[:1].isdigit():
        return ""
    return "a comma parts entries here, so write decimals with a point, such as 2.5"


def _in_words(detail: ErrorDetails, node: Node, field: FieldInfo | None) -> str:
    kind = detail["type"]
    context = detail.get("ctx", {})
    text = f'"{node.text[:60]}"' if node.kind == "scalar" else f"a {_KIND_WORDS[node.kind]}"
    if kind in ("value_error", "assertion_error"):
        return str(context["error"])
    if kind in ("enum", "literal_error"):
        known = [part.strip("'") for part in _alternatives(str(context["expected"]))]
        return f"{text} is unknown; {did_you_mean(node.text, known)}"
    if kind in _BOUNDS:
        key, words = _BOUNDS[kind]
        return f"{text} is {words.format(_bound(float(context[key]), field))}"
    if kind == "string_too_short":
        return "there is nothing between the quotes; write something, or leave the line out"
    if kind in _WANTED:
        return f"{_WANTED[kind]} is wanted here, not {text}"
    message = detail["msg"]
    return f"{text} can't be used; {message[0].lower()}{message[1:]}"


def _bound(value: float, field: FieldInfo | None) -> str:
    """A bound that pydantic names in SI, as a file says it."""
    dimension = _dimension(field.annotation, field.metadata) if field else None
    return (quantity_as_written(value, dimension) if dimension else None) or f"{value:g}"


def _dimension(annotation: Any, metadata: Iterable[Any] = ()) -> str | None:
    for schema in (each.json_schema for each in metadata if isinstance(each, WithJsonSchema)):
        if schema and DIMENSION_KEY in schema:
            return str(schema[DIMENSION_KEY])
    for inner in get_args(annotation):
        inside = getattr(inner, "__metadata__", ())
        if (found := _dimension(inner, inside)) is not None:
            return found
    return None


def _alternatives(expected: str) -> list[str]:
    return expected.replace(" or ", ", ").split(", ")


_BOUNDS = {
    "greater_than": ("gt", "too small; write more than {}"),
    "greater_than_equal": ("ge", "too small; write {} or more"),
    "less_than": ("lt", "too large; write less than {}"),
    "less_than_equal": ("le", "too large; write {} or less"),
}
_KIND_WORDS = {"mapping": "block of keys", "sequence": "list", "scalar": "text"}
_WANTED = {
    "string_type": "text",
    "list_type": 'a list (lines that begin with "- ")',
    "tuple_type": 'a list (lines that begin with "- ")',
    "dict_type": "a block of keys (name: value)",
    "model_type": "a block of keys (name: value)",
    "model_attributes_type": "a block of keys (name: value)",
    "dataclass_type": "a block of keys (name: value)",
    "int_parsing": "a whole number",
    "int_type": "a whole number",
    "float_parsing": "a number",
    "float_type": "a number",
    "bool_parsing": "true or false",
    "bool_type": "true or false",
}


def _write_example(model: type[BaseModel], loc: Loc) -> str:
    field = _field_at(model, loc)
    name = str(loc[-1])
    metadata = field.metadata if field is not None else []
    for schema in (entry.json_schema for entry in metadata if isinstance(entry, WithJsonSchema)):
        if schema and schema.get("examples"):
            return f'write for example "{name}: {schema["examples"][0]}"'
    return f'add a line "{name}: ..."'


def _field_at(model: type[BaseModel], loc: Loc) -> FieldInfo | None:
    owner = _model_at(model, loc[:-1])
    return owner.model_fields.get(str(loc[-1])) if owner is not None else None


def _fields_at(model: type[BaseModel], loc: Loc) -> list[str]:
    owner = _model_at(model, loc)
    return list(owner.model_fields) if owner is not None else []


def _model_at(model: type[BaseModel], loc: Loc) -> type[BaseModel] | None:
    """The settings model that a location lies in, through lists, dicts and unions."""
    current: type[BaseModel] | None = model
    for part in loc:
        if current is None or not isinstance(part, str):
            continue
        field = current.model_fields.get(part)
        if field is not None:
            current = next(_models_in(field.annotation), None)
    return current


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _models_in(inner)


def _bare_words(model: type[BaseModel], node: Node) -> Iterator[FileError]:
    """Keys without a value, words for nothing, and words others take for true or false."""
    if node.kind != "mapping":
        return
    for key, value in node.entries:
        field = model.model_fields.get(key.text)
        if field is not None:
            yield from _bare_in_field(model, field, key, value)


def _bare_in_field(
    model: type[BaseModel], field: FieldInfo, key: Node, value: Node
) -> Iterator[FileError]:
    if value.is_empty:
        example = _write_example(model, (key.text,))
        yield FileError(key.place, f"{key.text}: nothing is written here; {example}")
        return
    if value.is_null_word:
        yield FileError(
            value.place,
            f"{key.text}: {value.text} means nothing in YAML; leave the line out, "
            f'or write "{value.text}" in quotes where the word is meant',
        )
        return
    inner = next(_models_in(field.annotation), None)
    for part in value.items if value.kind == "sequence" else (value,):
        if inner is not None:
            yield from _bare_words(inner, part)
        elif _is_trap(part) and _is_text(field.annotation):
            yield FileError(
                part.place,
                f"{key.text}: {part.text} without quotes is true, false or nothing to other "
                f'readers of YAML; write "{part.text}" in quotes',
            )


def _is_trap(node: Node) -> bool:
    return node.kind == "scalar" and not node.quoted and node.text.casefold() in _TRAPS


def _is_text(annotation: Any) -> bool:
    """Whether a field holds text, or a list or choice of texts."""
    origin = get_origin(annotation)
    if origin in (Union, types.UnionType, list, tuple):
        return any(_is_text(inner) for inner in get_args(annotation))
    if origin is Annotated:
        return _is_text(get_args(annotation)[0])
    return annotation is str
