"""VISA addresses: one spelling for all that name the same instrument."""

from pyvisa.rname import InvalidResourceName, to_canonical_name


def canonical(address: str) -> str:
    """One spelling for all that name the same instrument; what is no VISA address: its text."""
    try:
        return str(to_canonical_name(address.strip().upper())).upper()
    except (InvalidResourceName, ValueError, KeyError, TypeError):
        return address.strip().upper()
