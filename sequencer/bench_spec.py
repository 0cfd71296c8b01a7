"""A bench file, checked: which instruments play which role, and what they are good for.

Nothing is opened here; every mistake of the file is found at once, each at its place.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from drivers.command_map import command_map_from, missing_operations
from drivers.roles import Role
from drivers.settings import InstrumentSettings
from sequencer.bench_mistakes import (
    bench_mistakes,
    commands_path,
    map_values,
    node_at,
    value_place,
)
from sequencer.bench_settings import AcceptanceModel, BenchModel, InstrumentModel
from sequencer.cautions import Acceptance
from sequencer.errors import BenchError, FileError, Place, in_file_order
from sequencer.located_yaml import Node, SourceFile, Unreadable, read_file, validate
from sequencer.possible_benches import possible_benches
from sequencer.steps.base import Accuracy, Load

BENCH_UNUSABLE = "the bench file can't be used as written"


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
    """A bench file, checked; nothing is opened yet. is_built_in: it is no file that anybody can mend.

    mains_vrms is None where the file does not state it.
    """

    name: str
    clock: Literal["real", "simulated"]
    clock_address: str | None
    backend: str
    load: Load
    generator_ceiling_vrms: float
    mains_vrms: float | None
    routes: Mapping[str, int]
    instruments: Mapping[Role, InstrumentSpec]
    independent_means: tuple[str, ...]
    acceptance: Acceptance | None
    unattended: Acceptance | None
    text: str
    file: str
    is_built_in: bool
    root: Node = field(compare=False, repr=False)

    def place(self, *path: str) -> Place:
        """Where something stands in the file; where it does not, its nearest key."""
        return value_place(self.root, path)

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


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadBench:
    """What a bench file gives: every mistake, and the bench, or the benches it may mean.

    With mistakes there are several, or none where the file can't be read at all.
    """

    possible: tuple[BenchSpec, ...]
    errors: tuple[FileError, ...]


def load_bench(path: Path, *, name: str | None = None) -> BenchSpec:
    """A checked bench file; name is what it is called where it is no file of the user's.

    Raises BenchError with every mistake of the file, each at its place.
    """
    read = read_bench(path, name=name)
    if read.errors:
        raise BenchError(BENCH_UNUSABLE, errors=read.errors)
    return read.possible[0]


def read_bench(path: Path, *, name: str | None = None) -> ReadBench:
    """The bench of a file, and every mistake of it, each at its place."""
    try:
        source = read_file(path, name=name)
    except Unreadable as error:
        return ReadBench(possible=(), errors=error.errors)
    model, errors = validate(BenchModel, source.root)
    if source.root.kind != "mapping":
        return ReadBench(possible=(), errors=tuple(errors))
    told = {error.place for error in errors}
    found = bench_mistakes(source.root)
    errors += [error for error in found.errors if error.place not in told]
    if not errors and model is not None:
        return ReadBench(possible=(_spec(model, source, name),), errors=())
    benches = possible_benches(source.root, found.unusable)
    return ReadBench(
        possible=tuple(_spec(bench, source, name) for bench in benches),
        errors=in_file_order(errors),
    )


def _spec(model: BenchModel, source: SourceFile, name: str | None) -> BenchSpec:
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
        mains_vrms=model.mains_voltage,
        routes=MappingProxyType(model.router_channels),
        instruments=MappingProxyType(
            {
                role: _instrument(role, instrument, model.backend, source.root)
                for role, instrument in model.instruments.items()
            }
        ),
        independent_means=model.independent_means,
        acceptance=_acceptance(model.cautions_accepted),
        unattended=_acceptance(model.unattended_accepted),
        text=source.text,
        file=source.name,
        is_built_in=name is not None,
        root=source.root,
    )


def _acceptance(model: AcceptanceModel | None) -> Acceptance | None:
    return Acceptance(accepted_by=model.by, accepted_on=model.when) if model else None


def _instrument(role: Role, model: InstrumentModel, backend: str, root: Node) -> InstrumentSpec:
    """One instrument's facts."""
    accuracy = model.accuracy
    commands = node_at(root, commands_path(role)) if model.commands else None
    return InstrumentSpec(
        role=role,
        driver=model.driver,
        address=model.address,
        backend=model.backend or backend,
        timeout_s=model.timeout,
        settings=InstrumentSettings(
            role=role,
            command_map=command_map_from(role, map_values(commands)),
            identity=model.identity,
            ranges_peak_v=tuple(sorted(model.ranges or ())),
            sample_rates_hz=tuple(sorted(model.sample_rates or ())),
            channels=model.channels,
            most_samples=model.most_samples,
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
