"""Power with nobody in the room needs something that acts when the computer is dead."""

from datetime import date

import pytest

from sequencer.bench_spec import load_bench
from sequencer.checking import plan
from sequencer.errors import CapabilityMissing
from sequencer.procedure import load_procedure
from sequencer.steps.registry import kinds

NAMED = "independent_means: [emergency stop]\n"
ACCEPTED = "unattended_accepted: {by: The Owner, when: 2026-01-05}\n"


@pytest.fixture
def planned(rig):
    def make(means, *, is_unattended, procedure=None):
        bench_file = rig.folder / "bench.yaml"
        bench_file.write_text(rig.bench_text.replace(NAMED, means))
        procedure_file = rig.folder / "p.yaml"
        procedure_file.write_text(procedure or rig.procedure_text)
        procedure = load_procedure(procedure_file, registry=kinds())
        return plan(
            procedure,
            load_bench(bench_file),
            kinds(),
            today=date(2026, 1, 6),
            is_unattended=is_unattended,
        )

    return make


def test_unattended_power_without_independent_means_is_refused(planned):
    with pytest.raises(CapabilityMissing) as caught:
        planned("", is_unattended=True)
    assert caught.value.exit_code == 2
    reason = caught.value.errors[0].message
    assert "if this computer itself fails" in reason
    assert "independent_means" in reason
    assert "unattended_accepted" in reason


def test_a_means_lifts_the_refusal(planned):
    assert planned(NAMED, is_unattended=True).remarks == ()


def test_acceptance_in_writing_lifts_it_and_is_said_each_time(planned):
    (remark,) = planned(ACCEPTED, is_unattended=True).remarks
    assert "accepted by The Owner on 2026-01-05" in remark


@pytest.mark.parametrize("means", ["", ACCEPTED])
def test_with_a_person_there_it_is_said_and_not_refused(planned, means):
    (remark,) = planned(means, is_unattended=False).remarks
    assert "stay at the bench" in remark


def test_what_switches_nothing_on_may_run_unattended(planned):
    head = "procedure: p\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\n"
    only_waits = f"{head}steps:\n  - {{id: rest, kind: wait, time: 1 s}}\n"
    planned("", is_unattended=True, procedure=only_waits)


def test_a_group_of_a_repeat_counts_too(planned):
    head = "procedure: p\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\n"
    group = "{id: r, kind: repeat, count: 2, steps: [{id: on_again, kind: power_on}]}"
    with pytest.raises(CapabilityMissing):
        planned("", is_unattended=True, procedure=f"{head}steps:\n  - {group}\n")
