"""From findings to judged readings: a limit without a reading is no reading, never a pass."""

import pytest

from sequencer.errors import Place
from sequencer.events import Outcome
from sequencer.judging import judge_findings, outcome
from sequencer.limits import DecisionRule, Limit, Reading, Relative, Verdict
from sequencer.procedure import Step, load_procedure
from sequencer.steps.base import Finding, not_found
from sequencer.steps.registry import kinds

THD_MAX = Limit(maximum=1e-3, written=(("max", "0.1 %"),))


def _step(limits, step_id="tone"):
    kind = kinds()["tone"]
    settings = kind.settings.model_validate({"level": "10 W"})
    return Step(
        id=step_id, kind="tone", title="t", settings=settings, limits=limits, place=Place("p.yaml")
    )


def _judge(findings, limits, *, so_far=None, broken_off=None, rule=DecisionRule.PLAIN, as_="tone"):
    so_far = {} if so_far is None else so_far
    return judge_findings(
        _step(limits),
        kinds()["tone"],
        findings,
        recorded_as=as_,
        rule=rule,
        so_far=so_far,
        broken_off=broken_off,
    )


def _thd(value, doubt=None):
    return Finding(name="thd", unit="1", value=value, standard_uncertainty=doubt)


def test_a_finding_without_a_limit_is_for_information():
    (reading,) = _judge([_thd(5e-3)], {})
    assert reading.verdict is Verdict.INFO
    assert reading.limits is None


@pytest.mark.parametrize(
    ("value", "plain", "guarded"),
    [
        # ILAC-G8:09/2019 4.2.3, guard band w = U = 2 u; here u = 0.01 %, U = 0.02 %, maximum 0.1 %.
        (0.7e-3, Verdict.PASS, Verdict.PASS),
        (0.9e-3, Verdict.PASS, Verdict.CONDITIONAL_PASS),
        (1.1e-3, Verdict.FAIL, Verdict.CONDITIONAL_FAIL),
        (1.3e-3, Verdict.FAIL, Verdict.FAIL),
    ],
)
def test_the_rule_of_the_procedure_decides(value, plain, guarded):
    for rule, verdict in ((DecisionRule.PLAIN, plain), (DecisionRule.GUARDED, guarded)):
        (reading,) = _judge([_thd(value, 1e-4)], {"thd": THD_MAX}, rule=rule)
        assert reading.verdict is verdict


def test_a_limit_whose_reading_is_missing_is_no_reading_with_the_reason():
    readings = _judge([_thd(5e-4)], {"thd": THD_MAX, "h2": THD_MAX})
    missing = next(reading for reading in readings if reading.name == "h2")
    assert (missing.value, missing.unit, missing.verdict) == (None, "1", Verdict.NO_READING)
    assert missing.reason == "the step did not give this reading"


def test_what_broke_the_step_off_is_the_reason_for_whatever_is_missing():
    readings = _judge(
        [not_found("thd", "1", "the record is missing")],
        {"thd": THD_MAX, "h2": THD_MAX},
        broken_off="analyser at here: block cut short",
    )
    assert {reading.reason for reading in readings} == {"analyser at here: block cut short"}
    assert {reading.verdict for reading in readings} == {Verdict.NO_READING}


def test_a_reading_found_before_the_step_broke_off_is_kept_and_judged():
    (reading,) = _judge([_thd(5e-4)], {"thd": THD_MAX}, broken_off="something later")
    assert (reading.value, reading.verdict, reading.reason) == (5e-4, Verdict.PASS, "")


def test_a_reading_that_drowns_in_noise_is_judged_by_its_bound():
    quiet = Finding(name="thd", unit="1", value=None, noise_limited=True, upper_bound=9e-4)
    loud = Finding(name="thd", unit="1", value=None, noise_limited=True, upper_bound=2e-3)
    assert _judge([quiet], {"thd": THD_MAX})[0].verdict is Verdict.PASS
    assert _judge([loud], {"thd": THD_MAX})[0].verdict is Verdict.NO_READING


def test_a_limit_can_hang_on_another_reading_of_the_same_step():
    # h2 at most 6 dB above h3, that is twice (20 lg 2 = 6.02 dB).
    limit = Limit(
        maximum_from=Relative(step="tone", reading="h3", factor=10 ** (6 / 20)),
        written=(("max", "6 dB above h3"),),
    )
    h3 = Finding(name="h3", unit="1", value=1e-5)
    for h2, verdict in ((1.9e-5, Verdict.PASS), (2.1e-5, Verdict.FAIL)):
        readings = _judge([Finding(name="h2", unit="1", value=h2), h3], {"h2": limit})
        judged = next(reading for reading in readings if reading.name == "h2")
        assert judged.verdict is verdict
        assert judged.limits.maximum == pytest.approx(1.995e-5, rel=1e-3)


def test_a_limit_that_hangs_on_a_reading_that_failed_is_no_reading():
    limit = Limit(maximum_from=Relative(step="tone", reading="h3"), written=(("max", "h3"),))
    readings = _judge(
        [Finding(name="h2", unit="1", value=1e-5), not_found("h3", "1", "no")], {"h2": limit}
    )
    judged = next(reading for reading in readings if reading.name == "h2")
    assert judged.verdict is Verdict.NO_READING
    assert "h3" in judged.reason


def test_a_limit_can_hang_on_an_earlier_step_and_means_its_latest_round():
    so_far = {}
    for number, value in ((1, 1e-5), (2, 4e-5)):
        _judge([_thd(value)], {}, so_far=so_far, as_=f"tone.{number}")
    assert so_far["tone", "thd"].value == 4e-5
    assert so_far["tone.1", "thd"].value == 1e-5


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_what_is_not_finite_is_no_reading(value):
    (reading,) = _judge([_thd(value)], {"thd": THD_MAX})
    assert reading.verdict is Verdict.NO_READING
    assert reading.to_json()["value"] is None


@pytest.mark.parametrize(
    ("verdicts", "wanted"),
    [
        ([Verdict.PASS, Verdict.CONDITIONAL_PASS], Outcome.PASS),
        ([Verdict.PASS, Verdict.CONDITIONAL_FAIL], Outcome.FAIL),
        ([Verdict.NO_READING], Outcome.FAIL),
        ([], Outcome.FAIL),  # every step that has limits was left out
    ],
)
def test_a_run_passes_when_its_limits_were_judged_and_met(verdicts, wanted):
    readings = [
        Reading(name="thd", value=1.0, unit="1", limits=THD_MAX, verdict=v) for v in verdicts
    ]
    free = Reading(name="h2", value=None, unit="1", verdict=Verdict.NO_READING)
    procedure = load_procedure("idle_hum", registry=kinds())
    assert outcome(procedure, [*readings, free]) is wanted


def test_a_procedure_without_limits_reaches_its_end(tmp_path):
    path = tmp_path / "p.yaml"
    path.write_text(
        "procedure: p\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\n"
        "steps:\n  - {kind: power_off}\n"
    )
    assert outcome(load_procedure(path, registry=kinds()), []) is Outcome.PASS
