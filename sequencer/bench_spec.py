"""A bench file, checked: which instruments play which role, and what they are good for.

Nothing is opened here; every mistake of the file is found at once, each at its place.
"""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from pyvisa.highlevel import get_wrapper_class
from pyvisa.rname import InvalidResourceName, ResourceName

from drivers.command_map import (
    CommandMapError,
    MapProblem,
    command_map_from,
    missing_operations,
)
from drivers.registry import DriverUnavailable, factory_of
from drivers.roles import (
    Role,
)
from drivers.settings import InstrumentSettings
from sequencer.bench_settings import AcceptanceModel, BenchModel, InstrumentModel
from sequencer.cautions import Acceptance
from sequencer.errors import BenchError, FileError, Place
from sequencer.located_yaml import Node, load_yaml, validate
from sequencer.steps.base import Accuracy, Load


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentSpec:
    """One instrument of the bench, checked."""

    role: Role
    driver: str
    address: str
    backend: str
    timeout_s: float
    settings: InstrumentSettings
    accuracy: Accuracy
    has_grounded_input: bool
    calibration_due: date | None
    certificate: str

    @property
    def missing_operations(self) -> frozenset[str]:
        """Methods of its role that its command map has no commands for."""
        if ":" in self.driver:
            return frozenset()  # a class of the user's own has them all
        return missing_operations(self.settings.command_map)

    def is_overdue(self, today: date) -> bool:
        """Whether its calibration has run out; an unknown date counts as overdue."""
        return self.calibration_due is None or self.calibration_due < today


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchSpec:
    """A bench file, checked; nothing is opened yet."""

    name: str
    clock: Literal["real", "simulated"]
    clock_address: str | None
    backend: str
    load: Load
    generator_ceiling_vrms: float
    routes: Mapping[str, int]
    instruments: Mapping[Role, InstrumentSpec]
    independent_means: tuple[str, ...]
    acceptance: Acceptance | None
    unattended: Acceptance | None
    text: str
    file: str
    root: Node = field(compare=False, repr=False)

    def place(self, *path: str) -> Place:
        """Where something stands in the file; where it does not, its nearest key."""
        return _value_place(self.root, path)

    def has(self, role: Role) -> bool:
        """Whether the bench has this role."""
        return role in self.instruments

    @property
    def longest_timeout_s(self) -> float:
        """The longest time an instrument may take to answer."""
        return max(instrument.timeout_s for instrument in self.instruments.values())

    @property
    def sha256(self) -> str:
        """SHA-256 of the file's text, lower-case hex."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    @property
    def accuracy(self) -> Mapping[Role, Accuracy]:
        """Accuracy data by role."""
        return {role: spec.accuracy for role, spec in self.instruments.items()}


def load_bench(path: Path) -> BenchSpec:
    """A checked bench file.

    Raises BenchError with every mistake of the file, each at its place.
    """
    root, errors = load_yaml(path)
    if root is None:
        raise _refusal(errors)
    model, mistakes = validate(BenchModel, root)
    errors = [*errors, *mistakes]
    specs: dict[Role, InstrumentSpec] = {}
    if model is not None:
        errors.extend(_backend_mistakes(model.backend, root, ("backend",)))
        for role, instrument in model.instruments.items():
            spec, mistakes = _instrument(role, instrument, model.backend, root)
            errors.extend(mistakes)
            if spec:
                specs[role] = spec
    if errors or model is None:
        raise _refusal(errors)
    load = model.load
    return BenchSpec(
        name=model.bench,
        clock=model.clock,
        clock_address=model.clock_address,
        backend=model.backend,
        load=Load(
            resistance_ohm=load.resistance,
            tolerance=load.tolerance,
            continuous_w=load.continuous_power,
            short_term_w=load.short_term_power or load.continuous_power,
            short_term_s=load.short_term_duration,
        ),
        generator_ceiling_vrms=model.generator_ceiling,
        routes=MappingProxyType(dict(model.router_channels)),
        instruments=MappingProxyType(specs),
        independent_means=model.independent_means,
        acceptance=_acceptance(model.cautions_accepted),
        unattended=_acceptance(model.unattended_accepted),
        text=path.read_text(encoding="utf-8-sig"),
        file=str(path),
        root=root,
    )


def _acceptance(model: AcceptanceModel | None) -> Acceptance | None:
    return Acceptance(accepted_by=model.by, accepted_on=model.when) if model else None


def _refusal(errors: list[FileError]) -> BenchError:
    return BenchError("the bench file can't be used as written", errors=tuple(errors))


def _instrument(
    role: Role, model: InstrumentModel, backend: str, root: Node
) -> tuple[InstrumentSpec | None, list[FileError]]:
    """One instrument's facts, or what is wrong with its driver and command map."""
    mistakes = [*_instrument_mistakes(role, model, backend, root)]
    try:
        commands = command_map_from(role, _map_values(_node(root, _commands_path(role))))
    except CommandMapError as error:
        return None, mistakes + [_map_error(problem, root) for problem in error.problems]
    if mistakes:
        return None, mistakes
    accuracy = model.accuracy
    spec = InstrumentSpec(
        role=role,
        driver=model.driver,
        address=model.address,
        backend=model.backend or backend,
        timeout_s=model.timeout,
        settings=InstrumentSettings(
            role=role,
            command_map=commands,
            identity=model.identity,
            ranges_peak_v=tuple(sorted(model.ranges or ())),
            sample_rates_hz=tuple(sorted(model.sample_rates or ())),
            channels=model.channels,
        ),
        accuracy=Accuracy(
            level=accuracy.level,
            flatness=accuracy.flatness,
            dc_v=accuracy.dc,
            dc_relative=accuracy.dc_relative,
            frequency=accuracy.frequency,
            distortion=accuracy.distortion,
            temperature_k=accuracy.temperature,
            resistance=accuracy.resistance,
            power=accuracy.power,
            voltage=accuracy.voltage,
            ac=accuracy.ac,
        ),
        has_grounded_input=model.input == "grounded",
        calibration_due=model.calibration.due if model.calibration else None,
        certificate=model.calibration.certificate if model.calibration else "",
    )
    return spec, []


def _instrument_mistakes(
    role: Role, model: InstrumentModel, backend: str, root: Node
) -> Iterator[FileError]:
    """What no single value shows: a driver that isn't there, an address that is none."""
    path = ("instruments", role.value)
    try:
        factory_of(role, model.driver)
    except DriverUnavailable as error:
        yield FileError(_value_place(root, (*path, "driver")), str(error))
    if model.backend is not None:
        yield from _backend_mistakes(model.backend, root, (*path, "backend"))
    # Other backends than pyvisa-py take names of their own beside VISA addresses, and a driver of
    # the user's own may reach its instrument by another way altogether.
    is_visa = (model.backend or backend).endswith("@py") and ":" not in model.driver
    if is_visa and not _is_visa_address(model.address):
        message = (
            f'"{model.address}" is no VISA address; write for example '
            '"TCPIP::192.168.1.20::5025::SOCKET" or "TCPIP::192.168.1.20::INSTR"'
        )
        yield FileError(_value_place(root, (*path, "address")), message)
    if role is Role.ANALYSER and not (model.ranges and model.sample_rates):
        message = "an analyser needs its ranges and its sample_rates; list both"
        yield FileError(_place(root, path), message)


def _backend_mistakes(backend: str, root: Node, path: Sequence[str]) -> Iterator[FileError]:
    """A VISA backend (LIBRARY@WRAPPER) whose Python package isn't installed."""
    try:
        get_wrapper_class(backend.rpartition("@")[2] or "ivi")
    except Exception as error:  # noqa: BLE001 - backends fail with whatever they like
        message = f'the VISA backend "{backend}" can\'t be used: {error}; "@py" needs no library'
        yield FileError(_value_place(root, path), message)


def _is_visa_address(text: str) -> bool:
    try:
        ResourceName.from_string(text)
    except InvalidResourceName:
        return False
    return True


def _value_place(root: Node, path: Sequence[str]) -> Place:
    """Where a value stands; where it does not, its nearest key."""
    node = _node(root, path)
    return node.place if node is not None else _place(root, path)


def _map_error(problem: MapProblem, root: Node) -> FileError:
    """A mistake in a command map at its place in the bench file."""
    role, name, *rest = problem.path
    where = (*_commands_path(str(role)), name, *rest)
    # What is missing has no place of its own, so the message names it.
    is_named = problem.message.startswith(f'"{name}"')
    message = problem.message if is_named else f"{name}: {problem.message}"
    return FileError(_place(root, where), message)


def _commands_path(role: str) -> tuple[str, ...]:
    return ("instruments", str(role), "commands")


def _node(root: Node, path: Sequence[str | int]) -> Node | None:
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
        parent, last = _node(root, path[: length - 1]), path[length - 1]
        node = _node(root, path[:length])
        if parent is not None and node is not None:
            return parent.key_place(last) if isinstance(last, str) else node.place
    return root.place


def _map_values(node: Node | None) -> dict[str, object]:
    """A command map as written: text, lists of text, and None for null."""
    if node is None:
        return {}
    return {key.text: _map_value(value) for key, value in node.entries}


def _map_value(node: Node) -> object:
    if node.is_null_word or node.is_empty:
        return None
    return node.plain()
