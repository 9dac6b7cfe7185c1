"""A photo without what is private: the picture, and the few numbers of the camera that measuring needs.

Nothing is kept but what is on a list: the compressed picture, what a decoder needs to read it, and, written
again from their values, orientation, time, focal length, digital zoom and the size in pixels. Where the photo
was taken, by whom, with which camera, comments, colour profiles, previews (which may show what was cropped)
and whatever follows the picture are not on it.

JPEG, WebP, HEIC and AVIF keep their compressed picture as it is. Everything else, and every file whose
structure is not understood, becomes a PNG of the same pixels.
"""

import math
import re
import struct
import warnings
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from io import BytesIO
from typing import Any

import numpy as np
from PIL import Image
from PIL.AvifImagePlugin import AvifImageFile
from PIL.ExifTags import IFD, Base
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.TiffImagePlugin import IFDRational, TiffImageFile
from PIL.WebPImagePlugin import WebPImageFile

from aperture.book.photos.heic import only_the_picture
from aperture.errors import PhotoError
from aperture.photo import Format, Photo, Pixels

# Opened by name and not by Image.open, which counts pixels; the photo was read before, so that was done.
_READERS: dict[str, Callable[[BytesIO], Image.Image]] = {
    "JPEG": JpegImageFile,
    "PNG": PngImageFile,
    "TIFF": TiffImageFile,
    "WebP": WebPImageFile,
    "AVIF": AvifImageFile,
}

_NUMBERS = (
    Base.ExifImageWidth,
    Base.ExifImageHeight,
    Base.FocalLength,
    Base.FocalLengthIn35mmFilm,
    Base.DigitalZoomRatio,
)
_FRACTION_OF_A_SECOND = re.compile(r"\d{1,9}")
_EXIF_MARK = b"Exif\0\0"

# zlib's own usual level is 6; this one takes a third of the time for a few per cent more bytes.
_PNG_LEVEL = 3


def without_private(photo: Photo) -> tuple[bytes, Format]:
    """The photo's file without private data.

    Parameters
    ----------
    photo : as `read_photo` returned it.

    Returns
    -------
    The file's new content and its format: "JPEG", "WebP", "HEIC" or "AVIF" like the photo's own, else "PNG".
    The pixels are the same, and `read_photo` finds the same brightness, time, lens and provenance. Only a
    JPEG that had to become a PNG has a brightness (computed from red, green and blue) that may differ by
    rounding.

    Raises
    ------
    PhotoError : the photo cannot be decoded.
    """
    return taking_private_out(photo)()


def taking_private_out(photo: Photo) -> Callable[[], tuple[bytes, Format]]:
    """As `without_private`, but what takes long is left to the function that is returned.

    For a HEIC whose colours are known it may run in a thread while something else is computed: it touches no
    setting of the process, and most of its time it waits for libheif.
    """
    tags = _camera_tags(photo)

    def rewritten() -> tuple[bytes, Format]:
        pixels = photo.colour()
        if photo.format in _REWRITERS:
            # A structure that was misunderstood shows itself as another picture, or none.
            with suppress(PhotoError, ValueError, LookupError, struct.error):
                encoded = _REWRITERS[photo.format](photo.encoded, tags)
                if np.array_equal(replace(photo, encoded=encoded).colour(), pixels):
                    return encoded, photo.format
        return _as_png(pixels, tags), "PNG"

    return rewritten


# --- what the camera wrote ----------------------------------------------------------------------------


def _camera_tags(photo: Photo) -> dict[int, Any]:
    """The tags that measuring needs, by number; each is a number, or a time written again."""
    read: dict[int, Any] = {}
    with warnings.catch_warnings(), suppress(Exception):
        # A broken note beside the picture is as good as none, as in `read_photo`.
        warnings.simplefilter("ignore")
        exif = _exif_of(photo)
        read = {Base.Orientation: exif.get(Base.Orientation), **exif.get_ifd(IFD.Exif)}
    tags: dict[int, Any] = {}
    orientation = read.get(Base.Orientation)
    if isinstance(orientation, int) and 2 <= orientation <= 8:
        tags[Base.Orientation] = orientation
    for tag in _NUMBERS:
        number = _as_number(read.get(tag))
        if number is not None:
            tags[tag] = number
    if photo.taken is not None:
        written = photo.taken.isoformat()  # 2026-03-04T05:06:07-03:30
        tags[Base.DateTimeOriginal] = written[:19].replace("-", ":").replace("T", " ")
        tags[Base.OffsetTimeOriginal] = written[19:]
        fraction = str(read.get(Base.SubsecTimeOriginal)).strip("\0 ")
        tags[Base.SubsecTimeOriginal] = fraction if _FRACTION_OF_A_SECOND.fullmatch(fraction) else ""
    return {tag: value for tag, value in tags.items() if value != ""}


def _exif_of(photo: Photo) -> Image.Exif:
    if photo.format != "HEIC":
        return _READERS[photo.format](BytesIO(photo.encoded)).getexif()
    import pi_heif

    exif = Image.Exif()
    exif.load(pi_heif.open_heif(photo.encoded).info["exif"])
    return exif


def _as_number(value: Any) -> int | float | IFDRational | None:
    """The same number in the plainest type that Exif has for it; None for what is no number."""
    try:
        number = float(value)
    except (TypeError, ValueError, ArithmeticError):
        return None
    if not math.isfinite(number):
        return None
    if isinstance(value, IFDRational):
        above, below = int(value.numerator), int(value.denominator)
        if 0 <= above < 2**32 and 0 < below < 2**32:
            return IFDRational(above, below)
    return int(number) if number.is_integer() and 0 <= number < 2**16 else number


def _exif_block(tags: dict[int, Any]) -> bytes:
    """The tags as an Exif block, beginning with the header of a TIFF; empty if there are none."""
    if not tags:
        return b""
    exif = Image.Exif()
    for tag, value in tags.items():
        if tag == Base.Orientation:
            exif[tag] = value
        else:
            exif.get_ifd(IFD.Exif)[tag] = value
    return exif.tobytes().removeprefix(_EXIF_MARK)


# --- PNG ----------------------------------------------------------------------------------------------


def _as_png(pixels: Pixels, tags: dict[int, Any]) -> bytes:
    """The upright pixels as a new PNG file; a gray picture stays gray."""
    gray = bool((pixels == pixels[:, :, :1]).all())
    image = Image.fromarray(np.ascontiguousarray(pixels[:, :, 0]) if gray else pixels)
    exif = _exif_block({tag: value for tag, value in tags.items() if tag != Base.Orientation})
    buffer = BytesIO()
    image.save(buffer, "PNG", compress_level=_PNG_LEVEL, exif=exif)
    return buffer.getvalue()


# --- JPEG ---------------------------------------------------------------------------------------------

_START, _END, _SCAN, _APP0, _APP1, _APP14 = 0xD8, 0xD9, 0xDA, 0xE0, 0xE1, 0xEE
# Frames and tables of entropy coding (C0 to CF, but C8 is unused), scan, quantisation, restart interval.
_JPEG_NEEDED = {*range(0xC0, 0xD0), _SCAN, 0xDB, 0xDD} - {0xC8}
_AFTER_SCAN = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")
# Version 1.01, no unit, square pixels, no thumbnail.
_JFIF = b"JFIF\0\1\1\0\0\1\0\1\0\0"


def _rewrite_jpeg(encoded: bytes, tags: dict[int, Any]) -> bytes:
    """Tables, frame and scans as they are, up to the end of the first picture.

    Of what applications add, two segments tell a decoder how to make colours of the numbers: JFIF and Adobe.
    Both are written again. Sources: ITU-T T.81, annex B; JFIF 1.02; T.872 for Adobe.
    """
    segments = list(_jpeg_segments(encoded))
    jfif = any(marker == _APP0 and content.startswith(b"JFIF\0") for marker, content, _ in segments)
    kept = [_jpeg_segment(_APP0, _JFIF)] if jfif else []
    if exif := _exif_block(tags):
        kept.append(_jpeg_segment(_APP1, _EXIF_MARK + exif))
    for marker, content, scan in segments:
        if marker == _APP14 and content.startswith(b"Adobe") and len(content) >= 12:
            kept.append(_jpeg_segment(marker, b"Adobe\0d\0\0\0\0" + content[11:12]))
        elif marker in _JPEG_NEEDED:
            kept.append(_jpeg_segment(marker, content) + scan)
    return b"".join([b"\xff\xd8", *kept, b"\xff\xd9"])


def _jpeg_segment(marker: int, content: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content


def _jpeg_segments(encoded: bytes) -> Iterator[tuple[int, bytes, bytes]]:
    """Marker, content, and the compressed data that follow a scan's header, until the picture ends."""
    position = 2
    while True:
        found = _AFTER_SCAN.search(encoded, position)
        if found is None:
            raise ValueError("the picture does not end")
        marker, start = encoded[found.end() - 1], found.end()
        if marker == _END:
            return
        # These two have no content.
        position = start
        if marker in (0x01, _START):
            continue
        position += int.from_bytes(encoded[start : start + 2], "big")
        scan = b""
        if marker == _SCAN and (next_marker := _AFTER_SCAN.search(encoded, position)) is not None:
            scan = encoded[position : next_marker.start()]
        yield marker, encoded[start + 2 : position], scan


# --- WebP ---------------------------------------------------------------------------------------------

_WEBP_PICTURE = (b"ALPH", b"VP8 ", b"VP8L")
_WEBP_HAS_ALPHA, _WEBP_HAS_EXIF = 0x10, 0x08


def _rewrite_webp(encoded: bytes, tags: dict[int, Any]) -> bytes:
    """The chunks of the picture as they are; an animation raises ValueError. Source: RFC 9649."""
    kept: list[tuple[bytes, bytes]] = []
    exif = _exif_block(tags)
    for name, content in _webp_chunks(encoded):
        if name == b"VP8X":
            # Flags, three reserved bytes, then width and height.
            flags = content[0] & _WEBP_HAS_ALPHA | (_WEBP_HAS_EXIF if exif else 0)
            kept.append((name, bytes([flags, 0, 0, 0]) + content[4:10]))
        elif name in _WEBP_PICTURE and name not in dict(kept):
            kept.append((name, content))
        elif name == b"ANIM":
            raise ValueError("an animation")
    if exif:
        kept.append((b"EXIF", exif))
    chunks = (
        struct.pack("<4sI", name, len(content)) + content + b"\0" * (len(content) % 2)
        for name, content in kept
    )
    body = b"WEBP" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _webp_chunks(encoded: bytes) -> Iterator[tuple[bytes, bytes]]:
    position, end = 12, min(8 + int.from_bytes(encoded[4:8], "little"), len(encoded))
    while position + 8 <= end:
        name, length = struct.unpack_from("<4sI", encoded, position)
        yield name, encoded[position + 8 : position + 8 + length]
        position += 8 + length + length % 2


# --- HEIC and AVIF ------------------------------------------------------------------------------------


def _rewrite_heif(encoded: bytes, tags: dict[int, Any]) -> bytes:
    """The orientation is left out: the picture's own properties turn it."""
    exif = _exif_block({tag: value for tag, value in tags.items() if tag != Base.Orientation})
    return only_the_picture(encoded, exif)


_REWRITERS: dict[str, Callable[[bytes, dict[int, Any]], bytes]] = {
    "JPEG": _rewrite_jpeg,
    "WebP": _rewrite_webp,
    "HEIC": _rewrite_heif,
    "AVIF": _rewrite_heif,
}
