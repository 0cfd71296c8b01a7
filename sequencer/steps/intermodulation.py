"""Kind `intermodulation`: two tones, and what the unit makes of them together."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

from pydantic import Field

from drivers.roles import Role
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.imd import (
    ImdDifferenceResult,
    ImdSmpteResult,
    analyse_imd_difference,
    analyse_imd_smpte,
)
from sequencer.captures import Capture
from sequencer.limits import rectangular
from sequencer.pictures import Picture
from sequencer.quantities import LevelQuantity, parse_level
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
from sequencer.steps.bounds import RecordTime
from sequencer.steps.disturbances import click_remarks, level_remarks, turning_remarks
from sequencer.steps.one_record import OneRecordKind
from sequencer.steps.registry import register
from sequencer.steps.spectra import spectrum_of
from sequencer.unit_data import UnitData

# Lower and upper tone in Hz, and how many times the upper level the lower one has:
# IEC 60268-3 (difference frequency) and SMPTE RP 120 (modulation).
TONES: Mapping[str, tuple[float, float, float]] = {
    "difference": (19e3, 20e3, 1.0),
    "modulation": (60.0, 7e3, 4.0),
}
_ALIKE_DB = 2.0  # how far the ratio may be off without a word (common practice, no source)
SETTLE_S = 0.5
OVERHEAD_S = 3.0
RECORDED_HZ, TOP_RATE_HZ = 40e3, 192e3


class IntermodulationSettings(StepSettings):
    """Two tones, and what the unit makes of them together."""

    method: Literal["difference", "modulation"] = Field(
        default="difference", description="19 + 20 kHz, equal; or 60 Hz + 7 kHz, 4 to 1"
    )
    level: LevelQuantity = Field(
        default=parse_level("10 W"), description="a sine of the same peak has this level"
    )
    record: RecordTime = Field(default=2.0, le=30.0, description="length of the record")

    def tones_vrms(self, unit: UnitData) -> tuple[float, float]:
        """Levels of the lower and the upper tone at the output, V r.m.s.; their peaks add up."""
        _, _, ratio = TONES[self.method]
        upper = self.level.to_vrms(unit.load_ohm, unit.rated_power_w) / (1.0 + ratio)
        return ratio * upper, upper


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoTones:
    """What the analysis gives, by the readings' names."""

    estimates: Mapping[str, Estimate]
    result: ImdSmpteResult | ImdDifferenceResult

    @classmethod
    def of(cls, method: str, result: ImdSmpteResult | ImdDifferenceResult) -> "TwoTones":
        """Of the result of a method, a key of TONES."""
        names = (*products_of(method), *_OF_RESULT)
        return cls(
            estimates={name: getattr(result, _OF_RESULT.get(name, name)) for name in names},
            result=result,
        )

    def remarks(self, method: str, name: str) -> tuple[str, ...]:
        """What is to be said of a reading."""
        result, of_result = self.result, _OF_RESULT.get(name, name)
        words: tuple[str, ...] = ()
        if of_result in result.disturbed:
            words = (*click_remarks(result.clicks), *level_remarks(result.level_range_db))
            words += turning_remarks(result.frequency_range_hz)
        if name.startswith("imd"):
            levels = self.estimates["level_1"], self.estimates["level_2"]
            return (*ratio_remarks(method, *levels), *words)
        is_on_mains = isinstance(result, ImdSmpteResult) and result.is_lower_on_mains
        return (*lower_remarks(is_on_mains and name == "level_1"), *words)


_OF_RESULT = {"level_1": "level_1_vrms", "level_2": "level_2_vrms"}


def products_of(method: str) -> tuple[str, str]:
    """The readings of a method's products."""
    return f"imd_{method}_2", f"imd_{method}_3"


@register
class Intermodulation(OneRecordKind[IntermodulationSettings, TwoTones]):
    """Difference-frequency or modulation distortion (IEC 60268-3, SMPTE RP 120)."""

    name = "intermodulation"
    settings = IntermodulationSettings
    capture_name = "output"
    readings: ClassVar[Mapping[str, str]] = {
        "imd_difference_2": "1",
        "imd_difference_3": "1",
        "imd_modulation_2": "1",
        "imd_modulation_3": "1",
        "level_1": "V",
        "level_2": "V",
    }

    def demand(self, settings: IntermodulationSettings, unit: UnitData) -> Demand:
        """A generator that adds two tones."""
        top_hz = 22e3 if settings.method == "difference" else 8e3
        seconds = settings.record + SETTLE_S + OVERHEAD_S
        return replace(
            driven(settings.level, unit, top_frequency_hz=top_hz, seconds=seconds),
            operations=frozenset({(Role.GENERATOR, "set_two_tone")}),
            record_s=settings.record,
            record_top_hz=RECORDED_HZ,
            record_ceiling_hz=TOP_RATE_HZ,
        )

    def describe(self, settings: IntermodulationSettings, unit: UnitData) -> str:
        """What happens, in words."""
        lower, upper, _ = TONES[settings.method]
        level = settings.level.to_vrms(unit.load_ohm, unit.rated_power_w)
        return (
            f"drives {say(lower, 'Hz')} and {say(upper, 'Hz')} together, peaks as those of "
            f"{say(level**2 / unit.load_ohm, 'W')}, finds the products of both"
        )

    def acquire(self, settings: IntermodulationSettings, bench: BenchAccess) -> Iterator[Capture]:
        """The gain at 1 kHz first, at the same peak; then both tones."""
        level = settings.level.to_vrms(bench.unit.load_ohm, bench.unit.rated_power_w)
        drive = driving.reach_level(bench, frequency_hz=1000.0, target_vrms=level, tolerance_db=0.2)
        facts = {**drive.facts()}
        bench.generator.set_level(0.0)
        driving.highest_range(bench.analyser)
        if drive.problem is None:
            gain = drive.output_vrms / drive.emf_vrms
            lower_hz, upper_hz, _ = TONES[settings.method]
            lower, upper = (tone / gain for tone in settings.tones_vrms(bench.unit))
            bench.energise(f"two tones, together {say(math.hypot(lower, upper), 'V')}")
            bench.generator.set_two_tone(lower_hz, lower, upper_hz, upper)
            bench.wait(SETTLE_S)
        yield driving.record(
            bench,
            "output",
            peak_v=level * math.sqrt(2.0) * driving.HEADROOM,
            seconds=settings.record,
            sample_rate_hz=driving.sample_rate_for(bench.analyser, RECORDED_HZ, TOP_RATE_HZ),
            facts=facts,
        )
        driving.highest_range(bench.analyser)
        bench.generator.set_level(0.0)
        driving.silence(bench)

    def analyse(
        self, settings: IntermodulationSettings, capture: Capture, situation: Situation
    ) -> TwoTones:
        """The analysis of the record. Raises CannotMeasure."""
        return _analyse(settings, capture, situation.unit.mains_frequency_hz)

    def findings(
        self,
        settings: IntermodulationSettings,
        capture: Capture,
        result: TwoTones,
        situation: Situation,
    ) -> list[Finding]:
        """Findings with the instruments' doubt joined in."""
        return _findings(settings.method, result, situation)

    def drawn(
        self,
        settings: IntermodulationSettings,
        capture: Capture,
        result: TwoTones,
        situation: Situation,
    ) -> list[Picture]:
        """What the report shows of the record."""
        return [two_tone_picture(capture)]

    def expected(self, settings: IntermodulationSettings) -> tuple[str, ...]:
        """The products of the method that was asked for."""
        return products_of(settings.method)


def _findings(method: str, two: TwoTones, situation: Situation) -> list[Finding]:
    analyser, generator = situation.of(Role.ANALYSER), situation.of(Role.GENERATOR)
    own = rectangular(math.hypot(analyser.distortion, generator.distortion))
    relative = rectangular(analyser.level)
    return [
        found(
            name,
            "1" if name.startswith("imd") else "V",
            estimate,
            own if name.startswith("imd") else relative * (estimate.value or 0.0),
            remarks=two.remarks(method, name),
        )
        for name, estimate in two.estimates.items()
    ]


def ratio_remarks(method: str, lower: Estimate, upper: Estimate) -> tuple[str, ...]:
    """That the tones do not stand to one another as the method has them, if they don't."""
    if not lower.value or not upper.value:
        return ()
    wanted, ratio = TONES[method][2], lower.value / upper.value
    if abs(20.0 * math.log10(ratio / wanted)) <= _ALIKE_DB:
        return ()
    words = (
        f"{_as_ratio(ratio)}, expected {_as_ratio(wanted)}: the products of other ratios differ, "
        "set the generator's levels"
    )
    return (f"the levels of the lower and the upper tone are {words}",)


def _as_ratio(ratio: float) -> str:
    return f"{ratio:.3g} to 1" if ratio >= 1.0 else f"1 to {1.0 / ratio:.3g}"


def lower_remarks(is_on_mains: bool) -> tuple[str, ...]:
    """Why the lower tone's level may be in more doubt than noise gives it."""
    words = "hum, if there is any, counts as part of it: the tone lies on the mains frequency"
    return (words,) if is_on_mains else ()


def _analyse(
    settings: IntermodulationSettings, capture: Capture, mains_hz: float | None
) -> TwoTones:
    lower_hz, upper_hz, _ = TONES[settings.method]
    analyse = analyse_imd_difference if settings.method == "difference" else analyse_imd_smpte
    result = analyse(
        capture.first,
        capture.sample_rate_hz,
        lower_hz=lower_hz,
        upper_hz=upper_hz,
        mains_frequency_hz=mains_hz,
        is_overrange=capture.is_overrange,
        range_peak_v=capture.range_peak_v,
    )
    return TwoTones.of(settings.method, result)


def two_tone_picture(capture: Capture) -> Picture:
    """The spectrum of two tones and what is made of them."""
    return spectrum_of(
        capture, name="two_tones", title="Spectrum of two tones", limits_hz=(20.0, 30e3)
    )
