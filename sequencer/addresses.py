"""VISA addresses: one spelling for all that name the same instrument."""

import ipaddress
import socket
import threading

from pyvisa.rname import InvalidResourceName, to_canonical_name

_LONGEST_LOOK_UP_S = 1.0
_THIS_MACHINE = "127.0.0.1"


def canonical(address: str) -> str:
    """One spelling for all that name the same instrument; what is no VISA address: its text.

    A host's name becomes its number, when it can be looked up within a second.
    """
    return spellings(address)[-1]


def spellings(address: str) -> tuple[str, ...]:
    """What may not be used by two: the address with its host as a name, and with it as a number.

    Whoever could not look the name up still shares the name with those who could.
    """
    try:
        spelt = str(to_canonical_name(address.strip().upper())).upper()
    except (InvalidResourceName, ValueError, KeyError, TypeError):
        return (address.strip().upper(),)
    interface, *parts = spelt.split("::")
    if not interface.startswith("TCPIP") or len(parts) < 2:
        return (spelt,)
    name = parts[0].rstrip(".").lower()
    number = _number(name)
    hosts = [_shown(number)] if number else [name.upper()]
    if number is None and (found := _looked_up(name)) is not None:
        hosts.append(_shown(found))
    return tuple("::".join([interface, host, *parts[1:]]) for host in hosts)


def _shown(number: ipaddress.IPv4Address | ipaddress.IPv6Address) -> str:
    """A host's number in its one spelling."""
    if isinstance(number, ipaddress.IPv6Address) and number.ipv4_mapped:
        number = number.ipv4_mapped
    # A server that listens everywhere answers at each of these.
    return _THIS_MACHINE if number.is_loopback or number.is_unspecified else str(number).upper()


def _number(name: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """The address that this text is, also in the short and octal forms that connections take."""
    if name == "localhost" or name.endswith(".localhost"):  # RFC 6761, 6.3
        return ipaddress.IPv4Address(_THIS_MACHINE)
    try:
        return ipaddress.ip_address(name)
    except ValueError:
        pass
    try:
        return ipaddress.IPv4Address(socket.inet_aton(name))
    except (OSError, ValueError):
        return None


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
