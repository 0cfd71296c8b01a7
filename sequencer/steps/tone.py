"""Kind `tone`: one sine at a stated output level, fully analysed."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Annotated, ClassVar

from pydantic import Field

from drivers.roles import Role
from sequencer.analysis.tone import ToneResult, analyse_tone
from sequencer.captures import Capture
from sequencer.limits import rectangular
from sequencer.pictures import Mark, Picture
from sequencer.quantities import (
    POSITIVE,
    Decibels,
    Duration,
    Frequency,
    LevelQuantity,
    at_most,
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
    not_found,
    say,
)
from sequencer.steps.bounds import ToneFrequency
from sequencer.steps.disturbances import click_remarks, level_remarks, turning_remarks
from sequencer.steps.one_record import OneRecordKind
from sequencer.steps.registry import register
from sequencer.steps.spectra import spectrum_of
from sequencer.unit_data import UnitData

HARMONICS = range(2, 11)
OVERHEAD_S = 2.0
MOST_SAMPLES = 2**20  # of a record
# More than this part of rated power, above the audio band, for longer than this, burns the resistor of
# the network at a unit's output (common practice, no source).
MUCH_POWER = 1 / 8
AUDIO_BAND_HZ = 20e3
_OF_LEVEL = MappingProxyType({"power": "level", "gain": "level"})  # readings that follow from it
_OF_TOPS = frozenset({"level", "thd", "thd_plus_noise"})  # what a recorder that limits has wrong
LONGEST_ABOVE_S = 10.0


class ToneSettings(StepSettings):
    """One sine at a stated output level."""

    level: LevelQuantity = Field(description="output level: watts into the load, V, dBV or dBu")
    frequency: ToneFrequency = Field(default=1000.0, description="frequency of the tone")
    hold: Duration = Field(default=0.0, ge=0, description="time at the level before recording")
    record: Duration = Field(default=2.5, gt=0, le=60, description="length of the record")
    level_tolerance: Annotated[Decibels, POSITIVE, at_most("1 dB", "decibel")] = Field(
        default=0.05, description="how near the level must be"
    )
    gain_within: Annotated[Decibels, POSITIVE, at_most("10 dB", "decibel")] = Field(
        default=3.0, description="a gain further off stops the run"
    )
    band_low: Frequency = Field(default=20.0, gt=0, description="lower edge of the noise band")
    band_high: Frequency = Field(default=20000.0, gt=0, description="upper edge of the noise band")

    def level_vrms(self, unit: UnitData) -> float:
        """Output level in V rms across the unit's load."""
        return self.level.to_vrms(unit.load_ohm, unit.rated_power_w)


@register
class Tone(OneRecordKind[ToneSettings, ToneResult]):
    """One sine at a stated output level, fully analysed."""

    name = "tone"
    settings = ToneSettings
    capture_name = "output"
    readings: ClassVar[Mapping[str, str]] = {
        "level": "V",
        "power": "W",
        "gain": "dB",
        "frequency": "Hz",
        "dc_offset": "V",
        "thd": "1",
        "thd_plus_noise": "1",
        **{f"h{k}": "1" for k in HARMONICS},
        "crest_factor": "1",
        "sidebands": "1",
    }

    def check(self, settings: ToneSettings, unit: UnitData) -> list[str]:
        """The band must be one, and the record long enough for the tone and the mains."""
        problems = []
        if settings.band_high <= settings.band_low:
            problems.append("band_high must lie above band_low")
        if settings.record * settings.frequency < 3:
            problems.append(
                f"a record of {say(settings.record, 's')} holds fewer than 3 periods of "
                f"{say(settings.frequency, 'Hz')}; lengthen `record`"
            )
        return [*problems, *_burning(settings, unit)]

    def demand(self, settings: ToneSettings, unit: UnitData) -> Demand:
        """Generator, analyser, and a load that stands the power."""
        return replace(
            driven(
                settings.level,
                unit,
                top_frequency_hz=max(2.0 * settings.frequency, settings.band_high),
                seconds=settings.hold + settings.record + OVERHEAD_S,
            ),
            record_s=settings.record if _is_asked(settings) else 0.0,
            record_top_hz=_wanted_hz(settings),
            record_most=MOST_SAMPLES,
        )

    def describe(self, settings: ToneSettings, unit: UnitData) -> str:
        """What happens, in words."""
        level = settings.level_vrms(unit)
        most = "" if _is_asked(settings) else "up to "  # as much of it as the analyser holds
        return (
            f"drives {say(settings.frequency, 'Hz')} up to {say(level, 'V')} "
            f"({say(level**2 / unit.load_ohm, 'W')} into {say(unit.load_ohm, 'ohm')}), "
            f"records {most}{say(settings.record, 's')}, finds level, gain and distortion"
        )

    def acquire(self, settings: ToneSettings, bench: BenchAccess) -> Iterator[Capture]:
        """Reach the level from below, hold, record, go back to silence."""
        drive = driving.reach_level(
            bench,
            frequency_hz=settings.frequency,
            target_vrms=settings.level_vrms(bench.unit),
            tolerance_db=settings.level_tolerance,
            gain_within_db=settings.gain_within,
        )
        if drive.problem:
            bench.note(drive.problem)
        else:
            bench.wait(settings.hold)
        rate_hz = driving.sample_rate_for(bench.analyser, _wanted_hz(settings))
        yield driving.record(
            bench,
            "output",
            peak_v=drive.output_vrms * math.sqrt(2.0) * driving.HEADROOM,
            seconds=min(settings.record, MOST_SAMPLES / rate_hz),
            sample_rate_hz=rate_hz,
            facts=drive.facts(),
        )
        driving.highest_range(bench.analyser)
        bench.generator.set_level(0.0)

    def analyse(self, settings: ToneSettings, capture: Capture, situation: Situation) -> ToneResult:
        """The analysis of the record. Raises CannotMeasure."""
        return _analyse(settings, capture, situation)

    def findings(
        self,
        settings: ToneSettings,
        capture: Capture,
        result: ToneResult,
        situation: Situation,
    ) -> list[Finding]:
        """Findings with the instruments' doubt joined in."""
        findings = _findings(settings, result, capture.facts["emf_vrms"], situation)
        return with_disturbances(findings, result)

    def drawn(
        self,
        settings: ToneSettings,
        capture: Capture,
        result: ToneResult,
        situation: Situation,
    ) -> list[Picture]:
        """What the report shows of the record."""
        return [spectrum_picture(capture, result)]


def _is_asked(settings: ToneSettings) -> bool:
    """Whether somebody asked for this length; else it is as long as it can be."""
    return "record" in settings.model_fields_set


def _wanted_hz(settings: ToneSettings) -> float:
    """The highest frequency to be recorded."""
    return max((HARMONICS[-1] + 0.5) * settings.frequency, 2.0 * settings.band_high)


def _burning(settings: ToneSettings, unit: UnitData) -> list[str]:
    """What stands against power above the audio band for long."""
    seconds = settings.hold + settings.record
    if settings.frequency <= AUDIO_BAND_HZ or seconds <= LONGEST_ABOVE_S:
        return []  # whatever the level, which may be mistaken
    watts = settings.level.to_watts(unit.load_ohm, unit.rated_power_w)
    if watts <= MUCH_POWER * unit.rated_power_w:
        return []
    words = (
        f"{say(watts, 'W')} at {say(settings.frequency, 'Hz')} for {say(seconds, 's')} burns the "
        f"network at a unit's output; above {say(AUDIO_BAND_HZ, 'Hz')} hold and record for "
        f"{say(LONGEST_ABOVE_S, 's')} together at most, or drive 1/8 of rated power at most"
    )
    return [words]


def _analyse(settings: ToneSettings, capture: Capture, situation: Situation) -> ToneResult:
    return analyse_tone(
        capture.first,
        capture.sample_rate_hz,
        expected_frequency_hz=settings.frequency,
        mains_frequency_hz=situation.unit.mains_frequency_hz,
        band_hz=(settings.band_low, settings.band_high),
        is_overrange=capture.is_overrange,
        range_peak_v=capture.range_peak_v,
        top_hz=driving.FLAT_TO * capture.sample_rate_hz,
    )


def _findings(
    settings: ToneSettings, result: ToneResult, emf_vrms: float, situation: Situation
) -> list[Finding]:
    """Findings with the instruments' doubt joined in (JCGM 100:2008, 4.3.7 and 5.1.2)."""
    analyser = situation.of(Role.ANALYSER)
    generator = situation.of(Role.GENERATOR)
    level = result.level_vrms
    level_v = level.value or 0.0
    u_level = rectangular(analyser.level) * level_v
    power_w, u_power = driving.watts(level_v, situation, level.standard_uncertainty)
    gain_db = 20.0 * math.log10(level_v / emf_vrms)
    db = 20.0 / math.log(10.0)
    u_gain = db * math.hypot(
        math.hypot(level.standard_uncertainty, u_level) / level_v, rectangular(generator.level)
    )
    frequency = result.frequency_hz
    u_frequency = rectangular(analyser.frequency) * (frequency.value or 0.0)
    u_dc = math.hypot(
        rectangular(analyser.dc_v),
        rectangular(analyser.dc_relative) * abs(result.dc_offset_v.value or 0.0),
    )
    own_residual = rectangular(math.hypot(analyser.distortion, generator.distortion))
    heard = max(result.harmonics, default=1)
    up_to = (f"harmonics up to H{heard}",) if result.harmonics_above else ()
    return [
        found("level", "V", level, u_level, remarks=hum_remarks(result, [1])),
        Finding(name="power", unit="W", value=power_w, standard_uncertainty=u_power),
        Finding(name="gain", unit="dB", value=gain_db, standard_uncertainty=u_gain),
        found("frequency", "Hz", frequency, u_frequency, remarks=hum_remarks(result, [1])),
        dc_finding(result, u_dc),
        found(
            "thd",
            "1",
            result.thd,
            own_residual,
            remarks=(*up_to, *hum_remarks(result, result.harmonics)),
        )
        if result.harmonics
        else not_found("thd", "1", "every harmonic lies above the analyser's band"),
        found(
            "thd_plus_noise",
            "1",
            result.thd_plus_noise,
            own_residual,
            remarks=(*_band_remark(settings, result), *hum_remarks(result, [1])),
        ),
        *(
            found(f"h{k}", "1", harmonic, own_residual, remarks=hum_remarks(result, [k]))
            for k, harmonic in sorted(result.harmonics.items())
        ),
        *(
            not_found(f"h{k}", "1", "lies above the analyser's band")
            for k in result.harmonics_above
        ),
        found("crest_factor", "1", result.crest_factor),
        found("sidebands", "1", result.mains_sidebands),
    ]


def hum_remarks(result: ToneResult, orders: Iterable[int]) -> tuple[str, ...]:
    """Where hum lies that these orders can't be told from, and what would tell them apart."""
    chosen = tuple(orders)
    covered_hz = [result.covered_hum_hz[k] for k in chosen if k in result.covered_hum_hz]
    if covered_hz:
        return (f"hum at {_some(covered_hz)}, if there is any, counts as part of it",)
    hidden_hz = [result.hidden_hum_hz[k] for k in chosen if k in result.hidden_hum_hz]
    if not hidden_hz:
        return ()
    at = _some(hidden_hz)
    return (f"hum at {at} may be part of it; a longer record or another frequency tells",)


def _some(lines_hz: Sequence[float]) -> str:
    """The first few frequencies in words."""
    more = " and others" if len(lines_hz) > 3 else ""
    return " and ".join(say(hz, "Hz") for hz in lines_hz[:3]) + more


def with_disturbances(findings: Iterable[Finding], result: ToneResult) -> list[Finding]:
    """The findings, each with a word of what matters to it: clicks, what moves, tops that look flat."""
    words, flat = _disturbances(result), _flat_tops(result)

    def remarks(name: str) -> tuple[str, ...]:
        of_disturbances = words if _OF_LEVEL.get(name, name) in result.disturbed else ()
        return (*of_disturbances, *(flat if name in _OF_TOPS else ()))

    return [
        replace(finding, remarks=(*finding.remarks, *remarks(finding.name))) for finding in findings
    ]


def _flat_tops(result: ToneResult) -> tuple[str, ...]:
    tops = result.flat_tops
    if tops is None:
        return ()
    at = " and ".join(say(at_v, "V") for at_v in tops.at_v)
    share = f"{100 * tops.share:.2g} % of the time"
    return (f"the tops look flat at {at}, {share}: the amplifier or the recorder may limit",)


def _disturbances(result: ToneResult) -> tuple[str, ...]:
    words = [*click_remarks(result.clicks), *level_remarks(result.level_range_db)]
    words += turning_remarks(result.frequency_range_hz)
    if result.phase_jump is not None:
        degrees = f"{math.degrees(abs(result.phase_jump.size_rad)):.2g} degrees"
        at = say(result.phase_jump.at_s, "s")
        words.append(f"the tone's phase moves by {degrees} near {at}, counted in the doubt")
    return tuple(words)


def dc_finding(result: ToneResult, *instrument: float) -> Finding:
    """The offset, or why there is none."""
    if result.dc_offset_v.value is None:
        why = "the record is too short to tell DC from hum; lengthen it to 0.1 s"
        return not_found("dc_offset", "V", why)
    return found(
        "dc_offset", "V", result.dc_offset_v, *instrument, remarks=moved(result.dc_moved_v)
    )


def moved(far_v: float | None) -> tuple[str, ...]:
    """That a DC moves, if it does."""
    if far_v is None:
        return ()
    return (f"it moves by at least {say(far_v, 'V')} within the record, of which this is the mean",)


def _band_remark(settings: ToneSettings, result: ToneResult) -> tuple[str, ...]:
    """Why THD+N can be less than THD: its band ends below harmonics that THD counts."""
    beyond = [k for k in result.harmonics if k * settings.frequency > settings.band_high]
    if not beyond:
        return ()
    return (f"up to {say(settings.band_high, 'Hz')}; THD also counts H{min(beyond)} and above",)


def spectrum_picture(capture: Capture, result: ToneResult) -> Picture:
    """The spectrum of a tone with its harmonics marked."""
    fundamental_hz = result.frequency_hz.value or 0.0
    level_dbv = 20.0 * math.log10(result.level_vrms.value or 1e-12)
    marks = [Mark(x=fundamental_hz, y=level_dbv, label="tone")]
    for k, harmonic in sorted(result.harmonics.items()):
        size = harmonic.value if harmonic.value is not None else None
        if size:
            y = level_dbv + 20.0 * math.log10(size)
            marks.append(Mark(x=k * fundamental_hz, y=y, label=f"H{k}"))
    top_hz = min(max(12.0 * fundamental_hz, 20e3), 0.45 * capture.sample_rate_hz)
    return spectrum_of(
        capture,
        name="spectrum",
        title="Spectrum of the tone",
        limits_hz=(10.0, top_hz),
        marks=marks,
        marked="H marks the harmonics",
    )
