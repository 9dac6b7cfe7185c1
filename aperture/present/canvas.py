"""A sheet to draw results on: text, lines and colours; and the photo laid flat on the plane of the tip."""

import io
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from aperture.card.ink import font_path
from aperture.view.view import View

Floats = NDArray[np.float64]
Pixels = NDArray[np.uint8]
Colour = tuple[int, int, int]

PAPER: Colour = (250, 249, 246)
INK: Colour = (33, 43, 51)
QUIET: Colour = (98, 109, 117)
FRAME: Colour = (206, 208, 205)
OUTLINE: Colour = (28, 190, 222)
ELLIPSE: Colour = (235, 84, 160)
SIZES: Colour = (255, 255, 255)
GOOD: Colour = (32, 104, 96)
LOOK: Colour = (150, 92, 10)
BAD: Colour = (148, 48, 56)

_SUBPIXEL_BITS = 4
_HEAD_PX = 18.0
_KNOT_MM = 0.2
JPEG_QUALITY = 90


class Sheet:
    """A picture of fixed width that grows downwards as things are put on it."""

    def __init__(self, width_px: int, margin_px: int) -> None:
        self.width_px, self.margin_px = width_px, margin_px
        self.y_px = margin_px
        self._image = Image.new("RGB", (width_px, 400), PAPER)

    @property
    def inner_width_px(self) -> int:
        """Between the margins."""
        return self.width_px - 2 * self.margin_px

    def text(
        self,
        words: str,
        size_px: int,
        colour: Colour = INK,
        bold: bool = False,
        x_px: int | None = None,
        width_px: int | None = None,
    ) -> None:
        """Add a paragraph below everything that is there, wrapped to `width_px`."""
        x_px = self.margin_px if x_px is None else x_px
        width_px = width_px or self.width_px - self.margin_px - x_px
        font = load_font(bold, size_px)
        leading_px = round(1.4 * size_px)
        for line in wrapped(words, font, width_px):
            self._reserve(leading_px)
            ImageDraw.Draw(self._image).text((x_px, self.y_px), line, colour, font)
            self.y_px += leading_px

    def badge(self, words: str, size_px: int, colour: Colour) -> None:
        """A word on a coloured plate in the upper right corner."""
        font = load_font(True, size_px)
        padding_px = size_px // 2
        right_px, top_px = self.width_px - self.margin_px, self.margin_px
        draw = ImageDraw.Draw(self._image)
        left_px = right_px - font.getlength(words) - 2 * padding_px
        box = (left_px, top_px, right_px, top_px + round(1.9 * size_px))
        draw.rounded_rectangle(box, size_px // 3, fill=colour)
        draw.text((left_px + padding_px, (box[1] + box[3]) / 2), words, PAPER, font, anchor="lm")

    def picture(self, pixels: Pixels, x_px: int | None = None, advance: bool = True) -> None:
        """Add a picture (rows, columns, 3) in a thin frame; the next stands beside it unless `advance`."""
        rows, columns = pixels.shape[:2]
        x_px = self.margin_px if x_px is None else x_px
        self._reserve(rows)
        self._image.paste(Image.fromarray(pixels), (x_px, self.y_px))
        frame = (x_px, self.y_px, x_px + columns - 1, self.y_px + rows - 1)
        ImageDraw.Draw(self._image).rectangle(frame, outline=FRAME)
        if advance:
            self.y_px += rows

    def space(self, height_px: int) -> None:
        """Leave some room."""
        self._reserve(height_px)
        self.y_px += height_px

    def jpeg(self) -> bytes:
        """The finished sheet as a JPEG file."""
        finished = self._image.crop((0, 0, self.width_px, self.y_px + self.margin_px))
        buffer = io.BytesIO()
        finished.save(buffer, "JPEG", quality=JPEG_QUALITY, subsampling=0)
        return buffer.getvalue()

    def _reserve(self, height_px: int) -> None:
        needed_px = self.y_px + height_px + self.margin_px
        if needed_px > self._image.height:
            larger = Image.new("RGB", (self.width_px, needed_px + 400), PAPER)
            larger.paste(self._image)
            self._image = larger


@dataclass(frozen=True)
class Window:
    """A part of the tip's plane: its lower left and upper right corner in card mm, and its enlargement."""

    x_min_mm: float
    y_min_mm: float
    x_max_mm: float
    y_max_mm: float
    px_per_mm: float

    @property
    def size_px(self) -> tuple[int, int]:
        """Columns and rows."""
        columns = round((self.x_max_mm - self.x_min_mm) * self.px_per_mm)
        return columns, round((self.y_max_mm - self.y_min_mm) * self.px_per_mm)

    def to_px(self, points_mm: Floats) -> Floats:
        """Card millimetres (n, 2) to pixels of the window (n, 2); integers are pixel centres."""
        points_mm = np.asarray(points_mm, dtype=np.float64)
        away_mm = np.column_stack([points_mm[:, 0] - self.x_min_mm, self.y_max_mm - points_mm[:, 1]])
        return np.asarray(away_mm * self.px_per_mm - 0.5)

    def to_mm(self, points_px: Floats) -> Floats:
        """Pixels of the window (n, 2) to card millimetres (n, 2)."""
        away_mm = (points_px + 0.5) / self.px_per_mm
        return np.column_stack([self.x_min_mm + away_mm[:, 0], self.y_max_mm - away_mm[:, 1]])


def places_in_photo(view: View, window: Window) -> Floats:
    """Where each pixel of the window lies in the photo; (rows, columns, 2) px.

    Between knots the places are interpolated: a lens and a slant bend them by far less than a hundredth of a
    pixel there, and to compute them all takes as long as to find the opening.
    """
    import cv2

    step = max(int(_KNOT_MM * window.px_per_mm), 1)
    # One knot in the middle of each square of pixels, and a row of them around, for nothing is known outside.
    knots = [(np.arange(-1, -(-size // step) + 1) + 0.5) * step - 0.5 for size in window.size_px]
    x, y = np.meshgrid(*knots)
    known_px = view.to_pixel(window.to_mm(np.column_stack([x.ravel(), y.ravel()]))).reshape(*x.shape, 2)
    places_px = cv2.resize(known_px, None, fx=step, fy=step, interpolation=cv2.INTER_LINEAR)
    columns, rows = window.size_px
    return np.asarray(places_px[step:, step:][:rows, :columns])


def rectify(colour: Pixels, view: View, window: Window) -> Pixels:
    """The photo as the window shows it: seen square on, in the plane of the tip.

    Parameters
    ----------
    colour : (rows, columns, 3) uint8, the whole photo.

    Returns
    -------
    (rows, columns, 3) uint8; white where the photo ends.
    """
    import cv2

    columns, rows = window.size_px
    # Each of the two by itself: the extremes of pairs take NumPy a quarter of the time that measuring takes.
    x_px, y_px = cv2.split(places_in_photo(view, window))
    # cv2.remap reaches 32767 pixels only, which is fewer than a large photo may have
    low = np.maximum(np.floor([x_px.min(), y_px.min()]).astype(int) - 4, 0)
    high = np.maximum(np.ceil([x_px.max(), y_px.max()]).astype(int) + 5, low + 1)
    part = np.ascontiguousarray(colour[low[1] : high[1], low[0] : high[0]])
    if part.size == 0:
        return np.full((rows, columns, 3), 255, np.uint8)
    map_x, map_y = ((px - first).astype(np.float32) for px, first in zip((x_px, y_px), low, strict=True))
    flat = cv2.remap(
        part, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=(255, 255, 255)
    )
    return np.asarray(flat, dtype=np.uint8)


def line(
    picture: Pixels,
    points_px: Floats,
    colour: Colour,
    thickness_px: int = 2,
    closed: bool = False,
    dash_px: float | None = None,
) -> None:
    """Draw a line through points (n, 2) into a picture, anti-aliased, to a sixteenth of a pixel."""
    import cv2

    points_px = np.asarray(points_px, dtype=np.float64)
    if closed:
        points_px = np.vstack([points_px, points_px[:1]])
    pieces = [points_px] if dash_px is None else _dashes(points_px, dash_px)
    whole = [np.rint(piece * 2**_SUBPIXEL_BITS).astype(np.int32) for piece in pieces]
    cv2.polylines(picture, whole, False, colour, thickness_px, cv2.LINE_AA, _SUBPIXEL_BITS)


def cased_line(picture: Pixels, points_px: Floats) -> None:
    """A thin white line on a wider dark one, seen on light and on dark ground."""
    line(picture, points_px, INK, 4)
    line(picture, points_px, SIZES, 1)


def arrows(picture: Pixels, start_px: Floats, tip_px: Floats, both: bool = False) -> None:
    """A white line with a dark edge and an arrow head at `tip_px`, or at both ends; points (2,)."""
    import cv2

    length_px = max(float(np.hypot(*(tip_px - start_px))), 1e-9)
    along = (tip_px - start_px) / length_px
    across = np.array([-along[1], along[0]])
    heads = [(tip_px, along)] + ([(start_px, -along)] if both else [])
    for colour, grown_px in ((INK, 2.0), (SIZES, 0.0)):
        inside = _HEAD_PX * along
        shaft = np.array([start_px + inside if both else start_px, tip_px - inside])
        line(picture, shaft, colour, 2 + round(2 * grown_px))
        for nose, forward in heads:
            base = nose - (_HEAD_PX + grown_px) * forward
            wing = (0.32 * _HEAD_PX + grown_px) * across
            head = np.array([nose + 2.0 * grown_px * forward, base + wing, base - wing])
            whole = np.rint(head * 2**_SUBPIXEL_BITS).astype(np.int32)
            cv2.fillConvexPoly(picture, whole, colour, cv2.LINE_AA, _SUBPIXEL_BITS)


def label(
    picture: Pixels,
    words: str,
    place_px: tuple[float, float],
    size_px: int,
    anchor: Literal["la", "lm", "mm", "mb"] = "mm",
    bold: bool = True,
) -> None:
    """Words on a dark plate, readable on whatever lies below, kept inside the picture.

    `anchor` says which point of the words `place_px` is: left, middle or right, then top, middle or bottom.
    """
    image = Image.fromarray(picture)
    draw = ImageDraw.Draw(image, "RGBA")
    font = load_font(bold, size_px)
    padding_px = round(0.35 * size_px)
    left, top, right, bottom = draw.textbbox(place_px, words, font, anchor)
    rows, columns = picture.shape[:2]
    least_px = 2 * padding_px
    shift_x = max(0.0, least_px - left) - max(0.0, right + least_px - columns)
    shift_y = max(0.0, least_px - top) - max(0.0, bottom + least_px - rows)
    box = (left + shift_x - padding_px, top + shift_y - padding_px)
    end = (right + shift_x + padding_px, bottom + shift_y + padding_px)
    draw.rounded_rectangle((*box, *end), size_px // 4, fill=(*INK, 205))
    draw.text((place_px[0] + shift_x, place_px[1] + shift_y), words, SIZES, font, anchor)
    picture[:] = np.asarray(image)


@lru_cache(maxsize=32)
def load_font(bold: bool, size_px: int) -> ImageFont.FreeTypeFont:
    """The font of the printed card, at a size in pixels."""
    return ImageFont.truetype(str(font_path(bold)), size_px)


def wrapped(words: str, font: Any, width_px: float) -> list[str]:
    """Lines no wider than `width_px`; a word that is wider is cut."""
    lines: list[str] = []
    current = ""
    for word in words.split():
        candidate = f"{current} {word}".strip()
        if font.getlength(candidate) <= width_px:
            current = candidate
            continue
        if current:
            lines.append(current)
        while font.getlength(word) > width_px and len(word) > 1:
            keep = next(
                n for n in range(len(word) - 1, 0, -1) if n == 1 or font.getlength(word[:n]) <= width_px
            )
            lines.append(word[:keep])
            word = word[keep:]
        current = word
    return [*lines, current]


def _dashes(points_px: Floats, dash_px: float) -> list[Floats]:
    """The pieces of a line that a dashed one keeps: dashes and gaps of one length."""
    travelled = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points_px, axis=0).T))])
    pieces = []
    for start in np.arange(0.0, travelled[-1], 2 * dash_px):
        end = min(start + dash_px, travelled[-1])
        inside = travelled[(travelled > start) & (travelled < end)]
        stops = np.concatenate([[start], inside, [end]])
        pieces.append(np.column_stack([np.interp(stops, travelled, points_px[:, axis]) for axis in (0, 1)]))
    return pieces
