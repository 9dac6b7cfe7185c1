"""What holds for every outline, camera, printed shape and reed, by theorems of geometry and of the trade.

`test_shape.py`, `view/test_camera.py` and `book/advice/test_rule_table.py` have more, beside examples.
"""

from datetime import timedelta

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aperture.book.advice.facts import facts
from aperture.book.advice.rules import advise, chosen
from aperture.card.ink import PrintedEllipse, Rectangle, picture
from aperture.shape import describe
from aperture.view.camera import FULL_FRAME_DIAGONAL_MM, Camera
from tests.book.advice.histories import HABIT, Story
from tests.book.advice.test_rules import EVENTS

# --- outlines ---------------------------------------------------------------------------------------------

ANGLES = st.floats(-180.0, 180.0)


@st.composite
def stars(draw):
    """A polygon that does not cross itself, (n, 2), somewhere and at any angle."""
    radii = np.array(draw(st.lists(st.floats(0.3, 3.0), min_size=4, max_size=30)))
    flat, turn = draw(st.floats(0.05, 1.0)), np.radians(draw(ANGLES))
    around = np.linspace(0.0, 2.0 * np.pi, len(radii), endpoint=False)
    points = np.column_stack([radii * np.cos(around), flat * radii * np.sin(around)])
    c, s = np.cos(turn), np.sin(turn)
    return points @ np.array([[c, s], [-s, c]]) + draw(st.tuples(*[st.floats(-50.0, 50.0)] * 2))


def perimeter(points):
    return float(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1).sum())


def hull(points):
    """OpenCV's convex hull, (m, 2)."""
    return cv2.convexHull(points.astype(np.float32))[:, 0].astype(float)


@settings(deadline=None, max_examples=60)
@given(stars())
def test_feret_diameters_keep_the_theorems_of_convex_figures(points):
    shape, around = describe(points), hull(points)
    length, area = perimeter(around), float(cv2.contourArea(around.astype(np.float32)))
    close = 1 + 1e-4  # OpenCV counts in single precision
    # Cauchy: the perimeter of a convex figure is pi times its mean Feret diameter.
    assert np.pi * shape.height_mm <= length * close
    assert length <= np.pi * shape.width_mm * close
    # Bieberbach: no figure of this diameter has a larger area than the circle.
    assert shape.area_mm2 <= np.pi / 4 * shape.width_mm**2 * close
    # Pál: of all convex figures of this width the equilateral triangle has the smallest area.
    assert area * close >= shape.height_mm**2 / np.sqrt(3)
    # Each lies in the box of its diameter and what is across it.
    assert area <= shape.width_mm * shape.height_mm * 2 * close


@settings(deadline=None, max_examples=60)
@given(stars(), st.tuples(*[st.floats(-2.0, 2.0)] * 4))
def test_any_linear_map_changes_the_area_by_its_determinant(points, entries):
    matrix = np.array(entries).reshape(2, 2)
    determinant = abs(entries[0] * entries[3] - entries[1] * entries[2])
    if determinant < 0.05:
        return
    changed = describe(points @ matrix.T)
    assert changed.area_mm2 == pytest.approx(determinant * describe(points).area_mm2, rel=1e-6)
    # A mapped figure is no wider than the largest stretch makes it, no lower than the smallest.
    large, small = np.linalg.svd(matrix, compute_uv=False)
    before = describe(points)
    assert changed.width_mm <= large * before.width_mm * (1 + 1e-9)
    assert changed.height_mm >= small * before.height_mm * (1 - 1e-9)


@settings(deadline=None, max_examples=40)
@given(st.integers(3, 60), st.floats(0.1, 10.0), ANGLES)
def test_a_regular_polygon_has_its_closed_forms(corners, radius, turn_deg):
    turn = np.radians(turn_deg) + 2 * np.pi * np.arange(corners) / corners
    shape = describe(radius * np.column_stack([np.cos(turn), np.sin(turn)]))
    step = np.pi / corners
    assert shape.area_mm2 == pytest.approx(corners / 2 * radius**2 * np.sin(2 * step), rel=1e-9)
    # Even: corner to corner, side to side. Odd: corner to the farthest corner, corner to the side across.
    even = corners % 2 == 0
    assert shape.width_mm == pytest.approx(2 * radius * (1.0 if even else np.cos(step / 2)), rel=1e-9)
    assert shape.height_mm == pytest.approx(
        radius * (2 * np.cos(step) if even else 1 + np.cos(step)), rel=1e-9
    )
    # Equal second moments in every direction, and a mean square radius known in closed form.
    assert shape.ellipse_ratio == pytest.approx(1.0, abs=1e-6)
    moment = radius**2 / 12 * (2 + np.cos(2 * step))  # of each axis, divided by the area
    assert shape.ellipse_major_mm == pytest.approx(4 * np.sqrt(moment), rel=1e-6)


# --- cameras ----------------------------------------------------------------------------------------------


@st.composite
def cameras(draw):
    """A phone before the card: any roll, tilted up to 25 degrees, near or far, any lens of a phone."""
    width, height = draw(st.sampled_from([(4032, 3024), (3024, 4032), (1600, 1200), (9248, 6936)]))
    diagonal = float(np.hypot(width, height))
    tilts = np.radians([draw(st.floats(-25.0, 25.0)), draw(st.floats(-25.0, 25.0)), draw(ANGLES)])
    rotation = np.diag([1.0, -1.0, -1.0])
    for axis, tilt in enumerate(tilts):
        rotation = cv2.Rodrigues(np.eye(3)[axis] * tilt)[0] @ rotation
    shift = np.array(
        [draw(st.floats(-20.0, 20.0)), draw(st.floats(-20.0, 20.0)), draw(st.floats(100.0, 400.0))]
    )
    return Camera(
        rotation_vector=cv2.Rodrigues(rotation)[0].ravel(),
        translation_mm=shift - rotation @ [42.8, 27.0, 0.0],
        focal_px=draw(st.floats(20.0, 80.0)) / FULL_FRAME_DIAGONAL_MM * diagonal,
        principal_px=np.array([width, height]) / 2 + draw(st.tuples(*[st.floats(-50.0, 50.0)] * 2)),
        radial=draw(st.floats(-0.03, 0.03)),
        ink_mm=0.0,
        half_diagonal_px=diagonal / 2,
    )


CARD_MM = np.array([[0.0, 0.0], [85.6, 0.0], [85.6, 53.98], [0.0, 53.98], [42.8, 4.5], [10.0, 40.0]])


@settings(deadline=None, max_examples=60)
@given(cameras(), st.floats(-5.0, 5.0))
def test_pixels_and_millimetres_are_there_and_back(camera, offset_mm):
    seen = camera.to_pixel(CARD_MM, offset_mm)
    # A lens is described as far as its picture reaches, and a little beyond.
    inside = np.linalg.norm(seen - camera.principal_px, axis=1) < 1.2 * camera.half_diagonal_px
    back = camera.to_mm(seen[inside], offset_mm)
    assert back == pytest.approx(CARD_MM[inside], abs=1e-4)
    assert camera.to_pixel(back, offset_mm) == pytest.approx(seen[inside], abs=1e-2)


@settings(deadline=None, max_examples=60)
@given(cameras(), st.tuples(*[st.floats(0.0, 50.0)] * 4))
def test_without_distortion_a_camera_keeps_lines_and_cross_ratios(camera, ends):
    straight = camera.with_vector(np.where(np.arange(11) == 9, 0.0, camera.vector()))
    start, end = np.array(ends[:2]), np.array(ends[2:])
    if np.linalg.norm(end - start) < 5.0:
        return
    shares = np.array([0.0, 0.3, 0.7, 1.0])
    seen = straight.to_pixel(start + shares[:, None] * (end - start))
    along = (seen - seen[0]) @ (seen[3] - seen[0]) / np.linalg.norm(seen[3] - seen[0])
    away = (seen - seen[0]) @ (np.array([[0, -1], [1, 0]]) @ (seen[3] - seen[0]))
    assert away / np.linalg.norm(seen[3] - seen[0]) == pytest.approx(np.zeros(4), abs=1e-6)

    def cross_ratio(a, b, c, d):
        return (c - a) * (d - b) / ((c - b) * (d - a))

    # What every central projection keeps of four points on a line.
    assert cross_ratio(*along) == pytest.approx(cross_ratio(*shares), rel=1e-6)


# --- the card ---------------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=40)
@given(
    st.floats(2.0, 8.0),
    st.floats(2.0, 8.0),
    st.floats(0.3, 3.0),
    st.floats(0.3, 3.0),
    st.floats(3.0, 25.0),
)
def test_ink_covers_its_area_wherever_it_lies_between_pixels(x_mm, y_mm, width_mm, height_mm, px_per_mm):
    sides = (x_mm - width_mm / 2, x_mm + width_mm / 2, y_mm - height_mm / 2, y_mm + height_mm / 2)
    rectangle, ellipse = Rectangle(*sides), PrintedEllipse(x_mm, y_mm, width_mm, height_mm)
    box = width_mm * height_mm * px_per_mm**2
    assert picture(10.0, 10.0, px_per_mm, [rectangle]).sum() == pytest.approx(box, rel=1e-9)
    drawn = picture(10.0, 10.0, px_per_mm, [], [ellipse])
    assert drawn.sum() == pytest.approx(np.pi / 4 * box, rel=1e-9)
    # It lies where it was put: the centroid of the ink, from the upper left corner.
    rows, columns = np.indices(drawn.shape) + 0.5
    assert (drawn * columns).sum() / drawn.sum() / px_per_mm == pytest.approx(x_mm, abs=0.2 / px_per_mm)
    assert 10.0 - (drawn * rows).sum() / drawn.sum() / px_per_mm == pytest.approx(y_mm, abs=0.2 / px_per_mm)


# --- rules ------------------------------------------------------------------------------------------------


def told(events):
    story = Story()
    for name, arguments, more in events:
        getattr(story, name)(*arguments, **more)
    return story


@settings(deadline=None, max_examples=60)
@given(st.lists(EVENTS, max_size=10), st.integers(0, 60))
def test_advice_is_the_same_each_time_it_is_asked_for(events, days):
    one, other = told(events), told(events)
    today = one.today + timedelta(days=days)
    first = advise(one.history, HABIT, today)
    assert advise(other.history, HABIT, today) == first
    assert advise(one.history, HABIT, today) == first  # asking changes nothing
    known = facts(one.history, HABIT, today)
    assert chosen(known).code == first.rule


@settings(deadline=None, max_examples=60)
@given(st.lists(EVENTS, max_size=8))
def test_no_reed_is_squeezed_that_was_last_seen_dry_only(events):
    story = told([event for event in events if event[0] != "soaked"])
    assert advise(story.history, HABIT, story.today).action != "squeeze"
