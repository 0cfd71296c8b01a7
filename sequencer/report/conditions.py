"""Under which conditions a run was made, and how its verdicts were reached, in words."""

from collections.abc import Iterator
from dataclasses import dataclass

from sequencer.bench_spec import BenchSpec
from sequencer.limits import DecisionRule
from sequencer.procedure import UnitData
from sequencer.quantities import format_quantity
from sequencer.record import Record, StepRecord
from sequencer.report.context import Context
from sequencer.report.reading_view import capitalised, reading_of
from sequencer.wording import duration_text

_MOST_LISTED = 4
MAINS_TOLERANCE = 0.02  # common practice, no source: beyond it power results are told apart

_DOUBT = (
    "The figure behind ± is the expanded uncertainty U = 2 u: the true value lies within it with "
    "about 95 % probability. It joins the accuracy of the instruments as stated for this bench "
    "with the scatter seen while measuring (JCGM 100:2008). Influences nobody stated are not in it."
)
_RULES = {
    DecisionRule.PLAIN: (
        "Plain rule (simple acceptance, ILAC-G8:09/2019 4.2.1): the value alone decides; its doubt "
        "is shown but does not count. Near a limit the verdict may be wrong about as often as right."
    ),
    DecisionRule.GUARDED: (
        "Guarded rule (ILAC-G8:09/2019 4.2.3, guard band w = U): a reading passes when it keeps to "
        "its limit even with its doubt counted against the unit. Conditional pass: within the "
        "limit, but by less than its doubt; it counts as passed. Conditional fail: beyond the "
        "limit, but by less than its doubt; it counts as failed. Fail: beyond the limit by more."
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One condition: what, and its text. needs_attention marks what weakens the results."""

    name: str
    text: str
    needs_attention: bool = False


def conditions(record: Record, context: Context) -> tuple[Condition, ...]:
    """Load, mains, warm-up, temperature, doubt, decision rule: each one said, or said to be unknown."""
    unit = context.procedure.unit if context.procedure else None
    return (
        Condition(name="Load", text=_load(context.bench)),
        *([Condition(name="Unit as specified", text=_unit(unit))] if unit else []),
        _mains(record, unit),
        _warm_up(record),
        Condition(name="Temperature", text=_temperatures(record)),
        *_bench(record, context.bench),
        Condition(name="Doubt", text=_DOUBT),
        Condition(name="Decision rule", text=_rule(record)),
    )


def _load(bench: BenchSpec | None) -> str:
    if bench is None:
        return "not known any more"
    load = bench.load
    text = (
        f"{format_quantity(load.resistance_ohm, 'ohm')} resistor, tolerance "
        f"±{format_quantity(100.0 * load.tolerance, '', digits=2)} %, stands "
        f"{format_quantity(load.continuous_w, 'W')} continuously"
    )
    if load.short_term_w > load.continuous_w:
        text += (
            f" and {format_quantity(load.short_term_w, 'W')} for "
            f"{format_quantity(load.short_term_s, 's')}"
        )
    return text


def _unit(unit: UnitData) -> str:
    polarity = "" if unit.polarity == "normal" else f", {unit.polarity.replace('_', ' ')}"
    return (
        f"{format_quantity(unit.rated_power_w, 'W')} into {format_quantity(unit.load_ohm, 'ohm')}, "
        f"gain {format_quantity(unit.gain_db, 'dB')}{polarity}, "
        f"{unit.output.replace('_', '-')} output, mains {format_quantity(unit.mains_vrms, 'V')} "
        f"{format_quantity(unit.mains_frequency_hz, 'Hz')}"
    )


def _mains(record: Record, unit: UnitData | None) -> Condition:
    volts = [value for _, value in _values(record, "mains_voltage")]
    if not volts:
        return Condition(name="Mains", text="voltage not measured during this run")
    text = _from_to(volts, "V") + " measured"
    if unit is None:
        return Condition(name="Mains", text=text)
    off = max(abs(value / unit.mains_vrms - 1.0) for value in volts)
    nominal = format_quantity(unit.mains_vrms, "V")
    if off <= MAINS_TOLERANCE:
        return Condition(name="Mains", text=f"{text}, within ±2 % of {nominal}")
    return Condition(
        name="Mains",
        text=f"{text}, more than 2 % off {nominal}: readings of power are affected by it",
        needs_attention=True,
    )


def _warm_up(record: Record) -> Condition:
    begun = [step for step in record.steps if step.kind == "warm_up" and not step.left_out]
    if not begun:
        text = "none in this run: the readings are those of the unit as it came to the bench"
        return Condition(name="Warm-up", text=text)
    aims = dict.fromkeys(step.does or step.title or step.id for step in begun)
    missed = dict.fromkeys(filter(None, map(_missed, begun)))
    text = capitalised("; ".join(aims))
    if missed:
        text += f". But: {'; '.join(missed)}"
    return Condition(name="Warm-up", text=text, needs_attention=bool(missed))


def _missed(step: StepRecord) -> str | None:
    """Why a warm-up did not reach its aim; None when it did, as far as the record tells."""
    if step.verdict is None:
        return f"{step.title or step.id} was begun and not finished"
    power = next((each for each in map(reading_of, step.readings) if each.name == "power"), None)
    return power.reason if power is not None and power.value is None else None


def _temperatures(record: Record) -> str:
    found = _values(record, "temperature")
    if not found:
        return "not measured during this run"
    if len(found) > _MOST_LISTED:
        return f"{_from_to([value for _, value in found], 'degC')} in {len(found)} readings"
    return ", ".join(f"{format_quantity(value, 'degC')} ({title})" for title, value in found)


def _values(record: Record, name: str) -> list[tuple[str, float]]:
    """Every value of this reading, with the title of its step."""
    return [
        (step.title or step.id, reading.value)
        for step in record.steps
        for reading in map(reading_of, step.readings)
        if reading.name == name and reading.value is not None
    ]


def _from_to(values: list[float], unit: str) -> str:
    low, high = (format_quantity(value, unit) for value in (min(values), max(values)))
    return low if low == high else f"{low} to {high}"


def _bench(record: Record, bench: BenchSpec | None) -> Iterator[Condition]:
    name = str(record.started.get("bench") or "not known")
    length = duration_text(record.duration_s)
    yield Condition(name="Bench", text=f"{name}; the run took {length} of the bench's time")
    if bench is not None:
        means = ", ".join(bench.independent_means) or "none stated"
        yield Condition(name="Independent means to switch off", text=means)


def _rule(record: Record) -> str:
    stored = str(record.started.get("decision") or "")
    if stored not in set(DecisionRule):
        return f"{stored or 'none'} is recorded, which this version does not know"
    return _RULES[DecisionRule(stored)]
