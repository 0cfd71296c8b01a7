"""Which finished steps a resumed run carries out again, for the state in which they leave the unit.

After a break the unit is off and cools. What is left to do may rely on mains, load and warmth: the
last step that gave each of these is carried out again, unless the next step does it by itself. And it
may rely on what had to be met before the run went on: that is shown again where instruments show it.
What a person had read stands.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping

from sequencer.checking import PlannedStep
from sequencer.step_names import step_id_of
from sequencer.steps.base import AnyStepKind, Leaves

Named = tuple[PlannedStep, str]


def to_restore(
    steps: Iterable[PlannedStep],
    done: Iterable[str],
    kinds: Mapping[str, AnyStepKind],
) -> list[Named]:
    """The steps to carry out again, with the names they were recorded under, in order.

    done holds the names of finished steps in the order in which they finished.
    """
    plan, order = [*steps], [*done]
    planned = {each.step.id: each for step in plan for each in _with_group(step)}
    finished = [(name, step_id_of(name, planned)) for name in order]
    unpowered: dict[str, Named] = {}  # what had to be met before mains came on
    found: dict[Leaves | str, Named] = {}
    is_on = False
    for name, step_id in finished:
        step = planned[step_id] if step_id else None
        if step is None or step.left_out:
            continue
        state = _leaves(step, kinds)
        if state in (Leaves.ON, Leaves.OFF):
            is_on = state is Leaves.ON
            found = _while_off(found) if is_on else {}
        if state is None and _is_shown_again(step):
            shown = found if is_on else unpowered
            shown.pop(step.step.id, None)
            shown[step.step.id] = step, name
        elif state not in (None, Leaves.OFF):
            found.pop(state, None)
            found[state] = step, name
    following = _next(plan, Counter(step_id for _, step_id in finished if step_id))
    if following is None:
        return []
    does = _leaves(following, kinds)
    if does in (Leaves.ON, Leaves.OFF):
        found = _while_off(found)
    if does is Leaves.OFF:
        unpowered = {}
    if does is Leaves.WARM:
        found.pop(Leaves.WARM, None)
    return [*unpowered.values(), *found.values()]


def _while_off(found: Mapping[Leaves | str, Named]) -> dict[Leaves | str, Named]:
    """What of it holds while the mains are off."""
    return {state: step for state, step in found.items() if state is Leaves.LISTENING}


def _is_shown_again(planned: PlannedStep) -> bool:
    """Whether it had to be met, by the instruments and not by a person's reading."""
    return planned.step.must_pass and planned.asks_for is None


def _with_group(step: PlannedStep) -> Iterator[PlannedStep]:
    yield step
    for inner in step.group:
        yield from _with_group(inner)


def _leaves(step: PlannedStep, kinds: Mapping[str, AnyStepKind]) -> Leaves | None:
    return kinds[step.step.kind].leaves(step.step.settings)


def _next(steps: Iterable[PlannedStep], done: Mapping[str, int]) -> PlannedStep | None:
    """The step with which the run goes on, as far as can be told from how often each was done."""
    for step in steps:
        if not done.get(step.step.id):
            return _first_of(step, done)
    return None


def _first_of(step: PlannedStep, done: Mapping[str, int]) -> PlannedStep:
    """Of a group, the step that was done less often than the first; else the first."""
    while step.group:
        counts = [done.get(each.step.id, 0) for each in step.group]
        behind = (at for at, count in enumerate(counts) if count < counts[0])
        step = step.group[next(behind, 0)]
    return step
