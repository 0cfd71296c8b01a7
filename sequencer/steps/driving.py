"""How a unit is driven and recorded: carefully, from below, never past the ceiling.

The rules of the bench (common practice, no source): the level starts low and rises in steps; a gain
far from the expected one, or the wrong polarity, stops; the analyser's range is set for what is to
come and stands on its highest across every switching event.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from drivers.roles import Analyser, Role, Waveform
from sequencer.analysis.sine_fit import fit_known_tones
from sequencer.analysis.tone import relative_phase_rad
from sequencer.captures import Capture, Samples
from sequencer.limits import rectangular
from sequencer.quantities import format_quantity
from sequencer.steps.base import BenchAccess, Situation, WiredWrong

FIRST_POWER_W = 0.1
LARGEST_RISE = math.sqrt(10.0)
MOST_CORRECTIONS = 4
# Beyond the nominal gain by more than a unit may be off, the unit is running out of headroom.
MOST_EXTRA_DRIVE = 10.0 ** (3.0 / 20.0)
PROBE_S = 0.1
PROBE_CYCLES = 10
HEADROOM = 1.25
# Anti-alias filters of digitisers are flat to about this part of the sample rate (common practice).
FLAT_TO = 0.45
# A probe of ten periods tells frequencies apart by a tenth.
_SAME_FREQUENCY = 0.2
_NO_HEADROOM = "the unit does not follow the drive: it runs out of headroom below this level"


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """Where the level control ended.

    emf_vrms is the generator's e.m.f., output_vrms the level found at the output, is_inverting the
    polarity found (None where the bench can't tell). problem says why the wanted level was not
    reached; None when it was.
    """

    frequency_hz: float
    target_vrms: float
    emf_vrms: float
    output_vrms: float
    is_inverting: bool | None
    problem: str | None

    def facts(self) -> Mapping[str, float]:
        """What evaluation must know about the drive."""
        facts = {
            "frequency_hz": self.frequency_hz,
            "target_vrms": self.target_vrms,
            "emf_vrms": self.emf_vrms,
            "is_locked": float(self.problem is None),
        }
        if self.is_inverting is not None:
            facts["is_inverting"] = float(self.is_inverting)
        return MappingProxyType(facts)


def silence(bench: BenchAccess, frequency_hz: float = 1000.0) -> None:
    """Generator on at zero level, its source impedance in place: what "no signal" means."""
    bench.generator.set_sine(frequency_hz, 0.0)
    switch_on(bench)


def switch_on(bench: BenchAccess) -> None:
    """Switch the generator's output on, if it is not."""
    if not bench.generator.is_output_on():
        bench.generator.set_output(True)


def highest_range(analyser: Analyser) -> None:
    """Put the analyser on its highest range, as for every switching event."""
    analyser.set_range(analyser.ranges_peak_v()[-1])


def sample_rate_for(
    analyser: Analyser, top_frequency_hz: float, ceiling_hz: float = math.inf
) -> float:
    """The lowest sample rate that sees top_frequency_hz (FLAT_TO of it), at most ceiling_hz.

    When none is enough the highest that is allowed; `check` has told before.
    """
    return lowest_rate(analyser.sample_rates_hz(), top_frequency_hz, ceiling_hz)


def lowest_rate(
    rates_hz: Sequence[float], top_frequency_hz: float, ceiling_hz: float = math.inf
) -> float:
    """The same from the sample rates on offer, ascending."""
    rates = [rate for rate in rates_hz if rate <= ceiling_hz]
    return next((rate for rate in rates if FLAT_TO * rate >= top_frequency_hz), rates[-1])


def record_once(
    bench: BenchAccess, *, peak_v: float, seconds: float, sample_rate_hz: float, channels: int = 1
) -> Waveform:
    """One record on the smallest range that holds peak_v (the highest, if none does)."""
    analyser = bench.analyser
    analyser.set_range(min(peak_v, analyser.ranges_peak_v()[-1]))
    analyser.start(max(round(seconds * sample_rate_hz), 16), sample_rate_hz)
    return analyser.fetch(channels=min(channels, analyser.channel_count()))


def record(
    bench: BenchAccess,
    name: str,
    *,
    peak_v: float,
    seconds: float,
    sample_rate_hz: float,
    channels: int = 1,
    facts: Mapping[str, float] | None = None,
) -> Capture:
    """A record that fits its range: an overloaded range is left upwards and recorded again.

    A record that overloads the highest range comes back marked as such.
    """
    ranges = bench.analyser.ranges_peak_v()
    while True:
        waveform = record_once(
            bench,
            peak_v=peak_v,
            seconds=seconds,
            sample_rate_hz=sample_rate_hz,
            channels=channels,
        )
        higher = [candidate for candidate in ranges if candidate > waveform.range_peak_v]
        if not waveform.is_overrange or not higher:
            return from_waveform(name, waveform, facts)
        bench.note(f"range {waveform.range_peak_v:g} V overloaded, taking {higher[0]:g} V")
        peak_v = higher[0]


def from_waveform(
    name: str, waveform: Waveform, facts: Mapping[str, float] | None = None
) -> Capture:
    """A capture of the analyser from its waveform."""
    return Capture(
        name=name,
        role=Role.ANALYSER.value,
        samples=waveform.samples,
        sample_rate_hz=waveform.sample_rate_hz,
        range_peak_v=waveform.range_peak_v,
        is_overrange=waveform.is_overrange,
        facts=MappingProxyType(dict(facts or {})),
    )


def reach_level(
    bench: BenchAccess,
    *,
    frequency_hz: float,
    target_vrms: float,
    tolerance_db: float = 0.05,
    gain_within_db: float = 3.0,
    settle_s: float = 0.1,
) -> Drive:
    """Bring the output to target_vrms from below and close in on it.

    Starts at 0.1 W into the load (or the target, if lower), rises by at most 10 dB a step, checks
    gain and polarity on the way, then corrects until the level is within tolerance_db.

    Raises WiredWrong when the gain is further than gain_within_db from the unit's, or the polarity
    is not the unit's: the generator is then at zero level.
    """
    control = _LevelControl(bench, frequency_hz, gain_within_db, settle_s)
    bench.generator.set_sine(frequency_hz, 0.0)
    switch_on(bench)
    problem = None
    for level in _ladder(target_vrms, bench.load.resistance_ohm):
        problem = problem or control.aim(level)
    for _ in range(MOST_CORRECTIONS):
        if problem or abs(control.error_db(target_vrms)) <= tolerance_db:
            break
        problem = control.aim(target_vrms)
    if problem is None and abs(control.error_db(target_vrms)) > tolerance_db:
        off = f"{control.error_db(target_vrms):+.2f} dB"
        problem = f"the level did not close in: {off} from the wanted one"
    return Drive(
        frequency_hz=frequency_hz,
        target_vrms=target_vrms,
        emf_vrms=control.emf_vrms,
        output_vrms=control.output_vrms,
        is_inverting=control.is_inverting,
        problem=problem,
    )


def _ladder(target_vrms: float, load_ohm: float) -> list[float]:
    """Output levels on the way to the target: 0.1 W first, then at most 10 dB a rise."""
    levels = [min(target_vrms, math.sqrt(FIRST_POWER_W * load_ohm))]
    while levels[-1] < target_vrms:
        levels.append(min(levels[-1] * LARGEST_RISE, target_vrms))
    return levels


class _LevelControl:
    """Aims at output levels with the gain found so far."""

    def __init__(
        self, bench: BenchAccess, frequency_hz: float, gain_within_db: float, settle_s: float
    ) -> None:
        self._bench = bench
        self._frequency_hz = frequency_hz
        self._gain_within_db = gain_within_db
        self._settle_s = settle_s
        self._gain = 10.0 ** (bench.unit.gain_db / 20.0)
        self.emf_vrms = 0.0
        self.output_vrms = 0.0
        self.is_inverting: bool | None = None
        self._is_known = False

    def error_db(self, target_vrms: float) -> float:
        """How far the output is from a level, dB."""
        return 20.0 * math.log10(max(self.output_vrms, 1e-9) / target_vrms)

    def aim(self, level_vrms: float) -> str | None:
        """Set the e.m.f. that should give this level and see what comes; or say why not."""
        bench = self._bench
        emf_vrms = level_vrms / self._gain
        problem = _beyond(bench, emf_vrms, level_vrms)
        if problem:
            return problem
        capture = _probe(bench, self._frequency_hz, emf_vrms, level_vrms, self._settle_s)
        self.emf_vrms = emf_vrms
        self.output_vrms = tone_vrms(capture.first, capture.sample_rate_hz, self._frequency_hz)
        self.is_inverting = _is_inverting(capture, self._frequency_hz)
        if self._is_known and self._has_fallen():
            return _NO_HEADROOM  # the gain was right below: no fault of the wiring
        off_db = abs(_gain_db(self.output_vrms, emf_vrms) - bench.unit.gain_db)
        if off_db > self._gain_within_db:
            other = _other_rate(capture, self._frequency_hz, level_vrms, self._gain_within_db)
            if other is not None:
                bench.generator.set_level(0.0)
                raise WiredWrong(other)
        _demand_sane(bench, self.output_vrms, emf_vrms, self.is_inverting, self._gain_within_db)
        self._is_known = True
        self._gain = self.output_vrms / emf_vrms
        return None

    def _has_fallen(self) -> bool:
        gain_db = _gain_db(self.output_vrms, self.emf_vrms)
        return gain_db < self._bench.unit.gain_db - self._gain_within_db


def _gain_db(output_vrms: float, emf_vrms: float) -> float:
    return 20.0 * math.log10(max(output_vrms, 1e-9) / emf_vrms)


def _beyond(bench: BenchAccess, emf_vrms: float, level_vrms: float) -> str | None:
    """Why this e.m.f. must not be set for this output level, or None."""
    ceiling = bench.generator_ceiling_vrms
    if emf_vrms > ceiling:
        return (
            f"needs {format_quantity(emf_vrms, 'V')} from the generator, above its ceiling of "
            f"{format_quantity(ceiling, 'V')}"
        )
    expected_vrms = level_vrms / 10.0 ** (bench.unit.gain_db / 20.0)
    if emf_vrms > expected_vrms * MOST_EXTRA_DRIVE:
        return _NO_HEADROOM
    return None


def _probe(
    bench: BenchAccess, frequency_hz: float, emf_vrms: float, level_vrms: float, settle_s: float
) -> Capture:
    """Set the generator's level, let it settle, and take a short record of output and drive."""
    bench.energise(f"generator level {format_quantity(emf_vrms, 'V')}")
    highest_range(bench.analyser)
    bench.generator.set_level(emf_vrms)
    bench.wait(settle_s)
    return record(
        bench,
        "probe",
        peak_v=level_vrms * math.sqrt(2.0) * HEADROOM,
        seconds=max(PROBE_S, PROBE_CYCLES / frequency_hz),
        sample_rate_hz=sample_rate_for(bench.analyser, 4.0 * frequency_hz, 192e3),
        channels=2,
    )


def tone_vrms(samples: Samples, sample_rate_hz: float, frequency_hz: float) -> float:
    """Level of a tone of known frequency, V rms."""
    amplitude = fit_known_tones(samples, sample_rate_hz, [frequency_hz])[0]
    return float(np.abs(amplitude)) / math.sqrt(2.0)


def watts(
    level_vrms: float, situation: Situation, standard_uncertainty: float = 0.0
) -> tuple[float, float]:
    """Power of this level in the load, W, and its standard uncertainty (JCGM 100:2008, 5.1.2).

    standard_uncertainty is that of the level itself, V; the accuracy of analyser and load joins it.
    """
    load = situation.load
    power_w = level_vrms**2 / load.resistance_ohm
    own = standard_uncertainty / level_vrms if level_vrms else 0.0
    relative = math.hypot(
        2.0 * math.hypot(own, rectangular(situation.of(Role.ANALYSER).level)),
        rectangular(load.tolerance),
    )
    return power_w, relative * power_w


def _other_rate(
    capture: Capture, frequency_hz: float, wanted_vrms: float, within_db: float
) -> str | None:
    """What to say of a tone that has the wanted level but another frequency; None where it has both.

    The generator's frequency is right to parts per million, so the analyser's sample rate is not, or
    the record shows something else.
    """
    ac = capture.first - np.mean(capture.first)
    level_vrms = float(np.sqrt(np.mean(ac**2)))
    bins = np.abs(np.fft.rfft(ac * np.hanning(len(ac))))
    found_hz = float(np.argmax(bins)) * capture.sample_rate_hz / len(ac)
    has_level = wanted_vrms > 0.0 and level_vrms > 0.0
    if not has_level or abs(20.0 * math.log10(level_vrms / wanted_vrms)) > within_db:
        return None
    if abs(found_hz / frequency_hz - 1.0) <= _SAME_FREQUENCY:
        return None
    return (
        f"the record shows {format_quantity(found_hz, 'Hz', digits=2)} where "
        f"{format_quantity(frequency_hz, 'Hz')} is driven, at the level that is expected: either the "
        f"analyser does not sample at {format_quantity(capture.sample_rate_hz, 'Hz')} as it was told "
        "(look at sample_rates in the bench file), or this is another signal, such as hum of an open "
        "input"
    )


def _is_inverting(capture: Capture, frequency_hz: float) -> bool | None:
    if capture.samples.shape[0] < 2:
        return None
    phase = relative_phase_rad(
        capture.samples[1], capture.samples[0], capture.sample_rate_hz, frequency_hz
    )
    return math.cos(phase) < 0.0


def _demand_sane(
    bench: BenchAccess,
    output_vrms: float,
    emf_vrms: float,
    is_inverting: bool | None,
    within_db: float,
) -> None:
    """Stop when gain or polarity show that something is wired wrong."""
    gain_db = _gain_db(output_vrms, emf_vrms)
    problem = None
    if abs(gain_db - bench.unit.gain_db) > within_db:
        problem = (
            f"gain is {gain_db:.1f} dB where {bench.unit.gain_db:.1f} dB is expected "
            f"(more than {within_db:g} dB off); check input, output and load wiring"
        )
    elif is_inverting is not None and is_inverting != bench.unit.is_inverting:
        found, expected = _POLARITY[is_inverting], _POLARITY[bench.unit.is_inverting]
        problem = f"polarity is {found} where {expected} is expected; check the wiring"
    if problem:
        bench.generator.set_level(0.0)
        raise WiredWrong(problem)


_POLARITY = {True: "inverting", False: "normal"}
