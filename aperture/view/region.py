"""A part of a photo in linear light, and where its millimetres are: what is measured in travels as one."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from aperture.view.camera import Floats
from aperture.view.edges import Patch, bounds, decode
from aperture.view.sharpening import unsharpened
from aperture.view.view import View


@dataclass(frozen=True)
class Region:
    """Linear light in a part of the photo, to be asked in card millimetres in the plane of the tip.

    `patch` : its pixels without the phone's sharpening, in units of the card's paper: 1 is as bright as the
    paper at the markers. `view` : where its millimetres are, and how sharp it is.
    """

    patch: Patch
    view: View

    def sample(self, points_mm: Floats) -> Floats:
        """Light at points (..., 2), card mm, between the pixels by cubic spline; (...) float64."""
        return self.patch.sample(self.view.to_pixel(points_mm))

    def sample_cubic(self, points_mm: Floats) -> NDArray[np.float32]:
        """Light at points (rows, columns, 2), card mm, by OpenCV's cubic kernel: quicker, and sharper."""
        return self.patch.sample_cubic(self.view.to_pixel(points_mm))


def region_around(luma: NDArray[np.uint8], view: View, points_mm: Floats) -> Region:
    """The part of a photo (rows, columns) that holds the points (n, 2), card mm in the plane of the tip."""
    rows, columns = bounds(view.to_pixel(points_mm), luma.shape)
    stored = unsharpened(luma[rows, columns], view.sharpening)
    light = np.asarray(decode(stored) / view.paper_level, np.float32)
    return Region(Patch(light, columns.start, rows.start), view)
