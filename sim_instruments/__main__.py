"""Start the simulated bench: `python -m sim_instruments`.

Prints one JSON line, {role: VISA address}, once every port listens; serves until SIGTERM or SIGINT.
Exit codes: 0 stopped by a signal, 2 a wrong argument or a port that can't be had.
"""

import argparse
import json
import signal
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import FrameType

from sim_instruments.assembly import ROLES, build_devices, build_plain, build_scpi
from sim_instruments.bench_file import CLOCK, bench_entries, mapped_entries, to_text
from sim_instruments.plain_maps import COMMANDS, IDENTITIES
from sim_instruments.server import Port, Server, Talker
from sim_instruments.shared_bench import SharedBench
from sim_instruments.world import World


def _arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m sim_instruments",
        description="A simulated bench: instruments on TCP ports in front of a simulated pair of "
        "amplifiers. Prints the addresses as one JSON line, then serves until it is terminated.",
    )
    parser.add_argument("--port-base", type=int, metavar="N", help="ports N to N+7 (default: free)")
    parser.add_argument("--write-bench", type=Path, metavar="FILE", help="write a bench file")
    parser.add_argument(
        "--fault", metavar="NAME[:SEVERITY]", help="give both units a service fault"
    )
    parser.add_argument(
        "--real-time", action="store_true", help="let the bench's clock follow real time"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="unit and noise seed")
    parser.add_argument(
        "--tongue",
        choices=("scpi", "plain"),
        default="scpi",
        help="the command set: SCPI-1999, or one that has nothing in common with it",
    )
    parser.add_argument(
        "--truth", type=Path, metavar="FILE", help="write the simulated truth, JSON"
    )
    return parser.parse_args(arguments)


def _refuse(reason: str) -> int:
    print(f"sim_instruments: {reason}", file=sys.stderr)  # noqa: T201 - this is its command line
    return 2


def _ports(bench: SharedBench, options: argparse.Namespace) -> dict[str, Port]:
    """Every instrument behind its port. Raises OSError where a port can't be had."""
    devices, base = build_devices(bench), options.port_base
    instruments: Mapping[str, Talker] = (
        build_plain(devices, options.fault)
        if options.tongue == "plain"
        else build_scpi(devices, options.fault)
    )
    ports: dict[str, Port] = {}
    for offset, name in enumerate((*ROLES, CLOCK)):
        ports[name] = Port(instruments[name], bench, port=0 if base is None else base + offset)
    return ports


def _write_bench(options: argparse.Namespace, addresses: Mapping[str, str]) -> None:
    entries = bench_entries(addresses, real_time=options.real_time)
    if options.tongue == "plain":
        entries = mapped_entries(entries, COMMANDS, IDENTITIES)
    options.write_bench.write_text(to_text(entries), encoding="utf-8")


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve the simulated bench until a signal; the exit code."""
    stop = threading.Event()

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, on_signal)
    options = _arguments(arguments)
    try:
        world = World(seed=options.seed, fault=options.fault)
    except ValueError as error:
        return _refuse(f"--fault: {error}")
    bench = SharedBench(world, real_time=options.real_time)
    try:
        server = Server(_ports(bench, options))
    except (OSError, OverflowError) as error:
        return _refuse(f"--port-base {options.port_base}: {error}")
    addresses = server.addresses()
    try:
        if options.write_bench is not None:
            _write_bench(options, addresses)
        if options.truth is not None:
            options.truth.write_text(json.dumps(world.truth(), indent=1), encoding="utf-8")
    except OSError as error:
        return _refuse(str(error))
    server.start()
    print(json.dumps({role: addresses[role] for role in ROLES}), flush=True)  # noqa: T201
    stop.wait()
    server.stop()
    return 0


if __name__ == "__main__":
    sys.exit(main())
