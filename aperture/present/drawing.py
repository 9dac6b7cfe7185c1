"""What is drawn on the photo: the opening with its sizes on the notch laid flat, the markers on the whole."""

import math

import numpy as np

from aperture.card import geometry
from aperture.card.geometry import CARD
from aperture.errors import CardError
from aperture.measure import Measurement
from aperture.photo import Photo
from aperture.present.canvas import (
    BAD,
    ELLIPSE,
    INK,
    OUTLINE,
    SIZES,
    Floats,
    Pixels,
    Window,
    arrows,
    cased_line,
    label,
    line,
    rectify,
)
from aperture.present.report import quantity
from aperture.shape import Shape
from aperture.view.markers import Markers, find_markers
from aperture.view.view import View

NOTCH_MARGIN_MM = 0.9
# Paper in a dark photo is brightened up to this, so that a person sees as much as the program.
PAPER_LEVEL = 225.0
MOST_BRIGHTENING = 2.5
# How far the dimension lines stand off the opening.
HEIGHT_OFF_MM, WIDTH_OFF_MM, PAST_MM = 0.45, 0.9, 0.15
LABEL_PX, SMALL_PX = 30, 24


def notch_window(view: View, width_px: int) -> Window:
    """The whole notch with a little of the card around it."""
    notch, scale = CARD.notch, view.scale
    x_min, x_max = notch.x_min_mm * scale - NOTCH_MARGIN_MM, notch.x_max_mm * scale + NOTCH_MARGIN_MM
    y_min, y_max = notch.y_min_mm * scale - NOTCH_MARGIN_MM, notch.y_max_mm * scale + NOTCH_MARGIN_MM
    return Window(x_min, y_min, x_max, y_max, width_px / (x_max - x_min))


def flat_picture(photo: Photo, view: View, window: Window) -> Pixels:
    """The window's part of the photo, brightened where the photo is dark."""
    # sRGB, roughly: what `view.paper_level` is in the photo's own levels
    paper_srgb = 255.0 * max(view.paper_level, 1e-3) ** (1 / 2.2)
    gain = float(np.clip(PAPER_LEVEL / paper_srgb, 1.0, MOST_BRIGHTENING))
    flat = rectify(photo.colour(), view, window).astype(np.float32)
    return np.asarray(np.clip(np.rint(flat * gain), 0, 255), dtype=np.uint8)


def draw_opening(picture: Pixels, window: Window, measurement: Measurement, labels: bool = True) -> None:
    """Outline, ellipse, sizes and a scale bar on the flat picture."""
    numbers, outline = measurement.geometry, measurement.outline
    if numbers is None or outline is None:
        return
    line(picture, window.to_px(outline.points_mm), OUTLINE, 2, closed=True)
    line(picture, window.to_px(_ellipse_mm(numbers)), ELLIPSE, 2, closed=True, dash_px=11)
    _draw_height(picture, window, measurement, numbers, labels)
    _draw_width(picture, window, measurement, numbers, labels)
    # where a rolled reed leaves room
    draw_scale_bar(picture, window, on_the_right=numbers.width_angle_deg > 5.0)


def _ellipse_mm(numbers: Shape) -> Floats:
    """The ellipse of inertia as points (180, 2)."""
    around = np.linspace(0.0, 2.0 * np.pi, 180, endpoint=False)
    along = _direction(numbers.ellipse_angle_deg)
    across = np.array([-along[1], along[0]])
    return np.asarray(
        numbers.centroid_mm
        + np.cos(around)[:, None] * along * numbers.ellipse_major_mm / 2
        + np.sin(around)[:, None] * across * numbers.ellipse_minor_mm / 2
    )


def _direction(angle_deg: float) -> Floats:
    return np.array([math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))])


def _draw_height(
    picture: Pixels, window: Window, measurement: Measurement, numbers: Shape, labels: bool
) -> None:
    """Two parallel lines that would touch the opening, and their distance, right of the opening."""
    ends = np.array(numbers.height_ends_mm)
    across = _direction(numbers.height_angle_deg)
    along = np.array([across[1], -across[0]])  # to the right, as the angle lies between 0 and 180 degrees
    corner = np.array(numbers.width_ends_mm[1])
    beside = ends + ((corner - ends) @ along)[:, None] * along
    feet = beside + HEIGHT_OFF_MM * along
    for start, foot in zip(beside, feet, strict=True):
        cased_line(picture, window.to_px(np.array([start + 0.1 * along, foot + PAST_MM * along])))
    low, high = feet[np.argsort(feet @ across)]
    # Arrows from outside, because between the lines there may be no room.
    for tip, outward in ((low, -across), (high, across)):
        arrows(picture, *window.to_px(np.array([tip + 0.75 * outward, tip])))
    if labels:
        place = window.to_px((high + 0.95 * across)[None])[0]
        words = f"height {quantity(measurement, 'height_mm', 'mm')}"
        label(picture, words, (float(place[0]), float(place[1])), LABEL_PX, "mb")


def _draw_width(
    picture: Pixels, window: Window, measurement: Measurement, numbers: Shape, labels: bool
) -> None:
    """The distance between the two ends, below the opening."""
    left, right = (np.array(end) for end in numbers.width_ends_mm)
    along = (right - left) / np.hypot(*(right - left))
    down = np.array([along[1], -along[0]])
    # The words stay level, so a reed that is rolled needs more room.
    below = numbers.lower_blade_height_mm + WIDTH_OFF_MM + abs(along[1])
    feet = np.array([left, right]) + below * down
    for end, foot in zip((left, right), feet, strict=True):
        cased_line(picture, window.to_px(np.array([end + 0.1 * down, foot + PAST_MM * down])))
    start, end = window.to_px(feet)
    arrows(picture, start, end, both=True)
    if labels:
        words = f"width {quantity(measurement, 'width_mm', 'mm')}"
        middle = (start + end) / 2
        label(picture, words, (float(middle[0]), float(middle[1])), LABEL_PX)


def draw_scale_bar(picture: Pixels, window: Window, on_the_right: bool = False) -> None:
    """One millimetre, in a lower corner."""
    rows, columns = picture.shape[:2]
    length_px, y_px = window.px_per_mm, rows - 34.0
    left_px = columns - 150.0 - length_px if on_the_right else 34.0
    bar = np.array([[left_px, y_px], [left_px + length_px, y_px]])
    line(picture, bar, INK, 12)
    line(picture, bar, SIZES, 6)
    label(picture, "1 mm", (left_px + length_px + 24, y_px), SMALL_PX, "lm")


def draw_markers(picture: Pixels, measurement: Measurement, photo: Photo, factor: float) -> str:
    """Draw which markers were read, which are missing and where they should be; says so in words."""
    view = measurement.view
    try:
        markers = find_markers(photo.luma)
    except CardError:
        return "No marker of the card could be used."
    found = markers.face_corners_px
    used = set(view.marker_ids) if view is not None else set(found)
    face = geometry.face_of_marker(next(iter(found))) or "dry"
    missing = [marker_id for marker_id in geometry.face_marker_ids(face) if marker_id not in found]
    for marker_id, corners in found.items():
        corners_px = _reduced(corners, factor)
        kept = marker_id in used
        line(picture, corners_px, OUTLINE if kept else BAD, 4, closed=True, dash_px=None if kept else 6)
        _label_marker(picture, corners_px, "read" if kept else "not used")
    expected = _expected_corners(markers, view, missing)
    for corners in expected:
        corners_px = _reduced(corners, factor)
        line(picture, corners_px, ELLIPSE, 4, closed=True, dash_px=14)
        _label_marker(picture, corners_px, "missing")
    words = f"Markers: {len(used)} read (solid line)"
    if len(found) > len(used):
        words += f", {len(found) - len(used)} not used (dotted line), as they do not lie as on the card"
    if missing:
        words += f", {len(missing)} missing" + (" (dashed line: where to expect them)" if expected else "")
    return words + "."


def _reduced(points_px: Floats, factor: float) -> Floats:
    """Pixels of the photo to pixels of the reduced picture; integers are pixel centres in both."""
    return np.asarray((points_px + 0.5) * factor - 0.5)


def _label_marker(picture: Pixels, corners_px: Floats, words: str) -> None:
    middle = corners_px.mean(axis=0)
    rows, columns = picture.shape[:2]
    if 0 <= middle[0] < columns and 0 <= middle[1] < rows:
        label(picture, words, (float(middle[0]), float(middle[1])), SMALL_PX)


def _expected_corners(markers: Markers, view: View | None, missing: list[int]) -> list[Floats]:
    """Where the missing markers should be, (4, 2) px each; nothing where that cannot be told."""
    import cv2

    if view is not None:
        return [view.to_pixel(geometry.marker_corners_mm(i) * view.scale, 0.0) for i in missing]
    # Four corners of one marker fix a plane too, but far from it the guess is worth nothing.
    if len(markers.face_corners_px) < 2:
        return []
    drawn = np.concatenate([geometry.marker_corners_mm(i) for i in markers.face_corners_px])
    seen = np.concatenate(list(markers.face_corners_px.values()))
    homography, _ = cv2.findHomography(drawn, seen)
    if homography is None:
        return []
    return [cv2.perspectiveTransform(geometry.marker_corners_mm(i)[None], homography)[0] for i in missing]
