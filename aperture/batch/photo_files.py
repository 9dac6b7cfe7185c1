"""Which files are the photos: of folders, by their names and in the order of people; and of addresses."""

import os
import re
from collections.abc import Iterable, Sequence
from pathlib import Path, PurePath, PurePosixPath

from aperture.errors import PhotoError
from aperture.photo import is_address
from aperture.photo.content import CLUSTER_EXTRA

PHOTO_SUFFIXES = {".jpg", ".jpeg", ".png", ".heic", ".heif", ".avif", ".tif", ".tiff", ".webp"}
# How the names end that `aperture.present.annotate` gives to its pictures: no photos, wherever they lie.
ANNOTATED = "_annotated"
PAIRED = "_dry-soaked"
_OURS = re.compile(rf"({ANNOTATED}|{PAIRED})$|({ANNOTATED}|^reed-\d+{PAIRED})_\d+$")


def photos_in(paths: Sequence[str | Path]) -> list[Path]:
    """The photos that paths stand for.

    Parameters
    ----------
    paths : files, taken whatever they are called, and folders. Of a folder and the folders in it, files that
        are called like pictures are taken, by name with numbers in their order (R2 before R10); hidden ones
        and pictures that this program has drawn are left out.

    Returns
    -------
    In the order given. What does not exist, or cannot be opened, stays in the list: it becomes a refused
    result, not a silence.
    """
    photos: list[Path] = []
    for path in map(Path, paths):
        # Path.is_dir raises where a folder on the way may not be entered.
        photos += _photos_in_folder(path) if os.path.isdir(path) else [path]  # noqa: PTH112
    return photos


def photos_at(words: Sequence[str]) -> list[str | Path]:
    """The photos that words on a command line stand for: files and folders, as in `photos_in`, and addresses.

    An address with a * stands for the photos that fit, one that ends with / for those in that folder and the
    folders in it, by name as in `photos_in`; any other for one photo.

    Raises
    ------
    PhotoError : "file-unreadable", what is at an address cannot be listed.
    """
    photos: list[str | Path] = []
    for word in words:
        photos += _photos_at_address(word) if is_address(word) else photos_in([word])
    return photos


def called_like_drawings(paths: Iterable[str | Path]) -> list[Path]:
    """Files that `photos_in` leaves out of folders because they are called like this program's pictures."""
    folders = [Path(path) for path in paths if not is_address(str(path)) and os.path.isdir(path)]  # noqa: PTH112
    found = [one for folder in folders for one in _files_in(folder) if is_called_like_a_drawing(one.name)]
    return sorted(found, key=by_name)


def _photos_in_folder(folder: Path) -> list[Path]:
    closed: list[Path] = []
    found = [one for one in _files_in(folder, closed) if is_called_like_a_photo(one.name)]
    return sorted(found + closed, key=by_name)


def _files_in(folder: Path, closed: list[Path] | None = None) -> list[Path]:
    """The files in a folder and in those in it, but for hidden ones; what stays closed goes to `closed`."""

    def note(error: OSError) -> None:
        if closed is not None:
            closed.append(Path(error.filename))

    found: list[Path] = []
    # Links to folders are not followed: they can lead in a circle.
    for here, folders, files in os.walk(folder, onerror=note):
        folders[:] = [name for name in folders if not name.startswith(".")]
        found += [Path(here, name) for name in files]
    return found


def _photos_at_address(address: str) -> list[str]:
    if "*" not in address and not address.endswith("/"):
        return [address]
    try:
        import fsspec

        system, path = fsspec.url_to_fs(address)
        found = system.glob(path) if "*" in address else system.find(path)
        names = [name for name in found if is_called_like_a_photo(PurePosixPath(name).name)]
        return [system.unstrip_protocol(name) for name in sorted(names, key=by_name)]
    except ModuleNotFoundError as error:
        raise PhotoError("file-unreadable", f"{error.name} is missing: {CLUSTER_EXTRA}") from error
    # Each kind of address has a library of its own, with errors of its own.
    except Exception as error:
        raise PhotoError("file-unreadable", f"{address}: {error}") from error


def by_name(path: str | Path) -> list[tuple[list[tuple[str, int]], str]]:
    """A key that sorts files by their folders and names, with numbers in their order."""
    return [natural_order(part) for part in PurePath(path).parts]


def is_called_like_a_photo(name: str) -> bool:
    """Whether a file in a folder is taken for a photo, going by its name."""
    return _is_called_like_a_picture(name) and not _OURS.search(Path(name).stem)


def is_called_like_a_drawing(name: str) -> bool:
    """Whether a file in a folder is taken for a picture that this program drew, going by its name."""
    return _is_called_like_a_picture(name) and _OURS.search(Path(name).stem) is not None


def _is_called_like_a_picture(name: str) -> bool:
    return not name.startswith(".") and Path(name).suffix.lower() in PHOTO_SUFFIXES


def natural_order(name: str) -> tuple[list[tuple[str, int]], str]:
    """A key that sorts R2 before R10, whatever the case."""
    # Text and numbers alternate: ["r", "10", "_dry"].
    text_and_numbers = re.split(r"([0-9]+)", name.casefold())
    key = [(part, 0) if place % 2 == 0 else ("", int(part)) for place, part in enumerate(text_and_numbers)]
    return key, name
