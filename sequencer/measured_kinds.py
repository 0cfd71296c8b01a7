"""The kinds of analysis of a recorded capture: which readings each gives, by the steps' own code.

Each kind calls the analysis that a step of a procedure calls, and draws the picture that the step
draws. The readings carry the doubt of the capture alone: nothing is known of the instrument.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from sequencer.analysis.checks import require_sample_rate
from sequencer.analysis.dc import analyse_dc
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.exponential_sweep import SweepResult, analyse_exponential_sweep
from sequencer.analysis.idle import analyse_idle
from sequencer.analysis.imd import (
    ImdDifferenceResult,
    ImdSmpteResult,
    analyse_imd_difference,
    analyse_imd_smpte,
)
from sequencer.analysis.mains import bends_of, find_each_mains
from sequencer.analysis.mains_choice import choose_hum
from sequencer.analysis.mains_nominals import NOMINALS_HZ
from sequencer.analysis.ring_down import Mode, RingDownResult, analyse_ring_down
from sequencer.analysis.settling import analyse_settling
from sequencer.analysis.settling_result import SettlingResult
from sequencer.analysis.tone import ToneResult, analyse_tone
from sequencer.analysis.tone_pairs import (
    DIFFERENCE_PAIRS_HZ,
    MODULATION_PAIRS_HZ,
    choose_pair,
)
from sequencer.analysis.wideband import Spur, analyse_wideband
from sequencer.captures import Capture, Samples
from sequencer.errors import Refused
from sequencer.measure_options import MeasureOptions
from sequencer.pictures import Curve, Picture
from sequencer.recordings import Recording
from sequencer.steps.base import Finding, found, not_found, say
from sequencer.steps.disturbances import step_remarks
from sequencer.steps.exponential_sweep import (
    edge_finding,
    flatness_finding,
    sweep_pictures,
    sweep_remarks,
)
from sequencer.steps.hum import hum_findings, idle_picture, noise_findings
from sequencer.steps.intermodulation import TwoTones, two_tone_picture
from sequencer.steps.servo_settling import (
    excursion_remarks,
    final_finding,
    ring_findings,
    settling_picture,
    settling_remarks,
    time_constant_finding,
    why_not_settled,
)
from sequencer.steps.tone import (
    dc_finding,
    hum_remarks,
    moved,
    spectrum_picture,
    with_disturbances,
)
from sequencer.steps.wideband import WIDEST_HIDDEN_HZ, spur_texts, wideband_picture
from sequencer.uncertainty import rectangular

AUDIO_HZ = (20.0, 20e3)
SPUR_SEARCH_HZ = (20e3, 500e3)
RING_SEARCH_HZ = (100.0, 5000.0)
WITHIN_V = 0.010
_LEAST_SPUR_RATE_HZ = 20e3
_WORTH_A_WORD = 0.5  # beside 1 for the noise's part that makes the whole a tenth larger
_COMMON = frozenset({"scale", "rate", "mains"})

Row = Mapping[str, float | None]
Draw = Callable[[], Picture]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What was measured: findings in order, flags, lists by name, and how to draw it."""

    findings: Sequence[Finding]
    draw: Draw
    flags: Mapping[str, bool] = field(default_factory=lambda: MappingProxyType({}))
    lists: Mapping[str, Sequence[Row]] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredKind:
    """A kind of analysis: how it measures, the options it takes, and how many channels."""

    measure: Callable[[Recording, MeasureOptions], Measured]
    options: frozenset[str] = _COMMON
    channels: int = 1


def _capture(recording: Recording) -> Capture:
    """The recording as the steps' pictures want it."""
    return Capture(
        name="recording",
        role="file",
        samples=recording.samples,
        sample_rate_hz=recording.sample_rate_hz,
    )


def _first(recording: Recording) -> Samples:
    channel: Samples = recording.samples[0]
    return channel


# One tone.


def _tone(recording: Recording, options: MeasureOptions) -> Measured:
    result = analyse_tone(
        _first(recording),
        recording.sample_rate_hz,
        expected_frequency_hz=options.frequency_hz,
        mains_frequency_hz=options.mains_hz,
        band_hz=options.band_hz or AUDIO_HZ,
        range_peak_v=recording.range_peak_v,
    )
    return Measured(
        findings=with_disturbances(_tone_findings(result), result),
        draw=lambda: spectrum_picture(_capture(recording), result),
    )


def _tone_findings(result: ToneResult) -> list[Finding]:
    with_noise = found(
        "thd_plus_noise", "1", result.thd_plus_noise, remarks=hum_remarks(result, [1])
    )
    if with_noise.value is None and not with_noise.noise_limited:
        with_noise = not_found("thd_plus_noise", "1", "the tone lies outside the band")
    above = "lies above half the sample rate"
    return [
        found("frequency", "Hz", result.frequency_hz, remarks=hum_remarks(result, [1])),
        found("level", "V", result.level_vrms, remarks=hum_remarks(result, [1])),
        dc_finding(result),
        found("thd", "1", result.thd, remarks=hum_remarks(result, result.harmonics)),
        with_noise,
        *(
            found(f"h{k}", "1", line, remarks=hum_remarks(result, [k]))
            for k, line in sorted(result.harmonics.items())
        ),
        *(not_found(f"h{k}", "1", above) for k in result.harmonics_above),
        found("crest_factor", "1", result.crest_factor),
    ]


# No signal.


def _idle(recording: Recording, options: MeasureOptions) -> Measured:
    band_hz = options.band_hz or AUDIO_HZ
    mains_hz = options.mains_hz or NOMINALS_HZ[-1]
    what = f"hum of {say(mains_hz, 'Hz')} with its first harmonic"
    require_sample_rate(recording.sample_rate_hz, 4.0 * mains_hz, what)
    result = analyse_idle(
        _first(recording),
        recording.sample_rate_hz,
        nominal_mains_hz=options.mains_hz,
        band_hz=band_hz,
        range_peak_v=recording.range_peak_v,
    )
    findings = [
        *noise_findings(result),
        *hum_findings(result, said_by="--mains"),
    ]
    return Measured(
        findings=findings,
        draw=lambda: idle_picture(_capture(recording), result, top_hz=band_hz[1]),
    )


def _nominal_mains_hz(recording: Recording, options: MeasureOptions) -> float:
    """As stated, else by the hum in the record, else 50 Hz."""
    if options.mains_hz:
        return options.mains_hz
    if recording.sample_rate_hz < 4.0 * NOMINALS_HZ[-1] or not np.all(
        np.isfinite(_first(recording))
    ):
        return NOMINALS_HZ[0]
    mains = find_each_mains(*bends_of(_first(recording), recording.sample_rate_hz))
    return choose_hum([mains], NOMINALS_HZ).nominal_hz


# Spurs.


def _wideband(recording: Recording, options: MeasureOptions) -> Measured:
    search_hz = options.band_hz or SPUR_SEARCH_HZ
    require_sample_rate(recording.sample_rate_hz, _LEAST_SPUR_RATE_HZ, "a search for spurs")
    if search_hz[0] <= 0.0:
        raise Refused("--band: a search for spurs must begin above 0 Hz", code="argument")
    result = analyse_wideband(
        _first(recording),
        recording.sample_rate_hz,
        search_hz=search_hz,
        tone_hz=options.frequency_hz,
        range_peak_v=recording.range_peak_v,
    )
    count = Finding(
        name="spur_count",
        unit="1",
        value=float(len(result.spurs)),
        standard_uncertainty=0.0,
        remarks=spur_texts(result.spurs),
    )
    return Measured(
        findings=[count, *_strongest_spur(result.spurs, result.floor_v_per_rthz)],
        lists={"spurs": [_spur_row(spur) for spur in result.spurs]},
        draw=lambda: wideband_picture(result, options.frequency_hz),
    )


def _strongest_spur(spurs: Sequence[Spur], floor_v_per_rthz: float) -> list[Finding]:
    if spurs:
        return [
            found("spur_frequency", "Hz", spurs[0].frequency_hz),
            found("spur_level", "V", spurs[0].level_vrms),
        ]
    bound = floor_v_per_rthz * math.sqrt(WIDEST_HIDDEN_HZ)
    hidden = Estimate(value=None, noise_limited=True, upper_bound=bound)
    return [
        not_found("spur_frequency", "Hz", "no spur stands out of the noise"),
        found("spur_level", "V", hidden, remarks=("no spur stands out of the noise",)),
    ]


def _spur_row(spur: Spur) -> Row:
    return {
        "frequency": spur.frequency_hz.value,
        "level": spur.level_vrms.value,
        "width": spur.width_hz.value,
    }


# Direct voltage and its coming to rest.


def _dc(recording: Recording, options: MeasureOptions) -> Measured:
    result = analyse_dc(
        _first(recording),
        recording.sample_rate_hz,
        nominal_mains_hz=_nominal_mains_hz(recording, options),
        range_peak_v=recording.range_peak_v,
    )
    words = step_remarks(result.steps, "of which this is the mean")
    return Measured(
        findings=[
            found("dc_offset", "V", result.offset_v, remarks=words or moved(result.moved_v)),
        ],
        draw=lambda: _course_picture(recording, result.offset_v.value or 0.0),
    )


def _course_picture(recording: Recording, offset_v: float) -> Picture:
    time_s = np.arange(recording.size) / recording.sample_rate_hz
    ends_s = time_s[[0, -1]]
    return Picture(
        name="course",
        title="Voltage over time",
        x_label="time in s",
        y_label="voltage in mV",
        curves=(
            Curve(label="record", x=time_s, y=1e3 * _first(recording)),
            Curve(label="DC", x=ends_s, y=np.full(2, 1e3 * offset_v)),
        ),
    )


def _settling(recording: Recording, options: MeasureOptions) -> Measured:
    within_v = WITHIN_V if options.within_v is None else options.within_v
    result = analyse_settling(
        _first(recording),
        recording.sample_rate_hz,
        within_v=within_v,
        event_s=options.event_s,
        mains_hz=_nominal_mains_hz(recording, options),
        range_peak_v=recording.range_peak_v,
    )
    is_found = options.event_s is None and result.is_event_found
    # what the record shows of an event lies between two samples
    event_doubt_s = rectangular(1.0 / recording.sample_rate_hz) if is_found else 0.0
    return Measured(
        findings=_settling_findings(
            result, within_v, event_doubt_s, _nothing_settles(result, _first(recording), within_v)
        ),
        flags={
            "settled": result.is_settled,
            "oscillating": result.is_oscillating,
            "extrapolated": result.is_extrapolated,
        },
        draw=lambda: settling_picture(result),
    )


def _nothing_settles(result: SettlingResult, samples: Samples, within_v: float) -> tuple[str, ...]:
    """That the record shows no event and no settling, and what it shows instead."""
    if result.is_event_found or result.settling_time_s.value != 0.0:
        return ()
    swing_v = float(np.ptp(samples))
    remark = (
        "nothing is seen to settle: no step or click is found, and means over mains cycles stay inside "
        "the band from the start on"
    )
    if swing_v > 2.0 * within_v:
        remark += f"; it swings by {say(swing_v, 'V')} peak to peak, as a tone or hum does"
    return (remark,)


def _settling_findings(
    result: SettlingResult, within_v: float, event_doubt_s: float, remarks: tuple[str, ...]
) -> list[Finding]:
    time = found(
        "settling_time",
        "s",
        result.settling_time_s,
        event_doubt_s,
        remarks=(
            f"to stay within {say(within_v, 'V')}, from {say(result.event_s, 's')} on",
            *remarks,
            *excursion_remarks(result),
            *settling_remarks(result),
        ),
    )
    if time.value is None:
        time = not_found("settling_time", "s", why_not_settled(result))
    final = final_finding(result)
    if not result.is_oscillating:
        decay = result.time_constant_s
        why = (
            "it drifts on at the end of the record"
            if result.is_drifting
            else "no decay stands out of the noise"
        )
        constant = (
            not_found("time_constant", "s", why)
            if decay is None
            else time_constant_finding(decay, result)
        )
        return [time, constant, final]
    return [time, final, *ring_findings(result, event_doubt_s)]


# A struck part.


def _ring_down(recording: Recording, options: MeasureOptions) -> Measured:
    search_hz = options.band_hz or RING_SEARCH_HZ
    result = analyse_ring_down(
        _first(recording),
        recording.sample_rate_hz,
        modes=options.modes,
        search_hz=search_hz,
        range_peak_v=recording.range_peak_v,
    )
    strongest = result.modes[0]
    return Measured(
        findings=[
            found(
                "ring_frequency",
                "Hz",
                strongest.ring_frequency_hz,
                remarks=(*_sought(search_hz, result.outside_hz), *_of_several(result)),
            ),
            _if_resolved("decay_time", "s", strongest.decay_time_s, _disturbed(result)),
            _if_resolved("q_factor", "1", strongest.q_factor, _disturbed(result)),
        ],
        lists={"modes": [_mode_row(mode) for mode in result.modes]},
        draw=lambda: _ring_picture(result),
    )


def _sought(search_hz: tuple[float, float], outside_hz: Sequence[float]) -> tuple[str, ...]:
    """The band of the search in words, and what rings beyond it."""
    low, high = (say(edge, "Hz") for edge in search_hz)
    band = f"modes sought from {low} to {high}"
    if not outside_hz:
        return (band,)
    beyond = ", ".join(say(each, "Hz") for each in outside_hz)
    return (band, f"something rings beyond that, at {beyond}; --band takes it in")


def _of_several(result: RingDownResult) -> tuple[str, ...]:
    """Which of several hits the modes are taken from; nothing where there was one."""
    if len(result.hit_s) < 2:
        return ()
    span = " to ".join(say(each, "s") for each in (result.time_s[0], result.time_s[-1]))
    used = say(result.used_hit_s, "s")
    remark = (
        f"{len(result.hit_s)} hits, at {_moments(result.hit_s)}: the one at {used} is used, "
        f"fitted from {span}"
    )
    if not result.cut_off_hit_s:
        return (remark,)
    not_used = "cut off at the range's end, or too soon after one that was, so not used"
    return (remark, f"{not_used}: {_moments(result.cut_off_hit_s)}")


def _moments(times_s: Sequence[float]) -> str:
    return ", ".join(say(each, "s") for each in times_s)


def _disturbed(result: RingDownResult) -> tuple[str, ...]:
    """What disturbs the strongest mode, where that is much of the doubt of its decay."""
    mode = result.modes[0]
    remarks = []
    if result.is_later_part:
        remarks.append(
            "the ringing decays otherwise while it is strong than later on (an input that compresses, a "
            f"joint that rubs): fitted only from {say(float(result.time_s[0]), 's')} on"
        )
    if mode.misfit > _WORTH_A_WORD:
        remarks.append(
            "something beside this mode (hum or a steady tone near it, bounces of the tap, a decay that "
            f"isn't even) makes its uncertainty {math.hypot(1.0, mode.misfit):.1f} times as large as "
            "noise alone would"
        )
    return tuple(remarks)


def _if_resolved(name: str, unit: str, estimate: Estimate, remarks: tuple[str, ...]) -> Finding:
    if estimate.value is None:
        why = (
            "something else rings within two half-power widths and can't be told apart: another "
            "mode, or this one unevenly (bounces of the tap, an input that compresses)"
        )
        return not_found(name, unit, why)
    return found(name, unit, estimate, remarks=remarks)


def _mode_row(mode: Mode) -> Row:
    return {
        "ring_frequency": mode.ring_frequency_hz.value,
        "decay_time": mode.decay_time_s.value,
        "time_constant": mode.time_constant_s.value,
        "q_factor": mode.q_factor.value,
    }


def _ring_picture(result: RingDownResult) -> Picture:
    return Picture(
        name="ring_down",
        title="Ringing after the hit",
        x_label="time in s",
        y_label="voltage in mV",
        curves=(
            Curve(label="record", x=result.time_s, y=1e3 * result.ring_v),
            Curve(label="left by the fit", x=result.time_s, y=1e3 * (result.ring_v - result.fit_v)),
        ),
        caption="The stretch that was fitted, in the search band.",
    )


# Two tones.


def _imd_smpte(recording: Recording, options: MeasureOptions) -> Measured:
    lower_hz, upper_hz = choose_pair(
        _first(recording), recording.sample_rate_hz, MODULATION_PAIRS_HZ
    )
    two = analyse_imd_smpte(
        _first(recording),
        recording.sample_rate_hz,
        lower_hz=lower_hz,
        upper_hz=upper_hz,
        mains_frequency_hz=options.mains_hz,
        range_peak_v=recording.range_peak_v,
    )
    return _two_tones(recording, "modulation", two)


def _imd_difference(recording: Recording, options: MeasureOptions) -> Measured:
    lower_hz, upper_hz = choose_pair(
        _first(recording), recording.sample_rate_hz, DIFFERENCE_PAIRS_HZ
    )
    two = analyse_imd_difference(
        _first(recording),
        recording.sample_rate_hz,
        lower_hz=lower_hz,
        upper_hz=upper_hz,
        mains_frequency_hz=options.mains_hz,
        range_peak_v=recording.range_peak_v,
    )
    return _two_tones(recording, "difference", two)


def _two_tones(
    recording: Recording, method: str, result: ImdSmpteResult | ImdDifferenceResult
) -> Measured:
    two = TwoTones.of(method, result)
    return Measured(
        findings=[
            found(
                name,
                "1" if name.startswith("imd") else "V",
                estimate,
                remarks=two.remarks(method, name),
            )
            for name, estimate in two.estimates.items()
        ],
        draw=lambda: two_tone_picture(_capture(recording)),
    )


# Drive and response.


def _response(recording: Recording, options: MeasureOptions) -> Measured:
    drive, answer = recording.samples[recording.drive], recording.samples[1 - recording.drive]
    result = analyse_exponential_sweep(
        drive,
        answer,
        recording.sample_rate_hz,
        band_hz=options.band_hz or AUDIO_HZ,
        mains_hz=options.mains_hz,
        range_peak_v=recording.range_peak_v,
    )
    response = result.response
    return Measured(
        findings=[
            found(
                "gain",
                "dB",
                response.reference_gain_db,
                remarks=(f"at {say(response.reference_hz, 'Hz')}", *sweep_remarks(result)),
            ),
            edge_finding("bandwidth_low", response.bandwidth_low),
            edge_finding("bandwidth_high", response.bandwidth_high),
            flatness_finding(result),
        ],
        lists={"response": _response_rows(result)},
        draw=lambda: sweep_pictures(result)[0],
    )


def _response_rows(result: SweepResult) -> list[Row]:
    """Gain over frequency in dB, phase in rad, the harmonics as fractions where they are known."""
    response = result.response
    harmonics = {
        order: dict(zip(harmonic.frequency_hz.tolist(), harmonic.ratio.tolist(), strict=True))
        for order, harmonic in sorted(result.harmonics.items())
    }
    rows: list[Row] = []
    for frequency_hz, gain_db, phase_rad in zip(
        response.frequency_hz.tolist(),
        response.gain_db.tolist(),
        result.phase_rad.tolist(),
        strict=True,
    ):
        ratios = {f"h{order}": known.get(frequency_hz) for order, known in harmonics.items()}
        rows.append({"frequency": frequency_hz, "gain": gain_db, "phase": phase_rad, **ratios})
    return rows


KINDS: Mapping[str, MeasuredKind] = MappingProxyType(
    {
        "tone": MeasuredKind(
            measure=_tone,
            options=_COMMON | {"frequency", "band"},
        ),
        "idle": MeasuredKind(measure=_idle, options=_COMMON | {"band"}),
        "wideband": MeasuredKind(
            measure=_wideband,
            options=_COMMON | {"frequency", "band"},
        ),
        "dc": MeasuredKind(measure=_dc),
        "settling": MeasuredKind(
            measure=_settling,
            options=_COMMON | {"event_at", "within"},
        ),
        "ring_down": MeasuredKind(measure=_ring_down, options=_COMMON | {"band", "modes"}),
        "imd_smpte": MeasuredKind(measure=_imd_smpte),
        "imd_difference": MeasuredKind(measure=_imd_difference),
        "response": MeasuredKind(
            measure=_response,
            options=_COMMON | {"band"},
            channels=2,
        ),
    }
)
