"""An outline that a person corrected: checked, and measured by the code that measures the program's own."""

import json
import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aperture.book.records import Reading
from aperture.canvas import Window
from aperture.errors import BookError
from aperture.settings import Settings
from aperture.shape import describe
from aperture.verdict import classify

Floats = NDArray[np.float64]

FEWEST, MOST = 8, 400
# Between two points that a person set, the curve is drawn with so many.
STEPS = 12
# How far a point that a person sets lies from the edge, standard uncertainty in mm: two pixels of the
# enlarged picture. A working value.
CLICK_MM = 0.03
DRAWS = 200
QUANTITIES = ("height_mm", "width_mm", "area_mm2", "ellipse_ratio")


def corrected_outline(text: str, reading: Reading) -> Floats:
    """The points that came from the page.

    Parameters
    ----------
    text : JSON, a list of [x, y] in card mm.
    reading : the one that was corrected.

    Returns
    -------
    (n, 2) float64.

    Raises
    ------
    BookError : they are no simple outline within the picture.
    """
    try:
        points = np.array(json.loads(text), dtype=np.float64)
    except (ValueError, TypeError, OverflowError, RecursionError):
        raise BookError("book-entry-wrong", "the outline could not be read") from None
    if points.ndim != 2 or points.shape[1] != 2 or not FEWEST <= len(points) <= MOST:
        raise BookError("book-entry-wrong", f"an outline has {FEWEST} to {MOST} points")
    if reading.tip_window is None:
        raise BookError("book-entry-wrong", "this photo has no picture of the tip")
    window = Window(*reading.tip_window)
    low, high = (window.x_min_mm, window.y_min_mm), (window.x_max_mm, window.y_max_mm)
    if not np.isfinite(points).all() or (points < low).any() or (points > high).any():
        raise BookError("book-entry-wrong", "the outline leaves the picture")
    if _crosses_itself(points):
        raise BookError("book-entry-wrong", "the outline crosses itself")
    return points


def smooth(points: Floats) -> Floats:
    """The closed curve through points that a person set: (n, 2) to (`STEPS` n, 2).

    A periodic cubic spline over the length of the chords; sharp corners are rounded a little.
    """
    from scipy.interpolate import CubicSpline

    closed = np.vstack([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.maximum(np.hypot(*np.diff(closed, axis=0).T), 1e-9))])
    curve = CubicSpline(along, closed, bc_type="periodic")
    fine = np.concatenate([np.linspace(a, b, STEPS, endpoint=False) for a, b in pairwise(along)])
    return np.asarray(curve(fine), dtype=np.float64)


def measured_by_hand(points: Floats, reading: Reading, settings: Settings) -> dict[str, Any]:
    """The record of a corrected outline, with the keys of the JSON output.

    Its uncertainty is the program's own for this photo, or where that has none that of the printed scale,
    with the person's clicking added (JCGM 101: the points are moved at random, each by `CLICK_MM`, and what
    that does to the numbers is counted; fixed seed).

    Raises
    ------
    BookError : the outline encloses nothing.
    """
    try:
        numbers = describe(smooth(points))
    except ValueError as error:
        raise BookError(
            "book-entry-wrong", f"the outline encloses nothing that can be measured: {error}"
        ) from None
    rng = np.random.default_rng(1)
    drawn = []
    for _ in range(DRAWS):
        try:
            moved = describe(smooth(points + rng.normal(0.0, CLICK_MM, points.shape)))
        except ValueError:  # a slit that is thinner than a hand can point
            continue
        drawn.append([getattr(moved, name) for name in QUANTITIES])
    if len(drawn) < DRAWS // 2:
        raise BookError("book-entry-wrong", "the outline is too thin to be measured by hand")
    old, k = reading.record, settings.uncertainty.coverage_factor
    known = old["u"] or {}
    values = np.array([getattr(numbers, name) for name in QUANTITIES])
    scale = np.array([1.0, 1.0, 2.0, 0.0]) * values * max(reading.printed_scale_relative, 0.01)
    own = np.array(
        [
            known[name] / reading.coverage_factor if name in known else s
            for name, s in zip(QUANTITIES, scale, strict=True)
        ]
    )
    clicks = np.cov(np.array(drawn).T)
    covariance = clicks + np.diag(own**2)
    verdict = classify(
        numbers.height_mm, numbers.ellipse_ratio, covariance[np.ix_([0, 3], [0, 3])], settings.limits, k
    )
    flags = [code for code in old["flags"] if code in _KEPT]
    return {
        **old,
        "outcome": "measured",
        "reason": None,
        "advice": None,
        **{name: getattr(numbers, name) for name in _NUMBERS},
        "u": dict(zip(QUANTITIES, (k * np.sqrt(np.diag(covariance))).tolist(), strict=True)),
        "shape": verdict.shape,
        "shape_probabilities": dict(verdict.shape_probabilities),
        "borderline": verdict.borderline,
        "review": False,
        "flags": [*flags, *verdict.flags],
    }


_NUMBERS = (
    *QUANTITIES,
    "ellipse_major_mm",
    "ellipse_minor_mm",
    "shape_factor",
    "asymmetry",
    "fitted_major_mm",
    "fitted_minor_mm",
    "fitted_residual_mm",
)
# What stays true of a photo whoever draws the outline.
_KEPT = frozenset({"photo-changed", "marker-missing", "card-bent", "steep", "blurred"})


def handles(outline_mm: Sequence[Sequence[float]], count: int = 24) -> list[list[float]]:
    """Points of an outline for a person to drag: evenly spaced along it, its corners among them."""
    points = np.asarray(outline_mm, dtype=np.float64)
    if len(points) <= count:
        return [[float(x), float(y)] for x, y in points.round(4)]
    corners = (int(points[:, 0].argmin()), int(points[:, 0].argmax()))
    rolled = np.roll(points, -corners[0], axis=0)
    split = (corners[1] - corners[0]) % len(points)
    chosen = [
        _evenly(rolled[: split + 1], count // 2),
        _evenly(np.vstack([rolled[split:], rolled[:1]]), count // 2),
    ]
    return [[float(x), float(y)] for x, y in np.vstack(chosen).round(4)]


def first_guess(tip_window: Sequence[float], count: int = 24) -> list[list[float]]:
    """Points to begin with where the program found no outline: an ellipse in the middle of the picture."""
    window = Window(*tip_window)
    middle = ((window.x_min_mm + window.x_max_mm) / 2, (window.y_min_mm + window.y_max_mm) / 2)
    turns = np.linspace(np.pi, 3 * np.pi, count, endpoint=False)
    points = np.column_stack([3.4 * np.cos(turns), 0.6 * np.sin(turns)]) + middle
    return [[float(x), float(y)] for x, y in points.round(4)]


def _evenly(curve: Floats, count: int) -> Floats:
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(curve, axis=0).T))])
    wanted = np.linspace(0.0, along[-1], count, endpoint=False)
    return np.column_stack([np.interp(wanted, along, curve[:, axis]) for axis in (0, 1)])


def _crosses_itself(points: Floats) -> bool:
    """Whether two sides that are not neighbours meet, or two points are the same."""
    n = len(points)
    sides = [(points[i], points[(i + 1) % n]) for i in range(n)]
    for i in range(n):
        if math.dist(*sides[i]) == 0.0:
            return True
        for j in range(i + 2, n):
            if (i == 0 and j == n - 1) or not _meet(*sides[i], *sides[j]):
                continue
            return True
    return False


def _meet(a: Floats, b: Floats, c: Floats, d: Floats) -> bool:
    def turn(p: Floats, q: Floats, r: Floats) -> float:
        return float((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    return turn(a, b, c) * turn(a, b, d) <= 0.0 and turn(c, d, a) * turn(c, d, b) <= 0.0


def overridden(record: Mapping[str, Any], shape: str, reason: str) -> dict[str, Any]:
    """The same numbers with the class that a person gave them, and why."""
    return {**record, "shape": shape, "review": False, "reason": reason}
