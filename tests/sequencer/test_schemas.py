"""The schemas are JSON Schema 2020-12, take what the program takes, and mark single mistakes.

Whether they are schemas, and what they say about a file, is judged by the reference library jsonschema.
"""

import importlib.resources
import json
import re
from pathlib import Path
from typing import Annotated, Any

import pytest
import yaml
from jsonschema import Draft202012Validator
from pydantic import TypeAdapter

from drivers.command_map import CommandMapError, command_map_from
from drivers.roles import Role
from drivers.scpi_maps import SCPI_MAPS
from sequencer.bench_settings import BenchModel
from sequencer.schemas import NAMES, schema_of
from sequencer.steps.registry import kinds
from sequencer.unit_data import UnitSettings
from sim_instruments import plain_maps
from sim_instruments.assembly import ROLES
from sim_instruments.bench_file import bench_entries, mapped_entries, to_text

ADDRESSES = {name: f"TCPIP::127.0.0.1::{at}::SOCKET" for at, name in enumerate((*ROLES, "clock"))}
BUILT_IN = sorted(
    entry.name
    for entry in importlib.resources.files("procedures").iterdir()
    if entry.name.endswith(".yaml")
)
README = Path(__file__).parents[2] / "README.md"


class AsEditorsRead(yaml.SafeLoader):
    """YAML 1.2, core schema, clause 10.3: `on` and a date are text."""


AsEditorsRead.yaml_implicit_resolvers = {
    first: [(tag, form) for tag, form in each if not tag.endswith((":timestamp", ":bool"))]
    for first, each in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
AsEditorsRead.add_implicit_resolver(
    "tag:yaml.org,2002:bool", re.compile("true|True|TRUE|false|False|FALSE"), list("tTfF")
)


def read(text: str) -> Any:
    return yaml.load(text, Loader=AsEditorsRead)


def faults(name: str, content: Any, role: Role | None = None) -> list[str]:
    validator = Draft202012Validator(schema_of(name, role))
    return [f"{error.json_path}: {error.message[:200]}" for error in validator.iter_errors(content)]


DOCUMENTS = [(name, None) for name in NAMES] + [("command_map", role) for role in Role]


@pytest.mark.parametrize(("name", "role"), DOCUMENTS)
def test_a_schema_is_one_by_the_standard_and_refers_to_nothing_outside(name, role):
    schema = json.loads(json.dumps(schema_of(name, role)))
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(schema)
    references = set(re.findall(r'"\$ref": "([^"]*)"', json.dumps(schema)))
    assert references <= {f"#/$defs/{each}" for each in schema.get("$defs", {})}
    assert "x-dimension" not in json.dumps(schema)


@pytest.mark.parametrize("name", BUILT_IN)
def test_every_built_in_procedure_fits(name):
    text = importlib.resources.files("procedures").joinpath(name).read_text(encoding="utf-8")
    assert faults("procedure", read(text)) == []


@pytest.mark.parametrize("commands", [None, plain_maps.COMMANDS], ids=["scpi", "plain"])
def test_the_simulated_benches_fit(commands):
    entries = bench_entries(ADDRESSES)
    if commands:
        entries = mapped_entries(entries, commands, plain_maps.IDENTITIES)
    assert faults("bench", read(to_text(entries))) == []


def test_what_the_manual_shows_fits():
    blocks = re.findall(r"```yaml\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    shown = [read(block) for block in blocks]
    procedures = [each for each in shown if "procedure" in each]
    benches = [each for each in shown if "bench" in each]
    assert procedures
    assert benches
    assert [fault for each in procedures for fault in faults("procedure", each)] == []
    assert [fault for each in benches for fault in faults("bench", each)] == []


PROCEDURE = """\
procedure: all_kinds_of_writing
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
figures: {warm_up: 20 min, often: 3, thd_limit: 0.02 %}
steps:
  - include: rated_power
    id: before
    with: {warm_up: <warm_up>}
  - kind: repeat
    count: <often>
    steps:
      - {kind: wait, time: <warm_up>, required: yes}
      - id: tone
        kind: tone
        level: 10 W
        limits:
          thd: {max: <thd_limit>}
          h2: {max: 6 dB above h3}
          gain: {nominal: <gain>, tolerance: 0.5 dB}
          crest_factor: {min: 1.3, max: 1.5}
          dc_offset: {within: 15 mV}
"""


def test_a_procedure_with_figures_groups_and_relations_fits():
    assert faults("procedure", read(PROCEDURE)) == []


@pytest.mark.parametrize(
    ("right", "wrong", "path"),
    [
        ("100 W", "100", "$.unit.rated_power"),
        ("load: 8 ohm", "load: 8 V", "$.unit.load"),
        ("figures:", "figure:", "$"),
        ("include: rated_power", "inclued: rated_power", "$.steps[0]"),
        ("with: {", "without: {", "$.steps[0]"),
        ("kind: tone", "kind: tune", "$.steps[1].steps[1]"),
        ("level: 10 W", "level: 10", "$.steps[1].steps[1].level"),
        ("level: 10 W", "lewel: 10 W", "$.steps[1].steps[1]"),
        ("time: <warm_up>", "time: <warm up>", "$.steps[1].steps[0].time"),
        ("time: <warm_up>, ", "", "$.steps[1].steps[0]"),
        ("h2: {", "h99: {", "$.steps[1].steps[1].limits"),
        ("within: 15 mV", "within: 15 mV, max: 1 V", "$.steps[1].steps[1].limits.dc_offset"),
        ("tolerance: 0.5 dB", "tolerances: 0.5 dB", "$.steps[1].steps[1].limits.gain"),
        ("procedure: all", "title: all", "$"),
    ],
)
def test_single_mistakes_in_a_procedure_are_marked_where_they_stand(right, wrong, path):
    assert PROCEDURE.count(right) == 1
    found = faults("procedure", read(PROCEDURE.replace(right, wrong)))
    assert any(fault.startswith((f"{path}: ", f"{path}.")) for fault in found), found


BENCH = """\
bench: corner bench
generator_ceiling: 2 V
load: {resistance: 8 ohm, tolerance: 1 %, continuous_power: 200 W, short_term_power: 300 W}
cautions_accepted: {by: the one at the bench, when: 2027-01-31}
instruments:
  generator:
    address: TCPIP::127.0.0.1::1::SOCKET
    accuracy: {level: 0.02 dB, frequency: 20 ppm}
    calibration: {due: 2027-05-01}
    commands: {level_unit: dbv, silence_level: -120, output_on: [MUTE 0], identity: null}
  analyser:
    address: TCPIP::127.0.0.1::2::SOCKET
    channels: 2
    ranges: [1 V, 10 V]
    sample_rates: [48 kHz]
  dmm: {address: TCPIP::127.0.0.1::3::SOCKET, timeout: 5 s}
"""


def test_a_bench_with_maps_fits():
    assert faults("bench", read(BENCH)) == []


@pytest.mark.parametrize(
    ("right", "wrong", "path"),
    [
        ("ceiling: 2 V", "ceiling: 2", "$.generator_ceiling"),
        ("  dmm:", "  dmmm:", "$.instruments"),
        ("timeout: 5 s", "timeout: 5 V", "$.instruments.dmm.timeout"),
        ("[48 kHz]", "[48]", "$.instruments.analyser.sample_rates[0]"),
        ("level_unit: dbv", "level_unit: dbw", "$.instruments.generator.commands.level_unit"),
        ("output_on: [", "outptu_on: [", "$.instruments.generator.commands"),
        ("output_on: [MUTE 0]", "read_dc: D", "$.instruments.generator.commands"),
        ("silence_level: -120", "output_off: null", "$.instruments.generator.commands.output_off"),
        ("silence_level: -120", "base: nothing", "$.instruments.generator.commands"),
    ],
)
def test_single_mistakes_in_a_bench_are_marked_where_they_stand(right, wrong, path):
    assert BENCH.count(right) == 1
    found = faults("bench", read(BENCH.replace(right, wrong)))
    assert any(fault.startswith(f"{path}: ") for fault in found), found


def test_a_ticket_fits_and_its_mistakes_are_marked():
    ticket = {"ticket": "A-17", "stage": "as_left", "unit": {"load": "8 ohm"}, "work": ["servo"]}
    assert faults("ticket", ticket) == []
    assert faults("ticket", {**ticket, "stage": "afterwards"})
    assert faults("ticket", {**ticket, "unit": {"load": 8}})


@pytest.mark.parametrize("role", list(Role))
def test_the_usual_map_fits_its_schema_and_stands_in_it_as_an_example(role):
    assert faults("command_map", dict(SCPI_MAPS[role]), role) == []
    properties = schema_of("command_map", role)["properties"]
    assert all(properties[name]["examples"] == [each] for name, each in SCPI_MAPS[role].items())


@pytest.mark.parametrize("role", list(Role))
def test_schema_and_program_agree_on_what_a_map_from_nothing_needs(role):
    validator = Draft202012Validator(schema_of("command_map", role))
    whole = {"base": "nothing", **SCPI_MAPS[role]}
    for name in SCPI_MAPS[role]:
        without = {key: value for key, value in whole.items() if key != name}
        if validator.is_valid(without):
            continue
        with pytest.raises(CommandMapError):
            command_map_from(role, without)


MODELS = [UnitSettings, *(kind.settings for kind in kinds().values())]


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_a_default_in_a_schema_reads_back_as_the_default_of_the_program(model):
    schema = schema_of("procedure")["$defs"]
    kind = next((name for name, each in kinds().items() if each.settings is model), None)
    properties = schema[f"kind_{kind}"]["properties"] if kind else {}
    for name, field in model.model_fields.items():
        if "default" not in properties.get(name, {}):
            continue
        # Our own parsers take texts; booleans and numbers of the schema are texts in a file.
        written = properties[name]["default"]
        text = written if isinstance(written, str) else json.dumps(written)
        adapter = TypeAdapter(Annotated[(field.annotation, "as written", *field.metadata)])
        assert adapter.validate_python(text) == pytest.approx(field.default), name


def test_every_default_of_a_quantity_carries_its_unit():
    tone = schema_of("procedure")["$defs"]["kind_tone"]["properties"]
    assert {name: tone[name]["default"] for name in ("frequency", "hold", "level_tolerance")} == {
        "frequency": "1 kHz",
        "hold": "0 s",
        "level_tolerance": "0.05 dB",
    }


def test_every_key_of_the_bench_model_is_there():
    assert set(schema_of("bench")["properties"]) == set(BenchModel.model_fields)


@pytest.mark.parametrize(
    ("name", "role", "words"),
    [("bensch", None, 'did you mean "bench"'), ("bench", Role.DMM, "leave dmm out")],
)
def test_a_schema_that_does_not_exist_is_refused_in_words(name, role, words):
    with pytest.raises(ValueError, match=words):
        schema_of(name, role)
