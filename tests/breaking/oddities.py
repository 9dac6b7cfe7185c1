"""A clock that is wrong, names that nobody expected, a book that somebody else holds."""

import multiprocessing
import random
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from datetime import date, datetime, timedelta
from itertools import count as numbers
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from PIL import Image

from aperture.book.advice.facts import facts
from aperture.book.photos import intake
from aperture.book.photos.intake import take_in
from aperture.book.store import book_file, open_book, reed_history
from aperture.book.store.ledger import Book
from aperture.settings import Settings
from tests.book.photos.test_intake import ALONE, picture, pretend
from tests.breaking import NOON, Count, a_book, check_whole, everything, rows_of, type_in

# A clock that is wrong

_JUMPS = [timedelta(days=-1), timedelta(hours=-1), timedelta(), timedelta(hours=1), timedelta(days=1)]


class _Clock(datetime):
    """A clock that the trial sets."""

    shown = NOON

    @classmethod
    def now(cls, tz: Any = None) -> datetime:
        return cls.shown


@contextmanager
def showing(moment: str) -> Iterator[None]:
    """The computer's clock shows a moment, for who enters something in the book."""
    _Clock.shown = _Clock.fromisoformat(moment)
    with ExitStack() as patched:
        for module in (open_book, reed_history, intake):
            patched.enter_context(patch.object(module, "datetime", _Clock))
        yield


def wrong_clock(folder: Path, sequences: int, seed: int) -> Count:
    """Things entered one after the other while the clock is set back and forth: the last one counts."""
    chance, count = random.Random(seed), Count(note="up to a day forth or back before each entry")
    for sequence in range(sequences):
        with (
            showing(NOON.isoformat()),
            patch.object(intake, "measure_or_fail", pretend),
            Book(folder / f"{sequence}.sqlite3", create=True) as book,
            count.trial(f"{sequence}"),
        ):
            _enter_in_turn(book, folder, chance)
            assert book.integrity_errors() == []
    return count


def _enter_in_turn(book: Book, folder: Path, chance: random.Random) -> None:
    reed = book.add_reed(1)
    for number in range(12):
        _Clock.shown += chance.choice(_JUMPS) + timedelta(minutes=chance.randrange(3))
        kind = chance.choice(["check", "squeeze", "decision", "photo", "reed", "lot"])
        if kind == "check":
            book.add_check(reed, book.now(reed), {"leak": bool(number % 2)}, pitch_cents=float(number))
        elif kind == "squeeze":
            book.add_squeeze(reed, book.now(reed))
        elif kind == "decision":
            book.add_decision(reed, book.now(reed), "keep" if number % 2 else "squeeze", "so", "MB")
        elif kind == "photo":
            path = _without_time(folder / f"R01_soaked_{chance.random()}.jpg", chance.randrange(2**32))
            (arrival,) = take_in(book, [path], ALONE)
        elif kind == "reed":
            book.change_reed(reed, None, f"A{number}", None)
        else:
            book.add_lot("26a", f"source{number}")
        history = book.history(reed)
        known = facts(history, Settings().soaking, date(2026, 10, 5))
        if kind == "check":
            assert history.checks[-1].pitch_cents == number
            assert known.leak == bool(number % 2)
        elif kind == "squeeze":
            assert known.squeeze == "waiting for a photo"
        elif kind == "decision":
            assert known.decided == history.decision.action == ("keep" if number % 2 else "squeeze")
        elif kind == "photo":
            assert history.entries[-1].photo.sha256 == arrival.sha256
            assert known.squeeze != "waiting for a photo"
        elif kind == "reed":
            assert book.reed(1).slot == f"A{number}"
        else:
            assert book.lot("26a").source == f"source{number}"
        if kind in ("check", "squeeze", "photo"):
            assert known.decided is None


def _without_time(path: Path, seed: int) -> Path:
    """A picture of which the camera did not write when it was taken."""
    noise = np.random.default_rng(seed).integers(0, 255, (48, 64), dtype=np.uint8)
    Image.fromarray(noise).resize((640, 480)).save(path)
    return path


# Names that nobody expected

NAMES = (
    "with  spaces ",
    'it\'s "quoted" `so`',
    "100 %20 done",
    "number #7",
    "what?mode=ro",
    "a&b;c|d>e$(f)",
    "new\nline\ttab",
    "-v",
    "Blätter Üß",
    "芦笛のリード",
    "قصبة",
    "🎵🦆",
    "e\u0301 and \u00e9",
    "dot.",
    ".hidden",
    "[a-z]*",
    "x" * 100,
)


def odd_names(folder: Path, names: Sequence[str] = NAMES) -> Count:
    """From the first photo to the restored backup, with each name for folders, book, photo and backup."""
    count = Count()
    for number, name in enumerate(names):
        with count.trial(repr(name)):
            place = folder / name
            photo = picture(place / f"{name}.jpg", 900 + number)
            book, archive = place / f"{name}.sqlite3", place / f"{name}.zip"
            words = ("--book", book)
            assert type_in("enter", "lot", "26a", "--source", "north", *words)[0] == 0
            status, said = type_in("intake", photo, "--reed", "1", "--state", "dry", "--workers", "1", *words)
            assert status == 3, said  # it has no card
            for line in ("reeds", "reed 1", "due", "lots", "verify"):
                assert type_in(*line.split(), *words)[0] == 0
            assert type_in("export", "--out", place / f"{name} export", *words)[0] == 0
            assert type_in("backup", "--out", archive, *words)[0] == 0
            home = folder / f"{name} again" / f"{name}.db"
            assert type_in("restore", archive, "--book", home)[0] == 0
            assert type_in("verify", "--book", home)[0] == 0
            assert everything(home) == everything(book)
            with Book(home) as opened:
                assert [kept.name for kept in opened.photos()] == [f"{name}.jpg"]
    return count


def long_names(folder: Path) -> Count:
    """Three hundred characters for everything that has a name: kept whole, or refused in words."""
    count, long = Count(note="300 characters, files and texts"), "x" * 300
    book = a_book(folder / "reeds.sqlite3")
    before = everything(book)
    refused = (
        f"intake {folder}/{long}.jpg --workers 1",
        f"measure {folder}/{long}.jpg",
        f"enter lot {long} --source north",
        f"enter lot 27b --source {long}",
        f"enter reed 1 --slot {long}",
        f"enter check 1 --no-leak --by {long}",
        f"enter filing {long} --reed 1",
        f"backup --out {folder}/{long}.zip",
        f"export --out {folder}/{long}",
        f"return-sheet 26a --out {folder}/{long}.pdf",
        f"restore {folder}/{long}.zip",
        f"return-sheet {long}",
    )
    for line in refused:
        with count.trial(line[:40]):
            words = ("--book", book) if not line.startswith("measure") else ()
            status, said = type_in(*line.split(" "), *words)
            assert status in (2, 3), said
            assert everything(book) == before
    for command in ("reeds", "verify", "enter lot 26a --source north", f"restore {folder}/none.zip"):
        with count.trial(f"a book of that name: {command[:20]}"):
            assert type_in(*command.split(" "), "--book", folder / f"{long}.sqlite3")[0] == 2
    with count.trial("a note"):
        assert type_in("enter", "check", "1", "--no-leak", "--note", long, "--book", book)[0] == 0
        with Book(book) as opened:
            assert opened.history(opened.reed(1)).checks[-1].note == long
    for number, length in enumerate((251, 200, 83)):
        with count.trial(f"a photo with a name of {length} letters"):
            letter = "xé芦"[number]
            photo = picture(folder / f"{letter * (length // len(letter.encode()))}.jpg", 950 + number)
            words = ("--reed", "1", "--state", "dry", "--workers", "1")
            assert type_in("intake", photo, *words, "--book", book)[0] == 3
            out = folder / f"pictures{number}"
            assert type_in("measure", photo, "--annotate", out)[0] == 3
            assert len(list(out.iterdir())) == 1
            with Book(book) as opened:
                assert opened.photos()[-1].name == photo.name
    return count


# A book that somebody else holds


def _hold(path: Path, statements: list[str], telling: Any, stop: Any) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in statements:
            connection.execute(statement).fetchall()
        telling.set()
        stop.wait(60)


@contextmanager
def _held(path: Path, *statements: str) -> Iterator[None]:
    """The book held by another process."""
    context = multiprocessing.get_context("forkserver")
    telling, stop = context.Event(), context.Event()
    process = context.Process(target=_hold, args=(path, list(statements), telling, stop))
    process.start()
    try:
        assert telling.wait(60)
        yield
    finally:
        stop.set()
        process.join(60)


def held(folder: Path, rounds: int) -> Count:
    """A book that another process holds for longer than the program waits: read, or said in words."""
    count, names = Count(), numbers()
    book = a_book(folder / "reeds.sqlite3")
    with Book(book) as opened:
        archive = folder / "backup.zip"
        opened.add_lot("mine", "north")
    assert type_in("backup", "--out", archive, "--book", book)[0] == 0
    picture(folder / "box" / "R01_dry.jpg", 990)
    reading = ("reeds", "due", "lots", "verify", "export --out {out}", "backup --out {out}.zip")
    writing = (
        "enter lot 27b --source north",
        "enter squeeze 1",
        "intake {box} --workers 1",
        "restore {archive}",
    )
    before = everything(book)
    alone = ("PRAGMA locking_mode = exclusive", "BEGIN EXCLUSIVE", "SELECT count(*) FROM lots")
    with patch.object(book_file, "LOCK_TIMEOUT_SECONDS", 0.05):
        for _ in range(rounds):
            for statements in (("BEGIN IMMEDIATE",), alone):
                with _held(book, *statements):
                    for line in (*reading, *writing):
                        given = {
                            "out": folder / f"out{next(names)}",
                            "box": folder / "box",
                            "archive": archive,
                        }
                        words = [word.format(**given) for word in line.split(" ")]
                        with count.trial(f"{statements[-1]}: {line}"):
                            status, said = type_in(*words, "--book", book)
                            may_read = line in reading and statements is not alone
                            assert status == (0 if may_read else 2), said
                            assert may_read or "Another program" in said, said
                with count.trial("afterwards"):
                    assert rows_of(book) == before[0]
                    check_whole(book)
        with count.trial("in the end"):
            assert type_in("enter", "lot", "27b", "--source", "north", "--book", book)[0] == 0
    return count
