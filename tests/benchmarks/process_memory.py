"""The most memory that this process has held."""

from pathlib import Path


def most_mb() -> float:
    """Peak resident memory of this process in MB, from the kernel's own count (Linux: VmHWM).

    getrusage won't do: a child starts with the peak of the process that it was forked from.
    """
    status = Path("/proc/self/status").read_text(encoding="ascii")
    (line,) = (line for line in status.splitlines() if line.startswith("VmHWM:"))
    return int(line.split()[1]) / 1024.0
