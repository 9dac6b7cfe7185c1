"""Openings drawn into the notch of a made photo, so that the truth is a closed form, through the real code.

An outline (1 - u^2)^q is a lens of two parabolas at q = 1 (area 2/3 of width times height) and an ellipse at
q = 1/2 (pi/4): elementary geometry. That a shut opening is thinner than the blur, that flash is mirrored in
wet cane, and that two reeds may lie in a notch: common practice, no published source.
"""

import math

import numpy as np
import pytest
from skimage.draw import polygon

from aperture.budget.contributions import budget
from aperture.card.geometry import CARD
from aperture.errors import OpeningError
from aperture.opening import find_opening
from aperture.settings import Settings
from aperture.shape import describe
from aperture.view.view import look
from tests.made_photos import PX_PER_MM_DRAWN, camera_before, luma_of, photo_of, printed

FINE = 4  # drawn this much finer than the card, then averaged
RIM_MM = 0.1


def outline_of(width, height, q=1.0, at=(42.8, 4.5), roll_deg=0.0, grown=0.0):
    """The outline (400, 2), card mm; `grown` moves it outwards by the thickness of a rim."""
    u = np.cos(np.linspace(np.pi, -np.pi, 400, endpoint=False))
    sign = np.where(np.arange(400) < 200, 1.0, -1.0)
    y = sign * (np.clip(1 - u * u, 0, None) ** q * height / 2 + grown)
    points = np.column_stack([u * (width / 2 + 1.5 * grown), y])
    angle = math.radians(roll_deg)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    return points @ turn.T + at


def scene(*reeds, background=0.7, rim=0.5, bore=0.02, spots=()):
    """The printed face with these outlines' keyword arguments drawn into its notch; light, 1 = paper."""
    light = printed().copy()
    rows = slice(round((CARD.height_mm - CARD.notch.y_max_mm) * PX_PER_MM_DRAWN), light.shape[0])
    columns = slice(
        round(CARD.notch.x_min_mm * PX_PER_MM_DRAWN), round(CARD.notch.x_max_mm * PX_PER_MM_DRAWN)
    )
    shape = (rows.stop - rows.start) * FINE, (columns.stop - columns.start) * FINE
    notch = np.full(shape, background, np.float32)

    def fill(points, value):
        x = (points[:, 0] - CARD.notch.x_min_mm) * PX_PER_MM_DRAWN * FINE - 0.5
        y = (CARD.notch.y_max_mm - points[:, 1]) * PX_PER_MM_DRAWN * FINE - 0.5
        notch[polygon(y, x, shape)] = value

    for reed in reeds:
        fill(outline_of(**reed, grown=RIM_MM), rim)
        fill(outline_of(**reed), bore)
    for spot, value in spots:
        fill(outline_of(**spot), value)
    light[rows, columns] = notch.reshape(shape[0] // FINE, FINE, shape[1] // FINE, FINE).mean(axis=(1, 3))
    return light


def opening_in(light, px_per_mm=16.0, blur_px=0.9):
    """The outline found, the view, and the described shape."""
    camera, size = camera_before(px_per_mm)
    photo = photo_of(luma_of(camera, size, light, blur_px=blur_px))
    view = look(photo, Settings())
    outline = find_opening(photo, view)
    return outline, view, describe(outline.points_mm)


OPENINGS = ((0.4, 1.0), (0.9, 0.8), (1.6, 0.5), (2.4, 1.0))
# A rim little darker than white paper right behind it, and no back of a blade between: the search settles
# beside the best reading. And a rim between two darks, less than two blurs thick: its brightness and its
# thickness can hardly be told apart. The figures of the last run.
KNOWN_MISSES = {
    (0.4, 1.0, 0.85): "area +9.3 %, limit 4 %",
    (2.4, 1.0, 0.06): "ratio -0.0078, limit 0.005",
}
DRAWN = [
    pytest.param(*case, marks=[pytest.mark.xfail(reason=KNOWN_MISSES[case])] if case in KNOWN_MISSES else [])
    for case in ((*opening, background) for opening in OPENINGS for background in (0.85, 0.45, 0.06))
]


@pytest.mark.parametrize(("height", "q", "background"), DRAWN)
def test_drawn_openings_are_measured(height, q, background):
    reed = {"width": 7.0, "height": height, "q": q, "roll_deg": 4.0}
    outline, view, shape = opening_in(scene(reed, background=background))
    truth = describe(outline_of(**reed))
    u = budget(outline, view, Settings()).expanded(2.0)
    assert shape.height_mm == pytest.approx(height, abs=0.03)
    assert abs(shape.height_mm - height) <= u["height_mm"]
    assert abs(shape.width_mm - 7.0) <= u["width_mm"]
    assert shape.area_mm2 == pytest.approx(truth.area_mm2, rel=0.04)
    assert shape.ellipse_ratio == pytest.approx(truth.ellipse_ratio, abs=0.005)
    factor = {1.0: 2 / 3, 0.5: math.pi / 4}.get(q)
    assert factor is None or shape.shape_factor == pytest.approx(factor, abs=0.02)


AS_BRIGHT = "wall and rim of nearly the same light, without grain or shade: height -0.317 mm, no word said"


@pytest.mark.parametrize(
    "wall", [0.0, 0.15, 0.25, pytest.param(0.35, marks=pytest.mark.xfail(reason=AS_BRIGHT))]
)
def test_a_lit_wall_is_not_silently_taken_for_the_rim(wall):
    """A lamp in front lights the lower wall as far as the other blade's shadow: an arc that is no edge."""
    reed, lit_mm = {"width": 7.0, "height": 1.6}, 0.3
    dark = {"width": 7.0, "height": 1.6 - lit_mm, "at": (42.8, 4.5 + lit_mm / 2)}
    outline, view, shape = opening_in(scene(reed, bore=wall, spots=[(dark, 0.02)], background=0.3))
    u = budget(outline, view, Settings()).expanded(2.0)
    assert outline.flags or abs(shape.height_mm - 1.6) <= u["height_mm"]


@pytest.mark.parametrize("height", [0.04, 0.06])
def test_slit_thinner_than_the_blur_is_measured_by_its_missing_light(height):
    outline, view, shape = opening_in(scene({"width": 7.0, "height": height}), blur_px=1.1)
    assert height < view.blur_mm  # thinner than one standard deviation of the blur
    assert abs(shape.height_mm - height) <= budget(outline, view, Settings()).expanded(2.0)["height_mm"]
    assert shape.height_mm < Settings().limits.shut_below_height_mm


@pytest.mark.parametrize("at", [(40.9, 5.6), (44.7, 3.6)])
@pytest.mark.parametrize("roll_deg", [-20.0, 20.0])
def test_off_centre_and_rolled_openings_are_found(at, roll_deg):
    reed = {"width": 5.8, "height": 0.8, "at": at, "roll_deg": roll_deg}
    _, _, shape = opening_in(scene(reed))
    assert shape.height_mm == pytest.approx(0.8, abs=0.02)
    assert shape.centroid_mm == pytest.approx(at, abs=0.05)
    assert shape.width_angle_deg == pytest.approx(roll_deg, abs=1.0)


def test_scatter_over_places_on_the_pixels_is_within_the_stated_part():
    """What moving the reed by parts of a pixel does to the height is no more than edge and model claim."""
    heights, claims = [], []
    for step in range(6):
        reed = {"width": 7.0, "height": 0.7, "at": (42.8 + 0.011 * step, 4.5 + 0.013 * step)}
        outline, view, shape = opening_in(scene(reed))
        parts = budget(outline, view, Settings()).contributions
        local = [part.effect[0] for part in parts if part.source in ("edge", "model of the edge")]
        heights.append(shape.height_mm)
        claims.append(math.hypot(*local))
    assert 0 < np.std(heights, ddof=1) < np.mean(claims)


def test_empty_notch_is_no_reed():
    with pytest.raises(OpeningError) as error:
        opening_in(scene())
    assert error.value.code == "no-reed"


def test_two_reeds_are_one_too_many():
    one = {"width": 4.6, "height": 0.8, "at": (40.2, 6.0)}
    two = {"width": 4.6, "height": 0.8, "at": (45.4, 3.0)}
    with pytest.raises(OpeningError) as error:
        opening_in(scene(one, two))
    assert error.value.code == "more-than-one-reed"


def test_lamp_mirrored_inside_is_glare():
    reed = {"width": 7.0, "height": 1.6}
    lamp = {"width": 1.6, "height": 0.35, "q": 0.5, "at": (43.4, 4.5)}
    with pytest.raises(OpeningError) as error:
        opening_in(scene(reed, spots=[(lamp, 0.95)]))
    assert error.value.code == "glare"


@pytest.mark.parametrize("bore", [0.10, 0.16, 0.25])
def test_film_of_water_gets_no_number(bore):
    """Grey instead of a dark bore; the greyer, the less it is taken for an opening at all."""
    with pytest.raises(OpeningError) as error:
        opening_in(scene({"width": 7.0, "height": 1.4}, bore=bore))
    assert error.value.code in {"glare", "opening-not-found"}


def test_something_without_an_opening_is_not_given_a_number():
    """A cork, say: bright all over."""
    cork = {"width": 6.0, "height": 5.0, "q": 0.5}
    with pytest.raises(OpeningError) as error:
        opening_in(scene(spots=[(cork, 0.45)]))
    assert error.value.code in {"opening-not-found", "no-reed"}
