"""JSON Schema of our settings models, as a person writes the values: text with units.

The models hold SI numbers, the files "20 mV"; what pydantic knows is turned into what stands in a
file: defaults as text, no null (a line is left out instead), no names of Python classes.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue, models_json_schema
from pydantic_core import core_schema

from sequencer.quantities import DIMENSION_KEY, quantity_as_written

DIALECT = "https://json-schema.org/draft/2020-12/schema"

Schema = dict[str, Any]

_REFERENCE = "#/$defs/"
# Constraints in SI that pydantic hands on to the schema of a text, where they mean nothing.
_STRAY = frozenset({"gt", "ge", "lt", "le", DIMENSION_KEY})


class _AsWritten(GenerateJsonSchema):
    """Schema of the text in a file instead of the numbers in a model."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        """No titles made from Python names."""
        return False

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        """What may be left out is not written as null."""
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        """The default as a person would write it; left out where that can't be said."""
        inner = self.generate_inner(schema["schema"])
        default = written_default(schema.get("default"), inner)
        return inner if default is None else {**inner, "default": default}

    def model_schema(self, schema: core_schema.ModelSchema) -> JsonSchemaValue:
        """Without the name of the class."""
        return _untitled(super().model_schema(schema))

    def enum_schema(self, schema: core_schema.EnumSchema) -> JsonSchemaValue:
        """Without the name of the class."""
        return _untitled(super().enum_schema(schema))


def _untitled(schema: JsonSchemaValue) -> JsonSchemaValue:
    return {key: value for key, value in schema.items() if key != "title"}


def written_default(value: object, schema: Mapping[str, Any]) -> str | int | float | bool | None:
    """A model's default as its file would say it; None where it has no text of its own."""
    dimension = schema.get(DIMENSION_KEY)
    if isinstance(value, float) and dimension is not None:
        return quantity_as_written(value, str(dimension))
    if schema.get("type") == "string" or "$ref" in schema or "const" in schema:
        return str(value) if isinstance(value, str) and value else None
    if isinstance(value, bool | int | float | str):
        return value
    return None


def schemas_of(models: Sequence[type[BaseModel]]) -> tuple[list[Schema], dict[str, Schema]]:
    """The schema of each model, and the definitions that they refer to."""
    by_model, whole = models_json_schema(
        [(model, "validation") for model in models],
        schema_generator=_AsWritten,
        ref_template=_REFERENCE + "{model}",
    )
    definitions = {name: cleaned(each) for name, each in whole.get("$defs", {}).items()}
    names = [str(by_model[model, "validation"]["$ref"]) for model in models]
    return [definitions[name.removeprefix(_REFERENCE)] for name in names], definitions


def cleaned(schema: Any) -> Any:
    """A schema without what means nothing to a reader of the file."""
    if isinstance(schema, list):
        return [cleaned(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        key: {name: cleaned(each) for name, each in value.items()}
        if key in ("properties", "$defs", "patternProperties")
        else (value if key in ("default", "examples", "enum", "const") else cleaned(value))
        for key, value in schema.items()
        if key not in _STRAY
    }


def reachable(schema: Schema, definitions: Mapping[str, Schema]) -> dict[str, Schema]:
    """Those definitions that a schema refers to, directly or through others."""
    found: dict[str, Schema] = {}
    waiting: list[Any] = [schema]
    while waiting:
        each = waiting.pop()
        if isinstance(each, dict):
            name = str(each.get("$ref", "")).removeprefix(_REFERENCE)
            if name in definitions and name not in found:
                found[name] = definitions[name]
                waiting.append(definitions[name])
            waiting += each.values()
        elif isinstance(each, list):
            waiting += each
    return {name: found[name] for name in definitions if name in found}
