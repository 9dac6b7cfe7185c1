"""The slit of a gauge, on made photos (tests/made_photos.py) whose truth is put in and must come back.

What is no gauge is tried on rendered photos of reeds.
"""

from pathlib import Path

import numpy as np
import pytest

from aperture.card.geometry import CARD
from aperture.errors import GaugeError
from aperture.photo import read_photo
from aperture.settings import Settings
from aperture.studies.slit import measure_slit
from aperture.studies.slit_profile import Profiles, Sight, fit_edges
from aperture.view.view import locate_card
from tests.made_photos import PX_PER_MM_DRAWN, camera_before, luma_of, photo_of, printed

PHOTOS = Path(__file__).parents[2] / "fixtures" / "photos"
LEAN_U_DEG = 6.0 / np.sqrt(3.0)
STRIP, PAPER, BLACK, BEHIND = 0.7, 0.95, 0.0, 0.5


def made_gauge(
    gap_mm,
    roll_deg=0.0,
    wedge_mm=0.0,
    bow_mm=0.0,
    inside=BLACK,
    strip=STRIP,
    middle_mm=CARD.tip_mm,
    slit_mm=7.0,
):
    """The printed face with a gauge drawn into its notch, (rows, columns) float32; edges are exact."""
    light = printed().copy()
    notch = CARD.notch
    # All of it lies in the notch, so only there is anything to be worked out.
    rows = slice(int((CARD.height_mm - notch.y_max_mm) * PX_PER_MM_DRAWN) - 1, light.shape[0])
    columns = slice(int(notch.x_min_mm * PX_PER_MM_DRAWN) - 1, int(notch.x_max_mm * PX_PER_MM_DRAWN) + 2)
    part = light[rows, columns]
    x = (np.arange(light.shape[1])[columns] + 0.5) / PX_PER_MM_DRAWN - middle_mm[0]
    y = CARD.height_mm - (np.arange(light.shape[0])[rows] + 0.5) / PX_PER_MM_DRAWN - middle_mm[1]
    roll = np.radians(roll_deg)
    along = x * np.cos(roll) + y[:, None] * np.sin(roll)
    across = -x * np.sin(roll) + y[:, None] * np.cos(roll)

    def within(value, half_mm):
        return np.clip((half_mm - np.abs(value)) * PX_PER_MM_DRAWN + 0.5, 0.0, 1.0)

    half = gap_mm / 2 + wedge_mm / 2 * along / 7.0 + bow_mm * (1 - (along / 3.0) ** 2)
    hole = (x + middle_mm[0] > notch.x_min_mm) & (x + middle_mm[0] < notch.x_max_mm)
    hole = hole[None, :] & (y[:, None] + middle_mm[1] < notch.y_max_mm)
    part[hole] = BEHIND
    body = within(along, 5.0) * np.clip((half + 0.8 - np.abs(across)) * PX_PER_MM_DRAWN + 0.5, 0.0, 1.0)
    sheets = np.clip((half - np.abs(across)) * PX_PER_MM_DRAWN + 0.5, 0.0, 1.0)
    slit = sheets * within(along, slit_mm / 2)
    drawn = strip + sheets * (PAPER - strip)
    drawn = drawn + slit * (inside - drawn)
    part[hole] = (part + body * (drawn - part))[hole]
    return light


def measured(settings=None, blur_px=0.8, px_per_mm=16.0, tilt_deg=-9.0, **gauge):
    """The slit that is found in a made photo."""
    camera, size = camera_before(px_per_mm=px_per_mm, tilt_deg=tilt_deg)
    luma = luma_of(camera, size, made_gauge(**gauge), blur_px=blur_px)
    photo = photo_of(luma)
    return measure_slit(photo, locate_card(photo, settings or Settings()), LEAN_U_DEG)


@pytest.mark.parametrize("gap_mm", [0.4, 0.52, 1.04, 2.08, 3.0])
@pytest.mark.parametrize("roll_deg", [0.0, -4.3])
def test_gap_is_what_was_drawn(gap_mm, roll_deg):
    slit = measured(gap_mm=gap_mm, roll_deg=roll_deg)
    assert slit.gap_mm == pytest.approx(gap_mm, abs=0.01)  # a tenth of a sheet
    assert np.degrees(slit.frame.angle) == pytest.approx(roll_deg, abs=0.2)
    # The edge's own uncertainty is not larger than a sheet's tenth, nor the error than thrice it.
    u = np.sqrt(np.array([-1.0, 1.0]) @ slit.edges_covariance @ [-1.0, 1.0])
    assert 0.0003 < u < 0.01
    assert abs(slit.gap_mm - gap_mm) < 3 * np.hypot(u, 0.002)


@pytest.mark.parametrize("strip", [0.06, 0.3, 0.95])
def test_dark_and_light_card_measure_alike(strip):
    assert measured(gap_mm=1.04, strip=strip).gap_mm == pytest.approx(1.04, abs=0.012)


@pytest.mark.parametrize("blur_px", [0.6, 1.3])
def test_a_blur_moves_no_edge(blur_px):
    assert measured(gap_mm=0.83, blur_px=blur_px).gap_mm == pytest.approx(0.83, abs=0.008)


def test_where_in_the_notch_it_lies_does_not_matter():
    for middle in ((42.5, 3.0), (43.1, 6.0)):
        assert measured(gap_mm=1.04, middle_mm=middle).gap_mm == pytest.approx(1.04, abs=0.012)


def test_outline_is_a_rectangle_as_high_as_the_gap():
    slit = measured(gap_mm=1.04, roll_deg=5.0)
    outline = slit.outline_mm()
    assert np.linalg.norm(outline[0] - outline[-1]) == pytest.approx(slit.gap_mm)
    assert np.linalg.norm(outline[0] - outline[40]) == pytest.approx(7.0)
    assert outline.mean(axis=0) == pytest.approx(CARD.tip_mm, abs=0.15)


def refusal(**gauge):
    with pytest.raises(GaugeError) as refused:
        measured(**gauge)
    return refused.value


def test_a_sheet_more_at_one_side_is_refused():
    # One sheet of 0.11 mm over the 8.5 mm between the middles of the paper: 0.091 mm over the slit.
    error = refusal(gap_mm=1.04, wedge_mm=0.11 * 7.0 / 8.5)
    assert (error.code, error.detail) == ("gauge-not-parallel", "it is 0.09 mm higher at its right end")
    assert "left" in refusal(gap_mm=1.04, wedge_mm=-0.1).detail
    assert measured(gap_mm=1.04, wedge_mm=0.03).wedge_mm == pytest.approx(0.03, abs=0.01)


def test_curved_edges_are_refused():
    assert refusal(gap_mm=0.9, bow_mm=0.1).code == "gauge-curved"


def test_a_slit_that_is_not_dark_is_refused():
    assert refusal(gap_mm=1.5, inside=0.25).code == "gauge-lit"


def test_a_slit_that_is_not_closed_at_its_sides_is_none():
    assert refusal(gap_mm=1.04, slit_mm=9.6).code in ("gauge-no-slit", "gauge-curved")


def test_a_lens_that_does_not_stand_level_is_refused():
    # Square to the card's middle the lens stands 22.5 mm above the slit, at 105 mm: 12 degrees; and it is
    # tilted further up.
    error = refusal(gap_mm=1.04, tilt_deg=3.0)
    assert error.code == "gauge-oblique"
    assert error.detail == "it stood 15° above it"


@pytest.mark.parametrize(
    "name",
    [
        "open-05",
        "open-09",
        "open-14",
        "round-22",
        "asymmetric",
        "dark-background",
        "slit-02",
        "shut",
        "empty-notch",
    ],
)
def test_a_reed_or_an_empty_notch_is_no_gauge(name):
    photo = read_photo(PHOTOS / f"{name}.jpg")
    with pytest.raises(GaugeError) as refused:
        measure_slit(photo, locate_card(photo, Settings()), LEAN_U_DEG)
    assert refused.value.code in ("gauge-curved", "gauge-no-slit")


# --- the profile -------------------------------------------------------------------------------------------


def wall_light(depth_mm, height_mm):
    """Light on the wall of a long slit, by adding up the sky that is seen (Lambert's cosine law), not by the
    closed form: beside what an even light gives a surface that faces all of it."""
    angle = np.linspace(0.0, np.pi, 20001)  # from the wall's own plane, the opening's side first
    seen = np.tan(angle) * depth_mm < height_mm
    return float(np.sum(np.sin(angle) * seen * (angle < np.pi / 2)) * (angle[1] - angle[0]) / 2)


@pytest.mark.parametrize("depth_mm", [0.05, 0.3, 1.0, 4.0])
def test_wall_darkens_as_the_sky_seen_from_it(depth_mm):
    closed = (1 - depth_mm / np.hypot(depth_mm, 1.04)) / 2
    assert wall_light(depth_mm, 1.04) == pytest.approx(closed, abs=2e-4)


@pytest.mark.parametrize("angle_deg", [-8.0, -2.0, 0.5, 3.0, 8.0])
def test_the_wall_behind_an_edge_is_not_taken_for_it(angle_deg):
    """A profile with a wall, drawn finely; without the wall's part in the model it is far off."""
    fine = np.linspace(-0.4, 1.5, 19001)
    lower, upper, blur, px_per_mm = 0.0, 1.04, 0.05, 16.0
    reach = np.tan(np.radians(abs(angle_deg)))
    depth = (fine - lower if angle_deg > 0 else upper - fine) / reach
    inside = (fine > lower) & (fine < upper)
    wall = 0.8 * (1 - depth / np.hypot(depth, upper - lower)) / 2
    light = np.where(inside, wall, 0.8)
    kernel = np.exp(-0.5 * (np.arange(-2500, 2501) * (fine[1] - fine[0]) / blur) ** 2)
    seen = np.convolve(np.pad(light, 2500, mode="edge"), kernel / kernel.sum(), mode="valid")
    paper = np.convolve(
        np.pad(np.where(inside, 0.82, 0.8), 2500, mode="edge"), kernel / kernel.sum(), "valid"
    )
    across = np.arange(-0.3, 1.34, 0.1 / px_per_mm)
    profiles = Profiles(
        across, np.interp(across, fine, seen), np.interp(across, fine, paper), 0.001, px_per_mm
    )
    edges = fit_edges(profiles, (0.02, 1.02), Sight(blur, np.radians(angle_deg) * 0.7, np.radians(3.5)))
    assert edges.places_mm == pytest.approx([lower, upper], abs=0.01)
    assert edges.front == pytest.approx(0.8, abs=0.02)
