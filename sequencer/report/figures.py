"""Pictures as figures of a page: drawing, title, caption."""

from dataclasses import dataclass

from markupsafe import Markup

from sequencer.pictures import Picture
from sequencer.report.plots import draw_svg
from sequencer.report.svg_text import inline


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureView:
    """One figure; svg is trusted, it comes from our own drawing with every text escaped."""

    svg: Markup
    title: str
    caption: str


def figure_view(picture: Picture) -> FigureView:
    """The figure of a picture."""
    svg = Markup(inline(draw_svg(picture)))
    return FigureView(svg=svg, title=picture.title, caption=picture.caption)
