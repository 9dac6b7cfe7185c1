"""A look through the book: whether its file and all its pictures are as they were kept."""

import sqlite3
from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from aperture.book.backup.archive import BACKUP, NamedPicture, pictures_of, sha256_of
from aperture.book.photos.pictures import leftovers
from aperture.book.store import book_file, picture_folder, schema
from aperture.book.store.ledger import Book
from aperture.codes import code_key
from aperture.dates import can_be_ordered_on, can_be_returned_by
from aperture.errors import BookError

# Two computers that share a book may differ by this much.
_CLOCK_SLACK = timedelta(minutes=5)


@dataclass(frozen=True)
class Finding:
    """Something that is not as it should be. `loss`: something that was in the book is gone or spoilt."""

    what: str
    where: str
    advice: str
    loss: bool


@dataclass(frozen=True)
class Findings:
    """What a look through a book found. `compared`: how many kept photos are as they were kept.

    `compared` is None if the book is too damaged to say which pictures it has.
    """

    path: Path
    compared: int | None
    found: tuple[Finding, ...]

    @property
    def loss(self) -> bool:
        """Whether something that was in the book is gone or spoilt."""
        return any(finding.loss for finding in self.found)


def check(path: Path) -> Findings:
    """Look through a book: its file, whether every picture that it names is there and as it was kept, and
    what lies in the picture folder that it does not name.

    Raises
    ------
    BookError : there is no book, it is newer than the program, or cannot be opened. A damaged one is a
        finding.
    """
    with book_file.report_errors(path):
        return _look_through(path)


@dataclass(frozen=True)
class _Known:
    """What a book says: its folder, the files in it, the pictures that it names, its last entry, and dates in
    it that cannot be."""

    folder: Path
    files: list[Path]
    pictures: list[NamedPicture]
    newest: datetime | None
    dates: list[Finding]


def _look_through(path: Path) -> Findings:
    known, troubles = _known_or_troubles(path)
    folder = known.folder if known is not None else picture_folder.place_of_pictures(path)
    unfinished = {*leftovers(folder), *_unfinished_work(path)}
    found = [_finding("unfinished", str(left)) for left in sorted(unfinished)]
    if known is None:
        return Findings(path, None, (*(_finding("damaged", trouble) for trouble in troubles), *found))
    now = datetime.now().astimezone()
    if known.newest is not None and known.newest > now + _CLOCK_SLACK:
        found.append(_finding("clock", f"{known.newest:%Y-%m-%d %H:%M}, and it is {now:%Y-%m-%d %H:%M}"))
    found += [_finding("two lots", where) for where in _lots_told_apart(path)]
    left = picture_folder.left_behind(path, {picture.name for picture in known.pictures})
    found += [_finding("left behind", str(former)) for former in left]
    found += known.dates
    compared, named = 0, set()
    for picture in known.pictures:
        place = folder / picture.name
        named.add(place)
        trouble = _picture_trouble(place, picture)
        compared += trouble is None and not picture.is_tip
        found += [_finding(trouble, f"{place} ({picture.photo})")] if trouble else []
    found += [_finding("not named", str(file)) for file in known.files if file not in named | unfinished]
    return Findings(path, compared, tuple(sorted(found, key=lambda finding: not finding.loss)))


# What is not as it should be: what, what to do about it, and whether something is lost.
_FROM_A_BACKUP = (
    "The numbers are safe. A backup is a ZIP file: open one, and copy the picture of this name out of it."
)
_FINDING_KINDS = {
    "damaged": (
        "The book's file is damaged, or is no reed book.",
        "Bring the newest backup back with `aperture restore`; this file is kept. No picture was compared.",
        True,
    ),
    "missing": ("A photo is missing.", _FROM_A_BACKUP, True),
    "changed": ("A photo is not as it was kept.", _FROM_A_BACKUP, True),
    "unreadable": ("A photo cannot be read.", f"Check that you may read it. {_FROM_A_BACKUP}", True),
    "tip missing": ("The picture of a tip is missing.", _FROM_A_BACKUP, True),
    "tip changed": ("The picture of a tip is not as it was kept.", _FROM_A_BACKUP, True),
    "not named": (
        "The book does not name this file.",
        "It does no harm. If an intake was stopped, run it again, and it may be named; else move it away.",
        False,
    ),
    "clock": (
        "The newest entry was made later than this computer's clock says it is.",
        "Set the clock if it is wrong. If it was ahead before: photos taken since count as older than what"
        " was entered then; name those around a squeeze with --before and --after; enter decisions again.",
        False,
    ),
    "two lots": (
        "Two lots differ only in capital letters, or in how an accent was typed. Each counts for itself.",
        "If they are one: enter each of the reeds named once more with the first lot's code exactly as it"
        " stands here, `aperture enter reed N --lot CODE`. If they are two, it does no harm.",
        False,
    ),
    "left behind": (
        "An earlier version kept the book's pictures in this folder; the book has them in its own now.",
        "When `aperture verify` has found nothing lost of every book in the folder around it, delete it.",
        False,
    ),
    "date": (
        "A date cannot be right: the camera's clock was wrong, or it was mistyped.",
        "It holds nothing up and needs no cure: what is dated so counts as of the time when it was entered."
        " Set the phone's clock; a photo that is taken again has a date.",
        False,
    ),
    "lot date": (
        "A date of a lot cannot be right.",
        "Enter the lot again with the right one: `aperture enter lot`, or the desk's page Lots.",
        False,
    ),
    "unfinished": (
        "Half-written, by a run that was stopped.",
        "If nothing else is working with this book now, delete it.",
        False,
    ),
}


def _finding(kind: str, where: str) -> Finding:
    what, advice, loss = _FINDING_KINDS[kind]
    return Finding(what, where, advice, loss)


def _known_or_troubles(path: Path) -> tuple[_Known | None, list[str]]:
    """What a book says of itself; of a damaged one what is wrong."""
    # Opening an empty file would begin a new book.
    if path.is_file() and not book_file.begins_like_a_database(path):
        return None, [f"{path} is no database"]
    try:
        with Book(path) as book:
            # Files before rows: a photo that comes in meanwhile must not look like one that nobody names.
            files = sorted(file for file in book.pictures.rglob("*") if file.is_file())
            troubles = book.integrity_errors()
            if troubles:
                return None, troubles
            return _Known(book.pictures, files, pictures_of(book), _newest(book), _dates(book)), []
    except BookError as error:
        if error.code != "book-damaged":
            raise
        return None, [error.detail]
    except (sqlite3.Error, ValueError) as error:  # tables or texts that are none
        return None, [f"{path}: {error}"]


def _lots_told_apart(path: Path) -> list[str]:
    """Lots of a book older than `aperture.codes` that would be one now, with the reeds of all but the first.

    Lots without reeds are not named: nothing is to be joined any more.
    """
    with Book(path) as book:
        alike: dict[str, list[str]] = defaultdict(list)
        for lot in book.lots():
            alike[code_key(lot.code)].append(lot.code)
        found = []
        for first, *others in alike.values():
            for other in others:
                # Of an earlier reed with a number that was given again nothing can be entered.
                reeds = [reed.number for reed in book.reeds(lot=other) if book.reed(reed.number) == reed]
                if reeds:
                    found.append(f"{first} and {other} (of {other}: reed {', '.join(map(str, reeds))})")
        return found


def _newest(book: Book) -> datetime | None:
    """When the newest entry was made."""
    made = (row["recorded_at"] for table in schema.TABLES for row in book.table(table))
    return max(map(datetime.fromisoformat, made), default=None)


def _dates(book: Book) -> list[Finding]:
    """The dates that cannot be: all of the same kind and day together, for one may have led to many."""
    places: dict[tuple[str, str], list[int]] = {}
    for table, row, moment in book.impossible_dates():
        places.setdefault((table, moment[:10]), []).append(row)
    found = [
        _finding("date", f"{day}, {table}, row {min(rows)}" + (f" and {more} more" if more else ""))
        for (table, day), rows in places.items()
        for more in [len(rows) - 1]
    ]
    for lot in book.lots():
        for day, possible in ((lot.ordered_on, can_be_ordered_on), (lot.return_by, can_be_returned_by)):
            if day is not None and not possible(day):
                found.append(_finding("lot date", f"{day}, lot {lot.code}"))
    return found


def _unfinished_work(path: Path) -> list[Path]:
    """What backups and restores that were killed have left beside the book."""
    real = book_file.real_path(path)
    begins = tuple(map(book_file.hidden_beside, (path, real, real.with_name(BACKUP))))
    places = {book_file.real_path(path.parent), real.parent}
    return [file for place in places for file in place.glob(".*.part") if file.name.startswith(begins)]


def _picture_trouble(place: Path, picture: NamedPicture) -> str | None:
    kind = "tip " if picture.is_tip else ""
    try:
        return None if picture.is_whole(sha256_of(place)) else f"{kind}changed"
    except FileNotFoundError:
        return f"{kind}missing"
    except OSError:
        return "unreadable"
