"""How long the unit's mains rest before each switching on, as part of a run's expected length."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from sequencer.access import MAINS_OFF_TIME_S
from sequencer.plans import PlannedStep
from sequencer.procedure_model import Unjudged
from sequencer.steps.base import AnyStepKind, Leaves
from sequencer.steps.repeat import RepeatSettings
from sequencer.unit_data import UnitData


class MainsRest:
    """Goes through the steps and counts how long the mains have been off.

    A bench that switches them finds them off at the beginning and can't tell since when; else the
    operator sees to it that they have rested.
    """

    def __init__(
        self, kinds: Mapping[str, AnyStepKind], unit: UnitData, *, is_switched: bool
    ) -> None:
        self._kinds = kinds
        self._unit = unit
        self._rested_s: float | None = 0.0 if is_switched else MAINS_OFF_TIME_S

    def with_rests(self, steps: Sequence[PlannedStep]) -> tuple[PlannedStep, ...]:
        """The steps, each with its rest in its expected length."""
        return tuple(self._group(step) if step.group else self._step(step) for step in steps)

    def _step(self, planned: PlannedStep) -> PlannedStep:
        if isinstance(planned.step.settings, Unjudged):
            self._rested_s = None  # nobody knows what it does
        if planned.left_out or isinstance(planned.step.settings, Unjudged):
            return planned
        kind, settings = self._kinds[planned.step.kind], planned.step.settings
        leaves = kind.leaves(settings)
        is_pulse = kind.demand(settings, self._unit).switches_on_and_off
        wait_s = 0.0
        if self._rested_s is not None and (leaves is Leaves.ON or is_pulse):
            wait_s = max(0.0, MAINS_OFF_TIME_S - self._rested_s)
        if leaves is Leaves.ON:
            self._rested_s = None
        elif leaves is Leaves.OFF:
            # Already off, they have rested longer.
            self._rested_s = (self._rested_s or 0.0) + planned.duration_s
        elif self._rested_s is not None:
            self._rested_s = 0.0 if is_pulse else self._rested_s + planned.duration_s
        return replace(planned, duration_s=planned.duration_s + wait_s, mains_rest_s=wait_s)

    def _group(self, planned: PlannedStep) -> PlannedStep:
        """A repeated group: its first round begins as the steps before left the unit."""
        settings = planned.step.settings
        if isinstance(settings, Unjudged):
            return replace(planned, group=self.with_rests(planned.group))
        assert isinstance(settings, RepeatSettings), "only a repeat holds a group"
        first = self.with_rests(planned.group)
        if settings.rounds(_length_s(first)) == 1:
            length_s = max(_length_s(first), settings.period or 0.0)
            return replace(planned, duration_s=length_s, group=first)
        later = self.with_rests(planned.group)
        first_s, later_s = (
            max(_length_s(group), settings.period or 0.0) for group in (first, later)
        )
        rounds = settings.rounds(_length_s(later))
        return replace(planned, duration_s=first_s + (rounds - 1) * later_s, group=later)


def _length_s(group: Sequence[PlannedStep]) -> float:
    return sum(step.duration_s for step in group)
