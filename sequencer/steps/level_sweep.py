"""Kind `level_sweep`: distortion over output power, up to a stated distortion."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from drivers.roles import Role
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.tone import analyse_tone, rough_thd
from sequencer.captures import Capture
from sequencer.limits import rectangular
from sequencer.pictures import Curve, Picture
from sequencer.quantities import (
    Decibels,
    Level,
    LevelQuantity,
    Ratio,
    parse_level,
)
from sequencer.steps import driving
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Situation,
    StepKind,
    StepSettings,
    driven,
    not_found,
    one_sided_95,
    say,
)
from sequencer.steps.bounds import RecordTime, ToneFrequency
from sequencer.steps.registry import register
from sequencer.steps.stops import STOP
from sequencer.unit_data import UnitData

LONGEST_DWELL_S = 2.0
SETTLE_S = 0.1
REST_S = 1.0
_NEAR_THE_END = 0.5
# What a distortion of nothing counts as, on a log scale.
_SMALLEST_THD = 1e-9


class LevelSweepSettings(StepSettings):
    """Distortion over output power, up to a stated distortion."""

    until: Annotated[Ratio, STOP] = Field(
        default=0.01, gt=0, lt=0.5, description="THD at which the sweep stops"
    )
    start: LevelQuantity = Field(
        default=parse_level("0.1 W, at most 1/10 of rated power"), description="first output level"
    )
    fine_from: LevelQuantity = Field(
        default=parse_level("50 % of rated power"), description="from here in fine steps"
    )
    most: LevelQuantity = Field(
        default=parse_level("150 % of rated power"), description="the level never goes beyond"
    )
    coarse_step: Decibels = Field(default=3.0, gt=0, le=10)
    fine_step: Decibels = Field(default=0.25, gt=0, le=3)
    frequency: ToneFrequency = Field(default=1000.0, description="frequency of the tone")
    record: RecordTime = Field(default=0.5, le=LONGEST_DWELL_S)


@register
class LevelSweep(StepKind[LevelSweepSettings]):
    """Distortion over output power, up to a stated distortion."""

    name = "level_sweep"
    settings = LevelSweepSettings
    readings: ClassVar[Mapping[str, str]] = {"power": "W", "thd": "1"}

    def check(self, settings: LevelSweepSettings, unit: UnitData) -> list[str]:
        """Start below fine_from, and that not above most."""
        names = ("start", "fine_from", "most")
        start, fine, most = (_vrms(getattr(settings, name), unit) for name in names)
        if start < fine <= most:
            return []
        levels = ", ".join(f"{name} {_in_watts(getattr(settings, name), unit)}" for name in names)
        words = (
            f"the levels don't rise in this order: {levels}, for a unit of "
            f"{say(unit.rated_power_w, 'W')} into {say(unit.load_ohm, 'ohm')}; mend the levels, or the "
            "unit's rated_power"
        )
        return [words]

    def demand(self, settings: LevelSweepSettings, unit: UnitData) -> Demand:
        """Drive up to `most`, a short dwell at each level."""
        levels = _levels(settings, unit)
        dwell = settings.record + SETTLE_S
        return replace(
            driven(settings.most, unit, top_frequency_hz=3.0 * settings.frequency, seconds=dwell),
            stops_by_itself=True,
            duration_s=len(levels) * (dwell + REST_S) + 2.0,
        )

    def describe(self, settings: LevelSweepSettings, unit: UnitData) -> str:
        """What happens, in words."""
        start, most = (
            level.to_watts(unit.load_ohm, unit.rated_power_w)
            for level in (settings.start, settings.most)
        )
        return (
            f"raises {say(settings.frequency, 'Hz')} from {say(start, 'W')} until THD reaches "
            f"{100 * settings.until:g} %, at most {say(most, 'W')}, "
            f"each level for {say(settings.record + SETTLE_S, 's')}"
        )

    def acquire(self, settings: LevelSweepSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Up from below; the generator goes to zero between levels; stops at the distortion.

        What the analyser can't hold ends it too: beyond, nobody would see the distortion.
        """
        unit = bench.unit
        levels = _levels(settings, unit)
        drive = driving.reach_level(
            bench, frequency_hz=settings.frequency, target_vrms=levels[0], tolerance_db=0.2
        )
        if drive.problem:
            bench.note(drive.problem)
            bench.generator.set_level(0.0)
            return
        gain = drive.output_vrms / drive.emf_vrms
        rate = driving.sample_rate_for(bench.analyser, 21.0 * settings.frequency, 192e3)
        for number, level in enumerate(levels):
            emf = level / gain
            if emf > bench.generator_ceiling_vrms:
                bench.note("the generator's ceiling ends the level sweep")
                break
            capture = _at_level(settings, bench, number, level, emf, rate)
            yield capture
            if capture.is_overrange:
                bench.note("the analyser's highest range ends the level sweep")
                break
            if _is_at_the_end(settings, capture, unit.mains_frequency_hz):
                break

    def evaluate(
        self, settings: LevelSweepSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Power at the stated distortion, interpolated; the distortion at the last level."""
        points = _points(settings, captures, situation.unit.mains_frequency_hz)
        if not points:
            return [not_found("power", "W", "no level could be measured")]
        return [_power(settings, points, situation), _last_thd(points, situation)]

    def pictures(
        self, settings: LevelSweepSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Picture]:
        """THD and THD+N over power."""
        points = _points(settings, captures, situation.unit.mains_frequency_hz)
        if len(points) < 2:
            return []
        load_ohm = situation.load.resistance_ohm
        watts = np.array([point.level_vrms**2 / load_ohm for point in points])
        curves = (
            Curve(label="THD+N", x=watts, y=np.array([100 * p.thd_plus_noise for p in points])),
            Curve(label="THD", x=watts, y=np.array([100 * point.thd for point in points])),
        )
        return [
            Picture(
                name="distortion_over_power",
                title="Distortion over output power",
                x_label="power in W",
                y_label="distortion in %",
                curves=curves,
                x_scale="log",
                y_scale="log",
                caption=f"{say(settings.frequency, 'Hz')} into {say(load_ohm, 'ohm')}.",
            )
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Point:
    """One level: V rms of the fundamental, THD and THD+N as fractions.

    is_bound: the THD drowns in noise and thd is its 95 % bound.
    """

    level_vrms: float
    thd: float
    is_bound: bool
    thd_doubt: float
    thd_plus_noise: float


def _vrms(level: Level, unit: UnitData) -> float:
    return level.to_vrms(unit.load_ohm, unit.rated_power_w)


def _in_watts(level: Level, unit: UnitData) -> str:
    """A level as written, with its watts where it is not written in watts."""
    watts = say(level.to_watts(unit.load_ohm, unit.rated_power_w), "W")
    return watts if level.text == watts else f"{level.text} ({watts})"


def _levels(settings: LevelSweepSettings, unit: UnitData) -> list[float]:
    """Output levels in V rms: coarse steps, then fine ones, up to `most`."""
    level, fine, most = (
        _vrms(each, unit) for each in (settings.start, settings.fine_from, settings.most)
    )
    levels = [level]
    while level < most * (1.0 - 1e-9):
        step_db = settings.coarse_step if level < fine * (1.0 - 1e-9) else settings.fine_step
        next_level = level * 10.0 ** (step_db / 20.0)
        if level < fine * (1.0 - 1e-9) < next_level:
            next_level = fine
        level = min(next_level, most)
        levels.append(level)
    return levels


def _at_level(
    settings: LevelSweepSettings,
    bench: BenchAccess,
    number: int,
    level: float,
    emf: float,
    rate: float,
) -> Capture:
    driving.highest_range(bench.analyser)
    bench.energise(f"generator level {say(emf, 'V')}")
    bench.generator.set_level(emf)
    bench.wait(SETTLE_S)
    capture = driving.record(
        bench,
        f"level_{number:02d}",
        peak_v=level * math.sqrt(2.0) * driving.HEADROOM,
        seconds=settings.record,
        sample_rate_hz=rate,
        facts={"emf_vrms": emf, "wanted_vrms": level},
    )
    bench.generator.set_level(0.0)
    bench.wait(REST_S)
    return capture


def _point(settings: LevelSweepSettings, capture: Capture, mains_hz: float) -> _Point | None:
    try:
        result = analyse_tone(
            capture.first,
            capture.sample_rate_hz,
            expected_frequency_hz=settings.frequency,
            mains_frequency_hz=mains_hz,
            is_overrange=capture.is_overrange,
            range_peak_v=capture.range_peak_v,
        )
    except CannotMeasure:
        return None
    thd = result.thd.value if result.thd.value is not None else result.thd.upper_bound
    noise = result.thd_plus_noise
    both = noise.value if noise.value is not None else noise.upper_bound
    return _Point(
        level_vrms=result.level_vrms.value or 0.0,
        thd=thd or 0.0,
        is_bound=result.thd.value is None,
        thd_doubt=result.thd.standard_uncertainty,
        thd_plus_noise=both or 0.0,
    )


def _points(
    settings: LevelSweepSettings, captures: Sequence[Capture], mains_hz: float
) -> list[_Point]:
    points = (_point(settings, capture, mains_hz) for capture in captures)
    return [point for point in points if point is not None]


def _is_at_the_end(settings: LevelSweepSettings, capture: Capture, mains_hz: float) -> bool:
    """Whether the distortion is reached; looked at closely only where a rough look comes near it."""
    try:
        if rough_thd(capture.first, capture.sample_rate_hz) < _NEAR_THE_END * settings.until:
            return False
    except CannotMeasure:
        return False
    point = _point(settings, capture, mains_hz)
    return point is not None and point.thd >= settings.until


def _power(settings: LevelSweepSettings, points: Sequence[_Point], situation: Situation) -> Finding:
    """Power where the distortion first reaches `until`; a bound where that lies beyond all levels.

    A level whose distortion drowns in noise shows only that it is below its 95 % bound.
    """
    until = settings.until
    crossing = next((k for k, point in enumerate(points) if point.thd >= until), len(points))
    if crossing == len(points) or points[crossing].is_bound:
        if crossing == 0:
            return not_found("power", "W", "noise hides the distortion at the lowest level")
        return _at_least(until, points[crossing - 1], situation)
    if crossing == 0:
        return _at_most(until, points[0], situation)
    level_v = _level_between(until, points[crossing - 1], points[crossing])
    watts, doubt = driving.watts(level_v, situation)
    return Finding(
        name="power",
        unit="W",
        value=watts,
        standard_uncertainty=doubt,
        remarks=(f"at {100 * until:g} % THD",),
    )


def _at_least(until: float, point: _Point, situation: Situation) -> Finding:
    watts, doubt = driving.watts(point.level_vrms, situation)
    thd = f"{'below ' if point.is_bound else ''}{100 * point.thd:.3g} %"
    return Finding(
        name="power",
        unit="W",
        value=None,
        lower_bound=max(watts - one_sided_95(doubt), 0.0),
        remarks=(f"THD is {thd} at {say(watts, 'W')}; {100 * until:g} % was not reached",),
    )


def _at_most(until: float, point: _Point, situation: Situation) -> Finding:
    watts, doubt = driving.watts(point.level_vrms, situation)
    return Finding(
        name="power",
        unit="W",
        value=None,
        upper_bound=watts + one_sided_95(doubt),
        remarks=(f"THD is above {100 * until:g} % at the lowest level",),
    )


def _level_between(until: float, below: _Point, above: _Point) -> float:
    """Level between two points where the distortion is `until`, V r.m.s.

    The distortion is taken as a power of the level.
    """
    rise = math.log(above.thd / max(below.thd, _SMALLEST_THD))
    share = math.log(until / max(below.thd, _SMALLEST_THD)) / rise if rise > 0.0 else 1.0
    share = min(max(share, 0.0), 1.0)
    return below.level_vrms * math.pow(above.level_vrms / below.level_vrms, share)


def _last_thd(points: Sequence[_Point], situation: Situation) -> Finding:
    own = rectangular(situation.of(Role.ANALYSER).distortion)
    last = points[-1]
    return Finding(
        name="thd",
        unit="1",
        value=None if last.is_bound else last.thd,
        standard_uncertainty=None if last.is_bound else math.hypot(last.thd_doubt, own),
        noise_limited=last.is_bound,
        upper_bound=last.thd if last.is_bound else None,
        remarks=(f"at {say(driving.watts(last.level_vrms, situation)[0], 'W')}",),
    )
