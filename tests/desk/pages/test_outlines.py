"""An outline by hand: what is taken, what it measures, and how sure that is."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from aperture.book.store.records import Reading
from aperture.desk.pages.outlines import (
    CLICK_MM,
    CLOSER_AT_CORNERS,
    MAX_POINTS,
    corrected_outline,
    first_guess,
    handles,
    measured_by_hand,
    smooth,
)
from aperture.errors import BookError
from aperture.settings import Settings
from aperture.shape import describe, quantities
from tests.conftest import ellipse_points_mm

WINDOW = (36.4, -0.9, 49.2, 9.9, 78.125)
ELLIPSES = [(7.0, 0.8), (6.4, 2.1), (7.2, 1.2), (7.0, 0.4)]


@pytest.fixture
def reading(measured):
    result = measured()
    outline = result.outline.points_mm.tolist()
    return Reading(1, 1, "program", "0", 2.0, 0.001, result.record(), outline, "aa/x", WINDOW, None)


def lens_points_mm(width_mm, height_mm, count=400):
    """Two parabolas that meet in two corners, the upper one twice as high: (count, 2)."""
    x = np.linspace(-1.0, 1.0, count // 2, endpoint=False)
    lower, upper = -(1 - x**2) * height_mm / 3, (1 - x**2) * height_mm * 2 / 3
    half = width_mm / 2
    points = np.vstack([np.column_stack([x * half, lower]), np.column_stack([-x * half, upper])])
    return points + np.array([42.8, 4.5])


# --- the curve and its points --------------------------------------------------------------------------


@pytest.mark.parametrize(("width_mm", "height_mm"), ELLIPSES)
@pytest.mark.parametrize("by", ["the program's points", "equal angles"])
def test_24_points_on_an_ellipse_measure_the_ellipse(width_mm, height_mm, by):
    """Reference: area pi a b, Feret diameters 2a and 2b, ratio b/a (closed forms), to 0.1 %."""
    every = ellipse_points_mm(width_mm, height_mm)
    angles = np.linspace(0.0, 2 * np.pi, 24, endpoint=False)
    equal = np.column_stack([width_mm / 2 * np.cos(angles), height_mm / 2 * np.sin(angles)])
    points = np.array(handles(every)) if by == "the program's points" else equal
    assert len(points) == 24
    expected = [height_mm, width_mm, np.pi / 4 * width_mm * height_mm, height_mm / width_mm]
    assert quantities(smooth(points)) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("height_mm", [0.3, 0.8, 1.5])
def test_corners_are_not_lost(height_mm):
    """Reference: the area between a parabola and its chord is 2/3 of the box (Archimedes)."""
    points = lens_points_mm(7.0, height_mm)
    height, width, area, _ = quantities(smooth(np.array(handles(points))))
    assert area == pytest.approx(2 / 3 * 7.0 * height_mm, rel=2e-3)
    assert width == pytest.approx(7.0, abs=0.01)
    assert height == pytest.approx(height_mm, rel=2e-3)


def test_an_outline_that_nobody_changed_measures_as_before(reading):
    """A correction of nothing moves no number by more than a tenth of its ±, corners or none."""
    for points in (lens_points_mm(7.1, 0.9), lens_points_mm(6.5, 1.6), np.array(reading.outline_mm)):
        moved = np.abs(quantities(smooth(np.array(handles(points)))) - quantities(points))
        u = np.array([reading.record["u"][n] for n in ("height_mm", "width_mm", "area_mm2", "ellipse_ratio")])
        assert (moved < 0.1 * u).all()


def test_the_curve_goes_through_the_points():
    points = np.array(handles(ellipse_points_mm(7.0, 1.0)))
    distances = np.hypot(*(smooth(points)[:, None] - points[None]).transpose(2, 0, 1))
    assert distances.min(axis=0).max() < 1e-9


def test_many_points_make_no_endless_curve():
    """It is measured 200 times, and the time for that grows with the square of their number."""
    assert len(smooth(ellipse_points_mm(7.0, 1.0))) <= 1000


def test_points_do_not_cover_each_other():
    """They are drawn as discs of 0.18 mm."""
    assert CLOSER_AT_CORNERS < 1.0
    for height_mm in (0.8, 2.1):
        points = handles(lens_points_mm(6.4, height_mm))
        assert min(np.hypot(*np.subtract(a, b)) for a, b in pairwise([*points, points[0]])) > 0.18


def test_a_first_guess_can_be_measured(reading):
    points = corrected_outline(str(first_guess(WINDOW)), reading)
    assert describe(smooth(points)).width_mm == pytest.approx(6.8, rel=1e-3)


# --- what is taken -------------------------------------------------------------------------------------


def star(count):
    """A five-pointed star drawn in one go: it crosses itself."""
    turns = np.arange(5) * 2 * (2 * np.pi / 5)
    corners = np.column_stack([np.cos(turns), np.sin(turns)]) * 2 + (42.8, 4.5)
    sides = [
        np.linspace(a, b, count // 5, endpoint=False)
        for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)
    ]
    return np.vstack(sides).round(4).tolist()


GOOD = handles(ellipse_points_mm(7.0, 1.0))
ASKEW = "crosses itself"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "could not be read"),
        ("null", "8 to 400 points"),
        ("true", "8 to 400 points"),
        ("[[1]]", "8 to 400 points"),
        ("[[42, 4]]", "8 to 400 points"),
        (str([[42, 4, 1]] * 9), "8 to 400 points"),
        (str(GOOD * 420), "8 to 400 points"),
        ("[[1, 2], [3]]", "could not be read"),
        ('[["a", "b"]]', "could not be read"),
        ('"<script>alert(1)</script>"', "could not be read"),
        ('{"__proto__": []}', "could not be read"),
        ("[" * 100_000, "could not be read"),
        (str([[10**400, 1]] * 9), "could not be read"),
        (str([*GOOD, [float("nan"), 4.0]]).replace("nan", "NaN"), "leaves the picture"),
        (str([*GOOD, [float("inf"), 4.0]]).replace("inf", "Infinity"), "leaves the picture"),
        (str([*GOOD, [1e9, 4.0]]), "leaves the picture"),
        (str([*GOOD, [36.3, 4.0]]), "leaves the picture"),
        (str([*GOOD, GOOD[-1]]), "lie on each other"),
        (str([*GOOD, GOOD[0]]), "lie on each other"),
        (str(star(25)), ASKEW),
        (str([*GOOD[:6], GOOD[18], *GOOD[6:18], *GOOD[19:]]), ASKEW),
    ],
    ids=range(21),
)
def test_what_is_no_outline_is_refused_in_words(reading, text, words):
    with pytest.raises(BookError) as refusal:
        corrected_outline(text, reading)
    assert words in refusal.value.detail


def test_without_a_picture_there_is_nothing_to_correct(reading):
    with pytest.raises(BookError, match="book-entry-wrong"):
        corrected_outline(str(GOOD), replace(reading, tip_window=None))


def test_points_on_one_line_are_no_crossing(reading):
    """A rectangle with points along its sides: neighbours but one lie on one line, and nothing crosses."""
    corners = np.array([[40.0, 4.0], [46.0, 4.0], [46.0, 5.0], [40.0, 5.0]])
    sides = [
        np.linspace(a, b, 6, endpoint=False) for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)
    ]
    points = np.vstack(sides)
    assert len(corrected_outline(str(points.tolist()), reading)) == 24


@pytest.mark.parametrize("way", [1, -1])
def test_either_way_round(reading, way):
    points = corrected_outline(str(GOOD[::way]), reading)
    assert measured_by_hand(points, reading, Settings())["area_mm2"] == pytest.approx(np.pi / 4 * 7, rel=1e-3)


def test_the_most_points_are_taken(reading):
    angles = np.linspace(0.0, 2 * np.pi, MAX_POINTS, endpoint=False)
    points = np.column_stack([42.8 + 3.5 * np.cos(angles), 4.5 + 0.8 * np.sin(angles)])
    assert len(corrected_outline(str(points.tolist()), reading)) == MAX_POINTS


# --- how sure it is ------------------------------------------------------------------------------------


def test_variances_are_added(reading):
    """JCGM 100, 5.1.2, each part by itself: the program's, and the scatter of 2000 outlines clicked again."""
    points = np.array(handles(ellipse_points_mm(7.0, 0.8)))
    stated = measured_by_hand(points, reading, Settings())["u"]
    rng = np.random.default_rng(77)
    clicked = [quantities(smooth(points + rng.normal(0, CLICK_MM, points.shape))) for _ in range(2000)]
    scatter = np.std(clicked, axis=0)
    for name, spread in zip(("height_mm", "width_mm", "area_mm2", "ellipse_ratio"), scatter, strict=True):
        own = reading.record["u"][name] / 2.0
        # The standard deviation of 200 draws is itself known to 5 % (1 / sqrt(2 n)).
        assert stated[name] / 2.0 == pytest.approx(np.hypot(own, spread), rel=0.15)


def test_without_a_number_of_the_program_the_scale_is_doubted(reading):
    """A refused photo: at least 1 % of a length, 2 % of an area."""
    bare = replace(reading, record={**reading.record, "u": None}, printed_scale_relative=0.0)
    record = measured_by_hand(np.array(GOOD), bare, Settings())
    assert record["u"]["width_mm"] > 2 * 0.01 * record["width_mm"]
    assert record["u"]["area_mm2"] > 2 * 0.02 * record["area_mm2"]


def test_what_the_hand_settles_is_no_flag_any_more(reading):
    doubted = replace(reading, record={**reading.record, "flags": ["edge-weak", "blurred", "wide"]})
    record = measured_by_hand(np.array(GOOD), doubted, Settings())
    assert "blurred" in record["flags"]
    assert not {"edge-weak", "wide"} & set(record["flags"])


@pytest.mark.parametrize(("height_mm", "shape"), [(0.05, "shut"), (0.9, "elliptical"), (2.4, "round")])
def test_the_class_is_that_of_the_settings_limits(reading, height_mm, shape):
    """Shut below 0.15 mm, round from a ratio of 0.25: the defaults that the settings state."""
    points = np.array(handles(ellipse_points_mm(7.0, height_mm)))
    assert measured_by_hand(points, reading, Settings())["shape"] == shape
