"""The phone's sharpening: measured on printed edges, and taken away again.

A phone adds to its stored picture a part of the difference between the picture and a blurred copy of it
(unsharp masking). At a step that makes halos, and beside a rim a few pixels thick they move every edge. The
amount and the radius are fitted to the mean profile across the markers' sides, together with the lens blur:
the step is blurred in linear light, stored through the sRGB curve, then sharpened. The profile is taken from
the pixels themselves, sorted by their distance from the edge, as ISO 12233 does with its slanted edges
(interpolation between pixels would ring as sharpening does). Undoing it divides by a transfer function that
is nowhere below 1, so that it calms noise rather than raising it.
"""

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from aperture.view.edges import bounds, decode, decode_slope, encode
from aperture.view.fitting import soft_l1

Floats = NDArray[np.float64]

# What phones do: working values from memory. The last is the least standard uncertainty of a mean profile.
USUAL_AMOUNT, AMOUNT_SPREAD = 0.5, 0.5
USUAL_RADIUS_PX, RADIUS_SPREAD = 1.4, 0.25
PROFILE_NOISE = 0.003
# The first fit, which tells the noise, ends with a step of its standard uncertainty; the second with one of a
# hundredth (squared).
LAST_STEPS = 1.0, 1e-4
BIN_PX = 0.1  # width of the bins in which pixels are averaged by their distance from an edge


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


@dataclass(frozen=True)
class EdgeSpreadFunction:
    """Stored brightness (m,) summed over the pixels at each distance `axis_px` (m,) from an edge; counts."""

    axis_px: Floats
    total: Floats
    count: Floats

    def ends(self) -> tuple[float, float]:
        """The levels far on either side: the mean of the outer sixths."""
        sixth = max(1, len(self.axis_px) // 6)
        far = [
            float(self.total[end].sum() / max(self.count[end].sum(), 1.0))
            for end in (slice(0, sixth), slice(-sixth, None))
        ]
        return far[0], far[1]


def edge_spread(
    luma: NDArray[np.uint8], edge_px: Floats, outward_px: Floats, reach_px: float
) -> EdgeSpreadFunction:
    """The stored brightness of all pixels beside a straight edge, by their distance from it.

    Parameters
    ----------
    luma : (rows, columns) stored luma.
    edge_px : (n, 2) points on the edge; the pixels between the outermost two count.
    outward_px : (2,) direction in which distances are positive.
    reach_px : the farthest distance.

    Source: the sorting of pixels is that of the slanted-edge method of ISO 12233.
    """
    centre = edge_px.mean(axis=0)
    along = np.linalg.svd(edge_px - centre)[2][0]
    across = np.array([-along[1], along[0]])
    across *= np.sign(across @ outward_px)
    places = (edge_px - centre) @ along
    start, end = places.min(), places.max()
    steps = int(reach_px / BIN_PX)
    axis = np.arange(-steps, steps + 1, dtype=np.float64) * BIN_PX
    corners = centre + np.array([[a, b] for a in (start, end) for b in (axis[0], axis[-1])]) @ [along, across]
    rows, columns = bounds(corners, luma.shape, margin_px=1)
    x = (np.arange(columns.start, columns.stop) - centre[0]).astype(np.float32)
    y = (np.arange(rows.start, rows.stop)[:, None] - centre[1]).astype(np.float32)
    (along_x, along_y), (across_x, across_y) = along.tolist(), (across / BIN_PX).tolist()
    place = x * along_x + y * along_y
    bins = np.rint(x * across_x + y * across_y).astype(np.int32) + steps
    near = (place >= start) & (place <= end) & (bins >= 0) & (bins < len(axis))
    bins = bins[near]
    count = np.bincount(bins, minlength=len(axis))
    total = np.bincount(bins, luma[rows, columns][near], minlength=len(axis)) / 255.0
    return EdgeSpreadFunction(axis, np.asarray(total, np.float64), count.astype(np.float64))


def mean_profile(edges: list[EdgeSpreadFunction]) -> tuple[Floats, Floats]:
    """The mean profile (m,) across alike edges, and how many pixels it rests on at each distance (m,).

    Each edge is brought to the levels that the edges have in the middle. Where there was no pixel the profile
    is what lies between its neighbours.
    """
    levels = np.array([edge.ends() for edge in edges])
    dark, bright = np.median(levels, axis=0)
    total, count = np.zeros_like(edges[0].total), np.zeros_like(edges[0].count)
    for edge, (low, high) in zip(edges, levels, strict=True):
        gain = (bright - dark) / (high - low)
        total += gain * (edge.total - low * edge.count) + dark * edge.count
        count += edge.count
    seen = count > 0
    axis = edges[0].axis_px
    return np.interp(axis, axis[seen], total[seen] / count[seen]), count


def sharpened_steps(axis_px: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Profiles across blurred and sharpened steps, and how they change with the values.

    Parameters
    ----------
    axis_px : (m,) evenly spaced places along the profiles, which are level at both ends.
    values : (2 + 4 n,) amount, ln(radius); then n times each: ln(blur), place, dark level, bright level.

    Returns
    -------
    Stored brightness (n, m), and its derivatives (2 + 4 n, n, m).
    """
    from scipy.special import ndtr

    amount, radius = float(values[0]), float(np.exp(values[1]) / (axis_px[1] - axis_px[0]))
    log_blur, place, *levels = values[2:].reshape(4, -1, 1)
    (dark, bright), (by_dark, by_bright) = decode(np.array(levels)), decode_slope(np.array(levels))
    away = (axis_px - place) / np.exp(log_blur)
    step = ndtr(away)
    stored = encode(dark + (bright - dark) * step)
    bell = (bright - dark) * np.exp(-0.5 * away**2) / np.sqrt(2 * np.pi)
    own = np.stack([-bell * away, -bell / np.exp(log_blur), by_dark * (1 - step), by_bright * step])
    plain = np.concatenate([stored[None], own / decode_slope(stored)])
    soft, soft_by_log_radius = _gaussian(plain, radius)
    raised = plain + amount * (plain - soft)
    change = np.zeros((len(values), *stored.shape))
    change[0], change[1] = stored - soft[0], -amount * soft_by_log_radius
    each = np.arange(len(stored))
    change[2:].reshape(4, -1, *stored.shape)[:, each, each] = raised[1:]
    change *= (raised[0] > 0.0) & (raised[0] < 1.0)
    return np.clip(raised[0], 0.0, 1.0), change


def _gaussian(profiles: Floats, radius: float) -> tuple[Floats, Floats]:
    """Profiles (k, n, m) blurred by a Gaussian of so many samples; and what ln(radius) does to the first.

    The kernel is cut off at four radii. Beyond its ends a profile goes on as its mirror image, for which a
    blur is a product of cosine transforms (Martucci, Symmetric convolution and the discrete sine and cosine
    transforms, IEEE Transactions on Signal Processing 42 (5), 1994, pp. 1038-1051).
    """
    from scipy.fft import dct, idct, rfft

    count = profiles.shape[-1]
    reach = min(int(4 * radius + 0.5), count - 1)
    places = np.arange(-reach, reach + 1)
    kernel = np.exp(-0.5 * (places / radius) ** 2)
    kernel /= kernel.sum()
    # with ln(radius) a Gaussian grows by its distance squared, in radii, less one
    kernels = np.zeros((2, 2 * count))
    kernels[:, places] = kernel, ((places / radius) ** 2 - 1) * kernel
    damping, by_log_radius = rfft(kernels).real[:, :count]
    waves = dct(profiles)
    return idct(waves * damping), idct(waves[0] * by_log_radius)


def fit_sharpening(axis_px: Floats, profiles: Floats, counts: Floats | None = None) -> Sharpening:
    """Fit one sharpening, and a blur each, to mean profiles across straight steps from black to white.

    Parameters
    ----------
    axis_px : (m,) evenly spaced places along the profiles.
    profiles : (n, m) stored brightness, 0 to 1, dark first.
    counts : (n, m) how much each value counts; all alike where none are given.
    """
    ends = max(3, len(axis_px) // 6)
    inner = slice(ends // 2, len(axis_px) - ends // 2)
    count = len(profiles)
    dark, bright = profiles[:, :ends].mean(axis=1), profiles[:, -ends:].mean(axis=1)

    weights = np.ones_like(profiles) if counts is None else np.sqrt(counts / counts.mean(axis=1)[:, None])
    weights = weights[:, inner]
    span, spacing = float(axis_px[-1] - axis_px[0]), float(axis_px[1] - axis_px[0])
    light, apart = decode(profiles), max(1, round(0.4 / spacing))
    steepest = (light[:, apart:] - light[:, :-apart]).max(axis=1) / (apart * spacing)
    # sharpening makes a step steeper, as phones do it by about a third
    blur = 1.3 / np.sqrt(2 * np.pi) * (decode(bright) - decode(dark)) / np.maximum(steepest, 1e-6)
    start = np.concatenate(
        [[0.4, np.log(1.4)], np.log(np.clip(blur, 0.3, None)), np.zeros(count), dark, bright]
    )
    low = np.array([0.0, np.log(0.8), *np.repeat([-1.2, -span / 4, 0.0, 0.0], count)])
    high = np.array([2.0, np.log(3.0), *np.repeat([np.log(span / 3), span / 4, 1.2, 1.2], count)])

    def misfit(values: Floats, noise: float) -> tuple[Floats, Floats]:
        # A wide weak sharpening and a narrow strong one look alike; what is usual decides between them.
        usual = (values[:2] - [USUAL_AMOUNT, np.log(USUAL_RADIUS_PX)]) / [AMOUNT_SPREAD, RADIUS_SPREAD]
        usual_by_values = np.eye(2, len(values)) / np.array([[AMOUNT_SPREAD], [RADIUS_SPREAD]])
        stored, by_values = sharpened_steps(axis_px, values)
        off = (stored - profiles)[:, inner] * (weights / noise)
        off_by_values = (by_values[:, :, inner] * (weights / noise)).reshape(len(values), -1).T
        return np.concatenate([off.ravel(), usual]), np.concatenate([off_by_values, usual_by_values])

    values, noise = start, PROFILE_NOISE
    for last_step in LAST_STEPS:
        solution = soft_l1(partial(misfit, noise=noise), values, np.inf, (low, high), last_step)
        values, left = solution.values, noise * float(np.sqrt(np.mean(solution.residuals[:-2] ** 2)))
        # What this model cannot explain (shaken photos are not blurred as by a Gaussian) must not decide.
        noise = max(PROFILE_NOISE, left)
    contrast = float(np.mean(bright - dark))
    return Sharpening(
        amount=float(values[0]),
        radius_px=float(np.exp(values[1])),
        blur_px=tuple(float(b) for b in np.exp(values[2 : 2 + count])),
        misfit=left / max(contrast, 1e-6),
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
    import cv2
    from scipy.fft import fftfreq, irfft2, next_fast_len, rfft2, rfftfreq

    picture = stored.astype(np.float32) / 255.0
    if sharpening.amount < 1e-3:
        return picture
    margin = int(np.ceil(4 * sharpening.radius_px))
    # prime numbers of rows or columns would take several times as long
    rows, columns = picture.shape
    below, right = (next_fast_len(side + 2 * margin, True) - side - margin for side in (rows, columns))
    padded = cv2.copyMakeBorder(picture, margin, below, margin, right, cv2.BORDER_REFLECT_101)
    along, across = (
        np.exp(-2 * (np.pi * sharpening.radius_px * frequency) ** 2).astype(np.float32)
        for frequency in (fftfreq(padded.shape[0])[:, None], rfftfreq(padded.shape[1]))
    )
    restored = irfft2(rfft2(padded) / (1 + sharpening.amount * (1 - along * across)), s=padded.shape)
    return np.asarray(restored[margin : margin + rows, margin : margin + columns], dtype=np.float32)
