"""Three real photographs of printed discs: how wrong their width comes out, and what explains it.

Black discs, 15 mm wide, their centres 25 mm apart: whatever the print's scale, width over distance is 0.6.
The photographs (Peter Abeles, BoofCV-Data, commit cc6d8ad, CC BY 4.0) lie beside the checkout, in
`shared/real/discs`, and not in it. Nothing in the program was set by them.

`python -m tests.accuracy --discs` prints what is measured, and beside it what each possible cause would do:
the same discs are drawn again in the same places with that cause alone, and measured by the same code.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter, uniform_filter1d
from scipy.optimize import least_squares
from scipy.spatial import cKDTree
from scipy.special import ndtr
from skimage.measure import find_contours, label, regionprops

from aperture.photo import read_photo
from aperture.shape import describe
from aperture.view.edges import Patch, decode, encode, fit_steps, linear_light
from tests.accuracy.truth_photos import ROOT

Floats = NDArray[np.float64]
Luma = NDArray[np.uint8]

FOLDER = ROOT.parent / "shared" / "real" / "discs"
NAMES = ("image00000.jpg", "image00001.jpg", "image00002.jpg")
WIDTH_MM, DISTANCE_MM = 15.0, 25.0
ROWS, COLUMNS = 8, 10
NEAR_PX, STEP_PX = 4.0, 1.6  # how far from an edge its mean profile is explained; how far the step reaches
FINE_PX = 0.02  # the spacing on which profiles are drawn


@dataclass(frozen=True)
class Disc:
    """A disc: its middle (2,) px, its outline (n, 2) px."""

    middle: Floats
    outline: Floats


def luma_of(name: str) -> Luma:
    """The photograph."""
    return read_photo(FOLDER / name).luma


# --- where the discs are, two ways ---------------------------------------------------------------------


def regions(luma: Luma) -> list[Any]:
    """The discs, roughly: what is much darker than its surroundings."""
    dark = luma < 0.7 * gaussian_filter(luma.astype(float), 25)
    found = [r for r in regionprops(label(dark)) if 120 < r.area < 1500 and r.solidity > 0.93]
    assert len(found) == ROWS * COLUMNS
    return found


def disc_of(outline: Floats) -> Disc:
    """The disc with this outline."""
    return Disc(np.array(describe(outline).centroid_mm), outline)


def half_level(luma: Luma) -> list[Disc]:
    """Discs as scikit-image's contour at half the stored level between ink and paper runs round them."""
    discs = []
    for region in regions(luma):
        middle, radius = np.array(region.centroid), region.equivalent_diameter_area / 2
        low = np.maximum(np.floor(middle - 1.5 * radius).astype(int) - 2, 0)
        high = np.minimum(np.ceil(middle + 1.5 * radius).astype(int) + 3, luma.shape)
        window = luma[low[0] : high[0], low[1] : high[1]].astype(float)
        rows, columns = np.indices(window.shape)
        away = np.hypot(rows + low[0] - middle[0], columns + low[1] - middle[1])
        ink = np.median(window[away < 0.4 * radius])
        paper = np.median(window[(away > radius + 3) & (away < 1.5 * radius + 1)])
        longest = max(find_contours(window, (ink + paper) / 2), key=len)
        discs.append(disc_of(longest[:-1, ::-1] + low[::-1]))
    return discs


def by_steps(luma: Luma, light: Callable[[Luma], Any] = linear_light) -> list[Disc]:
    """Discs by the program's own edges: steps fitted in linear light along rays from the middle.

    Parameters
    ----------
    light : what turns stored values into light.
    """
    patch = Patch(light(luma), 0, 0)
    discs = []
    for region in regions(luma):
        middle, radius = np.array(region.centroid[::-1]), region.equivalent_diameter_area / 2
        angle, reach = 2 * np.pi * np.arange(72) / 72, min(5.0, 0.6 * radius)
        start = np.full(72, radius)
        for _ in range(2):
            rays = np.column_stack([np.cos(angle), np.sin(angle)])
            axis = np.linspace(-reach, reach, round(8 * reach) + 1)
            places = middle + (start[:, None] + axis)[..., None] * rays[:, None]
            steps = fit_steps(axis, patch.sample(places), 1.0)
            outline = middle + (start + steps.position)[:, None] * rays
            middle = outline.mean(axis=0)
            start = np.hypot(*(outline - middle).T)
            angle = np.arctan2(*(outline - middle).T[::-1])
        discs.append(disc_of(_round(angle, start, middle)))
    return discs


def _round(angle: Floats, radius: Floats, middle: Floats) -> Floats:
    """An outline of 720 points through fewer: a polygon of 72 makes a disc of 24 px 0.015 px narrower."""
    order = np.argsort(angle)
    closed = np.append(angle[order], angle[order][0] + 2 * np.pi)
    curve = CubicSpline(closed, np.append(radius[order], radius[order][0]), bc_type="periodic")
    fine = closed[0] + 2 * np.pi * np.arange(720) / 720
    return np.asarray(middle + curve(fine)[:, None] * np.column_stack([np.cos(fine), np.sin(fine)]))


# --- how wrong they are --------------------------------------------------------------------------------


@dataclass(frozen=True)
class TooLarge:
    """How much each disc with eight neighbours is too wide: `px`, `mm`; and its scale, `px_per_mm`; (n,)."""

    px: Floats
    mm: Floats
    px_per_mm: Floats

    def mean_px(self) -> tuple[float, float]:
        """The mean, and its standard error."""
        return float(self.px.mean()), float(self.px.std(ddof=1) / np.sqrt(len(self.px)))


def too_large(discs: list[Disc]) -> TooLarge:
    """How much each disc is too wide, for the discs with eight neighbours.

    Those neighbours' middles are 25 mm apart and give the plane around the disc; its width is that of the
    circle of its area there.
    """
    middles = np.array([disc.middle for disc in discs])
    found = []
    for disc, (_, near) in zip(discs, zip(*cKDTree(middles).query(middles, k=9), strict=True), strict=True):
        away = middles[near[1:]] - disc.middle
        cells = np.rint(np.linalg.solve(two_steps(away), away.T).T)
        if np.abs(cells).max() > 1 or len({tuple(cell) for cell in cells}) < 8:
            continue  # at the rim of the grid
        plane, _ = cv2.findHomography(
            np.vstack([disc.middle, middles[near[1:]]]), DISTANCE_MM * np.vstack([[0.0, 0.0], cells])
        )
        flat = cv2.perspectiveTransform(disc.outline[None], plane)[0]
        width_mm = 2 * np.sqrt(describe(flat).area_mm2 / np.pi)
        width_px = 2 * np.sqrt(describe(disc.outline).area_mm2 / np.pi)
        found.append((width_px * (1 - WIDTH_MM / width_mm), width_mm - WIDTH_MM, width_px / width_mm))
    assert len(found) == (ROWS - 2) * (COLUMNS - 2)
    return TooLarge(*np.array(found).T)


def two_steps(away: Floats) -> Floats:
    """Two steps (2, 2), columns, of the grid: to the nearest neighbour, and to the nearest square to it."""
    turned = np.abs(away[:, 0] * away[0, 1] - away[:, 1] * away[0, 0])
    across = turned / np.hypot(*away.T) / np.hypot(*away[0]) > 0.8
    return np.column_stack([away[0], away[np.argmax(across)]])


def px_or_mm(errors: list[TooLarge]) -> dict[str, tuple[float, float]]:
    """The part of the error that is constant in px (the picture's) and the part in mm (the print's).

    Returns
    -------
    "px", "mm" : each part and its standard error, by least squares over all discs.
    """
    scale, error = (np.concatenate([getattr(one, part) for one in errors]) for part in ("px_per_mm", "px"))
    design = np.column_stack([np.ones_like(scale), scale])
    found, left, *_ = np.linalg.lstsq(design, error, rcond=None)
    u = np.sqrt(np.diag(np.linalg.inv(design.T @ design)) * left[0] / (len(error) - 2))
    return {"px": (found[0], u[0]), "mm": (found[1], u[1])}


# --- the profile across their edges --------------------------------------------------------------------


def mean_profile(picture: Luma, discs: list[Disc], toward_deg: float | None = None) -> tuple[Floats, Floats]:
    """Stored brightness by the distance from the discs' outlines: bins (m,) px, means (m,), 0 to 1.

    Parameters
    ----------
    toward_deg : only edges that face within 30 degrees of this; 0 is to the right, 90 down.
    """
    luma = picture / 255.0
    distances, values = [], []
    for disc in discs:
        low = np.floor(disc.outline.min(axis=0)).astype(int) - 8
        high = np.ceil(disc.outline.max(axis=0)).astype(int) + 9
        if (low < 0).any() or (high > luma.shape[::-1]).any():
            continue
        (x, y), axes, turn = cv2.fitEllipse(disc.outline.astype(np.float32))
        rows, columns = np.mgrid[low[1] : high[1], low[0] : high[0]]
        along, across = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        u = (along * (columns - x) + across * (rows - y)) / (axes[0] / 2)
        v = (along * (rows - y) - across * (columns - x)) / (axes[1] / 2)
        radius = np.hypot(u, v)
        normal = u / (axes[0] / 2) / radius, v / (axes[1] / 2) / radius
        away = (radius - 1) / np.hypot(*normal)
        near = np.abs(away) < 6
        if toward_deg is not None:
            faces = np.degrees(np.arctan2(*normal[::-1])) + turn - toward_deg
            near &= np.abs((faces + 180) % 360 - 180) < 30
        distances.append(away[near])
        values.append(luma[rows, columns][near])
    edges = np.arange(-6.0, 6.05, 0.1)
    place = np.digitize(np.concatenate(distances), edges)
    stored = np.concatenate(values)
    return edges[:-1] + 0.05, np.array([stored[place == k].mean() for k in range(1, len(edges))])


@dataclass(frozen=True)
class Explained:
    """A model of the mean profile: where it has the edge, px; the rms of what it leaves of the step.

    `blur_px` : of the lens; `exponent` : light is stored brightness to this power, None for sRGB; `in_stored`
    : which part of the mean over a pixel was made of stored values.
    """

    place_px: float
    misfit: float
    blur_px: float
    exponent: float | None
    in_stored: float


def explain(
    axis: Floats, profile: Floats, in_stored: float | None, exponent: float | None = None
) -> Explained:
    """Explain the mean profile by a step, a lens, a tone curve, and pixels that are means.

    The step is blurred by the lens in light: by a Gaussian and, a small part of it, by wide wings
    (exponential). Each pixel is then a mean over its width: of light, as a sensor has it, or of stored
    values, as a program has it that makes a picture smaller.

    Parameters
    ----------
    in_stored : the part of that mean which is of stored values; fitted where it is None.
    exponent : of the tone curve; None is the sRGB curve.
    """
    near = np.abs(axis) < NEAR_PX
    fine = np.arange(-NEAR_PX - 4, NEAR_PX + 4 + FINE_PX / 2, FINE_PX)
    pixel = round(1 / FINE_PX)

    def to_light(stored: Any) -> Any:
        return decode(stored) if exponent is None else np.maximum(stored, 0.0) ** exponent

    def to_stored(light: Any) -> Any:
        return encode(light) if exponent is None else np.maximum(light, 0.0) ** (1 / exponent)

    def mean(values: Floats) -> Floats:
        return np.asarray(uniform_filter1d(values, pixel + 1, mode="nearest"))

    def misfit(values: Floats) -> Floats:
        place, log_blur, dark, bright, wings, log_reach, part = values
        away = fine - place
        wide = np.where(away > 0, 1.0, 0.0) - 0.5 * np.sign(away) * np.exp(-np.abs(away) / np.exp(log_reach))
        step = (1 - wings) * ndtr(away / np.exp(log_blur)) + wings * wide
        low, high = to_light(np.array([dark, bright]))
        light = low + (high - low) * step
        part = part if in_stored is None else in_stored
        stored = part * mean(to_stored(light)) + (1 - part) * to_stored(mean(light))
        return np.asarray(np.interp(axis[near], fine, stored) - profile[near])

    start = [0.0, -1.4, profile[near][:5].mean(), profile[near][-5:].mean(), 0.05, 0.3, 0.5]
    low, high = [-1, -4, 0, 0.4, 0, -1.5, -0.5], [1, 0, 0.3, 0.8, 0.5, 1.6, 1.5]
    found = least_squares(misfit, start, bounds=(low, high), max_nfev=60)
    part = float(found.x[6]) if in_stored is None else in_stored
    rms = float(np.sqrt(np.mean(found.fun[np.abs(axis[near]) < STEP_PX] ** 2)))
    return Explained(float(found.x[0]), rms, float(np.exp(found.x[1])), exponent, part)
