"""Quantities and levels: check values from definitions, round trips, and sentences for mistakes."""

import math
from typing import Annotated

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, ValidationError

from sequencer.quantities import (
    DBU_REFERENCE_V,
    Count,
    Duration,
    Flag,
    Frequency,
    LevelKind,
    LevelQuantity,
    Number,
    PositiveFrequency,
    Ratio,
    Voltage,
    at_least,
    at_most,
    format_quantity,
    parse_count,
    parse_flag,
    parse_level,
    parse_number,
    parse_quantity,
)
from sequencer.units import DIMENSIONS, units_of


@pytest.mark.parametrize(
    ("text", "dimension", "si"),
    [
        # SI Brochure, 9th edition, table 7: the prefixes; min, h, d are its table 8.
        ("20 mV", "voltage", 0.02),
        ("20mV", "voltage", 0.02),
        ("150 uV", "voltage", 150e-6),
        ("150 µV", "voltage", 150e-6),  # U+00B5 micro sign
        ("150 μV", "voltage", 150e-6),  # U+03BC Greek mu
        ("-1.5e-3 kV", "voltage", -1.5),
        ("+.5 V", "voltage", 0.5),
        ("−3 V", "voltage", -3.0),  # U+2212 minus sign
        ("1 kHz", "frequency", 1000.0),
        ("0.5 MHz", "frequency", 500e3),
        ("5 mHz", "frequency", 0.005),
        ("20 min", "time", 1200.0),
        ("8 h", "time", 28800.0),
        ("3 d", "time", 259200.0),
        ("250 ms", "time", 0.25),
        ("120 W", "power", 120.0),
        ("8 ohm", "resistance", 8.0),
        ("8 Ω", "resistance", 8.0),  # U+03A9 Greek capital omega
        ("8 \u2126", "resistance", 8.0),  # the ohm sign
        ("2 Mohm", "resistance", 2e6),
        ("2 mohm", "resistance", 0.002),
        ("80 degC", "temperature", 80.0),
        ("80 °C", "temperature", 80.0),
        ("5 K", "temperature_difference", 5.0),
        ("6 K/min", "temperature_rate", 0.1),
        ("20 mA", "current", 0.02),
        ("0.01 %", "ratio", 1e-4),
        ("50 ppm", "ratio", 50e-6),
        # IEC 60027-3: the level difference of a field quantity is 20 lg of the ratio.
        ("-90 dBc", "ratio", 10.0**-4.5),
        ("-80 dB", "ratio", 1e-4),
        ("29 dB", "gain_db", 29.0),
        ("0.5 dB", "decibel", 0.5),
        ("10 nV/rtHz", "noise_density", 10e-9),
    ],
)
def test_text_with_a_unit_gives_the_si_value(text, dimension, si):
    assert parse_quantity(text, dimension) == pytest.approx(si, rel=1e-15)


def test_decimal_text_gives_the_nearest_float():
    """Scaling is decimal: 0.07 V and 70 mV are the same float."""
    for text, same in (("70 mV", 0.07), ("1.1 uV", 1.1e-6), ("0.02 %", 0.0002), ("3 kHz", 3e3)):
        dimension = {"V": "voltage", "%": "ratio", "z": "frequency"}[text[-1]]
        assert parse_quantity(text, dimension) == same


# Level references and conversions: definitions (0 dBu is the voltage of 1 mW in 600 ohm).
@pytest.mark.parametrize(
    ("vrms", "dbv", "dbu"),
    [
        (10.0, 20.0, 22.2184875),
        (1.0, 0.0, 2.218487496),
        (0.1, -20.0, -17.7815125),
        (1.2277, 1.781845117, 4.000332613),
        (28.2842712, 29.03089986, 31.24938735),
        (0.0001, -80.0, -77.7815125),
        (1.0e-06, -120.0, -117.7815125),
    ],
)
def test_dbv_and_dbu_follow_their_definitions(vrms, dbv, dbu):
    rel = 1.2e-5  # 0.0001 dB
    assert parse_level(f"{dbv} dBV").to_vrms(8.0) == pytest.approx(vrms, rel=rel)
    assert parse_level(f"{dbu} dBu").to_vrms(8.0) == pytest.approx(vrms, rel=rel)
    assert parse_quantity(f"{dbu} dBu", "voltage") == pytest.approx(vrms, rel=rel)


def test_zero_dbu_is_the_root_of_0p6_volts():
    assert parse_level("0 dBu").to_vrms(8.0) == DBU_REFERENCE_V
    assert pytest.approx(0.7745966692, rel=1e-9) == DBU_REFERENCE_V
    assert math.sqrt(1e-3 * 600.0) == pytest.approx(DBU_REFERENCE_V, rel=1e-15)


@pytest.mark.parametrize(
    ("load_ohm", "watts_at_10_v", "volts_at_100_w"),
    [(4.0, 25.0, 20.0), (8.0, 12.5, 28.28427125), (10.0, 10.0, 31.6227766), (16.0, 6.25, 40.0)],
)
def test_power_in_a_load_is_voltage_squared_over_resistance(
    load_ohm, watts_at_10_v, volts_at_100_w
):
    level = parse_level("+20 dBV")
    assert level.to_vrms(load_ohm) == pytest.approx(10.0, rel=1e-12)
    assert level.to_watts(load_ohm) == pytest.approx(watts_at_10_v, rel=1e-12)
    assert parse_level("100 W").to_vrms(load_ohm) == pytest.approx(volts_at_100_w, rel=1e-6)
    assert parse_level("20 dBW").to_vrms(load_ohm) == pytest.approx(volts_at_100_w, rel=1e-6)


def test_peak_levels_are_those_of_a_sine():
    """40 V peak is 100 W in 8 ohm."""
    assert parse_level("40 Vp").to_watts(8.0) == pytest.approx(100.0)
    assert parse_level("80 Vpp").to_watts(8.0) == pytest.approx(100.0)
    assert parse_level("500 mVpp").kind is LevelKind.PEAK_TO_PEAK


@pytest.mark.parametrize(
    ("text", "watts"),
    [
        ("10 W, at most 1/2 of rated power", (10.0, 10.0, 4.0)),
        ("10 W at most 50 % of rated power", (10.0, 10.0, 4.0)),
        # 8 V across 8 ohm are 8 W, +10 dBW are 10 W.
        ("8 V, at most rated power", (8.0, 8.0, 8.0)),
        ("+10 dBW, at most 1/4 of rated power", (10.0, 5.0, 2.0)),
        ("1/2 of rated power, at most 1/4 of rated power", (25.0, 5.0, 2.0)),
    ],
)
def test_a_level_may_end_at_a_part_of_rated_power(text, watts):
    level = parse_level(text)
    for rated, watt in zip((100.0, 20.0, 8.0), watts, strict=True):
        assert level.to_watts(8.0, rated) == pytest.approx(watt)
        assert level.to_vrms(8.0, rated) == pytest.approx(math.sqrt(watt * 8.0))
    assert level.needs_load
    assert str(level) == text


@pytest.mark.parametrize("text", ["10 W, at most", "10 W, at most 5 W", "10 W at most half"])
def test_a_level_ends_at_nothing_else(text):
    with pytest.raises(ValueError, match='write for example "10 W, at most 1/2 of rated power"'):
        parse_level(text)


def test_a_level_can_be_a_part_of_rated_power():
    for text in ("1/8 of rated power", "12.5 % of rated power", "1/8 of rated_power"):
        level = parse_level(text)
        assert level.needs_load
        assert level.to_watts(8.0, rated_power_w=100.0) == pytest.approx(12.5)
    assert parse_level("rated power").to_vrms(8.0, 100.0) == pytest.approx(28.28427125)
    with pytest.raises(ValueError, match="rated_power_w"):
        parse_level("rated power").to_vrms(8.0)


def test_watts_without_a_load_are_refused():
    with pytest.raises(ValueError, match="load_ohm"):
        parse_level("10 W").to_vrms(0.0)
    assert not parse_level("10 V").needs_load


@pytest.mark.parametrize(
    ("text", "dimension", "sentence"),
    [
        ("20", "voltage", '20 has no unit; write "20 mV" or "20 V"'),
        ("20 mv", "voltage", 'unknown unit "mv"; write "20 mV"'),
        ("20 m", "time", 'unknown unit "m"; write "20 min" or "20 ms"'),
        ("5 mhz", "frequency", 'unknown unit "mhz"; write "5 mHz" or "5 MHz"'),
        ("2 kHz", "voltage", "2 kHz is a frequency; a voltage is wanted"),
        ("0,5 V", "voltage", 'write a decimal point, such as "0.5 V"'),
        ("1,000 Hz", "frequency", "has a comma"),
        ("abc", "time", 'write a time such as "20 s" or "20 min"'),
        ("", "time", "is not a number with a unit"),
        ("1.2.3 V", "voltage", "is not a number"),
        ("1e999 V", "voltage", "out of all proportion"),
        ("1e-400 V", "voltage", "out of all proportion"),
        ("4000 dBV", "voltage", "out of all proportion"),
        ("inf V", "voltage", "is not a number"),
        ("nan V", "voltage", "is not a number"),
        ("٣ V", "voltage", "is not a number"),  # an Arabic-Indic digit
        ("20 sec", "time", 'write "20 s"'),
        ("1:30", "time", 'write "90 s" or "1.5 min"'),
        ("1:00:00", "time", 'write "3600 s" or "60 min"'),
        ("300 K", "temperature", "K is for differences"),
        ("5 degC", "temperature_difference", 'write "5 K"'),
        ("0.5 %", "decibel", "is a ratio; a ratio in decibels is wanted"),
        ("10 percent", "ratio", 'write "10 %"'),
        ("9" * 200 + " V", "voltage", "too long"),
        ("20 furlongs", "time", "write a time in"),
    ],
)
def test_mistakes_are_answered_with_what_would_be_right(text, dimension, sentence):
    with pytest.raises(ValueError, match=r".") as caught:
        parse_quantity(text, dimension)
    assert sentence in str(caught.value)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("20", 'write "20 V", "20 dBV" or "20 W"'),
        ("5 kHz", "a level is wanted"),
        ("3 dBm", "dBm needs a line impedance"),
        ("-3 V", "below zero"),
        ("-1 W", "below zero"),
        ("1/0 of rated power", "divides by zero"),
        ("900 % of rated power", "out of proportion"),
        ("loud", 'write "20 V", "+20 dBV"'),
        ("10 w", 'write "10 W"'),
    ],
)
def test_mistaken_levels_are_explained(text, sentence):
    with pytest.raises(ValueError, match=r".") as caught:
        parse_level(text)
    assert sentence in str(caught.value)


@given(st.text(max_size=100), st.sampled_from(DIMENSIONS))
def test_any_text_is_a_finite_number_or_an_explained_mistake(text, dimension):
    try:
        value = parse_quantity(text, dimension)
    except ValueError as error:
        explained = str(error)
    else:
        explained = f"{text} is finite" if math.isfinite(value) else ""
    assert len(explained) > 10


@given(st.text(max_size=60))
def test_any_text_is_a_level_or_an_explained_mistake(text):
    try:
        vrms = parse_level(text).to_vrms(8.0, 100.0)
    except ValueError as error:
        explained = str(error)
    else:
        explained = f"{text} is a level" if vrms >= 0.0 else ""
    assert len(explained) > 10


@given(
    st.sampled_from(DIMENSIONS),
    st.decimals(-99999, 99999, places=4),
    st.data(),
)
def test_every_unit_is_proportional(dimension, number, data):
    """Twice the number is twice the value, for units that aren't logarithmic."""
    linear = [unit for unit in units_of(dimension) if not unit.startswith("dB")]
    if not linear:
        return
    unit = data.draw(st.sampled_from(linear))
    number /= 1000 if dimension == "time" else 1  # 200 d are no longer than a year
    once = parse_quantity(f"{number} {unit}", dimension)
    assert parse_quantity(f"{number * 2} {unit}", dimension) == pytest.approx(2.0 * once, rel=1e-14)


_ROUND_TRIP = {
    "V": "voltage",
    "W": "power",
    "Hz": "frequency",
    "s": "time",
    "ohm": "resistance",
    "A": "current",
    "V/rtHz": "noise_density",
    "F": "capacitance",
}


@pytest.mark.parametrize("text", ["1e9 h", "-1e9 h", "367 d", "8800 h", "1e300 s"])
def test_a_time_longer_than_a_year_is_no_time(text):
    with pytest.raises(ValueError, match="longer than a year; check number and unit"):
        parse_quantity(text, "time")


@given(st.sampled_from(sorted(_ROUND_TRIP)), st.floats(-9, 9), st.integers(2, 9))
def test_text_for_people_reads_back_to_its_digits(unit, exponent, digits):
    value = 10.0 ** min(exponent, 7.0 if unit == "s" else 9.0)  # 10^7 s are a third of a year
    text = format_quantity(value, unit, digits=digits)
    assert parse_quantity(text, _ROUND_TRIP[unit]) == pytest.approx(
        value, rel=0.51 * 10 ** (1 - digits)
    )


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.02, "V", "20 mV"),
        (1200.0, "Hz", "1.2 kHz"),
        (0.99996, "V", "1 V"),
        (0.0, "V", "0 V"),
        (-0.0153, "V", "-15.3 mV"),
        (90.0, "s", "90 s"),
        (1200.0, "s", "20 min"),
        (28800.0, "s", "8 h"),
        (2.8e-8, "%", "0.028 ppm (-151.1 dB)"),  # 20 lg 2.8e-8 = -151.06 dB
        (1e-6, "%", "0.0001 % (-120.0 dB)"),
        (6.3e-5, "%", "0.0063 % (-84.0 dB)"),  # 20 lg 6.3e-5 = -84.013 dB
        (0.0, "%", "0 %"),
        (29.0123, "dB", "29.01 dB"),
        (62.0, "1", "62"),
        (25.03, "degC", "25.0 °C"),
        (math.nan, "V", "no number"),
    ],
)
def test_values_are_shown_as_a_technician_writes_them(value, unit, text):
    assert format_quantity(value, unit) == text


def test_the_digits_follow_the_uncertainty():
    """Two significant digits of the uncertainty, the value to the same place (JCGM 100 7.2.6)."""
    assert format_quantity(10.05762, "ohm", uncertainty=0.027) == "(10.058 ± 0.027) ohm"
    assert format_quantity(0.02, "V", uncertainty=0.0006) == "(20.00 ± 0.60) mV"
    assert format_quantity(1e-4, "%", uncertainty=1.1e-5) == "(0.0100 ± 0.0011) % (-80.0 dB)"
    assert format_quantity(0.0, "V", uncertainty=0.001) == "(0.0 ± 1.0) mV"
    assert format_quantity(1.0, "V", uncertainty=0.0) == "1 V"


@pytest.mark.parametrize(("text", "count"), [("3", 3), ("1e3", 1000), ("+7", 7), ("0", 0)])
def test_counts_are_whole_numbers(text, count):
    assert parse_count(text) == count


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("010", "write 10"),
        ("2.5", "not a whole number"),
        ("3 V", "has a unit"),
        ("0x10", "unit"),
        ("1_000", "is not a number"),
        ("1e300", "not a whole number"),
    ],
)
def test_counts_that_are_not_plain_are_refused(text, sentence):
    with pytest.raises(ValueError, match=r".") as caught:
        parse_count(text)
    assert sentence in str(caught.value)


def test_flags_are_words():
    assert [parse_flag(word) for word in ("true", "yes", "On")] == [True, True, True]
    assert [parse_flag(word) for word in ("false", "no", "OFF")] == [False, False, False]
    with pytest.raises(ValueError, match="write true or false"):
        parse_flag("maybe")
    assert parse_number("1e-3") == 0.001


class _Settings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    level: LevelQuantity
    frequency: PositiveFrequency
    range: Voltage = 1.0
    dwell: Annotated[Duration, at_least("1 s", "time"), at_most("72 h", "time")] = 1.0
    share: Ratio = 0.5
    times: Count = 1
    factor: Number = 1.0
    armed: Flag = False


def test_settings_hold_si_values_and_take_text_only():
    settings = _Settings.model_validate(
        {"level": "10 W", "frequency": "1 kHz", "dwell": "2 min", "times": "3", "armed": "on"}
    )
    assert settings.level.to_vrms(8.0) == pytest.approx(math.sqrt(80.0))
    assert (settings.frequency, settings.dwell, settings.times) == (1000.0, 120.0, 3)
    assert settings.armed is True
    for key, value in (
        ("frequency", 1000),
        ("frequency", "-1 kHz"),
        ("frequency", ["1 kHz"]),
        ("dwell", "80 h"),
        ("dwell", "0.5 s"),
        ("level", {"volts": "1 V"}),
    ):
        with pytest.raises(ValidationError):
            _Settings.model_validate({"level": "10 W", "frequency": "1 kHz", key: value})


def test_the_editor_schema_asks_for_text_with_a_unit():
    schema = _Settings.model_json_schema()["properties"]
    assert schema["range"]["type"] == "string"
    assert schema["range"]["pattern"].endswith(r"\s*$")
    assert schema["level"]["examples"] == ["10 W"]


class _Plain(BaseModel):
    frequency: Frequency


def test_plain_types_are_interchangeable_with_positive_ones():
    assert _Plain.model_validate({"frequency": "0 Hz"}).frequency == 0.0
    with pytest.raises(ValidationError, match="more than zero"):
        _Settings.model_validate({"level": "1 V", "frequency": "0 Hz"})


def test_milliohms_are_shown_as_ohms_lest_they_are_taken_for_megohms():
    assert format_quantity(0.3, "ohm") == "0.3 ohm"
    assert format_quantity(0.0123, "ohm", uncertainty=0.0011) == "(0.0123 ± 0.0011) ohm"
    assert format_quantity(120e6, "ohm") == "120 Mohm"
