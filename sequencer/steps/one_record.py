"""Kinds of step that take one record and analyse it as a whole: what evaluation has in common."""

from abc import abstractmethod
from collections.abc import Sequence
from typing import ClassVar, Generic, TypeVar

from sequencer.analysis.errors import CannotMeasure
from sequencer.captures import Capture, named
from sequencer.pictures import Picture
from sequencer.steps.base import Finding, Situation, StepKind, StepSettings, not_found

S = TypeVar("S", bound=StepSettings)
R = TypeVar("R")

NOT_REACHED = "the wanted level was not reached"


class OneRecordKind(StepKind[S], Generic[S, R]):
    """One record, one analysis; findings and pictures are both made from its result."""

    # Name of the capture that is analysed.
    capture_name: ClassVar[str]

    @abstractmethod
    def analyse(self, settings: S, capture: Capture, situation: Situation) -> R:
        """The result of the record. Raises CannotMeasure."""

    @abstractmethod
    def findings(
        self, settings: S, capture: Capture, result: R, situation: Situation
    ) -> list[Finding]:
        """Findings from the result."""

    @abstractmethod
    def drawn(
        self, settings: S, capture: Capture, result: R, situation: Situation
    ) -> list[Picture]:
        """Pictures of the result."""

    def expected(self, settings: S) -> tuple[str, ...]:
        """The readings that are missing when the record can't be analysed."""
        return tuple(name for name in self.readings if not name.endswith("_N"))

    def evaluate(
        self, settings: S, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Findings from the record, or why there are none."""
        capture = named(captures, self.capture_name)
        if capture is None:
            return []
        if not capture.facts.get("is_locked", 1.0):
            return self._nothing(settings, NOT_REACHED)
        try:
            result = self.analyse(settings, capture, situation)
        except CannotMeasure as refusal:
            return self._nothing(settings, str(refusal))
        return self.findings(settings, capture, result, situation)

    def pictures(
        self, settings: S, captures: Sequence[Capture], situation: Situation
    ) -> list[Picture]:
        """Pictures of the record, where it can be analysed."""
        capture = named(captures, self.capture_name)
        if capture is None:
            return []
        try:
            result = self.analyse(settings, capture, situation)
        except CannotMeasure:
            return []
        return self.drawn(settings, capture, result, situation)

    def _nothing(self, settings: S, reason: str) -> list[Finding]:
        return [not_found(name, self.readings[name], reason) for name in self.expected(settings)]
