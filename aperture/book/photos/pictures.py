"""The folder beside the book where its pictures lie: every photo without private data, and its tip enlarged.

A picture is named by the SHA-256 of the file as it came, so a photo that comes twice is kept once, whatever
it is called: `ab/abcdef….jpg` is the photo, `ab/abcdef…-01234567-tip.jpg` the notch laid flat. Where the card
is may be found again by a later version, so a photo can have several of the latter, named by content, too.
"""

import hashlib
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path, PurePath

from PIL import Image

from aperture.book.photos.privacy import taking_private_out
from aperture.book.store.picture_folder import is_of_a_book
from aperture.errors import PhotoError
from aperture.files import write_whole
from aperture.photo import Format, Photo, read_bytes, read_photo
from aperture.present.canvas import JPEG_QUALITY, Window
from aperture.present.drawing import flat_picture, notch_window
from aperture.view.view import View

TIP_WIDTH_PX = 1000

_ENDINGS: dict[Format, str] = {
    "JPEG": ".jpg",
    "PNG": ".png",
    "HEIC": ".heic",
    "AVIF": ".avif",
    "WebP": ".webp",
}
_TIP_ENDING = "-tip.jpg"
_SHA256 = re.compile(r"[0-9a-f]{64}")
_NAME = re.compile(r"([0-9a-f]{2})/\1[0-9a-f]{62}(\.jpg|\.png|\.heic|\.avif|\.webp|-[0-9a-f]{8}-tip\.jpg)")


@dataclass(frozen=True)
class Kept:
    """A photo in the folder: its name there, hashes of the file as it came and as it is kept, its size."""

    name: str
    sha256: str
    kept_sha256: str
    size_bytes: int


@dataclass(frozen=True)
class Copy:
    """A photo without private data: its name in the folder, all of it, and whether it lies there already."""

    name: str
    content: bytes
    is_there: bool


@dataclass(frozen=True)
class Tip:
    """A tip's picture in the folder: its name there, and which part of the tip's plane it shows."""

    name: str
    window: Window


def keep(folder: Path, photo: Photo, copy: Copy | None = None) -> Kept:
    """Keep a photo without private data. What is kept already is left as it is.

    Parameters
    ----------
    folder : where pictures are kept; it need not exist.
    photo : as `read_photo` returned it.
    copy : what `copying` of the same gave, if that was called already.

    Raises
    ------
    PhotoError : the photo cannot be decoded.
    OSError : it cannot be written; `filename` says where.
    """
    copy = copy or copying(folder, photo)()
    if not copy.is_there:
        _write(folder, copy.name, copy.content)
    return Kept(copy.name, photo.sha256, hashlib.sha256(copy.content).hexdigest(), len(copy.content))


def copying(folder: Path, photo: Photo) -> Callable[[], Copy]:
    """What makes the copy to keep, and writes nothing. That of a HEIC may run in a thread."""
    for ending in _ENDINGS.values():
        name = _name(photo.sha256, ending)
        with suppress(PhotoError):
            there = Copy(name, read_photo(place_of(folder, name)).encoded, is_there=True)
            return lambda: there
    take_out = taking_private_out(photo)

    def made() -> Copy:
        content, format = take_out()
        return Copy(_name(photo.sha256, _ENDINGS[format]), content, is_there=False)

    return made


def keep_tip(folder: Path, photo: Photo, view: View) -> Tip:
    """Keep the notch of a photo laid flat and enlarged, brightened if dark, with nothing drawn on it.

    Pictures of the same tip that look different are kept beside it; only the window that is returned fits.

    Parameters
    ----------
    folder, photo : as in `keep`.
    view : where the card is in the photo.

    Raises
    ------
    PhotoError : the photo cannot be decoded.
    OSError : it cannot be written; `filename` says where.
    """
    window = notch_window(view, TIP_WIDTH_PX)
    buffer = BytesIO()
    picture = Image.fromarray(flat_picture(photo, view, window))
    picture.save(buffer, "JPEG", quality=JPEG_QUALITY, subsampling=0)
    content = buffer.getvalue()
    name = _name(photo.sha256, f"-{hashlib.sha256(content).hexdigest()[:8]}{_TIP_ENDING}")
    _write(folder, name, content)
    return Tip(name, window)


def place_of(folder: Path, name: str) -> Path:
    """Where a picture lies that has this name in the folder.

    Raises
    ------
    ValueError : it is no name that this module gives.
    """
    if not _NAME.fullmatch(name):
        raise ValueError(f"not the name of a kept picture: {name!r}")
    return folder.joinpath(*name.split("/"))


def hash_in(tip: str) -> str:
    """The beginning of the SHA-256 that a tip's picture has in its name."""
    return tip.removesuffix(_TIP_ENDING).rpartition("-")[2]


def all_kept(folder: Path) -> Iterator[str]:
    """The names of all pictures in the folder, in order; whatever else lies there is passed over."""
    for path in sorted(folder.glob("*/*")):
        name = path.relative_to(folder).as_posix()
        if _NAME.fullmatch(name) and path.is_file():
            yield name


def kept_among(paths: Iterable[Path]) -> set[Path]:
    """Which files are pictures that a reed book keeps, this book or another one: no new photos, but copies.

    They are called and lie as `keep` and `keep_tip` have it, and either lie in the folder of a book that is
    there, or have the content that `is_kept_copy` asks for.
    """
    of_books: dict[Path, bool] = {}
    kept = set()
    for path in paths:
        if not is_called_kept(path):
            continue
        folder = path.parent.parent
        if folder not in of_books:
            of_books[folder] = is_of_a_book(folder)
        with suppress(PhotoError):  # what cannot be read is told where it is measured
            if of_books[folder] or is_kept_copy(path, hashlib.sha256(read_bytes(path)).hexdigest()):
                kept.add(path)
    return kept


def is_called_kept(path: PurePath) -> bool:
    """Whether a file is called and lies as a kept picture; others can be, too."""
    return _NAME.fullmatch("/".join(path.parts[-2:])) is not None


def is_kept_copy(path: PurePath, sha256: str) -> bool:
    """Whether a file of this name, its folder before it, and this hash is one that a book keeps.

    A tip has the beginning of its own hash in its name. A kept photo is named by the hash of the photo as it
    came, and differs from that, for what is private is taken out. What has the very hash that it is called by
    is a photo as it came, out of an archive that names files so.
    """
    if not is_called_kept(path):
        return False
    if path.name.endswith(_TIP_ENDING):
        return sha256.startswith(hash_in(path.name))
    return path.stem != sha256


def leftovers(folder: Path) -> Iterator[Path]:
    """Half-written files of a run that was stopped, in order. One that is being written looks the same."""
    yield from sorted(folder.glob("*/.*.part"))


def _name(sha256: str, ending: str) -> str:
    if not _SHA256.fullmatch(sha256):
        raise ValueError(f"not a SHA-256: {sha256!r}")
    return f"{sha256[:2]}/{sha256}{ending}"


def _write(folder: Path, name: str, content: bytes) -> None:
    path = place_of(folder, name)
    with _naming(path):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)  # for its owner alone, as the book
        path.parent.mkdir(exist_ok=True)
        write_whole(path, content)


@contextmanager
def _naming(path: Path) -> Iterator[None]:
    """A full disk does not say which file it has no room for: add it."""
    try:
        yield
    except OSError as error:
        if error.filename is None:
            error.filename = str(path)
        raise
