"""Nothing that is done to the book loses or doubles anything: a few of each trial, with a fixed seed.

`python -m tests.bench breaking` makes many of each.
"""

import os
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from aperture.book.backup.checking import check
from aperture.book.backup.keeping import back_up
from aperture.book.store import book_file
from aperture.book.store.ledger import Book
from aperture.errors import BookError
from tests.breaking import Count, a_book, damage, disks, files, killing, mix_ups, oddities

KILLS = pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")


def all_survive(count: Count, tried: int) -> None:
    assert count.troubles == []
    assert count.survived >= tried


@KILLS
def test_an_intake_that_is_killed(tmp_path):
    all_survive(killing.kill_intake(tmp_path, 25, seed=7), 25)


@KILLS
def test_a_desk_that_is_killed(tmp_path):
    pytest.importorskip("starlette", reason="the desk's packages are not installed")
    all_survive(killing.kill_desk(tmp_path, 1, seed=7), 1)


@KILLS
@pytest.mark.parametrize("kill", [killing.kill_upgrade, killing.kill_backup, killing.kill_restore])
def test_an_upgrade_a_backup_a_restore_that_are_killed(tmp_path, kill):
    all_survive(kill(tmp_path, 4, seed=7), 4)


@pytest.fixture
def can_mount(tmp_path):
    if not disks.can_mount(tmp_path):
        pytest.skip("a small disk can be mounted by root on Linux only")


# On a full disk the library that writes workbooks leaves its files open.
@pytest.mark.filterwarnings("ignore:Exception ignored in:pytest.PytestUnraisableExceptionWarning")
@pytest.mark.usefixtures("can_mount")
def test_a_full_disk(tmp_path):
    for count in disks.full_disk(tmp_path, 1, seed=7).values():
        all_survive(count, 1)


@pytest.mark.usefixtures("can_mount")
def test_a_medium_and_a_folder_that_cannot_be_written(tmp_path):
    for count in disks.read_only(tmp_path, seed=7).values():
        all_survive(count, 15)


def test_a_clock_that_goes_back(tmp_path):
    all_survive(oddities.wrong_clock(tmp_path, 5, seed=7), 5)


def test_names_that_nobody_expected(tmp_path):
    all_survive(oddities.odd_names(tmp_path, oddities.NAMES[::4]), 5)


def test_names_that_are_too_long(tmp_path):
    all_survive(oddities.long_names(tmp_path), 20)


def test_two_books_side_by_side(tmp_path):
    all_survive(mix_ups.side_by_side(tmp_path, 1, seed=7), 8)


def test_the_demo_into_a_used_folder(tmp_path):
    all_survive(mix_ups.demo_in_used_folder(tmp_path), 8)


def test_dates_that_cannot_be(tmp_path):
    all_survive(mix_ups.hostile_dates(tmp_path, 2, seed=7), 38)


def test_a_book_that_another_process_holds(tmp_path):
    all_survive(oddities.held(tmp_path, 1), 20)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no pipes in folders")
@pytest.mark.parametrize("kind", ["a HEIC with a decoy"])
def test_what_is_no_photo(tmp_path, kind):
    pytest.importorskip("starlette", reason="the desk's packages are not installed")
    all_survive(files.no_photos(tmp_path, kind), 5)


def test_bytes_that_were_overwritten(tmp_path):
    all_survive(damage.damaged(tmp_path, 15, seed=7), 15)


# What the trials found, each by itself


def test_a_digit_that_became_another_is_found(tmp_path):
    """SQLite's own checks see nothing of it."""
    path = a_book(tmp_path / "reeds.sqlite3", 3)
    content = path.read_bytes()
    assert content.count(b"note 1") == 1
    path.write_bytes(content.replace(b"note 1", b"note 7"))
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert [finding.where for finding in check(path).found] == ["checks, row 2: not as it was written"]
    with Book(path) as book, pytest.raises(BookError, match="book-damaged"):
        back_up(book, tmp_path / "backup.zip")
    assert not (tmp_path / "backup.zip").exists()


def test_a_rule_of_the_file_that_became_another_is_found(tmp_path):
    """What a view selects is text in the file, too."""
    path = a_book(tmp_path / "reeds.sqlite3", 3)
    content = path.read_bytes()
    assert b"max(id) FROM lot_details" in content
    path.write_bytes(content.replace(b"max(id) FROM lot_details", b"min(id) FROM lot_details"))
    assert [finding.where for finding in check(path).found] == ["current_lots is not defined as it should be"]


def test_a_row_that_is_gone_or_was_slipped_in_is_found(tmp_path):
    path = a_book(tmp_path / "reeds.sqlite3", 3)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER checks_no_delete")
        connection.execute("DELETE FROM checks WHERE id = 2")
        connection.execute("INSERT INTO lots (code, recorded_at) VALUES ('slipped', '2026')")
        connection.execute(
            "CREATE TRIGGER checks_no_delete BEFORE DELETE ON checks "
            "BEGIN SELECT RAISE(ABORT, 'nothing in the reed book is ever overwritten'); END"
        )
        connection.commit()
    with Book(path) as book:
        assert book.integrity_errors() == ["lots, row 2: not as it was written", "checks, row 2: it is gone"]


def test_a_book_in_disorder_is_not_written_to(tmp_path):
    path = a_book(tmp_path / "reeds.sqlite3", 12)
    content = bytearray(path.read_bytes())
    with closing(sqlite3.connect(path)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'squeezes'").fetchone()
    content[(root - 1) * 4096 : (root - 1) * 4096 + 200] = bytes(200)
    path.write_bytes(content)
    with Book(path) as book, pytest.raises(BookError, match="book-damaged"):
        book.add_lot("27b", "north")
    assert path.read_bytes()[4096:] == content[4096:]


def test_no_new_book_is_begun_on_what_is_left_of_one(tmp_path):
    path = a_book(tmp_path / "reeds.sqlite3", 3)
    path.write_bytes(b"")
    with pytest.raises(BookError, match="the pictures beside it are there"):
        Book(path, create=True)
    path.unlink()
    log = Path(f"{path}-wal")
    log.write_bytes(b"the last that was entered")
    with pytest.raises(BookError, match="belongs to it"):
        Book(path, create=True)
    assert log.read_bytes() == b"the last that was entered"


def test_a_clock_that_was_set_back_is_said(tmp_path):
    path = a_book(tmp_path / "reeds.sqlite3", 3)
    assert check(path).found == ()
    with Book(path) as book, oddities.showing("2999-01-01"):
        book.add_lot("27b", "north")
    (finding,) = check(path).found
    assert "2999-01-01" in finding.where
    assert not finding.loss


def test_what_killed_runs_left_is_cleared_a_day_later(tmp_path):
    old, new = tmp_path / ".x.old.part", tmp_path / ".x.new.part"
    for left in (old, new):
        left.mkdir()
        (left / "half a backup").write_bytes(b"x")
    os.utime(old, (time.time() - 90000,) * 2)
    with book_file.workspace(tmp_path / "x.zip") as room:
        assert room.is_dir()
    assert [path.name for path in tmp_path.iterdir()] == [".x.new.part"]
