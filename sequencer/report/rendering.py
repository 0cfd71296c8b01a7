"""Templates to HTML text, and HTML text to a file.

Every text from outside is escaped by the template engine, after control characters and marks of
writing direction have been made visible: a serial number must not be able to rewrite its report.
"""

import os
import tempfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from sequencer.errors import printable

if TYPE_CHECKING:
    from jinja2 import Environment

_LONGEST_TEXT = 5000


def render(template: str, **values: object) -> str:
    """The page that a template of this package makes of the values."""
    return _environment().get_template(template).render(**values).rstrip() + "\n"


def css_string(text: str) -> Markup:
    """Text as the inside of a CSS string: every sign but plain letters and digits as a code.

    So nothing in it can end the string, the style sheet or the element.
    """
    signs = printable(text, 120)
    coded = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in signs)
    return Markup(coded)


def write_page(path: Path, text: str) -> Path:
    """Write a page so that a reader never finds half of it; returns its path."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
        part = Path(name)
        part.chmod(0o644)  # mkstemp makes files for one user alone
        part.replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return path


@cache
def _environment() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("sequencer.report"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_visible,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _visible(value: object) -> object:
    if isinstance(value, Markup) or not isinstance(value, str):
        return value
    return printable(value, _LONGEST_TEXT)
