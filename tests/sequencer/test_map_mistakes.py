"""Mistakes in the command maps of a bench file: each at its place, with a sentence that helps."""

import pytest

from sequencer.bench_spec import load_bench
from sequencer.errors import BenchError
from sim_instruments import plain_maps
from sim_instruments.assembly import ROLES
from sim_instruments.bench_file import bench_entries, mapped_entries, to_text

ADDRESSES = {
    name: f"TCPIP::127.0.0.1::{port}::SOCKET" for port, name in enumerate((*ROLES, "clock"), 5025)
}
BENCH = to_text(
    mapped_entries(bench_entries(ADDRESSES), plain_maps.COMMANDS, plain_maps.IDENTITIES)
)

# What is written, what is written by mistake, the text under the column, words of the message.
MISTAKES = {
    "misspelt field": (
        "      set_level: ",
        "      set_levl: ",
        "set_levl",
        '"set_levl" is not known; did you mean "set_level"?',
    ),
    "field of another role": (
        "      read_dc: DCV",
        "      read_dc: DCV\n      read_power: POW",
        "read_power",
        '"read_power" is not known',
    ),
    "misspelt placeholder": (
        '"LEN {points}"',
        '"LEN {pionts}"',
        "set_points",
        "set_points: {pionts} is not known here; did you mean {points}?",
    ),
    "placeholder in one message of several": (
        '"DC {offset_mv:.6f}"',
        '"DC {level_mv:.6f}"',
        '"DC {level_mv:.6f}"',
        "set_sine: {level_mv} is not known here",
    ),
    "format that could fail": (
        '"CLK {rate_khz:.9G}"',
        '"CLK {rate_khz:>99999999}"',
        "set_rate",
        "has a form that is not taken",
    ),
    "brace that is not closed": (
        '"SPAN {range:.6G}"',
        '"SPAN {range:.6G"',
        "set_range",
        "can't be filled in",
    ),
    "unknown unit": (
        "level_unit: dbv\n      noise",
        "level_unit: dbw\n      noise",
        "level_unit",
        'did you mean "dbv"?',
    ),
    "unknown byte order": ("byte_order: little", "byte_order: small", "byte_order", "known are"),
    "number in words": (
        "silence_level: -200",
        "silence_level: quiet",
        "silence_level",
        "silence_level: 'quiet' is not a number",
    ),
    "nothing where it is needed": (
        "      output_off: MUTE ON",
        "      output_off: null",
        "output_off",
        "output_off: the generator can't do without this; give the messages for it",
    ),
    "needed message left out": (
        "      start: GRAB\n",
        "",
        "commands",
        "start: the analyser can't do without this; give the messages for it",
    ),
    "silence that has no level": (
        "      silence_level: -200\n",
        "",
        "commands",
        "silence_level: needed, because silence has no level in dbv",
    ),
    "words that mean both": (
        'output_is_on: "0"',
        'output_is_on: ["0", "1"]',
        "output_is_on",
        "output_is_on: 1 stands in output_is_off too",
    ),
    "acknowledgement of a joined message": (
        '      acknowledgement: "+"',
        '      acknowledgement: "+"\n      joiner: ";"',
        "joiner",
        "takes them one by one; set it null",
    ),
    "empty list": (
        "      answer_units: [mV, ohm]",
        "      answer_units: []",
        "answer_units",
        "null",
    ),
    "list within a list": (
        "[WAVE MUSIC, ",
        "[[WAVE MUSIC], ",
        "[WAVE MUSIC]",
        "is not text",
    ),
    "unknown base": (
        "      base: nothing\n      error",
        "      base: nothin\n      error",
        "base",
        "no base",
    ),
    "termination that is none": (
        "      read_termination: CR LF\n      acknowledgement: DONE",
        "      read_termination: newline\n      acknowledgement: DONE",
        "read_termination",
        "write for instance CR LF",
    ),
}


@pytest.fixture
def mistakes_of(tmp_path):
    def load(text):
        path = tmp_path / "bench.yaml"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(BenchError) as caught:
            load_bench(path)
        return caught.value.errors

    return load


def under(text, error):
    """What stands in the text at the place of an error, to the end of its line."""
    return text.splitlines()[error.place.line - 1][error.place.column - 1 :]


def mistaken(name):
    right, wrong, *_ = MISTAKES[name]
    assert BENCH.count(right) == 1, BENCH.count(right)
    return BENCH.replace(right, wrong)


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_in_a_map_is_told_where_it_stands(mistakes_of, name):
    text = mistaken(name)
    _, _, place, words = MISTAKES[name]
    (error,) = mistakes_of(text)
    assert words in error.message
    assert under(text, error).startswith(place)
    assert error.source_line == text.splitlines()[error.place.line - 1]


def test_a_control_character_by_an_escape_is_answered_with_its_name(mistakes_of):
    text = BENCH.replace("write_termination: CR LF\n", 'write_termination: "\\r\\n"\n', 1)
    (error,) = mistakes_of(text)
    assert under(text, error) == '"\\r\\n"'
    assert "CR LF" in error.message


def test_the_mistakes_of_all_maps_are_told_at_once(mistakes_of):
    text = BENCH
    names = ("misspelt field", "misspelt placeholder", "list within a list", "unknown byte order")
    for name in names:
        right, wrong, *_ = MISTAKES[name]
        text = text.replace(right, wrong)
    errors = mistakes_of(text)
    assert sorted(under(text, error).split(":")[0] for error in errors) == [
        '[WAVE MUSIC], "A1 {level',
        "byte_order",
        "set_levl",
        "set_points",
    ]
    assert len({error.place.line for error in errors}) == 4
