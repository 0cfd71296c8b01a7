"""A unit of another kind than the built-in procedures name: its ticket decides levels and limits.

What the ticket says was read on one unit stays with that unit.
"""

import json
from importlib.resources import files

import pytest

from sequencer.errors import ProcedureError
from sequencer.procedure import load_procedure
from sequencer.steps.registry import kinds
from sequencer.ticket import Ticket

TICKET = """\
ticket: T-1
readings: {earth_bond: 0.1 ohm, insulation: 100 Mohm}
unit: {rated_power: RATED, gain: GAIN}
"""


def _limit(procedure, step, reading):
    (found,) = [each.limits[reading] for each in procedure.all_steps() if each.id == step]
    return found.minimum, found.maximum


def _loaded(name, **unit):
    return load_procedure(name, registry=kinds(), ticket=Ticket(unit=unit))


def test_gain_load_and_power_are_judged_by_the_ticket():
    unit = {"rated_power": "40 W", "load": "4 ohm", "gain": "26 dB"}
    final = _loaded("final_test", **unit)
    # 2 % and 0.5 dB about nominal (bench practice; common practice, no source).
    assert _limit(final, "load_check", "load_resistance") == pytest.approx((3.92, 4.08))
    assert _limit(final, "tone_first", "gain") == pytest.approx((25.5, 26.5))
    assert _limit(final, "tone_10w", "gain") == pytest.approx((25.5, 26.5))
    assert _limit(final, "clipping", "power") == (40.0, None)
    (half,) = [each for each in final.all_steps() if each.id == "driven_half"]
    assert half.settings.level.to_watts(4.0, 40.0) == 20.0
    for name, step in (
        ("rated_power", "small_tone"),
        ("rated_power", "tone_10w"),
        ("burn_in", "tone_0w1"),
        ("burn_in", "tone_10w"),
    ):
        assert _limit(_loaded(name, **unit), step, "gain") == pytest.approx((25.5, 26.5))


@pytest.mark.parametrize(
    ("rated", "tens", "ones"),
    # 10 W and 1 W (bench practice; common practice, no source), small units half of what they give.
    [("100 W", 10.0, 1.0), ("20 W", 10.0, 1.0), ("8 W", 4.0, 1.0), ("1.5 W", 0.75, 0.75)],
)
def test_a_small_unit_is_never_driven_beyond_half_of_rated_power_in_the_tens(rated, tens, ones):
    steps = {step.id: step for step in _loaded("final_test", rated_power=rated).all_steps()}
    watts = float(rated.removesuffix(" W"))
    levels = {
        name: steps[name].settings.level.to_watts(8.0, watts)
        for name in ("tone_10w", "tone_10k", "intermodulation", "driven_10w")
    }
    assert levels == dict.fromkeys(levels, pytest.approx(tens))
    for name in ("tone_1w", "response", "damping"):
        assert steps[name].settings.level.to_watts(8.0, watts) == pytest.approx(ones)


@pytest.mark.parametrize(("mains", "lines"), [("50 Hz", (50, 100)), ("60 Hz", (60, 120))])
@pytest.mark.parametrize(("name", "step"), [("idle_hum", "idle"), ("burn_in", "hum")])
def test_hum_is_judged_at_the_units_own_mains(name, step, mains, lines):
    procedure = _loaded(name, mains_frequency=mains)
    for line in lines:
        assert _limit(procedure, step, f"hum_{line}") == (None, pytest.approx(150e-6))
    (idle,) = [each for each in procedure.all_steps() if each.id == step]
    assert sorted(each for each in idle.limits if each.startswith("hum")) == sorted(
        f"hum_{line}" for line in lines
    )


def test_a_line_has_one_limit_under_whatever_name(tmp_path):
    text = files("procedures").joinpath("idle_hum.yaml").read_text(encoding="utf-8")
    twice = tmp_path / "p.yaml"
    twice.write_text(text.replace("hum_twice_mains", "hum_50"), encoding="utf-8")
    with pytest.raises(ProcedureError) as caught:
        load_procedure(twice, registry=kinds())
    assert "hum_50: hum_50 has its limit already" in caught.value.errors[0].message


@pytest.mark.parametrize("name", ["final_test", "rated_power", "burn_in", "idle_hum"])
def test_the_flattened_procedure_keeps_the_tickets_limits(name, tmp_path):
    """What lies in the run's folder reads back to the same limits without the ticket."""
    unit = {"rated_power": "40 W", "gain": "26 dB", "mains_frequency": "60 Hz"}
    procedure = _loaded(name, **unit)
    flat = tmp_path / "flat.yaml"
    flat.write_text(procedure.flattened_yaml(), encoding="utf-8")
    assert load_procedure(flat, registry=kinds()) == procedure


@pytest.mark.parametrize(
    ("rated", "gain", "failed"),
    [
        # The simulated unit gives 100 W and 29.0 dB (model, section 2).
        ("40 W", "28.8 dB", set()),
        ("100 W", "27.8 dB", {"gain"}),
    ],
)
def test_a_unit_on_the_bench_is_judged_by_its_ticket(steadybench, tmp_path, rated, gain, failed):
    ticket = tmp_path / "ticket.yaml"
    ticket.write_text(TICKET.replace("RATED", rated).replace("GAIN", gain), encoding="utf-8")
    done = steadybench(
        *["run", "rated_power", "--bench", "sim", "--serial", "A-1", "--ticket", ticket],
        *["--unattended", "--accept-cautions", "--json", "--out", tmp_path],
        patience_s=120.0,
    )
    assert done.code == (1 if failed else 0), done.err
    steps = {step["id"]: step for step in done.json()["steps"]}
    readings = [(id_, each) for id_, step in steps.items() for each in step["readings"]]
    assert {each["name"] for _, each in readings if each["verdict"] == "fail"} == failed
    (power,) = [
        each["value"] for id_, each in readings if (id_, each["name"]) == ("rated", "power")
    ]
    assert power == pytest.approx(float(rated.split()[0]), rel=0.02)


BOND = """\
procedure: bond
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - id: bond
    kind: operator_reading
    reading: earth_bond
    text: Measure
    must_pass: true
    limits: {earth_bond: {max: 0.3 ohm}}
"""


@pytest.fixture
def pair_of(tmp_path, steadybench):
    """A pair whose earth bond is asked for, with the ticket of one of them (or of nobody)."""

    def run(serial, *options, says=""):
        (tmp_path / "bond.yaml").write_text(BOND, encoding="utf-8")
        ticket = f"{serial}readings: {{earth_bond: 0.11 ohm}}\n"
        (tmp_path / "ticket.yaml").write_text(ticket, encoding="utf-8")
        return steadybench(
            *("pair", tmp_path / "bond.yaml", "--bench", "sim", "--serial", "A-1"),
            *("--serial", "B-2", "--ticket", tmp_path / "ticket.yaml", "--accept-cautions"),
            *(*options, "--json"),
            says=says,
        )

    return run


def test_what_was_read_on_one_unit_of_a_pair_is_not_taken_for_the_other(pair_of):
    done = pair_of("serial: A-1\n", says="0.4 ohm\n")
    found = json.loads(done.out)
    bonds = [run["steps"][0]["readings"][0]["value"] for run in found["runs"]]
    assert bonds == pytest.approx([0.11, 0.4])
    assert [run["outcome"] for run in found["runs"]] == ["pass", "fail"]
    assert done.code == 1


@pytest.mark.parametrize(
    ("serial", "options", "words"),
    [
        ("", (), "does not say of which"),
        ("serial: A-1\n", ("--unattended",), "nobody is there to read them"),
    ],
)
def test_readings_that_would_be_shared_are_refused(pair_of, serial, options, words):
    done = pair_of(serial, *options)
    assert done.code == 2
    (error,) = json.loads(done.out)["errors"]
    assert words in error["message"]
    assert error["file"].endswith("ticket.yaml")


def test_each_unit_of_a_pair_has_its_own_readings_on_one_ticket(pair_of):
    of_each = "readings_of: {B-2: {earth_bond: 0.12 ohm}}\n"
    done = pair_of(f"serial: A-1\n{of_each}", "--unattended")
    found = json.loads(done.out)
    bonds = [run["steps"][0]["readings"][0]["value"] for run in found["runs"]]
    assert bonds == pytest.approx([0.11, 0.12])
    assert done.code == 0


def test_a_unit_whose_own_readings_are_missing_is_refused_unattended(pair_of):
    done = pair_of("readings_of: {B-2: {insulation: 5 Mohm}}\nserial: A-1\n", "--unattended")
    assert done.code == 2
    assert '"B-2"' in json.loads(done.out)["errors"][0]["message"]
