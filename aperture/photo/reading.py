"""Reads a photo file: pixels upright, what the camera wrote beside them, and a hash of the bytes.

The bytes decide what a file is, never its name. A file that is not a whole, readable photo is refused
with a `PhotoError`; nothing else is raised. Only PNG carries a checksum of its pixels: in the other formats
a file that was cut, or whose structure is broken, is refused, but bytes that changed inside the compressed
picture may go unseen.

Colour profiles are not applied: lengths do not depend on them.
"""

import hashlib
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from pathlib import Path

from PIL import Image

from aperture.dates import sensible
from aperture.photo.camera_notes import Provenance, digital_zoom, focal_length_35mm, provenance, when_taken
from aperture.photo.content import Format, format_of, is_address, read_address, read_bytes
from aperture.photo.flat import Pixels, flatten
from aperture.photo.pixels import decode


@dataclass(frozen=True, eq=False)
class Photo:
    """One photo, upright.

    `luma` is uint8 of shape (rows, columns): the gamma-encoded brightness Y of ITU-R BT.601, as JPEG
    stores it. It cannot be written to. `taken` has a time zone only if the camera wrote one; a date that
    cannot be right is None, and `misdated`.
    `digital_zoom` is 1.0 when there was none or it is not known. `provenance` is "camera" when the size
    in pixels is the one the camera noted in the EXIF data, "changed" when it differs (cropped or shrunk on
    the way) and "unknown" when the camera's note is missing. `encoded` is the file's content.
    """

    path: Path
    sha256: str
    format: Format
    luma: Pixels = field(repr=False)
    taken: datetime | None
    focal_length_35mm: float | None
    digital_zoom: float
    provenance: Provenance
    encoded: bytes = field(repr=False)
    misdated: bool = False

    @property
    def width_px(self) -> int:
        """Width of the upright picture."""
        return int(self.luma.shape[1])

    @property
    def height_px(self) -> int:
        """Height of the upright picture."""
        return int(self.luma.shape[0])

    def colour(self) -> Pixels:
        """The picture in colour, decoded when it is asked for the first time.

        Returns
        -------
        uint8 of shape (rows, columns, 3): red, green, blue, gamma-encoded, upright like `luma`. It cannot be
        written to.
        """
        return self._colour

    @cached_property
    def _colour(self) -> Pixels:
        pixels, _ = decode(self.encoded, self.format, colour=True, noted=False)
        return pixels


def read_photo(path: str | Path) -> Photo:
    """Read a JPEG, PNG, HEIC, AVIF, TIFF or WebP photo; the first picture of a file that holds several.

    Parameters
    ----------
    path : the file, or its address (s3://bucket/photo.jpg). Its name does not matter.

    Returns
    -------
    The photo, upright.

    Raises
    ------
    PhotoError : file-missing, file-unreadable, file-empty, not-a-photo, photo-damaged, photo-too-large,
        photo-too-small.
    """
    encoded = read_address(str(path)) if is_address(path) else read_bytes(Path(path))
    format = format_of(encoded)
    # A HEIC is decoded in colour in any case, and that takes long: what it gives is kept.
    in_colour = format == "HEIC"
    pixels, tags = decode(encoded, format, colour=in_colour)
    luma = flatten(Image.fromarray(pixels), colour=False) if in_colour else pixels
    luma.setflags(write=False)
    noted = when_taken(tags)
    taken = sensible(noted)
    photo = Photo(
        path=Path(path),
        sha256=hashlib.sha256(encoded).hexdigest(),
        format=format,
        luma=luma,
        taken=taken,
        focal_length_35mm=focal_length_35mm(tags),
        digital_zoom=digital_zoom(tags),
        provenance=provenance(tags, luma.shape[1], luma.shape[0]),
        encoded=encoded,
        misdated=noted is not None and taken is None,
    )
    if in_colour:
        photo.__dict__["_colour"] = pixels  # where `cached_property` looks for it
    return photo
