"""The last line of a report: the hash of the page, and of the journals that it was made from. Pure.

So a report that was changed afterwards, or belongs to another record, is found out. Like all of the
record it has no key: whoever seals the page anew is not found out.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.journal import sha256_hex

_SEAL = re.compile(rb"<!-- journals((?: [0-9a-f]{64})*); page ([0-9a-f]{64}) -->\n\Z")


@dataclass(frozen=True, slots=True)
class Seal:
    """journals are the hashes of their last lines; is_whole: the page is as it was sealed."""

    journals: tuple[str, ...]
    is_whole: bool


def sealed(page: str, journals: Sequence[str]) -> str:
    """The page with its seal behind it."""
    head = f"{page}<!-- journals{''.join(f' {each}' for each in journals)}; page "
    return f"{head}{sha256_hex(head.encode())} -->\n"


def read_seal(page: bytes) -> Seal | None:
    """The seal of a page; None when there is none."""
    found = _SEAL.search(page)
    if found is None:
        return None
    is_whole = sha256_hex(page[: found.start(2)]).encode() == found[2]
    return Seal(tuple(found[1].decode().split()), is_whole)
