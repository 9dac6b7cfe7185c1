"""A disk that is full, a medium and a folder that cannot be written."""

import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

from PIL import Image

from aperture.book.backup.keeping import back_up
from aperture.book.backup.restoring import restore
from aperture.book.photos.pictures import leftovers
from aperture.book.store.book_file import pictures_folder
from aperture.book.store.ledger import Book
from aperture.measure import Measurement, measure
from aperture.present.annotate import write_annotations
from aperture.settings import Settings
from tests.book.photos.test_intake import picture
from tests.breaking import Count, a_book, check_whole, everything, rows_of, type_in

ROOT = Path(__file__).parents[2]
PHOTO = ROOT / "fixtures" / "photos" / "reed-tag.jpg"
KILO = 1024


def can_mount(folder: Path) -> bool:
    """Whether a small disk can be mounted here: on Linux, by root."""
    if sys.platform != "linux" or os.geteuid() != 0:
        return False
    try:
        with small_disk(folder / "probe"):
            return True
    except subprocess.CalledProcessError:
        return False


@contextmanager
def small_disk(place: Path, kilobytes: int = 8 * KILO) -> Iterator[Path]:
    """A disk of this size, in memory, mounted at a place."""
    place.mkdir(parents=True, exist_ok=True)
    _mount("-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", place)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", place], check=True)


@contextmanager
def locked(disk: Path) -> Iterator[None]:
    """The disk as if its switch for writing was off."""
    _mount("-o", "remount,ro", disk)
    try:
        yield
    finally:
        _mount("-o", "remount,rw", disk)


def _mount(*words: object) -> None:
    subprocess.run(["mount", *words], check=True, capture_output=True)


@contextmanager
def _filled(disk: Path, free_kilobytes: int) -> Iterator[None]:
    """The disk with only so much room left."""
    usage = shutil.disk_usage(disk)
    ballast = disk / "ballast"
    ballast.write_bytes(bytes(max(0, usage.free - free_kilobytes * KILO)))
    try:
        yield
    finally:
        ballast.unlink()


# A full disk


@cache
def _measured() -> Measurement:
    return measure(PHOTO)


def full_disk(folder: Path, levels: int, seed: int) -> dict[str, Count]:
    """Each kind of writing on a disk with little room: it is done whole, or refused in words."""
    chance, counts = random.Random(seed), {}
    photos = folder / "box"
    for number in range(1, 7):
        picture(photos / f"R{number:02d}_dry.jpg", 700 + number)
    outside = a_book(folder / "outside" / "reeds.sqlite3")
    with Book(outside) as book:
        archive = back_up(book, folder / "backup.zip").path
    for kind, (most_kilobytes, one) in _WRITINGS.items():
        count = counts[kind] = Count()
        for level in range(levels):
            # Denser where hardly anything fits.
            free = round(most_kilobytes * chance.random() ** 2)
            with small_disk(folder / "disk") as disk, count.trial(f"level {level}, {free} kB free"):
                home = a_book(disk / "reeds.sqlite3")
                one(disk, home, free, photos, outside, archive)
    return counts


def _take_in(disk: Path, home: Path, free: int, photos: Path, outside: Path, archive: Path) -> None:
    before = rows_of(home)
    words = ("intake", photos, "--book", home, "--workers", "1")
    with _filled(disk, free):
        status, said = type_in(*words)
        assert status in (2, 3), said  # 3: these pictures have no card
    check_whole(home)
    assert all(rows_of(home)[table][: len(rows)] == rows for table, rows in before.items())
    assert list(leftovers(pictures_folder(home))) == []
    assert type_in(*words)[0] in (0, 3)
    with Book(home) as book:
        names = [photo.name for photo in book.photos()][len(before["photos"]) :]
    assert sorted(names) == sorted(photo.name for photo in photos.iterdir())
    assert "A photo" not in type_in("verify", "--book", home)[1]


def _back_up(disk: Path, home: Path, free: int, photos: Path, outside: Path, archive: Path) -> None:
    expected = everything(home)
    with _filled(disk, free):
        status, _ = type_in("backup", "--out", disk / "backup.zip", "--book", home)
    assert (status == 0) == (disk / "backup.zip").exists()
    assert list(disk.glob(".*.part")) == []
    assert everything(home) == expected
    if status == 0:
        path = outside.parent.parent / "again" / "reeds.sqlite3"
        restore(disk / "backup.zip", path)
        assert everything(path) == expected
        shutil.rmtree(path.parent)


def _restore(disk: Path, home: Path, free: int, photos: Path, outside: Path, archive: Path) -> None:
    with Book(home) as book:
        book.add_lot("mine", "post")
    former, new = everything(home), everything(outside)
    with _filled(disk, free):
        status, _ = type_in("restore", archive, "--book", home)
    assert everything(home) == (new if status == 0 else former)
    asides = [path for path in disk.glob("reeds-before-restore-*") if path.is_file()]
    assert [everything(path) for path in asides] == ([former] if status == 0 else [])
    assert list(disk.glob(".*.part")) == []


def _export(disk: Path, home: Path, free: int, photos: Path, outside: Path, archive: Path) -> None:
    folder = disk / "export"
    with _filled(disk, free):
        status, _ = type_in("export", "--out", folder, "--book", home)
    files = {path.name for path in folder.iterdir()} if folder.exists() else set()
    assert not any(name.endswith(".part") for name in files)
    assert (status == 0) == ("reed-book.json" in files)
    if status == 0:
        tables = json.loads((folder / "reed-book.json").read_text(encoding="utf-8"))["tables"]
        assert len(tables["photos"]) == len(rows_of(home)["photos"])


def _annotate(disk: Path, home: Path, free: int, photos: Path, outside: Path, archive: Path) -> None:
    folder, written = disk / "pictures", []
    with _filled(disk, free), suppress(OSError):  # which the command says in words
        written += list(write_annotations([_measured()], folder))
    files = list(folder.iterdir()) if folder.exists() else []
    assert files == written
    for file in files:
        Image.open(BytesIO(file.read_bytes())).load()


def _upload(disk: Path, home: Path, free: int, photos: Path, outside: Path, archive: Path) -> None:
    """The desk's own pages, asked without a browser; its temporary files lie on the full disk, too."""
    from aperture.desk.app import create_app
    from aperture.desk.security.access import Access
    from aperture.desk.web import Desk
    from tests.desk.conftest import ADDRESS, Browser, InThisProcess

    desk = Desk(home, Settings(), Access(), ADDRESS, None)
    desk.state.worker = InThisProcess()
    app = create_app(desk)
    app.app_of_ours = desk
    temporary = disk / "temporary"
    temporary.mkdir()
    photo = photos / "R01_dry.jpg"
    before = len(rows_of(home)["photos"])
    with Browser(app) as browser, patch("tempfile.tempdir", str(temporary)):
        browser.come_in(f"/open/{desk.access.desk_secret}")
        headers = {"x-csrf": browser.csrf, "x-name": photo.name, "x-reed": "1", "x-state": "dry"}
        with _filled(disk, free):
            answer = browser.post("/snap", content=photo.read_bytes(), headers=headers)
            assert "the fault is the program's" not in answer.text
            filed = answer.status_code == 200 and answer.json()["what"] == "filed"
            assert filed or answer.status_code == 507 or answer.json()["why"], answer.text
        assert list(temporary.iterdir()) == []
        check_whole(home)
        assert len(rows_of(home)["photos"]) == before + filed
        again = browser.post("/snap", content=photo.read_bytes(), headers=headers).json()
        assert again["what"] == ("known" if filed else "filed"), again
    assert len(rows_of(home)["photos"]) == before + 1
    check_whole(home)


_Writing = Callable[[Path, Path, int, Path, Path, Path], None]
# Each with the kilobytes that are more than enough for it.
_WRITINGS: dict[str, tuple[int, _Writing]] = {
    "intake": (1000, _take_in),
    "backup": (900, _back_up),
    "restore": (900, _restore),
    "export": (2000, _export),
    "annotate": (900, _annotate),
    "desk upload": (500, _upload),
}


def pages_of_a_full_disk(folder: Path) -> Count:
    """The desk with no room left at all: each page can be read, and what is entered is refused in words."""
    from aperture.desk.app import create_app
    from aperture.desk.security.access import Access
    from aperture.desk.web import Desk
    from tests.breaking.pressure import PAGES
    from tests.desk.conftest import ADDRESS, Browser

    count = Count(note="pages, and forms")
    with small_disk(folder / "disk") as disk:
        desk = Desk(a_book(disk / "reeds.sqlite3"), Settings(), Access(), ADDRESS, None)
        app = create_app(desk)
        app.app_of_ours = desk
        before = everything(desk.book_path)
        with Browser(app) as browser:
            browser.come_in(f"/open/{desk.access.desk_secret}")
            with _filled(disk, 0):
                for path in PAGES:
                    with count.trial(path):
                        answer = browser.get(path)
                        assert answer.status_code == 200, answer.text
                for path, form in (("/reeds", {"number": "77"}), ("/reed/1/check", {"leak": "no"})):
                    with count.trial(f"a form: {path}"):
                        answer = browser.post(path, form)
                        assert answer.status_code == 409
                        assert "Check that the disk has room" in answer.text
            with count.trial("afterwards"):
                assert everything(desk.book_path) == before
                check_whole(desk.book_path)
                assert browser.post("/reeds", {"number": "77"}).status_code == 200
    return count


# A medium, and a folder, that cannot be written

_READING = ("reeds", "due", "lots", "reed 1", "order --need 3", "verify", "backup --out {out}")
_READING += ("export --out {out}/export", "return-sheet 26a --out {out}/sheet.pdf")
_WRITING = ("enter lot 27b --source north", "enter squeeze 1", "enter check 1 --no-leak")
_WRITING += ("intake {photos} --workers 1", "restore {archive}")


def read_only(folder: Path, seed: int) -> dict[str, Count]:
    """What only reads works; what writes is refused in words; and afterwards all is as it was."""
    medium, closed = Count(), Count()
    with small_disk(folder / "medium") as disk, TemporaryDirectory() as name:
        home, room = a_book(disk / "reeds.sqlite3"), Path(name)
        picture(room / "box" / "R01_dry.jpg", 800 + seed)
        with Book(home) as book:
            archive = back_up(book, room / "backup.zip").path
            book.add_lot("late", "north")
            shutil.copytree(disk, disk / "killed", ignore=shutil.ignore_patterns("killed"))
        before, killed = everything(home), disk / "killed" / home.name
        with locked(disk):
            _try_all(medium, home, room, archive)
            with medium.trial("what is only in the log of a run that was killed"):
                type_in("reeds", "--book", killed)
                type_in("verify", "--book", killed)
        with medium.trial("the log, afterwards"):
            assert everything(killed) == before
        with medium.trial("afterwards"):
            assert everything(home) == before
            assert type_in("enter", "lot", "27b", "--source", "north", "--book", home)[0] == 0
        # The same once more in a folder of root's, as somebody else; what that needs is imported by now.
        home = a_book(room / "closed" / "reeds.sqlite3")
        before = everything(home)
        for place in (room, *room.rglob("*")):
            place.chmod(0o755 if place.is_dir() else 0o644)
        with _as_somebody_else():
            _try_all(closed, home, room, archive)
        with closed.trial("afterwards"):
            assert everything(home) == before
    return {"medium": medium, "folder": closed}


def _try_all(count: Count, home: Path, room: Path, archive: Path) -> None:
    for line in (*_READING, *_WRITING):
        with TemporaryDirectory() as out:
            given = {"out": out, "photos": room / "box", "archive": archive}
            words = [word.format(**given) for word in line.split(" ")]
            with count.trial(line):
                status, said = type_in(*words, "--book", home)
                assert status == (0 if line in _READING else 2), said
                assert line in _READING or "cannot be read or written" in said, said


@contextmanager
def _as_somebody_else() -> Iterator[None]:
    """As a user who may write nothing of root's: root may write everywhere."""
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)
