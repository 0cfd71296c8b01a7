"""A Picture as SVG or PNG.

matplotlib through its object interface, imported only when something is drawn. The same picture
gives the same bytes: no date, no random ids, numbers to a hundredth of a point, text as text (any
sans-serif face the reader has). Margins and the places of marks' words are worked out here from
measured texts: matplotlib's own layout draws everything several times over.
"""

import html
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from io import BytesIO, StringIO
from typing import TYPE_CHECKING, Any

import numpy as np

from sequencer.captures import Samples
from sequencer.errors import printable
from sequencer.pictures import Curve, Mark, Picture
from sequencer.report.plot_axes import (
    AxisText,
    axis_text,
    log_ticks,
    x_limits,
    y_limits,
)
from sequencer.report.plot_layout import PAD, POINTS_PER_INCH, legend_columns, place_axes
from sequencer.report.plot_marks import Box, place_labels
from sequencer.report.svg_text import tidy
from sequencer.report.thinning import COLUMNS, thinned

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure
    from matplotlib.text import Text

WIDTH_IN, HEIGHT_IN = 6.2, 3.0
_PNG_DOTS_PER_INCH = 200
_INK, _SOFT, _GRID, _FAINT = "#1b2430", "#5b6673", "#d9dee4", "#edf0f3"
# Apart in hue and in lightness, so that they differ in grey print too.
_CURVES = ("#0b5a6b", "#d9730d", "#6b4ea0", "#3f7d20", "#8a8f98")
# Curves of one colour differ in their line.
_LINES = ("solid", (0, (1.2, 1.2)), (0, (4.0, 1.5, 1.0, 1.5)))
_LIMIT, _BAND = "#b3261e", "#0b5a6b"
_FEW_POINTS, _MANY_POINTS = 60, 400
CROWDED_POINTS = 2000
_LONGEST_LABEL = 60


Drawn = tuple[Samples, Samples]


def draw_svg(picture: Picture, *, with_title: bool = False) -> str:
    """The picture as an SVG document; with_title writes its title above the axes, on white paper: for
    a file of its own.

    A curve that isn't a line at all (no finite point) is left out.
    """
    with _drawn(picture, with_title=with_title) as figure:
        buffer = StringIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    label = html.escape(printable(f"{picture.title}: {picture.y_label} over {picture.x_label}"))
    return tidy(buffer.getvalue(), label=label)


def draw_png(picture: Picture) -> bytes:
    """The picture as a PNG file of its own, with its title, on white paper."""
    with _drawn(picture, with_title=True) as figure:
        buffer = BytesIO()
        figure.savefig(buffer, format="png", dpi=_PNG_DOTS_PER_INCH, metadata={"Software": None})
    return buffer.getvalue()


@contextmanager
def _drawn(picture: Picture, *, with_title: bool) -> Iterator["Figure"]:
    """The picture's figure, with the settings that it must also be written with."""
    from matplotlib import rc_context

    salt = f"{picture.name}/{picture.title}"
    with warnings.catch_warnings(), rc_context(_settings(salt)):
        # A sign the measuring font lacks is drawn by the reader's font all the same.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield _figure(picture, with_title=with_title)


def overlay(pictures: Sequence[tuple[str, Picture]]) -> Picture:
    """The same picture of several units on one pair of axes; each comes with its unit's name.

    Of limits and captions the first one's stand for all; of marks with the same words the highest.
    """
    first = pictures[0][1]
    curves = [
        _renamed(curve, name, picture)
        for name, picture in pictures
        for curve in picture.curves
        if not curve.is_limit
    ]
    limits = [curve for curve in first.curves if curve.is_limit]
    return replace(
        first,
        curves=(*curves, *limits),
        marks=_highest([mark for _, picture in pictures for mark in picture.marks]),
        x_limits=_union([picture.x_limits for _, picture in pictures]),
        y_limits=_union([picture.y_limits for _, picture in pictures]),
    )


def _renamed(curve: Curve, unit: str, picture: Picture) -> Curve:
    is_only = sum(not each.is_limit for each in picture.curves) == 1
    return replace(curve, label=unit if is_only else f"{unit}, {curve.label}", family=unit)


def _highest(marks: Sequence[Mark]) -> tuple[Mark, ...]:
    best: dict[str, Mark] = {}
    for mark in marks:
        if mark.label not in best or mark.y > best[mark.label].y:
            best[mark.label] = mark
    return tuple(best.values())


def _union(limits: Sequence[tuple[float, float] | None]) -> tuple[float, float] | None:
    known = [each for each in limits if each is not None]
    if len(known) < len(limits):
        return None
    return min(low for low, _ in known), max(high for _, high in known)


def _settings(salt: str) -> dict[Any, Any]:
    return {
        "svg.hashsalt": salt,
        "svg.fonttype": "none",
        "font.family": ["DejaVu Sans"],  # comes with matplotlib, so measures are the same anywhere
        "font.size": 8.0,
        "text.parse_math": False,
        "text.color": _INK,
        "axes.edgecolor": _SOFT,
        "axes.linewidth": 0.6,
        "axes.unicode_minus": True,
        "xtick.color": _SOFT,
        "ytick.color": _SOFT,
        "xtick.labelcolor": _INK,
        "ytick.labelcolor": _INK,
        "path.simplify": False,
    }


def _figure(picture: Picture, *, with_title: bool) -> "Figure":
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(
        figsize=(WIDTH_IN, HEIGHT_IN + (0.25 if with_title else 0.0)),
        dpi=POINTS_PER_INCH,
        facecolor="white" if with_title else "none",
    )
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    if with_title:
        figure.suptitle(
            _words(picture.title), x=0.01, y=0.985, ha="left", fontweight="bold", fontsize=9.0
        )
    drawn = _draw(axes, picture)
    renderer = canvas.get_renderer()  # type: ignore[no-untyped-call]  # matplotlib leaves it so
    place_axes(axes, renderer, has_title=with_title)
    _write_marks(axes, picture.marks, drawn, renderer)
    return figure


def _draw(axes: "Axes", picture: Picture) -> list[Drawn]:
    thin = _thin(picture)
    x_range = x_limits(picture, thin)
    y_range = y_limits(picture, thin, x_range)
    axes.set_xscale(picture.x_scale)
    axes.set_yscale(picture.y_scale)
    axes.set_xlim(x_range)
    axes.set_ylim(y_range)
    x_text = axis_text(picture.x_label, x_range, picture.x_scale)
    y_text = axis_text(picture.y_label, y_range, picture.y_scale)
    _ticks(axes.xaxis, x_text, x_range, picture.x_scale == "log")
    _ticks(axes.yaxis, y_text, y_range, picture.y_scale == "log")
    _frame(axes)
    axes.set_xlabel(_words(x_text.label), color=_SOFT, loc="right", labelpad=2.0)
    axes.set_title(_words(y_text.label), color=_SOFT, loc="left", fontsize=8.0, pad=5.0)
    _draw_band(axes, picture.band, y_text)
    _draw_curves(axes, picture.curves, thin)
    _legend(axes)
    return [each for each, curve in zip(thin, picture.curves, strict=True) if not curve.is_limit]


def _thin(picture: Picture) -> list[Drawn]:
    """The curves with as many points as can be told apart.

    Several spectra on one pair of axes would hide each other: of those, the upper edge is drawn.
    """
    crowded = [
        curve for curve in picture.curves if not curve.is_limit and curve.x.size > CROWDED_POINTS
    ]
    is_upper_only = len(crowded) > 1 and "dB" in picture.y_label
    return [
        thinned(
            curve,
            x_scale=picture.x_scale,
            x_limits=picture.x_limits,
            columns=COLUMNS // 2 if is_upper_only else COLUMNS,
            is_upper_only=is_upper_only,
        )
        for curve in picture.curves
    ]


def _ticks(axis: "Axis", text: AxisText, limits: tuple[float, float], is_log: bool) -> None:
    from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter

    if is_log:
        majors, minors = log_ticks(limits)
        axis.set_major_locator(FixedLocator(majors))
        axis.set_minor_locator(FixedLocator(minors))
        axis.set_minor_formatter(NullFormatter())
        axis.set_major_formatter(FuncFormatter(lambda value, _: text.number(value)))
        return
    axis.set_major_locator(MaxNLocator(nbins=7, steps=[1, 2, 2.5, 5, 10]))
    axis.set_major_formatter(FuncFormatter(lambda value, _: text.number(value)))


def _frame(axes: "Axes") -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.grid(which="major", color=_GRID, linewidth=0.5)
    axes.grid(which="minor", color=_FAINT, linewidth=0.4)
    axes.tick_params(which="both", length=0.0, pad=PAD)
    axes.set_axisbelow(True)


def _draw_band(axes: "Axes", band: tuple[float, float] | None, text: AxisText) -> None:
    if band is None:
        return
    low, high = min(band), max(band)
    unit = text.label.rpartition(" in ")[2] if " in " in text.label else ""
    sign = "+" if low < 0.0 < high else ""
    label = f"band {text.number(low)} to {sign}{text.number(high)} {unit}".strip()
    axes.axhspan(low, high, facecolor=_BAND, alpha=0.10, linewidth=0.0, label=label, zorder=0.8)
    for edge in (low, high):
        axes.axhline(edge, color=_BAND, linewidth=0.6, linestyle=(0, (2, 2)), zorder=0.9)


def _draw_curves(axes: "Axes", curves: Sequence[Curve], thin: Sequence[Drawn]) -> None:
    members: dict[str, int] = {}
    for number, (curve, (x, y)) in enumerate(zip(curves, thin, strict=True)):
        label = _words(curve.label).lstrip("_") or "curve"
        if curve.is_limit:
            axes.plot(x, y, color=_LIMIT, linewidth=1.2, linestyle=(0, (5, 2.5)), label=label)
            continue
        family = curve.family or f"curve {number}"
        rank = members[family] = members.get(family, -1) + 1
        hue = list(members).index(family)
        axes.plot(
            x,
            y,
            color=_CURVES[hue % len(_CURVES)],
            linewidth=0.8 if curve.x.size > _MANY_POINTS else 1.5,
            linestyle=_LINES[rank % len(_LINES)],
            alpha=1.0 if hue == 0 else 0.82,
            marker="o" if x.size <= _FEW_POINTS else None,
            markersize=2.6,
            label=label,
        )


def _legend(axes: "Axes") -> None:
    handles, labels = axes.get_legend_handles_labels()
    by_label = dict(zip(labels, handles, strict=True))
    if len(by_label) < 2:
        return
    legend = axes.legend(
        list(by_label.values()),
        list(by_label),
        loc="lower left",
        borderaxespad=0.0,
        borderpad=0.0,
        ncols=legend_columns(list(by_label)),
        frameon=False,
        fontsize=8.0,
        handlelength=1.8,
        columnspacing=1.6,
    )
    for line in legend.get_lines():
        line.set_linewidth(max(line.get_linewidth(), 1.6))


def _write_marks(
    axes: "Axes", marks: Sequence[Mark], drawn: Sequence[Drawn], renderer: Any
) -> None:
    """Rings at the marks and their words beside them, inside the axes."""
    seen = [mark for mark in marks if _is_in_view(axes, mark)]
    if not seen:
        return
    axes.plot(
        [mark.x for mark in seen],
        [mark.y for mark in seen],
        linestyle="none",
        marker="o",
        markersize=4.2,
        markerfacecolor="white",
        markeredgecolor=_INK,
        markeredgewidth=0.9,
        zorder=4,
    )
    texts = [_label(axes, mark) for mark in seen]
    sizes = [_size(text, renderer) for text in texts]
    to_points = axes.transData.transform
    points = [tuple(map(float, to_points((mark.x, mark.y)))) for mark in seen]
    frame = axes.get_window_extent(renderer)
    room = Box(frame.x0, frame.y0, frame.x1 + 6.0, frame.y1 + 4.0)
    boxes = place_labels([(x, y) for x, y in points], sizes, room, _in_points(axes, drawn))
    for text, box, point in zip(texts, boxes, points, strict=True):
        if box is None:
            text.remove()
        else:
            _put(axes, text, box, (point[0], point[1]))


def _is_in_view(axes: "Axes", mark: Mark) -> bool:
    (left, right), (bottom, top) = sorted(axes.get_xlim()), sorted(axes.get_ylim())
    return left <= mark.x <= right and bottom <= mark.y <= top


def _label(axes: "Axes", mark: Mark) -> "Text":
    return axes.text(
        mark.x,
        mark.y,
        _words(mark.label),
        fontsize=7.5,
        ha="left",
        va="bottom",
        zorder=5,
        bbox={"facecolor": "white", "alpha": 0.78, "linewidth": 0.0, "pad": 0.6},
    )


def _size(text: "Text", renderer: Any) -> tuple[float, float]:
    box = text.get_window_extent(renderer)
    return float(box.width), float(box.height)


def _in_points(axes: "Axes", drawn: Sequence[Drawn]) -> Drawn:
    """All points of the curves where they lie on the drawing."""
    pairs = [
        np.column_stack((x, y))[np.isfinite(y) & ((y > 0.0) | (axes.get_yscale() == "linear"))]
        for x, y in drawn
    ]
    joined = np.concatenate([pair for pair in pairs if pair.size] or [np.empty((0, 2))])
    if joined.size == 0:
        return joined[:, 0], joined[:, 1]
    place = np.asarray(axes.transData.transform(joined), dtype=np.float64)
    return place[:, 0], place[:, 1]


def _put(axes: "Axes", text: "Text", box: Box, point: tuple[float, float]) -> None:
    from matplotlib.transforms import IdentityTransform

    x, y = axes.transData.inverted().transform((box.left, box.bottom))
    text.set_position((float(x), float(y)))
    nearest = (min(max(point[0], box.left), box.right), min(max(point[1], box.bottom), box.top))
    if abs(nearest[0] - point[0]) + abs(nearest[1] - point[1]) > 10.0:
        axes.plot(
            [point[0], nearest[0]],
            [point[1], nearest[1]],
            color=_SOFT,
            linewidth=0.5,
            transform=IdentityTransform(),
            zorder=3,
        )


def _words(text: str) -> str:
    return printable(text, _LONGEST_LABEL)
