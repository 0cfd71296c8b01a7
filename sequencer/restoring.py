"""Which finished steps a resumed run carries out again, for the state in which they leave the unit.

After a break the unit is off and cools. What is left to do may rely on mains, load and warmth: the
last step that gave each of these is carried out again, unless the next step does it by itself.
"""

from collections.abc import Iterable, Iterator, Mapping

from sequencer.checking import PlannedStep
from sequencer.steps.base import AnyStepKind, Leaves

Named = tuple[PlannedStep, str]


def to_restore(
    steps: Iterable[PlannedStep], done: Iterable[str], kinds: Mapping[str, AnyStepKind]
) -> list[Named]:
    """The steps to carry out again, with the names they were recorded under, in order.

    done holds the names of finished steps in the order in which they finished.
    """
    planned = {each.step.id: each for step in steps for each in _with_group(step)}
    order = [*done]
    found: dict[Leaves, Named] = {}
    for name in order:
        step = planned.get(name.partition(".")[0])
        if step is None or step.left_out:
            continue
        match _leaves(step, kinds):
            case Leaves.OFF:
                found.clear()
            case Leaves.ON:
                found.pop(Leaves.ON, None)
                found.pop(Leaves.WARM, None)
                found[Leaves.ON] = step, name
            case Leaves() as state:
                found.pop(state, None)
                found[state] = step, name
            case None:
                pass
    following = _next(planned.values(), frozenset(order))
    if following is None:
        return []
    does = _leaves(following, kinds)
    if does in (Leaves.ON, Leaves.OFF):
        found.pop(Leaves.ON, None)
        found.pop(Leaves.WARM, None)
    if does is Leaves.WARM:
        found.pop(Leaves.WARM, None)
    return [*found.values()]


def _with_group(step: PlannedStep) -> Iterator[PlannedStep]:
    yield step
    for inner in step.group:
        yield from _with_group(inner)


def _leaves(step: PlannedStep, kinds: Mapping[str, AnyStepKind]) -> Leaves | None:
    return kinds[step.step.kind].leaves(step.step.settings)


def _next(steps: Iterable[PlannedStep], done: frozenset[str]) -> PlannedStep | None:
    """The step with which the run goes on, as far as can be told: the first without a round done.

    Within a group it is the one that has been done less often than the first of the group.
    """
    rounds: dict[str, int] = {}
    for name in done:
        rounds[name.partition(".")[0]] = rounds.get(name.partition(".")[0], 0) + 1
    for step in steps:
        if step.group and step.step.id not in done:
            inner = step.group
            counts = [rounds.get(each.step.id, 0) for each in inner]
            behind = [each for each, count in zip(inner, counts, strict=True) if count < counts[0]]
            return behind[0] if behind else inner[0]
        if step.step.id not in rounds:
            return step
    return None
