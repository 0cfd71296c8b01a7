"""Settings of which some are mistaken, as far as they are known.

What is wrong between two settings is told although a third one is mistaken: whoever looks at one that
is not known raises AttributeError, and then nothing is said.
"""

from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Any, TypeVar

from pydantic import BaseModel

from sequencer.sound_values import sound_values
from sequencer.yaml_reading import Node

Model = TypeVar("Model", bound=BaseModel)


def partial_settings(model: type[Model], node: Node) -> Model:
    """The settings of a block with mistakes; those that are not sure are no attributes of it."""
    sure = sound_values(model, node)
    settings = model.model_construct({*sure} & {*node.keys()}, **sure)
    for name in model.model_fields:
        if name not in sure:
            settings.__dict__.pop(name, None)
    return settings


def said_of(check: Callable[[], list[str]]) -> list[str]:
    """What a check says, or nothing where it hangs on a setting that is not known."""
    with suppress(AttributeError):
        return check()
    return []


def between_settings(model: type[BaseModel], node: Node) -> Iterator[str]:
    """What the model itself says against the known settings of a block with mistakes."""
    if node.kind != "mapping":
        return
    settings: Any = partial_settings(model, node)
    for validator in model.__pydantic_decorators__.model_validators.values():
        if validator.info.mode != "after":
            continue
        try:
            validator.func(settings)
        except ValueError as error:
            yield str(error)
        except AttributeError:
            continue
