"""A voltage that stops the run fits the limit of its reading."""

import pytest

from sequencer.errors import ProcedureError
from sequencer.limits import Limit
from sequencer.procedure import load_procedure
from sequencer.steps.registry import kinds
from sequencer.steps.stops import FURTHEST, stop_mistakes


@pytest.mark.parametrize(
    ("limit", "mistake"),
    [
        (None, None),
        (Limit(), None),
        (Limit(maximum=0.020), None),
        (Limit(minimum=-0.020, maximum=0.010), None),
        (Limit(maximum=0.036), "lower the limit or raise it"),
        (Limit(minimum=-0.036, maximum=0.001), "lower the limit or raise it"),
        (Limit(maximum=0.011), "would stop nothing in time"),
    ],
)
def test_a_stop_lies_beyond_the_limit_and_not_far(limit, mistake):
    found = stop_mistakes("it", 0.035, limit, furthest=FURTHEST)
    assert len(found) == (mistake is not None)
    assert mistake is None or mistake in found[0]


@pytest.mark.parametrize(
    ("name", "figures", "words"),
    [
        ("final_test", {"bias_stop": "100 V"}, "would stop nothing in time"),
        ("final_test", {"bias": "40 mV"}, "the limit takes up to 48 mV"),
        ("final_test", {"bias": "40 mV", "bias_stop": "80 mV"}, None),
        ("final_test", {"bias": "25 mV"}, None),
        ("dc_offset", {"limit": "1000 V"}, "the limit takes up to 1 kV"),
    ],
)
def test_a_changed_figure_can_not_void_a_stop(name, figures, words):
    if words is None:
        assert load_procedure(name, registry=kinds(), figures=figures)
        return
    with pytest.raises(ProcedureError, match=words):
        load_procedure(name, registry=kinds(), figures=figures)
