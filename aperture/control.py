"""The check in every photo: the card's printed ellipses of known size, measured through the same camera and
light.

A blur moves light about but loses none, so the light that is missing along a line across a dark shape tells
its thickness whatever the blur: the integral of (paper - light) over (paper - ink). Averaged over the middle
of an ellipse, whose proportions are known, that is its height.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from aperture.card.geometry import CARD
from aperture.card.ink import PrintedEllipse
from aperture.photo import Photo
from aperture.view.region import region_around
from aperture.view.view import View

Floats = NDArray[np.float64]

ELLIPSE_MARGIN_MM = 0.8  # of paper above and below an ellipse that is looked at
MIDDLE_SHARE = 0.5  # of the width, whose columns count
COLUMNS, STEP_MM = 41, 0.02
LEAST_PAPER, MOST_INK = (
    0.3,
    0.7,
)  # of the paper at the markers; beside the paper: what is no paper, and no print


def measure_controls(photo: Photo, view: View) -> tuple[float | None, ...]:
    """Measured minus true height of each printed ellipse, mm, in the card's order.

    None stands for an ellipse that cannot be measured. The true height is that of the artwork times the
    print's scale, so that ink spread shows in it too.
    """
    on_card = replace(view, tip_offset_mm=0.0)
    ink = view.ink_level / view.paper_level  # beside the paper, measured on the markers
    return tuple(
        _deviation(_profiles(photo, on_card, ellipse), ellipse, view.scale, ink)
        for ellipse in CARD.control_ellipses
    )


def _across(ellipse: PrintedEllipse, scale: float) -> Floats:
    """Places from the middle of an ellipse upwards, mm, (m,)."""
    reach = ellipse.height_mm / 2 * scale + ELLIPSE_MARGIN_MM
    return STEP_MM * np.arange(-round(reach / STEP_MM), round(reach / STEP_MM) + 1, dtype=np.float64)


def _profiles(photo: Photo, view: View, ellipse: PrintedEllipse) -> Floats:
    """Linear light, paper = 1, on columns across the middle of an ellipse; (columns, m)."""
    x = np.linspace(-0.5, 0.5, COLUMNS) * MIDDLE_SHARE * ellipse.width_mm * view.scale
    y = _across(ellipse, view.scale)
    middle = np.array([ellipse.x_mm, ellipse.y_mm]) * view.scale
    points = middle + np.stack(np.broadcast_arrays(x[:, None], y[None, :]), axis=-1)
    return region_around(photo.luma, view, points.reshape(-1, 2)).sample(points)


def _deviation(light: Floats, ellipse: PrintedEllipse, scale: float, ink: float) -> float | None:
    """Measured minus true height, mm, from the light on columns (columns, m) across the ellipse.

    `ink` : its light beside that of the paper around it.
    """
    y = _across(ellipse, scale)
    ends = max(3, round(0.4 * ELLIPSE_MARGIN_MM / STEP_MM))
    below, above = light[:, :ends].mean(axis=1), light[:, -ends:].mean(axis=1)
    share = (y - y[ends // 2]) / (y[-1 - ends // 2] - y[ends // 2])
    paper = below[:, None] + (above - below)[:, None] * share
    in_the_middle = paper[:, len(y) // 2]  # the median, too, of what rises or falls evenly
    darkest = float(np.median(light.min(axis=1) / in_the_middle))
    if not (float(np.median(paper)) > LEAST_PAPER and darkest < MOST_INK):
        return None
    thickness = ((paper - light) / (paper * (1 - ink))).sum(axis=1) * STEP_MM
    place = np.linspace(-0.5, 0.5, COLUMNS) * MIDDLE_SHARE
    height = float(np.median(thickness / np.sqrt(1 - (2 * place) ** 2)))
    if not height > 0.2 * ellipse.height_mm * scale:
        return None
    return height - ellipse.height_mm * scale
