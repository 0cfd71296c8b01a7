"""What was done to a journal's lines is named, and nothing that was not done."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.chain import End, Line, examined
from sequencer.journal import FIRST_PREV, sha256_hex

COUNT = 9


def _written(count=COUNT):
    """The lines of a journal, as bytes."""
    lines, prev = [], FIRST_PREV
    for number in range(count):
        lines.append(json.dumps({"seq": number, "prev": prev, "event": f"e{number}"}).encode())
        prev = sha256_hex(lines[-1])
    return lines


def _end():
    return End(COUNT, sha256_hex(_written()[-1]))


def _examined(contents, end):
    lines = []
    for place, content in enumerate(contents, start=1):
        try:
            says = json.loads(content)
        except ValueError:
            says = None
        lines.append(Line(place, sha256_hex(content), says))
    return examined(lines, end)


def _breaks(contents, end=None):
    return _examined(contents, end).breaks


def _changed(line, **new):
    return json.dumps({**json.loads(line), **new}).encode()


ENDS = [None, _end()]
PLACES = range(COUNT)
# The last line of a journal without a summary is confirmed by nothing, so it confirms nothing.
KNOWN = [(at, end) for at in PLACES for end in ENDS if end or at < COUNT - 2]


@pytest.mark.parametrize("end", ENDS)
def test_lines_as_they_were_written_are_whole(end):
    found = _examined(_written(), end)
    assert (found.breaks, found.is_whole) == ((), True)
    assert [line.place for line in found.lines] == [*range(1, COUNT + 1)]


@pytest.mark.parametrize(("at", "end"), KNOWN)
@pytest.mark.parametrize("new", [{"event": "x"}, {"prev": "x"}, {"seq": 77}, {"seq": "x"}])
def test_a_changed_line_alone_is_named(at, end, new):
    lines = _written()
    lines[at] = _changed(lines[at], **new)
    (told,) = _breaks(lines, end)
    assert told.startswith(f"line {at + 1} was changed")


def test_of_the_last_two_lines_without_a_summary_either_may_have_been_changed():
    lines = _written()
    lines[-2] = _changed(lines[-2], event="x")
    assert _breaks(lines) == ("line 8 or line 9 was changed: they do not fit together",)


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("at", PLACES)
def test_a_spoilt_line_alone_is_named(at, end):
    lines = _written()
    lines[at] = b"{"
    assert _breaks(lines, end) == (
        f"line {at + 1} is no line of a journal any more: it was changed",
    )


@pytest.mark.parametrize(("at", "end"), KNOWN)
def test_a_missing_line_alone_is_named(at, end):
    lines = _written()
    del lines[at]
    found = _examined(lines, end)
    assert found.breaks == (f"the line written as line {at + 1} is missing",)
    assert not found.is_whole


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("to", range(COUNT + 1))
@pytest.mark.parametrize("at", [0, 4, COUNT - 1])
def test_a_line_that_is_there_twice_alone_is_named(at, to, end):
    lines = _written()
    copied = [*lines[:to], lines[at], *lines[to:]]
    found = _examined(copied, end)
    (told,) = found.breaks
    assert "is there twice" in told
    assert found.is_whole
    assert [copied[line.place - 1] for line in found.lines] == lines


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("at", PLACES)
def test_a_blank_line_alone_is_named(at, end):
    lines = _written()
    found = _examined([*lines[:at], b"", *lines[at:]], end)
    assert found.breaks == (f"line {at + 1} is one too many: it is no line of a journal",)
    assert found.is_whole


def test_a_blank_line_behind_the_end_is_too_many_where_the_summary_knows_the_end():
    told = "line 10 is one too many: it is no line of a journal"
    assert _breaks([*_written(), b""], _end()) == (told,)


@pytest.mark.parametrize(("at", "end"), [each for each in KNOWN if each[0] < COUNT - 1])
def test_a_line_put_in_by_somebody_else_alone_is_named(at, end):
    lines = _written()
    new = _changed(lines[at], prev=sha256_hex(lines[at]), seq=at + 1)
    assert _breaks([*lines[: at + 1], new, *lines[at + 1 :]], end) == (
        f"line {at + 2} is one too many: no line goes on from it",
    )


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("at", range(COUNT - 1))
def test_two_swapped_lines_are_one_line_in_the_wrong_place(at, end):
    lines = _written()
    lines[at], lines[at + 1] = lines[at + 1], lines[at]
    found = _examined(lines, end)
    assert found.breaks == (
        f"line {at + 1} stands in the wrong place: it was written as line {at + 2}",
    )
    assert found.is_whole


@given(at=st.integers(0, COUNT - 1), to=st.integers(0, COUNT - 1))
def test_a_line_that_was_moved_alone_is_named(at, to):
    lines = _written()
    lines.insert(to, lines.pop(at))
    told = _breaks(lines, _end())
    assert len(told) == (at != to)
    assert all("stands in the wrong place" in each for each in told)


@given(
    gone=st.sets(st.integers(1, 28), max_size=4),
    changed=st.sets(st.integers(1, 28), max_size=4),
    key=st.sampled_from(["event", "prev"]),
    end=st.booleans(),
)
def test_several_losses_are_never_put_on_a_line_that_is_as_it_was(gone, changed, key, end):
    """Of changed lines side by side one at least is named: the others can't be known."""
    lines = _written(30)
    stored = End(30, sha256_hex(lines[-1])) if end else None
    for at in changed:
        lines[at] = _changed(lines[at], **{key: "x"})
    left = [(at, line) for at, line in enumerate(lines) if at not in gone]
    found = _examined([line for _, line in left], stored)
    told = [each for each in found.breaks if each.startswith("line ") and " or line" not in each]
    named = {int(each.split()[1]) for each in told}
    assert {left[place - 1][0] for place in named} <= changed - gone
    missing = [each for each in found.breaks if "missing" in each]
    assert bool(missing) == bool(gone)
    assert found.is_whole == (not found.breaks)
    # Each changed line is known whose successor is as it was, and confirmed by its own.
    lost = gone | changed | (set() if end else {30})
    sure = {at for at in changed - gone if not {at + 1, at + 2} & lost}
    assert sure <= {left[place - 1][0] for place in named}


def test_lines_that_are_gone_where_others_were_put_are_counted():
    lines = _written()
    assert _breaks([*lines[:3], b"?", *lines[6:]]) == (
        "2 of the lines written as lines 4 to 6 are missing",
        "line 4 is no line of a journal any more: it was changed",
    )


def test_lines_cut_off_at_the_end_are_known_by_the_summary():
    assert _breaks(_written()[:-3]) == ()
    assert _breaks(_written()[:-3], _end()) == ("the lines written as lines 7 to 9 are missing",)
