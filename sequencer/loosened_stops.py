"""How far the command line may move what stops a run. Pure.

A limit and the stop beside it fit each other; a figure could move both, until neither would stop
anything in time. So a stop keeps near what the procedure itself has, whatever its limit is moved to.
"""

from collections.abc import Iterator

from pydantic import BaseModel

from sequencer.errors import FileError
from sequencer.located_yaml import Node
from sequencer.steps.stops import STOP

# A fault that far beyond what the procedure stops at is on its way to heat (common practice, no source).
FURTHEST = 3.0
# Of degrees Celsius no multiple makes sense: 80 degC may become 100 degC.
_FURTHEST_TEMPERATURE = 1.25
# Guards that stop below their limit.
_BOUNDED_BELOW = ("disk",)
# A figure is decimal text.
_SLACK = 1e-9


def loosened(
    settings: BaseModel, own: BaseModel, node: Node, own_node: Node
) -> Iterator[FileError]:
    """Each stop among a step's settings that lies too far beyond the procedure's own.

    own are its settings as the procedure has them, node and own_node the step as it was read.
    """
    for name, field in type(settings).model_fields.items():
        if STOP in field.metadata:
            yield from _beyond(name, settings, own, node, own_node, FURTHEST)


def loosened_guard(
    guard: str, settings: BaseModel, own: BaseModel, node: Node, own_node: Node
) -> Iterator[FileError]:
    """The limit of a guard of this name, where it lies too far beyond the procedure's own."""
    if guard not in _BOUNDED_BELOW and "limit" in type(settings).model_fields:
        furthest = _FURTHEST_TEMPERATURE if guard == "temperature" else FURTHEST
        yield from _beyond("limit", settings, own, node, own_node, furthest)


def _beyond(
    name: str,
    settings: BaseModel,
    own: BaseModel,
    node: Node,
    own_node: Node,
    furthest: float,
) -> Iterator[FileError]:
    # Mistaken ones are not known.
    value, before = getattr(settings, name, None), getattr(own, name, None)
    written, own_text = node.get(name), own_node.get(name)
    if not (isinstance(value, float) and isinstance(before, float) and written and own_text):
        return
    if value > furthest * before * (1.0 + _SLACK):
        yield FileError(
            written.place,
            f"{name}: {written.text} is more than {furthest:g} times the {own_text.text} that the "
            "procedure has, and no command line may loosen a stop so far; where the unit needs it, "
            "write it into a procedure of your own (an include takes it under with)",
        )
