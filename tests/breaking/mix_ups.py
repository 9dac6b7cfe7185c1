"""What one could take for another: two books in a folder, a used folder for the demo, a date that is none."""

import os
import random
import shutil
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

from aperture.book.backup.checking import check
from aperture.book.backup.keeping import back_up
from aperture.book.backup.restoring import restore
from aperture.book.photos import intake
from aperture.book.photos.intake import take_in
from aperture.book.store import event_tables, lot_entry
from aperture.book.store.book_file import pictures_folder
from aperture.book.store.ledger import Book
from aperture.book.store.records import Filing, Soaking
from aperture.demo import MARK, begin_again
from aperture.settings import Settings
from tests.book.backup.test_keeping import add_photo
from tests.book.photos.test_intake import ALONE, picture, pretend
from tests.breaking import Count, a_book, check_whole, files_in, rows_of, type_in
from tests.breaking.killing import _open, _run
from tests.conftest import _measured

# Two books side by side

NAMES = ("reeds.db", "reeds.sqlite3")


def side_by_side(folder: Path, rounds: int, seed: int) -> Count:
    """Two books that differ in the ending of their names, as an earlier version left them, with one folder.

    Opened, killed while they are opened, added to, restored, in any order: each has all its pictures.
    """
    chance, count = random.Random(seed), Count(note="opened, killed, added to, looked through, restored")
    for number in range(rounds):
        home = folder / str(number)
        books = [a_book(home / name, 4 + place) for place, name in enumerate(NAMES)]
        archives = []
        for path in books:
            with Book(path) as book:
                archives.append(back_up(book, home / f"{path.name}.zip").path)
        _made_old(books)
        for step in range(8):
            place = chance.randrange(2)
            what = chance.choice([*_STEPS])
            with count.trial(f"round {number}, step {step}: {what} of {NAMES[place]}"):
                other = rows_of(books[1 - place])
                _STEPS[what](books[place], archives[place], chance)
                assert rows_of(books[1 - place]) == other
                for path in (*books, *home.glob("reeds-before-restore-*")):
                    if path.is_file():
                        findings = check(path)
                        assert not findings.loss, findings.found
    return count


def _made_old(books: list[Path]) -> None:
    former = books[0].with_name(f"{books[0].stem}-pictures")
    for path in books:
        shutil.copytree(pictures_folder(path), former, dirs_exist_ok=True)
        shutil.rmtree(pictures_folder(path))


def _add(path: Path, archive: Path, chance: random.Random) -> None:
    with Book(path) as book:
        add_photo(book, chance.randrange(1000, 10**6))


_STEPS: dict[str, Callable[[Path, Path, random.Random], Any]] = {
    "opening": lambda path, archive, chance: Book(path).close(),
    "a kill": lambda path, archive, chance: _run(_open, path, kill_after=chance.uniform(0.0, 0.05)),
    "an entry": _add,
    "a look": lambda path, archive, chance: check(path),
    "a restore": lambda path, archive, chance: restore(archive, path),
}


# The demo into a used folder


def _one_book(place: Path) -> None:
    a_book(place / "reed-book.sqlite3", 3)


def _only_pictures(place: Path) -> None:
    _one_book(place)
    (place / "reed-book.sqlite3").unlink()


def _file(name: str) -> Callable[[Path], None]:
    def make(place: Path) -> None:
        place.mkdir(parents=True)
        (place / name).write_bytes(b"somebody's")

    return make


def _folder_like_the_mark(place: Path) -> None:
    (place / MARK).mkdir(parents=True)
    _one_book(place)


def _a_file_itself(place: Path) -> None:
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(b"somebody's")


USED: dict[str, Callable[[Path], None]] = {
    "a book of the default name": _one_book,
    "pictures whose book is gone": _only_pictures,
    "another file": _file("letter.odt"),
    "a hidden file": _file(".hidden"),
    "a table called as the demo's": _file("demo.csv"),
    "a folder called as its mark": _folder_like_the_mark,
    "a file instead of a folder": _a_file_itself,
}


def demo_in_used_folder(folder: Path) -> Count:
    """The demo told to write where something lies: it says so, and every byte stays. Its own it clears."""
    count = Count(note="a book, its pictures, other files, a link; and a folder of its own")
    for number, (kind, make) in enumerate(USED.items()):
        for linked in (False, True) if os.name == "posix" else (False,):
            place = folder / f"{number}{'-linked' * linked}"
            make(place)
            out = place
            if linked:
                out = folder / f"{number}-link"
                out.symlink_to(place)
            before = files_in(place) if place.is_dir() else place.read_bytes()
            with count.trial(kind + ", through a link" * linked):
                status, said = type_in("demo", "--out", out)
                assert status == 2
                assert "new, empty, or its own" in said, said
                assert (files_in(place) if place.is_dir() else place.read_bytes()) == before
    with count.trial("a folder of its own, twice"):
        own = folder / "own" / "reed-book.sqlite3"
        for _ in range(2):
            begin_again(own)
            assert sorted(path.name for path in own.parent.iterdir()) == [MARK]
            a_book(own, 2)
    return count


# Dates that cannot be

CAMERA_DATES = (
    "9999:12:31 23:59:59",
    "9998:01:01 00:00:00",
    "2126:06:01 12:00:00",
    "1994:12:31 23:59:59",
    "1970:01:01 00:00:00",
    "0001:01:01 00:00:00",
    "0000:00:00 00:00:00",
    "2026:02:30 12:00:00",
    "99999:12:31 23:59:59",
    "-2026:10:05 12:00:00",
    "    :  :     :  :  ",
    "",
)
_TYPED = ("9999-12-31", "0001-01-01", "1994-12-31T23:59", "2126-01-01", "1970-01-01")


@patch.object(intake, "measure_or_fail", pretend)
def hostile_dates(folder: Path, rounds: int, seed: int) -> Count:
    """A photo with such a date, then all that can be entered of its reed; the last thing counts as the last.

    Then the same in a book in which an earlier version kept such dates.
    """
    chance, count = random.Random(seed), Count(note="of photos, of what is typed, of books that have them")
    for number, taken in enumerate(CAMERA_DATES):
        with count.trial(f"a photo of {taken!r}"):
            path = folder / f"photo{number}.sqlite3"
            photo = picture(folder / str(number) / "R01_dry.jpg", 500 + number, taken)
            with Book(path, create=True) as book:
                (arrival,) = take_in(book, [photo], ALONE)
                assert arrival.what == "filed"
                assert [one.taken for one in book.photos()] == [None]
            _goes_on(path, 600 + number)
    path = folder / "typed.sqlite3"
    with Book(path, create=True) as book:
        book.add_reed(1)
    before = rows_of(path)
    kinds = ("check 1 --leak --at", "squeeze 1 --at", "decision 1 keep --by T1 --at")
    kinds += ("lot 26a --source north --ordered", "lot 26a --source north --return-by")
    for kind in kinds:
        for typed in _TYPED:
            with count.trial(f"{kind} {typed}"):
                day = typed[:10] if kind.startswith("lot") else typed
                if kind.endswith("--return-by") and day == "2126-01-01":
                    day = "2226-01-01"
                assert type_in("enter", *kind.split(), day, "--book", path)[0] == 2
                assert rows_of(path) == before
    for number in range(rounds):
        with count.trial(f"an old book, {number}"):
            path = folder / f"old{number}.sqlite3"
            _of_an_earlier_version(path, chance)
            _goes_on(path, 700 + number)
    return count


def _of_an_earlier_version(path: Path, chance: random.Random) -> None:
    """A book with reed 1 in which any date could be entered."""
    far = [datetime.max, datetime(9998, 1, 1), datetime(2126, 6, 1), datetime(1970, 1, 1), datetime.min]
    with (
        patch.object(event_tables, "is_sensible", lambda moment: True),
        patch.object(lot_entry, "can_be_returned_by", lambda day: True),
        Book(path, create=True) as book,
        book.writing(),
    ):
        book.add_lot("26a", "north", return_by=date.max)
        reed = book.add_reed(1, "26a")
        for number in range(chance.randrange(1, 6)):
            when, kind = chance.choice(far), chance.randrange(4)
            if kind == 0:
                taken, received = chance.choice([when, None]), chance.choice(far)
                photo = book.add_photo(f"{number:064x}", "old.jpg", taken, received)
                book.add_filing(photo, Filing(reed.id, "soaked", Soaking(30.0), None, None))
                book.add_reading(photo, _measured(state="soaked").record(), Settings(), 0.001, None)
            elif kind == 1:
                book.add_check(reed, when, {"leak": True})
            elif kind == 2:
                book.add_squeeze(reed, when)
            else:
                book.add_decision(reed, when, "squeeze", "so", "T1")


def _goes_on(path: Path, seed: int) -> None:
    """All that can be entered of reed 1 is entered, and counts as the latest."""
    words = ("--book", path)
    assert type_in("enter", "squeeze", 1, *words)[0] == 0
    assert type_in("enter", "check", 1, "--no-leak", "--cents=3", *words)[0] == 0
    assert type_in("enter", "decision", 1, "keep", "--by", "T1", "--reason", "so", *words)[0] == 0
    # A camera writes whole seconds, and what was entered may be younger than this one's beginning.
    soon = (datetime.now() + timedelta(minutes=1)).strftime("%Y:%m:%d %H:%M:%S")
    new = picture(path.parent / f"new{seed}" / "R01_soaked.jpg", seed, soon)
    with Book(path) as book:
        assert [one.what for one in take_in(book, [new], ALONE)] == ["filed"]
        history = book.history(book.reed(1))
        assert history.latest("soaked").photo.name == "R01_soaked.jpg"
        assert history.checks[-1].pitch_cents == 3.0
        assert history.decision.action == "keep"
        assert (history.last_moment - datetime.now()).days < 1
    for line in ("reeds", "reed 1", "due", "lots", "verify"):
        assert type_in(*line.split(), *words)[0] == 0
    check_whole(path)
