"""What a bench whose router can't switch the load asks of people.

At the bench the operator takes the load off before the mains come on, and connects it once the DC was
looked at. With nobody there it stays connected, so no DC check comes before it: one more caution.
"""

from collections.abc import Iterable, Mapping

from sequencer.bench_spec import BenchSpec
from sequencer.procedure_model import Step, Unjudged
from sequencer.steps.base import AnyStepKind, Leaves

LOAD = "load"
_ASKED = (
    " (the bench has no router channel load: you are asked to take the load off before, and to "
    "connect it after the DC check)"
)
_STAYS = (
    " (the bench has no router channel load and nobody is there: the load stays connected, so it is "
    "there before the DC check)"
)
REMARK = (
    "this bench can't switch the load and the run is unattended: the load is connected before the DC "
    "check, which is one more caution to accept"
)
CAUTION = (
    "This bench can't switch the load, and nobody is there to connect it after the DC check: the load "
    "is connected to the unit's output before the mains come on, and DC from a faulty unit flows "
    "through it until the check stops the run. Accept only if the load is connected now, is a resistor "
    "rated for the unit's full power and no loudspeaker, and you have seen the DC at the unloaded "
    "output to be in order."
)


def connects_load(step: Step, kinds: Mapping[str, AnyStepKind]) -> bool:
    """Whether a step leaves the unit on with its load; of one with mistakes nobody knows."""
    if isinstance(step.settings, Unjudged):
        return False
    return kinds[step.kind].leaves(step.settings) is Leaves.ON


def is_left_connected(
    carried_out: Iterable[Step],
    kinds: Mapping[str, AnyStepKind],
    bench: BenchSpec,
    *,
    is_unattended: bool,
) -> bool:
    """Whether the load must be there from the beginning, since nobody connects it later."""
    is_stuck = is_unattended and LOAD not in bench.routes
    return is_stuck and any(connects_load(step, kinds) for step in carried_out)


def words_for(
    step: Step, kinds: Mapping[str, AnyStepKind], bench: BenchSpec, *, is_unattended: bool
) -> str:
    """What becomes of the load in a step that the bench can't connect it for; empty for nothing."""
    if LOAD in bench.routes or not connects_load(step, kinds):
        return ""
    return _STAYS if is_unattended else _ASKED
