"""Outline -> Shape: the numbers of an opening, from its polygon in millimetres. No pixels, no photo.

Terms follow ISO 9276-6 (Feret diameters, Legendre ellipse of inertia, ellipse ratio). Coordinates are the
card's: x to the right, y up. Angles are counterclockwise from x.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Point = tuple[float, float]

# The boundary fit sees equally spaced points, so that it does not depend on where the vertices lie.
FIT_POINTS = 400


@dataclass(frozen=True)
class FittedEllipse:
    """An ellipse laid through points: full axes, and the rms distance of the points from it."""

    centre_mm: Point
    major_mm: float
    minor_mm: float
    angle_deg: float
    residual_mm: float


@dataclass(frozen=True)
class Shape:
    """What can be said about an opening from its outline.

    Width and height are the largest and the smallest Feret diameter (the distance between two parallel
    lines that just touch the outline); the ends are where they touch. The `ellipse_...` values belong to
    the Legendre ellipse of inertia, which has the same second moments as the opening; the `fitted_...`
    values to an ellipse laid through the boundary. On a lens neither has the axes `width` and `height`,
    so all three pairs are kept. Blade heights are the largest distances above and below the chord that
    joins the two ends of the width; `asymmetry` is (area above - area below) / area, from -1 to 1.
    """

    area_mm2: float
    centroid_mm: Point
    width_mm: float
    width_angle_deg: float  # -90 to 90
    width_ends_mm: tuple[Point, Point]
    height_mm: float
    height_angle_deg: float  # 0 to 180
    height_ends_mm: tuple[Point, Point]
    ellipse_major_mm: float
    ellipse_minor_mm: float
    ellipse_angle_deg: float  # -90 to 90
    ellipse_ratio: float
    fitted_major_mm: float
    fitted_minor_mm: float
    fitted_residual_mm: float
    shape_factor: float
    asymmetry: float
    upper_blade_height_mm: float
    lower_blade_height_mm: float


def describe(points_mm: Floats) -> Shape:
    """Describe a closed polygon.

    Parameters
    ----------
    points_mm : (N, 2) float64, the vertices in order, either way round; the last joins the first.

    Raises
    ------
    ValueError : fewer than 3 points, not finite, no area, or crossing itself so badly that there is no
        ellipse.

    Sources: ISO 9276-6 for the terms; Halir & Flusser 1998 for the boundary fit.
    """
    points = _checked(points_mm)
    each_area, centroid, covariance = _moments(points)
    area = float(each_area)
    major, minor, ellipse_angle = _inertia_ellipse(covariance)
    height_ends, width_ends = _feret_diameters(_convex_hull(points))
    width, height = _length(width_ends), _length(height_ends)
    fitted = fit_ellipse_direct(_equally_spaced(points, FIT_POINTS))
    points_right = width_ends[1][0] >= width_ends[0][0]
    left, right = width_ends if points_right else width_ends[::-1]
    area_above, area_below, highest, lowest = _sides_of_chord(points, left, right)
    return Shape(
        area_mm2=area,
        centroid_mm=_point(centroid),
        width_mm=width,
        width_angle_deg=_half_turn(_angle_deg(right - left)),
        width_ends_mm=(_point(left), _point(right)),
        height_mm=height,
        height_angle_deg=90.0 + _half_turn(_angle_deg(height_ends[1] - height_ends[0]) - 90.0),
        height_ends_mm=(_point(height_ends[0]), _point(height_ends[1])),
        ellipse_major_mm=major,
        ellipse_minor_mm=minor,
        ellipse_angle_deg=ellipse_angle,
        ellipse_ratio=minor / major,
        fitted_major_mm=fitted.major_mm,
        fitted_minor_mm=fitted.minor_mm,
        fitted_residual_mm=fitted.residual_mm,
        shape_factor=area / (width * height),
        asymmetry=(area_above - area_below) / area,
        upper_blade_height_mm=highest,
        lower_blade_height_mm=lowest,
    )


def quantities(points_mm: Floats) -> Floats:
    """Height, width, area and ellipse ratio of polygons, fast: what the uncertainty budget varies.

    Parameters
    ----------
    points_mm : (N, 2) float64, the vertices in order, the last joins the first; or k such outlines (k, N, 2).

    Returns
    -------
    (4,) or (k, 4) float64: height (mm), width (mm), area (mm²), ellipse ratio; the same numbers as `describe`
    gives.

    Raises
    ------
    ValueError : as `describe`, if one of them is no outline.
    """
    outlines = points_mm if np.ndim(points_mm) == 3 else _checked(points_mm)[None]
    if not np.isfinite(outlines).all():
        raise ValueError("an outline has a point that is not a finite number")
    areas, _, covariances = _moments(outlines)
    minor, major = _inertia_axes(covariances)[0].T
    feret = [[_length(ends) for ends in _feret_diameters(_convex_hull(each))] for each in outlines]
    found = np.column_stack([feret, areas, minor / major])
    return found if np.ndim(points_mm) == 3 else found[0]


def inertia_ellipse(points_mm: Floats) -> tuple[Point, float, float, float]:
    """A polygon's Legendre ellipse of inertia: centre, major and minor axis (full), direction in degrees.

    Parameters and what is raised: as for `describe`. Source: ISO 9276-6.
    """
    _, centroid, covariance = _moments(_checked(points_mm))
    return _point(centroid), *_inertia_ellipse(covariance)


def fit_ellipse_direct(points_mm: Floats) -> FittedEllipse:
    """Lay an ellipse through points by direct (algebraic) least squares.

    An algebraic fit, not a geometric one: on part of an ellipse, or on noisy points, it comes out too small.

    Parameters
    ----------
    points_mm : (N, 2) float64, at least 5 points.

    Raises
    ------
    ValueError : the points determine no ellipse.

    Source: Halir & Flusser, Numerically stable direct least squares fitting of ellipses, WSCG 1998, as in
    scikit-image.
    """
    from skimage.measure import EllipseModel

    middle = points_mm.mean(axis=0)
    scale = float(np.abs(points_mm - middle).max())
    if len(points_mm) < 5 or scale == 0.0:
        raise ValueError("an ellipse needs at least 5 different points")
    # Near the origin and about 1 in size, so that the fourth powers inside keep their digits.
    # A circle has no direction: scikit-image divides by zero for it.
    with np.errstate(divide="ignore", invalid="ignore"):
        model = EllipseModel.from_estimate((points_mm - middle) / scale)  # type: ignore[no-untyped-call]
    if not model:
        raise ValueError("no ellipse fits the outline")
    centre = np.asarray(model.center) * scale + middle
    major, minor = (float(length) * scale for length in model.axis_lengths)  # half axes, the longer first
    turn = model.theta if np.isfinite(model.theta) else 0.0
    along = np.array([np.cos(turn), np.sin(turn)])
    distances = _distance_to_ellipse(_along_and_across(points_mm - centre, along), major, minor)
    residual = float(np.sqrt(np.mean(distances**2)))
    angle_deg = _half_turn(_angle_deg(along))
    return FittedEllipse(_point(centre), 2.0 * major, 2.0 * minor, angle_deg, residual)


def _moments(points_mm: Floats) -> tuple[Floats, Floats, Floats]:
    """Area (...), centroid (..., 2) and second central moments divided by the area (..., 2, 2), exact.

    `points_mm` : polygons (..., N, 2). Source: Green's theorem, edge by edge (Steger, On the calculation of
    moments of polygons, 1996).
    """
    # Near the origin first: far from it the sums below would be differences of large numbers.
    middle = points_mm.mean(axis=-2)
    # x and y apart, each in a row: that is twice as quick
    x, y = np.ascontiguousarray(np.moveaxis(points_mm - middle[..., None, :], -1, 0))
    x_next, y_next = _following(x), _following(y)
    cross = x * y_next - x_next * y
    signed_area = cross.sum(axis=-1) / 2.0
    if np.any(np.abs(signed_area) <= 1e-12 * np.maximum(np.ptp(x, axis=-1), np.ptp(y, axis=-1)) ** 2):
        raise ValueError("the outline encloses no area")
    # Dividing by the signed area takes the direction of the outline out.
    weights = cross / (24.0 * signed_area[..., None])
    x_sum, y_sum = x + x_next, y + y_next
    along, across = 4.0 * (x_sum * weights).sum(axis=-1), 4.0 * (y_sum * weights).sum(axis=-1)
    xx = 2.0 * ((x * x_sum + x_next * x_next) * weights).sum(axis=-1) - along * along
    yy = 2.0 * ((y * y_sum + y_next * y_next) * weights).sum(axis=-1) - across * across
    xy = ((x * (y_sum + y) + x_next * (y_sum + y_next)) * weights).sum(axis=-1) - along * across
    covariance = np.stack([np.stack([xx, xy], axis=-1), np.stack([xy, yy], axis=-1)], axis=-1)
    return np.abs(signed_area), np.stack([along, across], axis=-1) + middle, covariance


def _inertia_axes(covariance_mm2: Floats) -> tuple[Floats, Floats]:
    """Minor and major axis (full) of Legendre ellipses of inertia (..., 2), and their directions (..., 2, 2).

    Source: axis = 4 sqrt(second central moment / area) along each principal direction (ISO 9276-6).
    """
    values, vectors = np.linalg.eigh(covariance_mm2)
    if np.any(values <= 0.0):
        raise ValueError("the outline has no ellipse of inertia; does it cross itself?")
    return 4.0 * np.sqrt(values), vectors


def _inertia_ellipse(covariance_mm2: Floats) -> tuple[float, float, float]:
    """Major and minor axis (full) and direction of the Legendre ellipse of inertia of one polygon."""
    (minor, major), vectors = _inertia_axes(covariance_mm2)
    return float(major), float(minor), _half_turn(_angle_deg(vectors[:, 1]))


def _distance_to_ellipse(points_mm: Floats, semi_major_mm: float, semi_minor_mm: float) -> Floats:
    """Shortest distances, (N,), of points to an ellipse at the origin with its major axis along x.

    Source: the foot of the perpendicular is (a² x/(t+a²), b² y/(t+b²)) with one t > -b² that puts it on the
    ellipse; found by bisection (Eberly, Distance from a point to an ellipse, 2013). The search that
    scikit-image's residuals start ends at a wrong foot on thin slits (0.095 for 0.076 mm on 7 x 0.2 mm).
    """
    a2, b2 = semi_major_mm**2, semi_minor_mm**2
    x = np.abs(points_mm[:, 0])
    y = np.maximum(np.abs(points_mm[:, 1]), 1e-12 * semi_minor_mm)  # on the axis itself t would be -b²
    low = -b2 + semi_minor_mm * y
    high = -b2 + np.hypot(semi_major_mm * x, semi_minor_mm * y)
    ax, by = semi_major_mm * x, semi_minor_mm * y
    for _ in range(45):  # which leave a part of 3e-14 of the way between the two
        t = (low + high) / 2.0
        outside = (ax / (t + a2)) ** 2 + (by / (t + b2)) ** 2 > 1.0
        low, high = np.where(outside, t, low), np.where(outside, high, t)
    distances: Floats = np.hypot(x - a2 * x / (high + a2), y - b2 * y / (high + b2))
    return distances


def _equally_spaced(points_mm: Floats, count: int) -> Floats:
    """Points at equal distances along a closed polygon, from its first vertex on: (N, 2) -> (count, 2)."""
    closed = np.vstack([points_mm, points_mm[:1]])
    travelled = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    stops = np.linspace(0.0, travelled[-1], count, endpoint=False)
    return np.column_stack([np.interp(stops, travelled, closed[:, axis]) for axis in (0, 1)])


def _checked(points_mm: Floats) -> Floats:
    points = np.asarray(points_mm, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"an outline is an array of (x, y) points, not of shape {points.shape}")
    if not np.isfinite(points).all():
        raise ValueError("the outline has a point that is not a finite number")
    if len(points) > 1 and (points[0] == points[-1]).all():
        points = points[:-1]
    if len(points) < 3:
        raise ValueError(f"an outline needs at least 3 points, not {len(points)}")
    return points


def _convex_hull(points: Floats) -> Floats:
    """Corners of the convex hull, counterclockwise, (M, 2)."""
    import cv2

    # Single precision decides which are corners: a corner may be missed by a ten-millionth of the size.
    near = (points - points[0]).astype(np.float32)
    corners: Floats = points[cv2.convexHull(near, clockwise=False, returnPoints=False).ravel()]
    if len(corners) < 3:
        raise ValueError("the outline is a line")
    return corners


def _feret_diameters(hull: Floats) -> tuple[Floats, Floats]:
    """The smallest and the largest one, each by its two ends, (2, 2).

    The narrowest pair of touching lines always has one line along an edge of the hull, and the two corners
    farthest apart are an end of an edge and the corner opposite to it; so trying every edge is exact
    (rotating calipers: Shamos, Computational geometry, 1978). The smallest ends at the foot on that edge.
    """
    x, y = np.ascontiguousarray(hull.T)
    along_x, along_y = _following(x) - x, _following(y) - y
    directions = np.arctan2(along_y, along_x)
    # behind a jump by a whole turn all are brought back, as NumPy's `unwrap` does in four times the time
    turns = np.rint((directions[1:] - directions[:-1]) / (2 * np.pi))
    directions[1:] -= 2 * np.pi * np.cumsum(turns)
    # farthest from an edge lies the corner at which the way round turns back
    twice_round = np.concatenate([directions, directions + 2 * np.pi])
    opposite = np.searchsorted(twice_round, directions + np.pi) % len(hull)
    away_x, away_y = x[opposite] - x, y[opposite] - y
    across = (along_x * away_y - along_y * away_x) / np.hypot(along_x, along_y)
    narrow = int(across.argmin())
    inward = np.array([-along_y[narrow], along_x[narrow]]) / np.hypot(along_x[narrow], along_y[narrow])
    touched = hull[opposite[narrow]]
    # from the first end of each edge, then from the second one
    squared = np.stack([away_x**2 + away_y**2, (away_x - along_x) ** 2 + (away_y - along_y) ** 2])
    second, wide = divmod(int(squared.argmax()), len(hull))
    far = hull[(wide + second) % len(hull)], hull[opposite[wide]]
    return np.array([touched - across[narrow] * inward, touched]), np.array(far)


def _following(points: Floats) -> Floats:
    """To x or y (..., N) of each point of closed polygons that of the next one."""
    return np.concatenate([points[..., 1:], points[..., :1]], axis=-1)


def _sides_of_chord(points: Floats, left: Floats, right: Floats) -> tuple[float, float, float, float]:
    """Areas above and below the line from left to right, and the largest distances above and below it."""
    along = (right - left) / np.hypot(*(right - left))
    s, t = _along_and_across(points - left, along).T
    s_step, t_next = np.roll(s, -1) - s, np.roll(t, -1)
    sides = []
    for a, b in ((t, t_next), (-t, -t_next)):
        # Area between each edge and the line, counting only the part of the edge on this side.
        positive = np.maximum(a, 0.0) + np.maximum(b, 0.0)
        crossing = a * b < 0.0
        share = np.where(crossing, positive / np.where(crossing, np.abs(a - b), 1.0), 1.0)
        sides.append(abs(float((s_step * positive * share).sum()) / 2.0))
    return sides[0], sides[1], max(float(t.max()), 0.0), max(float(-t.min()), 0.0)


def _along_and_across(offsets: Floats, along: Floats) -> Floats:
    """(N, 2) offsets in the axes of the unit vector `along` and of its left-hand normal."""
    return np.column_stack([offsets @ along, offsets @ np.array([-along[1], along[0]])])


def _length(ends: Floats) -> float:
    return float(np.hypot(*(ends[1] - ends[0])))


def _point(xy: Floats) -> Point:
    return float(xy[0]), float(xy[1])


def _angle_deg(direction: Floats) -> float:
    return float(np.rad2deg(np.arctan2(direction[1], direction[0])))


def _half_turn(angle_deg: float) -> float:
    """The same line's direction between -90 and 90 degrees."""
    return 90.0 - (90.0 - angle_deg) % 180.0
