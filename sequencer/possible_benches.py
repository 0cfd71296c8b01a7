"""The benches that a bench file with mistakes may mean.

What is sure is as written. Each open piece is as capable as can be in one bench, and another one, or
not there, in the other: what stands against both stands against the bench that was meant.
"""

import math
from collections.abc import Iterator, Mapping
from datetime import date
from types import MappingProxyType
from typing import Any, Literal

from drivers.roles import Role
from sequencer.bench_settings import (
    NEEDED_ROLES,
    AcceptanceModel,
    AccuracyModel,
    BenchModel,
    InstrumentModel,
    LoadModel,
)
from sequencer.located_yaml import Node
from sequencer.sound_values import perhaps_meant, sound_values

# A driver of the user's own can do all that its role can.
OPEN_DRIVER = "not:known"
_ENDLESS = (math.inf,)


class AnyRoute(Mapping[str, int]):
    """Channels of a router of which nothing is known, so that it may have each."""

    def __getitem__(self, key: str) -> int:
        return 0

    def __contains__(self, key: object) -> bool:
        return True

    def __iter__(self) -> Iterator[str]:
        return iter(())

    def __len__(self) -> int:
        return 0


_OPEN_INSTRUMENT: Mapping[str, Any] = MappingProxyType(
    {
        "driver": OPEN_DRIVER,
        "backend": None,
        "identity": None,
        "timeout": 2.0,
        "ranges": _ENDLESS,
        "sample_rates": _ENDLESS,
        "channels": 2,
        "input": "floating",
        "accuracy": AccuracyModel(),
        "calibration": None,
        "commands": None,
    }
)
_SOMEBODY = AcceptanceModel(by="somebody", when=date.min)
_OPEN_BENCH: Mapping[str, Any] = MappingProxyType(
    {
        "bench": "bench",
        "generator_ceiling": math.inf,
        "mains_voltage": None,
        "clock": "real",
        "clock_address": None,
        "backend": "@py",
        "independent_means": ("something",),
        "cautions_accepted": None,
        "unattended_accepted": _SOMEBODY,
    }
)
_OPEN_LOAD: Mapping[str, Any] = MappingProxyType(
    {
        "continuous_power": math.inf,
        "tolerance": 0.01,
        "short_term_power": math.inf,
        "short_term_duration": math.inf,
    }
)
_OPEN_LOAD_OHM = (0.5, 100e3)


def possible_benches(root: Node, unusable: Mapping[Role, frozenset[str]]) -> tuple[BenchModel, ...]:
    """Two benches that a file with mistakes may mean.

    unusable are fields of instruments that are well written but no good, by role.
    """
    return tuple(_bench(root, unusable, side) for side in (0, 1))


def _bench(root: Node, unusable: Mapping[Role, frozenset[str]], side: Literal[0, 1]) -> BenchModel:
    block = root.get("load")
    load = {"resistance": _OPEN_LOAD_OHM[side], **_OPEN_LOAD, **sound_values(LoadModel, block)}
    return BenchModel.model_construct(
        **{
            **_OPEN_BENCH,
            **sound_values(BenchModel, root),
            "load": LoadModel.model_construct(**load),
            "router_channels": _channels(root),
            "instruments": _instruments(root, unusable, has_open_roles=side == 0),
        }
    )


def _channels(root: Node) -> Mapping[str, int]:
    block = root.get("router_channels")
    if block is not None and block.kind == "mapping":
        return dict.fromkeys(block.keys(), 0)
    is_left_out = "router_channels" in sound_values(BenchModel, root)
    return {} if block is None and is_left_out else AnyRoute()


def _instruments(
    root: Node, unusable: Mapping[Role, frozenset[str]], *, has_open_roles: bool
) -> dict[Role, InstrumentModel]:
    block = root.get("instruments")
    known = {role.value: role for role in Role}
    written = block.entries if block is not None and block.kind == "mapping" else ()
    there = {
        known[key.text]: _instrument(known[key.text], value, unusable.get(known[key.text]))
        for key, value in written
        if key.text in known
    }
    doubtful = perhaps_meant([key.text for key, _ in written], known) if written else known
    open_roles = [known[name] for name in doubtful] if has_open_roles else []
    return {**{role: _instrument(role, None) for role in (*NEEDED_ROLES, *open_roles)}, **there}


def _instrument(
    role: Role, node: Node | None, unusable: frozenset[str] | None = None
) -> InstrumentModel:
    sure = sound_values(InstrumentModel, node)
    kept = {name: value for name, value in sure.items() if name not in (unusable or ())}
    if "commands" not in kept:
        kept["driver"] = OPEN_DRIVER
    # No two open addresses are the same.
    open_values = {**_OPEN_INSTRUMENT, "address": f"open {role.value}"}
    return InstrumentModel.model_construct(**{**open_values, **kept})
