"""Pictures in any mode as plain pixels: gray or red, green and blue, 8 bits each."""

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from aperture.errors import PhotoError
from aperture.photo.content import MAX_PIXELS

Pixels = NDArray[np.uint8]

MIN_SIDE_PX = 200

_BAND_ROWS = 512


def check_size(width_px: int, height_px: int) -> None:
    """Refuse a size, known from the header, before any pixel is decoded."""
    if width_px * height_px > MAX_PIXELS:
        raise PhotoError("photo-too-large", f"{width_px} × {height_px} px")
    if min(width_px, height_px) < MIN_SIDE_PX:
        raise PhotoError("photo-too-small", f"{width_px} × {height_px} px")


def flatten(image: Image.Image, colour: bool) -> Pixels:
    """8-bit gray (ITU-R BT.601 luma) or RGB pixels of a picture in any mode; what is transparent is white."""
    if image.mode in ("I", "F"):
        raise PhotoError("not-a-photo", "its pixels are 32-bit numbers")
    pixels = np.empty((image.height, image.width, 3) if colour else (image.height, image.width), np.uint8)
    # In bands, because each step makes a copy: of the largest picture, all at once would be gigabytes.
    for top in range(0, image.height, _BAND_ROWS):
        bottom = min(top + _BAND_ROWS, image.height)
        pixels[top:bottom] = _flat_band(image.crop((0, top, image.width, bottom)), colour)
    return pixels


def _flat_band(image: Image.Image, colour: bool) -> Pixels:
    if image.mode.startswith("I;16"):
        # 65535 = 255 × 257, so this rounds to the nearest of 256 steps.
        gray = (np.asarray(image).astype(np.uint32) + 128) // 257
        image = Image.fromarray(gray.astype(np.uint8))
    if image.has_transparency_data:
        image = image.convert("RGBA")
        image = Image.alpha_composite(Image.new("RGBA", image.size, "white"), image)
    if image.mode not in ("1", "L", "RGB"):
        image = image.convert("RGB")
    mode = "RGB" if colour else "L"
    # To convert to what it is already makes a copy.
    return np.asarray(image if image.mode == mode else image.convert(mode))
