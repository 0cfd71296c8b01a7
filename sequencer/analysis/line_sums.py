"""Inner products of a record with lines, and of lines with one another, without long columns.

Time m is counted from mid-record for two reasons. The phase there is uncorrelated with the
frequency. And every inner product of an even with an odd function vanishes, so that normal
equations fall into two real systems (offset, cos, m sin | sin, m cos) whose entries are closed
geometric sums.

For the products with the record, exp(-i w m) separates over n = a K + b into exp(-i w K a)
exp(-i w b): the record, folded into a matrix, is multiplied once with a table of K rows, and the
result is summed with one phase a row.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Phasors, Samples, Spectral

_MOST_COLUMNS = 512

_Real = TypeVar("_Real", bound=np.floating)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fold:
    """A record of count samples as a matrix of rows and columns, and a tail shorter than a row.

    Time m of a sample in the matrix is that of its row's middle plus that of its column.
    """

    count: int
    columns: int
    rows: int

    @classmethod
    def of(cls, count: int) -> "Fold":
        """The fold with about as many rows as columns; no more columns than pay."""
        columns = min(_MOST_COLUMNS, 1 << max(0, (count.bit_length() - 1) // 2))
        return cls(count=count, columns=columns, rows=count // columns)

    def body(self, samples: NDArray[_Real]) -> NDArray[_Real]:
        """The matrix, a view of the record."""
        return samples[: self.rows * self.columns].reshape(self.rows, self.columns)

    def tail(self, samples: NDArray[_Real]) -> NDArray[_Real]:
        """The samples after the matrix, a view of the record."""
        return samples[self.rows * self.columns :]

    @property
    def column_m(self) -> Samples:
        """Time of each column from the middle of its row."""
        return np.arange(self.columns, dtype=np.float64) - (self.columns - 1) / 2

    @property
    def row_m(self) -> Samples:
        """Time of each row's middle from mid-record."""
        first = (self.columns - self.count) / 2
        return np.arange(self.rows, dtype=np.float64) * self.columns + first

    @property
    def tail_m(self) -> Samples:
        """Time of each sample of the tail from mid-record."""
        first = self.rows * self.columns
        return np.arange(first, self.count, dtype=np.float64) - (self.count - 1) / 2

    def column_turns(self, omega: Spectral) -> Phasors:
        """exp(i omega m) at the columns, shape (columns, lines)."""
        return _turns(omega, -(self.columns - 1) / 2, 1, self.columns)

    def row_turns(self, omega: Spectral) -> Phasors:
        """exp(i omega m) at the rows' middles, shape (rows, lines)."""
        return _turns(omega, (self.columns - self.count) / 2, self.columns, self.rows)

    def tail_turns(self, omega: Spectral) -> Phasors:
        """exp(i omega m) at the tail, shape (count - rows columns, lines)."""
        first = self.rows * self.columns
        return _turns(omega, first - (self.count - 1) / 2, 1, self.count - first)


def _turns(omega: Spectral, first: float, step: float, count: int) -> Phasors:
    """exp(i omega m) at m = first, first + step, ..., shape (count, lines).

    Folded once more: few exponentials, one complex product each (a sixth of the time).
    """
    inner = 1 << max(0, (count.bit_length() - 1) // 2)
    outer = -(-count // inner)
    coarse = np.exp(1j * np.outer(first + step * inner * np.arange(outer), omega))
    fine = np.exp(1j * np.outer(step * np.arange(inner), omega))
    return (coarse[:, np.newaxis, :] * fine).reshape(outer * inner, omega.size)[:count]


def line_sums(
    samples: Samples, omega: Spectral, moving: NDArray[np.intp]
) -> tuple[Phasors, Phasors]:
    """Inner products of a record with lines, and with m times the lines listed in moving.

    Sum of x[n] exp(-i omega m) and of m x[n] exp(-i omega m), m counted from mid-record, omega in
    radians a sample.
    """
    fold = Fold.of(samples.size)
    table = fold.column_turns(-omega)
    table = np.hstack([table, fold.column_m[:, np.newaxis] * table[:, moving]])
    by_row = (fold.body(samples) @ table.view(np.float64)).view(np.complex128)
    turn = fold.row_turns(-omega)
    moving_turn = turn[:, moving]
    sums = np.einsum("ij,ij->j", turn, by_row[:, : omega.size])
    moments = np.einsum("ij,ij->j", moving_turn, by_row[:, omega.size :])
    moments += np.einsum("i,ij,ij->j", fold.row_m, moving_turn, by_row[:, moving])
    rest = fold.tail(samples)
    if rest.size:
        tail = fold.tail_turns(-omega)
        sums += rest @ tail
        moments += (rest * fold.tail_m) @ tail[:, moving]
    return sums, moments


def line_grams(
    count: int, omega: Spectral, moving: Spectral
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Inner products of (cos, m sin) and of (sin, m cos) with themselves.

    Each product of two sinusoids is half a sum of sinusoids of the difference and the sum of their
    frequencies.
    """
    lines, size = omega.size, omega.size + moving.size
    even, odd = np.empty((size, size)), np.empty((size, size))
    difference, total = _halves(_sum_cos, count, omega, omega)
    even[:lines, :lines] = difference + total
    odd[:lines, :lines] = difference - total
    difference, total = _halves(_sum_m_sin, count, moving, omega)
    even[lines:, :lines] = total + difference
    odd[lines:, :lines] = total - difference
    even[:lines, lines:], odd[:lines, lines:] = even[lines:, :lines].T, odd[lines:, :lines].T
    difference, total = _halves(_sum_m2_cos, count, moving, moving)
    even[lines:, lines:] = difference - total
    odd[lines:, lines:] = difference + total
    return even, odd


def _halves(
    of: Callable[[int, Spectral], Spectral], count: int, first: Spectral, second: Spectral
) -> Spectral:
    """Half the sum at the difference, and at the sum, of every two frequencies."""
    pairs = np.array([np.subtract.outer(first, second), np.add.outer(first, second)])
    return 0.5 * of(count, pairs)


def _sum_cos(count: int, theta: Spectral) -> Spectral:
    """Sum of cos(theta m) over the record: sin(count theta / 2) / sin(theta / 2)."""
    half, is_null = _half_angle(count, theta)
    return np.where(is_null, count, np.sin(count * half) / np.sin(half))


def _sum_m_sin(count: int, theta: Spectral) -> Spectral:
    """Sum of m sin(theta m) over the record: minus the derivative of the sum of cosines."""
    half, is_null = _half_angle(count, theta)
    s, c = np.sin(half), np.cos(half)
    slope = (count * np.cos(count * half) * s - np.sin(count * half) * c) / (2 * s**2)
    return np.where(is_null, 0.0, -slope)


def _sum_m2_cos(count: int, theta: Spectral) -> Spectral:
    """Sum of m^2 cos(theta m) over the record: minus the second derivative of the cosines'."""
    half, is_null = _half_angle(count, theta)
    s, c = np.sin(half), np.cos(half)
    whole_s, whole_c = np.sin(count * half), np.cos(count * half)
    bend = -(count**2) * whole_s / s - 2 * count * whole_c * c / s**2
    bend += whole_s * (1 + c**2) / s**3
    return np.where(is_null, count * (count**2 - 1) / 12, -bend / 4)


def _half_angle(count: int, theta: Spectral) -> tuple[Spectral, NDArray[np.bool_]]:
    """theta / 2, and where it is so near 0 that the limit of a sum is the better value."""
    is_null = np.abs(theta) * count < 1e-5
    return np.where(is_null, 1.0, theta / 2), is_null
