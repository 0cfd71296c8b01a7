"""The generator: what stands at its terminals, as tones or as samples.

Levels are e.m.f. in V r.m.s.; the amplifier's input doesn't load them. Phases run on from one
setting to the next, so a record across a change of level shows no phase step.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from sim_instruments.amplifier import Tone
from sim_instruments.lines import Complex, Lines, Samples, lines_of

SHAPES = ("sine", "dual", "sweep", "noise")
SETTLE_S = 1e-3
"""Time constant with which a step of level settles (5 ms to 0.7 %)."""
FADE = 0.02
PROGRAMME_CEILING_HZ = 23e3
SHORTEST_NOISE_S = 0.05
"""A whole cycle of the lowest frequency of the band, 20 Hz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Generator:
    """Settings of the generator and where its phases stand."""

    shape: str = "sine"
    frequency_hz: float = 1000.0
    level_vrms: float = 0.0
    second_frequency_hz: float = 7000.0
    second_level_vrms: float = 0.0
    offset_v: float = 0.0
    output_on: bool = False
    start_hz: float = 20.0
    stop_hz: float = 20e3
    sweep_s: float = 1.0
    played_at_s: float | None = None
    ppm: float = 0.0
    residual_db: float = -115.0
    level_factor: float = 1.0
    phase_at_s: float = 0.0
    cycles: float = 0.0
    second_cycles: float = 0.0

    def true_hz(self, frequency_hz: float) -> float:
        """Frequency that really comes out for a setting."""
        return frequency_hz * (1.0 + self.ppm * 1e-6)

    def at(self, time_s: float) -> "Generator":
        """The same generator with its phases advanced to a time."""
        elapsed = time_s - self.phase_at_s
        return replace(
            self,
            phase_at_s=time_s,
            cycles=math.fmod(self.cycles + elapsed * self.true_hz(self.frequency_hz), 1.0),
            second_cycles=math.fmod(
                self.second_cycles + elapsed * self.true_hz(self.second_frequency_hz), 1.0
            ),
        )

    def is_playing(self, time_s: float) -> bool:
        """Whether a sweep sounds at this time."""
        start = self.played_at_s
        return start is not None and start <= time_s < start + self.sweep_s

    @property
    def is_steady(self) -> bool:
        """Whether its output is a line spectrum."""
        return not self.output_on or self.shape in ("sine", "dual")


def tones(generator: Generator, time_s: float) -> tuple[Tone, ...]:
    """The generator's tones with their phases at a time; none when it is silent."""
    if not generator.output_on or generator.shape not in ("sine", "dual"):
        return ()
    now = generator.at(time_s)
    wanted = [(now.frequency_hz, now.level_vrms, now.cycles)]
    if now.shape == "dual":
        wanted.append((now.second_frequency_hz, now.second_level_vrms, now.second_cycles))
    return tuple(
        Tone(
            frequency_hz=now.true_hz(hz),
            amplitude=math.sqrt(2.0)
            * level
            * now.level_factor
            * complex(np.exp(2j * math.pi * (cycles - 0.25))),
        )
        for hz, level, cycles in wanted
        if level > 0.0 and hz > 0.0
    )


def residual_lines(generator: Generator, sines: tuple[Tone, ...]) -> Lines:
    """Second harmonics that the generator adds to its tones."""
    ratio = 10.0 ** (generator.residual_db / 20.0)
    pairs = [
        (2.0 * tone.frequency_hz, ratio * tone.amplitude**2 / abs(tone.amplitude)) for tone in sines
    ]
    return lines_of(*pairs)


def terminal_lines(generator: Generator, time_s: float) -> Lines:
    """Everything steady at the generator's terminals: tones, their residual, offset."""
    sines = tones(generator, time_s)
    offset = generator.offset_v if generator.output_on else 0.0
    pairs = [(tone.frequency_hz, tone.amplitude) for tone in sines]
    return lines_of(*pairs, (0.0, complex(offset))) + residual_lines(generator, sines)


def sweep_samples(generator: Generator, start_s: float, step_s: float, samples: int) -> Samples:
    """The sweep on a time grid; zero before and after it.

    sin of the phase 2 pi f1 L (exp(t/L) - 1), L = T/ln(f2/f1): frequency grows exponentially and
    the phase starts at zero; 2 % of the time is faded in and out by a raised cosine.
    """
    out = np.zeros(samples)
    if generator.played_at_s is None:
        return out
    first = max(0, math.ceil((generator.played_at_s - start_s) / step_s))
    end_s = generator.played_at_s + generator.sweep_s
    last = min(samples, math.floor((end_s - start_s) / step_s) + 1)
    if last <= first:
        return out
    t = start_s + step_s * np.arange(first, last) - generator.played_at_s
    rate = generator.sweep_s / math.log(generator.stop_hz / generator.start_hz)
    cycles = generator.true_hz(generator.start_hz) * rate * np.expm1(t / rate)
    sine = np.sin(2.0 * np.pi * np.mod(cycles, 1.0))
    ratio = 10.0 ** (generator.residual_db / 20.0)
    sine += ratio * (1.0 - 2.0 * sine * sine)
    edge = FADE * generator.sweep_s
    inside = np.clip(np.minimum(t, generator.sweep_s - t) / edge, 0.0, 1.0)
    sine *= 0.5 - 0.5 * np.cos(np.pi * inside)
    sine *= math.sqrt(2.0) * generator.level_vrms * generator.level_factor
    out[first:last] = sine
    return out


def programme_noise(
    generator: Generator, rng: np.random.Generator, samples: int, sample_rate_hz: float
) -> Complex:
    """Spectrum (rfft) of stationary Gaussian programme noise of the set level.

    A record too short to hold the band is cut from a longer one.
    """
    longest = max(samples, math.ceil(SHORTEST_NOISE_S * sample_rate_hz))
    spectrum = _noise_spectrum(generator, rng, longest, sample_rate_hz)
    if longest == samples:
        return spectrum
    wave = np.fft.irfft(spectrum, longest)[:samples]
    return np.fft.rfft(wave)


def _noise_spectrum(
    generator: Generator, rng: np.random.Generator, samples: int, sample_rate_hz: float
) -> Complex:
    frequency = np.arange(1, samples // 2 + 1, dtype=np.float64) * (sample_rate_hz / samples)
    # Each bin carries 1/f times the network's response: pink noise through the ladder.
    weight = np.abs(programme_network(frequency)) / np.sqrt(frequency)
    weight[frequency > PROGRAMME_CEILING_HZ] = 0.0
    weight[-1] = 0.0
    expected = math.sqrt(4.0 * float(np.sum(weight**2))) / samples
    weight *= generator.level_vrms * generator.level_factor / expected
    spectrum = np.zeros(samples // 2 + 1, dtype=np.complex128)
    spectrum[1:] = weight * rng.standard_normal(2 * weight.size).view(np.complex128)
    return spectrum


def programme_network(frequency_hz: Samples) -> Complex:
    """Transfer of the pink-noise shaping ladder of IEC 60268-1:1985, clause 7, figure 2."""
    s = 2j * np.pi * frequency_hz
    # From the output backwards: voltage 1 at the load, current into it, then element by element.
    voltage = np.ones(frequency_hz.shape, dtype=np.complex128)
    current = voltage / 10e3
    voltage = voltage + current / (s * 0.47e-6)
    current = current + voltage * (1.0 / 3300.0 + s * 68e-9)
    voltage = voltage + current * (330.0 + 1.0 / (s * 2.2e-6))
    current = current + voltage * (1.0 / 3300.0 + s * 91e-9)
    voltage = voltage + current * (430.0 + 1.0 / (s * 2.2e-6))
    return 1.0 / voltage
