"""The phone's sharpening, against an unsharp mask made here with SciPy on stored values."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.optimize import approx_fprime
from scipy.special import ndtr

from aperture.view.edges import decode, encode
from aperture.view.sharpening import (
    Sharpening,
    fit_sharpening,
    sharpened_steps,
    unsharpened,
)

AXIS = np.linspace(-16.0, 16.0, 257)
SPACING = AXIS[1] - AXIS[0]


def stored_step(blur_px, amount=0.0, radius_px=1.0, place=0.0):
    """A printed edge as a phone stores it: blurred light, the curve of IEC 61966-2-1, an unsharp mask."""
    stored = encode(0.05 + 0.6 * ndtr((AXIS - place) / blur_px))
    return stored + amount * (stored - gaussian_filter1d(stored, radius_px / SPACING, mode="nearest"))


@pytest.mark.parametrize("blurs_px", [(0.8, 1.0), (1.2, 1.1)])
@pytest.mark.parametrize(("amount", "radius_px"), [(0.3, 1.0), (0.5, 1.6), (1.0, 1.2), (1.5, 2.0)])
def test_amount_radius_and_blur_come_back(amount, radius_px, blurs_px):
    profiles = np.array([stored_step(blur, amount, radius_px, 0.3 * i) for i, blur in enumerate(blurs_px)])
    found = fit_sharpening(AXIS, profiles)
    # more, weaker and wider, looks nearly like less, stronger and narrower: each alone is known less well
    assert found.amount == pytest.approx(amount, abs=0.12)
    assert found.radius_px == pytest.approx(radius_px, rel=0.2)
    assert found.blur_px == pytest.approx(blurs_px, rel=0.02)
    assert found.misfit < 1e-3


@pytest.mark.parametrize(("amount", "radius_px"), [(0.0, 1.4), (0.6, 0.8), (1.0, 3.0)])
def test_sharpened_steps_are_those_of_scipys_filter(amount, radius_px):
    levels = decode(np.array(0.25)), decode(np.array(0.85))
    values = [amount, np.log(radius_px), np.log(1.1), 0.3, 0.25, 0.85]
    stored = encode(levels[0] + (levels[1] - levels[0]) * ndtr((AXIS - 0.3) / 1.1))
    expected = stored + amount * (stored - gaussian_filter1d(stored, radius_px / SPACING, mode="nearest"))
    # at the ends SciPy goes on with the last value here, not with the mirror image
    assert sharpened_steps(AXIS, np.array(values))[0][0] == pytest.approx(np.clip(expected, 0, 1), abs=1e-6)


@pytest.mark.parametrize("amount", [0.0, 0.4, 1.5])
def test_what_each_value_does_to_a_step(amount):
    # Reference: SciPy's numerical derivative. The brightest profile is cut off at 1 on its bright side.
    values = np.array([amount, np.log(1.3), np.log(0.8), np.log(1.4), 0.2, -0.4, 0.02, 0.25, 0.7, 0.97])
    got = sharpened_steps(AXIS, values)[1].reshape(len(values), -1).T
    expected = approx_fprime(values, lambda moved: sharpened_steps(AXIS, moved)[0].ravel(), 1e-7)
    assert got == pytest.approx(expected, abs=2e-3)


@pytest.mark.parametrize("blur_px", [0.6, 1.0, 2.0])
def test_no_sharpening_is_found_where_there_is_none(blur_px):
    found = fit_sharpening(AXIS, np.array([stored_step(blur_px), stored_step(blur_px)]))
    assert found.amount < 0.02
    assert found.blur_px == pytest.approx((blur_px, blur_px), rel=0.01)


def test_noise_leaves_a_usable_answer():
    # 144 profiles across markers' sides are averaged; 8-bit noise of 2 levels is then about 2/255/12.
    noise = np.random.default_rng(5).normal(0.0, 2 / 255 / 12, (2, len(AXIS)))
    found = fit_sharpening(AXIS, np.array([stored_step(0.9, 0.5, 1.4)] * 2) + noise)
    assert found.amount == pytest.approx(0.5, abs=0.1)
    assert found.blur_px == pytest.approx((0.9, 0.9), rel=0.05)


@pytest.mark.parametrize(("amount", "radius_px"), [(0.4, 1.0), (1.2, 2.0)])
def test_unsharpened_inverts_the_unsharp_mask(amount, radius_px):
    rng = np.random.default_rng(6)
    picture = 0.3 + 0.4 * gaussian_filter((rng.uniform(size=(60, 90)) > 0.5).astype(float), 0.8)
    sharp = picture + amount * (picture - gaussian_filter(picture, radius_px))
    assert np.abs(sharp - picture).max() > 0.02  # else the check below says nothing
    stored = np.rint(255 * sharp).astype(np.uint8)
    restored = unsharpened(stored, Sharpening(amount, radius_px, (1.0, 1.0), 0.0))
    assert restored.shape == picture.shape
    assert restored.dtype == np.float32
    # rounding to 8 bits is at most half a level, and the inverse nowhere amplifies
    assert np.abs(restored - picture)[8:-8, 8:-8].max() < 1.0 / 255


def test_nothing_to_undo_changes_nothing():
    stored = np.random.default_rng(7).integers(0, 256, (20, 30), dtype=np.uint8)
    assert unsharpened(stored, Sharpening(0.0, 1.0, (1.0, 1.0), 0.0)) == pytest.approx(
        stored / 255.0, abs=1e-6
    )


def test_noise_is_not_amplified():
    # The transfer function 1 + amount (1 - Gaussian) is nowhere below 1.
    stored = np.random.default_rng(8).integers(100, 150, (64, 64), dtype=np.uint8)
    restored = unsharpened(stored, Sharpening(0.8, 1.5, (1.0, 1.0), 0.0))
    assert restored.std() < (stored / 255.0).std()
    assert restored.mean() == pytest.approx((stored / 255.0).mean(), abs=1e-3)
