"""The check in every photo: the card's printed ellipses of known size, through the measuring code itself."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from aperture.card.geometry import CARD
from aperture.card.ink import PrintedEllipse
from aperture.opening.appearance import Assumed
from aperture.opening.blades import Blades, between
from aperture.opening.fitting import explain
from aperture.photo import Photo
from aperture.shape import quantities
from aperture.view.view import View

Floats = NDArray[np.float64]

# Around print there is no rim but paper without end, and no inner wall.
PRINT = Assumed(rim_mm=50.0, reach_mm=0.15, rim_spread=0.01, taper=0.0, taper_spread=0.01)


def measure_controls(photo: Photo, view: View) -> tuple[float | None, ...]:
    """Measured minus true height of each printed ellipse, mm, in the card's order.

    None stands for an ellipse that cannot be measured. The true height is that of the artwork times the
    print's scale, so that ink spread shows in it too.
    """
    on_card = replace(view, tip_offset_mm=0.0)
    return tuple(_deviation(photo, on_card, ellipse) for ellipse in CARD.control_ellipses)


def _deviation(photo: Photo, view: View, ellipse: PrintedEllipse) -> float | None:
    start = _drawn(ellipse, view.scale)
    reach = np.array([ellipse.width_mm / 2 + 1.0, ellipse.height_mm / 2 + 1.0]) * view.scale
    patch = view.patch(photo.luma, np.stack([start.origin_mm - reach, start.origin_mm + reach]))
    found = explain(patch, view, start, PRINT, rounds=(8,))
    if not np.median(found.rim) > 2 * np.median(found.bore):
        return None
    try:
        height = float(quantities(found.blades.polygon())[0])
    except ValueError:
        return None
    return height - ellipse.height_mm * view.scale


def _drawn(ellipse: PrintedEllipse, scale: float) -> Blades:
    """The ellipse as it was drawn, as blades: q = 1/2 and nothing else."""
    blade = np.array([0.5, ellipse.height_mm / 2 * scale, 0.0, 0.0, 0.0, 0.0])
    middle = np.array([ellipse.x_mm, ellipse.y_mm]) * scale
    half = np.array([ellipse.width_mm / 2 * scale, 0.0])
    return between(middle - half, middle + half, np.concatenate([blade, blade]))
