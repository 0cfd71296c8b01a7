"""Which drivers there are: role and name to class, checked when they are registered.

A driver class is called with (link, settings) and fills the protocol of its role. Nothing is
ordered and nothing overrides: a name that is taken is an error.
"""

import importlib
import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol, TypeVar

from drivers import roles
from drivers.link import VisaLink
from drivers.roles import Instrument, Role
from drivers.settings import InstrumentSettings


class DriverFactory(Protocol):
    """Makes a driver from a link to the instrument and the facts about it."""

    def __call__(self, link: VisaLink, settings: InstrumentSettings, /) -> Instrument:
        """Return the driver; nothing is sent yet."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverEntry:
    """One driver; unavailable says why it can't be used here, None if it can."""

    role: Role
    name: str
    factory: DriverFactory | None
    unavailable: str | None = None


class DriverUnavailable(ValueError):
    """The driver that was named does not exist, can't be loaded or does not fill its role."""


DriverClass = TypeVar("DriverClass", bound=DriverFactory)

_PROTOCOLS: Mapping[Role, type] = {
    Role.GENERATOR: roles.Generator,
    Role.ANALYSER: roles.Analyser,
    Role.DMM: roles.Dmm,
    Role.ROUTER: roles.Router,
    Role.MAINS_SWITCH: roles.MainsSwitch,
    Role.THERMOMETER: roles.Thermometer,
    Role.POWER_METER: roles.PowerMeter,
}
# Filled while the driver modules are imported, not changed afterwards.
_ENTRIES: dict[tuple[Role, str], DriverEntry] = {}
_DRIVER_MODULES = tuple(f"drivers.{role}" for role in Role)


def register(role: Role, *names: str) -> Callable[[DriverClass], DriverClass]:
    """Class decorator: this class drives that role under these names.

    Raises ValueError at once for a name that is taken or a class that lacks methods of the role.
    """

    def add(driver_class: DriverClass) -> DriverClass:
        check_fills_role(driver_class, role)
        for name in names:
            _add(DriverEntry(role=role, name=name, factory=driver_class))
        return driver_class

    return add


def register_unavailable(role: Role, name: str, reason: str) -> None:
    """Leave an entry for a driver that needs something which is not installed."""
    _add(DriverEntry(role=role, name=name, factory=None, unavailable=reason))


def drivers_available() -> tuple[DriverEntry, ...]:
    """Every driver known by name."""
    _import_drivers()
    return tuple(_ENTRIES[key] for key in sorted(_ENTRIES))


def make(role: Role, name: str, link: VisaLink, settings: InstrumentSettings) -> Instrument:
    """The driver of this name, or of a class named as "package.module:ClassName".

    Raises DriverUnavailable.
    """
    return factory_of(role, name)(link, settings)


def factory_of(role: Role, name: str) -> DriverFactory:
    """What makes the driver of this name. Raises DriverUnavailable with the names that exist."""
    if ":" in name:
        return load_driver_class(name, role)
    _import_drivers()
    entry = _ENTRIES.get((role, name))
    if entry is None:
        known = ", ".join(sorted(known for at, known in _ENTRIES if at == role))
        raise DriverUnavailable(
            f"{name!r} is no driver of {_with_article(role)}; known are {known}, or write "
            '"package.module:Class"'
        )
    if entry.factory is None:
        raise DriverUnavailable(f"the driver {name!r} can't be used here: {entry.unavailable}")
    return entry.factory


def _with_article(role: Role) -> str:
    """The role in words: "an analyser", "a mains switch"."""
    words = role.replace("_", " ")
    return f"{'an' if words[0] in 'aeiou' else 'a'} {words}"


def load_driver_class(place: str, role: Role) -> DriverFactory:
    """A class of the user's own, named as "package.module:ClassName" and checked against the role.

    Raises DriverUnavailable saying what is wrong with it.
    """
    module_name, _, class_name = place.partition(":")
    try:
        module = importlib.import_module(module_name)
    # A user's module may raise anything while it is imported.
    except Exception as error:
        raise DriverUnavailable(f"{module_name!r} can't be imported: {error}") from error
    if not inspect.isclass(getattr(module, class_name, None)):
        raise DriverUnavailable(f"{module_name!r} has no class {class_name!r}")
    found: DriverFactory = getattr(module, class_name)
    try:
        check_fills_role(found, role)
    except ValueError as error:
        raise DriverUnavailable(str(error)) from error
    return found


def check_fills_role(driver_class: DriverFactory, role: Role) -> None:
    """Raises ValueError naming every method that the class lacks or that takes other arguments."""
    protocol = _PROTOCOLS[role]
    problems = [
        problem
        for name in role_methods(role)
        if (problem := _method_problem(driver_class, protocol, name)) is not None
    ]
    if not _takes_link_and_settings(driver_class):
        problems.append("it can't be called with (link, settings)")
    if problems:
        name = getattr(driver_class, "__name__", driver_class)
        raise ValueError(f"{name} is no {role}: {'; '.join(problems)}")


def role_methods(role: Role) -> tuple[str, ...]:
    """Names of the methods of a role."""
    return tuple(
        name
        for name, member in inspect.getmembers(_PROTOCOLS[role], inspect.isfunction)
        if not name.startswith("_")
    )


def _takes_link_and_settings(driver_class: DriverFactory) -> bool:
    try:
        inspect.signature(driver_class).bind(None, None)
    except (TypeError, ValueError):  # ValueError: a built-in type without a signature
        return False
    return True


def _method_problem(driver_class: DriverFactory, protocol: type, name: str) -> str | None:
    method = getattr(driver_class, name, None)
    if not callable(method):
        return f"it has no method {name}"
    wanted = _argument_names(getattr(protocol, name))
    given = inspect.signature(method).parameters
    if any(parameter.kind is parameter.VAR_KEYWORD for parameter in given.values()):
        return None
    if missing := [argument for argument in wanted if argument not in given]:
        return f"{name} takes no argument {', '.join(missing)}"
    return None


def _argument_names(method: Callable[..., object]) -> list[str]:
    return [name for name in inspect.signature(method).parameters if name != "self"]


def _add(entry: DriverEntry) -> None:
    if (entry.role, entry.name) in _ENTRIES:
        raise ValueError(f"there are two drivers {entry.name!r} for the role {entry.role}")
    _ENTRIES[entry.role, entry.name] = entry


def _import_drivers() -> None:
    for module in _DRIVER_MODULES:
        importlib.import_module(module)
