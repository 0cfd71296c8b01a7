"""The bench: which instruments play which role, where they are, and what they are good for.

A bench file (YAML) becomes a checked BenchSpec; opening it gives drivers by role. The bench owns the
one resource manager and every link; a driver never opens or closes anything.
"""

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal, cast

import pyvisa
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator
from pyvisa.highlevel import get_wrapper_class
from pyvisa.rname import InvalidResourceName, ResourceName

from drivers.command_map import (
    CommandMapError,
    MapProblem,
    command_map_from,
    missing_operations,
)
from drivers.link import Exchange, LinkSettings, VisaLink
from drivers.registry import DriverUnavailable, factory_of, make
from drivers.roles import (
    Analyser,
    Dmm,
    Generator,
    Instrument,
    MainsSwitch,
    PowerMeter,
    Role,
    Router,
    Thermometer,
)
from drivers.settings import InstrumentSettings, link_settings
from sequencer.cautions import Acceptance
from sequencer.clock import Clock, RealClock, SimulatedClock, real_monotonic_s
from sequencer.errors import BenchError, CapabilityMissing, FileError, Place
from sequencer.located_yaml import Node, load_yaml, validate
from sequencer.quantities import (
    Duration,
    Frequency,
    Power,
    Ratio,
    Resistance,
    Voltage,
    parse_quantity,
)
from sequencer.steps.base import Accuracy, Load

# A long wait of hours moves many states of the simulated bench.
_CLOCK_TIMEOUT_S = 60.0
# Generator, then mains, within 5 s also when one of them is dead: an exchange and a reconnection.
_HURRY_S = 0.6
NEEDED_ROLES = (Role.GENERATOR, Role.ANALYSER, Role.DMM)


def _relative(value: object) -> object:
    """A relative tolerance written in %, ppm or dB (0.03 dB is 0.35 %), as a fraction."""
    if isinstance(value, str) and value.strip().lower().endswith("db"):
        return 10.0 ** (parse_quantity(value, "decibel") / 20.0) - 1.0
    return parse_quantity(value, "ratio") if isinstance(value, str) else value


def _kelvins(value: object) -> object:
    """A tolerance of temperature: "0.5 K", or "0.5 degC" as data sheets have it."""
    if isinstance(value, str) and value.strip().endswith("K"):
        return parse_quantity(value, "temperature_difference")
    return parse_quantity(value, "temperature") if isinstance(value, str) else value


Kelvins = Annotated[
    float,
    BeforeValidator(_kelvins),
    Field(ge=0),
    WithJsonSchema({"type": "string", "description": 'such as "0.5 K"', "examples": ["0.5 K"]}),
]


Relative = Annotated[
    float,
    BeforeValidator(_relative),
    Field(ge=0),
    WithJsonSchema({"type": "string", "description": 'relative, such as "0.1 %" or "0.02 dB"'}),
]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class AccuracyModel(_Model):
    """Accuracy data: half-widths of the instrument's stated tolerances."""

    level: Relative = 0.0
    flatness: Relative = 0.0
    dc: Voltage = 0.0
    dc_relative: Relative = 0.0
    frequency: Relative = 0.0
    distortion: Ratio = 0.0
    temperature: Kelvins = 0.0
    resistance: Relative = 0.0
    power: Relative = 0.0
    voltage: Relative = 0.0
    ac: Relative = 0.0


class CalibrationModel(_Model):
    """When the instrument's calibration runs out."""

    due: date
    certificate: str = ""


class InstrumentModel(_Model):
    """One instrument of the bench file."""

    address: str = Field(min_length=1)
    driver: str = "scpi"
    backend: str | None = None
    identity: str | None = None
    timeout: Duration = Field(default=2.0, gt=0, le=120)
    ranges: tuple[Voltage, ...] | None = None
    sample_rates: tuple[Frequency, ...] | None = None
    channels: int = Field(default=1, ge=1, le=2)
    input: Literal["grounded", "floating"] = "grounded"
    accuracy: AccuracyModel = AccuracyModel()
    calibration: CalibrationModel | None = None
    commands: dict[str, Any] | None = None


class LoadModel(_Model):
    """The load on the bench."""

    resistance: Resistance = Field(gt=0)
    continuous_power: Power = Field(gt=0)
    tolerance: Relative = 0.01
    short_term_power: Power | None = Field(default=None, gt=0)
    short_term_duration: Duration = Field(default=0.0, ge=0)

    @model_validator(mode="after")
    def _short_term_is_more(self) -> "LoadModel":
        if self.short_term_power is not None and self.short_term_power < self.continuous_power:
            raise ValueError("short_term_power is less than continuous_power; swap the two")
        return self


class AcceptanceModel(_Model):
    """Something accepted once for this bench: by whom, and when."""

    by: str = Field(min_length=1)
    when: date


class BenchModel(_Model):
    """A bench file."""

    bench: str = Field(min_length=1, max_length=120)
    instruments: dict[Role, InstrumentModel]
    load: LoadModel
    generator_ceiling: Voltage = Field(gt=0)
    clock: Literal["real", "simulated"] = "real"
    clock_address: str | None = None
    backend: str = "@py"
    router_channels: dict[str, Annotated[int, Field(ge=0)]] = {}
    independent_means: tuple[str, ...] = ()
    cautions_accepted: AcceptanceModel | None = None
    unattended_accepted: AcceptanceModel | None = None

    @model_validator(mode="after")
    def _hangs_together(self) -> "BenchModel":
        missing = [role.value for role in NEEDED_ROLES if role not in self.instruments]
        if missing:
            raise ValueError(f"instruments lacks {', '.join(missing)}; every bench needs them")
        if self.clock == "simulated" and not self.clock_address:
            raise ValueError("clock: simulated needs clock_address, the bench's clock port")
        if self.router_channels and Role.ROUTER not in self.instruments:
            raise ValueError("router_channels are given but instruments has no router")
        return self


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


class Bench:
    """The opened bench: drivers by role, and its clock."""

    def __init__(
        self,
        spec: BenchSpec,
        instruments: Mapping[Role, Instrument],
        clock: Clock,
        links: Sequence[VisaLink] = (),
    ) -> None:
        self.spec = spec
        self.instruments = instruments
        self.clock = clock
        self._links = links

    @contextmanager
    def hurried(self, turn: int) -> Iterator[None]:
        """Within it no instrument is waited for long, so that a dead one can't hold up the rest.

        The patience grows with each turn, from 0, up to what the bench file allows.
        """
        patience_s = _HURRY_S * 3.0**turn
        with ExitStack() as stack:
            for link in self._links:
                stack.enter_context(link.limited(timeout_s=patience_s, attempts=1))
            yield

    def prove(self, role: Role) -> None:
        """Prove that the instrument of a role still answers.

        Raises InstrumentError when it does not. One with a driver of the user's own is passed over:
        how it is reached is that driver's affair.
        """
        if ":" in self.spec.instruments[role].driver:
            return
        for link in self._links:
            if link.role == role.value:
                link.prove()

    def _of(self, role: Role) -> Instrument:
        try:
            return self.instruments[role]
        except KeyError:
            raise CapabilityMissing(f"the bench has no {role.value}") from None

    @property
    def generator(self) -> Generator:
        """The generator."""
        return cast(Generator, self._of(Role.GENERATOR))

    @property
    def analyser(self) -> Analyser:
        """The analyser."""
        return cast(Analyser, self._of(Role.ANALYSER))

    @property
    def dmm(self) -> Dmm:
        """The multimeter."""
        return cast(Dmm, self._of(Role.DMM))

    @property
    def router(self) -> Router:
        """The router."""
        return cast(Router, self._of(Role.ROUTER))

    @property
    def mains_switch(self) -> MainsSwitch:
        """The mains switch."""
        return cast(MainsSwitch, self._of(Role.MAINS_SWITCH))

    @property
    def thermometer(self) -> Thermometer:
        """The thermometer."""
        return cast(Thermometer, self._of(Role.THERMOMETER))

    @property
    def power_meter(self) -> PowerMeter:
        """The power meter."""
        return cast(PowerMeter, self._of(Role.POWER_METER))


@contextmanager
def open_bench(
    spec: BenchSpec,
    on_exchange: Callable[[Exchange], None],
    on_energise: Callable[[str, str], None],
) -> Iterator[Bench]:
    """The bench with a link to each instrument; sessions open on first use and close at exit.

    on_exchange hears of each message to an instrument after its answer and before the next one;
    on_energise(role, command) just before a command that energises is sent.
    """
    with ExitStack() as stack:
        managers: dict[str, pyvisa.ResourceManager] = {}
        for backend in {instrument.backend for instrument in spec.instruments.values()}:
            managers[backend] = resource_manager(backend)
            stack.callback(managers[backend].close)
        instruments: dict[Role, Instrument] = {}
        links: list[VisaLink] = []
        for role, instrument in spec.instruments.items():
            link = stack.enter_context(
                _closing(_link(instrument, managers[instrument.backend], on_exchange, on_energise))
            )
            links.append(link)
            instruments[role] = make(role, instrument.driver, link, instrument.settings)
        clock: Clock = RealClock()
        if spec.clock == "simulated":
            clock = SimulatedClock(stack.enter_context(_closing(_clock_link(spec, managers))).query)
        yield Bench(spec, MappingProxyType(instruments), clock, links)


def resource_manager(backend: str) -> pyvisa.ResourceManager:
    """The resource manager of a VISA backend; whoever asks for it closes it.

    Raises BenchError when the backend can't be used.
    """
    try:
        return pyvisa.ResourceManager(backend)
    except Exception as error:  # backends fail with whatever they like (transport notes)
        raise BenchError(f"the VISA backend {backend!r} can't be used: {error}") from error


@contextmanager
def _closing(link: VisaLink) -> Iterator[VisaLink]:
    """The link, closed afterwards but opened only on first use."""
    try:
        yield link
    finally:
        link.close()


def _link(
    spec: InstrumentSpec,
    manager: pyvisa.ResourceManager,
    on_exchange: Callable[[Exchange], None],
    on_energise: Callable[[str, str], None],
) -> VisaLink:
    return VisaLink(
        manager,
        spec.role.value,
        spec.address,
        link_settings(spec.settings.command_map, timeout_s=spec.timeout_s),
        on_exchange=on_exchange,
        on_energise=on_energise,
        monotonic=real_monotonic_s,
    )


def _clock_link(spec: BenchSpec, managers: Mapping[str, pyvisa.ResourceManager]) -> VisaLink:
    manager = managers.get(spec.backend) or next(iter(managers.values()))
    settings = LinkSettings(timeout_s=_CLOCK_TIMEOUT_S)
    return VisaLink(
        manager, "clock", spec.clock_address or "", settings, monotonic=real_monotonic_s
    )
