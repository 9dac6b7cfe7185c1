"""The folder of a book's pictures: the pictures of a book from an earlier version are brought into it.

Each book has a folder of the whole name of its file, beside the real file: `reeds.sqlite3-pictures`. Earlier
versions left the ending out (`reeds-pictures`), and looked beside a link; so two books could share a folder.
"""

import os
import sqlite3
from collections.abc import Collection, Iterator
from contextlib import suppress
from pathlib import Path

from aperture.book.store import book_file
from aperture.errors import BookError
from aperture.files import sync_folder, write_whole

_ENDING = "-pictures"


def settled(path: Path, connection: sqlite3.Connection, wait_seconds: float | None = None) -> Path:
    """The folder where the pictures of an open book lie; those of an earlier version are brought there first.

    Where that cannot be done now, on a medium that is full or locked, the earlier folder is used as it is.

    Parameters
    ----------
    path, wait_seconds : as `book_file.connect` has them.
    """
    own, former = book_file.pictures_folder(path), former_folders(path)
    if not former:
        return own
    named: Collection[str] | None = None
    with suppress(OSError, BookError, sqlite3.Error):
        named = book_file.named_pictures(connection)
        if _wanted(former, own, named):
            with book_file.locked(path, wait_seconds):
                gather(path, named)
    if own.is_dir():
        return own
    return next((folder for folder in former if named is None or _pictures_in(folder) & {*named}), own)


def gather(path: Path, named: Collection[str]) -> None:
    """Bring what a book names out of the folders of earlier versions into its own; call it under its lock.

    A folder in which the book names every picture is renamed, unless another database may use it. Otherwise
    each picture gets a second name, or is copied, and nothing is taken away: who names the others may be
    elsewhere. What is half done lies in a hidden folder, so that a run that is killed changes nothing.

    Raises
    ------
    OSError : it cannot be written; everything lies where it was.
    """
    own = book_file.pictures_folder(path)
    for folder in _wanted(former_folders(path), own, named):
        there = _pictures_in(folder)
        alone = there <= {*named} and not is_shared(folder, path)
        if alone and not own.exists() and folder.lstat().st_dev == own.parent.stat().st_dev:
            folder.rename(own)
        elif own.exists():
            for name in sorted(there & {*named} - _pictures_in(own)):
                _give_second_name(folder / name, own / name)
        else:
            with book_file.workspace(own) as room:
                new = room / own.name
                new.mkdir(mode=0o700)  # for its owner alone, as the book
                for name in sorted(there & {*named}):
                    _give_second_name(folder / name, new / name)
                new.rename(own)
        sync_folder(own.parent)


def former_folders(path: Path) -> list[Path]:
    """The folders that are there in which earlier versions kept the pictures of a book of this name."""
    real = book_file.real_path(path)
    places = [each.with_name(each.stem + _ENDING) for each in (real, path.absolute())]
    own = book_file.pictures_folder(path)
    return [place for place in dict.fromkeys(places) if place != own and os.path.isdir(place)]  # noqa: PTH112


def is_shared(folder: Path, path: Path) -> bool:
    """Whether a database beside the folder, other than that at `path`, may have pictures in it."""
    real = book_file.real_path(path)
    return any(book_file.real_path(other) != real for other in _databases_of(folder))


def is_of_a_book(folder: Path) -> bool:
    """Whether a folder is called like that of a book beside it, in this version or an earlier one."""
    try:
        return folder.name.endswith(_ENDING) and any(_databases_of(folder))
    except OSError:
        return False


def place_of_pictures(path: Path) -> Path:
    """Where the pictures of a book lie, as far as that is known without opening it."""
    own = book_file.pictures_folder(path)
    return own if own.is_dir() else next(iter(former_folders(path)), own)


def left_behind(path: Path, named: Collection[str]) -> list[Path]:
    """Folders of earlier versions that still hold pictures of this book, which has them in its own, too."""
    if not book_file.pictures_folder(path).is_dir():
        return []
    return [folder for folder in former_folders(path) if _pictures_in(folder) & {*named}]


def check_nothing_left(path: Path) -> None:
    """Raise BookError where a book would be missed, or begun again, on what is left of one: its last entries,
    which SQLite would clear away, or its pictures."""
    if path.is_file() and path.stat().st_size > 0:
        return
    for ending in ("-wal", "-journal"):
        log = path.with_name(path.name + ending)
        if not path.exists() and log.is_file() and log.stat().st_size > 0:
            raise BookError("book-damaged", f"{path} is gone, but {log.name}, which belongs to it, is there")
    own = book_file.pictures_folder(path)
    former = [folder for folder in former_folders(path) if not is_shared(folder, path)]
    for folder in (own, *former):
        if not _pictures_in(folder):
            continue
        if path.is_file():
            where = f"the pictures beside it are there, in {folder.name}"
            raise BookError("book-damaged", f"{path} is empty, but {where}")
        raise BookError("book-gone", f"{path} is not there, and {folder} is")


def _databases_of(folder: Path) -> Iterator[Path]:
    """The databases beside a folder that may have their pictures in it, going by its name."""
    name = folder.name.removesuffix(_ENDING)
    for other in folder.parent.iterdir():
        if name in (other.stem, other.name) and book_file.begins_like_a_database(other):
            yield other


def _wanted(former: list[Path], own: Path, named: Collection[str]) -> list[Path]:
    """The folders that hold something which the book names and does not have in its own."""
    have = _pictures_in(own)
    return [folder for folder in former if (_pictures_in(folder) & {*named}) - have]


def _pictures_in(folder: Path) -> set[str]:
    """The names of all that lies in a folder as pictures do, "ab/abcd….jpg"; none of what is half-written."""
    return {
        f"{place.parent.name}/{place.name}"
        for place in folder.glob("*/*")
        if not place.name.startswith(".") and os.path.isfile(place)  # noqa: PTH113 (of any it can say no)
    }


def _give_second_name(source: Path, target: Path) -> None:
    target.parent.mkdir(exist_ok=True)
    try:
        os.link(source, target)
    except FileExistsError:
        return
    except OSError:  # memory sticks know no second names
        write_whole(target, source.read_bytes())
