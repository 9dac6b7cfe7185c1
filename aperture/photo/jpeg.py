"""The pixels of a JPEG, and where its decoder would fill in gray or carry on in silence."""

import re
import struct
import subprocess
import sys
from contextlib import suppress
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import numpy as np
import simplejpeg
from PIL import Image

from aperture.errors import PhotoError
from aperture.photo import jpeg_decoding
from aperture.photo.camera_notes import exif_tags
from aperture.photo.content import DECODER_SECONDS
from aperture.photo.flat import Pixels, check_size, flatten

# A progressive JPEG of a camera has about 10 scans. Every scan passes over the whole picture, so a file of
# thousands of tiny scans would keep the decoder busy for minutes.
_MAX_JPEG_SCANS = 100
# Phones write tens of segments before the picture, some with depth maps or long notes hundreds.
_MAX_JPEG_MARKERS = 10_000
# In compressed JPEG data, 0xFF before 0x00 is stuffing, before D0-D7 a restart, before 0xFF a filler.
_JPEG_MARKER = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")
_JPEG_TEMPORARY, _JPEG_START, _JPEG_END, _JPEG_SCAN = 0x01, 0xD8, 0xD9, 0xDA
_JPEG_APP0 = 0xE0
# Frames: Huffman coding in 0xC0 to 0xC7, arithmetic in 0xC9 to 0xCF; three of these mark something else.
_JPEG_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_DECODED_PROCESSES = {0xC0, 0xC1, 0xC2, 0xC9, 0xCA}  # baseline, extended, progressive
_LOSSLESS_PROCESSES = {0xC3, 0xC7, 0xCB, 0xCF}
# Shorter than every segment without which a picture is another one (frame 11, tables 19 and more, Adobe 16),
# but for the restart interval, whose loss the decoder notices: more is a segment whose marker was lost.
_MAX_STRAY_BYTES = 10
# Some cameras pad the compressed data. More than a storage block of it is a header that hides picture rows.
_MAX_JPEG_PADDING_BYTES = 4096
_JPEG_PADDING = re.compile(r"(\d+) extraneous bytes before marker 0xd9")


@dataclass(frozen=True)
class _Frame:
    """What a JPEG's frame header says: the process of coding, bits of a value, and the size."""

    process: int
    bits: int
    height_px: int
    width_px: int


def decode_jpeg(encoded: bytes, colour: bool) -> tuple[Pixels, dict[int, Any]]:
    """The pixels as stored, and the EXIF tags; `colour` and what is raised as for `pixels.decode`.

    libjpeg-turbo decodes; the brightness channel alone is the fastest and needs no conversion.
    """
    encoded, frame = _in_order(encoded)
    check_size(frame.width_px, frame.height_px)
    if frame.bits != 8 or frame.process not in _DECODED_PROCESSES:
        how = (
            "without loss" if frame.process in _LOSSLESS_PROCESSES else f"with {frame.bits} bits for a value"
        )
        raise PhotoError("not-a-photo", f"it is a JPEG {how}, as no camera writes it; save it as PNG")
    try:
        _, _, colour_space, _ = simplejpeg.decode_jpeg_header(encoded, strict=False)
    except (KeyError, ValueError) as error:
        if not isinstance(error, KeyError) and "subsampling" not in str(error):
            raise
        pixels = _decode_unusual(encoded, frame, colour)
    else:
        pixels = _decode_usual(encoded, colour_space, colour)
    tags: dict[int, Any] = {}
    with suppress(Exception):
        tags = exif_tags(Image.open(BytesIO(encoded), formats=["JPEG"]))
    return pixels, tags


def _in_order(encoded: bytes) -> tuple[bytes, _Frame]:
    """Walk over the markers of the first picture: it must end, and not have too many scans.

    What follows the end is ignored: phones append the second picture of a pair, or a short video.

    Returns
    -------
    The same file without the few bytes between two segments that some cameras leave there and every viewer
    passes over, and with a version of JFIF that the decoder knows. Neither is part of the compressed picture,
    which is left as it is; so the decoder can be asked to take no warning lightly. And what the frame says.

    Source: ITU-T T.81, annex B; for the version, JFIF 1.02.
    """
    position = 2
    markers = scans = 0
    kept, kept_from, in_scan = [], 0, False
    frame = None
    while (found := _JPEG_MARKER.search(encoded, position)) is not None:
        marker, start = encoded[found.end() - 1], found.start()
        stray = 0 if in_scan else len(encoded[position:start].replace(b"\xff", b""))
        if stray > _MAX_STRAY_BYTES:
            raise PhotoError("photo-damaged", f"JPEG: {stray} bytes between two segments")
        if stray:
            kept.append(encoded[kept_from:position])
            kept_from = start
        position = found.end()
        if marker == _JPEG_END:
            if frame is None:
                break
            return b"".join([*kept, encoded[kept_from:]]) if kept else encoded, frame
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
            content = encoded[position + 2 : position + 9]
            if marker in _JPEG_FRAMES and frame is None and len(content) >= 5:
                frame = _Frame(marker, *struct.unpack(">BHH", content[:5]))
            if marker == _JPEG_APP0 and content[:5] == b"JFIF\0" and content[5:6] != b"\1":
                kept += [encoded[kept_from : position + 7], b"\1"]
                kept_from = position + 8
            position += int.from_bytes(encoded[position : position + 2], "big")
    raise PhotoError("photo-damaged", "JPEG: the file ends before the picture does")


def _decode_usual(encoded: bytes, colour_space: str, colour: bool) -> Pixels:
    """Decode with libjpeg-turbo's own interface, which knows the usual ways to store colours."""
    if colour_space in ("CMYK", "YCCK"):
        # Cameras do not write these. By convention ink is stored inverted: 255 is none.
        ink = 255 - _decode_whole(encoded, "CMYK")
        return flatten(Image.frombytes("CMYK", (ink.shape[1], ink.shape[0]), ink.tobytes()), colour)
    pixels = _decode_whole(encoded, "RGB" if colour else "GRAY")
    return pixels if colour else pixels.reshape(pixels.shape[:2])


def _decode_unusual(encoded: bytes, frame: _Frame, colour: bool) -> Pixels:
    """Decode what is legal, but no camera's way to store colours (4:1:0, say), in a process of its own.

    libjpeg-turbo's interface does not know it. OpenCV does, and only its process hears what is wrong.
    """
    program = [sys.executable, "-P", jpeg_decoding.__file__, "colour" if colour else "gray"]
    try:
        done = subprocess.run(program, input=encoded, capture_output=True, timeout=DECODER_SECONDS)
    except subprocess.TimeoutExpired as error:
        raise PhotoError("photo-damaged", "JPEG: the decoder did not come back") from error
    if done.returncode != 0 or done.stderr:
        said = done.stderr.decode(errors="replace").strip()
        raise PhotoError("photo-damaged", f"JPEG: {said or 'the decoder crashed on it'}")
    shape = (frame.height_px, frame.width_px)
    return (
        np.frombuffer(done.stdout, np.uint8).reshape(*shape, 3)
        if colour
        else (np.frombuffer(done.stdout, np.uint8).reshape(shape))
    )


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
