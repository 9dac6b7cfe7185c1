"""The phone's sharpening: measured on printed edges, and taken away again.

A phone adds to its stored picture a part of the difference between the picture and a blurred copy of it
(unsharp masking). At a step that makes halos, and beside a rim a few pixels thick they move every edge. The
amount and the radius are fitted to the mean profile across the markers' sides, together with the lens blur:
the step is blurred in linear light, stored through the sRGB curve, then sharpened. Undoing it divides by a
transfer function that is nowhere below 1, so that it calms noise rather than raising it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aperture.edges import decode, encode

Floats = NDArray[np.float64]

# What phones do: working values from memory. The last is the standard uncertainty of a mean profile.
USUAL_AMOUNT, AMOUNT_SPREAD = 0.5, 0.5
USUAL_RADIUS_PX, RADIUS_SPREAD = 1.4, 0.25
PROFILE_NOISE = 0.003


@dataclass(frozen=True)
class Sharpening:
    """`amount` of unsharp masking (0 = none) with a Gaussian of `radius_px`, and what is left unexplained.

    `blur_px` is the standard deviation of the lens blur under it, one value a profile; `misfit` the rms
    misfit relative to the step.
    """

    amount: float
    radius_px: float
    blur_px: tuple[float, ...]
    misfit: float


def fit_sharpening(axis_px: Floats, profiles: Floats) -> Sharpening:
    """Fit one sharpening, and a blur each, to mean profiles across straight steps from black to white.

    Parameters
    ----------
    axis_px : (m,) evenly spaced places along the profiles.
    profiles : (n, m) stored brightness, 0 to 1, dark first.
    """
    from scipy.ndimage import gaussian_filter1d
    from scipy.optimize import least_squares
    from scipy.special import ndtr

    spacing = float(axis_px[1] - axis_px[0])
    ends = max(3, len(axis_px) // 6)
    inner = slice(ends // 2, len(axis_px) - ends // 2)
    count = len(profiles)
    dark, bright = profiles[:, :ends].mean(axis=1), profiles[:, -ends:].mean(axis=1)

    def model(values: Floats) -> Floats:
        amount, log_radius = values[:2]
        log_blur, place, ink, paper = values[2:].reshape(4, count)[:, :, None]
        step = ndtr((axis_px - place) / np.exp(log_blur))
        stored = encode(decode(ink) + (decode(paper) - decode(ink)) * step)
        soft = gaussian_filter1d(stored, np.exp(log_radius) / spacing, axis=1, mode="nearest")
        return np.asarray(np.clip(stored + amount * (stored - soft), 0.0, 1.0))

    start = np.concatenate([[0.4, np.log(1.4)], np.zeros(2 * count), dark, bright])
    span = float(axis_px[-1] - axis_px[0])
    # amount, ln(radius); then for each profile ln(blur), place, dark level, bright level
    low = np.array([0.0, np.log(0.8), *np.repeat([-1.2, -span / 4, 0.0, 0.0], count)])
    high = np.array([2.0, np.log(3.0), *np.repeat([np.log(span / 3), span / 4, 1.2, 1.2], count)])

    def misfit(values: Floats) -> Floats:
        # A wide weak sharpening and a narrow strong one look alike; what is usual decides between them.
        usual = (values[:2] - [USUAL_AMOUNT, np.log(USUAL_RADIUS_PX)]) / [AMOUNT_SPREAD, RADIUS_SPREAD]
        return np.concatenate([(model(values) - profiles)[:, inner].ravel() / PROFILE_NOISE, usual])

    solution = least_squares(misfit, np.clip(start, low + 1e-6, high - 1e-6), bounds=(low, high))
    values = solution.x
    contrast = float(np.mean(bright - dark))
    return Sharpening(
        amount=float(values[0]),
        radius_px=float(np.exp(values[1])),
        blur_px=tuple(float(b) for b in np.exp(values[2 : 2 + count])),
        misfit=float(np.sqrt(np.mean(solution.fun[:-2] ** 2))) * PROFILE_NOISE / max(contrast, 1e-6),
    )


def unsharpened(stored: NDArray[np.uint8], sharpening: Sharpening) -> NDArray[np.float32]:
    """A patch of a photo without the phone's sharpening.

    Parameters
    ----------
    stored : (rows, columns) stored values.

    Returns
    -------
    (rows, columns) float32, stored brightness 0 to 1 (not linear light).
    """
    from scipy.fft import fftfreq, irfft2, rfft2, rfftfreq

    picture = stored.astype(np.float32) / 255.0
    if sharpening.amount < 1e-3:
        return picture
    margin = int(np.ceil(4 * sharpening.radius_px))
    padded = np.pad(picture, margin, mode="reflect")
    rows, columns = padded.shape
    squared = fftfreq(rows)[:, None] ** 2 + rfftfreq(columns)[None, :] ** 2
    soft = np.exp(-2 * (np.pi * sharpening.radius_px) ** 2 * squared)
    restored = irfft2(rfft2(padded) / (1 + sharpening.amount * (1 - soft)), s=padded.shape)
    return np.asarray(restored[margin:-margin, margin:-margin], dtype=np.float32)
