"""Drawings as matplotlib writes them, made small, the same every time, and fit to stand in a page."""

import re

_PROLOG = re.compile(r"<\?xml.*?\?>|<!DOCTYPE.*?>|<!--.*?-->|<metadata>.*?</metadata>", re.DOTALL)
_STYLE = re.compile(r"<style type=\"text/css\">.*?</style>", re.DOTALL)
_EMPTY_DEFS = re.compile(r"<defs>\s*</defs>")
_PATH = re.compile(r'(\sd="|\stransform="|\s(?:x|y|width|height)=")([^"]*)"')
_NUMBER = re.compile(r"-?\d+\.\d{3,}")
_ID = re.compile(r'\sid="([^"]*)"')
_FONT = re.compile(r"(font(?:-family)?:[^;\"]*?)'DejaVu Sans'[^;\"]*")
_SPACE = re.compile(r">\s+<")
_INDENT = re.compile(r"\s*\n\s*")
_ROOT = re.compile(r"<svg\b[^>]*>")
_VIEW = re.compile(r'viewBox="([^"]*)"')

XMLNS = 'xmlns="http://www.w3.org/2000/svg"'
XLINK = 'xmlns:xlink="http://www.w3.org/1999/xlink"'


def tidy(svg: str, *, label: str) -> str:
    """The drawing without prolog, metadata and needless digits; label (escaped) names it aloud.

    What stays is a document of its own. Style that would leak into a page around it is moved to the
    root element.
    """
    body = _EMPTY_DEFS.sub("", _STYLE.sub("", _PROLOG.sub("", svg)))
    body = _PATH.sub(_shorter, body)
    body = _FONT.sub(r"\1sans-serif", body)
    body = _drop_idle_ids(body)
    body = _INDENT.sub(" ", _SPACE.sub("><", body)).strip()
    view = _VIEW.search(body)
    box = view[1] if view else "0 0 446 223"
    root = (
        f'<svg {XMLNS} {XLINK} viewBox="{box}" role="img" aria-label="{label}" '
        'style="stroke-linejoin:round;stroke-linecap:butt">'
    )
    return _ROOT.sub(lambda _: root, body, count=1)


def inline(svg: str) -> str:
    """A tidy drawing as part of an HTML page: no name spaces, which HTML does not need."""
    bare = svg.replace(f"{XMLNS} {XLINK} ", "", 1)
    return bare.replace("xlink:href=", "href=")


def _shorter(match: re.Match[str]) -> str:
    return f'{match[1]}{_NUMBER.sub(_two_places, match[2])}"'


def _two_places(match: re.Match[str]) -> str:
    return f"{float(match[0]):.2f}".rstrip("0").rstrip(".")


def _drop_idle_ids(body: str) -> str:
    """Without the ids that nothing refers to; several drawings stand in one page."""

    def keep(match: re.Match[str]) -> str:
        return match[0] if f"#{match[1]}" in body else ""

    return _ID.sub(keep, body)
