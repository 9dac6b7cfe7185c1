"""Reads a photo file: pixels upright, what the camera wrote beside them, and a hash of the bytes.

The bytes decide what a file is, never its name. A file that is not a whole, readable photo is refused
with a `PhotoError`; nothing else is raised. Only PNG carries a checksum of its pixels: in the other formats
a file that was cut, or whose structure is broken, is refused, but bytes that changed inside the compressed
picture may go unseen.

Colour profiles are not applied: lengths do not depend on them.
"""

import hashlib
import math
import re
import stat
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from io import BytesIO
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError
from PIL.ExifTags import IFD, Base

from aperture.errors import PhotoError

Format = Literal["JPEG", "PNG", "HEIC", "TIFF", "WebP"]
Provenance = Literal["camera", "changed", "unknown"]
Pixels = NDArray[np.uint8]

MAX_PIXELS = 200_000_000
MIN_SIDE_PX = 200
# The largest picture without compression: 16-bit red, green, blue and alpha. A larger file is no photo.
SENSOR_SHAPES = (4 / 3, 3 / 2, 16 / 9)  # long side over short side
MAX_FILE_BYTES = MAX_PIXELS * 8
# What reads addresses comes with the packages for a cluster; libraries of single kinds may be missing still.
CLUSTER_EXTRA = ".venv/bin/pip install '.[cluster]'"

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

_HEIC_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs", b"mif1", b"msf1"}
_AVIF_BRANDS = {b"avif", b"avis"}
_OTHER_FILES = {
    b"GIF8": "a GIF picture",
    b"BM": "a BMP picture",
    b"%PDF": "a PDF document",
    b"PK\x03\x04": "a ZIP archive or an office document",
}

# Exif was published in 1995; an earlier year is the clock of a camera that was never set.
_FIRST_EXIF_YEAR = 1995
# From a fisheye to the longest telephoto lens.
_FOCAL_LENGTHS_35MM = (5.0, 2000.0)
_MAX_DIGITAL_ZOOM = 100.0


@dataclass(frozen=True, eq=False)
class Photo:
    """One photo, upright.

    `luma` is uint8 of shape (rows, columns): the gamma-encoded brightness Y of ITU-R BT.601, as JPEG
    stores it. It cannot be written to. `taken` has a time zone only if the camera wrote one.
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
        pixels, _ = _decode(self.encoded, self.format, colour=True, noted=False)
        return pixels


def read_photo(path: str | Path) -> Photo:
    """Read a JPEG, PNG, HEIC, TIFF or WebP photo; the first picture of a file that holds several.

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
    encoded = _read_address(str(path)) if is_address(path) else _read_bytes(Path(path))
    format = _format_of(encoded)
    # A HEIC is decoded in colour in any case, and that takes long: what it gives is kept.
    in_colour = format == "HEIC"
    pixels, tags = _decode(encoded, format, colour=in_colour)
    luma = _flatten(Image.fromarray(pixels), colour=False) if in_colour else pixels
    luma.setflags(write=False)
    photo = Photo(
        path=Path(path),
        sha256=hashlib.sha256(encoded).hexdigest(),
        format=format,
        luma=luma,
        taken=_taken(tags),
        focal_length_35mm=_focal_length_35mm(tags),
        digital_zoom=_digital_zoom(tags),
        provenance=_provenance(tags, luma.shape[1], luma.shape[0]),
        encoded=encoded,
    )
    if in_colour:
        photo.__dict__["_colour"] = pixels  # where `cached_property` looks for it
    return photo


def is_address(path: str | Path) -> bool:
    """Whether this is no path but an address, as in s3://bucket/photo.jpg."""
    return "://" in str(path)  # a Path never has two slashes


# --- the file -----------------------------------------------------------------------------------------


def _read_bytes(path: Path) -> bytes:
    """The content of an ordinary file, after a look at its kind and size."""
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise PhotoError("file-unreadable", "it is a folder")
        # A pipe or a device might never end.
        if not stat.S_ISREG(status.st_mode):
            raise PhotoError("file-unreadable", "it is not an ordinary file")
        if status.st_size == 0:
            raise PhotoError("file-empty")
        if status.st_size > MAX_FILE_BYTES:
            raise PhotoError("photo-too-large", f"the file has {status.st_size / 1e9:.1f} GB")
        return path.read_bytes()
    except (FileNotFoundError, NotADirectoryError) as error:
        raise PhotoError("file-missing") from error
    except OSError as error:
        raise PhotoError("file-unreadable", error.strerror or "") from error
    except ValueError as error:
        raise PhotoError("file-missing", "no file can have this name") from error


def _read_address(address: str) -> bytes:
    """The content behind an address of any kind that fsspec knows."""
    try:
        import fsspec

        with fsspec.open(address, "rb") as file:
            encoded: bytes = file.read(MAX_FILE_BYTES + 1)
    except ModuleNotFoundError as error:
        raise PhotoError("file-unreadable", f"{error.name} is missing: {CLUSTER_EXTRA}") from error
    except FileNotFoundError as error:
        raise PhotoError("file-missing") from error
    # Each kind of address has a library of its own, with errors of its own.
    except Exception as error:
        raise PhotoError("file-unreadable", " ".join(str(error).split())) from error
    if not encoded:
        raise PhotoError("file-empty")
    if len(encoded) > MAX_FILE_BYTES:
        raise PhotoError("photo-too-large", f"the file has more than {MAX_FILE_BYTES / 1e9:.1f} GB")
    return encoded


def _format_of(encoded: bytes) -> Format:
    """What the first bytes say the file is."""
    if encoded.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if encoded.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    # Little and big endian, and BigTIFF.
    if encoded.startswith((b"II*\0", b"MM\0*", b"II+\0")):
        return "TIFF"
    if encoded.startswith(b"RIFF") and encoded[8:12] == b"WEBP":
        return "WebP"
    if encoded[4:8] == b"ftyp":
        # The first box names what the file is compatible with: one brand, a version, more brands.
        box = encoded[8 : min(int.from_bytes(encoded[:4], "big"), 256)]
        brands = {box[start : start + 4] for start in range(0, len(box), 4)}
        if brands & _AVIF_BRANDS:
            raise PhotoError("not-a-photo", "it is an AVIF picture")
        if brands & _HEIC_BRANDS:
            return "HEIC"
        raise PhotoError("not-a-photo", "it is a video")
    for start_of_file, name in _OTHER_FILES.items():
        if encoded.startswith(start_of_file):
            raise PhotoError("not-a-photo", f"it is {name}")
    raise PhotoError("not-a-photo")


# --- the pixels ---------------------------------------------------------------------------------------


def _decode(
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
        pixels = _flatten(Image.frombytes("CMYK", (ink.shape[1], ink.shape[0]), ink.tobytes()), colour)
    else:
        pixels = _decode_whole_jpeg(encoded, "RGB" if colour else "GRAY")
    tags: dict[int, Any] = {}
    with suppress(Exception):
        tags = _exif_tags(Image.open(BytesIO(encoded), formats=["JPEG"]))
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
        pixels = _flatten(image, colour)
    tags: dict[int, Any] = {}
    if noted:
        with _bounded_and_quiet():
            tags = _exif_tags(bearer)
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
    return _flatten(image, colour), _exif_tags(image)


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


def _flatten(image: Image.Image, colour: bool) -> Pixels:
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


# --- what the camera wrote ----------------------------------------------------------------------------


def _exif_tags(image: Image.Image) -> dict[int, Any]:
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


def _taken(tags: dict[int, Any]) -> datetime | None:
    """DateTimeOriginal, with OffsetTimeOriginal if that is there (Exif 2.31)."""
    try:
        taken = datetime.strptime(str(tags.get(Base.DateTimeOriginal)).strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    if taken.year < _FIRST_EXIF_YEAR:
        return None
    with suppress(ValueError):
        offset = datetime.strptime(str(tags.get(Base.OffsetTimeOriginal)).strip("\0 "), "%z")
        taken = taken.replace(tzinfo=offset.tzinfo)
    return taken


def _focal_length_35mm(tags: dict[int, Any]) -> float | None:
    """FocalLengthIn35mmFilm in millimetres; 0 means unknown (Exif 2.3)."""
    focal_length = _number(tags.get(Base.FocalLengthIn35mmFilm))
    shortest, longest = _FOCAL_LENGTHS_35MM
    if focal_length is None or not shortest <= focal_length <= longest:
        return None
    return focal_length


def _digital_zoom(tags: dict[int, Any]) -> float:
    """DigitalZoomRatio; 0 means not used (Exif 2.3)."""
    zoom = _number(tags.get(Base.DigitalZoomRatio))
    return zoom if zoom is not None and 1.0 <= zoom <= _MAX_DIGITAL_ZOOM else 1.0


def _provenance(tags: dict[int, Any], width_px: int, height_px: int) -> Provenance:
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
