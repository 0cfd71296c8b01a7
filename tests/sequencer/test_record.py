"""A run's record read back: whole, broken off anywhere, or damaged."""

import json
from datetime import UTC, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer.captures import single_reading
from sequencer.errors import Refused
from sequencer.events import (
    CaptureTaken,
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
)
from sequencer.journal import Journal
from sequencer.limits import Limit, Reading, Verdict
from sequencer.record import read_record, write_summary

AT = datetime(2030, 1, 2, tzinfo=UTC)
EVENTS = (
    RunStarted(
        procedure="p",
        title="t",
        procedure_sha256="0" * 64,
        serial="A-1",
        model="M",
        stage="as_found",
        bench="b",
        decision="guarded",
        steps=2,
        estimate_s=9.0,
        version="0",
    ),
    StepStarted(
        step="a", kind="tone", title="t", number=1, of=2, does="d", estimate_s=1.0, left_s=1.0
    ),
    CaptureTaken(step="a", capture=single_reading("dc", "dmm", 1e-3)),
    Noted(step="a", text="a note"),
    ReadingTaken(
        step="a",
        reading=Reading(
            name="h2",
            value=None,
            unit="1",
            limits=Limit(maximum=1e-3, written=(("max", "0.1 %"),)),
            verdict=Verdict.PASS,
            noise_limited=True,
            upper_bound=2e-6,
        ),
    ),
    StepFinished(step="a", kind="tone", verdict=Verdict.PASS),
    StepFinished(step="b", kind="idle", verdict=Verdict.INFO, left_out="no router"),
    MadeSafe(actions=(SafeAction(action="mains off", is_confirmed=True),)),
    RunFinished(outcome=Outcome.PASS),
)


def _write(folder, events=EVENTS):
    with Journal(folder) as journal:
        for number, event in enumerate(events):
            journal(Stamped(t_s=float(number), at=AT, event=event))


@pytest.fixture
def run(tmp_path):
    folder = tmp_path / "run"
    folder.mkdir()
    _write(folder)
    return folder


def test_the_summary_has_the_keys_of_the_contract(run):
    summary = read_record(run).summary()
    assert {
        "outcome": "pass",
        "procedure": "p",
        "serial": "A-1",
        "model": "M",
        "stage": "as_found",
        "run": str(run),
    }.items() <= summary.items()
    assert datetime.fromisoformat(summary["started"]) == AT
    first, second = summary["steps"]
    assert (first["id"], first["kind"], first["verdict"]) == ("a", "tone", "pass")
    assert (second["id"], second["verdict"], second["left_out"]) == ("b", "info", "no router")
    reading = first["readings"][0]
    assert {
        "name",
        "value",
        "unit",
        "uncertainty",
        "limits",
        "verdict",
        "noise_limited",
        "upper_bound",
    } <= reading.keys()
    assert (reading["value"], reading["noise_limited"], reading["upper_bound"]) == (
        None,
        True,
        2e-6,
    )


def test_the_summary_file_is_json_with_a_schema_version(run):
    write_summary(read_record(run))
    stored = json.loads((run / "summary.json").read_text())
    assert stored == read_record(run).summary()
    assert stored["schema"] == 1


def test_captures_come_back_from_the_folder(run):
    record = read_record(run)
    (capture,) = record.captures(record.step("a"))
    assert capture.first[0] == 1e-3
    assert record.step("a").notes == ["a note"]
    assert record.duration_s == len(EVENTS) - 1


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(data=st.data())
def test_any_cut_of_the_journal_is_read_up_to_the_cut(run, data):
    path = run / "journal.jsonl"
    whole = path.read_bytes()
    cut = data.draw(st.integers(0, len(whole)))
    path.write_bytes(whole[:cut])
    try:
        record = read_record(run)
    finally:
        path.write_bytes(whole)
    lines = whole[:cut].count(b"\n")
    told = [type(event) for event in EVENTS[:lines]]
    assert bool(record.started) == (RunStarted in told)
    assert len(record.steps) == told.count(StepStarted) + (told.count(StepFinished) == 2)
    assert record.outcome == ("pass" if RunFinished in told else "interrupted")
    json.dumps(record.summary(), allow_nan=False)


def test_a_run_without_an_end_was_interrupted_and_says_so(tmp_path):
    _write(tmp_path, EVENTS[:4])
    summary = read_record(tmp_path).summary()
    assert summary["outcome"] == "interrupted"
    assert "breaks off" in summary["cause"]
    assert summary["steps"][0]["verdict"] == "no_reading"


def test_a_folder_without_a_journal_is_refused_in_words(tmp_path):
    with pytest.raises(Refused, match="holds no record of a run"):
        read_record(tmp_path)


@pytest.mark.parametrize(
    "line",
    [
        b"not json",
        b"{}",
        b"null",
        b"[1]",
        b'"event"',
        b'{"event":"step_started","t":0}',
        b'{"event":"reading_taken","step":"a","t":0}',
        b'{"event":"noted","step":7,"t":"x"}',
        b"\xff\xfe",
        b"[" * 100_000,
    ],
)
def test_a_line_that_is_none_of_ours_is_refused_with_its_place(run, line):
    path = run / "journal.jsonl"
    lines = path.read_bytes().split(b"\n")
    path.write_bytes(b"\n".join([*lines[:3], line, *lines[3:]]))
    with pytest.raises(Refused, match=r"journal\.jsonl:4:1"):
        read_record(run)


def test_a_line_of_a_newer_kind_is_passed_over(run):
    path = run / "journal.jsonl"
    path.write_bytes(path.read_bytes() + b'{"schema":1,"event":"sang","t":99}\n')
    assert read_record(run).outcome == "pass"


def test_a_step_that_was_cut_and_then_left_out_shows_nothing(tmp_path):
    """The bench that the run went on with can't take it: what it had shown is judged no more."""
    left = StepFinished(step="a", kind="tone", verdict=Verdict.INFO, left_out="no analyser")
    _write(tmp_path, (*EVENTS[:5], left))
    step = read_record(tmp_path).step("a")
    assert (step.verdict, step.left_out) == ("info", "no analyser")
    assert (step.readings, step.captures) == ([], [])
