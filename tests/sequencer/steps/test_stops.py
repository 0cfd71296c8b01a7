"""A voltage that stops the run fits the limit of its reading."""

import pytest

from sequencer.limits import Limit
from sequencer.procedure import load_procedure, read_procedure
from sequencer.steps.registry import kinds
from sequencer.steps.stops import FURTHEST, stop_mistakes


@pytest.mark.parametrize(
    ("limit", "mistake"),
    [
        (None, None),
        (Limit(), None),
        (Limit(maximum=0.020), None),
        (Limit(minimum=-0.020, maximum=0.010), None),
        (Limit(maximum=0.036), "lower the limit or raise it"),
        (Limit(minimum=-0.036, maximum=0.001), "lower the limit or raise it"),
        (Limit(maximum=0.011), "would stop nothing in time"),
    ],
)
def test_a_stop_lies_beyond_the_limit_and_not_far(limit, mistake):
    found = stop_mistakes("it", 0.035, limit, furthest=FURTHEST)
    assert len(found) == (mistake is not None)
    assert mistake is None or mistake in found[0]


@pytest.mark.parametrize(
    ("name", "figures", "words"),
    [
        ("final_test", {"bias_stop": "100 V"}, "would stop nothing in time"),
        # Both together: limit and stop fit each other, but neither what the procedure has (35 mV).
        ("final_test", {"bias": "10 V", "bias_stop": "30 V"}, "more than 3 times the 35 mV that"),
        ("final_test", {"bias": "80 mV", "bias_stop": "106 mV"}, "no command line may loosen"),
        ("final_test", {"bias": "80 mV", "bias_stop": "105 mV"}, None),
        ("final_test", {"bias_stop": "22 mV"}, None),
        ("final_test", {"bias": "40 mV"}, "the limit takes up to 48 mV"),
        ("final_test", {"bias": "40 mV", "bias_stop": "80 mV"}, None),
        ("final_test", {"bias": "25 mV"}, None),
        ("dc_offset", {"limit": "1000 V"}, "the limit takes up to 1 kV"),
    ],
)
def test_a_changed_figure_can_not_void_a_stop(name, figures, words):
    told = [
        error.message for error in read_procedure(name, registry=kinds(), figures=figures).errors
    ]
    assert any(words in message for message in told) if words else told == []


HEAD = """\
procedure: mine
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
figures: {stop: 100 mV, hot: 80 degC, room: 100 MB}
guards: {temperature: {limit: <hot>}, disk: {limit: <room>}}
steps:
"""
STEPS = "  - {kind: power_on, dc_stop: <stop>}\n"


@pytest.mark.parametrize(
    ("figures", "steps", "place"),
    [
        ({"stop": "300 mV"}, STEPS, None),
        ({"stop": "301 mV"}, STEPS, "--with stop"),
        # In a group, and through an include.
        (
            {"stop": "301 mV"},
            f"  - {{kind: repeat, count: 2, steps: [{STEPS[4:-1]}]}}\n",
            "--with stop",
        ),
        ({"stop": "3 V"}, "  - {include: part.yaml, with: {mine: <stop>}}\n", "--with stop"),
        ({"hot": "100 degC"}, STEPS, None),
        ({"hot": "101 degC"}, STEPS, "--with hot"),
        ({"room": "10 GB"}, STEPS, None),
    ],
)
def test_the_command_line_loosens_no_stop_and_no_guard_far(tmp_path, figures, steps, place):
    (tmp_path / "part.yaml").write_text(
        "procedure: part\nfigures: {mine: 200 mV}\nsteps: [{kind: power_on, dc_stop: <mine>}]\n",
        encoding="utf-8",
    )
    path = tmp_path / "mine.yaml"
    path.write_text(HEAD + steps, encoding="utf-8")
    read = read_procedure(path, registry=kinds(), figures=figures)
    assert [error.place.file for error in read.errors] == ([place] if place else [])


def test_a_procedure_of_ones_own_may_have_another_stop(tmp_path):
    """A unit that needs it: who writes it down answers for it."""
    path = tmp_path / "mine.yaml"
    path.write_text(
        "procedure: mine\nsteps:\n  - {include: final_test, with: {bias: 300 mV, bias_stop: 600 mV}}\n",
        encoding="utf-8",
    )
    assert load_procedure(path, registry=kinds())
