"""A tip on a page: what is drawn lies where it lies in the picture, and all tips have one scale."""

import re
from dataclasses import replace

import numpy as np
import pytest
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from aperture.book.store.records import Reading
from aperture.desk.pages.tips import SHOWN_MM, tip_view
from aperture.desk.web import HERE
from aperture.present.canvas import Window
from tests.conftest import ellipse_points_mm

# Neither width nor height is a whole number of pixels.
WINDOW = (36.4, -0.9, 49.2037, 9.8951, 78.125)


def reading_of(points_mm, window=WINDOW):
    return Reading(1, 1, "program", "0", 2.0, 0.001, {}, points_mm.tolist(), "aa/x", window, None)


@pytest.mark.parametrize("corner", [(36.5, -0.8), (49.1, -0.8), (49.1, 9.8), (42.8, 4.5)])
def test_an_outline_lies_where_it_lies_in_the_picture(corner):
    """The browser stretches the picture over its size in mm; pixel centres are whole numbers (`Window`)."""
    points = np.array([corner, (42.0, 4.0), (43.0, 5.0)])
    view = tip_view(reading_of(points))
    window = Window(*WINDOW)
    drawn = np.array([float(number) for number in re.split("[ ,]", view.outline)]).reshape(-1, 2)
    columns, rows = window.size_px
    drawn_px = drawn / (view.width_mm, view.height_mm) * (columns, rows) - 0.5
    # Coordinates are written to a thousandth of a mm, sizes to a tenth of that.
    assert np.abs(drawn_px - window.to_px(points)).max() < 0.0006 * window.px_per_mm


def test_dry_and_soaked_have_one_scale_whatever_their_windows():
    dry = tip_view(reading_of(ellipse_points_mm(7.0, 0.6)))
    other = (30.0, 0.0, 40.0, 9.0, 50.0)
    soaked = tip_view(reading_of(ellipse_points_mm(6.4, 2.1, (35.0, 4.0)), other))
    sizes = [tuple(float(number) for number in view.view_box.split()[2:]) for view in (dry, soaked)]
    assert sizes == [SHOWN_MM, SHOWN_MM]


def test_the_opening_is_in_the_middle_of_what_is_shown():
    view = tip_view(reading_of(ellipse_points_mm(7.0, 0.8, (41.0, 3.0))))
    left, top, width, height = (float(number) for number in view.view_box.split())
    assert left + width / 2 == pytest.approx(41.0 - WINDOW[0], abs=0.001)
    assert top + height / 2 == pytest.approx(WINDOW[3] - 3.0, abs=0.001)


def test_a_turned_ellipse_is_turned_the_same_way_on_the_page():
    """Reference: the ellipse's own axes. It rises to the right; with y down that is a negative turn (SVG 2,
    `rotate`: positive is clockwise)."""
    turn = np.deg2rad(12.0)
    across = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    points = ellipse_points_mm(7.0, 1.0, (0.0, 0.0)) @ across + (42.8, 4.5)
    x, y, half_width, half_height, degrees = tip_view(reading_of(points)).ellipse
    assert (x, y) == pytest.approx((42.8 - WINDOW[0], WINDOW[3] - 4.5), abs=1e-3)
    assert (half_width, half_height) == pytest.approx((3.5, 0.5), rel=1e-3)
    assert degrees == pytest.approx(-12.0, abs=0.01)


def test_without_a_picture_there_is_no_view():
    reading = reading_of(ellipse_points_mm(7.0, 1.0))
    assert tip_view(replace(reading, tip=None)) is None
    assert tip_view(replace(reading, tip_window=None)) is None


def test_without_an_outline_the_picture_is_shown_alone():
    view = tip_view(replace(reading_of(ellipse_points_mm(7.0, 1.0)), outline_mm=None))
    assert (view.outline, view.ellipse) == ("", None)
    assert view.picture == "/picture/aa/x"


@pytest.mark.parametrize("has_view", [True, False])
def test_words_are_shown_as_text(has_view):
    view = tip_view(reading_of(ellipse_points_mm(7.0, 1.0))) if has_view else None
    pages = Environment(
        loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined
    )
    drawn = str(pages.get_template("tip.html").module.tip(view, '"><script>alert(1)</script>'))
    assert "<script" not in drawn
    assert ('class="outline"' in drawn) == has_view
