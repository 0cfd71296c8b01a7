"""Where all hum lines turn at once: samples were lost there, or the mains itself jumped.

Theory of operation. A block of samples missing shifts all that follows in time: line h of the hum turns
by h times an angle theta. So the record is cut into parts of two mains cycles, half overlapping, behind
a Hann window, whose zeros lie on the neighbouring lines. From part to part theta is what turns all lines
that stand out together; added up, it is the course of the mains' phase. A step in that, beside a cubic
for a mains that wanders, beyond its scatter is a jump. Medians of five parts let clicks pass.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import ROBUST, Phasors, Samples, scatter_about_course
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.mains import HIGHEST_LINE_HZ
from sequencer.analysis.spectrum import hann

_SIDES = (8, 24, 64)  # parts to each side of a jump
_PASSED_OVER = 2  # parts that may hold it
_SMOOTHED = 5
_SURE = 8.0  # standard deviations
_FEWEST_WINDOWS = 8  # of half a template, that tell how it scatters
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
    kept, course = kept_course
    found: dict[int, float] = {}
    for _ in range(_MOST_ROUNDS):
        jump = _largest(course)
        if jump is None:
            break
        place, size_rad = jump
        course = course - size_rad * (np.arange(course.size) >= place)
        part = int(kept[place])
        # what is left of one already found: it lay within a part
        near = next((k for k in found if abs(k - part) <= _TOGETHER), part)
        found[near] = found.get(near, 0.0) + size_rad
    return tuple(
        HumJump(
            from_s=max(part - _AROUND, 0) * cycle / sample_rate_hz,
            to_s=min((part + _AROUND) * cycle, record.size) / sample_rate_hz,
            shift_s=math.remainder(size_rad, math.tau) / math.tau / mains_hz,
        )
        for part, size_rad in sorted(found.items())
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
) -> tuple[NDArray[np.intp], Samples] | None:
    """The parts that hold the hum as it usually is, and the mains' phase in each, rad, but for a slope.

    None where no line stands out.

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
        trials = np.linspace(-np.pi, np.pi, _TRIALS, endpoint=False)
        likely = (weighted[lost] @ np.exp(-1j * np.outer(multiples, trials))).real
        best = trials[np.argmax(likely, axis=1)]
        turn[lost] = _settled(best, weighted[lost], multiples)
    angle = np.append(0.0, np.cumsum(turn))
    # each against all: what a click did between two parts would stay
    turned_back = scaled[kept] * np.exp(-1j * np.outer(angle, multiples))
    usual_line = np.median(turned_back.real, axis=0) + 1j * np.median(turned_back.imag, axis=0)
    angle = _settled(angle, scaled[kept] * usual_line.conj(), multiples)
    course = angle - usual_turn * (kept - kept[0])
    return kept, np.unwrap(course)


def _settled(turn: Samples, weighted: NDArray[np.complex128], multiples: Samples) -> Samples:
    """The angle that turns all lines best, from near it."""
    for _ in range(3):
        off = weighted * np.exp(-1j * np.outer(turn, multiples))
        turn = turn + (off.imag @ multiples) / (np.abs(off) @ multiples**2)
    return turn


def _alike(turn: Samples, weighted: NDArray[np.complex128], multiples: Samples) -> Samples:
    off: Phasors = weighted * np.exp(-1j * np.outer(turn, multiples))
    return np.asarray(off.real.sum(axis=1) / np.abs(off).sum(axis=1))


def _largest(course: Samples) -> tuple[int, float] | None:
    """The part that the surest step of the mains' phase lies before, and its size, rad."""
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(course, _SMOOTHED), axis=1)
    scatter = scatter_about_course(course)
    best, surest = None, _SURE
    for side in _SIDES:
        if smooth.size < 3 * side:
            break
        template = _template(side)
        steps = np.abs(np.correlate(smooth, template, mode="valid"))
        spread = scatter * math.sqrt(float(template @ template))
        if steps.size > _FEWEST_WINDOWS * side:  # a mains that wanders does it elsewhere too
            spread = max(spread, ROBUST * float(np.median(steps)))
        k = int(np.argmax(steps))
        if steps[k] > max(surest * spread, _LEAST_RAD):
            surest = float(steps[k]) / max(spread, _LEAST_RAD / _SURE)
            best = slice(k, k + 2 * side)
    if best is None:
        return None
    step = _best_step(smooth[best])
    return None if step is None else (best.start + step[0] + _SMOOTHED // 2, step[1])


def _best_step(course: Samples) -> tuple[int, float] | None:
    """Where a step beside a cubic leaves least, and its size; None where a bend leaves less."""
    place = np.linspace(-1.0, 1.0, course.size)
    smooth = np.polynomial.legendre.legvander(place, _BENDS - 1)
    cubic = smooth[:, :4]
    bend = smooth @ np.linalg.lstsq(smooth, course, rcond=None)[0]
    least_rss, best = float(np.sum((course - bend) ** 2)), None
    for at in range(_PASSED_OVER + 2, course.size - _PASSED_OVER - 1):
        step = np.clip((np.arange(course.size) - at + 1.5) / 3.0, 0.0, 1.0)
        columns = np.column_stack([step, cubic])
        found = np.linalg.lstsq(columns, course, rcond=None)[0]
        rss = float(np.sum((course - columns @ found) ** 2))
        if rss < least_rss:
            least_rss, best = rss, (at, float(found[0]))
    return best


def _template(side: int) -> Samples:
    """What gives the size of a step in the middle of 2 side places, beside a cubic."""
    at = np.arange(2 * side) - (side - 0.5)
    counted = np.abs(at) > _PASSED_OVER
    columns = np.column_stack([np.sign(at) / 2, *(at**k for k in range(4))])
    template = np.zeros(at.size)
    template[counted] = np.linalg.pinv(columns[counted])[0]
    return template
