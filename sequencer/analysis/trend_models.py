"""Courses a settling voltage can take, fitted to a trend by least squares.

Seven courses, t counted from the event:

    steady      c
    decaying    c + a exp(-t/tau)
    sloping     c + a exp(-t/tau) + b t
    stepped     c + a exp(-t/tau) + d before t1
    two-stage   c + a exp(-t/tau) + a2 exp(-t/tau2)
    ringing     c + exp(-t/tau) (a cos(2 pi f t) + b sin(2 pi f t))
    mixed       the same + a2 exp(-t/tau2)

Each is linear in its amplitudes once tau (and f) are given, so starts come from a grid over those
alone (variable projection), and Gauss-Newton iteration (Levenberg-Marquardt) ends it.

The uncertainty follows from the residual's own spectrum (trend_noise).

References
----------
G. H. Golub, V. Pereyra, "The differentiation of pseudo-inverses and nonlinear least squares problems
whose variables separate", SIAM J. Numer. Anal. 10, 1973.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.trend import Trend
from sequencer.analysis.trend_noise import Matrix, TrendNoise, padded_frequency, padded_size

Kind = Literal["steady", "decaying", "sloping", "stepped", "two-stage", "ringing", "mixed"]

_MOST_STEPS, _ROUGH_STEPS = 60, 10
_DECAYS = 48
_GRID_POINTS = 240
_RING_DECAYS, _RING_GROWTHS = 12, 5
_MOST_GROWTH = 10.0  # nepers in the record, of a ring
_FEWEST_CYCLES = 0.3  # in the record
_FASTEST_START = 0.45  # cycles a point; at half a cycle the two phases can't be told apart


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """A fitted course. linear: c and the amplitudes; nonlinear: 1/tau (1/s), then 1/tau2 or f (Hz);
    for mixed 1/tau, f, 1/tau2; for stepped 1/tau, t1 (s).

    covariance_root is R with R'R the covariance of (linear, nonlinear), for that of two equal decays
    is lost in rounding; rest_v the residual at the trend's points, noise the noise found in it.
    Amplitudes are those of the voltage itself: what the averaging took away from a fast decay is put
    back.
    """

    kind: Kind
    linear: Samples
    nonlinear: Samples
    covariance_root: Matrix
    rest_v: Samples
    noise: TrendNoise

    @property
    def covariance(self) -> Matrix:
        """Covariance of (linear, nonlinear)."""
        return self.covariance_root.T @ self.covariance_root

    @property
    def squares_v2(self) -> float:
        """Sum of squares of the residual."""
        return float(self.rest_v @ self.rest_v)

    @property
    def rms_v(self) -> float:
        """Root mean square of the residual."""
        return float(np.sqrt(self.squares_v2 / self.rest_v.size))

    @property
    def rings(self) -> bool:
        """Whether a part of it oscillates."""
        return _rings(self.kind)

    @property
    def quality(self) -> float:
        """Quality factor of what oscillates, 0 without; at 0.3 a swing is 1/200 of the one before."""
        if not self.rings:
            return 0.0
        return np.pi * float(self.nonlinear[1]) / max(float(self.nonlinear[0]), 1e-300)

    @property
    def rates(self) -> Samples:
        """Rates 1/tau of all parts, 1/s."""
        is_other = self.rings or self.kind == "stepped"
        return np.delete(self.nonlinear, 1) if is_other else self.nonlinear

    @property
    def step_s(self) -> Estimate | None:
        """When it steps, s after the event; None where it does not."""
        return self.nonlinear_estimate(1) if self.kind == "stepped" else None

    @property
    def step_v(self) -> Estimate | None:
        """By how much it steps, V."""
        if self.kind != "stepped":
            return None
        before = self.linear_estimate(2)
        return Estimate(
            value=-(before.value or 0.0), standard_uncertainty=before.standard_uncertainty
        )

    @property
    def slope_estimate(self) -> Estimate | None:
        """The slope beside its decay, V/s."""
        return self.linear_estimate(2) if self.kind == "sloping" else None

    def linear_estimate(self, index: int) -> Estimate:
        """c or an amplitude, V, or V/s for a slope, with its doubt."""
        return Estimate(
            value=float(self.linear[index]),
            standard_uncertainty=float(np.sqrt(self.covariance[index, index])),
        )

    def value_v(self, time_s: Samples) -> Samples:
        """The course at times after the event."""
        return np.asarray(_columns(self.kind, time_s, self.nonlinear, 0.0) @ self.linear)

    def slow_v(self, time_s: Samples) -> Samples:
        """The same without what oscillates."""
        columns = _columns(self.kind, time_s, self.nonlinear, 0.0)
        slow = np.arange(self.linear.size)
        slow = slow[(slow == 0) | (slow > 2)] if self.rings else slow
        return np.asarray(columns[:, slow] @ self.linear[slow])

    def averaged_v(self, time_s: Samples, kernel_s: float) -> Samples:
        """The same as points of a trend show it."""
        return np.asarray(_columns(self.kind, time_s, self.nonlinear, kernel_s) @ self.linear)

    def slope_v_per_s(self, time_s: float) -> float:
        """Its derivative at a time."""
        fastest = np.abs(self.nonlinear[:1] if self.kind == "stepped" else self.nonlinear)
        step = 1e-4 / max(float(np.max(fastest, initial=0.0)), 1e-6)
        both = self.value_v(np.array([time_s - step, time_s + step]))
        return float(both[1] - both[0]) / (2.0 * step)

    def doubted(self, factor: float) -> "Course":
        """The same with so many times the covariance."""
        return replace(self, covariance_root=np.sqrt(factor) * self.covariance_root)

    def doubt_v(self, time_s: Samples) -> Samples:
        """Standard uncertainty of the course at times after the event."""
        gradient = _jacobian(self.kind, time_s, self.linear, self.nonlinear, 0.0)
        return np.asarray(np.linalg.norm(gradient @ self.covariance_root.T, axis=1))

    def nonlinear_estimate(self, index: int) -> Estimate:
        """A rate, 1/s, or the frequency, Hz, with its doubt."""
        place = self.linear.size + index
        return Estimate(
            value=float(self.nonlinear[index]),
            standard_uncertainty=float(np.sqrt(self.covariance[place, place])),
        )

    def end_estimate(self) -> Estimate:
        """What it comes to in the end, V."""
        return self.linear_estimate(0)

    def slow_estimate(self, time_s: float) -> Estimate:
        """The same as slow_v at one time after the event, V, with its doubt."""
        time = np.array([time_s])
        linear = self.linear.copy()
        if self.rings:
            linear[1:3] = 0.0
        gradient = _jacobian(self.kind, time, linear, self.nonlinear, 0.0)
        if self.rings:
            gradient[:, 1:3] = 0.0
        return Estimate(
            value=float(self.slow_v(time)[0]),
            standard_uncertainty=float(np.linalg.norm(gradient @ self.covariance_root.T)),
        )

    def ring_amplitude_v(self, time_s: float = 0.0) -> Estimate:
        """Amplitude of what oscillates at a time after the event, V peak."""
        wave = self.linear[1:3]
        left = float(np.exp(-self.nonlinear[0] * time_s))
        amplitude = float(np.hypot(*wave))
        gradient = np.zeros(self.covariance_root.shape[1])
        gradient[1:3] = left * wave / max(amplitude, 1e-300)
        gradient[self.linear.size] = -time_s * left * amplitude
        doubt = float(np.linalg.norm(self.covariance_root @ gradient))
        return Estimate(value=left * amplitude, standard_uncertainty=doubt)


def fit_course(kind: Kind, trend: Trend, event_s: float) -> Course:
    """The course of a kind that fits a trend best.

    Raises
    ------
    ValueError : fewer than 12 points
    """
    time = trend.time_s - event_s
    if time.size < 12:
        raise ValueError(f"trend: {time.size} points; expected at least 12")
    start = _START[kind](time, trend.value_v, trend.kernel_s)
    nonlinear = _refined(kind, time, trend.value_v, start, trend.kernel_s)
    linear, rest = _amplitudes(kind, time, trend.value_v, nonlinear, trend.kernel_s)
    root, noise = _covariance_root(kind, trend, time, linear, nonlinear, rest)
    return Course(
        kind=kind,
        linear=linear,
        nonlinear=nonlinear,
        covariance_root=root,
        rest_v=rest,
        noise=noise,
    )


def ringing_share_v2(trend: Trend, rest_v: Samples) -> tuple[float, float]:
    """Of a residual's sum of squares what a ringing course explains, and what it leaves."""
    place, _ = _places(trend.time_s)
    rates = _ring_rates(place)[::3]
    left = min(float(np.min(_ringing_squares(place, rest_v, rate)[1])) for rate in rates)
    return float(rest_v @ rest_v) - left, left


def _rings(kind: Kind) -> bool:
    return kind in ("ringing", "mixed")


def _columns(kind: Kind, time: Samples, nonlinear: Samples, kernel_s: float) -> Matrix:
    """What each amplitude multiplies, shape (times, amplitudes)."""
    one = np.ones_like(time)
    if kind == "steady":
        return one[:, np.newaxis]
    if _rings(kind):
        pole = complex(-nonlinear[0], 2.0 * np.pi * nonlinear[1])
        wave = np.exp(pole * time) * _passed(pole, kernel_s)
        decays = [np.exp(-r * time) * _passed(complex(-r), kernel_s).real for r in nonlinear[2:]]
        return np.column_stack([one, wave.real, wave.imag, *decays])
    rates = nonlinear[:1] if kind == "stepped" else nonlinear
    waves = [np.exp(-rate * time) * _passed(complex(-rate), kernel_s).real for rate in rates]
    if kind == "sloping":
        waves.append(time)
    if kind == "stepped":
        waves.append(_before(time, nonlinear[1], kernel_s))
    return np.column_stack([one, *waves])


def _before(time: Samples, step_s: float, kernel_s: float) -> Samples:
    """1 before a moment and 0 after it, as points show it."""
    if not kernel_s:
        return np.asarray(time < step_s, dtype=np.float64)
    return np.clip((step_s - time + kernel_s) / (2.0 * kernel_s), 0.0, 1.0)


def _column_slopes(
    kind: Kind, time: Samples, nonlinear: Samples, kernel_s: float, linear: Samples
) -> Matrix:
    """Derivative of columns times amplitudes by each nonlinear parameter, (times, parameters)."""
    if kind == "stepped":
        decay = -_wave_slope(time, complex(-nonlinear[0]), kernel_s).real
        during = (np.abs(time - nonlinear[1]) < kernel_s) / (2.0 * max(kernel_s, 1e-300))
        return np.column_stack([decay, during]) * linear[1:]
    if not _rings(kind):
        slopes = [-_wave_slope(time, complex(-rate), kernel_s).real for rate in nonlinear]
        return np.column_stack(slopes) * linear[1 : 1 + nonlinear.size]
    by_pole = _wave_slope(time, complex(-nonlinear[0], 2.0 * np.pi * nonlinear[1]), kernel_s)
    turned = (linear[1] - 1j * linear[2]) * by_pole  # its real part is the real course
    slow = [-_wave_slope(time, complex(-rate), kernel_s).real for rate in nonlinear[2:]]
    slow = [slope * amplitude for slope, amplitude in zip(slow, linear[3:], strict=True)]
    return np.column_stack([-turned.real, -2.0 * np.pi * turned.imag, *slow])


def _wave_slope(time: Samples, pole: complex, kernel_s: float) -> NDArray[np.complex128]:
    """Derivative of exp(pole t) as points show it, by the pole."""
    x = pole * kernel_s
    bend = (np.cosh(x) - np.sinh(x) / x) / x if abs(x) > 1e-4 else x / 3.0  # of sinh(x)/x
    return np.asarray(np.exp(pole * time) * (time * _passed(pole, kernel_s) + kernel_s * bend))


def _passed(pole: complex, kernel_s: float) -> complex:
    """What the mean over two kernels leaves of exp(pole t): sinh(x)/x, x = pole kernel.

    Exact: the mean of exp(pole t) over t - kernel to t + kernel. For a steady sine it is the sinc.
    """
    x = pole * kernel_s
    return complex(np.sinh(x) / x) if abs(x) > 1e-6 else 1.0


def _amplitudes(
    kind: Kind, time: Samples, value: Samples, nonlinear: Samples, kernel_s: float
) -> tuple[Samples, Samples]:
    """Amplitudes by linear least squares, and the residual."""
    columns = _columns(kind, time, nonlinear, kernel_s)
    linear = np.linalg.lstsq(columns, value, rcond=None)[0]
    return np.asarray(linear, dtype=np.float64), np.asarray(value - columns @ linear)


def _refined(
    kind: Kind,
    time: Samples,
    value: Samples,
    start: Samples,
    kernel_s: float,
    *,
    most: int = _MOST_STEPS,
) -> Samples:
    """Rates and frequency at the least squares, from a start in the right valley."""
    spread = float(np.ptp(value))
    if not start.size or not spread:
        return start
    scale = np.maximum(np.abs(start), 1e-3 / float(time[-1]))

    def residual(relative: Samples) -> Samples:
        return _amplitudes(kind, time, value, relative * scale, kernel_s)[1] / spread

    def slopes(relative: Samples) -> Matrix:
        """Of the residual. The amplitudes follow the nonlinear parameters (variable projection)."""
        columns = _columns(kind, time, relative * scale, kernel_s)
        basis, triangle = np.linalg.qr(columns)
        linear = np.linalg.lstsq(triangle, basis.T @ value, rcond=None)[0]
        moved = _column_slopes(kind, time, relative * scale, kernel_s, linear)
        return -(moved - basis @ (basis.T @ moved)) * scale / spread

    # rates from "hardly moves in a hundred records" (growing a little allowed) to "gone in a point"
    low = np.full(start.size, -2.0 / float(time[-1]))
    high = np.full(start.size, 2.0 / max(float(time[1] - time[0]), 1e-9))
    if _rings(kind):  # a smaller part of a cycle can't be told from decays
        low[0] = -_MOST_GROWTH / float(time[-1])
        low[1] = _FEWEST_CYCLES / float(time[-1])
        high[1] = 0.5 / float(np.min(np.diff(time)))  # faster only looks like slower
    if kind == "stepped":
        low[1], high[1] = float(time[0]), float(time[-1])
    inside = np.clip(start, low + 0.01 * np.abs(low), 0.99 * high)
    found = scipy.optimize.least_squares(
        residual,
        inside / scale,
        jac=slopes,
        bounds=(low / scale, high / scale),
        xtol=1e-9,
        ftol=1e-10,
        gtol=1e-14,
        max_nfev=most,
    )
    return np.asarray(found.x * scale)


def _start_steady(time: Samples, value: Samples, kernel_s: float) -> Samples:
    return np.empty(0)


def _start_of_rate(kind: Kind, time: Samples, value: Samples, kernel_s: float) -> Samples:
    """The best trial rate of a course that has one."""
    rates = _trial_rates(time)
    squares = [_squares(kind, time, value, np.array([r]), kernel_s) for r in rates]
    return rates[[int(np.argmin(squares))]]


def _start_stepped(time: Samples, value: Samples, kernel_s: float) -> Samples:
    """The best step beside each trial decay, all its places at once by running sums."""
    best, least = np.empty(0), np.inf
    before = np.arange(1, time.size)  # points that lie before the step
    for rate in _trial_rates(time):
        columns = _columns("decaying", time, np.array([rate]), kernel_s)
        # the last one for a rate between two of the trial ones
        basis = np.linalg.qr(np.column_stack([columns, time * columns[:, 1]]))[0]
        rest = value - basis @ (basis.T @ value)
        along = np.cumsum(basis, axis=0)[:-1]
        own = before - np.sum(along**2, axis=1)
        explained = np.cumsum(rest)[:-1] ** 2 / np.maximum(own, 1e-6 * before)
        k = int(np.argmax(explained))
        left = float(rest @ rest - explained[k])
        if left < least:
            best, least = np.array([rate, (time[k] + time[k + 1]) / 2.0]), left
    return best


def _start_two_stage(time: Samples, value: Samples, kernel_s: float) -> Samples:
    thin = slice(None, None, max(time.size // _GRID_POINTS, 1))
    rates = _trial_rates(time)[::3]
    pairs = [np.array([a, b]) for i, a in enumerate(rates) for b in rates[i + 1 :]]
    squares = [_squares("two-stage", time[thin], value[thin], p, kernel_s) for p in pairs]
    return pairs[int(np.argmin(squares))]


def _start_ringing(time: Samples, value: Samples, kernel_s: float) -> Samples:
    place, step = _places(time)
    best, least = np.zeros(2), np.inf
    growing = -np.geomspace(1.0, _MOST_GROWTH, _RING_GROWTHS) / place[-1]
    for rate in (*_ring_rates(place), *growing):
        frequencies, squares = _ringing_squares(place, value, rate)
        k = int(np.argmin(squares))
        if squares[k] < least:
            best, least = np.array([rate, frequencies[k]]) / step, float(squares[k])
    return best


def _places(time: Samples) -> tuple[NDArray[np.int64], float]:
    """Numbers of the points, those left out counted, and their distance, s."""
    step = float(np.min(np.diff(time)))
    return np.rint((time - time[0]) / step).astype(np.int64), step


def _ring_rates(place: NDArray[np.int64]) -> Samples:
    """Trial decay rates of ringing, nepers a step."""
    return np.concatenate(([0.0], np.geomspace(0.5 / place[-1], 0.25, _RING_DECAYS)))


def _start_mixed(time: Samples, value: Samples, kernel_s: float) -> Samples:
    """What rings in the value, about the best decay or in its steps, with the best decay beside it.

    From point to point a slow decay hardly moves, however much of it is left.
    """
    decay = _start_of_rate("decaying", time, value, kernel_s)
    beside = _amplitudes("decaying", time, value, decay, kernel_s)[1]
    rates = (*_trial_rates(time)[::3], *decay)
    roughly = []
    for ringing in (
        _start_ringing(time, value, kernel_s),
        _start_ringing(time, beside, kernel_s),
        _start_ringing(time[1:], np.diff(beside), kernel_s),
    ):
        starts = [np.append(ringing, rate) for rate in rates]
        squares = [_squares("mixed", time, value, start, kernel_s) for start in starts]
        best = starts[int(np.argmin(squares))]
        roughly.append(_refined("mixed", time, value, best, kernel_s, most=_ROUGH_STEPS))
    squares = [_squares("mixed", time, value, start, kernel_s) for start in roughly]
    return roughly[int(np.argmin(squares))]


def _ringing_squares(
    place: NDArray[np.int64], value: Samples, rate: float
) -> tuple[Samples, Samples]:
    """Least squares left by a ringing course at one rate, for each frequency of a fine grid.

    place: whole numbers, points left out missing; rate in nepers a step, frequencies in cycles a
    step, a quarter of a cycle in the record apart, up to _FASTEST_START. All sums are transforms.
    """
    count = int(place[-1]) + 1
    size = scipy.fft.next_fast_len(4 * count)
    bins = np.arange(1, max(int(_FASTEST_START * size), 2) + 1)

    def turned(weights: Samples, multiple: int = 1) -> NDArray[np.complex128]:
        """Sum of weights times exp(2 pi i f place multiple)."""
        filled = np.zeros(size)
        filled[place] = weights
        return np.asarray(np.conj(np.fft.fft(filled))[(multiple * bins) % size])

    fall = np.exp(-rate * place)
    wave, twice, product = turned(fall), turned(fall * fall, 2), turned(fall * value)
    energy = float(np.sum(fall * fall))
    gram = np.empty((bins.size, 3, 3))
    gram[:, 0, 0] = place.size
    gram[:, 0, 1] = gram[:, 1, 0] = wave.real
    gram[:, 0, 2] = gram[:, 2, 0] = wave.imag
    gram[:, 1, 2] = gram[:, 2, 1] = twice.imag / 2.0
    gram[:, 1, 1], gram[:, 2, 2] = (energy + twice.real) / 2.0, (energy - twice.real) / 2.0
    gram += 1e-12 * np.trace(gram, axis1=1, axis2=2)[:, np.newaxis, np.newaxis] * np.eye(3)
    right = np.stack([np.full(bins.size, np.sum(value)), product.real, product.imag], axis=1)
    solved = np.linalg.solve(gram, right[..., np.newaxis])[..., 0]
    squares = value @ value - np.einsum("ij,ij->i", solved, right)
    return bins / size, np.asarray(squares)


def _trial_rates(time: Samples) -> Samples:
    """Rates 1/tau from a tenth of the record's reciprocal to the distance of points."""
    span, step = float(time[-1] - time[0]), float(time[1] - time[0])
    return np.geomspace(0.1 / span, 0.5 / step, _DECAYS)


def _squares(
    kind: Kind, time: Samples, value: Samples, nonlinear: Samples, kernel_s: float
) -> float:
    rest = _amplitudes(kind, time, value, nonlinear, kernel_s)[1]
    return float(rest @ rest)


_START: dict[Kind, Callable[[Samples, Samples, float], Samples]] = {
    "steady": _start_steady,
    "decaying": partial(_start_of_rate, "decaying"),
    "sloping": partial(_start_of_rate, "sloping"),
    "stepped": _start_stepped,
    "two-stage": _start_two_stage,
    "ringing": _start_ringing,
    "mixed": _start_mixed,
}


def _jacobian(
    kind: Kind, time: Samples, linear: Samples, nonlinear: Samples, kernel_s: float
) -> Matrix:
    """Derivative of the course by (linear, nonlinear), shape (times, parameters)."""
    columns = [_columns(kind, time, nonlinear, kernel_s)]
    for k in range(nonlinear.size):
        step = np.zeros(nonlinear.size)
        step[k] = 1e-5 * max(abs(nonlinear[k]), 1e-3)
        above = _columns(kind, time, nonlinear + step, kernel_s) @ linear
        below = _columns(kind, time, nonlinear - step, kernel_s) @ linear
        columns.append(((above - below) / (2.0 * step[k]))[:, np.newaxis])
    return np.hstack(columns)


def _covariance_root(
    kind: Kind, trend: Trend, time: Samples, linear: Samples, nonlinear: Samples, rest: Samples
) -> tuple[Matrix, TrendNoise]:
    """R with R'R the parameters' covariance, what the residual's spectrum makes of (J'J)^-1; noise."""
    jacobian = _jacobian(kind, time, linear, nonlinear, trend.kernel_s)
    scale = np.maximum(np.sqrt(np.sum(jacobian**2, axis=0)), 1e-150)
    weights = np.linalg.pinv(jacobian / scale)
    noise = TrendNoise.of(rest, jacobian / scale, trend.step_s, trend.kernel_s)
    frequency = padded_frequency(time.size, trend.step_s)
    answer = np.fft.rfft(weights, n=padded_size(time.size), axis=1)[:, 1:]
    taken = np.abs(answer) ** 2 @ noise.shapes(frequency).T * float(frequency[0])
    weighted = answer * np.sqrt(noise.density(frequency) * float(frequency[0]))
    root = np.linalg.qr(np.hstack([weighted.real, weighted.imag]).T, mode="r")
    likely = np.array([noise.likely.variance(*each) for each in taken.tolist()])
    widened = np.sqrt(likely / np.maximum(taken @ noise.likely.mean, 1e-300))
    return np.asarray(root * widened / scale), noise
