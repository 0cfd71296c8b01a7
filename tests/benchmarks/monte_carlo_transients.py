"""Monte-Carlo tables of the transient and wideband analyses, printed as Markdown.

    PYTHONPATH=. python tests/benchmarks/monte_carlo_transients.py [--scale 1.0] [--only NAME ...]

NAME is one of wideband, false_spurs, settling, ringing, mixed, ring_down, imd, sweep. --scale
multiplies the numbers of trials; 1.0 takes some minutes (false_spurs alone is 1,000 captures of 2^20
samples).
Bounds are Cramer-Rao bounds from the Fisher matrix of the full-rate record in white noise. Not a
test: nothing is asserted here, the tables are read.
"""

import argparse
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from sequencer.analysis.estimates import Estimate
from sequencer.analysis.exponential_sweep import ExponentialSweep, analyse_exponential_sweep
from sequencer.analysis.imd import analyse_imd_difference, analyse_imd_smpte
from sequencer.analysis.ring_down import analyse_ring_down
from sequencer.analysis.settling import analyse_settling
from sequencer.analysis.wideband import analyse_wideband
from tests.benchmarks.monte_carlo_tone import coloured

Array = NDArray[np.float64]
LN_1000 = float(np.log(1000.0))


def show(title: str, header: list[str], rows: list[list[str]]) -> None:
    """Print one table."""
    print(f"\n{title}\n")
    print("| " + " | ".join(header) + " |")
    print("|" + "---|" * len(header))
    for row in rows:
        print("| " + " | ".join(row) + " |", flush=True)


def rms(values: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def bound(jacobian: Array, noise: float) -> Array:
    """Standard deviations no unbiased estimator can beat, for the columns' parameters."""
    scale = np.sqrt(np.sum(jacobian**2, axis=0))
    unit = jacobian / scale
    return np.asarray(noise * np.sqrt(np.diag(np.linalg.inv(unit.T @ unit))) / scale)


class Cover:
    """Counts how often a stated 95 % interval or bound holds the truth."""

    def __init__(self) -> None:
        self.held = 0
        self.asked = 0

    def add(self, estimate: Estimate, truth: float) -> None:
        self.asked += 1
        if estimate.value is None:
            self.held += estimate.upper_bound is not None and estimate.upper_bound >= truth
        else:
            self.held += abs(estimate.value - truth) < 1.95996 * estimate.standard_uncertainty

    def __str__(self) -> str:
        return f"{100 * self.held / max(self.asked, 1):.1f} %"


# --- wideband ---------------------------------------------------------------------------------

WIDE_HZ = 1.25e6
WIDE_COUNT = 2**20
DENSITY = 0.5e-6


def wide_noise(rng: np.random.Generator) -> Array:
    return np.asarray(DENSITY * np.sqrt(WIDE_HZ / 2) * rng.standard_normal(WIDE_COUNT))


def jittering_spur(rng: np.random.Generator, level_vrms: float, jitter_hz: float) -> Array:
    """104 kHz with Gaussian frequency jitter, low-passed at 150 Hz (third order)."""
    slow = sosfilt(butter(3, 150, fs=5000, output="sos"), rng.standard_normal(6200))[2000:]
    time = np.arange(WIDE_COUNT) / WIDE_HZ
    wander = jitter_hz * np.interp(time, np.arange(slow.size) / 5000, slow / np.std(slow))
    phase = 2 * np.pi * np.cumsum(104e3 + wander) / WIDE_HZ + rng.uniform(0, 2 * np.pi)
    return np.asarray(level_vrms * np.sqrt(2) * np.cos(phase))


def wideband(scale: float) -> None:
    rng = np.random.default_rng(1)
    rows = []
    for level in (2e-3, 150e-6):
        for jitter in (0.0, 50.0, 300.0, 1000.0, 3000.0):
            off, cover, extra = [], Cover(), 0
            for _ in range(max(int(40 * scale), 4)):
                record = wide_noise(rng) + jittering_spur(rng, level, jitter)
                spurs = analyse_wideband(record, WIDE_HZ).spurs
                extra += len(spurs) - 1
                found = spurs[0].level_vrms
                cover.add(found, level)
                off.append(20 * np.log10((found.value or 1e-12) / level))
            rows.append(
                [
                    f"{level * 1e3:g} mV",
                    f"{jitter:g} Hz",
                    f"{np.mean(off):+.4f}",
                    f"{np.std(off):.4f}",
                    f"{np.max(np.abs(off)):.4f}",
                    str(cover),
                    str(extra),
                ]
            )
    show(
        "Integrated level of a spur at 104 kHz over 0.5 uV/rtHz (2^20 samples, 1.25 MS/s), dB",
        ["level", "jitter rms", "mean", "sd", "worst", "95 % cover", "spurs too many"],
        rows,
    )


def false_spurs(scale: float) -> None:
    rng = np.random.default_rng(2)
    time = np.arange(WIDE_COUNT) / WIDE_HZ
    hum = np.zeros(WIDE_COUNT)
    for k, level in ((1, 1.2e-3), (2, 3e-4), (3, 4e-4), (5, 1.5e-4), (7, 8e-5)):
        hum += level * np.sqrt(2) * np.cos(2 * np.pi * 50.07 * k * time + k)
    frequency = np.maximum(np.fft.rfftfreq(WIDE_COUNT, 1 / WIDE_HZ), 1.0)
    shapes: dict[str, Array | None] = {
        "white": None,
        "1/f corner 60 Hz, hum": np.sqrt(1 + 60 / frequency),
        "1/f corner 50 kHz, hum": np.sqrt(1 + 5e4 / frequency),
        "95 kHz amplifier over converter noise": np.sqrt(0.05 + 1 / (1 + (frequency / 95e3) ** 2)),
        "anti-alias filter 562 kHz": 1 / np.sqrt(1 + (frequency / 562e3) ** 16),
    }
    rows = []
    for name, shape in shapes.items():
        captures = max(int(200 * scale), 5)
        spurs = 0
        for _ in range(captures):
            record = wide_noise(rng)
            if shape is not None:
                record = np.fft.irfft(np.fft.rfft(record) * shape, WIDE_COUNT)
            if "hum" in name:
                record = record + hum
            spurs += len(analyse_wideband(record, WIDE_HZ).spurs)
        rows.append([name, str(captures), str(spurs)])
    show("False spurs in captures of noise", ["noise", "captures", "spurs"], rows)


# --- settling ---------------------------------------------------------------------------------


def settling(scale: float) -> None:
    """300 mV, tau 1.2 s, noise of 1 mV at 100 points/s, hum 10 mV at 49.93 Hz."""
    rng = np.random.default_rng(3)
    columns = [
        "record",
        "tau RMSE",
        "bound",
        "ratio",
        "time RMSE",
        "cover tau",
        "time",
        "final value",
    ]
    for corner, title in (
        (
            lambda: 0.0,
            "Servo: 300 mV, tau 1.2 s, 1 mV at 100 points/s, hum 10 mV; settled within 10 mV",
        ),
        (lambda: 1.5, "The same with 1/f noise, corner 1.5 Hz (bound: of its white part)"),
        (
            lambda: 0.0 if rng.uniform() < 0.5 else 10.0 ** rng.uniform(-1.0, 1.0),
            "The same, noise unknown beforehand: half white, half with a corner of 0.1 to 10 Hz",
        ),
    ):
        rows = [settling_row(rng, constants, scale, corner) for constants in (2.0, 3.0, 5.0)]
        show(title, columns, rows)


def settling_row(
    rng: np.random.Generator, constants: float, scale: float, corner_hz: Callable[[], float]
) -> list[str]:
    """Records of so many time constants, each in noise with a 1/f corner of its own."""
    rate, start, tau, within = 1000.0, 0.3, 1.2, 10e-3
    noise = 1e-3 * np.sqrt(rate / 100)
    truth = tau * np.log(start / within)
    time = np.arange(int(constants * tau * rate)) / rate
    wave = np.exp(-time / tau)
    jacobian = np.column_stack([np.ones_like(wave), wave, start * wave * time / tau**2])
    limit = bound(jacobian, noise)[2]
    off, at, covers = [], [], (Cover(), Cover(), Cover())
    for _ in range(max(int(600 * scale), 20)):
        volts = start * wave + coloured(
            rng, time.size, noise / np.sqrt(rate / 2), corner_hz(), rate_hz=rate
        )
        volts += 10e-3 * np.cos(2 * np.pi * 49.93 * time + rng.uniform(0, 2 * np.pi))
        found = analyse_settling(volts, rate, within_v=within, event_s=0.0)
        if found.time_constant_s is None or found.time_constant_s.value is None:
            continue
        off.append(found.time_constant_s.value - tau)
        covers[0].add(found.time_constant_s, tau)
        covers[2].add(found.final_value_v, 0.0)
        if found.settling_time_s.value is not None:
            at.append(found.settling_time_s.value - truth)
            covers[1].add(found.settling_time_s, truth)
    return [
        f"{constants:g} tau",
        f"{100 * rms(off) / tau:.3f} %",
        f"{100 * limit / tau:.3f} %",
        f"{rms(off) / limit:.2f}",
        f"{rms(at):.4f} s",
        *(str(c) for c in covers),
    ]


def ringing(scale: float) -> None:
    rate, start = 1000.0, 0.12
    noise = 1e-3 * np.sqrt(rate / 100)
    rng = np.random.default_rng(4)
    rows = []
    for frequency, tau, length in ((0.0796, 6.0, 20.0), (0.05, 16.0, 40.0), (0.13, 3.0, 15.0)):
        time = np.arange(int(length * rate)) / rate
        wave = start * np.exp((-1 / tau + 2j * np.pi * frequency) * time)
        columns = [np.ones_like(time), wave.real, wave.imag, time * wave.real, time * wave.imag]
        limits = bound(np.column_stack(columns), noise)
        off, off_hz, cover, cover_hz = [], [], Cover(), Cover()
        for _ in range(max(int(200 * scale), 10)):
            volts = wave.real + noise * rng.standard_normal(time.size)
            found = analyse_settling(volts, rate, within_v=10e-3, event_s=0.0)
            decay, turn = found.ring_time_constant_s, found.ring_frequency_hz
            if decay is None or turn is None or decay.value is None or turn.value is None:
                continue
            off.append(decay.value - tau)
            off_hz.append(turn.value - frequency)
            cover.add(decay, tau)
            cover_hz.add(turn, frequency)
        rows.append(
            [
                f"{frequency:g} Hz, {tau:g} s",
                f"{100 * rms(off) / tau:.3f} %",
                f"{rms(off) / (limits[3] * tau**2):.2f}",
                f"{rms(off_hz) / (limits[4] / (2 * np.pi)):.2f}",
                str(cover),
                str(cover_hz),
            ]
        )
    show(
        "Ringing servo, 120 mV, 1 mV at 100 points/s",
        ["ring", "tau RMSE", "over bound", "frequency over bound", "cover tau", "frequency"],
        rows,
    )


def mixed(scale: float) -> None:
    """A ring on a decay, 10 to 100 mV on 50 to 300 mV, noise of 0.3 to 5 mV a sample at 8 kHz."""
    rate, before, end, within = 8000.0, 0.5, 1e-3, 10e-3
    rng = np.random.default_rng(8)
    rows = []
    for hum in (0.0, 5e-3, 20e-3):
        covers = {name: Cover() for name in ("time", "final", "frequency", "ring tau")}
        for _ in range(max(int(200 * scale), 10)):
            tau = np.exp(rng.uniform(np.log(0.3), np.log(3.0)))
            start = rng.choice([-1.0, 1.0]) * rng.uniform(0.05, 0.3)
            ring_hz = np.exp(rng.uniform(np.log(0.8 / tau), np.log(8.0)))
            ring_tau = tau * np.exp(rng.uniform(np.log(0.2), np.log(1.2)))
            ring, phase = rng.uniform(0.01, 0.1), rng.uniform(0, 2 * np.pi)

            def course(
                time: Array,
                tau: float = tau,
                start: float = start,
                ring_hz: float = ring_hz,
                ring_tau: float = ring_tau,
                ring: float = ring,
                phase: float = phase,
            ) -> Array:
                wave = np.exp(-time / ring_tau) * np.cos(2 * np.pi * ring_hz * time + phase)
                return np.asarray(end + start * np.exp(-time / tau) + ring * wave)

            time = np.arange(int((before + tau * rng.uniform(5, 9)) * rate)) / rate
            volts = np.where(time >= before, course(np.maximum(time - before, 0.0)), 0.0)
            noise = np.exp(rng.uniform(np.log(3e-4), np.log(5e-3)))
            volts += noise * rng.standard_normal(time.size)
            turn = 2 * np.pi * rng.uniform(49.85, 50.15)
            volts += hum * np.cos(turn * time + rng.uniform(0, 2 * np.pi))
            found = analyse_settling(volts, rate, within_v=within, event_s=before)
            fine = np.linspace(0.0, 8.0 * max(tau, ring_tau), 400_001)
            outside = np.flatnonzero(np.abs(course(fine)) > within)
            covers["final"].add(found.final_value_v, end)
            if found.settling_time_s.value is not None:
                covers["time"].add(found.settling_time_s, float(fine[outside[-1]]))
            if found.ring_frequency_hz is not None:
                covers["frequency"].add(found.ring_frequency_hz, ring_hz)
            if found.ring_time_constant_s is not None:
                covers["ring tau"].add(found.ring_time_constant_s, ring_tau)
        rows.append(
            [f"{hum * 1e3:g} mV", *map(str, covers.values()), str(covers["ring tau"].asked)]
        )
    show(
        "A ring on a decay: 95 % cover",
        ["hum", "settling time", "final value", "ring frequency", "ring tau", "rings found"],
        rows,
    )


def ring_down(scale: float) -> None:
    """One and three modes, noise 50 dB under the strongest peak; full-rate bound from the onset."""
    rate = 24000.0
    noise = 10 ** (-50 / 20)
    rng = np.random.default_rng(5)
    damped = [(734.6, 1.0, 0.30), (1168.2, 0.5, 0.22), (1613.7, 0.25, 0.15)]
    bare = [(742.0, 1.0, 10.0), (1180.0, 0.5, 7.0), (1630.0, 0.25, 4.0)]
    cases = [
        ("one, 0.3 s", damped[:1], 1.0),
        ("three, 0.30/0.22/0.15 s", damped, 1.0),
        ("one, 10 s", bare[:1], 2.0),
        ("three, 10/7/4 s", bare, 2.0),
    ]
    rows = []
    for name, modes, length in cases:
        time = np.arange(int(length * rate)) / rate
        columns = []
        for frequency, peak, decay in modes:
            wave = peak * np.exp((-LN_1000 / decay + 2j * np.pi * frequency) * time)
            columns += [wave.real, wave.imag, time * wave.real, time * wave.imag]
        limits = bound(np.column_stack(columns), noise)
        off: list[list[float]] = [[] for _ in modes]
        cover, missed = Cover(), 0
        for _ in range(max(int(150 * scale), 6)):
            volts = noise * rng.standard_normal(time.size)
            for frequency, peak, decay in modes:
                wave = np.exp((-LN_1000 / decay + 2j * np.pi * frequency) * time)
                volts += peak * np.real(wave * np.exp(1j * rng.uniform(0, 2 * np.pi)))
            found = analyse_ring_down(volts, rate).modes
            missed += abs(len(found) - len(modes))
            for mode, (_, _, decay), errors in zip(found, modes, off, strict=False):
                if mode.decay_time_s.value is not None:
                    cover.add(mode.decay_time_s, decay)
                    errors.append(mode.decay_time_s.value / decay - 1)
        tau = [decay / LN_1000 for _, _, decay in modes]
        ratios = [rms(e) / (limits[4 * k + 2] * tau[k]) for k, e in enumerate(off)]
        rows.append(
            [
                name,
                " / ".join(f"{100 * rms(e):.4f}" for e in off),
                " / ".join(f"{r:.2f}" for r in ratios),
                str(cover),
                str(missed),
            ]
        )
    show(
        "Ring-down, noise at -50 dB: decay time",
        ["modes", "RMSE, %", "over bound", "95 % cover", "modes missed or too many"],
        rows,
    )


# --- intermodulation and sweep ------------------------------------------------------------------


def imd(scale: float) -> None:
    rate, count = 96000.0, 2**18
    rng = np.random.default_rng(6)
    time = np.arange(count) / rate
    rows = []
    for level_db in (-60, -80, -90, -100, -110, -120, -130):
        fraction = 10 ** (level_db / 20)
        for kind in ("modulation", "difference"):
            off, cover, bounds = [], Cover(), 0
            for _ in range(max(int(60 * scale), 6)):
                phase = rng.uniform(0, 2 * np.pi, 2)
                if kind == "modulation":
                    x = 0.8 * np.cos(2 * np.pi * 60.0008 * time + phase[0])
                    x += 0.2 * np.cos(2 * np.pi * 7000.09 * time + phase[1])
                    y = x + fraction / 1.6 * x**2
                    y += 0.8e-5 / np.sqrt(2) * rng.standard_normal(count)
                    found = analyse_imd_smpte(y, rate).imd_modulation_2
                else:
                    x = 0.5 * np.cos(2 * np.pi * 19000.25 * time + phase[0])
                    x += 0.5 * np.cos(2 * np.pi * 20000.26 * time + phase[1])
                    y = x + 4 * fraction * x**2
                    y += 0.5e-5 / np.sqrt(2) * rng.standard_normal(count)
                    found = analyse_imd_difference(y, rate).imd_difference_2
                cover.add(found, fraction)
                if found.value is None:
                    bounds += 1
                else:
                    off.append(20 * np.log10(found.value / fraction))
            mean = f"{np.mean(off):+.4f}" if off else "-"
            spread = f"{np.std(off):.4f}" if off else "-"
            rows.append([f"{level_db} dB", kind, mean, spread, str(bounds), str(cover)])
    show(
        "Second-order intermodulation, noise at -100 dB of the larger tone, 2^18 samples, dB",
        ["level", "kind", "mean", "sd", "given as bound", "95 % cover"],
        rows,
    )


def sweep(scale: float) -> None:
    rate = 96000.0
    rng = np.random.default_rng(7)
    rows = []
    for start, stop, length, fade in (
        (10.0, 40000.0, 10.0, 0.02),
        (10.0, 40000.0, 5.0, 0.02),
        (10.0, 40000.0, 2.0, 0.02),
        (10.0, 40000.0, 1.0, 0.02),
        (20.0, 20000.0, 5.0, 0.0),
    ):
        for noise_db in (-120, -90, -70):
            worst: list[float] = []
            second: list[float] = []
            third: list[float] = []
            played = ExponentialSweep(start_hz=start, stop_hz=stop, duration_s=length)
            for _ in range(max(int(3 * scale), 1)):
                drive, response = amplified(rng, played, rate, fade, 10 ** (noise_db / 20))
                found = analyse_exponential_sweep(drive, response, rate)
                worst.append(gain_error(found.response.frequency_hz, found.response.gain_db))
                for order, errors, made in ((2, second, 0.5e-3), (3, third, 0.125e-3)):
                    harmonic = found.harmonics[order]
                    f = harmonic.frequency_hz
                    truth = made * np.abs(transfer(order * f) / transfer(f)) / (1 + 0.375e-3)
                    inside = (f > 40) & (f < 5000)
                    db = 20 * np.log10(harmonic.ratio / truth)[inside]
                    errors.append(float(np.sqrt(np.nanmean(db**2))))
            rows.append(
                [
                    f"{start:g} Hz to {stop:g} Hz, {length:g} s",
                    f"{noise_db} dB",
                    f"{np.max(worst):.4f}",
                    f"{rms(second):.3f}",
                    f"{rms(third):.3f}",
                ]
            )
    show(
        "Exponential sweep: worst gain error 20 Hz to 20 kHz, RMS errors of H2 at -66 dB and H3 at "
        "-78 dB (40 Hz to 5 kHz), dB",
        ["sweep", "noise", "gain", "H2", "H3"],
        rows,
    )


def transfer(frequency_hz: Array) -> NDArray[np.complex128]:
    """First-order high-pass 1.6 Hz and low-pass 95 kHz."""
    return np.asarray(1 / (1 + 1.6 / (1j * frequency_hz)) / (1 + 1j * frequency_hz / 95e3))


def amplified(
    rng: np.random.Generator, played: ExponentialSweep, rate: float, fade: float, noise: float
) -> tuple[Array, Array]:
    """Drive and what a slightly bent amplifier makes of it."""
    drive = np.concatenate([np.zeros(9600), played.samples(rate, fade=fade), np.zeros(48000)])
    count = 2 * drive.size
    spectrum = np.fft.rfft(drive + 1e-3 * drive**2 + 0.5e-3 * drive**3, count)
    spectrum[1:] *= transfer(np.asarray(np.fft.rfftfreq(count, 1 / rate)[1:], dtype=np.float64))
    spectrum[0] = 0.0
    response = np.fft.irfft(spectrum, count)[: drive.size]
    response += noise / np.sqrt(2) * rng.standard_normal(drive.size)
    return drive + 1e-6 * rng.standard_normal(drive.size), response


def gain_error(frequency_hz: Array, gain_db: Array) -> float:
    inside = (frequency_hz >= 20) & (frequency_hz <= 20000)
    truth = 20 * np.log10(np.abs(transfer(frequency_hz)) * (1 + 0.375e-3))
    return float(np.max(np.abs(gain_db - truth)[inside]))


TABLES: dict[str, Callable[[float], None]] = {
    "wideband": wideband,
    "false_spurs": false_spurs,
    "settling": settling,
    "ringing": ringing,
    "mixed": mixed,
    "ring_down": ring_down,
    "imd": imd,
    "sweep": sweep,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scale", type=float, default=1.0, help="multiplies the trials")
    parser.add_argument("--only", nargs="*", choices=sorted(TABLES), default=sorted(TABLES))
    chosen = parser.parse_args()
    for name in chosen.only:
        TABLES[name](chosen.scale)


if __name__ == "__main__":
    main()
