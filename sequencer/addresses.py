"""VISA addresses: one spelling for all that name the same instrument."""

import ipaddress
import socket
import threading
from functools import lru_cache

from pyvisa.rname import InvalidResourceName, to_canonical_name

_LONGEST_LOOK_UP_S = 1.0
_THIS_MACHINE = "127.0.0.1"


def canonical(address: str) -> str:
    """One spelling for all that name the same instrument; what is no VISA address: its text.

    A host's name becomes its number, when it can be looked up within a second.
    """
    try:
        spelt = str(to_canonical_name(address.strip().upper())).upper()
    except (InvalidResourceName, ValueError, KeyError, TypeError):
        return address.strip().upper()
    interface, *parts = spelt.split("::")
    if not interface.startswith("TCPIP") or len(parts) < 2:
        return spelt
    return "::".join([interface, _host(parts[0]), *parts[1:]])


def _host(text: str) -> str:
    """A host as a number with no other spelling; as a name in upper case when nobody knows it."""
    name = text.rstrip(".").lower()
    number = _number(name) or _looked_up(name)
    if number is None:
        return name.upper()
    if isinstance(number, ipaddress.IPv6Address) and number.ipv4_mapped:
        number = number.ipv4_mapped
    # A server that listens everywhere answers at each of these.
    return _THIS_MACHINE if number.is_loopback or number.is_unspecified else str(number).upper()


def _number(name: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """The address that this text is, also in the short and octal forms that connections take."""
    try:
        return ipaddress.ip_address(name)
    except ValueError:
        pass
    try:
        return ipaddress.IPv4Address(socket.inet_aton(name))
    except (OSError, ValueError):
        return None


@lru_cache
def _looked_up(name: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """The lowest address of a name; None when it has none, or none in time."""
    found: list[str] = []

    def look_up() -> None:
        try:
            found.extend(str(each[4][0]) for each in socket.getaddrinfo(name, None))
        except (OSError, UnicodeError):
            return

    # The system's own patience with a name server may be half a minute.
    asking = threading.Thread(target=look_up, daemon=True)
    asking.start()
    asking.join(_LONGEST_LOOK_UP_S)
    numbers = [number for each in list(found) if (number := _number(each)) is not None]
    return min(numbers, key=lambda each: (each.version, int(each)), default=None)
