"""Why an instrument can't be reached, in words that lead a person to the cause."""

import errno
import socket
from collections.abc import Callable

_ASLEEP = "is the instrument on, and is its network on?"
# pyvisa-py names the Python package it would need for an interface.
_PACKAGES = {"PyUSB": "pyusb", "PySerial": "pyserial", "linux-gpib": "gpib-ctypes"}


def why_unreached(address: str, error: BaseException) -> str:
    """What hinders the connection to a VISA address; the library's own words where nothing fits."""
    told = " ".join(str(error).split())
    where = _place_of(address)
    for has_happened, words in _CAUSES:
        if has_happened(error, told):
            return words.format(where=where, host=where.split()[0])
    for package, name in _PACKAGES.items():
        if package in told:
            return (
                f'this interface needs the Python package "{name}"; install it (pip install {name})'
            )
    return f"the connection could not be opened ({told or type(error).__name__})"


def _place_of(address: str) -> str:
    """ "192.168.1.20 port 5025" of a TCPIP address, any other as it is."""
    interface, *rest = address.split("::")
    if not interface.upper().startswith("TCPIP") or not rest:
        return address
    has_port = len(rest) > 2 and rest[-1].upper() == "SOCKET"
    return f"{rest[0]} port {rest[1]}" if has_port else rest[0]


def _is(*numbers: int, words: tuple[str, ...]) -> Callable[[BaseException, str], bool]:
    """Whether an error has one of these numbers, or the library only left the system's words."""

    def check(error: BaseException, told: str) -> bool:
        return getattr(error, "errno", None) in numbers or any(each in told for each in words)

    return check


_CAUSES = (
    (
        _is(errno.ECONNREFUSED, words=("Connection refused",)),
        f"nothing listens at {{where}}: {_ASLEEP}",
    ),
    (
        _is(
            socket.EAI_NONAME,
            socket.EAI_AGAIN,
            words=("Name or service not known", "Temporary failure in name resolution"),
        ),
        "{host} is no name of a machine here: is it written rightly, is this computer on the network?",
    ),
    (
        _is(
            errno.EHOSTUNREACH,
            errno.ENETUNREACH,
            words=("No route to host", "Network is unreachable"),
        ),
        f"no way leads to {{where}}: {_ASLEEP} Is this computer on the same one?",
    ),
)
