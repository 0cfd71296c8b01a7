"""Kind `sweep`: response and distortion over frequency, one sine after the other."""

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from drivers.roles import Role
from sequencer.analysis import response
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.response import ResponsePoint, ResponseResult
from sequencer.analysis.tone import ToneResult, analyse_tone
from sequencer.captures import Capture
from sequencer.limits import rectangular
from sequencer.pictures import Curve, Picture
from sequencer.quantities import (
    Count,
    Decibels,
    LevelQuantity,
    PositiveFrequency,
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
    found,
    not_found,
    say,
)
from sequencer.steps.bounds import SweptFrequency
from sequencer.steps.exponential_sweep import edge_finding
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData

CYCLES = 10
SHORTEST_S = 0.05
SETTLE_CYCLES = 2
SETTLE_S = 0.02
LOCK = "reference"
SAME = 1e-6  # frequencies nearer than this are one
_POWER_BANDWIDTH = ("power_bandwidth_low", "power_bandwidth_high")
_NOT_BEYOND = "power and distortion are not measured further"


class MaskPoint(BaseModel):
    """A corner of a mask: gain relative to the reference frequency."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    frequency: PositiveFrequency
    min: Decibels | None = None
    max: Decibels | None = None

    @model_validator(mode="after")
    def _can_be_kept(self) -> "MaskPoint":
        if self.min is None and self.max is None:
            raise ValueError("this corner has neither min nor max; write one of them")
        if self.min is not None and self.max is not None and self.min >= self.max:
            raise ValueError("min is not below max; swap the two")
        return self


class SweepSettings(StepSettings):
    """Response and distortion over frequency, one sine after the other."""

    level: LevelQuantity = Field(default=parse_level("1 W"), description="level at the reference")
    start: SweptFrequency = Field(default=10.0, description="first frequency")
    stop: PositiveFrequency = Field(default=200e3, description="last frequency")
    points: Count = Field(default=41, ge=3, le=1000, description="how many, evenly on a log axis")
    reference: PositiveFrequency = Field(default=1000.0, description="frequency of 0 dB")
    flat_from: PositiveFrequency = Field(default=20.0, description="band of the flatness, from")
    flat_to: PositiveFrequency = Field(default=20e3, description="band of the flatness, to")
    mask: tuple[MaskPoint, ...] = Field(default=(), description="corners, joined on a log axis")
    until: Ratio | None = Field(
        default=None,
        gt=0,
        lt=0.5,
        description="THD within which half of rated power must be had, for the power bandwidth",
    )

    @field_validator("mask")
    @classmethod
    def _rises(cls, mask: tuple[MaskPoint, ...]) -> tuple[MaskPoint, ...]:
        if len(mask) == 1:
            raise ValueError("one corner makes no mask; write two or more, or leave mask out")
        for before, corner in itertools.pairwise(mask):
            if corner.frequency <= before.frequency:
                raise ValueError(
                    f"the corner at {corner.frequency:g} Hz comes after the one at "
                    f"{before.frequency:g} Hz; write them in order of frequency, each once, with its "
                    "min and max"
                )
        return mask

    def frequencies_hz(self) -> list[float]:
        """The frequencies of the sweep, the reference first.

        The edges of the flat band are measured, too: the largest deviation is usually there.
        """
        steps = {float(frequency) for frequency in np.geomspace(self.start, self.stop, self.points)}
        edges = {edge for edge in (self.flat_from, self.flat_to) if not _is_near(edge, steps)}
        return [self.reference, *sorted(steps | edges)]


def _is_near(frequency_hz: float, others_hz: Iterable[float]) -> bool:
    return any(abs(frequency_hz / other - 1.0) < SAME for other in others_hz)


@register
class Sweep(StepKind[SweepSettings]):
    """Gain relative to a reference, band edges, flatness, mask, THD over frequency, power bandwidth."""

    name = "sweep"
    settings = SweepSettings
    readings: ClassVar[Mapping[str, str]] = {
        "gain": "dB",
        "flatness": "dB",
        "bandwidth_low": "Hz",
        "bandwidth_high": "Hz",
        "thd": "1",
        "mask_margin": "dB",
        "power_bandwidth_low": "Hz",
        "power_bandwidth_high": "Hz",
    }

    def check(self, settings: SweepSettings, unit: UnitData) -> list[str]:
        """Both bands must be some; the reference and the flat band must lie within the sweep."""
        problems = []
        if settings.flat_from >= settings.flat_to:
            problems.append("flat_from must lie below flat_to")
        if settings.start >= settings.stop:
            return [*problems, "start must lie below stop"]
        for name in ("reference", "flat_from", "flat_to"):
            if not settings.start <= getattr(settings, name) <= settings.stop:
                problems.append(f"{name} must lie between start and stop")
        if settings.until is None:
            return problems
        watts = settings.level.to_watts(unit.load_ohm, unit.rated_power_w)
        if watts < response.POWER_SHARE * unit.rated_power_w:
            problems.append(
                f"until is for the power bandwidth, which takes a level of half of rated power or "
                f"more, not {say(watts, 'W')} of {say(unit.rated_power_w, 'W')}; raise the level or "
                "leave until out"
            )
        return problems

    def demand(self, settings: SweepSettings, unit: UnitData) -> Demand:
        """Drive at a low level over a wide band."""
        seconds = 2.0 + sum(_seconds(frequency) for frequency in settings.frequencies_hz())
        return driven(settings.level, unit, top_frequency_hz=settings.stop, seconds=seconds)

    def describe(self, settings: SweepSettings, unit: UnitData) -> str:
        """What happens, in words."""
        watts = settings.level.to_watts(unit.load_ohm, unit.rated_power_w)
        return (
            f"steps {settings.points} tones from {say(settings.start, 'Hz')} to "
            f"{say(settings.stop, 'Hz')} at {say(watts, 'W')}"
        )

    def acquire(self, settings: SweepSettings, bench: BenchAccess) -> Iterator[Capture]:
        """The level at the reference first; then the same e.m.f. at every frequency."""
        level = settings.level.to_vrms(bench.unit.load_ohm, bench.unit.rated_power_w)
        drive = driving.reach_level(bench, frequency_hz=settings.reference, target_vrms=level)
        if drive.problem:
            bench.note(drive.problem)
        for number, frequency in enumerate(settings.frequencies_hz()):
            bench.energise(f"{say(frequency, 'Hz')} at {say(drive.emf_vrms, 'V')}")
            bench.generator.set_sine(frequency, drive.emf_vrms)
            bench.wait(max(SETTLE_CYCLES / frequency, SETTLE_S))
            yield driving.record(
                bench,
                LOCK if number == 0 else f"point_{number:03d}",
                peak_v=level * math.sqrt(2.0) * driving.HEADROOM,
                seconds=max(CYCLES / frequency, SHORTEST_S),
                sample_rate_hz=driving.sample_rate_for(bench.analyser, 10.5 * frequency),
                facts={**drive.facts(), "frequency_hz": frequency},
            )
        driving.highest_range(bench.analyser)
        bench.generator.set_level(0.0)

    def evaluate(
        self, settings: SweepSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Gain, flatness, band edges, the worst distortion, the mask and the power bandwidth."""
        points, reasons = _points(settings, captures, situation)
        if any(not capture.facts["is_locked"] for capture in captures):
            reasons = ["the wanted level was not reached"]
        if reasons:
            return [
                not_found(name, unit, reasons[0])
                for name, unit in self.readings.items()
                if (name != "mask_margin" or settings.mask)
                and (name not in _POWER_BANDWIDTH or settings.until is not None)
            ]
        return _findings(settings, points, situation)

    def pictures(
        self, settings: SweepSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Picture]:
        """Response, with its mask, and distortion over frequency."""
        points, reasons = _points(settings, captures, situation)
        if reasons or len(points) < 3:
            return []
        result = _respond(settings, points)
        return [_response_picture(settings, result), _distortion_picture(points)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Point:
    """One frequency: gain in dB with its doubt, THD as a fraction (a bound where noise hides it)."""

    frequency_hz: float
    level_vrms: float
    gain_db: float
    doubt_db: float
    thd: float | None
    thd_doubt: float
    is_bound: bool


def _seconds(frequency_hz: float) -> float:
    return max(SETTLE_CYCLES / frequency_hz, SETTLE_S) + max(CYCLES / frequency_hz, SHORTEST_S)


def _points(
    settings: SweepSettings, captures: Sequence[Capture], situation: Situation
) -> tuple[list[_Point], list[str]]:
    """The points, the reference first, and why one could not be measured."""
    points, reasons = [], []
    for capture in captures:
        frequency = capture.facts["frequency_hz"]
        try:
            result = analyse_tone(
                capture.first,
                capture.sample_rate_hz,
                expected_frequency_hz=frequency,
                mains_frequency_hz=situation.unit.mains_frequency_hz,
                band_hz=(0.5 * frequency, 0.45 * capture.sample_rate_hz),
                is_overrange=capture.is_overrange,
                range_peak_v=capture.range_peak_v,
                top_hz=driving.FLAT_TO * capture.sample_rate_hz,
            )
        except CannotMeasure as refusal:
            reasons.append(f"at {say(frequency, 'Hz')}: {refusal}")
            continue
        points.append(_point(result, capture, situation))
    if not points:
        reasons.append("no frequency could be measured")
    return points, reasons


def _point(result: ToneResult, capture: Capture, situation: Situation) -> _Point:
    level = result.level_vrms.value or 1e-12
    flatness = rectangular(situation.of(Role.ANALYSER).flatness)
    relative = math.hypot(result.level_vrms.standard_uncertainty / level, flatness)
    thd = result.thd
    return _Point(
        frequency_hz=capture.facts["frequency_hz"],
        level_vrms=level,
        gain_db=20.0 * math.log10(level / capture.facts["emf_vrms"]),
        doubt_db=20.0 / math.log(10.0) * relative,
        # With H3 above half the sample rate the sum would leave out what matters.
        thd=None if 3 in result.harmonics_above else thd.value or thd.upper_bound,
        thd_doubt=thd.standard_uncertainty,
        is_bound=thd.value is None,
    )


def _apart(points: Sequence[_Point]) -> list[_Point]:
    """The points, the reference first, without a second one at its frequency."""
    reference, *others = points
    return [
        reference,
        *(p for p in others if not _is_near(p.frequency_hz, [reference.frequency_hz])),
    ]


def _respond(settings: SweepSettings, points: Sequence[_Point]) -> ResponseResult:
    return response.analyse_response(
        [
            ResponsePoint(
                frequency_hz=point.frequency_hz,
                gain_db=point.gain_db,
                uncertainty_db=point.doubt_db,
            )
            for point in _apart(points)
        ],
        reference_hz=points[0].frequency_hz,
        band_hz=(settings.flat_from, settings.flat_to),
    )


def _findings(
    settings: SweepSettings, points: Sequence[_Point], situation: Situation
) -> list[Finding]:
    result = _respond(settings, points)
    level_db = 20.0 / math.log(10.0) * rectangular(situation.of(Role.ANALYSER).level)
    worst = f"largest deviation at {say(result.worst_hz, 'Hz')}"
    findings = [
        found("gain", "dB", result.reference_gain_db, level_db),
        found("flatness", "dB", result.flatness_db, remarks=(worst,)),
        edge_finding("bandwidth_low", result.bandwidth_low),
        edge_finding("bandwidth_high", result.bandwidth_high),
        _worst_thd(settings, points, situation),
    ]
    if settings.mask:
        verdict = response.check_mask(result, _mask(settings))
        where = f"nearest to the mask at {say(verdict.worst_hz, 'Hz')}"
        findings.append(
            Finding(
                name="mask_margin",
                unit="dB",
                value=verdict.margin_db,
                standard_uncertainty=verdict.margin_uncertainty_db,
                remarks=(where,),
            )
        )
    if settings.until is not None:
        findings += _power_bandwidth(settings.until, points, situation)
    return findings


def _power_bandwidth(until: float, points: Sequence[_Point], situation: Situation) -> list[Finding]:
    """Both edges; none where half of rated power isn't had within the distortion at the reference."""
    unit, level = situation.unit, rectangular(situation.of(Role.ANALYSER).level)
    level_db = 20.0 / math.log(10.0) * level
    at_each = [
        response.PowerPoint(
            frequency_hz=point.frequency_hz,
            power_w=point.level_vrms**2 / unit.load_ohm,
            # a bound above what is asked decides nothing
            thd=None if point.is_bound and (point.thd or 0.0) > until else point.thd,
            power_uncertainty_db=math.hypot(point.doubt_db, level_db),
            thd_uncertainty=math.hypot(point.thd_doubt, _own_thd(situation)),
        )
        for point in _apart(points)
    ]
    reference = at_each[0]
    if reference.thd is None:
        why = "the distortion at the reference could not be measured"
    elif reference.thd > until or reference.power_w < response.POWER_SHARE * unit.rated_power_w:
        why = (
            f"at the reference there are {say(reference.power_w, 'W')} with "
            f"{100.0 * reference.thd:.2g} % of distortion"
        )
    else:
        low, high = response.power_bandwidth(
            at_each,
            stated_power_w=unit.rated_power_w,
            stated_thd=until,
            reference_hz=reference.frequency_hz,
        )
        return [
            edge_finding("power_bandwidth_low", low, beyond=_NOT_BEYOND),
            edge_finding("power_bandwidth_high", high, beyond=_NOT_BEYOND),
        ]
    return [not_found(name, "Hz", why) for name in _POWER_BANDWIDTH]


def _own_thd(situation: Situation) -> float:
    """Standard uncertainty of a distortion by what the instruments have of their own."""
    analyser, generator = situation.of(Role.ANALYSER), situation.of(Role.GENERATOR)
    return rectangular(math.hypot(analyser.distortion, generator.distortion))


def _worst_thd(settings: SweepSettings, points: Sequence[_Point], situation: Situation) -> Finding:
    known = [
        point
        for point in points
        if point.thd is not None and settings.flat_from <= point.frequency_hz <= settings.flat_to
    ]
    if not known:
        return not_found(
            "thd", "1", "no distortion could be measured between flat_from and flat_to"
        )
    worst = max(known, key=lambda point: point.thd or 0.0)
    remark = (f"at {say(worst.frequency_hz, 'Hz')}",)
    if worst.is_bound:
        return Finding(
            name="thd",
            unit="1",
            value=None,
            noise_limited=True,
            upper_bound=worst.thd,
            remarks=remark,
        )
    doubt = math.hypot(worst.thd_doubt, _own_thd(situation))
    return Finding(
        name="thd", unit="1", value=worst.thd, standard_uncertainty=doubt, remarks=remark
    )


def _mask(settings: SweepSettings) -> list[response.MaskPoint]:
    return [
        response.MaskPoint(frequency_hz=corner.frequency, min_db=corner.min, max_db=corner.max)
        for corner in settings.mask
    ]


def _response_picture(settings: SweepSettings, result: ResponseResult) -> Picture:
    curves = [Curve(label="gain", x=result.frequency_hz, y=result.relative_db)]
    for label, side in (("mask, lower", "min"), ("mask, upper", "max")):
        corners = [
            (corner.frequency, getattr(corner, side))
            for corner in settings.mask
            if getattr(corner, side) is not None
        ]
        if corners:
            x, y = (np.array(axis) for axis in zip(*corners, strict=True))
            curves.append(Curve(label=label, x=x, y=y, is_limit=True))
    return Picture(
        name="response",
        title="Frequency response",
        x_label="frequency in Hz",
        y_label=f"gain relative to {say(result.reference_hz, 'Hz')} in dB",
        curves=tuple(curves),
        x_scale="log",
        caption=f"The gain at {say(result.reference_hz, 'Hz')} is 0 dB.",
    )


def _distortion_picture(points: Sequence[_Point]) -> Picture:
    known = sorted(
        ((point.frequency_hz, 100.0 * point.thd) for point in points if point.thd),
        key=lambda p: p[0],
    )
    x, y = (np.array(axis) for axis in zip(*known, strict=True)) if known else (np.array([]),) * 2
    return Picture(
        name="distortion_over_frequency",
        title="Distortion over frequency",
        x_label="frequency in Hz",
        y_label="THD in %",
        curves=(Curve(label="THD", x=x, y=y),),
        x_scale="log",
        y_scale="log",
        caption="Harmonics up to the tenth that lie below half the sample rate.",
    )
