"""Kind `idle`: noise and hum at the output with no signal."""

import math
from collections.abc import Iterator, Mapping
from typing import ClassVar

import numpy as np
from pydantic import Field

from drivers.roles import Role
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.idle import IdleResult, analyse_idle
from sequencer.analysis.spectrum import amplitude_spectrum
from sequencer.captures import Capture
from sequencer.limits import rectangular
from sequencer.pictures import Curve, Mark, Picture
from sequencer.quantities import PositiveDuration, PositiveFrequency
from sequencer.steps import driving
from sequencer.steps.base import (
    BenchAccess,
    Demand,
    Finding,
    Situation,
    StepSettings,
    found,
    not_found,
    say,
)
from sequencer.steps.one_record import OneRecordKind
from sequencer.steps.registry import register
from sequencer.unit_data import UnitData

FIRST_PEAK_V = 1.0
TOP_HUM_HZ = 1000.0
_MULTIPLES = {"hum_mains": 1, "hum_twice_mains": 2}


class IdleSettings(StepSettings):
    """Noise and hum at the output with no signal."""

    settle: PositiveDuration = Field(default=2.0, description="silence before the record")
    record: PositiveDuration = Field(default=10.0, le=60.0, description="length of the record")
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
        return f"hum_{multiple * unit.mains_frequency_hz:.0f}" if multiple else name

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

    def volts(name: str, estimate: Estimate) -> Finding:
        return found(name, "V", estimate, relative * (estimate.value or 0.0))

    unit = situation.unit
    return [
        volts("noise_unweighted", result.noise_unweighted_vrms),
        volts("noise_a_weighted", result.noise_a_weighted_vrms),
        volts("noise_468_weighted", result.noise_468_weighted_v),
        _signal_to_noise(result.noise_a_weighted_vrms, relative, unit),
        *hum_findings(
            result,
            said_by="the ticket",
            level_doubt=relative,
            frequency_doubt=rectangular(accuracy.frequency),
        ),
    ]


def hum_findings(
    result: IdleResult, *, said_by: str, level_doubt: float = 0.0, frequency_doubt: float = 0.0
) -> list[Finding]:
    """Mains frequency and hum lines; none of them where the hum is that of another mains.

    Hum at the lines of the other mains would lie beside every line that is looked at, and pass.

    said_by : what names the mains frequency the lines were looked for at; level_doubt and
        frequency_doubt are the instrument's, relative
    """
    nominal_hz = result.nominal_mains_hz
    if result.other_mains_hz is not None:
        why = (
            f"the mains here is {result.other_mains_hz:.0f} Hz, {said_by} says {nominal_hz:.0f} Hz"
        )
        names = (f"hum_{k * nominal_hz:.0f}" for k in range(1, int(TOP_HUM_HZ // nominal_hz) + 1))
        return [
            not_found("mains_frequency", "Hz", why),
            *(not_found(name, "V", why) for name in names),
        ]
    mains = result.mains_frequency_hz
    return [
        not_found("mains_frequency", "Hz", _why_no_mains(result))
        if mains.value is None
        else found("mains_frequency", "Hz", mains, frequency_doubt * nominal_hz),
        *(
            found(f"hum_{k * nominal_hz:.0f}", "V", line, level_doubt * (line.value or 0.0))
            for k, line in sorted(result.hum_lines.items())
            if k * nominal_hz <= TOP_HUM_HZ
        ),
    ]


def _why_no_mains(result: IdleResult) -> str:
    if not result.lone_hum:
        return "no hum line stands out of the noise"
    lines = " and ".join(say(k * result.nominal_mains_hz, "Hz") for k in result.lone_hum)
    return f"of the hum lines only {lines} stands out, which may be a stray tone"


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


def idle_picture(capture: Capture, result: IdleResult, *, top_hz: float) -> Picture:
    """The spectrum with no signal up to top_hz, the hum lines marked."""
    spectrum = amplitude_spectrum(capture.first, capture.sample_rate_hz)
    level_dbv = 20.0 * np.log10(np.maximum(spectrum.level_vrms, 1e-12))
    nominal_hz = result.nominal_mains_hz
    mains_hz = result.mains_frequency_hz.value or nominal_hz
    marks = [
        Mark(
            x=multiple * mains_hz,
            y=20.0 * math.log10(line.value),
            label=f"{multiple * nominal_hz:.0f} Hz",
        )
        for multiple, line in sorted(result.hum_lines.items())
        if line.value and multiple * mains_hz <= TOP_HUM_HZ
    ]
    return Picture(
        name="idle_spectrum",
        title="Spectrum with no signal",
        x_label="frequency in Hz",
        y_label="level in dBV",
        curves=(Curve(label="output", x=spectrum.frequency_hz[1:], y=level_dbv[1:]),),
        marks=tuple(marks),
        x_scale="log",
        x_limits=(10.0, top_hz),
        caption=f"Hann window, noise bandwidth {spectrum.enbw_hz:.2f} Hz; hum lines are marked.",
    )
