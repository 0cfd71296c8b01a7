"""JSON Schema of a procedure, put together from every kind of step that is registered.

A step is checked by its `kind`: one branch for each holds the keys common to all steps, the
settings of the kind and limits on its readings. Wherever a value may stand, `<figure>` may too.
"""

from collections.abc import Mapping

from pydantic import BaseModel

from sequencer.expansion import IncludeHead, StepHead
from sequencer.includes import Head
from sequencer.limit_grammar import LIMIT_KEYS, LIMIT_SHAPES
from sequencer.steps.base import AnyStepKind
from sequencer.steps.registry import kinds
from sequencer.unit_data import UnitSettings
from sequencer.written_schema import Schema, reachable, schemas_of

_ANNOTATIONS = ("description", "default", "examples")
_ENTRY, _FIGURE, _LIMIT, _SCALAR = (
    f"#/$defs/{name}" for name in ("entry", "figure", "limit", "scalar")
)
_FIGURE_NAME = "[A-Za-z0-9_-]+"


def procedure_schema() -> Schema:
    """A procedure file."""
    known = kinds()
    models: list[type[BaseModel]] = [
        Head,
        UnitSettings,
        StepHead,
        IncludeHead,
        *(kind.settings for kind in known.values()),
    ]
    (head, unit, step, include, *settings), definitions = schemas_of(models)
    properties = {
        **head["properties"],
        "unit": unit,
        "figures": _figures(),
        "steps": _list_of_steps("What is done, in this order."),
        "guards": {"type": "object", "description": "Conditions that stop the run."},
    }
    found: Schema = {
        **head,
        "properties": properties,
        "required": [*head.get("required", ()), "steps"],
    }
    branches = {
        f"kind_{name}": _branch(kind, step["properties"], own, definitions)
        for (name, kind), own in zip(known.items(), settings, strict=True)
    }
    common = {
        "entry": {
            "description": "A step, or the steps of another file.",
            "if": {"type": "object", "required": ["include"]},
            "then": {"$ref": "#/$defs/include"},
            "else": {"$ref": "#/$defs/step"},
        },
        "include": _include(include),
        "step": _step(known),
        "limit": _limit(),
        "figure": {
            "type": "string",
            "pattern": f"^<{_FIGURE_NAME}>$",
            "description": "The figure, or the item of the unit's data, of this name.",
        },
        "scalar": {"type": ["string", "number", "boolean"]},
    }
    everything = {**definitions, **common, **branches}
    return {**found, "$defs": reachable(found, everything)}


def _figures() -> Schema:
    return {
        "type": "object",
        "description": "Values that --with and an including file may change; <name> stands for one.",
        "propertyNames": {
            "pattern": f"^{_FIGURE_NAME}$",
            "not": {"enum": [*UnitSettings.model_fields]},
        },
        "additionalProperties": {"$ref": _SCALAR},
    }


def _list_of_steps(description: str) -> Schema:
    return {
        "type": "array",
        "description": description,
        "minItems": 1,
        "items": {"$ref": _ENTRY},
    }


def _include(head: Schema) -> Schema:
    changes = {
        "type": "object",
        "description": "Figures of that file to change.",
        "additionalProperties": {"$ref": _SCALAR},
    }
    return {**head, "properties": {**head["properties"], "with": changes}}


def _step(known: Mapping[str, AnyStepKind]) -> Schema:
    return {
        "type": "object",
        "properties": {"kind": {"enum": [*known], "description": "What kind of step it is."}},
        "required": ["kind"],
        "allOf": [
            {
                "if": {"properties": {"kind": {"const": name}}, "required": ["kind"]},
                "then": {"$ref": f"#/$defs/kind_{name}"},
            }
            for name in known
        ],
    }


def _branch(
    kind: AnyStepKind,
    common: Schema,
    settings: Schema,
    definitions: Mapping[str, Schema],
) -> Schema:
    """All keys of one kind of step."""
    properties: Schema = {
        **common,
        "kind": {"const": kind.name},
        **settings.get("properties", {}),
    }
    properties = {name: _or_figure(each, definitions) for name, each in properties.items()}
    if kind.readings:
        properties["limits"] = _limits(kind)
    if getattr(kind.settings, "takes_steps", False):
        properties["steps"] = _list_of_steps("The steps that are repeated.")
    required = ["kind", *settings.get("required", ())]
    if "steps" in properties:
        required.append("steps")
    return {
        "type": "object",
        "description": settings.get("description", ""),
        "properties": properties,
        "required": required,
        "additionalProperties": False,
    }


def _or_figure(schema: Schema, definitions: Mapping[str, Schema]) -> Schema:
    """The schema, or a figure in place of any single value in it."""
    if "const" in schema:
        return schema
    if "items" in schema:
        return {**schema, "items": _or_figure(schema["items"], definitions)}
    target = definitions.get(str(schema.get("$ref", "")).removeprefix("#/$defs/"))
    if target is not None and "properties" in target:
        return schema
    told = {key: schema[key] for key in _ANNOTATIONS if key in schema}
    wanted = {key: value for key, value in schema.items() if key not in told}
    if wanted == {"type": "string"}:
        return schema
    return {**told, "anyOf": [wanted, {"$ref": _FIGURE}]}


def _limits(kind: AnyStepKind) -> Schema:
    """Limits on the readings of a kind; a family (hum_N) by a pattern."""
    single = {
        name: {"$ref": _LIMIT, "description": f"Limit in {unit}." if unit != "1" else "Limit."}
        for name, unit in {**kind.readings, **kind.other_names}.items()
        if not name.endswith("_N")
    }
    families = {
        f"^{name.removesuffix('N')}[0-9]+$": {"$ref": _LIMIT}
        for name in kind.readings
        if name.endswith("_N")
    }
    return {
        "type": "object",
        "description": "Limits by reading.",
        "properties": single,
        **({"patternProperties": families} if families else {}),
        "additionalProperties": False,
    }


def _limit() -> Schema:
    value = {
        "type": ["string", "number"],
        "description": 'A quantity, or another reading: "6 dB above h3", "2 times STEP/NAME".',
    }
    return {
        "type": "object",
        "properties": dict.fromkeys(LIMIT_KEYS, value),
        "additionalProperties": False,
        "anyOf": [
            {"required": sorted(shape), "maxProperties": len(shape)} for shape in LIMIT_SHAPES
        ],
    }
