"""What each reading of a run ought to be, from the model's parameters and formulas of our own.

Nothing of sim_instruments or of the sequencer's analysis is used but the parameters as written by the
bench's truth. The equations are those of the project's model of the device under test: first-order
filters for the response; the error polynomial with its crossover term under the loop for distortion, by
a Fourier integral over one period; the rectifier's differential equation between its switching points
in closed form for ripple; noise as integrals of its density. Units SI.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.stats import norm

Parameters = Mapping[str, Any]
Array = np.ndarray[Any, Any]

REFERENCE_RISE_K = 10.2  # junctions above ambient at which the gain is nominal (model, gain drift)
SUPPLY_SPAN_V = 98.0  # of the heat balance (model, thermal)
TOP_HARMONIC = 10
PHASES = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """One unit on one bench at one moment: the bench's truth, and the unit's place in it."""

    truth: Parameters
    unit: int

    @property
    def bench(self) -> Parameters:
        return self.truth["bench"]

    @property
    def parameters(self) -> Parameters:
        return self.truth["units"][self.unit - 1]["parameters"]

    @property
    def own(self) -> Parameters:
        return self.truth["units"][self.unit - 1]

    @property
    def rise_k(self) -> float:
        return self.own["sink_c"] - self.bench["ambient_c"]

    @property
    def bias_a(self) -> float:
        return bias_a(self.parameters["thermal"], self.rise_k)

    @property
    def gain(self) -> float:
        """Gain with its drift of -0.01 dB / 10 K of the junctions."""
        path = self.parameters["path"]
        warmth = self.rise_k + self.own["junction_rise_k"] - REFERENCE_RISE_K
        return path["gain"] * 10 ** (path["gain_drift_db_per_k"] * warmth / 20)

    @property
    def load_ohm(self) -> float:
        return self.bench["load_ohm"]


# --- heat and bias ----------------------------------------------------------------------------


def bias_a(thermal: Parameters, rise_k: float) -> float:
    """Bias current: cold + k (T - Ta), far less steep above the knee."""
    knee = thermal["knee_k"]
    effective = min(rise_k, knee) + thermal["slope_above_knee"] * max(rise_k - knee, 0.0)
    return thermal["bias_cold_a"] + thermal["bias_a_per_k"] * effective + thermal["bias_extra_a"]


def rise_after(
    thermal: Parameters, stages: Sequence[tuple[float, float, bool]], load_ohm: float
) -> float:
    """Rise of the heatsink in K after stages of (seconds, output power in W, whether powered).

    tau dT/dt = Rth P - (T - Ta), P = span * hypot(mean load current of a rail, bias) - Pout, by
    scipy's Runge-Kutta 4(5).
    """
    rise = 0.0
    for seconds, watts, is_on in stages:

        def slope(_t: float, x: Array, watts: float = watts, is_on: bool = is_on) -> list[float]:
            heat = 0.0
            if is_on:
                rail_a = math.sqrt(2 * watts / load_ohm) / math.pi
                current = math.hypot(rail_a, bias_a(thermal, float(x[0])))
                heat = SUPPLY_SPAN_V * current - watts
            return [(thermal["resistance_k_per_w"] * heat - x[0]) / thermal["time_constant_s"]]

        rise = float(solve_ivp(slope, (0, seconds), [rise], rtol=1e-8).y[0, -1])
    return rise


# --- signal path ------------------------------------------------------------------------------


def crossover(state: State) -> tuple[float, float]:
    """Depth and width of the crossover term at the present bias, V (model, bias)."""
    path = state.parameters["path"]
    nominal = state.parameters["thermal"]["bias_nominal_a"]
    missing_ma = (nominal - state.bias_a) * 1e3
    if missing_ma <= 0:
        return path["crossover_v"] * nominal / state.bias_a, path["crossover_width_v"]
    width = path["crossover_width_v"] - (0.6 - 0.35) * missing_ma / 41
    return path["crossover_v"] + 0.053 * missing_ma, width


def input_gain(state: State, frequency_hz: Array) -> Array:
    """From e.m.f. to v: coupling high-pass, r.f. and closed-loop low-pass, gain."""
    path = state.parameters["path"]
    jf = 1j * np.asarray(frequency_hz, dtype=float)
    high = jf / (jf + path["input_corner_hz"])
    low = (1 + jf / path["rf_corner_hz"]) * (1 + jf / path["closed_loop_corner_hz"])
    return state.gain * high / low


def loop(state: State, frequency_hz: Array) -> Array:
    """What the loop leaves of an error."""
    path = state.parameters["path"]
    s = 1j * np.asarray(frequency_hz, dtype=float) / path["loop_corner_hz"]
    return (1 + s) / (1 + path["loop_gain"] + s)


def output_gain(state: State, frequency_hz: Array, load_ohm: float) -> Array:
    """Divider of output resistance, coil and load; times the servo's high-pass."""
    output, servo = state.parameters["output"], state.parameters["servo"]
    w = 2 * math.pi * np.asarray(frequency_hz, dtype=float)
    divider = np.ones(w.shape, dtype=complex)
    if math.isfinite(load_ohm):
        coil = 1j * w * output["inductance_h"]
        coil = coil * output["inductor_damping_ohm"] / (coil + output["inductor_damping_ohm"])
        divider = load_ohm / (load_ohm + output["resistance_ohm"] + coil)
    leak = servo["tau_s"] / servo["leak_s"] if servo["leak_s"] else 0.0
    path = 1j * w * servo["tau_s"] * (1 + 1j * w * servo["filter_s"]) + leak
    return divider * path / (1 + path)


def error_v(state: State, v: Array) -> Array:
    """Memoryless part of the open-loop error."""
    path = state.parameters["path"]
    depth, width = crossover(state)
    return (
        (path["square_per_v"] + path["trim_per_v"]) * v**2
        + path["cubic_per_v2"] * v**3
        - depth * np.tanh(v / width)
    )


def periodic_output(state: State, base_hz: float, amplitudes: Mapping[int, complex]) -> Array:
    """Complex peak amplitudes of y0 = v + F e at multiples 0.. of base_hz, ahead of the output.

    amplitudes are those of v at multiples of base_hz, for a Fourier integral over one period.
    """
    phase = 2 * np.pi * np.arange(PHASES) / PHASES
    v = sum((a * np.exp(1j * k * phase)).real for k, a in amplitudes.items())
    frequency = base_hz * np.arange(PHASES // 2 + 1)
    scale = 2.0 / PHASES
    lag = state.parameters["path"]["lagging_per_v"] / (
        1 + 1j * frequency / state.parameters["path"]["lagging_corner_hz"]
    )
    error = np.fft.rfft(error_v(state, v)) + lag * np.fft.rfft(v * v)
    total = (np.fft.rfft(v) + loop(state, frequency) * error) * scale
    total[0] *= 0.5
    return total


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneTruth:
    """A sine at the output: complex peak amplitude of each multiple, 1 the fundamental."""

    frequency_hz: float
    amplitude: Array
    emf_vrms: float

    @property
    def level_vrms(self) -> float:
        return float(abs(self.amplitude[1])) / math.sqrt(2)

    @property
    def gain_db(self) -> float:
        return 20 * math.log10(self.level_vrms / self.emf_vrms)

    def harmonic(self, k: int) -> float:
        return float(abs(self.amplitude[k]) / abs(self.amplitude[1]))

    def thd(self) -> float:
        return math.sqrt(sum(self.harmonic(k) ** 2 for k in range(2, TOP_HARMONIC + 1)))

    def waveform(self) -> Array:
        """One period of the output without its mean, V."""
        spectrum = self.amplitude.copy()
        spectrum[0] = 0
        return np.fft.irfft(spectrum, n=PHASES) * PHASES / 2


def crest_factor(tone: ToneTruth, hum: Array, noise_vrms: float, samples: int) -> float:
    """Largest excursion of so many samples of tone, hum and Gaussian noise (its median), over the r.m.s.

    hum is one period, V. The largest of independent samples x_i + h_j + n stays below m with
    probability prod F((m - x_i - h_j)/s); tone and mains keep no phase, so every i meets every j.
    """
    wave = tone.waveform()
    rms = math.sqrt(float(np.mean(wave**2) + np.mean(hum**2)) + noise_vrms**2)
    tops = []
    for sign in (1, -1):
        x, h = sign * wave, sign * hum
        # nothing farther below the crest than hum and noise reach can be the largest
        near = x[x > x.max() - np.ptp(h) - 12 * noise_vrms]
        tops.append((near[:, None] + h).ravel())
    both = np.concatenate(tops)

    def surplus(m: float) -> float:
        below = norm.logcdf((m - both) / noise_vrms)
        return float(np.sum(below)) * samples / (wave.size * hum.size) - math.log(0.5)

    largest = float(both.max())
    m = brentq(surplus, largest - np.ptp(hum) - noise_vrms, largest + 9 * noise_vrms)
    return m / rms


def tone(
    state: State, frequency_hz: float, emf_vrms: float, load_ohm: float | None = None
) -> ToneTruth:
    """The output for a sine of this e.m.f., below limiting."""
    peak = complex(input_gain(state, np.array([frequency_hz]))[0]) * emf_vrms * math.sqrt(2)
    amplitude = periodic_output(state, frequency_hz, {1: peak})
    frequency = frequency_hz * np.arange(amplitude.size)
    load = state.load_ohm if load_ohm is None else load_ohm
    return ToneTruth(
        frequency_hz=frequency_hz,
        amplitude=amplitude * output_gain(state, frequency, load),
        emf_vrms=emf_vrms,
    )


def difference_products(state: State, emf_each_vrms: float) -> dict[str, float]:
    """19 + 20 kHz of equal e.m.f.: products over the sum of both tones (IEC 60268-3), and levels."""
    peaks = input_gain(state, np.array([19e3, 20e3])) * emf_each_vrms * math.sqrt(2)
    total = periodic_output(state, 1000.0, {19: peaks[0], 20: peaks[1]})
    u = np.abs(total * output_gain(state, 1000.0 * np.arange(total.size), state.load_ohm))
    both = u[19] + u[20]
    return {
        "imd_difference_2": float(u[1] / both),
        "imd_difference_3": float((u[18] + u[21]) / both),
        "level_1": float(u[19]) / math.sqrt(2),
        "level_2": float(u[20]) / math.sqrt(2),
    }


def relative_db(state: State, frequency_hz: float, emf_vrms: float) -> float:
    """Gain of the fundamental re 1 kHz, dB."""
    return tone(state, frequency_hz, emf_vrms).gain_db - tone(state, 1000.0, emf_vrms).gain_db


def edge_hz(state: State, emf_vrms: float, low_hz: float, high_hz: float) -> float:
    """Where the gain has fallen by 3 dB re 1 kHz, between two frequencies."""
    return brentq(lambda f: relative_db(state, f, emf_vrms) + 3.0, low_hz, high_hz, rtol=1e-7)


def flatness_db(state: State, emf_vrms: float) -> float:
    """Largest deviation from the gain at 1 kHz from 20 Hz to 20 kHz."""
    edges = [abs(relative_db(state, f, emf_vrms)) for f in np.geomspace(20, 20e3, 61)]
    return max(edges)


# --- rails ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Rail:
    """One rail over half a mains cycle (index 0: zero crossing), magnitude, V."""

    voltage: Array
    charging_a: Array


def rail(
    supply: Parameters, capacitance_f: float, peak_v: float, mains_hz: float, load_a: float
) -> Rail:
    """Periodic steady state of C dV/dt = max(V0 |sin| - V, 0)/R - I, between its kinks in closed form.

    Conducting from t1 to t2: V = V0 cos(p) sin(w t - p) - R I + K exp(-t/RC), tan p = w R C; then a
    straight line back to t1 of the next half-cycle.
    """
    r, c = supply["source_ohm"], capacitance_f
    w, half_s = 2 * math.pi * mains_hz, 0.5 / mains_hz
    phi = math.atan(w * r * c)

    def steady(t: Array | float) -> Array | float:
        return peak_v * math.cos(phi) * np.sin(w * np.asarray(t) - phi) - r * load_a

    def conducting(t1: float) -> tuple[float, float]:
        k = (peak_v * math.sin(w * t1) - float(steady(t1))) * math.exp(t1 / (r * c))

        def over(t: float) -> float:
            return float(steady(t)) + k * math.exp(-t / (r * c)) - peak_v * math.sin(w * t)

        begin = t1 + 1e-9
        grid = np.linspace(begin, half_s, 400)
        values = [over(t) for t in grid]
        last = next(i for i, value in enumerate(values) if i > 0 and value > 0)
        return float(brentq(over, grid[last - 1], grid[last])), k

    def closure(t1: float) -> float:
        t2, _ = conducting(t1)
        end = peak_v * math.sin(w * t2) - load_a * (half_s - t2 + t1) / c
        return end - peak_v * math.sin(w * t1)

    t1 = brentq(closure, 0.25 * half_s, 0.4999 * half_s)
    t2, k = conducting(t1)
    t = (np.arange(PHASES) + 0.5) / PHASES * half_s
    on = (t >= t1) & (t < t2)
    since = np.where(t >= t2, t - t2, t + half_s - t2)
    voltage = np.where(
        on, steady(t) + k * np.exp(-t / (r * c)), peak_v * math.sin(w * t2) - load_a * since / c
    )
    charging = np.maximum(peak_v * np.sin(w * t) - voltage, 0.0) / r
    return Rail(voltage=voltage, charging_a=np.where(on, charging, 0.0))


def rails(state: State, mains_hz: float, load_a: float) -> tuple[Rail, Rail]:
    """Both rails with this mean load current beside the bias."""
    supply = state.parameters["supply"]
    peak_v = supply["peak_v"] * state.bench["mains_vrms"] / 230
    return tuple(
        rail(supply, supply[f"capacitance_{side}_f"], peak_v, mains_hz, load_a + state.bias_a)
        for side in ("positive", "negative")
    )  # type: ignore[return-value] # two of them


def hum_amplitudes(state: State, mains_hz: float, load_a: float = 0.0) -> dict[int, complex]:
    """Complex peak amplitude of each multiple of the mains at the output: field, ground loop, ripple.

    Field and ripple stand in quadrature (the model adds them as powers), field and loop too.
    """
    supply = state.parameters["supply"]
    both = rails(state, mains_hz, load_a)
    mean = 0.5 * (both[0].voltage + both[1].voltage)
    spectrum = np.fft.rfft(mean) * 2 / PHASES
    lines: dict[int, complex] = {}
    for k in range(1, 21):
        hz = 2 * k * mains_hz
        coupling = 10 ** (supply["coupling_db"] / 20) * max(1.0, hz / supply["coupling_corner_hz"])
        lines[2 * k] = complex(spectrum[k]) * coupling
    for source, turned in (("field_vrms", 0.0), ("ground_loop_vrms", 0.25)):
        for order, level in supply[source]:
            phase = supply["hum_phase_cycles"][order - 1] + turned
            ripple = lines.get(order, 0j) if order % 2 == 0 else 0j
            turn = 1j * ripple / abs(ripple) if ripple else np.exp(2j * np.pi * phase)
            lines[order] = lines.get(order, 0j) + complex(math.sqrt(2) * level * turn)
    return dict(sorted(lines.items()))


def hum_vrms(state: State, mains_hz: float, load_a: float = 0.0) -> dict[int, float]:
    """R.m.s. of each multiple of the mains at the output."""
    lines = hum_amplitudes(state, mains_hz, load_a)
    return {order: abs(line) / math.sqrt(2) for order, line in lines.items()}


def hum_waveform(state: State, mains_hz: float, load_a: float = 0.0) -> Array:
    """One mains cycle of the hum at the output, V."""
    theta = 2 * np.pi * np.arange(PHASES // 4) / (PHASES // 4)
    lines = hum_amplitudes(state, mains_hz, load_a)
    return sum((line * np.exp(1j * order * theta)).real for order, line in lines.items())


# --- noise ------------------------------------------------------------------------------------


def a_weight(f: Array) -> Array:
    """IEC 61672-1, clause 5.4.6: amplitude of the A-weighting, 1 at 1 kHz (2.0 dB)."""
    f2 = np.asarray(f, dtype=float) ** 2
    ra = 12194.217**2 * f2**2
    ra /= (f2 + 20.598997**2) * (f2 + 12194.217**2)
    ra /= np.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2))
    return ra * 10 ** (2.0 / 20)


def itu_weight(f: Array) -> Array:
    """ITU-R BS.468-4: amplitude of its network, 1 at 1 kHz (the usual rational fit, from memory)."""
    return _itu(np.asarray(f, dtype=float)) / float(_itu(np.array(1000.0)))


def _itu(f: Array) -> Array:
    h1 = -4.737338981378384e-24 * f**6 + 2.043828333606125e-15 * f**4
    h1 += -1.363894795463638e-7 * f**2 + 1
    h2 = 1.306612257412824e-19 * f**5 - 2.118150887518656e-11 * f**3 + 5.559488023498642e-4 * f
    return f / np.hypot(h1, h2)


def noise_density(state: State, f: Array) -> Array:
    """One-sided density at the output, V^2/Hz: white, 1/f below 60 Hz, the offset's wander to 10 Hz."""
    noise = state.parameters["noise"]
    white = noise["white_v_per_rthz"] ** 2
    corner = state.parameters["path"]["closed_loop_corner_hz"]
    wander = noise["drift_vrms"] ** 2 / math.log(100) / (f * (1 + (f / 10) ** 4))
    return white * (1 + noise["corner_hz"] / f) / (1 + (f / corner) ** 2) + wander


def noise_vrms(
    state: State,
    hum: Mapping[int, float],
    mains_hz: float,
    band_hz: tuple[float, float],
    weight: Callable[[Array], Array] | None = None,
) -> float:
    """R.m.s. in a band of noise and hum lines, by an integral over log frequency."""
    f = np.geomspace(*band_hz, 20001)
    w2 = np.ones_like(f) if weight is None else weight(f) ** 2
    power = float(np.trapezoid(noise_density(state, f) * w2 * f, np.log(f)))
    for order, level in hum.items():
        hz = order * mains_hz
        if band_hz[0] <= hz <= band_hz[1]:
            gain = 1.0 if weight is None else float(weight(np.array([hz]))[0])
            power += (level * gain) ** 2
    return math.sqrt(power)


# --- servo, spur, limits ----------------------------------------------------------------------


def final_offset_v(state: State) -> float:
    """Where tau tau2 x'' + tau x' + (1 + tau/leak) x = tau/leak raw + residual comes to rest."""
    servo = state.parameters["servo"]
    raw = servo["raw_v"] + servo["raw_per_k"] * state.rise_k
    if not servo["is_alive"]:
        return raw
    leak = servo["tau_s"] / servo["leak_s"] if servo["leak_s"] else 0.0
    return (leak * raw + servo["residual_v"]) / (1 + leak)


def servo_time_constant_s(state: State) -> float:
    """The slower root of tau tau2 s^2 + tau s + 1 + tau/leak, as a time constant (overdamped)."""
    servo = state.parameters["servo"]
    leak = servo["tau_s"] / servo["leak_s"] if servo["leak_s"] else 0.0
    b, a, c = servo["tau_s"], servo["tau_s"] * servo["filter_s"], 1 + leak
    return 2 * a / (b - math.sqrt(b * b - 4 * a * c))


def settling_time_s(state: State, within_v: float) -> float:
    """tau ln(a / (band - c)) from the relay, a the offset it shows above the final value c."""
    start = state.parameters["servo"]["offset_at_relay_v"]
    return servo_time_constant_s(state) * math.log(start / (within_v - final_offset_v(state)))


def spur_level_vrms(state: State, watts: float) -> float:
    """Level of the standby supply's line: 1 dB more at 10 W, growing with the output voltage to 40 W."""
    louder_db = math.sqrt(min(watts, 40.0) / 10)
    return state.parameters["spur"]["level_vrms"] * 10 ** (louder_db / 20)


def spur_hz(state: State, switched: Sequence[tuple[float, bool]], now_s: float) -> float:
    """f0 (1 - 0.02 warmth), warmth following the mains switch with 600 s; cold at time 0."""
    spur = state.parameters["spur"]
    warmth, before_s, is_on = 0.0, 0.0, False
    for time_s, turns_on in [*switched, (now_s, False)]:
        if time_s > now_s:
            continue
        decay = math.exp(-(time_s - before_s) / spur["warm_up_s"])
        warmth = float(is_on) + (warmth - float(is_on)) * decay
        before_s, is_on = time_s, turns_on
    return spur["frequency_hz"] * (1 + spur["warm_up_shift"] * warmth)


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitedTone:
    """A sine that rippling rails limit: level of the fundamental, THD, sidebands at +-2 mains."""

    level_vrms: float
    thd: float
    sidebands: float


def limited_tone(
    state: State, mains_hz: float, frequency_hz: float, emf_vrms: float
) -> LimitedTone:
    """A sine that the rippling rails may limit.

    The rails' mean load current sets their ripple over the mains phase; over the tone's period the
    capacitors sag by the signal's own current. A rail at V lets (V - 2.2 V)/(1 + 0.22 ohm/(R + Ro)) pass
    with a soft corner of 0.1 V. Harmonics are averages over all mains phases (the rest is sidebands).
    """
    peak = complex(input_gain(state, np.array([frequency_hz]))[0]) * emf_vrms * math.sqrt(2)
    spectrum = periodic_output(state, frequency_hz, {1: peak})
    points = 2048
    kept = spectrum[: points // 2 + 1] * points / 2
    kept[0] *= 2
    y0 = np.fft.irfft(kept, n=points)
    output, supply = state.parameters["output"], state.parameters["supply"]
    total_ohm = state.load_ohm + output["resistance_ohm"]
    give = 1 + output["saturation_ohm"] / total_ohm
    y = y0[None, :]
    for _ in range(4):
        current = y.mean(axis=0) / total_ohm
        ceilings = []
        halves = (np.maximum(current, 0), np.maximum(-current, 0))
        for side, load in zip(("positive", "negative"), halves, strict=True):
            mean_a = float(load.mean())
            c, esr = supply[f"capacitance_{side}_f"], supply["series_ohm"]
            peak_v = supply["peak_v"] * state.bench["mains_vrms"] / 230
            slow = rail(supply, c, peak_v, mains_hz, mean_a + state.bias_a)
            slow_v = slow.voltage + esr * (slow.charging_a - mean_a - state.bias_a)
            sag = -np.cumsum(load - mean_a) / points / frequency_hz / c
            fast_v = sag - sag.mean() - esr * (load - mean_a)
            v = slow_v[:: PHASES // 64][:, None] + fast_v[None, :]
            ceilings.append((v - output["saturation_v"]) / give)
        corner = output["soft_corner_v"]
        y = ceilings[0] - corner * np.logaddexp(0, (ceilings[0] - y0[None, :]) / corner)
        y = corner * np.logaddexp(0, (y + ceilings[1]) / corner) - ceilings[1]
    phases = y.shape[0]
    both = np.fft.fft(np.fft.rfft(y, axis=1), axis=0) * 2 / points / phases
    lines = both[0, : TOP_HARMONIC + 1]
    lines = np.abs(lines * output_gain(state, frequency_hz * np.arange(lines.size), state.load_ohm))
    beside = np.abs(both[[1, -1], 1] / both[0, 1]) if phases > 1 else np.zeros(2)
    return LimitedTone(
        level_vrms=float(lines[1]) / math.sqrt(2),
        thd=math.sqrt(float(np.sum(lines[2:] ** 2))) / float(lines[1]),
        sidebands=float(np.hypot(*beside)),
    )


def power_at_distortion_w(
    state: State, mains_hz: float, until: float, frequency_hz: float = 1000.0
) -> float:
    """Power of the fundamental where THD reaches a value, W into the true load."""

    def over(db: float) -> float:
        return math.log(limited_tone(state, mains_hz, frequency_hz, 10 ** (db / 20)).thd / until)

    at_db = brentq(over, 0.5, 3.5, xtol=2e-3)
    level = limited_tone(state, mains_hz, frequency_hz, 10 ** (at_db / 20)).level_vrms
    return level**2 / state.load_ohm
