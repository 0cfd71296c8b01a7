"""What is wrong between settings is told although another one of the same block is mistaken."""

import pytest

from sequencer.procedure import read_procedure
from sequencer.steps.registry import kinds

HEAD = "procedure: x\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\nsteps:\n"


@pytest.fixture
def told(tmp_path):
    """(line:column, message) of every mistake of a procedure."""

    def read(text):
        path = tmp_path / "x.yaml"
        path.write_text(text, encoding="utf-8")
        errors = read_procedure(path, registry=kinds()).errors
        return [(f"{e.place.line}:{e.place.column}", e.message) for e in errors]

    return read


@pytest.mark.parametrize(
    ("step", "words"),
    [
        (
            "{kind: repeat, time: 1 h, count: 3, period: 5, steps: [{kind: wait, time: 1}]}",
            ["give either time or count", "period: 5 has no unit", "time: 1 has no unit"],
        ),
        (
            "{kind: sweep, level: 1, flat_from: 2 kHz, flat_to: 1 kHz, mask: CORNERS}".replace(
                "CORNERS", "[{frequency: 20, min: 1 dB, max: 0 dB}, {frequency: 1 kHz}]"
            ),
            [
                "flat_from must lie below flat_to",
                "level: 1 has no unit",
                "mask: min is not below max",
                "frequency: 20 has no unit",
                "mask: this corner has neither min nor max",
            ],
        ),
        (
            "{kind: tone, level: 1, band_low: 1 kHz, band_high: 100 Hz}",
            ["band_high must lie above band_low", "level: 1 has no unit"],
        ),
        # What hangs on the mistaken one is left open.
        ("{kind: tone, level: 1 W, band_low: 30, band_high: 10 Hz}", ["band_low: 30 has no unit"]),
        ("{kind: tone, level: 1 W, band_lw: 30 Hz, band_high: 10 Hz}", ['unknown key "band_lw"']),
        ("{kind: repeat, time: 5, count: 3, steps: [{kind: power_on}]}", ["time: 5 has no unit"]),
        ("{kind: repeat, time: 5, steps: [{kind: power_on}]}", ["time: 5 has no unit"]),
    ],
)
def test_a_step(told, step, words):
    found = told(f"{HEAD}  - {step}\n")
    assert len(found) == len(words), found
    assert all(each in message for each, (_, message) in zip(words, found, strict=True)), found


@pytest.mark.parametrize(
    ("step", "words"),
    [
        (
            "{id: on, kind: power_on, settle: 1 ms}",
            ["id: on without quotes", "settle: is too small"],
        ),
        ("{id: a b, kind: tone, level: 1}", ["id", "level: 1 has no unit"]),
        ("{id: [a], kind: tone, level: 1}", ["id", "level: 1 has no unit"]),
        ("{id: a, kind: idle, must_pass: perhaps, record: 1}", ["perhaps", "record: 1 has no"]),
        ("{id: a, kind: idle, limits: {humm: {max: 1}}, alone: 3}", ["humm", "neither yes nor no"]),
        # What kind it is meant to be is open.
        ("{id: a, kind: [tone], level: 1}", ["text is wanted here"]),
    ],
)
def test_a_mistaken_head_hides_no_mistake_of_the_step(told, step, words):
    found = told(f"{HEAD}  - {step}\n")
    assert len(found) == len(words), found
    assert all(each in message for each, (_, message) in zip(words, found, strict=True)), found


def test_a_limit_may_hang_on_a_step_whose_head_is_mistaken(told):
    steps = (
        "  - {id: a b, kind: tone, level: 1 W}\n  - {id: c, kind: tone, level: 1 W, limits: "
        "{h2: {max: 2 times a/h2}}}\n"
    )
    ((place, _), (_, reference)) = told(HEAD + steps)
    assert place == "4:10"
    assert 'there is no step "a"' in reference
    assert len(told(HEAD + steps.replace("a b", "on").replace("a/h2", "on/h2"))) == 1


@pytest.mark.parametrize(
    ("guard", "words"),
    [
        ("{warn: 90 degC, limit: 80 degC, period: 5}", ["warn is not below limit", "period: 5"]),
        ("{warn: 90 degC, limit: 80}", ["limit: 80 has no unit"]),
        # 85 degC lies beyond the usual limit (80 degC); who misspelt it may have meant another.
        ("{warn: 85 degC, limt: 90 degC}", ['unknown key "limt"']),
        # Without a warn of its own, a low limit is no mistake.
        ("{limit: 60 degC, period: 5}", ["period: 5 has no unit"]),
    ],
)
def test_a_guard(told, guard, words):
    step = "steps: [{kind: power_on}]\n"
    found = told(HEAD.replace("steps:\n", f"guards: {{temperature: {guard}}}\n{step}"))
    assert len(found) == len(words), found
    assert all(each in message for each, (_, message) in zip(words, found, strict=True)), found


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ("{kind: tone, level: 1 W, record: 100 s}", '"100 s" is too large; write 60 s or less'),
        ("{kind: load_check, stop_beyond: 200 %}", "is too large; write 25 % or less"),
        ("{kind: dc_offset, count: 1}", '"1" is too small; write 2 or more'),
        ("{kind: level_sweep, fine_step: 4 dB}", '"4 dB" is too large; write 3 dB or less'),
        ('{kind: question, text: ""}', "text: there is nothing between the quotes"),
    ],
)
def test_a_bound_is_told_as_it_would_be_written(told, step, words):
    ((_, message),) = told(f"{HEAD}  - {step}\n")
    assert words in message


def test_corners_out_of_order_are_told_where_they_stand(told):
    corners = "".join(f"      - {{frequency: {hz} Hz, max: 1 dB}}\n" for hz in (20, 10, 100_000))
    ((place, message),) = told(f"{HEAD}  - kind: sweep\n    mask:\n{corners}")
    assert place == "6:7"
    assert message.startswith("mask: the corner at 10 Hz comes after the one at 20 Hz")
