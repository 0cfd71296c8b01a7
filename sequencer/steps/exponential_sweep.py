"""Kind `exponential_sweep`: response and its harmonics from one record of a few seconds.

Beside the stepped `sweep`, whose points are each judged alone; this one shows the shape of everything
at once (A. Farina, 2000).
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import ClassVar

import numpy as np
from pydantic import Field

from drivers.roles import Role
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.exponential_sweep import SweepResult, analyse_exponential_sweep
from sequencer.analysis.response import BandEdge
from sequencer.captures import Capture
from sequencer.limits import rectangular
from sequencer.pictures import Curve, Picture
from sequencer.quantities import (
    LevelQuantity,
    PositiveFrequency,
    parse_level,
)
from sequencer.steps import driving
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Situation,
    StepSettings,
    driven,
    found,
    one_sided_95,
    say,
)
from sequencer.steps.bounds import RecordTime, SweptFrequency
from sequencer.steps.disturbances import click_remarks
from sequencer.steps.one_record import OneRecordKind
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData

BEFORE_S = 0.3
AFTER_S = 0.6
OVERHEAD_S = 3.0
TOP_RATE_HZ = 192e3
_DISTORTED = (
    0.01  # at which an amplifier's power is commonly stated: it clips (common practice, no source)
)
_FADE = 1.1  # what fading over 2 % of the time costs at each end of the widest sweep, and some


class ExponentialSweepSettings(StepSettings):
    """Response and its harmonics from one record of a few seconds."""

    level: LevelQuantity = Field(default=parse_level("1 W"), description="output level at 1 kHz")
    start: SweptFrequency = Field(default=10.0, description="first frequency swept")
    stop: PositiveFrequency = Field(default=40e3, description="last frequency swept")
    time: RecordTime = Field(default=4.0, le=60.0, description="length of the sweep")
    flat_from: PositiveFrequency = Field(default=20.0, description="band of the flatness, from")
    flat_to: PositiveFrequency = Field(default=20e3, description="band of the flatness, to")


@register
class ExponentialSweep(OneRecordKind[ExponentialSweepSettings, SweepResult]):
    """Response and harmonic responses from one exponential sweep."""

    name = "exponential_sweep"
    settings = ExponentialSweepSettings
    capture_name = "sweep"
    readings: ClassVar[Mapping[str, str]] = {
        "gain": "dB",
        "flatness": "dB",
        "bandwidth_low": "Hz",
        "bandwidth_high": "Hz",
    }

    def check(self, settings: ExponentialSweepSettings, unit: UnitData) -> list[str]:
        """The flat band must lie within the sweep, clear of where it fades in and out."""
        if not settings.start <= settings.flat_from < settings.flat_to <= settings.stop:
            return ["start, flat_from, flat_to and stop must rise in this order"]
        problems = []
        if settings.start * _FADE > settings.flat_from:
            problems.append("start must lie a tenth below flat_from: the sweep fades in")
        if settings.flat_to * _FADE > settings.stop:
            problems.append("stop must lie a tenth above flat_to: the sweep fades out")
        return problems

    def demand(self, settings: ExponentialSweepSettings, unit: UnitData) -> Demand:
        """A generator that sweeps and an analyser that records the drive beside the output."""
        seconds = settings.time + BEFORE_S + AFTER_S + OVERHEAD_S
        return replace(
            driven(settings.level, unit, top_frequency_hz=settings.stop, seconds=seconds),
            operations=frozenset({(Role.GENERATOR, "set_sweep"), (Role.GENERATOR, "start_sweep")}),
            analyser_channels=2,
            record_s=BEFORE_S + settings.time + AFTER_S,
            record_top_hz=settings.stop,
            record_ceiling_hz=TOP_RATE_HZ,
        )

    def describe(self, settings: ExponentialSweepSettings, unit: UnitData) -> str:
        """What happens, in words."""
        watts = settings.level.to_watts(unit.load_ohm, unit.rated_power_w)
        return (
            f"sweeps from {say(settings.start, 'Hz')} to {say(settings.stop, 'Hz')} in "
            f"{say(settings.time, 's')} at {say(watts, 'W')}, drive and output recorded together"
        )

    def acquire(self, settings: ExponentialSweepSettings, bench: BenchAccess) -> Iterator[Capture]:
        """The e.m.f. from the level at 1 kHz; the record begins before the sweep and outlasts it."""
        level = settings.level.to_vrms(bench.unit.load_ohm, bench.unit.rated_power_w)
        drive = driving.reach_level(bench, frequency_hz=1000.0, target_vrms=level)
        bench.generator.set_level(0.0)
        analyser = bench.analyser
        driving.highest_range(analyser)
        if drive.problem:
            bench.note(drive.problem)
        else:
            bench.energise(f"exponential sweep at {say(drive.emf_vrms, 'V')}")
            bench.energise(f"sweep at {say(drive.emf_vrms, 'V')}")
        bench.generator.set_sweep(settings.start, settings.stop, settings.time, drive.emf_vrms)
        peak_v = level * math.sqrt(2.0) * driving.HEADROOM
        analyser.set_range(min(peak_v, analyser.ranges_peak_v()[-1]))
        rate = driving.sample_rate_for(analyser, settings.stop, TOP_RATE_HZ)
        analyser.start(round((BEFORE_S + settings.time + AFTER_S) * rate), rate)
        bench.wait(BEFORE_S)
        if drive.problem is None:
            bench.generator.start_sweep()
        yield driving.from_waveform("sweep", analyser.fetch(channels=2), drive.facts())
        driving.highest_range(analyser)
        driving.silence(bench)

    def analyse(
        self, settings: ExponentialSweepSettings, capture: Capture, situation: Situation
    ) -> SweepResult:
        """The analysis of the record. Raises CannotMeasure."""
        return _analyse(settings, capture, situation)

    def findings(
        self,
        settings: ExponentialSweepSettings,
        capture: Capture,
        result: SweepResult,
        situation: Situation,
    ) -> list[Finding]:
        """Findings with the instruments' doubt joined in."""
        return _findings(result, situation)

    def drawn(
        self,
        settings: ExponentialSweepSettings,
        capture: Capture,
        result: SweepResult,
        situation: Situation,
    ) -> list[Picture]:
        """What the report shows of the record."""
        return sweep_pictures(result)


def _analyse(
    settings: ExponentialSweepSettings, capture: Capture, situation: Situation
) -> SweepResult:
    if capture.samples.shape[0] < 2:
        raise CannotMeasure(
            "no_signal",
            "the record has no drive channel",
            "record the generator's drive as the analyser's second channel",
        )
    return analyse_exponential_sweep(
        capture.samples[1],
        capture.samples[0],
        capture.sample_rate_hz,
        band_hz=(settings.flat_from, settings.flat_to),
        mains_hz=situation.unit.mains_frequency_hz,
        is_overrange=capture.is_overrange,
        range_peak_v=capture.range_peak_v,
    )


def _findings(result: SweepResult, situation: Situation) -> list[Finding]:
    flatness = rectangular(situation.of(Role.ANALYSER).flatness)
    level_db = 20.0 / math.log(10.0) * rectangular(situation.of(Role.ANALYSER).level)
    flat_db = 20.0 / math.log(10.0) * flatness
    response = result.response
    return [
        found(
            "gain",
            "dB",
            response.reference_gain_db,
            level_db,
            remarks=sweep_remarks(result),
        ),
        flatness_finding(result, flat_db),
        edge_finding("bandwidth_low", response.bandwidth_low),
        edge_finding("bandwidth_high", response.bandwidth_high),
    ]


def flatness_finding(result: SweepResult, *instrument: float) -> Finding:
    """The flatness of the band that was asked for; a bound where the sweep covers only some of it."""
    response = result.response
    worst = f"largest deviation at {say(response.worst_hz, 'Hz')}"
    remarks = (worst, *sweep_remarks(result))
    flatness = found("flatness", "dB", response.flatness_db, *instrument, remarks=remarks)
    if not result.is_band_cut or flatness.value is None:
        return flatness
    low, high = (say(edge, "Hz") for edge in response.flatness_band_hz)
    least = flatness.value - one_sided_95(flatness.standard_uncertainty or 0.0)
    return replace(
        flatness,
        value=None,
        standard_uncertainty=None,
        lower_bound=max(least, 0.0),
        remarks=(*remarks, f"of the band only {low} to {high} was swept"),
    )


def sweep_remarks(result: SweepResult) -> tuple[str, ...]:
    """What stood beside the response, or bent it, as far as it matters to its gain."""
    words = [*_distortion_remarks(result)]
    for channel, clicks in result.clicks.items():
        words += click_remarks(clicks, f" in the {channel}")
    if result.drift_v is not None:
        moves = f"{say(result.drift_v, 'V')} about its middle"
        words.append(f"the response drifts by {moves}: taken off, what may be left is in the doubt")
    if result.is_end_missing:
        words.append(
            "the record ends before the response has died away, which is counted in the doubt: record "
            "for 0.3 s or more after the sweep"
        )
    return tuple(words)


def _distortion_remarks(result: SweepResult) -> tuple[str, ...]:
    """That the response was clipped or distorted otherwise, where it was by 1 % or more."""
    distortion, frequency_hz = result.worst_distortion()
    if distortion < _DISTORTED:
        return ()
    text = (
        f"harmonics of {100 * distortion:.2g} % at {say(frequency_hz, 'Hz')}: where the response is "
        "clipped or bent, its gain is that of the fundamental at this level"
    )
    return (text,)


def edge_finding(
    name: str, edge: BandEdge, beyond: str = "the sweep does not reach further"
) -> Finding:
    """A band edge; where the sweep ends before it, its end as the bound, with beyond as remark."""
    if edge.beyond_hz is None:
        return found(name, "Hz", edge.frequency_hz)
    is_low = name.endswith("bandwidth_low")
    return Finding(
        name=name,
        unit="Hz",
        value=None,
        upper_bound=edge.beyond_hz if is_low else None,
        lower_bound=None if is_low else edge.beyond_hz,
        remarks=(beyond,),
    )


def sweep_pictures(result: SweepResult) -> list[Picture]:
    """Response, and harmonics over frequency, of an exponential sweep."""
    response = result.response
    return [
        Picture(
            name="response",
            title="Frequency response",
            x_label="frequency in Hz",
            y_label=f"gain relative to {say(response.reference_hz, 'Hz')} in dB",
            curves=(Curve(label="gain", x=response.frequency_hz, y=response.relative_db),),
            x_scale="log",
            caption=f"The gain at {say(response.reference_hz, 'Hz')} is 0 dB.",
        ),
        Picture(
            name="harmonics_over_frequency",
            title="Harmonics over frequency",
            x_label="frequency of the fundamental in Hz",
            y_label="relative to the fundamental in dB",
            curves=tuple(
                Curve(
                    label=f"H{order}",
                    x=harmonic.frequency_hz,
                    y=20.0 * np.log10(np.maximum(harmonic.ratio, 1e-9)),
                )
                for order, harmonic in sorted(result.harmonics.items())
                if order <= 3
            ),
            x_scale="log",
            caption="From the same sweep; where noise hides a harmonic its curve has a gap.",
        ),
    ]
