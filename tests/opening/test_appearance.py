"""The brightness patterns across an edge, against blurring by SciPy and against finite differences."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from aperture.opening.appearance import (
    OPEN,
    ROUGH,
    SLIT,
    Assumed,
    Samples,
    knots_of,
    level_prior,
    patterns_of,
)
from aperture.opening.blades import lens

BLUR_MM, STEP_MM = 0.05, 0.002
ASSUMED = Assumed(rim_mm=0.11, reach_mm=0.15, taper=0.0, detail=OPEN)


def samples_across(opening, x=(0.0,)):
    """Columns across an opening in its own frame, sampled finely."""
    y = np.arange(-2.0, 2.0, STEP_MM)
    places = np.tile(y, (len(x), 1))
    return Samples(np.array(x), places, np.zeros(places.shape), places > -np.inf, BLUR_MM, 1.0)


def opening(height_mm):
    """An opening 7 mm wide with its middle at the origin."""
    return lens(np.array([-3.5, 0.0]), np.array([3.5, 0.0]), height_mm / 2)


def test_patterns_in_the_middle_are_what_scipy_blurs():
    """Two edges 1.6 mm apart: the lower one's parts, drawn sharp, blurred by `scipy.ndimage`."""
    samples = samples_across(opening(1.6))
    outwards = -0.8 - samples.y[0]  # from the lower edge
    rim = (outwards > 0) & (outwards < ASSUMED.rim_mm)
    fading = np.where((outwards < 0) & (samples.y[0] < 0.8), np.exp(np.minimum(outwards, 0) / 0.15), 0.0)
    bands = [(outwards < 0) & (outwards > -band_mm) for band_mm in OPEN.bands_mm]
    patterns = patterns_of(samples, opening(1.6), ASSUMED).lower[:, 0]
    outside = outwards > ASSUMED.rim_mm
    for found, drawn in zip(patterns[[0, 1, 3, 4, 5, 6]], [rim, outside, fading, *bands], strict=True):
        blurred = gaussian_filter1d(drawn.astype(float), BLUR_MM / STEP_MM, mode="nearest")
        assert found == pytest.approx(blurred, abs=0.03)  # a sample is 0.04 blurs
        assert found.sum() == pytest.approx(drawn.sum(), rel=0.02)  # blur loses no light


@pytest.mark.parametrize("detail", [ROUGH, SLIT, OPEN])
def test_change_with_the_edges_and_the_rim_is_that_of_finite_differences(detail):
    """Derivatives of the whole brightness, with every pattern as bright as it happens to be."""
    assumed = replace(ASSUMED, detail=detail)
    samples = samples_across(opening(0.9), (-2.0, 0.3, 1.5))
    levels = np.random.default_rng(5).uniform(0.1, 0.9, (2 * len(detail.levels), 3))
    levels[len(detail.levels) - 1] = levels[-1]  # how the bore passes from one level to another is left out

    def light(up_mm, rim_mm):
        below = replace(samples, y=samples.y - up_mm)  # sees the picture as if both edges lay higher
        patterns = patterns_of(below, opening(0.9), replace(assumed, rim_mm=rim_mm))
        return np.einsum("ims,im->ms", patterns.columns(), levels)

    analytic = patterns_of(samples, opening(0.9), assumed).by_edges_and_rim(levels)
    step = 1e-5
    rim = (light(0, 0.11 + step) - light(0, 0.11 - step)) / (2 * step)
    assert analytic[2] == pytest.approx(rim, abs=1e-4)
    both = (light(step, 0.11) - light(-step, 0.11)) / (2 * step)
    assert analytic[0] + analytic[1] == pytest.approx(both, abs=1e-4)


@pytest.mark.parametrize("detail", [ROUGH, SLIT, OPEN])
def test_every_brightness_has_its_place(detail):
    """Knots of a constant brightness give it everywhere; what is usual is a number for each knot."""
    samples = samples_across(opening(0.9), np.linspace(-3.5, 3.5, 40))
    knots = knots_of(samples, opening(0.9), detail)
    count = len(detail.pattern_of_knot)
    assert knots.on_columns(np.full(count, 0.4)) == pytest.approx(np.full((2 * len(detail.levels), 40), 0.4))
    rows, right = level_prior(detail)
    usual = np.linalg.lstsq(rows, right, rcond=None)[0]
    assert usual[detail.parts[0]] == pytest.approx(np.full(detail.rim.knots, 0.5), abs=1e-6)
    assert detail.never_negative.sum() == count - 2 * 9  # all but the two slopes
