"""What the analyses attain against their bounds: a Monte-Carlo table.

Run:  python tests/benchmarks/monte_carlo_tone.py [--runs N] [--only PART]

The bounds of a sine's parameters in white noise of standard deviation s (S. M. Kay, "Fundamentals of
Statistical Signal Processing: Estimation Theory", 1993; Andersson and Haendel 2003):
    var A >= 2 s^2/N,  var w >= 24 s^2/(A^2 N (N^2 - 1)),  var phase at mid-record >= 2 s^2/(A^2 N).
Scatter of the table itself: an RMSE from R runs has a relative standard deviation of 1/sqrt(2 R).
"""

import argparse
import math
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.dc import analyse_dc
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.idle import analyse_idle
from sequencer.analysis.tone import analyse_tone
from sequencer.analysis.weighting import a_weighting_power

RATE_HZ = 96000.0
Samples = NDArray[np.float64]


def covers(estimate: Estimate, truth: float) -> bool:
    """Whether the stated 95 % interval or bound holds the truth."""
    if estimate.value is None:
        assert estimate.upper_bound is not None
        return truth <= estimate.upper_bound
    return abs(estimate.value - truth) <= 1.959964 * estimate.standard_uncertainty


def value(estimate: Estimate) -> float:
    """The estimate's value, NaN where it is a bound."""
    return math.nan if estimate.value is None else estimate.value


def times(count: int) -> Samples:
    """Time from mid-record, s."""
    return (np.arange(count, dtype=np.float64) - (count - 1) / 2) / RATE_HZ


def rms_error(errors: Iterable[float]) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(list(errors)))))


def sine_rows(runs: int) -> Iterator[str]:
    """RMSE over bound of frequency, amplitude and phase; coverage of their intervals."""
    yield "samples  SNR dB  cycles   frequency  amplitude  phase   covered f / A / phase  (of runs)"
    cases: list[tuple[int, int, float | None]] = [
        (2**k, snr, None) for k in (12, 14, 16, 18, 20) for snr in (40, 80, 120)
    ]
    cases += [(2**k, snr, c) for k in (12, 16) for snr in (40, 80, 120) for c in (3.3, 5.2, 9.7)]
    for count, snr_db, cycles in cases:
        yield sine_row(count, snr_db, cycles, max(4 * runs // 5, runs * 2**13 // max(count, 2**13)))


def sine_row(count: int, snr_db: float, cycles: float | None, runs: int) -> str:
    """One row: runs records of a lone sine with an offset."""
    rng = np.random.default_rng([count, int(snr_db), int(10 * (cycles or 0))])
    sigma = 10 ** (-snr_db / 20) / math.sqrt(2)
    errors = np.empty((runs, 3))
    covered = np.zeros(3)
    for run in range(runs):
        hz = rng.uniform(800, 4000) if cycles is None else cycles * RATE_HZ / count
        phase = rng.uniform(-3, 3)
        wave = np.cos(2 * np.pi * hz * times(count) + phase) + 0.01
        result = analyse_tone(wave + sigma * rng.standard_normal(count), RATE_HZ)
        truths = (hz, math.sqrt(0.5), phase)
        estimates = (result.frequency_hz, result.level_vrms, result.phase_rad)
        errors[run] = [value(e) - t for e, t in zip(estimates, truths, strict=True)]
        covered += [covers(e, t) for e, t in zip(estimates, truths, strict=True)]
    bound = np.array(
        [
            math.sqrt(24 * sigma**2 / count / (count**2 - 1)) * RATE_HZ / (2 * np.pi),
            sigma / math.sqrt(count),
            math.sqrt(2 * sigma**2 / count),
        ]
    )
    ratio = np.sqrt(np.mean(errors**2, axis=0)) / bound
    shares = 100 * covered / runs
    return (
        f"2^{count.bit_length() - 1:<6} {snr_db:6g} {cycles or 'many':>7} "
        f"{ratio[0]:11.3f} {ratio[1]:10.3f} {ratio[2]:6.3f}"
        f"   {shares[0]:5.1f} {shares[1]:5.1f} {shares[2]:5.1f} %  ({runs})"
    )


def distorted(rng: np.random.Generator, count: int, thd: float, noise_db: float) -> Samples:
    """A tone near 1 kHz with nine harmonics that together make thd, hum, an offset and noise."""
    t, hz, mains_hz = times(count), 997 * rng.uniform(0.99, 1.01), rng.uniform(49.8, 50.2)
    wave = 0.9 * np.cos(2 * np.pi * hz * t + rng.uniform(-3, 3)) + 2e-3
    for order, share in harmonic_shares().items():
        wave += 0.9 * thd * share * np.cos(2 * np.pi * order * hz * t + rng.uniform(-3, 3))
    for multiple in (1, 2, 3, 5):
        level = 0.9 * 10 ** (-85 / 20) / multiple
        wave += level * np.cos(2 * np.pi * multiple * mains_hz * t + rng.uniform(-3, 3))
    sigma = 0.9 / math.sqrt(2) * 10 ** (noise_db / 20)
    return wave + sigma * rng.standard_normal(count)


def harmonic_shares() -> dict[int, float]:
    """Each harmonic's share of THD: H2 first, falling; squares add up to 1."""
    sizes = {order: 1 / (order - 1) for order in range(2, 11)}
    total = math.sqrt(sum(size**2 for size in sizes.values()))
    return {order: size / total for order, size in sizes.items()}


def thd_rows(runs: int) -> Iterator[str]:
    """Bias and scatter of THD, and coverage of THD and of all harmonics."""
    yield "samples  THD dB   bias dB   sd dB   sd/bound   read %   covered THD  harmonics  THD+N"
    for count in (2**16, 2**18):
        for thd_db in (-40, -60, -80, -100, -110, -120, -130, -140, -150):
            yield thd_row(count, thd_db, -100.0, max(runs, runs * 2**16 // count))


def thd_row(count: int, thd_db: float, noise_db: float, runs: int) -> str:
    """One row: runs records with this THD."""
    rng = np.random.default_rng([count, int(-thd_db)])
    thd, shares = 10 ** (thd_db / 20), harmonic_shares()
    noise = 10 ** (noise_db / 20)
    hum = sum(10 ** (-85 / 10) / h**2 for h in (1, 2, 3, 5))
    rest = thd**2 + hum + noise**2 * (20000 - 20) / (RATE_HZ / 2)
    truth_plus_noise = math.sqrt(rest / (1 + rest))
    errors_db, covered, harmonics, plus_noise = [], 0, 0, 0
    for _ in range(runs):
        result = analyse_tone(distorted(rng, count, thd, noise_db), RATE_HZ)
        errors_db.append(20 * math.log10(value(result.thd) / thd))
        covered += covers(result.thd, thd)
        harmonics += sum(covers(result.harmonics[k], thd * s) for k, s in shares.items())
        plus_noise += covers(result.thd_plus_noise, truth_plus_noise)
    read = [error for error in errors_db if not math.isnan(error)]
    bias, spread = (float(np.mean(read)), float(np.std(read))) if read else (math.nan, math.nan)
    bound_db = 20 / math.log(10) * noise / (thd * math.sqrt(count))
    return (
        f"2^{count.bit_length() - 1:<6} {thd_db:6g} {bias:9.4f} {spread:8.4f} "
        f"{spread / bound_db:9.2f} {100 * len(read) / runs:9.0f}"
        f" {100 * covered / runs:11.1f} {100 * harmonics / 9 / runs:10.1f}"
        f" {100 * plus_noise / runs:9.1f} %  ({runs})"
    )


def coloured(
    rng: np.random.Generator, count: int, white: float, corner_hz: float, rate_hz: float = RATE_HZ
) -> Samples:
    """Noise of density white V/sqrt(Hz) with a 1/f corner, from ten times the record's length."""
    whole = 10 * count if corner_hz else count
    hz = np.fft.rfftfreq(whole, 1 / rate_hz)
    hz[0] = np.inf
    spectrum = rng.standard_normal(hz.size) + 1j * rng.standard_normal(hz.size)
    spectrum[0] *= np.sqrt(2)  # its imaginary half counts for nothing
    spectrum *= white * np.sqrt((1 + corner_hz / hz) * rate_hz * whole / 4)
    first = int(rng.integers(0, whole - count + 1))
    return np.fft.irfft(spectrum, whole)[first : first + count]


HUM_V = {1: 300e-6, 2: 30e-6, 3: 15e-6, 4: 5e-6}


def idle_rows(runs: int) -> Iterator[str]:
    """Noise readings, mains frequency and hum lines of an idle record."""
    yield "seconds   quantity        mean error      sd       covered"
    for seconds in (1, 5):
        yield from idle_block(seconds, max(3 * runs // 10, runs // (2 * seconds)))


def idle_block(seconds: int, runs: int) -> Iterator[str]:
    """Rows of one record length: 0.5 uV/sqrt(Hz), corner 100 Hz, four hum lines."""
    rng = np.random.default_rng(seconds)
    count = round(seconds * RATE_HZ)
    white, corner = 0.5e-6, 100.0
    hz = np.linspace(20, 20000, 400001)
    density = white**2 * (1 + corner / hz)
    lines_v2 = sum(v**2 for v in HUM_V.values())
    plain = math.sqrt(float(np.trapezoid(density, hz)) + lines_v2)
    errors: dict[str, list[float]] = {}
    covered: dict[str, list[bool]] = {}

    def note(name: str, estimate: Estimate, truth: float, error: float) -> None:
        errors.setdefault(name, []).append(error)
        covered.setdefault(name, []).append(covers(estimate, truth))

    for _ in range(runs):
        mains_hz = rng.uniform(49.6, 50.4)
        wave = coloured(rng, count, white, corner) + 1e-3
        for h, v in HUM_V.items():
            wave += (
                math.sqrt(2)
                * v
                * np.cos(2 * np.pi * h * mains_hz * times(count) + rng.uniform(-3, 3))
            )
        result = analyse_idle(wave, RATE_HZ)
        weighted = float(np.trapezoid(density * a_weighting_power(hz), hz))
        weighted += sum(v**2 * float(a_weighting_power(h * mains_hz)) for h, v in HUM_V.items())
        for name, estimate, truth in (
            ("unweighted dB", result.noise_unweighted_vrms, plain),
            ("A-weighted dB", result.noise_a_weighted_vrms, math.sqrt(weighted)),
            *((f"{1e6 * v:g} uV line dB", result.hum_lines[h], v) for h, v in HUM_V.items()),
        ):
            note(name, estimate, truth, 20 * math.log10(value(estimate) / truth))
        mains = result.mains_frequency_hz
        note("mains mHz", mains, mains_hz, 1e3 * (value(mains) - mains_hz))
    for name, listed in errors.items():
        yield (
            f"{seconds:7}   {name:<16} {np.nanmean(listed):9.4f} {np.nanstd(listed):9.4f}"
            f"  {100 * np.mean(covered[name]):8.1f} %  ({runs})"
        )


def dc_rows(runs: int) -> Iterator[str]:
    """DC offset under hum: RMSE over that of the mean of the noise alone.

    Without a corner that is given, noise is as unknown as it is beforehand: half of the records have
    white noise, half a corner of 1 to 1000 cycles in the record.
    """
    yield "seconds   corner Hz   RMSE uV   noise alone uV   ratio   covered"
    for seconds in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0):
        for corner_hz in (100.0, None):
            yield dc_row(seconds, corner_hz, max(runs // 10, round(runs / (2 + 8 * seconds))))


def dc_row(seconds: float, corner_hz: float | None, runs: int) -> str:
    """The row of one record length and corner."""
    rng = np.random.default_rng(int(10 * seconds))
    count = round(seconds * RATE_HZ)
    errors, alone, covered = [], [], 0
    for _ in range(runs):
        corner = corner_hz
        if corner is None:
            corner = 10 ** rng.uniform(0, 3) / seconds if rng.uniform() < 0.5 else 0.0
        noise = coloured(rng, count, 0.5e-6, corner)
        mains_hz, t = rng.uniform(49.8, 50.2), times(count)
        wave = 2e-3 + noise
        for h, v in ((1, 20e-3), (2, 5e-3), (3, 5e-3)):
            wave += v * np.cos(2 * np.pi * h * mains_hz * t + rng.uniform(-3, 3))
        estimate = analyse_dc(wave, RATE_HZ).offset_v
        errors.append(value(estimate) - 2e-3)
        alone.append(float(noise.mean()))
        covered += covers(estimate, 2e-3)
    ratio = rms_error(errors) / rms_error(alone)
    return (
        f"{seconds:7} {corner_hz or 'unknown':>11} {1e6 * rms_error(errors):9.2f}"
        f" {1e6 * rms_error(alone):16.2f} {ratio:7.2f} {100 * covered / runs:9.1f} %  ({runs})"
    )


def beside_rows(runs: int) -> Iterator[str]:
    """A harmonic one to six bins beside a mains line: its error in stated doubts, and coverage."""
    yield "seconds  bins away   mean error/u   sd/u   covered"
    for seconds in (0.5, 1.0, 2.5):
        for nearest, farthest in ((1.0, 2.0), (2.0, 3.0), (3.0, 6.0)):
            yield beside_row(seconds, nearest, farthest, runs)


def beside_row(seconds: float, nearest: float, farthest: float, runs: int) -> str:
    """One row: H2 to H5 at -80 to -100 dB, twenty hum lines, noise at -91 dB a sample."""
    rng = np.random.default_rng([int(10 * seconds), int(nearest)])
    t = times(round(seconds * RATE_HZ))
    errors, covered, asked = [], 0, 0
    while asked < runs:
        mains_hz, order = rng.uniform(49.85, 50.15), int(rng.integers(2, 6))
        away_hz = rng.uniform(nearest, farthest) * rng.choice([-1, 1]) / seconds
        hz = (int(rng.integers(3, 20)) * mains_hz + away_hz) / order
        if hz < 60.0:
            continue
        shares = {k: 10 ** (-rng.uniform(80, 100) / 20) for k in range(2, 6)}
        wave = 0.5 * np.cos(2 * np.pi * hz * t + rng.uniform(-3, 3))
        for k, share in shares.items():
            wave += 0.5 * share * np.cos(2 * np.pi * k * hz * t + rng.uniform(-3, 3))
        hum_v = 10 ** rng.uniform(-5, -4)
        for h in range(1, 21):
            wave += hum_v / h * np.cos(2 * np.pi * h * mains_hz * t + rng.uniform(-3, 3))
        wave += 1e-5 * rng.standard_normal(t.size)
        found = analyse_tone(wave, RATE_HZ).harmonics[order]
        asked += 1
        covered += covers(found, shares[order])
        if found.value is not None:
            errors.append((found.value - shares[order]) / found.standard_uncertainty)
    return (
        f"{seconds:7} {nearest:5g} to {farthest:g} {np.mean(errors):14.2f} {np.std(errors):6.2f}"
        f" {100 * covered / runs:9.1f} %  ({runs})"
    )


PARTS = {
    "sine": sine_rows,
    "thd": thd_rows,
    "beside": beside_rows,
    "idle": idle_rows,
    "dc": dc_rows,
}


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000, help="runs of the quickest rows")
    parser.add_argument("--only", choices=PARTS, help="one table only")
    chosen = parser.parse_args()
    for name, rows in PARTS.items():
        if chosen.only in (None, name):
            for row in rows(chosen.runs):
                print(row, flush=True)
            print()


if __name__ == "__main__":
    main()
