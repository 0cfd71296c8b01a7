"""The register of step kinds: every module of this package that defines one is found by itself."""

import importlib
import pkgutil
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import TypeVar

from sequencer import steps
from sequencer.steps.base import AnyStepKind, StepSettings

K = TypeVar("K", bound=type[AnyStepKind])

_registered: dict[str, AnyStepKind] = {}


def register(kind: K) -> K:
    """Class decorator: enter a kind of step under its name.

    Raises TypeError on a duplicate name or settings that are not StepSettings.
    """
    if kind.name in _registered:
        raise TypeError(f"two kinds of step are named {kind.name!r}")
    if not issubclass(kind.settings, StepSettings):
        raise TypeError(f"settings of kind {kind.name!r} must derive from StepSettings")
    _registered[kind.name] = kind()
    return kind


@cache
def kinds() -> Mapping[str, AnyStepKind]:
    """Every kind of step by name, in alphabetical order."""
    for module in pkgutil.iter_modules(steps.__path__):
        importlib.import_module(f"{steps.__name__}.{module.name}")
    return MappingProxyType(dict(sorted(_registered.items())))
