"""An outline that a person corrected: checked, and measured by the code that measures the program's own."""

import json
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aperture.book.store.records import Entry, Reading
from aperture.budget.contributions import QUANTITIES
from aperture.errors import BookError
from aperture.present.canvas import Window
from aperture.settings import Settings
from aperture.shape import describe, quantities
from aperture.verdict import ONE_SIDED_95, classify, height_below

Floats = NDArray[np.float64]

MIN_POINTS, MAX_POINTS = 8, 400
# Between two points that a person set, the curve is drawn with so many, or with fewer if that would be more
# points than a curve needs.
STEPS, MOST_DRAWN = 12, 600
# How much closer the points to drag lie near the corners: 0, evenly along the curve; 1, as close there as
# points at equal angles round an ellipse. With 24 points the curve is then the ellipse's to 0.1 % of its
# area and ratio, and no two points cover each other.
CLOSER_AT_CORNERS = 0.8
# How far a point that a person sets lies from the edge, standard uncertainty in mm: two pixels of the
# enlarged picture. A working value.
CLICK_MM = 0.03
CLICK_TRIALS = 200
# Of a length, where the program could not say how well it knew the scale. A working value.
LEAST_SCALE = 0.01


def programs_own(entry: Entry) -> Reading:
    """The program's own latest reading of a photo."""
    return [reading for reading in entry.readings if reading.origin == "program"][-1]


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
    points = _parsed(text)
    if reading.tip_window is None:
        raise BookError("book-entry-wrong", "this photo has no picture of the tip")
    window = Window(*reading.tip_window)
    low, high = (window.x_min_mm, window.y_min_mm), (window.x_max_mm, window.y_max_mm)
    if not np.isfinite(points).all() or (points < low).any() or (points > high).any():
        raise BookError("book-entry-wrong", "the outline leaves the picture")
    if (np.hypot(*(np.roll(points, -1, axis=0) - points).T) == 0.0).any():
        raise BookError("book-entry-wrong", "two points of the outline lie on each other")
    if _crosses_itself(points) or _crosses_itself(smooth(points)):
        raise BookError("book-entry-wrong", "the outline crosses itself")
    return points


def sent_points(text: str) -> Floats | None:
    """The same, (n, 2) float64, whatever outline they make; None where they are no points of one."""
    try:
        points = _parsed(text)
    except BookError:
        return None
    return points if np.isfinite(points).all() else None


def _parsed(text: str) -> Floats:
    """Points (n, 2), neither too few nor too many."""
    try:
        points = np.array(json.loads(text), dtype=np.float64)
    except (ValueError, TypeError, OverflowError, RecursionError):
        raise BookError("book-entry-wrong", "the outline could not be read") from None
    if points.ndim != 2 or points.shape[1] != 2 or not MIN_POINTS <= len(points) <= MAX_POINTS:
        raise BookError("book-entry-wrong", f"an outline has {MIN_POINTS} to {MAX_POINTS} points")
    return points


def smooth(points: Floats) -> Floats:
    """The closed curve through points that a person set: (n, 2) to (m, 2), `STEPS` for each.

    A periodic cubic spline over the length of the chords; sharp corners are rounded a little.
    """
    from scipy.interpolate import CubicSpline

    closed = np.vstack([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.maximum(np.hypot(*np.diff(closed, axis=0).T), 1e-9))])
    curve = CubicSpline(along, closed, bc_type="periodic")
    steps = max(2, min(STEPS, MOST_DRAWN // len(points)))
    fine = np.concatenate([np.linspace(a, b, steps, endpoint=False) for a, b in pairwise(along)])
    return np.asarray(curve(fine), dtype=np.float64)


def measured_by_hand(points: Floats, reading: Reading, settings: Settings) -> dict[str, Any]:
    """The record of a corrected outline, with the keys of the JSON output.

    Two variances are added (JCGM 100, 5.1.2). One is the program's own for this photo, or where it has none,
    that of the scale, generously: 1 % of a length. It holds what the program doubted of the edge, too, so
    that the sum is rather too large than too small. The other is that of the person's hand: the points are
    moved at random, each by `CLICK_MM` in x and in y, and the numbers computed again (JCGM 101; fixed seed).

    Parameters
    ----------
    points : (n, 2) float64, card mm.
    reading : the program's own, of the same photo.
    settings : those of that reading.

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
    old, k = reading.record, settings.uncertainty.coverage_factor
    values = np.array([getattr(numbers, name) for name in QUANTITIES])
    own = np.array([1.0, 1.0, 2.0, 0.0]) * values * max(reading.printed_scale_relative, LEAST_SCALE)
    if old["u"]:
        expanded = dict(old["u"])
        if (below_mm := old.get("height_below_mm")) is not None:
            # It was the height and so many standard uncertainties, of which it is all at most.
            expanded["height_mm"] = reading.coverage_factor * below_mm / ONE_SIDED_95
        own = np.array([expanded[name] for name in QUANTITIES]) / reading.coverage_factor
    covariance = _covariance_of_clicks(points) + np.diag(own**2)
    verdict = classify(
        numbers.height_mm, numbers.ellipse_ratio, covariance[np.ix_([0, 3], [0, 3])], settings.limits, k
    )
    flags = [code for code in old["flags"] if code in _KEPT]
    u = dict(zip(QUANTITIES, np.sqrt(np.diag(covariance)).tolist(), strict=True))
    below_mm = height_below(verdict, numbers.height_mm, u["height_mm"], k * u["height_mm"])
    return {
        **old,
        "outcome": "measured",
        "reason": None,
        "advice": None,
        **{name: getattr(numbers, name) for name in NUMBERS},
        **({"height_mm": None} if below_mm is not None else {}),
        "height_below_mm": below_mm,
        "correction": None,  # it is of what the program reads, and this is what a person drew
        **reading.scale.record(),  # which a photo that the program refused does not have
        "u": {name: k * u[name] for name in QUANTITIES if below_mm is None or name != "height_mm"},
        "shape": verdict.shape,
        "shape_probabilities": dict(verdict.shape_probabilities),
        "borderline": verdict.borderline,
        "review": False,
        "flags": [*flags, *verdict.flags],
    }


def _covariance_of_clicks(points: Floats) -> Floats:
    """How the four quantities scatter if every point is set again, (4, 4)."""
    rng = np.random.default_rng(1)
    drawn = []
    for _ in range(CLICK_TRIALS):
        try:
            drawn.append(quantities(smooth(points + rng.normal(0.0, CLICK_MM, points.shape))))
        except ValueError:  # a slit that is thinner than a hand can point
            continue
    if len(drawn) < CLICK_TRIALS // 2:
        raise BookError("book-entry-wrong", "the outline is too thin to be measured by hand")
    return np.asarray(np.cov(np.array(drawn).T))


NUMBERS = (
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
    """Points of an outline for a person to drag: its two corners, and others that lie closer near those."""
    points = np.asarray(outline_mm, dtype=np.float64)
    if len(points) <= count:
        return [[float(x), float(y)] for x, y in points.round(4)]
    corners = (int(points[:, 0].argmin()), int(points[:, 0].argmax()))
    rolled = np.roll(points, -corners[0], axis=0)
    split = (corners[1] - corners[0]) % len(points)
    chosen = [
        _spread(rolled[: split + 1], count // 2),
        _spread(np.vstack([rolled[split:], rolled[:1]]), count // 2),
    ]
    return [[float(x), float(y)] for x, y in np.vstack(chosen).round(4)]


def first_guess(tip_window: Sequence[float], count: int = 24) -> list[list[float]]:
    """Points to begin with where the program found no outline: an ellipse in the middle of the picture."""
    window = Window(*tip_window)
    middle = ((window.x_min_mm + window.x_max_mm) / 2, (window.y_min_mm + window.y_max_mm) / 2)
    turns = np.linspace(np.pi, 3 * np.pi, count, endpoint=False)
    points = np.column_stack([3.4 * np.cos(turns), 0.6 * np.sin(turns)]) + middle
    return [[float(x), float(y)] for x, y in points.round(4)]


def _spread(curve: Floats, count: int) -> Floats:
    """Points of a curve, (count, 2), from its first one to before its last one, closer near both."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(curve, axis=0).T))])
    turns = np.linspace(0.0, 1.0, count, endpoint=False)
    closer = (1.0 - np.cos(np.pi * turns)) / 2.0
    wanted = along[-1] * ((1.0 - CLOSER_AT_CORNERS) * turns + CLOSER_AT_CORNERS * closer)
    return np.column_stack([np.interp(wanted, along, curve[:, axis]) for axis in (0, 1)])


def _crosses_itself(points: Floats) -> bool:
    """Whether two sides of a closed polygon (n, 2) cross. Sides on one line do not.

    Source: two sides cross if the ends of each lie on either side of the other.
    """
    start, end = points, np.roll(points, -1, axis=0)
    along = end - start
    # [i, j]: on which side of side i the ends of side j lie
    first, last = (
        along[:, None, 0] * (other[None, :, 1] - start[:, None, 1])
        - along[:, None, 1] * (other[None, :, 0] - start[:, None, 0])
        for other in (start, end)
    )
    parted = first * last < 0.0
    return bool((parted & parted.T).any())


def overridden(record: Mapping[str, Any], shape: str, reason: str) -> dict[str, Any]:
    """The same numbers with the class that a person gave them, and why."""
    return {**record, "shape": shape, "review": False, "reason": reason}
