"""Mistakes in bench files: each at its place, with a sentence that helps, and all at once."""

import pytest

from sequencer.bench_spec import load_bench
from sequencer.errors import BenchError

BENCH = """\
bench: corner bench
generator_ceiling: 2 V
load: {resistance: 8 ohm, continuous_power: 200 W}
router_channels: {unit_1: 101, load: 201}
independent_means: [emergency stop]
instruments:
  generator:
    address: TCPIP::127.0.0.1::1::SOCKET
    accuracy: {level: 0.02 dB, frequency: 20 ppm}
  analyser:
    address: TCPIP::127.0.0.1::2::SOCKET
    ranges: [1 V, 3 V, 10 V]
    sample_rates: [48 kHz, 192 kHz]
    channels: 2
    accuracy: {level: 0.03 dB, distortion: -110 dB}
    calibration: {due: 2027-05-01}
  dmm:
    address: TCPIP::127.0.0.1::3::SOCKET
  router:
    address: TCPIP::127.0.0.1::4::SOCKET
"""

# What is written, what is written by mistake, line, column, words of the message.
MISTAKES = {
    "no unit": ("ceiling: 2 V", "ceiling: 2", 2, 20, 'write "2 mV" or "2 V"'),
    "wrong unit": ("ceiling: 2 V", "ceiling: 2 W", 2, 20, "is a power; a voltage is wanted"),
    "unknown unit": ("8 ohm", "8 ohms", 3, 20, 'unknown unit "ohms"; write "8 ohm"'),
    "other than above zero": ("ceiling: 2 V", "ceiling: 0 V", 2, 20, "more than zero"),
    "a ceiling that drives nothing sanely": (
        "ceiling: 2 V",
        "ceiling: 1000 V",
        2,
        20,
        "write 50 V or less",
    ),
    "negative load": ("8 ohm", "-8 ohm", 3, 20, "more than zero"),
    "negative range": ("[1 V, 3 V", "[1 V, -3 V", 12, 19, "more than zero"),
    "no sample rate": ("[48 kHz, ", "[0 Hz, ", 13, 20, "more than zero"),
    "a port that can't be": ("::3::SOCKET", "::99999::SOCKET", 18, 14, "ports go from 1 to 65535"),
    "port zero": ("::3::SOCKET", "::0::SOCKET", 18, 14, "ports go from 1 to 65535"),
    "another name of a role": ("  dmm:", "  multimeter:", 17, 3, 'did you mean "dmm"?'),
    "no ceiling": ("generator_ceiling: 2 V\n", "", 1, 1, '"generator_ceiling" is missing'),
    "no load": ("resistance: 8 ohm, ", "", 3, 7, '"resistance" is missing'),
    "no name": ("bench: corner bench\n", "", 1, 1, '"bench" is missing'),
    "misspelt key": (
        "generator_ceiling",
        "generator_cieling",
        2,
        1,
        'did you mean "generator_ceiling"?',
    ),
    "misspelt role": ("  dmm:", "  dmmm:", 17, 3, 'did you mean "dmm"?'),
    "misspelt inner key": ("channels: 2", "chanels: 2", 14, 5, 'did you mean "channels"?'),
    "needed role missing": (
        "  dmm:\n    address: TCPIP::127.0.0.1::3::SOCKET\n",
        "",
        6,
        1,
        "instruments lacks dmm",
    ),
    "channel in words": ("unit_1: 101", "unit_1: one", 4, 27, "a whole number is wanted here"),
    "channel with a point": ("unit_1: 101", "unit_1: 1.5", 4, 27, "a whole number"),
    "channels without a router": (
        "  router:\n    address: TCPIP::127.0.0.1::4::SOCKET\n",
        "",
        4,
        1,
        "instruments has no router",
    ),
    "range without unit": ("[1 V, 3 V", "[1, 3 V", 12, 14, 'write "1 mV" or "1 V"'),
    "rate without unit": ("[48 kHz", "[48000", 13, 20, 'write "48000 Hz"'),
    "no ranges": (
        "    ranges: [1 V, 3 V, 10 V]\n",
        "",
        10,
        3,
        "an analyser needs its ranges and its sample_rates",
    ),
    "no rates": ("sample_rates: [48 kHz, 192 kHz]", "sample_rates: []", 10, 3, "list both"),
    "too many channels": ("channels: 2", "channels: 3", 14, 15, "is too large; write 2 or less"),
    "accuracy in words": ("-110 dB", "quiet", 15, 44, "write a ratio such as"),
    "accuracy without unit": ("0.02 dB", "0.02", 9, 23, 'write "0.02 %" or "0.02 dB"'),
    "accuracy below zero": ("0.02 dB", "-0.02 dB", 9, 23, "zero or more"),
    "accuracy of nothing": ("0.02 dB", "20 dB", 9, 23, "write 50 % or less"),
    "distortion with the wrong sign": ("-110 dB", "110 dB", 15, 44, "write 100 % or less"),
    "impossible date": ("2027-05-01", "2027-13-01", 16, 24, "is no day of the calendar"),
    "no address": (
        "    address: TCPIP::127.0.0.1::3::SOCKET\n",
        "    timeout: 2 s\n",
        18,
        5,
        '"address" is missing',
    ),
    "empty address": (
        "TCPIP::127.0.0.1::3::SOCKET",
        '""',
        18,
        14,
        "there is nothing between the quotes",
    ),
    "address of another kind": (
        "TCPIP::127.0.0.1::3::SOCKET",
        "192.168.1.7:5025",
        18,
        14,
        'is no VISA address; write for example "TCPIP::192.168.1.20::5025::SOCKET"',
    ),
    "unknown driver": (
        "  dmm:\n",
        "  dmm:\n    driver: spci\n",
        18,
        13,
        "'spci' is no driver of a dmm; known are mapped, scpi",
    ),
    "unknown driver of an analyser": (
        "  analyser:\n",
        "  analyser:\n    driver: spci\n",
        11,
        13,
        "'spci' is no driver of an analyser; known are",
    ),
    "driver that can't be imported": (
        "  dmm:\n",
        "  dmm:\n    driver: nowhere.at_all:Meter\n",
        18,
        13,
        "can't be imported",
    ),
    "driver without methods": (
        "  dmm:\n",
        "  dmm:\n    driver: fractions:Fraction\n",
        18,
        13,
        "read_dc_v",
    ),
    "timeout without unit": ("  dmm:\n", "  dmm:\n    timeout: 2\n", 18, 14, 'write "2 s"'),
    "timeout of minutes": (
        "  dmm:\n",
        "  dmm:\n    timeout: 3 min\n",
        18,
        14,
        "write 30 s or less",
    ),
    "timeout of nothing": (
        "  dmm:\n",
        "  dmm:\n    timeout: 1 us\n",
        18,
        14,
        "write 10 ms or more",
    ),
    "misspelt command": (
        "  dmm:\n",
        "  dmm:\n    commands: {raed_dc: READ?}\n",
        18,
        16,
        'did you mean "read_dc"?',
    ),
    "unknown clock": (
        "load: {",
        "clock: sundial\nload: {",
        3,
        8,
        '"sundial" is unknown; known: real, simulated',
    ),
    "simulated clock without address": (
        "load: {",
        "clock: simulated\nload: {",
        3,
        1,
        "clock_address",
    ),
    "unknown backend": (
        "load: {",
        'backend: "@nosuch"\nload: {',
        3,
        10,
        'VISA backend "@nosuch" can\'t be used',
    ),
    "less for short than for long": (
        "200 W}",
        "200 W, short_term_power: 100 W}",
        3,
        7,
        "swap the two",
    ),
    "text where a list is wanted": ("[emergency stop]", "emergency stop", 5, 20, "a list"),
    "a word that others read as false": ("[emergency stop]", "[off]", 5, 21, "in quotes"),
    "a day in another form": (
        "due: 2027-05-01",
        "due: 1.5.2027",
        16,
        24,
        "write YYYY-MM-DD, such as 2027-03-31",
    ),
    "acceptance without a date": (
        "load: {",
        "cautions_accepted: {by: me}\nload: {",
        3,
        20,
        '"when" is missing',
    ),
    "a key twice": ("load: {", "bench: twice\nload: {", 3, 1, "is written twice here"),
    "a tab": ("load: {", "\tload: {", 3, 1, "a tab stands here; use spaces"),
    "a bracket left open": ("[1 V, 3 V, 10 V]", "[1 V, 3 V, 10 V", 13, 17, "bracket"),
    "an anchor": ("load: {", "load: &l {", 3, 7, "anchor"),
    "list in place of a block": (
        "load: {resistance: 8 ohm, continuous_power: 200 W}",
        "load: [8 ohm]",
        3,
        7,
        "a block of keys (name: value) is wanted here, not a list",
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


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_told_at_its_place_in_a_sentence_that_helps(mistakes_of, name):
    right, wrong, line, column, words = MISTAKES[name]
    assert BENCH.count(right) == 1
    errors = mistakes_of(BENCH.replace(right, wrong))
    told = [(e.place.line, e.place.column, e.message) for e in errors]
    assert any((at, col) == (line, column) and words in text for at, col, text in told), told
    assert all("\n" not in text for _, _, text in told)


def test_the_file_without_a_mistake_is_taken(tmp_path):
    path = tmp_path / "bench.yaml"
    path.write_text(BENCH, encoding="utf-8")
    assert load_bench(path).name == "corner bench"


def test_every_mistake_is_told_at_once(mistakes_of):
    text = BENCH
    for name in ("no unit", "misspelt inner key", "accuracy without unit", "impossible date"):
        right, wrong, *_ = MISTAKES[name]
        text = text.replace(right, wrong)
    assert [error.place.line for error in mistakes_of(text)] == [2, 9, 14, 16]


def test_mistakes_that_no_single_value_shows_are_told_together(mistakes_of):
    text = BENCH.replace("    ranges: [1 V, 3 V, 10 V]\n", "").replace(
        "  dmm:\n", "  dmm:\n    driver: spci\n"
    )
    text = text.replace("TCPIP::127.0.0.1::2::SOCKET", "here")
    assert [(e.place.line, e.place.column) for e in mistakes_of(text)] == [
        (10, 3),
        (11, 14),
        (17, 13),
    ]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\xff\xfe\x00", "UTF-8"),
        (b"just text\n", "block of keys"),
        (b"- a\n- b\n", "block of keys"),
        (b"a: " + b"[" * 5000 + b"]" * 5000, "deep"),
        (b"# " + b"x" * 1_100_000, "1 MB"),
    ],
    ids=["empty", "binary", "text", "list", "nested", "large"],
)
def test_what_is_no_bench_file_at_all_is_told(tmp_path, content, words):
    path = tmp_path / "bench.yaml"
    path.write_bytes(content)
    with pytest.raises(BenchError) as caught:
        load_bench(path)
    assert any(words in error.message for error in caught.value.errors), caught.value.errors


def test_a_missing_file_and_a_folder_are_told(tmp_path):
    for path in (tmp_path / "none.yaml", tmp_path):
        with pytest.raises(BenchError) as caught:
            load_bench(path)
        assert caught.value.errors[0].place.file == str(path)
