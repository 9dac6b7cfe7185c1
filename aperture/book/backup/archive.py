"""What a backup of the reed book is: its parts, and whether a book and its pictures are whole.

A backup is a ZIP file that any program opens: `reed-book.sqlite3`, the pictures under `pictures/` with the
names that they have beside the book, and `manifest.json` with the SHA-256 of each.
"""

import hashlib
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, Field

from aperture.book.photos.pictures import hash_in
from aperture.book.store.book_file import begins_like_a_database
from aperture.book.store.ledger import Book
from aperture.errors import BookError

BACKUP = "reed-book"
DATABASE, PICTURES, MANIFEST = "reed-book.sqlite3", "pictures/", "manifest.json"


class Member(BaseModel):
    size: Annotated[int, Field(ge=0)]
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class Manifest(BaseModel):
    what: Literal["backup of a reed book"]
    program: str
    schema_version: int
    made_at: str
    members: dict[str, Member]


@dataclass(frozen=True)
class NamedPicture:
    """A picture that a book names: of which photo, and its hash, of a tip only the beginning of it."""

    name: str
    photo: str
    sha256: str
    is_tip: bool = False

    def is_whole(self, sha256: str) -> bool:
        """Whether it is as it was kept, if this is its hash."""
        return sha256.startswith(self.sha256)


def pictures_of(book: Book) -> list[NamedPicture]:
    """Every picture that a book names."""
    photos = {photo.id: photo for photo in book.photos()}
    kept = [
        NamedPicture(photo.kept, photo.name, photo.kept_sha256 or "")
        for photo in photos.values()
        if photo.kept
    ]
    tips = {row["tip"]: photos[row["photo_id"]].name for row in book.table("readings") if row["tip"]}
    return [*kept, *(NamedPicture(tip, name, hash_in(tip), is_tip=True) for tip, name in tips.items())]


def sha256_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def sound_book(database: Path) -> tuple[int, list[NamedPicture]]:
    """How many photos a book has that must be without a fault, and the pictures that it names."""
    if not begins_like_a_database(database):
        raise BookError("book-damaged", f"{database} is no database")
    try:
        with Book(database) as book:
            for trouble in book.integrity_errors():
                raise BookError("book-damaged", trouble)
            return len(book.photos()), pictures_of(book)
    except sqlite3.Error as error:
        raise BookError("book-damaged", str(error)) from error


def lacking_in(pictures: Iterable[NamedPicture], members: Mapping[str, Member]) -> tuple[str, ...]:
    """The pictures that a book names and a backup does not have as they were kept."""
    lacking = []
    for picture in pictures:
        member = members.get(f"{PICTURES}{picture.name}")
        if member is None or not picture.is_whole(member.sha256):
            lacking.append(picture.name)
    return tuple(lacking)
