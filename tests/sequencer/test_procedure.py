"""Procedures: includes, figures, unit data, limits across steps, and the flattened form."""

import hashlib
from collections.abc import Mapping
from typing import ClassVar

import pytest
from pydantic import BaseModel, ConfigDict

from sequencer.errors import ProcedureError
from sequencer.limits import DecisionRule, Limit
from sequencer.procedure import (
    OutputTopology,
    Polarity,
    Procedure,
    StepKindInfo,
    UnitData,
    load_procedure,
)
from sequencer.quantities import Count, Duration, LevelQuantity, PositiveFrequency
from sequencer.ticket import Ticket


class _ToneSettings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    level: LevelQuantity
    frequency: PositiveFrequency = 1000.0


class _WaitSettings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    duration: Duration
    words: str = ""


class _RepeatSettings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    takes_steps: ClassVar[bool] = True

    times: Count


class _Kind:
    def __init__(
        self, name: str, settings: type[BaseModel], units: dict[str, str] | None = None
    ) -> None:
        self.name = name
        self.settings = settings
        self._units = units or {}

    @property
    def known_readings(self) -> tuple[str, ...]:
        return tuple(self._units)

    def unit_of(self, reading: str) -> str | None:
        return self._units.get(reading)

    other_names: ClassVar[dict[str, str]] = {}

    def reading_named(self, name: str, unit: UnitData) -> str:
        return name

    def check_limits(self, settings: BaseModel, limits: Mapping[str, Limit]) -> list[str]:
        return []

    def check(self, settings: BaseModel, unit: UnitData) -> list[str]:
        if isinstance(settings, _ToneSettings):
            watts = settings.level.to_watts(unit.load_ohm, unit.rated_power_w)
            if watts > 1.2 * unit.rated_power_w:
                return [f"{settings.level} is more than the unit's rated power"]
        return []


_TONE_UNITS = {"thd": "1", "h2": "1", "h3": "1", "level": "V", "gain": "dB", "dc_offset": "V"}
REGISTRY: dict[str, StepKindInfo] = {
    "tone": _Kind("tone", _ToneSettings, _TONE_UNITS),
    "wait": _Kind("wait", _WaitSettings),
    "repeat": _Kind("repeat", _RepeatSettings),
}

UNIT = "unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\n"

RATED = """\
procedure: rated_power
title: 1 kHz at 10 W and at rated power
about: >
  Two tones.
decision: guarded
unit:
  rated_power: 100 W
  load: 8 ohm
  gain: 29 dB
  mains_frequency: 50 Hz
  mains_voltage: 230 V
  output: single_ended
  polarity: normal
figures:
  warm_up: 20 min
steps:
  - id: warm_up
    kind: wait
    duration: <warm_up>
  - id: tone_10w
    kind: tone
    title: 1 kHz at 10 W, after warm-up
    level: 10 W
    frequency: 1 kHz
    required: true
    limits:
      thd: {max: 0.02 %}
      h2: {max: 6 dB above h3}
      gain: {nominal: <gain>, tolerance: 0.5 dB}
  - kind: tone
    level: <rated_power>
    limits:
      gain: {nominal: tone_10w/gain, tolerance: 0.1 dB}
"""


@pytest.fixture
def folder(tmp_path):
    def write(**files: str):
        for name, text in files.items():
            path = tmp_path / f"{name.replace('__', '/')}.yaml"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        return tmp_path

    return write


@pytest.fixture
def library(tmp_path_factory):
    path = tmp_path_factory.mktemp("library")
    (path / "rated_power.yaml").write_text(RATED)
    (path / "dc_offset.yaml").write_text(
        "procedure: dc_offset\n" + UNIT + "figures: {level: 0.1 W}\nsteps:\n"
        "  - {id: first, kind: tone, level: <level>, limits: {dc_offset: {within: 15 mV}}}\n"
        "  - {id: second, kind: tone, level: <level>,\n"
        "     limits: {dc_offset: {within: 5 mV above first/dc_offset}}}\n"
    )
    return path


@pytest.fixture
def load(folder, library):
    def loaded(
        text: str, *, ticket: Ticket | None = None, figures=None, **others: str
    ) -> Procedure:
        root = folder(main=text, **others)
        return load_procedure(
            root / "main.yaml", registry=REGISTRY, ticket=ticket, figures=figures, library=library
        )

    return loaded


def errors_of(call) -> list[str]:
    with pytest.raises(ProcedureError) as caught:
        call()
    return [f"{e.place.line}:{e.place.column}: {e.message}" for e in caught.value.errors]


def test_a_procedure_is_read_as_written(load):
    procedure = load(RATED)
    assert (procedure.name, procedure.title) == (
        "rated_power",
        "1 kHz at 10 W and at rated power",
    )
    assert procedure.about == "Two tones."
    assert procedure.decision is DecisionRule.GUARDED
    assert procedure.unit == UnitData(
        rated_power_w=100.0,
        load_ohm=8.0,
        gain_db=29.0,
        mains_frequency_hz=50.0,
        mains_vrms=230.0,
        output=OutputTopology.SINGLE_ENDED,
        polarity=Polarity.NORMAL,
    )
    warm_up, tone, rated = procedure.steps
    assert [step.id for step in procedure.steps] == ["warm_up", "tone_10w", "tone"]
    assert warm_up.settings.duration == 1200.0
    assert (tone.required, rated.required) == (True, None)
    assert tone.title == "1 kHz at 10 W, after warm-up"
    assert tone.limits["thd"].maximum == 0.0002
    assert (tone.place.line, tone.place.column) == (20, 5)
    assert rated.settings.level.to_vrms(8.0) == pytest.approx(28.2842712)  # 100 W in 8 ohm
    assert rated.limits["gain"].relative.step == "tone_10w"


def test_a_built_in_procedure_is_found_by_name(library, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rated_power").mkdir()  # a folder of that name is no procedure
    procedure = load_procedure("rated_power", registry=REGISTRY, library=library)
    assert procedure.name == "rated_power"
    assert list(procedure.sources) == ["procedures/rated_power.yaml"]
    assert procedure.sources["procedures/rated_power.yaml"] == RATED


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("rated_powr", 'did you mean "rated_power"?'),
        ("rated_power.yaml", 'did you mean the built-in procedure "rated_power"?'),
        ("nowhere/x.yaml", "there is no such file"),
        ("a\0b", "no such file"),
        ("x" * 5000, "there is no file"),
        ("\x1b[31m", "no such file"),
    ],
)
def test_an_unknown_procedure_is_answered_with_the_nearest(
    library, monkeypatch, tmp_path, name, words
):
    monkeypatch.chdir(tmp_path)
    found = errors_of(lambda: load_procedure(name, registry=REGISTRY, library=library))
    assert words in found[0]


def test_figures_can_be_changed_from_outside(load):
    assert load(RATED, figures={"warm_up": "5 s"}).steps[0].settings.duration == 5.0
    changed = load(RATED, figures={"warm_up": "5 s"})
    assert dict(changed.figures) == {"warm_up": "5 s"}
    default = load(RATED).figures["warm_up"]
    assert changed.changed == (f"warm_up 5 s (the procedure has {default})",)
    assert load(RATED, figures={"warm_up": default}).changed == ()
    assert dict(load(RATED).figures) == {"warm_up": "20 min"}


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ({"warmup": "5 s"}, 'the procedure has no figure "warmup"; did you mean "warm_up"?'),
        ({"warm_up": "5"}, 'duration: 5 has no unit; write "5 s" or "5 min"'),
        ({"warm_up": "<gain>"}, "a figure is a value"),
    ],
)
def test_mistaken_figures_from_outside_are_told(load, figures, words):
    with pytest.raises(ProcedureError) as caught:
        load(RATED, figures=figures)
    (name,) = figures
    assert str(caught.value.errors[0]).startswith(f"--with {name}:1:1: ")
    assert words in str(caught.value.errors[0])


def test_the_ticket_goes_before_the_procedure(load):
    ticket = Ticket(unit={"rated_power": "50 W", "gain": "26 dB", "polarity": "inverting"})
    procedure = load(RATED, ticket=ticket)
    assert procedure.unit.rated_power_w == 50.0
    assert procedure.unit.is_inverting
    _, tone, rated = procedure.steps
    assert rated.settings.level.to_watts(8.0) == pytest.approx(50.0)
    assert tone.limits["gain"].minimum == 25.5


def test_unit_data_of_an_include_are_defaults_below_the_file_s_own(load):
    text = "procedure: p\nunit: {load: 4 ohm}\nsteps:\n  - include: rated_power\n"
    unit = load(text).unit
    assert (unit.load_ohm, unit.rated_power_w) == (4.0, 100.0)


def test_needed_unit_data_are_asked_for(load):
    text = "procedure: p\nsteps:\n  - {kind: wait, duration: 1 s}\n"
    found = errors_of(lambda: load(text))
    assert len(found) == 3
    assert '"load" is missing; write for example "load: 8 ohm"' in found[1]
    ticket = Ticket(unit={"rated_power": "50 W", "gain": "26 dB", "load": "8 ohm"})
    assert load(text, ticket=ticket).unit.load_ohm == 8.0


def test_includes_give_their_steps_with_a_prefix_and_changed_figures(load):
    text = (
        "procedure: p\n" + UNIT + "figures: {loud: 2 W}\nsteps:\n"
        "  - include: dc_offset\n"
        "  - include: dc_offset\n    id: warm\n    with: {level: <loud>}\n"
        "  - {id: last, kind: tone, level: 1 W,\n"
        "     limits: {level: {max: 1 mV above warm.second/level}}}\n"
    )
    procedure = load(text)
    ids = [step.id for step in procedure.steps]
    assert ids == ["first", "second", "warm.first", "warm.second", "last"]
    levels = [step.settings.level.text for step in procedure.steps]
    assert levels == ["0.1 W", "0.1 W", "2 W", "2 W", "1 W"]
    limits = [step.limits for step in procedure.steps]
    assert limits[1]["dc_offset"].relative.step == "first"
    assert limits[3]["dc_offset"].relative.step == "warm.first"
    assert limits[3]["dc_offset"].text == "within 5 mV above warm.first/dc_offset"


def test_an_include_can_refer_to_steps_of_the_file_around_it(load):
    text = (
        "procedure: p\n" + UNIT + "steps:\n"
        "  - {id: cold, kind: tone, level: 1 W}\n"
        "  - {include: inner.yaml, id: warm}\n"
    )
    inner = (
        "procedure: i\nsteps:\n  - {id: t, kind: tone, level: 1 W,"
        " limits: {level: {max: 1 mV above cold/level}}}\n"
    )
    assert load(text, inner=inner).steps[1].limits["level"].relative.step == "cold"


def test_a_file_beside_goes_before_a_built_in_of_the_same_name(load):
    text = "procedure: p\n" + UNIT + "steps:\n  - include: rated_power\n"
    own = "procedure: mine\nsteps:\n  - {id: mine, kind: wait, duration: 1 s}\n"
    assert [step.id for step in load(text, rated_power=own).steps] == ["mine"]


def test_a_file_with_a_built_in_s_name_can_include_the_built_in(folder, library):
    own = "procedure: mine\nsteps:\n  - include: rated_power\n"
    root = folder(rated_power=own)
    procedure = load_procedure(root / "rated_power.yaml", registry=REGISTRY, library=library)
    assert len(procedure.steps) == 3
    assert len(procedure.sources) == 2


def test_groups_hold_steps_and_includes(load):
    text = (
        "procedure: p\n" + UNIT + "steps:\n"
        "  - id: rests\n    kind: repeat\n    times: 3\n    steps:\n"
        "      - {id: pause, kind: wait, duration: 1 min}\n"
        "      - include: dc_offset\n"
        "  - {id: after, kind: wait, duration: 1 s}\n"
    )
    procedure = load(text)
    assert [step.id for step in procedure.steps] == ["rests", "after"]
    assert [step.id for step in procedure.steps[0].steps] == ["pause", "first", "second"]
    assert [step.id for step in procedure.all_steps()][:2] == ["rests", "pause"]
    assert procedure.steps[0].settings.times == 3


def test_guards_are_kept_as_written(load):
    text = (
        "procedure: p\n" + UNIT + "figures: {hot: 80 degC}\n"
        "guards: {temperature: {limit: <hot>}}\nsteps:\n  - {kind: wait, duration: 1 s}\n"
    )
    assert load(text).guards["temperature"].plain() == {"limit": "80 degC"}


@pytest.mark.parametrize(
    ("guards", "words"),
    [
        ("{heat: {limit: 80 degC}}", 'there is no guard "heat"'),
        ("{temperature: {limit: 80}}", "no unit"),
        ("{temperature: {limit: 60 degC, warn: 70 degC}}", "swap the two"),
        ("{output_dc: {action: run_away}}", '"run_away" is unknown'),
        ("{output_dc: {period: 1 ms}}", "write 1 s or more"),
        ("{output_dc: {period: 11 min}}", "write 10 min or less"),
        ("{output_dc: {limit: 1 kV}}", "write 5 V or less"),
        ("{output_level: {limit: 1 kV}}", "write 10 V or less"),
        ("{temperature: {limit: 500 degC}}", "write 120 degC or less"),
        ("{disk: {limit: 5 cm}}", "200 MB"),
    ],
)
def test_a_mistake_in_a_guard_is_told_at_its_place(load, guards, words):
    text = f"procedure: p\n{UNIT}guards: {guards}\nsteps:\n  - {{kind: wait, duration: 1 s}}\n"
    with pytest.raises(ProcedureError) as caught:
        load(text)
    assert [words in error.message for error in caught.value.errors] == [True]
    place = caught.value.errors[0].place
    assert place.line == 2 + UNIT.count("\n")
    assert place.column > len("guards: ")


@pytest.mark.parametrize("kind", ["rated", "include", "group"])
def test_the_flattened_form_reads_back_to_the_same_procedure(load, folder, library, kind):
    text = {
        "rated": RATED,
        "include": "procedure: p\n" + UNIT + "steps:\n  - {include: dc_offset, id: a}\n"
        "  - {include: rated_power, with: {warm_up: 3 s}}\n",
        "group": "procedure: p\ntitle: 'off'\nabout: |\n  a: b\n\n  # c\n"
        + UNIT
        + "guards: {output_dc: {limit: '1 V'}}\nsteps:\n"
        "  - {kind: repeat, times: 0, steps: [{include: dc_offset}]}\n"
        "  - {kind: wait, duration: 1 s, words: 'null'}\n",
    }[kind]
    ticket = Ticket(unit={"gain": "20 dB"})
    procedure = load(text, ticket=ticket)
    flat = folder(flat=procedure.flattened_yaml()) / "flat.yaml"
    again = load_procedure(flat, registry=REGISTRY, library=library)
    assert again == procedure
    assert again.flattened_yaml() == procedure.flattened_yaml()
    assert again.sha256 == procedure.sha256
    assert procedure.sha256 == hashlib.sha256(flat.read_bytes()).hexdigest()
    assert "<" not in procedure.flattened_yaml()


def test_another_figure_makes_another_hash(load):
    assert load(RATED).sha256 != load(RATED, figures={"warm_up": "5 s"}).sha256


def test_a_circle_of_includes_is_shown_as_a_chain(folder, library):
    start = "procedure: p\n" + UNIT + "steps:\n  - include: {}\n"
    root = folder(a=start.replace("{}", "b.yaml"), b=start.replace("{}", "sub/c.yaml"),
                  sub__c=start.replace("{}", "../a.yaml"))  # fmt: skip
    found = errors_of(lambda: load_procedure(root / "a.yaml", registry=REGISTRY, library=library))
    assert len(found) == 1
    names = [part.rsplit("/", 1)[-1] for part in found[0].split(" -> ")]
    assert names == ["a.yaml", "b.yaml", "c.yaml", "a.yaml"]


def test_a_file_that_includes_itself_is_a_circle(load):
    text = "procedure: p\n" + UNIT + "steps:\n  - include: main.yaml\n"
    assert "in a circle" in errors_of(lambda: load(text))[0]


def test_includes_go_eight_files_deep_and_no_deeper(folder, library):
    end = "procedure: p\n" + UNIT + "steps:\n  - {kind: wait, duration: 1 s}\n"
    files = {f"f{n}": f"procedure: p\nsteps:\n  - include: f{n + 1}.yaml\n" for n in range(10)}
    root = folder(**files, f10=end)
    reader = lambda n: load_procedure(root / f"f{n}.yaml", registry=REGISTRY, library=library)  # noqa: E731
    assert len(reader(2).steps) == 1
    assert "more than 8 files deep" in errors_of(lambda: reader(1))[0]


def test_the_depth_counts_also_for_files_read_before(folder, library):
    end = "procedure: p\n" + UNIT + "steps:\n  - {kind: wait, duration: 1 s}\n"
    files = {f"f{n}": f"procedure: p\nsteps:\n  - include: f{n + 1}.yaml\n" for n in range(8)}
    first = "procedure: p\nsteps:\n  - {include: f4.yaml, id: a}\n  - {include: f0.yaml, id: b}\n"
    root = folder(**files, f8=end, main=first)
    found = errors_of(
        lambda: load_procedure(root / "main.yaml", registry=REGISTRY, library=library)
    )
    assert any("more than 8 files deep" in error for error in found)


def test_an_explosion_of_includes_is_refused_before_it_happens(folder, library):
    """Seven files, each including the next 50 times, would be 50**6 steps."""
    many = {
        f"f{n}": "procedure: p\nsteps:\n" + f"  - include: f{n + 1}.yaml\n" * 50 for n in range(6)
    }
    end = "procedure: p\n" + UNIT + "steps:\n  - {kind: wait, duration: 1 s}\n"
    root = folder(**many, f6=end)
    found = errors_of(lambda: load_procedure(root / "f0.yaml", registry=REGISTRY, library=library))
    assert f"{50**6} steps with all includes; at most 1000" in found[0]


@pytest.mark.parametrize(
    "name",
    [
        "../outside.yaml",
        "sub/../../outside.yaml",
        "link.yaml",
        "linked/outside.yaml",
        "/etc/hostname",
        "~/x.yaml",
        "C:x.yaml",
        "..\\\\outside.yaml",
    ],
)
def test_an_include_can_t_leave_the_folder(tmp_path, library, name):
    outside = tmp_path / "outside.yaml"
    outside.write_text("procedure: o\n" + UNIT + "steps:\n  - {kind: wait, duration: 1 s}\n")
    inner = tmp_path / "inner"
    (inner / "sub").mkdir(parents=True)
    (inner / "link.yaml").symlink_to(outside)
    (inner / "linked").symlink_to(tmp_path)
    main = inner / "main.yaml"
    main.write_text("procedure: p\n" + UNIT + f'steps:\n  - include: "{name}"\n')
    found = errors_of(lambda: load_procedure(main, registry=REGISTRY, library=library))
    assert found[0].startswith("4:14: include: ")
    assert "leads out of the procedure's folder" in found[0] or "no relative path" in found[0]


def test_dots_that_stay_in_the_folder_are_fine(load):
    text = "procedure: p\n" + UNIT + "steps:\n  - include: sub/a.yaml\n"
    inner = "procedure: a\nsteps:\n  - include: ../b.yaml\n"
    end = "procedure: b\nsteps:\n  - {id: end, kind: wait, duration: 1 s}\n"
    procedure = load(text, sub__a=inner, b=end)
    assert [step.id for step in procedure.steps] == ["end"]
    assert [name.rsplit("/", 1)[-1] for name in procedure.sources] == [
        "main.yaml",
        "a.yaml",
        "b.yaml",
    ]


def test_a_built_in_includes_built_ins_only(library):
    (library / "outer.yaml").write_text(
        "procedure: outer\nsteps:\n  - include: rated_power\n  - include: ../x.yaml\n"
    )
    found = errors_of(lambda: load_procedure("outer", registry=REGISTRY, library=library))
    assert 'no built-in procedure "../x"' in found[0]
    assert found[0].startswith("4:14: ")


def test_mistakes_of_all_files_are_told_at_once_and_once(load):
    text = (
        "procedure: p\n" + UNIT + "steps:\n"
        "  - {include: bad.yaml, id: a}\n  - {include: bad.yaml, id: b}\n"
        "  - {include: none.yaml}\n  - {kind: tone, levl: 1 W}\n"
    )
    bad = "procedure: b\nsteps:\n  - {kind: wait, duration: 5}\n  - {kind: wiat}\n"
    with pytest.raises(ProcedureError) as caught:
        load(text, bad=bad)
    shown = [
        f"{error.place.file.rsplit('/', 1)[-1]}:{error.place.line}" for error in caught.value.errors
    ]
    assert sorted(shown) == [
        "bad.yaml:3",
        "bad.yaml:4",
        "main.yaml:6",
        "main.yaml:7",
        "main.yaml:7",
    ]
    assert caught.value.code == "procedure"
    assert caught.value.exit_code == 2
    assert caught.value.to_json()["refused"] == "procedure"


def test_what_a_kind_finds_wrong_stands_at_the_step(load):
    text = "procedure: p\n" + UNIT + "steps:\n  - kind: tone\n    level: 300 W\n"
    assert errors_of(lambda: load(text)) == ["4:5: 300 W is more than the unit's rated power"]


def test_the_shipped_library_is_the_default():
    with pytest.raises(ProcedureError, match="no built-in procedure"):
        load_procedure("no_such_thing", registry=REGISTRY)


def test_steps_marked_alone_fall_away_where_the_procedure_is_included(tmp_path):
    """Switching the unit on belongs to a procedure run by itself, not to an included one."""
    inner = tmp_path / "inner.yaml"
    inner.write_text(
        "procedure: inner\ntitle: inner\n"
        "unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\n"
        "steps:\n"
        "  - {id: up, kind: wait, time: 1 s, alone: true}\n"
        "  - {id: look, kind: wait, time: 2 s}\n"
    )
    outer = tmp_path / "outer.yaml"
    outer.write_text(
        "procedure: outer\ntitle: outer\n"
        "unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\n"
        "steps:\n  - include: inner.yaml\n"
    )
    from sequencer.procedure import load_procedure
    from sequencer.steps.registry import kinds

    alone = load_procedure(str(inner), registry=kinds())
    included = load_procedure(str(outer), registry=kinds())
    assert [step.id for step in alone.steps] == ["up", "look"]
    assert [step.id for step in included.steps] == ["look"]
