"""The mains frequency and its lines (hum) in a record."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft

from sequencer.analysis.arrays import Samples, Spectral, sum_of_squares
from sequencer.analysis.noise import noise_of_lines
from sequencer.analysis.sine_fit import LineFit, fit_lines, group_means, residual_periodogram
from sequencer.analysis.spectrum import Periodogram, hann

SEARCH_REACH = 0.012  # +-1.2 % of nominal: 49.4 to 50.6 Hz, 59.28 to 60.72 Hz
FEWEST_CYCLES = 3.0
HIGHEST_LINE_HZ = 1000.0
_SEARCHED_LINES = 10
_SLOW_RATE_HZ = 6000.0
_FEWEST_SLOW = 64
_SEEN = 30.0  # a line's bin over the median around it; noise does that once in 10^9
_OVER_FOOT = (
    10.0  # a line over what lies beside its own lobe; the skirt of a strong tone has no lobe
)
_LOBE_BINS, _FOOT_BINS = 2.5, 12.0
NOMINALS_HZ = (50.0, 60.0)
_SHARED_HZ = 300.0  # multiples of it belong to both nominal frequencies


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsFrequency:
    """The mains frequency found in a record, Hz, and its standard uncertainty.

    is_seen says whether at least one hum line stands out of the noise; if not, this is no more than
    where hum would fit best. seen are the multiples that stand out, own_power the power (arbitrary
    unit) of the strongest of them that can't belong to the other nominal frequency.
    """

    value_hz: float
    standard_uncertainty_hz: float
    is_seen: bool
    seen: tuple[int, ...] = ()
    own_power: float = 0.0


FoundBySection = Sequence[Mapping[float, MainsFrequency]]
"""What find_each_mains found in each section of a record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HumLines:
    """Mains lines fitted to a record: multiples, complex peak amplitudes, b of each, and the rest.

    residual is the spectrum of the record without its mean and these lines.
    """

    multiples: tuple[int, ...]
    fit: LineFit
    noise_v2: Spectral
    residual: Periodogram


def find_mains(
    samples: Samples,
    sample_rate_hz: float,
    nominals_hz: Sequence[float] = NOMINALS_HZ,
    *,
    without: LineFit | None = None,
) -> MainsFrequency | None:
    """Mains frequency from all the hum lines of a record together; None if the record is too short.

    One line that is seen is enough to take it off a record; whether the lines tell the mains
    frequency, is_told says. A comb of ten harmonics is moved over +-1.2 % of each nominal frequency;
    its score is the sum of sqrt(power over local median), so that strong lines rule and noise at
    empty harmonics does not.
    All lines that stand out then share one frequency in a Gauss-Newton fit.

    Parameters
    ----------
    samples : shape (n,), volts; three mains cycles or more, else None
    without : a tone with its harmonics, fitted to the record, to be left out
    """
    hum = _HumSpectrum.of(samples, sample_rate_hz, without)
    combs = [] if hum is None else hum.best_combs(nominals_hz)
    if hum is None or not combs:
        return None
    return hum.frequency(max(combs, key=lambda comb: comb.score))


def find_each_mains(
    samples: Samples, sample_rate_hz: float, *, without: LineFit | None = None
) -> dict[float, MainsFrequency]:
    """As find_mains, for 50 and for 60 Hz by itself; without those the record is too short for."""
    hum = _HumSpectrum.of(samples, sample_rate_hz, without)
    combs = [] if hum is None else hum.best_combs(NOMINALS_HZ)
    return {} if hum is None else {comb.nominal_hz: hum.frequency(comb) for comb in combs}


def is_told(nominal_hz: float, multiples: Collection[int]) -> bool:
    """Whether these lines tell that the mains is there: the fundamental, or two that agree.

    One line alone may be a stray tone, and one that is a line of 50 and of 60 Hz tells neither.
    """
    has_own = any(_is_own(nominal_hz, multiple) for multiple in multiples)
    return 1 in multiples or (len(multiples) > 1 and has_own)


def nominal_told(found: FoundBySection, otherwise_hz: float) -> float:
    """The nominal frequency of the strongest hum that is told by its lines, taken over sections."""
    told = [f for f in NOMINALS_HZ if is_told(f, lines_seen(found, f))]
    return max(told, key=lambda f: _own_power(found, f), default=otherwise_hz)


def lines_seen(found: FoundBySection, nominal_hz: float) -> set[int]:
    """The multiples of a nominal frequency that stand out in any of the sections."""
    return {k for each in found if nominal_hz in each for k in each[nominal_hz].seen}


def _own_power(found: FoundBySection, nominal_hz: float) -> float:
    return sum(each[nominal_hz].own_power for each in found if nominal_hz in each)


def _is_own(nominal_hz: float, multiple: int) -> bool:
    """Whether a line belongs to this nominal frequency alone."""
    return round(multiple * nominal_hz) % round(_SHARED_HZ) != 0


def multiples_below(
    mains_hz: float, sample_rate_hz: float, highest_hz: float = HIGHEST_LINE_HZ
) -> tuple[int, ...]:
    """Numbers of the mains lines up to 1 kHz (a little over, for a mains above nominal)."""
    top = min(highest_hz * (1 + SEARCH_REACH), 0.49 * sample_rate_hz)
    return tuple(range(1, int(top // mains_hz) + 1))


def fit_hum(samples: Samples, sample_rate_hz: float, mains_hz: float) -> HumLines:
    """All mains lines up to 1 kHz fitted jointly with the mean at a known mains frequency."""
    multiples = multiples_below(mains_hz, sample_rate_hz)
    lines_hz = mains_hz * np.array(multiples)
    fit = fit_lines(samples, sample_rate_hz, lines_hz)
    residual = residual_periodogram(samples, sample_rate_hz, fit)
    noise = noise_of_lines(residual, lines_hz, taken_hz=lines_hz)
    noise *= fit.amplitude_gain * samples.size / 4
    return HumLines(multiples=multiples, fit=fit, noise_v2=noise, residual=residual)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Comb:
    """The best position of the comb: its score, frequency, and the lines that stand out."""

    score: float
    nominal_hz: float
    frequency_hz: float
    seen: tuple[int, ...]
    own_power: float
    noise_v2: Spectral  # variance a sample, white noise as strong as that around each seen line


class _HumSpectrum:
    """Hann power spectrum of the slow copy on a grid of half bins."""

    def __init__(self, slow: Samples, rate_hz: float) -> None:
        window = hann(slow.size)
        length = scipy.fft.next_fast_len(2 * slow.size, real=True)
        transform = scipy.fft.rfft((slow - slow.mean()) * window, n=length)
        self._slow, self._rate_hz = slow, rate_hz
        self._power = np.abs(transform) ** 2 / sum_of_squares(window)
        self._step_hz = rate_hz / length
        self._seconds = slow.size / rate_hz
        self._top_hz = 0.45 * rate_hz

    @classmethod
    def of(
        cls, samples: Samples, sample_rate_hz: float, without: LineFit | None
    ) -> "_HumSpectrum | None":
        """Of a record; None where it is too short for anything."""
        group = max(1, int(sample_rate_hz // _SLOW_RATE_HZ))
        slow, rate_hz = group_means(samples, sample_rate_hz, group, without=without)
        return cls(slow, rate_hz) if slow.size >= _FEWEST_SLOW else None

    def best_combs(self, nominals_hz: Sequence[float]) -> list[_Comb]:
        """The best comb of each nominal frequency of which the record holds enough cycles."""
        return [self.best_comb(f) for f in nominals_hz if self._seconds * f >= FEWEST_CYCLES]

    def frequency(self, comb: _Comb) -> MainsFrequency:
        """The mains frequency by a comb's lines."""
        if not comb.seen:
            doubt_hz = max(SEARCH_REACH * comb.frequency_hz, 1 / self._seconds)
            return MainsFrequency(
                value_hz=comb.frequency_hz, standard_uncertainty_hz=doubt_hz, is_seen=False
            )
        return _shared_frequency(self._slow, self._rate_hz, comb)

    def best_comb(self, nominal_hz: float) -> _Comb:
        """Where the comb fits best around one nominal frequency."""
        multiples = [h for h in range(1, _SEARCHED_LINES + 1) if h * nominal_hz < self._top_hz]
        floors = np.array([self._median_around(h * nominal_hz) for h in multiples])
        reach_hz = SEARCH_REACH * nominal_hz
        points = 2 * int(np.ceil(16 * self._seconds * reach_hz)) + 1
        trial_hz = nominal_hz + np.linspace(-reach_hz, reach_hz, points)
        over = self._power_at(np.outer(multiples, trial_hz)) / floors[:, np.newaxis]
        score = np.sqrt(over).sum(axis=0)
        best = int(np.argmax(score))
        chosen = [
            i
            for i, h in enumerate(multiples)
            if over[i, best] > _SEEN
            and over[i, best] * floors[i] > _OVER_FOOT * self._foot(h * trial_hz[best], nominal_hz)
        ]
        own = [over[i, best] * floors[i] for i in chosen if _is_own(nominal_hz, multiples[i])]
        return _Comb(
            score=float(score[best]),
            nominal_hz=nominal_hz,
            frequency_hz=float(trial_hz[best]),
            seen=tuple(multiples[i] for i in chosen),
            own_power=float(max(own, default=0.0)),
            noise_v2=floors[chosen] / np.log(2),
        )

    def _power_at(self, frequency_hz: Spectral) -> Spectral:
        grid = np.arange(self._power.size) * self._step_hz
        return np.interp(frequency_hz.ravel(), grid, self._power).reshape(frequency_hz.shape)

    def _foot(self, frequency_hz: float, nominal_hz: float) -> float:
        """The larger of the mean powers to both sides of a line's lobe, at most half way to the next.

        Nothing where the lines stand too close for that.
        """
        near = _LOBE_BINS / self._seconds
        far = min(_FOOT_BINS / self._seconds, nominal_hz / 2)
        if far < 1.5 * near:
            return 0.0
        sides = (
            (frequency_hz - far, frequency_hz - near),
            (frequency_hz + near, frequency_hz + far),
        )
        return max(self._mean_between(low_hz, high_hz) for low_hz, high_hz in sides)

    def _mean_between(self, low_hz: float, high_hz: float) -> float:
        first, last = round(low_hz / self._step_hz), round(high_hz / self._step_hz)
        return float(self._power[max(first, 0) : last + 1].mean())

    def _median_around(self, frequency_hz: float) -> float:
        middle = round(frequency_hz / self._step_hz)
        reach = round(max(0.015 * frequency_hz / self._step_hz, 120))
        window = self._power[max(middle - reach, 6) : middle + reach + 1]
        return max(float(np.median(window)), np.finfo(float).tiny)


def _shared_frequency(slow: Samples, rate_hz: float, comb: _Comb) -> MainsFrequency:
    """Gauss-Newton on one frequency f with lines at h f, each weighted by its own doubt."""
    multiples = np.array(comb.seen, dtype=np.float64)
    mains_hz, doubt_hz = comb.frequency_hz, float("inf")
    bin_hz = rate_hz / slow.size
    for _ in range(8):
        fit = fit_lines(slow, rate_hz, mains_hz * multiples, drifting=range(multiples.size))
        weight = multiples / (fit.frequency_gain_hz2 * comb.noise_v2)
        step_hz = float(weight @ fit.correction_hz) / float(weight @ multiples)
        doubt_hz = 1 / float(np.sqrt(weight @ multiples))
        mains_hz += float(np.clip(step_hz, -0.25 * bin_hz, 0.25 * bin_hz))
        # The step just made leaves an error of the order of its cube, in bins.
        if abs(step_hz) < 1e-2 * bin_hz:
            break
    is_outside = abs(mains_hz / comb.nominal_hz - 1) > SEARCH_REACH
    if is_outside or abs(mains_hz - comb.frequency_hz) > 0.5 * bin_hz:
        mains_hz, doubt_hz = comb.frequency_hz, 0.3 * bin_hz
    return MainsFrequency(
        value_hz=mains_hz,
        standard_uncertainty_hz=doubt_hz,
        is_seen=True,
        seen=comb.seen,
        own_power=comb.own_power,
    )
