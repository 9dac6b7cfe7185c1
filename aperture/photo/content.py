"""The content of a photo's file, or of what is at an address, and what its first bytes say that it is."""

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, Literal

from aperture.errors import PhotoError

Format = Literal["JPEG", "PNG", "HEIC", "AVIF", "TIFF", "WebP"]

MAX_PIXELS = 200_000_000
# The largest picture without compression: 16-bit red, green, blue and alpha. A larger file is no photo.
MAX_FILE_BYTES = MAX_PIXELS * 8
# What reads addresses comes with the packages for a cluster; libraries of single kinds may be missing still.
CLUSTER_EXTRA = ".venv/bin/pip install '.[cluster]'"

# A decoder in a process of its own takes ten for the largest picture; more is one that never comes back.
DECODER_SECONDS = 120.0
# More than `format_of` looks at.
_HEAD_BYTES = 512

_HEIC_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs", b"mif1", b"msf1"}
_AVIF_BRANDS = {b"avif", b"avis"}
_OTHER_FILES = {
    b"GIF8": "a GIF picture",
    b"BM": "a BMP picture",
    b"%PDF": "a PDF document",
    b"PK\x03\x04": "a ZIP archive or an office document",
}


def is_address(path: str | Path) -> bool:
    """Whether this is no path but an address, as in s3://bucket/photo.jpg."""
    return "://" in str(path)  # a Path never has two slashes


def read_bytes(path: Path, any_kind: bool = False) -> bytes:
    """The content of a photo's file, after a look at its kind, its size and its first bytes.

    Every photo of this machine is opened here or by `glance`: what is no file, might never end, or does not
    begin like a photo is refused with a `PhotoError` before it is read. With `any_kind` the last of these is
    not asked.
    """
    with _opened(path, any_kind) as (file, size):
        return file.read(size)


def glance(path: Path) -> None:
    """Raise the `PhotoError` that `read_bytes` would, without reading the file."""
    with _opened(path):
        pass


@contextmanager
def _opened(path: Path, any_kind: bool = False) -> Iterator[tuple[BinaryIO, int]]:
    """A file that begins like a photo, or is of any kind, at its beginning, and its size in bytes."""
    try:
        _size_of(path.stat())  # to open a device might do something already
        # Were it a pipe by now, opening would wait for ever.
        flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        with os.fdopen(os.open(path, flags), "rb") as file:
            size = _size_of(os.fstat(file.fileno()))
            if not any_kind:
                format_of(file.read(_HEAD_BYTES))
                file.seek(0)
            yield file, size
    except (FileNotFoundError, NotADirectoryError) as error:
        raise PhotoError("file-missing") from error
    except OSError as error:
        raise PhotoError("file-unreadable", error.strerror or "") from error
    except ValueError as error:
        raise PhotoError("file-missing", "no file can have this name") from error


def _size_of(status: os.stat_result) -> int:
    """The size of an ordinary file."""
    if stat.S_ISDIR(status.st_mode):
        raise PhotoError("file-unreadable", "it is a folder")
    # A pipe or a device might never end.
    if not stat.S_ISREG(status.st_mode):
        raise PhotoError("file-unreadable", "it is not an ordinary file")
    if status.st_size == 0:
        raise PhotoError("file-empty")
    if status.st_size > MAX_FILE_BYTES:
        raise PhotoError("photo-too-large", f"the file has {status.st_size / 1e9:.1f} GB")
    return status.st_size


def read_address(address: str) -> bytes:
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


def format_of(encoded: bytes) -> Format:
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
            return "AVIF"
        if brands & _HEIC_BRANDS:
            return "HEIC"
        raise PhotoError("not-a-photo", "it is a video")
    for start_of_file, name in _OTHER_FILES.items():
        if encoded.startswith(start_of_file):
            raise PhotoError("not-a-photo", f"it is {name}")
    raise PhotoError("not-a-photo")
