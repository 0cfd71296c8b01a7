"""Procedure against bench, before anything is energised: every reason against it, each at its step."""

from datetime import date

import pytest

from sequencer.bench_spec import load_bench
from sequencer.checking import plan
from sequencer.errors import CapabilityMissing
from sequencer.procedure import load_procedure
from sequencer.steps.registry import kinds

BENCH = """\
bench: corner bench
generator_ceiling: 2 V
mains_voltage: 230 V
load:
  {resistance: 8 ohm, continuous_power: 50 W, short_term_power: 120 W, short_term_duration: 60 s}
router_channels: {unit_1: 101, load: 201, meter_output: 301}
independent_means: [emergency stop]
instruments:
  generator: {address: "TCPIP::127.0.0.1::1::SOCKET", calibration: {due: 2027-05-01}}
  analyser:
    address: TCPIP::127.0.0.1::2::SOCKET
    ranges: [1 V, 100 V]
    sample_rates: [48 kHz, 96 kHz]
    calibration: {due: 2027-05-01}
  dmm: {address: "TCPIP::127.0.0.1::3::SOCKET", calibration: {due: 2027-05-01}}
  router: {address: "TCPIP::127.0.0.1::4::SOCKET"}
"""
HEAD = "procedure: p\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\nsteps:\n"
LARGE_UNIT = HEAD.replace("rated_power: 100 W", "rated_power: 1 kW")
TODAY = date(2027, 1, 1)


@pytest.fixture
def planned(tmp_path):
    """The plan of some steps on a bench: planned("{id: a, kind: wait, time: 1 s}")."""

    def make(*steps, head=HEAD, bench=BENCH, today=TODAY, is_unattended=False, given=None):
        procedure = tmp_path / "p.yaml"
        procedure.write_text(head + "".join(f"  - {s}\n" for s in steps), encoding="utf-8")
        bench_file = tmp_path / "bench.yaml"
        bench_file.write_text(bench, encoding="utf-8")
        registry = kinds()
        return plan(
            load_procedure(procedure, registry=registry),
            load_bench(bench_file),
            registry,
            today=today,
            is_unattended=is_unattended,
            given=given or {},
        )

    return make


@pytest.fixture
def against(planned):
    """What stands against some steps: (line, words) each."""

    def refuse(*steps, **options):
        with pytest.raises(CapabilityMissing) as caught:
            planned(*steps, **options)
        assert caught.value.exit_code == 2
        return [(error.place.line, error.message) for error in caught.value.errors]

    return refuse


def test_a_procedure_that_the_bench_can_do_is_planned_step_by_step(planned):
    found = planned(
        "{id: first, kind: power_on, settle: 10 s}",
        "{id: a, kind: tone, level: 10 W, hold: 20 s}",
        "{id: rest, kind: wait, time: 1 min}",
    )
    assert [each.step.id for each in found.steps] == ["first", "a", "rest"]
    assert all(each.does and each.left_out is None for each in found.steps)
    assert found.estimate_s == sum(each.duration_s for each in found.steps)
    assert 90.0 < found.estimate_s < 120.0
    assert found.remarks == ()


@pytest.mark.parametrize(
    ("step", "words"),
    [
        # 400 W into 8 ohm at 29 dB: sqrt(3200)/28.18 = 2.007 V e.m.f., above 2 V.
        ("{id: a, kind: tone, level: 400 W}", "above the bench's ceiling of 2 V"),
        # Up to 40 kHz: 96 kHz sees up to 48 kHz, but not the octave above 30 kHz.
        ("{id: a, kind: tone, level: 1 W, frequency: 30 kHz}", "wants to see up to 60 kHz"),
        (
            "{id: a, kind: tone, level: 200 W}",
            "the load takes 50 W at most, or 120 W for 60 s",
        ),
        ("{id: a, kind: tone, level: 100 W, hold: 2 min}", "the load stands that for 60 s"),
        ("{id: a, kind: warm_up, level: 60 W, time: 20 min}", "the load stands that for 60 s"),
        (
            "{id: a, kind: test_point, point: bias, required: true}",
            "no router channel meter_bias, and the step is required",
        ),
    ],
)
def test_what_the_bench_can_t_do_is_told_at_the_step(against, step, words):
    found = against("{id: before, kind: wait, time: 1 s}", step, head=LARGE_UNIT)
    assert [line for line, _ in found] == [5] * len(found)
    assert any(words in message and "step a: " in message for _, message in found), found


@pytest.mark.parametrize(
    "level",
    # 100 W into 8 ohm are 28.28 V: "28.7 V" is 103 W, "+29.2 dBV" 104 W, "+31.4 dBu" 103 W.
    [
        "300 W",
        "103 W",
        "28.7 V",
        "+29.2 dBV",
        "31.4 dBu",
        "41 Vp",
        "82 Vpp",
        "110 % of rated power",
    ],
)
@pytest.mark.parametrize(
    "kind",
    [
        "kind: tone",
        "kind: warm_up, time: 1 min",
        "kind: sweep",
        "kind: exponential_sweep",
        "kind: damping_factor",
        "kind: intermodulation",
        "kind: wideband",
    ],
)
def test_more_than_the_unit_is_rated_for_is_refused_in_every_unit_of_level(against, level, kind):
    bench = WARM_LOAD.replace("    ranges: [", "    channels: 2\n    ranges: [")
    found = against(f"{{id: a, {kind}, level: {level}}}", bench=bench)
    words = [message for _, message in found if "rated for 100 W and would clip" in message]
    assert len(words) == 1
    assert words[0].startswith("step a: drives 1" if level != "300 W" else "step a: drives 300 W")


@pytest.mark.parametrize("level", ["100 W", "28.3 V", "+29.03 dBV", "100 % of rated power"])
def test_rated_power_itself_is_driven(planned, level):
    assert planned(f"{{id: a, kind: tone, level: {level}}}", bench=WARM_LOAD)


def test_a_level_sweep_may_go_beyond_since_it_stops_by_itself(planned):
    assert planned("{id: a, kind: level_sweep}", bench=WARM_LOAD)  # up to 150 %


def test_a_level_whose_peak_the_analyser_can_t_hold_is_refused_before_it_clips(planned, against):
    # 100 W into 8 ohm: sqrt(2 * 100 * 8) = 40 V peak.
    loud = "{id: a, kind: tone, level: 100 W}"
    fits, clips = (WARM_LOAD.replace("100 V]", f"{volts} V]") for volts in ("41", "40"))
    assert planned(loud, bench=fits)
    ((_, message),) = against(loud, bench=clips)
    assert "40 V peak, but the analyser's highest range is 40 V peak" in message
    # The level sweep goes on to 150 W: 49 V peak.
    ((_, message),) = against("{id: a, kind: level_sweep}", bench=fits)
    assert "48.99 V peak" in message


@pytest.mark.parametrize(
    ("steps", "off"),
    [
        (["{id: a, kind: tone, level: 1 W}"], ["a"]),
        (["{id: mains, kind: power_on}", "{id: a, kind: tone, level: 1 W}"], []),
        (["{id: mains, kind: servo_settling}", "{id: a, kind: sweep}"], []),
        (["{id: a, kind: sweep}", "{id: mains, kind: power_on}"], ["a"]),
        (
            [
                "{id: mains, kind: power_on}",
                "{id: dark, kind: power_off}",
                "{id: a, kind: level_sweep}",
            ],
            ["a"],
        ),
        # Silence may be listened to with the unit off, and the bench itself is no unit.
        (["{id: a, kind: idle}", "{id: b, kind: wideband}"], []),
        (["{id: loop, kind: connect, analyser: loop}", "{id: a, kind: tone, level: 0.5 V}"], []),
        (
            [
                "{id: loop, kind: connect, analyser: loop}",
                "{id: back, kind: connect, analyser: output}",
                "{id: again, kind: repeat, count: 2, steps: [{id: a, kind: tone, level: 1 W}]}",
            ],
            ["a"],
        ),
    ],
)
def test_a_unit_that_is_surely_off_is_not_driven(planned, against, steps, off):
    """It would stop the run as "wired wrong", which sends people the wrong way."""
    no_switch = WARM_LOAD.replace("96 kHz]", "96 kHz, 1 MHz]")
    assert planned(*steps, bench=no_switch)  # a person may have switched it on
    bench = no_switch + '  mains_switch: {address: "TCPIP::127.0.0.1::5::SOCKET"}\n'
    if not off:
        assert planned(*steps, bench=bench)
        return
    found = against(*steps, bench=bench)
    assert [message for _, message in found] == [
        f"step {each}: drives the unit, but no step before it has switched it on; put a power_on "
        "(or servo_settling) before it"
        for each in off
    ]


DRIVEN = "{id: a, kind: tone, level: 1 W}, {id: dark, kind: power_off}"


@pytest.mark.parametrize(
    ("group", "is_refused"),
    [
        (f"count: 2, steps: [{DRIVEN}]", True),
        (f"time: 1 h, steps: [{DRIVEN}]", True),
        (f"count: 1, steps: [{DRIVEN}]", False),
        (f"count: 2, steps: [{{id: light, kind: power_on}}, {DRIVEN}]", False),
    ],
)
def test_a_round_does_not_drive_what_the_round_before_switched_off(
    planned, against, group, is_refused
):
    bench = WARM_LOAD + '  mains_switch: {address: "TCPIP::127.0.0.1::5::SOCKET"}\n'
    steps = ("{id: mains, kind: power_on}", f"{{id: again, kind: repeat, {group}}}")
    if not is_refused:
        assert planned(*steps, bench=bench)
        return
    ((_, message),) = against(*steps, bench=bench)
    assert message.startswith(
        "step a: in its second round drives the unit, which the first one left"
    )


def test_a_short_burst_above_the_continuous_power_is_fine(planned):
    assert planned("{id: a, kind: tone, level: 100 W, hold: 30 s}")


def test_every_reason_is_told_at_once(against):
    found = against(
        "{id: a, kind: tone, level: 400 W}",
        "{id: b, kind: tone, level: 1 W, frequency: 30 kHz}",
        head=LARGE_UNIT,
    )
    assert {line for line, _ in found} == {4, 5}
    assert len(found) >= 3  # too much drive, too much for the load, too high


def test_a_step_that_lacks_something_is_left_out_and_costs_no_time(planned):
    (step,) = planned("{id: a, kind: test_point, point: bias}").steps
    assert step.left_out == "the bench has no router channel meter_bias"
    assert step.duration_s == 0.0


def test_another_load_than_the_procedure_wants_is_refused(against):
    bench = BENCH.replace("resistance: 8 ohm", "resistance: 4 ohm")
    ((line, message),) = against("{id: a, kind: wait, time: 1 s}", bench=bench)
    assert BENCH.splitlines()[line - 1].startswith("  {resistance: 8 ohm")
    assert "the bench has a load of 4 ohm, but the unit wants 8 ohm" in message


@pytest.mark.parametrize(("ohm", "is_near"), [("8.15", True), ("7.85", True), ("8.2", False)])
def test_the_load_may_be_two_per_cent_off(planned, against, ohm, is_near):
    # Within 2 % of nominal (bench practice; common practice, no source).
    bench = BENCH.replace("resistance: 8 ohm", f"resistance: {ohm} ohm")
    (planned if is_near else against)("{id: a, kind: wait, time: 1 s}", bench=bench)


@pytest.mark.parametrize("output", ["bridged", "floating"])
def test_a_grounded_input_on_an_output_that_must_not_be_grounded_is_refused(against, output):
    head = HEAD.replace("gain: 29 dB", f"gain: 29 dB, output: {output}")
    found = against("{id: a, kind: tone, level: 1 W}", head=head)
    assert f"the output is {output}: a grounded analyser input" in found[0][1]


def test_a_question_is_refused_when_nobody_is_there(planned, against):
    step = "{id: a, kind: question, text: Is it warm?}"
    assert planned(step)
    found = against(step, is_unattended=True)
    assert "the run is unattended" in found[0][1]


@pytest.mark.parametrize(
    ("right", "wrong", "words"),
    [
        (
            "2027-05-01}}\n  router",
            "2026-05-01}}\n  router",
            "dmm: calibration ran out on 2026-05-01",
        ),
        (", calibration: {due: 2027-05-01}}\n  router", "}\n  router", "dmm: no calibration date"),
    ],
)
def test_overdue_calibration_makes_results_indicative(planned, right, wrong, words):
    assert right in BENCH
    remarks = planned("{id: a, kind: wait, time: 1 s}", bench=BENCH.replace(right, wrong)).remarks
    assert any(words in remark and "results are indicative" in remark for remark in remarks)


def test_a_calibration_holds_on_its_last_day(planned):
    assert planned("{id: a, kind: wait, time: 1 s}", today=date(2027, 5, 1)).remarks == ()
    assert len(planned("{id: a, kind: wait, time: 1 s}", today=date(2027, 5, 2)).remarks) == 3


NOTHING_ACTS = BENCH.replace("independent_means: [emergency stop]\n", "")


def test_a_bench_where_nothing_acts_when_the_computer_dies_says_so(planned):
    remarks = planned("{id: a, kind: wait, time: 1 s}", bench=NOTHING_ACTS).remarks
    assert any("stay at the bench" in remark for remark in remarks)


def test_there_nobody_may_leave_the_room_while_something_is_driven(planned, against):
    drives = "{id: a, kind: tone, level: 1 W}"
    found = against(drives, bench=NOTHING_ACTS, is_unattended=True)
    assert "stay at the bench" in found[0][1]
    assert planned(drives, bench=NOTHING_ACTS)
    waits = planned("{id: a, kind: wait, time: 1 s}", bench=NOTHING_ACTS, is_unattended=True)
    assert waits.steps


@pytest.mark.parametrize("key", ["cautions_accepted", "unattended_accepted"])
def test_what_was_accepted_on_a_day_still_to_come_was_not_accepted(planned, against, key):
    step = "{id: a, kind: wait, time: 1 s}"
    bench = f"{key}: {{by: me, when: 2027-01-02}}\n" + BENCH
    assert planned(step, bench=bench, today=date(2027, 1, 2))
    ((line, message),) = against(step, bench=bench, today=date(2027, 1, 1))
    assert line == 1
    assert f"{key}: 2027-01-02 is still to come (today is 2027-01-01)" in message


def test_two_roles_at_one_address_are_told_and_switches_refused(planned, against):
    step = "{id: a, kind: wait, time: 1 s}"
    (remark,) = planned(step, bench=BENCH.replace("::4::", "::3::")).remarks
    assert "dmm and router share the address at " in remark
    assert "bench.yaml:16:21, which is right only where one instrument is both" in remark
    switch = '  mains_switch: {address: "TCPIP0::127.0.0.1::1::SOCKET"}\n'
    ((line, message),) = against(step, bench=BENCH + switch)
    assert line == len(BENCH.splitlines()) + 1
    assert "generator and mains_switch can't share an address" in message


def test_the_risk_can_be_accepted_in_writing(planned):
    bench = "unattended_accepted: {by: the workshop, when: 2027-01-01}\n" + NOTHING_ACTS
    found = planned("{id: a, kind: tone, level: 1 W}", bench=bench, is_unattended=True)
    assert any("accepted by the workshop on 2027-01-01" in remark for remark in found.remarks)


def test_a_load_gathers_heat_over_steps_and_cools_between_them(tmp_path):
    """Two steps the load stands alone are too much in a row; a rest between them makes them fit."""
    from datetime import date

    from sequencer.bench_spec import load_bench
    from sequencer.checking import plan
    from sequencer.errors import CapabilityMissing
    from sequencer.procedure import load_procedure
    from sequencer.steps.registry import kinds

    bench_path = tmp_path / "bench.yaml"
    bench_path.write_text(
        "bench: small load\ngenerator_ceiling: 2 V\n"
        "load: {resistance: 8 ohm, continuous_power: 50 W, short_term_power: 150 W, "
        "short_term_duration: 10 s}\n"
        "independent_means: [stop]\n"
        "instruments:\n"
        "  generator: {address: 'TCPIP::127.0.0.1::1::SOCKET'}\n"
        "  analyser: {address: 'TCPIP::127.0.0.1::2::SOCKET', ranges: [100 V], "
        "sample_rates: [96 kHz]}\n"
        "  dmm: {address: 'TCPIP::127.0.0.1::3::SOCKET'}\n"
    )
    head = "procedure: p\ntitle: p\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\nsteps:\n"
    loud = "  - {{id: loud_{}, kind: tone, level: 100 W, hold: 3 s}}\n"
    rest = "  - {id: rest, kind: wait, time: 1 min}\n"
    in_a_row, rested = tmp_path / "row.yaml", tmp_path / "rested.yaml"
    in_a_row.write_text(head + loud.format(1) + loud.format(2))
    rested.write_text(head + loud.format(1) + rest + loud.format(2))
    bench = load_bench(bench_path)

    def planned(path):
        procedure = load_procedure(str(path), registry=kinds())
        return plan(procedure, bench, kinds(), today=date(2026, 1, 1))

    planned(rested)
    with pytest.raises(CapabilityMissing) as refusal:
        planned(in_a_row)
    assert "with the steps before it" in refusal.value.errors[0].message


@pytest.mark.parametrize(
    ("step", "problem"),
    [
        ("{id: a, kind: power_on}", "no mains switch"),
        ("{id: a, kind: servo_settling}", "no mains switch"),
        ("{id: a, kind: power_off}", "no mains switch"),
        ("{id: a, kind: connect, analyser: loop}", "no analyser loop"),
    ],
)
def test_what_needs_a_hand_is_refused_when_nobody_is_there(tmp_path, step, problem):
    """Nobody's hand must not count as done: a dead unit would be measured, and pass."""
    from datetime import date

    from sequencer.bench_spec import load_bench
    from sequencer.checking import plan
    from sequencer.errors import CapabilityMissing
    from sequencer.procedure import load_procedure
    from sequencer.steps.registry import kinds

    bench_path = tmp_path / "bench.yaml"
    bench_path.write_text(
        "bench: few roles\ngenerator_ceiling: 2 V\n"
        "load: {resistance: 8 ohm, continuous_power: 200 W}\nindependent_means: [stop]\n"
        "instruments:\n"
        "  generator: {address: 'TCPIP::127.0.0.1::1::SOCKET'}\n"
        "  analyser: {address: 'TCPIP::127.0.0.1::2::SOCKET', ranges: [100 V], "
        "sample_rates: [96 kHz]}\n"
        "  dmm: {address: 'TCPIP::127.0.0.1::3::SOCKET'}\n"
    )
    path = tmp_path / "p.yaml"
    path.write_text(
        "procedure: p\ntitle: p\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\n"
        f"steps:\n  - {step}\n"
    )
    procedure, bench = load_procedure(str(path), registry=kinds()), load_bench(bench_path)
    plan(procedure, bench, kinds(), today=date(2026, 1, 1))
    with pytest.raises(CapabilityMissing) as refusal:
        plan(procedure, bench, kinds(), today=date(2026, 1, 1), is_unattended=True)
    assert problem in refusal.value.errors[0].message


# 200 W for as long as it likes, 400 W for 10 s.
WARM_LOAD = BENCH.replace(
    "continuous_power: 50 W, short_term_power: 120 W, short_term_duration: 60 s",
    "continuous_power: 200 W, short_term_power: 400 W, short_term_duration: 10 s",
)
LOUD = "{id: loud, kind: tone, level: 300 W, hold: 0 s, record: 1 s}"
QUIET = "{id: quiet, kind: wait, time: 30 s}"


def _rounds(count, *steps, extra=""):
    return f"{{id: again, kind: repeat, count: {count}{extra}, steps: [{', '.join(steps)}]}}"


def test_a_load_gathers_heat_from_round_to_round(planned, against):
    """One round is nothing to it, a hundred without rest put 300 W on it for minutes."""
    head = HEAD.replace("rated_power: 100 W", "rated_power: 300 W")
    assert planned(_rounds(1, LOUD), bench=WARM_LOAD, head=head)
    ((_, message),) = against(_rounds(100, LOUD), bench=WARM_LOAD, head=head)
    assert "step loud: puts 300 W into the load" in message
    assert "the load stands that for 10 s" in message


@pytest.mark.parametrize("rest", [[QUIET], []])
def test_a_burn_in_with_rests_passes_however_long(planned, rest):
    head = HEAD.replace("rated_power: 100 W", "rated_power: 300 W")
    step = _rounds(100_000, LOUD, *rest, extra="" if rest else ", period: 1 min")
    assert planned(step, bench=WARM_LOAD, head=head)


def test_rounds_within_rounds_heat_the_load_too(planned, against):
    head = HEAD.replace("rated_power: 100 W", "rated_power: 300 W")
    inner = _rounds(2, LOUD).replace("again", "twice")
    assert planned(_rounds(1, inner), bench=WARM_LOAD, head=head)
    assert len(against(_rounds(50, inner), bench=WARM_LOAD, head=head)) == 1


SWITCHED = WARM_LOAD.replace("96 kHz]", "96 kHz, 1 MHz]") + (
    '  mains_switch: {address: "TCPIP::127.0.0.1::5::SOCKET"}\n'
)


@pytest.mark.parametrize(
    ("steps", "seconds"),
    [
        # The mains are found off, nobody knows since when: 60 s, then 10 s and 1 s for the load.
        (["{id: mains, kind: power_on}"], 60 + 11),
        (["{id: ask, kind: wait, time: 40 s}", "{id: mains, kind: power_on}"], 40 + 20 + 11),
        (["{id: ask, kind: wait, time: 2 min}", "{id: mains, kind: power_on}"], 120 + 11),
        # Off and on again: what rests after power_off counts.
        (
            [
                "{id: mains, kind: power_on}",
                "{id: dark, kind: power_off, rest: 45 s}",
                "{id: mains_2, kind: power_on}",
            ],
            71 + 45 + 15 + 11,
        ),
        # Each round after the first rests between its own off and on.
        (
            [
                (
                    "{id: again, kind: repeat, count: 3, steps: "
                    "[{id: mains, kind: power_on}, {id: dark, kind: power_off, rest: 50 s}]}"
                )
            ],
            (60 + 11 + 50) + 2 * (10 + 11 + 50),
        ),
        (
            [
                (
                    "{id: again, kind: repeat, count: 3, period: 5 min, steps: "
                    "[{id: mains, kind: power_on}, {id: dark, kind: power_off}]}"
                )
            ],
            3 * 300,
        ),
    ],
)
def test_the_expected_time_holds_the_rest_of_the_mains(planned, steps, seconds):
    """Inrush limiters cool for 60 s or more (../shared/reference/bench_practice.md)."""
    found = planned(*steps, bench=SWITCHED)
    assert found.estimate_s == pytest.approx(seconds)
    on = [step for each in found.steps for step in each.walk() if step.step.kind == "power_on"]
    assert all(each.duration_s == pytest.approx(11 + each.mains_rest_s) for each in on)


def test_a_bench_switched_by_hand_has_the_operator_see_to_the_rest(planned):
    assert planned("{id: mains, kind: power_on}", bench=WARM_LOAD).estimate_s == pytest.approx(11)


def test_a_group_that_would_go_on_for_years_is_refused(against):
    group = (
        "{id: again, kind: repeat, count: 100000, period: 10 h, steps: [{kind: wait, time: 1 s}]}"
    )
    ((line, message),) = against(group)
    assert line == 4
    assert message == (
        "step again: would take 113.8 years, and a run may take one at most; shorten its count or its "
        "period"
    )


def test_what_takes_too_long_without_rounds_names_none(against):
    half_a_year = "{kind: wait, id: ID, time: 4500 h}"
    steps = [half_a_year.replace("ID", name) for name in ("a", "b")]
    assert against(*steps) == [
        (1, "all steps together would take 1.0 years, and a run may take one at most; shorten them")
    ]
    # A rest of the mains counts, in each round.
    rounds = "[{kind: power_on, settle: 7905 s}, {kind: power_off}]"
    again = f"{{id: again, kind: repeat, count: 4000, steps: {rounds}}}"
    ((_, message),) = against(again, bench=SWITCHED)
    assert message == (
        "step again: would take 1.0 years, and a run may take one at most; shorten its count"
    )


def test_a_time_without_room_for_a_round_is_refused(planned, against):
    group = (
        "{id: again, kind: repeat, time: TIME, period: 30 min, steps: [{kind: wait, time: 1 s}]}"
    )
    ((_, message),) = against(group.replace("TIME", "1 ms"))
    assert message == (
        "step again: time: 1 ms is less than half of one round, which takes 30 min; write at least that"
    )
    assert planned(group.replace("TIME", "15 min")).estimate_s == 1800.0


def test_a_period_shorter_than_a_round_is_told(planned):
    group = "{id: again, kind: repeat, count: 2, period: 1 s, steps: [{kind: wait, time: 60 s}]}"
    assert any(
        "a round takes about 60 s, longer than its period of 1 s, which is not kept" in remark
        for remark in planned(group).remarks
    )


WITH_METER = WARM_LOAD.replace("router_channels: {", "router_channels: {meter_load: 302, ").replace(
    "  dmm: {", "  dmm: {commands: {read_resistance: MEAS:RES?}, "
)


@pytest.mark.parametrize(
    ("steps", "words"),
    [
        (["{id: load, kind: load_check}", "{id: mains, kind: power_on}"], ""),
        (["{id: mains, kind: power_on}", "{id: load, kind: load_check}"], "a step before it"),
        (["{id: mains, kind: servo_settling}", "{id: load, kind: load_check}"], "a step before it"),
        (
            [
                "{id: mains, kind: power_on}",
                "{id: dark, kind: power_off}",
                "{id: load, kind: load_check}",
            ],
            "",
        ),
        (
            [
                (
                    "{id: again, kind: repeat, count: 2, steps: "
                    "[{id: load, kind: load_check}, {id: mains, kind: power_on}]}"
                )
            ],
            "in its second round needs the unit's mains off, which the first one left on",
        ),
    ],
)
def test_a_load_is_not_measured_on_a_unit_that_is_on(planned, against, steps, words):
    if not words:
        assert all(each.left_out is None for each in planned(*steps, bench=WITH_METER).steps)
        return
    # Nor by a meter of the operator's own, where the bench's can't.
    for bench in (WITH_METER, WARM_LOAD):
        ((_, message),) = against(*steps, bench=bench)
        assert message.startswith("step load: ")
        assert words in message


def test_a_load_that_the_bench_can_not_measure_is_asked_for(planned, against):
    step = "{id: load, kind: load_check, LIMIT}".replace(
        "LIMIT", "must_pass: true, limits: {load_resistance: {nominal: 8 ohm, tolerance: 2 %}}"
    )
    (found,) = planned(step).steps
    assert (found.left_out, found.asks_for) == (None, "load_resistance")
    assert (
        "no router channel meter_load: you are asked what a meter of your own shows" in found.does
    )
    (measured,) = planned(step, bench=WITH_METER).steps
    assert measured.asks_for is None
    unattended = {"is_unattended": True}
    ((_, message),) = against(step, **unattended)
    assert "the job ticket gives no load_resistance" in message
    assert planned(step, given={"load_resistance": "8.02 ohm"}, **unattended)


def test_nobody_is_waited_for_where_the_ticket_gives_the_reading(planned):
    step = "{id: bond, kind: operator_reading, reading: earth_bond, text: read it}"
    assert planned(step).estimate_s == pytest.approx(60)
    assert planned(step, given={"earth_bond": "0.1 ohm"}).estimate_s == 0.0


GUARDED = HEAD.replace("steps:", "guards: {GUARD}\nsteps:")


@pytest.mark.parametrize(
    ("guard", "words"),
    [
        ("output_dc: {limit: 3 V}", "guard output_dc: stops beyond 3 V only"),
        ("switches: {action: warn}", "guard switches: warns and does not stop"),
        (
            "temperature: {limit: 100 degC, period: 10 min}",
            "guard temperature: stops beyond 100 degC only, looks every 10 min only",
        ),
        ("disk: {limit: 20 MB}", "guard disk: stops below 20 MB only"),
        ("output_dc: {limit: 50 mV, period: 5 s}", None),
        ("load_power: {limit: 120 W}", None),
    ],
)
def test_a_guard_that_lets_more_pass_than_usual_is_named(planned, guard, words):
    found = planned("{kind: wait, time: 1 s}", head=GUARDED.replace("GUARD", guard))
    assert [each for each in found.remarks if "guard" in each] == ([words] if words else [])


def test_a_guard_of_the_load_does_not_go_beyond_what_it_stands(against):
    head = GUARDED.replace("GUARD", "load_power: {limit: 121 W}")
    ((line, message),) = against("{kind: wait, time: 1 s}", head=head)
    assert line == 3
    assert message == (
        "limit: 121 W is more than the bench's load ever stands (120 W); lower it, or leave it out"
    )


def test_a_record_that_the_analyser_cannot_hold_is_refused_with_the_longest_it_can(
    against, planned
):
    held = BENCH.replace(
        "    sample_rates:", "    channels: 2\n    most_samples: 960000\n    sample_rates:"
    )
    # 96 kHz is the lowest rate that sees 40 kHz within 0.45 of it; 960,000 samples of that last 10 s
    ((_, words),) = against("{id: a, kind: tone, level: 1 W, record: 60 s}", bench=held)
    assert "wants a record of 60 s, 5760000 samples at 96 kHz" in words
    assert "takes 960000 at most" in words
    assert "10 s is the longest" in words
    sweep = "{id: a, kind: exponential_sweep, level: 1 W, time: 30 s}"
    ((_, words),) = against(sweep, bench=held)
    assert "wants a record of 30.9 s" in words
    two = "{id: a, kind: intermodulation, level: 1 W, record: 30 s}"
    ((_, words),) = against(two, bench=held)
    assert "wants a record of 30 s" in words
    assert planned("{id: a, kind: tone, level: 1 W, record: 10 s}", bench=held).steps[0].does
    # nothing is known of an analyser that doesn't say it, but a tone takes 2^20 samples at most
    ((_, words),) = against("{id: a, kind: tone, level: 1 W, record: 60 s}")
    assert "the step takes 1048576 at most" in words
    assert (
        planned(
            "{id: a, kind: exponential_sweep, level: 1 W, time: 60 s}",
            bench=held.replace("    most_samples: 960000\n", ""),
        )
        .steps[0]
        .does
    )
