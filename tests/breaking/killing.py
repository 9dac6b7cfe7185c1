"""Killed at random moments (SIGKILL, which no program can hear): intake, desk, upgrade, backup, restore."""

import json
import multiprocessing
import os
import random
import re
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from hashlib import sha256
from http.client import HTTPException
from pathlib import Path
from typing import Any
from urllib.request import HTTPCookieProcessor, ProxyHandler, Request, build_opener

from aperture.batch.photo_files import photos_in
from aperture.book.backup.keeping import back_up
from aperture.book.backup.restoring import restore
from aperture.book.photos import intake
from aperture.book.photos.intake import take_in
from aperture.book.photos.pictures import all_kept, leftovers
from aperture.book.store import book_file, schema, seals
from aperture.book.store.book_file import pictures_folder
from aperture.book.store.ledger import Book
from tests.book.photos.test_intake import ALONE, box, picture, pretend
from tests.breaking import Count, a_book, check_whole, everything, files_in, rows_of

_FORKING = multiprocessing.get_context("forkserver")
# What takes longer to import than the work takes.
_FORKING.set_forkserver_preload(
    ["tests.breaking.killing", "sqlite_utils", "filelock", "skimage.measure", "scipy.optimize"]
)


def _run(task: Callable[..., None], *arguments: Any, kill_after: float | None = None):
    """A task in a process of its own; returns what it told, whether it came to its end, its seconds."""
    told, telling = _FORKING.Pipe(duplex=False)
    process = _FORKING.Process(target=_ready_and, args=(task, telling, *arguments))
    process.start()
    telling.close()
    assert told.recv() == "ready"
    started = time.monotonic()
    if kill_after is not None:
        process.join(kill_after)
        process.kill()
    process.join(60)
    seconds, heard = time.monotonic() - started, []
    with suppress(EOFError):
        while told.poll():
            heard.append(told.recv())
    return heard, process.exitcode == 0, seconds


def _ready_and(task: Callable[..., None], telling: Any, *arguments: Any) -> None:
    telling.send("ready")
    task(telling, *arguments)


def _days_later(folder: Path, left_behind: str = ".*.part") -> None:
    """What was left half-written is two days old now."""
    for left in folder.glob(left_behind):
        os.utime(left, times=(time.time() - 2 * 86400,) * 2)


# Intake


def _take_in(telling: Any, path: Path, photos: Sequence[Path]) -> None:
    intake.measure_or_fail = pretend
    with Book(path, create=True) as book:
        for arrival in take_in(book, photos, ALONE):
            telling.send(arrival.path.name)


def kill_intake(folder: Path, moments: int, seed: int) -> Count:
    """Taking 24 photos in, killed again and again and run again until it ends; measuring is made up."""
    photos, chance, count = box(folder / "box", 12), random.Random(seed), Count()
    _, _, whole_seconds = _run(_take_in, folder / "whole" / "reeds.sqlite3", photos)
    run = in_the_middle = 0
    safe: set[str] = set()
    while count.tried < moments:
        path = folder / str(run) / "reeds.sqlite3"
        heard, ended, _ = _run(_take_in, path, photos, kill_after=chance.uniform(0.0, whole_seconds / 2))
        safe |= set(heard)
        if ended:
            _all_once(path, photos)
            shutil.rmtree(path.parent)
            run, safe = run + 1, set()
            continue
        in_the_middle += 0 < len(heard) < len(photos)
        with count.trial(f"moment {count.tried}"):
            _nothing_half(path, safe)
    if run == 0:  # a busy machine may never have let one end: what is left is taken in at last
        path = folder / "0" / "reeds.sqlite3"
        _, ended, _ = _run(_take_in, path, photos)
        assert ended
        _all_once(path, photos)
    assert in_the_middle >= moments // 5, "the moments were not random"
    count.note = f"{in_the_middle} of them in the middle of the photos"
    return count


def _nothing_half(path: Path, safe: set[str]) -> None:
    """What was said to be safe is there, and each photo with all that belongs to it or not at all."""
    if not path.exists():
        assert not safe
        return
    with Book(path, create=True) as book:
        assert book.integrity_errors() == []
        in_book = {photo.name for photo in book.photos()}
        assert safe <= in_book
        entries = [entry for history in book.histories() for entry in history.entries]
        assert sorted(entry.photo.name for entry in entries) == sorted(in_book)
        assert all(len(entry.readings) == 1 for entry in entries)


def _all_once(path: Path, photos: Sequence[Path]) -> None:
    """Every photo is in the book once, with a picture of its own."""
    check_whole(path)
    with Book(path) as book:
        rows = {table: len(list(book.table(table))) for table in ("photos", "filings", "readings")}
        assert set(rows.values()) == {len(photos)}, rows
        assert set(all_kept(book.pictures)) >= {photo.kept for photo in book.photos()}
        assert all(left.suffix == ".part" for left in leftovers(book.pictures))


def kill_command(folder: Path, moments: int, seed: int) -> Count:
    """`aperture intake` with two workers as it is typed, measuring for real (pictures without a card)."""
    for number in range(1, 13):
        picture(folder / "box" / f"R{number:02d}_dry.jpg", 500 + number)
    photos, chance, count = photos_in([folder / "box"]), random.Random(seed), Count()
    path = folder / "reeds.sqlite3"
    words = [sys.executable, "-m", "aperture", "intake", folder / "box", "--book", path, "--workers", "2"]

    def run(kill_after: float | None) -> float:
        started = time.monotonic()
        process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        with suppress(subprocess.TimeoutExpired):
            process.wait(kill_after)
        process.kill()
        process.wait()
        return time.monotonic() - started

    whole_seconds = run(None)
    for moment in range(moments):
        path.unlink()
        shutil.rmtree(pictures_folder(path))  # without it they wait for their book, and none is begun
        run(chance.uniform(0.3, 1.0) * whole_seconds)
        with count.trial(f"moment {moment}"):
            # What it has is whole; run again, all is there once.
            if path.exists():
                with Book(path, create=True) as book:
                    assert book.integrity_errors() == []
            run(None)
            _all_once(path, photos)
    return count


# The desk


class RealDesk:
    """`aperture desk` as a process of its own, and a browser that came in."""

    def __init__(self, path: Path, temporary: Path, stderr: Any = subprocess.DEVNULL, **more: Any) -> None:
        words = [sys.executable, "-m", "aperture", "desk", "--no-browser", "--port", "0", "--book", path]
        environment = {**os.environ, "TMPDIR": str(temporary), "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=stderr, env=environment, text=True, **more
        )
        said = re.search(r"(http://[^/]+)(/open/\S+)", self.process.stdout.readline())
        self.address = said[1]
        cookies = HTTPCookieProcessor()
        # Never through a proxy that the machine may have.
        self.browser = build_opener(ProxyHandler({}), cookies)
        self.browser.open(self.address + said[2], timeout=60).read()
        page = self.browser.open(f"{self.address}/import", timeout=60).read().decode()
        self.csrf = re.search(r'name="csrf" value="([^"]+)"', page)[1]

    def send(self, photo: Path, reed: int) -> str:
        """Send a photo as the phone's page does; what became of it.

        Raises
        ------
        OSError, HTTPException : the desk went away.
        """
        headers = {"Origin": self.address, "X-CSRF": self.csrf, "X-Name": photo.name, "X-Reed": str(reed)}
        headers |= {"X-State": "dry", "Content-Type": "image/jpeg"}
        request = Request(f"{self.address}/snap", photo.read_bytes(), headers)
        with self.browser.open(request, timeout=60) as answer:
            return str(json.loads(answer.read())["what"])

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()


def kill_desk(folder: Path, moments: int, seed: int) -> Count:
    """A desk killed while photos are sent to it, opened again, and the photo without an answer sent again.

    Measuring is real; the pictures have no card, so that it is quick.
    """
    chance, count, path = random.Random(seed), Count(), folder / "reeds.sqlite3"
    temporary = folder / "temporary"
    temporary.mkdir(parents=True)
    sent: list[Path] = []
    answered: set[str] = set()
    desk, unanswered = RealDesk(path, temporary), None
    while True:
        photo = picture(folder / f"IMG_{len(sent)}.jpg", 1000 + seed + len(sent))
        started = time.monotonic()
        assert desk.send(photo, 1) == "filed"
        sent.append(photo)
        answered.add(photo.name)
        if count.tried == moments:
            break
        one_seconds = time.monotonic() - started if len(sent) > 1 else 0.2
        killer = threading.Timer(chance.uniform(0.0, 3.0) * min(one_seconds, 1.0), desk.kill)
        killer.start()
        try:
            while True:
                unanswered = picture(folder / f"IMG_{len(sent)}.jpg", 1000 + seed + len(sent))
                sent.append(unanswered)
                desk.send(unanswered, 1)
                answered.add(unanswered.name)
        except (OSError, HTTPException):
            killer.join()
        with count.trial(f"moment {count.tried}"):
            check_whole(path)
            with Book(path) as book:
                assert answered <= {photo.name for photo in book.photos()}
            _days_later(temporary, "aperture-*")
            desk = RealDesk(path, temporary)
            assert desk.send(unanswered, 1) in ("filed", "known")
            assert list(temporary.glob("aperture-*")) == []
        answered.add(unanswered.name)
    desk.kill()
    with Book(path) as book:
        hashes = sorted(photo.sha256 for photo in book.photos())
        assert hashes == sorted(sha256(photo.read_bytes()).hexdigest() for photo in sent)
        assert len(list(book.table("readings"))) == len(sent)
    return count


# An upgrade


SEALED_SINCE = 2  # the version of the book from which on its rows have seals


def in_version(path: Path, version: int, source: Path) -> None:
    """A book as an older program wrote it: only its migrations, and the rows of another book."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("BEGIN")
        schema.upgrade(connection, schema.MIGRATIONS[:version])
        there = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
        for table, rows in rows_of(source).items():
            for row in rows if table in there else ():
                connection.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(row))})", row)
        if version >= SEALED_SINCE:
            seals.seal_all(connection, [table for table in schema.TABLES if table in there])
        connection.execute("COMMIT")


def _open(telling: Any, path: Path) -> None:
    Book(path).close()


def kill_upgrade(folder: Path, moments: int, seed: int) -> Count:
    """A book of each older version, killed while it is upgraded, then opened again."""
    chance, count = random.Random(seed), Count()
    source = a_book(folder / "source.sqlite3", 40)
    expected = rows_of(source)
    versions = range(1, schema.VERSION)
    while count.tried < moments:
        for version in versions:
            old = folder / "old" / f"{version}.sqlite3"
            if not old.exists():
                in_version(old, version, source)
                shutil.copytree(old.parent, folder / "timed" / str(version))
                _, ended, whole_seconds = _run(_open, folder / "timed" / str(version) / old.name)
                assert ended
            place = folder / f"{version}-{count.tried}" / "reeds.sqlite3"
            place.parent.mkdir()
            shutil.copy(old, place)
            _run(_open, place, kill_after=chance.uniform(0.0, whole_seconds))
            with count.trial(f"version {version}, moment {count.tried}"):
                copies = list(place.parent.glob("reeds-version-*.sqlite3"))
                assert all(rows_of(copy) == rows_of(old) for copy in copies)
                check_whole(place)
                assert rows_of(place) == expected
                assert list(place.parent.glob("reeds-version-*.sqlite3"))
                _days_later(place.parent)
                with book_file.workspace(place):
                    pass
                assert list(place.parent.glob(".*.part")) == []
            shutil.rmtree(place.parent)
    count.note = f"from version {', '.join(map(str, versions))} to {schema.VERSION}"
    return count


# Backup and restore


def _back_up(telling: Any, path: Path, target: Path) -> None:
    with Book(path) as book:
        back_up(book, target)


def kill_backup(folder: Path, moments: int, seed: int) -> Count:
    """A backup that is killed: there is none, or a whole one; the next one clears what was half-written."""
    chance, count = random.Random(seed), Count()
    path = a_book(folder / "reeds.sqlite3", 40)
    stick = folder / "stick"
    stick.mkdir()
    _, ended, whole_seconds = _run(_back_up, path, stick / "first.zip")
    assert ended
    expected = everything(path)
    for moment in range(moments):
        target = stick / f"{moment}.zip"
        _run(_back_up, path, target, kill_after=chance.uniform(0.0, 1.2) * whole_seconds)
        with count.trial(f"moment {moment}"):
            if not target.exists():
                _days_later(stick)
                _back_up(None, path, target)
                assert list(stick.glob(".*.part")) == []
            home = folder / "home" / "reeds.sqlite3"
            restore(target, home)
            assert everything(home) == expected
            assert everything(path) == expected
            check_whole(path)
            shutil.rmtree(home.parent)
        target.unlink(missing_ok=True)
    return count


def _restore(telling: Any, archive: Path, path: Path) -> None:
    restore(archive, path)


def kill_restore(folder: Path, moments: int, seed: int) -> Count:
    """A restore over another book that is killed: the former is whole, or the new one; and again ends it."""
    chance, count = random.Random(seed), Count()
    new = a_book(folder / "new.sqlite3", 40)
    with Book(new) as book:
        archive = back_up(book, folder / "backup.zip").path
    new_rows, new_pictures = everything(new)
    former = a_book(folder / "former" / "reeds.sqlite3", 25)
    with Book(former) as book:
        book.add_lot("mine", "post")
    rows, pictures = everything(former)
    shutil.copytree(former.parent, folder / "timed")
    _, ended, whole_seconds = _run(_restore, archive, folder / "timed" / former.name)
    assert ended
    for moment in range(moments):
        home = folder / f"home{moment}"
        shutil.copytree(former.parent, home)
        path = home / former.name
        _run(_restore, archive, path, kill_after=chance.uniform(0.0, 1.2) * whole_seconds)
        with count.trial(f"moment {moment}"):
            check_whole(path)
            assert rows_of(path) in (rows, new_rows)
            _days_later(home)
            restore(archive, path)
            assert everything(path) == (new_rows, new_pictures)
            asides = sorted(home.glob("reeds-before-restore-*"))
            assert any(rows_of(aside) == rows for aside in asides if aside.is_file())
            kept = [files_in(aside) for aside in asides if aside.is_dir()]
            assert any(pictures.items() <= files.items() for files in kept)
            assert list(home.glob(".*.part")) == []
        shutil.rmtree(home)
    return count
