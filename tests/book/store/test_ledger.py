"""The book: rows are only added, the latest counts, and what cannot be is not entered."""

import sqlite3
from datetime import date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aperture.book.store import schema
from aperture.book.store.ledger import Book
from aperture.book.store.records import (
    ACTIONS,
    AGES,
    FAULTS,
    RESPONSES,
    WATERS,
    WETTED,
    Filing,
    Soaking,
    short_code,
)
from aperture.errors import BookError
from aperture.settings import Settings, change_settings
from tests.book.conftest import GAUGE_CHECK

NOON = datetime(2026, 10, 5, 12, 0)


def raw(book):
    """The file as any other program would open it."""
    connection = sqlite3.connect(book.path)
    connection.execute("PRAGMA foreign_keys = on")
    return connection


@pytest.fixture
def full(book, enter):
    """A book with at least one row in every table."""
    book.add_lot("26a", "post", date(2026, 9, 1), date(2026, 10, 20), 21.5, "medium soft")
    reed = book.add_reed(7, "26a", slot="A1", player="T4")
    enter(book, reed, "dry")
    book.add_check(reed, NOON, {"leak": False, "wire": True}, "good", -12.0, "note", "MB")
    book.add_squeeze(reed, NOON, by="MB")
    book.add_decision(reed, NOON, "keep", "fine", "MB")
    book.add_gauge_check(GAUGE_CHECK, Settings())
    book.add_card("card-1", 49.5)
    book.add_squeeze(reed, NOON, by="MB")
    book.withdraw(book.entered[-1:])
    return book


def test_every_table_has_a_row_and_every_row_comes_back(full):
    assert all(list(full.table(table)) for table in schema.TABLES)
    history = full.history(full.reed(7))
    assert (history.reed.lot, history.reed.slot, history.reed.player) == ("26a", "A1", "T4")
    assert history.lot == full.lot("26A")
    assert history.lot.price_per_reed == 21.5
    assert history.entries[0].reading.seen == "elliptical"
    assert history.checks[0].leak is False
    assert history.checks[0].wire is True
    assert history.checks[0].chip is None
    assert history.squeezes[0].done_at == NOON
    assert history.decision.action == "keep"
    assert full.histories() == [history]
    assert full.integrity_errors() == []


@pytest.mark.parametrize("table", schema.TABLES)
def test_no_row_can_be_changed_or_deleted(full, table):
    """Whatever program opens the file: SQLite itself refuses."""
    connection = raw(full)
    for statement in (f"UPDATE {table} SET id = id + 100", f"DELETE FROM {table}"):
        with pytest.raises(sqlite3.IntegrityError, match="ever overwritten"):
            connection.execute(statement)
    before = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
    with pytest.raises(sqlite3.IntegrityError):
        connection.execute(f"REPLACE INTO {table} SELECT * FROM {table}")
    assert connection.execute(f"SELECT count(*) FROM {table}").fetchone() == before
    connection.close()


def test_foreign_keys_hold(book):
    connection = raw(book)
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        connection.execute(
            "INSERT INTO squeezes (reed_id, done_at, recorded_at) VALUES (99, '2026-10-05', '2026-10-05')"
        )
    connection.close()


def test_the_words_that_can_be_entered_are_those_of_the_tables(full):
    """The lists in records.py and the CHECKs of the tables say the same."""
    made = raw(full).execute("SELECT group_concat(sql) FROM sqlite_schema").fetchone()[0]
    for words in (WATERS, WETTED, AGES, RESPONSES, ACTIONS):
        assert f"IN ({', '.join(repr(word) for word in words)})" in made
    assert all(f"{fault} INTEGER CHECK ({fault} IN (0, 1))" in made for fault in FAULTS)


def test_what_is_entered_again_counts_and_the_old_stays(book):
    book.add_lot("26a", "post", price_per_reed=20.0)
    book.add_lot("26A", "post", price_per_reed=22.0)
    assert book.lot("26a").price_per_reed == 22.0
    assert [row["price_per_reed"] for row in book.table("lot_details")] == [20.0, 22.0]
    reed = book.add_reed(7)
    book.change_reed(reed, "26a", "B2", None)
    assert book.reed(7).slot == "B2"
    assert len(list(book.table("reed_details"))) == 2


def test_a_photo_filed_again_belongs_to_one_reed_only(book, enter):
    first, second = book.add_reed(1), book.add_reed(2)
    photo = enter(book, first, "dry")
    book.add_filing(
        photo, Filing(second.id, "soaked", Soaking(30.0, "room", "water", "new"), "mixed up", "MB")
    )
    assert book.history(first).entries == ()
    entry = book.history(second).entries[0]
    assert (entry.filing.state, entry.filing.soaking.seconds, entry.filing.reason) == (
        "soaked",
        30.0,
        "mixed up",
    )
    assert len(list(book.table("filings"))) == 2


def test_a_remeasurement_is_a_new_row(book, enter):
    photo = enter(book, book.add_reed(1), "dry")
    old = book.entry(photo).reading
    changed = change_settings(Settings(), {"ruler_mm": 49.0})
    book.add_reading(photo, {**old.record, "height_mm": 0.5}, changed, 0.0, None, "person", "MB")
    readings = book.entry(photo).readings
    assert [reading.record["height_mm"] for reading in readings] == [old.record["height_mm"], 0.5]
    assert readings[1].by == "MB"
    assert book.settings_of(readings[0]) == Settings()
    assert book.settings_of(readings[1]) == changed


def test_a_number_is_free_again_when_its_reed_is_gone(book):
    first = book.add_reed(7)
    with pytest.raises(BookError, match="still here"):
        book.add_reed(7)
    book.add_decision(first, NOON, "thrown away", "worn", "MB")
    second = book.add_reed(7)
    assert second.id != first.id
    assert book.reed(7) == second
    assert [history.gone for history in book.histories()] == [True, False]


def test_a_photo_comes_in_once(book):
    first = book.add_photo("a" * 64, "x.jpg", NOON, NOON)
    assert book.add_photo("a" * 64, "y.jpg", None, NOON) == first
    assert len(book.photos()) == 1


def test_all_or_nothing(book):
    def half():
        with book.writing():
            book.add_reed(1)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        half()
    assert book.reeds() == []


def test_photos_around_a_squeeze(book, enter):
    reed = book.add_reed(1)
    states = ("dry", "soaked", "soaked", "soaked")
    taken = [datetime(2026, 10, 5, 14, minute) for minute in range(4)]
    _, before, after, later = (enter(book, reed, *photo) for photo in zip(states, taken, strict=True))

    def around_last():
        history = book.history(reed)
        return [entry.photo for entry in history.around(history.squeezes[-1])]

    book.add_squeeze(reed, datetime(2026, 10, 5, 14, 1, 30))
    assert around_last() == [before, after]
    book.add_squeeze(reed, datetime(2026, 10, 5, 14, 2, 30))
    assert around_last() == [after, later]
    # Named photos count, whatever their times say.
    book.add_squeeze(reed, datetime(2026, 10, 5, 14, 5), before, later)
    assert around_last() == [before, later]


@pytest.mark.parametrize(
    "wrong",
    [
        lambda book: book.add_reed(0),
        lambda book: book.add_reed(481),
        lambda book: book.add_reed(1, player="Anna Example"),
        lambda book: book.add_reed(1, lot="none"),
        lambda book: book.add_lot("", "post"),
        lambda book: book.add_lot("26a", "post", price_per_reed=float("nan")),
        lambda book: book.add_lot("26a", "post", price_per_reed=-1.0),
        lambda book: book.add_check(book.add_reed(1), NOON, {"mould": True}),
        lambda book: book.add_check(book.add_reed(1), NOON, {}, pitch_cents=5000.0),
        lambda book: book.add_check(book.add_reed(1), NOON, {}, response="splendid"),
        lambda book: book.add_decision(book.add_reed(1), NOON, "burn", "cold", "MB"),
        lambda book: book.reed(3),
        lambda book: book.lot("nowhere"),
        lambda book: list(book.table("lots; DROP TABLE lots")),
    ],
)
def test_what_cannot_be_is_refused_in_words(book, wrong):
    with pytest.raises(BookError) as caught:
        wrong(book)
    assert caught.value.code in ("book-entry-wrong", "book-unknown")
    assert caught.value.detail


@given(st.text(max_size=40))
def test_codes_have_no_spaces(text):
    """Nothing that looks like a first and a last name gets through."""
    try:
        assert short_code(text, "x") == text
    except BookError:
        return
    assert text.strip() == text
    assert len(text) <= 24
    assert not any(character.isspace() or character in "=+@'\"<>/\\" for character in text)


def test_one_reed_costs_the_same_in_a_large_book(book, enter):
    """Work is counted in steps of SQLite's own machine, not in seconds."""

    def steps():
        counted = []
        book._connection.set_progress_handler(lambda: counted.append(1), 10)
        book.history(book.reed(1))
        book._connection.set_progress_handler(None, 0)
        return len(counted)

    enter(book, book.add_reed(1), "dry")
    small = steps()
    for number in range(2, 60):
        enter(book, book.add_reed(number), "dry")
    assert 0 < steps() < 1.5 * small + 5


def test_a_book_is_read_while_another_program_writes(book):
    with Book(book.path) as other, book.writing():
        book.add_reed(1)
        assert other.reeds() == []
    assert [reed.number for reed in book.reeds()] == [1]
