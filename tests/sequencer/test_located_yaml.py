"""Reading YAML with places: nothing is guessed, nothing explodes, every mistake has its line."""

import os
import time
from typing import Literal

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict

from sequencer.errors import FileError, Place
from sequencer.located_yaml import (
    MAX_BYTES,
    Node,
    Unreadable,
    compose,
    decode,
    load_yaml,
    read_file,
    validate,
)
from sequencer.quantities import Count, Flag, LevelQuantity, PositiveFrequency, Resistance


class _Inner(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    ohm: Resistance
    note: str = ""


class _Settings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    level: LevelQuantity
    frequency: PositiveFrequency | None = None
    output: Literal["single_ended", "bridged"] = "single_ended"
    title: str = ""
    words: list[str] = []
    loads: dict[str, _Inner] = {}
    count: Count = 1
    armed: Flag = False


def _errors(text: str) -> list[str]:
    try:
        return [str(error) for error in validate(_Settings, compose(text, "x.yaml"))[1]]
    except Unreadable as unreadable:
        return [str(error) for error in unreadable.errors]


def test_every_scalar_stays_text_with_its_place():
    root = compose("a: off\nb: [010, 1:30, 1e3, '7', ~]\nc: {d: 2024-01-01}\n", "x.yaml")
    assert root.plain() == {
        "a": "off",
        "b": ["010", "1:30", "1e3", "7", "~"],
        "c": {"d": "2024-01-01"},
    }
    items = root.get("b").items
    assert items[1].place == Place("x.yaml", 2, 10)
    assert items[1].place.source_line == "b: [010, 1:30, 1e3, '7', ~]"
    assert [item.quoted for item in items] == [False, False, False, True, False]
    assert root.key_place("c") == Place("x.yaml", 3, 1)


def test_columns_count_signs_not_bytes():
    root = compose("µ: {äöü: 8 Ω, b: x}\n", "x.yaml")
    inner = root.get("µ")
    assert inner.get("äöü").place.column == 10
    assert inner.key_place("b").column == 15


def test_block_text_counts_as_quoted():
    assert compose("a: |\n  off\n", "x").get("a").quoted


@pytest.mark.parametrize(
    ("text", "places_and_words"),
    [
        ("levl: 10 W\n", [("1:1", '"level" is missing; write for example "level: 10 W"'),
                          ("1:1", 'unknown key "levl"; did you mean "level"?')]),
        ("level: 10 W\nfrequency: 20\n", [("2:12", 'frequency: 20 has no unit; write "20 Hz"')]),
        ("level:\n", [("1:1", "level: nothing is written here")]),
        ("level: ~\n", [("1:8", "level: ~ means nothing in YAML; leave the line out")]),
        ("level: 1 V\ntitle: off\n", [("2:8", 'write "off" in quotes')]),
        ("level: 1 V\nwords: [a, no]\n", [("2:12", 'write "no" in quotes')]),
        ("level: 1 V\noutput: bridgd\n", [("2:9", '"bridgd" is unknown; did you mean "bridged"')]),
        ("level: 1 V\ncount: 010\n", [("2:8", "write 10")]),
        ("level: 1 V\ncount: 2.5\n", [("2:8", "not a whole number")]),
        ("level: 1 V\narmed: maybe\n", [("2:8", "write true or false")]),
        ("level: {a: b}\n", [("1:8", "a level such as")]),
        ("level: 1 V\ntitle: [a]\n", [("2:8", "text is wanted here, not a list")]),
        ("level: 1 V\nwords: text\n", [("2:8", 'a list (lines that begin with "- ")')]),
        ("level: 1 V\nloads: 5\n", [("2:8", "a block of keys")]),
        ("level: 1 V\nloads:\n  a: {ohm: 8, nte: x}\n",
         [("3:12", 'ohm: 8 has no unit; write "8 ohm"'), ("3:15", 'did you mean "note"')]),
        ("level: 1 V\nloads: {a: {}}\n", [("2:12", '"ohm" is missing')]),
        ("[]", [("1:1", "a block of keys")]),
        ("text", [("1:1", "a block of keys")]),
    ],
)  # fmt: skip
def test_settings_mistakes_stand_at_their_place(text, places_and_words):
    found = _errors(text)
    assert len(found) == len(places_and_words)
    for error, (place, words) in zip(found, places_and_words, strict=True):
        assert error.startswith(f"x.yaml:{place}: ")
        assert words in error


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("a: b: c", "1:5", 'a second ":"'),
        ("a: 'x\nb: 1\n", "1:4", "never closed"),
        ("b: 1\na: [1, 2\n", "2:4", "a bracket is not closed"),
        ("b: {a: 1 V, c 5}}", "1:17", "fit to the ones above, or a bracket is too many"),
        ("a: &x 1\n", "1:4", "anchors"),
        ("a: 1\nb: *a\n", "2:4", "aliases"),
        ("a: !!python/object:os.system 1", "1:4", "tags"),
        ("- a\nb: c", "2:1", "doesn't fit to the list"),
        ("a:\n  - b\n c: d", "3:2", "indent the entries"),
        ("a:\n\tb: 1", "2:1", "a tab stands here"),
        ("a: 1\na: 2", "2:1", "written twice here, first in line 1"),
        ("a: {b: 1, b: 2}", "1:11", "written twice"),
        ("a: 1\n---\nb: 2", "2:1", "second document"),
        ("", "1:1", "the file is empty"),
        ("# only words\n", "1:1", "the file is empty"),
        ("---\n", "1:1", "the file is empty"),
        ('a: "\\x1b[31m"', "1:4", "invisible control character"),
        ("a: x\x1b[31m", "1:5", "U+001B"),
        ("a: x\u2028b: c", "1:5", "U+2028"),
        ("a: x\u202eb", "1:5", "U+202E"),
        ("a: @x", "1:4", "can't begin with this sign"),
        ("{{x}}: y", "1:2", "brackets can't be a name"),
        ("a: 1\nb\nc: 2", "2:1", 'the ":" after a name is missing'),
    ],
)
def test_what_is_not_our_yaml_is_explained_at_its_place(text, place, words):
    with pytest.raises(Unreadable) as caught:
        compose(text, "x.yaml")
    first = str(caught.value.errors[0])
    assert first.startswith(f"x.yaml:{place}: ")
    assert words in first


def test_all_tabs_and_doubled_keys_are_found_at_once():
    with pytest.raises(Unreadable) as caught:
        compose("a: 1\na: 2\nb: 3\nb: 4\n", "x")
    assert [error.place.line for error in caught.value.errors] == [2, 4]
    with pytest.raises(Unreadable) as caught:
        compose("a:\n\tb: 1\n\tc: 2\n", "x")
    assert [error.place.line for error in caught.value.errors] == [2, 3]


def test_a_tab_in_a_comment_or_blank_line_does_no_harm():
    assert compose("\t# words\na: 1\n\t\n", "x").plain() == {"a": "1"}


@pytest.mark.parametrize(
    "text",
    [
        "[" * 5000,
        "- " * 5000 + "x",
        "{a: " * 5000,
        "".join(" " * level + "a:\n" for level in range(1300)),
        "? " * 400_000,
        "a: [" + "1," * 400_000 + "]",
        "\n".join(f"key{number}: value" for number in range(60_000)),
        "a: &a [x, x]\n" + "\n".join(f"b{i}: &b{i} [*a, *a, *a, *a]" for i in range(1000)),
    ],
)
def test_bombs_are_refused_at_once(text):
    """5,000 levels, a million entries, exploding anchors: a clean error, no recursion, no wait."""
    begun = time.perf_counter()
    with pytest.raises(Unreadable):
        compose(text, "x")
    assert time.perf_counter() - begun < 5.0


def test_byte_order_mark_and_windows_line_ends_are_taken():
    assert decode(b"\xef\xbb\xbfa: 1\r\nb: 2\r\n", "x") == "a: 1\nb: 2\n"


@pytest.mark.parametrize(
    ("content", "place", "words"),
    [
        ("a: 1".encode("utf-16"), "1:1", "UTF-16"),
        ("a: 1".encode("utf-16-le"), "1:1", "UTF-16"),
        ("a: 1".encode("utf-32"), "1:1", "UTF-16"),
        (b"a: 1\nb: \xb5V\n", "2:4", "not UTF-8"),
        (b"#" * (MAX_BYTES + 1), "1:1", "larger than 1 MB"),
    ],
)
def test_other_encodings_and_huge_files_are_refused(content, place, words):
    with pytest.raises(Unreadable) as caught:
        decode(content, "x")
    first = str(caught.value.errors[0])
    assert first.startswith(f"x:{place}: ")
    assert words in first


def test_paths_that_are_no_readable_file_are_refused(tmp_path):
    assert "no such file" in str(load_yaml(tmp_path / "none.yaml")[1][0])
    assert "folder" in str(load_yaml(tmp_path)[1][0])
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    assert "not an ordinary file" in str(load_yaml(pipe)[1][0])
    assert "can't be read" in str(load_yaml(tmp_path / ("x" * 300))[1][0])
    assert "can't be read" in str(load_yaml(tmp_path / "a\0b")[1][0])
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    assert load_yaml(loop)[0] is None


def test_a_huge_file_is_not_read_whole(tmp_path):
    path = tmp_path / "huge.yaml"
    with path.open("wb") as file:
        file.truncate(100_000_000)
    root, errors = load_yaml(path)
    assert root is None
    assert "larger than 1 MB" in str(errors[0])


def test_a_file_is_shown_under_the_name_given(tmp_path):
    path = tmp_path / "a.yaml"
    path.write_text("a: 1\n")
    assert read_file(path, name="short.yaml").root.get("a").place == Place("short.yaml", 1, 4)
    assert read_file(path).name == str(path)


def test_file_errors_carry_nothing_that_a_terminal_would_obey():
    error = FileError(Place("a\x1b[2J.yaml", 1, 2, "x: \x07"), "bad \x9b31m\nthing")
    text = "\n".join(error.lines())
    assert "\x1b" not in text
    assert "\x9b" not in text
    assert text.count("\n") == 1
    assert error.to_json()["file"] == "a\\x1b[2J.yaml"


def _depth(node: Node) -> int:
    inner = [value for _, value in node.entries] + list(node.items)
    return 1 + max((_depth(child) for child in inner), default=0)


@given(st.text(alphabet="ab:-[]{},'\"#|>&*!%@ \n\t01?~\\", max_size=60))
def test_any_text_is_a_tree_or_an_explained_mistake(text):
    try:
        depth, mistakes = _depth(compose(text, "x")), 0
    except Unreadable as unreadable:
        depth, mistakes = 0, len(unreadable.errors)
    assert 1 <= depth <= 60 or mistakes


_TEXTS = st.text(alphabet="abcxyz 0:1,.%°µ#-'\"<>[]{}&*!|", max_size=12)


@given(
    st.recursive(
        _TEXTS,
        lambda inner: (
            st.lists(inner, max_size=3) | st.dictionaries(_TEXTS.filter(bool), inner, max_size=3)
        ),
        max_leaves=8,
    ).filter(lambda tree: tree not in ("",))
)
def test_what_pyyaml_writes_is_read_back(tree):
    """PyYAML's own writer is the check on our reader."""
    assert compose(yaml.safe_dump(tree, allow_unicode=True), "x").plain() == tree
