"""View -> Outline: finds the opening in the notch and places its edge to a fraction of a pixel.

The learned first look says where the edges are, one fit makes two blades of them, and judges decide whether a
person must look: does the answer depend on where one began, do the two networks agree, are the edges those of
two blades, does the picture itself show something darker inside than outside.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aperture.errors import OpeningError
from aperture.opening.contour import ContourFit, OpeningContour, fit_contour
from aperture.opening.first_look import FLAT_MM, FirstLook, flat_grid_mm, look_first
from aperture.opening.thresholds import THRESHOLDS, Thresholds
from aperture.photo import Photo
from aperture.view.edges import Patch
from aperture.view.view import View

Floats = NDArray[np.float64]

THIN_BLURS = 2.0  # an opening lower than so many blurs is told by the light that is missing
SHUT_MM = 0.15  # below this the ends of an opening say nothing of what it is
BORDER_MM, BORDER_BLURS = 0.05, 1.0  # how far from the outline its surroundings are looked at


@dataclass(frozen=True)
class Outline:
    """The opening's outline.

    `points_mm` (n, 2) float64: closed polygon in card millimetres, plane of the tip, counter-clockwise from
    the left corner. `displacements_mm` (k, n, 2): independent ways in which the outline may really lie
    elsewhere, each one standard uncertainty; `sources` (k,) names them.
    """

    points_mm: Floats
    displacements_mm: Floats
    sources: tuple[str, ...]
    flags: tuple[str, ...]


@dataclass(frozen=True)
class Found:
    """An opening before it is judged: what the networks saw, the blades through it, and how sure they are.

    `edge_u_mm` (2,): standard uncertainty of the lower and of the upper edge; `corner_u_mm`: of a corner;
    `border`: mean contrast of outside to inside, see `Thresholds.least_border`.
    """

    look: FirstLook
    fit: ContourFit
    edge_u_mm: tuple[float, float]
    corner_u_mm: float
    border: float


def find_opening(photo: Photo, view: View, thresholds: Thresholds = THRESHOLDS) -> Outline:
    """Outline the opening of the reed in the notch.

    Raises
    ------
    OpeningError : there is no reed, no opening to be seen, more than one, or glare across it.
    ModelError : the networks' files cannot be used.
    """
    patch = view.patch(photo.luma, region_mm(view))
    found = find_blades(patch, view, thresholds)
    flags = []
    if review_reasons(found, thresholds):
        flags.append("edge-weak")
    if found.fit.contour.max_gap_mm() < THIN_BLURS * view.blur_across_mm:
        flags.append("thin-slit")
    displacements, sources = _displacements(found)
    return Outline(found.fit.contour.polygon(), displacements, sources, tuple(flags))


def region_mm(view: View) -> Floats:
    """The corners of the region that is looked at (4, 2), card mm."""
    grid = flat_grid_mm(view)
    return grid[[0, 0, -1, -1], [0, -1, -1, 0]]


def find_blades(patch: Patch, view: View, thresholds: Thresholds = THRESHOLDS) -> Found:
    """The blades that bound the opening, whatever the judges will say of them.

    Parameters
    ----------
    patch : the surroundings of the notch in linear light, paper = 1, sharpening undone.

    Raises
    ------
    OpeningError : there is no reed, no opening to be seen, more than one, or glare across it.
    """
    reed, look = look_first(patch, view)
    if reed < thresholds.reed_probability:
        raise OpeningError("no-reed")
    if look is None:
        raise OpeningError("opening-not-found")
    edge_u = np.hypot(
        np.hypot(thresholds.edge_u_mm, thresholds.edge_u_blurs * view.blur_across_mm), look.shift_mm
    )
    gap = max(float(np.max(look.edges.upper - look.edges.lower)), 0.03)
    corner_u = np.array(
        [
            thresholds.corner_u_mm,
            thresholds.corner_u_blurs * view.blur_px[0] / view.px_per_mm,
            thresholds.corner_u_thin_mm2 / gap,
            thresholds.corner_u_shift * float(np.max(look.corner_shift_mm)),
        ]
    )
    corner_u_mm = float(np.linalg.norm(corner_u))
    edge_u_mm = (float(edge_u[0]), float(edge_u[1]))
    fit = fit_contour(look.edges, edge_u_mm, corner_u_mm)
    if _has_second_tip(look, thresholds):
        raise OpeningError("more-than-one-reed")
    if _bore_share(look, fit.contour, view) < thresholds.least_bore_share:
        raise OpeningError("glare")
    return Found(look, fit, edge_u_mm, corner_u_mm, _border(patch, view, fit.contour))


def review_reasons(found: Found, thresholds: Thresholds = THRESHOLDS) -> tuple[str, ...]:
    """Why a person must look, one name for each judge that says so: see `Thresholds`."""
    contour, look = found.fit.contour, found.look
    is_shut = contour.max_gap_mm() < SHUT_MM
    rough = float(np.mean(look.rough.upper - look.rough.lower))
    fine = float(np.mean(look.edges.upper - look.edges.lower))
    doubts = {
        "edge_shift_mm": float(np.max(look.shift_mm)) > thresholds.edge_shift_mm,
        "corner_shift_mm": not is_shut and float(np.max(look.corner_shift_mm)) > thresholds.corner_shift_mm,
        "residual_mm": found.fit.residual_mm > thresholds.residual_mm,
        "between_networks_mm": abs(rough - fine) > thresholds.between_networks_mm,
        "least_border": not is_shut and found.border < thresholds.least_border,
    }
    return tuple(name for name, is_doubtful in doubts.items() if is_doubtful)


def _border(patch: Patch, view: View, contour: OpeningContour) -> float:
    """How much brighter it is just outside the outline than inside: the mean contrast, relative to both."""
    outline = contour.polygon(61)
    tangent = np.roll(outline, -1, axis=0) - np.roll(outline, 1, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / np.linalg.norm(tangent, axis=1)[:, None]
    away = BORDER_MM + BORDER_BLURS * view.blur_mm
    outer = patch.sample(view.to_pixel(outline + away * normal))
    inner = patch.sample(view.to_pixel(outline - min(away, 0.3 * contour.max_gap_mm()) * normal))
    return float(np.mean((outer - inner) / (np.maximum(outer, 0.0) + np.maximum(inner, 0.0) + 0.05)))


def _has_second_tip(look: FirstLook, thresholds: Thresholds) -> bool:
    """Whether two pieces of the notch look like the tip of a reed."""
    import cv2

    tip = (look.areas[2] < 0.5).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(tip)
    least_cells = thresholds.second_tip_mm2 / (FLAT_MM[0] / tip.shape[1]) ** 2
    return bool(np.sum(stats[1:, cv2.CC_STAT_AREA] > least_cells) > 1)


def _bore_share(look: FirstLook, contour: OpeningContour, view: View) -> float:
    """The part of the opening's inside that looks like a bore."""
    grid = flat_grid_mm(view, 2)
    local = contour.to_local(grid.reshape(-1, 2))
    low, high = contour.edges(local[:, 0])
    cell_mm = FLAT_MM[0] / grid.shape[1]
    inside = (local[:, 1] > low + cell_mm) & (local[:, 1] < high - cell_mm)
    inside &= (local[:, 0] > contour.left) & (local[:, 0] < contour.right)
    return float(np.mean(look.areas[0].ravel()[inside] > 0.5)) if inside.any() else 1.0


def _displacements(found: Found) -> tuple[Floats, tuple[str, ...]]:
    """How the lower edge, the upper edge and either corner may lie elsewhere (4, n, 2), and what they are."""
    contour = found.fit.contour
    points = contour.polygon()
    left, right = points[0], contour.to_card(contour.vector[2:4])
    along = (right - left) / np.linalg.norm(right - left)
    across = np.array([-along[1], along[0]])
    u = np.clip(2 * ((points - left) @ along) / np.linalg.norm(right - left) - 1, -1.0, 1.0)
    # counter-clockwise from the left corner the lower blade comes first
    upper = np.arange(len(points)) > len(points) // 2
    hump = np.sqrt(1 - u**2)
    moved = np.stack(
        [
            -np.outer(np.where(upper, 0.0, hump) * found.edge_u_mm[0], across),
            np.outer(np.where(upper, hump, 0.0) * found.edge_u_mm[1], across),
            np.outer((1 - u) / 2 * found.corner_u_mm, -along),
            np.outer((1 + u) / 2 * found.corner_u_mm, along),
        ]
    )
    return moved, ("edge", "edge", "corners", "corners")
