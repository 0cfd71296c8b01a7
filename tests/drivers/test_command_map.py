"""Command maps: every mistake is found at once, with the path of its key and a helpful sentence.

The units are checked by their definitions: dBV is relative to 1 V rms, dBu to sqrt(0.6) V (IEC 60268-2),
a sine of 1 V rms has a peak of sqrt(2) V.
"""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.command_map import CommandMapError, command_map_from, missing_operations, scpi_map
from drivers.dialogue import joined
from drivers.levels import (
    LEVEL_UNITS,
    level_from_unit,
    level_in_unit,
    peak_from_unit,
    peak_in_unit,
)
from drivers.map_fields import PLACEHOLDERS, FieldKind, described, fields_of, json_schema
from drivers.roles import Role
from drivers.settings import link_settings


def problems_of(role, mapping):
    with pytest.raises(CommandMapError) as caught:
        command_map_from(role, mapping)
    return {problem.path: problem.message for problem in caught.value.problems}


@pytest.mark.parametrize("role", list(Role))
def test_the_default_map_of_each_role_is_complete(role):
    command_map = scpi_map(role)
    assert missing_operations(command_map) == frozenset()
    assert command_map.messages("identity") == ("*IDN?",)
    assert link_settings(command_map).error_queue is not None


def test_a_map_overlays_the_default_and_null_takes_away():
    command_map = command_map_from(
        Role.GENERATOR, {"output_on": "MUTE OFF", "set_programme_noise": None, "start_sweep": None}
    )
    assert command_map.messages("output_on") == ("MUTE OFF",)
    assert command_map.messages("output_off") == ("OUTP OFF",)
    assert missing_operations(command_map) == {"set_programme_noise", "start_sweep"}


def test_a_map_may_begin_with_nothing():
    command_map = command_map_from(Role.THERMOMETER, {"base": "nothing", "read_temperature": "T"})
    assert command_map.messages("identity") is None
    settings = link_settings(command_map)
    assert (settings.greeting, settings.error_queue) == (None, None)
    assert (settings.write_termination, settings.read_termination) == ("\n", "\n")


@pytest.mark.parametrize(
    ("written", "signs"),
    [("CR", "\r"), ("cr lf", "\r\n"), ("LF", "\n"), ("TAB", "\t"), (";", ";"), ("\r\n", "\r\n")],
)
def test_signs_that_nobody_sees_go_by_their_names(written, signs):
    mapping = {"read_termination": written, "list_separator": written, "joiner": None}
    command_map = command_map_from(Role.POWER_METER, mapping)
    assert command_map.choice("read_termination") == signs
    assert command_map.choice("list_separator") == signs


def test_every_mistake_of_a_map_is_found_at_once_with_its_path():
    problems = problems_of(
        Role.GENERATOR,
        {
            "set_frequenzy": "FR {frequency_hz}",
            "set_levl": "AM {level}",
            "set_level": ["AM {level}", "GO {levl}"],
            "output_on": True,
            "output_off": [],
            "ask_output": None,
            "level_unit": "dBVV",
            "source_impedance": "fifty",
            "base": "scipy",
        },
    )
    assert set(problems) == {
        ("generator", "set_frequenzy"),
        ("generator", "set_levl"),
        ("generator", "set_level", 1),
        ("generator", "output_on"),
        ("generator", "output_off"),
        ("generator", "ask_output"),
        ("generator", "level_unit"),
        ("generator", "source_impedance"),
        ("generator", "base"),
    }
    assert 'did you mean "set_level"?' in problems["generator", "set_levl"]
    assert "did you mean {level}?" in problems["generator", "set_level", 1]
    assert "put it in quotes" in problems["generator", "output_on"]
    assert 'did you mean "dbv"?' in problems["generator", "level_unit"]
    assert "can't do without this" in problems["generator", "ask_output"]


@pytest.mark.parametrize(
    "template",
    [
        "VOLT {level:1000000000f}",
        "VOLT {level:.999f}",
        "VOLT {level!r}",
        "VOLT {level.__class__}",
        "VOLT {0}",
        "VOLT {}",
        "VOLT {level",
        "VOLT }",
        "VOLT {level:{level}}",
        "VOLT {level:s}",
        "VOLT {level:d}",
        "VÖLT {level}",
        "VOLT {level}\nOUTP ON",
        " ",
        "",
        "x" * 1001,
    ],
)
def test_a_template_that_could_fail_or_surprise_is_refused(template):
    problems = problems_of(Role.GENERATOR, {"set_level": template})
    assert list(problems) == [("generator", "set_level")]


@pytest.mark.parametrize(
    ("role", "mapping", "key"),
    [
        (Role.GENERATOR, {"level_unit": "dbv"}, "silence_level"),
        (Role.GENERATOR, {"noise_level_unit": "vpp"}, "noise_level_unit"),
        (Role.GENERATOR, {"ask_source_impedance": None}, "source_impedance"),
        (Role.GENERATOR, {"assumed_load": 0}, "assumed_load"),
        (Role.GENERATOR, {"assumed_load": "nan"}, "assumed_load"),
        (Role.GENERATOR, {"output_is_on": ["1", "0"]}, "output_is_on"),
        (Role.ANALYSER, {"overrange_bit": None}, "overrange_bit"),
        (Role.ANALYSER, {"overrange_bit": 2.5}, "overrange_bit"),
        (Role.ANALYSER, {"waveform_scale": 0}, "waveform_scale"),
        (Role.ANALYSER, {"waveform_form": "real16"}, "waveform_form"),
        (Role.ANALYSER, {"set_points": "N {point}"}, "set_points"),
        (Role.DMM, {"read_dc": None}, "read_dc"),
        (Role.DMM, {"read_dc": "READ {level}?"}, "read_dc"),
        (Role.DMM, {"acknowledgement": "OK"}, "joiner"),
        (Role.DMM, {"list_separator": ";"}, "list_separator"),
        (Role.DMM, {"error": None, "no_error": "0"}, "no_error"),
        (Role.DMM, {"read_termination": None}, "read_termination"),
        (Role.DMM, {"write_termination": "too long"}, "write_termination"),
        (Role.DMM, {"identity": ["A", "B"]}, "identity"),
        (Role.ROUTER, {"ask_closed": None}, "ask_closed"),
        (Role.ROUTER, {"closed_answers": None}, "closed_answers"),
        (Role.MAINS_SWITCH, {"standby_on": None}, "standby_on"),
        (Role.MAINS_SWITCH, {"standby_is_on": None}, "standby_is_on"),
        (Role.POWER_METER, {"base": "nothing"}, "read_power"),
        (Role.THERMOMETER, {"reading_field": True}, "reading_field"),
    ],
)
def test_what_does_not_fit_together_is_found(role, mapping, key):
    assert (str(role), key) in problems_of(role, mapping)


def test_an_unknown_key_far_from_every_name_lists_the_known_ones():
    (message,) = problems_of(Role.DMM, {"zzz": "x"}).values()
    assert "known are base, identity" in message


def test_the_error_reads_as_one_line_a_problem():
    with pytest.raises(CommandMapError) as caught:
        command_map_from(Role.DMM, {"zzz": "x", "read_dc": [1]})
    assert len(str(caught.value).splitlines()) == 2
    assert "dmm.read_dc.0: 1 is not text" in str(caught.value)


def map_or_problems(role, mapping):
    try:
        return command_map_from(role, mapping), ()
    except CommandMapError as error:
        return None, error.problems


_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=2)
    ),
    max_leaves=5,
)


@given(st.sampled_from(list(Role)), st.data())
def test_any_mapping_is_a_map_or_a_list_of_problems(role, data):
    names = st.sampled_from(["base", *(spec.name for spec in fields_of(role))])
    mapping = data.draw(st.dictionaries(names | st.text(max_size=5), _VALUES, max_size=4))
    command_map, problems = map_or_problems(role, mapping)
    assert (command_map is None) == bool(problems)
    assert all(problem.message and problem.path[0] == role for problem in problems)
    if command_map is not None:
        link_settings(command_map)


@pytest.mark.parametrize("role", list(Role))
def test_the_schema_describes_every_field(role):
    schema = json.loads(json.dumps(json_schema(role)))
    assert set(schema["properties"]) == {"base", *(spec.name for spec in fields_of(role))}
    assert all(entry["description"] for entry in schema["properties"].values())
    assert schema["additionalProperties"] is False


@pytest.mark.parametrize("role", list(Role))
def test_every_placeholder_is_explained_and_every_choice_has_its_default(role):
    for spec in fields_of(role):
        assert set(spec.placeholders) <= set(PLACEHOLDERS)
        assert all(f"{{{name}}}" in described(spec) for name in spec.placeholders)
        if spec.kind is FieldKind.CHOICE:
            assert spec.default in spec.choices


def test_message_units_are_joined_at_the_root_and_common_commands_without_colon():
    # IEEE 488.2, 7.4.1: a common command header begins with * and takes no colon before it.
    assert joined(["FREQ 1000", "*OPC?", "SYST:ERR?"], ";:") == "FREQ 1000;*OPC?;:SYST:ERR?"
    assert joined(["A 1", "B?"], "|") == "A 1|B?"


@pytest.mark.parametrize(
    ("unit", "value"),
    [
        ("vrms", 1.0),
        ("mvrms", 1000.0),
        ("vpk", math.sqrt(2)),
        ("mvpk", 1000 * math.sqrt(2)),
        ("vpp", 2 * math.sqrt(2)),
        ("mvpp", 2000 * math.sqrt(2)),
        ("dbv", 0.0),
        ("dbmv", 60.0),
        ("dbu", 20 * math.log10(1 / math.sqrt(0.6))),  # 2.218 dBu
    ],
)
def test_one_volt_rms_in_every_unit(unit, value):
    assert level_in_unit(1.0, unit) == pytest.approx(value)


def test_every_unit_is_tested():
    assert len(LEVEL_UNITS) == 9


@given(st.sampled_from(LEVEL_UNITS), st.floats(1e-9, 1e3))
def test_levels_and_peaks_survive_the_way_there_and_back(unit, volts):
    assert level_from_unit(level_in_unit(volts, unit), unit) == pytest.approx(volts)
    assert peak_from_unit(peak_in_unit(volts, unit), unit) == pytest.approx(volts)


def test_silence_has_no_level_in_decibels():
    with pytest.raises(ValueError, match="must be above 0"):
        level_in_unit(0.0, "dbv")
    assert level_in_unit(0.0, "vpp") == 0.0
    with pytest.raises(ValueError, match="no level"):
        level_from_unit(1e6, "dbv")
