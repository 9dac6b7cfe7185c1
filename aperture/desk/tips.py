"""A tip for a page: its kept picture, with the outline and the ellipse that are drawn over it."""

import math
from dataclasses import dataclass

from aperture.book.records import Reading
from aperture.canvas import Window

# The part of the tip's plane that is shown: every tip at the same scale. Tips are 6 to 8 mm wide (common
# practice, no published source).
SHOWN_MM = (10.4, 6.0)


@dataclass(frozen=True)
class TipView:
    """What is drawn of one photo, in millimetres with y down from the picture's upper left corner.

    `picture` is the picture's address; its size in mm is `width_mm` x `height_mm`. `view_box` is the part
    that is shown, equally large for all tips. `outline` are its points, "x,y x,y …"; empty without one.
    `ellipse` is (centre x, centre y, half width, half height, turn in degrees, clockwise as seen), of the
    ellipse of inertia; None without an outline.
    """

    picture: str
    width_mm: float
    height_mm: float
    view_box: str
    outline: str
    ellipse: tuple[float, float, float, float, float] | None


def tip_view(reading: Reading) -> TipView | None:
    """What is drawn of a reading's tip; None where no tip was kept."""
    if reading.tip is None or reading.tip_window is None:
        return None
    window = Window(*reading.tip_window)
    points = [(x - window.x_min_mm, window.y_max_mm - y) for x, y in reading.outline_mm or []]
    # The picture has whole pixels: its size is theirs, not quite the window's.
    width_mm, height_mm = (size_px / window.px_per_mm for size_px in window.size_px)
    middle = _middle(points) if points else (width_mm / 2, height_mm / 2)
    corner = f"{middle[0] - SHOWN_MM[0] / 2:.3f} {middle[1] - SHOWN_MM[1] / 2:.3f}"
    return TipView(
        picture=f"/picture/{reading.tip}",
        width_mm=round(width_mm, 4),
        height_mm=round(height_mm, 4),
        view_box=f"{corner} {SHOWN_MM[0]} {SHOWN_MM[1]}",
        outline=" ".join(f"{x:.3f},{y:.3f}" for x, y in points),
        ellipse=_ellipse(points) if len(points) > 2 else None,
    )


def _middle(points: list[tuple[float, float]]) -> tuple[float, float]:
    """The middle of the box around them."""
    xs, ys = zip(*points, strict=True)
    return (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2


def _ellipse(points: list[tuple[float, float]]) -> tuple[float, float, float, float, float]:
    """The ellipse with the same second moments as the polygon.

    Source: moments of a polygon by Green's theorem (Steger 1996); half axes 2 sqrt(eigenvalue) of the second
    central moments divided by the area, as for `Shape`.
    """
    area = sx = sy = sxx = syy = sxy = 0.0
    x0, y0 = points[0]  # near the origin less is lost to rounding
    moved = [(x - x0, y - y0) for x, y in points]
    for (ax, ay), (bx, by) in zip(moved, [*moved[1:], moved[0]], strict=True):
        cross = ax * by - bx * ay
        area += cross / 2
        sx += cross * (ax + bx) / 6
        sy += cross * (ay + by) / 6
        sxx += cross * (ax * ax + ax * bx + bx * bx) / 12
        syy += cross * (ay * ay + ay * by + by * by) / 12
        sxy += cross * (2 * ax * ay + ax * by + bx * ay + 2 * bx * by) / 24
    if area == 0.0:
        return x0, y0, 0.0, 0.0, 0.0
    cx, cy = sx / area, sy / area
    xx, yy, xy = sxx / area - cx * cx, syy / area - cy * cy, sxy / area - cx * cy
    spread = math.hypot((xx - yy) / 2, xy)
    large, small = (xx + yy) / 2 + spread, max((xx + yy) / 2 - spread, 0.0)
    turn = math.degrees(math.atan2(2 * xy, xx - yy)) / 2
    return (
        round(cx + x0, 4),
        round(cy + y0, 4),
        round(2 * math.sqrt(large), 4),
        round(2 * math.sqrt(small), 4),
        round(turn, 3),
    )
