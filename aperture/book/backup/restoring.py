"""A backup brought back whole, and what was there before put aside."""

import hashlib
import os
import shutil
import sqlite3
import stat
import struct
import zlib
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZIP_STORED, BadZipFile, ZipFile, ZipInfo

from pydantic import ValidationError

from aperture.book.backup.archive import (
    DATABASE,
    MANIFEST,
    PICTURES,
    Manifest,
    Member,
    lacking_in,
    sound_book,
)
from aperture.book.photos.pictures import place_of
from aperture.book.store import book_file, picture_folder, schema
from aperture.errors import BookError
from aperture.files import sync_folder

# Room for the names of some hundred thousand pictures.
_MANIFEST_LIMIT_BYTES = 64 * 2**20
_CHUNK_BYTES = 2**20
_CORRUPT = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


# What reading a ZIP file raises where its bytes make no sense.
_SENSELESS = (BadZipFile, zlib.error, struct.error, EOFError, ValueError, NotImplementedError, RuntimeError)


@dataclass(frozen=True)
class Restored:
    """A book that was brought back, and how many photos it names.

    `moved_aside` is the new name of the book that was there before; its pictures lie in the folder that
    belongs to that name. `lacking` are pictures that the book names and the backup does not have.
    """

    path: Path
    photos: int
    moved_aside: Path | None = None
    lacking: tuple[str, ...] = ()


def restore(archive: Path, path: Path) -> Restored:
    """Bring the book in a backup, with its pictures, back to `path`.

    A book that is there is first moved aside, with its pictures, to a dated name beside it. Until the backup
    was unpacked and checked completely, nothing of it is touched; if a later step fails, the steps before it
    are undone. If the program is killed among these steps, the book at `path` is the former one, whole, and
    its pictures lie in its own folder or in that of the dated name; nothing is lost, and restoring again
    does what was left undone.

    Parameters
    ----------
    archive : a file that `back_up` wrote.
    path : the book's file; it need not exist.

    Raises
    ------
    BookError : the backup is damaged, or newer than the program; somebody has the book at `path` open; there
        is not enough room.
    """
    pictures = book_file.pictures_folder(path)
    with book_file.report_errors(path):
        if not archive.is_file():
            raise BookError("backup-missing", str(archive))
        # A link stays a link; all else lies beside the real file.
        real = book_file.real_path(path)
        real.parent.mkdir(parents=True, exist_ok=True)
        with book_file.workspace(real) as room, book_file.workspace(pictures) as gallery:
            # Short names: SQLite takes no path of more than 512 bytes.
            new, new_pictures = room / DATABASE, gallery / pictures.name
            new_pictures.mkdir(mode=0o700)  # for their owner alone, as the book
            try:
                members = _unpack(archive, new, new_pictures)
                photos, named = sound_book(new)
            except _SENSELESS as error:
                raise _damaged(archive, str(error)) from error
            except BookError as error:
                if error.code != "book-damaged":
                    raise
                raise _damaged(archive, error.detail.replace(str(new), DATABASE)) from error
            # Copies are single files without a write-ahead log; with it, reading never waits.
            with closing(sqlite3.connect(new)) as connection:
                connection.execute("PRAGMA journal_mode = wal")
            aside = _exchange(path, real, new, new_pictures)
    return Restored(path, photos, aside, lacking_in(named, members))


def _unpack(path: Path, database: Path, pictures: Path) -> Mapping[str, Member]:
    """Unpack a backup and compare all of it with its manifest, which is returned."""
    with ZipFile(path) as archive:
        manifest = _checked_manifest(archive)
        needed = sum(member.size for member in manifest.members.values())
        free = shutil.disk_usage(pictures).free
        if needed > free:
            raise BookError("book-unwritable", f"{pictures}: {needed:,} bytes are needed, {free:,} are free")
        for name, member in manifest.members.items():
            target = _place(name, database, pictures)
            target.parent.mkdir(exist_ok=True)
            _unpack_one(archive, name, member, target)
    return manifest.members


def _checked_manifest(archive: ZipFile) -> Manifest:
    """The manifest, if the members of a backup are exactly those that it lists."""
    infos = {info.filename: info for info in archive.infolist()}
    if len(infos) != len(archive.infolist()):
        raise ValueError("a name occurs twice")
    listed = infos.pop(MANIFEST, None)
    if listed is None or listed.file_size > _MANIFEST_LIMIT_BYTES:
        raise ValueError(f"there is no {MANIFEST}, or it is too large")
    with archive.open(listed) as file:
        # Never more than it said: a few bytes can be made to unpack to any length.
        content = file.read(listed.file_size)
    try:
        manifest = Manifest.model_validate_json(content)
    except ValidationError as error:
        raise ValueError(f"{MANIFEST} is not that of a backup") from error
    if manifest.schema_version > schema.VERSION:
        raise BookError("book-newer", f"{archive.filename} was written by version {manifest.program}")
    if infos.keys() != manifest.members.keys() or DATABASE not in infos:
        raise ValueError(f"its members are not those in {MANIFEST}")
    for name, info in infos.items():
        if info.file_size != manifest.members[name].size or not _is_plain(info):
            raise ValueError(f"{name} is not as {MANIFEST} says")
    return manifest


def _is_plain(info: ZipInfo) -> bool:
    kind = stat.S_IFMT(info.external_attr >> 16)
    return kind in (0, stat.S_IFREG) and info.compress_type in (ZIP_STORED, ZIP_DEFLATED)


def _place(name: str, database: Path, pictures: Path) -> Path:
    """Where a member of a backup goes: nowhere but to the names that this program gives.

    Raises
    ------
    ValueError : it has another name.
    """
    if name == DATABASE:
        return database
    if not name.startswith(PICTURES):
        raise ValueError(f"{name!r} is no name of a picture")
    return place_of(pictures, name.removeprefix(PICTURES))


def _unpack_one(archive: ZipFile, name: str, member: Member, target: Path) -> None:
    digest, left = hashlib.sha256(), member.size
    target.touch(mode=0o600, exist_ok=False)
    with archive.open(name) as source, target.open("wb") as file:
        while chunk := source.read(_CHUNK_BYTES):
            left -= len(chunk)
            if left < 0:
                break
            digest.update(chunk)
            file.write(chunk)
        file.flush()
        os.fsync(file.fileno())
    if left != 0 or digest.hexdigest() != member.sha256:
        raise ValueError(f"{name} is not as {MANIFEST} says")


def _damaged(archive: Path, why: str) -> BookError:
    return BookError("backup-damaged", f"{archive}: {why}")


def _exchange(path: Path, real: Path, new: Path, new_pictures: Path) -> Path | None:
    """Put an unpacked book in its place; returns the name under which the former one lies now."""
    aside = None
    with book_file.locked(real), _alone(real) as former, ExitStack() as undo:
        pictures = _pictures_of_former(path, former)
        # A copy, not a new name: at every moment there is a book at its place that another program can find.
        if real.exists():
            aside = _free_name(real)
            copy = new.with_name("former")
            _copy(former, real, copy)
            _move(copy, aside, undo)
        if pictures.exists():
            aside = aside or _free_name(real)
            _move(pictures, book_file.pictures_folder(aside), undo)
        _move(new_pictures, book_file.pictures_folder(real), undo)
        # A damaged book may have left these; the new one must not take them for its own.
        for ending in ("-wal", "-journal", "-shm"):
            companion = real.with_name(real.name + ending)
            if companion.exists():
                aside = aside or _free_name(real)
                _move(companion, aside.with_name(aside.name + ending), undo)
        if former is not None and os.name == "nt":  # there an open file cannot be replaced
            former.close()
        new.replace(real)
        undo.pop_all()
        sync_folder(real.parent)
    return aside


def _pictures_of_former(path: Path, former: sqlite3.Connection | None) -> Path:
    """The folder, which need not exist, of the pictures that belong to the book that is there and no other.

    One that an earlier version called otherwise is first brought to its name, or left where another book may
    need it.
    """
    own = book_file.pictures_folder(path)
    if former is not None:
        with suppress(sqlite3.DatabaseError):  # a table is missing: what it names is not known
            picture_folder.gather(path, book_file.named_pictures(former))
            return own
    alone = (
        folder
        for folder in picture_folder.former_folders(path)
        if folder.parent == own.parent and not picture_folder.is_shared(folder, path)
    )
    return own if own.exists() else next(alone, own)


def _move(source: Path, target: Path, undo: ExitStack) -> None:
    source.rename(target)
    undo.callback(target.rename, source)


def _copy(former: sqlite3.Connection | None, real: Path, aside: Path) -> None:
    if former is not None:
        try:
            book_file.copy_to(former, aside)
            return
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            if not _is_damaged(error):
                raise
    aside.touch(mode=0o600, exist_ok=False)
    with real.open("rb") as source, aside.open("wb") as file:
        shutil.copyfileobj(source, file)
        file.flush()
        os.fsync(file.fileno())


@contextmanager
def _alone(path: Path) -> Iterator[sqlite3.Connection | None]:
    """Hold a book's file so that no other program can read or write it; None if there is none, or none whole.

    Raises
    ------
    sqlite3.OperationalError : another program has it open.
    """
    # SQLite throws away what lies beside a file that is no database; it may be all that is left of a book.
    if not book_file.begins_like_a_database(path):
        yield None
        return
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        try:
            # Leaving write-ahead logging brings what is in the log into the file; while any other program has
            # the book open, it is refused. And whoever has opened a file without that log, and finds another
            # in its place afterwards, is not allowed to write to it.
            connection.execute("PRAGMA journal_mode = delete")
            # Until the connection is closed.
            connection.execute("PRAGMA locking_mode = exclusive")
            connection.execute("BEGIN EXCLUSIVE")
            connection.execute("COMMIT")
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            if not _is_damaged(error):
                raise
            connection.close()
            yield None
            return
        try:
            yield connection
        except BaseException:
            with suppress(sqlite3.Error):
                connection.execute("PRAGMA journal_mode = wal")
            raise


def _is_damaged(error: sqlite3.Error | UnicodeDecodeError) -> bool:
    # What SQLite says of spoilt names is no text.
    return isinstance(error, UnicodeDecodeError) or getattr(error, "sqlite_errorcode", 0) & 0xFF in _CORRUPT


def _free_name(path: Path) -> Path:
    """A dated name beside a book that neither a book nor a picture folder has."""
    name = f"{path.stem}-before-restore-{datetime.now():%Y-%m-%d-%H%M%S}"
    aside, number = path.with_name(name + path.suffix), 2
    while aside.exists() or book_file.pictures_folder(aside).exists():
        aside, number = path.with_name(f"{name}-{number}{path.suffix}"), number + 1
    return aside
