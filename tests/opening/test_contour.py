"""Contours against closed forms, and their fit against blades that are known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from aperture.opening.contour import (
    LOWER,
    PARAMETERS,
    UPPER,
    OpeningContour,
    between,
    fit_contour,
    rise,
    shape_prior,
    shape_prior_jacobian,
    symmetric_contour,
)
from aperture.opening.find import moved_edges
from aperture.opening.first_look import EdgeColumns
from aperture.opening.thresholds import THRESHOLDS
from aperture.shape import describe

LEFT, RIGHT = np.array([39.4, 4.2]), np.array([46.2, 4.9])
WIDTH_MM = float(np.linalg.norm(RIGHT - LEFT))


def blades(q=0.5, upper_mm=0.5, lower_mm=0.5, left=LEFT, right=RIGHT):
    return between(
        left, right, np.array([q, upper_mm, 0, 0, 0, 0, q, lower_mm, 0, 0, 0, 0], dtype=np.float64)
    )


def shoelace(points):
    """Signed area by Gauss' formula: positive is counter-clockwise."""
    x, y = points.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


@pytest.mark.parametrize("height_mm", [0.2, 0.8, 2.0])
def test_a_half_is_an_ellipse(height_mm):
    # Closed form: area pi/4 w h, and the inertia ellipse is the ellipse itself.
    shape = describe(blades(0.5, height_mm / 2, height_mm / 2).polygon())
    assert shape.area_mm2 == pytest.approx(np.pi / 4 * WIDTH_MM * height_mm, rel=1e-3)
    assert shape.ellipse_ratio == pytest.approx(height_mm / WIDTH_MM, rel=1e-3)
    assert (shape.width_mm, shape.height_mm) == pytest.approx((WIDTH_MM, height_mm), rel=1e-3)


@pytest.mark.parametrize(("upper_mm", "lower_mm"), [(0.5, 0.5), (0.7, 0.3), (0.1, 0.1)])
def test_one_is_a_lens_of_two_parabolas(upper_mm, lower_mm):
    # Closed form: area 2/3 w h, whatever part of the height each blade has.
    shape = describe(blades(1.0, upper_mm, lower_mm).polygon())
    assert shape.area_mm2 == pytest.approx(2 / 3 * WIDTH_MM * (upper_mm + lower_mm), rel=1e-3)
    assert shape.shape_factor == pytest.approx(2 / 3, rel=2e-3)


def test_the_inertia_ellipse_of_a_symmetric_lens():
    # Closed form: ratio sqrt(32/35) h / (sqrt(4/5) w) = 1.069 h/w.
    shape = describe(blades(1.0, 0.5, 0.5).polygon())
    assert shape.ellipse_ratio == pytest.approx(np.sqrt(32 / 35) / np.sqrt(4 / 5) / WIDTH_MM, rel=1e-3)


@given(st.floats(-3.0, 3.0), st.floats(-10, 90), st.floats(-10, 60))
def test_frames_are_there_and_back(angle, x, y):
    one = OpeningContour(np.array([x, y]), angle, blades().vector)
    points = np.array([[[1.0, 2.0], [3.0, -4.0]], [[0.0, 0.0], [85.6, 53.98]]])
    assert one.to_card(one.to_local(points)) == pytest.approx(points, abs=1e-9)
    # counter-clockwise: the frame's x axis lies at `angle` on the card
    along = one.to_card(np.array([1.0, 0.0])) - one.to_card(np.array([0.0, 0.0]))
    assert along == pytest.approx([np.cos(angle), np.sin(angle)], abs=1e-9)


def test_between_puts_corners_and_blades_where_they_belong():
    one = blades(0.8, 0.6, 0.2)
    assert one.to_card(np.array([[one.left, 0.0], [one.right, 0.0]])) == pytest.approx(
        np.array([LEFT, RIGHT])
    )
    low, high = one.edges(np.array([0.0]))
    assert (low[0], high[0]) == pytest.approx((-0.2, 0.6))
    assert one.max_gap_mm() == pytest.approx(0.8, abs=1e-3)
    beyond = one.edges(np.array([one.left - 1.0, one.right + 1.0]))
    assert np.concatenate(beyond) == pytest.approx(np.zeros(4), abs=1e-12)


def test_the_outline_runs_counter_clockwise_from_the_left_corner():
    outline = blades(0.7, 0.6, 0.3).polygon()
    assert outline[0] == pytest.approx(LEFT)
    assert shoelace(outline) > 0
    assert len(np.unique(outline.round(9), axis=0)) == len(outline)


def test_lopsided_terms_are_chebyshev_polynomials():
    # T1 = u, T2 = 2u² - 1, T3 = 4u³ - 3u, T4 = 8u⁴ - 8u² + 1 (Abramowitz & Stegun 22.3; from memory).
    u = np.linspace(-0.95, 0.95, 21)
    c = np.array([0.5, 0.1, -0.05, 0.02, 0.01])
    series = c[0] + c[1] * u + c[2] * (2 * u**2 - 1) + c[3] * (4 * u**3 - 3 * u)
    series += c[4] * (8 * u**4 - 8 * u**2 + 1)
    assert rise(u, np.array([0.9, *c])) == pytest.approx((1 - u**2) ** 0.9 * series)


def test_the_prior_prefers_what_is_usual():
    usual = shape_prior(symmetric_contour(np.array([39.3, 4.5]), np.array([46.3, 4.5]), 0.4).vector)
    assert np.square(usual).sum() == pytest.approx(0.0, abs=1e-12)
    crossed = blades(0.85, 0.3, -0.4).vector
    assert np.square(shape_prior(crossed)).sum() > 1000


@pytest.mark.parametrize(("q", "upper_mm", "lower_mm"), [(0.5, 0.4, 0.4), (1.0, 0.5, 0.3), (0.8, 0.9, 0.7)])
def test_a_known_contour_comes_back_from_noisy_edges(q, upper_mm, lower_mm):
    truth = blades(q, upper_mm, lower_mm)
    rng = np.random.default_rng(4)
    x = np.linspace(truth.left + 0.1, truth.right - 0.1, 120)
    low, high = truth.edges(x)
    noise = rng.normal(0.0, 0.005, (2, len(x)))
    noise[0, ::15] += 0.1  # a few points on something else
    spread, inside = np.full(len(x), 0.015), np.ones(len(x))
    ends = (truth.left + 0.03, truth.right - 0.02)
    seen = EdgeColumns(
        truth.origin_mm, truth.angle, x, low + noise[1], high + noise[0], spread, spread, inside, ends
    )
    fit = fit_contour(seen, (0.005, 0.005), 0.05)
    found = fit.contour
    assert 0.005 < fit.residual_mm < 0.03  # the noise, and the few points on something else
    expected, got = describe(truth.polygon()), describe(found.polygon())
    assert got.height_mm == pytest.approx(expected.height_mm, abs=0.01)
    assert got.area_mm2 == pytest.approx(expected.area_mm2, rel=0.01)
    assert got.ellipse_ratio == pytest.approx(expected.ellipse_ratio, abs=0.002)
    corners = found.to_card(found.vector[:4].reshape(2, 2))
    assert corners == pytest.approx(np.array([LEFT, RIGHT]), abs=0.12)


def test_a_narrow_slit_is_not_drawn_out_beyond_its_corners_and_bent_there():
    # A straight slit, narrower than tips are, whose corners are hard to see; the last columns, which see
    # little of it, say that it bends.
    x, gap, bend = np.linspace(-3.0, 3.0, 111), 0.03, 0.06
    middle = bend * np.clip((np.abs(x) - 2.75) / 0.25, 0.0, 1.0)
    spread, inside = np.full(len(x), 0.015), np.ones(len(x))
    low, high = middle - gap / 2, middle + gap / 2
    seen = EdgeColumns(np.zeros(2), 0.0, x, low, high, spread, spread, inside, (-3.05, 3.05))
    found = describe(fit_contour(seen, (0.004, 0.004), 0.3).contour.polygon())
    assert found.height_mm < gap + bend / 2
    assert found.width_mm == pytest.approx(6.1, abs=0.2)


@given(st.integers(0, 2**32 - 1))
def test_derivatives_are_those_of_small_steps(seed):
    # Against central differences (the definition of a derivative); crossing blades and odd shapes included.
    draw = np.random.default_rng(seed)
    vector = np.array([-3.3, 0.05, 3.4, -0.08, *np.tile([0.8, 0.4, 0.05, 0.05, 0.02, 0.02], 2)])
    vector += draw.normal(0, 1, PARAMETERS) * np.array([0.3, 0.05, 0.3, 0.05, *np.tile([0.1, *[0.2] * 5], 2)])
    x = np.concatenate(
        [np.linspace(vector[0] + 0.02, vector[2] - 0.02, 40), [vector[0] - 0.3, vector[2] + 0.3]]
    )
    contour = OpeningContour(np.zeros(2), 0.0, vector)
    low, high = contour.edge_jacobian(x, LOWER), contour.edge_jacobian(x, UPPER)
    prior = shape_prior_jacobian(vector)
    for index in range(PARAMETERS):
        step = np.zeros(PARAMETERS)
        step[index] = 1e-7
        ahead, behind = (
            OpeningContour(np.zeros(2), 0.0, vector + step),
            OpeningContour(np.zeros(2), 0.0, vector - step),
        )
        for edge, one, other in zip((low, high), ahead.edges(x), behind.edges(x), strict=True):
            assert edge[:, index] == pytest.approx((one - other) / 2e-7, rel=1e-3, abs=1e-4)
        change = (shape_prior(vector + step) - shape_prior(vector - step)) / 2e-7
        assert prior[:, index] == pytest.approx(change, rel=1e-3, abs=1e-3)


@pytest.mark.parametrize(("upper_mm", "lower_mm", "share"), [(0.21, -0.19, 1.0), (0.4, 0.4, 0.0)])
def test_bending_both_edges_makes_a_bent_slit_higher_and_an_opening_not(upper_mm, lower_mm, share):
    """The height is the least distance of two parallel lines that enclose the outline (ISO 9276-6): of a slit
    that is bent more than it is open it is that of the bend, of an opening that of the gap."""
    points, edge_mm = blades(0.5, upper_mm, lower_mm).polygon(), 0.01
    *_, bent = points + moved_edges(points, (edge_mm, edge_mm), 0.0)
    grown = describe(bent).height_mm - describe(points).height_mm
    assert grown == pytest.approx(share * THRESHOLDS.edge_u_bow * edge_mm, abs=2e-4)
