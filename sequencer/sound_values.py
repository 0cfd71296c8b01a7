"""What of a block with mistakes is sure in spite of them.

A mistake leaves open what was meant. Whoever judges the rest takes what is sure and lets the open
pieces stand for anything, so that no mistake is told that only follows from another one.
"""

from collections.abc import Collection, Iterable, Sequence
from contextlib import suppress
from typing import Any, TypeVar

from pydantic import BaseModel, TypeAdapter, ValidationError

from sequencer.units import nearest
from sequencer.yaml_reading import Node

T = TypeVar("T")


def sound_values(model: type[BaseModel], node: Node | None) -> dict[str, Any]:
    """The values of a block's fields that are sure.

    A key that is left out has its default, unless an unknown key may be a misspelling of it.
    """
    if node is None or node.kind != "mapping":
        return {}
    sure: dict[str, Any] = {}
    doubtful = perhaps_meant(node.keys(), model.model_fields)
    for name, field in model.model_fields.items():
        value = node.get(name)
        if value is None:
            if name not in doubtful and not field.is_required():
                sure[name] = field.get_default(call_default_factory=True)
        elif not value.is_empty and not value.is_null_word:
            with suppress(ValidationError):
                adapter = TypeAdapter(field.rebuild_annotation())
                sure[name] = adapter.validate_python(value.plain())
    return sure


def perhaps_meant(written: Iterable[str], known: Collection[str]) -> frozenset[str]:
    """Known names, not written, that a key which is no name may be a misspelling of."""
    keys = [*written]
    absent = [name for name in known if name not in keys]
    meant: set[str] = set()
    for key in keys:
        if key not in known:
            close = nearest(key, known)
            meant |= {*close} if close and close[0] in absent else {*absent}
    return frozenset(meant)


def open_names(node: Node | None, known: Collection[str], sound: Collection[str]) -> frozenset[str]:
    """Names in a block that leave open what was meant: written wrongly, or perhaps misspelt."""
    if node is None:
        return frozenset()
    if node.kind != "mapping":
        return frozenset(known)
    written = frozenset(node.keys())
    return (written & {*known}) - {*sound} | perhaps_meant(written, known)


def in_all(lists: Sequence[Sequence[T]]) -> list[T]:
    """What stands in each of the lists, in the order of the first."""
    first, *others = lists or [[]]
    return [each for each in first if all(each in other for other in others)]
