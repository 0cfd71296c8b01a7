"""Kind `damping_factor`: output resistance from the level with and without load.

The two levels differ by half a per cent in a good unit, so what else moves them must not count. The
generator goes to zero before the load is switched and comes back a few thousandths of a dB off: each
level is taken relative to the drive, recorded at the same time where the analyser has two channels.
The unit's gain drifts as it cools without load: it is loaded again afterwards, and the mean of both
loaded levels belongs to the moment of the open one.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from statistics import fmean
from typing import ClassVar

from pydantic import Field

from drivers.roles import Role
from sequencer.analysis.damping import DampingResult, analyse_damping
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.tone import analyse_tone
from sequencer.captures import Capture, Samples, named
from sequencer.limits import rectangular
from sequencer.quantities import LevelQuantity, parse_level
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
from sequencer.steps.bounds import RecordTime, ToneFrequency
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData

ROUTE = "load"
SETTLE_S = 1.0


class DampingSettings(StepSettings):
    """Output resistance from the level with and without load."""

    level: LevelQuantity = Field(default=parse_level("1 W"), description="output level, loaded")
    frequency: ToneFrequency = Field(default=1000.0, description="frequency of the tone")
    record: RecordTime = Field(default=2.0, le=30.0, description="length of each record")


@register
class Damping(StepKind[DampingSettings]):
    """Output resistance and damping factor (IEC 60268-3): loaded against open, same e.m.f."""

    name = "damping_factor"
    settings = DampingSettings
    readings: ClassVar[Mapping[str, str]] = {"damping_factor": "1", "output_resistance": "ohm"}

    def demand(self, settings: DampingSettings, unit: UnitData) -> Demand:
        """A router that switches the load."""
        seconds = 3.0 * (settings.record + SETTLE_S) + 4.0 * SETTLE_S + 2.0
        drive = driven(
            settings.level, unit, top_frequency_hz=3.0 * settings.frequency, seconds=seconds
        )
        return replace(drive, roles=drive.roles | {Role.ROUTER}, routes=frozenset({ROUTE}))

    def describe(self, settings: DampingSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return (
            f"compares the level at {say(settings.frequency, 'Hz')} with and without load "
            "(the load is switched undriven)"
        )

    def acquire(self, settings: DampingSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Loaded, open, loaded again; the same e.m.f. and the same range for all."""
        level = settings.level.to_vrms(bench.unit.load_ohm, bench.unit.rated_power_w)
        drive = driving.reach_level(
            bench, frequency_hz=settings.frequency, target_vrms=level, tolerance_db=0.2
        )
        yield self._record(settings, bench, "loaded", drive)
        for name, connected in (("open", False), ("loaded_again", True)):
            self._switch_load(bench, connected=connected)
            bench.energise(f"generator level, load {'on' if connected else 'off'}")
            bench.generator.set_level(drive.emf_vrms)
            bench.wait(SETTLE_S)
            yield self._record(settings, bench, name, drive)
        driving.highest_range(bench.analyser)
        bench.generator.set_level(0.0)

    def _record(
        self, settings: DampingSettings, bench: BenchAccess, name: str, drive: driving.Drive
    ) -> Capture:
        return driving.record(
            bench,
            name,
            peak_v=drive.target_vrms * math.sqrt(2.0) * driving.HEADROOM,
            seconds=settings.record,
            sample_rate_hz=driving.sample_rate_for(bench.analyser, 20e3, 192e3),
            channels=2,
            facts=drive.facts(),
        )

    def _switch_load(self, bench: BenchAccess, *, connected: bool) -> None:
        driving.highest_range(bench.analyser)
        bench.generator.set_level(0.0)
        bench.wait(SETTLE_S)
        (bench.connect if connected else bench.disconnect)(ROUTE)
        bench.wait(SETTLE_S)

    def evaluate(
        self, settings: DampingSettings, captures: Sequence[Capture], situation: Situation
    ) -> list[Finding]:
        """Output resistance and damping factor with their doubt."""
        loaded = [
            capture for name in ("loaded", "loaded_again") if (capture := named(captures, name))
        ]
        unloaded = named(captures, "open")
        if not loaded or unloaded is None:
            return []
        if not all(capture.facts["is_locked"] for capture in (*loaded, unloaded)):
            reason = "the wanted level was not reached"
            return [not_found(name, unit, reason) for name, unit in self.readings.items()]
        try:
            result = analyse_damping(
                _level(settings, unloaded, situation),
                _mean([_level(settings, capture, situation) for capture in loaded]),
                load_ohm=situation.load.resistance_ohm,
                load_uncertainty_ohm=rectangular(situation.load.tolerance)
                * situation.load.resistance_ohm,
                rated_load_ohm=situation.unit.load_ohm,
            )
        except CannotMeasure as refusal:
            return [not_found(name, unit, str(refusal)) for name, unit in self.readings.items()]
        return [
            _damping_factor(result),
            found("output_resistance", "ohm", result.output_resistance_ohm),
        ]


def _level(settings: DampingSettings, capture: Capture, situation: Situation) -> Estimate:
    """Level at the output, V; with the drive beside it, relative to the drive.

    Without, the generator's stated accuracy is all that is known of how well a level comes again.
    """

    def level(samples: Samples) -> Estimate:
        return analyse_tone(
            samples,
            capture.sample_rate_hz,
            expected_frequency_hz=settings.frequency,
            mains_frequency_hz=situation.unit.mains_frequency_hz,
            is_overrange=capture.is_overrange,
            range_peak_v=capture.range_peak_v,
        ).level_vrms

    output = level(capture.first)
    value, doubt = output.value or 0.0, output.standard_uncertainty
    if capture.samples.shape[0] < 2:
        again = rectangular(situation.of(Role.GENERATOR).level) * value
        return Estimate(value=value, standard_uncertainty=math.hypot(doubt, again))
    drive = level(capture.samples[1])
    drive_v = drive.value or 1.0
    relative = math.hypot(doubt / value, drive.standard_uncertainty / drive_v)
    return Estimate(value=value / drive_v, standard_uncertainty=relative * value / drive_v)


def _mean(levels: Sequence[Estimate]) -> Estimate:
    """Mean of the loaded levels, half their distance being the doubt that drift leaves."""
    values = [level.value or 0.0 for level in levels]
    noise = math.hypot(*(level.standard_uncertainty for level in levels)) / len(levels)
    drift = rectangular(0.5 * (max(values) - min(values)))
    return Estimate(value=fmean(values), standard_uncertainty=math.hypot(noise, drift))


def _damping_factor(result: DampingResult) -> Finding:
    """The damping factor; where the output resistance drowns in doubt, its lower bound."""
    if result.damping_factor_at_least is None:
        return found("damping_factor", "1", result.damping_factor)
    return Finding(
        name="damping_factor",
        unit="1",
        value=None,
        lower_bound=result.damping_factor_at_least,
        remarks=("its 95 % bound: the output resistance is too small to measure",),
    )
