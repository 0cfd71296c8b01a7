"""Where all hum lines turn at once: samples were lost there, or the mains itself jumped.

Theory of operation. A block of samples missing shifts all that follows in time: line h of the hum turns
by h times an angle theta. So the record is cut into parts of two mains cycles, half overlapping, behind
a Hann window, whose zeros lie on the neighbouring lines. From part to part theta is what turns all lines
that stand out together; added up, it is the course of the mains' phase. A step in that, beside a cubic,
is a jump. Medians of five parts let clicks pass.

A mains that wanders makes no step: its phase is its frequency, summed. Yet from some parts off a wander
looks like one. A step is told only where it is far beyond the scatter and beyond what a frequency that
walks at random, as far as second differences elsewhere in the record let it, would make of itself,
where it leaves clearly less than a bend or a kink, and where it may be a whole sample.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Phasors, Samples, scatter_about_course
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.mains import HIGHEST_LINE_HZ
from sequencer.analysis.spectrum import hann

_SIDES = (8, 24, 64)  # parts to each side of a jump
_PASSED_OVER = 2  # parts that may hold it
_SMOOTHED = 5
_MEDIAN = 1.2  # standard deviation of a median of five over that of a mean, normal distribution
_OVERLAP = 1 / 6  # correlation of neighbours
_SURE = 8.0  # standard deviations
_LAGS = (8, 16, 32, 64)  # parts, of second differences that tell how the mains wanders
_FEWEST_LAGS = 8  # in the course
_QUANTILE, _OF_NORMAL = 0.8, 1.2816  # of absolute values; in standard deviations
_CLEARLY = 2.0  # times what a step leaves: what its rivals must
_OWN_DOUBT = 3.0  # standard deviations that a step may lack of a whole sample
_LEAST_RAD = 5e-4  # of the mains, 1.6 us
_STANDS_OUT = 20.0  # power of a line over the scatter from part to part
_MOST_OFF, _LEAST_KEPT = 0.1, 0.7  # of a part's power by amplitudes; of the parts
_ROUNDING = 1e-9  # of the record's largest value: the computation's own
_ALIKE = 0.8  # of what lines that turn together would give
_FEWEST_OF_A_CYCLE = 3  # samples
_TRIALS = 1024  # angles
_MOST_ROUNDS = 12
_TOGETHER, _AROUND = 12, 6  # parts
_BENDS = 6  # degrees and one, of a mains that wanders far within the stretch


@dataclass(frozen=True, slots=True, kw_only=True)
class HumJump:
    """Where the hum jumps: between which moments, s, and by how much time, s, within half a cycle.

    shift_s is what seems to be missing there, or negative, too much.
    """

    from_s: float
    to_s: float
    shift_s: float

    def after(self, begin_s: float) -> "HumJump":
        """In a record that begins earlier by so much."""
        return replace(self, from_s=begin_s + self.from_s, to_s=begin_s + self.to_s)


def find_hum_jumps(record: Samples, sample_rate_hz: float, mains_hz: float) -> tuple[HumJump, ...]:
    """The jumps of a record's hum in order of time; none where no hum line stands out.

    Parameters
    ----------
    record : shape (n,), volts, its DC at rest
    mains_hz : nominal
    """
    cycle = round(sample_rate_hz / mains_hz)
    if cycle < _FEWEST_OF_A_CYCLE:
        return ()
    computed = _ROUNDING * float(np.abs(record).max()) * cycle / 2.0  # the factor of all parts
    kept_course = _course(_parts(record, cycle, sample_rate_hz), computed)
    if kept_course is None:
        return ()
    kept, course, alias_rad = kept_course
    sample_rad = math.tau * mains_hz / sample_rate_hz
    found: dict[int, float] = {}
    for _ in range(_MOST_ROUNDS):
        jump = _largest(course, sample_rad)
        if jump is None:
            break
        place, size_rad = jump
        course = course - size_rad * (np.arange(course.size) >= place)
        part = int(kept[place])
        # what is left of one already found: it lay within a part
        near = next((k for k in found if abs(k - part) <= _TOGETHER), part)
        found[near] = found.get(near, 0.0) + size_rad
    told = {part: math.remainder(size_rad, alias_rad) for part, size_rad in found.items()}
    return tuple(
        HumJump(
            from_s=max(part - _AROUND, 0) * cycle / sample_rate_hz,
            to_s=min((part + _AROUND) * cycle, record.size) / sample_rate_hz,
            shift_s=size_rad / math.tau / mains_hz,
        )
        for part, size_rad in sorted(told.items())
        if abs(size_rad) > sample_rad / 2
    )


def longest_between(
    jumps: Sequence[HumJump], record_s: float, least_s: float
) -> tuple[float, float]:
    """The longest stretch of a record without a jump, from and to, s.

    Raises
    ------
    CannotMeasure : dropout, it is shorter than least_s
    """
    edges = [0.0, *(at for jump in jumps for at in (jump.from_s, jump.to_s)), record_s]
    stretches = zip(edges[::2], edges[1::2], strict=True)
    from_s, to_s = max(stretches, key=lambda stretch: stretch[1] - stretch[0])
    if to_s - from_s < least_s:
        raise CannotMeasure(
            "dropout",
            f"all hum lines turn at once, first near {jumps[0].from_s:.3g} s and {len(jumps)} times "
            "in all: samples are missing",
            "record again; look for an overloaded connection to the analyser",
        )
    return from_s, to_s


def _parts(record: Samples, cycle: int, sample_rate_hz: float) -> NDArray[np.complex128]:
    """Amplitude of each line in each part, to a common factor: shape (parts, lines)."""
    highest_hz = min(HIGHEST_LINE_HZ, 0.4 * sample_rate_hz)
    multiples = np.arange(1, int(highest_hz * cycle / sample_rate_hz) + 1)
    count = record.size // cycle
    if not multiples.size or count < 3 * _SIDES[0] + _SMOOTHED:
        return np.zeros((0, 0), dtype=np.complex128)
    window = hann(2 * cycle)
    angle = 2 * np.pi * np.outer(np.arange(cycle), multiples) / cycle
    cycles = (record[: count * cycle] - record.mean()).reshape(count, cycle)
    table = np.hstack([np.cos(angle), -np.sin(angle)])
    first = cycles[:-1] @ (window[:cycle, np.newaxis] * table)
    both = first + cycles[1:] @ (window[cycle:, np.newaxis] * table)
    return np.asarray(both[:, : multiples.size] + 1j * both[:, multiples.size :])


def _course(
    parts: NDArray[np.complex128], computed: float
) -> tuple[NDArray[np.intp], Samples, float] | None:
    """The parts that hold the hum as it usually is, and the mains' phase in each, rad, but for a slope.

    And the angle that all lines that stand out can't tell from none, rad. None where no line stands out.

    Parameters
    ----------
    computed : what the computation leaves in a part, to their factor
    """
    if not parts.size:
        return None
    usual = np.median(np.abs(parts), axis=0)
    together = parts[1:] * parts[:-1].conj()
    # what is left of a line when its own turn from part to part is taken off
    own = np.exp(-1j * np.angle(np.sum(together, axis=0)))
    scatter_v2 = np.median(np.abs(parts[1:] * own - parts[:-1]), axis=0) ** 2
    scatter_v2 = np.maximum(scatter_v2, computed**2)
    chosen = np.flatnonzero(usual**2 > _STANDS_OUT * scatter_v2)
    if not chosen.size:
        return None
    multiples: Samples = chosen.astype(np.float64) + 1.0
    # even lines alone: half a cycle is none
    alias_rad = math.tau / float(np.gcd.reduce(chosen + 1))
    scaled = parts[:, chosen] / np.sqrt(scatter_v2[chosen])
    size = usual[chosen] / np.sqrt(scatter_v2[chosen])
    off = np.sum((np.abs(scaled) - size) ** 2, axis=1) / float(size @ size)
    kept = np.flatnonzero(off < _MOST_OFF)  # not those with a click, or a jump amid them
    if kept.size < _LEAST_KEPT * len(parts):
        return None
    weighted = scaled[kept[1:]] * scaled[kept[:-1]].conj()
    apart = np.diff(kept)
    first = np.angle(weighted[:, 0]) / multiples[0]
    usual_turn = float(np.median(_settled(first, weighted, multiples)[apart == 1]))
    turn = _settled(usual_turn * apart, weighted, multiples)
    lost = np.flatnonzero(_alike(turn, weighted, multiples) < _ALIKE)
    if lost.size:
        trials = np.linspace(-alias_rad / 2, alias_rad / 2, _TRIALS, endpoint=False)
        likely = (weighted[lost] @ np.exp(-1j * np.outer(multiples, trials))).real
        best = trials[np.argmax(likely, axis=1)]
        turn[lost] = _settled(best, weighted[lost], multiples)
    angle = np.append(0.0, np.cumsum(turn))
    # each against all: what a click did between two parts would stay
    turned_back = scaled[kept] * np.exp(-1j * np.outer(angle, multiples))
    usual_line = np.median(turned_back.real, axis=0) + 1j * np.median(turned_back.imag, axis=0)
    angle = _settled(angle, scaled[kept] * usual_line.conj(), multiples)
    course = angle - usual_turn * (kept - kept[0])
    return kept, np.unwrap(course, period=alias_rad), alias_rad


def _settled(turn: Samples, weighted: NDArray[np.complex128], multiples: Samples) -> Samples:
    """The angle that turns all lines best, from near it."""
    for _ in range(3):
        off = weighted * np.exp(-1j * np.outer(turn, multiples))
        turn = turn + (off.imag @ multiples) / (np.abs(off) @ multiples**2)
    return turn


def _alike(turn: Samples, weighted: NDArray[np.complex128], multiples: Samples) -> Samples:
    off: Phasors = weighted * np.exp(-1j * np.outer(turn, multiples))
    return np.asarray(off.real.sum(axis=1) / np.abs(off).sum(axis=1))


def _largest(course: Samples, sample_rad: float) -> tuple[int, float] | None:
    """The part that the surest step of the mains' phase lies before, and its size, rad.

    It must be as large in the narrowest stretch about it as in the one that shows it surest.
    """
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(course, _SMOOTHED), axis=1)
    scatter = scatter_about_course(course, _OVERLAP)
    surest, best = _SURE, None
    for side in _SIDES:
        if smooth.size < 3 * side:
            break
        steps = np.abs(np.correlate(smooth, _template(side), mode="valid"))
        k = int(np.argmax(steps))
        if steps[k] <= surest * _spread(side, scatter, 0.0):
            continue
        place = k + _place_of_step(smooth[k : k + 2 * side])
        walk_rad = _walk(smooth, place)
        spread = max(_spread(side, scatter, walk_rad), _LEAST_RAD / _SURE)
        size_rad = _clear_step(*_around(smooth, place, side))
        near_rad = _step(*_around(smooth, place, _SIDES[0]))[0]
        if abs(near_rad - size_rad) > _OWN_DOUBT * _spread(_SIDES[0], scatter, walk_rad):
            continue
        least_rad = max(surest * spread, sample_rad - _OWN_DOUBT * spread)
        if abs(size_rad) > least_rad:
            surest, best = abs(size_rad) / spread, (place + _SMOOTHED // 2, size_rad)
    return best


def _walk(course: Samples, place: int) -> float:
    """Standard deviation of what the course's slope gains at random from part to part, at most.

    From second differences over several lags, which noise makes too large, the short ones most; none of
    them across the place.
    """
    least = math.inf
    for lag in _LAGS:
        if least < math.inf and course.size < _FEWEST_LAGS * lag:
            break
        second = course[2 * lag :] - 2 * course[lag:-lag] + course[: -2 * lag]
        first = np.arange(second.size)
        elsewhere = (first + 2 * lag < place - _SMOOTHED) | (first >= place + _SMOOTHED)
        if not elsewhere.any():
            continue
        size = float(np.quantile(np.abs(second[elsewhere]), _QUANTILE)) / _OF_NORMAL
        weights = np.zeros(2 * lag + 1)
        weights[[0, lag, 2 * lag]] = 1.0, -2.0, 1.0
        least = min(least, size / _gain(weights))
    return least if least < math.inf else 0.0


def _gain(weights: Samples) -> float:
    """Of weights that no slope passes: standard deviation for a slope that walks at random by one."""
    return float(np.linalg.norm(np.cumsum(np.cumsum(weights))))


def _place_of_step(course: Samples) -> int:
    """Where a step beside a cubic leaves least."""
    index = np.arange(course.size)
    cubic = _bend(course.size, 4)
    places = range(_PASSED_OVER + 2, course.size - _PASSED_OVER - 1)
    steps = [np.clip((index - at + 1.5) / 3.0, 0.0, 1.0) for at in places]
    left = [_left(course, np.column_stack([step, cubic]))[0] for step in steps]
    return places[int(np.argmin(left))]


def _around(course: Samples, place: int, side: int) -> tuple[Samples, int]:
    """So many to each side of the place where the course goes so far, and where it is in them."""
    begin = min(max(place - side, 0), course.size - 2 * side)
    return course[begin : begin + 2 * side], place - begin


def _spread(side: int, scatter: float, walk_rad: float) -> float:
    """Standard deviation of a step's size where there is none."""
    template = _template(side)
    weights = np.convolve(template, np.full(_SMOOTHED, _MEDIAN / _SMOOTHED))
    variance = float(weights @ weights + 2 * _OVERLAP * weights[1:] @ weights[:-1])
    return math.hypot(scatter * math.sqrt(variance), walk_rad * _gain(template))


def _counted(count: int, at: int) -> NDArray[np.bool_]:
    return np.asarray(np.abs(np.arange(count) - at + 0.5) > _PASSED_OVER)


def _step(course: Samples, at: int) -> tuple[float, float]:
    """Size of the step there beside a cubic, and the sum of squares it leaves."""
    step = (np.arange(course.size) >= at).astype(np.float64)
    counted = _counted(course.size, at)
    columns = np.column_stack([step, _bend(course.size, 4)])
    rss, size = _left(course[counted], columns[counted])
    return size, rss


def _clear_step(course: Samples, at: int) -> float:
    """Size of the step there; 0 where what a mains does leaves not clearly more.

    That is a bend, or a kink: its frequency steps.
    """
    size, rss = _step(course, at)
    index, counted = np.arange(course.size), _counted(course.size, at)
    cubic = _bend(course.size, 4)
    kinks = [np.column_stack([np.abs(index - k), cubic]) for k in index[2:-2]]
    rivals = [_bend(course.size, _BENDS), *kinks]
    rival_rss = min(_left(course[counted], columns[counted])[0] for columns in rivals)
    return size if rival_rss > _CLEARLY * rss else 0.0


def _bend(count: int, terms: int) -> Samples:
    place = np.linspace(-1.0, 1.0, count)
    return np.asarray(np.polynomial.legendre.legvander(place, terms - 1), dtype=np.float64)


def _left(course: Samples, columns: Samples) -> tuple[float, float]:
    """Sum of squares that the columns leave, and how much of the first they hold."""
    found = np.linalg.lstsq(columns, course, rcond=None)[0]
    return float(np.sum((course - columns @ found) ** 2)), float(found[0])


def _template(side: int) -> Samples:
    """What gives the size of a step in the middle of 2 side places, beside a cubic."""
    at = np.arange(2 * side) - (side - 0.5)
    counted = np.abs(at) > _PASSED_OVER
    columns = np.column_stack([np.sign(at) / 2, *(at**k for k in range(4))])
    template = np.zeros(at.size)
    template[counted] = np.linalg.pinv(columns[counted])[0]
    return template
