"""Kind connect: what the analyser listens to, by the router or by hand."""

import pytest

from drivers.fakes import Call
from drivers.roles import Role


def test_wrong_settings_are_refused(on):
    assert "output" in on.refusal("kind: connect, analyser: aerial")
    assert "analyser" in on.refusal("kind: connect")


def test_the_router_connects_undriven_and_on_the_highest_range(on):
    done = on.run("kind: connect, analyser: output")
    for entry, emf, peak in done.bench.states():
        if isinstance(entry, Call) and entry.method == "close":
            assert entry.arguments == (401,)
            assert (emf, peak) == (0.0, 100.0)
    assert done.bench.called("close") == [(401,)]
    assert done.bench.accepted == []
    assert done.findings() == {}


@pytest.mark.parametrize("where", ["loop", "tap"])
def test_without_such_a_channel_the_operator_connects_and_says_so(on, where):
    bench = on.bench(without=(Role.ROUTER,))
    on.run(f"kind: connect, analyser: {where}", bench)
    (asked,) = bench.done_by_hand
    assert asked.startswith("Connect the analyser to")
    assert set(bench.levels()) == {0.0}
    assert asked[len("Connect the analyser to ") : -len(" now.")] in on.describe(
        f"kind: connect, analyser: {where}"
    )
