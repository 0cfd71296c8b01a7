"""The mains frequency and its lines (hum) in a record.

Theory of operation. Around each nominal frequency a comb of ten harmonics is moved; its score is the
sum of log(1 + power over what stands out), so that many lines that agree rule over one stronger stray
tone, and noise at empty harmonics does not. All lines that stand out then share one frequency in a
Gauss-Newton fit; one that lies elsewhere than the others say is a tone of another origin. Where such
lines are no fewer than those that agree, either may be the hum, and nothing may be read beside them.
Beyond +-1.2 % of the nominal frequency hum is followed only where at least two lines agree, the first
or second among them; one alone there is a stray line likewise.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
import scipy

from sequencer.analysis.arrays import Samples, Spectral, median, sum_of_squares
from sequencer.analysis.mains_nominals import (
    FARTHEST_REACH,
    NOMINALS_HZ,
    SEARCH_REACH,
    is_own,
    is_told,
    nominals_with,
)
from sequencer.analysis.noise import noise_of_lines
from sequencer.analysis.resolution import noise_of_fit
from sequencer.analysis.sine_fit import (
    LineFit,
    fit_lines,
    group_means,
    refine_lines,
    residual_periodogram,
)
from sequencer.analysis.spectrum import Periodogram, hann

FEWEST_CYCLES = 3.0
HIGHEST_LINE_HZ = 1000.0
SEARCHED_LINES = 10
_SLOW_RATE_HZ = 6000.0
_BENDS_HZ = 1000.0
_MOST_BEND = 6.0  # medians
_FEWEST_SLOW = 64
_SEEN = 30.0  # a line's bin over the median around it; noise does that once in 10^9
_OVER_FOOT = (
    10.0  # a line over what lies beside its own lobe; the skirt of a strong tone has no lobe
)
_APART_BINS = 2.0
_AGREE_BINS, _AGREE_DOUBTS = 0.1, 5.0  # how far apart lines of one mains may be found, added up
_LEFT_DOUBTS = 0.03  # of the doubt, that the iteration may leave; it knows that within three times
_TONE_BINS = 0.4  # lines that are not fitted draw a weak one some tenths off
_LOBE_BINS, _FOOT_BINS = 2.5, 12.0
_CROWDED_BINS = 100.0  # between lines; further off they hardly reach into what lies half way
_ROOM_BINS = 20.0
STRONG_MULTIPLES = (1, 2)  # what stray field and rectifier give; hum without both is no hum
_FEWEST_BINS_APART = 4.0
ROUNDING = 1e-11  # of the record's peak: a computed record's own rounding makes lines as strong


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsFrequency:
    """The mains frequency found in a record, Hz, and its standard uncertainty.

    is_seen says whether at least one hum line stands out of the noise; if not, this is no more than
    where hum would fit best. is_told says whether the lines tell the mains frequency. seen are the
    multiples that stand out, own_power the power (arbitrary unit) of the strongest of them that can't
    belong to another nominal frequency. tones_hz are lines that stand out near a multiple but lie
    elsewhere than the seen ones say. stray_hz is a line that stands out but can't be told for hum, for
    it lies too far from the nominal frequency, or others disagree.
    """

    value_hz: float
    standard_uncertainty_hz: float
    is_seen: bool
    is_told: bool = False
    seen: tuple[int, ...] = ()
    own_power: float = 0.0
    tones_hz: tuple[float, ...] = ()
    stray_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HumLines:
    """Mains lines fitted to a record: multiples, complex peak amplitudes, b of each, and the rest.

    fit and noise_v2 hold the lines of the multiples first, then tones of another origin. residual is
    the spectrum of the record without its mean and all of these lines. hidden_hz are the multiples
    left out, and the tone too near to each.
    """

    multiples: tuple[int, ...]
    fit: LineFit
    noise_v2: Spectral
    residual: Periodogram
    hidden_hz: Mapping[int, float] = field(default_factory=lambda: MappingProxyType({}))


def has_strong(multiples: Collection[int]) -> bool:
    """Whether one of the lines that are the strong ones of any hum is among them."""
    return any(multiple in STRONG_MULTIPLES for multiple in multiples)


def find_mains(
    samples: Samples,
    sample_rate_hz: float,
    nominals_hz: Sequence[float] = NOMINALS_HZ,
    *,
    without: LineFit | None = None,
) -> MainsFrequency | None:
    """Mains frequency from all the hum lines of a record together; None if the record is too short.

    One line that is seen is enough to take it off a record; whether the lines tell the mains
    frequency, is_told says.

    Parameters
    ----------
    samples : shape (n,), volts; three mains cycles or more, else None
    without : a tone with its harmonics, fitted to the record, to be left out
    """
    hum = _HumSpectrum.of(samples, sample_rate_hz, without)
    combs = [] if hum is None else hum.best_combs(nominals_hz)
    if hum is None or not combs:
        return None
    return hum.frequency(max(combs, key=lambda best_first: best_first[0].score))


def find_each_mains(
    samples: Samples,
    sample_rate_hz: float,
    nominals_hz: Sequence[float] = NOMINALS_HZ,
    *,
    without: LineFit | None = None,
) -> dict[float, MainsFrequency]:
    """As find_mains, for each nominal frequency by itself, without those the record is too short for."""
    hum = _HumSpectrum.of(samples, sample_rate_hz, without)
    combs = [] if hum is None else hum.best_combs(nominals_hz)
    return {} if hum is None else {best[0].nominal_hz: hum.frequency(best) for best in combs}


def bends_of(samples: Samples, sample_rate_hz: float) -> tuple[Samples, float]:
    """Second differences of a record at about 1 kHz, and their rate: hum without what it rides on.

    What comes to rest may be a thousand times stronger than hum, but it is smooth, and nothing of a
    decay of some tenths of a second is left in them; jumps are cut down.
    """
    slow, rate_hz = group_means(samples, sample_rate_hz, max(1, int(sample_rate_hz // _BENDS_HZ)))
    if slow.size < 3:
        return slow, rate_hz
    bends = np.diff(slow, 2)
    most = _MOST_BEND * float(np.median(np.abs(bends)))
    return (np.clip(bends, -most, most) if most > 0.0 else bends), rate_hz


def multiples_below(
    mains_hz: float, sample_rate_hz: float, highest_hz: float = HIGHEST_LINE_HZ
) -> tuple[int, ...]:
    """Numbers of the mains lines up to 1 kHz (a little over, for a mains above nominal)."""
    top = min(highest_hz * (1 + SEARCH_REACH), 0.49 * sample_rate_hz)
    return tuple(range(1, int(top // mains_hz) + 1))


def fit_hum(
    samples: Samples,
    sample_rate_hz: float,
    mains_hz: float,
    *,
    nominal_hz: float | None = None,
    tones_hz: Sequence[float] = (),
    doubt_hz: float = 0.0,
) -> HumLines:
    """All mains lines up to 1 kHz fitted jointly with the mean at a known mains frequency.

    nominal_hz : what the multiples up to 1 kHz are counted by, where the mains is far off it
    tones_hz : lines of another origin, each within half a bin (sample rate / n) of its truth, that are
        fitted as well; a hum line is left out that is within two bins of one, or may be for
        all that is known of the mains frequency
    doubt_hz : how far the mains frequency may be off
    """
    highest_hz = HIGHEST_LINE_HZ * (mains_hz / nominal_hz if nominal_hz else 1.0)
    least_hz = _APART_BINS * sample_rate_hz / samples.size
    wanted = multiples_below(mains_hz, sample_rate_hz, highest_hz)
    hidden_hz = {
        k: f for k in wanted for f in tones_hz if abs(k * mains_hz - f) <= least_hz + k * doubt_hz
    }
    multiples = tuple(multiple for multiple in wanted if multiple not in hidden_hz)
    lines_hz = np.array([*(multiple * mains_hz for multiple in multiples), *tones_hz])
    moving = range(len(multiples), lines_hz.size)
    fit = refine_lines(samples, sample_rate_hz, lines_hz, drifting=moving)
    residual = residual_periodogram(samples, sample_rate_hz, fit)
    noise = noise_of_fit(samples, fit, residual, has_flicker=True)
    return HumLines(
        multiples=multiples, fit=fit, noise_v2=noise, residual=residual, hidden_hz=hidden_hz
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Comb:
    """A position of the comb: its score, frequency, and the lines that stand out.

    elsewhere_hz is where another line stands out near a multiple, out of the lobe at the comb's.
    """

    score: float
    nominal_hz: float
    frequency_hz: float
    range_hz: tuple[float, float]  # where the mains frequency is believed
    rivals_hz: Sequence[float]  # nominal frequencies that it must be told from
    power: Mapping[int, float]  # of each multiple that stands out
    noise_v2: Mapping[int, float]  # variance a sample, white noise as strong as that around each
    elsewhere_hz: Mapping[int, float]

    @property
    def own_power(self) -> float:
        """The same of the lines that no rival has."""
        own = (h for h in self.power if is_own(self.nominal_hz, h, self.rivals_hz))
        return max((self.power[h] for h in own), default=0.0)

    @property
    def has_strong(self) -> bool:
        """Whether one of the lines that are the strong ones of any hum stands out."""
        return has_strong(self.power)

    def resting_on(self, multiples: Collection[int]) -> "_Comb":
        """With these lines only."""
        return replace(self, power={h: self.power[h] for h in multiples})


class _HumSpectrum:
    """Hann power spectrum of the slow copy on a grid of half bins."""

    def __init__(self, slow: Samples, rate_hz: float, peak_v: float, taken_hz: Spectral) -> None:
        window = hann(slow.size)
        length = scipy.fft.next_fast_len(2 * slow.size, real=True)
        transform = scipy.fft.rfft((slow - slow.mean()) * window, n=length)
        self._slow, self._rate_hz, self._taken_hz = slow, rate_hz, taken_hz
        self._power = np.square(transform.real) + np.square(transform.imag)
        self._power /= sum_of_squares(window)
        self._step_hz = rate_hz / length
        self._seconds = slow.size / rate_hz
        self._top_hz = 0.45 * rate_hz
        # A line of amplitude a has the power a^2 n/6 behind a Hann window.
        self._least = (ROUNDING * peak_v) ** 2 * slow.size / 6

    @classmethod
    def of(
        cls, samples: Samples, sample_rate_hz: float, without: LineFit | None
    ) -> "_HumSpectrum | None":
        """Of a record; None where it is too short for anything."""
        group = max(1, int(sample_rate_hz // _SLOW_RATE_HZ))
        slow, rate_hz = group_means(samples, sample_rate_hz, group, without=without)
        if slow.size < _FEWEST_SLOW:
            return None
        taken_hz = np.zeros(0) if without is None else without.frequency_hz
        return cls(slow, rate_hz, max(float(samples.max()), -float(samples.min())), taken_hz)

    def best_combs(self, nominals_hz: Sequence[float]) -> list[list[_Comb]]:
        """The best combs, best first, of each nominal frequency with enough cycles in the record."""
        rivals_hz = (*nominals_hz, *nominals_with(nominals_hz[0]))
        return [
            self._best_combs(f, rivals_hz)
            for f in nominals_hz
            if self._seconds * f >= FEWEST_CYCLES and f < self._top_hz
        ]

    def frequency(self, best_first: Sequence[_Comb]) -> MainsFrequency:
        """The mains frequency by a comb's lines; by the best's if none has lines that agree."""
        found = self._frequency_of(best_first[0])
        for comb in best_first[1:]:
            if found.is_seen:
                break
            other = self._frequency_of(comb)
            if other.is_told and len(other.seen) > 1:
                found = other
        return found

    def _frequency_of(self, comb: _Comb) -> MainsFrequency:
        if not comb.power:
            return self._unseen(comb.nominal_hz, comb.frequency_hz)
        fitted = _shared_frequency(self._slow, self._rate_hz, comb)
        fitted_hz, doubt_hz, multiples = fitted or (comb.frequency_hz, 0.0, tuple(comb.power))
        elsewhere_hz = dict(comb.elsewhere_hz)
        for h in comb.power.keys() - multiples:
            peak_hz = self._peak_near_hz(h * fitted_hz)
            if abs(peak_hz - h * fitted_hz) * self._seconds > _TONE_BINS:
                elsewhere_hz[h] = peak_hz
        comb = comb.resting_on(multiples)
        off_hz = abs(fitted_hz - comb.nominal_hz) - SEARCH_REACH * comb.nominal_hz
        is_lone = len(multiples) < 2 or not comb.has_strong
        is_beyond = not comb.range_hz[0] <= fitted_hz <= comb.range_hz[1]
        is_disputed = has_strong(elsewhere_hz) and len(elsewhere_hz) >= len(multiples)
        if fitted is None or is_beyond or is_disputed or (is_lone and off_hz > 2 * doubt_hz):
            stray_hz = multiples[0] * fitted_hz
            return self._unseen(comb.nominal_hz, comb.nominal_hz, stray_hz=stray_hz)
        return MainsFrequency(
            value_hz=fitted_hz,
            standard_uncertainty_hz=doubt_hz,
            is_seen=True,
            is_told=is_told(comb.nominal_hz, multiples, comb.rivals_hz),
            seen=multiples,
            own_power=comb.own_power,
            tones_hz=tuple(sorted(elsewhere_hz.values())),
        )

    def _unseen(
        self, nominal_hz: float, guess_hz: float, *, stray_hz: float | None = None
    ) -> MainsFrequency:
        doubt_hz = max(SEARCH_REACH * nominal_hz, 1 / self._seconds)
        return MainsFrequency(
            value_hz=guess_hz, standard_uncertainty_hz=doubt_hz, is_seen=False, stray_hz=stray_hz
        )

    def _best_combs(self, nominal_hz: float, rivals_hz: Sequence[float]) -> list[_Comb]:
        """Where the comb fits best around a nominal frequency; beyond +-1.2 % only where better."""
        low_hz, high_hz = _range_hz(nominal_hz, rivals_hz)
        near_low_hz, near_high_hz = nominal_hz * (1 - SEARCH_REACH), nominal_hz * (1 + SEARCH_REACH)
        multiples = [h for h in range(1, SEARCHED_LINES + 1) if h * nominal_hz < self._top_hz]
        floors = np.array([self._median_around(h * nominal_hz) for h in multiples])

        def trial(part_hz: tuple[float, float]) -> tuple[Spectral, Spectral]:
            points = 2 * int(np.ceil(8 * self._seconds * (part_hz[1] - part_hz[0]))) + 1
            trial_hz = np.linspace(*part_hz, points)
            return trial_hz, self._power_at(np.outer(multiples, trial_hz))

        def is_line(i: int, power: float, line_hz: float) -> bool:
            return (
                power > max(_SEEN * floors[i], self._least)
                and power > _OVER_FOOT * self._foot(line_hz, nominal_hz)
                and not self._is_taken(line_hz)
            )

        def elsewhere_hz(comb_hz: float) -> dict[int, float]:
            found_hz = {}
            for i in np.flatnonzero(near_power.max(axis=1) > _SEEN * floors).tolist():
                h = multiples[i]
                is_out = np.abs(near_hz - comb_hz) * h * self._seconds > _LOBE_BINS
                power = np.where(is_out, near_power[i], 0.0)
                at = int(np.argmax(power))
                # what is highest at the edge has its peak outside
                if 0 < at < near_hz.size - 1 and is_line(i, power[at], h * near_hz[at]):
                    found_hz[h] = float(h * near_hz[at])
            return found_hz

        def score(power: Spectral) -> Spectral:
            return np.asarray(np.log1p(power / (_SEEN * floors[:, np.newaxis])).sum(axis=0))

        def best_of(trial_hz: Spectral, power: Spectral, scores: Spectral) -> _Comb:
            best = int(np.argmax(scores))
            best_hz = float(trial_hz[best])
            chosen = [i for i, h in enumerate(multiples) if is_line(i, power[i, best], h * best_hz)]
            return _Comb(
                score=float(scores[best]),
                nominal_hz=nominal_hz,
                frequency_hz=best_hz,
                range_hz=(low_hz, high_hz),
                rivals_hz=rivals_hz,
                power={multiples[i]: float(power[i, best]) for i in chosen},
                noise_v2={multiples[i]: float(floors[i]) / math.log(2) for i in chosen},
                elsewhere_hz=elsewhere_hz(best_hz),
            )

        near_hz, near_power = trial((near_low_hz, near_high_hz))
        near = best_of(near_hz, near_power, score(near_power))
        if self._seconds * (high_hz - low_hz) < _FEWEST_BINS_APART:
            return [near]  # the lobes are wider than all of the range
        better = []
        for part in ((low_hz, near_low_hz), (near_high_hz, high_hz)):
            far_hz, far_power = trial(part)
            far_score = score(far_power)
            if far_score.max() <= near.score:
                continue
            comb = best_of(far_hz, far_power, far_score)
            if comb.has_strong:
                better.append(comb)
        return [*sorted(better, key=lambda comb: -comb.score), near]

    def _is_taken(self, line_hz: float) -> bool:
        """Whether what was taken off lies so near that it took a part of a line here with it."""
        near_hz = _APART_BINS / self._seconds
        return bool((np.abs(self._taken_hz - line_hz) < near_hz).any())

    def _peak_near_hz(self, frequency_hz: float) -> float:
        """Where the spectrum is highest inside the lobe of a line at a frequency."""
        middle, reach = frequency_hz / self._step_hz, _LOBE_BINS / self._seconds / self._step_hz
        first = max(round(middle - reach), 0)
        return (
            first + int(np.argmax(self._power[first : round(middle + reach) + 1]))
        ) * self._step_hz

    def _power_at(self, frequency_hz: Spectral) -> Spectral:
        at = frequency_hz / self._step_hz
        below = at.astype(np.intp)
        lower, upper = self._power[below], self._power[below + 1]
        return np.asarray(lower + (at - below) * (upper - lower))

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
        return max(median(window), np.finfo(float).tiny)


def _range_hz(nominal_hz: float, rivals_hz: Sequence[float]) -> tuple[float, float]:
    """Where hum still belongs to a nominal frequency: +-8 %, at most half way to the next one."""
    low_hz, high_hz = nominal_hz * (1 - FARTHEST_REACH), nominal_hz * (1 + FARTHEST_REACH)
    for other_hz in rivals_hz:
        if other_hz < nominal_hz:
            low_hz = max(low_hz, (nominal_hz + other_hz) / 2)
        elif other_hz > nominal_hz:
            high_hz = min(high_hz, (nominal_hz + other_hz) / 2)
    return low_hz, high_hz


def _shared_frequency(
    slow: Samples, rate_hz: float, comb: _Comb
) -> tuple[float, float, tuple[int, ...]] | None:
    """Gauss-Newton on one frequency f with lines at h f, each weighted by its own doubt.

    Gives f, its doubt, and the multiples that it rests on: a line that lies elsewhere than the others
    say is none of this mains. None where that is a strong one and no two others with a strong one among
    them agree, so that nobody knows which are, and where the iteration leaves the line it started at.
    """
    multiples = np.array(list(comb.power), dtype=np.float64)
    noise_v2 = np.array([comb.noise_v2[h] for h in comb.power])
    mains_hz, doubt_hz = comb.frequency_hz, float("inf")
    bin_hz = rate_hz / slow.size
    for _ in range(8 + multiples.size):
        if mains_hz * multiples.max() >= 0.5 * rate_hz:
            return None
        fit = fit_lines(slow, rate_hz, mains_hz * multiples, drifting=range(multiples.size))
        shift_hz = median(fit.correction_hz / multiples)
        off_hz = np.abs(fit.correction_hz - shift_hz * multiples)
        off_hz -= _AGREE_DOUBTS * np.sqrt(fit.frequency_gain_hz2 * noise_v2)
        if multiples.size > 1 and off_hz.max() > _AGREE_BINS * bin_hz:
            kept = np.arange(multiples.size) != int(np.argmax(off_hz))
            rest = multiples[kept].astype(int).tolist()
            if has_strong(multiples[~kept].tolist()) and (len(rest) < 2 or not has_strong(rest)):
                return None
            multiples, noise_v2 = multiples[kept], noise_v2[kept]
            continue
        weight = multiples / (fit.frequency_gain_hz2 * noise_v2)
        step_hz = float(weight @ fit.correction_hz) / float(weight @ multiples)
        doubt_hz = 1 / float(np.sqrt(weight @ multiples))
        mains_hz += float(np.clip(step_hz, -0.25 * bin_hz, 0.25 * bin_hz))
        # The step just made leaves an error of the order of its cube, in bins.
        left_hz = (abs(step_hz) / bin_hz) ** 3 * bin_hz
        if left_hz < max(1e-6 * bin_hz, _LEFT_DOUBTS * doubt_hz):
            break
    if abs(mains_hz - comb.frequency_hz) > 0.5 * bin_hz:
        return None
    has_room = multiples.max() * (mains_hz + bin_hz) < 0.5 * rate_hz
    if mains_hz < _CROWDED_BINS * bin_hz and has_room:
        mains_hz, doubt_hz = _among_neighbours(slow, rate_hz, mains_hz, multiples, noise_v2)
    return mains_hz, doubt_hz, tuple(int(multiple) for multiple in multiples)


def _among_neighbours(
    slow: Samples, rate_hz: float, mains_hz: float, multiples: Spectral, noise_v2: Spectral
) -> tuple[float, float]:
    """The frequency and its doubt once more, in a record so short that lines reach into one another.

    All mains lines to 1 kHz are fitted, for a weak one pulls at its neighbours too; and the noise is
    read in what that leaves, for most of what lies between the lines is their skirts. Where they leave
    too little room for that, what was read with the skirts counts if it is more.
    """
    most_hz = 0.25 * rate_hz / slow.size
    others = sorted(set(multiples_below(mains_hz + 2 * most_hz, rate_hz)).difference(multiples))
    moving = range(multiples.size)
    for is_last in (False, True):
        lines_hz = mains_hz * np.append(multiples, others)
        fit = fit_lines(slow, rate_hz, lines_hz, drifting=moving)
        if is_last:
            rest = residual_periodogram(slow, rate_hz, fit)
            found_hz = lines_hz[moving]
            read_v2 = noise_of_lines(rest, found_hz, taken_hz=lines_hz, has_flicker=True)
            read_v2 *= slow.size / 4
            is_far = mains_hz > _ROOM_BINS * rate_hz / slow.size
            noise_v2 = read_v2 if is_far else np.maximum(noise_v2, read_v2)
        spread_hz2 = fit.frequency_gain_hz2[moving] * noise_v2
        if not spread_hz2.all():  # nothing is left: what was found is no hum
            return mains_hz, math.inf
        weight = multiples / spread_hz2
        step_hz = float(weight @ fit.correction_hz[moving]) / float(weight @ multiples)
        mains_hz += float(np.clip(step_hz, -most_hz, most_hz))
    return mains_hz, 1 / float(np.sqrt(weight @ multiples))
