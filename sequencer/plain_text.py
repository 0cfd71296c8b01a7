"""What a terminal that lacks a character is shown instead: a screen must never end a run."""

import codecs
from collections.abc import Iterable
from io import TextIOWrapper

_ERRORS = "steadybench.plain"
_INSTEAD = {
    "\N{MICRO SIGN}": "u",
    "\N{GREEK SMALL LETTER MU}": "u",
    "\N{GREEK CAPITAL LETTER OMEGA}": "ohm",
    "\N{OHM SIGN}": "ohm",
    "\N{PLUS-MINUS SIGN}": "+-",
    "\N{DEGREE SIGN}": "deg ",
    "\N{MINUS SIGN}": "-",
    "\N{EN DASH}": "-",
    "\N{MULTIPLICATION SIGN}": "x",
}


def plainly(streams: Iterable[object]) -> None:
    """Let these streams write what their encoding lacks in other characters, "?" at the last."""
    codecs.register_error(_ERRORS, _instead)
    for stream in streams:
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors=_ERRORS)


def _instead(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end]
    return "".join(_INSTEAD.get(each, "?") for each in lacking), error.end
