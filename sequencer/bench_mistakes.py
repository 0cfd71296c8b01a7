"""What is wrong with a bench file beyond single values: drivers, addresses, what hangs together.

Each mistake is found whatever else is wrong, from the values that are sure (sound_values.py).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from pyvisa.highlevel import get_wrapper_class
from pyvisa.rname import InvalidResourceName, ResourceName

from drivers.command_map import CommandMapError, MapProblem, command_map_from
from drivers.registry import DriverUnavailable, factory_of
from drivers.roles import Role
from sequencer.bench_settings import NEEDED_ROLES, BenchModel, InstrumentModel, LoadModel
from sequencer.errors import FileError, Place
from sequencer.located_yaml import Node
from sequencer.sound_values import perhaps_meant, sound_values


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchMistakes:
    """The mistakes, and which fields of which instruments are well written but no good."""

    errors: tuple[FileError, ...]
    unusable: Mapping[Role, frozenset[str]]


def bench_mistakes(root: Node) -> BenchMistakes:
    """What no single value shows."""
    sure = sound_values(BenchModel, root)
    errors = [*_loose_ends(root, sure), *_load_mistakes(root)]
    if backend := sure.get("backend"):
        errors += _backend_mistakes(backend, root, ("backend",))
    unusable = {}
    block = root.get("instruments")
    known = {role.value: role for role in Role}
    for key, node in block.entries if block else ():
        if role := known.get(key.text):
            found = [*_instrument_mistakes(role, node, sure.get("backend"), root)]
            errors += [error for _, error in found]
            unusable[role] = frozenset(name for name, _ in found)
    return BenchMistakes(errors=tuple(errors), unusable=MappingProxyType(unusable))


def _loose_ends(root: Node, sure: Mapping[str, Any]) -> Iterator[FileError]:
    """Roles, clock and channels that need one another."""
    block = root.get("instruments")
    if block is not None and block.kind == "mapping":
        written = block.keys()
        # A key that is no role is told as such, and may be one misspelt.
        there = {*written, *perhaps_meant(written, [role.value for role in Role])}
        if missing := [role.value for role in NEEDED_ROLES if role.value not in there]:
            words = f"instruments lacks {', '.join(missing)}; every bench needs them"
            yield FileError(root.key_place("instruments"), words)
        if sure.get("router_channels") and Role.ROUTER.value not in there:
            words = "router_channels are given but instruments has no router"
            yield FileError(root.key_place("router_channels"), words)
    if sure.get("clock") == "simulated" and "clock_address" in sure and not sure["clock_address"]:
        words = "clock: simulated needs clock_address, the bench's clock port"
        yield FileError(root.key_place("clock"), words)


def _load_mistakes(root: Node) -> Iterator[FileError]:
    sure = sound_values(LoadModel, root.get("load"))
    short_w, long_w = sure.get("short_term_power"), sure.get("continuous_power")
    if short_w is not None and long_w is not None and short_w < long_w:
        words = "load: short_term_power is less than continuous_power; swap the two"
        yield FileError(value_place(root, ("load",)), words)


def _instrument_mistakes(
    role: Role, node: Node, backend: str | None, root: Node
) -> Iterator[tuple[str, FileError]]:
    """What is wrong with one instrument, each with the field that is no good for it."""
    path = ("instruments", role.value)
    sure = sound_values(InstrumentModel, node)
    driver, address = sure.get("driver"), sure.get("address")
    if driver is not None:
        try:
            factory_of(role, driver)
        except DriverUnavailable as error:
            yield "driver", FileError(value_place(root, (*path, "driver")), str(error))
    if own := sure.get("backend"):
        for mistake in _backend_mistakes(own, root, (*path, "backend")):
            yield "backend", mistake
    # Other backends than pyvisa-py take names of their own beside VISA addresses, and a driver of
    # the user's own may reach its instrument by another way altogether.
    used = own or (backend if "backend" in sure else None)
    is_visa = used is not None and used.endswith("@py") and driver is not None and ":" not in driver
    if address is not None and is_visa and not _is_visa_address(address):
        message = (
            f'"{address}" is no VISA address; write for example '
            '"TCPIP::192.168.1.20::5025::SOCKET" or "TCPIP::192.168.1.20::INSTR"'
        )
        yield "address", FileError(value_place(root, (*path, "address")), message)
    lists = [name for name in ("ranges", "sample_rates") if name in sure and not sure[name]]
    if role is Role.ANALYSER and lists:
        message = "an analyser needs its ranges and its sample_rates; list both"
        for name in lists:
            yield name, FileError(_place(root, path), message)
    commands = node.get("commands")
    if commands is not None and commands.kind == "mapping":
        try:
            command_map_from(role, map_values(commands))
        except CommandMapError as error:
            for problem in error.problems:
                yield "commands", _map_error(problem, root)


def _backend_mistakes(backend: str, root: Node, path: Sequence[str]) -> Iterator[FileError]:
    """A VISA backend (LIBRARY@WRAPPER) whose Python package isn't installed."""
    try:
        get_wrapper_class(backend.rpartition("@")[2] or "ivi")
    except Exception as error:  # noqa: BLE001 - backends fail with whatever they like
        message = f'the VISA backend "{backend}" can\'t be used: {error}; "@py" needs no library'
        yield FileError(value_place(root, path), message)


def _is_visa_address(text: str) -> bool:
    try:
        ResourceName.from_string(text)
    except InvalidResourceName:
        return False
    return True


def value_place(root: Node, path: Sequence[str]) -> Place:
    """Where a value stands; where it does not, its nearest key."""
    node = node_at(root, path)
    return node.place if node is not None else _place(root, path)


def _map_error(problem: MapProblem, root: Node) -> FileError:
    """A mistake in a command map at its place in the bench file."""
    role, name, *rest = problem.path
    where = (*commands_path(str(role)), name, *rest)
    # What is missing has no place of its own, so the message names it.
    is_named = problem.message.startswith(f'"{name}"')
    message = problem.message if is_named else f"{name}: {problem.message}"
    return FileError(_place(root, where), message)


def commands_path(role: str) -> tuple[str, ...]:
    """Where a role's command map stands."""
    return ("instruments", str(role), "commands")


def node_at(root: Node, path: Sequence[str | int]) -> Node | None:
    """The node at a path of keys and list positions; None when it isn't there."""
    node: Node | None = root
    for key in path:
        if node is None:
            return None
        if isinstance(key, int):
            node = node.items[key] if key < len(node.items) else None
        else:
            node = node.get(key)
    return node


def _place(root: Node, path: Sequence[str | int]) -> Place:
    """Where the deepest key of a path stands that is there."""
    for length in range(len(path), 0, -1):
        parent, last = node_at(root, path[: length - 1]), path[length - 1]
        node = node_at(root, path[:length])
        if parent is not None and node is not None:
            return parent.key_place(last) if isinstance(last, str) else node.place
    return root.place


def map_values(node: Node | None) -> dict[str, object]:
    """A command map as written: text, lists of text, and None for null."""
    if node is None:
        return {}
    return {key.text: _map_value(value) for key, value in node.entries}


def _map_value(node: Node) -> object:
    if node.is_null_word or node.is_empty:
        return None
    return node.plain()
