"""View -> Outline: finds the opening in the notch and places its edge to a fraction of a pixel.

The learned first look says where the edges are, one fit makes two blades of them, and judges decide whether a
person must look: does the answer depend on where one began, do the two networks agree, are the edges those of
two blades, does the picture itself show something darker inside than outside.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from aperture.errors import OpeningError
from aperture.instrument import INSTRUMENT
from aperture.opening.contour import ContourFit, OpeningContour, fit_contour
from aperture.opening.first_look import FLAT_MM, FirstLook, flat_grid_mm, look_first
from aperture.opening.thresholds import THRESHOLDS, Thresholds
from aperture.photo import Photo
from aperture.view.region import Region, region_around
from aperture.view.view import View

Floats = NDArray[np.float64]

THIN_BLURS = 2.0  # an opening lower than so many blurs is told by the light that is missing
LEAST_HEIGHT_MM = 0.03  # what is lower counts as this high where its corners are concerned
SHUT_MM = INSTRUMENT.shut_below_height_mm  # below this the ends of an opening say nothing of what it is
BORDER_MM, BORDER_BLURS = 0.05, 1.0  # how far from the outline its surroundings are looked at
NEARLY_RIM = 0.9  # of the rim's brightness: as bright as a lamp mirrored in water, or a pale hair
INSIDE_MM = 0.2  # so far from the outline no lit rim or blurred edge is seen, only what lies inside


@dataclass(frozen=True)
class Outline:
    """The opening's outline.

    `points_mm` (n, 2) float64: closed polygon in card millimetres, plane of the tip, counter-clockwise from
    the left corner. `displacements_mm` (k, n, 2): independent ways in which the outline may really lie
    elsewhere, each one standard uncertainty.
    """

    points_mm: Floats
    displacements_mm: Floats
    flags: tuple[str, ...]


@dataclass(frozen=True)
class Found:
    """An opening before it is judged: what the networks saw, and the blades through it.

    `edge_u_mm` (2,), `corner_u_mm`: standard uncertainty of the lower and the upper edge, and of a corner,
    as this photo shows it; `plain_u_mm`: that of an edge that is plain to see, which comes on top (it is a
    term of its own in the budget, see `model_u_mm`); `border`: mean contrast of outside to inside;
    `bore_share`: which part of the inside looks like a bore; `bright_share`, `darkest`: which part of it is
    nearly as bright as the rim, and how bright its darkest twentieth is, beside the rim. See `Thresholds`.
    """

    look: FirstLook
    fit: ContourFit
    edge_u_mm: Floats
    corner_u_mm: float
    plain_u_mm: float
    border: float
    bore_share: float
    bright_share: float
    darkest: float


def find_opening(photo: Photo, view: View, thresholds: Thresholds = THRESHOLDS) -> Outline:
    """Outline the opening of the reed in the notch.

    Raises
    ------
    OpeningError : there is no reed, no opening to be seen, or more than one.
    ModelError : the networks' files cannot be used.
    """
    found = find_blades(notch_in(photo, view), thresholds)
    flags = []
    if review_reasons(found, thresholds):
        flags.append("edge-weak")
    if ends_differ(found, thresholds):
        flags.append("inner-wall-lit")
    if has_glare(found, thresholds):
        flags.append("glare")
    if found.fit.contour.max_gap_mm() < THIN_BLURS * view.blur_across_mm:
        flags.append("thin-slit")
    points = found.fit.contour.polygon()
    moved = moved_edges(points, found.edge_u_mm, found.corner_u_mm, thresholds)
    return Outline(points, moved, tuple(flags))


def notch_in(photo: Photo, view: View) -> Region:
    """The notch and what is around it, as far as the first look sees."""
    grid = flat_grid_mm(view)
    return region_around(photo.luma, view, grid[[0, 0, -1, -1], [0, -1, -1, 0]])


def find_blades(notch: Region, thresholds: Thresholds = THRESHOLDS) -> Found:
    """The blades that bound the opening, whatever the judges will say of them.

    Parameters
    ----------
    notch : the notch and what is around it, see `notch_in`.

    Raises
    ------
    OpeningError : there is no reed, no opening to be seen, or more than one.
    """
    reed, look = look_first(notch)
    if reed < thresholds.reed_probability:
        raise OpeningError("no-reed")
    if look is None:
        raise OpeningError("opening-not-found")
    edge_u, corner_u = model_u_mm(notch.view, float(np.max(look.edges.upper - look.edges.lower)), thresholds)
    told = np.hypot(
        thresholds.edge_u_shift * look.shift_mm, thresholds.edge_u_expected * look.edges.expected_mm
    )
    shift = thresholds.corner_u_shift * float(np.max(look.corner_shift_mm))
    narrowed = replace(
        look.edges,
        lower=look.edges.lower + thresholds.edge_outwards_mm,
        upper=look.edges.upper - thresholds.edge_outwards_mm,
    )
    fit = fit_contour(narrowed, np.hypot(edge_u, told), float(np.hypot(corner_u, shift)))
    if _has_second_tip(look, thresholds):
        raise OpeningError("more-than-one-reed")
    width, height = fit.contour.width_mm, fit.contour.max_gap_mm()
    is_a_tip = thresholds.narrowest_mm < width < thresholds.widest_mm and height < thresholds.tallest_mm
    bore_share = _bore_share(look, fit.contour, notch.view)
    if not is_a_tip or bore_share < thresholds.least_bore_share:
        raise OpeningError("opening-not-found", "what is there does not look like the opening of a reed")
    border = _border(notch, fit.contour)
    return Found(look, fit, told, shift, edge_u, border, bore_share, *_inside(notch, fit.contour))


def review_reasons(found: Found, thresholds: Thresholds = THRESHOLDS) -> tuple[str, ...]:
    """Why a person must look, one name for each judge that says so: see `Thresholds`."""
    contour, look = found.fit.contour, found.look
    is_shut = contour.max_gap_mm() < SHUT_MM
    rough = float(np.mean(look.rough.upper - look.rough.lower))
    fine = float(np.mean(look.edges.upper - look.edges.lower))
    doubts = {
        "height_u_mm": height_u_mm(found) > thresholds.height_u_mm,
        "corner_shift_mm": not is_shut and float(np.max(look.corner_shift_mm)) > thresholds.corner_shift_mm,
        "residual_mm": found.fit.residual_mm > thresholds.residual_mm,
        "between_networks_mm": abs(rough - fine) > thresholds.between_networks_mm,
        "calm_bore_share": found.bore_share < thresholds.calm_bore_share,
        "least_border": not is_shut and found.border < thresholds.least_border,
    }
    return tuple(name for name, is_doubtful in doubts.items() if is_doubtful)


def height_u_mm(found: Found) -> float:
    """Standard uncertainty of the height from its two edges alone, mm."""
    return float(np.linalg.norm([*found.edge_u_mm, np.sqrt(2) * found.plain_u_mm]))


def ends_differ(found: Found, thresholds: Thresholds = THRESHOLDS) -> bool:
    """Whether one cut end looks so much thicker than the other that a part of it may be an inner wall."""
    lower, upper = found.look.edges.cut_end_mm
    return bool(abs(lower - upper) > thresholds.ends_differ_mm)


def has_glare(found: Found, thresholds: Thresholds = THRESHOLDS) -> bool:
    """Whether a lamp is mirrored inside the opening, or a film of water makes all of it grey."""
    return found.bright_share > thresholds.bright_share or found.darkest > thresholds.darkest


def _outside(view: View, contour: OpeningContour) -> tuple[Floats, Floats, float]:
    """Points of the outline (n, 2), the directions outwards (n, 2), how far off its rim is seen, mm."""
    outline = contour.polygon(61)
    tangent = np.roll(outline, -1, axis=0) - np.roll(outline, 1, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / np.linalg.norm(tangent, axis=1)[:, None]
    return outline, normal, BORDER_MM + BORDER_BLURS * view.blur_mm


def _inside(notch: Region, contour: OpeningContour) -> tuple[float, float]:
    """`Found.bright_share` and `Found.darkest`; (0, 0) where the opening is too low to have an inside."""
    x = np.linspace(contour.left + INSIDE_MM, contour.right - INSIDE_MM, 100)
    low, high = contour.edges(x)
    y = np.linspace(low.min(), high.max(), 80)[:, None]
    inside = (y > low + INSIDE_MM) & (y < high - INSIDE_MM)
    if np.mean(inside) < 0.02:
        return 0.0, 0.0
    places = np.stack(np.broadcast_arrays(x[None, :], y), axis=-1)[inside]
    light = notch.sample(contour.to_card(places))
    outline, normal, _ = _outside(notch.view, contour)
    rim = max(float(np.median(notch.sample(outline + BORDER_MM * normal))), 1e-3)
    return float(np.mean(light > NEARLY_RIM * rim)), float(np.quantile(light, 0.05)) / rim


def _border(notch: Region, contour: OpeningContour) -> float:
    """How much brighter it is just outside the outline than inside: the mean contrast, relative to both."""
    outline, normal, away = _outside(notch.view, contour)
    outer = notch.sample(outline + away * normal)
    inner = notch.sample(outline - min(away, 0.3 * contour.max_gap_mm()) * normal)
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


def model_u_mm(view: View, height_mm: float, thresholds: Thresholds = THRESHOLDS) -> tuple[float, float]:
    """Standard uncertainty of an edge, and of a corner, that is plain to see, mm: see `Thresholds`."""
    blur = thresholds.corner_u_blurs * view.blur_px[0] / view.px_per_mm
    thin = thresholds.corner_u_thin_mm2 / max(height_mm, LEAST_HEIGHT_MM)
    edge = thresholds.edge_u_blurs * view.blur_across_mm
    return float(edge), float(np.linalg.norm([thresholds.corner_u_mm, blur, thin]))


def moved_edges(
    points_mm: Floats, edge_mm: ArrayLike, corner_mm: float, thresholds: Thresholds = THRESHOLDS
) -> Floats:
    """How an outline's lower edge, upper edge, left and right corner move outwards by so much, and how both
    edges move upwards together, which bends a slit and leaves its gap as it is; (5, n, 2) mm.

    Parameters
    ----------
    points_mm : (n, 2), counter-clockwise; the lower blade comes after the leftmost point.
    edge_mm : (2,), of the lower and of the upper edge.
    """
    lower_mm, upper_mm = np.asarray(edge_mm)
    first, last = int(points_mm[:, 0].argmin()), int(points_mm[:, 0].argmax())
    left, right = points_mm[first], points_mm[last]
    # a slit's blades may both lie on one side of its chord, so their order tells them apart
    steps = (np.arange(len(points_mm)) - first) % len(points_mm)
    upper = steps > steps[last]
    along = (right - left) / np.linalg.norm(right - left)
    across = np.array([-along[1], along[0]])
    u = np.clip(2 * ((points_mm - left) @ along) / np.linalg.norm(right - left) - 1, -1.0, 1.0)
    hump = np.sqrt(1 - u**2)
    bow_mm = thresholds.edge_u_bow * np.hypot(lower_mm, upper_mm) / np.sqrt(2)
    return np.stack(
        [
            -np.outer(np.where(upper, 0.0, hump) * lower_mm, across),
            np.outer(np.where(upper, hump, 0.0) * upper_mm, across),
            -np.outer((1 - u) / 2 * corner_mm, along),
            np.outer((1 + u) / 2 * corner_mm, along),
            np.outer(hump * bow_mm, across),
        ]
    )
