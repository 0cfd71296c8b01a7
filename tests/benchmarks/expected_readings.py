"""Truth beside every reading of a run: which formula of analytic_truth answers which reading.

A truth is a number, or None where the model has nothing to say (counts of spurs). Whether a reading
agrees with it is asked in `agrees`: within its own expanded uncertainty (k = 2), or, where the
reading is a bound, on the bound's right side.
"""

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from sequencer.analysis.quasi_peak import noise_468
from sequencer.limits import Reading
from tests.benchmarks import analytic_truth as model
from tests.benchmarks.analytic_truth import State
from tests.benchmarks.observed_run import Observed, Taken

COVERAGE_FACTOR = 2.0  # JCGM 100:2008, 6.3.3
AUDIO_HZ = (20.0, 20e3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One reading beside its truth."""

    step: str
    name: str
    reading: Reading
    truth: float

    @property
    def agrees(self) -> bool:
        """Whether the truth lies within 2u, or on the right side of the bound."""
        reading, truth = self.reading, self.truth
        if self.name == "sidebands" and truth:
            # Partly told apart: anything from nothing to the hum line itself.
            truth = min(truth, reading.value or 0.0)
        if reading.value is None:
            most, least = reading.upper_bound, reading.lower_bound
            return (
                reading.is_bound
                and (most is None or abs(truth) <= most)
                and (least is None or truth >= least)
            )
        return abs(truth - reading.value) <= COVERAGE_FACTOR * (reading.uncertainty or 0.0)

    @property
    def off(self) -> float | None:
        """Error in standard uncertainties, None for a bound."""
        if self.reading.value is None or not self.reading.uncertainty:
            return None
        return (self.reading.value - self.truth) / self.reading.uncertainty


def compared(seen: Observed) -> list[Compared]:
    """Every reading of a run for which the model has a truth."""
    kinds = {step.id: step for step in seen.procedure.steps}
    found = []
    cache: dict[str, Mapping[str, float]] = {}
    for (step, name), reading in seen.readings.items():
        if step not in cache:
            cache[step] = _TRUTHS[kinds[step].kind](seen, kinds[step])
        truth = cache[step].get(name)
        if truth is not None and (reading.value is not None or reading.is_bound):
            found.append(Compared(step=step, name=name, reading=reading, truth=truth))
    return found


# --- what the truths need ---------------------------------------------------------------------


def _taken(seen: Observed, step: str, name: str | None = None) -> Taken:
    return next(
        taken
        for (of, capture), taken in seen.taken.items()
        if of == step and name in (None, capture)
    )


def _state(seen: Observed, taken: Taken) -> State:
    return State(truth=taken.truth, unit=seen.unit)


def _true_hz(state: State, frequency_hz: float) -> float:
    return frequency_hz * (1 + state.bench["generator_ppm"] * 1e-6)


def _mains_hz(seen: Observed, taken: Taken) -> float:
    """Mean over a record; the model holds the frequency in steps of 10 s."""
    begin, end = taken.end_s - taken.duration_s, taken.end_s
    known = [(t, f) for t, f in seen.mains_hz if math.floor(t / 10) >= math.floor(begin / 10)]
    by_slot = {math.floor(t / 10): f for t, f in known if t <= end + 1e-6}
    edges = [begin, *(10.0 * k for k in by_slot if begin < 10 * k < end), end]
    total = sum(
        by_slot.get(math.floor((a + b) / 20), known[0][1]) * (b - a)
        for a, b in itertools.pairwise(edges)
    )
    return total / (end - begin) if end > begin else known[0][1]


# --- one function a kind of step --------------------------------------------------------------


def _load_check(seen: Observed, step: Any) -> Mapping[str, float]:
    return {"load_resistance": State(truth=seen.truth, unit=seen.unit).load_ohm}


def _standby(seen: Observed, step: Any) -> Mapping[str, float]:
    state = State(truth=seen.truth, unit=seen.unit)
    return {"standby_power": state.parameters["supply"]["standby_w"]}


def _settling(seen: Observed, step: Any) -> Mapping[str, float]:
    state = _state(seen, _taken(seen, step.id, "settling"))
    servo = state.parameters["servo"]
    return {
        "settling_time": model.settling_time_s(state, step.settings.within),
        "time_constant": model.servo_time_constant_s(state),
        "final_value": model.final_offset_v(state),
        "relay_delay": servo["relay_delay_s"],
        "click": servo["click_v"],
        "mains_voltage": state.bench["mains_vrms"],
    }


def _dc(seen: Observed, step: Any) -> Mapping[str, float]:
    return {"dc_offset": model.final_offset_v(_state(seen, _taken(seen, step.id)))}


def _all_noise_vrms(state: State, taken: Taken) -> float:
    """Noise of the unit and of the digitiser on its range, up to half the sample rate."""
    unit = model.noise_vrms(state, {}, 50.0, (1.0, 0.45 * taken.samples / taken.duration_s))
    return math.hypot(unit, state.bench["digitiser_noise_v"] * taken.range_peak_v)


def _sidebands(
    hum: Mapping[int, float], mains_hz: float, frequency_hz: float, taken: Taken
) -> float:
    """A unit that doesn't limit has no sidebands, but hum that a record can't tell from them, V.

    Lines less than a cycle of the record apart are one.
    """
    near = [
        level
        for order, level in hum.items()
        for side in (-2, 2)
        if abs(order * mains_hz - frequency_hz - side * mains_hz) * taken.duration_s < 1.0
    ]
    return math.hypot(*near) if near else 0.0


def _tone(seen: Observed, step: Any) -> Mapping[str, float]:
    taken = _taken(seen, step.id)
    state = _state(seen, taken)
    frequency_hz = _true_hz(state, step.settings.frequency)
    truth = model.tone(state, frequency_hz, taken.facts["emf_vrms"])
    level = truth.level_vrms
    rail_a = math.sqrt(2) * level / state.load_ohm / math.pi
    mains_hz = _mains_hz(seen, taken)
    hum = model.hum_vrms(state, mains_hz, rail_a)
    noise = model.noise_vrms(state, hum, mains_hz, AUDIO_HZ)
    # A line at the band's edge belongs to it by the digitiser's own clock.
    clock = 1 + state.bench["digitiser_ppm"] * 1e-6
    inside = range(2, int(AUDIO_HZ[1] * clock / frequency_hz) + 1)
    rest = math.hypot(noise, *(level * truth.harmonic(k) for k in inside))
    return {
        "level": level,
        "power": level**2 / state.load_ohm,
        "gain": truth.gain_db,
        "frequency": frequency_hz,
        "dc_offset": model.final_offset_v(state),
        "thd": truth.thd(),
        "thd_plus_noise": rest / math.hypot(rest, level),
        **{f"h{k}": truth.harmonic(k) for k in range(2, 11)},
        "crest_factor": model.crest_factor(
            truth,
            model.hum_waveform(state, mains_hz, rail_a),
            _all_noise_vrms(state, taken),
            taken.samples,
        ),
        "sidebands": _sidebands(hum, mains_hz, frequency_hz, taken) / level,
    }


def _warm_up(seen: Observed, step: Any) -> Mapping[str, float]:
    """Heat from the beginning: the unit's own power, then the drive."""
    driven = _taken(seen, step.id, "output")
    tone = model.tone(
        _state(seen, driven),
        _true_hz(_state(seen, driven), step.settings.frequency),
        driven.facts["emf_vrms"],
    )
    taken = _taken(seen, step.id, "temperature")
    state = _state(seen, taken)
    on_s = seen.mains_switched[-1 if seen.mains_switched[-1][1] else -2][0]
    watts = step.settings.level.to_watts(
        seen.procedure.unit.load_ohm, seen.procedure.unit.rated_power_w
    )
    driven_s = step.settings.time
    stages = [(taken.end_s - driven_s - on_s, 0.0, True), (driven_s, watts, True)]
    rise = model.rise_after(state.parameters["thermal"], stages, state.load_ohm)
    return {
        "power": tone.level_vrms**2 / state.load_ohm,
        "temperature": state.bench["ambient_c"] + rise,
    }


def _test_point(seen: Observed, step: Any) -> Mapping[str, float]:
    """The drop across an emitter resistor, and the supplies."""
    taken = _taken(seen, step.id)
    state = _state(seen, taken)
    supply = state.parameters["supply"]
    both = model.rails(state, _mains_hz(seen, taken), 0.0)
    return {
        "bias": state.parameters["thermal"]["emitter_ohm"] * state.bias_a,
        "rail_positive": float(np.mean(both[0].voltage)),
        "rail_negative": -float(np.mean(both[1].voltage)),
        "low_positive": supply["low_positive_v"],
        "low_negative": supply["low_negative_v"],
    }


def _idle(seen: Observed, step: Any) -> Mapping[str, float]:
    taken = _taken(seen, step.id)
    state = _state(seen, taken)
    mains_hz = _mains_hz(seen, taken)
    hum = model.hum_vrms(state, mains_hz)
    band = (step.settings.band_low, step.settings.band_high)
    weighted = model.noise_vrms(state, hum, mains_hz, band, model.a_weight)
    unit = seen.procedure.unit
    nominal = {f"hum_{50 * order}": level for order, level in hum.items()}
    return {
        **{f"hum_{50 * order}": 0.0 for order in range(1, 21)},
        **nominal,
        "noise_unweighted": model.noise_vrms(state, hum, mains_hz, band),
        "noise_a_weighted": weighted,
        "noise_468_weighted": _quasi_peak_of_noise()
        * model.noise_vrms(state, {}, mains_hz, AUDIO_HZ, model.itu_weight),
        "signal_to_noise": 20
        * math.log10(math.sqrt(unit.rated_power_w * unit.load_ohm) / weighted),
        "mains_frequency": mains_hz,
    }


_FACTORS: dict[str, float] = {}


def _quasi_peak_of_noise() -> float:
    """What the quasi-peak meter shows of Gaussian noise, over its weighted r.m.s.

    No closed form: found once from a long record of white noise through the meter itself, whose
    ballistics are tested against the tables of ITU-R BS.468-4 elsewhere.
    """
    if not _FACTORS:
        rate_hz, seconds = 48e3, 60.0
        noise = np.random.default_rng(468).standard_normal(int(rate_hz * seconds))
        f = np.linspace(1.0, rate_hz / 2, 20001)
        rms = math.sqrt(float(np.trapezoid(model.itu_weight(f) ** 2, f)) / (rate_hz / 2))
        _FACTORS["468"] = float(noise_468(noise, rate_hz).value or 0.0) / rms
    return _FACTORS["468"]


def _wideband(seen: Observed, step: Any) -> Mapping[str, float]:
    taken = _taken(seen, step.id)
    state = _state(seen, taken)
    unit = seen.procedure.unit
    level = step.settings.level
    watts = level.to_watts(unit.load_ohm, unit.rated_power_w) if level else 0.0
    spur_hz = model.spur_hz(state, seen.mains_switched, taken.end_s - 0.5 * taken.duration_s)
    spur_v = model.spur_level_vrms(state, watts)
    if not step.settings.search_low <= spur_hz <= step.settings.search_high:
        return {"spur_level": 0.0}
    truth = {"spur_frequency": spur_hz, "spur_level": spur_v}
    if watts:
        truth["spur_to_tone"] = spur_v / math.sqrt(watts * unit.load_ohm)
    return truth


def _sweep(seen: Observed, step: Any) -> Mapping[str, float]:
    taken = _taken(seen, step.id, "reference")
    state, emf = _state(seen, taken), taken.facts["emf_vrms"]
    inside = np.geomspace(AUDIO_HZ[0], AUDIO_HZ[1], 31)
    return {
        "gain": model.tone(state, 1000.0, emf).gain_db,
        "flatness": model.flatness_db(state, emf),
        "bandwidth_low": model.edge_hz(state, emf, 0.2, 100.0),
        "bandwidth_high": model.edge_hz(state, emf, 10e3, 400e3),
        "thd": max(model.tone(state, float(f), emf).thd() for f in inside),
    }


def _damping(seen: Observed, step: Any) -> Mapping[str, float]:
    taken = _taken(seen, step.id, "loaded")
    state, emf = _state(seen, taken), taken.facts["emf_vrms"]
    frequency_hz = step.settings.frequency
    loaded = model.tone(state, frequency_hz, emf).level_vrms
    unloaded = model.tone(state, frequency_hz, emf, load_ohm=math.inf).level_vrms
    resistance = state.load_ohm * (unloaded / loaded - 1)
    return {
        "output_resistance": resistance,
        "damping_factor": seen.procedure.unit.load_ohm / resistance,
    }


def _intermodulation(seen: Observed, step: Any) -> Mapping[str, float]:
    taken = _taken(seen, step.id)
    state = _state(seen, taken)
    lower, _ = step.settings.tones_vrms(seen.procedure.unit)
    gain_db = model.tone(state, 1000.0, taken.facts["emf_vrms"]).gain_db
    return model.difference_products(state, lower / 10 ** (gain_db / 20))


def _level_sweep(seen: Observed, step: Any) -> Mapping[str, float]:
    names = [name for of, name in seen.taken if of == step.id]
    taken = _taken(seen, step.id, names[-1])
    state = _state(seen, taken)
    watts = model.power_at_distortion_w(state, _mains_hz(seen, taken), step.settings.until)
    return {"power": watts}


def _nothing(seen: Observed, step: Any) -> Mapping[str, float]:
    return {}


_TRUTHS: Mapping[str, Callable[[Observed, Any], Mapping[str, float]]] = {
    "load_check": _load_check,
    "standby_power": _standby,
    "servo_settling": _settling,
    "dc_offset": _dc,
    "tone": _tone,
    "warm_up": _warm_up,
    "test_point": _test_point,
    "idle": _idle,
    "wideband": _wideband,
    "sweep": _sweep,
    "damping_factor": _damping,
    "intermodulation": _intermodulation,
    "level_sweep": _level_sweep,
    "power_on": _nothing,
    "power_off": _nothing,
    "operator_reading": _nothing,
}
