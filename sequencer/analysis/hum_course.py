"""The course of hum whose level changes: what to take off to see what else a record does.

Theory of operation. What a fit of steady lines leaves of hum that changes looks like clicks, steps of
the DC and like louder noise. So all lines are read in stretches of two mains cycles, half overlapping,
behind a Hann window, whose zeros lie on the neighbouring lines. Medians of nine stretches keep any level
that goes one way, a step too, and pass clicks and steps of the DC over. Between the middles of the
stretches each line goes straight. Where an edge of some cycles or a step leaves clearly less, that
is sought, a step to the sample.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Samples, Spectral
from sequencer.analysis.spectrum import hann

_SIDE = 4  # stretches to each side, of a median
_ROUNDS = 3  # two cycles are no whole count of samples: lines leak into one another
_EDGE = 3  # stretches from an edge that hold nothing of it
_EDGE_CYCLES, _APART_CYCLES = (0.25, 0.5, 1.0, 1.5, 2.0, 3.0), 1 / 8
_FINER = 6  # times half as far apart
_MOST_EDGES = 8
_CLEARLY = 0.9  # of the power that the straight course leaves


@dataclass(frozen=True, slots=True)
class _Stretches:
    """Stretches of two cycles; tables of the lines by sample, shape (2 cycle, lines)."""

    cycle: int
    omega: Spectral
    turns: NDArray[np.complex128]

    @classmethod
    def of(cls, cycle: int, omega: Spectral) -> "_Stretches":
        return cls(cycle, omega, np.exp(1j * np.outer(np.arange(-cycle, cycle), omega)))

    def lines(self, record: Samples) -> NDArray[np.complex128]:
        """Smoothed amplitude of each line about each whole cycle but the ends, as at sample 0."""
        cycle = self.cycle
        window = 2 * hann(2 * cycle) / hann(2 * cycle).sum()
        table = window[:, np.newaxis] * self.turns.conj()
        cycles = record[: record.size // cycle * cycle].reshape(-1, cycle)
        sums = cycles[:-1] @ table[:cycle] + cycles[1:] @ table[cycle:]
        middles = cycle * np.arange(1, len(sums) + 1)
        lines = sums * np.exp(-1j * np.outer(middles, self.omega))
        padded = np.pad(lines, ((_SIDE, _SIDE), (0, 0)), mode="reflect")
        near = np.lib.stride_tricks.sliding_window_view(padded, 2 * _SIDE + 1, axis=0)
        return np.asarray(np.median(near.real, axis=-1) + 1j * np.median(near.imag, axis=-1))

    def straight(self, lines: NDArray[np.complex128], count: int) -> Samples:
        """The course of lines that go straight from one middle to the next, shape (count,)."""
        held = np.pad(lines, ((1, 2), (0, 0)), mode="edge")
        middles = self.cycle * np.arange(len(held))
        local = held * np.exp(1j * np.outer(middles, self.omega))
        after = np.arange(self.cycle)[:, np.newaxis] / self.cycle
        course = local[:-1] @ (self.turns[self.cycle :] * (1 - after)).T
        course += local[1:] @ (self.turns[: self.cycle] * after).T
        return np.asarray(course.real.ravel()[:count])

    def with_edges(
        self, course_v: Samples, record: Samples, lines: NDArray[np.complex128]
    ) -> Samples:
        """The course with quick edges from level to level where those leave clearly less."""
        course_v = course_v.copy()
        moved = np.zeros(len(lines))
        moved[1:-1] = np.sum(np.abs(lines[2:] - lines[:-2]) ** 2, axis=1)
        moved[:_EDGE], moved[-_EDGE:] = 0.0, 0.0
        for _ in range(_MOST_EDGES):
            k = int(np.argmax(moved))
            if not moved[k]:
                break
            moved[max(k - _EDGE, 0) : k + _EDGE + 1] = 0.0
            # line k is that about sample (k + 1) cycle
            first, end = (k + 1 - _EDGE) * self.cycle, (k + 1 + _EDGE) * self.cycle
            turns = np.exp(1j * np.outer(np.arange(first, end), self.omega))
            before, after = (np.real(turns @ lines[at]) for at in (k - _EDGE, k + _EDGE))
            around = record[first:end]
            ends = np.append(around[: self.cycle], around[-self.cycle :])
            around = around - ends.mean()  # DC
            edge = before + (after - before) * self._share(around - before, after - before)
            left_v2 = np.sum((around - course_v[first:end]) ** 2)
            if np.sum((around - edge) ** 2) < _CLEARLY * left_v2:
                course_v[first:end] = edge
        return course_v

    def _share(self, gone: Samples, whole: Samples) -> Samples:
        """What part of the whole way is gone at each sample, by the edge that leaves least."""
        # a step, to the sample
        after = np.append(0.0, np.cumsum(gone**2 - (gone - whole) ** 2))
        best = (np.arange(gone.size) >= int(np.argmin(after))).astype(np.float64)

        def left_v2(share: Samples) -> float:
            return float(np.sum((gone - whole * share) ** 2))

        def edge(begin: float, cycles: float, *, is_round: bool) -> Samples:
            place = (np.arange(gone.size) / self.cycle - begin) / cycles
            share = np.clip(place, 0.0, 1.0)
            return np.asarray(0.5 - 0.5 * np.cos(np.pi * share) if is_round else share)

        for is_round in (False, True):
            left_by = {
                (begin, cycles): left_v2(edge(begin, cycles, is_round=is_round))
                for cycles in _EDGE_CYCLES
                for begin in np.arange(0.0, 2 * _EDGE - cycles, _APART_CYCLES).tolist()
            }
            begin, cycles = min(left_by, key=lambda each: left_by[each])
            apart = _APART_CYCLES
            for _ in range(_FINER):
                near = [
                    (begin + i * apart, max(cycles + j * apart, apart))
                    for i in (-1, 0, 1)
                    for j in (-1, 0, 1)
                ]
                begin, cycles = min(
                    near,
                    key=lambda each: left_v2(edge(*each, is_round=is_round)),
                )
                apart /= 2
            best = min(best, edge(begin, cycles, is_round=is_round), key=left_v2)
        return best


def hum_course(
    record: Samples, sample_rate_hz: float, mains_hz: float, multiples: Spectral
) -> Samples | None:
    """What the hum adds to a record, its level as it goes, V; None for a record too short to follow it.

    Parameters
    ----------
    record : shape (n,), V
    mains_hz : as found in it
    multiples : shape (lines,), of the mains, that hum is taken to lie at
    """
    cycle = round(sample_rate_hz / mains_hz)
    if record.size < (4 * _SIDE + 2) * cycle:
        return None
    stretches = _Stretches.of(cycle, 2 * np.pi * mains_hz / sample_rate_hz * multiples)
    lines = stretches.lines(record)
    for _ in range(_ROUNDS - 1):
        lines += stretches.lines(record - stretches.straight(lines, record.size))
    return stretches.with_edges(stretches.straight(lines, record.size), record, lines)
