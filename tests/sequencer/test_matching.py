"""How alike two units are: the same readings side by side, the bench's limits of a pair."""

import math

import pytest

from sequencer.limits import Verdict
from sequencer.matching import RULES, match


def _reading(name, value, unit, maximum=None, upper_bound=None):
    limits = None if maximum is None else {"min": None, "max": maximum, "text": ""}
    return {
        "name": name,
        "value": value,
        "unit": unit,
        "limits": limits,
        "upper_bound": upper_bound,
    }


def _summary(*readings, kind="tone"):
    return {"steps": [{"id": "a step", "kind": kind, "readings": list(readings)}]}


# A tone's power and offset are what the bench made them; these kinds tell of the unit.
KINDS = {"power": "level_sweep", "dc_offset": "dc_offset"}


def _pair(name, one, two, unit, **more):
    kind = KINDS.get(name, "tone")
    (found,) = match([_summary(_reading(name, v, unit, **more), kind=kind) for v in (one, two)])
    return found


def test_what_the_bench_itself_set_is_not_compared():
    assert match([_summary(_reading("power", value, "W")) for value in (10.0, 20.0)]) == []


@pytest.mark.parametrize(
    ("name", "unit", "one", "within", "beyond"),
    [
        # Common practice, no source: gain 0.2 dB, power 0.3 dB, offset 10 mV, bias 15 %, THD 6 dB,
        # hum and noise 6 dB.
        ("gain", "dB", 29.0, 29.19, 29.21),
        ("power", "W", 100.0, 100.0 * 10 ** (0.29 / 10), 100.0 * 10 ** (0.31 / 10)),
        ("dc_offset", "V", -4e-3, 5.9e-3, 6.1e-3),
        ("bias", "V", 17.6e-3, 17.6e-3 * 1.149, 17.6e-3 * 1.151),
        ("noise_unweighted", "V", 80e-6, 80e-6 * 1.99, 80e-6 * 2.0),
        ("noise_a_weighted", "V", 47e-6, 47e-6 / 1.99, 47e-6 / 2.0),
        ("hum_50", "V", 40e-6, 79e-6, 81e-6),
        ("hum_100", "V", 40e-6, 79e-6, 81e-6),
        ("thd", "1", 1e-4, 1.99e-4, 2.01e-4),
    ],
)
def test_a_pair_matches_within_the_bench_s_limits(name, unit, one, within, beyond):
    assert _pair(name, one, within, unit).verdict is Verdict.PASS
    assert _pair(name, one, beyond, unit).verdict is Verdict.FAIL
    assert _pair(name, beyond, one, unit).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("name", "unit", "one", "two", "difference"),
    [
        ("gain", "dB", 28.9, 29.0, 0.1),
        ("power", "W", 100.0, 50.0, 10 * math.log10(2)),  # watts: 10 lg
        ("hum_50", "V", 1e-3, 1e-4, 20.0),  # volts: 20 lg
        ("dc_offset", "V", -1e-3, 2e-3, 3e-3),
    ],
)
def test_the_difference_is_in_the_unit_of_the_limit(name, unit, one, two, difference):
    found = _pair(name, one, two, unit)
    assert found.difference == pytest.approx(difference)
    assert found.unit == RULES[name].unit


def test_distortions_far_below_their_limit_match_whatever_their_ratio():
    assert _pair("thd", 1e-6, 9e-5, "1", maximum=3e-4).verdict is Verdict.PASS
    assert _pair("thd", 1e-6, 1.1e-4, "1", maximum=3e-4).verdict is Verdict.FAIL


def test_a_distortion_below_the_noise_counts_by_its_bound():
    one = _summary(_reading("thd", None, "1", maximum=3e-4, upper_bound=5e-5))
    two = _summary(_reading("thd", 6e-5, "1", maximum=3e-4))
    (found,) = match([one, two])
    assert (found.verdict, found.difference) == (Verdict.PASS, None)


@pytest.mark.parametrize("lacking", [None, "absent"])
def test_a_reading_that_one_unit_lacks_is_no_reading(lacking):
    one = _summary(_reading("gain", 29.0, "dB"))
    two = _summary(_reading("gain", None, "dB")) if lacking is None else _summary()
    (found,) = match([one, two])
    assert (found.verdict, found.difference) == (Verdict.NO_READING, None)
    assert found.values == (29.0, None)


@pytest.mark.parametrize("value", [0.0, -1e-3])
def test_no_ratio_is_taken_of_what_is_not_above_zero(value):
    found = _pair("hum_50", 1e-3, value, "V")
    assert (found.verdict, found.difference) == (Verdict.NO_READING, None)


def test_readings_are_matched_step_by_step_and_others_left_out():
    steps = [
        {"id": name, "kind": "tone", "readings": [_reading("gain", value, "dB")]}
        for name, value in (("a", 29.0), ("b", 28.0))
    ]
    steps[0]["readings"].append(_reading("crest_factor", 1.41, "1"))
    found = match([{"steps": steps}, {"steps": steps}])
    assert [(each.step, each.name, each.difference) for each in found] == [
        ("a", "gain", 0.0),
        ("b", "gain", 0.0),
    ]


def test_three_units_are_as_unlike_as_the_two_furthest_apart():
    (found,) = match([_summary(_reading("gain", value, "dB")) for value in (29.0, 28.9, 29.15)])
    assert found.difference == pytest.approx(0.25)
    assert found.verdict is Verdict.FAIL


def test_the_entry_has_the_keys_of_the_contract():
    entry = _pair("gain", 29.0, 29.1, "dB").to_json()
    assert entry.keys() >= {"name", "step", "values", "difference", "unit", "limits", "verdict"}
    assert entry["limits"]["max"] == 0.2
    assert entry["verdict"] == "pass"


def _bound(verdict, **bounds):
    reading = {**_reading("power", None, "W"), "lower_bound": None, **bounds}
    return _summary({**reading, "verdict": verdict}, kind="level_sweep")


def test_units_that_all_keep_to_their_limits_by_a_bound_leave_nothing_to_compare():
    # Both deliver at least 148 W before 1 % THD: neither alike nor different.
    (found,) = match([_bound("pass", lower_bound=148.0)] * 2)
    assert (found.verdict, found.difference) == (Verdict.INFO, None)


def test_units_whose_distortion_all_drowns_in_noise_do_not_fail_for_it():
    # THD at 0.1 W, which no limit judges, below what the analyser can tell on both.
    quiet = {**_reading("thd", None, "1"), "upper_bound": 2e-5, "noise_limited": True}
    (found,) = match([_summary({**quiet, "verdict": "info"})] * 2)
    assert (found.verdict, found.difference) == (Verdict.INFO, None)


def _number(watts):
    return _summary({**_reading("power", watts, "W"), "verdict": "pass"}, kind="level_sweep")


@pytest.mark.parametrize(
    ("other", "verdict"),
    [
        (_bound("no_reading", lower_bound=90.0), Verdict.NO_READING),
        (_bound("no_reading"), Verdict.NO_READING),
        (_number(150.0), Verdict.INFO),
        # 10 lg(148/140) = 0.241 dB is within 0.3 dB, 10 lg(148/120) = 0.911 dB is not.
        (_number(140.0), Verdict.INFO),
        (_number(120.0), Verdict.FAIL),
    ],
)
def test_a_bound_beside_something_else_decides_only_that_they_differ(other, verdict):
    for pair in (
        [_bound("pass", lower_bound=148.0), other],
        [other, _bound("pass", lower_bound=148.0)],
    ):
        (found,) = match(pair)
        assert (found.verdict, found.difference) == (verdict, None)


def test_what_only_the_second_unit_has_is_listed_too():
    first, second = _summary(), _summary(_reading("thd", 1e-4, "1"))
    (found,) = match([first, second])
    assert (found.step, found.name, found.values) == ("a step", "thd", (None, 1e-4))
    assert found.value_unit == "1"
    assert found.verdict is Verdict.NO_READING
    assert len(match([second, second])) == 1
