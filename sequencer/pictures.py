"""Plots as data: what a step wants drawn, without knowing how it is drawn."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from sequencer.captures import Samples

Scale = Literal["linear", "log"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """One curve: x and y of the same length, in the units of the axes.

    Curves of one family (a unit's, where several units are compared) share a colour.
    """

    label: str
    x: Samples
    y: Samples
    is_limit: bool = False
    family: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A labelled point of interest."""

    x: float
    y: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One plot: curves, marks and a shaded band (lower, upper) in the units of the y axis."""

    name: str
    title: str
    x_label: str
    y_label: str
    curves: Sequence[Curve]
    marks: Sequence[Mark] = ()
    band: tuple[float, float] | None = None
    x_scale: Scale = "linear"
    y_scale: Scale = "linear"
    x_limits: tuple[float, float] | None = None
    y_limits: tuple[float, float] | None = None
    caption: str = ""
