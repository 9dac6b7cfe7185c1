"""Where a brightness step lies along a line across it, to a fraction of a pixel, in linear light.

Pixel coordinates are (x, y) with integer values at pixel centres. Brightness is brought to linear light
before anything is located, because a lens blurs light, not the numbers that a phone stores: on stored values
the half-way point of a blurred step lies up to a third of the blur too far on the dark side.
"""

import math
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Reals = NDArray[np.floating[Any]]
Precision = TypeVar("Precision", np.float32, np.float64)

FAR_BLURS = 6.0  # from a blurred step it is 0 or 1 to the last digit of single precision
ARRIVED = 3e-4  # of a sample, or of the blur: the next move would be several times smaller


def decode(stored: NDArray[Precision]) -> NDArray[Precision]:
    """Stored brightness, 0 to 1, as linear light (the sRGB curve, IEC 61966-2-1; a phone's own differs)."""
    curved = ((np.maximum(stored, 0.0) + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(stored <= 0.04045, stored / 12.92, curved))


def decode_slope(stored: Floats) -> Floats:
    """How `decode` changes with the stored brightness."""
    curved = 2.4 / 1.055 * ((np.maximum(stored, 0.0) + 0.055) / 1.055) ** 1.4
    return np.asarray(np.where(stored <= 0.04045, 1 / 12.92, curved))


def encode(linear: Floats) -> Floats:
    """Linear light, 0 to 1, as stored brightness (IEC 61966-2-1)."""
    curved = 1.055 * np.maximum(linear, 0.0) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(linear <= 0.0031308, linear * 12.92, curved))


@cache
def _linear_table() -> NDArray[np.float32]:
    return decode(np.arange(256) / 255.0).astype(np.float32)


def linear_light(stored: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Stored 8-bit values (rows, columns) as linear light, 0 to 1, same shape."""
    import cv2

    return np.asarray(cv2.LUT(stored, _linear_table()), np.float32)


@cache
def _spline_kernel() -> NDArray[np.float32]:
    """What turns samples into the coefficients of their interpolating cubic spline; cut off below 1e-6.

    Source: M. Unser, Splines: a perfect fit for signal and image processing, IEEE Signal Processing Magazine
    16 (6), 1999, pp. 22-38.
    """
    pole = math.sqrt(3.0) - 2.0
    return (math.sqrt(3.0) * pole ** np.abs(np.arange(-10, 11))).astype(np.float32)


def _between(places: NDArray[np.float32]) -> tuple[list[Reals], list[Reals]]:
    """Of the four coefficients around each place: a place in either pair of them, and what the pairs count.

    A straight line between two coefficients holds them in any proportion, so that two readings stand for four
    (Sigg & Hadwiger, Fast third-order texture filtering, GPU Gems 2, 2005, chapter 20). Source of the
    proportions: the cubic B-spline, as in Unser 1999.
    """
    before = np.floor(places)
    t = places - before
    back = 1 - t
    last = t * t * t / 6
    second = 2 / 3 - t * t * (1 - t / 2)
    left = second + back * back * back / 6
    right = 1 - left
    return [before - 1 + second / left, before + 1 + last / right], [left, right]


@dataclass(frozen=True)
class Patch:
    """A piece of a photo in linear light: `light` (rows, columns) float32; its first pixel is (left, top)."""

    light: NDArray[np.float32]
    left: int
    top: int

    def sample(self, points_px: Floats) -> Floats:
        """Linear light between the pixels (cubic spline).

        Parameters
        ----------
        points_px : (..., n, 2) positions (x, y) in the whole photo; outside the patch its nearest pixel
            counts. OpenCV takes fewer than 32,767 at once: of n, and of all other sides' product.

        Returns
        -------
        (..., n) float64.
        """
        # SciPy's `map_coordinates` gives the same, but takes four times as long.
        import cv2

        if points_px.size == 0:
            return np.zeros(points_px.shape[:-1])
        rows, columns = self.light.shape
        as_rows = (-1, points_px.shape[-2])
        # in the coefficients each pixel has moved by one
        (x, across), (y, down) = (
            _between(np.clip(np.float32(points_px[..., axis] - first), 1, count).reshape(as_rows))
            for axis, first, count in ((0, self.left - 1, columns), (1, self.top - 1, rows))
        )
        light = np.zeros_like(x[0])
        for row in range(2):
            here, there = (cv2.remap(self._coefficients, x[i], y[row], cv2.INTER_LINEAR) for i in range(2))
            light += down[row] * (across[0] * here + across[1] * there)
        return light.astype(np.float64).reshape(points_px.shape[:-1])

    def sample_cubic(self, points_px: Floats) -> NDArray[np.float32]:
        """Linear light between the pixels by OpenCV's cubic kernel: quicker, and sharper.

        Parameters
        ----------
        points_px : (rows, columns, 2) positions (x, y) in the whole photo; outside the patch its nearest
            pixel counts.
        """
        import cv2

        here = (points_px - [self.left, self.top]).astype(np.float32)
        return np.asarray(
            cv2.remap(
                self.light, here[..., 0], here[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
            )
        )

    @cached_property
    def _coefficients(self) -> NDArray[np.float32]:
        """Those of the spline, (1 + rows + 2, 1 + columns + 2): beyond the patch the nearest ones again."""
        # An interpolating spline keeps a blurred step's shape; the usual cubic kernels sharpen it.
        # SciPy's `spline_filter` gives the same, but takes five times as long.
        import cv2

        kernel = _spline_kernel()
        inside = cv2.sepFilter2D(self.light, cv2.CV_32F, kernel, kernel, borderType=cv2.BORDER_REFLECT)
        return np.asarray(cv2.copyMakeBorder(inside, 1, 2, 1, 2, cv2.BORDER_REPLICATE))


def bounds(points_px: Floats, shape: tuple[int, ...], margin_px: int = 4) -> tuple[slice, slice]:
    """Rows and columns of a picture of this shape that hold the points (..., 2) and a margin; never empty."""
    rows, columns = shape[:2]
    x, y = points_px[..., 0], points_px[..., 1]
    left = min(max(math.floor(x.min()) - margin_px, 0), columns - 1)
    top = min(max(math.floor(y.min()) - margin_px, 0), rows - 1)
    right = min(max(math.ceil(x.max()) + margin_px + 1, left + 1), columns)
    bottom = min(max(math.ceil(y.max()) + margin_px + 1, top + 1), rows)
    return slice(top, bottom), slice(left, right)


def patch_around(luma: NDArray[np.uint8], points_px: Floats, margin_px: int = 4) -> Patch:
    """The patch of a photo (rows, columns) that holds the points (..., 2) and a margin."""
    rows, columns = bounds(points_px, luma.shape, margin_px)
    return Patch(linear_light(luma[rows, columns]), columns.start, rows.start)


def _blurred_step(z: NDArray[Precision]) -> NDArray[Precision]:
    """A step from 0 to 1, so many blurs before or behind it; reckoned only where it is neither yet."""
    from scipy.special import ndtr

    step = (z > 0).astype(z.dtype)
    near = np.abs(z) < FAR_BLURS
    step[near] = ndtr(z[near])
    return step


@dataclass(frozen=True)
class Steps:
    """Blurred steps fitted to profiles: arrays of one value a profile.

    `position` and `sigma` (standard deviation of the Gaussian blur) are in the unit of the profile's axis;
    `before` and `after` are the levels on either side; `residual` is the rms misfit, in brightness.
    """

    position: Floats
    sigma: Floats
    before: Floats
    after: Floats
    residual: Floats


def fit_steps(axis: Floats, profiles: Floats, sigma: float, iterations: int = 12) -> Steps:
    """Fit before + (after - before) * Phi((s - position) / sigma) to each profile by Gauss-Newton.

    Parameters
    ----------
    axis : (m,) evenly spaced positions s along the profiles.
    profiles : (n, m) brightness.
    sigma : first guess of the blur, same unit as `axis`.

    Returns
    -------
    `Steps` with arrays of shape (n,). A profile without a step gives some position and a large residual
    relative to its contrast; the caller decides what to keep.
    """
    n, m = profiles.shape
    ends = max(2, m // 5)
    before = profiles[:, :ends].mean(axis=1)
    after = profiles[:, -ends:].mean(axis=1)
    spacing = float(axis[1] - axis[0])
    contrast = np.where(np.abs(after - before) < 1e-9, 1e-9, after - before)
    # the step that has the same integral: exact for any symmetric blur
    covered = ((profiles - before[:, None]) / contrast[:, None]).sum(axis=1) * spacing
    position = np.clip(axis[-1] + spacing / 2 - covered, axis[0], axis[-1])
    low, high = math.log(0.2 * spacing), math.log(axis[-1] - axis[0])
    found = np.stack([position, np.full(n, math.log(sigma)), before, after])
    moving = np.arange(n)
    seen = profiles.astype(np.float32)  # in single precision each move takes two thirds of the time
    for _ in range(iterations):
        position, log_sigma, before, after = found[:, moving]
        width, level, contrast = (
            each[:, None].astype(np.float32) for each in (np.exp(log_sigma), before, after - before)
        )
        z = (axis - position[:, None]).astype(np.float32) / width
        step = _blurred_step(z)
        bell = np.exp(-0.5 * z * z) * (-contrast / math.sqrt(2 * math.pi))
        jacobian = np.stack([bell / width, bell * z, 1 - step, step], axis=1)
        misfit = seen[moving] - (level + contrast * step)
        normal = (jacobian @ jacobian.transpose(0, 2, 1)).astype(np.float64)
        normal += np.eye(4) * (1e-9 + 1e-3 * np.trace(normal, axis1=1, axis2=2)[:, None, None] / 4)
        update = np.linalg.solve(normal, jacobian @ misfit[..., None])[..., 0].T
        position = np.clip(position + np.clip(update[0], -2 * spacing, 2 * spacing), axis[0], axis[-1])
        log_sigma = np.clip(log_sigma + np.clip(update[1], -0.5, 0.5), low, high)
        found[:, moving] = position, log_sigma, before + update[2], after + update[3]
        moving = moving[(np.abs(update[0]) > ARRIVED * spacing) | (np.abs(update[1]) > ARRIVED)]
        if len(moving) == 0:
            break
    position, log_sigma, before, after = found
    step = _blurred_step((axis - position[:, None]) / np.exp(log_sigma)[:, None])
    model = before[:, None] + (after - before)[:, None] * step
    residual = np.sqrt(np.mean((profiles - model) ** 2, axis=1))
    return Steps(position, np.exp(log_sigma), before, after, residual)
