"""Kind `idle`: noise and hum at the output with no signal."""

import math
from collections.abc import Iterator, Mapping
from typing import ClassVar

from pydantic import Field

from drivers.roles import Role
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.idle import IdleResult, analyse_idle
from sequencer.captures import Capture
from sequencer.limits import rectangular
from sequencer.pictures import Picture
from sequencer.quantities import PositiveFrequency
from sequencer.steps import driving
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Situation,
    StepSettings,
    not_found,
    say,
)
from sequencer.steps.bounds import RecordTime, SettleTime
from sequencer.steps.hum import hum_findings, hum_name, idle_picture, noise_findings
from sequencer.steps.one_record import OneRecordKind
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData

FIRST_PEAK_V = 1.0
_MULTIPLES = {"hum_mains": 1, "hum_twice_mains": 2}


class IdleSettings(StepSettings):
    """Noise and hum at the output with no signal."""

    settle: SettleTime = Field(default=2.0, description="silence before the record")
    record: RecordTime = Field(default=10.0, le=60.0, description="length of the record")
    band_low: PositiveFrequency = Field(default=20.0, description="lower edge of the noise band")
    band_high: PositiveFrequency = Field(default=20e3, description="upper edge of the noise band")


@register
class Idle(OneRecordKind[IdleSettings, IdleResult]):
    """Noise and hum at the output, generator on at zero level."""

    name = "idle"
    settings = IdleSettings
    capture_name = "idle"
    readings: ClassVar[Mapping[str, str]] = {
        "noise_unweighted": "V",
        "noise_a_weighted": "V",
        "noise_468_weighted": "V",
        "signal_to_noise": "dB",
        "mains_frequency": "Hz",
        "hum_N": "V",
    }
    other_names: ClassVar[Mapping[str, str]] = dict.fromkeys(_MULTIPLES, "V")

    def reading_named(self, name: str, unit: UnitData) -> str:
        """hum_mains and hum_twice_mains are the lines at once and twice the unit's mains frequency."""
        multiple = _MULTIPLES.get(name)
        return hum_name(multiple * unit.mains_frequency_hz) if multiple else name

    def check(self, settings: IdleSettings, unit: UnitData) -> list[str]:
        """The band must be one, and the record hold enough mains cycles."""
        problems = []
        if settings.band_high <= settings.band_low:
            problems.append("band_high must lie above band_low")
        if settings.record * unit.mains_frequency_hz < 10:
            problems.append(
                f"a record of {say(settings.record, 's')} holds fewer than 10 mains cycles; "
                "5 s or more is usual"
            )
        return problems

    def demand(self, settings: IdleSettings, unit: UnitData) -> Demand:
        """Generator to be silent, analyser to listen."""
        return Demand(
            roles=frozenset({Role.GENERATOR, Role.ANALYSER}),
            top_frequency_hz=settings.band_high,
            duration_s=settings.settle + settings.record,
        )

    def describe(self, settings: IdleSettings, unit: UnitData) -> str:
        """What happens, in words."""
        return f"listens for {say(settings.record, 's')} with the generator on at zero level"

    def acquire(self, settings: IdleSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Silence, then one record on the most sensitive range that holds it."""
        driving.highest_range(bench.analyser)
        driving.silence(bench)
        bench.wait(settings.settle)
        yield driving.record(
            bench,
            "idle",
            peak_v=min(FIRST_PEAK_V, bench.analyser.ranges_peak_v()[0]),
            seconds=settings.record,
            sample_rate_hz=driving.sample_rate_for(bench.analyser, settings.band_high),
        )
        driving.highest_range(bench.analyser)

    def analyse(self, settings: IdleSettings, capture: Capture, situation: Situation) -> IdleResult:
        """The analysis of the record. Raises CannotMeasure."""
        return _analyse(settings, capture, situation)

    def findings(
        self,
        settings: IdleSettings,
        capture: Capture,
        result: IdleResult,
        situation: Situation,
    ) -> list[Finding]:
        """Findings with the instruments' doubt joined in."""
        return _findings(result, situation)

    def drawn(
        self,
        settings: IdleSettings,
        capture: Capture,
        result: IdleResult,
        situation: Situation,
    ) -> list[Picture]:
        """What the report shows of the record."""
        return [
            idle_picture(
                capture,
                result,
                top_hz=settings.band_high,
            )
        ]


def _analyse(settings: IdleSettings, capture: Capture, situation: Situation) -> IdleResult:
    return analyse_idle(
        capture.first,
        capture.sample_rate_hz,
        nominal_mains_hz=situation.unit.mains_frequency_hz,
        band_hz=(settings.band_low, settings.band_high),
        is_overrange=capture.is_overrange,
        range_peak_v=capture.range_peak_v,
    )


def _findings(result: IdleResult, situation: Situation) -> list[Finding]:
    accuracy = situation.of(Role.ANALYSER)
    relative = rectangular(math.hypot(accuracy.level, accuracy.flatness))

    unit = situation.unit
    return [
        *noise_findings(result, relative),
        _signal_to_noise(result.noise_a_weighted_vrms, relative, unit),
        *hum_findings(
            result,
            said_by="the unit's data (mains_frequency)",
            level_doubt=relative,
            frequency_doubt=rectangular(accuracy.frequency),
        ),
    ]


def _signal_to_noise(noise: Estimate, relative: float, unit: UnitData) -> Finding:
    """A-weighted, relative to rated power (IEC 60268-3: rated output over noise output)."""
    if not noise.value:
        return not_found("signal_to_noise", "dB", "the noise could not be measured")
    rated_v = math.sqrt(unit.rated_power_w * unit.load_ohm)
    doubt = 20.0 / math.log(10.0) * math.hypot(noise.standard_uncertainty / noise.value, relative)
    value = 20.0 * math.log10(rated_v / noise.value)
    return Finding(
        name="signal_to_noise",
        unit="dB",
        value=value,
        standard_uncertainty=doubt,
        remarks=("A-weighted, relative to rated power",),
    )
