"""The same procedures on instruments that speak another tongue, by the command maps of a bench file.

The second set of simulated instruments shares nothing with SCPI-1999: no identity query at some,
other headers and line ends, acknowledged settings or an error memory of one place, levels in dBV,
volts peak to peak and millivolts, kelvin, a mute in place of an output, lists between semicolons,
records as integers, low byte first (sim_instruments/plain_words.py is its manual). Behind both
tongues stands the same unit with the same noise, so the readings may differ by what the
instruments' words can resolve, and no more.
"""

import json
import re
import socket
from typing import Any

import pytest

from drivers.command_map import command_map_from, missing_operations
from drivers.map_fields import FieldKind, fields_of
from drivers.roles import Role
from sim_instruments import plain_words
from sim_instruments.plain_maps import COMMANDS

PATIENCE_S = 240.0
ACCEPTED = ("--unattended", "--accept-cautions", "--json")

# Shares of a reading's own standard uncertainty, and of its value. The coarsest words of either
# tongue: samples of 32-bit floats (24 bits), levels in steps of 1e-6 dB, the multimeter's 1 nV.
_OF_DOUBT = 0.05
_OF_VALUE = 1e-6
# One hundredth of a kelvin in the answers, and the reading is a single one.
_KELVINS = 0.0051
# The second tongue's power meter answers four quantities at once, each of which draws noise of its
# own: 3e-4 of a reading, two readings compared, 4.5 standard deviations; then 0.1 mW and 10 mV.
_POWER_METER = ("mains_power", "mains_voltage", "standby_power")
_OF_METER = 4.5 * 2**0.5 * 3e-4
_METER_STEP = {"V": 0.01, "W": 1e-4}
# Where a spur of some width ends, and whether a weak one still counts, hangs on the last bit of a
# sample under a strong tone: there only the spur's own doubt says how far two readings may lie.
_OF_SPUR_DOUBT = 3.0
# A bound in noise is a tail of a distribution: its last digits follow the last bit of a sample.
_OF_BOUND = 0.05


def is_alike(one: Any, other: Any) -> bool:
    """Whether two readings agree within what the instruments' words resolve."""
    if one["value"] is None or other["value"] is None:
        bounds = (one["upper_bound"], other["upper_bound"])
        if None in bounds:
            return bool(one["value"] == other["value"] and bounds[0] == bounds[1])
        return bool(abs(bounds[0] - bounds[1]) <= _OF_BOUND * bounds[0])
    size, doubt = abs(one["value"]), one["uncertainty"] or 0.0
    allowed = _OF_DOUBT * doubt + _OF_VALUE * size
    if one["name"] in _POWER_METER:
        allowed = _OF_METER * size + _METER_STEP[one["unit"]]
    elif one["unit"] == "degC":
        allowed += _KELVINS
    elif one["name"].startswith("spur_"):
        allowed = max(_OF_SPUR_DOUBT * doubt, 1.0 if one["name"] == "spur_count" else 0.0)
    return bool(abs(one["value"] - other["value"]) <= allowed)


def told(summary: Any) -> list[Any]:
    """What must be the same to the letter: steps, verdicts, reading by reading."""
    return [
        (step["id"], step["verdict"], step["left_out"], reading["name"], reading["verdict"])
        for step in summary["steps"]
        for reading in step["readings"] or [{"name": None, "verdict": None}]
    ]


def asked_raw(port: int, message: bytes, end: bytes) -> bytes:
    """The answer to a message over a plain socket, in no tongue of ours."""
    with socket.create_connection(("127.0.0.1", port), timeout=5) as line:
        line.sendall(message)
        answer = b""
        while not answer.endswith(end):
            answer += line.recv(100)
    return answer


@pytest.mark.parametrize("procedure", ["dc_offset", "wideband_spurs"])
def test_a_procedure_gives_the_same_verdicts_and_numbers_in_both_tongues(
    procedure, new_bench, begin
):
    benches = {"scpi": new_bench(), "plain": new_bench("--tongue", "plain")}
    runs = {
        tongue: begin("run", procedure, "--bench", bench.bench_file, "--serial", tongue, *ACCEPTED)
        for tongue, bench in benches.items()
    }
    summaries = {}
    for tongue, process in runs.items():
        out, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode in (0, 1), err
        summaries[tongue] = json.loads(out)
    scpi, plain = summaries["scpi"], summaries["plain"]
    assert scpi["outcome"] == plain["outcome"] == "pass"
    assert told(scpi) == told(plain)
    assert sum(len(step["readings"]) for step in scpi["steps"]) >= 2
    unlike = [
        (step["id"], one["name"], one["value"], two["value"], one["uncertainty"])
        for step, other in zip(scpi["steps"], plain["steps"], strict=True)
        for one, two in zip(step["readings"], other["readings"], strict=True)
        if not is_alike(one, two)
    ]
    assert unlike == []
    # Muted, and cut from the mains: the words are those of the tongue's manual.
    ports = benches["plain"].ports
    assert asked_raw(ports["generator"], b"MUTE ?\r", b"\r") == b"ON\r"
    assert asked_raw(ports["mains_switch"], b"CUT?\n", b"\n") == b"1\n"


@pytest.mark.parametrize("role", list(Role))
def test_the_maps_fill_every_role_completely(role):
    assert missing_operations(command_map_from(role, COMMANDS[role.value])) == frozenset()


@pytest.mark.parametrize("role", list(Role))
def test_the_maps_say_nothing_of_scpi(role):
    """Nothing comes from the default map, and no message has the form of a SCPI header."""
    mapping = COMMANDS[role.value]
    assert mapping["base"] == "nothing"
    texts = [text for value in mapping.values() for text in _texts(value)]
    assert not [text for text in texts if re.search(r"\*[A-Z]{3}|[A-Z]{3,4}:[A-Z]{3,4}", text)]


def _texts(value) -> list[str]:
    return [str(each) for each in value] if isinstance(value, list) else [str(value)]


def test_every_word_of_the_maps_stands_in_the_manual_of_the_tongue():
    """A map may know only what a person could read; the docstring of plain_words is all there is."""
    manual = re.split(r"^## ", plain_words.__doc__ or "", flags=re.MULTILINE)[1:]
    sections = {section.partition(":")[0]: section for section in manual}
    for role in Role:
        for spec in fields_of(role):
            value = COMMANDS[role.value].get(spec.name)
            if value is None or spec.kind not in (FieldKind.COMMANDS, FieldKind.QUESTION):
                continue
            for text in _texts(value):
                word = text.split(" ")[0]
                assert re.search(rf"`{re.escape(word)}[` ]", sections[role.value]), (role, text)
