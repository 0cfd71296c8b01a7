"""Moments at which an intermittent joint lets go: a Poisson process fixed by seed and time."""

import numpy as np

from sim_instruments.lines import Samples
from sim_instruments.parameters import OutputStage

_BLOCK_S = 600.0
_EDGE_S = 50e-6
_CLICK_V = 0.05
_CLICK_TAU_S = 0.5e-3


def dropout_times(
    seed: int, unit: int, output: OutputStage, start_s: float, end_s: float
) -> list[float]:
    """Beginnings of the drop-outs that touch an interval, in s of simulated time."""
    if not output.dropout_rate_hz:
        return []
    times: list[float] = []
    for block in range(int(max(start_s - 1.0, 0.0) // _BLOCK_S), int(end_s // _BLOCK_S) + 1):
        rng = np.random.default_rng([seed, 5, unit, block])
        count = rng.poisson(output.dropout_rate_hz * _BLOCK_S)
        times.extend(float(t) for t in _BLOCK_S * (block + np.sort(rng.uniform(size=count))))
    return [t for t in times if start_s - output.dropout_s < t < end_s]


def interrupt(
    wave: Samples, times: list[float], dropout_s: float, start_s: float, sample_rate_hz: float
) -> None:
    """Cut the drop-outs out of a waveform that starts at start_s, with a click at each edge."""
    for begin in times:
        first = max(0, int((begin - 2.0 * _EDGE_S - start_s) * sample_rate_hz))
        last = int((begin + dropout_s + 12.0 * _CLICK_TAU_S - start_s) * sample_rate_hz)
        t = start_s + np.arange(first, min(last, wave.size)) / sample_rate_hz - begin
        if t.size == 0:
            continue
        open_share = _ramp(t) - _ramp(t - dropout_s)
        piece = wave[first : first + t.size]
        piece *= 1.0 - open_share
        piece += _click(t) - _click(t - dropout_s)


def _ramp(t: Samples) -> Samples:
    ramp: Samples = np.clip(t / _EDGE_S, 0.0, 1.0)
    return ramp


def _click(t: Samples) -> Samples:
    click: Samples = _CLICK_V * _ramp(t) * np.exp(-np.maximum(t, 0.0) / _CLICK_TAU_S)
    return click
