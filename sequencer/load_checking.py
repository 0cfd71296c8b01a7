"""Whether the bench's load stands what the steps put into it, each warm from those before it."""

import math
from collections.abc import Iterator, Mapping, Sequence

from sequencer.plans import PlannedStep
from sequencer.procedure_model import Step, Unjudged
from sequencer.quantities import format_quantity
from sequencer.steps.base import AnyStepKind, Demand, Load
from sequencer.steps.repeat import RepeatSettings
from sequencer.unit_data import UnitData


class LoadWarmth:
    """How long the load has been beyond its continuous power; below, it is taken to cool as fast."""

    def __init__(self, load: Load, kinds: Mapping[str, AnyStepKind], unit: UnitData) -> None:
        self._load = load
        self._kinds = kinds
        self._unit = unit
        self._hot_s = 0.0
        self._too_hot: set[str] = set()

    def too_much(self, steps: Sequence[PlannedStep]) -> Iterator[tuple[Step, str]]:
        """The steps that the load doesn't stand, round after round, and what to say."""
        for planned in steps:
            if isinstance(planned.step.settings, Unjudged):
                # Nobody knows how long it rests.
                self._hot_s = 0.0
                yield from self.too_much(planned.group)
                self._hot_s = 0.0
            elif planned.group:
                yield from self._in_rounds(planned)
            elif not planned.left_out:
                yield from self._in_step(planned.step)

    def _in_rounds(self, planned: PlannedStep) -> Iterator[tuple[Step, str]]:
        """A repeated group, until the load gets too hot or a round leaves it no warmer."""
        settings = planned.step.settings
        assert isinstance(settings, RepeatSettings), "only a repeat holds a group"
        round_s = sum(inner.duration_s for inner in planned.group)
        idle_s = max(0.0, (settings.period or 0.0) - round_s)
        for _ in range(settings.rounds(round_s)):
            before_s, told = self._hot_s, len(self._too_hot)
            yield from self.too_much(planned.group)
            self._hot_s = max(0.0, self._hot_s - idle_s)
            # A round takes a cooler load to a cooler end, so that from here on it only gets better.
            if self._hot_s <= before_s or len(self._too_hot) > told:
                return

    def _in_step(self, step: Step) -> Iterator[tuple[Step, str]]:
        demand = self._kinds[step.kind].demand(step.settings, self._unit)
        limit_s = self._load.time_limit_s(demand.load_w)
        if limit_s == math.inf:
            self._hot_s = max(0.0, self._hot_s - demand.duration_s)
            return
        self._hot_s += demand.load_s
        if self._hot_s > limit_s and step.id not in self._too_hot:
            self._too_hot.add(step.id)
            yield step, _words(demand, self._hot_s, limit_s, self._load)


def _words(demand: Demand, hot_s: float, limit_s: float, load: Load) -> str:
    """What a step asks of a load that does not stand it."""
    with_others = " with the steps before it" if hot_s > demand.load_s else ""
    return (
        f"puts {format_quantity(demand.load_w, 'W')} into the load for "
        f"{format_quantity(hot_s, 's')}{with_others}, but the load {_stands(load, limit_s)}"
    )


def _stands(load: Load, limit_s: float) -> str:
    """What a load takes: for how long, or else how much."""
    if limit_s:
        return f"stands that for {format_quantity(limit_s, 's')}"
    takes = f"takes {format_quantity(load.continuous_w, 'W')} at most"
    if load.short_term_w > load.continuous_w:
        seconds = format_quantity(load.short_term_s, "s")
        return f"{takes}, or {format_quantity(load.short_term_w, 'W')} for {seconds}"
    return takes
