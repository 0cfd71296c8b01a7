"""A bench in a known state, and independent small measurements of its records."""

import math
from dataclasses import dataclass

import numpy as np
import pytest

from sim_instruments.world import World

RANGES = (1.0, 3.0, 10.0, 30.0, 100.0)


@dataclass
class ToneResult:
    """Least-squares fit of a tone and its harmonics 2 to 10."""

    frequency_hz: float
    peak_v: float
    phase: float
    harmonics: np.ndarray
    offset_v: float

    @property
    def thd(self):
        return float(np.sqrt(np.sum((self.harmonics / self.peak_v) ** 2)))

    def harmonic_db(self, order):
        return 20.0 * math.log10(self.harmonics[order - 2] / self.peak_v)


def fit_tone(x, rate_hz, frequency_hz, highest=10):
    """Gauss-Newton on the frequency, then linear least squares with all harmonics."""
    n = x.size
    t = (np.arange(n) - 0.5 * n) / rate_hz
    f = frequency_hz
    for _ in range(4):
        c, s = np.cos(2 * np.pi * f * t), np.sin(2 * np.pi * f * t)
        a, b, _, tc, ts = np.linalg.lstsq(
            np.stack([c, s, np.ones(n), t * c, t * s], 1), x, rcond=None
        )[0]
        f += (b * tc - a * ts) / (a * a + b * b) / (2 * np.pi)
    orders = [k for k in range(1, highest + 1) if k * f < 0.45 * rate_hz]
    phase = 2 * np.pi * f * t
    columns = [np.ones(n)]
    for k in orders:
        columns += [np.cos(k * phase), np.sin(k * phase)]
    fit = np.linalg.lstsq(np.stack(columns, 1), x, rcond=None)[0]
    amplitude = fit[1::2] - 1j * fit[2::2]
    return ToneResult(
        frequency_hz=f,
        peak_v=float(abs(amplitude[0])),
        phase=float(np.angle(amplitude[0])),
        harmonics=np.abs(amplitude[1:]),
        offset_v=float(fit[0]),
    )


class Bench:
    """Shorthand for what a bench operator does with a World."""

    def __init__(self, fault=None, *, seed=1, unit=1, load=True, **options):
        self.world = World(seed=seed, fault=fault, **options)
        self.world.select_unit(unit)
        self.world.connect_load(load)
        self.world.set_generator(output_on=True)

    def power(self, seconds=20.0):
        """Mains on, and wait."""
        self.world.set_mains(True)
        self.world.advance(seconds)
        return self

    def warm(self):
        """Idle until the heatsink has settled."""
        return self.power(4 * 3600.0)

    def record(self, samples, rate_hz, range_v, point="output", **options):
        record = self.world.start_record(
            point=point,
            samples=samples,
            sample_rate_hz=rate_hz,
            range_peak_v=range_v,
            **options,
        )
        self.world.advance(record.end_s - self.world.now_s)
        return record

    def drive(self, emf_vrms, frequency_hz=1000.0):
        self.world.set_generator(shape="sine", frequency_hz=frequency_hz, level_vrms=emf_vrms)
        self.world.advance(0.1)

    def tone(self, watts, frequency_hz=1000.0, samples=2**15, rate_hz=96e3):
        """Drive to about so many watts into 8 ohm and fit the output."""
        self.drive(math.sqrt(8 * watts) / 28.0, frequency_hz)
        range_v = next(r for r in RANGES if r > 1.08 * math.sqrt(16 * watts))
        x = self.record(samples, rate_hz, range_v).channel(1)
        return fit_tone(x, rate_hz, frequency_hz)

    def gain_db(self, watts, frequency_hz=1000.0, samples=2**14, rate_hz=96e3):
        """Output over generator, and the phase between them in degrees."""
        self.drive(math.sqrt(8 * watts) / 28.0, frequency_hz)
        range_v = next(r for r in RANGES if r > 1.2 * math.sqrt(16 * watts))
        record = self.record(samples, rate_hz, range_v)
        output = fit_tone(record.channel(1), rate_hz, frequency_hz, highest=3)
        source = fit_tone(record.channel(2), rate_hz, frequency_hz, highest=1)
        turn = math.degrees(output.phase - source.phase)
        return 20 * math.log10(output.peak_v / source.peak_v), (turn + 180.0) % 360.0 - 180.0

    def idle(self, samples=2**18):
        """One record without drive on the 1 V range at 96 kS/s."""
        self.drive(0.0)
        return self.record(samples, 96e3, 1.0).channel(1)


@pytest.fixture
def bench():
    """Build a bench: bench(fault=None, seed=1, unit=1, load=True)."""
    return Bench


@pytest.fixture
def fit():
    """fit(x, rate_hz, frequency_hz, highest=10): tone with harmonics by least squares."""
    return fit_tone


def density(x, rate_hz):
    """Frequencies and one-sided periodogram (Hann) in V^2/Hz."""
    n = x.size
    window = np.hanning(n + 1)[:-1]
    power = np.abs(np.fft.rfft((x - x.mean()) * window)) ** 2 * 2 / (rate_hz * np.sum(window**2))
    return np.arange(power.size) * rate_hz / n, power


def a_weighting(f):
    """IEC 61672-1:2013 annex E, closed form, as an amplitude ratio (1 at 1 kHz)."""
    f = np.maximum(f, 1e-3)
    poles = (f**2 + 20.6**2) * (f**2 + 12194**2) * np.sqrt((f**2 + 107.7**2) * (f**2 + 737.9**2))
    return 12194**2 * f**4 / poles * 10 ** (2.0 / 20)


@dataclass
class IdleResult:
    unweighted: float
    without_hum: float
    a_weighted: float
    lines: dict[int, float]


@pytest.fixture
def idle():
    """Noise in 20 Hz to 20 kHz and hum lines of an idle record at 96 kS/s."""

    def measure(x, rate_hz=96e3):
        f, power = density(x, rate_hz)
        step = f[1]
        band = (f >= 20) & (f <= 20e3)
        quiet = band & (np.abs(f - 50 * np.rint(f / 50)) > 1.5 + 0.005 * f)
        lines = {
            k: math.sqrt(np.sum(power[np.abs(f - 50 * k) < 1.5 + 0.3 * k]) * step)
            for k in range(1, 8)
        }
        low = np.sum(power[quiet & (f < 400)]) * step * np.sum(band & (f < 400))
        low /= np.sum(quiet & (f < 400))
        high = np.sum(power[band & (f >= 400)]) * step
        return IdleResult(
            unweighted=math.sqrt(np.sum(power[band]) * step),
            without_hum=math.sqrt(low + high),
            a_weighted=math.sqrt(np.sum((power * a_weighting(f) ** 2)[band]) * step),
            lines=lines,
        )

    return measure


@pytest.fixture
def spectrum():
    """spectrum(x, rate_hz): frequencies and density in V^2/Hz, averaged over blocks of 2^14."""

    def averaged(x, rate_hz, size=2**14):
        window = np.hanning(size + 1)[:-1]
        blocks = x[: x.size // size * size].reshape(-1, size) * window
        power = np.mean(np.abs(np.fft.rfft(blocks, axis=1)) ** 2, axis=0)
        return np.arange(size // 2 + 1) * rate_hz / size, power * 2 / (rate_hz * np.sum(window**2))

    return averaged
