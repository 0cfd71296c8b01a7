"""JSON Schemas (draft 2020-12) of the files that people write, from the models that check them.

An editor that knows them offers keys and marks mistakes while typing. They say what a single value
and a single step must look like; what hangs together across steps, files and the bench is for
`check`.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType

from drivers import map_fields
from drivers.roles import Role
from drivers.scpi_maps import SCPI_MAPS
from sequencer.bench_settings import NEEDED_ROLES, BenchModel, InstrumentModel
from sequencer.procedure_schema import procedure_schema
from sequencer.quantities import did_you_mean
from sequencer.ticket import TicketSettings
from sequencer.written_schema import DIALECT, Schema, reachable, schemas_of


def schema_of(name: str, role: Role | None = None) -> Schema:
    """The schema of one of NAMES; role chooses one command map.

    Raises ValueError for a name that is none, or a role where there is nothing to choose.
    """
    if role is not None:
        if name != "command_map":
            raise ValueError(f"a {name} is the same for every role; leave {role.value} out")
        return _document(f"command map of a {role.value}", command_map_schema(role))
    if name not in _MAKERS:
        raise ValueError(f'there is no schema of a "{name}"; {did_you_mean(name, NAMES)}')
    return _document(name.replace("_", " "), _MAKERS[name]())


def role_named(text: str) -> Role:
    """The role of a name. Raises ValueError with the near or known ones."""
    try:
        return Role(text)
    except ValueError:
        known = [role.value for role in Role]
        raise ValueError(f'"{text}" is no role; {did_you_mean(text, known)}') from None


def command_map_schema(role: Role) -> Schema:
    """The `commands:` of one role; each field shows what the SCPI-1999 map says there."""
    schema: Schema = dict(map_fields.json_schema(role))
    usual = SCPI_MAPS[role]
    schema["properties"] = {
        name: {**field, "examples": [usual[name]]} if name in usual else field
        for name, field in schema["properties"].items()
    }
    return schema


def bench_schema() -> Schema:
    """A bench file, each role with its own command map."""
    (bench, instrument), definitions = schemas_of([BenchModel, InstrumentModel])
    instrument_name = next(name for name, each in definitions.items() if each is instrument)
    maps = {f"commands_of_{role.value}": command_map_schema(role) for role in Role}
    roles = {
        role.value: {
            "allOf": [
                {"$ref": f"#/$defs/{instrument_name}"},
                {"properties": {"commands": {"$ref": f"#/$defs/commands_of_{role.value}"}}},
            ]
        }
        for role in Role
    }
    bench["properties"]["instruments"] = {
        "type": "object",
        "description": "Which instrument plays which role.",
        "properties": roles,
        "additionalProperties": False,
        "required": [role.value for role in NEEDED_ROLES],
    }
    return {**bench, "$defs": reachable(bench, {**definitions, **maps})}


def ticket_schema() -> Schema:
    """A job ticket."""
    (ticket,), definitions = schemas_of([TicketSettings])
    return {**ticket, "$defs": reachable(ticket, definitions)}


def _every_command_map() -> Schema:
    """The maps of all roles, by role."""
    return {
        "type": "object",
        "description": "For each role the content of `commands:` in a bench file.",
        "additionalProperties": False,
        "properties": {role.value: {"$ref": f"#/$defs/{role.value}"} for role in Role},
        "$defs": {role.value: command_map_schema(role) for role in Role},
    }


def _document(title: str, schema: Schema) -> Schema:
    return {"$schema": DIALECT, "title": f"steadybench: {title}", **schema}


_MAKERS: Mapping[str, Callable[[], Schema]] = MappingProxyType(
    {
        "command_map": _every_command_map,
        "procedure": procedure_schema,
        "bench": bench_schema,
        "ticket": ticket_schema,
    }
)
NAMES: tuple[str, ...] = tuple(_MAKERS)
"""What there is a schema of."""
