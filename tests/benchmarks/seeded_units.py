"""How often the truth lies within a reading's own expanded uncertainty: the final test on many units.

Run:  python -m tests.benchmarks.seeded_units [--units 200] [--first 1] [--tongue scpi] [--short]
      [--procedure final_test]

Each unit and bench is drawn from its own seed (spread of the unit, errors of the instruments, mains,
room), final_test is carried out on it in simulated time, and every reading is put beside the truth that
analytic_truth computes from the model's parameters. The table is Markdown; the target is 93 % for every
reading (the stated interval, k = 2, should cover about 95 %). Exit code 1 when a reading misses it.
"""

import argparse
import json
import multiprocessing
import os
import statistics
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

TARGET = 0.93
WORKERS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One reading of one unit: whether it agrees, its error in standard uncertainties, relative u."""

    seed: int
    step: str
    name: str
    agrees: bool
    off: float | None
    value: float | None
    truth: float


def unit_rows(seed: int, tongue: str, procedure: str) -> list[Row]:
    """The procedure on the first unit of a seed, every reading beside its truth."""
    from tests.benchmarks.expected_readings import compared
    from tests.benchmarks.observed_run import observe

    with tempfile.TemporaryDirectory() as folder:
        seen = observe(procedure, Path(folder), seed=seed, tongue=tongue)
    return [
        Row(
            seed=seed,
            step=each.step,
            name=each.name,
            agrees=each.agrees,
            off=each.off,
            value=each.reading.value,
            truth=each.truth,
        )
        for each in compared(seen)
    ]


def table(rows: Iterable[Row]) -> tuple[list[str], bool]:
    """The table as Markdown lines, and whether every reading meets the target."""
    grouped: Mapping[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows:
        grouped[row.step, row.name].append(row)
    lines = [
        "| step | reading | units | truth within 2u | error/u, mean | error/u, sd |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    is_met = True
    for (step, name), group in grouped.items():
        share = sum(row.agrees for row in group) / len(group)
        is_met = is_met and share >= TARGET
        offs = [row.off for row in group if row.off is not None]
        mean = f"{statistics.fmean(offs):+.2f}" if offs else "bound"
        spread = f"{statistics.pstdev(offs):.2f}" if offs else ""
        mark = "" if share >= TARGET else " **below target**"
        lines.append(
            f"| {step} | {name} | {len(group)} | {100 * share:.1f} %{mark} | {mean} | {spread} |"
        )
    return lines, is_met


def summary(rows: Iterable[Row]) -> list[str]:
    """One line a reading, over all steps that give it, as Markdown."""
    shares: Mapping[str, dict[str, list[bool]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        shares[row.name][row.step].append(row.agrees)
    lines = [
        "| reading | steps | truth within 2u | least, in one step |",
        "| --- | --- | --- | --- |",
    ]
    for name, steps in shares.items():
        each = {step: sum(agrees) / len(agrees) for step, agrees in steps.items()}
        whole = statistics.fmean(each.values())
        worst = min(each, key=lambda step: each[step])
        lines.append(
            f"| {name} | {len(each)} | {100 * whole:.1f} % | {100 * each[worst]:.1f} % ({worst}) |"
        )
    return lines


def _arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="seeded_units", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--units", type=int, default=200, metavar="N")
    parser.add_argument("--first", type=int, default=1, metavar="SEED", help="first seed")
    parser.add_argument("--tongue", choices=("scpi", "plain"), default="scpi")
    parser.add_argument("--procedure", default="final_test", metavar="NAME")
    parser.add_argument("--short", action="store_true", help="one line a reading, over its steps")
    parser.add_argument(
        "--again", type=Path, nargs="+", metavar="FILE", help="rows of earlier runs"
    )
    parser.add_argument("--raw", type=Path, metavar="FILE", help="also write every row, as JSON")
    return parser.parse_args(arguments)


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table."""
    options = _arguments(arguments)
    rows = [row for file in options.again or () for row in _read(file)] or _measured(options)
    lines, is_met = table(rows)
    print("\n".join(summary(rows) if options.short else lines))
    return 0 if is_met else 1


def _read(file: Path) -> list[Row]:
    """Rows that --raw has written."""
    rows = json.loads(file.read_text(encoding="utf-8"))
    return [Row(**dict(zip(Row.__slots__, row, strict=True))) for row in rows]


def _measured(options: argparse.Namespace) -> list[Row]:
    """The rows of all units, two at a time."""
    os.environ["OPENBLAS_NUM_THREADS"] = "1"  # the workers inherit it
    seeds = range(options.first, options.first + options.units)
    rows: list[Row] = []
    with ProcessPoolExecutor(WORKERS, multiprocessing.get_context("spawn")) as pool:
        asked = ([each] * len(seeds) for each in (options.tongue, options.procedure))
        for done, found in enumerate(pool.map(unit_rows, seeds, *asked), 1):
            rows += found
            print(f"\r{done} of {len(seeds)} units", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    if options.raw is not None:
        fields = Row.__slots__
        options.raw.write_text(json.dumps([[getattr(r, f) for f in fields] for r in rows]))
    return rows


if __name__ == "__main__":
    sys.exit(main())
