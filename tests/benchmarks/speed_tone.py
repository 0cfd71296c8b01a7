"""Cost of a complete tone analysis as a multiple of one numpy rfft of the same record.

Run:  python tests/benchmarks/speed_tone.py

Analysis and baseline alternate within one process and are timed by its processor time, so that
another load on the machine touches the ratio little; it is that of the medians. The process has one
thread: a second one of BLAS waits in a loop, which would count for whatever is timed meanwhile.
Targets: at 2^20 samples 3 (5 with all validity checks), at 2^18 samples 4 (10).
"""

import argparse
import multiprocessing
import os
import statistics
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.tone import analyse_tone, measure_tone

SAMPLE_RATE_HZ = 96000.0
TARGETS = {2**16: (None, None), 2**18: (4.0, 10.0), 2**20: (3.0, 5.0)}


def record(count: int) -> NDArray[np.float64]:
    """A 1 kHz tone at -100 dB noise with harmonics, hum and an offset, quantised to 24 bits."""
    rng = np.random.default_rng(count)
    t = np.arange(count) / SAMPLE_RATE_HZ
    wave = 0.9 * np.sin(2 * np.pi * 997.3 * t + 0.4) + 2e-3
    for order, level in ((2, 1e-4), (3, 5e-5), (5, 2e-5)):
        wave += 0.9 * level * np.sin(2 * np.pi * 997.3 * order * t + order)
    for multiple, level in ((1, 4e-5), (2, 3e-5), (3, 1e-5)):
        wave += level * np.sin(2 * np.pi * 49.95 * multiple * t + multiple)
    wave += rng.standard_normal(count) * 0.9e-5 / np.sqrt(2)
    return np.round(wave * 2**23) / 2**23


def seconds(action: Callable[[], object]) -> float:
    """Processor time of one call, in s."""
    start = time.process_time()
    action()
    return time.process_time() - start


def ratios(count: int, rounds: int) -> tuple[float, float, float]:
    """Median of the baseline in ms, and the medians without and with checks over it."""
    wave = record(count)
    actions: tuple[Callable[[], object], ...] = (
        lambda: np.fft.rfft(wave),
        lambda: measure_tone(wave, SAMPLE_RATE_HZ),
        lambda: analyse_tone(wave, SAMPLE_RATE_HZ, expected_frequency_hz=997.0),
    )
    for action in actions:
        action()
    times = [[seconds(action) for action in actions] for _ in range(rounds)]
    base, plain, checked = (statistics.median(column) for column in zip(*times, strict=True))
    return 1e3 * base, plain / base, checked / base


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=25, help="calls of each, alternating")
    rounds = parser.parse_args().rounds
    print("samples   rfft ms   analysis / rfft (target)   with checks / rfft (target)")
    os.environ["OPENBLAS_NUM_THREADS"] = "1"  # the worker inherits it
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
        found = pool.map(ratios, TARGETS, [rounds] * len(TARGETS))
        _print_rows(found)


def _print_rows(found: Iterable[tuple[float, float, float]]) -> None:
    for (count, (target, checked_target)), (base_ms, plain, checked) in zip(
        TARGETS.items(), found, strict=True
    ):
        print(
            f"2^{count.bit_length() - 1:<7} {base_ms:8.2f} {plain:12.2f} {_bracket(target):13}"
            f" {checked:11.2f} {_bracket(checked_target)}"
        )


def _bracket(target: float | None) -> str:
    return "" if target is None else f"({target:g})"


if __name__ == "__main__":
    main()
