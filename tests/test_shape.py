"""Shapes against closed forms, published points and two image libraries."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull
from scipy.spatial.distance import pdist
from skimage.measure import EllipseModel, label, points_in_poly, regionprops

from aperture.shape import _feret_diameters, describe, fit_ellipse_direct, quantities

# Gander, Golub & Strebel, BIT 34 (1994) 558-578: points of the ellipse example.
GANDER = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7), (6, 2), (8, 4)], dtype=float)


def ellipse(width_mm, height_mm, count=2000):
    turn = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    return np.column_stack([width_mm / 2 * np.cos(turn), height_mm / 2 * np.sin(turn)])


def lens(width_mm, upper_mm, lower_mm, count=1000):
    """Two parabolas over one chord, points equally spaced in x; `upper_mm` + `lower_mm` is the height."""
    x = np.linspace(-1.0, 1.0, count + 1)
    upper = np.column_stack([x, upper_mm * (1 - x**2)])
    lower = np.column_stack([x, -lower_mm * (1 - x**2)])[-2:0:-1]
    return np.vstack([upper, lower]) * [width_mm / 2, 1.0]


def moved(points, angle_deg=0.0, shift=(0.0, 0.0), scale=1.0):
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return points @ np.array([[c, s], [-s, c]]) * scale + shift


# --- closed forms -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("height", [0.1, 0.8, 2.0, 6.9])
def test_ellipse_has_its_own_axes_everywhere(height):
    # Closed form: area = pi/4 w h; Feret diameters, inertia ellipse and fitted ellipse are the axes.
    shape = describe(moved(ellipse(7.0, height), 11.0, (42.8, 4.5)))
    assert shape.area_mm2 == pytest.approx(np.pi / 4 * 7.0 * height, rel=1e-5)
    assert shape.shape_factor == pytest.approx(np.pi / 4, rel=1e-5)
    for major in (shape.width_mm, shape.ellipse_major_mm, shape.fitted_major_mm):
        assert major == pytest.approx(7.0, rel=1e-5)
    for minor in (shape.height_mm, shape.ellipse_minor_mm, shape.fitted_minor_mm):
        assert minor == pytest.approx(height, rel=1e-5)
    assert shape.fitted_residual_mm < 1e-4
    assert shape.asymmetry == pytest.approx(0.0, abs=1e-5)
    assert shape.centroid_mm == pytest.approx((42.8, 4.5))
    assert (shape.width_angle_deg, shape.ellipse_angle_deg) == pytest.approx((11.0, 11.0), abs=0.2)
    assert shape.height_angle_deg == pytest.approx(101.0, abs=0.2)


@pytest.mark.parametrize("height", [0.2, 0.5, 1.0, 1.4])
def test_parabolic_lens_is_not_an_ellipse(height):
    # Closed form: area = 2/3 w h; second moments per area are w²/20 and 2 h²/35, so that the inertia axes are
    # sqrt(0.8) w and sqrt(32/35) h (32/35 = 0.9143) and their ratio is 1.069 times h/w.
    shape = describe(moved(lens(7.0, height / 2, height / 2), -7.0, (42.8, 4.5)))
    assert shape.area_mm2 == pytest.approx(2 / 3 * 7.0 * height, rel=1e-5)
    assert shape.shape_factor == pytest.approx(2 / 3, rel=1e-5)
    assert (shape.width_mm, shape.height_mm) == pytest.approx((7.0, height), rel=1e-5)
    assert shape.ellipse_major_mm == pytest.approx(np.sqrt(0.8) * 7.0, rel=1e-5)
    assert shape.ellipse_minor_mm == pytest.approx(np.sqrt(32 / 35) * height, rel=1e-5)
    assert shape.ellipse_ratio / (height / 7.0) == pytest.approx(1.069, abs=5e-4)


def test_lens_of_two_circular_arcs():
    # Closed form: the area of two circular segments. Computed for this project beforehand, on a raster good
    # to 0.001 (no outside source): at h/w = 1/7 the area is 0.6692 w h and the ratio 1.067 h/w.
    sagitta, half = 0.5, 3.5
    radius = (half**2 + sagitta**2) / (2 * sagitta)
    opening = np.arcsin(half / radius)
    turn = np.linspace(-opening, opening, 1001)
    upper = np.column_stack([radius * np.sin(turn), radius * np.cos(turn) - radius + sagitta])
    shape = describe(np.vstack([upper, (upper * [1, -1])[-2:0:-1]]))
    assert shape.area_mm2 == pytest.approx(radius**2 * (2 * opening - np.sin(2 * opening)), rel=1e-5)
    assert shape.shape_factor == pytest.approx(0.6692, abs=1e-3)
    assert shape.ellipse_ratio * 7.0 == pytest.approx(1.067, abs=1e-3)


@pytest.mark.parametrize("angle", [0.0, 20.0, 90.0, 133.0])
def test_rectangle(angle):
    # Closed form: largest Feret diameter = diagonal, smallest = short side, inertia axes 4 side / sqrt(12).
    corners = np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 1.0], [0.0, 1.0]])
    shape = describe(moved(corners, angle, (5.0, -2.0)))
    assert shape.area_mm2 == pytest.approx(3.0)
    assert shape.width_mm == pytest.approx(np.sqrt(10.0))
    assert shape.height_mm == pytest.approx(1.0)
    assert shape.height_angle_deg % 180 == pytest.approx((90.0 + angle) % 180)
    assert shape.ellipse_major_mm == pytest.approx(4 * 3.0 / np.sqrt(12.0))
    assert shape.ellipse_minor_mm == pytest.approx(4 * 1.0 / np.sqrt(12.0))
    assert shape.shape_factor == pytest.approx(3.0 / np.sqrt(10.0))


def test_a_dent_counts_in_the_area_and_not_in_the_feret_diameters():
    # By hand: a 4 x 2 rectangle with a triangular dent of area 1 in its upper side.
    dented = np.array([[0, 0], [4, 0], [4, 2], [3, 2], [2, 1], [1, 2], [0, 2]], dtype=float)
    shape = describe(dented)
    assert shape.area_mm2 == pytest.approx(7.0)
    assert (shape.width_mm, shape.height_mm) == pytest.approx((np.sqrt(20.0), 2.0))


@pytest.mark.parametrize(("upper", "lower"), [(0.6, 0.3), (0.2, 0.7), (0.5, 0.0), (0.5, 0.5)])
def test_asymmetry_of_two_different_blades(upper, lower):
    # Closed form: the areas of two parabolas over one chord are as their heights.
    shape = describe(moved(lens(7.0, upper, lower), 15.0, (42.8, 4.5)))
    assert shape.asymmetry == pytest.approx((upper - lower) / (upper + lower), abs=1e-6)
    assert (shape.upper_blade_height_mm, shape.lower_blade_height_mm) == pytest.approx((upper, lower))


def test_the_card_s_x_axis_says_which_blade_is_the_upper_one():
    # Turned by half a turn the blades change places.
    turned = moved(lens(7.0, 0.6, 0.3), 180.0)
    assert describe(turned).asymmetry == pytest.approx(-1 / 3, abs=1e-6)


def test_an_edge_that_crosses_the_chord():
    # By hand: the lower side crosses the chord from (0, 0) to (10, 0) at x = 16/3. Below lies a triangle of
    # area 16/3, above it one of area 20 less one of area 7/3.
    outline = np.array([[0, 0], [4, -2], [6, 1], [10, 0], [5, 4]], dtype=float)
    shape = describe(outline)
    assert shape.area_mm2 == pytest.approx(23.0)
    assert shape.asymmetry * 23.0 == pytest.approx(53 / 3 - 16 / 3)
    assert (shape.upper_blade_height_mm, shape.lower_blade_height_mm) == pytest.approx((4.0, 2.0))


def test_both_blades_on_one_side_of_the_chord():
    # Closed form: between parabolas of heights 0.8 and 0.3 lies 2/3 * 7 * 0.5, all of it above the chord.
    shape = describe(lens(7.0, 0.8, -0.3))
    assert shape.area_mm2 == pytest.approx(2 / 3 * 7.0 * 0.5, rel=1e-5)
    assert shape.asymmetry == pytest.approx(1.0)
    assert shape.lower_blade_height_mm == pytest.approx(0.0, abs=1e-12)


# --- published points and other people's code --------------------------------------------------------------


def test_the_boundary_fit_is_the_direct_one_and_not_the_geometric_one():
    # Gander, Golub & Strebel 1994 give the geometric fit of these points: a = 6.5187, b = 3.0319. A direct
    # (algebraic) fit gives a = 3.776, b = 2.642 (computed with independent code, scikit-image and OpenCV).
    # This project's is the direct one; on so few scattered points it comes out much smaller.
    fit = fit_ellipse_direct(GANDER)
    assert (fit.major_mm / 2, fit.minor_mm / 2) == pytest.approx((3.77566, 2.64233), abs=2e-5)
    assert fit.centre_mm == pytest.approx((5.06388, 5.06975), abs=2e-5)
    assert np.deg2rad(fit.angle_deg) % np.pi == pytest.approx(2.75547, abs=2e-5)
    assert abs(fit.major_mm / 2 - 6.5187) > 2.0


def test_boundary_fit_against_opencv():
    (x, y), axes, _ = cv2.fitEllipseDirect(GANDER.astype(np.float32))
    fit = fit_ellipse_direct(GANDER)
    assert fit.centre_mm == pytest.approx((x, y), abs=1e-4)
    assert (fit.minor_mm, fit.major_mm) == pytest.approx(sorted(axes), abs=1e-3)


def test_residual_of_the_fit_against_scikit_image():
    # Two searches for the nearest point of the ellipse, independent of each other. (On thin slits
    # scikit-image's can end at a wrong one, so its distances are never smaller than the true ones.)
    model = EllipseModel.from_estimate(GANDER)
    expected = np.sqrt(np.mean(model.residuals(GANDER) ** 2))
    assert fit_ellipse_direct(GANDER).residual_mm == pytest.approx(expected, rel=1e-6)


def test_residual_on_a_thin_slit_against_a_dense_ellipse():
    # Reference: the nearest of 200 000 points on the fitted ellipse, by brute force.
    points = lens(7.0, 0.1, 0.1, 100)
    fit = fit_ellipse_direct(points)
    dense = ellipse(fit.major_mm, fit.minor_mm, 200_000)
    nearest = [np.hypot(*(dense - point).T).min() for point in points]
    assert fit.residual_mm == pytest.approx(np.sqrt(np.mean(np.square(nearest))), rel=1e-4)


def test_boundary_fit_of_the_lens():
    # Computed for this project with independent code (no outside source): Halir-Flusser on a 7 x 1 mm
    # parabolic lens, points equally spaced in x, has full axes 6.217 x 0.961 mm: neither width nor height.
    points = lens(7.0, 0.5, 0.5, 100)
    fit = fit_ellipse_direct(points)
    assert (fit.major_mm, fit.minor_mm) == pytest.approx((6.217, 0.961), abs=5e-3)
    # `describe` spaces points equally along the outline instead, whatever the vertices: nearly the same.
    coarse, fine = describe(points), describe(lens(7.0, 0.5, 0.5, 1000))
    assert (fine.fitted_major_mm, fine.fitted_minor_mm) == pytest.approx((6.217, 0.961), abs=1e-2)
    assert coarse.fitted_major_mm == pytest.approx(fine.fitted_major_mm, rel=1e-3)


@pytest.mark.parametrize(
    "outline", [ellipse(7.0, 1.2, 400), lens(7.0, 0.7, 0.3, 200), GANDER[[0, 3, 4, 7, 6, 1]]]
)
def test_moments_against_opencv(outline):
    # cv2.moments uses Green's theorem on the contour too, in float32 points.
    outline = moved(outline, 17.0)
    reference = cv2.moments(outline.astype(np.float32).reshape(-1, 1, 2))
    matrix = np.array([[reference["mu20"], reference["mu11"]], [reference["mu11"], reference["mu02"]]])
    minor, major = 4 * np.sqrt(np.linalg.eigvalsh(matrix / reference["m00"]))
    shape = describe(outline)
    assert shape.area_mm2 == pytest.approx(abs(reference["m00"]), rel=1e-4)
    assert (shape.ellipse_major_mm, shape.ellipse_minor_mm) == pytest.approx((major, minor), rel=1e-3)
    centre = (reference["m10"] / reference["m00"], reference["m01"] / reference["m00"])
    assert shape.centroid_mm == pytest.approx(centre, abs=1e-4)


@pytest.mark.parametrize("outline", [ellipse(7.0, 1.2, 400), lens(7.0, 0.7, 0.3, 200)])
@pytest.mark.parametrize("angle", [0.0, 20.0])
def test_against_regionprops_on_a_raster(outline, angle):
    # scikit-image counts pixels, 100 to the millimetre; a pixel's own size is the tolerance.
    px_per_mm = 100
    outline = moved(outline, angle)
    shape = describe(outline)
    half = (450, 250)
    y, x = np.mgrid[-half[1] : half[1] + 1, -half[0] : half[0] + 1] / px_per_mm
    inside = points_in_poly(np.column_stack([x.ravel(), y.ravel()]), outline).reshape(x.shape)
    (region,) = regionprops(label(inside))
    assert shape.area_mm2 == pytest.approx(region.area / px_per_mm**2, rel=2e-3)
    assert shape.ellipse_major_mm == pytest.approx(region.axis_major_length / px_per_mm, rel=2e-3)
    assert shape.ellipse_minor_mm == pytest.approx(region.axis_minor_length / px_per_mm, rel=2e-3)
    assert shape.width_mm == pytest.approx(region.feret_diameter_max / px_per_mm, abs=2.5 / px_per_mm)


@pytest.mark.parametrize("seed", range(5))
def test_feret_diameters_against_turning_the_outline(seed):
    # Reference: the width of the shadow in 18 000 directions, by brute force.
    points = np.random.default_rng(seed).normal(size=(12, 2)) * [3.0, 1.0]
    around = points[np.argsort(np.arctan2(*(points - points.mean(axis=0)).T[::-1]))]
    turn = np.deg2rad(np.arange(0.0, 180.0, 0.01))
    shadow = np.ptp(around @ np.array([np.cos(turn), np.sin(turn)]), axis=0)
    shape = describe(around)
    assert shape.width_mm == pytest.approx(shadow.max(), rel=1e-6)
    assert shape.height_mm == pytest.approx(shadow.min(), rel=1e-3)
    assert shape.height_mm <= shadow.min() + 1e-12
    assert shape.width_angle_deg % 180 == pytest.approx(np.rad2deg(turn[shadow.argmax()]), abs=0.02)
    assert shape.height_angle_deg % 180 == pytest.approx(np.rad2deg(turn[shadow.argmin()]), abs=0.02)
    for ends, length in (
        (shape.width_ends_mm, shape.width_mm),
        (shape.height_ends_mm, shape.height_mm),
    ):
        assert np.hypot(*np.subtract(*ends)) == pytest.approx(length)


@pytest.mark.parametrize(
    "outline",
    [
        ellipse(7.0, 1.0, 400),
        lens(7.0, 0.03, 0.02, 400),
        ellipse(3.0, 3.0, 64),  # every edge has a parallel one, all widths are alike
        np.array([[0.0, 0.0], [2.0, 0.0], [4.0, 0.0], [4.0, 1.0], [2.0, 1.0], [0.0, 1.0]]),
        np.array([[0.0, 0.0], [7.0, 0.0], [3.0, 1e-3]]),
        ellipse(7.0, 1.0, 30) * np.random.default_rng(3).uniform(0.8, 1.0, (30, 1)),
    ],
)
@pytest.mark.parametrize("angle", [0.0, 3.0, 91.7])
def test_feret_diameters_against_qhull(outline, angle):
    # Reference: SciPy's Qhull; the distances of all pairs of points, and of all corners from all edges.
    points = moved(outline, angle, (42.8, 4.5))
    normals = ConvexHull(points).equations[:, :2]
    height, width = quantities(points)[:2]
    assert width == pytest.approx(pdist(points).max(), rel=1e-9)
    assert height == pytest.approx(np.ptp(points @ normals.T, axis=0).min(), abs=1e-6)


# --- what must not matter ----------------------------------------------------------------------------------

LENGTHS = (
    "width_mm",
    "height_mm",
    "ellipse_major_mm",
    "ellipse_minor_mm",
    "fitted_major_mm",
    "fitted_minor_mm",
    "fitted_residual_mm",
    "upper_blade_height_mm",
    "lower_blade_height_mm",
)


@settings(deadline=None, max_examples=60)
@given(
    height=st.floats(0.05, 3.0),
    share=st.floats(0.2, 0.8),
    angle=st.floats(-80.0, 80.0),
    shift=st.tuples(st.floats(-100.0, 100.0), st.floats(-100.0, 100.0)),
    scale=st.floats(0.1, 10.0),
    backwards=st.booleans(),
    start=st.integers(0, 199),
    closed=st.booleans(),
)
def test_position_turn_size_direction_and_start_do_not_matter(
    height, share, angle, shift, scale, backwards, start, closed
):
    outline = lens(7.0, height * share, height * (1 - share), 100)
    before = describe(outline)
    other = np.roll(moved(outline, angle, shift, scale), start, axis=0)
    other = other[::-1] if backwards else other
    other = np.vstack([other, other[:1]]) if closed else other
    after = describe(other)
    # The fit sees 400 points counted from the first vertex; another start moves them by part of a step.
    for name in LENGTHS:
        tolerance = 2e-3 if name.startswith("fitted") else 1e-7
        assert getattr(after, name) == pytest.approx(scale * getattr(before, name), rel=tolerance), name
    assert after.area_mm2 == pytest.approx(scale**2 * before.area_mm2, rel=1e-7)
    assert after.ellipse_ratio == pytest.approx(before.ellipse_ratio, rel=1e-7)
    assert after.shape_factor == pytest.approx(before.shape_factor, rel=1e-7)
    assert after.asymmetry == pytest.approx(before.asymmetry, abs=1e-6)
    assert after.width_angle_deg == pytest.approx(before.width_angle_deg + angle, abs=1e-6)


@settings(deadline=None, max_examples=40)
@given(st.lists(st.floats(0.5, 3.0), min_size=5, max_size=40))
def test_the_inertia_ellipse_of_any_star_has_the_ellipse_inequalities(radii):
    # What holds for every region: height <= width, the ratio in (0, 1], area <= that of the box that the
    # Feret diameters span, and the inertia ellipse has at least the region's area (the ellipse is the most
    # compact region with its moments).
    turn = np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
    shape = describe(np.column_stack([radii * np.cos(turn), radii * np.sin(turn)]))
    assert 0.0 < shape.height_mm <= shape.width_mm * (1 + 1e-12)
    assert 0.0 < shape.ellipse_ratio <= 1.0
    assert shape.area_mm2 <= shape.width_mm * shape.height_mm * (1 + 1e-9)
    assert np.pi / 4 * shape.ellipse_major_mm * shape.ellipse_minor_mm >= shape.area_mm2 * (1 - 1e-9)
    assert abs(shape.asymmetry) <= 1.0 + 1e-9


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1))
def test_quantities_are_those_of_describe(seed):
    outline = lens(7.0, 0.5, 0.4, 60)
    outline = outline + np.random.default_rng(seed).normal(scale=0.01, size=outline.shape)
    shape = describe(outline)
    expected = [shape.height_mm, shape.width_mm, shape.area_mm2, shape.ellipse_ratio]
    np.testing.assert_allclose(quantities(outline), expected, rtol=1e-12)


def test_quantities_of_many_outlines_are_those_of_each():
    # Axes and area of an ellipse are closed forms; its polygon has a ten-thousandth less of them.
    outlines = np.stack([ellipse(7.0, height, 400) for height in (0.3, 1.0, 2.0)])
    height, width, area, ratio = quantities(outlines).T
    assert height == pytest.approx([0.3, 1.0, 2.0], rel=1e-4)
    assert width == pytest.approx(7.0, rel=1e-9)
    assert area == pytest.approx(np.pi / 4 * 7.0 * np.array([0.3, 1.0, 2.0]), rel=1e-4)
    assert ratio == pytest.approx(np.array([0.3, 1.0, 2.0]) / 7.0, rel=1e-9)
    outlines[1, 7] = np.nan
    with pytest.raises(ValueError, match="not a finite number"):
        quantities(outlines)


@pytest.mark.parametrize(
    "points",
    [
        np.zeros((0, 2)),
        [[0.0, 0.0], [1.0, 1.0]],
        [[0.0, 0.0], [1.0, 1.0], [0.0, 0.0]],
        [[0.0, 0.0], [1.0, 1.0], [2.0, 2.0], [3.0, 3.0]],
        [[1.0, 1.0]] * 6,
        [[0.0, 0.0], [1.0, 0.0], [np.nan, 1.0]],
        [[0.0, 0.0], [1.0, 0.0], [np.inf, 1.0]],
        np.zeros((4, 3)),
        np.zeros(8),
        [[0.0, 0.0], [2.0, 2.0], [2.0, 0.0], [0.0, 2.0]],  # a bow tie: its two halves cancel
    ],
)
def test_what_is_no_outline_is_refused(points):
    for function in (describe, quantities):
        with pytest.raises(ValueError, match=r"outline|points"):
            function(np.array(points))


@pytest.mark.parametrize("angle", range(-85, 90, 17))
def test_the_fitted_axes_keep_their_order_and_direction(angle):
    # Closed form: an exact ellipse, turned. (Swapped axes are a known trap of ellipse fits.)
    fit = fit_ellipse_direct(moved(ellipse(7.0, 5.0, 40), angle, (42.8, 4.5)))
    assert (fit.major_mm, fit.minor_mm) == pytest.approx((7.0, 5.0), rel=1e-6)
    assert fit.angle_deg == pytest.approx(angle, abs=1e-5)
    assert fit.centre_mm == pytest.approx((42.8, 4.5))
    assert fit.residual_mm < 1e-6


@pytest.mark.parametrize("corners", [4, 10, 40])
def test_a_circle_has_no_direction_and_is_fitted_all_the_same(corners):
    turn = 2 * np.pi * np.arange(corners * 5) / (corners * 5)
    fit = fit_ellipse_direct(np.column_stack([np.cos(turn), np.sin(turn)]) * 9.0)
    assert (fit.major_mm, fit.minor_mm) == pytest.approx((18.0, 18.0), rel=1e-6)
    assert np.isfinite(fit.angle_deg)
    assert fit.residual_mm < 1e-6


def test_too_few_points_for_an_ellipse():
    with pytest.raises(ValueError, match="at least 5"):
        fit_ellipse_direct(GANDER[:4])


def test_a_hull_that_steps_back_by_a_rounding():
    # A rectangle of 7 x 1 whose upper side runs back and forth about the half turn: exact by construction.
    hull = np.array([[0, 0], [7, 0], [7, 1], [5, 1 - 1e-12], [3, 1], [0, 1]], dtype=np.float64)
    smallest, largest = _feret_diameters(hull)
    assert np.hypot(*(smallest[1] - smallest[0])) == pytest.approx(1.0)
    assert np.hypot(*(largest[1] - largest[0])) == pytest.approx(np.hypot(7.0, 1.0))
