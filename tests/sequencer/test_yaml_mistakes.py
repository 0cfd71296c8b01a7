"""Mistakes people make in procedures: each is told at its line and column, with what would be right."""

import random
from collections.abc import Mapping
from typing import ClassVar

import pytest
from pydantic import BaseModel, ConfigDict

from sequencer.errors import ProcedureError
from sequencer.limits import Limit
from sequencer.procedure import StepKindInfo, UnitData, load_procedure
from sequencer.quantities import Count, Duration, Flag, LevelQuantity, PositiveFrequency


class _ToneSettings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    level: LevelQuantity
    frequency: PositiveFrequency = 1000.0
    inverted: Flag = False
    times: Count = 1


class _GroupSettings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    takes_steps: ClassVar[bool] = True

    pause: Duration = 0.0


class _Kind:
    def __init__(self, name: str, settings: type[BaseModel], units: dict[str, str]) -> None:
        self.name = name
        self.settings = settings
        self.known_readings = tuple(units)
        self.unit_of = units.get

    other_names: ClassVar[dict[str, str]] = {}

    def reading_named(self, name: str, unit: UnitData) -> str:
        return name

    def check_limits(self, settings: BaseModel, limits: Mapping[str, Limit]) -> list[str]:
        return []

    def check(self, settings: BaseModel, unit: UnitData) -> list[str]:
        return []


REGISTRY: dict[str, StepKindInfo] = {
    "tone": _Kind("tone", _ToneSettings, {"thd": "1", "h2": "1", "level": "V", "dc_offset": "V"}),
    "group": _Kind("group", _GroupSettings, {}),
}

HEAD = """\
procedure: p
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
figures: {loud: 10 W}
steps:
"""
STEP = "  - {id: a, kind: tone, level: 1 W}\n"


def mistakes(text: str, folder) -> list[str]:
    path = folder / "p.yaml"
    path.write_text(text, encoding="utf-8")
    library = folder / "library"
    library.mkdir(exist_ok=True)
    (library / "dc_offset.yaml").write_text(HEAD + STEP)
    with pytest.raises(ProcedureError) as caught:
        load_procedure(path, registry=REGISTRY, library=library)
    return [str(error).removeprefix(f"{path}:") for error in caught.value.errors]


TABLE = [
    # the file as a whole
    ("", "1:1", "the file is empty"),
    ("- a\n", "1:1", 'lines such as "procedure: NAME"'),
    ("procedure: p\n" + HEAD[13:], "4:1", "steps: a list of steps is wanted"),
    (HEAD.replace("steps:\n", ""), "1:1", '"steps" is missing'),
    (HEAD + "  a: b\n", "4:1", "steps: a list of steps is wanted"),
    (HEAD[13:] + STEP, "1:1", '"procedure" is missing'),
    (HEAD.replace("p\n", "a b\n", 1) + STEP, "1:12", "letters, digits, _ and - only"),
    (HEAD + STEP + "stepps: []\n", "6:1", 'unknown key "stepps"; did you mean "steps"?'),
    (HEAD + STEP + "decision: strict\n", "6:11", '"strict" is unknown; known: guarded, plain'),
    (HEAD + STEP + "title: off\n", "6:8", 'write "off" in quotes'),
    (HEAD + STEP + "title: a: b\n", "6:9", 'a second ":"'),
    (HEAD + STEP + "title: 'a\n", "6:8", "never closed"),
    (HEAD + STEP + "about: &x text\n", "6:8", "anchors"),
    (HEAD + STEP + "about: *x\n", "6:8", "aliases"),
    (HEAD + STEP + "guards: 5\n", "6:1", "lines of name: value"),
    (HEAD + STEP + "title: a\ntitle: b\n", "7:1", "written twice here, first in line 6"),
    (HEAD + STEP + "\tabout: x\n", "6:1", "a tab stands here"),
    (HEAD + STEP + "---\n", "6:1", "a second document"),
    (HEAD + STEP.replace("  -", " -", 1) + STEP, "6:3", "doesn't fit to the list above"),
    # unit data
    (HEAD.replace("8 ohm", "8") + STEP, "2:34", 'load: 8 has no unit; write "8 ohm"'),
    (HEAD.replace("8 ohm", "8 W") + STEP, "2:34", "8 W is a power; a resistance is wanted"),
    (HEAD.replace("8 ohm", "0 ohm") + STEP, "2:34", "write 0.5 ohm or more"),
    (HEAD.replace("8 ohm", "-8 ohm") + STEP, "2:34", "write 0.5 ohm or more"),
    (HEAD.replace("load", "lode") + STEP, "2:28", 'did you mean "load"?'),
    (HEAD.replace("100 W", "100 w") + STEP, "2:21", 'write "100 W"'),
    (HEAD.replace("29 dB", "29 db") + STEP, "2:47", 'write "29 dB"'),
    (HEAD.replace("29 dB}", "29 dB, output: bridge}") + STEP, "2:62", 'did you mean "bridged"?'),
    (HEAD.replace(", gain: 29 dB", "") + STEP, "2:1", '"gain" is missing'),
    # figures
    (HEAD.replace("loud: 10 W", "loud: [10 W]") + STEP, "3:11", "a quantity is wanted"),
    (HEAD.replace("loud: 10 W", "gain: 10 dB") + STEP, "3:11", "gain belongs under unit:"),
    (HEAD + STEP.replace("1 W", "<lowd>"), "5:32", 'unknown figure "<lowd>"; did you mean "loud"?'),
    (HEAD.replace("10 W", "10") + STEP.replace("1 W", "<loud>"), "3:17", "10 has no unit"),
    # steps
    (HEAD + "  - tone\n", "5:5", 'such as "- kind: tone"'),
    (HEAD + STEP + STEP, "6:10", 'the id "a" is taken by the step at'),
    (HEAD + STEP.replace("id: a", "id: a/b"), "5:10", "can't be an id"),
    (HEAD + STEP.replace("id: a", "id: " + "a" * 65), "5:10", "at most 64"),
    (HEAD + STEP.replace("tone", "tonne"), "5:19", 'unknown kind of step "tonne"; did you mean'),
    (HEAD + STEP.replace("kind", "kid"), "5:5", '"kind" is missing'),
    (HEAD + STEP.replace("kind", "kid"), "5:13", 'unknown key "kid"; did you mean "kind"?'),
    (HEAD + STEP.replace("level", "levl"), "5:25", 'unknown key "levl"; did you mean "level"?'),
    (HEAD + STEP.replace("level: 1 W", "level: 1"), "5:32", '1 has no unit; write "1 V", "1 dBV"'),
    (HEAD + STEP.replace("level: 1 W", "level: 1,5 W"), "5:34", "a comma parts entries here"),
    (HEAD + STEP.replace("level: 1 W", "level: -1 W"), "5:32", "a level is zero or more"),
    (HEAD + STEP.replace("level: 1 W", "level:"), "5:25", "a value is missing after the colon"),
    (HEAD + STEP.replace("level: 1 W", "level: ~"), "5:32", "means nothing in YAML"),
    (HEAD + STEP.replace("}", ", frequency: 1 mhz}"), "5:48", 'write "1 mHz" or "1 MHz"'),
    (HEAD + STEP.replace("}", ", frequency: 1 kHz 2}"), "5:48", 'unknown unit "kHz 2"'),
    (HEAD + STEP.replace("}", ", frequency: -1 kHz}"), "5:48", "must be more than zero"),
    (HEAD + STEP.replace("}", ", inverted: maybe}"), "5:47", "write true or false"),
    (HEAD + STEP.replace("}", ", times: 010}"), "5:44", "010 begins with 0"),
    (HEAD + STEP.replace("}", ", times: 2.5}"), "5:44", "not a whole number"),
    (HEAD + STEP.replace("}", ", required: perhaps}"), "5:47", "write true or false"),
    (HEAD + STEP.replace("}", ", steps: [{kind: tone, level: 1 W}]}"), "5:37", 'key "steps"'),
    (HEAD + "  - {kind: group, pause: 1:30}\n", "5:26", 'write "90 s" or "1.5 min"'),
    (HEAD + "  - {kind: group}\n", "5:5", '"steps" is missing; group repeats'),
    (HEAD + "  - {kind: group, steps: []}\n", "5:19", "a list of steps is wanted"),
    # limits
    (HEAD + STEP.replace("}", ", limits: {thdd: {max: 1 %}}}"), "5:46", 'did you mean "thd"?'),
    (HEAD + STEP.replace("}", ", limits: {thd: {max: 0.02}}}"), "5:57", "0.02 has no unit"),
    (HEAD + STEP.replace("}", ", limits: {thd: 1 %}}"), "5:51", "write thd: {max: 1 %}"),
    (HEAD + STEP.replace("}", ", limits: {dc_offset: {max: 1 mV}}}"), "5:46", "{within: 1 mV}"),
    (HEAD + STEP.replace("}", ", limits: {h2: {max: 6 dB above h3}}}"), "5:56", 'no reading "h3"'),
    (HEAD + STEP.replace("}", ", limits: {h2: {max: 2 times b/h2}}}"), "5:56", 'no step "b"'),
    (HEAD + STEP.replace("}", ", limits: {h2: {max: 2 times b/h2}}}")
     + STEP.replace("id: a", "id: b"), "5:56", 'step "b" comes later'),
    (HEAD + "  - {kind: group, steps: [{kind: tone, level: 1 W}], limits: {x: {max: 1}}}\n",
     "5:63", "gives no readings"),
    # includes
    (HEAD + "  - include: dc_ofset\n", "5:14", 'did you mean "dc_offset"?'),
    (HEAD + "  - include: ofs/x.yaml\n", "5:14", "there is no file"),
    (HEAD + "  - include: ../x.yaml\n", "5:14", "leads out of the procedure's folder"),
    (HEAD + "  - include: /x.yaml\n", "5:14", "no relative path"),
    (HEAD + "  - include:\n", "5:5", "a file or a built-in name is wanted"),
    (HEAD + "  - include: [a]\n", "5:5", "a file or a built-in name is wanted"),
    (HEAD + "  - include: p.yaml\n", "5:14", "include each other in a circle"),
    (HEAD + "  - {include: dc_offset, wiht: {}}\n", "5:26", 'did you mean "with"?'),
    (HEAD + "  - {include: dc_offset, with: {lod: 1}}\n", "5:33", 'did you mean "loud"?'),
    (HEAD + "  - {include: dc_offset, with: {loud: [1]}}\n", "5:33", "a value is wanted"),
    (HEAD + "  - {include: dc_offset, kind: tone}\n", "5:26", "write either kind or include"),
    (HEAD + "  - kind: tone\n    level:\n", "6:5", "level: nothing is written here"),
    (HEAD + "  - include: dc_offset\n" * 2, "6:14", 'the id "a" is taken by the step at'),
]  # fmt: skip


@pytest.mark.parametrize(("text", "place", "words"), TABLE)
def test_a_mistake_is_told_at_its_place(text, place, words, tmp_path):
    found = mistakes(text, tmp_path)
    assert any(error.startswith(place) and words in error for error in found), found


def test_the_table_holds_many_different_mistakes():
    assert len({words for _, _, words in TABLE}) >= 50


def test_every_mistake_is_one_printable_line(tmp_path):
    for text, _, _ in TABLE:
        assert all("\n" not in error and error.isprintable() for error in mistakes(text, tmp_path))


def test_all_mistakes_of_a_file_come_together_in_the_order_of_lines(tmp_path):
    text = (
        HEAD.replace("8 ohm", "8")
        + STEP.replace("1 W", "1")
        + "  - {id: b, kind: tone, levl: 1 W}\n  - {id: c, kind: bone}\n"
    )
    places = [error.split(": ")[0] for error in mistakes(text, tmp_path)]
    assert places == ["2:34", "5:32", "6:5", "6:25", "7:19"]
    unnamed = [
        error.split(": ")[0] for error in mistakes(text.replace("procedure:", "name:"), tmp_path)
    ]
    assert unnamed == ["1:1", "1:1", *places]


def test_what_follows_from_another_mistake_is_not_told(tmp_path):
    """A wrong load and a level that stands for it: one mistake, not three."""
    text = HEAD.replace("8 ohm", "8") + STEP.replace("1 W", "<load>")
    assert [error.split(": ")[0] for error in mistakes(text, tmp_path)] == ["2:34"]


def test_any_spoilt_procedure_is_read_or_refused_in_words(tmp_path):
    """A thousand random changes to a good file: a procedure or an explained mistake, nothing else."""
    good = HEAD + STEP + "  - {id: b, kind: tone, level: <loud>, limits: {thd: {max: 0.1 %}}}\n"
    signs = "abc:-[]{}<>,'\"#&*!|%@`?\n\t 0189.~\\\x1b\u2028é"
    rng = random.Random(20240607)
    (tmp_path / "library").mkdir()
    refused = 0
    for _ in range(1000):
        spoilt = list(good)
        for _ in range(rng.randint(1, 4)):
            at = rng.randrange(len(spoilt))
            spoilt[at : at + rng.randint(0, 3)] = rng.choices(signs, k=rng.randint(0, 3))
        path = tmp_path / "p.yaml"
        path.write_text("".join(spoilt), encoding="utf-8")
        try:
            load_procedure(path, registry=REGISTRY, library=tmp_path / "library")
        except ProcedureError as error:
            refused += bool(error.errors)
    assert 300 < refused < 1000
