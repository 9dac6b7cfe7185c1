"""A book's file in which bytes were overwritten."""

import gc
import random
import shutil
from contextlib import suppress
from pathlib import Path

from aperture.book.backup.checking import check
from aperture.book.backup.keeping import back_up
from aperture.book.backup.restoring import restore
from aperture.book.store.book_file import pictures_folder
from aperture.book.store.ledger import Book
from aperture.errors import BookError
from tests.breaking import Count, a_book, everything, rows_of, type_in


def damaged(folder: Path, copies: int, seed: int) -> Count:
    """Bytes overwritten at a random place of a copy of the book.

    `aperture verify` finds it, or nothing of the book is on these bytes. A damaged book is never backed up,
    reading it ends in words, and the backup of the whole one brings it back.
    """
    chance, count = random.Random(seed), Count()
    path = a_book(folder / "reeds.sqlite3")
    with Book(path) as book:
        archive = back_up(book, folder / "backup.zip").path
        histories = book.histories()
    expected, content = everything(path), path.read_bytes()
    harmless = written_on = 0
    for copy in range(copies):
        place, length = chance.randrange(len(content)), chance.choice([1, 1, 4, 64, 1024])
        spoilt = bytearray(content)
        for at in range(place, min(place + length, len(content))):
            spoilt[at] ^= chance.randrange(1, 256)
        with count.trial(f"copy {copy}, {length} bytes at {place}"):
            path.write_bytes(spoilt)
            if not _found(path):
                harmless += 1
                with Book(path) as book:
                    assert book.histories() == histories
                assert rows_of(path) == expected[0]
            else:
                assert not _backed_up(path, folder / f"{copy}.zip")
                type_in("reeds", "--book", path)
                status, _ = type_in("enter", "lot", "27b", "--source", "north", "--book", path)
                if status == 0:
                    # A digit is wrong, but the file is in order: adding to it spoils nothing more.
                    written_on += 1
                    assert check(path).loss
            gc.collect()  # what failed above holds on to the file; a command of its own does not
            restored = restore(archive, path)
            assert everything(path) == expected
            assert not check(path).loss
            _clear(restored.moved_aside)
        for left in (path, *folder.glob("reeds.sqlite3-*"), *folder.glob("reeds-before-restore-*.sqlite3*")):
            if left != pictures_folder(path):
                left.unlink(missing_ok=True)
    count.note = f"{harmless} of them in bytes that nothing uses"
    return count


def _found(path: Path) -> bool:
    """Whether looking through a book finds that it is damaged, or it says so when it is opened."""
    try:
        return check(path).loss
    except BookError as error:
        return error.code == "book-newer"  # its version is among the bytes


def _backed_up(path: Path, target: Path) -> bool:
    with suppress(BookError), Book(path) as book:
        back_up(book, target)
    return target.exists()


def _clear(aside: Path | None) -> None:
    if aside is not None:
        aside.unlink()
        shutil.rmtree(pictures_folder(aside))
