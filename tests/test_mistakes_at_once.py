"""Mistakes of every stage are told in one go, and none that only follows from another one."""

import re
from datetime import date
from pathlib import Path

import pytest

from sequencer.bench_spec import load_bench, read_bench
from sequencer.checking import reasons_against
from sequencer.cli import run_command
from sequencer.procedure import read_procedure
from sequencer.steps.registry import kinds
from sequencer.ticket import read_ticket
from tests.sequencer.test_bench_mistakes import BENCH as PLAIN_BENCH
from tests.sequencer.test_bench_mistakes import MISTAKES as BENCH_MISTAKES

FINAL_TEST = (Path(__file__).parent.parent / "procedures" / "final_test.yaml").read_text("utf-8")
TODAY = date(2026, 11, 26)
ACCEPTED = ("--serial", "SB-0001", "--accept-cautions")

PROCEDURE = """\
procedure: p
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
guards: {output_dc: {limit: 0 V}}
steps:
  - {id: early, kind: tone, level: 1 W}
  - {id: first, kind: power_on}
  - {id: load, kind: load_check}
  - {id: a, kind: tone, level: 150 W, limits: {thd: {min: 1 %, max: 0.1 %}}}
  - {id: b, kind: tone, level: 1}
  - {id: c, kind: tone, level: 1 W, band_low: 1 kHz, band_high: 100 Hz}
  - {id: d, kind: sweep, stop: 300 kHz, limits: {flatnes: {max: 1 dB}}}
  - {id: e, kind: wait, time: 1e9 h}
  - {id: f, kind: warm_up, level: 80 W, time: 20 min}
  - {id: g, kind: test_point, point: bias, required: true}
  - {id: h, kind: tonne, level: 1 W}
  - include: nowhere
  - {id: last, kind: power_off}
"""
GUARDED = "guards: {heat: {limit: 80 degC}}\nsteps:\n  - {id: on, kind: power_on}\n"
BENCH = """\
bench: corner bench
generator_ceiling: 2
load: {resistance: 4 ohm, continuous_power: 50 W, short_term_power: 20 W}
router_channels: {unit_1: 101, meter_load: 302}
cautions_accepted: {by: me, when: 2999-01-01}
instruments:
  generator: {address: "TCPIP::127.0.0.1::1::SOCKET", driver: spci, timeout: 2}
  analyser: {address: here, ranges: [50 V], sample_rates: [96 kHz]}
  dmm: {address: "TCPIP::127.0.0.1::3::SOCKET"}
  router: {address: "TCPIP::127.0.0.1::4::SOCKET"}
  mains_switch: {address: "TCPIP::127.0.0.1::5::SOCKET"}
"""
TICKET = """\
serial: SB-0001
readings: {earth_bond: 0.1}
unit: {gain: 29 dB, polarity: sideways}
"""
# Where, and words of what is told, in the order in which it is told.
TOLD = [
    ("t.yaml:2:24", "earth_bond: 0.1 has no unit"),
    ("t.yaml:3:31", '"sideways" is unknown'),
    ("p.yaml:3:29", "must be more than zero"),
    ("p.yaml:5:5", "no step before it has switched it on"),
    ("p.yaml:7:5", "needs the unit's mains off, but a step before it has switched them on"),
    ("p.yaml:8:5", "the unit is rated for 100 W and would clip"),
    ("p.yaml:8:5", "puts 150 W into the load"),
    ("p.yaml:8:54", "min is greater than max"),
    ("p.yaml:9:32", "1 has no unit"),
    ("p.yaml:10:5", "band_high must lie above band_low"),
    ("p.yaml:11:5", "the analyser samples at 96 kHz at most"),
    ("p.yaml:11:50", 'unknown reading "flatnes"'),
    ("p.yaml:12:31", "longer than a year"),
    ("p.yaml:13:5", "puts 80 W into the load for 20 min"),
    ("p.yaml:14:5", "no router channel meter_bias, and the step is required"),
    ("p.yaml:15:19", 'unknown kind of step "tonne"'),
    ("p.yaml:16:14", "no file and no built-in procedure"),
    ("b.yaml:2:20", "2 has no unit"),
    ("b.yaml:3:7", "short_term_power is less than continuous_power"),
    ("b.yaml:3:20", "the bench has a load of 4 ohm, but the unit wants 8 ohm (p.yaml:2:34)"),
    ("b.yaml:5:35", "2999-01-01 is still to come"),
    ("b.yaml:7:63", "no driver of a generator"),
    ("b.yaml:7:78", "2 has no unit"),
    ("b.yaml:8:23", "is no VISA address"),
]


@pytest.fixture
def told(tmp_path, monkeypatch, capsys):
    """What a command says of the three files: (place, words) each."""
    monkeypatch.chdir(tmp_path)

    def run(command, *options, procedure=PROCEDURE, bench=BENCH, ticket=TICKET):
        for name, text in (("p.yaml", procedure), ("b.yaml", bench), ("t.yaml", ticket)):
            (tmp_path / name).write_text(text, encoding="utf-8")
        three = ["p.yaml", "--bench", "b.yaml", "--ticket", "t.yaml"]
        assert run_command([command, *three, *options]) == 2
        out, err = capsys.readouterr()
        lines = [line for line in (out + err).splitlines() if not line.startswith("    ")]
        return [(place, words) for place, _, words in (line.partition(": ") for line in lines)]

    return run


@pytest.mark.parametrize("command", [("check",), ("run", *ACCEPTED)])
def test_mistakes_of_every_stage_are_told_at_once_each_once(told, command):
    found = told(*command)
    assert [place for place, _ in found] == [place for place, _ in TOLD]
    assert all(words in line for (_, line), (_, words) in zip(found, TOLD, strict=True)), found


def test_what_only_a_run_asks_for_is_told_with_the_rest(told):
    """--unattended on a bench without independent means; the ticket is another unit's."""
    options = ("--serial", "SB-0002", "--accept-cautions", "--unattended")
    found = told("run", *options)
    assert len(found) == len(TOLD) + 2
    assert ("t.yaml:1:9", "serial") in [(place, words.split(":")[0]) for place, words in found]
    assert any(words.startswith("nothing switches the unit off if") for _, words in found)


def test_an_unknown_guard_is_a_mistake_beside_a_bench_too(tmp_path, capsys):
    path = tmp_path / "p.yaml"
    path.write_text(PROCEDURE[: PROCEDURE.index("guards")] + GUARDED, encoding="utf-8")
    assert run_command(["check", str(path), "--bench", "sim"]) == 2
    assert 'there is no guard "heat"' in capsys.readouterr().err


# A bench that carries out all of the final test, on which nothing is left out.
WHOLE_BENCH = """\
bench: corner bench
generator_ceiling: 5 V
load: {resistance: 8 ohm, continuous_power: 200 W}
router_channels: {unit_1: 101, load: 201, load_light: 202, meter_output: 301, meter_load: 302,
  meter_bias: 303, analyser_output: 401}
independent_means: [emergency stop]
instruments:
  generator: {address: "TCPIP::127.0.0.1::1::SOCKET", calibration: {due: 2027-05-01}}
  analyser:
    address: TCPIP::127.0.0.1::2::SOCKET
    channels: 2
    ranges: [1 V, 100 V]
    sample_rates: [96 kHz, 2 MHz]
  dmm: {address: "TCPIP::127.0.0.1::3::SOCKET"}
  router: {address: "TCPIP::127.0.0.1::4::SOCKET"}
  mains_switch: {address: "TCPIP::127.0.0.1::5::SOCKET"}
  power_meter: {address: "TCPIP::127.0.0.1::6::SOCKET"}
  thermometer: {address: "TCPIP::127.0.0.1::7::SOCKET"}
"""
KINDS_WRITTEN = [match.start(1) for match in re.finditer(r"kind: (\w+)", FINAL_TEST)]
UNIT_LINES = re.findall(
    r"^  (?:rated_power|load|gain|mains_frequency|output): .*$", FINAL_TEST, re.M
)


@pytest.fixture
def against(tmp_path):
    """What stands between a procedure and a bench in spite of their own mistakes, and those."""

    def judge(procedure=FINAL_TEST, bench=WHOLE_BENCH, ticket=""):
        for name, text in (("p.yaml", procedure), ("b.yaml", bench), ("t.yaml", ticket)):
            (tmp_path / name).write_text(text, encoding="utf-8")
        of_unit, wrong = read_ticket(tmp_path / "t.yaml") if ticket else (None, [])
        read = read_procedure(tmp_path / "p.yaml", registry=kinds(), ticket=of_unit)
        on = read_bench(tmp_path / "b.yaml")
        between = reasons_against(read.possible, on.possible, kinds(), today=TODAY)
        own = [*wrong, *read.errors, *on.errors]
        return [error.message for error in between], [error.message for error in own]

    return judge


def test_the_whole_bench_carries_out_the_final_test(against):
    assert against() == ([], [])


@pytest.mark.parametrize("at", KINDS_WRITTEN)
def test_nothing_follows_from_a_step_of_an_unknown_kind(against, at):
    between, own = against(FINAL_TEST[:at] + "x" + FINAL_TEST[at:])
    assert between == []
    assert sum("unknown kind of step" in words for words in own) == 1
    # A limit that hangs on the step says that it does.
    assert all("unknown kind" in words or "mend it first" in words for words in own), own


@pytest.mark.parametrize("line", UNIT_LINES)
def test_nothing_follows_from_a_mistaken_item_of_the_unit(against, line):
    """Nor from a misspelt one, which may be any."""
    key, _, value = line.strip().partition(": ")
    for wrong in (f"  {key}: {value}x", f"  {key[:-1]}: {value}"):
        between, own = against(FINAL_TEST.replace(line, wrong))
        assert (between, len(own)) == ([], 1), own


@pytest.mark.parametrize(
    "ticket",
    ["unit: {rated_power: 5}\n", "unit: {rated_powr: 5 W}\n", "unit: [5 W]\n", "unit: {load: 4\n"],
)
def test_nothing_is_judged_by_what_a_mistaken_ticket_may_change(against, ticket):
    tone = "  - {id: a, kind: tone, level: 150 W}\n"
    procedure = FINAL_TEST.replace("steps:\n", "steps:\n" + tone, 1)
    loud = [words for words in against(procedure)[0] if "rated for 100 W" in words]
    assert len(loud) == 1
    between, own = against(procedure, ticket=ticket)
    assert own
    assert not any("rated for" in words or "mend" in words for words in between), between


@pytest.mark.parametrize("name", BENCH_MISTAKES)
def test_nothing_follows_from_a_mistake_in_the_bench_file(tmp_path, name):
    """Steps that need what the mistake spoils, and are sound on the bench as it was meant."""
    right, wrong, *_ = BENCH_MISTAKES[name]
    steps = ["tone, level: 50 W", "tone, level: 10 mW, frequency: 40 kHz", "exponential_sweep"]
    procedure, path = tmp_path / "p.yaml", tmp_path / "b.yaml"
    procedure.write_text(
        "procedure: p\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\nsteps:\n"
        + "".join(
            f"  - {{id: a{number}, kind: {step}, level: 1 W, required: true}}\n"
            if "level" not in step
            else f"  - {{id: a{number}, kind: {step}, required: true}}\n"
            for number, step in enumerate(steps)
        ),
        encoding="utf-8",
    )
    meant = PLAIN_BENCH.replace("[1 V, 3 V, 10 V]", "[1 V, 3 V, 100 V]")
    path.write_text(meant, encoding="utf-8")
    read = read_procedure(procedure, registry=kinds())
    assert reasons_against(read.possible, [load_bench(path)], kinds(), today=TODAY) == []
    right, wrong = (text.replace("3 V, 10 V", "3 V, 100 V") for text in (right, wrong))
    path.write_text(meant.replace(right, wrong), encoding="utf-8")
    on = read_bench(path)
    assert on.errors
    assert reasons_against(read.possible, on.possible, kinds(), today=TODAY) == []


@pytest.mark.parametrize("is_known", [True, False])
def test_steps_after_one_that_nobody_knows_are_not_taken_to_find_a_unit_off(against, is_known):
    kind = "power_on" if is_known else "powr_on"
    steps = f"steps:\n  - {{kind: {kind}}}\n  - {{kind: tone, level: 1 W}}\n"
    head = FINAL_TEST.partition("figures:")[0]
    assert against(head + steps)[0] == []
    again = "  - {id: again, kind: power_on}\n  - {kind: power_off}\n"
    dark = f"{steps}{again}  - {{id: after, kind: tone, level: 1 W}}\n"
    (words,) = against(head + dark)[0]
    assert words.startswith("step after: drives the unit, but no step before it has switched it on")


def test_a_step_that_nobody_knows_may_let_the_load_cool(against):
    bench = WHOLE_BENCH.replace(
        "continuous_power: 200 W",
        "continuous_power: 50 W, short_term_power: 100 W, short_term_duration: 60 s",
    )
    loud = "{{id: {}, kind: tone, level: 80 W, hold: 40 s}}"
    head = FINAL_TEST.partition("figures:")[0] + "steps:\n  - {kind: power_on}\n"
    one, two = loud.format("one"), loud.format("two")
    assert len(against(f"{head}  - {one}\n  - {two}\n", bench)[0]) == 1
    assert (
        against(f"{head}  - {one}\n  - {{id: rest, kind: wait, time: 5}}\n  - {two}\n", bench)[0]
        == []
    )


def test_a_figure_of_a_misspelt_name_leaves_open_what_hangs_on_it(against, tmp_path):
    (tmp_path / "part.yaml").write_text(
        "procedure: part\nfigures: {level: 150 W}\nsteps: [{kind: tone, level: <level>}]\n",
        encoding="utf-8",
    )
    head = FINAL_TEST.partition("figures:")[0] + "steps:\n  - {kind: power_on}\n"
    assert any("rated for" in words for words in against(head + "  - include: part.yaml\n")[0])
    between, own = against(head + "  - {include: part.yaml, with: {levl: 50 W}}\n")
    assert (between, len(own)) == ([], 1)


def test_a_missing_load_beside_a_bench_that_has_one_is_only_missing(against):
    head = "procedure: p\nunit: {rated_power: 100 W, gain: 29 dB}\n"
    between, (own,) = against(head + "steps: [{kind: power_on}]\n")
    assert between == []
    assert own.startswith('unit: "load" is missing')


@pytest.mark.parametrize(
    ("ticket", "lacking"),
    [
        # What the mistake leaves open, nobody takes to be missing; the rest is told beside it.
        ("readings: {earth_bond: 0.1}\n", ["insulation"]),
        ("readings: {earth_bnd: 0.1 ohm}\n", ["insulation"]),
        ("readings: {earth_bond: 0.1 ohm}\nunit: {gain: 29}\n", ["insulation"]),
        ("readings_of: {A-1: {insulation: 1}}\nserial: A-1\n", ["earth_bond"]),
        ("readngs: {earth_bond: 0.1 ohm}\n", []),
        ("readings: [0.1 ohm]\n", []),
    ],
)
def test_a_mistaken_ticket_still_lacks_what_it_surely_does_not_give(tmp_path, ticket, lacking):
    (tmp_path / "t.yaml").write_text(ticket, encoding="utf-8")
    of_unit, wrong = read_ticket(tmp_path / "t.yaml")
    assert wrong
    given = {**dict.fromkeys(of_unit.open_readings, ""), **of_unit.all_readings}
    assert [each for each in ("earth_bond", "insulation") if each not in given] == lacking


def test_readings_shared_by_a_pair_are_told_with_the_other_mistakes(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name, text in (
        ("t.yaml", "readings: {earth_bond: 0.1 ohm}\n"),
        ("b.yaml", BENCH),
        ("p.yaml", FINAL_TEST.replace("gain: 29 dB", "gain: 29")),
    ):
        (tmp_path / name).write_text(text, encoding="utf-8")
    pair = ("pair", "p.yaml", "--serial", "A", "--serial", "B", "--bench", "b.yaml")
    assert run_command([*pair, "--ticket", "t.yaml"]) == 2
    told = capsys.readouterr().err
    for words in (
        "t.yaml:1:11: readings: they are of one unit",
        "p.yaml:10:9: gain",
        "b.yaml:2:20",
    ):
        assert words in told
