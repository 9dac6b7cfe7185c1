"""A backup holds everything, comes back equal, and what is no backup never touches the book that is there.

Outside the project: Python's zipfile reads the archive, SQLite's own integrity check the database, and hashes
are computed again.
"""

import errno
import hashlib
import json
import multiprocessing
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tracemalloc
from contextlib import closing
from datetime import datetime
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aperture.book.backup.archive import PICTURES
from aperture.book.backup.checking import Findings, check
from aperture.book.backup.keeping import back_up
from aperture.book.backup.restoring import restore
from aperture.book.store import schema
from aperture.book.store.book_file import pictures_folder
from aperture.book.store.ledger import Book
from aperture.book.store.records import Filing, Soaking
from aperture.errors import BookError
from aperture.measure import Measurement
from aperture.settings import Settings
from tests.conftest import _measured

# A new process imports all that is needed, which takes longer than what it does; such a one has it.
APART = multiprocessing.get_context("spawn" if sys.platform == "win32" else "forkserver")
if sys.platform != "win32":
    APART.set_forkserver_preload([__name__])

NOON = datetime(2026, 10, 5, 12, 0)


def write_picture(book, name, content):
    path = book.pictures / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


def add_photo(book, number, reed=None):
    """A photo of bytes that look random, with its tip, as intake keeps them: first pictures, then rows."""
    content = hashlib.shake_256(b"photo %d" % number).digest(200 + 37 * number)
    sha = hashlib.sha256(b"as it came %d" % number).hexdigest()
    digits = hashlib.sha256(content[::-1]).hexdigest()[:8]
    kept, tip = f"{sha[:2]}/{sha}.jpg", f"{sha[:2]}/{sha}-{digits}-tip.jpg"
    write_picture(book, kept, content)
    write_picture(book, tip, content[::-1])
    window = (38.0, 0.0, 48.0, 9.0, 100.0)
    kept_sha256 = hashlib.sha256(content).hexdigest()
    photo = book.add_photo(sha, f"R{number}.jpg", NOON, NOON, kept, kept_sha256)
    book.add_filing(photo, Filing(reed and reed.id, "dry", Soaking(), None, None))
    refused = Measurement(photo.name, "refused", "", "", None, None, ("no-reed",)).record()
    book.add_reading(photo, refused, Settings(), 0.0, None, tip=tip, tip_window=window)
    return photo


def fill(book, measured, photos=30):
    with book.writing():
        book.add_lot("26a", "post", strength="médium ♯")
        for number in range(photos):
            reed = book.add_reed(number + 1, "26a")
            photo = add_photo(book, number, reed)
            book.add_reading(photo, measured(reed=reed.number).record(), Settings(), 0.001, [[0.1, 0.2]])
            book.add_decision(reed, NOON, "keep", "fine", "MB")


@pytest.fixture(scope="module")
def made_once(tmp_path_factory):
    """A folder with a book of 30 photos and a backup of it, and one with another book: to copy."""
    folder = tmp_path_factory.mktemp("made-once")
    with Book(folder / "filled" / "reeds.sqlite3", create=True) as book:
        fill(book, _measured)
        back_up(book, folder / "backup.zip")
    with Book(folder / "home" / "reeds.sqlite3", create=True) as book:
        fill(book, _measured, photos=3)
    return folder


@pytest.fixture
def filled(tmp_path, made_once):
    """A book with 30 photos."""
    shutil.copytree(made_once / "filled", tmp_path, dirs_exist_ok=True)
    with Book(tmp_path / "reeds.sqlite3") as book:
        yield book


@pytest.fixture
def archive(filled, tmp_path, made_once):
    """A backup of it."""
    return shutil.copy(made_once / "backup.zip", tmp_path / "backup.zip")


# A place in a backup, before it is known how long that is: its length differs a little each time, and what is
# drawn must not depend on it, or a remembered example does not fit.
ANYWHERE = st.integers(0, 2**31)


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """A backup with two photos, as bytes, and what is in it."""
    folder = tmp_path_factory.mktemp("small")
    with Book(folder / "reeds.sqlite3", create=True) as book:
        add_photo(book, 1, book.add_reed(1))
        add_photo(book, 2)
        path = back_up(book, folder / "backup.zip").path
        return path.read_bytes(), everything(book.path)


def rows_of(path):
    with closing(sqlite3.connect(path)) as connection:
        return {
            table: connection.execute(f"SELECT * FROM {table} ORDER BY id").fetchall()
            for table in schema.TABLES
        }


def files_in(folder):
    """Every file in a folder, by its name there; the lock that the store leaves is none of the user's."""
    paths = [path for path in folder.rglob("*") if path.is_file() and path.suffix != ".lock"]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


def everything(path):
    """All rows and all pictures of a book."""
    return rows_of(path), files_in(pictures_folder(path))


def mode_and_health(path):
    with closing(sqlite3.connect(path)) as connection:
        answers = ("journal_mode", "integrity_check", "foreign_key_check")
        return [connection.execute(f"PRAGMA {name}").fetchall() for name in answers]


HEALTHY = [[("wal",)], [("ok",)], []]


# Backups


def test_a_backup_restored_equals_the_original_row_by_row_and_picture_by_picture(filled, tmp_path):
    made = back_up(filled, tmp_path / "backup.zip")
    assert (made.photos, made.bytes, made.lacking) == (30, made.path.stat().st_size, ())
    path = tmp_path / "elsewhere" / "other name.sqlite3"
    restored = restore(made.path, path)
    assert (restored.path, restored.photos, restored.moved_aside, restored.lacking) == (path, 30, None, ())
    assert everything(path) == everything(filled.path)
    assert len(files_in(pictures_folder(path))) == 60
    assert mode_and_health(path) == HEALTHY
    assert check(path).found == ()


def test_any_program_can_open_a_backup(archive, filled):
    with ZipFile(archive) as opened:
        assert opened.testzip() is None
        manifest = json.loads(opened.read("manifest.json"))
        names = set(opened.namelist()) - {"manifest.json"}
        assert names == set(manifest["members"])
        assert names == {"reed-book.sqlite3", *(f"pictures/{name}" for name in files_in(filled.pictures))}
        for name, member in manifest["members"].items():
            content = opened.read(name)
            assert (len(content), hashlib.sha256(content).hexdigest()) == (member["size"], member["sha256"])
    assert manifest["schema_version"] == schema.VERSION
    assert datetime.fromisoformat(manifest["made_at"]).tzinfo is not None


def test_in_a_folder_a_backup_is_called_after_the_time(filled, tmp_path):
    folder = tmp_path / "stick"
    folder.mkdir()
    path = back_up(filled, folder).path
    assert datetime.strptime(path.name, "reed-book-%Y-%m-%d-%H%M%S.zip").date() == datetime.now().date()
    assert list(folder.iterdir()) == [path]


def test_no_file_is_ever_overwritten(filled, tmp_path, monkeypatch):
    target = tmp_path / "backup.zip"
    target.write_text("a letter")
    with pytest.raises(BookError, match="never replaced"):
        back_up(filled, target)

    def appears(path, name):  # another program takes the name at the last moment
        name.write_text("newer letter")
        return link(path, name)

    link = os.link
    monkeypatch.setattr(os, "link", appears)
    with pytest.raises(BookError, match="never replaced"):
        back_up(filled, tmp_path / "other.zip")
    assert target.read_text() == "a letter"
    assert (tmp_path / "other.zip").read_text() == "newer letter"


def test_a_memory_stick_that_knows_no_second_names_will_do(filled, tmp_path, monkeypatch):
    def refuse(*_):
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    made = back_up(filled, tmp_path / "backup.zip")
    assert restore(made.path, tmp_path / "new" / "book.db").photos == 30


def test_what_a_backup_lacks_is_named(filled, tmp_path):
    kept, tip = next(filled.table("photos"))["kept"], next(filled.table("readings"))["tip"]
    (filled.pictures / kept).write_bytes(b"spoilt")
    (filled.pictures / tip).unlink()
    made = back_up(filled, tmp_path / "backup.zip")
    assert made.lacking == (kept, tip)
    assert restore(made.path, tmp_path / "new" / "book.db").lacking == (kept, tip)


def test_a_damaged_book_is_not_backed_up_as_if_it_were_whole(filled, tmp_path):
    filled.close()
    spoil(filled.path)
    # Where the middle lies, opening it or looking through it says so.
    with pytest.raises(BookError, match="book-damaged"), Book(filled.path) as opened:
        back_up(opened, tmp_path / "backup.zip")
    assert not (tmp_path / "backup.zip").exists()


def keep_writing(path, gate, stop):
    with Book(path) as book:
        number = 1000
        while not stop.is_set():
            with book.writing():
                book.add_lot(f"lot{number}", "post")
                add_photo(book, number)
            number += 1
            if number == 1005:
                gate.set()


def test_a_backup_is_consistent_while_another_program_writes(filled, tmp_path):
    gate, stop = APART.Event(), APART.Event()
    writer = APART.Process(target=keep_writing, args=(filled.path, gate, stop))
    writer.start()
    try:
        assert gate.wait(60)
        made = [back_up(filled, tmp_path / f"{number}.zip") for number in range(5)]
    finally:
        stop.set()
        writer.join(60)
    assert writer.exitcode == 0
    assert made[0].photos < made[-1].photos  # it did write meanwhile
    for backup in made:
        assert backup.lacking == ()
        path = tmp_path / backup.path.stem / "book.db"
        assert restore(backup.path, path).photos == backup.photos
        assert mode_and_health(path) == HEALTHY
        rows = rows_of(path)
        # What is written in one transaction is there together.
        assert len(rows["lots"]) == len(rows["lot_details"])
        assert len(rows["photos"]) == len(rows["filings"])
        assert not check(path).loss


@pytest.mark.parametrize("name", ["fsync", "link"])
def test_a_full_disk_leaves_no_half_backup(filled, tmp_path, monkeypatch, name):
    folder = tmp_path / "stick"
    folder.mkdir()

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, name, full)
    monkeypatch.setattr(os, "rename", full)
    with pytest.raises(BookError, match="book-unwritable"):
        back_up(filled, folder)
    assert list(folder.iterdir()) == []


def test_memory_does_not_grow_with_the_number_of_pictures(book, tmp_path):
    """Thirty times a megabyte goes through, and never half of it is held at once."""
    for number in range(30):
        sha = hashlib.sha256(b"%d" % number).hexdigest()
        write_picture(book, f"{sha[:2]}/{sha}.jpg", bytes([number]) * 2**20)
    tracemalloc.start()
    made = back_up(book, tmp_path / "backup.zip")
    restore(made.path, tmp_path / "new" / "book.db")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert made.bytes > 30 * 2**20
    assert peak < 15 * 2**20


# Bringing back


@pytest.fixture
def present(tmp_path, made_once):
    """Another book, closed, where one is to be restored."""
    shutil.copytree(made_once / "home", tmp_path / "home")
    return tmp_path / "home" / "reeds.sqlite3"


def test_the_present_book_is_moved_aside_whole(archive, filled, present):
    before = everything(present)
    restored = restore(archive, present)
    assert everything(present) == everything(filled.path)
    assert restored.moved_aside.parent == present.parent
    assert restored.moved_aside.name.startswith("reeds-before-restore-20")
    assert everything(restored.moved_aside) == before
    assert check(restored.moved_aside).found == ()
    again = restore(archive, present)
    assert again.moved_aside != restored.moved_aside
    assert everything(again.moved_aside) == everything(filled.path)
    # Nothing else is left lying about.
    names = {path.name for path in present.parent.iterdir() if path.suffix != ".lock"}
    books = [present, restored.moved_aside, again.moved_aside]
    assert names == {path.name for book in books for path in (book, pictures_folder(book))}


def test_what_is_still_in_the_log_of_the_present_book_comes_along(archive, present, tmp_path):
    """A book whose program was killed: its last rows are only in the file beside it."""
    copy = tmp_path / "killed" / present.name
    with Book(present) as book:
        book.add_lot("late", "post")
        shutil.copytree(present.parent, copy.parent)
    assert copy.with_name(f"{copy.name}-wal").stat().st_size > 0
    aside = restore(archive, copy).moved_aside
    assert [row[1] for row in rows_of(aside)["lots"]] == ["26a", "late"]
    assert mode_and_health(copy) == HEALTHY


def test_a_damaged_present_book_is_moved_aside_as_it_is(archive, filled, present):
    content = b"no database" + present.read_bytes()[11:]
    present.write_bytes(content)
    log = present.with_name(f"{present.name}-wal")
    log.write_bytes(b"what was in the log")
    aside = restore(archive, present).moved_aside
    assert aside.read_bytes() == content
    assert aside.with_name(f"{aside.name}-wal").read_bytes() == b"what was in the log"
    assert not log.exists()
    assert everything(present) == everything(filled.path)


@pytest.mark.parametrize("pages", [1, 3, 20])
def test_a_present_book_that_was_cut_off_is_moved_aside_as_it_is(archive, filled, present, pages):
    content = present.read_bytes()[: pages * 4096]
    present.write_bytes(content)
    aside = restore(archive, present).moved_aside
    # The first page has the marks of journal mode and of the last change, which opening it may set again.
    assert aside.read_bytes()[100 : len(content)] == content[100:]
    assert everything(present) == everything(filled.path)


def test_pictures_without_a_book_are_moved_aside_too(archive, present):
    before = files_in(pictures_folder(present))
    present.unlink()
    aside = restore(archive, present).moved_aside
    assert not aside.exists()
    assert files_in(pictures_folder(aside)) == before


def test_a_log_without_its_book_does_not_leak_into_the_restored_one(archive, filled, present, tmp_path):
    with Book(present) as book:
        book.add_lot("late", "post")
        shutil.copytree(present.parent, tmp_path / "killed")
    path = tmp_path / "killed" / present.name
    path.unlink()
    restore(archive, path)
    assert everything(path) == everything(filled.path)


@pytest.mark.skipif(sys.platform == "win32", reason="making links needs rights there")
def test_a_linked_book_stays_a_link(archive, filled, tmp_path):
    (tmp_path / "disk").mkdir()
    path = tmp_path / "home" / "reeds.sqlite3"
    path.parent.mkdir()
    path.symlink_to(tmp_path / "disk" / "real.sqlite3")
    with Book(path, create=True) as book:
        book.add_lot("mine", "post")
    aside = restore(archive, path).moved_aside
    assert path.is_symlink()
    assert everything(path) == everything(filled.path)
    assert [row[1] for row in rows_of(aside)["lots"]] == ["mine"]
    # All lies beside the real file, which may be on another disk than the link.
    assert list((tmp_path / "home").iterdir()) == [path]
    assert aside.parent == pictures_folder(path).parent == (tmp_path / "disk").resolve()


def open_and_wait(path, gate, stop):
    with Book(path) as book:
        book.reeds()
        gate.set()
        stop.wait(60)


def test_a_book_that_somebody_has_open_is_busy_and_stays(archive, present):
    before = everything(present)
    gate, stop = APART.Event(), APART.Event()
    other = APART.Process(target=open_and_wait, args=(present, gate, stop))
    other.start()
    try:
        assert gate.wait(60)
        with pytest.raises(BookError, match="book-busy"):
            restore(archive, present)
    finally:
        stop.set()
        other.join(60)
    with Book(present), pytest.raises(BookError, match="book-busy"):
        restore(archive, present)
    assert everything(present) == before
    assert mode_and_health(present) == HEALTHY


@pytest.mark.skipif(sys.platform == "win32", reason="an open file cannot be replaced there")
def test_nobody_writes_to_the_former_book_while_it_is_exchanged(archive, present, monkeypatch):
    """Else what was written after the copy aside would be lost."""
    attempt = (
        "import sqlite3, sys\n"
        "try: sqlite3.connect(sys.argv[1], timeout=0).execute('BEGIN IMMEDIATE')\n"
        "except sqlite3.OperationalError as error: print(error.sqlite_errorname, end='')"
    )
    answers = []

    def asking(function):
        def one(source, target):
            run = subprocess.run([sys.executable, "-c", attempt, present], capture_output=True, text=True)
            answers.append(run.stdout)
            return function(source, target)

        return one

    monkeypatch.setattr(os, "rename", asking(os.rename))
    monkeypatch.setattr(os, "replace", asking(os.replace))
    restore(archive, present)
    assert answers == ["SQLITE_BUSY"] * 4


@pytest.mark.skipif(sys.platform == "win32", reason="an open file cannot be replaced there")
def test_who_opened_the_former_book_cannot_write_into_nowhere(archive, present):
    """A program that has just opened the file, but read nothing yet, is not seen; it must not lose rows."""
    with closing(sqlite3.connect(present, isolation_level=None)) as other:
        restore(archive, present)
        with pytest.raises(sqlite3.OperationalError):
            other.execute("INSERT INTO lots (code, recorded_at) VALUES ('lost', '2026')")


# What is no backup


def rewritten(archive, target, change=None, attributes=0, manifest=True, **members):
    """A backup packed again with other members; a manifest that fits them, unless it is changed."""
    with ZipFile(archive) as source:
        listed = json.loads(source.read("manifest.json"))
        contents = {name: source.read(name) for name in listed["members"]} | members
    contents = {name: content for name, content in contents.items() if content is not None}
    listed["members"] = {
        name: {"size": len(content), "sha256": hashlib.sha256(content).hexdigest()}
        for name, content in contents.items()
    }
    if change:
        change(listed)
    with ZipFile(target, "w") as packed:
        for name, content in contents.items():
            info = ZipInfo(name)
            info.external_attr = attributes << 16
            packed.writestr(info, content)
        if manifest:
            packed.writestr("manifest.json", json.dumps(listed))
    return target


def spoil(path):
    """Overwrite the page on which a table of a database begins.

    Whatever lies in the middle of the file depends on how many tables there are: without its list of tables a
    book cannot even be opened.
    """
    with closing(sqlite3.connect(path)) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'photos'").fetchone()
        (size,) = connection.execute("PRAGMA page_size").fetchone()
    content = bytearray(path.read_bytes())
    content[(page - 1) * size : page * size] = b"\xa5" * size
    path.write_bytes(content)


def database_with(archive, folder, *statements):
    path = folder / "changed.sqlite3"
    with ZipFile(archive) as source:
        path.write_bytes(source.read("reed-book.sqlite3"))
    with closing(sqlite3.connect(path)) as connection:
        for statement in statements:
            connection.execute(statement)
        connection.commit()
    return path


def spoilt_database(archive, folder):
    path = database_with(archive, folder)
    spoil(path)
    return path.read_bytes()


def other_database(folder):
    with closing(sqlite3.connect(folder / "recipes.sqlite3")) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    return (folder / "recipes.sqlite3").read_bytes()


def twice(archive, target):
    """Two members of one name: which of them is meant, each program sees in its own way."""
    rewritten(archive, target)
    with ZipFile(target, "a") as packed:
        name = next(name for name in packed.namelist() if name.startswith(PICTURES))
        content = packed.read(name)
        with pytest.warns(UserWarning, match="Duplicate"):
            packed.writestr(name, content)
    return target


def wrong_hash(listed):
    listed["members"]["reed-book.sqlite3"]["sha256"] = "0" * 64


def huge(listed):
    listed["members"]["reed-book.sqlite3"]["size"] = 10**15


ANOTHER = "pictures/ab/" + "ab" * 32 + ".jpg"
WRONG = {
    "another file": lambda a, t, f: shutil.copy(__file__, t),
    "an empty file": lambda a, t, f: t.write_bytes(b""),
    "a ZIP file of somebody else's": lambda a, t, f: ZipFile(t, "w").close(),
    "no manifest": lambda a, t, f: rewritten(a, t, manifest=False),
    "a manifest of something else": lambda a, t, f: rewritten(a, t, lambda m: m.update(what="a cake")),
    "a manifest without members": lambda a, t, f: rewritten(a, t, lambda m: m.pop("members")),
    "a member twice": lambda a, t, f: twice(a, t),
    "a way out": lambda a, t, f: rewritten(a, t, **{"../../x": b"x"}),
    "a way out among the pictures": lambda a, t, f: rewritten(a, t, **{"pictures/ab/../../../x": b"x"}),
    "a place of its own": lambda a, t, f: rewritten(a, t, **{"/aperture-escaped": b"x"}),
    "a drive of its own": lambda a, t, f: rewritten(a, t, **{"C:\\x": b"x"}),
    "a name that is none": lambda a, t, f: rewritten(a, t, **{"pictures/thumbs.db": b"x"}),
    "links": lambda a, t, f: rewritten(a, t, attributes=0o120777),
    "a member too many": lambda a, t, f: rewritten(
        a, t, lambda m: m["members"].pop(ANOTHER), **{ANOTHER: b""}
    ),
    "a picture missing": lambda a, t, f: rewritten(
        a, t, lambda m: m["members"].update({ANOTHER: {"size": 1, "sha256": "0" * 64}})
    ),
    "no database": lambda a, t, f: rewritten(a, t, **{"reed-book.sqlite3": None}),
    "an empty database": lambda a, t, f: rewritten(a, t, **{"reed-book.sqlite3": b""}),
    "a wrong hash": lambda a, t, f: rewritten(a, t, wrong_hash),
    "a huge size": lambda a, t, f: rewritten(a, t, huge),
    "a picture that was changed": lambda a, t, f: t.write_bytes(
        a.read_bytes().replace(hashlib.shake_256(b"photo 3").digest(50), bytes(50))
    ),
    "a text for a database": lambda a, t, f: rewritten(a, t, **{"reed-book.sqlite3": b"recipes" * 1000}),
    "a database of something else": lambda a, t, f: rewritten(
        a, t, **{"reed-book.sqlite3": other_database(f)}
    ),
    "a spoilt database": lambda a, t, f: rewritten(a, t, **{"reed-book.sqlite3": spoilt_database(a, f)}),
    "rows that point nowhere": lambda a, t, f: rewritten(
        a,
        t,
        **{
            "reed-book.sqlite3": database_with(
                a, f, "INSERT INTO filings (photo_id, recorded_at) VALUES (99999, '2026')"
            ).read_bytes()
        },
    ),
    "a table missing": lambda a, t, f: rewritten(
        a, t, **{"reed-book.sqlite3": database_with(a, f, "DROP TABLE photos").read_bytes()}
    ),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_what_is_no_backup_is_refused_and_touches_nothing(archive, present, tmp_path, wrong):
    target, work = tmp_path / "wrong.zip", tmp_path / "work"
    work.mkdir()
    WRONG[wrong](archive, target, work)
    before = files_in(present.parent)
    with pytest.raises(BookError) as caught:
        restore(target, present)
    assert caught.value.code == "backup-damaged"
    assert str(target) in caught.value.detail
    assert ".part" not in caught.value.detail
    assert files_in(present.parent) == before
    assert not (tmp_path / "x").exists()


def test_a_backup_of_a_newer_program_is_refused(archive, present, tmp_path):
    newer = rewritten(archive, tmp_path / "newer.zip", lambda m: m.update(schema_version=schema.VERSION + 1))
    before = files_in(present.parent)
    with pytest.raises(BookError, match="book-newer"):
        restore(newer, present)
    assert files_in(present.parent) == before


def test_a_backup_that_is_not_there(present, tmp_path):
    with pytest.raises(BookError, match="backup-missing"):
        restore(tmp_path / "none.zip", present)


def test_a_few_bytes_that_unpack_to_any_length_are_not_unpacked(archive, tmp_path):
    """A manifest of 200 MB of zeros: the list of the ZIP file lies that it has 100 bytes."""
    target = tmp_path / "bomb.zip"
    with ZipFile(target, "w", ZIP_DEFLATED) as packed, packed.open("manifest.json", "w") as file:
        for _ in range(200):
            file.write(bytes(2**20))
    real, lie = (200 * 2**20).to_bytes(4, "little"), (100).to_bytes(4, "little")
    content = target.read_bytes()
    assert content.count(real) == 2
    target.write_bytes(content.replace(real, lie))
    tracemalloc.start()
    with pytest.raises(BookError, match="backup-damaged"):
        restore(target, tmp_path / "new" / "book.db")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20 * 2**20


def test_what_the_disk_has_no_room_for_is_not_begun(archive, present, monkeypatch):
    usage = shutil.disk_usage(present.parent)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=1000))
    before = files_in(present.parent)
    with pytest.raises(BookError, match="bytes are needed, 1,000 are free"):
        restore(archive, present)
    assert files_in(present.parent) == before


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_whatever_byte_of_a_backup_is_changed_it_comes_back_equal_or_not_at_all(
    small, tmp_path_factory, data
):
    """Some bytes of a ZIP file say nothing, such as the times of its members; all others are noticed."""
    content, expected = small
    place = data.draw(ANYWHERE) % len(content)
    change = data.draw(st.integers(1, 255))
    changed = bytearray(content)
    changed[place] ^= change
    folder = tmp_path_factory.mktemp("changed")
    (folder / "backup.zip").write_bytes(changed)
    path = folder / "new" / "book.db"
    try:
        restore(folder / "backup.zip", path)
    except BookError as error:
        code = error.code
    else:
        assert everything(path) == expected
        return
    assert code == "backup-damaged"
    assert list(path.parent.iterdir()) == []


@settings(max_examples=30, deadline=None)
@given(data=st.data())
def test_a_backup_that_was_cut_off_is_refused(small, tmp_path_factory, data):
    content, _ = small
    folder = tmp_path_factory.mktemp("cut")
    (folder / "backup.zip").write_bytes(content[: data.draw(ANYWHERE) % len(content)])
    with pytest.raises(BookError, match="backup-damaged"):
        restore(folder / "backup.zip", folder / "new" / "book.db")
    assert list((folder / "new").iterdir()) == []


# Stopped in the middle


def test_a_disk_that_fills_up_while_unpacking_leaves_the_present_book(archive, present, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    before = files_in(present.parent)
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(BookError, match="book-unwritable"):
        restore(archive, present)
    assert files_in(present.parent) == before


@pytest.mark.parametrize("step", range(4))
def test_a_step_that_fails_undoes_those_before_it(archive, present, monkeypatch, step):
    before, names = everything(present), set(files_in(present.parent))
    count = iter(range(100))

    def failing(function):
        def one(source, target):
            if next(count) == step:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return function(source, target)

        return one

    monkeypatch.setattr(os, "rename", failing(os.rename))
    monkeypatch.setattr(os, "replace", failing(os.replace))
    with pytest.raises(BookError, match="book-unwritable"):
        restore(archive, present)
    assert everything(present) == before
    assert set(files_in(present.parent)) == names
    assert mode_and_health(present) == HEALTHY


def restore_and_be_killed(archive, path, step):
    count = iter(range(100))

    def killing(function):
        def one(*arguments):
            if next(count) == step:
                os.kill(os.getpid(), signal.SIGKILL)
            return function(*arguments)

        return one

    os.rename, os.replace = killing(os.rename), killing(os.replace)
    restore(archive, path)


@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")
@pytest.mark.parametrize("step", range(4))
def test_killed_between_the_steps_nothing_is_lost_and_the_next_run_ends_it(archive, filled, present, step):
    """The steps: the copy of the present book, its pictures aside, the new pictures, the new book."""
    rows, pictures = everything(present)
    process = APART.Process(target=restore_and_be_killed, args=(archive, present, step))
    process.start()
    process.join(60)
    assert process.exitcode == -signal.SIGKILL
    # At its place is the former book, whole.
    assert rows_of(present) == rows
    asides = sorted(present.parent.glob("reeds-before-restore-*"))
    folder = pictures_folder(present) if step < 2 else next(path for path in asides if path.is_dir())
    assert files_in(folder) == pictures
    if step >= 2:
        # So is the one with the dated name, and with its pictures.
        assert everything(next(path for path in asides if path.is_file())) == (rows, pictures)
    assert {finding.what for finding in check(present).found} >= {"Half-written, by a run that was stopped."}
    restore(archive, present)
    assert everything(present) == everything(filled.path)
    kept = [files_in(path) for path in present.parent.glob("reeds-before-restore-*") if path.is_dir()]
    assert pictures in kept


# Looking through


def kinds(findings):
    return {finding.what: finding.where for finding in findings.found}


def test_a_whole_book_has_no_findings(filled):
    assert check(filled.path) == Findings(filled.path, 30, ())


def test_every_trouble_with_the_pictures_is_named(filled):
    rows = list(filled.table("photos"))
    kept = [filled.pictures / row["kept"] for row in rows]
    tips = [filled.pictures / row["tip"] for row in filled.table("readings") if row["tip"]]
    kept[0].unlink()
    kept[1].write_bytes(kept[1].read_bytes()[:-1] + b"?")
    kept[2].unlink()
    kept[2].mkdir()
    tips[3].unlink()
    tips[5].write_bytes(b"spoilt")
    orphan = filled.pictures / "ab" / ("ab" * 32 + ".jpg")
    orphan.parent.mkdir(exist_ok=True)
    orphan.write_bytes(b"a photo whose intake was stopped")
    part = kept[4].with_name(f".{kept[4].name}.0a1b2c3d.part")
    part.write_bytes(b"half")
    findings = check(filled.path)
    assert findings.compared == 27
    assert findings.loss
    seen = kinds(findings)
    assert seen.pop("A photo is missing.") == f"{kept[0]} (R0.jpg)"
    assert seen.pop("A photo is not as it was kept.") == f"{kept[1]} (R1.jpg)"
    assert seen.pop("A photo cannot be read.") == f"{kept[2]} (R2.jpg)"
    assert seen.pop("The picture of a tip is missing.") == f"{tips[3]} (R3.jpg)"
    assert seen.pop("The picture of a tip is not as it was kept.") == f"{tips[5]} (R5.jpg)"
    assert seen.pop("The book does not name this file.") == str(orphan)
    assert seen.pop("Half-written, by a run that was stopped.") == str(part)
    assert seen == {}
    assert all(finding.advice for finding in findings.found)


def test_what_only_lies_about_is_no_loss(filled):
    (filled.pictures / "Thumbs.db").write_bytes(b"x")
    findings = check(filled.path)
    assert kinds(findings) == {"The book does not name this file.": str(filled.pictures / "Thumbs.db")}
    assert not findings.loss


@pytest.mark.parametrize("content", [b"", b"a letter about reeds" * 500])
def test_a_file_that_is_no_book_is_a_finding_and_stays_as_it_is(tmp_path, content):
    path = tmp_path / "x.sqlite3"
    path.write_bytes(content)
    findings = check(path)
    assert findings.compared is None
    assert findings.loss
    assert path.read_bytes() == content


def test_another_program_s_database_is_a_finding(tmp_path):
    (tmp_path / "recipes.sqlite3").write_bytes(other_database(tmp_path))
    assert "not a reed book" in check(tmp_path / "recipes.sqlite3").found[0].where


def test_no_book_is_no_finding(tmp_path):
    with pytest.raises(BookError, match="book-missing"):
        check(tmp_path / "none.sqlite3")


def test_pictures_of_a_damaged_book_are_not_called_unnamed(filled):
    """Else somebody might delete them."""
    filled.close()
    spoil(filled.path)
    findings = check(filled.path)
    assert findings.compared is None
    assert set(kinds(findings)) == {"The book's file is damaged, or is no reed book."}


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_however_a_book_is_damaged_looking_through_it_ends(small, tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("damaged")
    (folder / "backup.zip").write_bytes(small[0])
    with ZipFile(folder / "backup.zip") as archive:
        content = bytearray(archive.read("reed-book.sqlite3"))
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(content) - 1))
        length = data.draw(st.sampled_from([1, 4, 100, 4096]))
        content[place : place + length] = data.draw(st.binary(min_size=1, max_size=4)) * (length // 4 + 1)
    path = folder / "book.db"
    path.write_bytes(content)
    try:
        findings = check(path)
    except BookError as error:
        code = error.code
    else:
        assert all(finding.advice and finding.where for finding in findings.found)
        # The pictures are not there at all.
        assert findings.loss
        return
    # A version that was changed to a higher one looks like a newer program's.
    assert code == "book-newer"
