"""Frequency and phase of the mains as functions of time.

The frequency is a random walk (10 mHz per square root of a minute) held between 49.8 and 50.2 Hz by
reflection, constant within steps of 10 s. It depends on seed and time alone, so it comes out the
same however the clock is moved.
"""

import numpy as np
from numpy.typing import NDArray

STEP_S = 10.0
_BLOCK = 360
_LOW_HZ, _HIGH_HZ = 49.8, 50.2
_SD_PER_STEP_HZ = 0.010 * (STEP_S / 60.0) ** 0.5


class MainsFrequency:
    """The walk of one seed, extended as far as it is asked for."""

    def __init__(self, seed: int) -> None:
        self._seed = seed
        start = float(np.random.default_rng([seed, 3]).uniform(49.92, 50.08))
        self._walk: NDArray[np.float64] = np.array([start])
        self._cycles: NDArray[np.float64] = np.zeros(1)
        self._extend(0)

    def frequency_hz(self, time_s: float) -> float:
        """Frequency in the 10 s step that holds time_s."""
        step = self._step(time_s)
        return float(_folded(self._walk[step]))

    def cycles(self, time_s: float) -> float:
        """Cycles completed since time 0."""
        step = self._step(time_s)
        frequency = float(_folded(self._walk[step]))
        return float(self._cycles[step]) + frequency * (time_s - step * STEP_S)

    def _step(self, time_s: float) -> int:
        step = int(time_s // STEP_S)
        self._extend(step)
        return step

    def _extend(self, step: int) -> None:
        while step >= self._walk.size - 1:
            block = (self._walk.size - 1) // _BLOCK
            rng = np.random.default_rng([self._seed, 4, block])
            steps = rng.normal(0.0, _SD_PER_STEP_HZ, _BLOCK)
            self._walk = np.concatenate([self._walk, self._walk[-1] + np.cumsum(steps)])
            frequencies = _folded(self._walk[:-1])
            self._cycles = np.concatenate([[0.0], np.cumsum(frequencies * STEP_S)])


def _folded(value: NDArray[np.float64] | np.float64) -> NDArray[np.float64]:
    """Reflect a free walk between the two bounds."""
    span = _HIGH_HZ - _LOW_HZ
    offset = np.mod(np.asarray(value) - _LOW_HZ, 2.0 * span)
    return _LOW_HZ + np.minimum(offset, 2.0 * span - offset)
