"""What the camera wrote beside the picture: when, with which lens and zoom, and how large it was."""

import math
from contextlib import suppress
from datetime import datetime
from typing import Any, Literal

from PIL import Image
from PIL.ExifTags import IFD, Base

Provenance = Literal["camera", "changed", "unknown"]

SENSOR_SHAPES = (4 / 3, 3 / 2, 16 / 9)  # long side over short side
# From a fisheye to the longest telephoto lens.
_FOCAL_LENGTHS_35MM = (5.0, 2000.0)
_MAX_DIGITAL_ZOOM = 100.0


def exif_tags(image: Image.Image) -> dict[int, Any]:
    """Orientation and the tags of the Exif block; whatever can be read of it."""
    tags: dict[int, Any] = {}
    # A broken note beside the picture is no reason to refuse the picture.
    with suppress(Exception):
        exif = image.getexif()
        tags[Base.Orientation] = exif.get(Base.Orientation, 1)
        tags.update(exif.get_ifd(IFD.Exif))
    return tags


def _number(value: Any) -> float | None:
    """A finite number, or None for everything else a file may hold."""
    try:
        number = float(value)
    except (TypeError, ValueError, ArithmeticError):
        return None
    return number if math.isfinite(number) else None


def when_taken(tags: dict[int, Any]) -> datetime | None:
    """DateTimeOriginal, with OffsetTimeOriginal if that is there (Exif 2.31); None if there is none.

    Whether it can be right, `aperture.dates` says.
    """
    try:
        taken = datetime.strptime(str(tags.get(Base.DateTimeOriginal)).strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    with suppress(ValueError):
        offset = datetime.strptime(str(tags.get(Base.OffsetTimeOriginal)).strip("\0 "), "%z")
        taken = taken.replace(tzinfo=offset.tzinfo)
    return taken


def focal_length_35mm(tags: dict[int, Any]) -> float | None:
    """FocalLengthIn35mmFilm in millimetres; 0 means unknown (Exif 2.3)."""
    focal_length = _number(tags.get(Base.FocalLengthIn35mmFilm))
    shortest, longest = _FOCAL_LENGTHS_35MM
    if focal_length is None or not shortest <= focal_length <= longest:
        return None
    return focal_length


def digital_zoom(tags: dict[int, Any]) -> float:
    """DigitalZoomRatio; 0 means not used (Exif 2.3)."""
    zoom = _number(tags.get(Base.DigitalZoomRatio))
    return zoom if zoom is not None and 1.0 <= zoom <= _MAX_DIGITAL_ZOOM else 1.0


def provenance(tags: dict[int, Any], width_px: int, height_px: int) -> Provenance:
    """Compare the size with PixelXDimension and PixelYDimension, in either order as the picture was turned.

    A camera that notes its lens but no size is believed when the picture has the shape of a sensor. A program
    that crops a photo and corrects these tags cannot be caught.
    """
    noted = (_number(tags.get(Base.ExifImageWidth)), _number(tags.get(Base.ExifImageHeight)))
    if any(side is None or side <= 0 for side in noted):
        shape = max(width_px, height_px) / min(width_px, height_px)
        whole = any(abs(shape / usual - 1) < 0.01 for usual in SENSOR_SHAPES)
        return "camera" if whole and _number(tags.get(Base.FocalLengthIn35mmFilm)) else "unknown"
    return "camera" if noted in ((width_px, height_px), (height_px, width_px)) else "changed"
