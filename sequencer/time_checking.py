"""Whether the expected times of a plan are possible: no run of years, no time without a round. Pure."""

from collections.abc import Iterator, Sequence

from sequencer.plans import PlannedStep
from sequencer.procedure_model import Step
from sequencer.quantities import LONGEST_S, format_quantity
from sequencer.steps.repeat import RepeatSettings
from sequencer.wording import duration_text

# An estimate is not exact.
_SURELY_LONGER = 1.1


def against_times(steps: Sequence[PlannedStep]) -> Iterator[tuple[Step, str]]:
    """The steps that take longer than a run may, or too little for one round, and what to say."""
    for planned in _every(steps):
        if planned.duration_s > LONGEST_S:
            yield planned.step, _too_long(planned)
        settings = planned.step.settings
        if isinstance(settings, RepeatSettings) and settings.time is not None:
            round_s = max(_round_s(planned), settings.period or 0.0)
            if settings.time < 0.5 * round_s:
                words = (
                    f"time: {format_quantity(settings.time, 's')} is less than half of one round, "
                    f"which takes {duration_text(round_s)}; write at least that"
                )
                yield planned.step, words


def too_long_together(steps: Sequence[PlannedStep]) -> str | None:
    """What to say of steps of which none, but all together take longer than a run may."""
    total_s = sum(planned.duration_s for planned in steps)
    if total_s <= LONGEST_S or any(each.duration_s > LONGEST_S for each in _every(steps)):
        return None
    return f"all steps together would take {_years(total_s)}; shorten them"


def periods_not_kept(steps: Sequence[PlannedStep]) -> Iterator[str]:
    """What to say of rounds that take longer than their period."""
    for planned in _every(steps):
        settings, round_s = planned.step.settings, _round_s(planned)
        if (
            isinstance(settings, RepeatSettings)
            and settings.period
            and round_s > _SURELY_LONGER * settings.period
        ):
            yield (
                f"step {planned.step.id}: a round takes about {duration_text(round_s)}, longer than "
                f"its period of {format_quantity(settings.period, 's')}, which is not kept"
            )


def _every(steps: Sequence[PlannedStep]) -> Iterator[PlannedStep]:
    return (each for step in steps for each in step.walk())


def _round_s(planned: PlannedStep) -> float:
    return sum(inner.duration_s for inner in planned.group)


def _too_long(planned: PlannedStep) -> str:
    settings, names = planned.step.settings, ("time", "count", "period")
    set_ones = [
        name
        for name in names
        if isinstance(settings, RepeatSettings) and getattr(settings, name) is not None
    ]
    what = " or its ".join(set_ones) or "times"
    return f"would take {_years(planned.duration_s)}; shorten its {what}"


def _years(seconds: float) -> str:
    return f"{seconds / LONGEST_S:.1f} years, and a run may take one at most"
