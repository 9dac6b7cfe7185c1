"""A HEIC decoded so that a file on which the decoder crashes is refused, and ends nothing else.

A process that works for another one (one of several that measure, the desk's) may end with its photo. Any
other gives the file to a process of its own: `heif_decoding`, run as a program.
"""

import json
import subprocess
import sys
import threading
from collections.abc import Callable
from multiprocessing import parent_process
from typing import IO, Any

from aperture.errors import PhotoError
from aperture.photo import heif_decoding
from aperture.photo.boxes import check_item_texts
from aperture.photo.content import DECODER_SECONDS
from aperture.photo.heif_decoding import Decoded, decode_heif


def read_heif(encoded: bytes, check_size: Callable[[int, int], None]) -> Decoded:
    """The primary picture of a HEIC file, upright.

    Parameters
    ----------
    encoded : the file.
    check_size : is given width and height before anything is decoded, and may raise.

    Raises
    ------
    PhotoError : "photo-damaged", the decoder crashed or did not come back.
    Nearly everything else, on a damaged file.
    """
    check_item_texts(encoded)
    if parent_process() is not None:
        return decode_heif(encoded, check_size)
    # -P: what lies beside the program is no module for it to import.
    command = [sys.executable, "-P", heif_decoding.__file__]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as program:
        too_long = threading.Timer(DECODER_SECONDS, program.kill)
        too_long.start()
        try:
            return _decoded_by(program, encoded, check_size)
        except (EOFError, BrokenPipeError) as error:
            raise PhotoError("photo-damaged", "HEIC: the decoder crashed on it") from error
        finally:
            too_long.cancel()
            program.kill()


def _decoded_by(
    program: "subprocess.Popen[bytes]", encoded: bytes, check_size: Callable[[int, int], None]
) -> Decoded:
    """Talk to the program; EOFError or BrokenPipeError where it ended before it should."""
    assert program.stdin is not None
    assert program.stdout is not None
    with program.stdin:
        program.stdin.write(encoded)
    width, height = _line(program.stdout)
    check_size(width, height)
    mode, (width, height), exif = _line(program.stdout)
    pixels = program.stdout.read()
    if len(pixels) < width * height:  # its modes have a byte or more for each
        raise EOFError
    return Decoded(mode, (width, height), bytes.fromhex(exif), pixels)


def _line(output: IO[bytes]) -> Any:
    """One line of JSON; ValueError with what the decoder said against the file."""
    line = output.readline()
    if not line.endswith(b"\n"):
        raise EOFError
    said = json.loads(line)
    if isinstance(said, dict):
        raise ValueError(said["error"])
    return said
