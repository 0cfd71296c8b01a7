"""The reports of a run and of a pair, made from records written by the real journal.

What a page must say is checked on its text; how it looks was looked at by people.
"""

import hashlib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from sequencer.captures import Capture, single_reading
from sequencer.events import (
    Answered,
    CaptureTaken,
    CautionAccepted,
    Event,
    InstrumentReady,
    MadeSafe,
    Noted,
    Outcome,
    ReadingTaken,
    RunFinished,
    RunResumed,
    RunStarted,
    SafeAction,
    Stamped,
    StepDoneAgain,
    StepFinished,
    StepRestored,
    StepStarted,
)
from sequencer.journal import Journal
from sequencer.last_words import LastWords
from sequencer.limits import Limit, Reading, Verdict
from sequencer.procedure import load_procedure
from sequencer.record import Json, read_record
from sequencer.report.pair_report import render_pair, write_pair_report
from sequencer.report.run_report import render_run, write_run_report
from sequencer.steps.registry import kinds

AT = datetime(2026, 3, 9, 14, 5, tzinfo=UTC)
PROCEDURE = """\
procedure: two_tones
title: Two tones
decision: guarded
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB, mains_voltage: 230 V}
steps:
  - {id: tone_10w, kind: tone, title: 1 kHz at 10 W, frequency: 1 kHz, level: 10 W}
  - {id: rated, kind: tone, title: 1 kHz at rated power, level: 100 W}
  - {id: power_off, kind: power_off, title: Mains off}
"""
BENCH = """\
bench: bench of the tests
generator_ceiling: 2 V
load: {resistance: 8 ohm, tolerance: 1 %, continuous_power: 200 W}
independent_means: [load thermostat]
instruments:
  generator: {address: "TCPIP::192.0.2.1::5025::SOCKET"}
  analyser:
    address: "TCPIP::192.0.2.2::5025::SOCKET"
    sample_rates: [48 kHz]
    ranges: [10 V, 30 V]
  dmm: {address: "TCPIP::192.0.2.3::5025::SOCKET"}
"""
HOSTILE = '<script>alert("x")</script>\n\x1b[31m"\'&\u202egnp</style></title>'


# --- a record, event by event ---


def tone_capture(second: float = 1e-4, seconds: float = 1.0) -> Capture:
    """10 W into 8 ohm at 1 kHz with a second harmonic, as the analyser would record it."""
    t = np.arange(round(48e3 * seconds)) / 48e3
    peak = np.sqrt(2.0 * 10.0 * 8.0)
    noise = np.random.default_rng(3).standard_normal(t.size)
    wave = peak * (np.sin(2e3 * np.pi * t) + second * np.sin(4e3 * np.pi * t)) + 1e-5 * noise
    facts = {"frequency_hz": 1000.0, "target_vrms": 8.944, "emf_vrms": 0.317, "is_locked": 1.0}
    return Capture(
        name="output",
        role="analyser",
        samples=wave[np.newaxis, :],
        sample_rate_hz=48e3,
        range_peak_v=30.0,
        facts=facts,
    )


def started(**changes) -> RunStarted:
    fields = {
        "procedure": "two_tones",
        "title": "Two tones",
        "procedure_sha256": "",
        "serial": "SN-0042",
        "model": "Example 100 mono",
        "stage": "as_left",
        "bench": "bench of the tests",
        "decision": "guarded",
        "steps": 3,
        "estimate_s": 60.0,
        "version": "0.1.0",
        "ticket": {
            "ticket": "T-17",
            "customer": "Customer of the tests",
            "operator": "Technician of the tests",
            "fault": "No sound.\nRelay stayed open.",
            "work": ["Relay replaced", "Bias set"],
            "notes": "",
            "unit": {"load": "8 ohm"},
        },
    }
    return RunStarted(**{**fields, **changes})


def instrument(role: str, **changes) -> InstrumentReady:
    fields = {
        "role": role,
        "address": "TCPIP::192.0.2.1::5025::SOCKET",
        "driver": "scpi",
        "manufacturer": "Steadybench Simulated",
        "model": role.capitalize(),
        "serial": f"SIM-{role}",
        "firmware": "1.0",
        "calibration_due": "2027-12-31",
        "certificate": f"C-{role}",
        "is_overdue": False,
    }
    return InstrumentReady(**{**fields, **changes})


THD = Reading(
    name="thd",
    value=6.28e-5,
    unit="1",
    uncertainty=1.05e-6,
    limits=Limit(maximum=2e-4, written=(("max", "0.02 %"),)),
    verdict=Verdict.PASS,
)
GAIN = Reading(
    name="gain",
    value=28.9,
    unit="dB",
    uncertainty=0.021,
    limits=Limit(minimum=28.5, maximum=29.5, written=(("nominal", "29 dB"),)),
    verdict=Verdict.PASS,
)
POWER = Reading(name="power", value=100.2, unit="W", uncertainty=0.7)
H2 = Reading(
    name="h2",
    value=None,
    unit="1",
    noise_limited=True,
    upper_bound=1.7e-6,
    limits=Limit(maximum=5e-5, written=(("max", "6 dB above h3"),)),
    verdict=Verdict.PASS,
)


def step(
    number: int,
    step_id: str,
    readings: Sequence[Reading] = (),
    captures: Sequence[Capture] = (),
    *,
    kind: str = "tone",
    title: str = "",
    verdict: Verdict = Verdict.PASS,
    extra: Sequence[Event] = (),
) -> list[Event]:
    begin = StepStarted(
        step=step_id,
        kind=kind,
        title=title or step_id.replace("_", " "),
        number=number,
        of=3,
        does="drives 1 kHz",
        estimate_s=5.0,
        left_s=10.0,
    )
    return [
        begin,
        *(CaptureTaken(step=step_id, capture=capture) for capture in captures),
        *extra,
        *(ReadingTaken(step=step_id, reading=reading) for reading in readings),
        StepFinished(step=step_id, kind=kind, verdict=verdict),
    ]


SAFE = MadeSafe(actions=(SafeAction(action="generator output off", is_confirmed=True),))


def good_run(**changes) -> list[Event]:
    """A run that passed, with everything a report can show."""
    return [
        started(**changes),
        CautionAccepted(caution="Mains voltage can kill.", accepted_by="Technician of the tests"),
        *(instrument(role) for role in ("generator", "analyser", "dmm")),
        *step(1, "tone_10w", [GAIN, THD, H2], [tone_capture()], title="1 kHz at 10 W"),
        *step(2, "rated", [POWER], title="1 kHz at rated power", verdict=Verdict.INFO),
        *step(3, "power_off", kind="power_off", title="Mains off", verdict=Verdict.INFO),
        SAFE,
        RunFinished(outcome=Outcome.PASS),
    ]


def write_run(folder: Path, events: Sequence[Event], procedure: str = PROCEDURE) -> Path:
    """A run's folder with journal, captures, procedure and bench."""
    folder.mkdir(parents=True, exist_ok=True)
    source = folder.parent / f"{folder.name}_source.yaml"
    source.write_text(procedure, encoding="utf-8")
    stored = load_procedure(source, registry=kinds())
    (folder / "procedure.yaml").write_text(stored.flattened_yaml(), encoding="utf-8")
    (folder / "bench.yaml").write_text(BENCH, encoding="utf-8")
    with Journal(folder) as journal:
        for second, event in enumerate(events):
            known = event
            if isinstance(event, RunStarted) and not event.procedure_sha256:
                known = replace(event, procedure_sha256=stored.sha256)
            journal(Stamped(t_s=float(second), at=AT, event=known))
    return folder


@pytest.fixture
def page(tmp_path: Path) -> Callable[..., "Page"]:
    """Writes a run of these events and reads its report."""

    def write(events: Sequence[Event], **changes) -> Page:
        folder = write_run(tmp_path / "run", events, **changes)
        return read_page(render_run(read_record(folder)))

    return write


# --- a page, read as a browser would ---

VOID = {"meta", "link", "br", "img", "hr", "input"}


@dataclass
class Page:
    html: str
    text: str
    tags: list[str]
    links: list[str]
    ids: list[str]

    def __contains__(self, words: str) -> bool:
        return words in self.text

    def comes_before(self, first: str, second: str) -> bool:
        return -1 < self.text.find(first) < self.text.find(second)


class _Reader(HTMLParser):
    """Text, tags, links and ids; a tag that isn't closed in its turn is an error."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.words: list[str] = []
        self.tags: list[str] = []
        self.links: list[str] = []
        self.ids: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        for name, value in attrs:
            assert not name.startswith("on"), f"an event handler: {name}"
            if name in ("href", "src"):
                self.links.append(value)
            if name == "id":
                self.ids.append(value)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not {"style", "title"} & set(self.open):
            self.words.append(data)


def read_page(html: str) -> Page:
    reader = _Reader()
    reader.feed(html)
    reader.close()
    assert reader.open == []
    text = re.sub(r"\s+", " ", " ".join(reader.words))
    return Page(html=html, text=text, tags=reader.tags, links=reader.links, ids=reader.ids)


# --- what a page says ---


def test_unit_ticket_and_verdict_come_before_everything_else(page):
    shown = page(good_run())
    for words in ("Example 100 mono", "SN-0042", "T-17", "Customer of the tests", "Passed"):
        assert shown.comes_before(words, "In plain words")
    assert shown.comes_before("9 March 2026, 14:05 UTC", "Passed")
    assert "All 3 readings that have a limit keep to it." in shown


def test_a_reading_stands_with_its_doubt_limit_and_verdict(page):
    """U = 2 u: 2 * 0.021 dB = 0.042 dB; 2 * 1.05e-6 = 0.00021 %; 20 lg 6.28e-5 = -84.0 dB."""
    shown = page(good_run())
    assert "(28.900 ± 0.042) dB" in shown
    assert "28.50 to 29.50 dB" in shown
    assert "(0.00628 ± 0.00021) %" in shown
    assert "-84.0 dB" in shown
    assert "at most 0.02 %" in shown


def test_a_bound_and_a_limit_that_hangs_on_another_reading_say_so(page):
    shown = page(good_run())
    assert "below 0.00017 %" in shown
    assert "95 % bound" in shown
    assert "max 6 dB above h3" in shown


def test_the_customer_reads_fault_work_and_key_figures(page):
    shown = page(good_run())
    for words in ("No sound.", "Relay stayed open.", "Relay replaced", "Distortion (THD)"):
        assert shown.comes_before(words, "Results, step by step")
    assert "Highest power put into the load" in shown
    assert "(100.2 ± 1.4) W" in shown


def test_instruments_conditions_cautions_and_trail_are_there(page):
    shown = page(good_run())
    for words in (
        *("SIM-analyser", "valid to 2027-12-31", "certificate C-analyser", "firmware 1.0"),
        *("8 ohm resistor", "100 W into 8 ohm", "voltage not measured", "load thermostat"),
        *("Guarded rule", "ILAC-G8:09/2019", "JCGM 100:2008", "none in this run"),
        *("Mains voltage can kill.", "Accepted by Technician of the tests"),
        *("generator output off: done, and read back", "What was not tested", "loudspeaker"),
    ):
        assert words in shown


def test_the_trail_names_procedure_hash_program_and_the_end_of_the_journal(tmp_path):
    folder = write_run(tmp_path / "run", good_run())
    shown = read_page(render_run(read_record(folder)))
    lines = (folder / "journal.jsonl").read_bytes().splitlines()
    assert hashlib.sha256(lines[-1]).hexdigest() in shown
    assert f"{len(lines)} lines" in shown
    assert hashlib.sha256((folder / "procedure.yaml").read_bytes()).hexdigest() in shown
    assert "steadybench 0.1.0" in shown


def test_the_plain_rule_is_explained_where_it_was_used(page):
    shown = page(good_run(decision="plain"))
    assert "Plain rule" in shown
    assert "Guarded rule" not in shown


def test_the_spectrum_is_drawn_from_the_capture_with_its_harmonics_marked(page):
    shown = page(good_run())
    assert "Spectrum of the tone" in shown
    assert "H2" in shown
    assert "level in dBV" in shown


def test_answers_and_notes_of_a_step_are_shown(page):
    extra = [
        Noted(step="rated", text="range 30 V overloaded, taking 100 V"),
        Answered(step="rated", question="Does the lamp glow?", answer="yes"),
    ]
    shown = page([started(), *step(1, "rated", extra=extra), SAFE, RunFinished(outcome="pass")])
    assert "range 30 V overloaded, taking 100 V" in shown
    assert "Does the lamp glow? yes" in shown


# --- verdicts, honestly ---


AGAIN = "again after the break"


def taken_up_again(outcome: Outcome, *, is_cut: bool = False, is_met_at_last: bool = False):
    """A run that passed until it broke off; then its first step no longer kept to its limit."""
    before = [each for each in good_run() if not isinstance(each, RunFinished | MadeSafe)]
    worse = replace(THD, value=5e-4, verdict=Verdict.FAIL)

    def once_more(reading: Reading, **told) -> list[Event]:
        return [
            RunResumed(bench="b", bench_sha256="", bench_copy="", version="0", away_s=60.0),
            StepRestored(step="tone_10w", kind="tone", does="drives 1 kHz"),
            *(
                ReadingTaken(step="tone_10w", reading=each, restored=True)
                for each in (GAIN, reading)
            ),
            StepDoneAgain(step="tone_10w", kind="tone", verdict=reading.verdict, **told),
        ]

    return [
        *before,
        *once_more(worse, unmet="THD", cut=is_cut),
        *(once_more(THD) if is_met_at_last else []),
        SAFE,
        RunFinished(outcome=outcome),
    ]


@pytest.mark.parametrize(
    ("outcome", "is_cut", "counted"),
    [
        (
            Outcome.FAIL,
            False,
            "Of 3 readings that have a limit: 1 met before the break and not after",
        ),
        (
            Outcome.FAIL,
            True,
            "Of 3 readings that have a limit: 1 met before the break and not after",
        ),
        (
            Outcome.STOPPED,
            True,
            "3 of 3 readings kept to their limits. Taken again after the break, 1",
        ),
    ],
)
def test_what_was_met_no_more_after_a_break_heads_the_report(page, outcome, is_cut, counted):
    """20 lg 5e-4 = -66.0 dB; the limit is 0.02 %."""
    shown = page(taken_up_again(outcome, is_cut=is_cut))
    head, _, below = shown.text.partition("In plain words")
    assert counted in head
    listed = head.partition(f"1 kHz at 10 W, {AGAIN}: THD")[2]
    assert "0.0500" in listed
    assert "limit at most 0.02 %" in listed
    assert "(FAIL)" in listed
    key = below.partition("Distortion (THD)")[2].partition("Results, step by step")[0]
    assert key.strip().startswith(f"1 kHz at 10 W, {AGAIN}")
    assert "FAIL" in key


def test_the_first_readings_and_those_after_the_break_stand_side_by_side(page):
    shown = page(taken_up_again(Outcome.FAIL)).text.partition("Results, step by step")[2]
    steps, _, first = shown.partition("Drives 1 kHz.")
    assert "1 kHz at 10 W FAIL" in steps
    rows = first.partition("H2")[0]
    gain, thd = rows.find("Gain "), rows.find("THD ")
    assert -1 < gain < rows.find(f"Gain, {AGAIN}") < thd < rows.find(f"THD, {AGAIN}")
    assert "pass" in rows[thd : rows.find(f"THD, {AGAIN}")]
    assert "FAIL" in rows[rows.find(f"THD, {AGAIN}") :]


def test_a_stop_after_which_it_was_met_at_last_is_shown_and_does_not_count(page):
    shown = page(taken_up_again(Outcome.PASS, is_cut=True, is_met_at_last=True))
    head, _, below = shown.text.partition("In plain words")
    assert "All 3 readings that have a limit keep to it." in head
    assert AGAIN not in head
    assert below.count(f"THD, {AGAIN}") == 2


def failing(verdict: Verdict, **changes) -> list[Event]:
    reading = replace(THD, verdict=verdict, **changes)
    return [
        started(),
        *step(1, "tone_10w", [GAIN, reading], title="1 kHz at 10 W", verdict=verdict),
        SAFE,
        RunFinished(outcome=Outcome.FAIL),
    ]


def test_a_unit_that_somebody_switched_off_by_hand_is_told_so_and_warns_of_nothing(page):
    words = "unit switched off by hand, as N. N. confirmed"
    off = SafeAction(action=words, is_confirmed=True, is_by_word=True)
    events = [
        each if each is not SAFE else MadeSafe(actions=(*SAFE.actions, off)) for each in good_run()
    ]
    shown = page(events)
    assert "not confirmed" not in shown
    end = shown.text.partition("How the bench was left")[2]
    assert f"generator output off: done, and read back {words} Record" in end


def test_what_is_not_met_is_listed_with_the_verdict(page):
    shown = page(failing(Verdict.FAIL, value=5e-4))
    assert shown.comes_before("Not passed", "In plain words")
    assert "Of 2 readings that have a limit: 1 not met." in shown
    assert shown.comes_before("1 kHz at 10 W: THD (0.05000 ± 0.00021) %", "In plain words")


def test_what_could_not_be_measured_is_told_from_what_is_not_met(page):
    shown = page(failing(Verdict.NO_READING, value=None, reason="the record clips"))
    assert "Of 2 readings that have a limit: 1 could not be measured." in shown
    assert shown.comes_before("the record clips", "In plain words")


def test_a_conditional_pass_is_said_aloud(page):
    reading = replace(THD, value=1.99e-4, verdict=Verdict.CONDITIONAL_PASS)
    events = [started(), *step(1, "tone_10w", [reading]), SAFE, RunFinished(outcome=Outcome.PASS)]
    shown = page(events)
    assert "1 of them keeps to it by less than its doubt (conditional pass)." in shown


def test_a_bound_that_does_not_decide_is_undecided(page):
    bound = replace(
        THD, value=None, noise_limited=True, upper_bound=3e-4, verdict=Verdict.NO_READING
    )
    events = [started(), *step(1, "tone_10w", [bound]), SAFE, RunFinished(outcome=Outcome.FAIL)]
    shown = page(events)
    assert "Of the one reading that has a limit: 1 undecided." in shown
    assert "below 0.03 %" in shown
    assert "no reading" not in shown


def test_figures_that_were_changed_stand_in_the_head(page):
    changed = ("limit 40 mV (the procedure has 20 mV)",)
    shown = page([started(changed_figures=changed), *good_run()[1:]])
    words = "Changed figures: limit 40 mV (the procedure has 20 mV)."
    assert shown.comes_before(words, "In plain words")


def test_a_run_without_limits_has_judged_nothing(page):
    events = [started(), *step(1, "rated", [POWER]), SAFE, RunFinished(outcome=Outcome.PASS)]
    shown = page(events)
    assert "Nothing was judged" in shown
    assert "Passed" not in shown


LEFT_OUT = StepFinished(
    step="rated", kind="tone", verdict=Verdict.NO_READING, left_out="the bench has no such range"
)


def test_a_run_that_left_a_step_out_passed_no_more_than_what_was_tested(page):
    events = good_run()
    screen = LastWords()
    for event in (*events[:-1], LEFT_OUT):
        screen.see(event)
    shown = page([*events[:-1], LEFT_OUT, events[-1]])
    assert "Passed what was tested" in shown
    assert "1 step was not carried out: see What was not tested." in shown
    assert screen.of(events[-1]).startswith("PASSED what was tested; 1 step left out")


def test_a_stopped_run_gives_no_verdict_and_names_its_cause(page):
    events = [
        *good_run()[:5],
        *step(1, "tone_10w", [GAIN], title="1 kHz at 10 W"),
        MadeSafe(actions=(SafeAction(action="mains off", is_confirmed=True),)),
        RunFinished(outcome=Outcome.STOPPED, cause="450 mV DC at the output"),
    ]
    shown = page(events)
    assert shown.comes_before("Stopped, no verdict", "In plain words")
    assert "It says nothing about the unit as a whole." in shown
    assert "Cause: 450 mV DC at the output" in shown
    assert "Up to then 1 of 1 readings kept to their limits." in shown
    assert "1 kHz at rated power : the run did not come to it" in shown
    assert "Passed" not in shown


def test_an_interrupted_run_gives_no_verdict(page):
    events = [started(), SAFE, RunFinished(outcome=Outcome.INTERRUPTED, cause="by SIGINT")]
    shown = page(events)
    assert "Interrupted, no verdict" in shown
    assert "The run was ended from outside before its end." in shown
    assert "No step was begun." in shown


def test_a_record_that_breaks_off_warns_that_nobody_made_the_bench_safe(page):
    shown = page([started(), *step(1, "tone_10w", [GAIN])[:-1]])
    assert shown.comes_before("The record breaks off", "Interrupted, no verdict")
    assert shown.comes_before("Check by hand that the generator is silent", "In plain words")
    assert "begun, but not finished" in shown
    assert "not finished" in shown


def test_a_torn_last_line_is_mentioned(tmp_path):
    folder = write_run(tmp_path / "run", good_run())
    with (folder / "journal.jsonl").open("ab") as journal:
        journal.write(b'{"schema":1,"seq"')
    shown = read_page(render_run(read_record(folder)))
    assert "last line is torn" in shown
    assert "Passed" in shown


@pytest.mark.parametrize("lines", range(1, 12))
def test_a_record_cut_anywhere_still_makes_a_page(tmp_path, lines):
    folder = write_run(tmp_path / "run", good_run())
    journal = folder / "journal.jsonl"
    journal.write_bytes(b"".join(journal.read_bytes().splitlines(keepends=True)[:lines]))
    assert "Interrupted, no verdict" in read_page(render_run(read_record(folder)))


def test_an_action_that_was_not_confirmed_is_a_warning_on_top(page):
    action = SafeAction(
        action="mains off", is_confirmed=False, problem="pull the unit's mains plug"
    )
    events = [*good_run()[:-2], MadeSafe(actions=(action,)), RunFinished(outcome=Outcome.PASS)]
    shown = page(events)
    assert shown.comes_before("The bench was not confirmed safe: pull the unit's", "Passed")
    assert "mains off: not confirmed (pull the unit's mains plug)" in shown


def test_an_overdue_instrument_makes_the_results_indicative(page):
    events = good_run()
    events[3] = instrument("analyser", is_overdue=True, calibration_due="2020-01-01")
    shown = page(events)
    assert shown.comes_before("indicative only", "In plain words")
    assert "ran out on 2020-01-01" in shown


def test_an_instrument_that_measures_nothing_needs_no_calibration(page):
    events = good_run()
    events[3] = instrument("router", is_overdue=True, calibration_due=None)
    shown = page(events)
    assert "indicative only" not in shown
    assert "not needed" in shown


def test_a_step_left_out_is_named_with_its_reason_and_counted(page):
    others = [event for event in good_run() if getattr(event, "step", "") != "rated"]
    left_out = StepFinished(
        step="rated", kind="tone", verdict=Verdict.INFO, left_out="the bench has no power meter"
    )
    shown = page([*others[:-2], left_out, *others[-2:]])
    assert "1 kHz at rated power : the bench has no power meter" in shown
    assert "1 step was not carried out: see What was not tested." in shown


@pytest.mark.parametrize(("volts", "is_off"), [(231.0, False), (222.0, True)])
def test_mains_more_than_two_per_cent_off_is_said_with_the_power(page, volts, is_off):
    """+-2 % of 230 V is 225.4 to 234.6 V (common practice, no source)."""
    mains = Reading(name="mains_voltage", value=volts, unit="V", uncertainty=0.2)
    shown = page([*good_run()[:-2], *step(9, "on", [mains], kind="power_on"), *good_run()[-2:]])
    assert ("readings of power are affected" in shown) is is_off


@pytest.mark.parametrize(
    ("clock", "manufacturer", "is_simulated"),
    [
        ("clock: simulated\nclock_address: TCPIP::127.0.0.1::1::SOCKET\n", "A real maker", True),
        ("", "Steadybench Simulated", True),
        ("", "A real maker", False),
    ],
)
def test_a_bench_with_anything_simulated_is_called_so(tmp_path, clock, manufacturer, is_simulated):
    events = [
        replace(event, manufacturer=manufacturer) if isinstance(event, InstrumentReady) else event
        for event in good_run()
    ]
    folder = write_run(tmp_path / "run", events)
    (folder / "bench.yaml").write_text(BENCH + clock, encoding="utf-8")
    shown = read_page(render_run(read_record(folder)))
    assert ("on a simulated bench" in shown) is is_simulated
    assert not is_simulated or shown.comes_before("simulated bench", "Passed")


# --- a group of steps, again and again ---

RUN_IN = """\
procedure: run_in
unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}
steps:
  - id: rounds
    kind: repeat
    count: 4
    steps:
      - {id: short_tone, kind: tone, title: Short tone, level: 10 W}
"""


def run_in(worst_thd: float = 1e-4) -> list[Event]:
    """Four rounds of one tone; in the third the distortion peaks."""
    events: list[Event] = [started(procedure="run_in", title="Run-in")]
    events += step(1, "rounds", kind="repeat", verdict=Verdict.INFO)[:1]
    for number, thd in enumerate((6.0e-5, 6.1e-5, worst_thd, 6.4e-5), start=1):
        verdict = Verdict.PASS if thd <= 2e-4 else Verdict.FAIL
        reading = replace(THD, value=thd, verdict=verdict)
        name, tone = f"short_tone.{number}", tone_capture(seconds=0.2)
        events += step(1, name, [reading], [tone], title="Short tone", verdict=verdict)
    return [*events, *step(1, "rounds", kind="repeat")[-1:], SAFE]


def test_rounds_of_a_repeated_step_are_one_table_from_first_to_last(page):
    shown = page([*run_in(), RunFinished(outcome=Outcome.PASS)], procedure=RUN_IN)
    assert "Short tone, 4 rounds" in shown
    for words in ("0.006 %", "0.0064 %", "0.006 to 0.01 %", "at most 0.02 %", "First", "Last"):
        assert words in shown
    assert "All 4 readings that have a limit keep to it." in shown
    assert shown.text.count("Short tone, 4 rounds") == 3  # in the list, as heading, as caption


def test_rounds_are_drawn_as_a_trend_and_as_first_against_last(page):
    shown = page([*run_in(), RunFinished(outcome=Outcome.PASS)], procedure=RUN_IN)
    assert "THD through the run" in shown
    assert shown.text.count("Spectrum of the tone") == 1
    assert "first round" in shown
    assert "round 4" in shown


def test_the_round_that_fails_is_named(page):
    shown = page([*run_in(5e-4), RunFinished(outcome=Outcome.FAIL)], procedure=RUN_IN)
    assert shown.comes_before("Short tone, round 3: THD", "In plain words")
    assert "FAIL 1 of 4 rounds" in shown


def test_a_pair_lays_the_last_rounds_side_by_side(tmp_path):
    records = [
        read_record(write_run(tmp_path / name, [*run_in(), RunFinished(outcome="pass")], RUN_IN))
        for name in ("a", "b")
    ]
    shown = read_page(render_pair(tmp_path, records, []))
    assert "Short tone, last of 4 rounds" in shown
    assert "(0.00640 ± 0.00021) %" in shown
    assert "(0.00600 ± 0.00021) %" not in shown


# --- what can't be read any more ---


def capture_file(folder: Path) -> Path:
    return next((folder / "captures").glob("*tone_10w*"))


def test_a_missing_capture_costs_the_plot_and_nothing_else(tmp_path):
    folder = write_run(tmp_path / "run", good_run())
    capture_file(folder).unlink()
    shown = read_page(render_run(read_record(folder)))
    assert "is missing" in shown
    assert "Spectrum of the tone" not in shown
    assert "(0.00628 ± 0.00021) %" in shown


def test_an_altered_capture_is_not_drawn(tmp_path):
    folder = write_run(tmp_path / "run", good_run())
    content = bytearray(capture_file(folder).read_bytes())
    content[2000] ^= 1
    capture_file(folder).write_bytes(content)
    shown = read_page(render_run(read_record(folder)))
    assert "is not the one recorded" in shown
    assert "Spectrum of the tone" not in shown


@pytest.mark.parametrize("name", ["procedure.yaml", "bench.yaml"])
@pytest.mark.parametrize("content", [None, b"kind: of another world\n", b"\xff\xfe\x00"])
def test_a_file_that_cannot_be_read_any_more_costs_plots_and_is_named(tmp_path, name, content):
    folder = write_run(tmp_path / "run", good_run())
    (folder / name).unlink() if content is None else (folder / name).write_bytes(content)
    shown = read_page(render_run(read_record(folder)))
    assert f"{name} can't be read by this version" in shown
    assert "Passed" in shown
    assert "(0.00628 ± 0.00021) %" in shown


def test_a_procedure_that_was_changed_afterwards_is_noticed(tmp_path):
    folder = write_run(tmp_path / "run", good_run())
    with (folder / "procedure.yaml").open("a", encoding="utf-8") as file:
        file.write("# a remark\n")
    assert "is not the file the run was made with" in read_page(render_run(read_record(folder)))


def test_a_kind_of_step_of_another_time_is_shown_without_plots(page):
    events = [started(), *step(1, "x", [THD], [tone_capture()], kind="no_such_kind"), SAFE]
    shown = page([*events, RunFinished(outcome=Outcome.PASS)])
    assert "(0.00628 ± 0.00021) %" in shown


# --- a page for itself ---


def assert_stands_alone(shown: Page) -> None:
    assert "://" not in shown.html
    assert "@import" not in shown.html
    assert not {"script", "link", "img", "iframe", "object", "embed", "base"} & set(shown.tags)
    assert "url(" not in shown.html.replace("url(#", "")


def test_a_page_needs_nothing_beside_it(page):
    shown = page(good_run())
    assert_stands_alone(shown)
    assert all(link.startswith("#") for link in shown.links)
    assert {link.removeprefix("#") for link in shown.links} <= set(shown.ids)


def test_no_id_is_given_twice(page):
    tone = tone_capture()
    events = [
        *good_run()[:5],
        *step(1, "tone_10w", [GAIN], [tone]),
        *step(2, "rated", [THD], [tone]),
        *good_run()[-2:],
    ]
    shown = page(events)
    assert shown.text.count("Spectrum of the tone") == 2
    repeated = {each for each in shown.ids if shown.ids.count(each) > 1}
    # Markers and clip paths of like drawings are the same drawing under the same name.
    assert all(re.fullmatch(r"[mp][0-9a-f]{10}", each) for each in repeated)


def test_a_page_is_small_enough_for_a_letter(page):
    assert len(page(good_run()).html) < 300_000


def test_the_same_record_gives_the_same_page(tmp_path):
    pages = [
        render_run(read_record(write_run(tmp_path / name, good_run()))) for name in ("one", "two")
    ]
    assert pages[0] == pages[1]


def hostile_run() -> list[Event]:
    ticket = {"ticket": HOSTILE, "customer": HOSTILE, "fault": HOSTILE, "work": [HOSTILE]}
    reading = replace(THD, reason=HOSTILE, remarks=(HOSTILE,), verdict=Verdict.FAIL)
    return [
        started(serial=HOSTILE, model=HOSTILE, title=HOSTILE, stage=HOSTILE, ticket=ticket),
        CautionAccepted(caution=HOSTILE, accepted_by=HOSTILE),
        instrument("analyser", manufacturer=HOSTILE, serial=HOSTILE, certificate=HOSTILE),
        *step(1, HOSTILE, [reading, replace(POWER, name=HOSTILE, unit=HOSTILE)], title=HOSTILE,
              extra=[Noted(step=HOSTILE, text=HOSTILE)]),
        MadeSafe(actions=(SafeAction(action=HOSTILE, is_confirmed=False, problem=HOSTILE),)),
        RunFinished(outcome=Outcome.STOPPED, cause=HOSTILE),
    ]  # fmt: skip


def test_words_from_outside_cannot_become_part_of_the_page(page):
    shown = page(hostile_run())
    assert_stands_alone(shown)
    assert "script" not in shown.tags
    assert shown.tags.count("style") == 1
    assert "\x1b" not in shown.html
    assert "\u202e" not in shown.html
    assert '<script>alert("x")</script>' in shown  # as text, where people can see it


def test_the_footer_of_printed_pages_holds_the_serial_and_cannot_leave_its_string(page):
    shown = page(good_run(serial='a"; } </style><b>'))
    rule = re.search(r'@bottom-left \{ content: "([^"]*)"', shown.html)
    assert rule is not None
    assert re.fullmatch(r"([A-Za-z0-9]|\\[0-9a-f]{6})+", rule[1])
    assert "b" not in shown.tags[: shown.tags.index("style") + 1]


def test_a_report_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    folder = write_run(tmp_path / "run", good_run())
    record = read_record(folder)
    path = write_run_report(record)
    before = path.read_bytes()
    assert path == folder / "report.html"

    def fail(self: Path, target: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(OSError, match="No space"):
        write_run_report(record)
    assert path.read_bytes() == before
    assert not list(folder.glob(".report*"))


# --- a pair ---

MATCH: list[Json] = [
    {
        "name": "gain",
        "step": "tone_10w",
        "values": [28.9, 28.96],
        "difference": 0.06,
        "unit": "dB",
        "limits": {"max": 0.2},
        "verdict": "pass",
    },
    {
        "name": "thd",
        "step": "tone_10w",
        "values": [6.28e-5, None],
        "difference": None,
        "unit": "dB",
        "limits": {"max": 6.0},
        "verdict": "no_reading",
    },
]


@pytest.fixture
def pair(tmp_path: Path) -> Callable[..., Page]:
    def write(runs: Sequence[Sequence[Event]], match: Sequence[Json] = MATCH[:1]) -> Page:
        folders = [
            write_run(tmp_path / "pair" / f"run {number}", events)
            for number, events in enumerate(runs)
        ]
        records = [read_record(folder) for folder in folders]
        path = write_pair_report(tmp_path / "pair", records, match)
        return read_page(path.read_text(encoding="utf-8"))

    return write


def test_a_pair_that_passes_and_matches_says_both(pair):
    shown = pair([good_run(serial="A-1"), good_run(serial="A-2")])
    assert shown.comes_before("Both passed, and they match", "How alike they are")
    for words in ("28.90 dB", "0.06 dB", "at most 0.20 dB", "Side by side"):
        assert words in shown
    assert_stands_alone(shown)


@pytest.mark.parametrize(
    ("rows", "words"),
    [(1, "and they match"), (2, "but it is not shown that they match"), (0, "nothing to compare")],
)
def test_a_pair_of_which_a_step_was_left_out_passed_what_was_tested(pair, rows, words):
    second = good_run(serial="A-2")
    shown = pair([good_run(serial="A-1"), [*second[:-1], LEFT_OUT, second[-1]]], MATCH[:rows])
    assert f"assed what was tested, {words}" in shown


def test_a_pair_shows_each_units_readings_and_lays_their_plots_over_each_other(pair):
    second = [
        started(serial="A-2"),
        *step(1, "tone_10w", [replace(GAIN, value=28.96), THD], [tone_capture(2e-4)]),
        SAFE,
        RunFinished(outcome=Outcome.PASS),
    ]
    shown = pair([good_run(serial="A-1"), second])
    assert "(28.900 ± 0.042) dB" in shown
    assert "(28.960 ± 0.042) dB" in shown
    assert "not taken" in shown  # h2 was taken on the first unit alone
    assert shown.text.count("Spectrum of the tone") == 1
    assert "Of crowded curves the upper edge is drawn." in shown


def test_a_pair_links_to_each_report_from_its_own_folder(pair):
    shown = pair([good_run(serial="A-1"), good_run(serial="A-2")])
    outside = [link for link in shown.links if not link.startswith("#")]
    assert outside == ["run%200/report.html", "run%201/report.html"]


def test_units_that_pass_but_differ_are_not_a_pair(pair):
    shown = pair([good_run(serial="A-1"), good_run(serial="A-2")], MATCH)
    assert "Both passed, but it is not shown that they match" in shown
    assert "The one compared reading lies within the limits for a pair." in shown
    assert "Not compared: 1 kHz at 10 W: THD." in shown
    assert "not known" in shown


def test_a_limit_in_decibels_is_shown_as_written_beside_its_per_cents(page):
    limit = Limit(maximum=10 ** (-70 / 20), written=(("max", "-70 dB"),))
    shown = page([started(), *step(1, "rated", [replace(THD, limits=limit)]), SAFE])
    assert shown.comes_before("at most 0.03162 %", "max -70 dB")


def test_a_pair_shows_bounds_as_bounds_and_each_unit_s_own_limit(pair):
    low = Reading(name="bandwidth_low", value=None, unit="Hz", upper_bound=4.0)

    def run(serial: str, h2_limit: float) -> list[Event]:
        h2 = replace(H2, limits=Limit(maximum=h2_limit, written=(("max", "6 dB above h3"),)))
        return [
            started(serial=serial),
            *step(1, "tone_10w", [GAIN, THD, h2], [tone_capture()]),
            *step(2, "response", [low], kind="sweep"),
            SAFE,
            RunFinished(outcome=Outcome.PASS),
        ]

    row = {**MATCH[1], "name": "bandwidth_low", "step": "response", "unit": "Hz"}
    shown = pair([run("A-1", 5e-5), run("A-2", 7e-5)], [row])
    assert shown.text.count("at most 4 Hz") == 2
    assert "max 6 dB above h3" in shown
    assert shown.comes_before("limit at most 0.005 %", "limit at most 0.007 %")


def test_a_unit_that_fails_fails_the_pair_by_name(pair):
    bad = [event if not isinstance(event, RunStarted) else started(serial="A-2")
           for event in failing(Verdict.FAIL, value=5e-4)]  # fmt: skip
    shown = pair([good_run(serial="A-1"), bad])
    assert shown.comes_before("Not passed", "How alike they are")
    assert "A-2 (not passed)." in shown


def test_side_by_side_too_a_reading_stands_beside_what_it_was_after_the_break(pair):
    shown = pair([good_run(serial="A-1"), taken_up_again(Outcome.FAIL)]).text
    heads, _, sides = shown.partition("Side by side")
    assert f"1 kHz at 10 W, {AGAIN}: THD" in heads
    row = sides.partition(f"THD, {AGAIN}")[2].partition("H2")[0]
    assert "not taken" in row
    assert "FAIL" in row


def test_a_pair_whose_second_unit_never_ran_says_so(pair):
    stopped = [started(serial="A-1"), SAFE, RunFinished(outcome=Outcome.STOPPED, cause="lost")]
    shown = pair([stopped], [])
    assert "Stopped, no verdict" in shown
    assert "Only one unit was tested" in shown


def test_units_of_the_same_serial_are_told_apart(pair):
    shown = pair([good_run(), good_run()])
    assert "SN-0042 (unit 1)" in shown
    assert "SN-0042 (unit 2)" in shown


def test_words_from_outside_cannot_become_part_of_a_pairs_page(pair):
    match = [{**MATCH[0], "step": HOSTILE, "name": HOSTILE, "unit": HOSTILE}]
    shown = pair([hostile_run(), hostile_run()], match)
    assert_stands_alone(shown)
    assert "\x1b" not in shown.html
    assert shown.tags.count("style") == 1


def test_the_same_pair_gives_the_same_page(tmp_path):
    records = [
        read_record(write_run(tmp_path / name, good_run(serial=name))) for name in ("a", "b")
    ]
    pages = {render_pair(tmp_path, records, MATCH) for _ in range(2)}
    assert len(pages) == 1


def test_a_capture_of_one_reading_makes_no_plot_and_no_trouble(page):
    temperature = single_reading("temperature", "thermometer", 51.0)
    reading = Reading(name="temperature", value=51.0, unit="degC", uncertainty=0.3)
    warm = step(1, "warm", [reading], [temperature], kind="warm_up", title="Warm-up")
    shown = page([started(), *warm, SAFE, RunFinished(outcome=Outcome.PASS)])
    assert "51.0 °C (Warm-up)" in shown


@pytest.mark.parametrize("is_reached", [True, False])
def test_a_warm_up_that_missed_its_aim_is_told_among_the_conditions(page, is_reached):
    reading = Reading(
        name="power",
        value=12.5 if is_reached else None,
        unit="W",
        reason="" if is_reached else "not warmed up as wanted: 3 W were driven",
    )
    warm = step(1, "warm", [reading], kind="warm_up", title="Warm-up")
    shown = page([started(), *warm, SAFE, RunFinished(outcome=Outcome.PASS)])
    assert ("But: not warmed up as wanted: 3 W were driven" in shown) is not is_reached


def test_a_run_whose_judged_steps_were_all_left_out_is_not_passed_and_says_why(page):
    left = StepFinished(step="a", kind="tone", verdict=Verdict.INFO, left_out="no meter")
    shown = page([started(), left, SAFE, RunFinished(outcome=Outcome.FAIL)])
    assert "Not passed" in shown
    assert "every limit was left out" in shown
