"""What passes between sockets and tongues: messages lost on the way in, replies on the way out."""

from dataclasses import dataclass

from sim_instruments.disturbances import Disturbance, Disturbances

LATE_S = 1.5
"""Real time by which a late answer is late."""

_EXCESS = 1000  # bytes a wrong header claims beyond what follows
_NONSENSE = b"\xfe\x02~}{?%\x1b#9"


class Overrun:
    """Stands in the place of a message that was longer than the input buffer and is lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """One answer line with its terminator (empty for none) and how it is delivered."""

    line: bytes = b""
    delay_s: float = 0.0
    hangs_up: bool = False


def disturbed_reply(
    line: bytes, disturbances: Disturbances, *, has_block: bool, terminator: bytes = b"\n"
) -> Reply:
    """The reply to a line, with its terminator, after whatever misbehaviour is due to it."""
    if disturbances.take(Disturbance.DISCONNECT):
        return Reply(hangs_up=True)
    if disturbances.take(Disturbance.TIMEOUT):
        return Reply()
    if disturbances.take(Disturbance.GARBAGE):
        line, has_block = _NONSENSE + terminator, False
    can_cut = has_block or Disturbance.WRONGLENGTH not in disturbances.possible
    if can_cut and disturbances.take(Disturbance.TRUNCATED):
        line = line[: len(line) // 2]
    if has_block and disturbances.take(Disturbance.WRONGLENGTH):
        line = _overstate(line)
    delay_s = LATE_S if disturbances.take(Disturbance.LATE) else 0.0
    return Reply(line=line, delay_s=delay_s)


def _overstate(line: bytes) -> bytes:
    """The line with the length in its first block header too large."""
    mark = line.index(b"#")
    first = mark + 2 + int(line[mark + 1 : mark + 2])
    length = str(int(line[mark + 2 : first]) + _EXCESS).encode("ascii")
    header = b"#" + str(len(length)).encode("ascii") + length
    return line[:mark] + header + line[first:]
