"""The reed book's file: found, opened, upgraded, and its troubles in plain words."""

import errno
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from aperture.book.store import schema
from aperture.errors import BookError

BOOK_VARIABLE = "APERTURE_BOOK"
# Another process holds the book for a few milliseconds, unless something is wrong.
LOCK_TIMEOUT_SECONDS = 30.0

_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_UNWRITABLE = {sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN}
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_TOOBIG, sqlite3.SQLITE_MISMATCH}
# Of errors without a kind of their own, the words that only a damaged file brings about.
_DAMAGED_WORDS = ("no such ", "unsupported file format", "foreign key mismatch", "Could not decode to UTF-8")
# Nobody works this long on a backup: what is older was left by a run that was killed.
_STALE_SECONDS = 24 * 3600.0


def book_path(given: Path | None = None) -> Path:
    """Which file the book is: the one given, else $APERTURE_BOOK, else one in the user's data folder.

    Raises
    ------
    BookError : "book-missing", it is a folder.
    """
    from platformdirs import user_data_path

    named = os.environ.get(BOOK_VARIABLE)
    chosen = given if given is not None else Path(named) if named else None
    if chosen is not None:
        if not chosen.name or chosen.is_dir():
            raise BookError("book-missing", f"{chosen} is a folder; name the book's file in it")
        return chosen
    return user_data_path("aperture", appauthor=False) / "reed-book.sqlite3"


def real_path(path: Path) -> Path:
    """The path without links; what is not there, or goes round in circles, has one, too."""
    return Path(os.path.realpath(path))


def pictures_folder(path: Path) -> Path:
    """The folder beside a book's real file that holds its pictures: "reed-book.sqlite3-pictures"."""
    real = real_path(path)
    return real.with_name(f"{real.name}-pictures")


def connect(path: Path, create: bool = False, wait_seconds: float | None = None) -> sqlite3.Connection:
    """Open a book's file; an older one is upgraded after a copy was put beside it.

    Parameters
    ----------
    path : of the file.
    create : begin a new book where there is none.
    wait_seconds : so long it waits for others who write; `LOCK_TIMEOUT_SECONDS` where nothing is said.

    Raises
    ------
    BookError : there is no book, it is damaged, newer than the program, busy, or cannot be written.
    """
    with report_errors(path):
        if create:
            path.parent.mkdir(parents=True, exist_ok=True)
            _begin_for_its_owner(path)
        elif not path.is_file():
            raise BookError("book-missing", str(path))
        elif path.stat().st_size == 0:
            raise BookError("book-damaged", f"{path} is empty")
        try:
            return _ready(_open(path, wait_seconds), path)
        except sqlite3.OperationalError as error:
            if create or not _only_to_be_read(path, error):
                raise
        return _open_to_read(path)


@contextmanager
def report_errors(path: Path) -> Iterator[None]:
    """Turn the database's and the disk's complaints into errors that say what to do.

    Raises
    ------
    BookError : instead of sqlite3.Error, MemoryError, UnicodeDecodeError and OSError.
    """
    try:
        yield
    except sqlite3.Error as error:
        # The lower byte is the kind of the error, the others say which of that kind.
        kind = getattr(error, "sqlite_errorcode", 0) & 0xFF
        for code, kinds in (
            ("book-busy", _BUSY),
            ("book-unwritable", _UNWRITABLE),
            ("book-damaged", _DAMAGED),
        ):
            if kind in kinds:
                raise BookError(code, f"{path}: {error}") from error
        if any(words in str(error) for words in _DAMAGED_WORDS):
            raise BookError("book-damaged", f"{path}: {error}") from error
        raise
    except MemoryError as error:  # a size in the file that no book has; SQLite itself needs little
        raise BookError("book-damaged", f"{path}: it asks for more memory than there is") from error
    except UnicodeDecodeError as error:  # SQLite names what makes no sense, and its name makes none either
        raise BookError("book-damaged", f"{path}: {error.reason}") from error
    except OSError as error:
        raise BookError("book-unwritable", f"{error.filename or path}: {error.strerror or error}") from error


@contextmanager
def writing(connection: sqlite3.Connection) -> Iterator[None]:
    """One transaction, alone: all that is written inside is kept, or nothing of it."""
    # IMMEDIATE waits for other writers here, where nothing was read yet that could become stale.
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        connection.rollback()
        raise
    connection.commit()


@contextmanager
def locked(path: Path, wait_seconds: float | None = None) -> Iterator[None]:
    """Hold a book's place, for what changes more than rows: it is begun, upgraded, restored, has its pictures
    moved. Whoever only reads or adds rows needs no lock.

    Raises
    ------
    BookError : "book-busy", another program holds it for longer than that.
    OSError : no lock can be made there.
    """
    from filelock import FileLock, Timeout

    real = real_path(path)
    try:
        timeout = LOCK_TIMEOUT_SECONDS if wait_seconds is None else wait_seconds
        with FileLock(real.with_name(f"{real.name}.lock"), timeout=timeout):
            yield
    except Timeout as error:
        raise BookError("book-busy", f"{path} is being begun, upgraded or restored") from error


def named_pictures(connection: sqlite3.Connection) -> set[str]:
    """The names in its folder of all pictures that a book has."""
    query = """SELECT kept FROM photos WHERE kept IS NOT NULL
        UNION SELECT tip FROM readings WHERE tip IS NOT NULL"""
    return {name for (name,) in connection.execute(query)}


def begins_like_a_database(path: Path) -> bool:
    """Source: SQLite, "Database File Format", 1.3.1."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(16) == b"SQLite format 3\0"


def copy_to(connection: sqlite3.Connection, target: Path) -> None:
    """A consistent copy of an open book as one file, even while others write to it.

    Raises
    ------
    FileExistsError : there is a file of that name.
    """
    target.touch(mode=0o600, exist_ok=False)
    try:
        with closing(sqlite3.connect(target)) as copy:
            connection.backup(copy)
            # One file, without companions that could be forgotten.
            copy.execute("PRAGMA journal_mode = delete")
    except BaseException:
        target.unlink(missing_ok=True)
        raise


def check_whole(connection: sqlite3.Connection) -> None:
    """Raise BookError if a book's file is in disorder: what is written to it then does more damage.

    This is SQLite's quick check, milliseconds for a thousand photos; `schema.integrity_errors` sees more.
    """
    answer = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if answer != "ok":
        raise BookError("book-damaged", " ".join(str(answer).split()))


@contextmanager
def workspace(beside: Path) -> Iterator[Path]:
    """A hidden folder on the same disk for what is not whole yet.

    Such folders that runs which were killed have left are cleared away, a day later.
    """
    import shutil
    from tempfile import TemporaryDirectory

    for left in beside.parent.glob(".*.part"):
        with suppress(OSError):
            if left.is_dir() and time.time() - left.stat().st_mtime > _STALE_SECONDS:
                shutil.rmtree(left)
    with TemporaryDirectory(prefix=hidden_beside(beside), suffix=".part", dir=beside.parent) as name:
        yield Path(name)


def hidden_beside(beside: Path) -> str:
    """How the names of such folders begin."""
    return f".{beside.name[:100]}"


def put_in_place(part: Path, target: Path) -> None:
    """Give a finished file its name, which must be free, so that it also survives a power cut.

    Raises
    ------
    FileExistsError : it is not free.
    """
    from aperture.files import sync_folder

    try:
        os.link(part, target)  # unlike a new name, a second one never replaces a file
    except FileExistsError:
        raise
    except OSError:  # memory sticks know no second names
        if target.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target)) from None
        part.rename(target)
    sync_folder(target.parent)


def _begin_for_its_owner(path: Path) -> None:
    """Make the file of a new book, which nobody else on this computer may read; SQLite gives its log the same
    permissions. One that is there keeps those that somebody gave it."""
    if not path.exists():
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))


def _ready(connection: sqlite3.Connection, path: Path) -> sqlite3.Connection:
    """The same connection, the book being of this program's version."""
    try:
        if _version(connection, path) != schema.VERSION:
            _bring_up_to_date(connection, path)
        # With a write-ahead log nobody waits to read. Copies of a book are without.
        connection.execute("PRAGMA journal_mode = wal")
    except BaseException:
        connection.close()
        raise
    return connection


def _only_to_be_read(path: Path, error: sqlite3.Error) -> bool:
    """Whether a book lies whole where nothing can be written, on a medium that is locked."""
    log = path.with_name(f"{path.name}-wal")
    whole = not log.exists() or log.stat().st_size == 0
    return whole and getattr(error, "sqlite_errorcode", 0) & 0xFF in _UNWRITABLE


def _open_to_read(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
    connection.row_factory = sqlite3.Row
    try:
        version = _version(connection, path)
        if version != schema.VERSION:
            raise BookError("book-unwritable", f"{path} has version {version} and must be upgraded first")
    except BaseException:
        connection.close()
        raise
    return connection


def _open(path: Path, wait_seconds: float | None) -> sqlite3.Connection:
    timeout = LOCK_TIMEOUT_SECONDS if wait_seconds is None else wait_seconds
    connection = sqlite3.connect(path, timeout=timeout, isolation_level=None)
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA foreign_keys = on")
    # Each commit reaches the disk before it counts as done.
    connection.execute("PRAGMA synchronous = full")
    return connection


def _version(connection: sqlite3.Connection, path: Path) -> int:
    """The version of a file; 0 for an empty one."""
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    mark = int(connection.execute("PRAGMA application_id").fetchone()[0])
    empty = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0
    if mark != schema.APPLICATION_ID and not empty:
        raise BookError("book-damaged", f"{path} is a database, but not a reed book")
    if version > schema.VERSION:
        raise BookError("book-newer", f"{path} has version {version}, this program knows {schema.VERSION}")
    return version


def _bring_up_to_date(connection: sqlite3.Connection, path: Path) -> None:
    # Two programs may begin the same book, or upgrade it, at the same time.
    with locked(path):
        version = _version(connection, path)
        if version == schema.VERSION:
            return
        if version > 0:
            check_whole(connection)
            _copy_aside(connection, path, version)
        with writing(connection):
            schema.upgrade(connection, schema.MIGRATIONS)


def _copy_aside(connection: sqlite3.Connection, path: Path, version: int) -> None:
    """A copy of the book as it was before an upgrade."""
    name, number = f"{path.stem}-version-{version}{path.suffix}", 2
    while path.with_name(name).exists():
        name, number = f"{path.stem}-version-{version}-{number}{path.suffix}", number + 1
    with workspace(path) as room:
        copy_to(connection, room / name)
        put_in_place(room / name, path.with_name(name))
