"""Drivers are found by name or place, and fill their role or are refused on the spot."""

import inspect

import pytest

from drivers import fakes
from drivers.registry import (
    DriverUnavailable,
    check_fills_role,
    drivers_available,
    factory_of,
    load_driver_class,
    register,
    register_unavailable,
    role_methods,
)
from drivers.roles import Role


class OwnThermometer:
    """A driver as a user would write it."""

    def __init__(self, link, settings):
        self.link = link

    def prepare(self):
        raise NotImplementedError

    def read_celsius(self) -> float:
        return 20.0


class Halfway:
    def __init__(self, link, settings):
        pass

    def set_output(self, on):
        pass

    def set_standby(self):
        pass


class WithoutLink:
    def __init__(self):
        pass

    def prepare(self):
        pass

    def read_celsius(self):
        pass


@pytest.mark.parametrize("role", list(Role))
def test_each_role_has_a_driver_for_scpi_and_one_for_maps(role):
    names = {entry.name for entry in drivers_available() if entry.role == role}
    assert {"scpi", "mapped"} <= names
    assert factory_of(role, "scpi") is factory_of(role, "mapped")


def test_an_unknown_name_is_answered_with_the_known_ones():
    with pytest.raises(DriverUnavailable, match="known are mapped, scpi"):
        factory_of(Role.DMM, "scipy")


def test_a_class_of_the_users_own_is_loaded_by_its_place(tmp_path, monkeypatch):
    source = inspect.getsource(OwnThermometer)
    (tmp_path / "own_thermometer_driver.py").write_text(source, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    driver = factory_of(Role.THERMOMETER, "own_thermometer_driver:OwnThermometer")(None, None)
    assert driver.read_celsius() == 20.0


@pytest.mark.parametrize(
    ("place", "problem"),
    [
        ("no_such_module:Own", "can't be imported"),
        ("drivers.roles:NoSuchClass", "no class 'NoSuchClass'"),
        ("drivers.roles:dataclass", "no class"),
        ("drivers.roles:Waveform", "it has no method prepare"),
    ],
)
def test_a_class_that_can_not_be_had_says_why(place, problem):
    with pytest.raises(DriverUnavailable, match=problem):
        load_driver_class(place, Role.THERMOMETER)


def test_missing_methods_and_arguments_are_all_named():
    with pytest.raises(ValueError, match="Halfway is no mains_switch") as caught:
        register(Role.MAINS_SWITCH, "halfway")(Halfway)
    message = str(caught.value)
    assert "it has no method prepare" in message
    assert "it has no method is_output_on" in message
    assert "set_standby takes no argument standby" in message


def test_a_constructor_that_can_not_be_called_is_noticed():
    with pytest.raises(ValueError, match="can't be called with"):
        check_fills_role(WithoutLink, Role.THERMOMETER)


def test_a_name_that_is_taken_is_an_error():
    drivers_available()
    with pytest.raises(ValueError, match="two drivers 'scpi'"):
        register(Role.THERMOMETER, "scpi")(OwnThermometer)


def test_a_driver_that_needs_what_is_not_installed_says_so(monkeypatch):
    monkeypatch.setattr("drivers.registry._ENTRIES", {})
    register_unavailable(Role.DMM, "exotic", "the package exotic_bus is not installed")
    with pytest.raises(DriverUnavailable, match="exotic_bus is not installed"):
        factory_of(Role.DMM, "exotic")


def test_the_methods_of_a_role_are_those_of_its_protocol():
    assert role_methods(Role.THERMOMETER) == ("prepare", "read_celsius")
    assert "set_output" in role_methods(Role.GENERATOR)


@pytest.mark.parametrize("role", list(Role))
def test_every_fake_has_the_methods_of_its_role(role):
    name = "Fake" + "".join(part.capitalize() for part in role.split("_"))
    fake = getattr(fakes, name)
    assert fake.role == role
    for method in role_methods(role):
        assert callable(getattr(fake, method))
