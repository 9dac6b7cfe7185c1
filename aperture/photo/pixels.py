"""The pixels of a photo, upright, out of each format; and what each decoder would let through in silence."""

import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import BytesIO
from typing import Any

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError
from PIL.ExifTags import Base

from aperture.errors import PhotoError
from aperture.photo.camera_notes import exif_tags
from aperture.photo.content import MAX_PIXELS, Format

Pixels = NDArray[np.uint8]

MIN_SIDE_PX = 200

# A progressive JPEG of a camera has about 10 scans. Every scan passes over the whole picture, so a file of
# thousands of tiny scans would keep the decoder busy for minutes.
_MAX_JPEG_SCANS = 100
# Phones write tens of segments before the picture, some with depth maps or long notes hundreds.
_MAX_JPEG_MARKERS = 10_000
# In compressed JPEG data, 0xFF before 0x00 is stuffing, before D0-D7 a restart, before 0xFF a filler.
_JPEG_MARKER = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")
_JPEG_TEMPORARY, _JPEG_START, _JPEG_END, _JPEG_SCAN = 0x01, 0xD8, 0xD9, 0xDA
# Some cameras pad the compressed data. More than a storage block of it is a header that hides picture rows.
_MAX_JPEG_PADDING_BYTES = 4096
_JPEG_PADDING = re.compile(r"(\d+) extraneous bytes before marker 0xd9")

# A copy that was interrupted can have its full length, the rest being zeros. HEIC and WebP decoders do not
# notice; compressed data never end like this.
_ZERO_TAIL = bytes(4096)

_BAND_ROWS = 512


def decode(
    encoded: bytes, format: Format, *, colour: bool, noted: bool = True
) -> tuple[Pixels, dict[int, Any]]:
    """The upright pixels, read-only, and the EXIF tags that matter here.

    A HEIC whose tags are not asked for (`noted`) may be decoded in a thread: no setting of the process is
    touched.
    """
    if format in ("HEIC", "WebP") and encoded.endswith(_ZERO_TAIL):
        raise PhotoError("photo-damaged", f"{format}: the end of the file is missing")
    try:
        if format == "HEIC":
            pixels, tags = _decode_heic(encoded, colour, noted)
        else:
            with _bounded_and_quiet():
                if format == "JPEG":
                    pixels, tags = _decode_jpeg(encoded, colour)
                else:
                    pixels, tags = _decode_with_pillow(encoded, format, colour)
    except PhotoError:
        raise
    except Image.DecompressionBombError as error:
        raise PhotoError("photo-too-large", "seen in the header") from error
    except UnidentifiedImageError as error:
        raise PhotoError("photo-damaged", f"{format}: the header cannot be read") from error
    # Decoders of damaged files raise nearly everything, down to MemoryError and struct.error.
    except Exception as error:
        reason = " ".join(str(error).split()) or type(error).__name__
        raise PhotoError("photo-damaged", f"{format}: {reason}") from error
    # libheif (irot, imir) and Pillow's TIFF reader turn the pixels themselves.
    orientation = 1 if format in ("HEIC", "TIFF") else tags.get(Base.Orientation, 1)
    upright = _turn_upright(pixels, orientation)
    upright.setflags(write=False)
    return upright, tags


def _decode_jpeg(encoded: bytes, colour: bool) -> tuple[Pixels, dict[int, Any]]:
    """Decode with libjpeg-turbo; the brightness channel alone is the fastest and needs no conversion."""
    height_px, width_px, colour_space, _ = simplejpeg.decode_jpeg_header(encoded, strict=False)
    _check_size(int(width_px), int(height_px))
    _check_jpeg_structure(encoded)
    if colour_space in ("CMYK", "YCCK"):
        # Cameras do not write these. By convention ink is stored inverted: 255 is none.
        ink = 255 - _decode_whole_jpeg(encoded, "CMYK")
        pixels = flatten(Image.frombytes("CMYK", (ink.shape[1], ink.shape[0]), ink.tobytes()), colour)
    else:
        pixels = _decode_whole_jpeg(encoded, "RGB" if colour else "GRAY")
    tags: dict[int, Any] = {}
    with suppress(Exception):
        tags = exif_tags(Image.open(BytesIO(encoded), formats=["JPEG"]))
    return pixels if colour else pixels.reshape(pixels.shape[:2]), tags


def _check_jpeg_structure(encoded: bytes) -> None:
    """Walk over the markers of the first picture: it must end, and not have too many scans.

    What follows the end is ignored: phones append the second picture of a pair, or a short video.
    Source: ITU-T T.81, annex B.
    """
    position = 2
    markers = scans = 0
    while (found := _JPEG_MARKER.search(encoded, position)) is not None:
        marker = encoded[found.end() - 1]
        position = found.end()
        if marker == _JPEG_END:
            return
        markers += 1
        if markers > _MAX_JPEG_MARKERS:
            raise PhotoError("photo-damaged", f"JPEG: more than {_MAX_JPEG_MARKERS} segments")
        if marker == _JPEG_SCAN:
            scans += 1
            if scans > _MAX_JPEG_SCANS:
                raise PhotoError("photo-damaged", f"JPEG: more than {_MAX_JPEG_SCANS} scans")
        # These two have no content; every other one begins with its length.
        if marker not in (_JPEG_TEMPORARY, _JPEG_START):
            position += int.from_bytes(encoded[position : position + 2], "big")
    raise PhotoError("photo-damaged", "JPEG: the file ends before the picture does")


def _decode_whole_jpeg(encoded: bytes, colour_space: str) -> Pixels:
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


def _decode_heic(encoded: bytes, colour: bool, noted: bool) -> tuple[Pixels, dict[int, Any]]:
    """Decode the primary picture with libheif, which also turns it.

    The EXIF orientation is not applied: in HEIF it is for information only, and phones write both.
    Source: libheif's maintainers (strukturag/libheif, discussion 227).
    """
    import pi_heif

    _check_heic_texts(encoded)
    file = pi_heif.open_heif(encoded)
    _check_size(*file.size)
    bearer = Image.new("1", (1, 1))  # Pillow reads the notes of pictures only
    bearer.info["exif"] = file.info.get("exif")
    if colour and file.mode == "RGB" and file.stride == 3 * file.size[0]:
        # What most phones write: one copy, because each takes its time. The file's own pixels end with it.
        pixels = np.frombuffer(file.data, np.uint8).reshape(file.size[1], file.size[0], 3).copy()
    else:
        image = file.to_pillow()
        del file  # with it go the pixels a second time
        pixels = flatten(image, colour)
    tags: dict[int, Any] = {}
    if noted:
        with _bounded_and_quiet():
            tags = exif_tags(bearer)
    return pixels, tags


def _check_heic_texts(encoded: bytes) -> None:
    """Refuse descriptions of items (boxes infe within iinf) that are not text.

    pi_heif 1.4.0 ends the whole process on them. Source of the layout: ISO/IEC 14496-12, ItemInfoEntry.
    """
    list_start = encoded.find(b"iinf") - 4
    list_end = list_start + int.from_bytes(encoded[max(list_start, 0) : list_start + 4], "big")
    start = encoded.find(b"infe", list_start, list_end)
    while start >= 0:
        end = start - 4 + int.from_bytes(encoded[start - 4 : start], "big")
        # Type, version and flags, then the item's number in 2 bytes or (version 3) 4, its protection in 2.
        encoded[start + (14 if encoded[start + 4] == 3 else 12) : end].decode()
        start = encoded.find(b"infe", start + 4, list_end)


def _decode_with_pillow(encoded: bytes, format: Format, colour: bool) -> tuple[Pixels, dict[int, Any]]:
    """Decode a PNG, TIFF or WebP."""
    pillow_format = [format.upper()]
    image = Image.open(BytesIO(encoded), formats=pillow_format)
    _check_size(*image.size)
    if format == "PNG":
        # Decoding stops when all pixels are there; only this looks at the checksums.
        Image.open(BytesIO(encoded), formats=pillow_format).verify()
    # Rows without data would stay black without a word. A TIFF lists its parts. A PNG that ends early leaves
    # its last row black; so do pictures that are black there, and only OpenCV's decoder can tell.
    incomplete = False
    if format == "TIFF":
        parts = [part.extents for part in image.tile if part.extents is not None]
        described = sum((right - left) * (bottom - top) for left, top, right, bottom in parts)
        incomplete = described < image.width * image.height
    image.load()
    last_row = image.crop((0, image.height - 1, image.width, image.height))
    if format == "PNG" and not np.asarray(last_row).any():
        incomplete = cv2.imdecode(np.frombuffer(encoded, np.uint8), cv2.IMREAD_GRAYSCALE) is None
    if incomplete:
        raise PhotoError("photo-damaged", f"{format}: the header gives more rows than the picture has")
    return flatten(image, colour), exif_tags(image)


def _check_size(width_px: int, height_px: int) -> None:
    """Refuse a size, known from the header, before any pixel is decoded."""
    if width_px * height_px > MAX_PIXELS:
        raise PhotoError("photo-too-large", f"{width_px} × {height_px} px")
    if min(width_px, height_px) < MIN_SIDE_PX:
        raise PhotoError("photo-too-small", f"{width_px} × {height_px} px")


@contextmanager
def _bounded_and_quiet() -> Iterator[None]:
    """Give Pillow this module's limit of pixels, and silence its warnings, for the time of one file.

    Both are settings of the process, and are put back. Pillow refuses above twice its limit; its own would
    refuse TIFF and WebP pictures from 179 million pixels.
    """
    limit = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = MAX_PIXELS // 2
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        Image.MAX_IMAGE_PIXELS = limit


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


def _turn_upright(pixels: Pixels, orientation: Any) -> Pixels:
    """Undo the camera's rotation or reflection.

    Parameters
    ----------
    pixels : uint8 of shape (rows, columns) or (rows, columns, 3), as stored.
    orientation : EXIF tag 0x0112, 1 to 8; anything else counts as 1, upright.

    Returns
    -------
    The pixels as they are meant to be seen, contiguous in memory.

    Source: Exif 2.3 (CIPA DC-008), tag Orientation.
    """
    turns = {
        2: lambda: cv2.flip(pixels, 1),
        3: lambda: cv2.rotate(pixels, cv2.ROTATE_180),
        4: lambda: cv2.flip(pixels, 0),
        5: lambda: cv2.transpose(pixels),
        6: lambda: cv2.rotate(pixels, cv2.ROTATE_90_CLOCKWISE),
        7: lambda: cv2.flip(cv2.transpose(pixels), -1),
        8: lambda: cv2.rotate(pixels, cv2.ROTATE_90_COUNTERCLOCKWISE),
    }
    turned = turns[orientation]() if orientation in turns else pixels
    return np.ascontiguousarray(turned, dtype=np.uint8)
