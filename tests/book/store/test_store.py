"""The book's file: found, begun, upgraded after a copy, refused in words."""

import gc
import multiprocessing
import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path

import pytest

from aperture.book.store import book_file, schema
from aperture.book.store.ledger import Book
from aperture.collecting import collect_rarely
from aperture.errors import BookError


def test_the_book_is_the_file_given_else_the_variable_s_else_in_the_data_folder(monkeypatch, tmp_path):
    monkeypatch.setenv("APERTURE_BOOK", str(tmp_path / "mine.sqlite3"))
    assert book_file.book_path(Path("given")) == Path("given")
    assert book_file.book_path() == tmp_path / "mine.sqlite3"
    monkeypatch.setenv("APERTURE_BOOK", "")
    assert book_file.book_path().name == "reed-book.sqlite3"


def test_no_book_no_silence(tmp_path):
    with pytest.raises(BookError, match="book-missing"):
        Book(tmp_path / "none.sqlite3")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "name", ["with space.sqlite3", 'it\'s "quoted".db', "Blätter 芦.sqlite3", "%20?x=1#.db"]
)
def test_any_name_will_do(tmp_path, name):
    path = tmp_path / "new folder" / name
    with Book(path, create=True) as book:
        book.add_reed(1)
    with Book(path) as book:
        assert [reed.number for reed in book.reeds()] == [1]
    assert path.is_file()


def test_write_ahead_log_foreign_keys_and_full_syncing_are_on(book):
    connection = book._connection
    answers = [
        connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("journal_mode", "foreign_keys", "synchronous")
    ]
    assert answers == ["wal", 1, 2]


NOW = schema.VERSION


def in_this_version(path):
    with Book(path, create=True) as book:
        book.add_reed(1)


def m_colour(db):
    db.execute("ALTER TABLE reeds ADD COLUMN thread_colour TEXT")


def m_fails(db):
    db.execute("ALTER TABLE reeds ADD COLUMN length_mm REAL")
    raise sqlite3.OperationalError("made to fail")


def next_version(monkeypatch, *migrations):
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, *migrations))
    monkeypatch.setattr(schema, "VERSION", len(schema.MIGRATIONS))


def test_an_older_book_is_upgraded_after_a_copy(tmp_path, monkeypatch):
    path = tmp_path / "reeds.sqlite3"
    in_this_version(path)
    next_version(monkeypatch, m_colour)
    with Book(path) as book:
        assert [row["thread_colour"] for row in book.table("reeds")] == [None]
    with closing(sqlite3.connect(tmp_path / f"reeds-version-{NOW}.sqlite3")) as copy:
        assert copy.execute("PRAGMA user_version").fetchone() == (NOW,)
        assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert copy.execute("SELECT number FROM reeds").fetchall() == [(1,)]
    with Book(path):
        pass
    assert len(list(tmp_path.glob("reeds-version-*"))) == 1


def test_an_upgrade_that_fails_leaves_the_book_as_it_was(tmp_path, monkeypatch):
    path = tmp_path / "reeds.sqlite3"
    in_this_version(path)
    with monkeypatch.context() as later:
        next_version(later, m_colour, m_fails)
        with pytest.raises(sqlite3.OperationalError, match="made to fail"):
            Book(path)
    with Book(path) as book:
        assert "thread_colour" not in next(iter(book.table("reeds")))


def test_a_newer_book_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "reeds.sqlite3"
    in_this_version(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    content = path.read_bytes()
    with pytest.raises(BookError, match="book-newer"):
        Book(path)
    assert path.read_bytes() == content


def test_a_book_that_was_cut_to_nothing_is_not_taken_for_a_new_one(tmp_path):
    path = tmp_path / "reeds.sqlite3"
    path.touch()
    with pytest.raises(BookError, match="is empty"):
        Book(path)
    assert path.stat().st_size == 0


def test_a_copy_is_one_file_and_has_a_write_ahead_log_when_it_is_opened(book, tmp_path):
    copy = tmp_path / "copy.sqlite3"
    book.add_reed(1)
    book.copy_to(copy)
    assert [path.name for path in tmp_path.glob("copy*")] == ["copy.sqlite3"]
    with Book(copy) as opened:
        assert [reed.number for reed in opened.reeds()] == [1]
        assert opened._connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_a_copy_that_fails_leaves_nothing(tmp_path):
    connection = sqlite3.connect(":memory:")
    connection.close()  # nothing can be copied from it
    with pytest.raises(sqlite3.ProgrammingError):
        book_file.copy_to(connection, tmp_path / "copy.sqlite3")
    assert list(tmp_path.iterdir()) == []


def test_a_book_that_lost_a_table_is_damaged(book):
    with closing(sqlite3.connect(book.path)) as other:
        other.execute("DROP TABLE squeezes")
    with pytest.raises(BookError, match="book-damaged"):
        book.histories()


def test_other_files_are_no_books(tmp_path):
    path = tmp_path / "x.sqlite3"
    path.write_text("This is a letter about reeds, not a database. " * 40)
    with pytest.raises(BookError, match="book-damaged"):
        Book(path)
    other = tmp_path / "y.sqlite3"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    with pytest.raises(BookError, match="not a reed book"):
        Book(other, create=True)


def test_a_book_that_somebody_writes_to_for_long_is_busy(book, monkeypatch):
    monkeypatch.setattr(book_file, "LOCK_TIMEOUT_SECONDS", 0.1)
    with Book(book.path) as other, book.writing(), pytest.raises(BookError, match="book-busy"):
        other.add_reed(1)
    assert book.reeds() == []


def test_a_full_disk_is_said_in_words_and_loses_nothing(book):
    """SQLite's own limit on the file's size stands for the disk's end."""
    book.add_reed(1)
    connection = book._connection
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(BookError, match="book-unwritable"):
        book.add_photo("a" * 64, "x" * 10_000_000, None, datetime(2026, 1, 1))
    assert [reed.number for reed in book.reeds()] == [1]
    assert book.integrity_errors() == []


def test_a_book_on_a_locked_medium_can_be_read(book, monkeypatch):
    """A stand-in for the medium: SQLite cannot open the file for writing there."""
    book.add_reed(1)
    book.close()

    def locked(path, wait_seconds):
        connection = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, isolation_level=None)
        connection.execute("CREATE TABLE forbidden (x)")

    monkeypatch.setattr(book_file, "_open", locked)
    with Book(book.path) as opened:
        assert [reed.number for reed in opened.reeds()] == [1]
        with pytest.raises(BookError, match="book-unwritable"):
            opened.add_reed(2)
    with pytest.raises(BookError, match="book-unwritable"):
        Book(book.path, create=True)


def test_a_folder_that_cannot_be_written_is_said_in_words(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(BookError, match="book-unwritable"):
        Book(tmp_path / "file" / "reeds.sqlite3", create=True)


def add_reeds(path, first, gate):
    gate.wait()
    for number in range(first, first + 25):
        with Book(path, create=True) as book:
            book.add_reed(number)


def test_two_processes_begin_and_fill_the_same_book(tmp_path):
    path = tmp_path / "reeds.sqlite3"
    context = multiprocessing.get_context("spawn")
    gate = context.Barrier(2)
    workers = [context.Process(target=add_reeds, args=(path, first, gate)) for first in (1, 101)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    assert [worker.exitcode for worker in workers] == [0, 0]
    with Book(path) as book:
        assert [reed.number for reed in book.reeds()] == [*range(1, 26), *range(101, 126)]
        assert book.integrity_errors() == []


def test_reading_a_book_of_many_reeds_is_not_interrupted_to_look_for_unused_objects():
    before = gc.get_threshold()
    try:
        collect_rarely()
        gc.collect()
        collections = sum(generation["collections"] for generation in gc.get_stats())
        kept = [[number] for number in range(100_000)]
        assert sum(generation["collections"] for generation in gc.get_stats()) == collections
        assert len(kept) == 100_000
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()
