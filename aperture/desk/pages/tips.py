"""A tip for a page: its kept picture, with the outline and the ellipse that are drawn over it."""

from dataclasses import dataclass

import numpy as np

from aperture.book.store.records import Reading
from aperture.present.canvas import Window
from aperture.shape import inertia_ellipse

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


def _ellipse(points: list[tuple[float, float]]) -> tuple[float, float, float, float, float] | None:
    """The ellipse of inertia; None where the outline encloses nothing."""
    try:
        (x, y), major, minor, turn = inertia_ellipse(np.array(points))
    except ValueError:
        return None
    return round(x, 4), round(y, 4), round(major / 2, 4), round(minor / 2, 4), round(turn, 3)
