"""What a person sees of a run: words that stand without colour, and nothing raw from outside."""

import errno
import io
import signal

import pytest
from rich.text import Text

from sequencer.errors import Interrupted
from sequencer.events import (
    Answered,
    CautionAccepted,
    Energising,
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
    Waiting,
)
from sequencer.limits import Limit, Reading, Verdict
from sequencer.screen import Screen, Terminal

EVIL = "\x1b[2J\x1b]0;owned\x07 \r\n[bold]b[/bold] :smile: \u202e"


def _started(**changes):
    plain = {
        "procedure": "p",
        "title": "final test",
        "procedure_sha256": "0",
        "serial": "A-1",
        "model": "M",
        "stage": "as_left",
        "bench": "bench",
        "decision": "plain",
        "steps": 3,
        "estimate_s": 3600.0 * 2,
        "version": "0",
        "remarks": ("dmm: no calibration date; results are indicative",),
    }
    return RunStarted(**{**plain, **changes})


def _step(**changes):
    plain = {
        "step": "a",
        "kind": "tone",
        "title": "1 kHz",
        "number": 2,
        "of": 3,
        "does": "drives 1 kHz",
        "estimate_s": 5.0,
        "left_s": 600.0,
    }
    return StepStarted(**{**plain, **changes})


def _reading(**changes):
    plain = {
        "name": "thd",
        "value": 2e-4,
        "unit": "1",
        "uncertainty": 1e-6,
        "limits": Limit(maximum=1e-3, written=(("max", "0.1 %"),)),
        "verdict": Verdict.PASS,
    }
    return ReadingTaken(step="a", reading=Reading(**{**plain, **changes}))


@pytest.fixture
def shown():
    """Text of events on a screen: shown(event, ..., terminal=False)."""

    def show(*events, terminal=False, width=100, **options):
        out = io.StringIO()
        console = Terminal(file=out, force_terminal=terminal, width=width, **options)
        with Screen(console) as screen:
            for event in events:
                screen(Stamped(t_s=0.0, at=None, event=event))
        return out.getvalue()

    return show


def test_the_start_tells_what_on_which_unit_for_how_long_and_what_to_mind(shown):
    text = shown(_started())
    for words in ("final test: M A-1", "3 steps", "2.0 h", "results are indicative"):
        assert words in text


def test_a_step_tells_its_number_and_what_it_does(shown):
    text = shown(_step())
    assert "[2/3] 1 kHz" in text
    assert "drives 1 kHz" in text


def test_a_step_of_a_repeated_group_tells_its_round(shown):
    assert "[2/3] 1 kHz, round 3 of 16\n" in shown(_step(round=3, rounds=16))
    assert "round" not in shown(_step())


def test_a_resumed_run_tells_what_on_which_unit_and_what_is_left(shown):
    resumed = RunResumed(
        title="final test",
        serial="A-1",
        model="M",
        bench="bench",
        bench_sha256="",
        bench_copy="",
        version="0",
        away_s=3600.0,
        planned=("tone", "finish"),
    )
    text = shown(resumed)
    assert "final test: M A-1 goes on, 60 min after it broke off\n" in text
    assert "on bench, steps left: tone, finish" in text


def test_what_is_carried_out_again_shows_its_readings_like_any_other_step(shown):
    again = StepRestored(
        step="power_on", kind="power_on", does="switches the mains on", left_s=60.0
    )
    done = StepDoneAgain(step="power_on", kind="power_on", verdict=Verdict.PASS)
    aside = _reading(name="mains_power", value=18.0, unit="W", limits=None, verdict=Verdict.INFO)
    text = shown(again, _reading(), aside, done)
    for words in (
        "[again] power_on",
        "switches the mains on",
        "THD",
        "max 0.1 %",
        "mains power 18",
    ):
        assert words in text
    assert text.endswith("  pass\n")
    assert "about 60 s left" in shown(again, terminal=True)


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        (Verdict.PASS, "pass"),
        (Verdict.CONDITIONAL_PASS, "conditional pass"),
        (Verdict.CONDITIONAL_FAIL, "conditional fail"),
        (Verdict.FAIL, "FAIL"),
        (Verdict.NO_READING, "no reading"),
        (Verdict.INFO, "info"),
    ],
)
def test_verdicts_stand_in_words(shown, verdict, words):
    assert shown(_reading(verdict=verdict)).rstrip().endswith(words)


def test_a_reading_tells_value_doubt_unit_and_limit(shown):
    line = shown(_reading())
    # U = 2 u = 0.0002 %; -74 dB is 20 lg 2e-4.
    for words in ("THD", "(0.02000 ± 0.00020) %", "-74.0 dB", "max 0.1 %", "pass"):
        assert words in line


def test_a_reading_without_a_value_tells_why(shown):
    line = shown(_reading(value=None, verdict=Verdict.NO_READING, reason="the range overloaded"))
    assert "no reading" in line
    assert "the range overloaded" in line


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (Outcome.PASS, "PASSED"),
        (Outcome.FAIL, "NOT PASSED"),
        (Outcome.STOPPED, "STOPPED: the cause"),
        (Outcome.INTERRUPTED, "INTERRUPTED: the cause"),
    ],
)
def test_the_end_is_told_in_words(shown, outcome, words):
    cause = "the cause" if "cause" in words else None
    assert words in shown(_started(), _reading(), RunFinished(outcome=outcome, cause=cause))


def test_readings_that_could_not_be_taken_are_told_with_their_reason(shown):
    lost = [
        _reading(
            name=name, value=None, limits=None, verdict=Verdict.NO_READING, reason="no \x1b[1mway"
        )
        for name in ("power", "gain")
    ]
    text = shown(*lost, StepFinished(step="a", kind="tone", verdict=Verdict.INFO))
    assert "no reading of power, gain: no \\x1b[1mway" in text


def test_the_runs_of_a_pair_are_told_apart(shown):
    one = [_started(planned=("a", "b")), _step(), _reading(), RunFinished(outcome=Outcome.PASS)]
    two = [_started(planned=("a",)), _step(), RunFinished(outcome=Outcome.PASS)]
    text = shown(*one, *two)
    assert text.count("PASSED") == 1
    assert text.rstrip().endswith("NOTHING WAS JUDGED: no reading has a limit")


def test_what_could_not_be_made_safe_is_a_warning(shown):
    text = shown(
        MadeSafe(
            actions=(
                SafeAction(action="generator output off", is_confirmed=True),
                SafeAction(action="mains off", is_confirmed=False, problem="pull the plug"),
            )
        )
    )
    assert "safe: generator output off, confirmed" in text
    assert "WARNING: pull the plug" in text


def test_a_step_left_out_says_why(shown):
    text = shown(
        StepFinished(step="a", kind="idle", verdict=Verdict.INFO, left_out="the bench has no dmm")
    )
    assert "a left out: the bench has no dmm" in text


EVIL_EVENTS = [
    _started(serial=EVIL, model=EVIL, title=EVIL, bench=EVIL, remarks=(EVIL,)),
    InstrumentReady(
        role="dmm",
        address="a",
        driver="scpi",
        manufacturer=EVIL,
        model=EVIL,
        serial="s",
        firmware="f",
        calibration_due=None,
        certificate=None,
        is_overdue=True,
    ),
    CautionAccepted(caution=EVIL, accepted_by=EVIL),
    _step(title=EVIL, does=EVIL),
    Noted(step="a", text=EVIL),
    Answered(step="a", question=EVIL, answer=EVIL),
    Waiting(step="a", left_s=5.0),
    _reading(value=None, verdict=Verdict.NO_READING, reason=EVIL),
    _reading(limits=Limit(maximum=1.0, written=(("max", EVIL),))),
    StepFinished(step=EVIL, kind="idle", verdict=Verdict.INFO, left_out=EVIL),
    MadeSafe(actions=(SafeAction(action="a", is_confirmed=False, problem=EVIL),)),
    RunFinished(outcome=Outcome.STOPPED, cause=EVIL),
]


@pytest.mark.parametrize("event", EVIL_EVENTS, ids=lambda event: type(event).__name__)
def test_nothing_from_outside_reaches_the_terminal_raw(shown, event):
    for terminal in (False, True):
        text = shown(event, terminal=terminal)
        for raw in ("\x1b[2J", "\x1b]0", "\x07", "\u202e"):
            assert raw not in text
    plain = shown(event)
    assert "\x1b" not in plain
    if "bold" in plain:  # markup is text, not style
        assert "[bold]b[/bold] :smile:" in plain


def test_a_bound_that_does_not_decide_is_undecided_and_no_missing_reading(shown):
    limit = Limit(minimum=1e6, written=(("min", "1 Mohm"),))
    known = {"name": "insulation", "unit": "ohm", "value": None, "uncertainty": None}
    bound = _reading(**known, lower_bound=5e5, limits=limit, verdict=Verdict.NO_READING)
    none = _reading(**known, limits=limit, verdict=Verdict.NO_READING, reason="no meter")
    end = StepFinished(step="a", kind="operator_reading", verdict=Verdict.NO_READING, left_out=None)
    text = shown(_step(), bound, end)
    assert "at least 500 kohm" in text
    assert text.count("undecided") == 2
    assert "no reading" not in text
    text = shown(_step(), bound, none, end)
    assert text.rstrip().endswith("no reading")


def test_an_answer_is_not_shown_again(shown):
    """Question and answer stand on the terminal already, where they were given."""
    assert shown(Answered(step="a", question="Done?", answer="yes")) == ""


def test_colour_only_repeats_the_words(shown):
    coloured = shown(_reading(), terminal=True)
    assert "\x1b[" in coloured
    plain = [line.split() for line in Text.from_ansi(coloured).plain.splitlines()]
    assert any(words and words[-1] == "pass" for words in plain)


def test_no_color_is_honoured(shown, monkeypatch):
    # https://no-color.org: present and not empty means no added colour.
    monkeypatch.setenv("NO_COLOR", "1")
    text = shown(_reading(verdict=Verdict.FAIL), terminal=True, color_system="truecolor")
    assert "\x1b[3" not in text
    assert "\x1b[1;3" not in text
    assert "FAIL" in text


def test_on_a_terminal_a_last_line_tells_what_goes_on(shown):
    text = shown(_step(), Waiting(step="a", left_s=300.0), terminal=True)
    assert "about 10 min left" in text


@pytest.mark.parametrize("width", [40, 60, 80])
def test_a_narrow_terminal_breaks_lines_between_words_only(shown, width):
    does = "switches the mains on with the input silent, then looks at the direct voltage"
    events = (_step(does=does), Waiting(step="a", left_s=300.0), _reading(), _reading(name="gain"))
    lines = Text.from_ansi(shown(*events, terminal=True, width=width)).plain.splitlines()
    assert max(map(len, lines)) <= width
    words = {word for line in lines for word in line.split()}
    assert {"switches", "direct", "voltage", "pass"} <= words
    assert any("max 0.1 %" in line for line in lines)


def test_what_is_broken_stays_indented_on_a_terminal_and_whole_in_a_file(shown):
    note = Noted(
        step="a", text="the mains stay off for 60 s more: inrush limiters cool before that"
    )
    lines = Text.from_ansi(shown(note, terminal=True, width=40)).plain.splitlines()
    assert "  note: the mains stay off for 60 s" in map(str.rstrip, lines)
    assert "  more: inrush limiters cool before that" in lines
    assert f"  note: {note.text}\n" in shown(note, width=40)


def test_a_pair_that_ended_early_says_how_the_bench_was_left():
    out = io.StringIO()
    with Screen(Terminal(file=out)) as screen:
        for event in (
            _started(),
            Energising(what="mains_switch: OUTP ON"),
            MadeSafe(actions=(SafeAction(action="mains off", is_confirmed=True),)),
        ):
            screen(Stamped(t_s=0.0, at=None, event=event))
        screen.show_pair("The pair: interrupted.", Outcome.INTERRUPTED)
        screen.show_pair("The pair: both passed.", Outcome.PASS)
    told = out.getvalue().splitlines()
    assert "The pair: interrupted. The bench was made safe." in told
    assert told[-1] == "The pair: both passed."


@pytest.mark.parametrize("width", range(24, 60))
def test_a_number_and_its_unit_stay_on_one_line(shown, width):
    does = "drives 1 kHz up to 28.28 V (100 W into 8 ohm), records 2.5 s, THD 0.08384 %, done"
    lines = Text.from_ansi(shown(_step(does=does), terminal=True, width=width)).plain.splitlines()
    assert not [line for line in lines if line.strip()[-1:].isdigit()]
    assert " ".join(does.split()) in " ".join(" ".join(lines).split())


@pytest.mark.parametrize(("width", "has_columns"), [(100, True), (50, False)])
def test_the_match_table_has_columns_where_they_fit(width, has_columns):
    rows = [
        (("tone_10w", "gain", "28.93 dB", "28.99 dB", "differ by 0.06 dB", "pass"), Verdict.PASS),
        (("t", "H2", "0.1 %", "at most 0.2 %", "no comparison", "no reading"), Verdict.NO_READING),
    ]
    out = io.StringIO()
    with Screen(Terminal(file=out, force_terminal=True, width=width)) as screen:
        screen.show_match(rows)
    shown = Text.from_ansi(out.getvalue()).plain
    assert ("t         H2    0.1 %     at most" in shown) is has_columns
    assert ("t  H2  0.1 %  at most" in shown) is not has_columns


@pytest.mark.parametrize("width", [40, 100])
def test_the_live_line_is_one_line_and_cut_with_a_sign(width):
    out = io.StringIO()
    with Screen(Terminal(file=out, force_terminal=True, width=width)) as screen:
        screen(Stamped(t_s=0.0, at=None, event=_step(does="drives " + 30 * "on and ")))
        before = out.tell()
        with screen.asking():
            shown = out.getvalue()[before:]
    live = [line for line in shown.splitlines() if "on and" in line]
    assert live
    assert all("drives" in line and "…" in line for line in live), "a second line is left behind"
    plain = [Text.from_ansi(line).plain.rstrip("\r") for line in live]
    assert max(map(len, plain)) <= width - len("^C")


def test_the_end_says_that_the_report_is_being_written(shown):
    text = shown(_step(), RunFinished(outcome=Outcome.PASS), terminal=True)
    assert "writing the report" in text


def test_off_a_terminal_there_are_plain_lines_only(shown):
    text = shown(_step(), Waiting(step="a", left_s=300.0), Noted(step="a", text="note"))
    assert "\r" not in text
    assert "\x1b" not in text
    assert "left" not in text


class _ClosedPipe(io.StringIO):
    def write(self, text):
        raise BrokenPipeError(32, "Broken pipe")

    def flush(self):
        raise BrokenPipeError(32, "Broken pipe")


def test_nobody_watching_any_more_does_not_stop_the_run():
    """`steadybench run ... | head` closes the pipe; the measurement and its record go on."""
    with Screen(Terminal(file=_ClosedPipe())) as screen:
        for event in (_started(), _step(), _reading(), RunFinished(outcome=Outcome.PASS)):
            screen(Stamped(t_s=0.0, at=None, event=event))


def test_a_reading_says_which_of_many_values_it_is_and_where(shown):
    thd = _reading(limits=None, verdict=Verdict.INFO, remarks=("at 20 kHz",))
    done = StepFinished(step="a", kind="sweep", verdict=Verdict.INFO)
    assert "THD, largest 0.02 % (at 20 kHz)" in shown(_step(kind="sweep"), thd, done)
    judged = shown(_step(kind="sweep"), _reading(remarks=("at 20 kHz",)))
    assert "THD, largest" in judged
    assert judged.rstrip().endswith("pass  at 20 kHz")


def test_a_reading_that_is_only_a_bound_is_shown_as_one(shown):
    low = _reading(name="bandwidth_low", value=None, unit="Hz", upper_bound=4.0, limits=None)
    done = StepFinished(step="a", kind="sweep", verdict=Verdict.INFO)
    assert "lower -3 dB frequency at most 4 Hz" in shown(_step(kind="sweep"), low, done)


class _Torn(io.StringIO):
    """A terminal that is gone when a signal has come in the midst of a write."""

    def write(self, text: str) -> int:
        try:
            raise Interrupted(signal.SIGTERM)
        finally:
            raise OSError(errno.EIO, "Input/output error")


def test_a_signal_in_a_write_that_fails_is_not_lost():
    screen = Screen(Terminal(file=_Torn()))
    with pytest.raises(Interrupted):
        screen(Stamped(t_s=0.0, at=None, event=Noted(step="s", text="anything")))


class _Gone(io.StringIO):
    """A terminal that is gone."""

    def write(self, text: str) -> int:
        raise OSError(errno.EIO, "Input/output error")


def test_a_signal_that_is_being_handled_is_not_told_again_by_a_terminal_that_is_gone():
    screen = Screen(Terminal(file=_Gone()))
    try:
        raise Interrupted(signal.SIGHUP)
    except Interrupted:
        screen(Stamped(t_s=0.0, at=None, event=Noted(step="s", text="anything")))
    assert screen.is_unseen
