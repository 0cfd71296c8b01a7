"""From the findings of a step to judged readings. Pure: a run and its re-judging share it."""

from collections.abc import Iterable, Mapping, MutableMapping, Sequence
from dataclasses import replace

from sequencer.events import Outcome
from sequencer.floor import Floor
from sequencer.limits import (
    DecisionRule,
    Limit,
    Reading,
    Verdict,
    counts_as_passed,
    judge_reading,
)
from sequencer.procedure import Procedure, Step
from sequencer.quantities import format_quantity
from sequencer.steps.base import AnyStepKind, Finding

# Readings of the run so far, by step and name.
Readings = MutableMapping[tuple[str, str], Reading]


def outcome(procedure: Procedure, readings: Iterable[Reading]) -> Outcome:
    """Pass when every reading with a limit counts as passed.

    A procedure that has limits does not pass when none of them was judged: nothing was shown then.
    """
    limited = [reading for reading in readings if reading.limits is not None]
    if not limited and any(step.limits for step in procedure.all_steps()):
        return Outcome.FAIL
    is_passed = all(counts_as_passed(reading.verdict, has_limit=True) for reading in limited)
    return Outcome.PASS if is_passed else Outcome.FAIL


def judge_findings(
    step: Step,
    kind: AnyStepKind,
    findings: Sequence[Finding],
    *,
    recorded_as: str,
    rule: DecisionRule,
    so_far: Readings,
    broken_off: str | None = None,
    floor: Floor | None = None,
) -> list[Reading]:
    """The judged readings of a step, in the order found; so_far learns them.

    A limit whose reading was not found gives a reading without a value. broken_off says why the
    step broke off, where it did: it is the reason for whatever is missing. recorded_as is the
    step's name in the record, which differs from its id in a repeated group; limits refer to the
    id, and mean the latest round. floor flags what the bench itself has nearly as much of.
    """
    readings = [reading_of(finding, broken_off) for finding in findings]
    names = {reading.name for reading in readings}
    for name in step.limits:
        if name not in names:
            reason = broken_off or "the step did not give this reading"
            unit = kind.unit_of(name) or ""
            readings.append(Reading(name=name, value=None, unit=unit, reason=reason))
    so_far.update({(step.id, reading.name): reading for reading in readings})
    judged = [
        _beside_floor(_judged(reading, step.limits, rule, so_far), floor) for reading in readings
    ]
    for name in {step.id, recorded_as}:
        so_far.update({(name, reading.name): reading for reading in judged})
    return judged


def _judged(
    reading: Reading, limits: Mapping[str, Limit], rule: DecisionRule, so_far: Readings
) -> Reading:
    return judge_reading(
        reading, limits.get(reading.name), rule, lambda step, name: so_far.get((step, name))
    )


def _beside_floor(reading: Reading, floor: Floor | None) -> Reading:
    """The reading, flagged where the bench itself has nearly as much."""
    if floor is None or not floor.is_near(reading):
        return reading
    own = format_quantity(floor.values[reading.name], reading.shown_unit, digits=2)
    remark = f"within 10 dB of the bench's own {own}"
    return replace(reading, near_floor=True, remarks=(*reading.remarks, remark))


def reading_of(finding: Finding, broken_off: str | None = None) -> Reading:
    """A finding as a reading that no limit judges."""
    bounds = (finding.upper_bound, finding.lower_bound)
    has_nothing = finding.value is None and not finding.noise_limited and bounds == (None, None)
    return Reading(
        name=finding.name,
        value=finding.value,
        unit=finding.unit,
        uncertainty=finding.standard_uncertainty,
        noise_limited=finding.noise_limited,
        upper_bound=finding.upper_bound,
        lower_bound=finding.lower_bound,
        reason=(broken_off if has_nothing else None) or finding.reason or "",
        remarks=finding.remarks,
        verdict=Verdict.NO_READING if has_nothing else Verdict.INFO,
    )
