"""The book kept safe: one file that holds all of it."""

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZIP_STORED, ZipFile

from aperture import __version__
from aperture.book.backup.archive import (
    BACKUP,
    DATABASE,
    MANIFEST,
    PICTURES,
    Manifest,
    Member,
    lacking_in,
    sha256_of,
    sound_book,
)
from aperture.book.photos.pictures import all_kept, place_of
from aperture.book.store import book_file, schema
from aperture.book.store.ledger import Book
from aperture.errors import BookError


@dataclass(frozen=True)
class BackUp:
    """A backup that was made: the file, its size, and how many photos the book in it names.

    `lacking` are pictures that the book names and that were not there, or not as they were kept.
    """

    path: Path
    photos: int
    bytes: int
    lacking: tuple[str, ...] = ()


def back_up(book: Book, target: Path) -> BackUp:
    """Write one file that holds the book and its pictures, while others may go on writing to it.

    The file appears when it is whole, and never in the place of another.

    Parameters
    ----------
    target : the file, or a folder: then it is called "reed-book-2026-10-05-143000.zip" after the time.

    Raises
    ------
    BookError : there is a file of that name, it cannot be written, or the book is damaged.
    """
    now = datetime.now().astimezone()
    if target.is_dir():
        target = target / f"{BACKUP}-{now:%Y-%m-%d-%H%M%S}.zip"
    with book_file.report_errors(target), book_file.workspace(target) as room:
        if target.exists():
            raise _exists(target)
        # The copy comes first: a picture is kept before the row that names it, so none can be too new for it.
        copy = room / DATABASE
        book.copy_to(copy)
        photos, pictures = sound_book(copy)
        part = room / target.name
        part.touch(mode=0o600, exist_ok=False)  # for its owner alone, as the book
        with part.open("wb") as file:
            with ZipFile(file, "w", ZIP_STORED) as archive:
                members = dict(_pack(archive, book.pictures))
                lacking = lacking_in(pictures, members)
                members[DATABASE] = Member(size=copy.stat().st_size, sha256=sha256_of(copy))
                archive.write(copy, DATABASE, ZIP_DEFLATED)
                manifest = Manifest(
                    what="backup of a reed book",
                    program=__version__,
                    schema_version=schema.VERSION,
                    made_at=now.isoformat(),
                    members=members,
                )
                archive.writestr(MANIFEST, manifest.model_dump_json(indent=1), ZIP_DEFLATED)
            file.flush()
            os.fsync(file.fileno())
        size = part.stat().st_size
        try:
            book_file.put_in_place(part, target)
        except FileExistsError as error:
            raise _exists(target) from error
    return BackUp(target, photos, size, lacking)


def _pack(archive: ZipFile, folder: Path) -> Iterator[tuple[str, Member]]:
    """Put the pictures into a ZIP file, one after the other."""
    for picture in all_kept(folder):
        try:
            content = place_of(folder, picture).read_bytes()
        except OSError:  # a backup without one picture is better than none: it is named as lacking
            continue
        name = PICTURES + picture
        archive.writestr(name, content)
        yield name, Member(size=len(content), sha256=hashlib.sha256(content).hexdigest())


def _exists(target: Path) -> BookError:
    return BookError("file-exists", f"{target} is never replaced")
