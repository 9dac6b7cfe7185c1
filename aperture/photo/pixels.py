"""The pixels of a photo, upright, out of each format; and what each decoder would let through in silence."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from typing import Any

import cv2
import numpy as np
from PIL import Image, UnidentifiedImageError, features
from PIL.ExifTags import Base
from PIL.TiffImagePlugin import (
    BITSPERSAMPLE,
    PHOTOMETRIC_INTERPRETATION,
    PLANAR_CONFIGURATION,
    TiffImageFile,
)

from aperture.errors import PhotoError
from aperture.photo.avif import check_avif
from aperture.photo.camera_notes import exif_tags
from aperture.photo.content import MAX_PIXELS, Format
from aperture.photo.flat import Pixels, check_size, flatten
from aperture.photo.heif import read_heif
from aperture.photo.jpeg import decode_jpeg

# A copy that was interrupted can have its full length, the rest being zeros. HEIC, AVIF and WebP decoders do
# not notice; compressed data never end like this.
_ZERO_TAIL = bytes(4096)

# What the pixels of a PNG need; and a palette (PLTE), where its colour type is this one.
_PNG_PIXELS, _INDEXED = {b"IHDR", b"IDAT", b"IEND"}, 3

# Values of TIFF's tags PhotometricInterpretation and PlanarConfiguration.
_WHITE_IS_ZERO, _APART = 0, 2


def decode(
    encoded: bytes, format: Format, *, colour: bool, noted: bool = True
) -> tuple[Pixels, dict[int, Any]]:
    """The upright pixels, read-only, and the EXIF tags that matter here.

    A HEIC whose tags are not asked for (`noted`) may be decoded in a thread: no setting of the process is
    touched.
    """
    if format in ("HEIC", "AVIF", "WebP") and encoded.endswith(_ZERO_TAIL):
        raise PhotoError("photo-damaged", f"{format}: the end of the file is missing")
    try:
        if format == "HEIC":
            pixels, tags = _decode_heic(encoded, colour, noted)
        else:
            with _bounded_and_quiet():
                if format == "JPEG":
                    pixels, tags = decode_jpeg(encoded, colour)
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


def _decode_heic(encoded: bytes, colour: bool, noted: bool) -> tuple[Pixels, dict[int, Any]]:
    """Decode the primary picture with libheif, which also turns it.

    The EXIF orientation is not applied: in HEIF it is for information only, and phones write both.
    Source: libheif's maintainers (strukturag/libheif, discussion 227).
    """
    mode, (width_px, height_px), exif, stored = read_heif(encoded, check_size)
    if colour and mode == "RGB":
        # What most phones write, without one more copy: each takes its time.
        pixels = np.frombuffer(stored, np.uint8).reshape(height_px, width_px, 3)
    else:
        pixels = flatten(Image.frombytes(mode, (width_px, height_px), stored), colour)
    tags: dict[int, Any] = {}
    if noted:
        bearer = Image.new("1", (1, 1))  # Pillow reads the notes of pictures only
        bearer.info["exif"] = exif
        with _bounded_and_quiet():
            tags = exif_tags(bearer)
    return pixels, tags


def _decode_with_pillow(encoded: bytes, format: Format, colour: bool) -> tuple[Pixels, dict[int, Any]]:
    """Decode a PNG, TIFF, WebP or AVIF."""
    pillow_format = [format.upper()]
    if format == "AVIF":
        if not features.check("avif"):
            raise PhotoError("not-a-photo", "it is an AVIF picture, for which Pillow has no decoder here")
        check_avif(encoded, check_size)
    image = Image.open(BytesIO(encoded), formats=pillow_format)
    check_size(*image.size)
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
        incomplete = cv2.imdecode(np.frombuffer(_bare_png(encoded), np.uint8), cv2.IMREAD_GRAYSCALE) is None
    if incomplete:
        raise PhotoError("photo-damaged", f"{format}: the header gives more rows than the picture has")
    tags = exif_tags(image)
    return flatten(_meant(image) if isinstance(image, TiffImageFile) else image, colour), tags


def _bare_png(encoded: bytes) -> bytes:
    """A PNG without the chunks that its pixels can do without, of which libpng may print a line each.

    Source: PNG, third edition, 5.3 (length, name, content, checksum), 11.2 (which are needed, colour types).
    """
    kept, position = [encoded[:8]], 8
    while position + 8 <= len(encoded):
        length, name = int.from_bytes(encoded[position : position + 4]), encoded[position + 4 : position + 8]
        end = position + 12 + length
        if name in _PNG_PIXELS or (name == b"PLTE" and encoded[25] == _INDEXED):
            kept.append(encoded[position:end])
        position = end
    return b"".join(kept)


def _meant(image: TiffImageFile) -> Image.Image:
    """The picture of a TIFF where Pillow 13 passes over what the tags say of its numbers.

    Source: TIFF 6.0, tags BitsPerSample, PhotometricInterpretation, PlanarConfiguration.
    """
    bits = max(image.tag_v2.get(BITSPERSAMPLE, (1,)))
    if bits > 8 and image.tag_v2.get(PLANAR_CONFIGURATION) == _APART and len(image.getbands()) > 1:
        raise PhotoError("not-a-photo", f"a TIFF with {bits} bits in a plane for each colour; save it as PNG")
    inverted = image.tag_v2.get(PHOTOMETRIC_INTERPRETATION) == _WHITE_IS_ZERO
    if not image.mode.startswith("I;16") or not (inverted or bits == 12):
        return image  # the rest is as Pillow says
    shade = np.asarray(image).astype(np.uint16)
    if bits == 12:
        shade = np.left_shift(shade, 4) + np.right_shift(shade, 8)  # 4095 becomes 65535
    return Image.fromarray(np.subtract(65535, shade, dtype=np.uint16) if inverted else shade)


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
