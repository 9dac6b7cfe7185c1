"""A HEIC decoded by libheif; as a program of its own, what ends the decoder ends nothing else.

As a program it imports nothing of the package, so that it starts in a tenth of a second. It is given the file
on its standard input and writes to its standard output: a line of JSON with width and height before it
decodes, another line with all but the pixels, then the pixels. Of what is wrong with the file it writes one
line, {"error": ...}.
"""

import json
import sys
from collections.abc import Callable
from typing import NamedTuple


class Decoded(NamedTuple):
    """A picture as libheif gives it, upright.

    `mode` is Pillow's name of what a pixel is; `pixels` are `size` = width × height of them, row by row;
    `exif` is the block of camera data, empty if there is none.
    """

    mode: str
    size: tuple[int, int]
    exif: bytes
    pixels: bytes


def decode_heif(encoded: bytes, check_size: Callable[[int, int], None]) -> Decoded:
    """Decode the primary picture; libheif also turns it.

    Parameters
    ----------
    encoded : a HEIC file.
    check_size : is given width and height before anything is decoded, and may raise.

    Raises
    ------
    Nearly everything, on a damaged file. On some the process ends.
    """
    import pi_heif

    file = pi_heif.open_heif(encoded)
    check_size(*file.size)
    exif = bytes(file.info.get("exif") or b"")
    if file.mode == "RGB" and file.stride == 3 * file.size[0]:
        # What most phones write: one copy, because each takes its time. The file's own pixels end with it.
        return Decoded(file.mode, file.size, exif, bytes(file.data))
    image = file.to_pillow()
    del file  # with it go the pixels a second time
    return Decoded(image.mode, image.size, exif, image.tobytes())


def main() -> None:
    """Decode what comes in, and write it out."""
    output = sys.stdout.buffer

    def write(line: object) -> None:
        output.write(json.dumps(line).encode() + b"\n")
        output.flush()

    try:
        decoded = decode_heif(sys.stdin.buffer.read(), lambda width, height: write([width, height]))
    except Exception as error:
        write({"error": " ".join(str(error).split()) or type(error).__name__})
        return
    write([decoded.mode, decoded.size, decoded.exif.hex()])
    output.write(decoded.pixels)


if __name__ == "__main__":
    main()
