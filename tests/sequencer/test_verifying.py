"""`verify`: whatever is done to a record afterwards is found and named; a break is no alteration."""

import json
import os
import shutil

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer import record
from sequencer.captures import single_reading
from sequencer.errors import Refused
from sequencer.events import BrokenOff, CaptureTaken, Stamped
from sequencer.journal import JOURNAL, Journal, read_tail, sha256_hex
from sequencer.rejudging import rejudge
from sequencer.reporting import write_report_again
from sequencer.reservation import record_address, reserved
from sequencer.seal import sealed
from sequencer.verifying import verify


@pytest.fixture
def run_folder(rig, tmp_path):
    """A finished run's folder, with captures, summary, procedure and bench."""
    folder = tmp_path / "run"
    folder.mkdir()
    with Journal(folder) as journal:
        rig.sinks = [journal]
        rig.run()
    (folder / record.PROCEDURE).write_bytes(rig.procedure.flattened_yaml().encode())
    (folder / record.BENCH).write_bytes((rig.folder / "bench.yaml").read_bytes())
    record.write_summary(record.read_record(folder))
    return folder


def _lines(folder):
    return (folder / JOURNAL).read_bytes().split(b"\n")[:-1]


def _write(folder, lines):
    (folder / JOURNAL).write_bytes(b"".join(line + b"\n" for line in lines))


def test_a_record_as_it_was_written_is_intact(run_folder):
    found = verify(run_folder)
    assert found.is_intact, found.alterations
    assert found.remarks == ()
    assert found.lines == len(_lines(run_folder))
    assert found.captures > 3


def test_a_moved_folder_is_still_intact(run_folder, tmp_path):
    moved = shutil.move(run_folder, tmp_path / "elsewhere")
    assert verify(moved).is_intact


def _changes(line):
    """Ways to change one line so that it stays JSON with the same number."""
    told = json.loads(line)
    told["t"] = told["t"] + 1.0
    return json.dumps(told, separators=(",", ":")).encode()


def test_each_changed_line_is_named(run_folder):
    lines = _lines(run_folder)
    for index in range(len(lines)):
        changed = [*lines]
        changed[index] = _changes(lines[index])
        _write(run_folder, changed)
        found = verify(run_folder)
        (told,) = found.alterations
        assert told.startswith(f"line {index + 1} was changed")


def test_each_missing_line_is_named(run_folder):
    lines = _lines(run_folder)
    for index in range(len(lines) - 1):
        _write(run_folder, lines[:index] + lines[index + 1 :])
        found = verify(run_folder)
        assert found.alterations == (f"the line written as line {index + 1} is missing",)


def test_lines_missing_at_the_end_are_missed_by_the_summary(run_folder):
    lines = _lines(run_folder)
    _write(run_folder, lines[:-3])
    first, last = len(lines) - 2, len(lines)
    words = f"the lines written as lines {first} to {last} are missing"
    assert verify(run_folder).alterations == (words,)


def test_swapped_lines_are_named(run_folder):
    lines = _lines(run_folder)
    for index in range(len(lines) - 1):
        swapped = [*lines]
        swapped[index], swapped[index + 1] = lines[index + 1], lines[index]
        _write(run_folder, swapped)
        words = f"line {index + 1} stands in the wrong place: it was written as line {index + 2}"
        assert verify(run_folder).alterations == (words,)


@pytest.mark.parametrize(
    ("index", "words"),
    [(4, "line 6 is there twice (also line 5)"), (None, "line 6 is one too many: it is no line")],
)
def test_a_line_too_many_alone_is_named(run_folder, index, words):
    lines = _lines(run_folder)
    _write(run_folder, [*lines[:5], b"" if index is None else lines[index], *lines[5:]])
    (told,) = verify(run_folder).alterations
    assert told.startswith(words)


def test_a_line_put_in_by_somebody_else_is_named(run_folder):
    lines = _lines(run_folder)
    told = json.loads(lines[7])
    told["prev"] = sha256_hex(lines[7])
    told["seq"] = 8
    _write(run_folder, [*lines[:8], json.dumps(told).encode(), *lines[8:]])
    assert not verify(run_folder).is_intact


@pytest.mark.parametrize("how", ["changed", "gone", "link"])
def test_a_capture_that_is_not_as_it_was_is_named(run_folder, how):
    path = sorted((run_folder / "captures").iterdir())[0]
    if how == "changed":
        content = bytearray(path.read_bytes())
        content[-1] ^= 1
        path.write_bytes(content)
    else:
        content = path.read_bytes()
        path.unlink()
    if how == "link":
        (run_folder / "other").write_bytes(content)
        path.symlink_to(run_folder / "other")
    found = verify(run_folder).alterations
    assert any(path.name in each for each in found)


@pytest.mark.parametrize(
    "name", [record.SUMMARY, record.REPORT, record.BENCH, record.PROCEDURE, "captures/x"]
)
def test_a_pipe_in_a_file_s_place_is_named_and_not_read(run_folder, name):
    if name == "captures/x":
        name = str(sorted((run_folder / "captures").iterdir())[0].relative_to(run_folder))
    (run_folder / name).unlink(missing_ok=True)
    os.mkfifo(run_folder / name)
    (told,) = verify(run_folder).alterations
    assert name in told
    assert "can't be read: it is no plain file" in told


def test_a_pipe_in_the_journal_s_place_is_no_record(tmp_path):
    os.mkfifo(tmp_path / JOURNAL)
    with pytest.raises(Refused, match="it is no plain file"):
        verify(tmp_path)


def _chained(lines):
    """The lines, each with the hash of the one before as it is now."""
    written, prev = [], "0" * 64
    for line in lines:
        written.append(json.dumps({**line, "prev": prev}).encode())
        prev = sha256_hex(written[-1])
    return written


def test_a_capture_is_never_looked_for_outside_its_folder(run_folder):
    lines = [json.loads(line) for line in _lines(run_folder)]
    for told in lines:
        if told["event"] == "capture_taken":
            told["file"] = "../../../etc/passwd"
    (run_folder / record.SUMMARY).unlink()
    _write(run_folder, _chained(lines))
    assert set(verify(run_folder).alterations) == {
        "a capture is said to lie at ../../../etc/passwd, outside captures"
    }


def test_lines_put_in_behind_the_end_are_found(run_folder):
    lines = _lines(run_folder)
    more = {**json.loads(lines[-1]), "seq": len(lines), "prev": sha256_hex(lines[-1])}
    _write(run_folder, [*lines, json.dumps(more).encode()])
    (told,) = verify(run_folder).alterations
    assert f"knows {len(lines)} lines, the journal has {len(lines) + 1}" in told


@pytest.fixture
def report(run_folder):
    """The report of the run."""
    write_report_again(run_folder)
    return run_folder / record.REPORT


def test_a_report_as_it_was_written_is_intact_and_may_be_missing(run_folder, report):
    assert verify(run_folder).is_intact
    report.unlink()
    assert verify(run_folder).is_intact


@pytest.mark.parametrize(
    "change",
    [
        lambda page: page.replace(b"<title>", b"<title>x"),
        lambda page: page + b"more",
        lambda page: page.replace(b"</html>", b"<b>PASSED</b></html>"),
        lambda page: page.partition(b"<!-- journals")[0],
        lambda page: b"",
    ],
)
def test_a_changed_report_is_found_and_can_be_made_anew(run_folder, report, change):
    page = report.read_bytes()
    assert change(page) != page
    report.write_bytes(change(page))
    found = verify(run_folder)
    assert found.alterations == ("report.html was changed; steadybench report writes it anew",)
    assert found.of_record == ()
    assert write_report_again(run_folder).alterations == ()
    assert report.read_bytes() == page
    assert verify(run_folder).is_intact


def test_a_report_of_another_run_is_found(run_folder, report):
    report.write_text(sealed("<html>PASSED</html>\n", ["1" * 64]))
    assert "of another run" in verify(run_folder).alterations[0]


def test_a_summary_that_was_taken_away_is_found_by_the_report(run_folder, report):
    (run_folder / record.SUMMARY).unlink()
    gone = ("summary.json is missing: it was there before report.html was written",)
    assert verify(run_folder).alterations == gone
    # A report made of such a record tells it, and does not hide it.
    assert write_report_again(run_folder).alterations == gone
    assert "summary.json is missing" in report.read_text()
    assert verify(run_folder).alterations == gone


def test_a_journal_cut_short_without_its_summary_is_found_by_the_report(run_folder, report):
    (run_folder / record.SUMMARY).unlink()
    _write(run_folder, _lines(run_folder)[:-5])
    assert any("cut off since" in each for each in verify(run_folder).alterations)


def test_a_run_that_could_not_write_its_results_is_intact_and_gets_them_by_report(run_folder):
    before = (run_folder / record.SUMMARY).read_bytes()
    (run_folder / record.SUMMARY).unlink()
    found = verify(run_folder)
    assert found.is_intact
    assert any("there is no summary" in each for each in found.remarks)
    write_report_again(run_folder)
    assert (run_folder / record.SUMMARY).read_bytes() == before
    assert verify(run_folder).remarks == ()


def test_the_last_line_s_hash_is_told_and_stands_in_the_report(run_folder, report):
    """Kept elsewhere, it also proves a record that somebody wrote anew as a whole."""
    last = sha256_hex(_lines(run_folder)[-1])
    assert last in verify(run_folder).text()
    assert last in report.read_text().partition("<!-- journals")[0]


@pytest.mark.parametrize(
    ("key", "value"), [("outcome", "fail"), ("serial", "B-2"), ("steps", []), ("journal", None)]
)
def test_a_changed_summary_is_found(run_folder, key, value):
    path = run_folder / record.SUMMARY
    summary = json.loads(path.read_text())
    summary[key] = value
    path.write_text(json.dumps(summary))
    found = verify(run_folder).alterations
    assert len(found) == 1
    assert found[0].startswith("summary.json was changed")


@pytest.mark.parametrize("name", [record.PROCEDURE, record.BENCH])
def test_a_changed_procedure_or_bench_is_found(run_folder, name):
    (run_folder / name).write_text("procedure: other\n")
    assert verify(run_folder).alterations == (f"{name} was changed",)


def test_a_run_that_broke_off_is_intact_and_says_so(run_folder):
    lines = _lines(run_folder)
    (run_folder / record.SUMMARY).unlink()
    _write(run_folder, lines[:20])
    with (run_folder / JOURNAL).open("ab") as file:
        file.write(lines[20][:-10])
    found = verify(run_folder)
    assert found.is_intact, found.alterations
    assert any("torn" in each for each in found.remarks)
    assert any("broken off" in each for each in found.remarks)
    assert any("no summary" in each for each in found.remarks)
    assert any("no line names" in each for each in found.remarks)


@settings(max_examples=60, deadline=None)
@given(cut=st.integers(min_value=0, max_value=10_000))
def test_a_journal_cut_anywhere_is_intact_up_to_the_cut_and_can_be_continued(cut, tmp_path_factory):
    folder = tmp_path_factory.mktemp("cut")
    with Journal(folder) as journal:
        for number in range(5):
            journal(_event(number))
    content = (folder / JOURNAL).read_bytes()
    first = content.index(b"\n") + 1
    cut = first + cut % (len(content) - first + 1)
    (folder / JOURNAL).write_bytes(content[:cut])
    assert verify(folder).is_intact
    tail = read_tail(folder / JOURNAL)
    assert content[: tail.size] + tail.torn == content[:cut]
    with Journal(folder, tail) as journal:
        journal(_event(9))
    assert verify(folder).is_intact
    assert verify(folder).lines == tail.lines + 1


def _event(number):
    from datetime import UTC, datetime

    event = BrokenOff(noticed_by="the test", cause=f"cut {number}")
    return Stamped(t_s=float(number), at=datetime(2030, 1, 1, tzinfo=UTC), event=event)


def test_a_capture_left_by_a_break_is_not_overwritten(tmp_path):
    with Journal(tmp_path) as journal:
        journal(_event(0))
        left = tmp_path / "captures" / "000001_s_x.npz"
        left.write_bytes(b"left behind")
        stamped = _event(1)
        capture = CaptureTaken(step="s", capture=single_reading("x", "dmm", 1.0))
        journal(Stamped(t_s=1.0, at=stamped.at, event=capture))
    assert left.read_bytes() == b"left behind"
    found = verify(tmp_path)
    assert found.is_intact
    assert "no line names captures/000001_s_x.npz" in found.remarks


def test_a_removed_folder_is_noticed_at_the_next_line(tmp_path):
    folder = tmp_path / "run"
    folder.mkdir()
    with Journal(folder) as journal:
        journal(_event(0))
        shutil.rmtree(folder)
        with pytest.raises(OSError, match="removed"):
            journal(_event(1))


@pytest.mark.parametrize("change", [lambda text: b"", lambda text: text + b"{}\n"])
def test_a_journal_that_somebody_else_changes_meanwhile_is_noticed_at_the_next_line(
    tmp_path, change
):
    with Journal(tmp_path) as journal:
        journal(_event(0))
        path = tmp_path / JOURNAL
        changed = change(path.read_bytes())
        path.write_bytes(changed)
        with pytest.raises(OSError, match="changed by somebody else"):
            journal(_event(1))
    assert path.read_bytes() == changed


def test_a_folder_without_a_record_is_refused(tmp_path):
    with pytest.raises(Refused, match="no record"):
        verify(tmp_path)


def test_a_hostile_journal_does_no_harm(tmp_path):
    """Nested garbage, other types, other people's JSON: altered, and no traceback."""
    for text in (
        b"[" * 100_000,
        b"{}",
        b"[1]",
        b'{"seq":true,"prev":5}',
        b'{"seq":1e999,"prev":null,"event":"capture_taken","file":["a"]}',
        b'{"seq":-5,"prev":"x","event":{"a":1}}',
        b"\xff\xfe",
        b'{"seq":99999999999999999999}',
    ):
        (tmp_path / JOURNAL).write_bytes(text + b"\n")
        assert not verify(tmp_path).is_intact


def test_a_run_that_is_still_going_on_is_not_called_broken_off(run_folder):
    """Its journal may end within a line, and neither a report nor a verdict can be made of it."""
    lines = _lines(run_folder)[:-1]
    (run_folder / record.SUMMARY).unlink()
    (run_folder / JOURNAL).write_bytes(b"\n".join(lines) + b'\n{"schema":1')
    assert any("broken off" in each for each in verify(run_folder).remarks)
    with reserved([record_address(run_folder)], "final_test on S-1"):
        found = verify(run_folder)
        assert found.is_intact
        assert [each.split(" (")[0] for each in found.remarks] == [
            "still running: final_test on S-1"
        ]
        for use in (rejudge, write_report_again):
            with pytest.raises(Refused, match="is still running: final_test on S-1") as caught:
                use(run_folder)
            assert caught.value.code == "held"
    assert verify(run_folder).is_intact


def test_while_a_run_goes_on_its_summary_is_not_checked_and_that_is_said(run_folder):
    path = run_folder / record.SUMMARY
    path.write_text(path.read_text().replace("pass", "fail"))
    assert not verify(run_folder).is_intact
    with reserved([record_address(run_folder)], "final_test on S-1, resumed"):
        found = verify(run_folder)
    assert found.is_intact
    assert any(each.startswith("summary.json was not checked") for each in found.remarks)
