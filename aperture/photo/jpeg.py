"""The pixels of a JPEG, and where its decoder would fill in gray or carry on in silence."""

import re
from contextlib import suppress
from io import BytesIO
from typing import Any

import simplejpeg
from PIL import Image

from aperture.errors import PhotoError
from aperture.photo.camera_notes import exif_tags
from aperture.photo.flat import Pixels, check_size, flatten

# A progressive JPEG of a camera has about 10 scans. Every scan passes over the whole picture, so a file of
# thousands of tiny scans would keep the decoder busy for minutes.
_MAX_JPEG_SCANS = 100
# Phones write tens of segments before the picture, some with depth maps or long notes hundreds.
_MAX_JPEG_MARKERS = 10_000
# In compressed JPEG data, 0xFF before 0x00 is stuffing, before D0-D7 a restart, before 0xFF a filler.
_JPEG_MARKER = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")
_JPEG_TEMPORARY, _JPEG_START, _JPEG_END, _JPEG_SCAN = 0x01, 0xD8, 0xD9, 0xDA
# Shorter than every segment without which a picture is another one (frame 11, tables 19 and more, Adobe 16),
# but for the restart interval, whose loss the decoder notices: more is a segment whose marker was lost.
_MAX_STRAY_BYTES = 10
# Some cameras pad the compressed data. More than a storage block of it is a header that hides picture rows.
_MAX_JPEG_PADDING_BYTES = 4096
_JPEG_PADDING = re.compile(r"(\d+) extraneous bytes before marker 0xd9")


def decode_jpeg(encoded: bytes, colour: bool) -> tuple[Pixels, dict[int, Any]]:
    """The pixels as stored, and the EXIF tags; `colour` and what is raised as for `pixels.decode`.

    libjpeg-turbo decodes; the brightness channel alone is the fastest and needs no conversion.
    """
    height_px, width_px, colour_space, _ = simplejpeg.decode_jpeg_header(encoded, strict=False)
    check_size(int(width_px), int(height_px))
    encoded = _in_order(encoded)
    if colour_space in ("CMYK", "YCCK"):
        # Cameras do not write these. By convention ink is stored inverted: 255 is none.
        ink = 255 - _decode_whole(encoded, "CMYK")
        pixels = flatten(Image.frombytes("CMYK", (ink.shape[1], ink.shape[0]), ink.tobytes()), colour)
    else:
        pixels = _decode_whole(encoded, "RGB" if colour else "GRAY")
    tags: dict[int, Any] = {}
    with suppress(Exception):
        tags = exif_tags(Image.open(BytesIO(encoded), formats=["JPEG"]))
    return pixels if colour else pixels.reshape(pixels.shape[:2]), tags


def _in_order(encoded: bytes) -> bytes:
    """Walk over the markers of the first picture: it must end, and not have too many scans.

    What follows the end is ignored: phones append the second picture of a pair, or a short video.

    Returns
    -------
    The same file without the few bytes between two segments that some cameras leave there and every viewer
    passes over. They are no part of the compressed picture, which is left as it is; so the decoder can be
    asked to take no warning lightly.

    Source: ITU-T T.81, annex B.
    """
    position = 2
    markers = scans = 0
    kept, kept_from, in_scan = [], 0, False
    while (found := _JPEG_MARKER.search(encoded, position)) is not None:
        marker = encoded[found.end() - 1]
        stray = 0 if in_scan else len(encoded[position : found.start()].replace(b"\xff", b""))
        if stray > _MAX_STRAY_BYTES:
            raise PhotoError("photo-damaged", f"JPEG: {stray} bytes between two segments")
        if stray:
            kept.append(encoded[kept_from:position])
            kept_from = found.start()
        position = found.end()
        if marker == _JPEG_END:
            return b"".join([*kept, encoded[kept_from:]]) if kept else encoded
        markers += 1
        if markers > _MAX_JPEG_MARKERS:
            raise PhotoError("photo-damaged", f"JPEG: more than {_MAX_JPEG_MARKERS} segments")
        in_scan = marker == _JPEG_SCAN
        if in_scan:
            scans += 1
            if scans > _MAX_JPEG_SCANS:
                raise PhotoError("photo-damaged", f"JPEG: more than {_MAX_JPEG_SCANS} scans")
        # These two have no content; every other one begins with its length.
        if marker not in (_JPEG_TEMPORARY, _JPEG_START):
            position += int.from_bytes(encoded[position : position + 2], "big")
    raise PhotoError("photo-damaged", "JPEG: the file ends before the picture does")


def _decode_whole(encoded: bytes, colour_space: str) -> Pixels:
    """Decode, refusing where libjpeg would fill in gray with no more than a warning."""
    pixels: Pixels
    try:
        pixels = simplejpeg.decode_jpeg(encoded, colour_space, strict=True)
    except ValueError as error:
        # Two warnings about complete pictures. libjpeg reports the first one only, so padding at the end
        # means that nothing was wrong before; some phones write wrong scan parameters that nobody needs.
        padding = _JPEG_PADDING.search(str(error))
        padded = padding is not None and int(padding[1]) <= _MAX_JPEG_PADDING_BYTES
        if not padded and "Invalid SOS parameters" not in str(error):
            raise
        pixels = simplejpeg.decode_jpeg(encoded, colour_space, strict=False)
    return pixels
