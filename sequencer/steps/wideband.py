"""Kind `wideband`: spurs far above the audio band, idle or under a tone."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import ClassVar

import numpy as np
from pydantic import Field

from drivers.roles import Role
from sequencer.analysis.wideband import Spur, WidebandResult, analyse_wideband
from sequencer.captures import Capture, Samples
from sequencer.limits import rectangular
from sequencer.pictures import Curve, Mark, Picture
from sequencer.quantities import LevelQuantity, PositiveFrequency
from sequencer.steps import driving
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Situation,
    StepSettings,
    driven,
    found,
    say,
)
from sequencer.steps.bounds import RecordTime, ToneFrequency
from sequencer.steps.one_record import OneRecordKind
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData

FIRST_PEAK_V = 1.0
SETTLE_S = 1.0
MOST_MARKS = 8
# Harmonics nearer than this part of the axis would pile their names on one spot.
MARKS_APART = 0.05
# What no spur stands out of hides less than the noise of this width: far wider than a spur smears.
WIDEST_HIDDEN_HZ = 10e3


class WidebandSettings(StepSettings):
    """Spurs far above the audio band, idle or under a tone."""

    level: LevelQuantity | None = Field(
        default=None, description="output level of the tone; none for idle"
    )
    frequency: ToneFrequency = Field(default=1000.0, description="frequency of the tone")
    search_low: PositiveFrequency = Field(default=20e3, description="lower edge of the search")
    search_high: PositiveFrequency = Field(default=500e3, description="upper edge of the search")
    record: RecordTime = Field(default=0.8, le=10.0, description="length of the record")


@register
class Wideband(OneRecordKind[WidebandSettings, WidebandResult]):
    """Spurs far above the audio band: strongest first, integrated over their width."""

    name = "wideband"
    settings = WidebandSettings
    capture_name = "wideband"
    readings: ClassVar[Mapping[str, str]] = {
        "spur_count": "1",
        "spur_frequency": "Hz",
        "spur_level": "V",
        "spur_to_tone": "1",
    }

    def check(self, settings: WidebandSettings, unit: UnitData) -> list[str]:
        """The search band must be one."""
        return (
            ["search_high must lie above search_low"]
            if settings.search_high <= settings.search_low
            else []
        )

    def demand(self, settings: WidebandSettings, unit: UnitData) -> Demand:
        """An analyser whose sample rate covers the search; a load when driven."""
        seconds = settings.record + SETTLE_S
        if settings.level is not None:
            return driven(
                settings.level, unit, top_frequency_hz=settings.search_high, seconds=seconds + 2.0
            )
        return Demand(
            roles=frozenset({Role.GENERATOR, Role.ANALYSER}),
            top_frequency_hz=settings.search_high,
            duration_s=seconds,
        )

    def describe(self, settings: WidebandSettings, unit: UnitData) -> str:
        """What happens, in words."""
        watts = _level_vrms(settings, unit) ** 2 / unit.load_ohm
        drive = f"under {say(watts, 'W')}" if watts else "at idle"
        return (
            f"looks for spurs from {say(settings.search_low, 'Hz')} to "
            f"{say(settings.search_high, 'Hz')} {drive}"
        )

    def acquire(self, settings: WidebandSettings, bench: BenchAccess) -> Iterator[Capture]:
        """One wide record, silent or under the tone."""
        level = _level_vrms(settings, bench.unit)
        driving.highest_range(bench.analyser)
        facts: Mapping[str, float] = {"is_locked": 1.0}
        peak_v = min(FIRST_PEAK_V, bench.analyser.ranges_peak_v()[0])
        if level:
            drive = driving.reach_level(
                bench, frequency_hz=settings.frequency, target_vrms=level, tolerance_db=0.2
            )
            facts = drive.facts()
            peak_v = drive.output_vrms * math.sqrt(2.0) * driving.HEADROOM
        else:
            driving.silence(bench)
        bench.wait(SETTLE_S)
        yield driving.record(
            bench,
            "wideband",
            peak_v=peak_v,
            seconds=settings.record,
            sample_rate_hz=driving.sample_rate_for(bench.analyser, settings.search_high),
            facts=facts,
        )
        driving.highest_range(bench.analyser)
        bench.generator.set_level(0.0)

    def analyse(
        self, settings: WidebandSettings, capture: Capture, situation: Situation
    ) -> WidebandResult:
        """The analysis of the record. Raises CannotMeasure."""
        return _analyse(settings, capture)

    def findings(
        self,
        settings: WidebandSettings,
        capture: Capture,
        result: WidebandResult,
        situation: Situation,
    ) -> list[Finding]:
        """Findings with the instruments' doubt joined in."""
        return _findings(settings, result, situation)

    def drawn(
        self,
        settings: WidebandSettings,
        capture: Capture,
        result: WidebandResult,
        situation: Situation,
    ) -> list[Picture]:
        """What the report shows of the record."""
        return [wideband_picture(result, settings.frequency)]


def _level_vrms(settings: WidebandSettings, unit: UnitData) -> float:
    if settings.level is None:
        return 0.0
    return settings.level.to_vrms(unit.load_ohm, unit.rated_power_w)


def _analyse(settings: WidebandSettings, capture: Capture) -> WidebandResult:
    return analyse_wideband(
        capture.first,
        capture.sample_rate_hz,
        search_hz=(settings.search_low, settings.search_high),
        tone_hz=settings.frequency if settings.level else None,
        is_overrange=capture.is_overrange,
        range_peak_v=capture.range_peak_v,
    )


def _findings(
    settings: WidebandSettings, result: WidebandResult, situation: Situation
) -> list[Finding]:
    findings = [
        Finding(
            name="spur_count",
            unit="1",
            value=float(len(result.spurs)),
            standard_uncertainty=0.0,
            remarks=spur_texts(result.spurs),
        )
    ]
    if not result.spurs:
        bound = result.floor_v_per_rthz * math.sqrt(WIDEST_HIDDEN_HZ)
        return [
            *findings,
            Finding(
                name="spur_level",
                unit="V",
                value=None,
                noise_limited=True,
                upper_bound=bound,
                remarks=("no spur stands out of the noise",),
            ),
        ]
    strongest = result.spurs[0]
    accuracy = situation.of(Role.ANALYSER)
    relative = rectangular(math.hypot(accuracy.level, accuracy.flatness))
    level_v = strongest.level_vrms.value or 0.0
    findings += [
        found("spur_frequency", "Hz", strongest.frequency_hz),
        found("spur_level", "V", strongest.level_vrms, relative * level_v),
    ]
    if settings.level:
        tone_v = _level_vrms(settings, situation.unit)
        findings.append(
            Finding(
                name="spur_to_tone",
                unit="1",
                value=level_v / tone_v,
                standard_uncertainty=math.hypot(
                    strongest.level_vrms.standard_uncertainty / tone_v, relative * level_v / tone_v
                ),
            )
        )
    return findings


def spur_texts(spurs: Sequence[Spur]) -> tuple[str, ...]:
    """The strongest spurs in words, harmonics with their fundamental, and how many are none."""
    told = [_spur_text(spur) for spur in spurs[:MOST_MARKS]]
    origins = sum(spur.harmonic_of is None for spur in spurs)
    if origins < len(spurs):
        told.append(f"{origins} without the harmonics")
    return tuple(told)


def _spur_text(spur: Spur) -> str:
    frequency, level = spur.frequency_hz.value or 0.0, spur.level_vrms.value or 0.0
    origin = f", harmonic of {say(spur.harmonic_of, 'Hz')}" if spur.harmonic_of else ""
    return f"{say(level, 'V')} at {say(frequency, 'Hz')}{origin}"


def wideband_picture(result: WidebandResult, tone_hz: float | None) -> Picture:
    """The wide spectrum with its spurs and the strongest harmonics of the tone marked."""
    marks = [
        Mark(
            x=spur.frequency_hz.value or 0.0,
            y=20.0 * math.log10(spur.level_vrms.value or 1e-12),
            label=say(spur.frequency_hz.value or 0.0, "Hz"),
        )
        for spur in result.spurs[:MOST_MARKS]
    ]
    marks += [
        Mark(
            x=line.frequency_hz.value or 0.0,
            y=20.0 * math.log10(line.level_vrms.value or 1e-12),
            label=f"H{(line.frequency_hz.value or 0.0) / (tone_hz or 1.0):.0f}",
        )
        for line in _apart(result.tone_harmonics, MARKS_APART * result.searched_hz[1])[:MOST_MARKS]
    ]
    return Picture(
        name="wideband_spectrum",
        title="Wide spectrum",
        x_label="frequency in Hz",
        y_label="level in dBV",
        curves=(
            Curve(label="output", x=result.frequency_hz, y=_dbv(result.density_v_per_rthz, result)),
            Curve(
                label="noise floor",
                x=result.frequency_hz,
                y=_dbv(result.floor_density_v_per_rthz, result),
            ),
        ),
        marks=tuple(marks),
        x_limits=(0.0, result.searched_hz[1]),
        caption=(
            f"Noise bandwidth {result.resolution_hz:.0f} Hz. A spur is marked at its level "
            "integrated over its width, which can lie above the curve."
            + (" H marks the tone's strongest harmonics." if result.tone_harmonics else "")
        ),
    )


def _apart(lines: Sequence[Spur], least_hz: float) -> list[Spur]:
    """The lines, strongest first, without those too near to a stronger one."""
    kept: list[Spur] = []
    for line in lines:
        here_hz = line.frequency_hz.value or 0.0
        if all(abs(here_hz - (other.frequency_hz.value or 0.0)) >= least_hz for other in kept):
            kept.append(line)
    return kept


def _dbv(density_v_per_rthz: Samples, result: WidebandResult) -> Samples:
    """Level in the noise bandwidth of the spectrum, dBV."""
    level_v = density_v_per_rthz * math.sqrt(result.resolution_hz)
    level_dbv: Samples = 20.0 * np.log10(np.maximum(level_v, 1e-12))
    return level_dbv
