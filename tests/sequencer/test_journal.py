"""The journal: chained, forced to disk where it must be, and nothing written is lost."""

import hashlib
import itertools
import json
import os
import resource
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.captures import Capture, single_reading
from sequencer.errors import Refused
from sequencer.events import (
    Answered,
    CaptureTaken,
    CautionAccepted,
    Energising,
    Exchanged,
    InstrumentReady,
    MadeSafe,
    Noted,
    Outcome,
    ReadingTaken,
    RunFinished,
    RunStarted,
    SafeAction,
    Stamped,
    StepFinished,
    StepStarted,
    Waiting,
)
from sequencer.journal import (
    FIRST_PREV,
    Journal,
    capture_bytes,
    capture_from_bytes,
    event_name,
    file_name,
    new_folder,
)
from sequencer.limits import Limit, Reading, Verdict

AT = datetime(2030, 1, 2, 3, 4, 5, tzinfo=UTC)

STARTED = RunStarted(
    procedure="p",
    title="t",
    procedure_sha256="0" * 64,
    serial="A-1",
    model="",
    stage="as_left",
    bench="b",
    decision="plain",
    steps=1,
    estimate_s=1.0,
    version="0",
)
READY = InstrumentReady(
    role="dmm",
    address="a",
    driver="scpi",
    manufacturer="m",
    model="m",
    serial="s",
    firmware="f",
    calibration_due=None,
    certificate=None,
    is_overdue=True,
)
STEP = StepStarted(
    step="a", kind="tone", title="t", number=1, of=1, does="d", estimate_s=1.0, left_s=1.0
)
READING = Reading(
    name="thd",
    value=1e-4,
    unit="1",
    limits=Limit(maximum=1e-3, written=(("max", "0.1 %"),)),
    verdict=Verdict.PASS,
)
EVENTS = (
    STARTED,
    CautionAccepted(caution="mind \u2028 the\ngap", accepted_by="somebody"),
    READY,
    Exchanged(role="dmm", command="*IDN?", answer="\x1b[31m", seconds=0.1, attempt=1, problem=None),
    Energising(what="mains"),
    STEP,
    Noted(step="a", text="a note"),
    Answered(step="a", question="q", answer="é ☃"),
    CaptureTaken(step="a", capture=single_reading("dc", "dmm", 1e-3)),
    ReadingTaken(step="a", reading=READING),
    StepFinished(step="a", kind="tone", verdict=Verdict.PASS),
    MadeSafe(actions=(SafeAction(action="mains off", is_confirmed=True),)),
    RunFinished(outcome=Outcome.PASS),
)


def _stamped(event, t_s=1.0):
    return Stamped(t_s=t_s, at=AT, event=event)


@pytest.fixture
def folder(tmp_path):
    return tmp_path


def _write(folder, events=EVENTS):
    with Journal(folder) as journal:
        for event in events:
            journal(_stamped(event))
    return (folder / "journal.jsonl").read_bytes()


def test_each_event_is_one_line_of_json(folder):
    content = _write(folder)
    lines = [json.loads(line) for line in content.decode("ascii").splitlines()]
    assert content.endswith(b"\n")
    assert content.count(b"\n") == len(EVENTS)
    assert [line["event"] for line in lines] == [event_name(event) for event in EVENTS]
    assert [line["seq"] for line in lines] == list(range(len(EVENTS)))
    assert {line["schema"] for line in lines} == {1}
    assert all("t" in line and "at" in line for line in lines)


def test_each_line_holds_the_hash_of_the_line_before_without_its_newline(folder):
    # The contract: lower-case hex SHA-256, 64 zeros in the first.
    lines = _write(folder).split(b"\n")[:-1]
    prevs = [json.loads(line)["prev"] for line in lines]
    assert prevs[0] == FIRST_PREV == "0" * 64
    assert prevs[1:] == [hashlib.sha256(line).hexdigest() for line in lines[:-1]]


def test_a_changed_missing_or_swapped_line_breaks_the_chain(folder):
    lines = _write(folder).split(b"\n")[:-1]

    def is_whole(lines):
        pairs = itertools.pairwise(lines)
        return all(json.loads(b)["prev"] == hashlib.sha256(a).hexdigest() for a, b in pairs)

    assert is_whole(lines)
    changed = [lines[0].replace(b"A-1", b"A-2"), *lines[1:]]
    swapped = [lines[0], lines[2], lines[1], *lines[3:]]
    assert not is_whole(changed)
    assert not is_whole(lines[:3] + lines[4:])
    assert not is_whole(swapped)


def test_lines_of_ascii_can_be_shown_on_any_terminal(folder):
    assert _write(folder).isascii()
    assert b"\x1b" not in _write_again(folder)


def _write_again(folder):
    return (folder / "journal.jsonl").read_bytes()


def test_a_line_is_with_the_operating_system_before_write_returns(folder):
    path = folder / "journal.jsonl"
    with Journal(folder) as journal:
        for number, event in enumerate(EVENTS, start=1):
            journal(_stamped(event))
            assert path.read_bytes().count(b"\n") == number


@pytest.fixture
def forced(monkeypatch, folder):
    """Lengths of the journal each time it was forced to disk."""
    lengths = []
    real = os.fsync

    def fsync(handle):
        real(handle)
        if os.readlink(f"/proc/self/fd/{handle}").endswith("journal.jsonl"):
            lengths.append(os.fstat(handle).st_size)

    monkeypatch.setattr(os, "fsync", fsync)
    return lengths


@pytest.mark.parametrize("event", EVENTS, ids=event_name)
def test_the_journal_is_forced_to_disk_where_a_power_cut_would_matter(folder, forced, event):
    # Before anything energises, at the end of every step and of the run (design contract).
    must = isinstance(event, (Energising, StepFinished, MadeSafe, RunFinished))
    content = _write(folder, (STARTED, event) if event is not STARTED else (STARTED,))
    assert forced == ([len(content)] if must else [])


def test_what_only_the_person_watching_needs_is_not_kept(folder):
    assert _write(folder, (Waiting(step="a", left_s=1.0),)) == b""


def test_a_journal_is_never_written_over(folder):
    _write(folder)
    with pytest.raises(FileExistsError), Journal(folder):
        pass


def test_kill_minus_nine_loses_no_line_that_was_written(folder):
    program = f"""
import os, signal
from datetime import UTC, datetime
from pathlib import Path
from sequencer.events import Noted, Stamped
from sequencer.journal import Journal
with Journal(Path({str(folder)!r})) as journal:
    for n in range(50):
        journal(Stamped(t_s=0.0, at=datetime.now(UTC), event=Noted(step="a", text=str(n))))
    os.kill(os.getpid(), signal.SIGKILL)
"""
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", program], cwd=root, check=False)
    assert done.returncode == -signal.SIGKILL
    lines = (folder / "journal.jsonl").read_bytes().split(b"\n")
    assert [json.loads(line)["text"] for line in lines[:-1]] == [str(n) for n in range(50)]


def test_a_line_that_does_not_fit_is_an_error_and_leaves_the_journal_whole(folder):
    path = folder / "journal.jsonl"
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    with Journal(folder) as journal:
        journal(_stamped(STARTED))
        whole = path.read_bytes()
        # The operating system takes 20 bytes more, then no more, as on a full disk.
        resource.setrlimit(resource.RLIMIT_FSIZE, (len(whole) + 20, hard))
        try:
            with pytest.raises(OSError, match="no room"):
                journal(_stamped(STEP))
            assert path.read_bytes() == whole
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        journal(_stamped(RunFinished(outcome=Outcome.STOPPED)))
    last = json.loads(path.read_bytes().splitlines()[1])
    assert (last["event"], last["seq"]) == ("run_finished", 1)
    assert last["prev"] == hashlib.sha256(whole[:-1]).hexdigest()


def test_a_signal_while_a_line_is_written_leaves_the_chain_whole(folder):
    """A handler may raise between any two bytecodes; a line is written and counted, or neither."""
    program = f"""
import os, signal, sys
from datetime import UTC, datetime
from pathlib import Path
from sequencer.errors import Interrupted
from sequencer.events import Noted, Stamped
from sequencer.interrupts import interruptible
from sequencer.journal import Journal
at = datetime.now(UTC)
with Journal(Path({str(folder)!r})) as journal:
    for n in range(300):
        try:
            with interruptible():
                signal.setitimer(signal.ITIMER_REAL, 0)
                signal.signal(signal.SIGALRM, lambda *a: os.kill(os.getpid(), signal.SIGTERM))
                signal.setitimer(signal.ITIMER_REAL, 1e-5 + 2e-7 * n)
                for m in range(20):
                    journal(Stamped(t_s=0.0, at=at, event=Noted(step="a", text="x" * 2000)))
        except Interrupted:
            pass
"""
    root = Path(__file__).resolve().parents[2]
    subprocess.run([sys.executable, "-c", program], cwd=root, check=True)
    lines = (folder / "journal.jsonl").read_bytes().split(b"\n")[:-1]
    prev = FIRST_PREV
    for number, line in enumerate(lines):
        told = json.loads(line)
        assert (told["seq"], told["prev"]) == (number, prev)
        prev = hashlib.sha256(line).hexdigest()


# Captures.


def test_a_capture_is_on_disk_with_its_hash_before_the_line_that_names_it(folder):
    capture = Capture(name="output", role="analyser", samples=np.zeros((2, 7)), sample_rate_hz=48e3)
    content = _write(folder, (CaptureTaken(step="a", capture=capture),))
    line = json.loads(content)
    stored = (folder / line["file"]).read_bytes()
    assert line["sha256"] == hashlib.sha256(stored).hexdigest()
    assert line["shape"] == [2, 7]
    assert line["file"].startswith("captures/")


def test_captures_of_the_same_name_do_not_overwrite_each_other(folder):
    one, two = single_reading("dc", "dmm", 1.0), single_reading("dc", "dmm", 2.0)
    content = _write(folder, [CaptureTaken(step="a", capture=each) for each in (one, two)])
    files = [json.loads(line)["file"] for line in content.splitlines()]
    values = [capture_from_bytes((folder / f).read_bytes()).first[0] for f in files]
    assert values == [1.0, 2.0]


@pytest.mark.parametrize("name", ["../../etc/x", "/abs", "a b\n\x1b[2J", "x" * 300, "..", ""])
def test_a_capture_s_name_can_t_lead_out_of_the_folder(folder, name):
    content = _write(folder, (CaptureTaken(step=name, capture=single_reading(name, "dmm", 1.0)),))
    path = folder / json.loads(content)["file"]
    assert path.resolve().parent == (folder / "captures").resolve()
    assert path.is_file()


numbers = st.floats(width=64, allow_nan=True, allow_infinity=True)


@given(
    values=st.lists(numbers, min_size=1, max_size=20),
    channels=st.integers(1, 3),
    rate=st.floats(0, 1e7),
    overrange=st.booleans(),
    range_peak_v=st.none() | st.floats(1e-3, 1e3),
    facts=st.dictionaries(st.text(max_size=8), st.floats(-1e9, 1e9), max_size=4),
)
def test_a_capture_comes_back_bit_for_bit(values, channels, rate, overrange, range_peak_v, facts):
    capture = Capture(
        name="output",
        role="analyser",
        samples=np.tile(np.array(values), (channels, 1)),
        sample_rate_hz=rate,
        range_peak_v=range_peak_v,
        is_overrange=overrange,
        facts=facts,
    )
    again = capture_from_bytes(capture_bytes(capture))
    assert again.samples.dtype == np.float64
    np.testing.assert_array_equal(again.samples, capture.samples)
    for name in ("name", "role", "sample_rate_hz", "range_peak_v", "is_overrange"):
        assert getattr(again, name) == getattr(capture, name)
    assert dict(again.facts) == facts


def test_samples_of_single_precision_are_stored_so_and_others_in_full():
    rng = np.random.default_rng(1)
    double = rng.standard_normal((1, 1000))
    single = double.astype(np.float32).astype(np.float64)
    sizes = []
    for samples in (single, double):
        capture = Capture(name="x", role="analyser", samples=samples)
        np.testing.assert_array_equal(capture_from_bytes(capture_bytes(capture)).samples, samples)
        sizes.append(len(capture_bytes(capture)))
    assert sizes[1] - sizes[0] == 4000


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04", b"not a capture", b"\x93NUMPY"])
def test_what_is_no_capture_is_told_as_value_error(content):
    with pytest.raises(ValueError, match="capture"):
        capture_from_bytes(content)


# Folders.


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("A-1", "A-1"),
        ("../../etc/passwd", "etc_passwd"),
        ("a/b\\c:d", "a_b_c_d"),
        ("\x1b[31mred\n", "31mred"),
        ("..", "unnamed"),
        ("", "unnamed"),
        ("Ü 17", "17"),
        ("x" * 200, "x" * 60),
    ],
)
def test_text_becomes_a_harmless_part_of_a_file_s_name(text, name):
    assert file_name(text) == name


@given(st.text(max_size=100))
def test_no_text_becomes_a_name_that_means_something_to_the_file_system(text):
    name = file_name(text)
    assert name not in ("", ".", "..")
    assert not set(name) & set('/\\\0\n:*?"<>|')
    assert len(name) <= 60


def test_runs_of_the_same_second_get_folders_of_their_own(tmp_path):
    folders = {new_folder(tmp_path, at=AT, serial="A", procedure="p") for _ in range(3)}
    assert {folder.name for folder in folders} == {
        "2030-01-02_030405_A_p",
        "2030-01-02_030405_A_p_2",
        "2030-01-02_030405_A_p_3",
    }


def test_a_place_that_can_t_hold_a_folder_is_refused_in_words(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("x")
    with pytest.raises(Refused, match="--out"):
        new_folder(blocked, at=AT, serial="A", procedure="p")
