"""Limits, uncertainty and verdicts against ILAC-G8, JCGM 100 and the normal distribution."""

import json
import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm, t

from sequencer.limit_grammar import parse_limits
from sequencer.limits import (
    DecisionRule,
    Limit,
    Reading,
    Relative,
    Verdict,
    arcsine,
    combined,
    counts_as_passed,
    expanded,
    is_fraction,
    is_signed,
    judge,
    judge_reading,
    rectangular,
    relative_from_db,
    resolution,
    step_verdict,
    triangular,
    worst,
)
from sequencer.located_yaml import compose

PLAIN, GUARDED = DecisionRule.PLAIN, DecisionRule.GUARDED

_UNITS = {
    "thd": "1",
    "h2": "1",
    "h3": "1",
    "level": "V",
    "dc_offset": "V",
    "power": "W",
    "gain": "dB",
    "damping_factor": "1",
    "spur_count": "1",
    "temperature": "degC",
    "settling_time": "s",
    "frequency": "Hz",
}


def _locate(step: str | None, reading: str) -> tuple[str, str]:
    if step not in (None, "earlier"):
        raise ValueError(f'no step "{step}" comes before')
    if reading not in _UNITS:
        raise ValueError(f'no reading "{reading}"')
    return step or "own", _UNITS[reading]


def _parse(text: str) -> tuple[dict[str, Limit], list[str]]:
    limits, errors = parse_limits(
        compose(text, "x.yaml"), unit_of=_UNITS.get, known_readings=_UNITS, locate=_locate
    )
    return limits, [str(error) for error in errors]


def _limit(text: str) -> Limit:
    limits, errors = _parse(text)
    assert errors == []
    return next(iter(limits.values()))


# --- decision rules -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reading_pct", "verdict", "p_above"),
    [
        # Upper limit 0.10 %, U = 0.010 % (k = 2), w = U: the four outcomes of ILAC-G8:09/2019
        # 4.2.3, with the probability that the true value exceeds the limit (normal distribution).
        (0.085, Verdict.PASS, 0.001349898032),
        (0.095, Verdict.CONDITIONAL_PASS, 0.1586552539),
        (0.105, Verdict.CONDITIONAL_FAIL, 0.8413447461),
        (0.115, Verdict.FAIL, 0.998650102),
    ],
)
def test_the_four_outcomes_of_the_guarded_rule(reading_pct, verdict, p_above):
    limit = Limit(maximum=0.10e-2)
    assert judge(reading_pct / 100, 0.010e-2, limit, GUARDED) is verdict
    assert norm.sf((0.10 - reading_pct) / 0.005) == pytest.approx(p_above, abs=1e-6)


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (0.09, Verdict.PASS),  # TL - w belongs to pass
        (0.10, Verdict.CONDITIONAL_PASS),  # TL to conditional pass
        (0.11, Verdict.CONDITIONAL_FAIL),  # TL + w to conditional fail
        (math.nextafter(0.09, 1) + 1e-9, Verdict.CONDITIONAL_PASS),
        (0.11 + 1e-9, Verdict.FAIL),
    ],
)
def test_a_value_on_a_boundary_belongs_to_the_better_side(value, verdict):
    """ILAC-G8 writes closed intervals; which side owns the boundary is our decision."""
    assert judge(value, 0.01, Limit(maximum=0.10), GUARDED) is verdict
    assert judge(-value, 0.01, Limit(minimum=-0.10), GUARDED) is verdict


def test_the_plain_rule_knows_pass_and_fail_only():
    for value in (0.085, 0.095, 0.1):
        assert judge(value, 0.01, Limit(maximum=0.1), PLAIN) is Verdict.PASS
    for value in (0.1001, 0.105, 0.115):
        assert judge(value, 0.01, Limit(maximum=0.1), PLAIN) is Verdict.FAIL


def test_a_pass_at_w_equal_to_u_risks_2p3_per_cent():
    """Probability of false accept at TL - U is 0.02275 (ILAC-G8 table 1; normal, k = 2)."""
    assert norm.sf(2.0) == pytest.approx(0.02275013195, rel=1e-4)
    assert judge(1.0 - 2.0 * 0.1, expanded(0.1), Limit(maximum=1.0), GUARDED) is Verdict.PASS


def test_both_sides_are_judged_and_the_worse_counts():
    """JCGM 106:2012 7.4: y 13.6, u 1.8, limits 12.5 to 16.3 conforms with 66 % only."""
    p = norm.cdf((16.3 - 13.6) / 1.8) - norm.cdf((12.5 - 13.6) / 1.8)
    assert p == pytest.approx(0.6626297865, abs=5e-4)
    limit = Limit(minimum=12.5, maximum=16.3)
    assert judge(13.6, expanded(1.8), limit, GUARDED) is Verdict.CONDITIONAL_PASS
    assert judge(13.6, None, limit, PLAIN) is Verdict.PASS
    assert judge(12.0, 0.6, limit, GUARDED) is Verdict.CONDITIONAL_FAIL
    assert judge(16.8, 0.4, limit, GUARDED) is Verdict.FAIL


@given(st.floats(-10, 10), st.floats(0, 2), st.floats(-5, 5), st.floats(0, 5))
def test_more_doubt_never_makes_a_pass(value, doubt, middle, half_width):
    limit = Limit(minimum=middle - half_width, maximum=middle + half_width)
    plain, guarded = judge(value, doubt, limit, PLAIN), judge(value, doubt, limit, GUARDED)
    if guarded in (Verdict.PASS, Verdict.CONDITIONAL_PASS):
        assert plain is Verdict.PASS
    else:
        assert plain is Verdict.FAIL


def test_no_value_and_no_number_are_no_reading():
    limit = Limit(maximum=1.0)
    assert judge(None, None, limit, PLAIN) is Verdict.NO_READING
    assert judge(math.nan, 0.1, limit, GUARDED) is Verdict.NO_READING
    assert judge(math.inf, 0.1, limit, GUARDED) is Verdict.NO_READING
    assert judge(0.5, math.nan, limit, GUARDED) is Verdict.NO_READING
    assert judge(None, None, None, PLAIN) is Verdict.NO_READING
    assert judge(0.5, None, None, GUARDED) is Verdict.INFO


def test_what_drowns_in_noise_passes_when_its_bound_lies_within_the_limit():
    def verdict(bound: float, limit: Limit | None) -> Verdict:
        return judge(None, None, limit, GUARDED, noise_limited=True, upper_bound=bound)

    assert verdict(0.9, Limit(maximum=1.0)) is Verdict.PASS
    assert verdict(1.0, Limit(maximum=1.0)) is Verdict.PASS
    assert verdict(1.1, Limit(maximum=1.0)) is Verdict.NO_READING
    assert verdict(0.9, Limit(minimum=0.5, maximum=1.0)) is Verdict.NO_READING
    assert verdict(0.9, Limit(minimum=-1.0, maximum=1.0)) is Verdict.PASS
    assert verdict(0.9, None) is Verdict.INFO


@pytest.mark.parametrize(
    ("least", "most", "limit", "verdict"),
    [
        # An insulation tester that shows ">500 Mohm" has shown that 1 Mohm is met, but not what
        # it is; an earth bond of at least 2 ohm is beyond 0.3 ohm, whatever it is.
        (500e6, None, Limit(minimum=1e6), Verdict.PASS),
        (1e6, None, Limit(minimum=1e6), Verdict.PASS),
        (0.5e6, None, Limit(minimum=1e6), Verdict.NO_READING),
        (2.0, None, Limit(maximum=0.3), Verdict.FAIL),
        (0.1, None, Limit(maximum=0.3), Verdict.NO_READING),
        (None, 0.1, Limit(maximum=0.3), Verdict.PASS),
        (None, 0.5, Limit(maximum=0.3), Verdict.NO_READING),
        (None, 0.5, Limit(minimum=1.0), Verdict.FAIL),
        (7.9, 8.1, Limit(minimum=7.8, maximum=8.2), Verdict.PASS),
        (7.9, None, Limit(minimum=7.8, maximum=8.2), Verdict.NO_READING),
        (7.9, 8.1, None, Verdict.INFO),
    ],
)
@pytest.mark.parametrize("rule", [PLAIN, GUARDED])
def test_a_bound_decides_only_where_all_that_lies_within_it_agrees(
    least, most, limit, verdict, rule
):
    assert judge(None, None, limit, rule, lower_bound=least, upper_bound=most) is verdict


def test_a_bound_that_does_not_decide_says_so():
    reading = _reading("power", None, lower_bound=90.0)
    judged = judge_reading(reading, Limit(minimum=100.0), GUARDED)
    assert judged.verdict is Verdict.NO_READING
    assert "at least" in judged.reason
    assert judge_reading(reading, Limit(minimum=80.0), GUARDED).reason == ""


def test_the_worst_verdict_of_a_step():
    assert worst([]) is Verdict.INFO
    assert worst([Verdict.INFO, Verdict.PASS]) is Verdict.PASS
    order = [*Verdict]
    assert [worst(pair) for pair in pairwise(order)] == order[1:]
    lost = Reading(name="h5", value=None, unit="1", verdict=Verdict.NO_READING)
    good = Reading(name="h2", value=0.1, unit="1", limits=Limit(maximum=1), verdict=Verdict.PASS)
    assert step_verdict([lost, good]) is Verdict.PASS


def test_which_verdicts_count_as_passed():
    """The command-line contract: a no_reading counts as failed when it has a limit."""
    passed = {verdict for verdict in Verdict if counts_as_passed(verdict, True)}
    assert passed == {Verdict.INFO, Verdict.PASS, Verdict.CONDITIONAL_PASS}
    assert counts_as_passed(Verdict.NO_READING, False)
    assert not counts_as_passed(Verdict.FAIL, False)


# --- uncertainty --------------------------------------------------------------------------------


def test_standard_uncertainties_of_a_half_width():
    """JCGM 100:2008 4.3.7, 4.3.9; an arcsine distribution has a/sqrt(2)."""
    assert rectangular(1.0) == pytest.approx(0.5773502692, rel=1e-8)
    assert triangular(1.0) == pytest.approx(0.4082482905, rel=1e-8)
    assert arcsine(1.0) == pytest.approx(0.7071067812, rel=1e-8)
    assert resolution(1.0) == pytest.approx(0.2886751346, rel=1e-8)


def test_gum_example_h1_combines_to_32_nanometres():
    """JCGM 100:2008 table H.1: 25, 9.7, 2.9 and 16.6 nm (from memory): u_c = 32 nm."""
    assert combined(25.0, 9.7, 2.9, 16.6) == pytest.approx(31.7, abs=0.06)


def test_coverage_of_the_normal_and_t_distributions():
    """k = 2 covers 95.45 % of a normal distribution; with 10 degrees of freedom it takes 2.28."""
    assert 2 * norm.cdf(2.0) - 1 == pytest.approx(0.9544997361, rel=1e-9)
    assert t.ppf(0.5 + 0.9544997361 / 2, 10) == pytest.approx(2.283681613, rel=1e-5)
    assert expanded(0.5) == 1.0


def test_accuracy_in_decibels_becomes_a_fraction():
    """20 lg 1.011579 = 0.1 dB."""
    assert relative_from_db(0.1) == pytest.approx(0.011579454, rel=1e-6)
    assert relative_from_db(-0.1) == relative_from_db(0.1)
    assert relative_from_db(0.0) == 0.0


# --- the grammar --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("thd: {max: 0.02 %}", None, 0.0002),
        ("thd: {max: -80 dB}", None, 1e-4),
        ("settling_time: {max: 10 s}", None, 10.0),
        ("power: {min: 100 W}", 100.0, None),
        ("gain: {nominal: 29 dB, tolerance: 0.5 dB}", 28.5, 29.5),
        ("level: {nominal: 10 V, tolerance: 2 %}", 9.8, 10.2),
        ("level: {nominal: 10 V, tolerance: 50 mV}", 9.95, 10.05),
        ("level: {nominal: 10 V, tolerance: 0.5 dB}", 10 / 10**0.025, 10 * 10**0.025),
        ("power: {nominal: 100 W, tolerance: 3 dB}", 100 / 10**0.3, 100 * 10**0.3),
        ("dc_offset: {nominal: -10 mV, tolerance: 10 %}", -0.011, -0.009),
        ("dc_offset: {within: 15 mV}", -0.015, 0.015),
        ("dc_offset: {min: -5 mV, max: 15 mV}", -0.005, 0.015),
        ("damping_factor: {min: 50}", 50.0, None),
        ("spur_count: {max: 0}", None, 0.0),
        ("temperature: {max: 80 degC}", None, 80.0),
        ("temperature: {nominal: 25 degC, tolerance: 5 K}", 20.0, 30.0),
    ],
)
def test_limits_as_a_technician_writes_them(text, low, high):
    limit = _limit(text)
    assert limit.relative is None
    assert limit.minimum == (None if low is None else pytest.approx(low, rel=1e-12))
    assert limit.maximum == (None if high is None else pytest.approx(high, rel=1e-12))


def _reading(name: str, value: float | None, **more: object) -> Reading:
    return Reading(name=name, value=value, unit=_UNITS[name], **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "other", "low", "high"),
    [
        # An amplitude 6 dB above is 10**(6/20) times as large, a power 10**(6/10) times.
        ("h2: {max: 6 dB above h3}", 1e-4, None, 1.995262315e-4),
        ("h2: {max: 6 dB below earlier/h3}", 1e-4, None, 0.5011872336e-4),
        ("power: {max: 6 dB above earlier/power}", 10.0, None, 39.81071706),
        ("h2: {max: 2 times h3}", 1e-4, None, 2e-4),
        ("gain: {min: 3 dB below earlier/gain}", 29.0, 26.0, None),
        ("level: {max: 10 % above earlier/level}", 10.0, None, 11.0),
        ("level: {max: 10 mV above earlier/level}", 1.0, None, 1.01),
        ("dc_offset: {within: 10 mV above earlier/dc_offset}", -0.005, -0.015, 0.015),
        ("dc_offset: {nominal: earlier/dc_offset, tolerance: 5 mV}", -0.005, -0.010, 0.0),
        ("dc_offset: {nominal: earlier/dc_offset, tolerance: 50 %}", -0.01, -0.015, -0.005),
        ("gain: {nominal: earlier/gain, tolerance: 0.1 dB}", 29.0, 28.9, 29.1),
        ("temperature: {max: 40 K above earlier/temperature}", 25.0, None, 65.0),
    ],
)
def test_limits_that_hang_on_another_reading(text, other, low, high):
    limit = _limit(text)
    relative = limit.relative
    assert relative is not None
    numbers = limit.resolved(lambda step, name: _reading(name, other))
    assert numbers.minimum == (None if low is None else pytest.approx(low, rel=1e-9))
    assert numbers.maximum == (None if high is None else pytest.approx(high, rel=1e-9, abs=1e-15))
    assert numbers.text == limit.text


def test_a_window_that_shrinks_to_nothing_passes_nothing():
    limit = _limit("dc_offset: {within: 10 mV below earlier/dc_offset}")
    numbers = limit.resolved(lambda step, name: _reading(name, 0.004))
    assert judge(0.0, None, numbers, PLAIN) is Verdict.FAIL


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("thdd: {max: 1 %}", "1:1", 'unknown reading "thdd"; did you mean "thd"?'),
        ("thd: 0.02 %", "1:6", "write thd: {max: 0.02 %}"),
        ("thd:", "1:1", "write thd: {max: ...}"),
        ("thd: {}", "1:1", "nothing is no complete limit"),
        ("thd: {mx: 1 %}", "1:7", 'did you mean "max"?'),
        ("thd: {max: 0.02}", "1:12", "0.02 has no unit"),
        ("thd: {max: 2 V}", "1:12", "2 V is a voltage; a ratio is wanted"),
        ("thd: {max: 80 dB}", "1:12", 'did you mean "-80 dB"?'),
        ("thd: {max: 2,5 %}", "1:14", "write decimals with a point"),
        ("thd: {max: [1 %]}", "1:12", "a quantity is wanted"),
        ("thd: {max: }", "1:7", "max: "),
        ("dc_offset: {max: 15 mV}", "1:1", "far below zero it would pass a max alone; write {within: "),
        ("dc_offset: {min: -15 mV}", "1:1", "write {within: 15 mV}"),
        ("dc_offset: {within: -15 mV}", "1:21", "write 15 mV"),
        ("level: {min: 2 V, max: 1 V}", "1:9", "min is greater than max"),
        ("level: {nominal: 2 V}", "1:1", "no complete limit"),
        ("level: {max: 2 V, within: 1 V}", "1:1", "no complete limit"),
        ("level: {nominal: 2 V, tolerance: -1 %}", "1:34", "minus sign"),
        ("level: {nominal: 2 V, tolerance: 1}", "1:34", "1 has no unit"),
        ("level: {nominal: 0 V, tolerance: 1 %}", "1:34", "a percentage of nothing"),
        ("gain: {nominal: 29 dB, tolerance: 2 %}", "1:35", "a percentage of decibels"),
        ("temperature: {nominal: 25 degC, tolerance: 5 degC}", "1:44", 'write "5 K"'),
        ("power: {min: -3 W}", "1:14", "below zero"),
        ("h2: {max: 6 dB above h33}", "1:11", 'no reading "h33"'),
        ("h2: {max: 6 dB above later/h3}", "1:11", 'no step "later" comes before'),
        ("h2: {max: 6 dB above level}", "1:11", "can't be compared"),
        ("h2: {max: 6 dB above h2}", "1:11", "limited by itself"),
        ("h2: {max: -6 dB above h3}", "1:11", "write it without"),
        ("h2: {max: 10 % above h3}", "1:11", "write \"1.1 times NAME\""),
        ("h2: {max: 0 times h3}", "1:11", "above zero"),
        ("gain: {max: 2 times earlier/gain}", "1:13", "a multiple of decibels"),
        ("frequency: {max: 3 dB above earlier/frequency}", "1:18", "dB mean nothing"),
        ("h2: {max: 6 dB above ../h3}", "1:11", "no step"),
        ("[a]", "1:1", "readings with their limits are wanted"),
    ],
)  # fmt: skip
def test_mistaken_limits_are_explained_at_their_place(text, place, words):
    limits, errors = _parse(text)
    assert limits == {}
    assert errors[0].startswith(f"x.yaml:{place}: ")
    assert words in errors[0]


def test_every_mistaken_limit_is_told_and_the_good_ones_are_kept():
    limits, errors = _parse("thd: {max: 1}\nlevl: {max: 1 V}\ngain: {min: 20 dB}\n")
    assert list(limits) == ["gain"]
    assert [error.split(" ")[0] for error in errors] == ["x.yaml:1:12:", "x.yaml:2:1:"]


# --- readings -----------------------------------------------------------------------------------


def test_a_reading_is_judged_with_its_limit_in_numbers():
    readings = {"h3": _reading("h3", 1e-4)}
    limit = _limit("h2: {max: 6 dB above h3}")
    judged = judge_reading(
        _reading("h2", 1.9e-4, uncertainty=1e-6), limit, GUARDED, lambda step, name: readings[name]
    )
    assert judged.verdict is Verdict.PASS
    assert judged.limits is not None
    assert judged.to_json()["limits"] == {
        "min": None,
        "max": pytest.approx(1.995262315e-4),
        "text": "max 6 dB above h3",
    }


def test_a_limit_on_a_reading_that_was_not_had_gives_no_reading():
    limit = _limit("h2: {max: 6 dB above earlier/h3}")
    judged = judge_reading(_reading("h2", 1e-4), limit, PLAIN, lambda step, name: None)
    assert judged.verdict is Verdict.NO_READING
    assert "h3 of step earlier" in judged.reason
    json.dumps(judged.to_json())


@pytest.mark.parametrize(
    ("text", "value", "verdict"),
    [
        # Twice something below 1e-5 lies anywhere below 2e-5: what is above fails, the rest is open.
        ("h2: {max: 2 times h3}", 3e-5, Verdict.FAIL),
        ("h2: {max: 2 times h3}", 1.9e-5, Verdict.NO_READING),
        ("h2: {max: 2 times h3}", 1e-9, Verdict.NO_READING),
        ("h2: {min: 2 times h3}", 3e-5, Verdict.PASS),
        ("h2: {min: 2 times h3}", 1.9e-5, Verdict.NO_READING),
        ("h2: {nominal: h3, tolerance: 10 %}", 3e-5, Verdict.FAIL),
        ("h2: {nominal: h3, tolerance: 10 %}", 0.9e-5, Verdict.NO_READING),
    ],
)
@pytest.mark.parametrize("rule", [PLAIN, GUARDED])
def test_a_limit_that_hangs_on_a_bound_is_only_known_as_well(text, value, verdict, rule):
    drowned = _reading("h3", None, noise_limited=True, upper_bound=1e-5)
    judged = judge_reading(
        _reading("h2", value, uncertainty=0.0), _limit(text), rule, lambda step, name: drowned
    )
    assert judged.verdict is verdict
    told = judged.reason if verdict is Verdict.NO_READING else judged.remarks[0]
    assert "its limit hangs on h3, known to be below 0.001 %" in told


def test_of_two_bounds_neither_is_the_greater():
    h2, h3 = (_reading(name, None, noise_limited=True, upper_bound=1e-5) for name in ("h2", "h3"))
    judged = judge_reading(h2, _limit("h2: {max: 10 times h3}"), PLAIN, lambda step, name: h3)
    assert judged.verdict is Verdict.NO_READING
    assert judged.reason.startswith("it is known to be below 0.001 %")


def test_more_noise_on_the_reference_never_makes_a_pass():
    limit = _limit("h2: {max: 60 dB above h3}")
    for bound in (1e-9, 1e-7, 1e-5, 1e-3):
        h3 = _reading("h3", None, noise_limited=True, upper_bound=bound)
        judged = judge_reading(_reading("h2", 1e-5), limit, PLAIN, lambda step, name, h3=h3: h3)
        assert not counts_as_passed(judged.verdict, has_limit=True)


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        # Limit 2 times 1.00e-4; U of h2 0.06e-4, of the limit 0.08e-4, of both 0.10e-4.
        (1.89e-4, Verdict.PASS),
        (1.91e-4, Verdict.CONDITIONAL_PASS),
        (2.09e-4, Verdict.CONDITIONAL_FAIL),
        (2.11e-4, Verdict.FAIL),
    ],
)
def test_the_guard_band_holds_the_doubt_of_the_other_reading(value, verdict):
    """JCGM 100 5.1.2: independent, so by their squares; 3, 4, 5."""
    h2 = _reading("h2", value, uncertainty=0.03e-4)
    h3 = _reading("h3", 1e-4, uncertainty=0.02e-4)
    limit = _limit("h2: {max: 2 times h3}")
    judged = judge_reading(h2, limit, GUARDED, lambda step, name: h3)
    assert judged.verdict is verdict
    assert judged.remarks == ("the guard band holds the uncertainty of h3 too",)
    plain = judge_reading(h2, limit, PLAIN, lambda step, name: h3)
    assert plain.verdict is (Verdict.PASS if value < 2e-4 else Verdict.FAIL)
    assert plain.remarks == ()


def test_a_window_around_a_reading_has_its_doubt_on_both_sides():
    before = _reading("dc_offset", -0.010, uncertainty=0.001)
    limit = _limit("dc_offset: {nominal: earlier/dc_offset, tolerance: 5 mV}")
    for value in (-0.0145, -0.0055):
        now = _reading("dc_offset", value, uncertainty=0.0)
        judged = judge_reading(now, limit, GUARDED, lambda step, name: before)
        assert judged.verdict is Verdict.CONDITIONAL_PASS


def test_a_drowned_reading_says_why_it_is_undecided():
    reading = _reading("thd", None, noise_limited=True, upper_bound=1e-3)
    judged = judge_reading(reading, Limit(maximum=1e-4), GUARDED)
    assert judged.verdict is Verdict.NO_READING
    assert judged.reason.startswith("the noise hides it, and its 95 % bound")
    assert judge_reading(reading, Limit(maximum=2e-3), GUARDED).verdict is Verdict.PASS


def test_what_drowns_in_noise_is_at_least_zero_but_not_in_decibels():
    """A ratio of 0 is minus infinity dB, so nothing is known below a bound in dB."""
    limit = Limit(minimum=-100.0)
    for unit, verdict in (("V", Verdict.PASS), ("dB", Verdict.NO_READING)):
        reading = Reading(name="it", value=None, unit=unit, noise_limited=True, upper_bound=5.0)
        judged = judge_reading(reading, limit, PLAIN)
        assert judged.verdict is verdict


def test_without_known_doubt_the_guarded_rule_says_so():
    judged = judge_reading(_reading("level", 1.0), Limit(maximum=2.0), GUARDED)
    assert judged.verdict is Verdict.PASS
    assert "without a guard band" in judged.remarks[0]


def test_the_json_of_a_reading_follows_the_contract():
    reading = _reading("thd", math.nan, uncertainty=math.inf)
    shown = reading.to_json()
    assert {"name", "value", "unit", "uncertainty", "limits", "verdict", "noise_limited",
            "upper_bound"} <= set(shown)  # fmt: skip
    assert shown["value"] is None
    assert shown["uncertainty"] is None
    assert json.loads(json.dumps(shown, allow_nan=False))["verdict"] == "info"


def test_readings_are_shown_in_the_trades_terms():
    assert _reading("thd", 6.3e-5).value_text() == "0.0063 % (-84.0 dB)"
    assert _reading("damping_factor", 62.0).value_text() == "62"
    assert _reading("level", 0.02, uncertainty=0.0003).value_text() == "(20.00 ± 0.60) mV"
    drowned = _reading("h3", None, noise_limited=True, upper_bound=1e-6)
    assert drowned.value_text() == "below 0.0001 % (-120.0 dB)"
    assert _reading("level", None, lower_bound=90.0).value_text() == "at least 90 V"
    assert _reading("level", None, upper_bound=4.0).value_text() == "at most 4 V"
    assert _reading("level", None).value_text() == "no reading"


def test_which_readings_are_fractions_and_which_have_a_sign():
    assert all(map(is_fraction, ("thd", "thd_plus_noise", "h2", "h10", "imd_smpte_2")))
    assert not any(map(is_fraction, ("damping_factor", "crest_factor", "q_factor", "hum_50")))
    assert all(map(is_signed, ("dc_offset", "final_value", "bias_offset", "drift_of_gain")))
    assert not any(map(is_signed, ("level", "thd", "gain", "settling_time")))


def test_a_relative_bound_is_factor_and_offset():
    relative = Relative(step="a", reading="b", factor=2.0, offset=1.0, with_magnitude=True)
    assert relative.bound(-3.0) == 7.0
