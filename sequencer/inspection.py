"""What `check` tells: everything that can be known before anything is energised."""

from collections.abc import Sequence
from dataclasses import dataclass

from sequencer import session
from sequencer.bench_spec import load_bench
from sequencer.checking import Plan, PlannedStep, reasons_against
from sequencer.clock import RealClock
from sequencer.errors import ProcedureError
from sequencer.last_words import changed_figures_text
from sequencer.procedure_model import Procedure, Step
from sequencer.session import Files, Request, bench_file
from sequencer.simulated_bench import SIMULATED
from sequencer.steps.registry import kinds
from sequencer.unit_data import UnitData
from sequencer.wording import duration_text, name_text


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """A procedure that is sound, and its plan on a bench, where one was given.

    told says what the job ticket's readings decide.
    """

    procedure: Procedure
    plan: Plan | None
    told: tuple[str, ...] = ()

    def to_json(self) -> dict[str, object]:
        """For programs."""
        found: dict[str, object] = {
            "procedure": self.procedure.name,
            "sha256": self.procedure.sha256,
            "steps": [_step_json(step, self.procedure.unit) for step in self.procedure.steps],
        }
        if self.told or self.plan:
            found["remarks"] = [*self.told, *(self.plan.remarks if self.plan else ())]
        if self.plan:
            found["estimate_s"] = self.plan.estimate_s
            found["steps"] = [_planned_json(each) for each in self.plan.steps]
        return found

    def text(self) -> str:
        """For people."""
        but = ", but this unit would not pass" if self.told else ""
        lines = [f"{self.procedure.title} ({self.procedure.name}): sound{but}"]
        lines += [f"  mind: {words}" for words in self.told]
        if changed := changed_figures_text(self.procedure.changed):
            lines.append(f"  {changed}")
        if self.plan is None:
            unit = self.procedure.unit
            for step in self.procedure.all_steps():
                lines += [f"  {step.id}: {_does(step, unit)}", *_ends_unless(step, 6)]
            return "\n".join(lines)
        for number, each in enumerate(self.plan.steps, start=1):
            lines += _planned_lines(each, f"{number:>3}. ")
        lines += [f"  mind: {remark}" for remark in self.plan.remarks]
        lines.append(
            f"  takes about {duration_text(self.plan.estimate_s)}; nothing was switched on"
        )
        return "\n".join(lines)


def _does(step: Step, unit: UnitData) -> str:
    return kinds()[step.kind].describe(step.settings, unit)


def _step_json(step: Step, unit: UnitData) -> dict[str, object]:
    return {
        "id": step.id,
        "kind": step.kind,
        "title": step.title,
        "does": _does(step, unit),
        "must_pass": step.must_pass,
        "steps": [_step_json(inner, unit) for inner in step.steps],
    }


def _planned_json(each: PlannedStep) -> dict[str, object]:
    return {
        "id": each.step.id,
        "kind": each.step.kind,
        "title": each.step.title,
        "does": each.does,
        "duration_s": each.duration_s,
        "left_out": each.left_out,
        "limits_left_out": dict(each.limits_left_out),
        "must_pass": each.step.must_pass,
        "steps": [_planned_json(inner) for inner in each.group],
    }


def _planned_lines(each: PlannedStep, lead: str) -> list[str]:
    lines = [f"{lead}{each.step.id}: {each.does}{_time(each)}"]
    if each.left_out:
        lines.append(f"{' ' * len(lead)}left out: {each.left_out}")
    else:
        lines += _ends_unless(each.step, len(lead))
    for inner in each.group:
        lines += _planned_lines(inner, f"{' ' * len(lead)}- ")
    return lines


def _time(each: PlannedStep) -> str:
    """How long a step takes, in brackets."""
    if each.left_out:
        return ""
    rest_s = each.mains_rest_s
    rest = f", the first {duration_text(rest_s)} of it with the mains off" if rest_s else ""
    return f" ({duration_text(each.duration_s)}{rest})"


def _ends_unless(step: Step, indent: int) -> list[str]:
    """What the run ends at."""
    if not (step.must_pass and step.limits):
        return []
    limits = ", ".join(f"{name_text(name)} {limit.text}" for name, limit in step.limits.items())
    return [f"{' ' * indent}the run ends here unless this is met: {limits}"]


def inspect(request: Request) -> Inspection:
    """Check a procedure, and with a bench also whether the bench can carry it out.

    Raises Refused with every reason against it. Opens no instrument.
    """
    today = RealClock().date().date()
    files = session.load(request, today)
    procedure = files.procedure
    if not request.bench:
        if errors := reasons_against([procedure], [], kinds(), today=today):
            raise ProcedureError(errors)
        asked = [_asked(step, procedure.unit) for step in procedure.all_steps()]
        return _inspection(files, request, None, asked)
    with bench_file(request.bench) as path:
        bench = files.bench or load_bench(path, name=SIMULATED)
        on_bench = session.plan_on(bench, files, request, today)
        return _inspection(files, request, on_bench, on_bench.steps)


def _inspection(
    files: Files, request: Request, on_bench: Plan | None, steps: Sequence[PlannedStep]
) -> Inspection:
    told = session.ticket_decides(files, request, steps)
    return Inspection(procedure=files.procedure, plan=on_bench, told=tuple(told))


def _asked(step: Step, unit: UnitData) -> PlannedStep:
    """A step as far as it is known without a bench."""
    asks_for = kinds()[step.kind].demand(step.settings, unit).asks_for
    return PlannedStep(step=step, does="", duration_s=0.0, left_out=None, asks_for=asks_for)
