"""Answers of the operator: what is read from them, and what is said of those that can't be right."""

import pytest

from sequencer.operator_readings import ASKED, Answer, parse_answer
from sequencer.steps.registry import kinds


@pytest.mark.parametrize(
    ("reading", "text", "answer"),
    [
        ("insulation", "20 Mohm", Answer(value=20e6)),
        ("insulation", " >500 Mohm ", Answer(value=500e6, is_least=True)),
        ("insulation", "≥500 Mohm", Answer(value=500e6, is_least=True)),
        ("earth_bond", "<=0.01 ohm", Answer(value=0.01, is_most=True)),
        # Nothing at the reservoir, at a test point, or of the mains is a reading like any other.
        ("reservoir_voltage", "0 V", Answer(value=0.0)),
        ("bias", "0 mV", Answer(value=0.0)),
        ("mains_voltage", "0 V", Answer(value=0.0)),
        ("bias", "-17.6 mV", Answer(value=-0.0176)),
        ("temperature", "-5 degC", Answer(value=-5.0)),
    ],
)
def test_an_answer_is_a_value_or_a_bound(reading, text, answer):
    assert parse_answer(reading, text) == answer


@pytest.mark.parametrize("text", ["-5 ohm", ">-5 ohm", "< -1 mohm"])
@pytest.mark.parametrize("reading", ["earth_bond", "insulation", "load_resistance"])
def test_a_resistance_is_not_negative(reading, text):
    with pytest.raises(ValueError, match="can't be below zero"):
        parse_answer(reading, text)


@pytest.mark.parametrize("text", ["0 {}", "-0 {}", "0.00 {}", "<0 {}", "<=0 {}", ">0 {}"])
@pytest.mark.parametrize(
    ("reading", "unit", "instead"),
    [
        ("earth_bond", "ohm", "<0.01 ohm"),
        ("insulation", "Mohm", "<0.1 Mohm"),
        ("load_resistance", "ohm", "<0.1 ohm"),
        ("leakage_current", "mA", "<0.01 mA"),
    ],
)
def test_no_resistance_and_no_leakage_is_exactly_nothing(reading, unit, instead, text):
    """A tester that is not connected shows it, and it would pass as a perfect earth bond."""
    with pytest.raises(
        ValueError, match="never exactly zero: look whether the tester is"
    ) as caught:
        parse_answer(reading, text.format(unit))
    assert f'such as "{instead}"' in str(caught.value)
    assert parse_answer(reading, instead).is_most


@pytest.mark.parametrize(
    ("reading", "text"), [("mains_voltage", "<0 V"), ("temperature", "<-273.15 degC")]
)
def test_nothing_is_below_the_least_it_can_be(reading, text):
    with pytest.raises(ValueError, match="can't be below"):
        parse_answer(reading, text)


def test_nothing_is_colder_than_absolute_zero():
    # -273.15 degC, by definition of the Celsius scale (SI brochure, 9th edition, 2.3.1).
    with pytest.raises(ValueError, match="can't be below"):
        parse_answer("temperature", "-274 degC")


@pytest.mark.parametrize(
    "text", ["OL", "o.l.", "OVL", "over range", "overload", ">OL", "inf", "∞", "open"]
)
def test_over_range_alone_is_asked_for_the_end_of_the_range(text):
    with pytest.raises(ValueError, match=r"beyond the instrument's range.*>500 Mohm"):
        parse_answer("insulation", text)


@pytest.mark.parametrize("text", ["", ">", "500", ">500", "ohm", "5 V", "> 5 V", "fine", "1 2 ohm"])
def test_what_is_no_resistance_is_refused_in_words(text):
    with pytest.raises(ValueError, match=r"."):
        parse_answer("insulation", text)


@pytest.mark.parametrize("reading", ASKED)
def test_the_examples_are_answers(reading):
    asked = ASKED[reading]
    assert parse_answer(reading, asked.example).value > 0.0
    assert parse_answer(reading, asked.over_range).is_least


def test_the_kind_knows_them_all():
    kind = kinds()["operator_reading"]
    assert set(kind.known_readings) == set(ASKED)
    reading = kind.settings.model_fields["reading"].annotation
    assert set(reading.__args__) == set(ASKED)
