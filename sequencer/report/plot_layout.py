"""Margins of a plot from measured texts, in points of the drawing."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis

POINTS_PER_INCH = 72
PAD = 4.0
# Below the axes (numbers and label), the label above them, a row of the legend, the title.
_FOOT_HEIGHT, _LABEL_HEIGHT, _LEGEND_ROW_HEIGHT, _TITLE_HEIGHT = 27.0, 15.0, 12.0, 17.0
# What fits beside each other in a legend's row, counted in signs; a key takes as much as six.
_LEGEND_SIGNS, _LEGEND_KEY_SIGNS = 84, 6


def place_axes(axes: "Axes", renderer: Any, *, has_title: bool) -> None:
    """Give the axes the room that their numbers, labels, legend and title leave."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    width, height = (POINTS_PER_INCH * inches for inches in figure.get_size_inches())
    left = max(_number_widths(axes.yaxis, renderer), default=0.0) + PAD + 2.0
    right = 0.5 * max(_number_widths(axes.xaxis, renderer), default=0.0) + 1.0
    legend = axes.get_legend()
    labels = [text.get_text() for text in legend.get_texts()] if legend else []
    rows = math.ceil(len(labels) / legend_columns(labels))
    top = _LABEL_HEIGHT + rows * _LEGEND_ROW_HEIGHT + (_TITLE_HEIGHT if has_title else 0.0)
    axes.set_position(
        (
            left / width,
            _FOOT_HEIGHT / height,
            (width - left - right) / width,
            (height - _FOOT_HEIGHT - top) / height,
        )
    )
    if legend:
        # In fractions of the axes, whose height is known only now.
        inner = height - _FOOT_HEIGHT - top
        legend.set_bbox_to_anchor((0.0, 1.0 + _LABEL_HEIGHT / inner), transform=axes.transAxes)


def _number_widths(axis: "Axis", renderer: Any) -> list[float]:
    low, high = sorted(axis.get_view_interval())
    places = [place for place in axis.get_majorticklocs() if low <= place <= high]
    formatter = axis.get_major_formatter()
    font = axis.get_major_ticks(1)[0].label1.get_fontproperties()
    return [
        float(renderer.get_text_width_height_descent(formatter(place), font, False)[0])
        for place in places
    ]


def legend_columns(labels: Sequence[str]) -> int:
    """How many labels of a legend stand side by side."""
    if sum(len(label) + _LEGEND_KEY_SIGNS for label in labels) <= _LEGEND_SIGNS:
        return max(len(labels), 1)
    longest = max(map(len, labels), default=0)
    return 3 if longest <= 24 else 2 if longest <= 40 else 1
