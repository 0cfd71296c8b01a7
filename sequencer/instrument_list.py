"""What drivers there are, and who answers at the addresses of a bench.

Asking is read-only: the identity query of each instrument, or where it has none a harmless question
of its map, each once. No state or error queue is cleared, nothing is set, nothing energised; an
instrument that a run holds is left alone.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum

import pyvisa

from drivers.dialogue import Dialogue
from drivers.errors import InstrumentError, InstrumentTimeout, LinkFailed
from drivers.link import VisaLink
from drivers.registry import DriverEntry, drivers_available
from drivers.roles import Role
from drivers.settings import link_settings
from sequencer.bench import resource_manager
from sequencer.bench_spec import BenchSpec, InstrumentSpec, load_bench
from sequencer.clock import real_monotonic_s
from sequencer.errors import Refused, printable
from sequencer.reservation import reserved
from sequencer.session import bench_file

# Somebody is waiting at the terminal; a bench of seven dead instruments should not take a minute.
_LONGEST_WAIT_S = 2.0
_NO_QUESTION = "its command map has no question that could be asked"
_OWN_DRIVER = "a driver of its own, which alone knows how to ask"


class State(StrEnum):
    """What became of asking one instrument."""

    ANSWERS = "answers"
    ANOTHER = "another"
    """An instrument answers, but not the one that the bench file expects."""
    SILENT = "silent"
    UNREACHABLE = "unreachable"
    UNUSABLE = "unusable"
    """It answers with something that is no identity, or refuses to answer."""
    IN_USE = "in_use"
    NOT_ASKED = "not_asked"


_NOT_READY = frozenset({State.ANOTHER, State.SILENT, State.UNREACHABLE, State.UNUSABLE})


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What one instrument said; identity None where it said nothing or has no such query."""

    state: State
    identity: str | None = None
    problem: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """Every driver by role and, with a bench, its instruments and what each said."""

    drivers: tuple[DriverEntry, ...]
    bench: BenchSpec | None
    asked: Mapping[Role, Asked]
    today: date

    @property
    def is_ready(self) -> bool:
        """Whether nobody who was asked is missing, another, or says something unusable."""
        return not any(asked.state in _NOT_READY for asked in self.asked.values())

    @property
    def held(self) -> str:
        """Which instrument was left alone because a run holds it, and which run; empty for none."""
        held = [asked for asked in self.asked.values() if asked.state is State.IN_USE]
        return f"not every instrument was asked: {held[0].problem}" if held else ""

    def to_json(self) -> dict[str, object]:
        """For programs."""
        return {
            "drivers": [_driver_json(entry) for entry in self.drivers],
            "bench": self.bench.name if self.bench else None,
            "instruments": [
                _instrument_json(spec, self.asked[role], self.today)
                for role, spec in (self.bench.instruments if self.bench else {}).items()
            ],
        }

    def text(self) -> str:
        """For people."""
        lines = ["drivers"]
        lines += [_role_line(role, self.drivers) for role in Role]
        lines.append("  any role: a class of your own, written as package.module:Class")
        if self.bench is not None:
            lines += ["", f"{self.bench.name}: each asked once, nothing switched"]
            for role, spec in self.bench.instruments.items():
                lines += _instrument_lines(spec, self.asked[role], self.today)
        return "\n".join(lines)


def listing(bench: str | None, today: date) -> Listing:
    """The drivers, and who answers on a bench, where one is named.

    Raises BenchError when the bench file can't be used.
    """
    if bench is None:
        return Listing(drivers=drivers_available(), bench=None, asked={}, today=today)
    with bench_file(bench) as path:
        spec = load_bench(path)
        asked = ask_all(spec)
    return Listing(drivers=drivers_available(), bench=spec, asked=asked, today=today)


def ask_all(bench: BenchSpec) -> dict[Role, Asked]:
    """Who answers at each address."""
    return {
        role: _asked(spec, resource_manager(spec.backend))
        for role, spec in bench.instruments.items()
    }


def _asked(spec: InstrumentSpec, manager: pyvisa.ResourceManager) -> Asked:
    if ":" in spec.driver:
        return Asked(state=State.NOT_ASKED, problem=_OWN_DRIVER)
    settings = link_settings(
        spec.settings.command_map,
        timeout_s=min(spec.timeout_s, _LONGEST_WAIT_S),
        open_timeout_s=_LONGEST_WAIT_S,
    )
    # Reading an error queue empties it, so it is left out here.
    settings = replace(settings, error_queue=None)
    if settings.greeting is None and settings.probe is None:
        return Asked(state=State.NOT_ASKED, problem=_NO_QUESTION)
    link = VisaLink(manager, spec.role.value, spec.address, settings, monotonic=real_monotonic_s)
    try:
        with reserved([spec.address], "a look at who answers"):
            return _said(link, spec)
    except Refused as refusal:
        return Asked(state=State.IN_USE, problem=refusal.reason)
    finally:
        link.close()


def _said(link: VisaLink, spec: InstrumentSpec) -> Asked:
    query = link.settings.greeting
    try:
        with link.limited(timeout_s=link.settings.timeout_s, attempts=1):
            link.open()
        if query is None:
            return Asked(state=State.ANSWERS)
        answer = link.identity_answer or ""
        identity = Dialogue(link, spec.settings.command_map).value_of(query, answer)
    except InstrumentTimeout as error:
        return Asked(state=State.SILENT, problem=printable(error.problem))
    except LinkFailed as error:
        return Asked(state=State.UNREACHABLE, problem=printable(error.problem))
    except InstrumentError as error:
        return Asked(state=State.UNUSABLE, problem=printable(error.problem))
    except ValueError as error:
        return Asked(state=State.UNUSABLE, problem=printable(str(error)))
    expected = spec.settings.identity
    if expected and not identity.startswith(expected):
        problem = f'the bench file expects "{expected}"'
        return Asked(state=State.ANOTHER, identity=printable(identity), problem=problem)
    return Asked(state=State.ANSWERS, identity=printable(identity))


def _driver_json(entry: DriverEntry) -> dict[str, object]:
    return {
        "role": entry.role.value,
        "name": entry.name,
        "usable": entry.unavailable is None,
        "reason": entry.unavailable,
    }


def _instrument_json(spec: InstrumentSpec, asked: Asked, today: date) -> dict[str, object]:
    due = spec.calibration_due
    return {
        "role": spec.role.value,
        "address": spec.address,
        "driver": spec.driver,
        "state": asked.state.value,
        "identity": asked.identity,
        "problem": asked.problem,
        "lacks": sorted(spec.missing_operations),
        "calibration": {
            "due": due.isoformat() if due else None,
            "certificate": spec.certificate or None,
            "overdue": due < today if due else None,
        },
    }


def _role_line(role: Role, drivers: Sequence[DriverEntry]) -> str:
    names = [
        entry.name if entry.unavailable is None else f"{entry.name} (not here: {entry.unavailable})"
        for entry in drivers
        if entry.role is role
    ]
    return f"  {role.value}: {', '.join(names) or 'none'}"


def _instrument_lines(spec: InstrumentSpec, asked: Asked, today: date) -> list[str]:
    lines = [f"  {spec.role.value}: {spec.address} ({spec.driver})", f"      {_said_words(asked)}"]
    if spec.missing_operations:
        lines.append(f"      its map has nothing for {', '.join(sorted(spec.missing_operations))}")
    lines.append(f"      {_calibration_words(spec, today)}")
    return lines


def _said_words(asked: Asked) -> str:
    match asked.state:
        case State.ANSWERS if asked.identity is None:
            return "answers; it can't say who it is"
        case State.ANSWERS:
            return f'answers: "{asked.identity}"'
        case State.ANOTHER:
            return f'WRONG INSTRUMENT: "{asked.identity}"; {asked.problem}'
        case State.SILENT:
            return f"NO ANSWER: {asked.problem}"
        case State.UNREACHABLE:
            return f"NOT REACHED: {asked.problem}"
        case State.UNUSABLE:
            return f"UNUSABLE ANSWER: {asked.problem}"
        case State.IN_USE:
            return f"not asked: {asked.problem}"
        case State.NOT_ASKED:
            return f"not asked: {asked.problem}"


def _calibration_words(spec: InstrumentSpec, today: date) -> str:
    due = spec.calibration_due
    if due is None:
        return "no calibration date"
    certificate = f", certificate {spec.certificate}" if spec.certificate else ""
    return f"calibration {'RAN OUT on' if due < today else 'due'} {due}{certificate}"
