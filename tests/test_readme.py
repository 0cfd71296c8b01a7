"""The README's commands and examples are real: they parse, they name what exists."""

import re
import shlex
from pathlib import Path

import click
import pytest

from sequencer.bench_spec import load_bench
from sequencer.cli import commands
from sequencer.guards import KINDS as GUARDS
from sequencer.guards import GuardSettings
from sequencer.procedure import load_procedure
from sequencer.steps.registry import kinds
from sequencer.ticket import TicketSettings, read_ticket
from sequencer.unit_data import UNIT_ITEMS, UnitData

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _marked(name: str) -> str:
    """The command between the markers of README.md, as .ci/run takes it."""
    found: list[str] = re.findall(
        rf"<!-- {name} -->\n```\n(.*?)\n```\n<!-- end -->", README, re.DOTALL
    )
    assert len(found) == 1, f"README.md needs one block <!-- {name} -->"
    assert "\n" not in found[0], "one command, on one line"
    return found[0]


def _blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.DOTALL | re.MULTILINE)


def _lines() -> list[str]:
    """Every line of the README that begins with our command, and those within the markers."""
    lines = [line for block in _blocks("") for line in block.splitlines()]
    found = [line for line in lines if re.match(r"steadybench\b", line)]
    return [*found, _marked("demo").split("&& .venv/bin/")[-1]]


def test_the_two_commands_start_from_a_fresh_clone():
    for name in ("demo", "tests"):
        command = _marked(name)
        assert command.startswith("python3 -m venv .venv && .venv/bin/pip install")
        assert "-e '.[dev]'" in command
    assert _marked("demo").endswith("&& .venv/bin/steadybench demo")
    assert "&& .venv/bin/pytest" in _marked("tests")


@pytest.mark.parametrize("line", _lines())
def test_a_command_of_the_readme_names_real_commands_and_options(line):
    words = shlex.split(line, comments=True)
    assert words[0] == "steadybench"
    name, arguments = words[1], words[2:]
    assert name in commands.commands, name
    command = commands.commands[name]
    try:
        command.make_context(name, arguments, resilient_parsing=False)
    except click.exceptions.Exit:
        pass
    except click.UsageError as error:
        pytest.fail(f"{line}: {error.format_message()}")


def test_every_exit_code_is_told():
    table = README[README.index("exit code") :].split("\n\n")[0]
    for code in ("0", "1", "2", "3", "129", "130", "143"):
        assert re.search(rf"^\|.*\b{code}\b", table, re.MULTILINE), code


@pytest.mark.parametrize("text", [t for t in _blocks("yaml") if t.startswith("procedure:")])
def test_a_procedure_of_the_readme_is_sound(tmp_path, text):
    path = tmp_path / "readme.yaml"
    path.write_text(text, encoding="utf-8")
    procedure = load_procedure(path, registry=kinds())
    told = set(re.findall(r"# .* becomes (\S+)", text))
    assert told <= {step.id for step in procedure.all_steps()}


@pytest.mark.parametrize("text", [t for t in _blocks("yaml") if t.startswith("procedure:")])
def test_a_procedure_of_the_readme_passes_a_good_unit_that_comes_cold(tmp_path, steadybench, text):
    path = tmp_path / "readme.yaml"
    path.write_text(text, encoding="utf-8")
    accepted = ("--unattended", "--accept-cautions")
    done = steadybench("run", path, "--bench", "sim", "--serial", "A", *accepted)
    assert done.code == 0, done.out
    assert "PASSED: every limit is met" in done.out


def test_the_figures_of_the_built_in_procedures_are_told():
    table = README.split("<!-- figures -->")[1].split("<!-- end -->")[0]
    told = {
        row.split("`")[1]: dict(re.findall(r"`(\w+)` \(([^)]*)\)", row))
        for row in table.splitlines()
        if row.startswith("| `")
    }
    names = [path.stem for path in (ROOT / "procedures").glob("*.yaml")]
    figures = {name: load_procedure(name, registry=kinds()).figures for name in names}
    assert told == {name: dict(each) for name, each in figures.items() if each}


def test_every_guard_is_told_with_its_bound():
    bounds = dict(re.findall(r"^\| `(\w+)` \|.*\| (.*) \|$", README, re.MULTILINE))
    assert GUARDS.keys() <= bounds.keys()
    guards = GuardSettings()
    assert bounds["output_dc"] == f"{guards.output_dc.limit:g} V"
    assert bounds["output_level"] == f"{guards.output_level.limit:g} V"
    assert bounds["temperature"] == f"{guards.temperature.limit:g} degC"
    assert bounds["temperature_rise"] == f"{60 * guards.temperature_rise.limit:g} K/min"
    assert bounds["disk"] == f"less than {guards.disk.limit / 1e6:g} MB"
    periods = dict(re.findall(r"^\| `(\w+)` \| ([0-9]+) s \|", README, re.MULTILINE))
    assert periods == {name: f"{guards.of(name).period:g}" for name in GUARDS}


def _kind_rows() -> dict[str, list[str]]:
    """Kind -> what the README's table says it is told, needs and gives."""
    table = README.split("<!-- kinds -->")[1].split("<!-- end -->")[0]
    rows = [[cell.strip() for cell in line.split("|")[1:-1]] for line in table.splitlines() if line]
    return {cells[0].strip("`"): cells[2:] for cells in rows[2:]}


def test_the_kinds_of_step_are_all_in_the_readme_and_no_other():
    assert _kind_rows().keys() == kinds().keys()


@pytest.mark.parametrize("name", kinds())
def test_the_readme_tells_what_must_be_set_and_what_a_kind_gives(name):
    kind = kinds()[name]
    must, _, gives = _kind_rows()[name]
    required = {key for key, field in kind.settings.model_fields.items() if field.is_required()}
    if name != "repeat":  # there: one of two, and its own group
        assert set(re.findall(r"`(\w+)`", must)) == required
    readings = set(kind.known_readings)
    told = set(re.findall(r"`(\w+)`", gives))
    if name == "tone":  # "h2 ... h10"
        readings -= {f"h{order}" for order in range(3, 10)}
    assert told - {"hum_50"} == readings


@pytest.mark.parametrize("name", kinds())
def test_the_readme_tells_the_instruments_that_a_kind_needs(name):
    kind = kinds()[name]
    must, needs, _ = _kind_rows()[name]
    examples = {"text": "x", "time": "1 min", "level": "1 W", "analyser": "output", "point": "bias"}
    examples |= {"reading": "earth_bond"}
    if name == "repeat":
        assert needs == "-"
        return
    given = {key: examples[key] for key in re.findall(r"`(\w+)`", must)}
    unit = UnitData(rated_power_w=100.0, load_ohm=8.0, gain_db=29.0)
    demand = kind.demand(kind.settings.model_validate(given), unit)
    must_be_there, _, _ = needs.partition(";")
    told = must_be_there.split(", ") if needs != "-" else []
    roles = {each.replace(" ", "_") for each in told if not each.startswith("channel")}
    assert roles == {role.value for role in demand.roles}
    assert set(re.findall(r"channel `(\w+)`", needs)) == demand.routes
    assert (demand.else_asks_for is not None) == ("else the operator" in needs)


@pytest.mark.parametrize("text", [t for t in _blocks("yaml") if t.startswith("ticket:")])
def test_the_ticket_of_the_readme_is_sound_and_whole(tmp_path, text):
    path = tmp_path / "ticket.yaml"
    path.write_text(text, encoding="utf-8")
    ticket, errors = read_ticket(path)
    assert not errors
    keys = set(TicketSettings.model_fields)
    assert keys == set(re.findall(r"^(\w+):", text, re.MULTILINE))
    assert set(ticket.unit) == set(UNIT_ITEMS)


@pytest.mark.parametrize("text", [t for t in _blocks("yaml") if t.startswith("bench:")])
def test_a_bench_of_the_readme_is_sound(tmp_path, text):
    path = tmp_path / "bench.yaml"
    path.write_text(text, encoding="utf-8")
    assert load_bench(path).instruments


def test_the_readme_has_a_procedure_and_a_bench():
    starts = [text.split(":")[0] for text in _blocks("yaml")]
    assert {"procedure", "bench", "ticket"} <= set(starts)


@pytest.mark.parametrize(
    "link", [each for each in re.findall(r"\]\(([^)#]+)\)", README) if "://" not in each]
)
def test_a_link_of_the_readme_leads_to_a_file(link):
    assert (ROOT / link).exists()


def test_ci_runs_the_readme_s_test_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "<!-- tests -->" in script
    assert (ROOT / ".ci" / "run").stat().st_mode & 0o100
