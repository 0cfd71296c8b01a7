"""Plots: same bytes for the same picture, nothing lost in thinning, labels that can be read."""

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sequencer.pictures import Curve, Mark, Picture
from sequencer.report.plot_axes import axis_text, log_ticks, plain_number, prefixed_number, y_limits
from sequencer.report.plot_marks import Box, place_labels
from sequencer.report.plots import draw_svg, overlay
from sequencer.report.ruler import WIDTH, ruler
from sequencer.report.svg_text import inline
from sequencer.report.thinning import thinned

SVG = "{http://www.w3.org/2000/svg}"


def spectrum(level_db: float = 19.0, points: int = 200_000, **changes) -> Picture:
    """A noise floor with a tone and nine harmonics, as a step would draw it."""
    noise = np.random.default_rng(5)
    frequency_hz = np.linspace(0.4, 90e3, points)
    y = -125.0 + 3.0 * noise.standard_normal(points)
    marks = []
    for k in range(1, 11):
        level = level_db if k == 1 else level_db - 90.0 - 3.0 * k
        y[np.argmin(np.abs(frequency_hz - 1000.0 * k))] = level
        marks.append(Mark(x=1000.0 * k, y=level, label="tone" if k == 1 else f"H{k}"))
    fields = {
        "name": "spectrum",
        "title": "Spectrum of the tone",
        "x_label": "frequency in Hz",
        "y_label": "level in dBV",
        "curves": (Curve(label="output", x=frequency_hz, y=y),),
        "marks": tuple(marks),
        "x_scale": "log",
        "x_limits": (10.0, 20e3),
    }
    return Picture(**{**fields, **changes})


def line(x, y, **changes) -> Picture:
    fields = {
        "name": "line",
        "title": "A line",
        "x_label": "time in s",
        "y_label": "offset in V",
        "curves": (Curve(label="output", x=np.asarray(x, float), y=np.asarray(y, float)),),
    }
    return Picture(**{**fields, **changes})


def texts(svg: str) -> list[str]:
    return ["".join(each.itertext()) for each in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def test_the_same_picture_gives_the_same_bytes():
    assert draw_svg(spectrum()) == draw_svg(spectrum())


def test_a_large_curve_stays_a_small_drawing():
    """A megasample spectrum under 150 kB: what a page can hold dozens of."""
    assert len(draw_svg(spectrum(points=1_000_000))) < 150_000


def test_a_drawing_is_one_well_formed_document_without_date_program_or_outside_reference():
    svg = draw_svg(spectrum())
    root = ElementTree.fromstring(svg)
    assert root.tag == f"{SVG}svg"
    assert "metadata" not in svg
    assert "matplotlib" not in svg.lower()
    bare = inline(svg)
    assert "http" not in bare
    assert "url(" not in bare.replace("url(#", "")


def test_every_mark_is_labelled_and_both_axes_say_their_unit():
    shown = texts(draw_svg(spectrum()))
    for label in ("tone", *(f"H{k}" for k in range(2, 11)), "frequency in Hz", "level in dBV"):
        assert label in shown


def test_marks_outside_the_axes_are_not_drawn():
    shown = texts(draw_svg(spectrum(x_limits=(10.0, 2500.0))))
    assert "H2" in shown
    assert "H3" not in shown


@pytest.mark.parametrize(
    "text",
    ["<script>alert(1)</script>", "a & b", '" onload="x', "$\\frac{1}{0}$", "\x1b[31m", "_x"],
)
def test_words_from_outside_are_text_and_nothing_else(text):
    curve = Curve(label=text, x=np.arange(9.0), y=np.arange(9.0))
    limit = Curve(label="limit", x=np.arange(9.0), y=np.ones(9), is_limit=True)
    picture = line([], [], title=text, x_label=text, curves=(curve, limit))
    svg = draw_svg(picture, with_title=True)
    root = ElementTree.fromstring(svg)
    assert {each.tag.removeprefix(SVG) for each in root.iter()} <= {
        *("svg", "g", "path", "defs", "use", "text", "tspan", "clipPath", "rect")
    }
    assert not any(name.startswith("on") for each in root.iter() for name in each.attrib)
    assert "\x1b" not in svg


@pytest.mark.parametrize(
    "picture",
    [
        line([], []),
        line([1.0], [2.0]),
        line([0.0, 1.0], [np.nan, np.nan]),
        line([0.0, 1.0, 2.0], [0.3, 0.3, 0.3]),
        line([0.0, 1.0, 2.0], [0.0, -1.0, 5.0], x_scale="log", y_scale="log"),
        line([3.0, 1.0, 2.0], [1.0, 2.0, 3.0]),
        line(np.linspace(0, 1, 50_000), np.full(50_000, np.nan)),
    ],
    ids=["empty", "point", "nan", "constant", "log of nought", "turning back", "all gaps"],
)
def test_odd_curves_are_drawn_without_complaint(picture):
    assert ElementTree.fromstring(draw_svg(picture)).tag == f"{SVG}svg"


def test_a_band_and_limits_are_named_in_the_legend():
    limit = Curve(label="limit", x=np.arange(9.0), y=np.full(9, 0.02), is_limit=True)
    base = line(np.arange(9.0), 0.001 * np.arange(9.0))
    picture = line([], [], curves=(*base.curves, limit, limit), band=(-0.01, 0.01))
    shown = texts(draw_svg(picture))
    assert "band −10 to +10 mV" in shown
    assert shown.count("limit") == 1
    assert "offset in mV" in shown


def test_an_overlay_names_each_unit_and_takes_limits_once():
    limit = Curve(label="limit", x=np.array([20.0, 20e3]), y=np.zeros(2), is_limit=True)
    one = spectrum(points=500)
    picture = spectrum(points=500, curves=(*one.curves, limit))
    both = overlay([("A-1", picture), ("A-2", picture)])
    assert [curve.label for curve in both.curves] == ["A-1", "A-2", "limit"]
    assert len(both.marks) == 10


def test_curves_of_one_unit_share_a_colour_and_differ_in_their_line():
    one = line(np.arange(9.0), np.arange(9.0))
    two = Curve(label="fit", x=np.arange(9.0), y=np.ones(9))
    picture = line([], [], curves=(*one.curves, two))
    both = overlay([("A-1", picture), ("A-2", picture)])
    assert [curve.family for curve in both.curves] == ["A-1", "A-1", "A-2", "A-2"]
    root = ElementTree.fromstring(draw_svg(both))
    styles = [each.get("style", "") for each in root.iter(f"{SVG}path")]
    colours = {re.search(r"stroke: (#[0-9a-f]{6})", s)[1] for s in styles if "width: 1.5" in s}
    assert len(colours) == 2
    assert any("dasharray" in style and "width: 1.5" in style for style in styles)


def test_an_overlay_takes_the_higher_of_marks_with_the_same_words():
    both = overlay([("A-1", spectrum(0.0)), ("A-2", spectrum(20.0))])
    assert {mark.label: mark.y for mark in both.marks}["tone"] == 20.0


# --- thinning ---

ANY_NUMBER = st.floats(-1e6, 1e6, allow_nan=False, width=32)


@given(arrays(np.float64, st.integers(1, 4000), elements=ANY_NUMBER))
@settings(max_examples=40, deadline=None)
def test_thinning_keeps_both_extremes_and_both_ends(y):
    x = np.arange(y.size, dtype=float)
    thin_x, thin_y = thinned(Curve(label="c", x=x, y=y), columns=50)
    assert thin_y.max() == y.max()
    assert thin_y.min() == y.min()
    assert thin_x[0] == x[0]
    assert thin_x[-1] == x[-1]
    assert thin_x.size <= max(2 * 50 + 2, min(y.size, 100))
    assert np.all(y[thin_x.astype(int)] == thin_y)


def test_thinning_keeps_a_single_narrow_line_where_it_is():
    x = np.linspace(1.0, 1e5, 300_000)
    y = np.zeros(x.size)
    y[123_456] = 7.0
    thin_x, thin_y = thinned(Curve(label="c", x=x, y=y), x_scale="log")
    assert thin_x[np.argmax(thin_y)] == x[123_456]


def test_the_upper_edge_is_the_highest_point_of_each_column():
    """200 columns of a sawtooth of 100 samples: the edge is its crest throughout."""
    y = np.tile(np.arange(100.0), 200)
    _, upper = thinned(
        Curve(label="c", x=np.arange(y.size, dtype=float), y=y), columns=200, is_upper_only=True
    )
    assert upper.min() >= 98.0


# --- labels ---


def test_labels_in_a_crowd_do_not_cover_each_other():
    points = [(100.0 + 14.0 * k, 50.0 + 2.0 * (k % 3)) for k in range(12)]
    frame = Box(0.0, 0.0, 400.0, 200.0)
    found = place_labels(points, [(22.0, 9.0)] * 12, frame, (np.empty(0), np.empty(0)))
    boxes = [box for box in found if box is not None]
    assert len(boxes) == 12
    for index, box in enumerate(boxes):
        assert box.is_within(frame)
        assert not any(box.overlap(other) for other in boxes[index + 1 :])


def test_of_marks_too_many_for_their_place_the_highest_keep_their_words():
    points = [(100.0 + 0.5 * k, 50.0 + k) for k in range(60)]
    boxes = place_labels(
        points, [(22.0, 9.0)] * 60, Box(0.0, 0.0, 400.0, 200.0), (np.empty(0), np.empty(0))
    )
    assert boxes[-1] is not None
    assert 5 < sum(box is not None for box in boxes) < 60


def test_a_label_goes_where_the_curve_is_not():
    """Curve points fill the place above the mark; below it is free."""
    x, y = (axis.ravel() for axis in np.meshgrid(np.arange(60.0, 140.0), np.arange(52.0, 110.0)))
    box = place_labels([(100.0, 50.0)], [(30.0, 9.0)], Box(0.0, 0.0, 200.0, 200.0), (x, y))[0]
    assert box is not None
    assert box.top < 50.0


# --- axes ---


@pytest.mark.parametrize(
    ("value", "plain", "prefixed"),
    [
        (0.0, "0", "0"),
        (1000.0, "1000", "1 k"),
        (20000.0, "20000", "20 k"),
        (-90.0, "−90", "−90"),
        (0.002, "0.002", "2 m"),
        (1e-5, "0.00001", "10 µ"),
        (2.5, "2.5", "2.5"),
        (29.4, "29.4", "29.4"),
        (1e6, "1000000", "1 M"),
    ],
)
def test_tick_numbers_have_no_exponent(value, plain, prefixed):
    assert plain_number(value) == plain
    assert prefixed_number(value) == prefixed


@pytest.mark.parametrize(
    ("label", "limits", "scale", "shown", "divisor"),
    [
        ("offset in V", (-0.01, 0.02), "linear", "offset in mV", 1e-3),
        ("offset in V", (0.0, 1.0), "linear", "offset in V", 1.0),
        ("frequency in Hz", (0.0, 500e3), "linear", "frequency in kHz", 1e3),
        ("frequency in Hz", (0.0, 20e3), "linear", "frequency in kHz", 1e3),
        ("time in s", (0.0, 3600.0), "linear", "time in s", 1.0),
        ("frequency in Hz", (20.0, 20e3), "log", "frequency in Hz", 1.0),
        ("level in dBV", (-0.01, 0.01), "linear", "level in dBV", 1.0),
        ("temperature in degC", (20.0, 60.0), "linear", "temperature in °C", 1.0),
    ],
)
def test_axes_take_a_unit_of_a_handy_size(label, limits, scale, shown, divisor):
    text = axis_text(label, limits, scale)
    assert text.label == shown
    assert text.divisor == pytest.approx(divisor)


def test_the_audio_band_has_ticks_at_one_two_and_five():
    majors, minors = log_ticks((20.0, 20e3))
    assert majors == pytest.approx([20, 50, 100, 200, 500, 1e3, 2e3, 5e3, 10e3, 20e3])
    assert 30.0 in minors


def test_the_grass_under_a_spectrum_does_not_set_the_axis():
    """One bin at -300 dBV says nothing; the floor lies at -125 dBV."""
    picture = spectrum()
    curve = picture.curves[0]
    y = np.array(curve.y)
    y[5000] = -300.0
    low, high = y_limits(picture, [(curve.x, y)], (10.0, 20e3))
    assert -160.0 < low < -125.0
    assert high > 19.0


# --- ruler ---


def test_a_ruler_shows_where_a_reading_lies_between_its_limits():
    middle = ruler(29.0, 0.05, (None, None), 28.5, 29.5)
    assert middle is not None
    assert middle.value == pytest.approx(WIDTH / 2.0)
    assert middle.limits[0] < middle.value < middle.limits[1]
    assert not middle.is_outside


def test_a_ruler_keeps_a_value_far_outside_at_its_edge():
    far = ruler(5.0, 0.01, (None, None), None, 0.02)
    assert far is not None
    assert far.is_outside
    assert far.value is not None
    assert far.limits[0] < far.value <= WIDTH


def test_a_ruler_of_a_bound_has_no_point():
    bound = ruler(None, 0.0, (None, 0.001), None, 0.02)
    assert bound is not None
    assert bound.value is None
    assert bound.doubt[1] < bound.limits[0]


@pytest.mark.parametrize(
    ("value", "low", "high"),
    [
        (-80.0, None, -70.0),
        (0.0, None, 0.0),
        (120.0, 100.0, None),
        (0.0, 0.0, 0.0),
        (-1.0, None, 5.0),
    ],
)
def test_rulers_of_any_limits_stay_inside_the_drawing(value, low, high):
    drawn = ruler(value, 0.1, (None, None), low, high)
    assert drawn is not None
    places = [*drawn.limits, *drawn.doubt, *drawn.allowed]
    assert all(0.0 <= place <= WIDTH for place in places)


def test_no_ruler_without_a_number_or_without_a_limit():
    assert ruler(None, 0.0, (None, None), None, 1.0) is None
    assert ruler(1.0, 0.0, (None, None), None, None) is None
