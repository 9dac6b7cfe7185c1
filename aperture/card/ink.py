"""Ink on paper: upright shapes in millimetres, and their exact picture in pixels.

The shapes' axes are those of what they are printed on: origin in the lower left corner, x right, y up.
A picture's pixel (0, 0) covers the square of 1 / px_per_mm in the upper left corner.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

# What is drawn takes numpy, what is only named does not: a list of reeds must not wait for it.
if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# The height of a capital over the size of the type: 1493 of 2048 units in both fonts of `font_path`.
CAPITAL_OVER_TYPE_SIZE = 1493 / 2048


@dataclass(frozen=True)
class Rectangle:
    """An upright rectangle on the card."""

    x_min_mm: float
    x_max_mm: float
    y_min_mm: float
    y_max_mm: float

    @property
    def width_mm(self) -> float:
        """From left to right."""
        return self.x_max_mm - self.x_min_mm

    @property
    def height_mm(self) -> float:
        """From bottom to top."""
        return self.y_max_mm - self.y_min_mm


@dataclass(frozen=True)
class PrintedEllipse:
    """A solid black ellipse with its long axis horizontal: a known size in every photo."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class Text:
    """A line of text, centred at `x_mm`, with its baseline and the height of its capitals."""

    words: str
    x_mm: float
    baseline_mm: float
    capital_mm: float
    bold: bool


def picture(
    width_mm: float,
    height_mm: float,
    px_per_mm: float,
    rectangles: Sequence[Rectangle],
    ellipses: Sequence[PrintedEllipse] = (),
    texts: Sequence[Text] = (),
) -> NDArray[np.float64]:
    """How much of each pixel is covered by ink: exact for rectangles and ellipses.

    Parameters
    ----------
    width_mm, height_mm : the area shown.
    px_per_mm : pixels in a millimetre, any positive number.
    rectangles, ellipses, texts : the ink; where two overlap, the sum is cut off at 1.

    Returns
    -------
    (rows, columns) float64 from 0 (paper) to 1 (ink). The last row or column may reach over the area's edge.
    """
    import numpy as np

    rows, columns = (_pixel_count(length_mm, px_per_mm) for length_mm in (height_mm, width_mm))
    ink = np.zeros((rows, columns))
    for rectangle in rectangles:
        _add_rectangle(ink, rectangle, height_mm, px_per_mm)
    for ellipse in ellipses:
        _add_ellipse(ink, ellipse, height_mm, px_per_mm)
    for text in texts:
        _add_text(ink, text, height_mm, px_per_mm)
    return np.clip(ink, 0.0, 1.0)


def font_path(bold: bool) -> Path:
    """The font of everything printed: one that comes with reportlab, so it is there on every machine."""
    import reportlab

    return Path(reportlab.__file__).parent / "fonts" / ("VeraBd.ttf" if bold else "Vera.ttf")


def _pixel_count(length_mm: float, px_per_mm: float) -> int:
    # A millionth of a pixel is rounding (85.6 * 10 is not quite 856), not another pixel.
    return math.ceil(length_mm * px_per_mm - 1e-6)


def _add_rectangle(ink: NDArray[np.float64], rectangle: Rectangle, top_mm: float, px_per_mm: float) -> None:
    """Adds the part of each pixel that an upright rectangle covers: the product of two overlaps."""
    import numpy as np

    overlaps = []
    for low_mm, high_mm, count in (
        (top_mm - rectangle.y_max_mm, top_mm - rectangle.y_min_mm, ink.shape[0]),
        (rectangle.x_min_mm, rectangle.x_max_mm, ink.shape[1]),
    ):
        edges = np.clip(np.arange(count + 1), low_mm * px_per_mm, high_mm * px_per_mm)
        overlaps.append(np.diff(edges))
    rows, columns = (np.flatnonzero(overlap) for overlap in overlaps)
    ink[np.ix_(rows, columns)] += np.outer(overlaps[0][rows], overlaps[1][columns])


def _add_ellipse(ink: NDArray[np.float64], ellipse: PrintedEllipse, top_mm: float, px_per_mm: float) -> None:
    """Adds the part of each pixel that an upright ellipse covers, in closed form.

    The pixels' edges are scaled so that the ellipse becomes the unit disc. The area of the disc between two
    columns and below a row edge is the integral of the row edge cut off at the disc's rim, which is the edge
    itself where it is inside of the disc and the rim's half-chord where it is not.
    """
    import numpy as np

    half_width_px = 0.5 * ellipse.width_mm * px_per_mm
    half_height_px = 0.5 * ellipse.height_mm * px_per_mm
    x = (np.arange(ink.shape[1] + 1) - ellipse.x_mm * px_per_mm) / half_width_px
    y = (np.arange(ink.shape[0] + 1) - (top_mm - ellipse.y_mm) * px_per_mm) / half_height_px
    x, y = np.clip(x, -1.0, 1.0)[None, :], np.clip(y, -1.0, 1.0)[:, None]

    def under_rim(at: NDArray[np.float64]) -> NDArray[np.float64]:
        return 0.5 * (at * np.sqrt(1.0 - at * at) + np.arcsin(at))

    half_chord = np.sqrt(1.0 - y * y)
    inside = np.clip(x, -half_chord, half_chord)
    below = y * inside + np.sign(y) * (under_rim(x) - under_rim(inside))
    ink += half_width_px * half_height_px * np.diff(np.diff(below, axis=0), axis=1)


def _add_text(ink: NDArray[np.float64], text: Text, top_mm: float, px_per_mm: float) -> None:
    """Adds a line of text; FreeType too fills a pixel by the area covered, but rounds outlines to 1/64 px."""
    import numpy as np
    from PIL import Image, ImageDraw, ImageFont

    size_px = text.capital_mm * px_per_mm / CAPITAL_OVER_TYPE_SIZE
    font = ImageFont.truetype(str(font_path(text.bold)), size_px)
    layer = Image.new("L", (ink.shape[1], ink.shape[0]))
    anchor_px = (text.x_mm * px_per_mm, (top_mm - text.baseline_mm) * px_per_mm)
    ImageDraw.Draw(layer).text(anchor_px, text.words, fill=255, font=font, anchor="ms")
    ink += np.asarray(layer) / 255.0
