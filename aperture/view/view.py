"""Photo -> View: where the card is in the photo, and so where every millimetre is.

Markers are searched on a reduced picture and only named there; where they lie is measured afresh at full
size, along the sides of their black borders, and one camera is fitted to all sides of all markers. That keeps
a detector's own corner bias (0.2 to 0.9 % of a marker, depending on the refinement) out of the millimetre,
and the card's spread of markers cancels what is symmetric about each marker.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from aperture.card import geometry
from aperture.card.geometry import CARD, Face
from aperture.errors import CardError
from aperture.photo import Photo
from aperture.settings import Settings
from aperture.view.camera import FULL_FRAME_DIAGONAL_MM, Camera, Fit, Floats, Prior, fit_camera, start_camera
from aperture.view.edges import Patch, Steps, fit_steps, patch_around
from aperture.view.markers import Markers, find_markers, ransac_inliers
from aperture.view.sharpening import (
    EdgeSpreadFunction,
    Sharpening,
    edge_spread,
    fit_sharpening,
    mean_profile,
)

FEWEST_MARKERS = 4
SIDE_STATIONS = 12  # places along a marker's side where its edge is located
# Places along a side, profiles averaged at each, samples of them a pixel, and moves of a fitted step: in the
# first pass, which need only tell to about a pixel where the sides are, and in the second.
FIRST_PASS, SECOND_PASS = (4, 1, 1, 5), (SIDE_STATIONS, 5, 2, 12)
# How far (px) sides may lie from where the camera has them as each pass begins: at first it rests on corners
# that were seen in a reduced picture. Guessed too small, the fit takes twice as many steps.
FIRST_NOISE_PX, SECOND_NOISE_PX = 1.0, 0.1
# Linear light of paper below which noise and rounding rule; least contrast of print against paper; and how
# far marker sides may lie from where they belong (rms, mm) before the card counts as bent. Working values.
DARKEST_WHITE, MIN_CARD_CONTRAST = 0.03, 0.02
BENT_MM, BENT_BADLY_MM = 0.010, 0.05
REACH_MM = 1.1  # to either side of an edge; the black border is 1.6 mm wide, the white margin more


@dataclass(frozen=True)
class View:
    """Where the card is, how the camera stood, how sharp the picture is there.

    `tip_offset_mm` is the plane (in front of the card's face) that pixels are taken to lie in. `px_per_mm` is
    what a millimetre at the tip, square to the camera's axis, covers; `tilt_deg` the angle between that axis
    and the card's normal; `distance_mm` that from the lens to the tip. `blur_px` is the standard deviation of
    the blur along the card's x and y axes. `paper_level` and `ink_level` are the linear light of paper and
    ink. `side_residual_px` is the rms, over the markers' sides, of the mean distance between where a side is
    and where the fitted camera puts it.
    """

    camera: Camera
    covariance: Floats
    face: Face
    reeds: tuple[int, ...]
    marker_ids: tuple[int, ...]
    scale: float
    tip_offset_mm: float
    px_per_mm: float
    distance_mm: float
    tilt_deg: float
    blur_px: tuple[float, float]
    sharpening: Sharpening
    paper_level: float
    ink_level: float
    side_residual_px: float
    flags: tuple[str, ...]

    def to_pixel(self, points_mm: Floats, offset_mm: float | None = None) -> Floats:
        """Card millimetres (real, not as drawn) in the plane of the tip to pixels; (..., 2)."""
        return self.camera.to_pixel(points_mm, self.tip_offset_mm if offset_mm is None else offset_mm)

    def to_mm(self, points_px: Floats, offset_mm: float | None = None) -> Floats:
        """Pixels to card millimetres in the plane of the tip; (n, 2) to (n, 2)."""
        return self.camera.to_mm(points_px, self.tip_offset_mm if offset_mm is None else offset_mm)

    @property
    def blur_across_mm(self) -> float:
        """The blur across the opening, in millimetres: along the card's y axis, for the reed lies level."""
        return self.blur_px[1] / self.px_per_mm

    @property
    def blur_mm(self) -> float:
        """The larger of the two blurs, in millimetres on the card."""
        return max(self.blur_px) / self.px_per_mm


def _prior(photo: Photo) -> Prior:
    """What EXIF says of the camera, and how far it can be trusted.

    The equivalent focal length is a whole number of millimetres and phones stretch it by correcting
    distortion: 4 % is from comparing such numbers with calibrations (from memory, no source). Without EXIF
    the main camera of a phone is likely, 26 mm within a third. Whether the number includes digital zoom
    differs from phone to phone (from memory, no source), so with zoom it lies between the two.
    """
    rows, columns = photo.luma.shape
    diagonal = float(np.hypot(rows, columns))
    whole = photo.provenance == "camera"
    if photo.focal_length_35mm and whole:
        equivalent_mm, doubt = photo.focal_length_35mm, 0.04
    else:
        equivalent_mm, doubt = photo.focal_length_35mm or 26.0, 0.33
    zoom = max(1.0, photo.digital_zoom)
    return Prior(
        focal_px=equivalent_mm * float(np.sqrt(zoom)) / FULL_FRAME_DIAGONAL_MM * diagonal,
        focal_relative_u=float(np.hypot(doubt, np.log(zoom) / 2)),
        principal_px=np.array([(columns - 1) / 2, (rows - 1) / 2]),
        principal_u_px=(0.01 if whole else 0.15) * diagonal,
    )


@dataclass(frozen=True)
class _Sides:
    """Points on the sides of the markers as drawn: (n, 2) mm, outward (n, 2), number of the side (n,).

    `spacing_mm` is how far apart they are on a side.
    """

    points_mm: Floats
    outward_mm: Floats
    number: NDArray[np.intp]
    level: NDArray[np.bool_]
    spacing_mm: float


@lru_cache
def _sides(marker_ids: tuple[int, ...], scale: float, stations: int) -> _Sides:
    """Of these markers; kept, for all photos of a print have them in common."""
    outward = np.array([[0.0, 1.0], [1.0, 0.0], [0.0, -1.0], [-1.0, 0.0]])  # top, right, bottom, left
    used = 0.88  # of a side: the corners themselves are rounded by the blur
    places = 0.5 + used * ((np.arange(stations) + 0.5) / stations - 0.5)
    points, normals, numbers = [], [], []
    for index, marker_id in enumerate(marker_ids):
        corners = geometry.marker_corners_mm(marker_id) * scale
        for side in range(4):
            a, b = corners[side], corners[(side + 1) % 4]
            points.append(a + places[:, None] * (b - a))
            normals.append(np.broadcast_to(outward[side], (stations, 2)))
            numbers.append(np.full(stations, 4 * index + side))
    number = np.concatenate(numbers)
    spacing_mm = CARD.markers.side_mm * used / stations
    return _Sides(np.concatenate(points), np.concatenate(normals), number, number % 2 == 0, spacing_mm)


@dataclass(frozen=True)
class _Profiles:
    """Linear light across the sides: `axis_px` (m,), `light` (n, m), foot points and directions (n, 2)."""

    sides: _Sides
    axis_px: Floats
    light: Floats
    base_px: Floats
    across_px: Floats
    px_per_mm: Floats


def _around_marker(luma: NDArray[np.uint8], camera: Camera, corners_mm: Floats) -> Patch:
    """The patch of the photo that holds a marker, and what is looked at outside of its sides."""
    middle = corners_mm.mean(axis=0)
    reach = 1.0 + 2 * REACH_MM / np.ptp(corners_mm, axis=0)
    return patch_around(luma, camera.to_pixel(middle + (corners_mm - middle) * reach), margin_px=12)


def _profiles(
    patches: list[Patch], camera: Camera, sides: _Sides, neighbours: int, samples_a_px: int
) -> _Profiles:
    """Brightness along lines across the sides of the markers, each the mean of so many neighbours."""

    def one_mm(direction_mm: Floats) -> Floats:
        ahead = camera.to_pixel(sides.points_mm + 0.5 * direction_mm)
        return ahead - camera.to_pixel(sides.points_mm - 0.5 * direction_mm)

    # at a slant, what is square on the card is not so in the photo: along the side, and square to it, as seen
    along = one_mm(sides.outward_mm @ np.array([[0.0, 1.0], [-1.0, 0.0]]))
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    across = along @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    px_per_mm = np.sum(one_mm(sides.outward_mm) * across, axis=1)
    base = camera.to_pixel(sides.points_mm + camera.ink_mm * sides.outward_mm)
    reach_px = REACH_MM * float(np.median(px_per_mm))
    axis = np.linspace(-reach_px, reach_px, 2 * max(8, round(samples_a_px * reach_px)) + 1)
    aside = (np.arange(neighbours) - (neighbours - 1) / 2) * sides.spacing_mm / neighbours
    aside_px = aside[:, None] * px_per_mm[:, None, None]
    light = np.empty((len(base), len(axis)))
    for marker, patch in enumerate(patches):
        here = sides.number // 4 == marker
        points = np.empty((2, np.count_nonzero(here), neighbours, len(axis)))
        for xy in (0, 1):
            start, by_axis, by_aside = (each[here, xy, None, None] for each in (base, across, along))
            np.add(start + aside_px[here] * by_aside, axis * by_axis, out=points[xy])
        light[here] = patch.sample(np.moveaxis(points, 0, -1)).mean(axis=1)
    return _Profiles(sides, axis, light, base, across, px_per_mm)


def _sharpness(
    luma: NDArray[np.uint8], profiles: _Profiles, steps: Steps, usable: NDArray[np.bool_]
) -> Sharpening:
    """The phone's sharpening, and the lens blur across upright and level sides."""
    sides = profiles.sides
    seen = profiles.base_px + steps.position[:, None] * profiles.across_px
    reach_px = float(profiles.axis_px[-1])
    upright: list[EdgeSpreadFunction] = []
    level: list[EdgeSpreadFunction] = []
    for side in np.unique(sides.number[usable]):
        here = usable & (sides.number == side)
        if here.sum() > SIDE_STATIONS / 2:
            spread = edge_spread(luma, seen[here], profiles.across_px[here].mean(axis=0), reach_px)
            (level if sides.level[here][0] else upright).append(spread)
    both = np.array([mean_profile(edges) for edges in (upright or level, level or upright)])
    return fit_sharpening((upright or level)[0].axis_px, both[:, 0], both[:, 1])


def locate_card(photo: Photo, settings: Settings) -> View:
    """Find the card and fit the camera.

    Raises
    ------
    CardError : the card is missing, cut off, too dark, too far, too steep, too blurred, or bent so much that
        its millimetres cannot be trusted; the code says which.
    """
    scale = geometry.printed_scale(settings.ruler_mm)
    markers = find_markers(photo.luma)
    corners = ransac_inliers(markers)
    ids = sorted(corners)
    size = (photo.luma.shape[1], photo.luma.shape[0])
    if len(ids) < FEWEST_MARKERS <= len(markers.face_corners_px):
        detail = f"only {len(ids)} of {len(markers.face_corners_px)} markers lie together as printed"
        raise CardError("card-bent-badly", detail)
    if len(ids) < FEWEST_MARKERS:
        _raise_for_few(corners, size)
    prior = _prior(photo)
    drawn = np.concatenate([geometry.marker_corners_mm(i) for i in ids]) * scale
    seen = np.concatenate([corners[i] for i in ids])
    camera = start_camera(drawn, seen, prior, size)
    fit, profiles, steps, usable = _fit_to_sides(photo.luma, camera, prior, ids, scale)
    sharpening = _sharpness(photo.luma, profiles, steps, usable)
    view = _view(photo, settings, scale, markers, ids, fit, steps, usable, profiles.sides, sharpening)
    return _check(view, settings, size)


def _fit_to_sides(
    luma: NDArray[np.uint8], camera: Camera, prior: Prior, ids: list[int], scale: float
) -> tuple[Fit, _Profiles, Steps, NDArray[np.bool_]]:
    """Fit the camera to the markers' sides, in two passes: with what was seen across them at last, and which
    of that counts.

    Raises
    ------
    CardError : "too-blurred", too few of the sides can be located.
    """
    patches = [_around_marker(luma, camera, geometry.marker_corners_mm(i) * scale) for i in ids]
    sigma_px = 1.0
    for (stations, *sampling, moves), noise_px in (
        (FIRST_PASS, FIRST_NOISE_PX),
        (SECOND_PASS, SECOND_NOISE_PX),
    ):
        sides = _sides(tuple(ids), scale, stations)
        profiles = _profiles(patches, camera, sides, *sampling)
        steps = fit_steps(profiles.axis_px, profiles.light, sigma_px, moves)
        sigma_px = float(np.median(steps.sigma))
        seen = profiles.base_px + steps.position[:, None] * profiles.across_px
        contrast = steps.after - steps.before
        usable = (
            (contrast > 0.5 * np.median(contrast))
            & (np.abs(steps.position) < 0.9 * REACH_MM * profiles.px_per_mm)
            & (steps.residual < 0.15 * np.median(contrast))
        )
        if usable.sum() < 0.5 * len(usable):
            break
        fit = fit_camera(
            camera,
            prior,
            sides.points_mm[usable],
            sides.outward_mm[usable],
            seen[usable],
            profiles.across_px[usable],
            sides.number[usable],
            noise_px,
        )
        camera = fit.camera
    if usable.sum() < 0.5 * len(usable):
        raise CardError("too-blurred", "the markers' edges cannot be located")
    return fit, profiles, steps, usable


def _raise_for_few(corners: dict[int, Floats], size: tuple[int, int]) -> None:
    """Say why there are too few markers: outside of the picture, or hidden."""
    detail = f"{len(corners)} of {len(CARD.markers.centres_mm)} markers"
    if not corners:
        raise CardError("no-card")
    drawn = np.concatenate([geometry.marker_corners_mm(i) for i in corners])
    seen = np.concatenate([corners[i] for i in corners])
    import cv2

    homography, _ = cv2.findHomography(drawn, seen)
    outline = np.array(
        [[[0, 0], [CARD.width_mm, 0], [CARD.width_mm, CARD.height_mm], [0, CARD.height_mm]]], float
    )
    if homography is not None and _outside(cv2.perspectiveTransform(outline, homography)[0], size, 0.0):
        raise CardError("card-cut-off", detail)
    raise CardError("too-few-markers", detail)


def _outside(points_px: Floats, size: tuple[int, int], margin_px: float) -> bool:
    low, high = -margin_px, np.array(size) - 1 + margin_px
    return bool(np.any(points_px < low) or np.any(points_px > high))


def _view(
    photo: Photo,
    settings: Settings,
    scale: float,
    markers: Markers,
    ids: list[int],
    fit: Fit,
    steps: Steps,
    usable: NDArray[np.bool_],
    sides: _Sides,
    sharpening: Sharpening,
) -> View:
    camera = fit.camera
    tip = np.array(CARD.tip_mm) * scale
    offset = settings.tip_offset_mm
    to_eye = camera.camera_centre_mm() - np.array([*tip, offset])
    depth = float((camera.rotation() @ np.array([*tip, offset]) + camera.translation_mm)[2])
    points_a_side = np.bincount(sides.number[usable])
    side_sums = np.bincount(sides.number[usable], fit.residuals_px)
    side_means = side_sums[points_a_side > 0] / points_a_side[points_a_side > 0]
    flags = []
    if len(ids) < len(CARD.markers.centres_mm):
        flags.append("marker-missing")
    if len(ids) < len(markers.face_corners_px):
        # read, but far from where the others put it; a row of four alone could not show a bend
        flags.append("card-bent")
    if photo.provenance != "camera":
        flags.append("photo-changed")
    return View(
        camera=camera,
        covariance=fit.covariance,
        face=geometry.face_of_marker(ids[0]) or "dry",
        reeds=markers.reeds,
        marker_ids=tuple(ids),
        scale=scale,
        tip_offset_mm=offset,
        px_per_mm=camera.focal_px / depth,
        distance_mm=float(np.linalg.norm(to_eye)),
        tilt_deg=float(np.degrees(np.arccos(np.clip(-camera.rotation()[2, 2], -1, 1)))),
        blur_px=(sharpening.blur_px[0], sharpening.blur_px[1]),
        sharpening=sharpening,
        paper_level=float(np.median(steps.after[usable])),
        ink_level=float(np.median(steps.before[usable])),
        side_residual_px=float(np.sqrt(np.mean(np.square(side_means)))),
        flags=tuple(flags),
    )


def _check(view: View, settings: Settings, size: tuple[int, int]) -> View:
    """Refuse what cannot be trusted, and flag what a person should look at."""
    limits = settings.photo
    outer_px = view.camera.to_pixel(
        np.concatenate([geometry.marker_corners_mm(i) for i in geometry.face_marker_ids(view.face)])
        * view.scale
    )
    if _outside(outer_px, size, 0.0):
        raise CardError("card-cut-off")
    if view.px_per_mm < limits.min_px_per_mm:
        raise CardError("too-far", f"{view.px_per_mm:.1f} pixels per mm")
    if view.paper_level < DARKEST_WHITE:
        raise CardError("too-dark", f"the paper is at {view.paper_level:.1%} of full brightness")
    if view.paper_level - view.ink_level < MIN_CARD_CONTRAST:
        raise CardError("overexposed")
    if view.tilt_deg > limits.tilt_refuse_deg:
        raise CardError("too-steep", f"tilted by {view.tilt_deg:.0f} degrees")
    if view.blur_mm > limits.blur_refuse_mm:
        raise CardError("too-blurred", f"blurred over {2.35 * view.blur_mm:.2f} mm")
    bend_mm = view.side_residual_px / view.px_per_mm
    if bend_mm > BENT_BADLY_MM:
        raise CardError("card-bent-badly", f"markers lie {bend_mm:.2f} mm from where they belong")
    flags = list(view.flags)
    if bend_mm > BENT_MM and "card-bent" not in flags:
        flags.append("card-bent")
    if view.tilt_deg > limits.tilt_review_deg:
        flags.append("steep")
    if view.blur_mm > limits.blur_review_mm:
        flags.append("blurred")
    return replace(view, flags=tuple(flags))
