"""The uncertainty budget against the worked examples of the GUM, another package and closed forms."""

from dataclasses import fields, replace

import numpy as np
import pytest
from uncertainties import covariance_matrix, ufloat

from aperture.budget.contributions import QUANTITIES, budget, combine, from_changes
from aperture.opening import Outline
from aperture.settings import Settings, Uncertainty
from aperture.shape import quantities
from aperture.view.camera import Camera
from aperture.view.sharpening import Sharpening
from aperture.view.view import View

TIP = np.array([42.8, 4.5])


def ellipse(width_mm=7.0, height_mm=1.0, centre=TIP):
    around = np.linspace(np.pi, 3 * np.pi, 400, endpoint=False)
    return np.column_stack([np.cos(around) * width_mm / 2, np.sin(around) * height_mm / 2]) + centre


def outline_of(points, displacements=()):
    known = {
        "points_mm": points,
        "displacements_mm": np.array(displacements).reshape(-1, len(points), 2),
        "flags": (),
    }
    return Outline(**{field.name: known.get(field.name, 0.0) for field in fields(Outline)})


def view_from(camera_centre_mm, covariance=None, tip_offset_mm=0.0):
    """A view from a camera at `camera_centre_mm` (3,), square to the card, 20 px/mm on the card."""
    eye = np.asarray(camera_centre_mm, dtype=np.float64)
    rotation = np.diag([1.0, -1.0, -1.0])
    camera = Camera(
        np.array([np.pi, 0.0, 0.0]),
        -rotation @ eye,
        20.0 * eye[2],
        np.array([2000.0, 1500.0]),
        0.0,
        0.0,
        2500.0,
    )
    return View(
        camera=camera,
        covariance=np.zeros((11, 11)) if covariance is None else covariance,
        face="dry",
        reeds=(),
        marker_ids=(0, 1, 2, 3, 4, 5),
        scale=1.0,
        tip_offset_mm=tip_offset_mm,
        px_per_mm=20.0,
        distance_mm=float(eye[2]),
        tilt_deg=0.0,
        blur_px=(1.0, 1.0),
        sharpening=Sharpening(0.0, 1.4, (1.0, 1.0), 0.0),
        paper_level=0.7,
        ink_level=0.03,
        side_residual_px=0.02,
        flags=(),
    )


def parts_of(view, points=None, settings=None, **outline):
    points = ellipse() if points is None else points
    whole = budget(outline_of(points, **outline), view, settings or Settings())
    return {part.source: part for part in whole.contributions}, whole


# --- worked examples --------------------------------------------------------------------------------------


def test_end_gauge_of_the_gum():
    # GUM (JCGM 100:2008), H.1: an end gauge of 50 mm. Inputs as published with the public example GUM_H1.py
    # of MSLNZ/GTC; contributions 25, 9.7, 2.9, 16.6 nm; combined uncertainty 32 nm (31.67 unrounded).
    length_nm, expansion = 50e6, 11.5e-6
    comparison = [5.8, 3.9, 6.7]  # of the difference: repeated readings, comparator random, systematic
    effects = {
        "standard": [25.0],
        "difference": comparison,
        "expansion difference": [length_nm * 0.1 * 1e-6 / np.sqrt(3)],
        "temperature difference": [length_nm * expansion * 0.05 / np.sqrt(3)],
    }
    parts = []
    for source, changes in effects.items():
        rows = np.zeros((len(changes), 4))
        rows[:, 0] = changes
        parts.append(from_changes(source, "normal", rows))
    assert [part.effect[0] for part in parts] == pytest.approx([25.0, 9.7, 2.9, 16.6], abs=0.06)
    whole = combine(tuple(parts))
    assert whole.standard()["height_mm"] == pytest.approx(31.67, abs=0.05)
    assert whole.standard()["width_mm"] == 0.0
    # 99 %: t of 16 degrees of freedom is 2.92; U = 93 nm in the GUM
    assert whole.expanded(2.92)["height_mm"] == pytest.approx(93.0, abs=0.6)


# --- against the package `uncertainties` ------------------------------------------------------------------


def test_a_shared_scale_keeps_quantities_correlated():
    # Height and width times one uncertain scale, area their product, ratio their quotient.
    settings = Settings(uncertainty=Uncertainty(ruler_doubt_mm=0.25))
    parts, _ = parts_of(view_from([*TIP, 130.0]), settings=settings)
    scale = ufloat(1.0, 0.25 / np.sqrt(3) / 50.0)
    height, width = 1.0 * scale, 7.0 * scale
    expected = covariance_matrix([height, width, np.pi / 4 * height * width, height / width])
    assert parts["printed scale"].covariance == pytest.approx(np.array(expected), rel=5e-3, abs=1e-9)


def test_independent_edges_add_in_squares():
    # Two edges, each out by its own amount: height = upper + lower, area = pi/4 w h.
    points = ellipse()
    up, down = np.array([0.0, 1.0]), np.array([0.0, -1.0])
    hump = np.sqrt(np.clip(1 - ((points[:, :1] - TIP[0]) / 3.5) ** 2, 0, None))
    upper = np.where(points[:, 1:] > TIP[1], hump, 0.0) * up * 0.003
    lower = np.where(points[:, 1:] < TIP[1], hump, 0.0) * down * 0.004
    parts, _ = parts_of(view_from([*TIP, 130.0]), displacements=[upper, lower])
    a, b = ufloat(0.5, 0.003), ufloat(0.5, 0.004)
    expected = np.array(covariance_matrix([a + b, 7.0 + 0 * a, np.pi / 4 * 7.0 * (a + b), (a + b) / 7.0]))
    assert parts["edge"].covariance == pytest.approx(expected, rel=0.01, abs=1e-7)


# --- closed forms -----------------------------------------------------------------------------------------


def test_the_plane_of_the_tip_by_similar_triangles():
    # Half-width 1 mm, uniform: 1/sqrt(3) mm (GUM 4.3.7); at 130 mm lengths change by that over 130 mm.
    parts, _ = parts_of(view_from([*TIP, 130.0]))
    relative = 1 / np.sqrt(3) / 130.0
    expected = [1.0 * relative, 7.0 * relative, 2 * np.pi / 4 * 7.0 * relative]
    assert parts["plane of the tip"].effect[:3] == pytest.approx(expected, rel=0.01)
    assert parts["plane of the tip"].effect[3] == pytest.approx(0.0, abs=1e-6)
    known, _ = parts_of(view_from([*TIP, 130.0]), settings=Settings(tip_offset_is_measured=True))
    assert known["plane of the tip"].effect[0] == pytest.approx(0.3 / 130.0, rel=0.01)


@pytest.mark.parametrize("elevation_deg", [0.0, 8.0, -12.0])
def test_lean_of_the_reed(elevation_deg):
    # From very far away, at an elevation e, a tip whose top leans by a towards the camera shows the height
    # h (cos a - sin a tan e): what is seen as 1 mm is 1 / (cos a - sin a tan e) mm.
    far = 1e6
    eye = [TIP[0], TIP[1] + far * np.tan(np.radians(elevation_deg)), far]
    parts, _ = parts_of(view_from(eye), settings=Settings(uncertainty=Uncertainty(reed_lean_deg=6.0)))
    lean = np.radians(6.0) / np.sqrt(3)
    true_height = 1 / (np.cos(lean) - np.sin(lean) * np.tan(np.radians(elevation_deg)))
    # sideways leans change only the width, by 1 - cos
    assert parts["lean of the reed"].effect[0] == pytest.approx(abs(true_height - 1), abs=2e-4)
    assert parts["lean of the reed"].effect[1] == pytest.approx(7.0 * (1 / np.cos(lean) - 1), abs=1e-3)


def test_a_doubtful_camera_by_similar_triangles():
    # A camera whose distance alone is uncertain, by 0.5 mm of 130 mm, changes lengths by 0.5/130.
    covariance = np.zeros((11, 11))
    covariance[5, 5] = 0.5**2
    parts, _ = parts_of(view_from([*TIP, 130.0], covariance))
    assert parts["camera and card"].effect[:2] == pytest.approx(np.array([1.0, 7.0]) * 0.5 / 130.0, rel=0.01)
    halved, _ = parts_of(view_from([*TIP, 130.0], covariance / 4))
    assert halved["camera and card"].effect[1] == pytest.approx(7.0 * 0.25 / 130.0, rel=0.01)


# --- the whole --------------------------------------------------------------------------------------------


def test_contributions_add_up():
    covariance = np.diag([1e-6] * 3 + [1e-2] * 3 + [1e-4, 4.0, 4.0, 1e-6, 1e-6])
    points = ellipse(height_mm=0.6)
    _, whole = parts_of(view_from([*TIP, 130.0], covariance), points)
    total = sum(part.covariance for part in whole.contributions)
    assert whole.covariance == pytest.approx(total)
    squares = np.sum([part.effect**2 for part in whole.contributions], axis=0)
    assert list(whole.standard().values()) == pytest.approx(np.sqrt(squares))
    assert list(whole.standard()) == list(QUANTITIES)
    assert whole.expanded(2.0)["area_mm2"] == pytest.approx(2 * whole.standard()["area_mm2"])
    # a variance matrix: no combination of the four has a negative variance
    assert np.linalg.eigvalsh(whole.covariance).min() > -1e-12


def test_blur_makes_the_edge_less_certain():
    sharp = view_from([*TIP, 130.0])
    blurred = replace(sharp, blur_px=(2.5, 2.5))
    less, more = (parts_of(view)[0]["model of the edge"].effect for view in (sharp, blurred))
    assert np.all(more[:3] > less[:3])


def test_a_slit_that_is_bowed_is_known_no_better_than_a_straight_one():
    """A blade that moves changes the area between two curves by its length, wherever their chord lies."""
    straight = ellipse(height_mm=0.07)
    u = (straight[:, 0] - TIP[0]) / 3.5
    bowed = straight + np.column_stack([np.zeros_like(u), 0.05 * (1 - u**2)])
    view, area = view_from([*TIP, 120.0]), QUANTITIES.index("area_mm2")
    known, same = (
        parts_of(view, points)[0]["model of the edge"].effect[area] for points in (straight, bowed)
    )
    assert same == pytest.approx(known, rel=0.1)


def test_a_print_of_another_size_counts_relative_to_its_bar():
    # The same 0.25 mm of doubt on a bar of 48 mm is more than on one of 50 mm: by 50/48.
    view = view_from([*TIP, 130.0])
    at_50, at_48 = (
        parts_of(view, settings=Settings(ruler_mm=ruler))[0]["printed scale"].effect[1]
        for ruler in (50.0, 48.0)
    )
    assert at_48 / at_50 == pytest.approx(50 / 48, rel=1e-3)


def test_an_outline_that_folds_over_is_no_outline():
    points = ellipse()
    collapse = TIP - points
    with pytest.raises(ValueError, match="outline"):
        parts_of(view_from([*TIP, 130.0]), points, displacements=[collapse])


def test_quantities_are_in_the_order_of_their_names():
    height, width, area, ratio = quantities(ellipse())
    assert QUANTITIES == ("height_mm", "width_mm", "area_mm2", "ellipse_ratio")
    assert (height, width, area, ratio) == pytest.approx((1.0, 7.0, np.pi / 4 * 7.0, 1 / 7), rel=1e-3)
