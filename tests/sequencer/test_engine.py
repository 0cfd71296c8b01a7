"""The engine on a bench in memory: every way to end is safe, and no number is a wrong number."""

import itertools
import math

import pytest

from drivers.errors import (
    InstrumentError,
    InstrumentTimeout,
    LinkFailed,
    UnusableAnswer,
    WrongInstrument,
)
from drivers.fakes import Call
from drivers.roles import Role
from sequencer.access import GUARD_PERIOD_S
from sequencer.errors import BenchError, Interrupted
from sequencer.events import (
    Answered,
    CaptureTaken,
    CautionAccepted,
    Energising,
    GuardsLooked,
    InstrumentReady,
    MadeSafe,
    MakingSafe,
    Noted,
    Outcome,
    ReadingTaken,
    RunFinished,
    RunStarted,
    StepFinished,
    StepStarted,
)
from sequencer.limits import Verdict
from sequencer.operator import Declined, NobodyThere

LOAD = 201


def _timeout(command="X?"):
    return InstrumentTimeout("dmm", "TCPIP::127.0.0.1::3::SOCKET", command, 2.0)


def _unusable():
    return UnusableAnswer("dmm", "here", "READ?", "9.91E37", "not a number")


def _procedure(*steps, decision="plain"):
    head = (
        f"procedure: p\ndecision: {decision}\n"
        "unit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\nsteps:\n"
    )
    return head + "".join(f"  - {step}\n" for step in steps)


def test_a_good_unit_passes_and_the_bench_ends_safe(rig):
    finished = rig.run()
    assert finished == RunFinished(outcome=Outcome.PASS)
    assert rig.is_safe
    assert [a.action for a in rig.all(MadeSafe)[0].actions] == [
        "generator output off",
        "mains off",
        "standby command withdrawn",
        "router parked",
    ]
    assert all(action.is_confirmed for action in rig.all(MadeSafe)[0].actions)


def test_events_come_in_the_order_of_the_run(rig):
    caution = CautionAccepted(caution="mind", accepted_by="somebody")
    rig.run(cautions=[caution])
    passing = (Energising, Noted, GuardsLooked, MakingSafe)
    kinds = [type(event) for event in rig.events if not isinstance(event, passing)]
    assert kinds[:2] == [RunStarted, CautionAccepted]
    assert kinds[2:9] == [InstrumentReady] * 7
    steps = kinds[9:-2]
    assert steps[0] is StepStarted
    assert steps[-1] is StepFinished
    assert kinds[-2:] == [MadeSafe, RunFinished]
    started, finished = rig.all(StepStarted), rig.all(StepFinished)
    assert [e.step for e in started] == [e.step for e in finished]
    assert [(e.number, e.of) for e in started] == [(1, 3), (2, 3), (3, 3)]


def test_readings_of_a_step_lie_between_its_start_and_its_end_after_its_captures(rig):
    rig.run()
    tone = [e for e in rig.events if getattr(e, "step", "") == "tone_10w"]
    kinds = [type(event) for event in tone]
    assert kinds[0] is StepStarted
    assert kinds[-1] is StepFinished
    assert kinds.index(ReadingTaken) > kinds.index(CaptureTaken)


def test_the_reading_is_the_closed_form_truth(rig):
    # y = G u + h G peak cos(2 wt): level G emf, H2 = h exactly (definition of H2 re fundamental).
    rig.amplifier.second = 2e-4
    rig.run()
    readings = rig.readings_by_name()
    emf = next(e.capture.facts["emf_vrms"] for e in rig.all(CaptureTaken) if e.step == "tone_10w")
    # 10 uV of noise over 0.5 s is parts in 10^7 of 9 V.
    assert readings["tone_10w", "level"].value == pytest.approx(28.18 * emf, rel=1e-6)
    assert readings["tone_10w", "gain"].value == pytest.approx(20 * math.log10(28.18), abs=1e-4)
    assert readings["tone_10w", "h2"].value == pytest.approx(2e-4, rel=1e-2)
    # P = U^2/R: 8.944 V on 8 ohm are 10 W; the level control closes in within 0.05 dB (1.2 %).
    assert readings["tone_10w", "power"].value == pytest.approx(10.0, rel=0.012)
    assert readings["power_on", "dc_offset"].value == pytest.approx(1e-3, abs=1e-9)


def test_a_limit_not_met_is_a_result_and_the_run_goes_on(rig):
    rig.amplifier.second = 5e-3  # H2 of 0.5 % against 0.1 % THD
    finished = rig.run()
    assert finished == RunFinished(outcome=Outcome.FAIL)
    assert [e.verdict for e in rig.all(StepFinished)] == [
        Verdict.PASS,
        Verdict.FAIL,
        Verdict.INFO,
    ]
    assert rig.is_safe


@pytest.mark.parametrize("gain_db", [29.0 - 3.5, 29.0 + 3.5, -60.0])
def test_a_gain_far_from_the_expected_one_stops_at_the_first_small_level(rig, gain_db):
    # More than 3 dB off stops: something is wired wrong (common practice, no source).
    rig.amplifier.gain = 10.0 ** (gain_db / 20.0)
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert "gain is" in finished.cause
    assert "tone_10w" in finished.cause
    assert rig.is_safe
    levels = [call[0] for call in rig.called("set_level")]
    assert max(levels) <= math.sqrt(0.1 * 8.0) / 28.18 * 1.01  # 0.1 W into 8 ohm
    assert levels[-1] == 0.0


def test_a_turned_polarity_stops_at_the_first_small_level(rig):
    rig.amplifier.sign = -1.0
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert "polarity is inverting where normal is expected" in finished.cause
    assert rig.is_safe
    assert max(call[0] for call in rig.called("set_level")) < 0.04


def test_an_inverting_unit_that_should_be_inverting_passes(rig):
    rig.amplifier.sign = -1.0
    rig.procedure_text = rig.procedure_text.replace(
        "gain: 29 dB}", "gain: 29 dB, polarity: inverting}", 1
    )
    assert rig.run().outcome is Outcome.PASS


@pytest.mark.parametrize("dc_v", [0.15, -0.15])
def test_dc_at_the_output_stops_before_the_load_is_connected(rig, dc_v):
    rig.readings.dc_v = dc_v
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert "150 mV DC" in finished.cause
    assert (LOAD,) not in rig.called("close")
    assert rig.is_safe
    reading = rig.readings_by_name()["power_on", "dc_offset"]
    assert reading.value == pytest.approx(dc_v)
    assert reading.verdict is Verdict.FAIL


def test_the_load_is_connected_only_after_the_dc_was_looked_at(rig):
    rig.run()
    methods = [(c.method, c.arguments) for c in rig.log if isinstance(c, Call)]
    mains_on = methods.index(("set_output", (True,)), methods.index(("open", (LOAD,))))
    first_dc = methods.index(("read_dc_v", ()))
    load_on = methods.index(("close", (LOAD,)))
    assert methods.index(("open", (LOAD,))) < mains_on < first_dc < load_on


def test_relays_move_only_while_nothing_drives(rig):
    rig.run()
    level = 0.0
    for entry in rig.log:
        if not isinstance(entry, Call):
            continue
        if entry.method == "set_level":
            level = entry.arguments[0]
        elif entry.method == "set_sine":
            level = entry.arguments[1]
        elif entry.method in ("close", "open"):
            assert level == 0.0, entry


def test_everything_that_energises_is_announced_just_before(rig):
    rig.run()
    announced = False
    checked = 0
    for entry in rig.log:
        if isinstance(entry, Energising):
            announced = True
        elif isinstance(entry, Call) and _energises(entry):
            assert announced, entry
            announced = False
            checked += 1
    assert checked >= 5  # output, mains, and the rising levels


def _energises(call):
    match call.method, call.arguments:
        case "set_output", (True,):
            return True
        case "set_level", (level,):
            return level > 0.0
        case "set_sine", (_, level, _):
            return level > 0.0
    return False


def test_the_level_rises_from_a_tenth_of_a_watt_by_at_most_ten_db(rig):
    rig.run()
    rising = [call[0] for call in rig.called("set_level") if call[0] > 0.0]
    assert rising[0] == pytest.approx(math.sqrt(0.1 * 8.0) / 10 ** (29 / 20))
    for lower, higher in itertools.pairwise(rising):
        assert higher <= lower * math.sqrt(10.0) * 1.02


def test_the_generator_ceiling_is_never_passed_and_no_number_is_made_up(rig):
    # The planned level is just below the ceiling; a unit 1 dB low in gain would need more.
    rig.bench_text = rig.bench_text.replace("ceiling: 2 V", "ceiling: 0.32 V")
    rig.amplifier.gain = 10.0 ** (28.0 / 20.0)
    finished = rig.run()
    assert max(call[0] for call in rig.called("set_level")) <= 0.32
    assert finished.outcome is Outcome.FAIL
    reading = rig.readings_by_name()["tone_10w", "thd"]
    assert reading.value is None
    assert reading.verdict is Verdict.NO_READING
    assert reading.reason


def test_a_unit_that_runs_out_of_headroom_is_not_driven_on_and_on(rig):
    rig.amplifier.limit_v = 5.0
    finished = rig.run()
    wanted = math.sqrt(80.0) / 28.18
    # At most 3 dB more drive than the nominal gain asks for (MOST_EXTRA_DRIVE).
    assert max(call[0] for call in rig.called("set_level")) < wanted * 1.42
    assert finished.outcome in (Outcome.FAIL, Outcome.STOPPED)
    assert rig.is_safe
    level = rig.readings_by_name().get(("tone_10w", "level"))
    assert level is None or level.value is None


def test_waits_come_in_slices_no_longer_than_the_guards_period(rig):
    rig.run()
    assert max(rig.clock.sleeps) <= GUARD_PERIOD_S
    assert sum(rig.clock.sleeps) >= 25.0


# Every call of a run that can fail, and how; whatever fails, the bench ends safe.
_PLACES = [
    ("generator", "prepare"),
    ("analyser", "prepare"),
    ("dmm", "prepare"),
    ("router", "prepare"),
    ("mains_switch", "prepare"),
    ("router", "close"),
    ("router", "open"),
    ("generator", "set_sine"),
    ("generator", "set_level"),
    ("generator", "set_output"),
    ("generator", "is_output_on"),
    ("analyser", "set_range"),
    ("analyser", "start"),
    ("analyser", "fetch"),
    ("dmm", "read_dc_v"),
    ("mains_switch", "set_output"),
]


@pytest.mark.parametrize(("role", "method"), _PLACES)
@pytest.mark.parametrize(
    "error",
    [_timeout(), LinkFailed("dmm", "here", "X", "gone"), RuntimeError("a fault in a driver")],
    ids=["timeout", "link", "program"],
)
def test_an_instrument_that_fails_stops_the_run_and_the_bench_is_safe(rig, role, method, error):
    rig.fake(role).fail(method, error)
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert str(error) in finished.cause
    assert rig.is_safe
    assert rig.events[-1] == finished
    assert isinstance(rig.events[-2], MadeSafe)


def test_a_signal_at_any_call_ends_safe_and_passes_through(rig):
    good = type(rig)(folder=rig.folder)
    good.run()
    last = max(i for i, entry in enumerate(good.log) if isinstance(entry, StepFinished))
    calls = sum(isinstance(entry, Call) for entry in good.log[:last])
    assert calls > 40
    for number in range(calls):
        interrupted = type(rig)(folder=rig.folder)
        interrupted.log.signal_at = number
        with pytest.raises(Interrupted) as caught:
            interrupted.run()
        assert caught.value.exit_code == 130
        assert interrupted.is_safe
        assert isinstance(interrupted.events[-2], MadeSafe)
        assert interrupted.events[-1].outcome is Outcome.INTERRUPTED


def test_a_signal_while_the_end_is_worded_still_ends_safe(rig, scripted):
    class Late(Exception):
        def __str__(self):
            raise Interrupted(15)

    def act(bench):
        bench.energise("output")
        bench.generator.set_output(True)
        bench.mains_switch.set_output(True)
        raise Late

    rig.extra_kinds = {"scripted": scripted(act)}
    rig.procedure_text = _procedure("{id: a, kind: scripted}")
    with pytest.raises(Interrupted):
        rig.run()
    assert rig.is_safe
    assert rig.events[-1].outcome is Outcome.INTERRUPTED


def test_another_instrument_than_expected_is_a_refusal_and_nothing_is_energised(rig):
    wrong = WrongInstrument("dmm", "here", "*IDN?", "Expected", "Found")
    rig.dmm.fail("prepare", wrong)
    with pytest.raises(BenchError, match="Expected"):
        rig.run()
    assert rig.is_safe
    assert rig.all(Energising) == []
    assert not any(isinstance(e, Call) and _energises(e) for e in rig.log)


@pytest.mark.parametrize("error", [Declined("no"), NobodyThere("no one")])
def test_a_caution_that_is_declined_stops_safely(rig, error):
    def decline(caution, meanwhile):
        raise error

    rig.operator.accept = decline
    rig.procedure_text = _procedure(
        "{id: first, kind: power_on}", "{id: mind, kind: caution, text: Take care.}"
    )
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert str(error) in finished.cause
    assert rig.is_safe


def test_cautions_and_answers_are_recorded_with_their_step(rig):
    rig.procedure_text = _procedure(
        "{id: mind, kind: caution, text: Take care.}",
        "{id: ask, kind: question, text: What is on the label?}",
    )
    assert rig.run().outcome is Outcome.PASS
    assert rig.all(CautionAccepted) == [
        CautionAccepted(caution="Take care.", accepted_by="the test")
    ]
    assert rig.all(Answered) == [
        Answered(step="ask", question="What is on the label?", answer="42")
    ]


def test_an_answer_that_nobody_can_use_gives_no_number_and_the_run_goes_on(rig):
    rig.analyser.fail("fetch", None, _unusable())  # the probe comes, the record does not
    rig.procedure_text = rig.procedure_text.replace("level: 10 W", "level: 0.1 W")
    finished = rig.run()
    assert finished.outcome is Outcome.FAIL
    readings = [r for (step, _), r in rig.readings_by_name().items() if step == "tone_10w"]
    for reading in readings:
        assert reading.value is None
        assert "not a number" in reading.reason
    assert rig.all(StepFinished)[-1].step == "power_off"
    assert rig.is_safe


def test_an_unusable_answer_before_the_load_is_connected_stops_the_run(rig):
    # Without the DC check the load must stay off, and without the load a power is a wrong number.
    rig.dmm.fail("read_dc_v", _unusable())
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert (LOAD,) not in rig.called("close")
    assert ("tone_10w", "power") not in rig.readings_by_name()
    assert rig.readings_by_name()["power_on", "dc_offset"].verdict is Verdict.NO_READING
    assert rig.is_safe


def test_a_step_without_limits_that_breaks_off_says_why(rig, scripted):
    def act(bench):
        raise _unusable()

    rig.extra_kinds = {"scripted": scripted(act)}
    rig.procedure_text = _procedure("{id: a, kind: scripted}")
    rig.run()
    assert any("not a number" in note.text for note in rig.all(Noted))


def test_after_an_unusable_answer_nothing_drives_on(rig, scripted):
    def act(bench):
        bench.energise("level")
        bench.generator.set_level(1.0)
        raise _unusable()

    rig.extra_kinds = {"scripted": scripted(act)}
    rig.procedure_text = _procedure("{id: a, kind: scripted}", "{id: b, kind: wait, time: 1 s}")
    rig.run()
    assert rig.called("set_sine")[-1][:2] == (1000.0, 0.0)


def test_a_step_that_breaks_off_leaves_load_and_meter_where_it_found_them(rig, scripted):
    """Else later tones would tell powers into a load that is not there."""
    states = []

    def connect(bench):
        bench.connect("load")

    def break_off(bench):
        bench.disconnect("load")
        bench.generator.set_sine(1000.0, 0.0, offset_v=0.005)
        raise _unusable()

    def look(bench):
        states.append(bench.router.is_closed(201))
        yield from ()

    rig.extra_kinds = {
        "connects": scripted(connect, "connects"),
        "breaks": scripted(break_off, "breaks"),
        "looks": scripted(look, "looks"),
    }
    rig.procedure_text = _procedure(
        "{id: a, kind: connects}", "{id: b, kind: breaks}", "{id: c, kind: looks}"
    )
    rig.run()
    assert states == [True]
    offsets = [call[2] for call in rig.called("set_sine") if len(call) > 2]
    assert not offsets or offsets[-1] == 0.0
    assert [call for call in rig.called("close") if call == (301,)]


def test_captures_taken_before_a_step_broke_off_are_kept(rig):
    rig.readings.dc_v = 0.15
    rig.run()
    assert [e.capture.name for e in rig.all(CaptureTaken)] == ["dc"]


def _failing_from(kind):
    """A sink that fails from the first event of a kind on, as a full disk does."""
    seen = []

    def sink(stamped):
        seen.append(stamped.event)
        if any(isinstance(event, kind) for event in seen):
            raise OSError(28, "No space left on device")

    return sink


@pytest.mark.parametrize(
    "kind", [RunStarted, InstrumentReady, Energising, CaptureTaken, ReadingTaken, StepFinished]
)
def test_a_record_that_can_t_be_written_stops_the_run_safely(rig, kind):
    rig.sinks = [_failing_from(kind)]
    finished = rig.run()
    assert finished.outcome is Outcome.STOPPED
    assert "could not be written" in finished.cause
    assert "No space left" in finished.cause
    assert rig.is_safe


def test_a_failing_sink_keeps_the_other_sinks_informed_of_the_safe_end(rig):
    told = []
    rig.sinks = [_failing_from(Energising), lambda stamped: told.append(stamped.event)]
    finished = rig.run()
    assert isinstance(told[-2], MadeSafe)
    assert told[-1] == finished


def test_a_failing_sink_does_not_hinder_the_messages_that_make_safe(rig):
    """Drivers report each message while they make safe; a full disk must not stop them."""
    from drivers.link import Exchange

    exchange = Exchange(
        role="generator",
        address="a",
        command="OUTP OFF",
        answer=None,
        seconds=0.0,
        attempt=1,
        error=None,
    )
    switch = rig.generator.set_output

    def set_output(on):
        rig.emitter.exchanged(exchange)  # a fresh connection greets before it switches
        switch(on)

    rig.generator.set_output = set_output
    rig.sinks = [_failing_from(CaptureTaken)]
    rig.run()
    assert rig.is_safe
    assert all(action.is_confirmed for action in rig.all(MadeSafe)[0].actions)


def test_nothing_energises_before_its_announcement_is_written(rig):
    rig.sinks = [_failing_from(Energising)]
    rig.run()
    assert not any(isinstance(e, Call) and _energises(e) for e in rig.log)


def test_a_step_the_bench_can_t_do_is_left_out_with_the_reason(rig):
    rig.left_out_roles = (Role.THERMOMETER,)
    rig.bench_text = "".join(
        line for line in rig.bench_text.splitlines(keepends=True) if "thermometer" not in line
    )
    assert rig.run().outcome is Outcome.PASS


@pytest.fixture
def by_hand(rig):
    """A bench without a mains switch, and an operator who does what he is asked to."""
    rig.left_out_roles = (Role.MAINS_SWITCH,)
    rig.bench_text = "".join(
        line for line in rig.bench_text.splitlines(keepends=True) if "mains_switch" not in line
    )
    rig.operator.says = "yes"
    return rig


def test_without_a_mains_switch_the_person_switches_and_his_word_is_told_at_the_end(by_hand):
    rig = by_hand
    rig.run()
    asked = [text for text in rig.operator.asked if "mains switch" in text]
    assert "been switched off" in asked.pop(0)
    assert [("A-1 on" in a, "A-1 off" in a) for a in asked] == [(True, False), (False, True)]
    last = rig.all(MadeSafe)[0].actions[-1]
    assert last.action == "unit switched off by hand, as the test confirmed"
    assert (last.is_confirmed, last.is_by_word, last.problem) == (True, True, None)


def _mains_at_the_end(rig):
    last = rig.all(MadeSafe)[0].actions[-1]
    return last.action if last.is_confirmed else last.problem


def _answering(rig, **answers):
    """He answers so where these words are asked, else yes."""
    ask = rig.operator.answer

    def answer(question, meanwhile):
        ask(question)
        return next((says for word, says in answers.items() if f" {word} " in question), "yes")

    rig.operator.answer = answer


LEFT = "this bench has no mains switch: switch the unit off by hand"


def test_nobody_s_word_that_the_unit_is_off_leaves_it_to_be_switched_off(by_hand):
    _answering(by_hand, off="no")
    assert by_hand.run().outcome is Outcome.STOPPED
    assert _mains_at_the_end(by_hand) == LEFT


def test_a_unit_that_came_on_again_after_it_was_switched_off_is_left_on(by_hand):
    on_again = "  - {id: on_again, kind: power_on}\n"
    by_hand.procedure_text += on_again
    by_hand.run()
    assert _mains_at_the_end(by_hand) == LEFT


def test_he_who_would_not_switch_on_need_not_have_switched_off(by_hand):
    """Whether he did not is not known; so nothing is said to be off."""
    _answering(by_hand, on="no")
    by_hand.run()
    assert _mains_at_the_end(by_hand) == LEFT


def test_a_run_that_ends_before_it_switches_on_says_so(by_hand):
    by_hand.procedure_text = by_hand.procedure_text.replace(
        "steps:\n", "steps:\n  - {id: look, kind: caution, text: Look.}\n", 1
    )
    by_hand.operator.accept = _declined
    assert by_hand.run().outcome is Outcome.STOPPED
    assert _mains_at_the_end(by_hand) == "unit not switched on in this run"


def _declined(caution, meanwhile):
    raise Declined("no")


def test_a_run_that_never_switches_on_may_have_found_the_unit_on(by_hand):
    by_hand.procedure_text = by_hand.procedure_text.partition("steps:")[0] + (
        "steps:\n  - {id: rest, kind: dc_offset}\n"
    )
    by_hand.run()
    assert _mains_at_the_end(by_hand) == LEFT


def test_a_lost_clock_does_not_keep_the_bench_from_being_made_safe(rig):
    ticks = iter(range(40))

    def now_s():
        if next(ticks, None) is None:
            raise InstrumentError("clock", "here", "DIAG:CLOC:TIME?", "gone")
        return 0.0

    rig.clock.now_s = now_s
    rig.run()
    assert rig.is_safe
    assert isinstance(rig.events[-1], RunFinished)


def test_generator_and_mains_are_seen_off_before_a_unit_is_put_on_the_bench(rig):
    rig.run()
    methods = [c.method for c in rig.log if isinstance(c, Call)]
    assert methods[: methods.index("close")].count("is_output_on") == 2


def test_a_step_that_stops_the_run_is_made_safe_before_it_is_evaluated_in_peace(rig):
    """Those who watch hear that the hurry is over before anything is computed."""
    rig.amplifier.sign = -1.0  # wired wrong
    assert rig.run().outcome is Outcome.STOPPED
    cut = next(i for i, e in enumerate(rig.events) if isinstance(e, StepFinished) and e.cut)
    marks = [i for i, e in enumerate(rig.events) if isinstance(e, MakingSafe)]
    assert [rig.events[i].is_over for i in marks] == [False, True]
    assert marks[1] < cut
    computed = [i for i, e in enumerate(rig.events) if isinstance(e, ReadingTaken)]
    assert not [i for i in computed if marks[0] < i < marks[1]]
