"""Steps located to a fraction of a pixel, against closed forms and SciPy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter, map_coordinates, spline_filter
from scipy.special import erf

from aperture.view.edges import (
    Patch,
    bounds,
    decode,
    decode_slope,
    encode,
    fit_steps,
    linear_light,
    patch_around,
)

AXIS = np.linspace(-12.0, 12.0, 49)
PHASES = np.arange(-0.5, 0.5, 0.05)


def blurred_steps(positions, sigma, before=0.1, after=0.8, axis=AXIS):
    """A step under a Gaussian blur in closed form: the error function; (positions, axis)."""
    depth = (axis - np.asarray(positions)[:, None]) / (np.sqrt(2) * sigma)
    return before + (after - before) * (1 + erf(depth)) / 2


# --- the stored curve -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stored", "linear"),
    [
        # IEC 61966-2-1 (1999), 5.2: a straight piece of slope 1/12.92 up to 0.04045, then the power 2.4; the
        # two mid-greys worked out by hand from that formula.
        (0.0, 0.0),
        (1.0, 1.0),
        (10 / 255, 10 / 255 / 12.92),
        (0.04045, 0.0031308),
        (128 / 255, 0.21586),
        (0.5, 0.21404),
    ],
)
def test_curve_of_iec_61966_2_1(stored, linear):
    assert decode(np.array(stored)) == pytest.approx(linear, abs=1e-5)
    assert encode(np.array(linear)) == pytest.approx(stored, abs=2e-5)


@given(st.floats(0.0, 1.0))
def test_encode_undoes_decode(stored):
    # The two branches of the standard meet only to about 1e-6, hence the bound.
    assert encode(decode(np.array(stored))) == pytest.approx(stored, abs=1e-5)


@given(st.floats(0.0, 1.0))
def test_slope_of_the_curve(stored):
    # Reference: the difference quotient, on one side of the joint.
    below = max(0.0, stored - 1e-6) if stored <= 0.04045 else max(0.040451, stored - 1e-6)
    above = min(0.04045, stored + 1e-6) if stored <= 0.04045 else stored + 1e-6
    quotient = (decode(np.array(above)) - decode(np.array(below))) / (above - below)
    assert decode_slope(np.array(stored)) == pytest.approx(quotient, rel=1e-4)


def test_linear_light_is_the_curve_at_every_stored_value():
    stored = np.arange(256, dtype=np.uint8).reshape(16, 16)
    light = linear_light(stored)
    assert light.dtype == np.float32
    assert light == pytest.approx(decode(stored / 255.0), abs=1e-7)


# --- steps ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sigma", [0.5, 0.8, 1.3, 2.0, 3.0])
@pytest.mark.parametrize("levels", [(0.1, 0.8), (0.7, 0.2)])
def test_steps_of_the_closed_form_come_back(sigma, levels):
    steps = fit_steps(AXIS, blurred_steps(PHASES, sigma, *levels), sigma=1.0)
    assert steps.position == pytest.approx(PHASES, abs=1e-4)
    assert steps.sigma == pytest.approx(np.full(len(PHASES), sigma), rel=1e-3)
    assert steps.before == pytest.approx(np.full(len(PHASES), levels[0]), abs=1e-4)
    assert steps.after == pytest.approx(np.full(len(PHASES), levels[1]), abs=1e-4)
    assert steps.residual.max() < 1e-4


@pytest.mark.parametrize("sigma", [0.7, 1.5, 3.0])
def test_noise_scatters_positions_as_much_as_it_must_and_does_not_shift_them(sigma):
    # The smallest scatter that any unbiased estimate can have (Cramér-Rao bound), all four values unknown:
    # the inverse of the Fisher information of the closed form, here by differences.
    rng = np.random.default_rng(3)
    noise, count = 0.02, 2000
    positions = rng.uniform(-0.5, 0.5, count)
    clean = blurred_steps(positions, sigma)
    steps = fit_steps(AXIS, clean + rng.normal(0.0, noise, clean.shape), sigma=1.0)
    errors = steps.position - positions

    def model(position, width, before, after):
        return blurred_steps([position], width, before, after)[0]

    here, small = np.array([0.0, sigma, 0.1, 0.8]), 1e-5
    slopes = [(model(*(here + d)) - model(*(here - d))) / (2 * small) for d in small * np.eye(4)]
    bound = np.sqrt(np.linalg.inv(np.array(slopes) @ np.transpose(slopes) / noise**2)[0, 0])
    assert abs(errors.mean()) < max(4 * bound / np.sqrt(count), 0.001)
    assert errors.std() == pytest.approx(bound, rel=0.12)
    assert steps.residual.mean() == pytest.approx(noise, rel=0.1)


def edge_picture(angle_deg, distance_px, sigma_px, size=61):
    """A blurred straight edge at a distance from the middle pixel's centre, the mean over pixel squares."""
    across = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    fine = (np.arange(5 * size) + 0.5) / 5 - 0.5 - size // 2
    depth = fine[None, :] * across[0] + fine[:, None] * across[1] - distance_px
    light = 0.1 + 0.7 * (1 + erf(depth / (np.sqrt(2) * sigma_px))) / 2
    return light.reshape(size, 5, size, 5).mean(axis=(1, 3)).astype(np.float32), across


@pytest.mark.parametrize("sigma_px", [0.7, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("angle_deg", [0.0, 7.0, 45.0, 200.0])
def test_edges_in_a_picture_have_no_bias(angle_deg, sigma_px):
    # A picture whose pixels are integrals over squares, so a wrong pixel convention shows as 0.5 px.
    errors = []
    for distance in (-0.4, -0.15, 0.0, 0.2, 0.45):
        light, across = edge_picture(angle_deg, distance, sigma_px)
        points = np.array([30.0 + 100, 30.0 + 50]) + AXIS[:, None] * across
        profile = Patch(light, left=100, top=50).sample(points)
        errors.append(fit_steps(AXIS, profile[None], sigma=1.0).position[0] - distance)
    assert np.abs(errors).max() < 0.01


def test_a_profile_without_a_step_has_no_contrast():
    flat = fit_steps(AXIS, np.full((1, len(AXIS)), 0.4), sigma=1.0)
    assert abs(flat.after[0] - flat.before[0]) < 1e-3
    assert np.isfinite([flat.position[0], flat.sigma[0], flat.residual[0]]).all()


# --- between pixels ---------------------------------------------------------------------------------------


def test_samples_against_scipy_and_the_closed_form():
    rows, columns = np.mgrid[0:60, 0:80]

    def wave(x, y):
        return 0.5 + 0.2 * np.sin(2 * np.pi * x / 13 + 0.3) + 0.2 * np.cos(2 * np.pi * y / 17)

    light = wave(columns, rows).astype(np.float32)
    points = np.random.default_rng(1).uniform([8, 8], [71, 51], (50, 40, 2))
    got = Patch(light, left=300, top=200).sample(points + np.array([300, 200]))
    assert got.shape == (50, 40)
    scipy = map_coordinates(light.astype(np.float64), [points[..., 1], points[..., 0]], order=3)
    assert got == pytest.approx(scipy, abs=1e-4)
    assert got == pytest.approx(wave(points[..., 0], points[..., 1]), abs=1e-3)


@pytest.mark.parametrize("shape", [(60, 80), (7, 30), (1, 5)])
def test_samples_up_to_the_border_against_scipy(shape):
    light = np.random.default_rng(5).uniform(size=shape).astype(np.float32)
    rows, columns = np.random.default_rng(6).uniform(
        [[0.0], [0.0]], [[shape[0] - 1], [shape[1] - 1]], (2, 500)
    )
    got = Patch(light, 0, 0).sample(np.stack([columns, rows], axis=-1))
    known = spline_filter(light.astype(np.float64), order=3, mode="nearest")
    expected = map_coordinates(known, [rows, columns], order=3, prefilter=False, mode="nearest")
    assert got == pytest.approx(expected, abs=1e-5)


def test_interpolation_adds_no_halo():
    # Between samples a blurred step must stay a blurred step (closed form). A cubic kernel with a = -0.75,
    # OpenCV's, is off by 0.011 here, and what it adds looks like a phone's sharpening.
    columns = np.arange(60, dtype=np.float64)
    light = np.tile(blurred_steps([30.3], 1.2, 0.0, 1.0, columns), (20, 1)).astype(np.float32)
    x = np.linspace(10.0, 50.0, 801)
    got = Patch(light, 0, 0).sample(np.column_stack([x, np.full(len(x), 9.0)]))
    assert got == pytest.approx(blurred_steps([30.3], 1.2, 0.0, 1.0, x)[0], abs=0.003)


def test_an_integer_place_is_a_pixels_centre():
    luma = np.random.default_rng(2).integers(0, 256, (40, 50), dtype=np.uint8)
    places = np.array([[20.0, 10.0], [21.0, 10.0], [20.0, 11.0]])
    patch = patch_around(luma, places)
    expected = linear_light(luma)[places[:, 1].astype(int), places[:, 0].astype(int)]
    assert patch.sample(places) == pytest.approx(expected, abs=1e-5)


def test_outside_of_the_picture_its_border_counts():
    light = gaussian_filter(np.random.default_rng(4).uniform(size=(30, 40)), 2).astype(np.float32)
    got = Patch(light, 0, 0).sample(np.array([[-5.0, 12.0], [45.0, 12.0], [20.0, -3.0]]))
    assert light.std() > 0.04  # so that the bound below tells neighbours apart
    assert got == pytest.approx([light[12, 0], light[12, -1], light[0, 20]], abs=0.004)


@given(
    st.lists(st.tuples(st.floats(-50, 150), st.floats(-50, 150)), min_size=1, max_size=5),
    st.integers(1, 90),
    st.integers(1, 90),
)
def test_bounds_are_never_empty_and_hold_what_is_inside(points, height, width):
    rows, columns = bounds(np.array(points), (height, width))
    assert 0 <= rows.start < rows.stop <= height
    assert 0 <= columns.start < columns.stop <= width
    for x, y in points:
        if 0 <= x <= width - 1 and 0 <= y <= height - 1:
            assert columns.start <= x <= columns.stop - 1
            assert rows.start <= y <= rows.stop - 1


def test_no_points_give_no_samples():
    assert Patch(np.ones((5, 5), np.float32), 0, 0).sample(np.zeros((0, 3, 2))).shape == (0, 3)
